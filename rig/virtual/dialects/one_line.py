"""A generator that takes frequency, amplitude and offset in one line, and switches its output on with it."""

from __future__ import annotations

import math
from dataclasses import replace

from whichcore.rig.virtual.bench import Bench
from whichcore.rig.virtual.scpi import Command, ScpiError, Suffixes, number, word
from whichcore.rig.virtual.source import VirtualSource

IDENTITY = "Workshop,Generator of one line,0021,1.0"


class OneLineSource(VirtualSource):
    """See the exchanges of the family ``one-line-source``."""

    def __init__(self, bench: Bench) -> None:
        super().__init__(bench, IDENTITY)

    def commands(self) -> tuple[Command, ...]:
        """Return the commands."""
        return (
            Command("SOURce#:VOLTage:UNIT", self._set_unit, lambda _s, _a: "VPP"),
            Command("OUTPut#:LOAD", self._set_load, self._load_in_words),
            Command("SOURce#:APPLy:SINusoid", self._apply),
            Command("SOURce#:FREQuency", self._set_frequency, self._frequency_short),
            Command("SOURce#:VOLTage", self._set_level, self._level_short),
            Command("SOURce#:VOLTage:OFFSet", self._set_offset, self._offset),
            Command("OUTPut#[:STATe]", self._set_state, self._state_in_words),
        )

    def _apply(self, _suffixes: Suffixes, arguments: list[str]) -> None:
        if len(arguments) < 3:
            raise ScpiError(-109)
        values = [number([text], -math.inf, math.inf) for text in arguments[:3]]
        old = self._bench.source
        try:
            self._bench.source = replace(
                old, level_vpp=0.0, offset_v=0.0
            )  # neither bars the other one's room
            for action, value in zip(
                (self._set_frequency, self._set_level, self._set_offset), values, strict=True
            ):
                action((1,), [f"{value!r}"])
        except ScpiError:
            self._bench.change(source=old)
            raise
        self._change(on=True)

    def _load_in_words(self, suffixes: Suffixes, arguments: list[str]) -> str:
        return "INFINITY" if math.isinf(self._bench.source.load_ohm) else self._load(suffixes, arguments)

    def _frequency_short(self, _suffixes: Suffixes, _arguments: list[str]) -> str:
        return f"{self._bench.source.frequency_hz:.6E}"

    def _level_short(self, _suffixes: Suffixes, _arguments: list[str]) -> str:
        return f"{self._bench.source.level_vpp:.6E}"

    def _state_in_words(self, _suffixes: Suffixes, _arguments: list[str]) -> str:
        return "ON" if self._bench.source.on else "OFF"

    def _set_unit(self, _suffixes: Suffixes, arguments: list[str]) -> None:
        word(arguments, "VPP")
