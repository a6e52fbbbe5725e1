"""Can these codes be those of a digitizer? How bytes in the wrong order or of the wrong type show."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import numpy as np
from numpy.typing import NDArray

ROUGH = 0.35  # above, a record is hardly a signal sampled densely: a sine of nine samples a period has 0.48
SMOOTH = 0.05  # below, nothing is looked for: a sine of 90 samples a period
SMOOTHER = 0.3  # of the roughness: another way to read the bytes is better by more than chance


def roughness(codes: NDArray[Any]) -> float:
    """Return how much neighbours differ over how much any two samples do.

    Parameters
    ----------
    codes : array, shape (n,)

    Returns
    -------
    float
        rms(difference of neighbours)/(√2 standard deviation): 1 for white noise, √2 sin(π/k) for a sine of k
        samples a period, towards 0 for a signal sampled densely; NaN for a flat record.
    """
    with np.errstate(all="ignore"):
        values = codes.astype(float)
        spread = float(np.std(values))
        if not 0 < spread < np.inf:
            return float("nan")
        return float(np.sqrt(np.mean(np.diff(values) ** 2) / 2)) / spread


def misread(codes: NDArray[Any]) -> tuple[str, str] | None:
    """Return the key of a command table that makes the record rough, and the value that makes it smooth.

    Parameters
    ----------
    codes : array, shape (n,)
        In the byte order of this machine.

    Returns
    -------
    (str, str) or None
        ``byte_order`` or ``dtype``, and what is better; None where no other reading is.
    """
    here = roughness(codes)
    if here <= SMOOTH:
        return None
    best = min(_others(codes), key=lambda other: _rank(roughness(other[2])), default=None)
    if best is None or not _rank(roughness(best[2])) < SMOOTHER * _rank(here):
        return None
    return best[0], best[1]


def _rank(value: float) -> float:
    return value if value == value else 10.0  # noqa: PLR0124 - NaN: rougher than anything


def _others(codes: NDArray[Any]) -> Iterator[tuple[str, str, NDArray[Any]]]:
    """Return other readings of the same bytes."""
    kind, size = codes.dtype.kind, codes.dtype.itemsize
    if size > 1:
        yield "byte_order", "the other one", codes.byteswap()
    if kind in "iu":
        other = np.dtype(f"{'u' if kind == 'i' else 'i'}{size}")
        yield "dtype", other.name, codes.view(other)
    if kind != "f" and size == 4:
        yield "dtype", "float32", codes.view(np.float32)
