"""What a sweep tells while it runs. Frozen data; the journal, the terminal and the page all read the same."""

from __future__ import annotations

from dataclasses import dataclass

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


Event = (
    OutputFoundOn | Started | RangeChanged | LevelChanged | RangesTied | PointDone | NotReachable | Finished
)
