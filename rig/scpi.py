"""Source and digitizer that speak the commands of a table."""

from __future__ import annotations

import math
import threading
import time
from collections.abc import Callable, Mapping
from contextlib import suppress
from dataclasses import dataclass, replace

import numpy as np

from whichcore.analysis.types import Capture
from whichcore.errors import Cancelled, InputError, InstrumentError
from whichcore.rig.command_table import CommandTable, DigitizerTable, SourceTable
from whichcore.rig.conversation import Conversation
from whichcore.rig.instruments import DigitizerLimits, SourceLimits, Span
from whichcore.rig.record_reader import ChannelRecord, RecordReader, Scale, Wanted
from whichcore.rig.table_error import TableError

SHARE_MISSED = 0.2  # a record may take a fifth longer than its samples before the usual patience begins
POLL_S = 0.01  # between two questions whether the record is complete
FORCE_S = 0.1  # at least, before a trigger is forced once more
FREQUENCY_NEAR = 1e-5  # practice: seven digits and a crystal; more is another frequency
LEVEL_NEAR = 0.05  # practice: a display rounds less; more is another level
PROBE_NEAR = 1e-3
INTERVAL_KEPT = 5e-3  # as of a record: some say it with few digits, or anew once they have stopped
LOST_STEP = "it was reset, or turned by hand; leave it alone, and the same command takes the sweep up again"
INTERVAL_NEAR = 3.0  # the nearest interval there is may lie a little beyond the limits
RANGE_NEAR = 0.02  # practice: three digits of an answer; the next range is farther


class ScpiSource:
    """A generator spoken to by a command table; see :class:`whichcore.rig.instruments.Source`.

    Parameters
    ----------
    table : SourceTable
    address : str
        VISA resource string.
    limits : SourceLimits or None
        Narrower limits than those of the table.
    talk : Conversation or None
        None for one of its own.
    """

    def __init__(
        self,
        table: SourceTable,
        address: str,
        limits: SourceLimits | None = None,
        talk: Conversation | None = None,
    ) -> None:
        self._table = table
        self._talk = talk or Conversation(address, table)
        self._limits = limits or table.limits
        self._prepared = 0
        self._on = False
        self._set: dict[str, float] = {}

    @property
    def table(self) -> SourceTable:
        """Its command table."""
        return self._table

    @property
    def limits(self) -> SourceLimits:
        """Lowest and highest values."""
        return self._limits

    @property
    def identity(self) -> str:
        """What the instrument says it is."""
        self._talk.ready()
        return self._talk.identity

    @property
    def identity_wanted(self) -> str:
        """What it must say it is."""
        return identity_wanted(self._table)

    @property
    def old_errors(self) -> tuple[str, ...]:
        """Errors found in the queue when the connection was made."""
        return self._talk.old_errors

    @property
    def output_ohm(self) -> float:
        """Source resistance."""
        return self._table.output_ohm

    @property
    def settle_s(self) -> float:
        """Time to wait after any change."""
        return self._table.settle_s

    @property
    def frequency_hz(self) -> float | None:
        """Frequency last set on this connection, Hz; setting one outside ``limits`` raises InputError."""
        return self._set.get("frequency")

    @frequency_hz.setter
    def frequency_hz(self, value: float) -> None:
        require_within(value, self._limits.frequency_hz, "frequency", "Hz")
        self._change("frequency", value, value)

    @property
    def level_vpp(self) -> float | None:
        """Open-circuit level last set on this connection, V peak to peak; setting one outside raises."""
        return self._set.get("level")

    @level_vpp.setter
    def level_vpp(self, value: float) -> None:
        require_within(value, self._limits.level_vpp, "level", "V peak to peak")
        self._change("level", value, value * self._table.display_share)

    @property
    def offset_v(self) -> float | None:
        """Open-circuit offset last set on this connection, V; setting one outside ``limits`` raises."""
        return self._set.get("offset")

    @offset_v.setter
    def offset_v(self, value: float) -> None:
        require_within(value, self._limits.offset_v, "offset", "V")
        self._change("offset", value, value * self._table.display_share)

    def output_is_on(self) -> bool | None:
        """Ask the instrument; None where its table has no question for it."""
        query = self._table.queries.get("output")
        return None if query is None else self._talk.switch(query)

    def output_on(self) -> None:
        """Switch the output on."""
        self.prepare()
        self._on = True
        self._talk.do("output_on")
        self.check_errors()

    def output_off(self) -> None:
        """Switch the output off and make sure of it, on a new connection where the old one is broken.

        An instrument that answers no more, or only with errors, is told all the same: it may still listen.
        """
        try:
            self._switch_off()
        except InstrumentError:
            # the failure has closed the connection: this is a new one
            try:
                self._switch_off()
            except InstrumentError:
                self._talk.say("output_off")
                raise

    def confirm(self) -> None:
        """Ask whether everything is still as it was set; raises InstrumentError where it is not."""
        lost = ""
        if self._on and self.output_is_on() is False:
            lost = "the output is off, though it was switched on"
        for name in ("frequency", "level"):
            query, value = self._table.queries.get(name), self._set.get(name)
            if query is None or value is None or lost:
                continue
            taken, shown = self._talk.number(query), self._shown_value(name, value)
            if not abs(taken - shown) <= _near(name) * abs(shown):
                lost = f"{name} {taken:.7g} in place of {shown:.7g}"
        if lost:
            self._prepared = 0
            raise InstrumentError(
                "the source is no longer set as it was",
                where=self._talk.address,
                got=lost,
                next_step=LOST_STEP,
            )

    def _shown_value(self, name: str, value: float) -> float:
        return value if name == "frequency" else value * self._table.display_share

    def _switch_off(self) -> None:
        self._on = False
        self._talk.do("output_off")
        if self.output_is_on():
            raise InstrumentError(
                "the output stays on",
                where=self._talk.address,
                next_step="switch it off by hand, at the instrument",
            )
        if "output" not in self._table.queries:
            self._talk.check_errors()  # a command alone is no proof that anyone has heard it

    def check_errors(self) -> None:
        """Raise InstrumentError when the instrument holds an error, and empty its queue."""
        self._talk.check_errors()

    def close(self) -> None:
        """Close the connection; doing it twice does no harm."""
        self._talk.close()

    def prepare(self) -> None:
        """Connect, and set what stays the same, where that has not been done on this connection."""
        self._talk.ready()
        if self._prepared != self._talk.connections:
            self._set.clear()
            self._talk.do("prepare")
            self._talk.do("load.set")
            self._confirm_load()
            self._talk.check_errors()
            self._prepared = self._talk.connections

    def _confirm_load(self) -> None:
        query = self._table.load_check
        if query is not None and not self._talk.switch(query):
            raise InstrumentError(
                "the source's display is not set for the load its command table states",
                where=self._talk.where(query),
                got=repr(self._talk.last[1][:80]),
                allowed=f"a match of {query.yes}",
                next_step="correct [load] in the command table: levels would be off by a factor of two",
            )

    def _change(self, name: str, value: float, shown: float) -> None:
        """Set what is not set yet; ``shown`` is what its display will say."""
        self.prepare()
        if self._set.get(name) == value:
            return
        self._set.pop(name, None)
        if name in self._table.actions or "setup" not in self._table.actions:
            self._talk.do(name, **_shown({name: shown}))
        else:
            self._set_up(name, shown)
        self._read_back(name, shown)
        self._talk.check_errors()
        self._set[name] = value

    def _set_up(self, name: str, shown: float) -> None:
        """Send everything in one line; a level that is not known yet is the lowest there is."""
        share = self._table.display_share
        all_shown = {
            "frequency": self._set.get("frequency", self._limits.frequency_hz[0]),
            "level": self._set.get("level", self._limits.level_vpp[0]) * share,
            "offset": self._set.get("offset", 0.0) * share,
        } | {name: shown}
        self._talk.do("setup", **_shown(all_shown))
        if not self._on:
            self._talk.do("output_off")  # some switch it on with this line

    def _read_back(self, name: str, shown: float) -> None:
        """Ask what was set, where the table has a question for it."""
        query = self._table.queries.get(name)
        if query is None:
            return
        taken = self._talk.number(query)
        if not abs(taken - shown) <= _near(name) * abs(shown):
            raise InstrumentError(
                f"the source has taken another {name} than was set",
                where=self._talk.where(query),
                got=f"{taken:.7g}",
                allowed=f"{shown:.7g}",
                next_step="check limits, unit and load in the command table",
            )


def _near(name: str) -> float:
    return FREQUENCY_NEAR if name == "frequency" else LEVEL_NEAR


def _shown(values: Mapping[str, float]) -> dict[str, float]:
    """Return the fields of a command."""
    fields = {}
    if "frequency" in values:
        fields["frequency_hz"] = values["frequency"]
    if "level" in values:
        vpp = values["level"]
        fields |= {"level_vpp": vpp, "level_vpk": vpp / 2, "level_vrms": vpp / math.sqrt(8)}
    if "offset" in values:
        fields["offset_v"] = values["offset"]
    return fields


def identity_wanted(table: CommandTable) -> str:
    """Return what an instrument must say it is, and which table says so."""
    return f"{table.identity} ({table.name})"


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


class ScpiDigitizer:
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
        self._talk = talk or Conversation(address, table)
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
    def identity(self) -> str:
        """What the instrument says it is."""
        self._talk.ready()
        return self._talk.identity

    @property
    def identity_wanted(self) -> str:
        """What it must say it is."""
        return identity_wanted(self._table)

    @property
    def old_errors(self) -> tuple[str, ...]:
        """Errors found in the queue when the connection was made."""
        return self._talk.old_errors

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

    def check_errors(self) -> None:
        """Raise InstrumentError when the instrument holds an error, and empty its queue."""
        self._talk.check_errors()

    def close(self) -> None:
        """Close the connection; doing it twice does no harm."""
        self._talk.close()

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
        query = self._table.queries["complete"]
        self._talk.do("start")
        if cancel.wait(duration_s):
            raise self._stopped()
        deadline = time.monotonic() + self._table.link.timeout_s + SHARE_MISSED * duration_s
        force_at = 0.0
        while not self._talk.switch(query, wait_s=SHARE_MISSED * duration_s):
            now = time.monotonic()
            if now > deadline:
                got = repr(self._talk.last[1][:80])
                self._talk.do("stop")
                raise InstrumentError(
                    "the record is not complete",
                    where=self._talk.where(query),
                    got=got,
                    next_step="check the trigger: its source, its level, and whether it waits for a signal",
                )
            if now >= force_at:
                self._talk.do("force")
                force_at = now + max(FORCE_S, duration_s)
            if cancel.wait(POLL_S):
                raise self._stopped()

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


def require_within(value: float, span: Span, what: str, unit: str) -> None:
    """Refuse a setting outside the limits.

    Raises
    ------
    InputError
        Below the lowest, above the highest, or not finite.
    """
    if not span[0] <= value <= span[1]:
        raise InputError(
            f"the {what} is outside the limits of the instrument",
            where=what,
            got=f"{value:g} {unit}".strip(),
            allowed=f"{span[0]:g} to {span[1]:g} {unit}".strip(),
        )
