"""Whether a sweep and single readings of one winding agree; where they do not, it is said aloud."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import combinations

import numpy as np

from whichcore.analysis.conditions import REPEATABILITY, SAME_FREQUENCY
from whichcore.analysis.permeability import air_inductance_h
from whichcore.analysis.reading_permeability import READING_UNCERTAINTY, ReadingPermeability
from whichcore.analysis.second_condition import FASTEST_PER_KELVIN
from whichcore.analysis.specimen import Rod, Specimen
from whichcore.analysis.types import (
    ComplexArray,
    ImpedanceSweep,
    PermeabilitySpectrum,
    Reading,
    ReadingKind,
    Wiring,
)
from whichcore.analysis.uncertainty import point_covariance
from whichcore.analysis.winding import winding_model
from whichcore.wording import hertz, in_percent, plain, quantity

#: Two measurements of one quantity disagree from this many combined standard uncertainties on, and from this
#: ratio: meters and benches drive a core at different levels, which alone may make a few per cent. Practice.
SIGMAS, LEAST_RATIO = 3.0, 1.05
#: Largest rise of a permeability with frequency. A ferromagnetic resonance or that of a section lifts it by
#: some tenths before it falls. Practice.
LARGEST_RISE = 1.5
_CHECK = (
    "check the turns, both units, the level, whether each is of the series circuit and not the parallel one, "
    "whether the winding resonates near there, and whether both are of one core"
)
_INDUCTANCE = ReadingKind.INDUCTANCE


def disagreements(
    specimen: Specimen,
    measured: tuple[ImpedanceSweep, PermeabilitySpectrum] | None,
    readings: Sequence[tuple[Reading, ReadingPermeability]],
) -> tuple[str, ...]:
    """Return one sentence for each pair of measurements of one winding that cannot both be right as stated.

    Parameters
    ----------
    specimen : Specimen
    measured : (ImpedanceSweep, PermeabilitySpectrum) or None
        The sweep, and what the specimen makes of it.
    readings : sequence of (Reading, ReadingPermeability)
        Those of the sweep's own condition, or of one condition, with what they say of the permeability.

    Returns
    -------
    tuple of str
        A reading within the swept band is held against the sweep. Readings that agree with it, or that it
        does not reach, are held against each other.
    """
    told, left = [], []
    for item in readings:
        said = "" if measured is None else _against_sweep(specimen, *measured, item[0])
        told.append(said)
        left += [] if said else [item]
    for first, second in combinations(sorted(left, key=lambda item: item[0].frequency_hz), 2):
        told.append(_against_each_other(specimen, first, second))
    return tuple(filter(None, told))


# ------------------------------------------------------------------------------------- reading and sweep


def _against_sweep(
    specimen: Specimen, sweep: ImpedanceSweep, spectrum: PermeabilitySpectrum, reading: Reading
) -> str:
    f = spectrum.frequency_hz
    if isinstance(specimen.core, Rod) or not f[0] <= reading.frequency_hz <= f[-1]:
        return ""
    value, relative = _swept(specimen, sweep, spectrum, reading)
    u = float(np.hypot(_uncertainty(reading), relative * value))
    if not _differ(reading.value, value, u):
        return ""
    here = f"the reading of {_said(reading)} is"
    if value <= 0:
        return f"{here} that of an inductor, and the sweep shows a capacitor there: {_CHECK}"
    there = f"the {_amount(value, reading.kind)} that the sweep has there"
    return f"{here} {_times(reading.value / value)} {there}: {_CHECK}"


def _swept(
    specimen: Specimen, sweep: ImpedanceSweep, spectrum: PermeabilitySpectrum, reading: Reading
) -> tuple[float, float]:
    """Return what a meter would read by the sweep, H or Ω, and its relative standard uncertainty.

    Between two points of the sweep its course is straight in ln f; half of the way to the nearer one is
    counted as an error.
    """
    f = spectrum.frequency_hz
    core = 2j * np.pi * f * air_inductance_h(specimen) * spectrum.permeability
    z = _at_terminals(specimen, spectrum, core)
    course = z.imag / (2 * np.pi * f) if reading.kind is _INDUCTANCE else np.abs(z)
    at = int(np.argmin(np.abs(np.log(f / reading.frequency_hz))))
    value = float(np.interp(np.log(reading.frequency_hz), np.log(f), course))
    axis = np.array([0.0, 1.0]) if reading.kind is _INDUCTANCE else _direction(complex(z[at]))
    covariance = point_covariance(sweep.scatter, sweep.sources)[at]
    size = abs(axis @ [sweep.impedance_ohm[at].real, sweep.impedance_ohm[at].imag])
    own = float(np.sqrt(axis @ covariance @ axis)) / max(size, 1e-300)
    between = (value - float(course[at])) / 2 / max(abs(value), 1e-300)
    # a second winding does not see what is put back here, and half of it is counted as an error
    put_back = abs(z[at] / core[at] - 1) / 2 if sweep.wiring == Wiring.TWO_WINDINGS else 0.0
    return value, float(np.linalg.norm([own, between, put_back]))


def _direction(value: complex) -> np.ndarray:
    return np.array([value.real, value.imag]) / max(abs(value), 1e-300)


def _at_terminals(specimen: Specimen, spectrum: PermeabilitySpectrum, core: ComplexArray) -> ComplexArray:
    """Return the impedance (F,) of the first winding, whatever the wiring and the plane of the sweep were."""
    model = winding_model(specimen, spectrum.frequency_hz, spectrum.temperature_c)
    s = 2j * np.pi * spectrum.frequency_hz
    inside = model.resistance_ohm.value + s * model.inductance_h.value + core
    return np.asarray(1 / (1 / inside + s * model.capacitance_f.value + model.conductance_s))


# --------------------------------------------------------------------------------------- two readings


def _against_each_other(
    specimen: Specimen,
    first: tuple[Reading, ReadingPermeability],
    second: tuple[Reading, ReadingPermeability],
) -> str:
    """Hold two readings against each other, the first of the lower frequency."""
    (one, low), (two, high) = first, second
    if two.frequency_hz > SAME_FREQUENCY * one.frequency_hz:
        return _rise(one, two, low, high)
    if one.kind is not two.kind:
        return _reactance_above(*((one, two) if one.kind is _INDUCTANCE else (two, one)))
    scale = two.frequency_hz / one.frequency_hz if one.kind is not _INDUCTANCE else 1.0
    ratio = two.value / (scale * one.value)
    changed = _per_kelvin(specimen, one, two, ratio)
    if changed:
        return changed
    u = float(np.hypot(_uncertainty(two), scale * _uncertainty(one)))
    if not _differ(two.value, scale * one.value, u):
        return ""
    large, small = (two, one) if ratio > 1 else (one, two)
    return (
        f"the reading of {_said(large)} is {_times(max(ratio, 1 / ratio))} that of {_said(small)}: {_CHECK}"
    )


def _rise(one: Reading, two: Reading, low: ReadingPermeability, high: ReadingPermeability) -> str:
    if one.kind is _INDUCTANCE and two.kind is not _INDUCTANCE:
        return ""  # |μ| may be the larger by any loss that μ′ does not hold
    ratio = high.permeability / low.permeability
    u = float(np.hypot(high.standard_uncertainty, low.standard_uncertainty))
    if ratio <= LARGEST_RISE or high.permeability - low.permeability <= SIGMAS * u:
        return ""
    return (
        f"by the readings of {_said(one)} and {_said(two)} the permeability rises by a factor of {ratio:.3g} "
        f"with frequency, which that of no soft magnetic material does by itself: {_CHECK}"
    )


def _reactance_above(inductance: Reading, size: Reading) -> str:
    """Say so where the reactance alone is more than |Z|."""
    omega = 2 * np.pi * size.frequency_hz
    reactance = omega * inductance.value
    u = float(np.hypot(omega * _uncertainty(inductance), _uncertainty(size)))
    if reactance <= size.value or not _differ(reactance, size.value, u):
        return ""
    return (
        f"the reading of {_said(inductance)} alone is {_amount(reactance, size.kind)}, "
        f"{_times(reactance / size.value)} the reading of {_said(size)}: {_CHECK}"
    )


def _per_kelvin(specimen: Specimen, one: Reading, two: Reading, ratio: float) -> str:
    """Say so where two temperatures, too near for the temperature factor, change the core beyond belief."""
    known = [r.temperature_c if r.temperature_c is not None else specimen.temperature_c for r in (one, two)]
    if known[0] is None or known[1] is None or known[0] == known[1]:
        return ""
    step, change = abs(known[1] - known[0]), abs(float(np.log(ratio)))
    u = float(np.linalg.norm([_uncertainty(r, REPEATABILITY) / r.value for r in (one, two)]))
    if change <= max(SIGMAS * u, FASTEST_PER_KELVIN * step):
        return ""
    here, there = (f"{_said(r)}, {t:g} °C" for r, t in zip((one, two), known, strict=True))
    return (
        f"the readings of {here}, and {there}, differ by {in_percent(change / step)} per kelvin, which no "
        f"material does below its Curie temperature: {_CHECK}"
    )


# ------------------------------------------------------------------------------------------- both


def _differ(one: float, other: float, u: float) -> bool:
    """Tell whether two values differ, the first of them positive."""
    alike = other > 0 and max(one / other, other / one) <= LEAST_RATIO
    return abs(one - other) > SIGMAS * u and not alike


def _uncertainty(reading: Reading, unstated: float = READING_UNCERTAINTY) -> float:
    stated = reading.standard_uncertainty
    return unstated * reading.value if stated is None else stated


def _said(reading: Reading) -> str:
    return f"{_amount(reading.value, reading.kind)} at {hertz(reading.frequency_hz)}"


def _amount(value: float, kind: ReadingKind) -> str:
    return quantity(value, "H" if kind is _INDUCTANCE else "ohm")


def _times(ratio: float) -> str:
    return f"{plain(ratio)} times"
