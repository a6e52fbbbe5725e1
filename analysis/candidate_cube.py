"""Many candidates at once: materials × corner shifts × exponents, under each gap and turn count.

How far a core may deviate from its curve is not known either: each piece is evaluated under a few amplitudes
of deviation, whose shares are their prior.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, fields, replace

import numpy as np
from numpy.typing import NDArray
from scipy.special import logsumexp

from whichcore.analysis.curve_table import GRID_STEP, SHIFTS
from whichcore.analysis.level_integral import (
    SUPPORT,
    JointFactors,
    LevelPrior,
    Products,
    inner_products,
    level_variance,
    log_likelihood,
    log_sum,
    marginalise_last,
    posterior_level,
    products_of,
)
from whichcore.analysis.observation import Observation
from whichcore.analysis.priors import CornerPrior, GapNode
from whichcore.analysis.reach import Reach
from whichcore.analysis.types import ComplexArray, FloatArray

#: With a gap every second corner shift is enough: the level and the corner move together there.
_GAP_SHIFTS = slice(0, None, 2)
#: A gap that changes no candidate's reluctivity by more than this share is not worth evaluating.
_NEGLIGIBLE_GAP = 0.01
#: A branch less probable than this does not count for the level of a candidate.
_COUNTS = 0.01
_NO_GAP = GapNode(1.0, 0.0, 0.0)
#: Residual, level, gap and corner vectors out of residual, (level,) corner and one: without a gap the level
#: is one everywhere; with a gap level and gap add up to one.
_UNGAPPED = np.array([[1.0, 0, 0], [0, 0, 1], [0, 1, 0]])
_GAPPED = np.array([[1.0, 0, 0, 0], [0, 1, 0, 0], [0, -1, 0, 1], [0, 0, 1, 0]])
#: Allowance, in ln|μ|, for geometry and deviation when a level is called impossible; its log evidence then.
_LEVEL_SLACK, _IMPOSSIBLE = 0.3, -1e6


@dataclass(frozen=True, slots=True)
class Branches:
    """Prior branches of the specimen: gap pieces, and turn counts with probability.

    ``other_section``: references of unknown section are taken as of another one than the specimen's.
    """

    gaps: tuple[GapNode, ...]
    turns: tuple[tuple[int, float], ...]
    other_section: bool = False


@dataclass(frozen=True, slots=True)
class Explanation:
    """Most likely parameters of one candidate; the core's scale is exp(−theta).

    ``level`` and ``level_sd`` are mean and standard deviation of θ over everything else, gap and turns
    included; ``other_section``: a reference of unknown section fits best as taken on another one than the
    specimen's.
    """

    theta: float
    shift_steps: float
    gap_ratio: float
    turns: int
    level: float = 0.0
    level_sd: float = 0.0
    other_section: bool = False

    @property
    def scale(self) -> float:
        """Ratio of the core's permeability to the reference's."""
        return float(np.exp(-self.theta))

    @property
    def corner_shift(self) -> float:
        """Ratio of the core's corner frequency to the reference's."""
        return float(np.exp(GRID_STEP * self.shift_steps))


@dataclass(frozen=True, slots=True)
class Deviating:
    """One amplitude of deviation: its share, and the whitened common columns (2P, K) under it."""

    share: float
    columns: FloatArray


class CandidateCube:
    """M materials, each at S corner shifts and J exponents, under A amplitudes of deviation.

    Parameters
    ----------
    observation : Observation
    predicted : complex array (M, S, P)
        Rows of the references; NaN where silent.
    reach : Reach
        Of the M·S candidates.
    deviations : callable of float
        Returns the A amplitudes of deviation, as sequence of Deviating, of cores behind a gap of a ratio.
    priors : (CornerPrior, Branches)
    silence : float array (M, S, 1)
        Log probability of the points where a candidate is silent.
    """

    def __init__(
        self,
        observation: Observation,
        predicted: ComplexArray,
        reach: Reach,
        deviations: Callable[[float], Sequence[Deviating]],
        priors: tuple[CornerPrior, Branches],
        silence: FloatArray,
    ) -> None:
        self.observation = observation
        self.speaks = ~np.isnan(predicted.real)
        self.slope = _slope_over_shift(predicted)
        self.predicted = np.where(self.speaks, predicted, 0)
        self.reluctivity = np.exp(self.predicted)
        self.reach = reach
        self.deviations = deviations
        self.corner, self.branches = priors
        self.silence = silence
        self._one = observation.whiten(np.ones(observation.frequency_hz.size, dtype=np.complex128))
        self._least = np.where(self.speaks, self.predicted.real, np.inf).min(axis=(1, 2))
        #: Pieces evaluated by `branch_terms`, by place of the gap (−1 without one), and their members.
        self._pieces: dict[int, tuple[NDArray[np.int_], _Piece]] = {}

    def branch_terms(self) -> FloatArray:
        """Log evidence (T, G, M) of each branch; amplitude, shift and exponent integrated."""
        turns, gaps = self.branches.turns, self.branches.gaps
        members = np.arange(self.predicted.shape[0])
        out = np.empty((len(turns), len(gaps), members.size))
        plain = self._piece(members, _NO_GAP)
        self._pieces[-1] = members, plain
        out[:] = [[plain.log_evidence(self._log_tau(n))] for n, _ in turns]
        for g, node in enumerate(gaps):
            matters = np.flatnonzero(self._gap_share(node) > _NEGLIGIBLE_GAP)
            possible = matters[self._possible(node)[matters]]
            out[:, g, matters] = _IMPOSSIBLE
            if possible.size:
                piece = self._piece(possible, node)
                self._pieces[g] = possible, piece
                out[:, g, possible] = [piece.log_evidence(self._log_tau(n)) for n, _ in turns]
        prior = np.outer([p for _, p in turns], [node.probability for node in gaps])
        return np.asarray(out + np.log(prior)[:, :, None])

    def explain(self, member: int, terms: FloatArray) -> Explanation:
        """Most likely parameters of one material, in its most likely branch; after `branch_terms`."""
        t, g = np.unravel_index(int(terms.argmax()), terms.shape)
        turns, node = self.branches.turns[t][0], self._node(member, int(g))
        piece = self._evaluated(member, int(g))
        joint = piece.log_joint(self._log_tau(turns))[:, 0]
        a, s, j = (int(i) for i in np.unravel_index(int(joint.argmax()), joint.shape))
        theta, gamma, within = (values[a, 0, s, j] for values in piece.level(self._log_tau(turns)))
        steps = float(SHIFTS[piece.shifts][s] + within / GRID_STEP)
        level, level_sd = self._level_moments(member, terms)
        return Explanation(
            theta=float(theta),
            shift_steps=float(np.clip(steps, SHIFTS[0], SHIFTS[-1])),
            gap_ratio=float(node.median * np.exp(gamma)),
            turns=turns,
            level=level,
            level_sd=level_sd,
            other_section=self.branches.other_section,
        )

    def _node(self, member: int, g: int) -> GapNode:
        """Return the piece of the gap prior a branch of a material was evaluated with."""
        node = self.branches.gaps[g]
        return _NO_GAP if self._gap_share(node)[member] <= _NEGLIGIBLE_GAP else node

    def _evaluated(self, member: int, g: int) -> _Piece:
        """Return what `branch_terms` evaluated for one material in a branch; made now where ruled out."""
        node = self._node(member, g)
        members, piece = self._pieces.get(-1 if node is _NO_GAP else g, (np.empty(0, dtype=np.int_), None))
        position = np.flatnonzero(members == member)
        if piece is None or not position.size:
            return self._piece(np.array([member]), node)
        return piece.of(int(position[0]))

    def _level_moments(self, member: int, terms: FloatArray) -> tuple[float, float]:
        """Mean and standard deviation of θ of one material over all branches that count, (T, G) terms."""
        share = np.exp(terms - logsumexp(terms))
        moments = np.zeros(3)
        for t, g in zip(*np.nonzero(share > _COUNTS), strict=True):
            piece = self._evaluated(member, int(g))
            moments += share[t, g] * piece.moments(self._log_tau(self.branches.turns[t][0]))
        mean, square = moments[1:] / moments[0]
        return float(mean), float(np.sqrt(max(square - mean**2, 0.0)))

    def _log_tau(self, turns: int) -> float:
        return 2 * float(np.log(self.branches.turns[0][0] / turns))

    def _gap_share(self, node: GapNode) -> FloatArray:
        """Largest share of the reluctivity that a gap adds to each material."""
        return np.asarray(node.median * np.exp(-self._least))

    def _possible(self, node: GapNode) -> NDArray[np.bool_]:
        """Tell for which materials the level at the lowest point can be met at all with this gap."""
        middle = SHIFTS.size // 2
        speaks = self.speaks[:, middle]
        first = speaks.argmax(axis=1)
        predicted = self.predicted.real[np.arange(first.size), middle, first]
        measured = self.observation.log_reluctivity.real[first]
        reach = SUPPORT * self.corner.theta_sd.max(axis=(1, 2)) + _LEVEL_SLACK
        turns = [self._log_tau(n) for n, _ in self.branches.turns]
        low = np.log(np.exp(self.corner.theta_mean.min(axis=(1, 2)) - reach + predicted) + node.median)
        high = np.log(np.exp(self.corner.theta_mean.max(axis=(1, 2)) + reach + predicted) + node.median)
        slack = _LEVEL_SLACK + 2 * node.log_sd
        inside = (measured > low + min(turns) - slack) & (measured < high + max(turns) + slack)
        return np.asarray(inside | ~speaks.any(axis=1))

    def _piece(self, members: NDArray[np.int_], node: GapNode) -> _Piece:
        """Evaluate some materials with one piece of the gap prior."""
        shifts = _shifts_of(node)
        corner = self.corner.at(members, shifts)
        theta0 = _level_reference(corner, node)
        # a piece of the gap prior reaches to narrower gaps, behind which more of the deviation is seen
        deviations = self.deviations(node.narrow)
        factors = JointFactors([deviation.columns for deviation in deviations])
        gram, log_det = self._gram(members, node, theta0, factors)
        size = gram.shape[-2:]
        cell = GRID_STEP * (shifts.step or 1) / 2
        products = products_of(*marginalise_last(gram, log_det, cell**2))
        return _Piece(
            products=Products(*(getattr(products, f.name).reshape(-1, *size, 1) for f in fields(Products))),
            gram=gram,
            cell=cell,
            prior=LevelPrior(
                corner.theta_mean - theta0[:, :, None], corner.theta_sd, node.log_sd, node.support
            ),
            log_weight=corner.log_weight + self.silence[members][:, shifts] + _log_shares(deviations),
            theta0=theta0[:, :, None],
            shifts=shifts,
        )

    def _gram(
        self, members: NDArray[np.int_], node: GapNode, theta0: FloatArray, factors: JointFactors
    ) -> tuple[FloatArray, FloatArray]:
        """Inner products (V, V, A, M, S) of residual, level, gap if any, and corner; ln det (A, M, S)."""
        shifts = _shifts_of(node)
        vectors = self._vectors(members, shifts, theta0, node)
        size = vectors[0].shape[:2]
        flat = tuple(v.reshape(size[0] * size[1], -1) for v in vectors)
        gram, log_det = inner_products(flat, self._one, self._reach(members, shifts), factors)
        whole = _GAPPED if node.median > 0 else _UNGAPPED
        gram = np.einsum("ia,ab...,jb->ij...", whole, gram, whole)
        return gram.reshape(*gram.shape[:3], *size), log_det.reshape(-1, *size)

    def _vectors(
        self, members: NDArray[np.int_], shifts: slice, theta0: FloatArray, node: GapNode
    ) -> tuple[FloatArray, ...]:
        """Whitened residual, level (with a gap) and corner vectors, (M, S, 2P) each; zero where silent."""
        whiten, measured = self.observation.whiten, self.observation.log_reluctivity
        speaks, slope = self.speaks[members, shifts], self.slope[members, shifts]
        if node.median == 0:
            residual = (measured - self.predicted[members, shifts]) * speaks
            return whiten(residual), whiten(slope)
        core = np.exp(theta0)[:, :, None] * self.reluctivity[members, shifts]
        whole = core + node.median
        level = np.where(speaks, core / whole, 0j)
        residual = (measured - np.log(whole)) * speaks
        return whiten(residual), whiten(level), whiten(level * slope)

    def _reach(self, members: NDArray[np.int_], shifts: slice) -> Reach:
        size = self.predicted.shape[:2]
        rows = np.arange(size[0] * size[1]).reshape(size)[members][:, shifts].ravel()
        return Reach(self.reach.low[rows], self.reach.high[rows], self.reach.readings[rows])


@dataclass(frozen=True, slots=True)
class _Piece:
    """Products and priors of some materials under one piece of the gap prior."""

    products: Products
    gram: FloatArray
    cell: float
    prior: LevelPrior
    log_weight: FloatArray
    theta0: FloatArray
    shifts: slice

    def of(self, position: int) -> _Piece:
        """Return the piece of one of its materials."""
        one = slice(position, position + 1)
        prior = self.prior
        return replace(
            self,
            products=Products(*(getattr(self.products, f.name)[:, one] for f in fields(Products))),
            gram=self.gram[..., one, :],
            prior=LevelPrior(prior.theta_mean[one], prior.theta_sd[one], prior.gamma_sd, prior.gamma_support),
            log_weight=self.log_weight[:, one],
            theta0=self.theta0[one],
        )

    def log_joint(self, log_tau: float) -> FloatArray:
        """Return the log of likelihood and prior, (A, M, S, J)."""
        return np.asarray(log_likelihood(self.products.with_turns(log_tau), self.prior) + self.log_weight)

    def log_evidence(self, log_tau: float) -> FloatArray:
        """Return the log evidence of each material, (M,)."""
        return np.asarray(log_sum(self.log_joint(log_tau), (0, 2, 3)))

    def moments(self, log_tau: float) -> FloatArray:
        """Return (1, mean of θ, mean of θ²) over all A, M, S and J."""
        products = self.products.with_turns(log_tau)
        joint = self.log_joint(log_tau)
        weight = np.exp(joint - logsumexp(joint))
        theta = self.theta0 + posterior_level(products, self.prior)[0]
        square = theta**2 + level_variance(products, self.prior)
        return np.array([1.0, (weight * theta).sum(), (weight * square).sum()])

    def level(self, log_tau: float) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Posterior means of θ, of ln(gap/median) and of the shift within its cell, (A, M, S, J)."""
        theta, gamma = posterior_level(self.products.with_turns(log_tau), self.prior)
        gamma = np.broadcast_to(gamma, theta.shape)
        corner = self.gram[-1][..., None]
        left = corner[0] - (log_tau + theta) * corner[1]
        if corner.shape[0] > 3:
            left = left - (log_tau + gamma) * corner[2]
        return self.theta0 + theta, gamma, self.cell**2 * left / (1 + self.cell**2 * corner[-1])


def _log_shares(deviations: Sequence[Deviating]) -> FloatArray:
    return np.log([deviation.share for deviation in deviations])[:, None, None, None]


def _shifts_of(node: GapNode) -> slice:
    return _GAP_SHIFTS if node.median > 0 else slice(None)


def _level_reference(corner: CornerPrior, node: GapNode) -> FloatArray:
    """Return θ₀ (M, S) about which a gap is linearised: the mean of the prior."""
    mean = np.einsum("msj,msj->ms", np.exp(_normalised(corner.log_weight)), corner.theta_mean)
    return mean if node.median > 0 else np.zeros_like(mean)


def _slope_over_shift(predicted: ComplexArray) -> ComplexArray:
    """Differentiate the rows by the corner shift in ln f, (M, S, P); zero at the end of a reach."""
    out = np.zeros_like(predicted)
    if predicted.shape[1] > 1:
        spacing = GRID_STEP * (SHIFTS.size - 1) / (predicted.shape[1] - 1)
        out = np.gradient(predicted, spacing, axis=1)
    return np.where(np.isnan(out), 0, out)


def _normalised(log_weight: FloatArray) -> FloatArray:
    return np.asarray(log_weight - logsumexp(log_weight, axis=2, keepdims=True))
