"""What the tones of a record make of each other, read where no tone stands: a test of linearity.

With odd bins alone, products of even order fall on even bins and of odd order on odd ones. Bins that
products fall on are compared, octave by octave, with bins on which none falls: the excess is distortion, the
rest noise. Where products fall on every bin of an octave nothing is left to compare with, so what is found
is a part of the distortion, never more than all of it.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from whichcore.analysis.multitone import (
    KEPT_OUT_ORDERS,
    IntArray,
    ToneSet,
    mains_zone,
    second_order,
    third_order,
)
from whichcore.analysis.types import ComplexArray, FloatArray

FEWEST_BINS = 8  # of each kind in an octave
Octaves = tuple[tuple[IntArray, IntArray], ...]


@dataclass(frozen=True, slots=True)
class Products:
    """Power of the products over that of the tones.

    Attributes
    ----------
    even, odd : float array (2,)
        Second and third order, of each channel; noise may take it below 0.
    u_even, u_odd : float array (2,)
        Standard uncertainties; infinite where no bins were free to tell.
    """

    even: FloatArray
    odd: FloatArray
    u_even: FloatArray
    u_odd: FloatArray


@dataclass(frozen=True, slots=True)
class ProductBins:
    """Bins to compare, by order and octave.

    Attributes
    ----------
    even, odd : tuple of (int array, int array)
        For each octave: bins with products, and bins without.
    """

    even: Octaves
    odd: Octaves

    @classmethod
    def of(cls, tones: ToneSet, mains_hz: float | None) -> ProductBins:
        """Sort the bins of a record; tones on even bins leave nothing to compare."""
        if np.any(tones.bins % 2 == 0):
            return cls((), ())
        half = tones.samples // 2
        usable = np.ones(half, dtype=bool)
        usable[0] = False
        usable[tones.bins] = False
        if mains_hz is not None:
            usable &= ~mains_zone(np.arange(half), mains_hz * tones.duration_s, KEPT_OUT_ORDERS)
        even, odd = second_order(tones.bins), third_order(tones.bins)
        return cls(_octaves(usable, even, 0), _octaves(usable, odd, 1))

    def read(self, spectrum: ComplexArray, phasors: ComplexArray) -> Products:
        """Compare.

        Parameters
        ----------
        spectrum : complex array (2, N/2 + 1)
            Peak phasors by bin.
        phasors : complex array (T, 2)
            Of the tones.
        """
        power = np.abs(spectrum) ** 2
        of_tones = np.maximum(np.sum(np.abs(phasors) ** 2, axis=0), 1e-300)
        even, u_even = _excess(power, self.even)
        odd, u_odd = _excess(power, self.odd)
        return Products(even / of_tones, odd / of_tones, u_even / of_tones, u_odd / of_tones)


def _octaves(usable: NDArray[np.bool_], made: IntArray, parity: int) -> Octaves:
    """Return the usable bins of one parity with products, and those without, by octave."""
    hit = np.zeros(usable.size, dtype=bool)
    hit[made[made < usable.size]] = True
    bins = np.arange(usable.size)
    right = usable & (bins % 2 == parity)
    found, low = [], 1
    while low < usable.size:
        inside = right & (bins >= low) & (bins < 2 * low)
        pair = (np.flatnonzero(inside & hit), np.flatnonzero(inside & ~hit))
        if min(part.size for part in pair) >= FEWEST_BINS:
            found.append(pair)
        low *= 2
    return tuple(found)


def _excess(power: FloatArray, octaves: Octaves) -> tuple[FloatArray, FloatArray]:
    """Return the power that the bins with products hold beyond the noise, and its standard uncertainty.

    The power of noise in one bin scatters by itself (exponential distribution).
    """
    if not octaves:
        return np.zeros(2), np.full(2, np.inf)
    total, variance = np.zeros(2), np.zeros(2)
    for made, free in octaves:
        mean = power[:, free].mean(axis=1)
        total += power[:, made].sum(axis=1) - made.size * mean
        variance += mean**2 * made.size * (1 + made.size / free.size)
    return total, np.sqrt(variance)
