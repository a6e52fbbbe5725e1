"""Calibrating a bench: ranges tied on one node, fixtures swept on one grid, the error model solved."""

from __future__ import annotations

import threading
import time
from collections.abc import Generator, Iterator
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime
from typing import Any, Protocol

import numpy as np
from scipy.stats import norm

from whichcore.analysis.specimen import Specimen
from whichcore.analysis.types import FloatArray, PhasorPair
from whichcore.bench import BenchSettings
from whichcore.calibration.empty_winding import call_zero
from whichcore.calibration.error_model import ErrorModel
from whichcore.calibration.fingerprint import Fingerprint
from whichcore.calibration.setup import Measured, Setup
from whichcore.calibration.standards import Short, Standard
from whichcore.errors import AnalysisError, CalibrationError, Cancelled
from whichcore.files.warn import warn
from whichcore.measure.calibration_file import StoredCalibration
from whichcore.measure.channel_ranges import TIE_FREQUENCIES, ChannelRanges
from whichcore.measure.correction import tied
from whichcore.measure.drift import Drift, drift_between, with_drift
from whichcore.measure.engine import tie_ranges
from whichcore.measure.fixture_check import FixtureCheck, check_empty
from whichcore.measure.fixture_run import FixtureRun, Measurement, Step
from whichcore.measure.setting import bench_name, fingerprint_of, highest_level_vpp, with_winding
from whichcore.measure.standards_order import (
    TIED_PURPOSE,
    Chosen,
    chosen_standards,
    is_empty_winding,
    purpose,
    solve,
)
from whichcore.rig.instruments import Bench, Operator
from whichcore.rig.multitone.rule import ToneRule
from whichcore.rig.narrowed import with_ranges
from whichcore.rig.sweep.frequency_steps import settable
from whichcore.rig.sweep.level import DriveRule
from whichcore.rig.sweep.plan import RecordRule, SweepPlan

STANDARD_LEVEL_VPP = 2.0  # standards are linear: as high as the usual ranges hold well
DRIFT_FREQUENCIES = 3
TIED = "tied"
CHANCE = 0.01  # of measuring a sound part again
MOST_REPAIRS = 2  # parts measured again where the standards contradict each other


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
    standards : tuple of str
        Names of bench.toml; none means all of them, the word ``none`` the known shunt alone.
    specimen : Specimen or None
        Whose winding is measured empty, on a former; needed for a standard of that plane alone.
    drift_frequencies : int
        At which one part is measured again at the end; 0 for none.
    tones : ToneRule or None
        All frequencies at once, on a bench that can.
    """

    frequency_hz: tuple[float, ...]
    target_relative: float = 3e-4
    most_takes: int = 16
    record: RecordRule = field(default_factory=RecordRule)
    temperature_c: float | None = None
    tie_frequencies: int = TIE_FREQUENCIES
    standards: tuple[str, ...] = ()
    specimen: Specimen | None = None
    drift_frequencies: int = DRIFT_FREQUENCIES
    tones: ToneRule | None = None


def calibrate(
    settings: BenchSettings, bench: Bench, operator: Operator, plan: CalibrationPlan, cancel: threading.Event
) -> Iterator[Step | StoredCalibration]:
    """Calibrate a bench.

    Two windings need no fixture but the tied channels; the other wirings take every standard of the bench
    file, or those the plan names. A part that is not what it should be is asked for again, three times in
    all; standards that contradict each other are measured again, the likeliest first. Nothing is written.

    Yields
    ------
    Step or StoredCalibration
        The latter last.

    Raises
    ------
    CalibrationError
        A fixture is not what it should be, the standards do not fit together, or the bench moved.
    UsageError
        Standards that are not there, or give no model.
    InstrumentError, Cancelled
        As in a sweep; the output is off.
    """
    try:
        yield from _calibrated(settings, bench, operator, plan, cancel)
    except Cancelled:
        if not cancel.is_set():  # nobody stopped it: it says itself what else ended it
            raise
        step = "begin it anew: of one that has not come to its end nothing is kept"
        raise Cancelled("the calibration was stopped", next_step=step) from None


def _calibrated(
    settings: BenchSettings, bench: Bench, operator: Operator, plan: CalibrationPlan, cancel: threading.Event
) -> Iterator[Step | StoredCalibration]:
    began = time.monotonic()
    plan = replace(plan, frequency_hz=settable(bench.source, plan.frequency_hz))
    chosen = chosen_standards(settings, plan.standards, wound=plan.specimen is not None)
    fingerprint = fingerprint_of(settings, bench)  # asks both instruments before hands are
    run = yield from _tied(settings, bench, operator, plan, cancel)
    run = replace(run, ranges=run.ranges.solved_with(len(chosen.terminals)))
    work = _Work(settings, fingerprint, chosen, (plan, run))
    yield from work.terminals()
    model = yield from work.solved()
    drift = None
    if chosen.again is not None and plan.drift_frequencies > 0:
        drift = yield from work.drift(chosen.again)
        model = with_drift(model, drift)
    if work.last is not None:
        model = yield from work.emptied(model, work.last)
    for text in work.remarks:
        warn(text)
    header = {
        "bench": bench_name(settings),
        "started": datetime.now(UTC).isoformat(timespec="seconds"),
        "temperature_c": plan.temperature_c,
        "duration_s": round(time.monotonic() - began, 1),
        "drift": None if drift is None else drift.to_dict(),
        "attempts": work.attempts,
        "remarks": list(work.remarks),
    }
    if plan.tones is not None:
        header["samples_of_a_take"] = plan.tones.samples
    yield StoredCalibration(model, run.ranges, header)


def _tied(
    settings: BenchSettings, bench: Bench, operator: Operator, plan: CalibrationPlan, cancel: threading.Event
) -> Generator[Step, None, FixtureRun]:
    """Read all ranges on one node."""
    sweep_plan = standards_sweep(settings, plan)
    yield Step(TIED, 0.0, TIED_PURPOSE)
    operator.fit(TIED)
    for told in tie_ranges(sweep_plan, plan.tones, bench, cancel, plan.tie_frequencies):
        if isinstance(told, ChannelRanges):
            kept = with_ranges(bench, told.ranges_a, told.ranges_b)
            return FixtureRun(kept, operator, sweep_plan, cancel, told, plan.tones)
        yield Step(TIED, told)
    raise AssertionError("no ranges")  # pragma: no cover - the generator ends with them


class _Work:
    """The standards of one calibration: measured, solved, measured again.

    Attributes
    ----------
    last : Short or None
        The empty winding, where it follows on a calibration at the terminals.
    """

    def __init__(
        self,
        settings: BenchSettings,
        fingerprint: Fingerprint,
        chosen: Chosen,
        how: tuple[CalibrationPlan, FixtureRun],
    ) -> None:
        plan, run = how
        short_of_its_own = chosen.empty is not None and len(chosen.terminals) < 2
        self.at_first = chosen.all if short_of_its_own else chosen.terminals
        self.last = None if short_of_its_own else chosen.empty
        if chosen.empty is not None and plan.specimen is not None:
            self.wound = with_winding(fingerprint, "empty winding", plan.specimen)
        self.setup = Setup(
            self.wound if short_of_its_own else fingerprint, np.array(plan.frequency_hz), settings.shunt
        )
        self.chosen, self.plan, self.run = chosen, plan, run
        self.found: dict[str, Measurement] = {}
        self.attempts: dict[str, int] = {}
        self.doubts: dict[str, str] = {}

    def terminals(self) -> Iterator[Step]:
        """Measure every standard at the terminals."""
        for place, standard in enumerate(self.at_first, 1):
            yield from self._measure(
                standard, f"Part {place} of {len(self.chosen.all)}, {standard.name}: {purpose(standard)}."
            )

    def solved(self) -> Generator[Step, None, ErrorModel]:
        """Solve; where the standards contradict each other, measure suspects again, lowest |Z| first."""
        tried: list[str] = []
        while True:
            try:
                model = self._solve(self.at_first)
                part, what = self._misfitting(model), "does not fit the others as well as it should"
                if part is None or part.name in tried:
                    return model
                what = f"{part.name} {what}"
            except CalibrationError as error:
                suspects = [part for part in self._suspects() if part.name not in tried]
                if not suspects or len(tried) >= MOST_REPAIRS:
                    raise
                part, what = suspects[0], error.what
            tried.append(part.name)
            said = f"{what[:1].upper()}{what[1:]}. The {part.name} once more: clean its contacts."
            yield from self._measure(part, said)

    def drift(self, standard: Standard) -> Generator[Step, None, Drift]:
        """Measure one part again, and compare."""
        grid = self.plan.frequency_hz
        places = np.unique(np.linspace(0, len(grid) - 1, self.plan.drift_frequencies).round().astype(int))
        said = f"The {standard.name} once more: has anything moved since?"
        again = yield from self.run.measure(
            standard.name, said, self._watch(standard).check, frequency_hz=[grid[i] for i in places]
        )
        before = self.found[standard.name].pair
        first = tuple((before.range_labels or ())[i] for i in places)
        if first != again.pair.range_labels:
            before, after = tied(before, self.run.ranges), tied(again.pair, self.run.ranges)
            return drift_between(standard.name, before, after)
        return drift_between(standard.name, before, again.pair)

    def emptied(self, model: ErrorModel, standard: Short) -> Generator[Step, None, ErrorModel]:
        """Measure the winding on its former, and call it zero."""
        yield from self._measure(standard, f"The last part, {standard.name}: {purpose(standard)}.", model)
        pair = _taken(tied(self.found[standard.name].pair, self.run.ranges), model.frequency_hz)
        return call_zero(model, Measured(standard, pair), self.wound)

    def _measure(self, standard: Standard, said: str, model: ErrorModel | None = None) -> Iterator[Step]:
        watch = self._watch(standard)
        found = yield from self.run.measure(
            standard.name,
            said,
            watch.check if model is None else self._in_air(model, standard),
            doubt=watch.contact if not is_empty_winding(standard) else lambda _: "",
        )
        self.found[standard.name] = found
        self.attempts[standard.name] = self.attempts.get(standard.name, 0) + found.attempts
        self.doubts[standard.name] = found.remark

    @property
    def remarks(self) -> tuple[str, ...]:
        """What stayed doubtful."""
        return tuple(text for text in self.doubts.values() if text)

    def _watch(self, standard: Standard) -> FixtureCheck:
        return FixtureCheck(standard, self.setup, self.chosen.terminals)

    def _in_air(self, model: ErrorModel, standard: Standard) -> Any:
        """Return the check of the winding on its former."""
        specimen = self.plan.specimen
        if specimen is None:  # pragma: no cover - the choice of standards has refused it
            raise AssertionError("an empty winding without a specimen")

        def check(pair: PhasorPair) -> None:
            if not np.isin(pair.frequency_hz, model.frequency_hz).all():
                return  # left out of the calibration, as no standards told the bench's unknowns apart there
            try:
                point = model.correct(pair)
            except AnalysisError as error:
                raise CalibrationError(
                    f"this is not the {standard.name}",
                    where=error.where,
                    got="an open",
                    next_step="check the contacts of the winding",
                ) from error
            check_empty(point, specimen, standard.name)

        return check

    def _solve(self, parts: tuple[Standard, ...]) -> ErrorModel:
        measured = [Measured(part, tied(self.found[part.name].pair, self.run.ranges)) for part in parts]
        return solve(measured, self.setup)

    def _suspects(self) -> list[Standard]:
        """Return the parts without which the others agree, lowest |Z| first: a contact shows most there."""
        if len(self.at_first) < 4:
            return []
        suspects = []
        for part in self.at_first:
            try:
                self._solve(tuple(other for other in self.at_first if other is not part))
            except CalibrationError:
                continue
            suspects.append(part)
        return sorted(suspects, key=self._size_ohm)

    def _misfitting(self, model: ErrorModel) -> Standard | None:
        """Return the part that is off by more than chance allows, but not by enough for a refusal."""
        if "misfit" not in model.details or not np.any(model.details["misfit"]):
            return None
        misfit = np.asarray(model.details["misfit"], dtype=float)
        row = int(np.argmax(misfit.max(axis=1)))
        # the widest case: all noise in one direction of the complex plane
        return self.at_first[row] if misfit.max() > norm.isf(CHANCE / (2 * misfit.size)) else None

    def _size_ohm(self, part: Standard) -> float:
        stated = part.homogeneous(self.setup.frequency_hz)
        return float(np.median(abs(stated.p) / np.maximum(abs(stated.q), 1e-30)))


def _taken(pair: PhasorPair, frequency_hz: FloatArray) -> PhasorPair:
    """Return the points at some of the frequencies."""
    keep = np.isin(pair.frequency_hz, frequency_hz)
    return PhasorPair(
        pair.frequency_hz[keep], pair.voltage_a_v[keep], pair.voltage_b_v[keep], pair.covariance[keep]
    )


class _Planned(Protocol):
    """What the sweep of a known part is made from."""

    @property
    def frequency_hz(self) -> tuple[float, ...]: ...
    @property
    def target_relative(self) -> float: ...
    @property
    def most_takes(self) -> int: ...
    @property
    def record(self) -> RecordRule: ...
    @property
    def temperature_c(self) -> float | None: ...


def standards_sweep(settings: BenchSettings, plan: _Planned) -> SweepPlan:
    """Return the sweep of a part that is linear: one level, no ties between ranges."""
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
