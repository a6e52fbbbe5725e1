"""One record of what is at the terminals, for a look at the raw voltages."""

from __future__ import annotations

import threading
import time

from whichcore.analysis.phasor import fit_phasors
from whichcore.analysis.types import Capture, Phasors
from whichcore.rig.instruments import Bench
from whichcore.rig.sweep.level import DriveRule
from whichcore.rig.sweep.plan import SweepPlan
from whichcore.rig.sweep.point import Place, Station
from whichcore.rig.sweep.ranging import better_range, seen

MOST_LOOKS = 12


def one_record(
    bench: Bench, cancel: threading.Event, *, frequency_hz: float = 10e3, level_vpp: float = 1.0
) -> tuple[Capture, Phasors]:
    """Take a record on ranges that suit it; the output is off afterwards.

    Raises
    ------
    InstrumentError, Cancelled
        As in a sweep.
    """
    plan = SweepPlan((frequency_hz,), DriveRule(level_vpp))
    station = Station(plan, bench, cancel, None, time.monotonic())
    lists = bench.digitizer.limits.ranges_vpp
    ranges = [choice[-1] for choice in lists]
    try:
        station.prepare()
        station.go(Place(frequency_hz, level_vpp, (ranges[0], ranges[1])))
        bench.source.output_on()
        for _ in range(MOST_LOOKS):
            station.go(Place(frequency_hz, level_vpp, (ranges[0], ranges[1])))
            capture = station.acquire(frequency_hz)
            better = [better_range(lists[c], ranges[c], height) for c, height in enumerate(seen(capture))]
            if better == ranges:
                break
            ranges = better
    finally:
        bench.source.output_off()
    return capture, fit_phasors(capture, frequency_hz)
