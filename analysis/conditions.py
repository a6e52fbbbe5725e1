"""Which readings and sweeps show one core under two conditions, and what that gives."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from whichcore.analysis.class_evidence import ClassEvidence
from whichcore.analysis.permeability import permeability
from whichcore.analysis.reading_permeability import permeability_of_reading
from whichcore.analysis.second_condition import HysteresisConstant, SecondReading, TemperatureFactor
from whichcore.analysis.specimen import Specimen
from whichcore.analysis.types import FloatArray, ImpedanceSweep, PermeabilitySpectrum, Reading, ReadingKind
from whichcore.analysis.warming import SAME_TEMPERATURE_K
from whichcore.errors import AnalysisError
from whichcore.wording import quantity

#: Two frequencies within this ratio are one. Practice.
SAME_FREQUENCY = 1.05
#: Two levels within this ratio are one; a lower ratio than LEVEL_RATIO is too little to tell. Practice.
SAME_LEVEL, LEVEL_RATIO = 1.3, 2.0
#: Level below which the Rayleigh term of another one does not matter to a temperature factor, T. Practice.
SMALL_LEVEL_T = 0.5e-3
#: Standard uncertainty, relative, of one meter or bench against itself within the hour. Practice.
REPEATABILITY = 0.003
#: Highest frequency at which two sweeps are compared: below the dispersion of most. Practice.
HIGHEST_HZ = 100e3


@dataclass(frozen=True, slots=True)
class Condition:
    """Temperature in °C and peak flux density in T of a measurement, where known."""

    temperature_c: float | None
    flux_density_t: float | None


@dataclass(frozen=True, slots=True)
class Sorted:
    """Readings that are compared with the curves, and what the others give beside them."""

    plain: tuple[Reading, ...]
    evidence: tuple[ClassEvidence, ...]


def second_sweep(specimen: Specimen, first: ImpedanceSweep, second: ImpedanceSweep) -> ClassEvidence:
    """Return what a second sweep of the same winding, warmer or harder driven, says of the material.

    Parameters
    ----------
    specimen : Specimen
        Its temperature counts for the first sweep where that states none.
    first, second : ImpedanceSweep
        Same core, same winding.

    Returns
    -------
    TemperatureFactor or HysteresisConstant

    Raises
    ------
    AnalysisError
        The conditions are not known, are equal, differ in both, or the sweeps share no frequency below
        HIGHEST_HZ.
    """
    one, two = permeability(first, specimen), permeability(second, specimen)
    common = (one.frequency_hz <= HIGHEST_HZ) & (one.frequency_hz >= two.frequency_hz[0])
    common &= one.frequency_hz <= two.frequency_hz[-1]
    if not common.any():
        raise AnalysisError(
            "the two sweeps share no frequency at which they can be compared",
            where="second sweep",
            got=f"{two.frequency_hz[0]:g} Hz to {two.frequency_hz[-1]:g} Hz",
            allowed=f"overlap with the first below {HIGHEST_HZ / 1e3:g} kHz",
            next_step="sweep both from 1 kHz on",
        )
    frequency = one.frequency_hz[common]
    levels = [_level(spectrum, frequency) for spectrum in (one, two)]
    conditions = [
        Condition(_temperature(spectrum, specimen), None if level is None else float(np.median(level)))
        for spectrum, level in zip((one, two), levels, strict=True)
    ]
    if second.temperature_c is None:
        conditions[1] = Condition(conditions[0].temperature_c, conditions[1].flux_density_t)
    mu = [np.interp(frequency, s.frequency_hz, s.permeability.real) for s in (one, two)]
    rise = 1 - mu[0] / mu[1]
    steps = _steps(conditions, levels, rise.size)
    slope = float(steps @ rise / (steps @ steps))
    step = float(np.sqrt(steps @ steps / steps.size) * np.sign(steps.sum()))
    left = rise - slope * steps
    scatter = float(np.sqrt(left @ left / max(left.size - 1, 1) / left.size))
    if left.size == 1:
        scatter = _relative_scatter(one, two, frequency)
    reading = SecondReading(
        float(np.median(mu[0])), slope * step, float(np.hypot(scatter, REPEATABILITY)), step
    )
    return _evidence(reading, conditions)


def sort_readings(
    specimen: Specimen, spectrum: PermeabilitySpectrum | None, readings: Sequence[Reading]
) -> Sorted:
    """Take out the readings that repeat another, or the sweep, under a second condition.

    Parameters
    ----------
    specimen : Specimen
    spectrum : PermeabilitySpectrum or None
    readings : sequence of Reading
        Of one kind and one frequency the first is the one compared with the curves. With a sweep that
        covers the frequency, a reading under another condition than the sweep's is compared with the sweep.

    Returns
    -------
    Sorted
        Of several second conditions of one kind the farthest counts.

    Raises
    ------
    AnalysisError
        A condition is stated for which the first measurement states none.
    """
    plain: list[Reading] = []
    found: dict[type, tuple[float, ClassEvidence]] = {}
    for reading in readings:
        base = _base(specimen, spectrum, reading, plain)
        here = Condition(reading.temperature_c, reading.flux_density_t)
        if base is None or not _other(base[0], here):
            plain.append(reading)
            continue
        evidence, size = _pair(specimen, base, reading, here)
        if size > found.get(type(evidence), (0.0, evidence))[0]:
            found[type(evidence)] = (size, evidence)
    return Sorted(tuple(plain), tuple(evidence for _, evidence in found.values()))


def condition_of_data(
    specimen: Specimen, spectrum: PermeabilitySpectrum | None, readings: Sequence[Reading]
) -> float | None:
    """Return the temperature of what is compared with the curves, °C; None when nothing states it."""
    if spectrum is not None:
        return _temperature(spectrum, specimen)
    stated = [reading.temperature_c for reading in readings if reading.temperature_c is not None]
    return stated[0] if stated else specimen.temperature_c


def _temperature(spectrum: PermeabilitySpectrum, specimen: Specimen) -> float | None:
    return specimen.temperature_c if spectrum.temperature_c is None else spectrum.temperature_c


def _level(spectrum: PermeabilitySpectrum, frequency: FloatArray) -> FloatArray | None:
    if spectrum.flux_density_t is None:
        return None
    return np.interp(frequency, spectrum.frequency_hz, spectrum.flux_density_t)


def _relative_scatter(one: PermeabilitySpectrum, two: PermeabilitySpectrum, frequency: FloatArray) -> float:
    parts = []
    for spectrum in (one, two):
        at = int(np.argmin(np.abs(np.log(spectrum.frequency_hz / frequency[0]))))
        parts.append(np.sqrt(spectrum.scatter[at, 0, 0]) / abs(spectrum.permeability[at]))
    return float(np.hypot(*parts))


def _steps(conditions: Sequence[Condition], levels: Sequence[FloatArray | None], size: int) -> FloatArray:
    """Return the step of the condition at each frequency; refuse what cannot be told apart."""
    first, second = conditions
    if _warmer(first, second):
        if _harder(first, second):
            raise AnalysisError(
                "the second sweep differs in temperature and in level, which cannot be told apart",
                where="second sweep",
                got=f"{_said(second)} after {_said(first)}",
                allowed="one of them changed",
                next_step="sweep again at the first temperature, or at the first level",
            )
        assert first.temperature_c is not None  # noqa: S101 - _warmer has seen both
        assert second.temperature_c is not None  # noqa: S101
        return np.full(size, second.temperature_c - first.temperature_c)
    if _harder(first, second):
        one, two = levels
        assert one is not None  # noqa: S101 - _harder has seen both
        assert two is not None  # noqa: S101
        return two - one
    raise AnalysisError(
        "the second sweep was not taken under another condition",
        where="second sweep",
        got=f"{_said(second)} after {_said(first)}",
        allowed=f"{SAME_TEMPERATURE_K:g} K or more apart, or levels {LEVEL_RATIO:g} times apart, both stated "
        "in the sweep files",
        next_step="a second winding of the same core goes to: whichcore join",
    )


def _said(condition: Condition) -> str:
    temperature = "unknown" if condition.temperature_c is None else f"{condition.temperature_c:g} degC"
    level = (
        "unknown level" if condition.flux_density_t is None else quantity(condition.flux_density_t, "T", 2)
    )
    return f"{temperature}, {level}"


def _warmer(first: Condition, second: Condition) -> bool:
    if first.temperature_c is None or second.temperature_c is None:
        return False
    return abs(second.temperature_c - first.temperature_c) >= SAME_TEMPERATURE_K


def _harder(first: Condition, second: Condition) -> bool:
    if first.flux_density_t is None or second.flux_density_t is None:
        return False
    low, high = sorted((first.flux_density_t, second.flux_density_t))
    limit = SAME_LEVEL if _warmer(first, second) else LEVEL_RATIO
    return high > SMALL_LEVEL_T and high >= limit * low


def _other(first: Condition, second: Condition) -> bool:
    """Tell whether the second names a condition the first does not share."""
    if second.temperature_c is not None and first.temperature_c is None:
        raise _unknown("temperature", f"{second.temperature_c:g} degC")
    if second.flux_density_t is not None and first.flux_density_t is None:
        raise _unknown("level", f"{1e3 * second.flux_density_t:g} mT")
    return _warmer(first, second) or _harder(first, second)


def _unknown(what: str, got: str) -> AnalysisError:
    return AnalysisError(
        f"a reading states its {what}, and the measurement it repeats does not",
        where=f"reading at {got}",
        got=f"no {what} of the first",
        allowed=f"the {what} of both",
        next_step=f"state the {what} of the first: in its reading, the sweep file or the specimen file",
    )


_Base = tuple[Condition, float, float]


def _base(
    specimen: Specimen, spectrum: PermeabilitySpectrum | None, reading: Reading, earlier: Sequence[Reading]
) -> _Base | None:
    """Condition, permeability and own relative uncertainty of what a reading repeats."""
    if reading.temperature_c is None and reading.flux_density_t is None:
        return None
    if spectrum is not None:
        if not spectrum.frequency_hz[0] <= reading.frequency_hz <= spectrum.frequency_hz[-1]:
            return None
        at = np.array([reading.frequency_hz])
        level = _level(spectrum, at)
        values = spectrum.permeability
        plain = np.abs(values) if reading.kind is ReadingKind.IMPEDANCE_MAGNITUDE else values.real
        mu = float(np.interp(at, spectrum.frequency_hz, plain)[0])
        condition = Condition(_temperature(spectrum, specimen), None if level is None else float(level[0]))
        return condition, mu, _relative_scatter(spectrum, spectrum, at)
    for first in earlier:
        ratio = max(first.frequency_hz / reading.frequency_hz, reading.frequency_hz / first.frequency_hz)
        if first.kind is reading.kind and ratio <= SAME_FREQUENCY:
            told = specimen.temperature_c if first.temperature_c is None else first.temperature_c
            mu, u = _read(specimen, first)
            return Condition(told, first.flux_density_t), mu, u
    return None


def _read(specimen: Specimen, reading: Reading) -> tuple[float, float]:
    """Return permeability and own relative uncertainty; that of a reading without one is repeatability."""
    found = permeability_of_reading(reading, specimen)
    stated = reading.standard_uncertainty is not None
    return found.permeability, found.own_uncertainty / found.permeability if stated else REPEATABILITY


def _pair(specimen: Specimen, base: _Base, reading: Reading, here: Condition) -> tuple[ClassEvidence, float]:
    first, mu, u = base
    if _warmer(first, here) and _harder(first, here):
        _steps((first, here), (None, None), 1)  # raises
    second, u_second = _read(specimen, reading)
    warmer = _warmer(first, here)
    step = (
        (here.temperature_c or 0.0) - (first.temperature_c or 0.0)
        if warmer
        else (here.flux_density_t or 0.0) - (first.flux_density_t or 0.0)
    )
    result = SecondReading(mu, 1 - mu / second, float(np.hypot(u, u_second) * mu / second), step)
    return _evidence(result, (first, here)), abs(step)


def _evidence(reading: SecondReading, conditions: Sequence[Condition]) -> ClassEvidence:
    return TemperatureFactor(reading) if _warmer(*conditions) else HysteresisConstant(reading)
