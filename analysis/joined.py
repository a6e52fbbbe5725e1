"""One permeability spectrum from two windings, and the impedance an ideal winding would show of it.

Outside the overlap each sweep stands alone, with its winding as the overlap solved it. Inside, at the
frequencies of the few turns, both are averaged with the inverse of their own covariances as weights; what
they share can not be lessened by averaging and does not enter the weights. Errors are carried source by
source: the errors of the windings were found as K d, and d holds every source by D_k, so that source k of a
curve becomes S_k − S_w K D_k. Shared sources keep their ids. The scatter of the overlap reaches all points
through K and becomes a few sources of its own, "join: …"; that it is also, diluted, the scatter of the points
themselves is left out.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from whichcore.analysis.contradiction import contradiction
from whichcore.analysis.curve_difference import LogCurve
from whichcore.analysis.geometry import core_geometry
from whichcore.analysis.overlap_fit import FEW, MANY, Fit, Wound
from whichcore.analysis.permeability import air_inductance_h
from whichcore.analysis.specimen import Specimen, Winding
from whichcore.analysis.two_windings import Overlap, usable
from whichcore.analysis.types import (
    ComplexArray,
    Distribution,
    ErrorSource,
    FloatArray,
    ImpedanceSweep,
    PermeabilitySpectrum,
    Scope,
)
from whichcore.analysis.uncertainty import point_covariance, propagate

JOIN = "join: overlap"
_NEGLIGIBLE = 1e-6


@dataclass(frozen=True, slots=True)
class Step:
    """Where the joined curve passes from one sweep to the average of both, or from that to the other.

    Attributes
    ----------
    frequency_hz : float
    size : complex
        Joined less alone: relative, and in rad.
    u_size : (float, float)
        Standard uncertainty of the difference that causes it.
    """

    frequency_hz: float
    size: complex
    u_size: tuple[float, float]

    @property
    def largest(self) -> float:
        """In standard uncertainties, of the worse part."""
        return max(
            abs(part) / u if u > 0 else 0.0
            for part, u in zip((self.size.real, self.size.imag), self.u_size, strict=True)
        )


@dataclass(frozen=True, slots=True)
class Joined:
    """Both windings as one.

    Attributes
    ----------
    spectrum : PermeabilitySpectrum
        With the sources of the dimensions.
    steps : (Step, Step)
        At the lower and upper end of the overlap.
    """

    spectrum: PermeabilitySpectrum
    steps: tuple[Step, Step]


@dataclass(frozen=True, slots=True)
class _Curve:
    """ln μ of one sweep after solving, brought to frequencies of its own or of the overlap."""

    frequency_hz: FloatArray
    value: ComplexArray
    scatter: FloatArray
    sources: dict[str, ErrorSource]
    flux_density_t: FloatArray | None

    def at(self, index: np.ndarray) -> _Curve:
        flux = self.flux_density_t
        return _Curve(
            self.frequency_hz[index],
            self.value[index],
            self.scatter[index],
            {k: s.at(index) for k, s in self.sources.items()},
            None if flux is None else flux[index],
        )


def join(overlap: Overlap, many: Wound, few: Wound) -> Joined:
    """Return the spectrum of both windings.

    Parameters
    ----------
    overlap : Overlap
        Solved from the same two.
    many, few : Wound

    Raises
    ------
    AnalysisError
        The overlap contradicts.
    """
    if (reason := contradiction(overlap, many, few)) is not None:
        raise reason
    fit, kept = overlap.fit, usable(many)
    one, two = (_solved(curve, fit) for curve in fit.curves)
    grid = np.flatnonzero(np.isin(few.sweep.frequency_hz, overlap.frequency_hz))
    brought = _brought(one, fit.difference.weights, few.sweep.frequency_hz[grid])
    share = _share(brought, two.at(grid))
    both = _averaged(brought, two.at(grid), share)
    low, high = overlap.frequency_hz[0], overlap.frequency_hz[-1]
    outside = [
        (one.at(np.flatnonzero(one.frequency_hz < low)), two.at(np.flatnonzero(two.frequency_hz < low))),
        (one.at(np.flatnonzero(one.frequency_hz > high)), two.at(np.flatnonzero(two.frequency_hz > high))),
    ]
    # on each side the sweep that goes further out stands alone: inside the overlap's span both would be there
    below, above = (max(pair, key=lambda c: c.frequency_hz.size) for pair in outside)
    whole = _row(below, both, above)
    return Joined(_spectrum(whole, kept, few), _steps(overlap, share))


def _solved(curve: LogCurve, fit: Fit) -> _Curve:
    """Return a curve whose sources are those after solving: S_k − S_w K D_k."""
    d, here = fit.difference, curve.common
    points = curve.frequency_hz.size
    nothing = np.zeros(points, dtype=np.complex128)
    windings = np.array([here[i].sensitivity if i in here else nothing for i in d.solved_ids])
    moves = windings.T @ fit.gain if d.solved_ids else np.zeros((points, d.value.size))
    columns = dict(d.columns) | {i: d.solved[:, k] for k, i in enumerate(d.solved_ids)}
    sources = dict(curve.per_point)
    for identity, column in columns.items():
        known = here.get(identity)
        own = known.sensitivity if known is not None else nothing
        template = known or ErrorSource(identity, Scope.SWEEP, nothing)
        shape = Distribution.NORMAL if identity in d.solved_ids else template.distribution
        sources[identity] = replace(
            template, sensitivity=np.asarray(own - moves @ column), distribution=shape
        )
    for number, column in enumerate(_own_columns(fit), start=1):
        identity = f"{JOIN} {number}"
        sources[identity] = ErrorSource(identity, Scope.SWEEP, np.asarray(-windings.T @ column))
    return _Curve(curve.frequency_hz, curve.value, curve.scatter, sources, curve.flux_density_t)


def _own_columns(fit: Fit) -> list[FloatArray]:
    """Return what is independent in the overlap as columns (K,) of the windings' errors."""
    d = fit.difference
    spread = fit.gain @ (d.independent + np.outer(d.level, d.level)) @ fit.gain.T
    if not spread.size:
        return []
    sizes, axes = np.linalg.eigh(spread)
    keep = sizes > _NEGLIGIBLE * max(float(sizes.max()), 1e-300)
    return [np.sqrt(size) * axis for size, axis in zip(sizes[keep][::-1], axes.T[keep][::-1], strict=True)]


def _brought(curve: _Curve, weights: FloatArray, frequency_hz: FloatArray) -> _Curve:
    """Return a curve at other frequencies; a draw for each frequency becomes scatter where they differ."""
    exact = np.isclose(weights.max(axis=1), 1.0) & np.isclose(np.abs(weights).sum(axis=1), 1.0)
    scatter = np.einsum("ig,gab->iab", weights**2, curve.scatter)
    sources = {}
    for identity, source in curve.sources.items():
        moved = weights @ source.sensitivity
        if source.scope in {Scope.POINT, Scope.SPECIMENS_POINT}:
            between = np.where(exact[:, np.newaxis], 0, weights) * source.sensitivity
            parts = np.stack([between.real, between.imag], axis=-1)
            scatter = scatter + np.einsum("iga,igb->iab", parts, parts)
            moved = np.where(exact, moved, 0)
        sources[identity] = replace(source, sensitivity=np.asarray(moved))
    flux = None if curve.flux_density_t is None else weights @ curve.flux_density_t
    return _Curve(frequency_hz, np.asarray(weights @ curve.value), scatter, sources, flux)


def _share(one: _Curve, two: _Curve) -> FloatArray:
    """Return the weight of the first curve, (n, 2, 2): C_two (C_one + C_two)⁻¹ of what is not shared."""

    def own(curve: _Curve, other: _Curve) -> FloatArray:
        alone = [
            s
            for i, s in curve.sources.items()
            if i.startswith((f"{MANY}/", f"{FEW}/")) or i not in other.sources
        ]
        return point_covariance(curve.scatter, alone)

    first, second = own(one, two), own(two, one)
    total = first + second
    # two curves without any error of their own weigh alike
    exact = np.trace(total, axis1=1, axis2=2) <= 0
    total = total + np.where(exact, 1.0, 0.0)[:, np.newaxis, np.newaxis] * np.eye(2)
    share = second @ np.linalg.pinv(total)
    share[exact] = np.eye(2) / 2
    return np.asarray(share)


def _turned(matrix: FloatArray, values: ComplexArray) -> ComplexArray:
    parts = np.einsum("iab,ib->ia", matrix, np.stack([values.real, values.imag], axis=-1))
    return np.asarray(parts[:, 0] + 1j * parts[:, 1])


def _averaged(one: _Curve, two: _Curve, share: FloatArray) -> _Curve:
    rest = np.eye(2) - share
    sources = {}
    nothing = np.zeros(one.frequency_hz.size, dtype=np.complex128)
    for identity in dict.fromkeys((*one.sources, *two.sources)):
        first, second = one.sources.get(identity), two.sources.get(identity)
        moved = _turned(share, first.sensitivity if first else nothing)
        moved = moved + _turned(rest, second.sensitivity if second else nothing)
        template = first or second
        assert template is not None  # noqa: S101 - the id comes from one of them
        sources[identity] = replace(template, sensitivity=moved)
    scatter = share @ one.scatter @ np.swapaxes(share, 1, 2) + rest @ two.scatter @ np.swapaxes(rest, 1, 2)
    flux = None
    if one.flux_density_t is not None and two.flux_density_t is not None:
        flux = np.maximum(one.flux_density_t, two.flux_density_t)
    value = two.value + _turned(share, one.value - two.value)
    return _Curve(two.frequency_hz, np.asarray(value), scatter, sources, flux)


def _row(*curves: _Curve) -> _Curve:
    """Lay curves end to end."""
    ids = dict.fromkeys(i for curve in curves for i in curve.sources)
    sources = {}
    for identity in ids:
        templates = [curve.sources.get(identity) for curve in curves]
        pieces = [
            template.sensitivity if template else np.zeros(curve.frequency_hz.size, dtype=np.complex128)
            for curve, template in zip(curves, templates, strict=True)
        ]
        first = next(t for t in templates if t is not None)
        sensitivity = np.concatenate(pieces)
        if np.any(sensitivity):
            sources[identity] = replace(first, sensitivity=sensitivity)
    fluxes = [curve.flux_density_t for curve in curves]
    known = [flux for flux in fluxes if flux is not None]
    return _Curve(
        np.concatenate([curve.frequency_hz for curve in curves]),
        np.concatenate([curve.value for curve in curves]),
        np.concatenate([curve.scatter for curve in curves]),
        sources,
        np.concatenate(known) if len(known) == len(fluxes) else None,
    )


def _spectrum(curve: _Curve, many: Wound, few: Wound) -> PermeabilitySpectrum:
    mu = np.exp(curve.value)
    scatter, sources = propagate(curve.scatter, tuple(curve.sources.values()), mu)
    shape = tuple(
        ErrorSource(identity, Scope.SWEEP, np.asarray(-mu * change))
        for identity, change in core_geometry(few.specimen).relative_sources
    )
    warm = [part.sweep.temperature_c for part in (many, few)]
    known = [value for value in warm if value is not None]
    return PermeabilitySpectrum(
        frequency_hz=curve.frequency_hz,
        permeability=np.asarray(mu),
        scatter=scatter,
        sources=(*sources, *shape),
        flux_density_t=curve.flux_density_t,
        temperature_c=sum(known) / len(known) if known else None,
    )


def _steps(overlap: Overlap, share: FloatArray) -> tuple[Step, Step]:
    """Return how far the average lies from the sweep that goes on alone, at both ends of the overlap."""
    apart = np.stack([overlap.difference.real, overlap.difference.imag], axis=-1)
    ends = []
    for index, matrix in ((0, share[0] - np.eye(2)), (-1, share[-1])):
        moved = matrix @ apart[index]
        u = overlap.u_difference[index]
        ends.append(Step(float(overlap.frequency_hz[index]), complex(*moved), (float(u[0]), float(u[1]))))
    return ends[0], ends[1]


def as_one_sweep(joined: Joined, specimen: Specimen, turns: int) -> tuple[ImpedanceSweep, Specimen]:
    """Return the impedance jωL0μ that an ideal winding would show, and the specimen that goes with it.

    Parameters
    ----------
    joined : Joined
    specimen : Specimen
        Of either part.
    turns : int
        Of the ideal winding; they scale the impedance and nothing else.

    Returns
    -------
    sweep : ImpedanceSweep
        Without the sources of the dimensions, which the specimen brings in again.
    specimen : Specimen
        With ``ideal`` turns, so that no winding is taken off, nor counted as a source, a second time.
    """
    spectrum = joined.spectrum
    wound = replace(specimen, winding=Winding(turns, ideal=True))
    shape = {identity for identity, _ in core_geometry(wound).relative_sources}
    scale = np.asarray(2j * np.pi * spectrum.frequency_hz * air_inductance_h(wound))
    own = [source for source in spectrum.sources if source.id not in shape]
    scatter, sources = propagate(spectrum.scatter, own, scale)
    sweep = ImpedanceSweep(
        frequency_hz=spectrum.frequency_hz,
        impedance_ohm=np.asarray(scale * spectrum.permeability),
        scatter=scatter,
        sources=sources,
        flux_density_t=spectrum.flux_density_t,
        temperature_c=spectrum.temperature_c,
    )
    return sweep, wound
