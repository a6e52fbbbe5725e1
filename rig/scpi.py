"""Source and digitizer that speak the commands of a table."""

from __future__ import annotations

import math
import threading
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from whichcore.analysis.types import Capture
from whichcore.errors import Cancelled, InputError, InstrumentError
from whichcore.rig.command_table import DigitizerTable, SourceTable, WaveformFormat
from whichcore.rig.conversation import Conversation
from whichcore.rig.instruments import DigitizerLimits, SourceLimits, Span
from whichcore.rig.scaling import FORMULAS

SHARE_MISSED = 0.2  # a record may take a fifth longer than its samples before the usual patience begins


class ScpiSource:
    """A generator spoken to by a command table; see :class:`whichcore.rig.instruments.Source`.

    Parameters
    ----------
    table : SourceTable
    address : str
        VISA resource string.
    limits : SourceLimits or None
        Narrower limits than those of the table.
    """

    def __init__(self, table: SourceTable, address: str, limits: SourceLimits | None = None) -> None:
        self._table = table
        self._talk = Conversation(address, table)
        self._limits = limits or table.limits
        self._prepared = 0
        self._set: dict[str, float] = {}

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
        self._change("frequency", value, frequency_hz=value)

    @property
    def level_vpp(self) -> float | None:
        """Open-circuit level last set on this connection, V peak to peak; setting one outside raises."""
        return self._set.get("level")

    @level_vpp.setter
    def level_vpp(self, value: float) -> None:
        require_within(value, self._limits.level_vpp, "level", "V peak to peak")
        shown = value * self._table.display_share
        fields = {"level_vpp": shown, "level_vpk": shown / 2, "level_vrms": shown / math.sqrt(8)}
        self._change("level", value, **fields)

    @property
    def offset_v(self) -> float | None:
        """Open-circuit offset last set on this connection, V; setting one outside ``limits`` raises."""
        return self._set.get("offset")

    @offset_v.setter
    def offset_v(self, value: float) -> None:
        require_within(value, self._limits.offset_v, "offset", "V")
        self._change("offset", value, offset_v=value * self._table.display_share)

    def output_is_on(self) -> bool | None:
        """Ask the instrument; None where its table has no question for it."""
        query = self._table.queries.get("output")
        return None if query is None else self._talk.switch(query)

    def output_on(self) -> None:
        """Switch the output on."""
        self._prepare()
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

    def _switch_off(self) -> None:
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

    def _prepare(self) -> None:
        self._talk.ready()
        if self._prepared != self._talk.connections:
            self._set.clear()
            self._talk.do("prepare")
            self._talk.check_errors()
            self._prepared = self._talk.connections

    def _change(self, action: str, value: float, **fields: float) -> None:
        self._prepare()
        if self._set.get(action) == value:
            return
        self._set.pop(action, None)
        self._talk.do(action, **fields)
        self._talk.check_errors()
        self._set[action] = value


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
    """

    def __init__(self, table: DigitizerTable, address: str, settings: ChannelSettings | None = None) -> None:
        self._table = table
        self._talk = Conversation(address, table)
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
        self._scales: dict[int, tuple[float, float]] = {}

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
    def old_errors(self) -> tuple[str, ...]:
        """Errors found in the queue when the connection was made."""
        return self._talk.old_errors

    @property
    def ranges_vpp(self) -> tuple[float, float]:
        """Full scale of both channels as the instrument reports it; the widest where none was chosen yet."""
        self._prepare()
        return tuple(  # type: ignore[return-value]
            self._real.get(f"range{c}") or self.set_range(c, self._limits.ranges_vpp[c][-1]) for c in range(2)
        )

    def set_range(self, channel: int, range_vpp: float) -> float:
        """Choose a range by its full scale; returns the one the instrument took."""
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
        fields = {"interval_s": interval_s, "rate_hz": 1 / interval_s}
        real = self._change("interval", interval_s, fields, lambda: self._talk.number(query))
        if not real > 0:
            raise InstrumentError(
                "the digitizer states no sample interval", where=self._talk.address, got=f"{real:g} s"
            )
        return real

    def set_points(self, points: int) -> None:
        """Set the length of the record."""
        require_within(points, self._limits.points, "number of points", "")
        self._change("points", points, {"points": points}, lambda: float(points))

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
        self._talk.do("start")
        duration = count * interval_s
        if cancel.wait(duration):
            raise Cancelled("the record was stopped", where=self._talk.address)
        if not self._talk.switch(self._table.queries["complete"], wait_s=SHARE_MISSED * duration):
            raise InstrumentError(
                "the record is not complete", where=self._talk.address, next_step="check the trigger"
            )
        form = self._table.waveform
        assert form is not None  # noqa: S101 - the loader always gives one
        samples = np.stack([self._codes(form, name, count) for name in self._settings.channels])
        scales = [self._scale(channel) for channel in range(2)]
        self._talk.check_errors()
        limits = None if form.clip_codes is None else (form.clip_codes, form.clip_codes)
        steps = None if form.step_codes is None else (form.step_codes, form.step_codes)
        return Capture(
            samples=samples,
            interval_s=interval_s,
            volts_per_code=(scales[0][0], scales[1][0]),
            offset_v=(scales[0][1], scales[1][1]),
            step_codes=steps,
            clip_codes=limits,
            nonlinearity_codes=(form.nonlinearity_codes, form.nonlinearity_codes),
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

    def _prepare(self) -> None:
        self._talk.ready()
        if self._prepared == self._talk.connections:
            return
        self._asked.clear()
        self._real.clear()
        self._scales.clear()
        self._talk.do("prepare")
        for name, ratio in zip(self._settings.channels, self._settings.probe_ratios, strict=True):
            self._talk.do("coupling", channel=name, coupling=self._settings.coupling)
            self._talk.do("probe_ratio", channel=name, probe_ratio=ratio)
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
        self._prepare()
        if self._asked.get(key) == value:
            return self._real[key]
        self._asked.pop(key, None)
        self._real.pop(key, None)
        self._scales.clear()
        self._talk.do(key.rstrip("01"), **fields)
        taken = real()
        self._talk.check_errors()
        self._asked[key], self._real[key] = value, taken
        return taken

    def _codes(self, form: WaveformFormat, channel: str, count: int) -> NDArray[np.generic]:
        window = form.window_points or count
        parts = []
        for begin in range(0, count, window):
            size = min(window, count - begin)
            first = form.first_index + begin
            raw = self._talk.block(
                form.ask,
                form.block,
                size * form.dtype.itemsize,
                channel=channel,
                first=first,
                last=first + size - 1,
                count=size,
            )
            parts.append(np.frombuffer(raw, dtype=form.dtype))
        codes = parts[0] if len(parts) == 1 else np.concatenate(parts)
        return codes.astype(form.dtype.newbyteorder("="), copy=False)

    def _scale(self, channel: int) -> tuple[float, float]:
        """Return volts per code and volts at code 0; asked once for each setting of the ranges."""
        if channel not in self._scales:
            name = self._settings.channels[channel]
            values = {
                key: item if isinstance(item, float) else self._talk.number(item, channel=name)
                for key, item in self._table.scaling.items()
            }
            formula = FORMULAS[self._table.formula]
            slope, zero = formula.slope(values), formula.zero(values)
            if not slope > 0 or not math.isfinite(zero):
                raise InstrumentError(
                    "the digitizer states no usable scale",
                    where=f"{self._talk.address}, channel {name}",
                    got=", ".join(f"{key} {value:g}" for key, value in values.items()),
                )
            self._scales[channel] = (slope, zero)
        return self._scales[channel]


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
