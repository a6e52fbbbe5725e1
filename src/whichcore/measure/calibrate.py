"""Calibrating a bench: ranges tied on one node, fixtures swept on one grid, the error model solved."""

from __future__ import annotations

import threading
import time
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from datetime import UTC, datetime

import numpy as np

from whichcore.analysis.types import PhasorPair, Wiring
from whichcore.bench import BenchSettings
from whichcore.calibration.error_model import ErrorModel
from whichcore.calibration.open_short import OpenShort
from whichcore.calibration.open_short_load import OpenShortLoad
from whichcore.calibration.ratio import Ratio
from whichcore.calibration.setup import Measured, Setup
from whichcore.calibration.standards import Load, Open, Short, Standard
from whichcore.errors import CalibrationError
from whichcore.measure.calibration_file import StoredCalibration
from whichcore.measure.channel_ranges import TIE_FREQUENCIES, ChannelRanges, measure_ranges
from whichcore.measure.correction import tied
from whichcore.measure.fixture_check import FixtureCheck
from whichcore.measure.setting import bench_name, fingerprint_of, highest_level_vpp
from whichcore.rig.events import NotReachable, PointDone
from whichcore.rig.instruments import Bench, Operator
from whichcore.rig.level import DriveRule
from whichcore.rig.sweep import sweep
from whichcore.rig.sweep_plan import RecordRule, SweepPlan

STANDARD_LEVEL_VPP = 2.0  # standards are linear: as high as the usual ranges hold well
TIED = "tied"


@dataclass(frozen=True, slots=True)
class CalibrationPlan:
    """What a calibration covers.

    Attributes
    ----------
    frequency_hz : tuple of float
    target_relative : float
    most_takes : int
    record : RecordRule
    temperature_c : float or None
        Of the room, where it is known.
    tie_frequencies : int
        At which the ranges are tied together; their law has two values each for gain and phase.
    """

    frequency_hz: tuple[float, ...]
    target_relative: float = 3e-4
    most_takes: int = 16
    record: RecordRule = field(default_factory=RecordRule)
    temperature_c: float | None = None
    tie_frequencies: int = TIE_FREQUENCIES


@dataclass(frozen=True, slots=True)
class Step:
    """How far a calibration has come: the part in place, and the share of its points that are done."""

    fixture: str
    share: float


def calibrate(
    settings: BenchSettings, bench: Bench, operator: Operator, plan: CalibrationPlan, cancel: threading.Event
) -> Iterator[Step | StoredCalibration]:
    """Calibrate a bench.

    Two windings need no fixture but the tied channels; the other wirings take open, short and load as far as
    the bench file has them.

    Yields
    ------
    Step or StoredCalibration
        The latter last.

    Raises
    ------
    CalibrationError
        A fixture is not what it should be, or the standards do not fit together.
    InstrumentError, Cancelled
        As in a sweep; the output is off.
    """
    began = time.monotonic()
    sweep_plan = _sweep_plan(settings, plan)
    fingerprint = fingerprint_of(settings, bench)
    setup = Setup(fingerprint, np.array(plan.frequency_hz), settings.shunt)
    yield Step(TIED, 0.0)
    operator.fit(TIED)
    ranges: ChannelRanges | None = None
    for told in measure_ranges(bench, sweep_plan, cancel, plan.tie_frequencies):
        if isinstance(told, ChannelRanges):
            ranges = told
        else:
            yield Step(TIED, told)
    if ranges is None:  # pragma: no cover - the generator ends with them
        raise AssertionError("no ranges")
    measured = []
    for fixture, standard in chosen_standards(settings).items():
        yield Step(fixture, 0.0)
        operator.fit(fixture)
        watch = FixtureCheck(standard, setup)
        points: list[PhasorPair] = []
        for event in sweep(sweep_plan, bench, cancel):
            if isinstance(event, NotReachable):
                raise _not_reached(fixture, event)
            if isinstance(event, PointDone):
                points.append(tied(event.pair, ranges))
                watch.check(points[-1])
                yield Step(fixture, len(points) / len(plan.frequency_hz))
        measured.append(Measured(standard, _joined(points)))
    model = _solve(measured, setup)
    header = {
        "bench": bench_name(settings),
        "started": datetime.now(UTC).isoformat(timespec="seconds"),
        "temperature_c": plan.temperature_c,
        "duration_s": round(time.monotonic() - began, 1),
    }
    yield StoredCalibration(model, ranges, header)


def chosen_standards(settings: BenchSettings) -> Mapping[str, Standard]:
    """Return the standards that are swept, by the fixture that is asked for; the first of each kind."""
    if settings.wiring is Wiring.TWO_WINDINGS:
        return {}
    found: dict[str, Standard] = {}
    for kind in (Open, Short, Load):
        for name, standard in settings.standards.items():
            if isinstance(standard, kind):
                found[name] = standard
                break
    return found


def _sweep_plan(settings: BenchSettings, plan: CalibrationPlan) -> SweepPlan:
    highest = highest_level_vpp(settings)
    return SweepPlan(
        frequency_hz=plan.frequency_hz,
        level=DriveRule(min(STANDARD_LEVEL_VPP, highest)),
        record=plan.record,
        target_relative=plan.target_relative,
        most_takes=plan.most_takes,
        settle_s=settings.settle_s,
        highest_level_vpp=highest,
        offset_v=settings.source_offset_v,
        mains_hz=settings.mains_hz,
        temperature_c=plan.temperature_c,
        revisit_first=False,
        tie_ranges=False,
    )


def _solve(measured: list[Measured], setup: Setup) -> ErrorModel:
    kinds = {type(item.standard) for item in measured}
    if kinds >= {Open, Short, Load}:
        return OpenShortLoad.solve(measured, setup)
    if kinds >= {Open, Short}:
        return OpenShort.solve([item for item in measured if isinstance(item.standard, Open | Short)], setup)
    return Ratio.solve((), setup)


def _joined(points: list[PhasorPair]) -> PhasorPair:
    """Return one-point pairs as one."""
    return PhasorPair(
        np.concatenate([item.frequency_hz for item in points]),
        np.concatenate([item.voltage_a_v for item in points]),
        np.concatenate([item.voltage_b_v for item in points]),
        np.concatenate([item.covariance for item in points]),
        tuple(label for item in points for label in item.range_labels or ()),
    )


def _not_reached(fixture: str, event: NotReachable) -> CalibrationError:
    return CalibrationError(
        "a point of a standard could not be measured",
        where=f"{fixture}, {event.frequency_hz:g} Hz",
        got=event.reason,
        next_step="run whichcore doctor, or calibrate a band that the instruments reach",
    )
