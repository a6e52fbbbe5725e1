"""The open alternative "none of these": a wide family of causal, passive spectra, class by class.

It answers three questions: how well the data are explained by a material that is not in the library, of which
class that material would be, and what the data on points where a candidate's curve is silent are worth. The
family spans the level, the product of level and corner frequency, and the shape of the dispersion; each
member is widened by a smooth deviation. Every class weighs the members by what is usual in it
(open_alternative.csv).
"""

from __future__ import annotations

import csv
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import cache
from importlib import resources
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray
from scipy.special import logsumexp

from whichcore.analysis.level_integral import (
    CommonFactors,
    LevelPrior,
    log_likelihood,
    marginalise_last,
    products_of,
)
from whichcore.analysis.observation import (
    CORE_DEVIATION,
    Observation,
    deviation_columns,
    log_reluctivity,
    reading_rows,
)
from whichcore.analysis.reach import Pattern, whole
from whichcore.analysis.types import ComplexArray, FloatArray

#: Levels μi of the family, log-spaced; their step is covered by LEVEL_SPREAD. Practice.
LEVELS = np.geomspace(3.0, 150e3, 24)
LEVEL_SPREAD = 0.25
#: Products (μi − 1)·f_corner of the family, Hz; what lies between two of them is linearised. Practice.
PRODUCTS_HZ = np.geomspace(5e7, 2e11, 14)
_PRODUCT_STEP = float(np.log(PRODUCTS_HZ[1] / PRODUCTS_HZ[0]))
#: Weight of a shape that is not usual in a class, against a usual one. Practice.
_UNUSUAL_SHAPE = 0.02
#: A member whose level misses the data by more than this on average, in ln|μ|, is left out.
_HOPELESS = 2.5
#: Members less likely than the best by more than this, in ln, do not count for parts of the data.
_RELEVANT = 14.0
#: Smooth relative deviation of a real spectrum from a member, its correlation length in ln f, and the share
#: of spectra of that kind: some follow a law, most are near one, some have their own resonance. Practice.
DEVIATIONS = ((0.03, 1.2, 0.2), (0.15, 0.65, 0.5), (0.35, 0.6, 0.3))


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


SHAPES: dict[str, Callable[[FloatArray], ComplexArray]] = {
    "relaxation": _relaxation,
    "spread": _spread_relaxation,
    "resonance": _resonance,
    "wall-and-spin": _wall_and_spin,
    "eddy": _eddy,
}


@dataclass(frozen=True, slots=True)
class Family:
    """Members of the family with their prior.

    Attributes
    ----------
    level, product_hz : float array (C,)
    shape : int array (C,)
        Position in SHAPES.
    classes : tuple of str (K)
    log_weight : float array (K, C)
        Log of the share of a class times the share of a member in it.
    """

    level: FloatArray
    product_hz: FloatArray
    shape: NDArray[np.int_]
    classes: tuple[str, ...]
    log_weight: FloatArray

    def permeability(self, frequency_hz: FloatArray) -> ComplexArray:
        """Permeability of every member, shape (C, P)."""
        x = frequency_hz * ((self.level - 1) / self.product_hz)[:, None]
        out = np.empty(x.shape, dtype=np.complex128)
        for k, law in enumerate(SHAPES.values()):
            rows = self.shape == k
            out[rows] = 1 + (self.level[rows, None] - 1) * law(x[rows])
        return out


@cache
def family() -> Family:
    """Build the family once."""
    size = (LEVELS.size, PRODUCTS_HZ.size, len(SHAPES))
    level = np.broadcast_to(LEVELS[:, None, None], size).ravel()
    product = np.broadcast_to(PRODUCTS_HZ[None, :, None], size).ravel()
    shape = np.broadcast_to(np.arange(len(SHAPES)), size).ravel()
    text = (resources.files("whichcore.analysis") / "open_alternative.csv").read_text("utf-8")
    rows = list(csv.DictReader(text.splitlines()))
    weights = [_class_weight(row, level, product, shape) for row in rows]
    return Family(level, product, shape, tuple(row["class"] for row in rows), np.log(weights))


def _class_weight(
    row: Mapping[str, str], level: FloatArray, product: FloatArray, shape: NDArray[np.int_]
) -> FloatArray:
    """Share of a class times that of each member in it; unusual levels are rare, not barred."""
    low, high = float(row["level_low"]), float(row["level_high"])
    outside = np.maximum(np.log(low / level), np.log(level / high)).clip(min=0)
    distance = np.log(product / float(row["product_hz"])) / float(row["product_spread"])
    usual = np.isin(shape, [list(SHAPES).index(name) for name in row["shapes"].split()])
    weight = np.exp(-0.5 * (outside / LEVEL_SPREAD) ** 2 - 0.5 * distance**2)
    weight = np.where(usual, weight, _UNUSUAL_SHAPE * weight) + 1e-12
    return np.asarray(float(row["share"]) * weight / weight.sum())


def deviating_columns(
    observation: Observation, amplitude: float, length: float, flat: float = CORE_DEVIATION
) -> FloatArray:
    """Whitened common sources and smooth deviation, as `deviation_columns` takes it, (2P, K)."""
    deviation = deviation_columns(observation, amplitude, length, flat)
    return observation.whiten_columns(np.concatenate([observation.common, deviation], axis=2))


class OpenAlternative:
    """Evidence of "none of these" over any of the given sets of points.

    Attributes
    ----------
    classes : dict of str to float
        Probability of each class, given all points and that it is none of the listed materials.
    """

    def __init__(self, observation: Observation, patterns: Sequence[Pattern]) -> None:
        members = _rows_of_family(observation)
        self._parts = [
            _Deviating(observation, members, patterns, (amplitude, length, share))
            for amplitude, length, share in DEVIATIONS
        ]
        self._known: dict[Pattern, float] = {}
        by_class = logsumexp([part.by_class for part in self._parts], axis=0)
        share = np.exp(by_class - logsumexp(by_class))
        self.classes = dict(zip(family().classes, map(float, share), strict=True))

    def log_evidence(self, pattern: Pattern) -> float:
        """Log evidence over the points of a pattern; zero over none."""
        if pattern.low == pattern.high and not any(pattern.readings):
            return 0.0
        if pattern not in self._known:
            self._known[pattern] = float(logsumexp([part.log_evidence(pattern) for part in self._parts]))
        return self._known[pattern]


class _Deviating:
    """Evidence of the family under one kind of deviation, from the members that explain all points best."""

    def __init__(
        self,
        observation: Observation,
        members: _FamilyRows,
        patterns: Sequence[Pattern],
        deviation: tuple[float, float, float],
    ) -> None:
        amplitude, length, share = deviation
        factors = CommonFactors(deviating_columns(observation, amplitude, length))
        everything = whole(observation)
        likelihood = _RunningProducts(observation, members, factors, [everything]).log_likelihood(everything)
        #: Log evidence of each class over all points, (K,).
        self.by_class = logsumexp(likelihood + members.log_weight, axis=1) + np.log(share)
        prior = logsumexp(members.log_weight, axis=0) + np.log(share)
        joint = likelihood + prior
        relevant = joint > joint.max() - _RELEVANT
        self._prior = prior[relevant]
        self._products = _RunningProducts(
            observation, members.pick(relevant), factors, [everything, *patterns]
        )

    def log_evidence(self, pattern: Pattern) -> float:
        """Log evidence over the points of a pattern, the share of this kind of deviation included."""
        return float(logsumexp(self._products.log_likelihood(pattern) + self._prior))


class _RunningProducts:
    """Inner products of members over any of some patterns, as differences of running sums.

    The products of residual and corner slope with each other, the level vector and the columns are summed
    once for each stretch between two ends of a pattern.
    """

    def __init__(
        self,
        observation: Observation,
        members: _FamilyRows,
        factors: CommonFactors,
        patterns: Sequence[Pattern],
    ) -> None:
        self._factors = factors
        self._points, self._spectrum = observation.frequency_hz.size, observation.spectrum_points
        ends = {0, self._spectrum, *range(self._spectrum, self._points + 1)}
        ends |= {end for pattern in patterns for end in (pattern.low, pattern.high)}
        self._ends = np.array(sorted(ends))
        self._level = observation.whiten(np.ones(self._points, dtype=np.complex128))
        vectors = observation.whiten(members.residual), observation.whiten(members.slope)
        right = np.column_stack([factors.columns, self._level])
        self._sums = [self._running(vector, right) for vector in vectors]
        self._squares = self._running_squares(*vectors)

    def _stretches(self) -> Iterator[tuple[int, NDArray[np.int_]]]:
        """Yield the rows of each stretch between two ends."""
        for k, (low, high) in enumerate(pairwise(self._ends), start=1):
            yield k, np.r_[low:high, self._points + low : self._points + high]

    def _running(self, vectors: FloatArray, right: FloatArray) -> FloatArray:
        """Sum v·[columns, level] over the points before each end, (E, C, K + 1)."""
        out = np.zeros((self._ends.size, vectors.shape[0], right.shape[1]))
        for k, rows in self._stretches():
            np.matmul(vectors[:, rows], right[rows], out=out[k])
        return np.cumsum(out, axis=0, out=out)

    def _running_squares(self, residual: FloatArray, slope: FloatArray) -> FloatArray:
        """Sum rr, rc and cc over the points before each end, (E, 3, C)."""
        out = np.zeros((self._ends.size, 3, residual.shape[0]))
        for k, rows in self._stretches():
            for i, (a, b) in enumerate(((residual, residual), (residual, slope), (slope, slope))):
                out[k, i] = np.einsum("cp,cp->c", a[:, rows], b[:, rows])
        return np.cumsum(out, axis=0)

    def log_likelihood(self, pattern: Pattern) -> FloatArray:
        """Log-likelihood of each member over a pattern, level and corner cell integrated, (C,)."""
        at = self._ends_of(pattern)
        r, c = ((sums[at[:, 1]] - sums[at[:, 0]]).sum(axis=0) for sums in self._sums)
        rr, rc, cc = (self._squares[at[:, 1]] - self._squares[at[:, 0]]).sum(axis=0)
        mask = np.tile(pattern.mask(self._points), 2)
        inner = self._factors.of(pattern)
        level = self._level[mask]
        bd = inner.apply(self._factors.columns[mask].T @ level)
        br, bc = inner.apply(r[:, :-1]), inner.apply(c[:, :-1])
        rd, cd = r[:, -1] - br @ bd, c[:, -1] - bc @ bd
        dd = np.full_like(rd, level @ level - bd @ bd)
        rr, rc, cc = (
            plain - np.einsum("ck,ck->c", a, b) for plain, a, b in ((rr, br, br), (rc, br, bc), (cc, bc, bc))
        )
        gram = np.array([[rr, rd, rc], [rd, dd, cd], [rc, cd, cc]])
        variance = (_PRODUCT_STEP / 2) ** 2
        products = products_of(*marginalise_last(gram, np.full_like(rd, inner.log_det), variance))
        prior = LevelPrior(theta_mean=np.array(0.0), theta_sd=np.array(LEVEL_SPREAD))
        return log_likelihood(products, prior)

    def _ends_of(self, pattern: Pattern) -> NDArray[np.int_]:
        """Positions among the ends of each stretch of a pattern, (stretches, 2)."""
        stretches = [(pattern.low, pattern.high)]
        stretches += [
            (self._spectrum + i, self._spectrum + i + 1) for i, r in enumerate(pattern.readings) if r
        ]
        return np.searchsorted(self._ends, stretches)


@dataclass(frozen=True, slots=True)
class _FamilyRows:
    """Residual and corner slope of the members that are not hopeless, (C, P) each, and their prior (K, C)."""

    residual: ComplexArray
    slope: ComplexArray
    log_weight: FloatArray

    def pick(self, members: NDArray[np.bool_]) -> _FamilyRows:
        return _FamilyRows(self.residual[members], self.slope[members], self.log_weight[:, members])


def _rows_of_family(observation: Observation) -> _FamilyRows:
    frequency, step = observation.frequency_hz, 0.02

    def rows(factor: float) -> ComplexArray:
        return reading_rows(log_reluctivity(family().permeability(frequency / factor)), observation)

    residual = observation.log_reluctivity - rows(1.0)
    keep = np.abs(residual.real.mean(axis=1)) < _HOPELESS
    if not keep.any():
        keep[:] = True
    slope = (rows(np.exp(step)) - rows(np.exp(-step))) / (2 * step)
    return _FamilyRows(residual[keep], slope[keep], family().log_weight[:, keep])
