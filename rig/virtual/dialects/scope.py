"""What the scopes of the virtual bench have in common, whatever their language.

They choose the sample interval from time per division and memory depth, take a range as volts per division,
are armed for one record and wait for a trigger or to be forced; the language is a subclass's.
"""

from __future__ import annotations

import math
import re
from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from whichcore.rig.virtual.bench import Bench, ChannelFront, DigitizerFront
from whichcore.rig.virtual.electronics import electronics
from whichcore.rig.virtual.faults import FaultKind
from whichcore.rig.virtual.scpi import Instrument, Reply, ScpiError, Suffixes, number, only

VERTICAL_DIVISIONS = 8
ATTENUATIONS = (0.01, 1000.0)
LONGEST_DIVISION_S, SHORTEST_DIVISION_S = 10.0, 1e-9
_WITH_UNIT = re.compile(r"([+-]?[\d.]+(?:[eE][+-]?\d+)?)\s*([a-zA-Z/]*)")
_PREFIXES = {"": 1.0, "K": 1e3, "M": 1e-3, "U": 1e-6, "N": 1e-9}


@dataclass(frozen=True, slots=True)
class Screen:
    """What a family of scopes is like.

    Attributes
    ----------
    horizontal_divisions : int
    depth : int
        Points of a record at the start.
    steps_per_range : int
        Of the converter over eight divisions.
    """

    horizontal_divisions: int
    depth: int
    steps_per_range: int = 200


class Scope(Instrument):
    """A two-channel scope without a language.

    Parameters
    ----------
    bench : Bench
    identity : str
    screen : Screen
    """

    def __init__(self, bench: Bench, identity: str, screen: Screen) -> None:
        self._bench, self._screen = bench, screen
        self._division_s = 1e-3
        self._armed = False
        super().__init__("digitizer", identity, bench.faults)
        self.reset()

    def reset(self) -> None:
        """Stop, and set everything back."""
        self._bench.abort()
        self._armed = False
        self._division_s = 1e-3
        front = DigitizerFront(points=self._screen.depth, steps_per_range=self._screen.steps_per_range)
        self._bench.change(digitizer=front)
        self._set_pace()

    def finish(self) -> None:
        """Wait for the end of the acquisition."""
        self._bench.wait()

    # --- time ---

    def set_depth(self, points: float) -> None:
        """Set the points of a record."""
        data = electronics().digitizer
        if not data.fewest_points <= points <= data.most_points:
            raise ScpiError(-222, f"{points:g}")
        self.stop()
        self._bench.change(digitizer=replace(self._bench.digitizer, points=round(points)))
        self._set_pace()

    @property
    def depth(self) -> int:
        """Points of a record."""
        return self._bench.digitizer.points

    def set_division_s(self, wanted: float) -> None:
        """Take the nearest time per division of 1, 2, 5 in each decade."""
        if not SHORTEST_DIVISION_S <= wanted <= LONGEST_DIVISION_S:
            raise ScpiError(-222, f"{wanted:g}")
        decade = 10.0 ** math.floor(math.log10(wanted))
        steps = [decade * factor for factor in (1.0, 2.0, 5.0, 10.0)]
        self._division_s = float(f"{min(steps, key=lambda step: abs(math.log(step / wanted))):.3g}")
        self.stop()
        self._set_pace()

    @property
    def division_s(self) -> float:
        """Time per division."""
        return self._division_s

    @property
    def interval_s(self) -> float:
        """Time between samples."""
        return self._bench.digitizer.interval_s

    def _set_pace(self) -> None:
        shortest = electronics().digitizer.shortest_interval_s
        interval = max(self._screen.horizontal_divisions * self._division_s / self.depth, shortest)
        self._bench.change(digitizer=replace(self._bench.digitizer, interval_s=float(f"{interval:.9g}")))

    # --- channels ---

    def front(self, index: int) -> ChannelFront:
        """Return a channel's front panel."""
        return self._bench.digitizer.channels[index]

    def full_scale_v(self, index: int) -> float:
        """Return the full scale as the probe ratio shows it."""
        return self._bench.channel(index).range_data.full_scale_vpp * self.front(index).attenuation

    def step_v(self, index: int) -> float:
        """Return volts per code as the probe ratio shows them."""
        return self._bench.channel(index).step_v * self.front(index).attenuation

    def set_full_scale(self, index: int, wanted: float) -> None:
        """Take the smallest range that holds so much."""
        front = self.front(index)
        scales = [row.full_scale_vpp for row in electronics().digitizer.channels[index].ranges]
        value = wanted / front.attenuation
        if not 0 < value <= scales[-1] * (1 + 1e-9):
            raise ScpiError(-222, f"{wanted:g}")
        chosen = next(k for k, scale in enumerate(scales) if scale >= value * (1 - 1e-9))
        self.change_channel(index, replace(front, range_index=chosen))

    def set_offset(self, index: int, offset_v: float) -> None:
        """Put so many volts at the middle of the screen."""
        limit = electronics().digitizer.largest_offset_ranges * self.full_scale_v(index)
        if abs(offset_v) > limit:
            raise ScpiError(-222, f"{offset_v:g}")
        self.change_channel(index, replace(self.front(index), offset_v=offset_v))

    def set_attenuation(self, index: int, value: float) -> None:
        """Scale what is shown; the probe itself is a matter of hands."""
        if not ATTENUATIONS[0] <= value <= ATTENUATIONS[1]:
            raise ScpiError(-222, f"{value:g}")
        front = self.front(index)
        offset = front.offset_v / front.attenuation * value
        self.change_channel(index, replace(front, attenuation=value, offset_v=offset))

    def set_coupling(self, index: int, *, alternating: bool) -> None:
        """Couple a channel directly or by its capacitor."""
        self.change_channel(index, replace(self.front(index), alternating=alternating))

    def change_channel(self, index: int, front: ChannelFront) -> None:
        """Put a channel's front panel in force; a record that runs is thrown away."""
        self.stop()
        first, second = self._bench.digitizer.channels
        channels = (front, second) if index == 0 else (first, front)
        self._bench.change(digitizer=replace(self._bench.digitizer, channels=channels))

    # --- records ---

    def single(self) -> None:
        """Arm for one record."""
        self.stop()
        self._armed = True

    def force(self) -> None:
        """Begin the record, if armed; a trigger that is lost is lost here as well."""
        if self._armed and not self.faults.find(FaultKind.TRIGGER_LOST):
            self._armed = not self._bench.start()

    @property
    def waiting(self) -> bool:
        """True between arming and the trigger."""
        return self._armed

    @property
    def complete(self) -> bool:
        """True when nothing is awaited and nothing runs."""
        return not self._armed and not self._bench.running()

    def codes(self, index: int) -> NDArray[np.int8]:
        """Return the record of a channel."""
        codes = None if self._armed else self._bench.codes(index)
        if codes is None:
            raise ScpiError(-230, "no complete record")
        return codes

    def volts(self, index: int) -> NDArray[np.float32]:
        """Return the record of a channel in volts."""
        volts = self.codes(index) * self.step_v(index) + self.front(index).offset_v
        return np.asarray(volts, dtype=np.float32)

    def stop(self) -> None:
        """Throw a record away that is awaited or runs."""
        self._armed = False
        self._bench.abort()


def channel(suffixes: Suffixes) -> int:
    """Return the index of the channel a header names."""
    if suffixes[0] not in {1, 2}:
        raise ScpiError(-114, str(suffixes[0]))
    return suffixes[0] - 1


def plain(action: Callable[[], object]) -> Callable[[Suffixes, list[str]], None]:
    """Return an action that takes nothing."""

    def run(_suffixes: Suffixes, _arguments: list[str]) -> None:
        action()

    return run


def told(answer: Callable[[], Reply]) -> Callable[[Suffixes, list[str]], Reply]:
    """Return a question that takes nothing."""

    def run(_suffixes: Suffixes, _arguments: list[str]) -> Reply:
        return answer()

    return run


def of_value(action: Callable[[float], None]) -> Callable[[Suffixes, list[str]], None]:
    """Return an action that takes one number."""

    def run(_suffixes: Suffixes, arguments: list[str]) -> None:
        action(number(arguments, -math.inf, math.inf))

    return run


def of_channel(action: Callable[[int, float], None]) -> Callable[[Suffixes, list[str]], None]:
    """Return an action that takes a channel and one number."""

    def run(suffixes: Suffixes, arguments: list[str]) -> None:
        action(channel(suffixes), number(arguments, -math.inf, math.inf))

    return run


def told_of_channel(answer: Callable[[int], Reply]) -> Callable[[Suffixes, list[str]], Reply]:
    """Return a question about a channel."""

    def run(suffixes: Suffixes, _arguments: list[str]) -> Reply:
        return answer(channel(suffixes))

    return run


def nothing(_suffixes: Suffixes, _arguments: list[str]) -> None:
    """Do nothing, for settings this bench has only one of."""


def chosen_word(*choices: str) -> Callable[[Suffixes, list[str]], None]:
    """Return an action that takes one of some words and does nothing with it."""

    def run(_suffixes: Suffixes, arguments: list[str]) -> None:
        text = only(arguments).upper()
        if text not in {choice.upper() for choice in choices}:
            raise ScpiError(-224, text)

    return run


def with_unit(text: str, units: str) -> float:
    """Return a number that may have a prefix and one of the units behind it, such as ``0.2V`` or ``14K``."""
    match = _WITH_UNIT.fullmatch(text.strip())
    if match is None:
        raise ScpiError(-104, text)
    prefix = match[2].upper()
    for unit in sorted(units.split(), key=len, reverse=True):
        if prefix.endswith(unit.upper()):
            prefix = prefix.removesuffix(unit.upper())
            break
    if prefix not in _PREFIXES:
        raise ScpiError(-104, text)
    return float(match[1]) * _PREFIXES[prefix]
