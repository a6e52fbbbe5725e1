"""What a bench leaves open in an impedance, and in the permeability of a core.

The error model of a bench is linear in its voltages, so every error of it moves an impedance by
δZ = c0 + c1 Z + c2 Z² (derived in :mod:`whichcore.calibration.accuracy_map`). Noise and ranges enter through
the ratio r = V_A/V_B: with (p, q) = M (V_A, V_B)

    δZ/Z = κ δr/r,   κ = (a − Z c) V_A/p,

which is r/(r − 1) with the shunt at ground. κ is complex: where |Z| is far from the shunt's and the wiring
the wrong one, an error of the ratio's size turns the angle of Z.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from whichcore.analysis.permeability import air_inductance_h, impedance_of, permeability
from whichcore.analysis.reading_noise import ReadingNoise
from whichcore.analysis.specimen import Specimen
from whichcore.analysis.types import (
    AccuracyPart,
    ComplexArray,
    ErrorSource,
    FloatArray,
    ImpedanceAccuracy,
    ImpedanceSweep,
    PermeabilitySpectrum,
    Reach,
    Scope,
    Wiring,
)
from whichcore.analysis.uncertainty import SCATTER, point_covariance
from whichcore.analysis.winding import winding_model

RANGE_GAIN, RANGE_PHASE = "range factor: gain", "range factor: phase"
TOLD_APART = 3.0  # standard uncertainties between an impedance and a short or an open
SEEN = 2.0  # standard uncertainties of itself that a tan δ must have to be seen
NEAR = 1.2  # ratio of frequencies up to which a neighbour speaks for a frequency


@dataclass(frozen=True, slots=True)
class ImpedanceErrors:
    """Relative errors of impedances, arrays (F, K): real part of the size, imaginary part of the angle.

    Attributes
    ----------
    sources : tuple of (str, AccuracyPart, Scope, complex array (F, K))
        δZ/Z per standard uncertainty of each cause.
    noise : float array (F, K, 2, 2)
        Covariance of (size, angle).
    reach : uint8 array (F, K)
    """

    sources: tuple[tuple[str, AccuracyPart, Scope, ComplexArray], ...]
    noise: FloatArray
    reach: NDArray[np.uint8]

    def parts(self) -> dict[AccuracyPart, tuple[FloatArray, FloatArray]]:
        """Return the standard uncertainty of size and angle by part of the bench."""
        size, angle = self.noise[..., 0, 0], self.noise[..., 1, 1]
        found = {AccuracyPart.NOISE: (size, angle)}
        for _, part, _, error in self.sources:
            before = found.get(part, (np.zeros_like(size), np.zeros_like(angle)))
            found[part] = (before[0] + error.real**2, before[1] + error.imag**2)
        return {part: (np.sqrt(one), np.sqrt(other)) for part, (one, other) in found.items()}

    def total(self) -> tuple[FloatArray, FloatArray]:
        """Return the standard uncertainty of size and angle."""
        parts = self.parts().values()
        size, angle = (np.sqrt(sum(part[k] ** 2 for part in parts)) for k in range(2))
        return np.asarray(size), np.asarray(angle)


def amplification(matrix: ComplexArray, impedance_ohm: ComplexArray) -> ComplexArray:
    """Return κ = ∂ln Z/∂ln(V_A/V_B), complex array (F, K); ``matrix`` (F, 2, 2), ``impedance_ohm`` (F, K)."""
    (a, b), (c, d) = np.moveaxis(matrix, 0, -1)[..., np.newaxis]
    z = impedance_ohm
    return np.asarray((a - z * c) * (d * z - b) / ((a * d - b * c) * z))


def voltages_vpk(
    accuracy: ImpedanceAccuracy, output_ohm: float, impedance_ohm: ComplexArray, level_vpp: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Return the peak voltages of channel A and B, (F, K) each.

    The current is that of the plain series circuit of source, specimen and shunt; the ratio of the two
    voltages is the error model's. With two windings of equal turns the first counts as having |Zm|.
    """
    (a, b), (c, d) = np.moveaxis(accuracy.matrix, 0, -1)[..., np.newaxis]
    z, shunt = impedance_ohm, accuracy.shunt_ohm
    ratio = abs(d * z - b) / np.maximum(abs(a - c * z), np.finfo(float).tiny)
    current = np.asarray(level_vpp) / 2 / abs(z + shunt + output_ohm)
    if accuracy.wiring is Wiring.TWO_WINDINGS:
        return np.asarray(current * shunt * ratio), np.asarray(current * shunt)
    whole = current * abs(z + shunt)
    return np.asarray(whole), np.asarray(whole / ratio)


def impedance_errors(
    accuracy: ImpedanceAccuracy, reading: ReadingNoise, impedance_ohm: ComplexArray, level_vpp: FloatArray
) -> ImpedanceErrors:
    """Return the relative errors of impedances measured at a level.

    Parameters
    ----------
    accuracy : ImpedanceAccuracy
    reading : ReadingNoise
    impedance_ohm : complex array (F, K)
    level_vpp : float array that goes with it
        Of the source, peak to peak, open circuit.
    """
    z = impedance_ohm
    peaks = voltages_vpk(accuracy, reading.output_ohm, z, level_vpp)
    kappa = amplification(accuracy.matrix, z)
    noise = _noise(reading, peaks, kappa)
    gain, phase = _tie(accuracy, reading, peaks)
    powers = np.stack([1 / z, np.ones_like(z), z], axis=-1)
    sources = [
        (s.id, s.part, s.scope, np.einsum("fi,fki->fk", s.coefficients, powers)) for s in accuracy.sources
    ]
    sources += [
        (RANGE_GAIN, AccuracyPart.RANGES, Scope.RANGE, kappa * gain),
        (RANGE_PHASE, AccuracyPart.RANGES, Scope.RANGE, 1j * kappa * phase),
    ]
    found = ImpedanceErrors(tuple(sources), noise, np.zeros(z.shape, dtype=np.uint8))
    return replace(found, reach=_reach(accuracy, reading, peaks, z, found))


def _noise(reading: ReadingNoise, peaks: tuple[FloatArray, FloatArray], kappa: ComplexArray) -> FloatArray:
    """Return the covariance of (size, angle): that of the ratio, stretched by |κ| and turned by its angle."""
    of_a, of_b = (reading.relative_variance(channel, peak) for channel, peak in enumerate(peaks))
    along, across = of_a[0] + of_b[0], of_a[1] + of_b[1]
    c, s = kappa.real, kappa.imag
    mixed = c * s * (along - across)
    rows = [[c**2 * along + s**2 * across, mixed], [mixed, s**2 * along + c**2 * across]]
    return np.stack([np.stack(row, axis=-1) for row in rows], axis=-2)


def _tie(
    accuracy: ImpedanceAccuracy, reading: ReadingNoise, peaks: tuple[FloatArray, FloatArray]
) -> tuple[FloatArray, FloatArray]:
    """Return the uncertainty of the range factor, relative and as an angle, of the nearest pair tied."""
    tied = accuracy.ranges
    places = []
    for channel, full in enumerate((tied.ranges_a_vpp, tied.ranges_b_vpp)):
        wanted = reading.range_vpp(channel, peaks[channel])
        places.append(np.argmin(abs(np.log(wanted[..., np.newaxis] / full)), axis=-1))
    return tied.u_gain[places[0], places[1]], tied.u_phase_rad[places[0], places[1]]


def _reach(
    accuracy: ImpedanceAccuracy,
    reading: ReadingNoise,
    peaks: tuple[FloatArray, FloatArray],
    z: ComplexArray,
    errors: ImpedanceErrors,
) -> NDArray[np.uint8]:
    """Return the reason for each cell; the voltages are judged first."""
    names = tuple(Reach)
    reach = np.full(z.shape, names.index(Reach.REACHED), dtype=np.uint8)
    lost, low = TOLD_APART * np.hypot(*errors.total()) > 1, abs(z) < accuracy.shunt_ohm
    reach[lost & low], reach[lost & ~low] = names.index(Reach.SHORT), names.index(Reach.OPEN)
    for channel, peak in enumerate(peaks):
        reach[reading.too_small(channel, peak)] = names.index(Reach.TOO_SMALL)
        reach[reading.clipped(channel, peak)] = names.index(Reach.CLIPPED)
    return reach


def contour_levels(values: FloatArray, most: int = 7) -> FloatArray:
    """Return the values at which contours are drawn: of 1, 2, 5 times a power of ten, from what is there.

    Parameters
    ----------
    values : float array (N,)
        Uncertainties that are reached, above 0; all panels of a picture together.
    most : int
        With more than so many only the powers of ten, or every second, third … of them, are kept.

    Returns
    -------
    float array
        Rising, between the least and the largest value; one level beside them where none lies between.
    """
    low, high = float(np.min(values)), float(np.max(values))
    powers = np.arange(np.floor(np.log10(low)), np.floor(np.log10(high)) + 1)
    every = np.sort(np.multiply.outer(10.0**powers, [1.0, 2.0, 5.0]).ravel())
    inside = every[(every > low) & (every < high)]
    step = 1
    while inside.size > most:
        kept = 10.0 ** powers[::step]
        inside = kept[(kept > low) & (kept < high)]
        step += 1
    return inside if inside.size else np.array([every[every <= low].max()])


# ------------------------------------------------------------------------------------------- a specimen


@dataclass(frozen=True, slots=True)
class SpecimenAccuracy:
    """What a bench leaves open in the permeability of one wound core, (F,) each.

    Attributes
    ----------
    wiring : Wiring
    frequency_hz : float array
    permeability, impedance_ohm : complex array
    u_total : float array
        Standard uncertainty of μ, both parts together, over |μ|.
    u_real : float array
        Of μ′, relative.
    u_loss_tangent : float array
        Of tan δ = μ″/μ′.
    lowest_loss_tangent : float array
        Below it a tan δ is less than two of its own standard uncertainties: it cannot be seen.
    budget : tuple of (str, float array, float array)
        What each cause adds to ``u_real`` and to ``u_loss_tangent``; causes that end in ", 1" and ", 2" are
        the two columns of one noise.
    faint_budget : tuple of the same
        For a core of the least tan δ that is seen: what hides a smaller one. Empty where it was not asked.
    reach : uint8 array
    """

    wiring: Wiring
    frequency_hz: FloatArray
    permeability: ComplexArray
    impedance_ohm: ComplexArray
    u_total: FloatArray
    u_real: FloatArray
    u_loss_tangent: FloatArray
    lowest_loss_tangent: FloatArray
    budget: tuple[tuple[str, FloatArray, FloatArray], ...]
    faint_budget: tuple[tuple[str, FloatArray, FloatArray], ...]
    reach: NDArray[np.uint8]


def at_frequencies(accuracy: ImpedanceAccuracy, frequency_hz: FloatArray) -> ImpedanceAccuracy | None:
    """Return the accuracy at other frequencies, each from its nearest neighbour within a factor of 1.2.

    None where one of them has no neighbour. Neighbours are not interpolated: their frozen noise is
    independent, and between the two it would seem smaller than at either.
    """
    distance = abs(np.log(np.asarray(frequency_hz)[:, np.newaxis] / accuracy.frequency_hz))
    if np.any(distance.min(axis=1) > np.log(NEAR)):
        return None
    near = distance.argmin(axis=1)
    sources = tuple(replace(s, coefficients=s.coefficients[near]) for s in accuracy.sources)
    return replace(
        accuracy,
        frequency_hz=np.asarray(frequency_hz, dtype=float),
        matrix=accuracy.matrix[near],
        sources=sources,
    )


def specimen_accuracy(
    accuracy: ImpedanceAccuracy,
    reading: ReadingNoise,
    specimen: Specimen,
    permeability_there: ComplexArray,
    level_vpp: FloatArray,
    *,
    least: bool = True,
) -> SpecimenAccuracy:
    """Return what a bench leaves open in μ′ and tan δ of a wound core.

    Parameters
    ----------
    accuracy : ImpedanceAccuracy
        (F,) frequencies.
    reading : ReadingNoise
    specimen : Specimen
        A closed core; with two windings it states ``secondary_turns``.
    permeability_there : complex array (F,)
        Expected, μ′ − jμ″ with μ′ > 0.
    level_vpp : float array (F,)
    least : bool
        Find the least tan δ that is seen as well; without it ``lowest_loss_tangent`` is infinite.

    Raises
    ------
    AnalysisError
        The core is a rod; two windings without their turns.
    """
    mu = np.asarray(permeability_there, dtype=complex)
    z, spectrum, reach = measured_spectrum(accuracy, reading, specimen, mu, level_vpp)
    rows, hiding = _budget(spectrum, mu), list[Row]()
    lowest = np.zeros(mu.size) if least else np.full(mu.size, np.inf)
    for _ in range(2 if least else 0):  # u depends little on tan δ itself
        faint = mu.real * (1 - 1j * lowest)
        seen = measured_spectrum(accuracy, reading, specimen, faint, level_vpp)[1]
        hiding = _budget(seen, faint)
        lowest = SEEN * _joined(hiding, 2)
    whole = point_covariance(spectrum.scatter, spectrum.sources)
    return SpecimenAccuracy(
        wiring=accuracy.wiring,
        frequency_hz=accuracy.frequency_hz,
        permeability=mu,
        impedance_ohm=z,
        u_total=np.sqrt(np.trace(whole, axis1=1, axis2=2)) / abs(mu),
        u_real=_joined(rows, 1),
        u_loss_tangent=_joined(rows, 2),
        lowest_loss_tangent=lowest,
        budget=tuple(rows),
        faint_budget=tuple(hiding),
        reach=reach,
    )


Row = tuple[str, FloatArray, FloatArray]


def _joined(rows: list[Row], column: Literal[1, 2]) -> FloatArray:
    return np.asarray(np.sqrt(sum(row[column] ** 2 for row in rows)))


def measured_spectrum(
    accuracy: ImpedanceAccuracy,
    reading: ReadingNoise,
    specimen: Specimen,
    mu: ComplexArray,
    level_vpp: FloatArray,
) -> tuple[ComplexArray, PermeabilitySpectrum, NDArray[np.uint8]]:
    """Return Z, what a sweep would say of the core, and the reach."""
    z = _terminals(accuracy, specimen, mu)
    errors = impedance_errors(accuracy, reading, z[:, np.newaxis], np.asarray(level_vpp)[:, np.newaxis])
    turn = np.zeros((z.size, 2, 2))
    turn[:, 0], turn[:, 1] = np.stack([z.real, -z.imag], -1), np.stack([z.imag, z.real], -1)
    sweep = ImpedanceSweep(
        frequency_hz=accuracy.frequency_hz,
        impedance_ohm=z,
        scatter=turn @ errors.noise[:, 0] @ np.swapaxes(turn, 1, 2),
        sources=tuple(ErrorSource(name, scope, z * e[:, 0]) for name, _, scope, e in errors.sources),
        wiring=accuracy.wiring.value,
    )
    return z, permeability(sweep, specimen), errors.reach[:, 0]


def _budget(spectrum: PermeabilitySpectrum, mu: ComplexArray) -> list[Row]:
    """Return each cause with what it adds to u(μ′)/μ′ and to u(tan δ).

    δ tan δ = (δμ″ − tan δ δμ′)/μ′ with δμ″ = −Im δμ.
    """
    tan = -mu.imag / mu.real
    to_tan = np.stack([-tan, -np.ones_like(tan)], axis=-1) / mu.real[:, np.newaxis]
    variance = np.einsum("fi,fij,fj->f", to_tan, spectrum.scatter, to_tan)
    size = np.sqrt(spectrum.scatter[:, 0, 0]) / mu.real
    # rounding alone can leave a variance a few ulp below zero
    rows: list[Row] = [(SCATTER, size, np.sqrt(np.maximum(variance, 0.0)))]
    for source in spectrum.sources:
        both = np.stack([source.sensitivity.real, source.sensitivity.imag], axis=-1)
        rows.append((source.id, abs(both[:, 0]) / mu.real, abs(np.sum(to_tan * both, axis=-1))))
    return rows


def _terminals(accuracy: ImpedanceAccuracy, specimen: Specimen, mu: ComplexArray) -> ComplexArray:
    """Return what the bench reads of a core: Z at the terminals, or Zm with the current of C_w beside it."""
    f = accuracy.frequency_hz
    if accuracy.wiring is not Wiring.TWO_WINDINGS:
        return impedance_of(mu, f, specimen)
    jw = 2j * np.pi * f
    core = jw * air_inductance_h(specimen, two_windings=True) * mu
    ratio = specimen.winding.turns / (specimen.winding.secondary_turns or 1)
    return np.asarray(1 / (1 / core + jw * ratio * winding_model(specimen, f).capacitance_f.value))
