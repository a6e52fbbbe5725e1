"""Command tables: how to speak to a family of instruments, as data. Shipped ones lie beside this module."""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from dataclasses import dataclass, field
from importlib.resources import files
from pathlib import Path
from typing import Any

from whichcore.errors import InputError
from whichcore.rig.instruments import DigitizerLimits, SourceLimits
from whichcore.rig.lines.link import LinkSettings
from whichcore.rig.tables.reader import TableReader, place_in
from whichcore.rig.tables.scaling import FORMULAS
from whichcore.rig.tables.serial_table import KIND as SERIAL
from whichcore.rig.tables.serial_table import SerialTable, read_serial_table
from whichcore.rig.tables.template import Query, Template
from whichcore.rig.tables.timebase import Timebase, read_timebase
from whichcore.rig.tables.waveform_format import CHANNEL, WaveformFormat, read_waveform
from whichcore.toml_lines import TomlLines

FORMAT = "whichcore-instrument 1"
_LEVEL = ("level_vpp", "level_vpk", "level_vrms")
_SOURCE_ACTIONS = {
    "headers_off": (),
    "connect": (),
    "recover": (),
    "prepare": (),
    "setup": ("frequency_hz", *_LEVEL, "offset_v"),
    "frequency": ("frequency_hz",),
    "level": _LEVEL,
    "offset": ("offset_v",),
    "output_on": (),
    "output_off": (),
}
_DIGITIZER_ACTIONS = {
    "headers_off": (),
    "connect": (),
    "recover": (),
    "prepare": (),
    "channel": CHANNEL,
    "points": ("points",),
    "interval": ("interval_s", "rate_hz", "seconds_per_division"),
    "range": ("channel", "range_vpp", "range_vpk", "volts_per_division"),
    "offset": ("channel", "offset_v"),
    "coupling": ("channel", "coupling"),
    "probe_ratio": ("channel", "probe_ratio", "probe_gain"),
    "start": (),
    "force": (),
    "stop": (),
}
_SOURCE_QUERIES: dict[str, tuple[str, ...]] = {"output": (), "frequency": (), "level": ()}
_DIGITIZER_QUERIES: dict[str, tuple[str, ...]] = {
    "interval": (),
    "points": (),
    "range": CHANNEL,
    "probe_ratio": CHANNEL,
    "complete": (),
    "waiting": (),
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
    first : Template or None
        Question that goes before, its answer passed over: some queues show only what lay there at that time.
    """

    ask: Template
    none: str
    most: int = 30
    clear: tuple[Template, ...] = ()
    first: Template | None = None


@dataclass(frozen=True, slots=True)
class CommandTable:
    """What both kinds have in common.

    Attributes
    ----------
    name : str
        Where it came from.
    lines : TomlLines
        Of the file.
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
    lines: TomlLines
    title: str
    identity: str
    link: LinkSettings
    settle_s: float
    errors: ErrorQueue | None
    actions: Actions
    queries: Mapping[str, Query]

    def place(self, key: str, value: str = "") -> str:
        """Return the place of a dotted key, or of one text of it: file, line, key."""
        return place_in(self.name, self.lines, key, value)


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
    load_check : Query or None
        Whether the instrument agrees.
    """

    limits: SourceLimits = field(default_factory=lambda: SourceLimits((0, 0), (0, 0)))
    output_ohm: float = 50.0
    display_share: float = 1.0
    load_check: Query | None = None


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
    memory_points : int
        Length of every record the instrument takes; 0 where it is as long as was asked for.
    timebase : Timebase or None
        None where the sample interval is set directly.
    coupling_words : mapping of str to str
        What the instrument calls DC and AC.
    formula : str
        Name of the scaling.
    scaling : mapping of str to Query or float
        The numbers the formula needs.
    """

    limits: DigitizerLimits = field(default_factory=lambda: DigitizerLimits((0, 0), (0, 0), ((), ())))
    channels: tuple[str, ...] = ("1", "2")
    divisions: float = 8.0
    waveform: WaveformFormat | None = None
    memory_points: int = 0
    timebase: Timebase | None = None
    coupling_words: Mapping[str, str] = field(default_factory=dict)
    formula: str = "linear"
    scaling: Mapping[str, Query | float] = field(default_factory=dict)


AnyTable = SourceTable | DigitizerTable | SerialTable


def shipped_tables() -> tuple[str, ...]:
    """Return the names of the tables that come with the program."""
    folder = files("whichcore.rig.tables")
    return tuple(
        sorted(item.name.removesuffix(".toml") for item in folder.iterdir() if item.name.endswith(".toml"))
    )


def load_table(name: str | Path) -> AnyTable:
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
    top = TableReader(data, str(name), TomlLines(text))
    if (stated := top.text("format")) != FORMAT:
        raise InputError("this format is not known", where=top.place("format"), got=stated, allowed=FORMAT)
    kind = top.choice("kind", ("source", "digitizer", SERIAL))
    if kind == SERIAL:
        return read_serial_table(top)
    return _source(top, TomlLines(text)) if kind == "source" else _digitizer(top, TomlLines(text))


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
    top: TableReader,
    lines: TomlLines,
    known: Mapping[str, tuple[str, ...]],
    fields: Mapping[str, tuple[str, ...]],
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
        "lines": lines,
        "title": top.text("title"),
        "identity": top.pattern("identity"),
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
        none=table.pattern("none"),
        most=table.whole("most", 30, least=1),
        clear=table.templates("clear", ()) if "clear" in table else (),
        first=table.template("first", ()) if "first" in table else None,
    )
    table.finish()
    return queue


def _need(top: TableReader, there: Mapping[str, object], table: str, *names: str) -> None:
    for name in names:
        if name not in there:
            raise InputError(
                "the key is missing", where=top.place(f"{table}.{name}"), next_step=f"add {name}"
            )


def _source(top: TableReader, lines: TomlLines) -> SourceTable:
    common = _common(top, lines, _SOURCE_ACTIONS, _SOURCE_QUERIES)
    actions = common["actions"]
    _need(top, actions, "actions", "output_on", "output_off")
    if "setup" not in actions:
        _need(top, actions, "actions", "frequency", "level")
    limits = top.table("limits")
    load = top.table("load")
    output_ohm = load.number("output_ohm", least=0.0)
    share = 1.0
    if load.raw("setting") != "open":
        display = load.number("setting", least=1e-3)
        share = display / (display + output_ohm)
    if "set" in load:
        actions["load.set"] = load.templates("set", ())
    check = load.query("confirm", ()) if "confirm" in load else None
    if check is not None and not check.yes:
        raise InputError(
            "the answer that confirms the load is missing",
            where=load.place("confirm"),
            next_step="add yes, a regular expression",
        )
    table = SourceTable(
        **common,
        limits=SourceLimits(
            limits.span("frequency_hz", positive=True),
            limits.span("level_vpp", positive=True),
            limits.span("offset_v", (0.0, 0.0)),
        ),
        output_ohm=output_ohm,
        display_share=share,
        load_check=check,
    )
    for part in (limits, load, top):
        part.finish()
    return table


def _digitizer(top: TableReader, lines: TomlLines) -> DigitizerTable:
    known = dict(_DIGITIZER_ACTIONS)
    if "timebase" not in top:
        known["interval"] = known["interval"][:2]
    common = _common(top, lines, known, _DIGITIZER_QUERIES)
    _need(top, common["actions"], "actions", "interval", "range", "start")
    _need(top, common["queries"], "queries", "interval", "complete")
    limits = top.table("limits")
    memory_points = limits.whole("memory_points", 0, least=0)
    timebase = None
    if "timebase" in top:
        timebase = read_timebase(top.table("timebase"), _memory(top, memory_points))
    if not memory_points:
        _need(top, common["actions"], "actions", "points")
    scaling = top.table("scaling")
    formula = scaling.choice("formula", tuple(FORMULAS))
    table = DigitizerTable(
        **common,
        limits=_limits(limits, memory_points, timebase),
        channels=limits.texts("channels"),
        divisions=limits.number("divisions", 8.0, least=1.0),
        waveform=read_waveform(top.table("waveform"), top.table("record", required=False), memory_points),
        memory_points=memory_points,
        timebase=timebase,
        coupling_words=limits.words("coupling_words"),
        formula=formula,
        scaling={key: scaling.number_or_query(key, CHANNEL) for key in FORMULAS[formula].needs},
    )
    for part in (limits, scaling, top):
        part.finish()
    return table


def _memory(top: TableReader, memory_points: int) -> int:
    if not memory_points:
        raise InputError(
            "an interval that follows from time per division needs the length of the memory",
            where=top.place("timebase"),
            next_step="add limits.memory_points",
        )
    return memory_points


def _limits(limits: TableReader, memory_points: int, timebase: Timebase | None) -> DigitizerLimits:
    points, ranges = limits.span("points", positive=True), limits.ascending("ranges_vpp")
    if memory_points and points[1] > memory_points:
        raise limits.wrong("points", list(points), f"up to memory_points, {memory_points}")
    if timebase is None:
        interval_s = limits.span("interval_s", positive=True)
    else:
        interval_s = limits.span("interval_s", timebase.intervals_s(), positive=True)
    bandwidth_hz = limits.number("bandwidth_hz", least=1.0) if "bandwidth_hz" in limits else None
    return DigitizerLimits((int(points[0]), int(points[1])), interval_s, (ranges, ranges), bandwidth_hz)
