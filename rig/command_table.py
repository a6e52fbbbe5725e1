"""Command tables: how to speak to a family of instruments, as data. Shipped ones lie in ``rig/tables``."""

from __future__ import annotations

import re
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass, field
from importlib.resources import files
from pathlib import Path
from typing import Any

import numpy as np

from whichcore.errors import InputError
from whichcore.rig.block import BlockFormat
from whichcore.rig.instruments import DigitizerLimits, SourceLimits
from whichcore.rig.link import LinkSettings
from whichcore.rig.scaling import FORMULAS
from whichcore.rig.table_reader import TableReader
from whichcore.rig.template import Query, Template

FORMAT = "whichcore-instrument 1"
_DTYPES = ("int8", "uint8", "int16", "uint16", "int32", "float32", "float64")
_CHANNEL = ("channel",)
_SOURCE_ACTIONS = {
    "prepare": (),
    "frequency": ("frequency_hz",),
    "level": ("level_vpp", "level_vpk", "level_vrms"),
    "offset": ("offset_v",),
    "output_on": (),
    "output_off": (),
}
_DIGITIZER_ACTIONS = {
    "prepare": (),
    "points": ("points",),
    "interval": ("interval_s", "rate_hz"),
    "range": ("channel", "range_vpp", "range_vpk", "volts_per_division"),
    "offset": ("channel", "offset_v"),
    "coupling": ("channel", "coupling"),
    "probe_ratio": ("channel", "probe_ratio"),
    "start": (),
}
Actions = Mapping[str, tuple[Template, ...]]


@dataclass(frozen=True, slots=True)
class ErrorQueue:
    """How to ask for errors.

    Attributes
    ----------
    ask : Template
    none : str
        Regular expression of the answer that means "no error".
    most : int
        Answers read before the queue counts as endless.
    clear : tuple of Template
        Commands that empty it.
    """

    ask: Template
    none: str
    most: int = 30
    clear: tuple[Template, ...] = ()


@dataclass(frozen=True, slots=True)
class CommandTable:
    """What both kinds have in common.

    Attributes
    ----------
    name : str
        Where it came from.
    title : str
    identity : str
        Regular expression that the answer to ``*IDN?`` must match.
    link : LinkSettings
    settle_s : float
        Rest after a change.
    errors : ErrorQueue or None
    actions : mapping of str to tuple of Template
    queries : mapping of str to Query
    """

    name: str
    title: str
    identity: str
    link: LinkSettings
    settle_s: float
    errors: ErrorQueue | None
    actions: Actions
    queries: Mapping[str, Query]


@dataclass(frozen=True, slots=True)
class SourceTable(CommandTable):
    """A generator.

    Attributes
    ----------
    limits : SourceLimits
        Of the open-circuit voltage.
    output_ohm : float
    display_share : float
        What the display says over the open-circuit voltage: 1 when set for an open output, 1/2 when it takes
        a load equal to the output resistance for granted.
    """

    limits: SourceLimits = field(default_factory=lambda: SourceLimits((0, 0), (0, 0)))
    output_ohm: float = 50.0
    display_share: float = 1.0


@dataclass(frozen=True, slots=True)
class WaveformFormat:
    """How a record is handed out.

    Attributes
    ----------
    ask : Template
    block : BlockFormat
    dtype : numpy dtype
        With its byte order.
    clip_codes : (float, float) or None
    step_codes : float or None
    nonlinearity_codes : float
    window_points : int
        Points per question; 0 for all at once.
    first_index : int
        What the instrument calls the first point.
    """

    ask: Template
    block: BlockFormat
    dtype: np.dtype[Any]
    clip_codes: tuple[float, float] | None = None
    step_codes: float | None = None
    nonlinearity_codes: float = 0.0
    window_points: int = 0
    first_index: int = 1


@dataclass(frozen=True, slots=True)
class DigitizerTable(CommandTable):
    """A two-channel digitizer.

    Attributes
    ----------
    limits : DigitizerLimits
    channels : tuple of str
        What the instrument calls its channels.
    divisions : float
        Vertical divisions of a full scale, for tables that set volts per division.
    waveform : WaveformFormat
    formula : str
        Name of the scaling.
    scaling : mapping of str to Query or float
        The numbers the formula needs.
    """

    limits: DigitizerLimits = field(default_factory=lambda: DigitizerLimits((0, 0), (0, 0), ((), ())))
    channels: tuple[str, ...] = ("1", "2")
    divisions: float = 8.0
    waveform: WaveformFormat | None = None
    formula: str = "linear"
    scaling: Mapping[str, Query | float] = field(default_factory=dict)


def shipped_tables() -> tuple[str, ...]:
    """Return the names of the tables that come with the program."""
    folder = files("whichcore.rig.tables")
    return tuple(
        sorted(item.name.removesuffix(".toml") for item in folder.iterdir() if item.name.endswith(".toml"))
    )


def load_table(name: str | Path) -> SourceTable | DigitizerTable:
    """Read a command table.

    Parameters
    ----------
    name : str or Path
        Name of a shipped table, or path of a file ending in ``.toml``.

    Raises
    ------
    InputError
        It is not there, not TOML, or holds something it should not; the key is named.
    """
    text = _text(name)
    try:
        data = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise InputError(f"this is not TOML: {error}", where=str(name)) from None
    top = TableReader(data, str(name))
    if (stated := top.text("format")) != FORMAT:
        raise InputError("this format is not known", where=top.place("format"), got=stated, allowed=FORMAT)
    kind = top.choice("kind", ("source", "digitizer"))
    return _source(top) if kind == "source" else _digitizer(top)


def _text(name: str | Path) -> str:
    try:
        if isinstance(name, Path) or str(name).endswith(".toml"):
            return Path(name).read_text(encoding="utf-8")
        if name in shipped_tables():
            return (files("whichcore.rig.tables") / f"{name}.toml").read_text(encoding="utf-8")
    except (OSError, ValueError) as error:
        raise InputError(
            "the command table cannot be read",
            where=str(name),
            got=getattr(error, "strerror", None) or str(error),
            next_step="check its name and folder; it is UTF-8 text",
        ) from None
    raise InputError(
        "there is no such command table",
        where="driver",
        got=str(name),
        allowed=f"{', '.join(shipped_tables())}, or the path of a file ending in .toml",
    )


def _common(
    top: TableReader, known: Mapping[str, tuple[str, ...]], fields: Mapping[str, tuple[str, ...]]
) -> dict[str, Any]:
    link = top.table("link", required=False)
    settings = LinkSettings(
        write_terminator=link.text("write_terminator", "\n"),
        read_terminator=link.text("read_terminator", "\n"),
        timeout_s=link.number("timeout_s", 5.0, least=1e-3),
        block_timeout_s=link.number("block_timeout_s", 20.0, least=1e-3),
        command_pause_s=link.number("command_pause_s", 0.0, least=0.0),
        baud_rate=link.whole("baud_rate", 0, least=0) or None,
    )
    if not settings.read_terminator:
        raise InputError("the end of an answer must be stated", where=link.place("read_terminator"))
    settle_s = link.number("settle_s", 0.0, least=0.0)
    link.finish()
    actions = top.table("actions")
    commands = {key: actions.templates(key, fields_of) for key, fields_of in known.items() if key in actions}
    actions.finish(known)
    queries = top.table("queries", required=False)
    questions = {key: queries.query(key, fields_of) for key, fields_of in fields.items() if key in queries}
    queries.finish(fields)
    return {
        "name": top.name,
        "title": top.text("title"),
        "identity": _pattern(top, "identity"),
        "link": settings,
        "settle_s": settle_s,
        "errors": _errors(top),
        "actions": commands,
        "queries": questions,
    }


def _errors(top: TableReader) -> ErrorQueue | None:
    if "errors" not in top:
        return None
    table = top.table("errors")
    queue = ErrorQueue(
        ask=table.template("ask", ()),
        none=_pattern(table, "none"),
        most=table.whole("most", 30, least=1),
        clear=table.templates("clear", ()) if "clear" in table else (),
    )
    table.finish()
    return queue


def _pattern(table: TableReader, key: str) -> str:
    text = table.text(key)
    try:
        re.compile(text)
    except re.error as error:
        raise InputError(
            f"this is not a regular expression: {error}", where=table.place(key), got=text
        ) from None
    return text


def _need(top: TableReader, there: Mapping[str, object], table: str, *names: str) -> None:
    for name in names:
        if name not in there:
            raise InputError(
                "the key is missing", where=f"{top.name}, {table}.{name}", next_step=f"add {name}"
            )


def _source(top: TableReader) -> SourceTable:
    common = _common(top, _SOURCE_ACTIONS, {"output": ()})
    _need(top, common["actions"], "actions", "frequency", "level", "output_on", "output_off")
    limits = top.table("limits")
    load = top.table("load")
    output_ohm = load.number("output_ohm", least=0.0)
    setting = load.raw("setting")
    share = 1.0
    if setting != "open":
        display = load.number("setting", least=1e-3)
        share = display / (display + output_ohm)
    if "set" in load:
        common["actions"]["prepare"] = common["actions"].get("prepare", ()) + load.templates("set", ())
    table = SourceTable(
        **common,
        limits=SourceLimits(
            limits.span("frequency_hz", positive=True),
            limits.span("level_vpp", positive=True),
            limits.span("offset_v", (0.0, 0.0)),
        ),
        output_ohm=output_ohm,
        display_share=share,
    )
    for part in (limits, load, top):
        part.finish()
    return table


def _digitizer(top: TableReader) -> DigitizerTable:
    common = _common(
        top, _DIGITIZER_ACTIONS, {"interval": (), "range": _CHANNEL, "complete": (), "points": ()}
    )
    _need(top, common["actions"], "actions", "points", "interval", "range", "start")
    _need(top, common["queries"], "queries", "interval", "complete")
    limits = top.table("limits")
    scaling = top.table("scaling")
    formula = scaling.choice("formula", tuple(FORMULAS))
    needs = FORMULAS[formula].needs
    points, ranges = limits.span("points", positive=True), limits.ascending("ranges_vpp")
    table = DigitizerTable(
        **common,
        limits=DigitizerLimits(
            (int(points[0]), int(points[1])),
            limits.span("interval_s", positive=True),
            (ranges, ranges),
            limits.number("bandwidth_hz", least=1.0) if "bandwidth_hz" in limits else None,
        ),
        channels=limits.texts("channels"),
        divisions=limits.number("divisions", 8.0, least=1.0),
        waveform=_waveform(top.table("waveform")),
        formula=formula,
        scaling={key: scaling.number_or_query(key, _CHANNEL) for key in needs},
    )
    for part in (limits, scaling, top):
        part.finish()
    return table


def _waveform(table: TableReader) -> WaveformFormat:
    dtype = np.dtype(table.choice("dtype", _DTYPES))
    order = table.choice("byte_order", ("little", "big"), "little")
    form = WaveformFormat(
        ask=table.template("ask", ("channel", "first", "last", "count")),
        block=BlockFormat(table.text("before", ""), table.text("trailer", "\n").encode("latin-1")),
        dtype=dtype.newbyteorder("<" if order == "little" else ">"),
        clip_codes=table.span("clip_codes") if "clip_codes" in table else None,
        step_codes=table.number("step_codes", least=0.0) if "step_codes" in table else None,
        nonlinearity_codes=table.number("nonlinearity_codes", 0.0, least=0.0),
        window_points=table.whole("window_points", 0, least=0),
        first_index=table.whole("first_index", 1, least=0),
    )
    table.finish()
    return form
