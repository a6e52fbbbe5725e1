"""The audio stream of the worker: silence, but for the take it is given.

``sounddevice`` (PortAudio) calls back from its own thread. Blocking reads are not used: under load they have
returned damaged data with no flag set.
"""

from __future__ import annotations

import threading
import time
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

FADE_FRAMES = 512  # of a take that is stopped


@dataclass(slots=True)
class Take:
    """What is played, and what came back so far.

    Attributes
    ----------
    output : float32 array (M, output channels)
    record : float32 array (M, 2)
    position : int
        Frames done.
    flags : set of str
        Drop-outs the host told of.
    """

    output: NDArray[np.float32]
    record: NDArray[np.float32]
    position: int = 0
    flags: set[str] = field(default_factory=set)
    done: threading.Event = field(default_factory=threading.Event)
    stopping: bool = False


class Player:
    """Called back by the stream.

    Parameters
    ----------
    output_channels : sequence of int
        Places of the played channels among those of the stream, counted from 0.
    input_channels : (int, int)
        Places of A and B.
    """

    def __init__(self, output_channels: tuple[int, ...], input_channels: tuple[int, int]) -> None:
        self._out, self._in = output_channels, input_channels
        self._take: Take | None = None
        self.calls = 0
        self.last_call_s = time.monotonic()

    @property
    def age_s(self) -> float:
        """Time since the host last called."""
        return time.monotonic() - self.last_call_s

    def begin(self, output: NDArray[np.float32]) -> Take:
        """Play a signal from the next call on."""
        take = Take(output, np.zeros((len(output), 2), dtype=np.float32))
        self._take = take
        return take

    def stop(self) -> None:
        """Fade out what plays; it is done within some milliseconds."""
        take = self._take
        if take is not None:
            take.stopping = True

    def __call__(
        self, read: NDArray[Any], played: NDArray[Any], frames: int, _time: Any, status: Any
    ) -> None:
        """Serve one call of the host."""
        self.calls += 1
        self.last_call_s = time.monotonic()
        played.fill(0)
        take = self._take
        if take is None:
            return
        if status:
            take.flags.update(_drop_outs(status))
        if take.stopping:
            self._fade(take, played, frames)
            return
        start = take.position
        count = min(frames, len(take.output) - start)
        for column, channel in enumerate(self._out):
            played[:count, channel] = take.output[start : start + count, column]
        take.record[start : start + count] = read[:count, list(self._in)]
        take.position = start + count
        if take.position == len(take.output):
            self._end(take)

    def _fade(self, take: Take, played: NDArray[Any], frames: int) -> None:
        start = take.position
        count = min(frames, len(take.output) - start, FADE_FRAMES)
        ramp = np.linspace(1.0, 0.0, count, endpoint=False, dtype=np.float32)
        for column, channel in enumerate(self._out):
            played[:count, channel] = take.output[start : start + count, column] * ramp
        self._end(take)

    def _end(self, take: Take) -> None:
        self._take = None
        take.done.set()


def _drop_outs(status: Any) -> set[str]:
    names = ("input_underflow", "input_overflow", "output_underflow", "output_overflow")
    return {name.replace("_", " ") for name in names if getattr(status, name)}
