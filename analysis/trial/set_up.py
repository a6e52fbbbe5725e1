"""Faults of the set-up or of its user: a narrow band, a turned sign, swapped columns, a wrong unit."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from whichcore.analysis.reading_permeability import ReadingPermeability
from whichcore.analysis.trial.data import TriedData, level_times_corner, unfallen_product
from whichcore.analysis.trial.finding import Fault, Finding, Strength, Unit
from whichcore.analysis.trial.widening import nothing_holds
from whichcore.analysis.types import ErrorSource, ReadingKind
from whichcore.wording import hertz, plain

#: A sweep narrower than this many decades carries little shape. Practice.
NARROW_DECADES = 1.0
#: Largest initial permeability of anything wound: ribbon stays below 200,000, annealed permalloy tape reaches
#: some 300,000. From memory.
LARGEST_PERMEABILITY = 5e5
#: Products (μi − 1)·f of level and corner are 20 GHz at most in any class (open_alternative.csv): ten times
#: that is none. There is no least one: eddy currents in thick metal lower the corner at will.
LARGEST_PRODUCT_HZ = 2e11
#: Smallest initial permeability of a core that is wound: carbonyl iron of the finest kind has 4. From memory.
SMALLEST_PERMEABILITY = 3.0
#: Below the first hardly a sweep begins, below the second one of a sound card or an LCR meter may end, and
#: above the third, read as kHz, no bench for cores reaches (100 MHz), Hz. Practice.
LOWEST_HZ, SOUND_HZ, HIGHEST_KHZ = 20.0, 20e3, 1e5
KILO = 1e3
#: Standard uncertainties from which a permeability is below that of air, or of the least of cores.
BELOW = 2.0
_SIGMAS = Unit.STANDARD_UNCERTAINTIES
#: Of a swapped pair: slope of ln R over ln f from which R looks like ωL, most of X/R, least rise of both.
_SLOPE, _FLAT_SHARE = 0.8, 0.5
_LEAST_POINTS = 4


def narrow_band(data: TriedData) -> Finding:
    """See whether the band is wide enough to show a shape."""
    f = data.frequency_hz
    decades = float(np.log10(f[-1] / f[0]))
    strength = Strength(decades, NARROW_DECADES, Unit.RATIO)
    band = (float(f[0]), float(f[-1]))
    if decades > NARROW_DECADES:
        told = f"the sweep spans {decades:.2g} decades"
        return Finding(Fault.NARROW_BAND, True, told, strength, band)
    return Finding(
        Fault.NARROW_BAND,
        False,
        f"the sweep has {f.size} point{'s' * (f.size > 1)} over {decades:.2g} decades: it carries the level "
        "and little of the shape; sweep wider",
        strength,
        band,
    )


def below_air(data: TriedData) -> Finding:
    """See whether the lowest point has the permeability of a core at all.

    Where the loss does not exceed the negative reactance, no core shows it and the whole curve is in doubt;
    with more loss the sweep may rightly begin above the resonance of the material.
    """
    mu, u = complex(data.mu[0]), float(data.u[0, 0])
    strength = Strength((1 - mu.real) / max(u, 1e-300), BELOW, _SIGMAS)
    if mu.real + BELOW * u >= 1:
        return Finding(Fault.BELOW_AIR, True, "the lowest point is that of an inductor", strength)
    lost = abs(mu.imag) < abs(mu.real)
    return Finding(
        Fault.BELOW_AIR,
        False,
        f"μ′ is {plain(mu.real)} at the lowest frequency, below that of air: the sweep starts above a "
        "resonance, or the sign of the reactance, a channel or the turns are wrong; check them",
        strength,
        (float(data.frequency_hz[0]),) * 2,
        nothing_holds(Fault.BELOW_AIR, data.frequency_hz, data.mu) if lost else (),
    )


def swapped_columns(data: TriedData) -> Finding:
    """See whether R behaves as a reactance and X as a resistance in the lowest decade.

    Of a wound core R is at first that of its copper, level over frequency, and X = ωL. Above the corner R may
    rise as X does, but no faster than X falls behind.
    """
    f, z = data.frequency_hz, data.sweep.impedance_ohm
    low = f <= 10 * f[0]
    r, x = z.real[low], z.imag[low]
    if low.sum() < _LEAST_POINTS or f[low][-1] < 3 * f[0]:
        return Finding(Fault.SWAPPED, None, "too few points in the lowest decade to tell R from X")
    rising = _slope(f[low], r)
    ratio = float(np.median(np.abs(x) / np.abs(r)))
    looks = bool(np.all(r > 0)) and rising > _SLOPE and ratio < _FLAT_SHARE
    strength = Strength(rising if ratio < _FLAT_SHARE else 0.0, _SLOPE, Unit.RATIO)
    band = (float(f[0]), float(f[low][-1]))
    if not looks:
        return Finding(Fault.SWAPPED, True, "R and X stand in their places", strength, band)
    return Finding(
        Fault.SWAPPED,
        False,
        f"R rises as frequency^{rising:.2f} and X is {ratio:.2g} of it up to {hertz(band[1])}, as the "
        "reactance and the resistance of a winding would: the two columns are swapped; exchange them",
        strength,
        band,
        nothing_holds(Fault.SWAPPED, f, data.mu),
    )


def scale(data: TriedData) -> Finding:
    """See whether level and corner are those of any material, so that units and turns can be right.

    Frequencies in kHz taken for Hz raise the level a thousandfold and leave the product of level and corner
    as it is; ohms in kilohms and a miscounted winding move both. Which of them it was is not known, so that
    neither the level nor the place of the corner may speak for a material.
    """
    level = float(data.mu[0].real)
    if level <= 1:
        return Finding(Fault.SCALE, None, "there is no level at the lowest frequency to judge the scale by")
    product, _ = level_times_corner(data.frequency_hz, data.mu, level)
    over_level = level / LARGEST_PERMEABILITY
    worst = max(over_level, product / LARGEST_PRODUCT_HZ)
    strength = Strength(worst, 1.0, Unit.RATIO)
    if worst <= 1:
        return _in_kilohertz(data, level) or Finding(
            Fault.SCALE, True, "level and corner are those of a material", strength
        )
    told = (
        f"a permeability of {plain(level, 2)} is met in no material: are the frequencies in kHz, the "
        "impedance in another unit, or the turns or dimensions wrong?"
        if worst == over_level
        else f"level times corner frequency is {plain(product / 1e9, 2)} GHz where materials have 20 at "
        "most, so that one of both is wrong and neither is relied on: check the units of frequency, "
        "impedance and dimensions, and the turns"
    )
    return Finding(Fault.SCALE, False, told, strength, None, _unscaled(data, worst))


def _log_slip(excess: float) -> float:
    """Return the standard uncertainty of ln μ: a slip of the unit, or ten times what is too much."""
    return float(np.log(max(KILO, 10 * excess)))


def _unscaled(data: TriedData, excess: float) -> tuple[ErrorSource, ...]:
    """Return the doubt of a scale of which neither the level nor the frequency can be relied on."""
    return nothing_holds(Fault.SCALE, data.frequency_hz, data.mu, _log_slip(excess))


def _in_kilohertz(data: TriedData, level: float) -> Finding | None:
    """Return the doubt whether a low sweep has its frequencies in kHz; None where it cannot.

    Then the permeability would be a thousandth, and the band that of an ordinary bench. Few sweeps begin
    below 20 Hz, but those of tape cores do, and one that ends below 20 kHz may be one of an LCR meter or a
    sound card: only the user can tell, so that nothing is taken away. A sweep that names the bench it was
    taken on was written in hertz.
    """
    if "bench" in data.sweep.notes:
        return None
    f = data.frequency_hz
    short = f[-1] < SOUND_HZ and f[-1] > 10 * f[0]
    if not (f[0] < LOWEST_HZ or short) or f[-1] > HIGHEST_KHZ or level < KILO * SMALLEST_PERMEABILITY:
        return None
    told = (
        f"the sweep runs from {hertz(float(f[0]))} to {hertz(float(f[-1]))}: is the frequency column in kHz? "
        f"The permeability would be {plain(level / KILO, 2)} in place of {plain(level, 2)}"
    )
    strength = Strength(level / KILO, SMALLEST_PERMEABILITY, Unit.RATIO)
    return Finding(Fault.SCALE, None, told, strength, question=True)


def scale_of_reading(reading: ReadingPermeability) -> tuple[Finding, ReadingPermeability]:
    """See whether a single reading means a permeability that a material can have.

    Parameters
    ----------
    reading : ReadingPermeability

    Returns
    -------
    (Finding, ReadingPermeability)
        Where the test failed, the reading has the doubt among its common errors.
    """
    level = reading.permeability
    at = f"the {reading.kind.value} reading at {hertz(reading.frequency_hz)}"
    left = (SMALLEST_PERMEABILITY - level) / max(reading.standard_uncertainty, 1e-300)
    if level < 1 and left > BELOW:
        told = (
            f"{at} means a permeability of {plain(level)}, below that of air: a slip of the unit, such as µH "
            "for mH, wrong turns or dimensions, or a reading above a resonance?"
        )
        return Finding(Fault.SCALE, False, told, Strength(left, BELOW, _SIGMAS)), _doubted(reading, 1.0)
    product = unfallen_product(level, reading.frequency_hz)
    worst = max(level / LARGEST_PERMEABILITY, product / LARGEST_PRODUCT_HZ)
    strength = Strength(worst, 1.0, Unit.RATIO)
    if not worst > 1:
        return Finding(Fault.SCALE, True, f"{at} is that of a material", strength), reading
    slip = "such as mH for µH" if reading.kind is ReadingKind.INDUCTANCE else "such as kΩ for Ω"
    told = (
        f"{at} means a permeability of {plain(level, 2)}, which no material has there: a slip of the unit, "
        f"{slip}, or wrong turns or dimensions?"
    )
    return Finding(Fault.SCALE, False, told, strength), _doubted(reading, worst)


def _doubted(reading: ReadingPermeability, excess: float) -> ReadingPermeability:
    """Return a reading with the doubt of its scale among its common errors."""
    size = _log_slip(excess) * max(abs(reading.permeability), 1.0)
    doubt = (f"trial:{Fault.SCALE.value} of a reading", size)
    return replace(reading, common=(*reading.common, doubt))


def _slope(frequency_hz: np.ndarray, values: np.ndarray) -> float:
    x = np.log(frequency_hz)
    return float(np.polyfit(x, np.log(np.maximum(np.abs(values), 1e-300)), 1)[0])
