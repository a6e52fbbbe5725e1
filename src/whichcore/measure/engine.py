"""Which way a plan is carried out: one tone after the other, or all of them at once."""

from __future__ import annotations

import threading
from collections.abc import Collection, Iterator

from whichcore.analysis.types import ImpedanceSweep
from whichcore.measure.channel_ranges import ChannelRanges, measure_ranges, ranges_of_one_pair
from whichcore.rig.events import Event, NotReachable, PointDone
from whichcore.rig.instruments import Bench
from whichcore.rig.multitone.rule import ToneRule
from whichcore.rig.multitone.run import multitone_sweep
from whichcore.rig.sweep.plan import SweepPlan
from whichcore.rig.sweep.point import Correct
from whichcore.rig.sweep.run import sweep


def carry_out(
    what: tuple[SweepPlan, ToneRule | None],
    bench: Bench,
    cancel: threading.Event,
    *,
    correct: Correct | None = None,
    done: Collection[float] = (),
    first: ImpedanceSweep | None = None,
) -> Iterator[Event]:
    """Carry out a plan, all tones at once where there is a rule for it; see both sweeps."""
    plan, tones = what
    if tones is None:
        yield from sweep(plan, bench, cancel, correct=correct, done=done, first=first)
    else:
        yield from multitone_sweep(plan, tones, bench, cancel, correct=correct, done=done)


def fingerprint(plan: SweepPlan, tones: ToneRule | None, bench: Bench) -> str:
    """Return what a journal knows its sweep by."""
    if tones is None:
        return plan.fingerprint(bench.wiring, bench.shunt_ohm)
    return tones.fingerprint(plan, bench)


def tie_ranges(
    plan: SweepPlan, tones: ToneRule | None, bench: Bench, cancel: threading.Event, frequencies: int
) -> Iterator[float | ChannelRanges]:
    """Read all ranges against each other, both channels on one node; with all tones there is one pair."""
    if tones is None:
        yield from measure_ranges(bench, plan, cancel, frequencies)
        return
    points: list[PointDone | NotReachable] = []
    for event in multitone_sweep(plan, tones, bench, cancel):
        if isinstance(event, PointDone | NotReachable):
            points.append(event)
            yield len(points) / len(plan.frequency_hz)
    yield ranges_of_one_pair(points, bench.digitizer.limits.ranges_vpp)
