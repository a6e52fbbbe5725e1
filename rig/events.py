"""What a sweep tells while it runs. Frozen data; the journal, the terminal and the page all read the same."""

from __future__ import annotations

import math
from dataclasses import dataclass

from whichcore.analysis.multitone import ProductCount
from whichcore.analysis.types import ImpedanceSweep, PhasorPair, Phasors


@dataclass(frozen=True, slots=True)
class OutputFoundOn:
    """The output was on before anything was done, left so by an earlier program or by hand; it is off now."""

    source: str


@dataclass(frozen=True, slots=True)
class Started:
    """The instruments answer and are set.

    Attributes
    ----------
    fingerprint : str
        Of the plan.
    source, digitizer : str
        What the instruments say they are.
    points, skipped : int
        Points to be measured now, and those done in an earlier run.
    temperature_c : float or None
    """

    fingerprint: str
    source: str
    digitizer: str
    points: int
    skipped: int
    temperature_c: float | None


@dataclass(frozen=True, slots=True)
class Demagnetised:
    """The core was demagnetised and has rested.

    Attributes
    ----------
    peak_a_per_m : float
        Field the decay began at.
    coercive_a_per_m : float
    origin : str
        Where the coercive field comes from.
    decay_s, rest_s : float
    time_s : float
        After the start of the sweep, at the end of the rest.
    """

    peak_a_per_m: float
    coercive_a_per_m: float
    origin: str
    decay_s: float
    rest_s: float
    time_s: float

    def told(self) -> str:
        """Return it in words, for a header and for the result."""
        return (
            f"from {self.peak_a_per_m:.3g} A/m peak, {self.peak_a_per_m / self.coercive_a_per_m:.2g} times "
            f"{self.coercive_a_per_m:g} A/m ({self.origin}), over {self.decay_s:.2g} s; then "
            f"{self.rest_s:g} s of rest, the first point from {self.time_s:.3g} s on"
        )


@dataclass(frozen=True, slots=True)
class RangeChanged:
    """A channel (0 is A, 1 is B) went to another range, V peak to peak."""

    frequency_hz: float
    channel: int
    from_vpp: float
    to_vpp: float


@dataclass(frozen=True, slots=True)
class LevelChanged:
    """The source went to another level, V peak to peak, open circuit; None before the first."""

    frequency_hz: float
    from_vpp: float | None
    to_vpp: float


@dataclass(frozen=True, slots=True)
class RangesTied:
    """One frequency read on two pairs of ranges: their ratios V_A/V_B should agree.

    Attributes
    ----------
    frequency_hz : float
    before, after : PhasorPair
        On the pair of ranges left, and on the one gone to.
    """

    frequency_hz: float
    before: PhasorPair
    after: PhasorPair


@dataclass(frozen=True, slots=True)
class PointDone:
    """A finished point.

    Attributes
    ----------
    index : int
        Place in the plan.
    frequency_hz : float
        As planned and set, by the source's clock.
    phasors : Phasors
        Average of all takes, with flags.
    pair : PhasorPair
        The same as a sweep of one point, to be corrected.
    corrected : ImpedanceSweep or None
        One point, where a correction was given.
    level_vpp : float
    flux_density_t : float or None
        Largest in the core, peak; None where no specimen was given.
    range_label : str
    time_s : float
        After the start of the sweep.
    temperature_c : float or None
    relative_uncertainty : float
        What the plan's target is compared with.
    target_reached : bool
        False where the bound on takes, or the converter, ended averaging before.
    revisit : bool
        True for the first frequency measured again at the end.
    from_flux_t : tuple of float
        Flux densities that were extrapolated to zero field; ``phasors``, ``pair`` and ``level_vpp`` are those
        of the largest. Empty for a point measured as it stands.
    """

    index: int
    frequency_hz: float
    phasors: Phasors
    pair: PhasorPair
    corrected: ImpedanceSweep | None
    level_vpp: float
    flux_density_t: float | None
    range_label: str
    time_s: float
    temperature_c: float | None
    relative_uncertainty: float
    target_reached: bool
    revisit: bool = False
    from_flux_t: tuple[float, ...] = ()


@dataclass(frozen=True, slots=True)
class NotReachable:
    """A point that cannot be had within the limits; nothing was driven harder for it.

    Attributes
    ----------
    index : int
    frequency_hz : float
    reason : str
    level_vpp : float or None
        Last level tried.
    flux_density_t : float or None
        Flux density there, where it is known.
    """

    index: int
    frequency_hz: float
    reason: str
    level_vpp: float | None
    flux_density_t: float | None


@dataclass(frozen=True, slots=True)
class Finished:
    """The sweep is at its end and the output off.

    Attributes
    ----------
    measured, not_reachable : int
    drift : float or None
        |ΔZ/Z| of the first frequency between start and end; without correction the change of the two voltages
        over their size, their common factor left out.
    u_drift : float or None
        Its standard uncertainty per component.
    duration_s : float
    """

    measured: int
    not_reachable: int
    drift: float | None
    u_drift: float | None
    duration_s: float


@dataclass(frozen=True, slots=True)
class TakeDone:
    """One more take of all tones is in.

    Attributes
    ----------
    takes, wanted : int
        So far, and as many as it takes by what is known now.
    points : tuple of PointDone or NotReachable
        Every tone as the takes so far have it, with its uncertainty now, in rising order. None is final:
        more takes follow, or the same points by themselves. What was written down in an earlier run is left
        out.
    """

    takes: int
    wanted: int
    points: tuple[PointDone | NotReachable, ...] = ()

    @property
    def least_sure(self) -> PointDone | None:
        """The point known least so far; None where none is known."""
        known = [point for point in self.points if isinstance(point, PointDone)]
        return max(known, key=lambda point: point.relative_uncertainty, default=None)

    @property
    def good(self) -> int:
        """Points that are good enough already."""
        return sum(isinstance(point, PointDone) and point.target_reached for point in self.points)


@dataclass(frozen=True, slots=True)
class TonesPlayed:
    """All tones of a sweep were played at once; their points follow.

    Attributes
    ----------
    tones, takes : int
    take_s : float
        Length of one take.
    level_vpp, crest : float
        Of the wave: peak to peak with the output open, and peak over rms.
    limited_by : str
        What keeps the level from being higher.
    products : ProductCount
        Of the tones, that fall on tones.
    flux_density_t : tuple of float or None
        Peak in the core of each tone; None where no specimen was given.
    share_of_single : float
        Level of a tone over that it could have alone within the same limits, median.
    even, u_even, odd, u_odd : float
        Power of distortion of even and odd order over that of the tones, on bins without tones, in the
        channel that reads more.
    """

    tones: int
    takes: int
    take_s: float
    level_vpp: float
    crest: float
    limited_by: str
    products: ProductCount
    flux_density_t: tuple[float, ...] | None
    share_of_single: float
    even: float
    u_even: float
    odd: float
    u_odd: float

    @property
    def total_flux_density_t(self) -> float | None:
        """Peak if all tones peak at once, T: it is never passed."""
        return None if self.flux_density_t is None else sum(self.flux_density_t)

    @property
    def rms_flux_density_t(self) -> float | None:
        """Root mean square over the wave, T."""
        if self.flux_density_t is None:
            return None
        return math.sqrt(sum(b**2 for b in self.flux_density_t) / 2)

    @property
    def noise_against_single(self) -> float:
        """Noise of a point over that of tones one after the other in the same time, settling not counted."""
        return 1 / (self.share_of_single * math.sqrt(self.tones))


Event = (
    OutputFoundOn
    | Started
    | Demagnetised
    | RangeChanged
    | LevelChanged
    | RangesTied
    | PointDone
    | NotReachable
    | TakeDone
    | TonesPlayed
    | Finished
)
