"""A scope that puts channel and question before each answer, a unit behind it, odd ends behind blocks."""

from __future__ import annotations

from whichcore.rig.virtual.bench import Bench
from whichcore.rig.virtual.dialects.scope import (
    VERTICAL_DIVISIONS,
    Scope,
    Screen,
    channel,
    chosen_word,
    nothing,
    plain,
    with_unit,
)
from whichcore.rig.virtual.faults import FaultKind
from whichcore.rig.virtual.scpi import Action, Command, Reply, ScpiError, Suffixes, Waveform, number, only

IDENTITY = "WORKSHOP,SCOPE OF PREFIXES,0013,1.0"
TRAILER = b"\n\n"
UNKNOWN_HEADER, OTHER_ERROR = 1, 4  # numbers of its command error register


class PrefixedScope(Scope):
    """See the exchanges of the family ``prefixed-reply``; it does not obey CHDR OFF."""

    def __init__(self, bench: Bench) -> None:
        self._window = (1, 0, 0)  # sparing, number (0: all), first
        super().__init__(bench, IDENTITY, Screen(horizontal_divisions=14, depth=14_000))

    def commands(self) -> tuple[Command, ...]:
        """Return the commands."""
        return (
            Command("CHDR", chosen_word("OFF", "SHORT", "LONG")),
            Command("CMR", ask=self._error),
            Command("MSIZ", self._set_depth, lambda _s, _a: f"MSIZ {self.depth / 1000:g}K"),
            Command("ACQW", chosen_word("SAMPLING")),
            Command("C#:TRA", chosen_word("ON")),
            Command("BWL", nothing),
            Command("C#:CPL", self._set_coupling),
            Command("C#:ATTN", self._set_probe, self._probe),
            Command("C#:OFST", self._set_offset, self._offset),
            Command("C#:VDIV", self._set_scale, self._scale),
            Command("TDIV", self._set_division, lambda _s, _a: f"TDIV {self.division_s:.2E}S"),
            Command("SARA", ask=lambda _s, _a: f"SARA {1 / self.interval_s:.2E}Sa/s"),
            Command("TRMD", self._set_mode),
            Command("ARM", plain(self.single)),
            Command("FRTR", plain(self.force)),
            Command("STOP", plain(self.stop)),
            Command("SAST", ask=lambda _s, _a: f"SAST {self._state()}"),
            Command("WFSU", self._set_window),
            Command("C#:WF", ask=self._waveform),
        )

    def _common(self) -> tuple[Command, ...]:
        """Put its prefix in front of who it is as well."""

        def prefixed(ask: Action) -> Action:
            return lambda suffixes, arguments: f"*IDN {ask(suffixes, arguments)}"

        return tuple(
            Command(one.pattern, one.write, prefixed(one.ask)) if one.pattern == "*IDN" and one.ask else one
            for one in super()._common()
        )

    def _headed(self, _header: str, answer: Reply) -> Reply:
        return answer  # there is always one

    def _error(self, _suffixes: Suffixes, _arguments: list[str]) -> str:
        """Tell the last error, and forget all."""
        if self.faults.find(FaultKind.ENDLESS_ERRORS, self.name):
            return f"CMR {OTHER_ERROR}"
        errors = self.take_errors()
        if not errors:
            return "CMR 0"
        return f"CMR {UNKNOWN_HEADER if errors[-1][0] == -113 else OTHER_ERROR}"

    def _set_depth(self, _suffixes: Suffixes, arguments: list[str]) -> None:
        text = only(arguments).upper()
        self.set_depth(float(text[:-1]) * 1e6 if text.endswith("M") else with_unit(text, ""))

    def _set_coupling(self, suffixes: Suffixes, arguments: list[str]) -> None:
        text = only(arguments).upper()
        if text not in {"D1M", "A1M"}:
            raise ScpiError(-224, text)
        self.set_coupling(channel(suffixes), alternating=text == "A1M")

    def _set_probe(self, suffixes: Suffixes, arguments: list[str]) -> None:
        self.set_attenuation(channel(suffixes), number(arguments, 0.01, 1e4))

    def _probe(self, suffixes: Suffixes, _arguments: list[str]) -> str:
        return f"C{suffixes[0]}:ATTN {self.front(channel(suffixes)).attenuation:g}"

    def _set_offset(self, suffixes: Suffixes, arguments: list[str]) -> None:
        """Take what is added to the trace: the other sign of what is at the middle of the screen."""
        self.set_offset(channel(suffixes), -with_unit(only(arguments), "V"))

    def _offset(self, suffixes: Suffixes, _arguments: list[str]) -> str:
        added = 0.0 - self.front(channel(suffixes)).offset_v
        return f"C{suffixes[0]}:OFST {added:.2E}V"

    def _set_scale(self, suffixes: Suffixes, arguments: list[str]) -> None:
        volts = with_unit(only(arguments), "V")
        self.set_full_scale(channel(suffixes), VERTICAL_DIVISIONS * volts)

    def _scale(self, suffixes: Suffixes, _arguments: list[str]) -> str:
        volts = self.full_scale_v(channel(suffixes)) / VERTICAL_DIVISIONS
        return f"C{suffixes[0]}:VDIV {volts:.2E}V"

    def _set_division(self, _suffixes: Suffixes, arguments: list[str]) -> None:
        self.set_division_s(with_unit(only(arguments), "S"))

    def _set_mode(self, _suffixes: Suffixes, arguments: list[str]) -> None:
        if only(arguments).upper() not in {"SINGLE", "STOP"}:
            raise ScpiError(-224, arguments[0])
        self.stop()

    def _state(self) -> str:
        if self.waiting:
            return "Ready"
        return "Stop" if self.complete else "Trig'd"

    def _set_window(self, _suffixes: Suffixes, arguments: list[str]) -> None:
        named = dict(zip(arguments[::2], arguments[1::2], strict=False))
        try:
            self._window = (int(named.get("SP", 1)), int(named.get("NP", 0)), int(named.get("FP", 0)))
        except ValueError:
            raise ScpiError(-104, ",".join(arguments)) from None

    def _waveform(self, suffixes: Suffixes, arguments: list[str]) -> Waveform:
        if only(arguments).upper() != "DAT2":
            raise ScpiError(-224, arguments[0])
        sparing, count, first = self._window
        codes = self.codes(channel(suffixes))[first :: max(sparing, 1)]
        codes = codes[:count] if count else codes
        return Waveform(codes.tobytes(), before=f"C{suffixes[0]}:WF DAT2,", trailer=TRAILER, digits=9)
