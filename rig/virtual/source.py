"""The function generator's commands."""

from __future__ import annotations

import math
from dataclasses import replace

from whichcore.rig.virtual.bench import Bench, SourceFront
from whichcore.rig.virtual.electronics import electronics
from whichcore.rig.virtual.scpi import Command, Instrument, ScpiError, Suffixes, number, only, word

IDENTITY = "Workshop,Virtual Source,0001,1.0"
LOADS = (1.0, 10_000.0)


class VirtualSource(Instrument):
    """A sine generator of 50 Ω whose display takes a load for granted."""

    def __init__(self, bench: Bench, identity: str = IDENTITY) -> None:
        self._bench = bench
        super().__init__("source", identity, bench.faults)

    def reset(self) -> None:
        """Switch off, display for 50 Ω."""
        self._bench.change(source=SourceFront())

    def commands(self) -> tuple[Command, ...]:
        """Return the commands."""
        level = "[SOURce:]VOLTage[:LEVel][:IMMediate][:AMPLitude]"
        return (
            Command("[SOURce:]FUNCtion[:SHAPe]", self._set_shape, lambda _s, _a: "SIN"),
            Command("[SOURce:]FREQuency[:CW]", self._set_frequency, self._frequency),
            Command("UNIT:VOLTage", self._set_unit, lambda _s, _a: "VPP"),
            Command(level, self._set_level, self._level),
            Command("[SOURce:]VOLTage[:LEVel][:IMMediate]:OFFSet", self._set_offset, self._offset),
            Command("OUTPut:LOAD", self._set_load, self._load),
            Command("OUTPut[:STATe]", self._set_state, self._state),
        )

    def _set_shape(self, _suffixes: Suffixes, arguments: list[str]) -> None:
        word(arguments, "SINusoid")

    def _set_unit(self, _suffixes: Suffixes, arguments: list[str]) -> None:
        word(arguments, "VPP")

    def _set_frequency(self, _suffixes: Suffixes, arguments: list[str]) -> None:
        data = electronics().source
        self._change(frequency_hz=number(arguments, data.lowest_hz, data.highest_hz))

    def _frequency(self, _suffixes: Suffixes, _arguments: list[str]) -> str:
        return f"{self._bench.source.frequency_hz:.12E}"

    def _set_level(self, _suffixes: Suffixes, arguments: list[str]) -> None:
        low, high = self._levels()
        value = number(arguments, low, high)
        self._check_room(value, self._bench.source.offset_v)
        self._change(level_vpp=value)

    def _level(self, _suffixes: Suffixes, _arguments: list[str]) -> str:
        return f"{self._bench.source.level_vpp:.9E}"

    def _set_offset(self, _suffixes: Suffixes, arguments: list[str]) -> None:
        high = self._levels()[1] / 2
        value = number(arguments, -high, high)
        self._check_room(self._bench.source.level_vpp, value)
        self._change(offset_v=value)

    def _offset(self, _suffixes: Suffixes, _arguments: list[str]) -> str:
        return f"{self._bench.source.offset_v:.9E}"

    def _set_load(self, _suffixes: Suffixes, arguments: list[str]) -> None:
        """Change what the display takes for granted: the emf stays, the figures follow."""
        endless = only(arguments).upper() in {"INF", "INFINITY"}
        load = math.inf if endless else number(arguments, *LOADS)
        old = self._bench.source
        new = replace(old, load_ohm=load)
        rescale = new.display_share / old.display_share
        new = replace(new, level_vpp=old.level_vpp * rescale, offset_v=old.offset_v * rescale)
        self._bench.change(source=new)

    def _load(self, _suffixes: Suffixes, _arguments: list[str]) -> str:
        load = self._bench.source.load_ohm
        return "9.9E+37" if math.isinf(load) else f"{load:.6E}"

    def _set_state(self, _suffixes: Suffixes, arguments: list[str]) -> None:
        self._change(on=word(arguments, "ON", "OFF", "1", "0") in {"ON", "1"})

    def _state(self, _suffixes: Suffixes, _arguments: list[str]) -> str:
        return "1" if self._bench.source.on else "0"

    def _levels(self) -> tuple[float, float]:
        """Return the displayed limits of the amplitude, V peak to peak."""
        data = electronics().source
        factor = 2 * self._bench.source.display_share
        return data.smallest_vpp * factor, data.largest_vpp * factor

    def _check_room(self, level_vpp: float, offset_v: float) -> None:
        if abs(offset_v) + level_vpp / 2 > self._levels()[1] / 2 * (1 + 1e-9):
            raise ScpiError(-221, "amplitude and offset together")

    def _change(self, **fields: float | bool) -> None:
        self._bench.change(source=replace(self._bench.source, **fields))  # type: ignore[arg-type]
