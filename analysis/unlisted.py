"""The open alternative "none of these": a wide family of causal, passive spectra.

It answers two questions: how well the data are explained by a material that is not in the library, and what
the data on points where a candidate's curve is silent are worth. The family spans the level, the product of
level and corner frequency, and the shape of the dispersion; each member is widened by a smooth deviation.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import lru_cache
from itertools import pairwise

import numpy as np
from numpy.polynomial.hermite_e import hermegauss
from numpy.typing import NDArray
from scipy.special import logsumexp

from whichcore.analysis.level_integral import InnerFactor, LevelPrior, Products, log_likelihood
from whichcore.analysis.observation import Observation, deviation_columns, log_reluctivity, reading_rows
from whichcore.analysis.reach import Pattern
from whichcore.analysis.types import ComplexArray, FloatArray

#: Levels μi of the family, log-spaced; their step is covered by LEVEL_SPREAD. Practice.
LOWEST_LEVEL, HIGHEST_LEVEL, LEVEL_COUNT = 3.0, 150e3, 28
LEVEL_SPREAD = 0.20
#: Median of (μi − 1)·f_corner and its spread in ln: Snoek's product of ferrites, which powders exceed and
#: ribbons and eddy-limited cores fall short of; a factor of three either way is one standard deviation.
SNOEK_PRODUCT_HZ, SNOEK_SPREAD = 4e9, float(np.log(3.0))
#: Smooth relative deviation of a real spectrum from a member, its correlation length in ln f, and the share
#: of spectra of that kind: most are near a law, some have a resonance that no member has. Practice.
DEVIATIONS = ((0.12, 1.0, 0.7), (0.40, 0.6, 0.3))


def _relaxation(x: FloatArray) -> ComplexArray:
    return np.asarray(1 / (1 + 1j * x))


def _spread_relaxation(x: FloatArray) -> ComplexArray:
    return np.asarray(1 / (1 + (1j * x) ** 0.75))


def _resonance(x: FloatArray) -> ComplexArray:
    return np.asarray(1 / (1 - x**2 + 1.25j * x))


def _wall_and_spin(x: FloatArray) -> ComplexArray:
    return 0.6 * _resonance(2 * x) + 0.4 * _relaxation(x)


def _eddy(x: FloatArray) -> ComplexArray:
    z = np.sqrt(1j * np.minimum(x, 1e4)) * 1.8
    return np.asarray(np.tanh(z) / z)


SHAPES: tuple[Callable[[FloatArray], ComplexArray], ...] = (
    _relaxation,
    _spread_relaxation,
    _resonance,
    _wall_and_spin,
    _eddy,
)


@dataclass(frozen=True, slots=True)
class Family:
    """Members of the family with their prior.

    Attributes
    ----------
    level, corner_hz : float array (C,)
    shape : int array (C,)
        Index into SHAPES.
    log_weight : float array (C,)
    """

    level: FloatArray
    corner_hz: FloatArray
    shape: NDArray[np.int_]
    log_weight: FloatArray

    def permeability(self, frequency_hz: FloatArray) -> ComplexArray:
        """Permeability of every member, shape (C, P)."""
        x = frequency_hz / self.corner_hz[:, None]
        out = np.empty(x.shape, dtype=np.complex128)
        for k, law in enumerate(SHAPES):
            rows = self.shape == k
            out[rows] = 1 + (self.level[rows, None] - 1) * law(x[rows])
        return out


@lru_cache(maxsize=1)
def family() -> Family:
    """Build the family once."""
    levels = np.geomspace(LOWEST_LEVEL, HIGHEST_LEVEL, LEVEL_COUNT)
    nodes, weights = hermegauss(5)
    size = (levels.size, nodes.size, len(SHAPES))
    level = np.broadcast_to(levels[:, None, None], size).ravel()
    node = np.broadcast_to(nodes[None, :, None], size).ravel()
    shape = np.broadcast_to(np.arange(len(SHAPES)), size).ravel()
    weight = np.broadcast_to(weights[None, :, None], size).ravel()
    return Family(
        level=level,
        corner_hz=SNOEK_PRODUCT_HZ * np.exp(SNOEK_SPREAD * node) / (level - 1),
        shape=shape,
        log_weight=np.log(weight / weight.sum()),
    )


def deviating_columns(observation: Observation, amplitude: float, length: float) -> FloatArray:
    """Whitened common sources and smooth deviation of the given amplitude and length, (2P, K)."""
    columns = np.concatenate([observation.common, deviation_columns(observation, amplitude, length)], axis=2)
    return observation.whiten_columns(columns)


class OpenAlternative:
    """Evidence of "none of these" over any of the given sets of points."""

    def __init__(self, observation: Observation, patterns: Sequence[Pattern]) -> None:
        self._parts = [
            (
                np.log(share),
                _Deviating(observation, patterns, deviating_columns(observation, amplitude, length)),
            )
            for amplitude, length, share in DEVIATIONS
        ]
        self._known: dict[Pattern, float] = {}

    def log_evidence(self, pattern: Pattern) -> float:
        """Log evidence over the points of a pattern."""
        if pattern not in self._known:
            self._known[pattern] = float(
                logsumexp([weight + part.log_evidence(pattern) for weight, part in self._parts])
            )
        return self._known[pattern]


class _Deviating:
    """Evidence of the family under one kind of deviation.

    The products of residual and level vector with each other and with the columns are summed once for each
    stretch between two ends of a pattern; every pattern is then a difference of running sums.
    """

    def __init__(self, observation: Observation, patterns: Sequence[Pattern], columns: FloatArray) -> None:
        self._columns = columns
        self._points, self._spectrum = observation.frequency_hz.size, observation.spectrum_points
        ends = {0, self._spectrum, *range(self._spectrum, self._points + 1)}
        ends |= {end for pattern in patterns for end in (pattern.low, pattern.high)}
        self._ends = np.array(sorted(ends))
        predicted = reading_rows(
            log_reluctivity(family().permeability(observation.frequency_hz)), observation
        )
        residual = observation.whiten(observation.log_reluctivity - predicted)
        self._level = observation.whiten(np.ones(self._points, dtype=np.complex128))
        self._sums = self._running_sums(residual)

    def _running_sums(self, residual: FloatArray) -> FloatArray:
        """Sum r·[columns, d, r] over the points before each end, (E, C, K + 2)."""
        right = np.column_stack([self._columns, self._level])
        out = np.zeros((self._ends.size, residual.shape[0], right.shape[1] + 1))
        for k, (low, high) in enumerate(pairwise(self._ends), start=1):
            rows = np.r_[low:high, self._points + low : self._points + high]
            piece = residual[:, rows]
            out[k, :, :-1] = piece @ right[rows]
            out[k, :, -1] = np.einsum("cp,cp->c", piece, piece)
        return np.cumsum(out, axis=0)

    def log_evidence(self, pattern: Pattern) -> float:
        """Log evidence over the points of a pattern."""
        stretches = [(pattern.low, pattern.high)]
        stretches += [
            (self._spectrum + i, self._spectrum + i + 1) for i, r in enumerate(pattern.readings) if r
        ]
        at = np.searchsorted(self._ends, stretches)
        sums = (self._sums[at[:, 1]] - self._sums[at[:, 0]]).sum(axis=0)
        mask = np.tile(pattern.mask(self._points), 2)
        columns, level = self._columns[mask], self._level[mask]
        inner = InnerFactor(columns)
        bd, br = inner.apply(columns.T @ level), inner.apply(sums[:, :-2])
        zero = np.zeros(1)
        products = Products(
            rr=sums[:, -1] - np.einsum("ck,ck->c", br, br),
            rd=sums[:, -2] - br @ bd,
            dd=np.asarray(level @ level - bd @ bd),
            re=zero,
            de=zero,
            ee=zero,
            log_det=np.asarray(inner.log_det),
        )
        prior = LevelPrior(theta_mean=np.array(0.0), theta_sd=np.array(LEVEL_SPREAD))
        return float(logsumexp(log_likelihood(products, prior) + family().log_weight))
