"""On which points of the data a reference curve may speak."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from whichcore.analysis.curve_table import GRID_STEP
from whichcore.analysis.materials import Material
from whichcore.analysis.observation import Observation
from whichcore.analysis.section_fit import by_section
from whichcore.analysis.section_prior import section_prior_of
from whichcore.analysis.types import FloatArray

#: Neighbouring corner shifts share one reach, the narrowest of theirs, so that few patterns arise.
SHIFT_BLOCK = 7
_TOLERANCE = 1e-9


@dataclass(frozen=True, slots=True)
class Pattern:
    """One set of points: spectrum points ``low`` to ``high`` (exclusive) and some of the readings."""

    low: int
    high: int
    readings: tuple[bool, ...]

    def mask(self, points: int) -> NDArray[np.bool_]:
        """Bool array over all points, spectrum first."""
        out = np.zeros(points, dtype=bool)
        out[self.low : self.high] = True
        out[points - len(self.readings) :] = self.readings
        return out


@dataclass(frozen=True, slots=True)
class Reach:
    """Reach of C candidates.

    Attributes
    ----------
    low, high : int array (C,)
        Spectrum points that may be used, half open.
    readings : bool array (C, R)
    """

    low: NDArray[np.int_]
    high: NDArray[np.int_]
    readings: NDArray[np.bool_]

    def patterns(self) -> Iterator[tuple[Pattern, NDArray[np.int_]]]:
        """Yield each distinct pattern with the candidates that have it."""
        order = np.lexsort((*self.readings.T, self.high, self.low))
        key = np.column_stack([self.low, self.high, self.readings])[order]
        cuts = np.flatnonzero((key[1:] != key[:-1]).any(axis=1)) + 1
        for indices in np.split(order, cuts):
            k = indices[0]
            yield Pattern(int(self.low[k]), int(self.high[k]), tuple(map(bool, self.readings[k]))), indices

    def mask(self, points: int) -> NDArray[np.bool_]:
        """Bool array (C, points), spectrum first."""
        spectrum = np.arange(points - self.readings.shape[1])
        inside = (spectrum >= self.low[:, None]) & (spectrum < self.high[:, None])
        return np.concatenate([inside, self.readings], axis=1)


class Stretches:
    """The points cut at every end of some patterns: a sum over a pattern is one over its stretches.

    Parameters
    ----------
    points : int
        Spectrum points and readings.
    patterns : sequence of Pattern
        At least one; all of as many readings.
    """

    def __init__(self, points: int, patterns: Sequence[Pattern]) -> None:
        self._points, self._readings, self._patterns = points, len(patterns[0].readings), patterns
        ends = {0, *range(points - self._readings, points + 1)}
        ends |= {end for pattern in patterns for end in (pattern.low, pattern.high)}
        self._ends = np.array(sorted(ends))

    def products(self, left: FloatArray, right: FloatArray) -> FloatArray:
        """Return left @ right over the points of each of the patterns, (N, A, B).

        Parameters
        ----------
        left, right : float array (A, 2P), (2P, B)
            Real parts before imaginary ones.
        """
        # both parts of a point side by side: a stretch is one product
        rows, columns = left.shape[0], right.shape[1]
        left = left.reshape(rows, 2, self._points).transpose(0, 2, 1).reshape(left.shape)
        right = right.reshape(2, self._points, columns).transpose(1, 0, 2).reshape(right.shape)
        running = np.zeros((self._ends.size, rows, columns))
        for n, (low, high) in enumerate(pairwise(2 * self._ends), start=1):
            np.matmul(left[:, low:high], right[low:high], out=running[n])
        return self._over(running)

    def squares(self, left: FloatArray, right: FloatArray) -> FloatArray:
        """Return the inner products of rows (C, 2P) over the points of each of the patterns, (N, C)."""
        both = (left * right).reshape(left.shape[0], 2, self._points).sum(axis=1)
        running = np.zeros((self._ends.size, left.shape[0]))
        for n, (low, high) in enumerate(pairwise(self._ends), start=1):
            running[n] = both[:, low:high].sum(axis=1)
        return self._over(running)

    def _over(self, running: FloatArray) -> FloatArray:
        """Add up the sums over the stretches, behind a row of zeros, to those over the patterns, (N, …)."""
        readings = running[running.shape[0] - self._readings :].copy()
        np.cumsum(running, axis=0, out=running)
        low, high = np.searchsorted(self._ends, [(p.low, p.high) for p in self._patterns]).T
        out: FloatArray = running[high]
        out -= running[low]
        for n, pattern in enumerate(self._patterns):
            for value, seen in zip(readings, pattern.readings, strict=True):
                if seen:
                    out[n] += value
        return out


def whole(observation: Observation) -> Pattern:
    """Return the pattern of all points."""
    return Pattern(0, observation.spectrum_points, (True,) * observation.reading_points)


def reach_of(
    materials: Sequence[Material],
    observation: Observation,
    shift_steps: NDArray[np.int_],
    *,
    other_section: bool = False,
) -> Reach:
    """Tell which points each curve may speak on at each corner shift, never beyond its own span.

    A shift that would move a curve out of everything measured hides nothing: the curve speaks where it does
    unmoved, and so it does of a reading inside its span. A candidate that could fall silent by its corner
    alone would be as likely as the prior whatever was read.

    A reading at or below 10 kHz may also be predicted from the stated initial permeability when the curve
    starts higher, since that is what μi means (IEC 60401-3, from memory).

    Parameters
    ----------
    materials : sequence of Material (M)
    observation : Observation
    shift_steps : int array (S,)
    other_section : bool
        Whether a reference of unknown section was taken on another one than the specimen's.

    Returns
    -------
    Reach
        Of M·S candidates, shift running fastest.
    """
    blocks = np.arange(shift_steps.size) // SHIFT_BLOCK
    first = np.array([shift_steps[blocks == b].min() for b in blocks]) * GRID_STEP
    last = np.array([shift_steps[blocks == b].max() for b in blocks]) * GRID_STEP
    span = np.log([[m.frequency_hz[0], m.frequency_hz[-1]] for m in materials])
    start = (span[:, :1] + last - _TOLERANCE).ravel()
    stop = (span[:, 1:] + first + _TOLERANCE).ravel()
    x = observation.log_frequency
    followed = np.repeat(all_followed(materials, observation, other_section=other_section), shift_steps.size)
    spectrum, readings = x[: observation.spectrum_points], x[observation.spectrum_points :]
    inside = (readings >= span[:, :1] - _TOLERANCE) & (readings <= span[:, 1:] + _TOLERANCE)
    initial = (readings <= np.log(1e4)) & (readings < span[:, :1])
    speaks = np.repeat(inside | initial, shift_steps.size, axis=0)
    low, high = _inside(spectrum, start, stop, followed)
    gone = (high == 0) & ~speaks.any(axis=1)
    own = span.repeat(shift_steps.size, axis=0)[gone]
    low[gone], high[gone] = _inside(spectrum, own[:, 0] - _TOLERANCE, own[:, 1] + _TOLERANCE, followed[gone])
    return Reach(low, high, speaks)


def _inside(
    spectrum: FloatArray, start: FloatArray, stop: FloatArray, followed: NDArray[np.int_]
) -> tuple[NDArray[np.int_], NDArray[np.int_]]:
    """Return the half-open ranges of spectrum points between two ends; 0 and 0 where there are none."""
    low = np.searchsorted(spectrum, start)
    high = np.minimum(np.searchsorted(spectrum, stop, side="right"), followed)
    # a candidate that speaks on nothing has one pattern only
    return np.where(high > low, low, 0), np.where(high > low, high, 0)


def all_followed(
    materials: Sequence[Material], observation: Observation, *, other_section: bool
) -> NDArray[np.int_]:
    """Return the followed points of each material; for those of one section they are counted once."""
    out = np.empty(len(materials), dtype=np.int_)
    for rows in by_section(materials):
        out[rows] = followed_points(materials[rows[0]], observation, other_section=other_section)
    return out


def followed_points(material: Material, observation: Observation, *, other_section: bool) -> int:
    """Return the spectrum points, from the first on, at which the section does not hide the material."""
    prior = section_prior_of(material, observation, other_section=other_section)
    return prior.followed - observation.reading_points
