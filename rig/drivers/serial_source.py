"""A source on a serial line: a board that takes short lines and answers them, or nothing."""

from __future__ import annotations

import contextlib
import math
import re
import time
import warnings
from collections.abc import Iterator

from whichcore.errors import InputError, InstrumentError, WhichcoreWarning
from whichcore.rig.drivers.setting import require_within
from whichcore.rig.instruments import SourceLimits
from whichcore.rig.lines.serial_wire import SerialWire, port_of, serial_faults
from whichcore.rig.tables.serial_table import SerialTable
from whichcore.rig.tables.template import Template

_FAULTS: tuple[type[Exception], ...] = (*serial_faults(), RuntimeError)
REFUSED = "the board does not take the command"
COARSE = 1e-4  # of a frequency: more than that off, an inductance would be off by as much
SILENCE_S = 0.5  # practice: a board that has begun a line does not rest within it


class SerialSource:
    """A serial source spoken to by its table; see :class:`whichcore.rig.instruments.Source`.

    Frequency and level come in the steps of the board; what is reported is what was really set.

    Parameters
    ----------
    table : SerialTable
    address : str
        Resource string of the port, such as ``ASRL/dev/ttyUSB0::INSTR``.
    limits : SourceLimits or None
        Narrower limits than those of the table.

    Attributes
    ----------
    last : (str, str)
        Last line sent, and what came for it.

    Raises
    ------
    InstrumentError
        The address is not that of a serial port.
    """

    def __init__(self, table: SerialTable, address: str, limits: SourceLimits | None = None) -> None:
        if port_of(address) is None:
            raise InstrumentError(
                "this is not the address of a serial port",
                where="address",
                got=address,
                allowed="such as ASRL/dev/ttyUSB0::INSTR, or ASRL3::INSTR for COM3",
                next_step="correct address in bench.toml",
            )
        self.address = address
        self._table = table
        self._limits = limits or table.limits
        self._wire: SerialWire | None = None
        self._identity = ""
        self._frequency_hz: float | None = None
        self._level_vpp: float | None = None
        self._told_of_no_switch = False
        self.last = ("", "")

    @property
    def limits(self) -> SourceLimits:
        """Lowest and highest values."""
        return self._limits

    @property
    def identity(self) -> str:
        """What the board says it is; one that says nothing is called by its table."""
        self._ready()
        return self._identity

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
        """Frequency really set on this connection, Hz; setting one outside ``limits`` raises InputError."""
        return self._frequency_hz

    @frequency_hz.setter
    def frequency_hz(self, value: float) -> None:
        require_within(value, self._limits.frequency_hz, "frequency", "Hz")
        self._ready()
        self._set_frequency(value)

    def nearest_hz(self, value: float) -> float:
        """Return the frequency the board would make of one."""
        return self._nearest(value)[0]

    @property
    def level_vpp(self) -> float | None:
        """Open-circuit level really set, V peak to peak: the highest step not above what was asked."""
        return self._level_vpp

    @level_vpp.setter
    def level_vpp(self, value: float) -> None:
        require_within(value, self._limits.level_vpp, "level", "V peak to peak")
        self._ready()
        self._set_level(value)

    @property
    def offset_v(self) -> float | None:
        """Always 0 V: such a board has no offset to set."""
        return 0.0

    @offset_v.setter
    def offset_v(self, value: float) -> None:
        require_within(value, self._limits.offset_v, "offset", "V")

    def output_is_on(self) -> bool | None:
        """None: such a board is not asked."""
        return None

    def output_on(self) -> None:
        """Switch the output on, where there is a switch."""
        self._ready()
        self._do(self._table.output_on)

    def output_off(self) -> None:
        """Switch the output off; where there is no switch set the lowest level and say so, once."""
        try:
            self._switch_off()
        except InstrumentError:
            self._switch_off()  # the failure has closed the port: this is a new connection
        if not self._table.output_off and not self._told_of_no_switch:
            self._told_of_no_switch = True
            low = self._limits.level_vpp[0]
            warnings.warn(
                f"the source cannot be switched off by its table ({self._table.title}): it stays on at "
                f"{low:g} V peak to peak; pull its cable before you touch the terminals",
                WhichcoreWarning,
                stacklevel=2,
            )

    def check_errors(self) -> None:
        """Do nothing: a board that answers says at each command what is wrong."""

    def close(self) -> None:
        """Close the port; doing it twice does no harm."""
        wire, self._wire = self._wire, None
        self._frequency_hz = self._level_vpp = None
        if wire is not None:
            with contextlib.suppress(*serial_faults()):  # a port that has vanished may refuse to be closed
                wire.close()

    def _switch_off(self) -> None:
        self._ready()
        if self._table.output_off:
            self._do(self._table.output_off)
        elif self._table.level.command is not None:
            self._set_level(self._limits.level_vpp[0])

    def _set_frequency(self, value: float) -> None:
        real, word = self._nearest(value)
        if abs(real - value) > COARSE * value:
            raise InputError(
                "the steps of the source are too coarse for this frequency",
                where="frequency",
                got=f"{value:.9g} Hz",
                allowed=f"{real:.9g} Hz, in steps of {self._table.frequency.step:.4g} Hz",
                next_step="begin the band at a higher frequency",
            )
        if real == self._frequency_hz:
            return
        self._frequency_hz = None
        if self._table.frequency.command is not None:
            self._say(self._table.frequency.command, frequency_hz=real, word=word)
        self._frequency_hz = real

    def _nearest(self, value: float) -> tuple[float, int]:
        """Return the nearest frequency there is within the limits, and its word."""
        real, word = self._table.frequency.nearest(value)
        low, high = self._limits.frequency_hz
        if self._table.frequency.step and not low <= real <= high:
            word += 1 if real < low else -1
            real = word * self._table.frequency.step
        return real, word

    def _set_level(self, value: float) -> None:
        real, code = self._table.level.below(value)
        if self._table.level.command is None:
            self._level_vpp = value
            return
        if real == self._level_vpp:
            return
        self._level_vpp = None
        shown = real * self._table.display_share
        fields = {"level_vpp": shown, "level_vpk": shown / 2, "level_vrms": shown / math.sqrt(8)}
        self._say(self._table.level.command, code=code, **fields)
        self._level_vpp = real

    # --- the line ---

    def _ready(self) -> None:
        """Open the port where it is not, ask who is there and prepare; raises InstrumentError."""
        if self._wire is not None:
            return
        line = self._table.line
        with self._guarded("open"):
            self._wire = SerialWire(self.address, line.baud_rate, SILENCE_S)
            if line.wake_s:
                time.sleep(line.wake_s)
                self._wire.forget()
        self._identity = self._ask_identity()
        self._do(self._table.prepare)

    def _ask_identity(self) -> str:
        if self._table.identify is None:
            return f"{self._table.title} (says nothing of itself)"
        ask, pattern = self._table.identify
        with self._guarded(ask.text):
            wire = self._send(ask.text)
            answer = self._line_of(wire, ask.text)
        if not re.search(pattern, answer):
            self.close()
            self._refuse_echo(ask.text, answer)
            raise InstrumentError(
                "another instrument answers on this port",
                where=f"{self.address}, {ask.text}",
                got=repr(answer[:120]),
                allowed=f"a match of {pattern} ({self._table.title})",
                next_step="correct address, driver or baud_rate",
            )
        return answer

    def _do(self, commands: tuple[Template, ...]) -> None:
        for command in commands:
            self._say(command)

    def _say(self, command: Template, **values: float) -> None:
        """Send a command and read what the table says is answered."""
        text = command.fill(**values)
        with self._guarded(text):
            wire = self._send(text)
            answers = self._table.answers
            if answers.good is None:
                return
            answer = self._line_of(wire, text)
            if not re.search(answers.good, answer):
                self._refuse_echo(text, answer)
                raise InstrumentError(
                    REFUSED,
                    where=f"{self.address}, {text}",
                    got=repr(answer[:120]),
                    allowed=f"a match of {answers.good}",
                    next_step="check the commands of its table",
                )

    def _refuse_echo(self, text: str, answer: str) -> None:
        """Raise InstrumentError where an answer is the command itself."""
        if answer == text:
            raise InstrumentError(
                "the board sends the command back",
                where=f"{self.address}, {text}",
                got=repr(answer[:120]),
                next_step="set echo = true in its table"
                if not self._table.answers.echo
                else "it does so twice: switch the echo of its line off",
            )

    def _send(self, text: str) -> SerialWire:
        wire, line = self._wire, self._table.line
        if wire is None:
            raise OSError("the port is closed")
        self.last = (text, "")
        wire.forget()  # what nobody asked for is no answer
        wire.send((text + line.write_terminator).encode("ascii"), line.timeout_s)
        if line.command_pause_s:
            time.sleep(line.command_pause_s)
        return wire

    def _line_of(self, wire: SerialWire, text: str) -> str:
        """Return the answer to a command, behind its echo where there is one."""
        line = self._table.line
        deadline = time.monotonic() + line.timeout_s
        end = line.read_terminator.encode("ascii")
        if self._table.answers.echo:
            echo = wire.next_line(end, deadline).decode("ascii", "replace").strip()
            self.last = (text, echo)
            if echo != text:
                raise InstrumentError(
                    "the board sends back something else than the command",
                    where=f"{self.address}, {text}",
                    got=repr(echo[:120]),
                    allowed=repr(text),
                    next_step="check baud_rate and echo in its table",
                )
        answer = wire.next_line(end, deadline).decode("ascii", "replace").strip()
        self.last = (text, answer)
        return answer

    @contextlib.contextmanager
    def _guarded(self, what: str) -> Iterator[None]:
        """Turn whatever a port raises into one InstrumentError, and close what is now out of step."""
        try:
            yield
        except InstrumentError:
            self.close()
            raise
        except TimeoutError as error:
            self.close()
            raise InstrumentError(
                "the board does not answer",
                where=f"{self.address}, {what}",
                got=str(error),
                next_step="check baud_rate and line ends; for a board that never answers leave [answers] out",
            ) from error
        except _FAULTS as error:
            self.close()
            raise InstrumentError(
                "the serial port has gone",
                where=f"{self.address}, {what}",
                got=" ".join(str(error).split())[:160] or type(error).__name__,
                next_step="plug the cable in again, check power and address, then the same command goes on",
            ) from error
        except BaseException:
            self.close()
            raise
