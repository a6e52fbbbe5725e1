"""Reading one channel of a record: windows, what the instrument says of it, how codes become volts."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from whichcore.errors import InstrumentError
from whichcore.rig.drivers.conversation import Conversation
from whichcore.rig.lines.block import Block
from whichcore.rig.tables.command_table import DigitizerTable
from whichcore.rig.tables.error import TableError
from whichcore.rig.tables.scaling import FORMULAS
from whichcore.rig.tables.template import NOT_A_NUMBER, Query
from whichcore.rig.tables.waveform_format import WaveformFormat

RECORD_NEAR = 5e-3  # practice: some answers have three digits; a wrong time base is off by a factor


@dataclass(frozen=True, slots=True)
class Wanted:
    """What was asked for of one channel.

    Attributes
    ----------
    channel : str
        What the instrument calls it.
    points : int
    interval_s : float
    range_vpp : float
        Full scale.
    """

    channel: str
    points: int
    interval_s: float
    range_vpp: float


@dataclass(frozen=True, slots=True)
class Scale:
    """How codes become volts.

    Attributes
    ----------
    volts_per_code, zero_v : float
        volts = code × volts_per_code + zero_v.
    step_codes : float or None
        Of the converter; None where it is not known.
    clip_codes : (float, float) or None
    nonlinearity_codes : float
        Rms.
    """

    volts_per_code: float
    zero_v: float
    step_codes: float | None
    clip_codes: tuple[float, float] | None
    nonlinearity_codes: float


@dataclass(frozen=True, slots=True)
class ChannelRecord:
    """One channel of a record."""

    codes: NDArray[np.generic]
    scale: Scale


class RecordReader:
    """Reads records in the words of a table.

    Parameters
    ----------
    talk : Conversation
    table : DigitizerTable
    """

    def __init__(self, talk: Conversation, table: DigitizerTable) -> None:
        self._talk, self._table = talk, table
        assert table.waveform is not None  # noqa: S101 - the loader always gives one
        self._form: WaveformFormat = table.waveform

    def read(self, wanted: Wanted, known: Scale | None) -> ChannelRecord:
        """Read one channel.

        Parameters
        ----------
        wanted : Wanted
        known : Scale or None
            From an earlier record with the same settings; what stands in the header is read all the same.

        Raises
        ------
        InstrumentError
        """
        for command in self._form.select:
            self._talk.send(command, channel=wanted.channel)
        answers: dict[str, str] = {}
        scale = known
        if known is None and not self._from_header:
            self._check(wanted, answers)
            scale = self._scale(wanted, answers)
        codes, header = self._codes(wanted)
        if self._from_header:
            self._check(wanted, answers, header)
            scale = self._scale(wanted, answers, header)
        assert scale is not None  # noqa: S101 - one of the two has made it
        self._require_sense(codes, scale, wanted)
        return ChannelRecord(codes, scale)

    @property
    def _from_header(self) -> bool:
        items = (*self._table.scaling.values(), *self._form.check.values())
        return any(isinstance(item, Query) and item.ask is None for item in items)

    def _number(
        self, key: str, item: Query | float, channel: str, answers: dict[str, str], header: str
    ) -> float:
        """Return a number; the same question is sent once for all the values in its answer."""
        if isinstance(item, float):
            return item
        if item.ask is None:
            return _of_header(key, item, header, self._talk.where(item, channel=channel))
        message = item.message(channel=channel)
        if message not in answers:
            answers[message] = self._talk.ask(item, channel=channel)
        return self._talk.number_in(item, answers[message], channel=channel)

    def _check(self, wanted: Wanted, answers: dict[str, str], header: str = "") -> None:
        """Refuse a record of another interval or length than was set."""
        said = {
            key: self._number(f"record.{key}", item, wanted.channel, answers, header)
            for key, item in self._form.check.items()
        }
        place = f"{self._talk.address}, channel {wanted.channel}"
        count = self._table.memory_points if self._form.whole else wanted.points
        points = said.get("points")
        if points is not None and points != count:
            raise TableError.at(
                "limits.memory_points" if self._form.whole else "waveform.window",
                "the record has another length than was asked for",
                place,
                got=f"{points:g} points",
                allowed=f"{count} points",
                next_step="check whole, memory_points and what sets the length in the command table",
            )
        interval = said.get("interval")
        if interval is None and points is not None and "first" in said:
            interval = (said["last"] - said["first"]) / (points - 1)
        allowed = RECORD_NEAR * wanted.interval_s
        if interval is not None and not abs(interval - wanted.interval_s) <= allowed:
            raise TableError.at(
                "record.interval" if "interval" in said else "record.first",
                "the record was taken at another sample interval than was set",
                place,
                got=f"{interval:.6g} s",
                allowed=f"{wanted.interval_s:.6g} s",
                next_step="check it, queries.interval, timebase and memory_points in the command table",
            )

    def _scale(self, wanted: Wanted, answers: dict[str, str], header: str = "") -> Scale:
        """Return how codes become volts."""
        form = self._form
        values = {
            key: self._number(f"scaling.{key}", item, wanted.channel, answers, header)
            for key, item in self._table.scaling.items()
        }
        formula = FORMULAS[self._table.formula]
        slope, zero = formula.slope(values), formula.zero(values)
        if not slope > 0 or not math.isfinite(zero):
            raise TableError.at(
                "scaling.formula",
                "the digitizer states no usable scale",
                f"{self._talk.address}, channel {wanted.channel}",
                got=", ".join(f"{key} {value:g}" for key, value in values.items()),
                next_step="check formula and its numbers in the command table",
            )
        step = None
        if form.step is not None:
            step = self._number("waveform.step_codes", form.step, wanted.channel, answers, header)
        clip = form.clip_codes
        if form.clip_ranges is not None:
            low, high = ((share * wanted.range_vpp - zero) / slope for share in form.clip_ranges)
            clip = (low, high)
        nonlinearity = form.nonlinearity_codes or form.nonlinearity_steps * (step or 0.0)
        return Scale(slope, zero, step, clip, nonlinearity)

    def _codes(self, wanted: Wanted) -> tuple[NDArray[np.generic], str]:
        """Read all windows; the header is that of the first."""
        form = self._form
        if form.whole:
            block = self._window(wanted.channel, 0, self._table.memory_points)
            parts, header = [np.frombuffer(block.data, dtype=form.dtype)[: wanted.points]], block.header
        else:
            size = form.window_points or wanted.points
            parts, header = [], ""
            for begin in range(0, wanted.points, size):
                block = self._window(wanted.channel, begin, min(size, wanted.points - begin))
                parts.append(np.frombuffer(block.data, dtype=form.dtype))
                header = header or block.header
        codes: NDArray[Any] = parts[0] if len(parts) == 1 else np.concatenate(parts)
        return codes.astype(form.dtype.newbyteorder("="), copy=False), header

    def _window(self, channel: str, begin: int, size: int) -> Block:
        form = self._form
        first = form.first_index + begin
        fields: dict[str, float | str] = {
            "channel": channel,
            "first": first,
            "last": first + size - 1,
            "count": size,
        }
        for command in form.window:
            self._talk.send(command, **fields)
        return self._talk.block(form.ask, form.block, size * form.dtype.itemsize, **fields)

    def _require_sense(self, codes: NDArray[Any], scale: Scale, wanted: Wanted) -> None:
        """Refuse what cannot be the codes the table speaks of."""
        place = f"{self._talk.address}, channel {wanted.channel}"
        if codes.dtype.kind == "f":
            bad = int(np.count_nonzero(~(np.abs(codes) < NOT_A_NUMBER)))
            if bad:
                raise TableError.at(
                    "waveform.byte_order",
                    "the record holds marks for missing values",
                    place,
                    got=f"{bad} of {codes.size}",
                    allowed="numbers",
                    next_step="check byte_order and dtype in the command table",
                )
            return
        step = scale.step_codes or 1.0
        if step <= 1 or step != int(step):
            return
        rest = codes.astype(np.int64) % int(step)
        if np.any(rest):
            raise TableError.at(
                "waveform.byte_order",
                "the codes are no multiples of the step the command table states",
                place,
                got=", ".join(str(code) for code in codes[rest != 0][:4]),
                allowed=f"multiples of {step:g}",
                next_step="check byte_order, dtype and step_codes in the command table",
            )


def _of_header(key: str, item: Query, header: str, where: str) -> float:
    """Return a number that stands in front of the block."""
    try:
        return item.number(header, where)
    except InstrumentError as error:
        next_step = "check the names in the header of a block against the command table"
        raise TableError.at(
            key, error.what, where, got=error.got, allowed=error.allowed, next_step=next_step
        ) from None
