"""The first half of the demonstration: three cores measured on the virtual bench, over its real protocol."""

from __future__ import annotations

import time
from collections.abc import Sequence
from dataclasses import dataclass
from importlib.resources import files
from pathlib import Path
from typing import Any

from whichcore.analysis.materials import Library
from whichcore.bench import BenchSettings, OpenBench
from whichcore.cli.at_bench import Bar, at_bench
from whichcore.cli.show import Block, Heading, Lines
from whichcore.errors import InstrumentError
from whichcore.files import load_specimen, make_folder
from whichcore.measure import (
    CalibrationPlan,
    Step,
    StoredCalibration,
    SweepRequest,
    calibrate,
    run_sweep,
    save_calibration,
)
from whichcore.rig.doctor import Status, examine
from whichcore.rig.events import NotReachable, PointDone
from whichcore.rig.sweep.level import FluxRule
from whichcore.rig.sweep.plan import log_grid
from whichcore.rig.virtual import WoundCore, core
from whichcore.wording import quantity
from whichcore.workflow import DemoBin, Identification, Request, identify_files, write_pictures

BAND_HZ = (5e3, 3e6)
POINTS_PER_DECADE = 10
TIE_FREQUENCIES = 4
MOST_TAKES = 4
STANDARDS = ("open", "short", "load")  # all of them would take half as long again
FLUX_DENSITY_T = 0.5e-3
TURNS = 10
CORES = {
    "bin-h": (
        "Bench, bin H",
        "A ring out of the big charger, wound with ten turns and put on the bench.",
    ),
    "bin-i": (
        "Bench, bin I",
        "A ring that fell. It looks sound, and its inductance is a little low.",
    ),
    "bin-l": (
        "Bench, bin L",
        "A coated ring, heavier than ferrite, from somewhere on the output side.",
    ),
}
Outcome = tuple[DemoBin, Identification, list[Path]]


@dataclass(frozen=True, slots=True)
class BenchPart:
    """What was done on the virtual bench.

    Attributes
    ----------
    checks : int
        Of the doctor, all good.
    calibration : Path
    points : int
        Frequencies calibrated.
    lost : dict of str to int
        Points of each core that could not be had within the flux density.
    outcomes : tuple of Outcome
    duration_s : float
    """

    checks: int
    calibration: Path
    points: int
    lost: dict[str, int]
    outcomes: tuple[Outcome, ...]
    duration_s: float


def bench_library() -> Path:
    """Return the folder of the workshop's references for the cores of the bench."""
    folder = files("whichcore.demo_bins.bench_library")
    if isinstance(folder, Path):
        return folder
    raise InstrumentError(  # pragma: no cover - the demonstration's own folder is asked for before
        "the demonstration needs its files unpacked", next_step="install whichcore with pip"
    )


def on_the_bench(folder: Path, library: Library, *, dark: bool) -> BenchPart:
    """Check and calibrate the virtual bench, sweep three cores on it, and identify them.

    Parameters
    ----------
    folder : Path
        Of the demonstration; files go into its folder ``bench``, pictures beside those of the bins.
    library : Library
    dark : bool

    Raises
    ------
    InstrumentError, CalibrationError, Cancelled
        As on any bench.
    """
    began = time.monotonic()
    place = folder / "bench"
    make_folder(place)
    lost: dict[str, int] = {}
    with at_bench("virtual") as (settings, opened, operator, cancel), Bar() as bar:
        checks = 0
        for finding in examine(opened.bench, operator, cancel):
            checks += 1
            bar.show("doctor", checks / 14)
            if finding.status is Status.BAD:
                raise InstrumentError(finding.found, where=finding.check, next_step=finding.remedy)
        plan = CalibrationPlan(
            log_grid(*BAND_HZ, POINTS_PER_DECADE),
            most_takes=MOST_TAKES,
            tie_frequencies=TIE_FREQUENCIES,
            standards=STANDARDS,
        )
        stored: StoredCalibration | None = None
        for told in calibrate(settings, opened.bench, operator, plan, cancel):
            if isinstance(told, Step):
                bar.show(f"calibrate: {told.fixture}", told.share)
            else:
                stored = told
        if stored is None:  # pragma: no cover - the generator ends with it
            raise AssertionError("no calibration")
        path = save_calibration(stored, place / "calibration.npz")
        for name in CORES:
            lost[name] = _sweep(settings, opened, stored, place, (name, bar, cancel))
    outcomes = tuple(_named(name, folder, library, dark) for name in CORES)
    return BenchPart(checks, path, len(plan.frequency_hz), lost, outcomes, time.monotonic() - began)


def _sweep(
    settings: BenchSettings, opened: OpenBench, stored: StoredCalibration, place: Path, rest: tuple[Any, ...]
) -> int:
    """Fit a core, write its card, sweep it, and return how many points were lost."""
    name, bar, cancel = rest
    item = WoundCore(core(name), TURNS)
    card = place / f"{name}.toml"
    card.write_text(item.specimen_toml(), encoding="utf-8")
    specimen = load_specimen(card)
    if opened.virtual is not None:
        opened.virtual.fit("core", core=name, turns=TURNS)
    request = SweepRequest(
        specimen,
        place / f"{name}.csv",
        stored.grid(None, None, None),
        FluxRule(FLUX_DENSITY_T, specimen),
        most_takes=MOST_TAKES,
    )
    lost = 0
    for event in run_sweep(settings, opened.bench, stored, request, cancel):
        lost += isinstance(event, NotReachable)
        if isinstance(event, PointDone):
            bar.show(f"sweep {name}", (event.index + 1) / len(request.frequency_hz))
    return lost


def _named(name: str, folder: Path, library: Library, dark: bool) -> Outcome:
    title, story = CORES[name]
    place = folder / "bench"
    request = Request(specimen=place / f"{name}.toml", sweep=place / f"{name}.csv")
    item = DemoBin(name, title, story, request)
    case = identify_files(request, library)
    return item, case, write_pictures(case, folder / f"bench-{name}", title, dark=dark)


def opening(part: BenchPart) -> Sequence[Block]:
    """Return what is said before the cores of the bench."""
    lost = sum(part.lost.values())
    return (
        Heading("On the virtual bench"),
        Lines(
            (
                "A source, an eight-bit digitizer and a shunt in a process of their own, spoken to as real "
                "ones are.",
                f"Doctor: {part.checks} checks, none of them bad.",
                f"Calibrated with open, short and load at {part.points} frequencies from "
                f"{quantity(BAND_HZ[0], 'Hz')} to {quantity(BAND_HZ[1], 'Hz')}.",
                f"Three cores swept at up to {quantity(FLUX_DENSITY_T, 'T')} with {TURNS} turns each; {lost} "
                f"of {3 * part.points} points could not be had within it.",
                f"All of it took {part.duration_s:.0f} s; files are in {part.calibration.parent}.",
            )
        ),
    )
