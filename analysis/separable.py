"""Which materials of a library a measurement could tell apart, before it is made.

Each material in turn is taken for the truth: a sweep of such a core is forecast with its uncertainty, and
every other material is compared with it as identification would, on the points where both curves speak, its
corner brought to where it mimics the truth best within its prior. What comes out is how often the wrong one
of the two would win (`whichcore.analysis.separability`).
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from functools import partial

import numpy as np
from numpy.typing import NDArray
from scipy.cluster.hierarchy import fcluster, linkage
from scipy.spatial.distance import squareform

from whichcore.analysis.curve_deviation import Amplitude, amplitudes, column_key, curve_columns
from whichcore.analysis.curve_table import GRID_STEP
from whichcore.analysis.forecast import Forecast
from whichcore.analysis.forecast_curves import TRIED, Curves, curves_of, nearest_shift
from whichcore.analysis.materials import Library, Material
from whichcore.analysis.observation import Observation, observe
from whichcore.analysis.section_fit import feels_section, section_columns
from whichcore.analysis.separability import (
    SEPARABLE_CHI2,
    Shared,
    confusion,
    squared_distance_of,
    squared_distances,
)
from whichcore.analysis.types import ComplexArray, FloatArray

#: Fewest points on which two curves can be compared.
_FEWEST = 3


@dataclass(frozen=True, slots=True)
class Separation:
    """How often materials would be taken for each other.

    Attributes
    ----------
    materials : tuple of Material (M)
    confusion : float array (M, M)
        Probability that the wrong one of two wins, were they equally likely beforehand; symmetric, one half
        on the diagonal, NaN where two curves share too few points to be compared.
    points : int array (M,)
        At which a core of each material could be measured and its curve speaks.
    """

    materials: tuple[Material, ...]
    confusion: FloatArray
    points: NDArray[np.int_]

    @property
    def squared_distance(self) -> FloatArray:
        """Squared distance that goes with the confusion, (M, M); infinite where nothing was comparable."""
        return np.where(np.isnan(self.confusion), np.inf, squared_distance_of(self.confusion))

    def groups(self) -> list[tuple[int, ...]]:
        """Equivalents: groups in which no two are separable, largest first, then by permeability.

        Complete linkage: a group that chains A to B and B to C would hold A and C, which the measurement can
        tell apart, and would swallow a whole class. Close neighbours in another group are named by `beside`.
        """
        count = len(self.materials)
        if count < 2:
            return [(0,)] if count else []
        distance = self.squared_distance.copy()
        np.fill_diagonal(distance, 0.0)
        tree = linkage(squareform(np.minimum(distance, 1e6), checks=False), "complete")
        label = fcluster(tree, SEPARABLE_CHI2 * (1 - 1e-12), criterion="distance")
        found = [tuple(int(i) for i in np.flatnonzero(label == k)) for k in np.unique(label)]
        found = [
            tuple(sorted(group, key=lambda i: self.materials[i].initial_permeability)) for group in found
        ]
        return sorted(found, key=lambda group: (-len(group), self.materials[group[0]].initial_permeability))

    def beside(self, group: Sequence[int]) -> tuple[int, ...]:
        """Return the materials outside a group that some member of it is not separable from."""
        close = (self.squared_distance[list(group)] < SEPARABLE_CHI2).any(axis=0)
        return tuple(int(i) for i in np.flatnonzero(close) if int(i) not in group)


def separation_of(
    library: Library, frequency_hz: FloatArray, forecast: Forecast, turns: Iterable[int] | None = None
) -> Separation:
    """Forecast how often the materials of a library would be taken for each other.

    Parameters
    ----------
    library : Library
    frequency_hz : float array (P,)
        Points of the sweep.
    forecast : Forecast
    turns : iterable of int, optional
        0 to M − 1, taken one by one: what shows the progress.

    Raises
    ------
    AnalysisError
        The core is a rod.
    """
    curves = curves_of(library, frequency_hz, forecast)
    one_way = np.full((len(curves.materials),) * 2, np.nan)
    points = np.zeros(len(curves.materials), dtype=np.int_)
    for truth in range(len(curves.materials)) if turns is None else turns:
        seen = _seen(curves, truth, forecast)
        if seen is None:
            continue
        points[truth] = seen.rows.size
        one_way[truth] = _confusions(curves, truth, seen)
    both = (one_way + one_way.T) / 2
    np.fill_diagonal(both, 0.5)
    return Separation(curves.materials, both, points)


# ------------------------------------------------------------------------------------------------- one truth


@dataclass(frozen=True, slots=True)
class _Seen:
    """The forecast observation of one truth, and which points of the sweep it holds."""

    observation: Observation
    rows: NDArray[np.int_]


def _seen(curves: Curves, truth: int, forecast: Forecast) -> _Seen | None:
    rows = np.flatnonzero(curves.speaks[truth])
    if rows.size < _FEWEST:
        return None
    mu = np.exp(-curves.at_rest(truth)[rows])
    spectrum, reached = forecast.spectrum(curves.frequency_hz[rows], mu)
    if reached.sum() < _FEWEST:
        return None
    kept = np.flatnonzero(reached)
    return _Seen(observe(spectrum, [], curves.section_m).at(kept), rows[kept])


def _confusions(curves: Curves, truth: int, seen: _Seen) -> FloatArray:
    """Return how often each material beats a truth on data of the truth, (M,), over its amplitudes."""
    material = curves.materials[truth]
    out = np.full(len(curves.materials), 0.0)
    shared = _SharedColumns(seen.observation)
    for members, points in _by_points(curves, seen.rows):
        if points.size < _FEWEST:
            out[members] = np.nan
            continue
        used = np.r_[points, seen.rows.size + points]
        candidates = _mimics(curves, truth, seen, members, shared, used)
        for amplitude in amplitudes(material):
            first = shared.on(material, amplitude, used)
            for indices in _by_columns(curves.materials, members):
                other = curves.materials[members[indices[0]]]
                # the judge leaves the deviation of the rival open: one like the truth's mimics it best
                theirs = min(amplitudes(other), key=partial(_apart, amplitude))
                distance = squared_distances(
                    candidates.difference[indices],
                    (first, shared.on(other, theirs, used)),
                    (candidates.own_truth[indices], candidates.own[indices]),
                )
                out[members[indices]] += amplitude.share * confusion(distance)
    return out


def _apart(one: Amplitude, other: Amplitude) -> float:
    return abs(one.deviation - other.deviation)


class _SharedColumns:
    """Whitened common columns of an observation by what they depend on, made once each."""

    def __init__(self, observation: Observation) -> None:
        self._observation = observation
        self._whole: dict[tuple[object, ...], FloatArray] = {}
        self._parts: dict[tuple[object, ...], Shared] = {}

    def on(self, material: Material, amplitude: Amplitude, rows: NDArray[np.int_]) -> Shared:
        """Return the columns on some of the rows, of a material under an amplitude of deviation."""
        key = (*column_key(material), amplitude.deviation, amplitude.flat)
        if key not in self._whole:
            columns = curve_columns(self._observation, material, amplitude)
            if feels_section(material):
                observation = self._observation
                doubt = section_columns(observation, observation.section_m, material.section_m is not None)
                columns = np.column_stack([columns, observation.whiten_columns(doubt)])
            self._whole[key] = columns
        part = (*key, rows.tobytes())
        if part not in self._parts:
            self._parts[part] = Shared(self._whole[key][rows])
        return self._parts[part]


def _by_columns(materials: Sequence[Material], members: NDArray[np.int_]) -> Iterator[NDArray[np.int_]]:
    """Yield positions among the members that share their common columns."""
    keys: dict[tuple[object, ...], list[int]] = {}
    for position, member in enumerate(members):
        keys.setdefault(column_key(materials[member]), []).append(position)
    for positions in keys.values():
        yield np.array(positions)


def _by_points(curves: Curves, rows: NDArray[np.int_]) -> Iterator[tuple[NDArray[np.int_], NDArray[np.int_]]]:
    """Yield materials that speak on the same of some points, with the positions of these."""
    distinct, member = np.unique(curves.speaks[:, rows], axis=0, return_inverse=True)
    for k, mask in enumerate(distinct):
        yield np.flatnonzero(member.ravel() == k), np.flatnonzero(mask)


@dataclass(frozen=True, slots=True)
class _Mimics:
    """Materials where they mimic a truth best: differences of the means and own columns, whitened.

    There the two curves nearly coincide, so level and corner move both alike: both get the mean of their
    slopes. With slopes of their own, taken at two places of a bent curve, the small angle between them would
    pass for a difference that identification, which follows the bend, does not see.
    """

    difference: FloatArray
    own: FloatArray
    own_truth: FloatArray


def _mimics(
    curves: Curves,
    truth: int,
    seen: _Seen,
    members: NDArray[np.int_],
    shared: _SharedColumns,
    used: NDArray[np.int_],
) -> _Mimics:
    rows, observation = seen.rows, seen.observation
    rest = curves.at_rest(truth)[rows]
    material = curves.materials[truth]
    usual = max(amplitudes(material), key=lambda amplitude: (amplitude.share, amplitude.deviation))
    columns = shared.on(material, usual, used)
    tried = rest - curves.rows[members][:, :, rows]
    level = observation.whiten(np.ones(rows.size, dtype=np.complex128))[used]
    shifts = _best_shift(curves, members, observation.whiten(tried)[..., used], level, columns)
    here = np.full(members.size, nearest_shift(curves.corner[truth])), np.full(members.size, truth)
    slope = (curves.slope[members, shifts] + curves.slope[here[1], here[0]])[:, rows] / 2
    level = (curves.level[members, shifts] + curves.level[here[1], here[0]])[:, rows] / 2
    back = (curves.corner[members] - TRIED[shifts] * GRID_STEP)[:, None]
    means = curves.rows[members, shifts][:, rows] + curves.level_mean[members, None] * level + back * slope
    own = [_own_columns(curves, who, (level, slope), observation)[:, used] for who in (members, here[1])]
    return _Mimics(observation.whiten(rest - means)[:, used], own[0], own[1])


def _best_shift(
    curves: Curves,
    members: NDArray[np.int_],
    residual: FloatArray,
    level: FloatArray,
    shared: Shared,
) -> NDArray[np.int_]:
    """Return the corner shift at which each member (J, S, R) comes nearest; level free, corner not."""
    spread = curves.spreads[members]
    projected = shared.factor.apply(residual @ shared.columns)
    along_level = shared.factor.apply(level @ shared.columns)
    quadratic = np.einsum("jsr,jsr->js", residual, residual) - np.einsum("jsk,jsk->js", projected, projected)
    along = residual @ level - projected @ along_level
    size = 1 / spread[:, :1] ** 2 + level @ level - along_level @ along_level
    prior = np.hypot(spread[:, 2], spread[:, 1] * spread[:, 0])[:, None]
    away = (TRIED * GRID_STEP - curves.corner[members, None]) / prior
    return np.asarray((quadratic - along**2 / size + away**2).argmin(axis=1))


def _own_columns(
    curves: Curves,
    members: NDArray[np.int_],
    directions: tuple[ComplexArray, ComplexArray],
    observation: Observation,
) -> FloatArray:
    """Return the whitened columns of level, corner and gap of each member, (J, 2P, 2 or 3)."""
    level, slope = directions
    sigma, exponent, own = (column[:, None] for column in curves.spreads[members].T)
    parts = [sigma * (level + exponent * slope), own * slope]
    if curves.gap.median > 0:
        parts.append(curves.gap.log_sd * (1 - level))
    return np.stack([observation.whiten(part) for part in parts], axis=-1)
