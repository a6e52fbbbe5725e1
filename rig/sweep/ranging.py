"""Which range suits what was seen on a channel; a band in which nothing changes keeps it from hunting."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from whichcore.analysis.capture_check import clip_flags
from whichcore.analysis.types import Capture

FULLEST = 0.92  # of the range: above, the next wider one
FILL_WANTED = 0.7  # a narrower range is taken only when it would be filled no further than this
JUMP_CLIPPED = 2  # ranges to go up where a clipped record says nothing of the true height


@dataclass(frozen=True, slots=True)
class Seen:
    """Height of one channel.

    Attributes
    ----------
    peak_to_peak_v : float
        Twice the largest distance from 0 V: what a range about 0 V must hold.
    clipped : bool
    """

    peak_to_peak_v: float
    clipped: bool


def seen(capture: Capture) -> tuple[Seen, Seen]:
    """Return the height of both channels."""
    clipped = {flag.channel for flag in clip_flags(capture)}
    heights = []
    for channel in range(2):
        codes = capture.samples[channel]
        ends = np.array([codes.min(), codes.max()], dtype=float)
        volts = ends * capture.volts_per_code[channel] + capture.offset_v[channel]
        heights.append(Seen(2 * float(np.max(np.abs(volts))), channel in clipped))
    return heights[0], heights[1]


def better_range(ranges: Sequence[float], now: float, height: Seen) -> float:
    """Return the range to use, ``now`` where it serves well enough.

    Parameters
    ----------
    ranges : sequence of float
        Full scales in rising order, V peak to peak.
    now : float
        One of them.
    height : Seen
    """
    place = min(range(len(ranges)), key=lambda i: abs(ranges[i] - now))
    if height.clipped:
        return ranges[min(place + JUMP_CLIPPED, len(ranges) - 1)]
    fitting = [full for full in ranges if height.peak_to_peak_v <= FILL_WANTED * full]
    smallest = fitting[0] if fitting else ranges[-1]
    if smallest < ranges[place] or height.peak_to_peak_v > FULLEST * ranges[place]:
        return smallest
    return ranges[place]
