"""A digitizer kept to some of its ranges: those that a calibration has tied to each other."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import replace
from typing import Any

from whichcore.rig.instruments import Bench, DigitizerLimits


class NarrowedDigitizer:
    """A digitizer that offers fewer ranges; see :class:`whichcore.rig.instruments.Digitizer`.

    Parameters
    ----------
    digitizer : Digitizer
        Does all the work.
    ranges_vpp : pair of tuple of float
        Of channel A and B.
    """

    def __init__(self, digitizer: Any, ranges_vpp: tuple[tuple[float, ...], tuple[float, ...]]) -> None:
        self._digitizer = digitizer
        self._ranges = ranges_vpp

    def __getattr__(self, name: str) -> Any:
        return getattr(self._digitizer, name)

    @property
    def limits(self) -> DigitizerLimits:
        """What it takes, with fewer ranges."""
        limits: DigitizerLimits = self._digitizer.limits
        return replace(limits, ranges_vpp=self._ranges)


def with_ranges(bench: Bench, kept_a: Collection[float], kept_b: Collection[float]) -> Bench:
    """Return a bench kept to some ranges; the same one where those are all it has.

    Parameters
    ----------
    bench : Bench
    kept_a, kept_b : collection of float
        Full scales, V peak to peak. A channel none of whose ranges is among them keeps what it has: the
        correction refuses its readings with a line of its own.
    """
    there = bench.digitizer.limits.ranges_vpp
    kept = tuple(
        tuple(full for full in row if any(abs(full - one) <= 1e-6 * full for one in keep)) or row
        for row, keep in zip(there, (kept_a, kept_b), strict=True)
    )
    if kept == there:
        return bench
    return replace(bench, digitizer=NarrowedDigitizer(bench.digitizer, (kept[0], kept[1])))
