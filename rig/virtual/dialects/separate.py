"""A scope that is asked for each number of its scale by itself, and hands out words of two bytes."""

from __future__ import annotations

import numpy as np

from whichcore.rig.virtual.bench import Bench
from whichcore.rig.virtual.dialects.scope import (
    VERTICAL_DIVISIONS,
    Scope,
    Screen,
    chosen_word,
    of_channel,
    of_value,
    told,
    told_of_channel,
)
from whichcore.rig.virtual.faults import FaultKind
from whichcore.rig.virtual.scpi import Command, Reply, ScpiError, Suffixes, Waveform, word

IDENTITY = "Workshop,Scope of separate answers,0012,1.0"
NOTHING = '0,"No events to report - queue empty"'
WORD = 256  # a code of eight bits, moved to the top of a word


class SeparateScope(Scope):
    """See the exchanges of the family ``separate-scaling``."""

    def __init__(self, bench: Bench) -> None:
        self._source = 0
        self._window = (1, 10_000)
        self._headers = True
        self._shown: list[tuple[int, str]] = []
        super().__init__(bench, IDENTITY, Screen(horizontal_divisions=10, depth=10_000))

    def commands(self) -> tuple[Command, ...]:
        """Return the commands."""
        return (
            Command("HEADer", self._set_headers),
            Command("*ESR", ask=told(self._events)),
            Command("EVMsg", ask=told(self._event)),
            Command("DATa:ENCdg", chosen_word("RIBinary", "RIB")),
            Command("DATa:WIDth", chosen_word("2")),
            Command("DATa:SOUrce", self._set_source),
            Command("DATa:STARt", of_value(lambda v: self._set_window(0, v))),
            Command("DATa:STOP", of_value(lambda v: self._set_window(1, v))),
            Command("ACQuire:MODe", chosen_word("SAMple", "SAM")),
            Command("ACQuire:STOPAfter", chosen_word("SEQuence", "SEQ")),
            Command("ACQuire:STATE", self._set_state),
            Command("BUSY", ask=told(lambda: "0" if self.complete else "1")),
            Command("TRIGger", self._trigger),
            Command("HORizontal:RECOrdlength", of_value(self.set_depth), told(lambda: str(self.depth))),
            Command("HORizontal[:MAIn]:SCAle", of_value(self.set_division_s), told(self._division)),
            Command("HORizontal:SAMPLERate", ask=told(lambda: engineering(1 / self.interval_s))),
            Command("SELect:CH#", chosen_word("ON", "1")),
            Command("CH#:BANdwidth", chosen_word("FULl", "FUL")),
            Command("CH#:POSition", chosen_word("0")),
            Command("CH#:COUPling", self._set_coupling),
            Command("CH#:PRObe", of_channel(self.set_attenuation), told_of_channel(self._probe)),
            Command("CH#:OFFSet", of_channel(self.set_offset), told_of_channel(self._offset)),
            Command("CH#:SCAle", of_channel(self._set_scale), told_of_channel(self._scale)),
            Command("WFMOutpre:XINcr", ask=told(lambda: engineering(self.interval_s))),
            Command("WFMOutpre:YMUlt", ask=told(lambda: engineering(self.step_v(self._source) / WORD))),
            Command("WFMOutpre:YZEro", ask=told(lambda: engineering(self.front(self._source).offset_v))),
            Command("WFMOutpre:YOFf", ask=told(lambda: engineering(0.0))),
            Command("CURVe", ask=told(self._curve)),
        )

    def _headed(self, header: str, answer: Reply) -> Reply:
        if self._headers and isinstance(answer, str) and not header.startswith(("*", "EVMsg")):
            return f":{header.removesuffix('?').upper()} {answer}"
        return super()._headed(header, answer)

    def _set_headers(self, _suffixes: Suffixes, arguments: list[str]) -> None:
        self._headers = word(arguments, "ON", "OFF", "0", "1") in {"ON", "1"}

    def _events(self) -> str:
        """Move what has gone wrong into what is shown; tell its kinds (IEEE 488.2-1992, 11.5.1; memory)."""
        if self.faults.find(FaultKind.ENDLESS_ERRORS, self.name):
            self._shown = [(-240, "Hardware error")]
        else:
            self._shown = self.take_errors()
        kinds = {1: 32, 2: 16, 3: 8}  # command, execution, device
        return str(sum({kinds.get(abs(number) // 100, 8) for number, _ in self._shown}))

    def _event(self) -> str:
        if not self._shown:
            return NOTHING
        if self.faults.find(FaultKind.ENDLESS_ERRORS, self.name):
            return f'{self._shown[0][0]},"{self._shown[0][1]}"'
        number, text = self._shown.pop(0)
        return f'{abs(number)},"{text}"'

    def _set_source(self, _suffixes: Suffixes, arguments: list[str]) -> None:
        self._source = int(word(arguments, "CH1", "CH2")[-1]) - 1

    def _set_window(self, end: int, value: float) -> None:
        window = list(self._window)
        window[end] = round(value)
        self._window = (window[0], window[1])

    def _set_state(self, _suffixes: Suffixes, arguments: list[str]) -> None:
        if word(arguments, "RUN", "ON", "STOP", "OFF") in {"RUN", "ON"}:
            self.single()
        else:
            self.stop()

    def _trigger(self, _suffixes: Suffixes, arguments: list[str]) -> None:
        word(arguments, "FORCe")
        self.force()

    def _division(self) -> str:
        return engineering(self.division_s)

    def _set_coupling(self, suffixes: Suffixes, arguments: list[str]) -> None:
        self.set_coupling(suffixes[0] - 1, alternating=word(arguments, "AC", "DC") == "AC")

    def _probe(self, index: int) -> str:
        return engineering(self.front(index).attenuation)

    def _offset(self, index: int) -> str:
        return engineering(self.front(index).offset_v)

    def _set_scale(self, index: int, volts: float) -> None:
        self.set_full_scale(index, VERTICAL_DIVISIONS * volts)

    def _scale(self, index: int) -> str:
        return engineering(self.full_scale_v(index) / VERTICAL_DIVISIONS)

    def _curve(self) -> Waveform:
        first, last = self._window
        codes = self.codes(self._source)
        if not 1 <= first <= last:
            raise ScpiError(-222, f"points {first} to {last}")
        part = codes[first - 1 : last].astype(">i2") * WORD
        return Waveform(part.astype(">i2").tobytes(), item_bytes=2)


def engineering(value: float) -> str:
    """Return a number with an exponent that is a multiple of three, such as ``200.0000E-3``."""
    if value == 0:
        return "0.0E+0"
    exponent = int(np.floor(np.log10(abs(value)) / 3 + 1e-12)) * 3
    digits = f"{value / 10.0**exponent:.4f}"
    digits = "1.0" if digits == "1.0000" and exponent == 0 else digits
    return f"{digits}E{exponent:+d}" if exponent else f"{digits}E0"
