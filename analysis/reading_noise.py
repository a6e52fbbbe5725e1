"""What a digitizer leaves open in the voltage of a tone, before anything is read: steps, bend, noise.

A forecast for planning and for accuracy maps, made of the terms that the fit of a real record states
(:mod:`whichcore.analysis.quantisation`): the bend of the converter and its steps stand in phase with the tone
and more records do not lessen them; noise is round about and falls with the samples.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from whichcore.analysis.quantisation import step_noise_of
from whichcore.analysis.types import FloatArray, RangeUncertainty
from whichcore.errors import InputError

EIGHT_BITS = 256
FILL = 0.7  # of a range, at which the sweep takes the next wider one
USUAL_NOISE_STEPS = 0.3  # rms ahead of an eight-bit converter; practice, no source
USUAL_SAMPLES, USUAL_TAKES = 20_000, 16
USUAL_PERIODS = 40  # of a record
SMALLEST = 10.0  # standard uncertainties of its own that a voltage must have, as the fit of a record asks
TIED_FILL = 0.5  # of a range when ranges are tied: neighbours stand up to 2.5 times apart; practice


@dataclass(frozen=True, slots=True)
class ReadingNoise:
    """A digitizer, the source before it, and how long is averaged.

    Attributes
    ----------
    ranges_vpp : pair of tuple of float
        Full scales of channel A and B in rising order, V peak to peak at the tip of the probe.
    level_vpp : (float, float)
        Lowest and highest level of the source, peak to peak, open circuit.
    output_ohm : float
        Of the source.
    steps : float
        Of the converter over a range.
    nonlinearity_steps : float
        Rms of its integral non-linearity.
    noise_steps : float
        Rms noise ahead of it, on the most sensitive range and any other alike.
    samples, takes : int
        Of one record, and records averaged.
    """

    ranges_vpp: tuple[tuple[float, ...], tuple[float, ...]]
    level_vpp: tuple[float, float]
    output_ohm: float = 50.0
    steps: float = EIGHT_BITS
    nonlinearity_steps: float = 0.0
    noise_steps: float = USUAL_NOISE_STEPS
    samples: int = USUAL_SAMPLES
    takes: int = USUAL_TAKES

    def __post_init__(self) -> None:
        ranges = [np.asarray(item, dtype=float) for item in self.ranges_vpp]
        low, high = self.level_vpp
        rules = {
            "ranges": all(r.size and r[0] > 0 and np.all(np.diff(r) > 0) and r[-1] < np.inf for r in ranges),
            "level": 0 < low <= high < np.inf,
            "output resistance": 0 <= self.output_ohm < np.inf,
            "steps": 2 <= self.steps < np.inf,
            "non-linearity": 0 <= self.nonlinearity_steps < np.inf,
            "noise": 0 <= self.noise_steps < np.inf,
            "samples and records": self.samples >= 1 and self.takes >= 1,
        }
        wrong = [name for name, holds in rules.items() if not holds]
        if wrong:
            raise InputError(
                "a digitizer cannot be as stated",
                where=", ".join(wrong),
                got=f"{self}",
                allowed="finite; ranges and levels above zero and rising, 2 steps and more, the rest not "
                "negative",
            )

    def range_vpp(self, channel: int, peak_v: FloatArray) -> FloatArray:
        """Return the range a sweep takes for a peak voltage: the smallest filled no further than 70 %."""
        full = np.asarray(self.ranges_vpp[channel])
        place = np.searchsorted(FILL * full, 2 * np.asarray(peak_v) * (1 - 1e-12))
        return np.asarray(full[np.minimum(place, full.size - 1)])

    def relative_variance(self, channel: int, peak_v: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Return the relative variances of a voltage in phase with it and across, arrays like ``peak_v``.

        Noise of σ rms per sample gives each component of a peak phasor the variance 2σ²/N (Kay 1993, ch. 3,
        from memory); the steps add step²/12 to σ². The bend adds 2 rms² in phase, its bound (Cauchy–Schwarz),
        the staircase what :func:`whichcore.analysis.quantisation.step_noise` says, phases that repeat what
        :func:`whichcore.analysis.quantisation.phasor_term` says of them, for a record of forty periods. A
        voltage lost in that has no phase to be in phase with: there both directions share alike.
        """
        step = self.range_vpp(channel, peak_v) / self.steps
        height = np.maximum(np.asarray(peak_v, dtype=float), np.finfo(float).tiny) / step
        across = 2 * (self.noise_steps**2 + 1 / 12) / (self.samples * self.takes) + self._repeated(height)
        along = across + 2 * self.nonlinearity_steps**2 + step_noise_of(height, self.noise_steps)
        lost = height**2 < along
        middle = (along + across) / 2
        return np.where(lost, middle, along) / height**2, np.where(lost, middle, across) / height**2

    def _repeated(self, height_steps: FloatArray) -> FloatArray:
        """Return the variance, steps², of either component by phases that repeat from period to period.

        A period holds M = N/P samples; over the record they creep by |PM − N|/M cycles, of which P/4M is the
        usual size (derived here).
        """
        phases, creep = self.samples / USUAL_PERIODS, USUAL_PERIODS**2 / (4 * self.samples)
        places = np.minimum(self.samples, phases * np.maximum(1.0, 2 * np.pi * height_steps * creep))
        dither = np.exp(-((2 * np.pi * self.noise_steps) ** 2))
        return np.asarray(dither / 6 * (1 / places - 1 / self.samples))

    def too_small(self, channel: int, peak_v: FloatArray) -> np.ndarray[tuple[int, ...], np.dtype[np.bool_]]:
        """Tell where a voltage lies below ten of its own standard uncertainties."""
        along, across = self.relative_variance(channel, peak_v)
        return np.asarray(SMALLEST**2 * (along + across) / 2 > 1)

    def clipped(self, channel: int, peak_v: FloatArray) -> np.ndarray[tuple[int, ...], np.dtype[np.bool_]]:
        """Tell where a voltage goes beyond the widest range."""
        return np.asarray(2 * np.asarray(peak_v) > self.ranges_vpp[channel][-1])

    def tied_ranges(self) -> RangeUncertainty:
        """Return how well this digitizer can tie its own ranges: two readings half a range high."""
        along, across = self.relative_variance(0, np.array([TIED_FILL * self.ranges_vpp[0][0] / 2]))
        shape = (len(self.ranges_vpp[0]), len(self.ranges_vpp[1]))
        return RangeUncertainty(
            np.array(self.ranges_vpp[0]),
            np.array(self.ranges_vpp[1]),
            np.full(shape, float(np.sqrt(2 * along[0]))),
            np.full(shape, float(np.sqrt(2 * across[0] * self.takes))),
        )
