"""Loss of a low-loss core from the winding and a known capacitor across their resonance.

Read directly, Z = ωL(j + tan δ) turns a phase error φ of the bench into an error φ of tan δ, which is as
large as the loss of a good core. With the capacitor the large reactance is balanced by another that is
known, and what the bench reads is small and real: R at X = 0 in series, G at B = 0 in parallel. There an
error φ of phase moves the crossing, and an error g of size changes R by gR, so that both are divided by the
quality Q = ωL/R:

    series     Z_w = Z(f0) − Z_c,   Z_c = (tan δ_c + 1/j)/(ω0 C)
    parallel   Y_w = Y(f0) − Y_c,   Y_c = ω0 C (j + tan δ_c)

(series resonance: X_L = X_C, f0 = 1/(2π√(LC)), Q = ω0 L/R; textbook relations. The balance with a lossy
capacitor is derived here.) What the capacitor loses is lost to the result, tan δ_c beside tan δ; its value
scales L alone. The copper stays in R as it does in the direct way.

A local polynomial in ln f through the points about the crossing gives Z(f0); its weights are linear in the
data, so that every source goes through them under its own name.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from enum import StrEnum

import numpy as np
from scipy.special import chdtrc

from whichcore.analysis.curve_difference import interpolation
from whichcore.analysis.flux_density import core_voltage_vrms, peak_flux_density_t
from whichcore.analysis.impedance import require_curve
from whichcore.analysis.permeability import permeability
from whichcore.analysis.specimen import Specimen
from whichcore.analysis.types import (
    ComplexArray,
    Distribution,
    ErrorSource,
    FloatArray,
    ImpedanceSweep,
    PermeabilitySpectrum,
    Scope,
    Wiring,
)
from whichcore.analysis.uncertainty import PER_POINT, independent_covariance, propagate
from whichcore.errors import AnalysisError, InputError
from whichcore.wording import in_percent

CAPACITANCE = "resonance: capacitance"
CAPACITOR_LOSS = "resonance: loss of the capacitor"
WINDOW = 0.15
"""Half width in ln f of what the polynomial is laid through; practice."""
LEAST_POINTS, MOST_DEGREE = 4, 3
_ROOT_3 = float(np.sqrt(3))
_RARE = 1e-3


class Connection(StrEnum):
    """How the capacitor is joined to the winding."""

    SERIES = "series"
    PARALLEL = "parallel"


@dataclass(frozen=True, slots=True)
class KnownCapacitor:
    """What is known of the capacitor.

    Attributes
    ----------
    capacitance_f : float
    tolerance : float
        Half width, relative.
    loss_tangent, loss_tangent_tolerance : float
        At the frequency of the resonance, series resistance included; half width.
    """

    capacitance_f: float
    tolerance: float
    loss_tangent: float
    loss_tangent_tolerance: float

    def __post_init__(self) -> None:
        if not 0 < self.capacitance_f < np.inf:
            raise InputError(
                "a capacitance is positive", where="capacitance", got=f"{self.capacitance_f:g} F"
            )
        shares = {
            "tolerance": self.tolerance,
            "loss tangent": self.loss_tangent,
            "loss tangent tolerance": self.loss_tangent_tolerance,
        }
        for where, value in shares.items():
            if not 0 <= value < 1:
                raise InputError(
                    "it is a share", where=f"capacitor, {where}", got=f"{value:g}", allowed="0 to below 1"
                )

    def impedance(self, frequency_hz: float) -> complex:
        """Return Z_c, Ω."""
        return complex(self.loss_tangent, -1) / (2 * np.pi * frequency_hz * self.capacitance_f)

    def admittance(self, frequency_hz: float) -> complex:
        """Return Y_c, S."""
        return complex(self.loss_tangent, 1) * (2 * np.pi * frequency_hz * self.capacitance_f)


@dataclass(frozen=True, slots=True)
class Resonance:
    """What one capacitor tells.

    Attributes
    ----------
    connection : Connection
    capacitor : KnownCapacitor
    frequency_hz, u_frequency_hz : float
        Of the crossing.
    terminal_ohm : float
        R at X = 0, or 1/G at B = 0: of the whole.
    winding : ImpedanceSweep
        The winding without the capacitor, one point.
    spectrum : PermeabilitySpectrum
        The core, one point.
    quality : float
        |X|/R of winding and capacitor together.
    points : int
        The polynomial was laid through.
    notes : tuple of str
    """

    connection: Connection
    capacitor: KnownCapacitor
    frequency_hz: float
    u_frequency_hz: float
    terminal_ohm: float
    winding: ImpedanceSweep
    spectrum: PermeabilitySpectrum
    quality: float
    points: int
    notes: tuple[str, ...] = ()

    @property
    def inductance_h(self) -> float:
        """Series inductance of the winding at its terminals, H."""
        return float(self.winding.impedance_ohm[0].imag / (2 * np.pi * self.frequency_hz))

    @property
    def loss_tangent(self) -> float:
        """Of the core."""
        mu = self.spectrum.permeability[0]
        return float(-mu.imag / mu.real)


def resonance(
    sweep: ImpedanceSweep, specimen: Specimen, capacitor: KnownCapacitor, connection: Connection
) -> Resonance:
    """Find the resonance of winding and capacitor and return the core's loss there.

    Parameters
    ----------
    sweep : ImpedanceSweep
        Of both together, in Ω, dense about the resonance: at least four points within 15 % of it, on both
        sides.
    specimen : Specimen
        Core and winding; copper, leads and winding capacitance are taken off as ever.
    capacitor : KnownCapacitor
    connection : Connection

    Returns
    -------
    Resonance
        Sources of the sweep keep ids and scopes, with what of them reaches the crossing. A source with a
        draw for each frequency becomes one column along its larger axis; the rest of it goes to the scatter.

    Raises
    ------
    AnalysisError
        No crossing in the sweep, several, too few points about it; the other connection; two windings.
    """
    require_curve(sweep.frequency_hz, sweep.impedance_ohm)
    if sweep.wiring == Wiring.TWO_WINDINGS:
        raise AnalysisError(
            "the resonance is that of one winding",
            where="wiring",
            got=str(sweep.wiring),
            allowed="shunt-at-ground, specimen-at-ground",
        )
    series = connection is Connection.SERIES
    data = sweep if series else _inverted(sweep)
    near = _window(data, _crossing_hz(data, connection))
    fit = _fitted(near)
    f0 = fit.frequency_hz
    own = capacitor.impedance(f0) if series else capacitor.admittance(f0)
    rest = fit.value - own
    sources = (*fit.sources, *_capacitor_sources(capacitor, own, series))
    point = ImpedanceSweep(
        frequency_hz=np.array([f0]),
        impedance_ohm=np.array([rest]),
        scatter=fit.scatter,
        sources=sources,
        temperature_c=sweep.temperature_c,
        drive_vrms=sweep.drive_vrms,
        wiring=sweep.wiring,
    )
    winding = point if series else _inverted(point)
    return Resonance(
        connection=connection,
        capacitor=capacitor,
        frequency_hz=f0,
        u_frequency_hz=fit.u_frequency_hz,
        terminal_ohm=float(fit.value.real if series else 1 / fit.value.real),
        winding=winding,
        spectrum=permeability(winding, specimen),
        quality=float(abs(own.imag) / fit.value.real),
        points=near.frequency_hz.size,
        notes=fit.notes,
    )


def direct_at(sweep: ImpedanceSweep, frequency_hz: float) -> ImpedanceSweep:
    """Return a sweep of the winding alone at one frequency inside it, by a cubic in ln f.

    Raises
    ------
    AnalysisError
        The frequency lies outside; nothing is stretched.
    """
    require_curve(sweep.frequency_hz, sweep.impedance_ohm)
    low, high = sweep.frequency_hz[0], sweep.frequency_hz[-1]
    if not low <= frequency_hz <= high:
        raise AnalysisError(
            "the direct sweep does not reach the resonance",
            where="direct sweep",
            got=f"{low:g} Hz to {high:g} Hz",
            allowed=f"a sweep that holds {frequency_hz:g} Hz",
        )
    # Z/jω is smooth where Z is nearly an inductance
    scale = 2j * np.pi * sweep.frequency_hz
    weights = interpolation(sweep.frequency_hz, np.array([frequency_hz]))[0]
    turned = _scaled(sweep, np.asarray(1 / scale))
    point = _weighted(turned, weights, frequency_hz)
    return _scaled(point, np.array([2j * np.pi * frequency_hz]))


def capacitance_for(sweep: ImpedanceSweep, frequency_hz: float, connection: Connection) -> float:
    """Return the capacitance that makes a winding resonate at a frequency, F: 1/(ωX), or −B/ω.

    Parameters
    ----------
    sweep : ImpedanceSweep
        Of the winding alone, reaching over ``frequency_hz``; or one point at it.
    frequency_hz : float
    connection : Connection

    Raises
    ------
    AnalysisError
        The winding is no inductor there.
    """
    z = complex(direct_at(sweep, frequency_hz).impedance_ohm[0])
    omega = 2 * np.pi * frequency_hz
    if z.imag <= 0:
        raise AnalysisError(
            "the winding is no inductor at this frequency: it lies above its self-resonance",
            where="frequency",
            got=f"{frequency_hz:g} Hz",
            next_step="take fewer turns, or a lower frequency",
        )
    if connection is Connection.SERIES:
        return float(1 / (omega * z.imag))
    return float(-(1 / z).imag / omega)


def flux_density_t(found: Resonance, specimen: Specimen, terminal_vrms: float) -> float:
    """Return the peak flux density in the core for a voltage across winding and capacitor, T.

    In series the voltage across the winding is about Q times that across both.
    """
    z = found.winding.impedance_ohm
    share = abs(complex(z[0])) / found.terminal_ohm if found.connection is Connection.SERIES else 1.0
    core = core_voltage_vrms(z, found.winding.frequency_hz, terminal_vrms * share, specimen)
    return float(peak_flux_density_t(core, found.winding.frequency_hz, specimen)[0])


# ------------------------------------------------------------------------------------------- the crossing


def _inverted(sweep: ImpedanceSweep) -> ImpedanceSweep:
    """Return 1/Z in place of Z, or the other way round: d(1/z) = −dz/z²."""
    other = np.asarray(1 / sweep.impedance_ohm)
    scatter, sources = propagate(sweep.scatter, sweep.sources, -(other**2))
    return replace(sweep, impedance_ohm=other, scatter=scatter, sources=sources)


def _scaled(sweep: ImpedanceSweep, factor: ComplexArray) -> ImpedanceSweep:
    scatter, sources = propagate(sweep.scatter, sweep.sources, factor)
    return replace(
        sweep, impedance_ohm=np.asarray(sweep.impedance_ohm * factor), scatter=scatter, sources=sources
    )


def _crossing_hz(data: ImpedanceSweep, connection: Connection) -> float:
    """Return where the imaginary part rises through zero, by the chord of the two points about it."""
    part, x = data.impedance_ohm.imag, np.log(data.frequency_hz)
    rising = np.flatnonzero((part[:-1] < 0) & (part[1:] >= 0))
    letter = "X" if connection is Connection.SERIES else "B"
    if not rising.size:
        falling = np.any((part[:-1] > 0) & (part[1:] <= 0))
        raise AnalysisError(
            f"{letter} does not rise through zero: there is no resonance of this connection in the sweep",
            where="resonance",
            got=f"{letter} from {part[0]:.3g} to {part[-1]:.3g} {'Ω' if letter == 'X' else 'S'}",
            allowed="below zero at the lower end, above zero at the upper end",
            next_step="the fall through zero is that of the other connection: check --connection"
            if falling
            else "sweep further to both sides; capacitor and turns say where to look",
        )
    places = x[rising] - part[rising] * np.diff(x)[rising] / np.diff(part)[rising]
    # scatter may cross zero several times at one resonance
    if np.ptp(places) > WINDOW / 3:
        raise AnalysisError(
            f"{letter} rises through zero at several frequencies",
            where="resonance",
            got=", ".join(f"{np.exp(place):.6g} Hz" for place in places),
            allowed="one resonance",
            next_step="cut the sweep down to the one of this capacitor",
        )
    return float(np.exp(places.mean()))


def _window(data: ImpedanceSweep, near_hz: float) -> ImpedanceSweep:
    inside = np.abs(np.log(data.frequency_hz / near_hz)) <= WINDOW
    if inside.sum() < LEAST_POINTS:
        raise AnalysisError(
            "too few points about the resonance",
            where=f"{near_hz:.6g} Hz",
            got=f"{int(inside.sum())} within {in_percent(WINDOW)}",
            allowed=f"{LEAST_POINTS} or more, better ten",
            next_step="sweep a narrow band about it with more points",
        )
    return data.at(inside)


@dataclass(frozen=True, slots=True)
class _Crossing:
    """The value at the crossing with its errors, one point; its imaginary part is zero by choice."""

    frequency_hz: float
    u_frequency_hz: float
    value: complex
    scatter: FloatArray
    sources: tuple[ErrorSource, ...]
    notes: tuple[str, ...]


def _fitted(data: ImpedanceSweep) -> _Crossing:
    """Lay a polynomial through the points, weighted by what is independent from point to point."""
    x = np.log(data.frequency_hz)
    centre = float(x.mean())
    covariance = independent_covariance(data.scatter, data.sources)
    variance = np.trace(covariance, axis1=1, axis2=2)
    weight = 1 / np.sqrt(np.maximum(variance, 1e-24 * np.abs(data.impedance_ohm) ** 2 + 1e-300))
    weight /= weight.max()
    degree = min(MOST_DEGREE, (x.size - 1) // 2)
    design = np.vander(x - centre, degree + 1, increasing=True)
    solve = np.linalg.pinv(design * weight[:, np.newaxis]) * weight
    coefficients = solve @ data.impedance_ohm
    root = _root(coefficients.imag, x - centre)
    powers = root ** np.arange(degree + 1)
    row = powers @ solve
    frequency = float(np.exp(centre + root))
    point = _weighted(data, row, frequency)
    slope = float(np.arange(1, degree + 1) * powers[:-1] @ coefficients.imag[1:])
    factor, notes = _stretch(data.impedance_ohm - design @ coefficients, covariance, degree)
    scatter = point.scatter * factor
    total = scatter[0, 1, 1] + sum(float(s.sensitivity[0].imag) ** 2 for s in point.sources)
    return _Crossing(
        frequency_hz=frequency,
        u_frequency_hz=frequency * float(np.sqrt(total)) / abs(slope),
        value=complex(float((row @ data.impedance_ohm).real), 0.0),
        scatter=scatter,
        sources=point.sources,
        notes=notes,
    )


def _root(coefficients: FloatArray, x: FloatArray) -> float:
    """Return the root of a polynomial (lowest power first) inside the points, nearest to their chord's."""
    roots = np.roots(coefficients[::-1])
    real = roots[np.abs(roots.imag) < 1e-9].real
    inside = real[(real >= x[0]) & (real <= x[-1])]
    if not inside.size:
        raise AnalysisError(
            "the points about the resonance scatter too much to find it",
            where="resonance",
            next_step="average more, or take points closer to each other",
        )
    return float(inside[np.argmin(np.abs(inside))])


def _stretch(residual: ComplexArray, covariance: FloatArray, degree: int) -> tuple[float, tuple[str, ...]]:
    """Return the factor on the scatter where the points leave the polynomial by more than they state."""
    parts = np.stack([residual.real, residual.imag], axis=-1)
    freedom = 2 * (residual.size - degree - 1)
    if freedom < 1 or not np.all(np.linalg.det(covariance) > 0):
        return 1.0, ()
    chi_squared = float(np.einsum("fi,fij,fj->", parts, np.linalg.inv(covariance), parts))
    if chdtrc(freedom, chi_squared) >= _RARE:
        return 1.0, ()
    ratio = chi_squared / freedom
    return ratio, (
        f"the points leave the smooth curve by {np.sqrt(ratio):.2g} times what they state: the scatter is "
        "taken that much larger",
    )


# ------------------------------------------------------------------------------------------- the errors


def _weighted(data: ImpedanceSweep, row: FloatArray, frequency_hz: float) -> ImpedanceSweep:
    """Return Σ w_i Z_i as one point, every source under its own name."""
    scatter = np.einsum("f,fij->ij", row**2, data.scatter)
    sources: list[ErrorSource] = []
    for source in data.sources:
        if source.scope in PER_POINT:
            column, rest = _principal(row * source.sensitivity)
            scatter = scatter + rest
            sources.append(replace(source, sensitivity=column))
        else:
            sources += _by_range(source, row, data.range_labels)
    return ImpedanceSweep(
        frequency_hz=np.array([frequency_hz]),
        impedance_ohm=np.array([row @ data.impedance_ohm]),
        scatter=scatter[np.newaxis],
        sources=tuple(sources),
        temperature_c=data.temperature_c,
        drive_vrms=data.drive_vrms,
        wiring=data.wiring,
    )


def _principal(terms: ComplexArray) -> tuple[ComplexArray, FloatArray]:
    """Return the larger axis of the covariance of independent terms as a column, and the rest."""
    parts = np.stack([terms.real, terms.imag])
    sizes, axes = np.linalg.eigh(parts @ parts.T)
    largest = np.sqrt(max(float(sizes[1]), 0.0)) * axes[:, 1]
    rest = max(float(sizes[0]), 0.0) * np.outer(axes[:, 0], axes[:, 0])
    return np.array([complex(*largest)]), rest


def _by_range(source: ErrorSource, row: FloatArray, labels: Sequence[str] | None) -> list[ErrorSource]:
    """Return what of a common source reaches the point; one column for each range it was read on."""
    terms = row * source.sensitivity
    if source.scope is not Scope.RANGE or labels is None or len(set(labels)) == 1:
        return [replace(source, sensitivity=np.array([terms.sum()]))]
    marks = np.array(labels)
    return [
        replace(
            source,
            id=source.id if number == 0 else f"{source.id} [{label}]",
            scope=Scope.SWEEP,
            sensitivity=np.array([terms[marks == label].sum()]),
        )
        for number, label in enumerate(dict.fromkeys(labels))
    ]


def _capacitor_sources(capacitor: KnownCapacitor, own: complex, series: bool) -> tuple[ErrorSource, ...]:
    """Return what is not known of the capacitor: in Ω of Z_w in series, in S of Y_w in parallel.

    A capacitance stated too large by c makes Z_c too small by c Z_c, and Y_c too large by c Y_c.
    """
    sign = 1 if series else -1
    value = sign * own * capacitor.tolerance / _ROOT_3
    loss = -abs(own.imag) * capacitor.loss_tangent_tolerance / _ROOT_3
    flat = Distribution.RECTANGULAR
    return (
        ErrorSource(CAPACITANCE, Scope.SWEEP, np.array([complex(value)]), flat),
        ErrorSource(CAPACITOR_LOSS, Scope.SWEEP, np.array([complex(loss)]), flat),
    )
