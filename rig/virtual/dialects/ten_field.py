"""A scope that describes a record in one answer of ten fields and hands it out in windows of bytes."""

from __future__ import annotations

import numpy as np

from whichcore.rig.virtual.bench import Bench
from whichcore.rig.virtual.dialects.scope import (
    VERTICAL_DIVISIONS,
    Scope,
    Screen,
    chosen_word,
    nothing,
    of_channel,
    of_value,
    plain,
    told,
    told_of_channel,
)
from whichcore.rig.virtual.scpi import Command, ScpiError, Suffixes, Waveform, number, word

IDENTITY = "Workshop,Scope of ten fields,0011,1.0"
MOST_POINTS = 250_000  # of a window
REFERENCE = 127


class TenFieldScope(Scope):
    """See the exchanges of the family ``ten-field-preamble``."""

    def __init__(self, bench: Bench) -> None:
        self._source = 0
        self._window = (1, MOST_POINTS)
        self._runs = True
        super().__init__(bench, IDENTITY, Screen(horizontal_divisions=12, depth=60_000))

    def commands(self) -> tuple[Command, ...]:
        """Return the commands."""
        return (
            Command("ACQuire:TYPE", chosen_word("NORMal", "NORM")),
            Command("ACQuire:MDEPth", self._set_depth, told(lambda: str(self.depth))),
            Command("ACQuire:SRATe", ask=told(lambda: f"{1 / self.interval_s:.6e}")),
            Command("TIMebase:MODE", chosen_word("MAIN")),
            Command("TIMebase[:MAIN]:SCALe", of_value(self.set_division_s), told(self._division)),
            Command("CHANnel#:DISPlay", chosen_word("ON", "1")),
            Command("CHANnel#:BWLimit", chosen_word("OFF")),
            Command("CHANnel#:COUPling", self._set_coupling),
            Command("CHANnel#:PROBe", of_channel(self.set_attenuation), told_of_channel(self._probe)),
            Command("CHANnel#:OFFSet", of_channel(lambda c, v: self.set_offset(c, -v)), self._offset),
            Command("CHANnel#:SCALe", of_channel(self._set_scale), told_of_channel(self._scale)),
            Command("RUN", plain(self._run_free)),
            Command("STOP", plain(self._halt)),
            Command("SINGle", plain(self._arm)),
            Command("TFORce", plain(self.force)),
            Command("TRIGger:STATus", ask=told(self._status)),
            Command("WAVeform:SOURce", self._set_source),
            Command("WAVeform:MODE", chosen_word("RAW")),
            Command("WAVeform:FORMat", chosen_word("BYTE")),
            Command("WAVeform:POINts", nothing),
            Command("WAVeform:STARt", of_value(lambda v: self._set_window(0, v))),
            Command("WAVeform:STOP", of_value(lambda v: self._set_window(1, v))),
            Command("WAVeform:PREamble", ask=told(self._preamble)),
            Command("WAVeform:DATA", ask=told(self._data)),
        )

    def _set_depth(self, _suffixes: Suffixes, arguments: list[str]) -> None:
        if not self._runs:
            raise ScpiError(-221, "the depth is taken only while it runs")
        self.set_depth(number(arguments, 1, 1e9))

    def _division(self) -> str:
        return f"{self.division_s:.6e}"

    def _set_coupling(self, suffixes: Suffixes, arguments: list[str]) -> None:
        self.set_coupling(suffixes[0] - 1, alternating=word(arguments, "AC", "DC") == "AC")

    def _probe(self, index: int) -> str:
        return f"{self.front(index).attenuation:.6e}"

    def _offset(self, suffixes: Suffixes, _arguments: list[str]) -> str:
        return f"{-self.front(suffixes[0] - 1).offset_v:.6e}"

    def _set_scale(self, index: int, volts: float) -> None:
        self.set_full_scale(index, VERTICAL_DIVISIONS * volts)

    def _scale(self, index: int) -> str:
        return f"{self.full_scale_v(index) / VERTICAL_DIVISIONS:.6e}"

    def _run_free(self) -> None:
        self._runs = True
        self.stop()

    def _halt(self) -> None:
        self._runs = False
        self.stop()

    def _arm(self) -> None:
        self._runs = False
        self.single()

    def _status(self) -> str:
        if self.waiting:
            return "WAIT"
        return "STOP" if self.complete and not self._runs else "RUN"

    def _set_source(self, _suffixes: Suffixes, arguments: list[str]) -> None:
        self._source = int(word(arguments, "CHANnel1", "CHANnel2")[-1]) - 1

    def _set_window(self, end: int, value: float) -> None:
        window = list(self._window)
        window[end] = round(value)
        self._window = (window[0], window[1])

    def _preamble(self) -> str:
        index = self._source
        step = self.step_v(index)
        # the middle of the screen is offset_v: volts = (code − origin − reference) × step
        origin = -round(self.front(index).offset_v / step)
        begin = -self.depth * self.interval_s / 2
        return f"0,2,{self.depth},1,{self.interval_s:.6e},{begin:.6e},0,{step:.6e},{origin},{REFERENCE}"

    def _data(self) -> Waveform:
        first, last = self._window
        codes = self.codes(self._source)
        if not 1 <= first <= last <= len(codes) or last - first >= MOST_POINTS:
            raise ScpiError(-222, f"points {first} to {last}")
        part = np.clip(codes[first - 1 : last].astype(np.int16) + REFERENCE, 0, 255).astype(np.uint8)
        return Waveform(part.tobytes(), digits=9)
