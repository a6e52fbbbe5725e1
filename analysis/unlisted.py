"""The open alternative "none of these": a wide family of causal, passive spectra, class by class.

It answers three questions: how well the data are explained by a material that is not in the library, of which
class that material would be, and what the data on points where a candidate's curve is silent are worth. The
family spans the level, the product of level and corner frequency, and the shape of the dispersion; each
member is widened by a smooth deviation. Every class weighs the members by what is usual in it
(open_alternative.csv).
"""

from __future__ import annotations

import csv
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from functools import cache, lru_cache
from importlib import resources

import numpy as np
from numpy.typing import NDArray
from scipy.special import logsumexp

from whichcore.analysis.level_integral import (
    CommonFactors,
    LevelPrior,
    log_likelihood,
    marginalise_last,
    narrowed,
    products_of,
)
from whichcore.analysis.observation import (
    CORE_DEVIATION,
    Observation,
    course,
    deviation_basis,
    deviation_columns,
    log_reluctivity,
    reading_rows,
)
from whichcore.analysis.reach import Pattern, Stretches, whole
from whichcore.analysis.types import ComplexArray, FloatArray

#: Levels μi of the family, log-spaced; their step is covered by LEVEL_SPREAD. Practice.
LEVELS = np.geomspace(3.0, 150e3, 24)
LEVEL_SPREAD = 0.25
#: Products (μi − 1)·f_corner of the family, Hz; what lies between two of them is linearised. Practice.
PRODUCTS_HZ = np.geomspace(5e7, 2e11, 14)
_PRODUCT_STEP = float(np.log(PRODUCTS_HZ[1] / PRODUCTS_HZ[0]))
#: Step in ln f by which the slope over the corner is taken.
_CORNER_STEP = 0.02
#: Weight of a shape that is not usual in a class, against a usual one. Practice.
_UNUSUAL_SHAPE = 0.02
#: A member whose level misses the data by more than this on average, in ln|μ|, is left out.
_HOPELESS = 2.5
#: Members less likely than the best by more than this, in ln, do not count for parts of the data.
_RELEVANT = 14.0
#: Smooth relative deviation of a real spectrum from a member, its correlation length in ln f, and the share
#: of spectra of that kind: some follow a law, most are near one, some have their own resonance. Practice.
DEVIATIONS = ((0.03, 1.2, 0.2), (0.15, 0.65, 0.5), (0.35, 0.6, 0.3))

#: Standard deviation of the small loss angle, over that of a relaxation, and its correlation length in ln f.
#: Practice: of open ferrite curves from 30 kHz to 1 MHz the angle is 0.05 to 0.9 of it in 90 of 100 points.
SMALL_LOSS, SMALL_LOSS_LENGTH = 0.7, 3.0


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
    columns = [observation.common, deviation, small_loss_columns(observation)]
    return observation.whiten_columns(np.concatenate(columns, axis=2))


def small_loss_columns(observation: Observation) -> FloatArray:
    """Columns of the small loss angle below the dispersion, where spectra keep to no law, (P, 2, R).

    The members lose there as one relaxation does, δ ∝ f. Real spectra lose less, by a factor that nobody
    knows, down to nothing. So the angle is free by a share of what a relaxation through any later point would
    show, which is the more the earlier the dispersion begins.
    """
    x, (angle, active) = observation.log_frequency, course(observation)
    order = np.argsort(-x)
    over_frequency = np.maximum.accumulate(np.abs(angle[order]) * np.exp(-x[order]))
    tail = np.empty_like(x)
    tail[order] = over_frequency * np.exp(x[order])
    size = SMALL_LOSS * tail * (1 - active)
    basis = deviation_basis(x, SMALL_LOSS_LENGTH)
    out = np.zeros((x.size, 2, basis.shape[1]))
    out[:, 1] = size[:, None] * basis
    return out


class OpenAlternative:
    """Evidence of "none of these" over any of the given sets of points.

    Parameters
    ----------
    observation : Observation
    patterns : sequence of Pattern
    members : FamilyRows, optional
        Of the family on these points, when at hand.

    Attributes
    ----------
    classes : dict of str to float
        Probability of each class, given all points and that it is none of the listed materials.
    """

    def __init__(
        self, observation: Observation, patterns: Sequence[Pattern], members: FamilyRows | None = None
    ) -> None:
        members = members or rows_of_family(observation)
        self._known: dict[Pattern, float] = {}
        if not observation.frequency_hz.size:
            self.classes = _shares(logsumexp(members.log_weight, axis=1))
            return
        members = members.not_hopeless()
        wanted = tuple(dict.fromkeys((whole(observation), *patterns)))
        parts = [
            _deviating(observation, members, wanted, (amplitude, length, share))
            for amplitude, length, share in DEVIATIONS
        ]
        by_pattern = logsumexp([evidence for _, evidence in parts], axis=0)
        self._known = dict(zip(wanted, map(float, by_pattern), strict=True))
        by_class = logsumexp([classes for classes, _ in parts], axis=0)
        self.classes = _shares(by_class)

    def log_evidence(self, pattern: Pattern) -> float:
        """Log evidence over the points of one of the patterns, or of all; zero over none."""
        if pattern.low == pattern.high and not any(pattern.readings):
            return 0.0
        return self._known[pattern]


def _shares(log_by_class: FloatArray) -> dict[str, float]:
    share = np.exp(log_by_class - logsumexp(log_by_class))
    return dict(zip(family().classes, map(float, share), strict=True))


def _deviating(
    observation: Observation,
    members: FamilyRows,
    patterns: Sequence[Pattern],
    deviation: tuple[float, float, float],
) -> tuple[FloatArray, FloatArray]:
    """Log evidence of the family under one kind of deviation, the share of that included.

    Returns that of each class over all points, (K,), and that over each pattern, (N,), from the members that
    explain all points best.
    """
    amplitude, length, share = deviation
    factors = CommonFactors(narrowed(deviating_columns(observation, amplitude, length)))
    everything = whole(observation)
    likelihood = _StretchProducts(observation, members, factors, [everything]).log_likelihood()[0]
    by_class = logsumexp(likelihood + members.log_weight, axis=1) + np.log(share)
    prior = logsumexp(members.log_weight, axis=0) + np.log(share)
    joint = likelihood + prior
    relevant = joint > joint.max() - _RELEVANT
    products = _StretchProducts(observation, members.pick(relevant), factors, patterns)
    return by_class, logsumexp(products.log_likelihood() + prior[relevant], axis=1)


class _StretchProducts:
    """Inner products of members over any of some patterns, as sums over stretches of points.

    The products of residual and corner slope with each other, the level vector and the columns are summed
    once for each stretch between two ends of a pattern.
    """

    def __init__(
        self,
        observation: Observation,
        members: FamilyRows,
        factors: CommonFactors,
        patterns: Sequence[Pattern],
    ) -> None:
        self._factors, self._patterns = factors, patterns
        stretches = Stretches(observation.frequency_hz.size, patterns)
        level = observation.whiten(np.ones(observation.frequency_hz.size, dtype=np.complex128))
        residual, slope = observation.whiten(members.residual), observation.whiten(members.slope)
        right = np.column_stack([factors.columns, level])
        self._sums = [stretches.products(vectors, right) for vectors in (residual, slope, level[None])]
        pairs = ((residual, residual), (residual, slope), (slope, slope))
        self._squares = np.stack([stretches.squares(a, b) for a, b in pairs], axis=1)

    def log_likelihood(self) -> FloatArray:
        """Log-likelihood of each member over each pattern, level and corner cell integrated, (N, C)."""
        inverse, log_det = self._factors.of(self._patterns)
        gram = self._gram(inverse)
        growth = np.broadcast_to(log_det[:, None], gram.shape[2:])
        products = products_of(*marginalise_last(gram, growth, (_PRODUCT_STEP / 2) ** 2))
        prior = LevelPrior(theta_mean=np.array(0.0), theta_sd=np.array(LEVEL_SPREAD))
        return log_likelihood(products, prior)

    def _gram(self, inverse: FloatArray) -> FloatArray:
        """Inner products (3, 3, N, C) of residual, level and slope over the patterns, from L⁻ᵀ (N, K, K)."""
        r, c, d = self._sums
        br, bc, bd = (sums[:, :, :-1] @ inverse for sums in self._sums)
        rd, cd = (plain[:, :, -1] - np.einsum("nck,nk->nc", b, bd[:, 0]) for plain, b in ((r, br), (c, bc)))
        dd = np.broadcast_to(d[:, :, -1] - np.square(bd).sum(axis=2), rd.shape)
        rr, rc, cc = (
            self._squares[:, k] - np.einsum("nck,nck->nc", a, b)
            for k, (a, b) in enumerate(((br, br), (br, bc), (bc, bc)))
        )
        return np.array([[rr, rd, rc], [rd, dd, cd], [rc, cd, cc]])


@dataclass(frozen=True, slots=True)
class FamilyRows:
    """Residual and corner slope of members, (C, P) each, and their prior (K, C)."""

    residual: ComplexArray
    slope: ComplexArray
    log_weight: FloatArray

    def pick(self, members: NDArray[np.bool_]) -> FamilyRows:
        """Return some of the members."""
        return FamilyRows(self.residual[members], self.slope[members], self.log_weight[:, members])

    def at(self, points: NDArray[np.int_]) -> FamilyRows:
        """Return the members on some of the points."""
        return FamilyRows(self.residual[:, points], self.slope[:, points], self.log_weight)

    def not_hopeless(self) -> FamilyRows:
        """Return the members whose level comes near the data; all where none does."""
        keep = np.abs(self.residual.real.mean(axis=1)) < _HOPELESS
        return self.pick(keep) if keep.any() else self


def rows_of_family(observation: Observation) -> FamilyRows:
    """Return all members on the points of an observation."""
    plain, above, below = (
        reading_rows(rows, observation) for rows in _shown_by_family(observation.frequency_hz.tobytes())
    )
    residual, slope = observation.log_reluctivity - plain, (above - below) / (2 * _CORNER_STEP)
    return FamilyRows(residual, slope, family().log_weight)


def family_rows(observation: Observation) -> tuple[ComplexArray, ComplexArray]:
    """Return residuals of all members, and their slopes over the corner by half of its cell, (C, P) each."""
    rows = rows_of_family(observation)
    return rows.residual, rows.slope * (_PRODUCT_STEP / 2)


@lru_cache(maxsize=2)
def _shown_by_family(frequency: bytes) -> tuple[ComplexArray, ComplexArray, ComplexArray]:
    """Return λ (C, P) of all members, as they are and with their corner a small step up and down.

    It hangs on nothing that was measured, and is kept for the next sweep over the same points.
    """
    frequency_hz = np.frombuffer(frequency)
    plain, above, below = (
        log_reluctivity(family().permeability(frequency_hz / factor))
        for factor in (1.0, np.exp(_CORNER_STEP), np.exp(-_CORNER_STEP))
    )
    return plain, above, below
