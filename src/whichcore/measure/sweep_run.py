"""Sweeping a core: every finished point goes into the journal before anything else hears of it."""

from __future__ import annotations

import threading
from collections.abc import Iterator
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime
from pathlib import Path

import numpy as np

from whichcore.analysis.specimen import Specimen
from whichcore.analysis.trial.at_the_bench import DRIFT_KEY, DRIFT_U_KEY
from whichcore.analysis.types import ImpedanceSweep, Scope
from whichcore.analysis.zero_field import EXTRAPOLATION
from whichcore.bench import BenchSettings
from whichcore.errors import AnalysisError, InputError, InstrumentError
from whichcore.files import SourceColumn, SweepJournal, SweepLayout, SweepPoint
from whichcore.files.sweep_file import ORDER_KEY
from whichcore.files.warn import warn
from whichcore.measure.calibration_file import StoredCalibration
from whichcore.measure.correction import Correction
from whichcore.measure.engine import carry_out, fingerprint
from whichcore.measure.fixture_check import check_core, check_passive
from whichcore.measure.level_check import check_level
from whichcore.measure.point_check import clock_word, direct_word
from whichcore.measure.setting import (
    bench_name,
    fingerprint_of,
    highest_level_vpp,
    second_winding,
    with_winding,
)
from whichcore.rig.events import (
    Demagnetised,
    Event,
    Finished,
    NotReachable,
    PointDone,
    RangesTied,
)
from whichcore.rig.instruments import Bench
from whichcore.rig.multitone.rule import ToneRule
from whichcore.rig.narrowed import with_ranges
from whichcore.rig.sweep.level import DriveRule, FluxRule, ZeroFieldRule, flux_density_t
from whichcore.rig.sweep.plan import DemagnetiseRule, PointOrder, RecordRule, SweepPlan
from whichcore.wording import in_percent

FEWEST_MISSED, MISSED_SHARE = 3, 1 / 3  # points at the start of which none can be had: there is no core
DISAGREEMENT = 4.0  # standard deviations by which two pairs of ranges may differ at one frequency
MOST_APART = 0.2  # of |Z|: more than any pair of ranges differs by when it is what it says
DRIFT_CHANCE = 3.72  # |ΔZ| of two readings without drift is below so many u in 999 of 1000 cases (Rayleigh)


@dataclass(frozen=True, slots=True)
class SweepRequest:
    """What is swept, how, and where it is written.

    Attributes
    ----------
    specimen : Specimen
    out : Path
        Journal; one of the same plan is resumed.
    frequency_hz : tuple of float
        Within the calibration's band.
    level : DriveRule or FluxRule
    target_relative : float
    most_takes : int
    record : RecordRule
    order : PointOrder
    tones : ToneRule or None
        All frequencies at once, on a bench that can.
    zero_field : ZeroFieldRule or None
    demagnetise : DemagnetiseRule or None
    """

    specimen: Specimen
    out: Path
    frequency_hz: tuple[float, ...]
    level: DriveRule | FluxRule
    target_relative: float = 1e-3
    most_takes: int = 16
    record: RecordRule = field(default_factory=RecordRule)
    order: PointOrder = PointOrder.RISING
    tones: ToneRule | None = None
    zero_field: ZeroFieldRule | None = None
    demagnetise: DemagnetiseRule | None = None


def run_sweep(
    settings: BenchSettings,
    bench: Bench,
    stored: StoredCalibration,
    request: SweepRequest,
    cancel: threading.Event,
) -> Iterator[Event]:
    """Sweep a core into its journal; on every way out the output is off and the journal whole.

    Yields
    ------
    Event
        A point only once it is on the disk.

    Raises
    ------
    CalibrationError
        The calibration belongs to another set-up or band.
    InstrumentError
        An instrument failed, or there is no core at the terminals.
    InputError
        The journal belongs to another sweep.
    Cancelled
        ``cancel`` was set.
    """
    here = with_winding(fingerprint_of(settings, bench), stored.model.plane, request.specimen)
    stored.check(here, request.specimen.temperature_c)
    stored = stored.at(request.frequency_hz)
    bench = with_ranges(bench, stored.ranges.ranges_a, stored.ranges.ranges_b)
    plan = _plan(settings, request)
    correct = replace(stored.correction, second=second_winding(settings, request.specimen))
    with _journal(settings, bench, correct, request, plan) as journal:
        done = [point.frequency_hz for point in journal.points]
        watch = _Watch(correct, request, bench, begun=bool(done))
        first = _first_of(journal, plan)
        what = (plan, None if request.tones is None else request.tones.of_core(request.specimen))
        for event in carry_out(what, bench, cancel, correct=correct, done=done, first=first):
            watch.see(event)
            if isinstance(event, Demagnetised):
                journal.remark("demagnetised", event.told())
            if isinstance(event, PointDone) and not event.revisit:
                journal.append(_row(event, request, bench))
            if isinstance(event, Finished) and event.drift is not None and event.u_drift is not None:
                journal.remark(DRIFT_KEY, f"{event.drift:.6g}")
                journal.remark(DRIFT_U_KEY, f"{event.u_drift:.6g}")
            yield event


def _plan(settings: BenchSettings, request: SweepRequest) -> SweepPlan:
    return SweepPlan(
        frequency_hz=request.frequency_hz,
        level=request.level,
        record=request.record,
        target_relative=request.target_relative,
        most_takes=request.most_takes,
        settle_s=settings.settle_s,
        highest_level_vpp=highest_level_vpp(settings),
        offset_v=settings.source_offset_v,
        mains_hz=settings.mains_hz,
        temperature_c=request.specimen.temperature_c,
        order=request.order,
        zero_field=request.zero_field,
        demagnetise=request.demagnetise,
    )


def _first_of(journal: SweepJournal, plan: SweepPlan) -> ImpedanceSweep | None:
    """Return the first point of the plan as an earlier run wrote it, where the drift is still to be seen."""
    done = {point.frequency_hz: point for point in journal.points}
    point = done.get(plan.frequency_hz[0])
    if point is None or point.covariance is None:
        return None
    if DRIFT_KEY in journal.layout.header and len(done) == len(plan.frequency_hz):
        return None
    return ImpedanceSweep(
        np.array([point.frequency_hz]), np.array([point.impedance_ohm]), np.asarray(point.covariance)[None]
    )


def _journal(
    settings: BenchSettings, bench: Bench, correct: Correction, request: SweepRequest, plan: SweepPlan
) -> SweepJournal:
    belongs = {
        "plan": fingerprint(plan, request.tones, bench),
        "calibration": correct.model.calibration_id,
    }
    if correct.second is not None:
        belongs["second_winding"] = correct.second.told()
    if request.out.exists():
        return SweepJournal.resume(request.out, expected=belongs)
    header = {"wiring": str(bench.wiring)}
    if not bench.scale_known:
        header["volts"] = "nominal, and so is the flux density"
    if request.specimen.name:
        header["specimen"] = request.specimen.name
    if plan.temperature_c is not None:
        header["temperature"] = f"{plan.temperature_c!r} degC"
    header |= belongs
    header |= {
        "error_model": correct.model.kind,
        "plane": correct.model.plane,
        "bench": bench_name(settings),
        "started": datetime.now(UTC).isoformat(timespec="seconds"),
    }
    if request.tones is not None:
        told = f"{len(request.frequency_hz)} at once in {request.tones.samples} samples"
        header["tones"] = f"{told}; flux_density_t is that of all together, worst phases"
    if plan.order is not PointOrder.RISING:
        header[ORDER_KEY] = str(plan.order)
    columns = correct.columns()
    if plan.zero_field is not None:
        header["zero_field"] = f"linear, from up to {plan.zero_field.flux_density_t!r} T where needed"
        columns = (*columns, SourceColumn(EXTRAPOLATION, Scope.SWEEP))
    layout = SweepLayout(
        header=header,
        sources=columns,
        flux_density=True,
        range_labels=True,
        time=True,
    )
    return SweepJournal.create(request.out, layout)


def _row(event: PointDone, request: SweepRequest, bench: Bench) -> SweepPoint:
    point = event.corrected
    if point is None:  # pragma: no cover - the sweep gives no point without where a correction is at hand
        raise InputError("a point without impedance", where=f"{event.frequency_hz:g} Hz")
    z = complex(point.impedance_ohm[0])
    flux = event.flux_density_t
    if flux is None:
        rule = FluxRule(1.0, request.specimen)
        flux = flux_density_t(rule, event.phasors, z, bench.wiring, bench.shunt_ohm)
    # a point measured as it stands has no part in the error of the others' extrapolation
    level_error = {} if request.zero_field is None else {EXTRAPOLATION: 0j}
    return SweepPoint(
        frequency_hz=event.frequency_hz,
        impedance_ohm=z,
        covariance=point.scatter[0],
        sensitivities=level_error | {s.id: complex(s.sensitivity[0]) for s in point.sources},
        flux_density_t=flux,
        range_label=event.range_label,
        time_s=event.time_s,
    )


@dataclass(slots=True)
class _Watch:
    """Looks at each event for what would spoil the sweep."""

    correct: Correction
    request: SweepRequest
    bench: Bench
    begun: bool
    missed: int = 0
    told: set[str] = field(default_factory=set)

    def see(self, event: Event) -> None:
        if isinstance(event, NotReachable) and not self.begun:
            self.missed += 1
            if self.missed >= max(FEWEST_MISSED, MISSED_SHARE * len(self.request.frequency_hz)):
                raise InstrumentError(
                    "none of the lowest points can be measured",
                    where=f"up to {event.frequency_hz:g} Hz",
                    got=event.reason,
                    next_step="an open instead of a core? check the contacts, and run whichcore doctor",
                )
        if isinstance(event, PointDone):
            if self.bench.scale_known:
                check_level(event, self.bench.wiring)
            if event.corrected is not None:
                check_passive(event.corrected)
                if not self.begun:
                    check_core(event.corrected, self.request.specimen, self.bench.wiring)
            self.begun = True
            self._tell("clock", clock_word(event))
            if self.bench.scale_known:
                self._tell("direct", direct_word(event, self.bench))
        if isinstance(event, RangesTied):
            self._compare(event)
        if isinstance(event, Finished) and drifts(event.drift, event.u_drift, self.request.target_relative):
            change, u_change = (in_percent(size or 0.0) for size in (event.drift, event.u_drift))
            warn(
                f"the first frequency read {change} (± {u_change}) differently at the end: the core drifts, "
                "is warming, or was disturbed not long ago; it is counted as an error of the curve, growing "
                "with the time of each point"
            )

    def _tell(self, kind: str, word: str) -> None:
        """Warn of one kind once."""
        if word and kind not in self.told:
            self.told.add(kind)
            warn(word)

    def _compare(self, event: RangesTied) -> None:
        try:
            before, after = self.correct(event.before), self.correct(event.after)
        except AnalysisError:
            return  # too near an open to have an impedance; the point itself says so
        a, b = complex(before.impedance_ohm[0]), complex(after.impedance_ohm[0])
        variance = 0.0
        for side in (before, after):
            variance += float(side.scatter[0].trace())
            variance += sum(
                abs(complex(s.sensitivity[0])) ** 2 for s in side.sources if s.id.startswith("range factor")
            )
        if abs(a - b) > MOST_APART * abs(a) + DISAGREEMENT * variance**0.5:
            raise InstrumentError(
                "two pairs of ranges read one point quite differently",
                where=f"{event.frequency_hz:g} Hz",
                got=f"{abs(a):.3g} ohm and {abs(b):.3g} ohm",
                allowed=f"a difference of up to {in_percent(MOST_APART)}",
                next_step="a cable was moved, or a range does not switch: run whichcore doctor; then the "
                "same command takes the sweep up again",
            )
        if abs(a - b) > DISAGREEMENT * variance**0.5:
            warn(
                f"two pairs of ranges differ by {in_percent(abs(a - b) / abs(a))} at "
                f"{event.frequency_hz:g} Hz, more than their factors allow: a step there is no property of "
                "the core; calibrate again"
            )


def drifts(drift: float | None, u_drift: float | None, least: float) -> bool:
    """Tell whether a change between two readings is more than chance, and than each point may be off."""
    return drift is not None and u_drift is not None and drift > max(least, DRIFT_CHANCE * u_drift)
