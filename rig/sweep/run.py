"""A sweep over frequency, as a generator of events. It reads voltages; a correction, if given, is a callable.

Whatever ends it, a fault, the user, or whoever stops asking for events, the output is switched off.
"""

from __future__ import annotations

import math
import threading
import time
from collections.abc import Collection, Iterator
from dataclasses import replace

from whichcore.analysis.types import FlagKind, ImpedanceSweep
from whichcore.rig.events import Event, Finished, NotReachable, PointDone, RangesTied, Started
from whichcore.rig.instruments import Bench
from whichcore.rig.sweep.demagnetise import demagnetise
from whichcore.rig.sweep.output_off import begin, output_off_at_the_end
from whichcore.rig.sweep.plan import SweepPlan
from whichcore.rig.sweep.point import Correct, OutOfReachError, Place, Station
from whichcore.rig.sweep.zero_field_point import take_point

SAME_FREQUENCY = 1e-9
_UNTIED = (FlagKind.CLIPPED, FlagKind.TOO_SMALL)


def sweep(
    plan: SweepPlan,
    bench: Bench,
    cancel: threading.Event,
    *,
    correct: Correct | None = None,
    done: Collection[float] = (),
    first: ImpedanceSweep | None = None,
) -> Iterator[Event]:
    """Carry out a plan.

    Parameters
    ----------
    plan : SweepPlan
    bench : Bench
    cancel : threading.Event
        Looked at between records and inside waits.
    correct : callable or None
        Turns a pair of voltages into impedance; a rule by flux density needs it. None for standards.
    done : collection of float
        Frequencies of the plan measured in an earlier run; they are left out.
    first : ImpedanceSweep or None
        One point, the first of the plan as an earlier run measured it: it is measured again at the end.

    Yields
    ------
    Event
        See :mod:`whichcore.rig.events`.

    Raises
    ------
    Cancelled
        ``cancel`` was set.
    InstrumentError
        An instrument failed.
    InputError
        The plan does not suit the instruments.
    """
    yield from begin(plan, bench, corrected=correct is not None)
    run = _Run(plan, Station(plan, bench, cancel, correct, time.monotonic()), cancel, first)
    with output_off_at_the_end(bench):
        yield from run.points(done)
    yield run.finished()


class _Run:
    """Which points are done, and how neighbours are tied together."""

    def __init__(
        self, plan: SweepPlan, station: Station, cancel: threading.Event, earlier: ImpedanceSweep | None
    ) -> None:
        self.plan, self.station, self.cancel, self.earlier = plan, station, cancel, earlier
        self.last: tuple[Place, PointDone] | None = None
        self.first: tuple[Place, PointDone] | None = None
        self.again: PointDone | None = None
        self.measured = self.missed = 0

    def points(self, done: Collection[float]) -> Iterator[Event]:
        """Measure every point that is not done, then the first once more."""
        plan, bench = self.plan, self.station.bench
        places = plan.order.places(len(plan.frequency_hz))
        todo = [(i, plan.frequency_hz[i]) for i in places if not _among(plan.frequency_hz[i], done)]
        yield Started(
            fingerprint=plan.fingerprint(bench.wiring, bench.shunt_ohm),
            source=bench.source.identity,
            digitizer=bench.digitizer.identity,
            points=len(todo),
            skipped=len(plan.frequency_hz) - len(todo),
            temperature_c=plan.temperature_c,
        )
        if plan.demagnetise is not None and todo:
            yield from demagnetise(plan, plan.demagnetise, self.station, self.cancel)
        self.station.prepare()
        for index, frequency_hz in todo:
            yield from self._point(index, frequency_hz)
        if plan.revisit_first and self.earlier is not None:
            yield from self._earlier_again(plan.frequency_hz[0])
        elif plan.revisit_first and self.first is not None and len(todo) > 1:
            yield from self._first_again(*self.first)

    def finished(self) -> Finished:
        """Return the closing event."""
        drift, u_drift = None, None
        if self.again is not None and self.earlier is not None:
            drift, u_drift = _drift_since(self.earlier, self.again)
        elif self.again is not None and self.first is not None:
            drift = _drift(self.first[1], self.again)
            u_drift = math.hypot(*(self.station.chance(point) for point in (self.first[1], self.again)))
        return Finished(self.measured, self.missed, drift, u_drift, self.station.now())

    def _point(self, index: int, frequency_hz: float) -> Iterator[Event]:
        station = self.station
        old = self.last[0].ranges if self.last else None
        try:
            taken = yield from take_point(station, self.plan.zero_field, index, frequency_hz, old)
        except OutOfReachError as reason:
            self.missed += 1
            flux = station.flux_at(frequency_hz)
            yield NotReachable(index, frequency_hz, str(reason), station.level_vpp, flux)
            return
        place, point, on_old = station.place(frequency_hz), taken.here, taken.on_old
        if self.plan.tie_ranges and self.last is not None and self.last[0].ranges != place.ranges:
            if on_old is not None and not any(on_old.has(kind) for kind in _UNTIED):
                before = station.pair(on_old, frequency_hz, self.last[1].range_label)
                yield RangesTied(frequency_hz, before, point.pair)
            else:
                yield from self._tied_elsewhere(*self.last, place, point)
        self.measured += 1
        self.last = (place, point)
        self.first = self.first or self.last
        yield taken.point

    def _tied_elsewhere(self, last: Place, before: PointDone, now: Place, here: PointDone) -> Iterator[Event]:
        """Read the last frequency on the ranges of this point, or this one on those of the last.

        Ranges that would clip, or lose the voltage in their steps, say nothing; then there is no tie.
        """
        station = self.station
        for place, other in (
            (Place(last.frequency_hz, last.level_vpp, now.ranges), before),
            (Place(now.frequency_hz, now.level_vpp, last.ranges), here),
        ):
            station.go(place)
            look = station.record(place.frequency_hz)
            pair = station.pair(look.phasors, place.frequency_hz)
            if not any(look.phasors.has(kind) for kind in _UNTIED):
                sides = (other.pair, pair) if other is before else (pair, other.pair)
                yield RangesTied(place.frequency_hz, *sides)
                break
        station.go(now)

    def _earlier_again(self, frequency_hz: float) -> Iterator[Event]:
        """Measure the first frequency of an earlier run again, on ranges and at a level found anew."""
        try:
            taken = yield from take_point(self.station, self.plan.zero_field, 0, frequency_hz, None)
            self.again = replace(taken.point, revisit=True)
        except OutOfReachError as reason:
            yield NotReachable(0, frequency_hz, f"at the end: {reason}", self.station.level_vpp, None)
            return
        yield self.again

    def _first_again(self, place: Place, point: PointDone) -> Iterator[Event]:
        station = self.station
        station.go(place)
        try:
            look = station.record(place.frequency_hz)
            self.again = station.averaged(point.index, place.frequency_hz, look, revisit=True)
        except OutOfReachError as reason:
            yield NotReachable(
                point.index, place.frequency_hz, f"at the end: {reason}", station.level_vpp, None
            )
            return
        yield self.again


def _among(frequency_hz: float, done: Collection[float]) -> bool:
    return any(abs(frequency_hz - other) <= SAME_FREQUENCY * frequency_hz for other in done)


def _drift(first: PointDone, again: PointDone) -> float:
    """Return the relative change between two readings.

    |ΔZ|/|Z|; without correction |V_A V_B′ − V_A′ V_B|/(|V| |V′|), which an open and a short have as well.
    """
    if first.corrected is not None and again.corrected is not None:
        return _change(first.corrected, again.corrected)
    (a, b), (c, d) = first.phasors.phasor_vpk, again.phasors.phasor_vpk
    return float(abs(a * d - b * c) / (math.hypot(abs(a), abs(b)) * math.hypot(abs(c), abs(d))))


def _change(first: ImpedanceSweep, again: ImpedanceSweep) -> float:
    z, z_again = (complex(reading.impedance_ohm[0]) for reading in (first, again))
    return abs(z_again - z) / abs(z)


def _drift_since(earlier: ImpedanceSweep, again: PointDone) -> tuple[float | None, float | None]:
    """Return the change since an earlier run, whose ranges and level may have been others, and its u."""
    if again.corrected is None:
        return None, None
    z = abs(complex(earlier.impedance_ohm[0]))
    u = math.sqrt(max(float(earlier.scatter[0].trace()) / 2, 0.0)) / z
    return _change(earlier, again.corrected), math.hypot(u, again.relative_uncertainty)
