"""Is the bench fit to measure? A generator of findings: what was found, what was expected, the remedy."""

from __future__ import annotations

import math
import threading
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from enum import StrEnum

import numpy as np

from whichcore.analysis.phasor import fit_phasors
from whichcore.analysis.types import Capture, FlagKind, FloatArray, Phasors, Wiring
from whichcore.errors import Cancelled, InstrumentError
from whichcore.rig.instruments import Bench, Digitizer, Operator, Source
from whichcore.rig.sweep.plan import RecordRule, interval_wanted, points_for
from whichcore.rig.sweep.ranging import better_range, seen
from whichcore.wording import in_percent, quantity

NEAR = 0.2  # practice: cables, shunt and display together are off by less
LITTLE = 0.05  # of the open-circuit voltage: a channel that should read nothing
WORST_CLOCK = 100e-6  # practice: a crystal is ten times better
WORST_NOISE = 0.02  # practice: rms per sample over the peak of the tone
NO_TONE = 0.3  # rms over the peak: of white noise without a tone it is far more
WORST_OFFSET_V = 10e-3  # 10 mV into a ring of high permeability is some tenths of a millitesla of bias
MOST_LOOKS = 12
SETTLE_PERIODS = 10


class Status(StrEnum):
    """How a check came out."""

    GOOD = "good"
    DOUBTFUL = "doubtful"
    BAD = "bad"
    SKIPPED = "skipped"


@dataclass(frozen=True, slots=True)
class Finding:
    """Result of one check.

    Attributes
    ----------
    check : str
    status : Status
    found, expected : str
    remedy : str
        Empty where nothing is to be done.
    place : str
        File, line and key of a command table that is wrong.
    sent, came : str
        What was said to the instrument, and what it said.
    """

    check: str
    status: Status
    found: str = ""
    expected: str = ""
    remedy: str = ""
    place: str = ""
    sent: str = ""
    came: str = ""


@dataclass(frozen=True, slots=True)
class DoctorPlan:
    """What is tried: a tone of so many hertz and volts peak to peak (open circuit)."""

    frequency_hz: float = 10e3
    level_vpp: float = 1.0
    record: RecordRule = field(default_factory=RecordRule)


def examine(
    bench: Bench, operator: Operator, cancel: threading.Event, plan: DoctorPlan | None = None
) -> Iterator[Finding]:
    """Check a bench from the connection to the wiring.

    Parameters
    ----------
    bench : Bench
    operator : Operator
        Asked for the short and the open.
    cancel : threading.Event
    plan : DoctorPlan or None

    Yields
    ------
    Finding
        In the order of the checks; where one makes the next ones meaningless, these are left out. The output
        is off at the end, however it comes.
    """
    chosen = plan or DoctorPlan()
    for name, instrument in (("source", bench.source), ("digitizer", bench.digitizer)):
        findings = list(_contact(name, instrument))
        yield from findings
        if findings[0].status is Status.BAD:
            return
    try:
        yield from _output(bench.source)
        for fixture in ("short", "open"):
            operator.fit(fixture)
            yield from _tone(bench, fixture, chosen, cancel)
    except InstrumentError as error:
        yield Finding("instruments", Status.BAD, error.one_line(), "no fault", error.next_step)
    finally:
        bench.source.output_off()


def _contact(name: str, instrument: Source | Digitizer) -> Iterator[Finding]:
    try:
        identity = instrument.identity
    except InstrumentError as error:
        yield Finding(f"{name} answers", Status.BAD, error.one_line(), "an answer", error.next_step)
        return
    yield Finding(f"{name} answers", Status.GOOD, identity, getattr(instrument, "identity_wanted", ""))
    old = getattr(instrument, "old_errors", ())
    if old:
        remedy = "nothing if they are of an earlier program; run this again to see"
        yield Finding(f"{name} error queue", Status.DOUBTFUL, "; ".join(old[:3]), "empty", remedy)
        return
    yield _tried(f"{name} error queue", instrument.check_errors, "empty")


def _tried(check: str, action: Callable[[], None], good: str) -> Finding:
    try:
        action()
    except InstrumentError as error:
        return Finding(check, Status.BAD, error.one_line(), good, error.next_step)
    return Finding(check, Status.GOOD, good)


def _output(source: Source) -> Iterator[Finding]:
    """Switch on and off, and ask each time; at the lowest level."""
    before = source.output_is_on()
    source.output_off()
    if before:
        yield Finding(
            "output at the start",
            Status.DOUBTFUL,
            "on",
            "off",
            "it is off now; an earlier program was stopped",
        )
    source.level_vpp = source.limits.level_vpp[0]
    source.output_on()
    on = source.output_is_on()
    source.output_off()
    if on is None:
        yield Finding("output switches", Status.SKIPPED, "the source cannot be asked")
    elif on:
        yield Finding("output switches", Status.GOOD, "on and off")
    else:
        yield Finding("output switches", Status.BAD, "off after being switched on", "on", "check the table")


def _tone(bench: Bench, fixture: str, plan: DoctorPlan, cancel: threading.Event) -> Iterator[Finding]:
    capture = _capture(bench, plan, cancel)
    bench.source.output_off()
    _settle(bench.source, plan, cancel)
    quiet = bench.digitizer.acquire(plan.frequency_hz, 0.0, cancel)
    phasors = fit_phasors(capture, plan.frequency_hz)
    expected = expected_vpk(bench, fixture, plan.level_vpp)
    if expected is None:
        yield Finding(f"tone, {fixture}", Status.SKIPPED, "two windings have no short or open to be read")
        return
    if phasors.has(FlagKind.CLIPPED):
        detail = "; ".join(flag.detail for flag in phasors.flags if flag.kind is FlagKind.CLIPPED)
        yield Finding(
            f"clipping, {fixture}", Status.BAD, detail, "none", "lower the drive or use a 10× probe"
        )
        return
    yield from _frequency(phasors, fixture, plan.frequency_hz)
    yield _voltages(np.abs(phasors.phasor_vpk), expected, fixture, plan.level_vpp / 2)
    yield from _noise(phasors, fixture, expected)
    yield _offset(phasors.dc_v - _mean_v(quiet), fixture)


def _capture(bench: Bench, plan: DoctorPlan, cancel: threading.Event) -> Capture:
    """Return a record on ranges that suit it."""
    source, digitizer = bench.source, bench.digitizer
    ranges = [limits[-1] for limits in digitizer.limits.ranges_vpp]
    interval = digitizer.set_interval(interval_wanted(plan.record, digitizer.limits, plan.frequency_hz))
    digitizer.set_points(points_for(plan.record, digitizer.limits, interval, plan.frequency_hz))
    source.frequency_hz = plan.frequency_hz
    source.level_vpp = plan.level_vpp
    source.output_on()
    for _ in range(MOST_LOOKS):
        for channel in range(2):
            digitizer.set_range(channel, ranges[channel])
        _settle(source, plan, cancel)
        capture = digitizer.acquire(plan.frequency_hz, 0.0, cancel)
        better = [
            better_range(digitizer.limits.ranges_vpp[c], ranges[c], height)
            for c, height in enumerate(seen(capture))
        ]
        if better == ranges:
            break
        ranges = better
    return capture


def _settle(source: Source, plan: DoctorPlan, cancel: threading.Event) -> None:
    if cancel.wait(source.settle_s + SETTLE_PERIODS / plan.frequency_hz):
        raise Cancelled("the checks were stopped")


def _mean_v(capture: Capture) -> FloatArray:
    means = capture.samples.mean(axis=1) * np.array(capture.volts_per_code)
    return np.asarray(means + np.array(capture.offset_v))


def expected_vpk(bench: Bench, fixture: str, level_vpp: float) -> FloatArray | None:
    """Return the peak voltages of A and B with a short or an open; None where the wiring has neither.

    Source resistance R_o and shunt R_s divide the open-circuit voltage E: a short carries E/(R_o + R_s), an
    open nothing.
    """
    if bench.wiring is Wiring.TWO_WINDINGS:
        return None
    emf = level_vpp / 2
    on_shunt = emf * bench.shunt_ohm / (bench.shunt_ohm + bench.source.output_ohm)
    if bench.wiring is Wiring.SHUNT_AT_GROUND:
        return np.array([on_shunt, on_shunt] if fixture == "short" else [emf, 0.0])
    return np.array([on_shunt, 0.0] if fixture == "short" else [emf, emf])


def _frequency(phasors: Phasors, fixture: str, nominal_hz: float) -> Iterator[Finding]:
    check = f"frequency, {fixture}"
    if phasors.has(FlagKind.FREQUENCY_NOT_FOUND):
        remedy = (
            "check the cable from the source, and that both instruments are the ones meant; where they are, "
            "bytes in the wrong order look like this: doctor --table tells"
        )
        yield Finding(check, Status.BAD, "no tone", f"{nominal_hz:g} Hz", remedy)
        return
    off = phasors.frequency_hz / nominal_hz - 1
    status = Status.GOOD if abs(off) <= WORST_CLOCK else Status.DOUBTFUL
    remedy = "" if status is Status.GOOD else "one of the clocks is off; frequencies are off by as much"
    yield Finding(check, status, f"{off * 1e6:+z.1f} ppm", f"within {WORST_CLOCK * 1e6:g} ppm", remedy)


def _voltages(found: FloatArray, expected: FloatArray, fixture: str, emf_vpk: float) -> Finding:
    """Compare both channels with what the wiring gives, and name the usual causes of a mismatch."""
    check = f"voltages, {fixture}"
    seen_text, wanted_text = (f"A {a:.3g} V, B {b:.3g} V peak" for a, b in (found, expected))
    if _alike(found, expected, emf_vpk):
        return Finding(check, Status.GOOD, seen_text, wanted_text)
    remedy = "check that the fixture is in, the wiring, the shunt, and probe ratios in bench.toml"
    if _alike(found, expected[::-1], emf_vpk):
        remedy = "channels A and B are swapped: change the cables, or channels in bench.toml"
    for factor, setting in ((2.0, "50 ohm"), (0.5, "open")):
        if _alike(found / factor, expected, emf_vpk):
            remedy = (
                f"both are {factor:g} times as high: the source's display is set for a load of {setting} and "
                "its table says otherwise; correct [load]"
            )
    for c in range(2):
        other = found.copy()
        for ratio in (10.0, 0.1):
            other[c] = found[c] * ratio
            if expected[c] > 0 and _alike(other, expected, emf_vpk):
                remedy = f"channel {'AB'[c]} is off by ten: set its probe ratio in bench.toml"
    return Finding(check, Status.BAD, seen_text, wanted_text, remedy)


def _alike(found: FloatArray, expected: FloatArray, emf_vpk: float) -> bool:
    allowed = np.maximum(NEAR * expected, LITTLE * emf_vpk)
    return bool(np.all(np.abs(found - expected) <= allowed))


def _noise(phasors: Phasors, fixture: str, expected: FloatArray) -> Iterator[Finding]:
    for c, name in enumerate("AB"):
        if expected[c] == 0:
            continue
        peak = float(abs(phasors.phasor_vpk[c]))
        share = float(phasors.noise_vrms[c]) / peak if peak > 0 else math.inf
        status = Status.GOOD if share <= WORST_NOISE else Status.DOUBTFUL
        remedy = "" if status is Status.GOOD else "check grounds and cables, use a 1× probe, shield the shunt"
        if share > NO_TONE:
            remedy = "the record is hardly a tone: try byte_order and dtype of the table with doctor --table"
        yield Finding(
            f"noise of {name}, {fixture}",
            status,
            f"{in_percent(share)} of the peak",
            f"up to {in_percent(WORST_NOISE)}",
            remedy,
        )


def _offset(of_source_v: FloatArray, fixture: str) -> Finding:
    """Judge the source's own offset: what goes when its output goes off; the rest is the digitizer's."""
    largest = float(np.max(np.abs(of_source_v)))
    status = Status.GOOD if largest <= WORST_OFFSET_V else Status.DOUBTFUL
    remedy = "" if status is Status.GOOD else "null the source's offset, or put a capacitor in series"
    return Finding(
        f"offset, {fixture}", status, quantity(largest, "V", 2), f"up to {WORST_OFFSET_V * 1e3:g} mV", remedy
    )
