"""Draw the pictures of docs/reference/accuracy-map.md: what the virtual bench reaches in its three wirings.

Run ``python docs/make_accuracy_images.py`` after a change of calibration, accuracy or figures. The bench is
calibrated over its sockets with fixed seeds, which takes the better part of a minute. A test compares what
the pictures say with what the program says.
"""

from __future__ import annotations

import threading
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path

from whichcore.analysis.plan import plan_measurement
from whichcore.analysis.plan_accuracy import PlanAccuracy
from whichcore.analysis.specimen import Ring, Specimen, Winding
from whichcore.analysis.types import AccuracyMap, RangeUncertainty, Wiring
from whichcore.bench import BenchSettings, load_bench, open_bench
from whichcore.bench.opening import VirtualHands
from whichcore.calibration.accuracy_map import accuracy_map, model_accuracy
from whichcore.calibration.standards import nominal
from whichcore.cli.plan_pictures import Pictures
from whichcore.measure import CalibrationPlan, StoredCalibration, calibrate
from whichcore.measure.bench_accuracy import bench_accuracy, reading_noise, second_load
from whichcore.measure.plan_bench import plan_bench
from whichcore.rig.sweep.plan import log_grid
from whichcore.rig.virtual import VirtualBench

IMAGES = Path(__file__).resolve().parent / "images"
SEED, PER_DECADE, TAKES = 20, 5, 4
EXPECTED = 2000.0
RING = Specimen(
    Ring(25e-3, 15e-3, 10e-3),
    Winding(10, wire_diameter_m=0.4e-3, lead_length_m=0.05),
    temperature_c=23.0,
    name="ring 25/15/10 mm",
)


def main() -> None:
    """Calibrate in three wirings, and draw for a light and for a dark page."""
    settings = load_bench("virtual")
    bench = plan_bench(settings)
    maps = [calibrated(replace(settings, wiring=wiring)) for wiring in Wiring]
    stated = bench_accuracy(settings, bench, ())
    accuracy = PlanAccuracy(stated.reading, (*maps, *stated.maps), stated.stated)
    plan = plan_measurement(RING, bench, EXPECTED, accuracy)
    for suffix, dark in (("-dark", True), ("", False)):  # the plain name is written last, and stays
        pictures = Pictures(RING, bench, plan, accuracy, dark)
        for path in pictures.all(IMAGES, ("svg",)):
            path.rename(path.with_stem(path.stem + suffix))


def calibrated(settings: BenchSettings) -> AccuracyMap:
    """Return the map of a wiring, from a calibration of a virtual bench of its own."""
    stored = _calibration(settings)
    g = stored.ranges
    law = model_accuracy(
        stored.model,
        nominal(settings.shunt.resistance_ohm),
        RangeUncertainty(g.ranges_a, g.ranges_b, g.u_gain, g.u_phase_rad),
        load=second_load(settings),
        origin=f"calibration of the virtual bench, {settings.wiring.value}",
    )
    return accuracy_map(law, reading_noise(settings, plan_bench(settings)))


def _calibration(settings: BenchSettings) -> StoredCalibration:
    plan = CalibrationPlan(log_grid(1e3, 3e6, PER_DECADE), most_takes=TAKES)
    with _seeded(settings) as (reachable, hands), open_bench(reachable) as opened:
        for told in calibrate(settings, opened.bench, hands, plan, threading.Event()):
            if isinstance(told, StoredCalibration):
                return told
    raise AssertionError("no calibration")


@contextmanager
def _seeded(settings: BenchSettings) -> Iterator[tuple[BenchSettings, VirtualHands]]:
    """Start a virtual bench with a seed, as instruments at addresses."""
    seed = SEED + list(Wiring).index(settings.wiring)
    with VirtualBench(settings.wiring, seed) as virtual:
        source = replace(settings.source, address=virtual.source)
        digitizer = replace(settings.digitizer, address=virtual.digitizer)
        reachable = replace(settings, virtual=False, source=source, digitizer=digitizer)
        yield reachable, VirtualHands(virtual)


if __name__ == "__main__":
    main()
