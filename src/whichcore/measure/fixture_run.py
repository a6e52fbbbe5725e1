"""One fixture: asked for, swept, looked at while it is swept, and asked for again where it is in doubt."""

from __future__ import annotations

import threading
from collections.abc import Callable, Generator, Sequence
from dataclasses import dataclass, replace

import numpy as np

from whichcore.analysis.types import PhasorPair
from whichcore.errors import CalibrationError
from whichcore.measure.channel_ranges import ChannelRanges
from whichcore.measure.correction import tied
from whichcore.measure.engine import carry_out
from whichcore.rig.events import NotReachable, PointDone
from whichcore.rig.instruments import Bench, Operator
from whichcore.rig.multitone.rule import ToneRule
from whichcore.rig.sweep.plan import SweepPlan

MOST_ATTEMPTS = 3
SCATTERS = 5.0  # times the median uncertainty of the fixture's points: measured again
Check = Callable[[PhasorPair], None]


@dataclass(frozen=True, slots=True)
class Step:
    """How far a calibration has come.

    Attributes
    ----------
    fixture : str
        The part in place, or asked for.
    share : float
        Of its points that are done.
    said : str
        What a person should hear before the part is asked for; empty while it is measured.
    """

    fixture: str
    share: float
    said: str = ""


@dataclass(frozen=True, slots=True)
class FixtureRun:
    """What all fixtures of a calibration have in common.

    Attributes
    ----------
    bench : Bench
    operator : Operator
    plan : SweepPlan
    cancel : threading.Event
    ranges : ChannelRanges
    tones : ToneRule or None
        All tones at once.
    """

    bench: Bench
    operator: Operator
    plan: SweepPlan
    cancel: threading.Event
    ranges: ChannelRanges
    tones: ToneRule | None = None

    def measure(
        self,
        fixture: str,
        said: str,
        check: Check,
        *,
        frequency_hz: Sequence[float] = (),
        doubt: Callable[[PhasorPair], str] = lambda _: "",
    ) -> Generator[Step, None, Measurement]:
        """Ask for a fixture and sweep it; ask again where it is not what it should be.

        Parameters
        ----------
        fixture : str
        said : str
        check : callable
            Given each point, ranges tied; raises CalibrationError where it is another part.
        frequency_hz : sequence of float
            Some of the plan's; none given means all.
        doubt : callable
            Given the first point; returns what is doubtful about it, which is asked about once.

        Yields
        ------
        Step

        Returns
        -------
        Measurement

        Raises
        ------
        CalibrationError
            It is not that part after three attempts, or a point cannot be had.
        """
        plan = replace(self.plan, frequency_hz=tuple(frequency_hz) or self.plan.frequency_hz)
        asked_about = False
        for attempt in range(1, MOST_ATTEMPTS + 1):
            yield Step(fixture, 0.0, said)
            self.operator.fit(fixture)
            try:
                points = yield from self._swept(fixture, plan, check)
            except _NotThatPartError as found:
                if attempt == MOST_ATTEMPTS:
                    raise found.error from None
                said = f"Attempt {attempt} of {MOST_ATTEMPTS}: {found.error.one_line()}."
                continue
            remark = doubt(tied(points[0].pair, self.ranges))
            if remark and not asked_about and attempt < MOST_ATTEMPTS:
                asked_about = True
                said = f"{remark[:1].upper()}{remark[1:]}. Clean its contacts and fit it once more."
                continue
            return Measurement(joined([point.pair for point in points]), remark, attempt)
        raise AssertionError("no attempt ended")  # pragma: no cover - the last one returns or raises

    def _swept(self, fixture: str, plan: SweepPlan, check: Check) -> Generator[Step, None, list[PointDone]]:
        """Sweep, and measure once more what could not be had or scatters beyond its neighbours."""
        points, lost = yield from self._once(fixture, plan, check)
        missed = {item.frequency_hz for item in lost}
        again = sorted(missed | {item.frequency_hz for item in _scattered(list(points.values()))})
        if again:
            second, lost = yield from self._once(fixture, replace(plan, frequency_hz=tuple(again)), check)
            for place, point in second.items():
                old = points.get(place)
                if old is None or point.relative_uncertainty < old.relative_uncertainty:
                    points[place] = point
            if lost:
                raise _not_reached(fixture, lost[0])
        return [points[place] for place in sorted(points)]

    def _once(
        self, fixture: str, plan: SweepPlan, check: Check
    ) -> Generator[Step, None, tuple[dict[float, PointDone], list[NotReachable]]]:
        points: dict[float, PointDone] = {}
        lost: list[NotReachable] = []
        for event in carry_out((plan, self.tones), self.bench, self.cancel):
            if isinstance(event, NotReachable):
                lost.append(event)
            if isinstance(event, PointDone):
                even = tied(event.pair, self.ranges)
                try:
                    check(even)
                except CalibrationError as error:
                    raise _NotThatPartError(error) from error
                points[event.frequency_hz] = event
                yield Step(fixture, len(points) / len(plan.frequency_hz))
        return points, lost


@dataclass(frozen=True, slots=True)
class Measurement:
    """What was read of one fixture.

    Attributes
    ----------
    pair : PhasorPair
        At every frequency, as the ranges read it: not tied.
    remark : str
        What stayed doubtful; empty where nothing did.
    attempts : int
    """

    pair: PhasorPair
    remark: str
    attempts: int


class _NotThatPartError(Exception):
    """Carries what was found out of the sweep, past errors of other causes."""

    def __init__(self, error: CalibrationError) -> None:
        super().__init__(str(error))
        self.error = error


def joined(pairs: Sequence[PhasorPair]) -> PhasorPair:
    """Return one-point pairs as one."""
    return PhasorPair(
        np.concatenate([item.frequency_hz for item in pairs]),
        np.concatenate([item.voltage_a_v for item in pairs]),
        np.concatenate([item.voltage_b_v for item in pairs]),
        np.concatenate([item.covariance for item in pairs]),
        tuple(label for item in pairs for label in item.range_labels or ()),
    )


def _scattered(points: Sequence[PointDone]) -> list[PointDone]:
    """Return the points that missed the target and stand out of the others."""
    if not points:
        return []
    limit = SCATTERS * float(np.median([point.relative_uncertainty for point in points]))
    return [point for point in points if not point.target_reached and point.relative_uncertainty > limit]


def _not_reached(fixture: str, event: NotReachable) -> CalibrationError:
    return CalibrationError(
        "a point of a standard could not be measured, twice",
        where=f"{fixture}, {event.frequency_hz:g} Hz",
        got=event.reason,
        next_step="run whichcore doctor, or calibrate a band that the instruments reach",
    )
