"""What a section of unknown effect may do to a core of manganese-zinc ferrite, beside its reference.

The curve of a reference was taken on a core with a section of its own, which is rarely stated, and the
permittivity and conductivity of its grade are known within a factor at best. Both are integrated over a few
values. For each of them the material's own permeability is worked out from what was measured,
μ_measured = μ F(μ, own section), and from that what the section of the reference would have shown. The mean
of the logarithms of both, one over the other, corrects the references; their scatter is a set of common
columns, correlated over frequency as the physics has it. Where the section begins to ring that scatter grows
beyond what a few columns describe: there the points also lose weight of their own.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from scipy.interpolate import PchipInterpolator

from whichcore.analysis.class_properties import class_properties
from whichcore.analysis.materials import Material, MaterialClass
from whichcore.analysis.observation import Observation, RowKind, deviation_basis
from whichcore.analysis.section import mnzn_dielectric, section_effect
from whichcore.analysis.section_fit import feels_section
from whichcore.analysis.types import ComplexArray, FloatArray

Sides = tuple[float, float]
#: Factors on permittivity and conductivity of the table, each broadcast against the curves.
Dielectric = tuple[FloatArray, FloatArray]

#: Sections that references of unknown section were taken on, in m, with their shares: rings of 6 to 25 mm, of
#: which makers' and workshops' curves are taken. Practice, no source.
REFERENCE_SECTIONS: tuple[tuple[Sides, float], ...] = (
    ((1.2e-3, 2.0e-3), 0.2),
    ((2.0e-3, 3.5e-3), 0.3),
    ((3.0e-3, 5.0e-3), 0.3),
    ((4.5e-3, 7.5e-3), 0.2),
)
#: Share of references taken on a core like the specimen, whose curve it shows as it is. Practice: nothing is
#: known of it.
SAME_SECTION = 0.5
#: Doubt below this, in ln μ, is left out of account. Practice.
NOTEWORTHY_DOUBT = 0.005
#: Doubt is worked out for references of known section as if their sides were these times a power of it.
SIDE_STEP = 1.25
#: Largest effect in ln μ that is followed; beyond it the section rings and the point is given up.
LARGEST_EFFECT = 1.0
#: Width, in ln f, of the smoothing before the effect is worked out; correlation length of the weight lost.
_SMOOTH, _LENGTH = 0.25, 0.3
#: Step in ln f at which it is worked out, and interpolated between.
_GRID = 0.25
#: Relative remainder of the series of the section; doubt needs no more.
_REMAINDER = 1e-5
#: Steps of the solution for the permeability inside, and the part of each that is taken.
_ITERATIONS, _DAMPING = 12, 0.7
#: Scatter in ln μ beyond which a point says nothing of the material, and share of the variants that may ring
#: before it does so; part of the mean square of the effect by which points lose weight. Practice.
FOLLOWED, RINGING_SHARE = 0.3, 0.3
LOST = 0.5
_TABLE_BAND_HZ = (1e3, 1e6)
#: Columns and weights below this, in ln μ, are left out: a tenth of what dense points tell.
_LEAST = 1e-3


@dataclass(frozen=True, slots=True)
class SectionPrior:
    """Effect of the sections of specimen and reference on λ of a manganese-zinc specimen.

    Attributes
    ----------
    mean : complex array (P,)
        To be added to λ of a reference as it stands; NaN where the section hides the material.
    columns : float array (P, 2, K)
        One standard deviation each.
    """

    mean: ComplexArray
    columns: FloatArray

    @property
    def followed(self) -> int:
        """Number of points, spectrum and readings, at which the section does not hide the material."""
        return int((~np.isnan(self.mean)).sum())


def section_prior_of(material: Material, observation: Observation, *, other_section: bool) -> SectionPrior:
    """Return what sections may do to one material.

    Parameters
    ----------
    material : Material
    observation : Observation
    other_section : bool
        Whether a reference of unknown section was taken on another one than the specimen's.
    """
    if not feels_section(material) or (material.section_m is None and not other_section):
        return _nothing(observation)
    own, reference = observation.section_m, section_key(material.section_m)
    if own is not None and reference == _rounded(own):
        return _nothing(observation)  # both show the same, whatever their dielectric is
    return section_prior(observation, material.section_m)


def section_matters(observation: Observation) -> bool:
    """Tell whether references of unknown section may have been taken on one that shows another curve."""
    prior = section_prior(observation, None)
    return bool(np.isnan(prior.mean).any() or np.abs(prior.columns).max(initial=0.0) > NOTEWORTHY_DOUBT)


def _nothing(observation: Observation) -> SectionPrior:
    points = observation.frequency_hz.size
    return SectionPrior(np.zeros(points, dtype=np.complex128), np.zeros((points, 2, 0)))


def section_prior(observation: Observation, reference_m: Sides | None) -> SectionPrior:
    """Work out what sections may do, from the data; nothing at readings and without a section.

    Parameters
    ----------
    observation : Observation
    reference_m : (float, float) or None
        Section of the references, when known; their curves are then taken as corrected already.

    Returns
    -------
    SectionPrior
    """
    spectrum = observation.kind == RowKind.SPECTRUM
    if observation.section_m is None or not spectrum.any():
        return _nothing(observation)
    own = _rounded(observation.section_m)
    reference = None if reference_m is None else _rounded(reference_m)
    mean, columns = _worked_out(
        observation.frequency_hz[spectrum].tobytes(),
        observation.log_reluctivity[spectrum].tobytes(),
        own,
        reference,
    )
    size = spectrum.size
    out = SectionPrior(np.zeros(size, dtype=np.complex128), np.zeros((size, 2, columns.shape[2])))
    out.mean[spectrum], out.columns[spectrum] = mean, columns
    return out


@lru_cache(maxsize=256)
def _rounded(sides_m: Sides) -> Sides:
    """Round sides to the steps at which doubt is worked out, the shorter one first."""
    steps = np.round(np.log(np.sort(sides_m)) / np.log(SIDE_STEP))
    a, b = SIDE_STEP**steps
    return float(a), float(b)


def section_key(reference_m: Sides | None) -> Sides | None:
    """Return what the doubt about a reference depends on."""
    return None if reference_m is None else _rounded(reference_m)


@lru_cache(maxsize=8)
def _worked_out(
    frequency: bytes, rows: bytes, own_m: Sides, reference_m: Sides | None
) -> tuple[ComplexArray, FloatArray]:
    x = np.log(np.frombuffer(frequency, dtype=np.float64))
    span = max(float(x.max() - x.min()), _GRID)
    grid = np.linspace(x.min(), x.min() + span, int(np.ceil(span / _GRID)) + 1)
    smooth = _smoothed(x, np.frombuffer(rows, dtype=np.complex128), grid)
    weight, coarse, lost = _effects(np.exp(grid), smooth, own_m, reference_m)
    effect = _between(grid, coarse, x)
    lost = np.interp(x, grid, lost)
    mean = weight @ effect
    scatter = np.sqrt(weight)[:, None] * (effect - mean)
    mean = np.zeros_like(mean) if reference_m is not None else mean
    size = np.sqrt((np.abs(scatter) ** 2).sum(axis=0))
    hidden = (size > FOLLOWED) | (lost > RINGING_SHARE)
    if hidden.any():
        beyond = x >= x[hidden].min()
        mean[beyond] = complex(np.nan, np.nan)
        scatter[:, beyond] = 0
        effect = np.where(beyond, 0, effect)
    return mean, np.concatenate([_principal(scatter), _weight_lost(x, weight, effect)], axis=2)


def _smoothed(x: FloatArray, rows: ComplexArray, grid: FloatArray) -> ComplexArray:
    width = max(_SMOOTH, float(np.diff(np.sort(x)).max(initial=0.0)))
    weight = np.exp(-0.5 * ((grid[:, None] - x) / width) ** 2)
    return np.asarray((weight / weight.sum(axis=1, keepdims=True)) @ rows)


def _between(grid: FloatArray, values: ComplexArray, x: FloatArray) -> ComplexArray:
    parts = PchipInterpolator(grid, np.stack([values.real, values.imag]), axis=2)(x)
    return np.asarray(parts[0] + 1j * parts[1])


def _dielectrics() -> Dielectric:
    """Return factors on permittivity and conductivity of the table, two points each, (4, 1)."""
    known = class_properties(MaterialClass.MNZN).quantities
    permittivity, conductivity = (
        10 ** known[name].spread for name in ("relative_permittivity", "resistivity")
    )
    corners = np.array([(permittivity**i, conductivity**j) for i in (-1, 1) for j in (-1, 1)])
    return corners[:, :1], corners[:, 1:]


def _effects(
    frequency_hz: FloatArray, rows: ComplexArray, own_m: Sides, reference_m: Sides | None
) -> tuple[FloatArray, ComplexArray, FloatArray]:
    """Return shares (V,), effects on λ (V, P), and the share of variants that cannot be followed (P,)."""
    sections = REFERENCE_SECTIONS if reference_m is None else ((reference_m, 1.0),)
    dielectric = _dielectrics()
    share = 1 / dielectric[0].size
    measured = np.broadcast_to(np.exp(-rows), (dielectric[0].size, rows.size))
    inner, ringing = inner_permeability(frequency_hz, measured, own_m, dielectric)
    own = np.log(measured / inner)
    effects = [
        bounded(log_section_factor(frequency_hz, inner, sides, dielectric) - own) for sides, _ in sections
    ]
    weights = [np.full(own.shape[0], share * part) for _, part in sections]
    return np.concatenate(weights), np.concatenate(effects), share * ringing.sum(axis=0)


def inner_permeability(
    frequency_hz: FloatArray,
    measured: ComplexArray,
    sides_m: Sides,
    dielectric: Dielectric,
    iterations: int = _ITERATIONS,
) -> tuple[ComplexArray, FloatArray]:
    """Solve measured = μ F(μ) for μ, frequencies rising along the last axis.

    Where that rings the last effect below is kept, and 1 returned.
    """
    inner = measured
    step = measured
    for _ in range(iterations):
        step = measured * np.exp(-bounded(log_section_factor(frequency_hz, inner, sides_m, dielectric)))
        inner = np.asarray(inner * (step / inner) ** _DAMPING)
    effect = np.log(measured / inner)
    bad = (np.abs(np.log(step / inner)) > 0.02) | (np.abs(effect) > 0.9 * LARGEST_EFFECT)
    ringing = np.logical_or.accumulate(bad, axis=-1)
    last = np.maximum(ringing.shape[-1] - ringing.sum(axis=-1, keepdims=True) - 1, 0)
    kept = np.take_along_axis(effect, last, axis=-1)
    return np.where(ringing, measured * np.exp(-kept), inner), ringing.astype(np.float64)


def bounded(values: ComplexArray) -> ComplexArray:
    """Cut effects to the largest that is followed, their direction kept."""
    return np.asarray(values / np.maximum(np.abs(values) / LARGEST_EFFECT, 1.0))


def log_section_factor(
    frequency_hz: FloatArray, permeability: ComplexArray, sides_m: Sides, dielectric: Dielectric
) -> ComplexArray:
    """Return ln F of a rectangular section for curves (…, F), of the dielectric table times some factors."""
    epsilon, sigma = mnzn_dielectric(np.clip(frequency_hz, *_TABLE_BAND_HZ))
    return np.asarray(
        np.log(
            section_effect(
                frequency_hz,
                permeability,
                sides_m,
                dielectric[1] * sigma,
                dielectric[0] * epsilon,
                remainder=_REMAINDER,
            )
        )
    )


def _principal(scatter: ComplexArray) -> FloatArray:
    """Columns (P, 2, K) whose products are the covariance of weighted variants (V, P)."""
    parts = np.concatenate([scatter.real, scatter.imag], axis=1)
    _, size, directions = np.linalg.svd(parts, full_matrices=False)
    kept = size * np.abs(directions).max(axis=1) > _LEAST
    columns = (size[kept, None] * directions[kept]).reshape(int(kept.sum()), 2, scatter.shape[1])
    return np.asarray(columns.transpose(2, 1, 0))


def _weight_lost(x: FloatArray, weight: FloatArray, effect: ComplexArray) -> FloatArray:
    """Columns (P, 2, 2R) of a deviation of short reach, as large as the square of the effect."""
    size = LOST * (weight @ np.abs(effect) ** 2)
    basis = size[:, None] * deviation_basis(x, _LENGTH)
    basis = basis[:, np.abs(basis).max(axis=0) > _LEAST]
    columns = np.zeros((x.size, 2, 2 * basis.shape[1]))
    columns[:, 0, : basis.shape[1]] = columns[:, 1, basis.shape[1] :] = basis
    return columns
