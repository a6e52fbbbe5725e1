"""Boards on a serial line that take short lines; one answers, the other says nothing and is always on."""

from __future__ import annotations

import math
import re
from dataclasses import replace

from whichcore.rig.virtual.bench import Bench, SourceFront
from whichcore.rig.virtual.faults import FaultKind
from whichcore.rig.virtual.scpi import Answer, Command, Instrument

CLOCK_HZ, BITS = 25e6, 28
STEP_VPP, MOST_CODES = 0.01, 300
HIGHEST_HZ = 8e6
FIXED_VPP = 1.0
IDENTITY = "DDS board, 28 bit, 1.0"


class DdsBoard(Instrument):
    """A direct synthesizer with a tuning word, on a line of letters and numbers."""

    end_of_answer = b"\r\n"

    def __init__(self, bench: Bench) -> None:
        self._bench = bench
        super().__init__("source", IDENTITY, bench.faults)
        self.reset()

    def commands(self) -> tuple[Command, ...]:
        """Return none: these are no SCPI headers."""
        return ()

    def reset(self) -> None:
        """Be as after switching on."""
        self._bench.change(source=SourceFront(load_ohm=math.inf))

    def execute(self, message: str) -> list[Answer]:
        """Do one line."""
        raise NotImplementedError

    def tune(self, word: int) -> bool:
        """Take a tuning word; False beyond the band."""
        frequency = word * CLOCK_HZ / 2**BITS
        if not 0 < frequency <= HIGHEST_HZ:
            return False
        self.change(frequency_hz=frequency)
        return True

    def change(self, **fields: float | bool) -> None:
        """Change the output."""
        self._bench.change(source=replace(self._bench.source, **fields))  # type: ignore[arg-type]


class AnsweringBoard(DdsBoard):
    """Sends each line back, then says ok or what is wrong."""

    def execute(self, message: str) -> list[Answer]:
        """Do one line; see tables/serial-answering.toml."""
        if message == "?":
            return [f"{message}\r\n{self._identify()}"]
        done = self.take_errors() == [] and self._obey(message)
        return [f"{message}\r\n{'ok' if done else 'error'}"]

    def _obey(self, message: str) -> bool:
        match = re.fullmatch(r"([FAO])(\d+(?:\.\d+)?)", message)
        if match is None or self.faults.find(FaultKind.ENDLESS_ERRORS, self.name):
            return False
        letter, value = match[1], float(match[2])
        if letter == "F":
            return self.tune(round(value / CLOCK_HZ * 2**BITS))
        if letter == "A":
            if not value.is_integer() or value > MOST_CODES:
                return False
            self.change(level_vpp=value * STEP_VPP)
        else:
            self.change(on=value == 1)
        return True


class MuteBoard(DdsBoard):
    """Says nothing, ever; the output is on at one amplitude from the start."""

    def reset(self) -> None:
        """Be as after switching on."""
        self._bench.change(source=SourceFront(level_vpp=FIXED_VPP, load_ohm=math.inf, on=True))

    def execute(self, message: str) -> list[Answer]:
        """Do one line; see tables/serial-mute.toml."""
        match = re.fullmatch(r"W(\d+)", message)
        if match is not None:
            self.tune(int(match[1]))
        return []
