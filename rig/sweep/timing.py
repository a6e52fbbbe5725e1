"""Sample interval and record length of a point: fast enough, or known to fold, and never onto a harmonic."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from whichcore.analysis.alias import LARGEST_CLOCK_OFFSET, MOST_CYCLES, obstacle
from whichcore.analysis.types import Phasors
from whichcore.errors import AnalysisError
from whichcore.rig.instruments import Digitizer, DigitizerLimits
from whichcore.rig.sweep.plan import RecordRule, points_for, slowest_useful

#: Factors on the interval wanted, tried in turn where a harmonic folds onto the tone. Practice.
ORDINARY = (1.0, 0.8, 0.64, 0.5, 0.4, 1.25, 1.6)
#: Factors on the shortest interval, tried in turn for equivalent-time sampling; spread to miss whole ratios.
FOLDED = (1.0, 1.07, 1.16, 1.27, 1.41, 1.6, 1.83, 2.0, 2.3, 2.7, 3.2, 4.0, 4.7, 5.6, 7.0, 8.3, 10.0, 20.0)
#: A frequency read so well tells how far the two clocks are apart; it is believed to so much. Practice.
CLOCK_READ, CLOCK_KEPT = 2e-6, 1e-5


@dataclass(frozen=True, slots=True)
class Clocks:
    """How far the source's frequency is off by the digitizer's clock, relative.

    Attributes
    ----------
    offset, uncertainty : float
        The uncertainty is a bound.
    """

    offset: float = 0.0
    uncertainty: float = LARGEST_CLOCK_OFFSET

    def seen(self, phasors: Phasors, frequency_hz: float) -> Clocks:
        """Return what a record of a tone tells of them, these where it tells no more."""
        u = phasors.frequency_uncertainty_hz / frequency_hz
        if not 0 < u < CLOCK_READ:
            return self
        return Clocks(phasors.frequency_hz / frequency_hz - 1, 3 * u + CLOCK_KEPT)


@dataclass(frozen=True, slots=True)
class Timing:
    """What the digitizer was set to.

    Attributes
    ----------
    interval_s : float
    points : int
    folded : bool
        Equivalent-time sampling.
    """

    interval_s: float
    points: int
    folded: bool


def set_timing(digitizer: Digitizer, rule: RecordRule, frequency_hz: float, clocks: Clocks) -> Timing:
    """Set the sample interval and the record for a frequency.

    Raises
    ------
    AnalysisError
        No interval the digitizer has will do; the reasons are named.
    """
    limits = digitizer.limits
    here = frequency_hz * (1 + clocks.offset)
    tried: dict[float, str] = {}
    for wanted in _wanted(rule, limits, frequency_hz):
        real = digitizer.set_interval(wanted)
        if real in tried:
            continue
        folded = here * real > MOST_CYCLES
        tried[real] = _refused(limits, frequency_hz) if folded else ""
        tried[real] = tried[real] or obstacle(
            here, real, min(rule.samples, limits.points[1]), clocks.uncertainty
        )
        if not tried[real]:
            points = points_for(rule, limits, real, here)
            digitizer.set_points(points)
            return Timing(real, points, folded)
    reasons = dict.fromkeys(tried.values()) or {_refused(limits, frequency_hz): None}
    fastest = f"{1 / limits.interval_s[0]:g} samples per second"
    raise AnalysisError(
        "; ".join(reasons),
        where=f"{frequency_hz:g} Hz",
        got=fastest if not tried else f"{fastest} at most, {len(tried)} sample intervals tried",
        next_step="choose a frequency some per cent beside it, or a faster digitizer",
    )


def _refused(limits: DigitizerLimits, frequency_hz: float) -> str:
    """Say why a tone above half the sample rate is not read; an empty text where it is."""
    if limits.bandwidth_hz is None:
        return (
            "the digitizer is too slow for this frequency (with its bandwidth_hz stated in the command table "
            "it is read by equivalent-time sampling)"
        )
    if frequency_hz > limits.bandwidth_hz:
        return f"the digitizer is too slow, and its inputs follow up to {limits.bandwidth_hz:g} Hz only"
    return ""


def _wanted(rule: RecordRule, limits: DigitizerLimits, frequency_hz: float) -> Iterator[float]:
    """Give the intervals to try, the best first."""
    low, high = limits.interval_s
    longest = slowest_useful(frequency_hz)
    best = min(max(rule.least_periods / (min(rule.samples, limits.points[1]) * frequency_hz), low), high)
    for factor in ORDINARY:
        interval = min(max(best * factor, low), high)
        if interval <= longest:
            yield interval
    if limits.bandwidth_hz is not None and frequency_hz <= limits.bandwidth_hz:
        for factor in FOLDED:
            if low * factor <= high:
                yield low * factor
