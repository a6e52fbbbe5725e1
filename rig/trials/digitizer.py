"""Trying a digitizer's table: ranges, intervals, a record, and whether its codes make sense."""

from __future__ import annotations

import math
import threading
from collections.abc import Iterator

from whichcore.analysis.types import Capture
from whichcore.rig.doctor import Finding, Status
from whichcore.rig.drivers.scpi_digitizer import ScpiDigitizer
from whichcore.rig.sweep.ranging import better_range, seen
from whichcore.rig.tables.command_table import DigitizerTable
from whichcore.rig.trials.record_sense import ROUGH, misread, roughness
from whichcore.rig.trials.step import Step

SAME = 1e-2  # practice: a range or interval read back is the one set, but for digits
RECORD_S = 5e-3  # of the points read: some periods of 1 kHz, and no few samples in one of 10 kHz
MOST_LOOKS = 8
TRIED_HZ = 1e3  # handed on in the capture only
SPAN = (0.9, 1.7)  # practice: what the codes reach over a full scale; converters have room on either side
CENTRE = 0.2  # of the full scale: where the middle of the codes may lie with no offset set


class DigitizerTrial:
    """A trial of a digitizer that answers.

    Parameters
    ----------
    table : DigitizerTable
    digitizer : ScpiDigitizer
        With a careful conversation.
    step : Step
    cancel : threading.Event
    """

    def __init__(
        self, table: DigitizerTable, digitizer: ScpiDigitizer, step: Step, cancel: threading.Event
    ) -> None:
        self._table, self._digitizer, self._step, self._cancel = table, digitizer, step, cancel
        self._capture: Capture | None = None

    def run(self) -> Iterator[Finding]:
        """Try everything; ends at the first step that makes the next ones meaningless."""
        self._real: dict[float, float] = {}
        for check, action in (
            ("settings", self._prepare),
            ("ranges", self._ranges),
        ):
            finding = self._step.tried(check, action)
            if finding.status is Status.BAD:
                yield finding
                return
            yield finding if check == "settings" else self._judge_ranges()
        intervals = list(self._intervals())
        yield from intervals
        if all(finding.status is Status.BAD for finding in intervals[:2]):
            return  # who knows how long a record would take
        first = self._step.tried("record", self._record)
        yield first
        if self._capture is None or first.status is Status.BAD:
            return
        yield self._span(self._capture)
        yield self._centre(self._capture)
        for channel, name in enumerate(self._table.channels[:2]):
            yield self._sense(self._capture, channel, name)
        yield self._step.tried("another record", self._record)
        yield self._step.tried("error queue at the end", self._no_errors, "empty")

    def _prepare(self) -> str:
        self._digitizer.prepare()
        return "taken"

    def _no_errors(self) -> str:
        self._digitizer.check_errors()
        return "empty" if self._table.errors is not None else "there is none"

    def _ranges(self) -> str:
        for channel in range(2):
            for full in self._table.limits.ranges_vpp[channel]:
                self._real[full] = self._digitizer.try_range(channel, full)
        return "taken"

    def _judge_ranges(self) -> Finding:
        off = {full: real for full, real in self._real.items() if abs(real / full - 1) > SAME}
        count = len(self._real)
        if "range" not in self._table.queries:
            return Finding(
                "ranges", Status.SKIPPED, f"{count} taken; they cannot be asked for", "queries.range"
            )
        if not off:
            return Finding("ranges", Status.GOOD, f"{count} taken as asked for", "as asked for")
        found = ", ".join(f"{real:g} V for {full:g} V" for full, real in list(off.items())[:3])
        ratios = [real / full for full, real in self._real.items()]
        if len(off) == count and max(ratios) / min(ratios) < 1 + SAME:
            place = self._table.place("queries.range")
            remedy = (
                f"all are read back {ratios[0]:.4g} times as high: correct factor, or divisions in [limits]"
            )
        else:
            place = self._table.place("limits.ranges_vpp")
            remedy = "correct the list: full scales the instrument has"
        found = f"{len(off)} of {count} are others: {found}"
        return Finding("ranges", Status.BAD, found, "as asked for", remedy, place=place)

    def _intervals(self) -> Iterator[Finding]:
        low, high = self._table.limits.interval_s
        for name, asked in (
            ("longest", high),
            ("middle", math.sqrt(low * high)),
            ("shortest", low),
        ):
            real = 0.0

            def ask(asked: float = asked) -> str:
                nonlocal real
                real = self._digitizer.set_interval(asked)
                return f"{real:.6g} s"

            finding = self._step.tried(f"{name} interval", ask, f"{asked:.3g} s or the next longer one")
            yield (
                finding if finding.status is Status.BAD else self._judge_interval(finding, asked, real, name)
            )

    def _judge_interval(self, finding: Finding, asked: float, real: float, name: str) -> Finding:
        timebase = self._table.timebase
        low, high = 1 / 3, 3.0
        expected = asked
        if timebase is not None:
            expected = timebase.per_division(asked) * timebase.divisions / timebase.memory_points
            low, high = 1 - SAME, 1 + SAME
        if low <= real / expected <= high:
            return finding
        key, remedy = "queries.interval", "correct factor and field of the question"
        if 0.5 < real * expected < 2 and not 0.5 < expected < 2:
            remedy = "it answers a rate: write inverse = true"
        elif timebase is not None:
            key = "timebase.divisions"
            remedy = (
                f"{real / expected:.4g} times as long as divisions × time per division / memory_points: "
                "correct divisions, memory_points or the question"
            )
            if name == "shortest" and real > expected:
                key = "timebase.seconds_per_division"
                remedy = "it does not sample so fast: raise the shortest time per division"
        return Finding(
            finding.check,
            Status.BAD,
            f"{real:.6g} s",
            f"{expected:.6g} s",
            remedy,
            place=self._table.place(key),
        )

    def _record(self) -> str:
        """Take records on ranges that suit what is there."""
        digitizer, limits = self._digitizer, self._table.limits
        form = self._table.waveform
        window = form.window_points if form is not None else 0
        points = min(limits.points[1], max(2000, window + limits.points[0] if window else 0))
        if self._table.memory_points:
            points = max(min(points, self._table.memory_points // 2), limits.points[0])
        interval = min(max(RECORD_S / points, limits.interval_s[0]), limits.interval_s[1])
        real = digitizer.set_interval(interval)
        digitizer.set_points(points)
        ranges = [full[-1] for full in limits.ranges_vpp]
        for _ in range(MOST_LOOKS):
            for channel in range(2):
                digitizer.set_range(channel, ranges[channel])
            self._capture = digitizer.acquire(TRIED_HZ, 0.0, self._cancel)
            heights = seen(self._capture)
            better = [better_range(limits.ranges_vpp[c], ranges[c], heights[c]) for c in range(2)]
            if better == ranges:
                break
            ranges = better
        return f"2 channels of {points} points every {real:.4g} s"

    def _span(self, capture: Capture) -> Finding:
        """Hold the codes from end to end against a full scale, and a little more."""
        check = "scale"
        if capture.clip_codes is None:
            return Finding(check, Status.SKIPPED, "no clip_codes in the table", "clip_codes or clip_ranges")
        reach = [
            (high - low) * slope / full
            for (low, high), slope, full in zip(
                capture.clip_codes, capture.volts_per_code, self._digitizer.ranges_vpp, strict=True
            )
        ]
        found = " and ".join(f"{item:.3g}" for item in reach) + " full scales from end to end"
        expected = f"{SPAN[0]:g} to {SPAN[1]:g}"
        if all(SPAN[0] <= item <= SPAN[1] for item in reach):
            return Finding(check, Status.GOOD, found, expected)
        remedy = "correct scale, clip_codes, or divisions in [limits]"
        return Finding(check, Status.BAD, found, expected, remedy, place=self._scale_place())

    def _centre(self, capture: Capture) -> Finding:
        """Hold the middle of the codes against 0 V: no offset is set."""
        check = "zero"
        if capture.clip_codes is None:
            return Finding(check, Status.SKIPPED, "no clip_codes in the table", "clip_codes or clip_ranges")
        middle = [
            ((low + high) / 2 * slope + zero) / full
            for (low, high), slope, zero, full in zip(
                capture.clip_codes,
                capture.volts_per_code,
                capture.offset_v,
                self._digitizer.ranges_vpp,
                strict=True,
            )
        ]
        found = " and ".join(f"{item:+.3g}" for item in middle) + " full scales at the middle code"
        expected = f"within {CENTRE:g}"
        if all(abs(item) <= CENTRE for item in middle):
            return Finding(check, Status.GOOD, found, expected)
        remedy = "another formula ([scaling] formula), or dtype with the other sign"
        place = self._table.place("scaling.formula")
        return Finding(check, Status.BAD, found, expected, remedy, place=place)

    def _sense(self, capture: Capture, channel: int, name: str) -> Finding:
        """Find bytes in the wrong order or of the wrong type: a rough record, smooth when read otherwise."""
        check, codes = f"bytes of channel {name}", capture.samples[channel]
        better = misread(codes)
        rough = roughness(codes)
        expected = "a smooth record"
        if better is not None:
            key, value = better
            remedy = f"read with {key} of {value} it is smooth: correct {key}"
            place = self._table.place(f"waveform.{key}")
            return Finding(check, Status.BAD, f"roughness {rough:.2g}", expected, remedy, place=place)
        if not rough <= ROUGH:
            found = "flat or noise alone: nothing to tell by"
            remedy = "put the test output of the scope, or some 1 kHz, on the channel and run this again"
            return Finding(check, Status.SKIPPED, found, expected, remedy)
        span = float(codes.max()) - float(codes.min())  # of bytes alone it would run over
        height = span * capture.volts_per_code[channel]
        return Finding(check, Status.GOOD, f"smooth, {height:.3g} V peak to peak", expected)

    def _scale_place(self) -> str:
        return self._table.place("scaling.scale" if "scale" in self._table.scaling else "scaling.formula")
