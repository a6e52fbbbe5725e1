"""The digitizer that speaks the commands of a table."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable, Mapping
from contextlib import suppress
from dataclasses import dataclass, replace

import numpy as np

from whichcore.analysis.types import Capture
from whichcore.errors import Cancelled, InputError, InstrumentError
from whichcore.rig.drivers.conversation import Conversation
from whichcore.rig.drivers.record_reader import ChannelRecord, RecordReader, Scale, Wanted
from whichcore.rig.drivers.setting import LOST_STEP, require_within
from whichcore.rig.drivers.spoken import Spoken
from whichcore.rig.instruments import DigitizerLimits
from whichcore.rig.lines.link import NO_ANSWER
from whichcore.rig.tables.command_table import DigitizerTable
from whichcore.rig.tables.error import TableError

SHARE_MISSED = 0.2  # a record may take a fifth longer than its samples before the usual patience begins
POLL_S = 0.01  # between two questions whether the record is complete
FORCE_S = 0.1  # at least, before a trigger is forced once more
PROBE_NEAR = 1e-3
INTERVAL_KEPT = 5e-3  # as of a record: some say it with few digits, or anew once they have stopped
INTERVAL_NEAR = 3.0  # the nearest interval there is may lie a little beyond the limits
RANGE_NEAR = 0.02  # practice: three digits of an answer; the next range is farther


@dataclass(frozen=True, slots=True)
class ChannelSettings:
    """How the channels are connected.

    Attributes
    ----------
    channels : (str, str)
        Which of the instrument's channels are A and B.
    coupling : str
        ``DC`` or ``AC``.
    probe_ratios : (float, float)
        1 for a direct cable.
    """

    channels: tuple[str, str]
    coupling: str = "DC"
    probe_ratios: tuple[float, float] = (1.0, 1.0)


class ScpiDigitizer(Spoken):
    """A two-channel digitizer spoken to by a command table.

    See :class:`whichcore.rig.instruments.Digitizer`.

    Parameters
    ----------
    table : DigitizerTable
    address : str
        VISA resource string.
    settings : ChannelSettings or None
        None: the first two channels of the table, DC, direct cables.
    talk : Conversation or None
        None for one of its own.
    """

    def __init__(
        self,
        table: DigitizerTable,
        address: str,
        settings: ChannelSettings | None = None,
        talk: Conversation | None = None,
    ) -> None:
        self._table = table
        super().__init__(talk or Conversation(address, table))
        self._settings = settings or ChannelSettings((table.channels[0], table.channels[1]))
        for name in self._settings.channels:
            if name not in table.channels:
                raise InputError(
                    "the digitizer has no such channel",
                    where="channels",
                    got=name,
                    allowed=", ".join(table.channels),
                )
        ranges = table.limits.ranges_vpp[0]
        a, b = (tuple(full * ratio for full in ranges) for ratio in self._settings.probe_ratios)
        self._limits = replace(table.limits, ranges_vpp=(a, b))
        self._prepared = 0
        self._asked: dict[str, float] = {}
        self._real: dict[str, float] = {}
        self._scales: dict[int, Scale] = {}
        self._changed = False
        self._reader = RecordReader(self._talk, table)

    @property
    def limits(self) -> DigitizerLimits:
        """What it takes."""
        return self._limits

    @property
    def ranges_vpp(self) -> tuple[float, float]:
        """Full scale of both channels as the instrument reports it; the widest where none was chosen yet."""
        self.prepare()
        return tuple(  # type: ignore[return-value]
            self._real.get(f"range{c}") or self.set_range(c, self._limits.ranges_vpp[c][-1]) for c in range(2)
        )

    def set_range(self, channel: int, range_vpp: float) -> float:
        """Choose a range by its full scale; returns the one the instrument took.

        Raises
        ------
        InstrumentError
            It took another one: what was calibrated on the range asked for would not hold.
        """
        taken = self.try_range(channel, range_vpp)
        if not abs(taken - range_vpp) <= RANGE_NEAR * range_vpp:
            self._asked.clear()
            raise InstrumentError(
                "the digitizer has taken another range than was set",
                where=f"{self._talk.address}, channel {self._settings.channels[channel]}",
                got=f"{taken:g} V",
                allowed=f"{range_vpp:g} V",
                next_step="correct limits.ranges_vpp, divisions, or queries.range in the command table",
            )
        return taken

    def try_range(self, channel: int, range_vpp: float) -> float:
        """Choose a range by its full scale; returns the one the instrument took, whichever it is."""
        ranges = self._limits.ranges_vpp[channel]
        require_within(range_vpp, (ranges[0], ranges[-1]), f"range of channel {'AB'[channel]}", "V")
        name = self._settings.channels[channel]
        fields: dict[str, float | str] = {
            "channel": name,
            "range_vpp": range_vpp,
            "range_vpk": range_vpp / 2,
            "volts_per_division": range_vpp / self._table.divisions,
        }

        def real() -> float:
            query = self._table.queries.get("range")
            return range_vpp if query is None else self._talk.number(query, channel=name)

        return self._change(f"range{channel}", range_vpp, fields, real)

    def set_interval(self, interval_s: float) -> float:
        """Ask for a time between samples; returns the real one."""
        require_within(interval_s, self._limits.interval_s, "sample interval", "s")
        query = self._table.queries["interval"]
        fields: dict[str, float | str] = {"interval_s": interval_s, "rate_hz": 1 / interval_s}
        if self._table.timebase is not None:
            fields["seconds_per_division"] = self._table.timebase.per_division(interval_s)
        real = self._change("interval", interval_s, fields, lambda: self._talk.number(query))
        low, high = self._limits.interval_s
        if not low / INTERVAL_NEAR <= real <= high * INTERVAL_NEAR:
            self._asked.clear()
            raise TableError.at(
                "queries.interval",
                "the digitizer states a sample interval beyond its limits",
                self._talk.where(query),
                got=f"{real:g} s",
                allowed=f"{low:g} to {high:g} s",
                next_step="correct it in the command table; where a rate is answered write inverse = true",
            )
        return real

    def set_points(self, points: int) -> None:
        """Set the length of the record, or of the part of it that will be read."""
        require_within(points, self._limits.points, "number of points", "")
        if "points" not in self._table.actions:
            self.prepare()
            self._real["points"] = float(points)
            return
        query = None if self._table.memory_points else self._table.queries.get("points")

        def real() -> float:
            return float(points) if query is None else self._talk.number(query)

        taken = self._change("points", points, {"points": points}, real)
        if taken != points:
            raise InstrumentError(
                "the digitizer has taken another record length than was set",
                where=self._talk.address,
                got=f"{taken:g} points",
                allowed=f"{points} points",
                next_step="check limits.points in the command table, or state limits.memory_points",
            )

    def acquire(self, frequency_hz: float, start_time_s: float, cancel: threading.Event) -> Capture:
        """Take one record of both channels; raises Cancelled when ``cancel`` is set while it fills."""
        ranges = self.ranges_vpp
        if "points" not in self._real or "interval" not in self._real:
            raise InstrumentError(
                "no record length or sample interval was set on this connection",
                where=self._talk.address,
                next_step="start again",
            )
        count, interval_s = int(self._real["points"]), self._real["interval"]
        if self._changed and self._table.settle_s and cancel.wait(self._table.settle_s):
            raise self._stopped()
        self._changed = False
        self._record((self._table.memory_points or count) * interval_s, cancel)
        try:
            records = [
                self._read(channel, Wanted(name, count, interval_s, ranges[channel]))
                for channel, name in enumerate(self._settings.channels)
            ]
            self._talk.check_errors()
        except InstrumentError:
            self._asked.clear()  # whatever is set next is sent again
            raise
        a, b = (record.scale for record in records)
        limits = None if a.clip_codes is None or b.clip_codes is None else (a.clip_codes, b.clip_codes)
        steps = None if a.step_codes is None or b.step_codes is None else (a.step_codes, b.step_codes)
        return Capture(
            samples=np.stack([record.codes for record in records]),
            interval_s=interval_s,
            volts_per_code=(a.volts_per_code, b.volts_per_code),
            offset_v=(a.zero_v, b.zero_v),
            step_codes=steps,
            clip_codes=limits,
            nonlinearity_codes=(a.nonlinearity_codes, b.nonlinearity_codes),
            start_time_s=start_time_s,
            range_labels=(f"{ranges[0]:g}V", f"{ranges[1]:g}V"),
            frequency_hz=frequency_hz,
        )

    def prepare(self) -> None:
        """Connect, and set what stays the same, where that has not been done on this connection."""
        self._talk.ready()
        if self._prepared == self._talk.connections:
            return
        self._asked.clear()
        self._real.clear()
        self._scales.clear()
        self._talk.do("prepare")
        coupling = self._settings.coupling
        word = self._table.coupling_words.get(coupling, coupling)
        for name, ratio in zip(self._settings.channels, self._settings.probe_ratios, strict=True):
            self._talk.do("channel", channel=name)
            self._talk.do("coupling", channel=name, coupling=word)
            self._talk.do("probe_ratio", channel=name, probe_ratio=ratio, probe_gain=1 / ratio)
            self._confirm_probe(name, ratio)
            self._talk.do("offset", channel=name, offset_v=0.0)
        self._talk.check_errors()
        self._prepared = self._talk.connections

    def _change(
        self,
        key: str,
        value: float,
        fields: Mapping[str, float | str],
        real: Callable[[], float],
    ) -> float:
        """Set what is not set yet and return what the instrument made of it."""
        self.prepare()
        if self._asked.get(key) == value:
            return self._real[key]
        self._asked.pop(key, None)
        self._real.pop(key, None)
        self._scales.clear()
        self._changed = True
        self._talk.do(key.rstrip("01"), **fields)
        taken = real()
        self._talk.check_errors()
        self._asked[key], self._real[key] = value, taken
        return taken

    def confirm(self) -> None:
        """Ask whether ranges and sample interval are still as they were set; raises InstrumentError."""
        asked: list[tuple[str, str, float]] = [("interval", "", INTERVAL_KEPT)]
        asked += [(f"range{c}", name, RANGE_NEAR) for c, name in enumerate(self._settings.channels)]
        for key, name, near in asked:
            query, real = self._table.queries.get(key.rstrip("01")), self._real.get(key)
            if query is None or real is None:
                continue
            taken = self._talk.number(query, channel=name) if name else self._talk.number(query)
            if not abs(taken - real) <= near * abs(real):
                self._prepared = 0
                raise InstrumentError(
                    "the digitizer is no longer set as it was",
                    where=self._talk.address + (f", channel {name}" if name else ""),
                    got=f"{key.rstrip('01')} {taken:.6g} in place of {real:.6g}",
                    next_step=LOST_STEP,
                )

    def _confirm_probe(self, channel: str, ratio: float) -> None:
        query = self._table.queries.get("probe_ratio")
        if query is None:
            return
        taken = self._talk.number(query, channel=channel)
        if not abs(taken - ratio) <= PROBE_NEAR * ratio:
            raise InstrumentError(
                "the digitizer has taken another probe ratio than was set",
                where=self._talk.where(query, channel=channel),
                got=f"{taken:g}",
                allowed=f"{ratio:g}",
                next_step="set it by hand at the instrument, or correct probe_ratios in bench.toml",
            )

    def _record(self, duration_s: float, cancel: threading.Event) -> None:
        """Start a record and wait until it is complete; a trigger that does not come is forced."""
        self._talk.do("start")
        if cancel.wait(duration_s):
            raise self._stopped()
        deadline = time.monotonic() + self._table.link.timeout_s + SHARE_MISSED * duration_s
        force_at = 0.0
        while not self._complete(duration_s):
            now = time.monotonic()
            if now > deadline:
                raise self._never_complete()
            if now >= force_at:
                self._talk.do("force")
                force_at = now + max(FORCE_S, duration_s)
            if cancel.wait(POLL_S):
                raise self._stopped()

    def _complete(self, duration_s: float) -> bool:
        """Ask whether the record is complete; some answer only when it is."""
        try:
            return self._talk.switch(self._table.queries["complete"], wait_s=SHARE_MISSED * duration_s)
        except InstrumentError as error:
            waiting = self._table.queries.get("waiting")
            if error.what == NO_ANSWER and waiting is not None and self._talk.aside(waiting):
                raise self._no_trigger() from None
            raise

    def _never_complete(self) -> InstrumentError:
        """Give a record up, and return what is to be raised."""
        said = self._talk.at, self._talk.last
        waiting, untriggered = self._table.queries.get("waiting"), False
        if waiting is not None:
            with suppress(InstrumentError):
                untriggered = self._talk.switch(waiting)
        self._talk.do("stop")
        self._talk.at, self._talk.last = said
        if untriggered:
            return self._no_trigger(repr(said[1][1][:80]))
        return InstrumentError(
            "the record is not complete",
            where=self._talk.where(self._table.queries["complete"]),
            got=repr(said[1][1][:80]),
            next_step="check the trigger: its source, its level, and whether it waits for a signal",
        )

    def _no_trigger(self, got: str = "") -> InstrumentError:
        forces = [command.text for command in self._table.actions.get("force", ())]
        return TableError.at(
            "actions.force" if forces else "actions",
            "no trigger has come: the digitizer still waits for one",
            self._talk.where(self._table.queries["complete"]),
            got=got,
            next_step=f"check the trigger's source and level, and whether it obeys {forces[0]!r}"
            if forces
            else "check the trigger's source and level and the signal there, or let it run by itself; the "
            "command that triggers without a signal is force in [actions]",
        )

    def _stopped(self) -> Cancelled:
        """Tell the instrument to stop, if it can be told, and return what is to be raised."""
        with suppress(InstrumentError):
            self._talk.do("stop")
        return Cancelled("the record was stopped", where=self._talk.address)

    def _read(self, channel: int, wanted: Wanted) -> ChannelRecord:
        """Read one channel; its scale is asked for once for each setting."""
        record = self._reader.read(wanted, self._scales.get(channel))
        self._scales[channel] = record.scale
        return record
