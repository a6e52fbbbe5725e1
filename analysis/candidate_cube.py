"""Many candidates at once: materials × corner shifts × exponents, under each gap and turn count.

How far a core may deviate from its curve is not known either: each piece is evaluated under a few amplitudes
of deviation, whose shares are their prior.
Every branch of every material is looked at first, and what comes near is evaluated in full (`first_look`).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, fields

import numpy as np
from numpy.typing import NDArray

from whichcore.analysis.candidate_piece import Piece, scattered
from whichcore.analysis.curve_table import GRID_STEP, SHIFTS
from whichcore.analysis.first_look import FIRST_LOOK, IMPOSSIBLE, shifts_worth, worth_full
from whichcore.analysis.level_integral import (
    SUPPORT,
    JointFactors,
    LevelPrior,
    Products,
    inner_products,
    log_sum,
    marginalise_last,
    products_of,
)
from whichcore.analysis.observation import Observation
from whichcore.analysis.priors import CornerPrior, GapLaw, GapNode
from whichcore.analysis.reach import Reach
from whichcore.analysis.types import ComplexArray, FloatArray

#: A gap that changes no candidate's reluctivity by more than this share is not worth evaluating.
_NEGLIGIBLE_GAP = 0.01
#: A branch less probable than this does not count for the level of a candidate.
_COUNTS = 0.01
_NO_GAP = GapNode(1.0, 0.0, 0.0)
#: Place of a branch without a gap to speak of, and of one that the level rules out.
_PLAIN, _RULED_OUT = -1, -2
#: Corner shifts evaluated. With a gap every second is enough: the level and the corner move together there.
_UNGAPPED_SHIFTS, _GAP_SHIFTS = slice(0, None, 1), slice(0, None, 2)
_NOTHING = np.empty(0)
#: Residual, level, gap and corner vectors out of residual, (level,) corner and one: without a gap the level
#: is one everywhere; with a gap level and gap add up to one.
_UNGAPPED = np.array([[1.0, 0, 0], [0, 0, 1], [0, 1, 0]])
_GAPPED = np.array([[1.0, 0, 0, 0], [0, 1, 0, 0], [0, -1, 0, 1], [0, 0, 1, 0]])
#: Allowance, in ln|μ|, for geometry and deviation when a level is called impossible.
_LEVEL_SLACK = 0.3


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
    specimen's; ``widest`` is the probability that the core deviates from its curve by the widest amplitude.
    ``law``: the prior of the gap, where its chance is asked as well as its size.
    """

    theta: float
    shift_steps: float
    gap_ratio: float
    turns: int
    level: float = 0.0
    level_sd: float = 0.0
    other_section: bool = False
    widest: float = 0.0
    law: GapLaw | None = None

    @property
    def covering_gap(self) -> float:
        """Gap behind which the deviation of the core is seen: with its law as the judge takes it."""
        return self.gap_ratio if self.law is None else self.law.narrow

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
    """Amplitudes of deviation, the widest last: their shares (A,), and the factors of their columns."""

    shares: FloatArray
    factors: JointFactors

    def widest(self) -> Deviating:
        """Return the widest one alone, with its share."""
        return Deviating(self.shares[-1:], self.factors.last())


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
        Returns the amplitudes of deviation, as Deviating, of cores behind a gap of a ratio.
    priors : (CornerPrior, Branches)
    silence : float array (M, S, 1)
        Log probability of the points where a candidate is silent.
    """

    def __init__(
        self,
        observation: Observation,
        predicted: ComplexArray,
        reach: Reach,
        deviations: Callable[[float], Deviating],
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
        #: Place of the piece (G, M) of the gap prior that each branch of each material is evaluated with.
        self._place = self._places()
        #: Pieces evaluated in full by `branch_terms`, by place, and their members.
        self._pieces: dict[int, tuple[NDArray[np.int_], Piece]] = {}
        #: What the first look gave each material, (M,); after `branch_terms`.
        self.first_look = _NOTHING

    def branch_terms(self, beside: FloatArray = _NOTHING) -> FloatArray:
        """Log evidence (T, G, M) of each branch; amplitude, shift and exponent integrated.

        Parameters
        ----------
        beside : float array
            What the first look gave materials that these are compared with.
        """
        turns, gaps = self.branches.turns, self.branches.gaps
        prior = np.log(np.outer([p for _, p in turns], [node.probability for node in gaps]))[:, :, None]
        out = np.full((len(turns), *self._place.shape), IMPOSSIBLE) + prior
        # place −1 is the last row
        near = np.zeros((len(gaps) + 1, *self.predicted.shape[:2]), dtype=bool)
        for place in range(_PLAIN, len(gaps)):
            if (at := self._place == place).any():
                joint = self._joint(self._piece(_members(at), self._gap(place), first_look=True))
                _enter(out, prior, at, joint)
                near[place, _members(at)] = shifts_worth(joint)
        best = out.max(axis=0)
        self.first_look = best.max(axis=0)
        worth = worth_full(best, beside)
        for place in range(_PLAIN, len(gaps)):
            if (at := (self._place == place) & worth).any():
                piece = self._piece(_members(at), self._gap(place), near[place])
                self._pieces[place] = _members(at), piece
                _enter(out, prior, at, self._joint(piece))
        return np.asarray(out)

    def _joint(self, piece: Piece) -> FloatArray:
        """Log of likelihood and prior of a piece for each turn count, (T, A, M, S, J)."""
        log_tau = [self._log_tau(n) for n, _ in self.branches.turns]
        return piece.log_joint(np.array(log_tau)[:, None, None, None, None])

    def _places(self) -> NDArray[np.int_]:
        out = np.full((len(self.branches.gaps), self._least.size), _PLAIN)
        for g, node in enumerate(self.branches.gaps):
            matters = self._gap_share(node) > _NEGLIGIBLE_GAP
            out[g, matters] = np.where(self._possible(node)[matters], g, _RULED_OUT)
        return out

    def _gap(self, place: int) -> GapNode:
        return _NO_GAP if place == _PLAIN else self.branches.gaps[place]

    def explain(self, member: int, terms: FloatArray) -> Explanation:
        """Most likely parameters of one material, in its most likely branch; after `branch_terms`."""
        t, g = np.unravel_index(int(terms.argmax()), terms.shape)
        turns, node = self.branches.turns[t][0], self._gap(self._piece_of(member, int(g)))
        piece = self._evaluated(member, int(g))
        joint = piece.log_joint(self._log_tau(turns))[:, 0]
        a, s, j = (int(i) for i in np.unravel_index(int(joint.argmax()), joint.shape))
        theta, gamma, within = (values[a, 0, s, j] for values in piece.level(self._log_tau(turns)))
        steps = float(SHIFTS[_shifts_of(node)][s] + within / GRID_STEP)
        level, level_sd = self._level_moments(member, terms)
        return Explanation(
            theta=float(theta),
            shift_steps=float(np.clip(steps, SHIFTS[0], SHIFTS[-1])),
            gap_ratio=float(node.median * np.exp(gamma)),
            turns=turns,
            level=level,
            level_sd=level_sd,
            other_section=self.branches.other_section,
            widest=float(np.exp(log_sum(joint[-1], (0, 1)) - log_sum(joint, (0, 1, 2)))),
        )

    def _piece_of(self, member: int, g: int) -> int:
        """Return the place of the piece that a branch of a material is evaluated with, ruled out or not."""
        place = int(self._place[g, member])
        return g if place == _RULED_OUT else place

    def _evaluated(self, member: int, g: int) -> Piece:
        """Return what `branch_terms` evaluated for one material in a branch; made now where it did not."""
        place = self._piece_of(member, g)
        members, piece = self._pieces.get(place, (np.empty(0, dtype=np.int_), None))
        position = np.flatnonzero(members == member)
        if piece is None or not position.size:
            return self._piece(np.array([member]), self._gap(place))
        return piece.of(int(position[0]))

    def _level_moments(self, member: int, terms: FloatArray) -> tuple[float, float]:
        """Mean and standard deviation of θ of one material over all branches that count, (T, G) terms."""
        share = np.exp(terms - log_sum(terms, (0, 1)))
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

    def _piece(
        self,
        members: NDArray[np.int_],
        node: GapNode,
        near: NDArray[np.bool_] | None = None,
        *,
        first_look: bool = False,
    ) -> Piece:
        """Evaluate some materials with one piece of the gap prior, where ``near`` (M, S) says so."""
        shifts = FIRST_LOOK if first_look else _shifts_of(node)
        near = np.ones(self.predicted.shape[:2], dtype=bool) if near is None else near
        near = near[members, shifts]
        corner = self.corner.at(members, shifts)
        theta0 = _level_reference(corner, node)
        # a piece of the gap prior reaches to narrower gaps, behind which more of the deviation is seen
        deviations = self.deviations(node.narrow)
        if first_look:
            deviations = deviations.widest()
        row, column = np.nonzero(near)
        at = members[row], np.arange(SHIFTS.size)[shifts][column]
        evaluated, log_det = self._gram(at, node, theta0[near], deviations.factors)
        gram, log_det = scattered(evaluated, near), scattered(log_det, near)
        size = near.shape
        # half of the step: neighbouring cells run into each other without a ripple
        cell = GRID_STEP * shifts.step / 2
        products = products_of(*marginalise_last(gram, log_det, cell**2))
        shares = np.log(deviations.shares)[:, None, None, None]
        return Piece(
            products=Products(*(getattr(products, f.name).reshape(-1, *size, 1) for f in fields(Products))),
            gram=gram,
            cell=cell,
            prior=LevelPrior(
                corner.theta_mean - theta0[:, :, None], corner.theta_sd, node.log_sd, node.support
            ),
            log_weight=np.where(
                near[:, :, None],
                corner.log_weight + self.silence[members][:, shifts] + shares,
                IMPOSSIBLE,
            ),
            theta0=theta0[:, :, None],
            near=near,
        )

    def _gram(
        self,
        at: tuple[NDArray[np.int_], NDArray[np.int_]],
        node: GapNode,
        theta0: FloatArray,
        factors: JointFactors,
    ) -> tuple[FloatArray, FloatArray]:
        """Inner products (V, V, A, C) of residual, level, gap if any, and corner; ln det (A, C)."""
        size = self.predicted.shape[:2]
        rows = np.arange(size[0] * size[1]).reshape(size)[at]
        reach = Reach(self.reach.low[rows], self.reach.high[rows], self.reach.readings[rows])
        gram, log_det = inner_products(self._vectors(at, theta0, node), self._one, reach, factors)
        whole = _GAPPED if node.median > 0 else _UNGAPPED
        return np.einsum("ia,ab...,jb->ij...", whole, gram, whole), log_det

    def _vectors(
        self, at: tuple[NDArray[np.int_], NDArray[np.int_]], theta0: FloatArray, node: GapNode
    ) -> tuple[FloatArray, ...]:
        """Whitened residual, level (with a gap) and corner vectors, (C, 2P) each; zero where silent."""
        whiten, measured = self.observation.whiten, self.observation.log_reluctivity
        speaks, slope = self.speaks[at], self.slope[at]
        if node.median == 0:
            residual = (measured - self.predicted[at]) * speaks
            return whiten(residual), whiten(slope)
        core = np.exp(theta0)[:, None] * self.reluctivity[at]
        whole = core + node.median
        level = np.where(speaks, core / whole, 0j)
        residual = (measured - np.log(whole)) * speaks
        return whiten(residual), whiten(level), whiten(level * slope)


def _shifts_of(node: GapNode) -> slice:
    return _GAP_SHIFTS if node.median > 0 else _UNGAPPED_SHIFTS


def _members(at: NDArray[np.bool_]) -> NDArray[np.int_]:
    """Return the materials that have any of some branches (G, M)."""
    return np.flatnonzero(at.any(axis=0))


def _enter(out: FloatArray, prior: FloatArray, at: NDArray[np.bool_], joint: FloatArray) -> None:
    """Write the log evidence of a piece into the branches (G, M) that are evaluated with it."""
    terms, members = log_sum(joint, (1, 3, 4)), _members(at)
    for g in np.flatnonzero(at.any(axis=1)):
        here = at[g, members]
        out[:, g, members[here]] = terms[:, here] + prior[:, g]


def _level_reference(corner: CornerPrior, node: GapNode) -> FloatArray:
    """Return θ₀ (M, S) about which a gap is linearised: the mean of the prior."""
    mean = np.einsum("msj,msj->ms", np.exp(_normalised(corner.log_weight)), corner.theta_mean)
    return mean if node.median > 0 else np.zeros_like(mean)


def _slope_over_shift(predicted: ComplexArray) -> ComplexArray:
    """Differentiate the rows by the corner shift in ln f, (M, S, P); zero at the end of a reach."""
    out = np.gradient(predicted, GRID_STEP, axis=1)
    return np.where(np.isnan(out), 0, out)


def _normalised(log_weight: FloatArray) -> FloatArray:
    return np.asarray(log_weight - log_sum(log_weight, (2,))[..., None])
