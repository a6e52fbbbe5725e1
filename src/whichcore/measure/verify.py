"""Checking a calibration with known parts: each is swept as a specimen and compared with its label."""

from __future__ import annotations

import threading
from collections.abc import Iterator
from dataclasses import dataclass, field

import numpy as np

from whichcore.analysis.types import Wiring
from whichcore.bench import BenchSettings
from whichcore.calibration.setup import Setup
from whichcore.calibration.standards import Standard
from whichcore.calibration.verify import Verification
from whichcore.calibration.verify import verify as compare
from whichcore.errors import UsageError
from whichcore.files.text import did_you_mean
from whichcore.measure.calibrate import standards_sweep
from whichcore.measure.calibration_file import StoredCalibration
from whichcore.measure.fixture_check import FixtureCheck
from whichcore.measure.fixture_run import FixtureRun, Step
from whichcore.measure.setting import fingerprint_of
from whichcore.measure.standards_order import is_empty_winding
from whichcore.rig.instruments import Bench, Operator
from whichcore.rig.multitone.rule import ToneRule
from whichcore.rig.narrowed import with_ranges
from whichcore.rig.sweep.plan import RecordRule


@dataclass(frozen=True, slots=True)
class VerificationPlan:
    """What is checked.

    Attributes
    ----------
    parts : tuple of str
        Standards of bench.toml.
    frequency_hz : tuple of float
        Of the calibration's.
    target_relative : float
    most_takes : int
    record : RecordRule
    temperature_c : float or None
        Of the room.
    tones : ToneRule or None
        All frequencies at once.
    """

    parts: tuple[str, ...]
    frequency_hz: tuple[float, ...]
    target_relative: float = 3e-4
    most_takes: int = 16
    record: RecordRule = field(default_factory=RecordRule)
    temperature_c: float | None = None
    tones: ToneRule | None = None


def known_parts(settings: BenchSettings) -> tuple[str, ...]:
    """Return the parts of bench.toml that a bench of its wiring can check itself with."""
    if settings.wiring is Wiring.TWO_WINDINGS:
        return ()
    return tuple(name for name, item in settings.standards.items() if not is_empty_winding(item))


def chosen_parts(settings: BenchSettings, names: tuple[str, ...]) -> tuple[Standard, ...]:
    """Return the parts to check with.

    Raises
    ------
    UsageError
        None named, one that is not there or cannot hang at the terminals, or one named twice.
    """
    if settings.wiring is Wiring.TWO_WINDINGS:
        raise UsageError(
            "no known part stands for what two windings read",
            where="wiring",
            got=str(settings.wiring),
            allowed=f"{Wiring.SHUNT_AT_GROUND}, {Wiring.SPECIMEN_AT_GROUND}",
            next_step="sweep a core you know, and compare",
        )
    there = known_parts(settings)
    for name in names:
        if name not in there:
            raise UsageError(
                "bench.toml has no such known part",
                where="part",
                got=name,
                allowed=", ".join(there) or "none",
                next_step=did_you_mean(name, there, "add it to bench.toml as [standards.NAME]"),
            )
    if not names or len(set(names)) < len(names):
        raise UsageError(
            "a part is named twice" if names else "a part to check with has to be named",
            where="part",
            got=", ".join(names) or "none",
            allowed=", ".join(there) or "none: bench.toml has no standards",
            next_step="best one that the calibration was not made with",
        )
    return tuple(settings.standards[name] for name in names)


def verify(
    settings: BenchSettings,
    bench: Bench,
    operator: Operator,
    work: tuple[StoredCalibration, VerificationPlan],
    cancel: threading.Event,
) -> Iterator[Step | Verification]:
    """Measure known parts and compare each with what is stated of it.

    Parameters
    ----------
    settings : BenchSettings
    bench : Bench
    operator : Operator
    work : StoredCalibration and VerificationPlan
    cancel : threading.Event

    Yields
    ------
    Step or Verification
        The latter after each part.

    Raises
    ------
    UsageError
        See :func:`chosen_parts`.
    CalibrationError
        Another set-up or band, or a part that is not what it should be after three attempts.
    InstrumentError, Cancelled
        As in a sweep; the output is off.
    """
    stored, plan = work
    parts = chosen_parts(settings, plan.parts)
    fingerprint = fingerprint_of(settings, bench)
    stored.check(fingerprint, plan.temperature_c)
    sweep_plan = standards_sweep(settings, plan)
    kept = with_ranges(bench, stored.ranges.ranges_a, stored.ranges.ranges_b)
    run = FixtureRun(kept, operator, sweep_plan, cancel, stored.ranges, plan.tones)
    setup = Setup(fingerprint, np.array(plan.frequency_hz), settings.shunt)
    others = tuple(settings.standards[name] for name in known_parts(settings))
    model = stored.at(plan.frequency_hz).model
    for place, part in enumerate(parts, 1):
        said = f"Part {place} of {len(parts)}, {part.name}: measured as if it were a specimen."
        watch = FixtureCheck(part, setup, others)
        found = yield from run.measure(part.name, said, watch.check)
        factor = stored.ranges.factor(found.pair.range_labels, found.pair.frequency_hz)
        yield compare(model, part, found.pair, factor)
