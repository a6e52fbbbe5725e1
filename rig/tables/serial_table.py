"""Command tables of sources on a serial line (kind ``serial-source``): short lines, answered or not."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from whichcore.errors import InputError
from whichcore.rig.instruments import SourceLimits
from whichcore.rig.tables.reader import TableReader
from whichcore.rig.tables.template import Template

KIND = "serial-source"
MOST_BITS = 64
_KEYS = (
    "identify",
    "identify.pattern",
    "answers",
    "answers.echo",
    "answers.good",
    "link.baud_rate",
    "frequency.command",
    "level.command",
    "actions",
    "actions.output_on",
    "actions.output_off",
)


@dataclass(frozen=True, slots=True)
class SerialLine:
    """How the line is spoken.

    Attributes
    ----------
    baud_rate : int
    write_terminator, read_terminator : str
    timeout_s : float
        Longest time for an answer.
    command_pause_s : float
        Rest after each command, for boards that lose what comes too fast.
    wake_s : float
        Rest after the port is opened: many boards restart then.
    """

    baud_rate: int
    write_terminator: str = "\n"
    read_terminator: str = "\n"
    timeout_s: float = 1.0
    command_pause_s: float = 0.0
    wake_s: float = 0.0


@dataclass(frozen=True, slots=True)
class Answers:
    """What the board says to a command.

    Attributes
    ----------
    echo : bool
        It sends each command back before anything else.
    good : str or None
        Regular expression of the answer that means "done"; None: it says nothing.
    """

    echo: bool = False
    good: str | None = None


@dataclass(frozen=True, slots=True)
class Stepped:
    """A setting that comes in steps.

    Attributes
    ----------
    command : Template or None
        None where it is fixed.
    step : float
        0 for none.
    """

    command: Template | None
    step: float = 0.0

    def nearest(self, value: float) -> tuple[float, int]:
        """Return the nearest value there is, and how many steps it is; (value, 0) without steps."""
        if not self.step:
            return value, 0
        count = round(value / self.step)
        return count * self.step, count

    def below(self, value: float) -> tuple[float, int]:
        """Return the highest value that is not above, and how many steps it is."""
        if not self.step:
            return value, 0
        count = int(value / self.step * (1 + 1e-12))
        return count * self.step, count


@dataclass(frozen=True, slots=True)
class SerialTable:
    """A source on a serial line.

    Attributes
    ----------
    name : str
        Where the table came from.
    title : str
    line : SerialLine
    answers : Answers
    identify : (Template, str) or None
        A question, and the regular expression its answer must match.
    settle_s : float
        Rest after a change.
    limits : SourceLimits
        Of the open-circuit voltage.
    output_ohm : float
    display_share : float
        What a level command says over the open-circuit voltage.
    frequency, level : Stepped
    prepare, output_on, output_off : tuple of Template
        Empty ``output_off``: the board cannot be switched off.
    places : mapping of str to str
        File, line and dotted key of what a trial may find wrong.
    """

    name: str
    title: str
    line: SerialLine
    answers: Answers
    identify: tuple[Template, str] | None
    settle_s: float
    limits: SourceLimits
    output_ohm: float
    display_share: float
    frequency: Stepped
    level: Stepped
    prepare: tuple[Template, ...] = ()
    output_on: tuple[Template, ...] = ()
    output_off: tuple[Template, ...] = ()
    places: Mapping[str, str] = field(default_factory=dict)


def read_serial_table(top: TableReader) -> SerialTable:
    """Read a table whose kind is ``serial-source``; raises InputError that names the key."""
    link, load = top.table("link"), top.table("load")
    settle_s = link.number("settle_s", 0.0, least=0.0)
    output_ohm = load.number("output_ohm", least=0.0)
    share = 1.0
    if load.raw("setting", "open") != "open":
        ohm = load.number("setting", least=1e-3)
        share = ohm / (ohm + output_ohm)
    actions = top.table("actions", required=False)
    frequency = _frequency(top.table("frequency"))
    level, fixed_vpp = _level(top.table("level"), share)
    table = SerialTable(
        name=top.name,
        title=top.text("title"),
        line=_line(link),
        answers=_answers(top.table("answers", required=False)),
        identify=_identify(top),
        settle_s=settle_s,
        limits=_limits(top.table("limits"), level, fixed_vpp),
        output_ohm=output_ohm,
        display_share=share,
        frequency=frequency,
        level=level,
        **{
            key: actions.templates(key, ()) if key in actions else ()
            for key in ("prepare", "output_on", "output_off")
        },
        places={key: top.place(key) for key in _KEYS},
    )
    for part in (load, top):
        part.finish()
    actions.finish(("prepare", "output_on", "output_off"))
    return table


def _line(link: TableReader) -> SerialLine:
    line = SerialLine(
        baud_rate=link.whole("baud_rate", least=50),
        write_terminator=link.text("write_terminator", "\n"),
        read_terminator=link.text("read_terminator", "\n"),
        timeout_s=link.number("timeout_s", 1.0, least=1e-3),
        command_pause_s=link.number("command_pause_s", 0.0, least=0.0),
        wake_s=link.number("wake_s", 0.0, least=0.0),
    )
    for key in ("write_terminator", "read_terminator"):
        if not getattr(line, key):
            raise InputError("the end of a line must be stated", where=link.place(key))
    link.finish()
    return line


def _answers(table: TableReader) -> Answers:
    echo = table.raw("echo", default=False)
    if not isinstance(echo, bool):
        raise InputError("true or false was expected", where=table.place("echo"), got=f"{echo!r}")
    answers = Answers(echo, table.pattern("good") if "good" in table else None)
    table.finish()
    return answers


def _identify(top: TableReader) -> tuple[Template, str] | None:
    if "identify" not in top:
        return None
    table = top.table("identify")
    asked = (table.template("ask", ()), table.pattern("pattern"))
    table.finish()
    return asked


def _frequency(table: TableReader) -> Stepped:
    """Read the command and the step: stated, or the clock over the size of the tuning word."""
    step = table.number("step_hz", 0.0, least=0.0)
    if "clock_hz" in table or "bits" in table:
        bits = table.whole("bits", least=1)
        if bits > MOST_BITS or step:
            wrong = "both step and tuning word" if step else f"{bits}"
            raise InputError(
                "clock_hz and bits give the step of a tuning word",
                where=table.place("bits"),
                got=wrong,
                allowed=f"step_hz alone, or clock_hz with bits up to {MOST_BITS}",
            )
        step = table.number("clock_hz", least=1.0) / 2**bits
    command = table.template("command", ("frequency_hz", "word"))
    if "{word" in command.text and not step:
        raise InputError("a word needs clock_hz and bits, or step_hz", where=table.place("command"))
    table.finish()
    return Stepped(command, step)


def _level(table: TableReader, share: float) -> tuple[Stepped, float | None]:
    """Read how the level is set; the step is one of the open-circuit voltage."""
    if "fixed_vpp" in table:
        fixed = table.number("fixed_vpp", least=1e-6) / share
        table.finish()
        return Stepped(None), fixed
    step = table.number("step_vpp", 0.0, least=0.0) / share
    command = table.template("command", ("level_vpp", "level_vpk", "level_vrms", "code"))
    if "{code" in command.text and not step:
        raise InputError(
            "a code needs the volts of one step", where=table.place("command"), next_step="add step_vpp"
        )
    table.finish()
    return Stepped(command, step), None


def _limits(table: TableReader, level: Stepped, fixed_vpp: float | None) -> SourceLimits:
    frequency = table.span("frequency_hz", positive=True)
    if fixed_vpp is not None:
        span = (fixed_vpp, fixed_vpp)
    else:
        span = table.span("level_vpp", positive=True)
        if level.step and level.below(span[0])[1] < 1:
            raise InputError(
                "the lowest level is less than one step",
                where=table.place("level_vpp"),
                got=f"{span[0]:g} V",
                allowed=f"{level.step:g} V or more",
            )
    table.finish()
    return SourceLimits(frequency, span)
