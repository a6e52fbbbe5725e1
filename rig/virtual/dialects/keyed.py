"""A generator that takes pairs of a key and a value and answers with all of them; it reports no errors."""

from __future__ import annotations

import math

from whichcore.rig.virtual.bench import Bench
from whichcore.rig.virtual.scpi import Command, ScpiError, Suffixes, number
from whichcore.rig.virtual.source import LOADS, VirtualSource

IDENTITY = "Workshop,Generator of keys,0022,1.0"
OPEN = "HZ"  # its word for a load of high impedance


class KeyedSource(VirtualSource):
    """See the exchanges of the family ``keyed-source``; what it does not take it ignores without a word."""

    def __init__(self, bench: Bench) -> None:
        super().__init__(bench, IDENTITY)

    def commands(self) -> tuple[Command, ...]:
        """Return the commands."""
        return (
            Command("C#:BSWV", self._set_wave, lambda _s, _a: self._wave()),
            Command("C#:OUTP", self._set_output, lambda _s, _a: self._output()),
        )

    def _set_wave(self, _suffixes: Suffixes, arguments: list[str]) -> None:
        for key, value in zip(arguments[::2], arguments[1::2], strict=False):
            if key == "WVTP" and value != "SINE":
                raise ScpiError(-224, value)
            action = {"FRQ": self._set_frequency, "AMP": self._set_level, "OFST": self._set_offset}.get(key)
            if action is not None:
                action((1,), [value])

    def _wave(self) -> str:
        front = self._bench.source
        half = front.level_vpp / 2
        return (
            f"C1:BSWV WVTP,SINE,FRQ,{front.frequency_hz:.10g}HZ,PERI,{1 / front.frequency_hz:.6g}S,"
            f"AMP,{front.level_vpp:.6g}V,OFST,{front.offset_v:.6g}V,HLEV,{front.offset_v + half:.6g}V,"
            f"LLEV,{front.offset_v - half:.6g}V,PHSE,0"
        )

    def _set_output(self, _suffixes: Suffixes, arguments: list[str]) -> None:
        if arguments[:1] == ["LOAD"] and len(arguments) == 2:
            text = "INF" if arguments[1] == OPEN else str(number(arguments[1:], *LOADS))
            self._set_load((1,), [text])
        else:
            self._set_state((1,), arguments[:1])

    def _output(self) -> str:
        front = self._bench.source
        load = OPEN if math.isinf(front.load_ohm) else f"{front.load_ohm:g}"
        return f"C1:OUTP {'ON' if front.on else 'OFF'},LOAD,{load},PLRT,NOR"
