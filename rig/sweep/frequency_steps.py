"""Frequencies a source can really make, so that each point stands at the one it was measured at."""

from __future__ import annotations

from collections.abc import Callable, Iterable

from whichcore.rig.instruments import Source


def settable(source: Source, frequency_hz: Iterable[float]) -> tuple[float, ...]:
    """Return the nearest frequencies a source can make, in rising order, none twice.

    Parameters
    ----------
    source : Source
        One that comes in steps has a method ``nearest_hz``; any other makes every frequency.
    frequency_hz : iterable of float
    """
    nearest: Callable[[float], float] | None = getattr(source, "nearest_hz", None)
    if nearest is None:
        return tuple(frequency_hz)
    return tuple(sorted({nearest(f) for f in frequency_hz} - {0.0}))
