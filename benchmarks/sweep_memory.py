"""Does a sweep need more memory the longer it is? One of a thousand points, into its journal, over TCP.

Run ``python benchmarks/sweep_memory.py [--points N]``. Memory is read when a tenth of the points is done and
at the last one, with nothing but the sweep's own state alive. Two gates:

- what Python and numpy hold (tracemalloc, from the first point on): at most 1.05 times, and 128 KiB. A point
  that left nothing but its frequency behind, a float in a list, would add 0.04 KiB; one that left its event
  with phasors, impedance and covariances some 8 KiB, its record 16 KiB: 900 of them are far beyond both;
- the largest resident size of the process so far: at most 1.05 times, for what no allocator of Python sees.

Short records at high frequencies keep the true time of a record small; the bench still takes it.
"""

from __future__ import annotations

import argparse
import gc
import platform
import resource
import sys
import tempfile
import threading
import tracemalloc
import warnings
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from whichcore.bench import BenchSettings, OpenBench, load_bench, open_bench
from whichcore.errors import WhichcoreWarning
from whichcore.files import load_specimen
from whichcore.measure import CalibrationPlan, StoredCalibration, SweepRequest, calibrate, run_sweep
from whichcore.rig.events import PointDone
from whichcore.rig.sweep.level import FluxRule
from whichcore.rig.sweep.plan import RecordRule, log_grid
from whichcore.rig.virtual import WoundCore, core

GATE, SPARE_KIB = 1.05, 128.0
RECORD = RecordRule(samples=8192, least_periods=40)
FROM_HZ, TO_HZ = 300e3, 3e6
CORE, TURNS = "bin-k", 5
KIB = 1024.0


@dataclass(frozen=True, slots=True)
class Seen:
    """Memory at one moment, KiB."""

    points: int
    held_kib: float
    resident_kib: float


def watch(settings: BenchSettings, opened: OpenBench, folder: Path, points: int) -> tuple[Seen, Seen]:
    """Sweep so many points and return what was held after a tenth of them and at the end."""
    stored = _calibrated(settings, opened)
    item = WoundCore(core(CORE), TURNS)
    (folder / "core.toml").write_text(item.specimen_toml(), encoding="utf-8")
    specimen = load_specimen(folder / "core.toml")
    opened.bench.source.output_off()
    if opened.virtual is not None:
        opened.virtual.fit("core", core=CORE, turns=TURNS)
    grid = tuple(float(f"{f:.8g}") for f in np.geomspace(FROM_HZ, TO_HZ, points))
    level = FluxRule(1e-3, specimen)
    request = SweepRequest(specimen, folder / "sweep.csv", grid, level, most_takes=1, record=RECORD)
    done, seen = 0, []
    tracemalloc.start()
    for event in run_sweep(settings, opened.bench, stored, request, threading.Event()):
        if isinstance(event, PointDone) and not event.revisit:
            done += 1
            if done in {points // 10, points}:
                del event  # one point is always alive
                seen.append(_now(done))
    tracemalloc.stop()
    if len(seen) != 2:
        raise SystemExit(f"only {done} of {points} points could be measured")
    return seen[0], seen[1]


def _calibrated(settings: BenchSettings, opened: OpenBench) -> StoredCalibration:
    plan = CalibrationPlan(log_grid(FROM_HZ, TO_HZ, 12), most_takes=1, record=RECORD, tie_frequencies=4)
    if opened.operator is None:
        raise SystemExit("the virtual bench has hands")
    *_, stored = calibrate(settings, opened.bench, opened.operator, plan, threading.Event())
    if not isinstance(stored, StoredCalibration):
        raise SystemExit("the calibration did not end")
    return stored


def _now(points: int) -> Seen:
    gc.collect()
    unit = 1.0 if sys.platform.startswith("linux") else KIB  # elsewhere it is told in bytes
    resident = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / unit
    return Seen(points, tracemalloc.get_traced_memory()[0] / KIB, resident)


def main() -> int:
    """Print what was held; the exit code is 1 when a gate does not hold."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--points", type=int, default=1000, help="at least 20")
    points = parser.parse_args().points
    if points < 20:
        parser.error("--points: 20 or more")
    settings = replace(load_bench("virtual"), settle_s=0.0)
    with tempfile.TemporaryDirectory() as folder, open_bench(settings) as opened, warnings.catch_warnings():
        warnings.simplefilter("ignore", WhichcoreWarning)
        early, late = watch(settings, opened, Path(folder), points)
    print(f"{platform.machine()}, {platform.system()}, Python {platform.python_version()}")
    for seen in (early, late):
        print(
            f"after {seen.points} points: {seen.held_kib:.0f} KiB held, {seen.resident_kib:.0f} KiB resident"
        )
    held, resident = late.held_kib / early.held_kib, late.resident_kib / early.resident_kib
    print(f"ratio held {held:.3f} (at most {GATE}, and {SPARE_KIB:g} KiB), resident {resident:.3f} ({GATE})")
    return int(late.held_kib > GATE * early.held_kib + SPARE_KIB or resident > GATE)


if __name__ == "__main__":
    sys.exit(main())
