"""Which tones go into a record at once: bins of its own transform that keep out of each other's products.

A record of N samples that repeats without a seam holds a tone on each whole number of periods k, its bin, and
all of them can be told apart without loss. Whatever bends the signal a little, the core above all, makes new
tones from them: of second order 2a, a ± b, of third 3a, 2a ± b, a ± b ± c. Bins are chosen so that none of
these falls on a tone. All bins are odd: products of even order then fall on even bins and of odd order on odd
ones, and the bins left free show both apart. A product a + b − b falls on a itself whatever is chosen: that
is the change of the core with its level, which every tone undergoes.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from whichcore.analysis.types import FloatArray
from whichcore.errors import AnalysisError

IntArray = NDArray[np.int64]

CLOSEST = 6  # bins between two tones: the noise is read beside each
HIGHEST_SHARE = 0.45  # of the sample rate: above it converters fade out
KEPT_OUT_ORDERS = 40
MAINS_WANDER = 2e-3  # of the mains frequency; practice
MOST_TRIED = 400  # bins for one tone
REACHES = (0.5, 0.8, 1.1, 1.6)  # of the step between tones, that a tone may lie off; tried in this order
SEARCHED = 80  # tones; of more the first reach alone, the search goes with the cube
ON_A_BIN = 1e-6  # of a bin, by which a frequency may miss it


@dataclass(frozen=True, slots=True)
class ToneSet:
    """Tones that share a record.

    Attributes
    ----------
    rate_hz : float
        Samples per second.
    samples : int
        Of the record, N.
    bins : int array (T,)
        Periods of each tone in the record, rising.
    """

    rate_hz: float
    samples: int
    bins: IntArray

    @property
    def frequency_hz(self) -> FloatArray:
        """Frequencies, (T,)."""
        return np.asarray(self.bins * (self.rate_hz / self.samples), dtype=float)

    @property
    def duration_s(self) -> float:
        """Length of the record."""
        return self.samples / self.rate_hz

    def only(self, keep: NDArray[np.bool_]) -> ToneSet:
        """Return some of the tones."""
        return ToneSet(self.rate_hz, self.samples, self.bins[keep])


@dataclass(frozen=True, slots=True)
class ProductCount:
    """How many products fall on a tone.

    Attributes
    ----------
    second, third : int
        By order, below half the sample rate.
    folded : int
        Of both orders, from above half the sample rate: only a converter without a filter sees them.
    """

    second: int
    third: int
    folded: int


def design_tones(
    rate_hz: float, samples: int, band_hz: tuple[float, float], count: int, mains_hz: float | None = 50.0
) -> ToneSet:
    """Choose bins in nearly equal ratios, as few products on them as can be had.

    Tone by tone from below, the free odd bin nearest to the equal ratio is taken on which no product of the
    tones so far falls, and of whose own products none falls on them; where there is none, the one with the
    fewest. :func:`count_products` says what is left. Multiples of the mains are kept out of where they can.

    Parameters
    ----------
    rate_hz : float
    samples : int
    band_hz : (float, float)
        Lowest and highest frequency; tones stand within.
    count : int
        1 or more.
    mains_hz : float or None

    Raises
    ------
    AnalysisError
        The band is not within 0 and 0.45 of the rate, or the record has too few bins for so many tones.
    """
    low, high = _bin_span(rate_hz, samples, band_hz)
    if count < 1:
        raise AnalysisError("tones are counted", where="tones", got=f"{count}", allowed="1, 2, …")
    wanted = np.geomspace(low, high, count) if count > 1 else np.array([math.sqrt(low * high)])
    best: _Search | None = None
    for reach in REACHES[: 1 if count > SEARCHED else None]:
        search = _Search(samples, mains_hz and mains_hz * samples / rate_hz)
        for place in range(count):
            search.add(wanted, place, (low, high), reach)
        if best is None or search.collisions < best.collisions:
            best = search
        if best.collisions == 0:
            break
    return ToneSet(rate_hz, samples, np.array(sorted(search.bins if best is None else best.bins)))


def tones_at(rate_hz: float, samples: int, frequency_hz: Sequence[float]) -> ToneSet:
    """Return the tones of given frequencies.

    Raises
    ------
    AnalysisError
        One of them makes no whole number of periods in the record, or lies above 0.45 of the rate.
    """
    at = np.asarray(frequency_hz, dtype=float) * samples / rate_hz
    bins = np.round(at).astype(np.int64)
    off = np.flatnonzero(abs(at - bins) > np.maximum(ON_A_BIN, 1e-9 * at))
    if off.size:
        raise AnalysisError(
            "a tone does not fit the record",
            where=f"{frequency_hz[off[0]]:.9g} Hz",
            got=f"{at[off[0]]:.6g} periods",
            allowed=f"whole periods in {samples} samples at {rate_hz:g} per second",
            next_step="use the take time and the sample rate that the calibration was made with",
        )
    if bins.size == 0 or bins[0] < 1 or bins[-1] > HIGHEST_SHARE * samples or (np.diff(bins) < 1).any():
        raise AnalysisError(
            "these tones cannot share a record",
            where="frequency_hz",
            got=f"{bins.size} tones",
            allowed=f"rising, up to {HIGHEST_SHARE * rate_hz:g} Hz",
        )
    return ToneSet(rate_hz, samples, bins)


def fits(rate_hz: float, samples: int, frequency_hz: Sequence[float]) -> bool:
    """Tell whether :func:`tones_at` would take these frequencies."""
    try:
        tones_at(rate_hz, samples, frequency_hz)
    except AnalysisError:
        return False
    return True


def count_products(tones: ToneSet) -> ProductCount:
    """Return how many products fall on tones; each combination is counted once."""
    half, used = tones.samples // 2, np.zeros(tones.samples // 2 + 1, dtype=bool)
    used[tones.bins] = True
    found = []
    for made in (second_order(tones.bins), third_order(tones.bins)):
        inside = made <= half
        found.append((int(used[made[inside]].sum()), int(used[_folded(made[~inside], tones.samples)].sum())))
    return ProductCount(found[0][0], found[1][0], found[0][1] + found[1][1])


def second_order(bins: IntArray) -> IntArray:
    """Return 2a and a ± b of all tones, not folded."""
    a, b = _pairs(bins)
    return np.concatenate([2 * bins, a + b, abs(a - b)])


def third_order(bins: IntArray) -> IntArray:
    """Return 3a, 2a ± b and a ± b ± c of all tones, not folded, but a + b − b, which is a whatever b is."""
    a, b = _pairs(bins)
    parts = [3 * bins, 2 * a + b, abs(2 * a - b), 2 * b + a, abs(2 * b - a)]
    for place, x in enumerate(bins[2:], 2):
        parts += _with_two(int(x), *_pairs(bins[:place]))
    return np.concatenate(parts)


def _pairs(bins: IntArray) -> tuple[IntArray, IntArray]:
    first, second = np.triu_indices(bins.size, 1)
    return bins[first], bins[second]


def _with_two(x: int, b: IntArray, c: IntArray) -> list[IntArray]:
    """Return |x ± b ± c|."""
    return [x + b + c, abs(x + b - c), abs(x - b + c), abs(x - b - c)]


def _folded(product: IntArray, samples: int) -> IntArray:
    """Return the bin at which a product shows after sampling."""
    rest = product % samples
    return np.asarray(np.minimum(rest, samples - rest))


def mains_zone(bins: IntArray, mains_bins: float, orders: int) -> NDArray[np.bool_]:
    """Tell which bins lie so near to a multiple of the mains that it may wander onto them.

    Parameters
    ----------
    bins : int array
    mains_bins : float
        Periods of the mains in the record.
    orders : int
        The highest multiple that counts.
    """
    order = np.round(bins / mains_bins)
    width = np.minimum(2 + MAINS_WANDER * order * mains_bins, mains_bins / 4)
    return np.asarray((order >= 1) & (order <= orders) & (abs(bins - order * mains_bins) < width))


class _Search:
    """The bins taken so far and everything their products fall on.

    Attributes
    ----------
    bins : list of int
    collisions : int
        Products on tones, not folded.
    """

    def __init__(self, samples: int, mains_bins: float | None) -> None:
        self.bins: list[int] = []
        self.collisions = 0
        self._samples, self._mains = samples, mains_bins
        self._used = np.zeros(samples // 2 + 1, dtype=bool)
        self._hit = np.zeros((2, samples // 2 + 1), dtype=np.int32)  # directly, and folded

    def add(self, wanted: FloatArray, place: int, span: tuple[int, int], reach: float) -> None:
        """Take the best bin near the one wanted."""
        best: tuple[tuple[int, ...], int, IntArray] | None = None
        for candidate in self._candidates(wanted, place, span, reach):
            made = self._made_with(candidate)
            cost = self._cost(candidate, made)
            if best is None or cost < best[0]:
                best = (cost, candidate, made)
            if not any(best[0]):
                break
        if best is None:
            raise AnalysisError(
                "the record has too few bins for so many tones",
                where="tones",
                got=f"{wanted.size} between bins {span[0]} and {span[1]}",
                allowed=f"fewer, {CLOSEST} bins apart at least",
                next_step="ask for a longer take, fewer points per decade, or a higher lowest frequency",
            )
        cost, taken, made = best
        self.collisions += cost[0]
        self.bins.append(taken)
        self._used[taken] = True
        direct = made <= self._samples // 2
        np.add.at(self._hit[0], made[direct], 1)
        np.add.at(self._hit[1], _folded(made[~direct], self._samples), 1)

    def _candidates(
        self, wanted: FloatArray, place: int, span: tuple[int, int], reach: float
    ) -> Iterator[int]:
        """Return free odd bins within reach of the one wanted, the nearest first."""
        at = wanted[place]
        step = at * (wanted[1] / wanted[0] - 1) if wanted.size > 1 else span[1] - span[0]
        last = self.bins[-1] if self.bins else -CLOSEST
        low = max(math.floor(at - reach * step), span[0], last + CLOSEST)
        high = min(max(math.ceil(at + reach * step), low + 8), span[1])
        odd = np.arange(low | 1, high + 1, 2)
        yield from (int(k) for k in odd[np.argsort(abs(odd - at), kind="stable")][:MOST_TRIED])

    def _made_with(self, x: int) -> IntArray:
        """Return all products that x takes part in."""
        b = np.array(self.bins, dtype=np.int64)
        parts = [np.array([2 * x, 3 * x]), x + b, abs(x - b)]
        parts += [2 * x + b, abs(2 * x - b), x + 2 * b, abs(x - 2 * b), *_with_two(x, *_pairs(b))]
        return np.concatenate(parts)

    def _cost(self, x: int, made: IntArray) -> tuple[int, ...]:
        """Return what speaks against a bin, the worst first."""
        half = self._samples // 2
        self._used[x] = True
        inside = made <= half
        direct = int(self._hit[0, x]) + int(self._used[made[inside]].sum())
        folded = int(self._hit[1, x]) + int(self._used[_folded(made[~inside], self._samples)].sum())
        self._used[x] = False
        return direct, int(self._is_mains(x)), folded

    def _is_mains(self, x: int) -> bool:
        return self._mains is not None and bool(mains_zone(np.array([x]), self._mains, KEPT_OUT_ORDERS)[0])


def _bin_span(rate_hz: float, samples: int, band_hz: tuple[float, float]) -> tuple[int, int]:
    low_hz, high_hz = band_hz
    top = HIGHEST_SHARE * rate_hz
    if not 0 < low_hz <= high_hz <= top * (1 + 1e-9):
        raise AnalysisError(
            "the tones do not fit the sample rate",
            where="from, to",
            got=f"{low_hz:g} Hz to {high_hz:g} Hz",
            allowed=f"above 0, up to {top:g} Hz at {rate_hz:g} samples per second",
            next_step="name a lower --to",
        )
    low, high = math.ceil(low_hz * samples / rate_hz - 1e-9), math.floor(high_hz * samples / rate_hz + 1e-9)
    if low < 3 or high < low:
        raise AnalysisError(
            "the record is too short for the lowest tone",
            where="from",
            got=f"{low_hz:g} Hz in {samples / rate_hz:g} s",
            allowed=f"{3 * rate_hz / samples:g} Hz or more",
            next_step="ask for a longer take",
        )
    return low, high
