"""One point of a sweep: set frequency, ranges and level, then take records until they are good enough."""

from __future__ import annotations

import math
import threading
import time
from collections.abc import Callable, Generator, Iterator
from dataclasses import dataclass, replace

from whichcore.analysis.capture_check import plan_tone
from whichcore.analysis.phasor import Preparation, fit_prepared, prepare_fit
from whichcore.analysis.types import Capture, FlagKind, ImpedanceSweep, PhasorPair, Phasors
from whichcore.errors import AnalysisError
from whichcore.rig.events import Event, LevelChanged, PointDone, RangeChanged
from whichcore.rig.instruments import Bench
from whichcore.rig.sweep import averaging
from whichcore.rig.sweep.level import (
    AIM,
    LOWEST_SHARE,
    DriveRule,
    FluxRule,
    LevelMemory,
    LevelSeen,
    flux_density_t,
    highest_flux_density_t,
    predicted_level_vpp,
    rounded_down,
)
from whichcore.rig.sweep.plan import PointOrder, SweepPlan
from whichcore.rig.sweep.ranging import Seen, better_range, seen
from whichcore.rig.sweep.settling import Settling
from whichcore.rig.sweep.timing import Clocks, Timing, set_timing

Correct = Callable[[PhasorPair], ImpedanceSweep]
MOST_LOOKS = 24  # records spent on ranges and level of one point
KEEP_LEVEL = (0.8, 1.1)  # of the level wanted: a smaller step is not worth the settling
UNSEEN_STEP = 1.2  # smaller steps in the dark end the search
_FATAL = frozenset({FlagKind.CLIPPED, FlagKind.UNSTABLE, FlagKind.FREQUENCY_NOT_FOUND})


class OutOfReachError(Exception):
    """A point cannot be had within the limits; the sweep reports it and goes on."""


@dataclass(frozen=True, slots=True)
class Place:
    """Settings a point was measured with; ranges in V peak to peak."""

    frequency_hz: float
    level_vpp: float
    ranges: tuple[float, float]


@dataclass(frozen=True, slots=True)
class Look:
    """One record: what it says, and how high the channels were."""

    phasors: Phasors
    heights: tuple[Seen, Seen]
    flux_density_t: float | None


class Station:
    """The instruments with their present settings, and the plan they serve.

    Attributes
    ----------
    rule : DriveRule or FluxRule
        The plan's, but for a while where a point needs others.
    level_vpp : float or None
        None until the output is on.
    ranges : list of float
        Of channel A and B as they were asked for.
    """

    def __init__(
        self,
        plan: SweepPlan,
        bench: Bench,
        cancel: threading.Event,
        correct: Correct | None,
        begun: float,
    ) -> None:
        self.bench = bench
        self._plan, self._cancel, self._correct, self._begun = plan, cancel, correct, begun
        self._settling = Settling(cancel)
        self.rule = plan.level
        self.level_vpp: float | None = None
        self.ranges = [limits[-1] for limits in bench.digitizer.limits.ranges_vpp]
        self._seen: LevelSeen | None = None
        self._memory = LevelMemory() if plan.order is not PointOrder.RISING else None
        self._unread = ""  # why the last reading gave no impedance
        self._tuned_hz: float | None = None
        self._timing: Timing | None = None
        self._preparation: Preparation | None = None
        self._clocks = Clocks()

    def prepare(self) -> None:
        """Set what stays the same; the widest ranges first."""
        source = self.bench.source
        if self._plan.offset_v or source.limits.offset_v != (0.0, 0.0):
            source.offset_v = self._plan.offset_v
        for channel in range(2):
            self.bench.digitizer.set_range(channel, self.ranges[channel])

    def now(self) -> float:
        """Return the time since the start of the sweep, s."""
        return time.monotonic() - self._begun

    def place(self, frequency_hz: float) -> Place:
        """Return the present settings."""
        return Place(frequency_hz, self.level_vpp or 0.0, (self.ranges[0], self.ranges[1]))

    def pair(self, phasors: Phasors, frequency_hz: float, label: str = "") -> PhasorPair:
        """Return phasors as a sweep of one point, labelled with the present ranges or others."""
        return averaging.pair_of(phasors, frequency_hz, label or self._label())

    def flux_at(self, frequency_hz: float) -> float | None:
        """Return the flux density last seen, if it was at this frequency."""
        return self._seen.flux_density_t if self._seen and self._seen.frequency_hz == frequency_hz else None

    def look(
        self, frequency_hz: float, old: tuple[float, float] | None
    ) -> Generator[Event, None, tuple[Look, Phasors | None]]:
        """Find ranges and level of a frequency.

        Returns
        -------
        Look
            On the ranges and at the level to be used.
        Phasors or None
            What the ``old`` ranges read here, where they could.

        Raises
        ------
        OutOfReachError
            There are none within the limits.
        """
        before = self._level_before(frequency_hz)
        if self.level_vpp is not None and before < self.level_vpp:
            # down before the frequency changes: on the way to a lower one the flux density would rise
            yield from self._set_level(frequency_hz, before)
            self._settling.wait()
        self._tune(frequency_hz)
        yield from self._set_level(frequency_hz, before)
        on_old: Phasors | None = None
        for _ in range(MOST_LOOKS):
            look = self.record(frequency_hz)
            if old == tuple(self.ranges) and not any(height.clipped for height in look.heights):
                on_old = look.phasors
            changes = self._range_changes(frequency_hz, look.heights)
            if changes:
                yield from changes
                continue
            wanted = self._level_after(look)
            if wanted is None:
                return look, on_old
            yield from self._set_level(frequency_hz, wanted)
        lost = "; ".join(flag.detail for flag in look.phasors.flags if flag.kind is FlagKind.TOO_SMALL)
        raise OutOfReachError(
            f"ranges and level were not found in {MOST_LOOKS} records"
            + f" ({lost})" * bool(lost)
            + self._limit_text()
        )

    def record(self, frequency_hz: float) -> Look:
        """Take one record and read it; raises Cancelled when asked to stop."""
        capture = self.acquire(frequency_hz)
        phasors = self._fitted(capture, frequency_hz)
        heights = seen(capture)
        flux = None
        if isinstance(self._plan.level, FluxRule) and not any(height.clipped for height in heights):
            flux = self._flux(phasors, self._corrected(phasors, frequency_hz), frequency_hz)
        return Look(phasors, heights, flux)

    def acquire(self, frequency_hz: float) -> Capture:
        """Take one record as soon as the source has settled; raises Cancelled when asked to stop."""
        self._settling.wait()
        return self.bench.digitizer.acquire(frequency_hz, self.now(), self._cancel)

    def _fitted(self, capture: Capture, frequency_hz: float) -> Phasors:
        """Fit the tone, with what was prepared for a record of this frequency."""
        if self._preparation is None or not self._preparation.suits(capture):
            self._preparation = self._prepared(capture.samples.shape[1], capture.interval_s, frequency_hz)
        phasors = fit_prepared(capture, self._preparation)
        if not any(flag.kind in _FATAL for flag in phasors.flags):
            self._clocks = self._clocks.seen(phasors, frequency_hz)
        return phasors

    def _prepared(self, samples: int, interval_s: float, frequency_hz: float) -> Preparation:
        """Prepare a fit where the clocks put the tone; one that folds is sought there only."""
        folded = self._timing is not None and self._timing.folded
        expected_hz = frequency_hz * (1 + self._clocks.offset)
        nominal_hz = expected_hz if folded else frequency_hz
        plan = plan_tone(samples, interval_s, nominal_hz, allow_aliased=folded)
        return prepare_fit(plan, expected_hz=expected_hz, mains_hz=self._plan.mains_hz)

    def averaged(self, index: int, frequency_hz: float, look: Look, *, revisit: bool = False) -> PointDone:
        """Take records until the target or the bound is reached; raises OutOfReachError."""
        takes, wanted, target = [look.phasors], 1, self._plan.target_relative
        while True:
            while len(takes) < wanted:
                takes.append(self.record(frequency_hz).phasors)
            mean = averaging.averaged(takes)
            corrected = self._corrected(mean, frequency_hz)
            self._refuse(mean, corrected)
            reached = averaging.relative_uncertainty(mean, corrected)
            wanted = averaging.more_takes(mean, reached, target, self._plan.most_takes)
            if wanted <= len(takes):
                break
        self._confirm()
        if self._memory is not None and self._seen is not None and self._seen.frequency_hz == frequency_hz:
            self._memory.keep(self._seen)
        return PointDone(
            index=index,
            frequency_hz=frequency_hz,
            phasors=mean,
            pair=self.pair(mean, frequency_hz),
            corrected=corrected,
            level_vpp=self.level_vpp or 0.0,
            flux_density_t=self._flux(mean, corrected, frequency_hz),
            range_label=self._label(),
            time_s=self.now(),
            temperature_c=self._plan.temperature_c,
            relative_uncertainty=reached,
            target_reached=reached <= target,
            revisit=revisit,
        )

    def chance(self, point: PointDone) -> float:
        """Return the relative uncertainty of a point without what the converter bends alike in all takes.

        Two readings on the same ranges and at the same level differ by no more than this.
        """
        own = point.phasors.covariance_v2 - point.phasors.systematic_v2
        phasors = replace(point.phasors, covariance_v2=own)
        corrected = None
        if point.corrected is not None and self._correct is not None:
            corrected = self._correct(averaging.pair_of(phasors, point.frequency_hz, point.range_label))
        return averaging.relative_uncertainty(phasors, corrected)

    def go(self, place: Place) -> None:
        """Set everything as it was at a place."""
        for channel in range(2):
            if self.ranges[channel] != place.ranges[channel]:
                self.bench.digitizer.set_range(channel, place.ranges[channel])
                self.ranges[channel] = place.ranges[channel]
        falls = self.level_vpp is not None and place.level_vpp < self.level_vpp
        if falls:
            # the lower level first, whichever way it goes: no core is driven harder on the way
            self._go_to_level(place)
        if self._tuned_hz != place.frequency_hz:
            if falls:
                self._settling.wait()
            self._tune(place.frequency_hz)
        if not falls:
            self._go_to_level(place)

    def _go_to_level(self, place: Place) -> None:
        self.bench.source.level_vpp = self.level_vpp = place.level_vpp
        self._source_changed(place.frequency_hz)

    def _tune(self, frequency_hz: float) -> None:
        """Set the frequency and, while the source settles, the record, and get ready to read it."""
        self._tuned_hz = self._preparation = None
        self.bench.source.frequency_hz = frequency_hz
        self._source_changed(frequency_hz)
        try:
            self._timing = set_timing(self.bench.digitizer, self._plan.record, frequency_hz, self._clocks)
            self._preparation = self._prepared(self._timing.points, self._timing.interval_s, frequency_hz)
        except AnalysisError as error:
            raise OutOfReachError(error.one_line()) from None
        self._tuned_hz = frequency_hz

    def _level_before(self, frequency_hz: float) -> float:
        """Return the level to begin a point with."""
        rule = self.rule
        if isinstance(rule, DriveRule):
            return rule.level_vpp
        seen = self._seen if self._memory is None else self._memory.below(frequency_hz) or self._seen
        if seen is None:
            # a source may not go as low as is safe for any core; what it does is measured before more
            return max(rule.safe_level_vpp(frequency_hz), self.bench.source.limits.level_vpp[0])
        wanted = predicted_level_vpp(rule, seen, frequency_hz, self._series_ohm())
        keep = self.level_vpp is not None and KEEP_LEVEL[0] < self.level_vpp / wanted <= KEEP_LEVEL[1]
        return self.level_vpp if keep and self.level_vpp is not None else wanted

    def _level_after(self, look: Look) -> float | None:
        """Return another level where the flux density asks for it."""
        rule, flux = self.rule, look.flux_density_t
        if isinstance(rule, DriveRule):
            return None
        if self._seen is None or flux is None:
            return self._level_unseen(rule, look)
        highest = rounded_down(self._highest_vpp())
        could_be_more = flux < LOWEST_SHARE * rule.flux_density_t and (self.level_vpp or 0.0) < highest
        if flux > rule.flux_density_t or could_be_more:
            return predicted_level_vpp(rule, self._seen, self._seen.frequency_hz, self._series_ohm())
        return None

    def _level_unseen(self, rule: FluxRule, look: Look) -> float | None:
        """Return a higher level where the impedance is lost in noise but the voltage leaves room for it."""
        if self.level_vpp is None or any(height.clipped for height in look.heights):
            return None
        room = AIM * rule.flux_density_t / highest_flux_density_t(rule, look.phasors, self.bench.wiring)
        wanted = min(self.level_vpp * room, rounded_down(self._highest_vpp()))
        return wanted if wanted > UNSEEN_STEP * self.level_vpp else None

    def _set_level(self, frequency_hz: float, wanted_vpp: float) -> Iterator[Event]:
        lowest, highest = self.bench.source.limits.level_vpp[0], self._highest_vpp()
        level = wanted_vpp
        if isinstance(self.rule, FluxRule):
            level = min(wanted_vpp, highest)
            # a level that is the source's lowest is not rounded below it
            level = level if level == lowest else rounded_down(level)
        if not lowest <= level <= highest:
            raise OutOfReachError(_level_refused(level, lowest, highest) + self._limit_text())
        if level == self.level_vpp:
            return
        before, self.level_vpp = self.level_vpp, level
        self.bench.source.level_vpp = level
        self.level_vpp = self.bench.source.level_vpp or level  # what one in steps made of it
        if before is None:
            self.bench.source.output_on()
        self._source_changed(frequency_hz)
        yield LevelChanged(frequency_hz, before, self.level_vpp)

    def _range_changes(self, frequency_hz: float, heights: tuple[Seen, Seen]) -> list[Event]:
        changes: list[Event] = []
        for channel, height in enumerate(heights):
            ranges, now = self.bench.digitizer.limits.ranges_vpp[channel], self.ranges[channel]
            better = better_range(ranges, now, height)
            if better != now:
                self.bench.digitizer.set_range(channel, better)
                self.ranges[channel] = better
                changes.append(RangeChanged(frequency_hz, channel, now, better))
            elif height.clipped:
                raise OutOfReachError(f"channel {'AB'[channel]} is clipped in its widest range, {now:g} V")
        return changes

    def _corrected(self, phasors: Phasors, frequency_hz: float) -> ImpedanceSweep | None:
        """Return the impedance; None where the specimen is too near an open to have one."""
        if self._correct is None:
            return None
        try:
            return self._correct(self.pair(phasors, frequency_hz))
        except AnalysisError as error:
            self._unread = f"{error.what}, {error.got}" if error.got else error.what
            return None

    def _flux(self, phasors: Phasors, corrected: ImpedanceSweep | None, frequency_hz: float) -> float | None:
        rule = self._plan.level
        if isinstance(rule, DriveRule) or corrected is None or self.level_vpp is None:
            return None
        impedance = complex(corrected.impedance_ohm[0])
        flux = flux_density_t(rule, phasors, impedance, self.bench.wiring, self.bench.shunt_ohm)
        if flux > 0 and math.isfinite(flux):
            u = averaging.relative_uncertainty(phasors, corrected)
            self._seen = LevelSeen(frequency_hz, self.level_vpp, flux, impedance, u)
        return flux

    def _refuse(self, phasors: Phasors, corrected: ImpedanceSweep | None) -> None:
        """Give the point up where the stated covariance could not be trusted.

        A small voltage is what an open or a short is there for: it counts where an impedance is wanted.
        """
        fatal = _FATAL if self._correct is None else _FATAL | {FlagKind.TOO_SMALL}
        faults = [flag.detail for flag in phasors.flags if flag.kind in fatal]
        faults += [
            flag.detail
            for flag in phasors.flags
            if flag.kind is FlagKind.ALIASED and not (self._timing and self._timing.folded)
        ]
        if self._correct is not None and corrected is None:
            faults.append(self._unread)
        if faults:
            self._confirm()
            raise OutOfReachError("; ".join(faults) + self._limit_text())

    def _confirm(self) -> None:
        """Ask both instruments whether they are still set as they were; raises InstrumentError.

        One that was reset in the middle, or turned by hand, would give a curve of another setting.
        """
        for instrument in (self.bench.source, self.bench.digitizer):
            confirm = getattr(instrument, "confirm", None)
            if confirm is not None:
                confirm()

    def _limit_text(self) -> str:
        rule = self.rule
        return f" (B ≤ {rule.flux_density_t * 1e3:.3g} mT)" if isinstance(rule, FluxRule) else ""

    def _source_changed(self, frequency_hz: float) -> None:
        wait_s = max(self.bench.source.settle_s, self._plan.settle_s)
        self._settling.begin(wait_s + self._plan.settle_periods / frequency_hz)

    def _highest_vpp(self) -> float:
        return min(self.bench.source.limits.level_vpp[1], self._plan.highest_level_vpp)

    def _series_ohm(self) -> float:
        return self.bench.source.output_ohm + self.bench.shunt_ohm

    def _label(self) -> str:
        return "/".join(f"{full:g}V" for full in self.ranges)


def _level_refused(level: float, lowest: float, highest: float) -> str:
    if level < lowest:
        return f"it takes {level:g} V peak to peak, the source goes down to {lowest:g} V: put a pad behind it"
    return f"it takes {level:g} V peak to peak, and {highest:g} V is the limit"
