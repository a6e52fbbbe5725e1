"""How a digitizer hands out a record, as its command table states it."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from whichcore.errors import InputError
from whichcore.rig.lines.block import BlockFormat
from whichcore.rig.tables.reader import TableReader
from whichcore.rig.tables.template import Query, Template

DTYPES = ("int8", "uint8", "int16", "uint16", "int32", "float32", "float64")
CHANNEL = ("channel",)
WINDOW = ("channel", "first", "last", "count")
_CHECKS = ("interval", "points", "first", "last")


@dataclass(frozen=True, slots=True)
class WaveformFormat:
    """How a record is handed out.

    Attributes
    ----------
    ask : Template
    block : BlockFormat
    dtype : numpy dtype
        With its byte order.
    select : tuple of Template
        Sent once for each channel of a record.
    window : tuple of Template
        Sent before each question.
    whole : bool
        The answer is the whole memory, of which the first points are taken.
    bits : int or None
        Of the converter, where it does not follow from the codes.
    clip_codes : (float, float) or None
    clip_ranges : (float, float) or None
        The same as shares of the full scale, for what comes in volts.
    step : Query, float or None
        Of the converter, in units of the codes.
    nonlinearity_codes : float
        Rms, in units of the codes.
    nonlinearity_steps : float
        The same in steps of the converter; one of the two is 0.
    window_points : int
        Points per question; 0 for all at once.
    first_index : int
        What the instrument calls the first point.
    check : mapping of str to Query
        What the instrument says of the record it hands out: ``interval``, or ``first``, ``last`` and
        ``points``; it must be what was asked for.
    """

    ask: Template
    block: BlockFormat
    dtype: np.dtype[Any]
    select: tuple[Template, ...] = ()
    window: tuple[Template, ...] = ()
    whole: bool = False
    bits: int | None = None
    clip_codes: tuple[float, float] | None = None
    clip_ranges: tuple[float, float] | None = None
    step: Query | float | None = None
    nonlinearity_codes: float = 0.0
    nonlinearity_steps: float = 0.0
    window_points: int = 0
    first_index: int = 1
    check: Mapping[str, Query] = field(default_factory=dict)

    @property
    def step_codes(self) -> float | None:
        """Step of the converter where the table states it; None where the instrument is asked."""
        return self.step if isinstance(self.step, float) else None

    @property
    def steps(self) -> int:
        """Steps of the converter, for a plan; eight bits (practice) where the table does not tell."""
        if self.bits is not None:
            return int(2**self.bits)
        step = self.step_codes or 1.0
        if self.clip_codes is not None:
            return round((self.clip_codes[1] - self.clip_codes[0]) / step) + 1
        if self.dtype.kind == "f":
            return 256
        return max(int(2 ** (8 * self.dtype.itemsize) / step), 2)

    @property
    def bend_steps(self) -> float:
        """Non-linearity of the converter, rms in its steps."""
        return self.nonlinearity_steps or self.nonlinearity_codes / (self.step_codes or 1.0)


def read_waveform(table: TableReader, check: TableReader, memory_points: int) -> WaveformFormat:
    """Read the sections ``[waveform]`` and ``[record]`` of a command table.

    Parameters
    ----------
    table, check : TableReader
    memory_points : int
        0 where the record is as long as was asked for.

    Raises
    ------
    InputError
    """
    dtype = np.dtype(table.choice("dtype", DTYPES))
    order = table.choice("byte_order", ("little", "big"), "little")
    form = WaveformFormat(
        ask=table.template("ask", WINDOW),
        block=BlockFormat(
            table.text("before", ""),
            table.text("trailer", "\n").encode("latin-1"),
            table.whole("digits", 0, least=0),
            table.flag("indefinite"),
        ),
        dtype=dtype.newbyteorder("<" if order == "little" else ">"),
        select=table.templates("select", CHANNEL) if "select" in table else (),
        window=table.templates("window", WINDOW) if "window" in table else (),
        whole=table.flag("whole"),
        bits=table.whole("bits", least=2) if "bits" in table else None,
        clip_codes=table.span("clip_codes") if "clip_codes" in table else None,
        clip_ranges=table.span("clip_ranges") if "clip_ranges" in table else None,
        step=table.number_or_query("step_codes", CHANNEL) if "step_codes" in table else None,
        nonlinearity_codes=table.number("nonlinearity_codes", 0.0, least=0.0),
        nonlinearity_steps=table.number("nonlinearity_steps", 0.0, least=0.0),
        window_points=table.whole("window_points", 0, least=0),
        first_index=table.whole("first_index", 1, least=0),
        check=_check(check),
    )
    table.finish()
    _require_sense(table, form, memory_points)
    return form


def _check(table: TableReader) -> dict[str, Query]:
    found: dict[str, Query] = {}
    for key in _CHECKS:
        if key in table:
            query = table.number_or_query(key, CHANNEL)
            if isinstance(query, float):
                raise table.wrong(key, query, '{ ask = "…" } or { header = "…" }: a number says nothing')
            found[key] = query
    table.finish(_CHECKS)
    if "first" in found and not {"last", "points"} <= set(found):
        raise InputError(
            "the first time says nothing alone",
            where=table.place("first"),
            next_step="add last and points, or state interval",
        )
    return found


def _require_sense(table: TableReader, form: WaveformFormat, memory_points: int) -> None:
    """Refuse what contradicts itself."""
    step = form.step
    both = "one of the two, not both"
    codes = form.clip_codes
    if codes is not None and form.dtype.kind in "iu":
        ends = np.iinfo(form.dtype)
        if not ends.min <= codes[0] < codes[1] <= ends.max:
            raise table.wrong("clip_codes", list(codes), f"{ends.min} to {ends.max}, as dtype has it")
    rules = {
        "whole": (not form.whole or memory_points > 0, "true only where limits.memory_points is stated"),
        "step_codes": (not isinstance(step, float) or 0 <= step < math.inf, "0 or more"),
        "clip_ranges": (form.clip_codes is None or form.clip_ranges is None, f"{both} with clip_codes"),
        "nonlinearity_steps": (
            not form.nonlinearity_steps or (not form.nonlinearity_codes and form.step is not None),
            "with step_codes, and without nonlinearity_codes",
        ),
    }
    for key, (holds, allowed) in rules.items():
        if not holds:
            raise table.wrong(key, table.raw(key), allowed)
