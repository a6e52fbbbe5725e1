"""What a planned measurement would show under each candidate, given the data at hand."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray
from scipy.linalg import solve_triangular

from whichcore.analysis.candidate_cube import Explanation
from whichcore.analysis.curve_deviation import amplitudes, column_key, curve_columns
from whichcore.analysis.curve_table import CurveTable
from whichcore.analysis.information import GaussianMixture
from whichcore.analysis.linear_candidate import LinearCandidate, around, reference_curve, unexplained
from whichcore.analysis.materials import Library, Material
from whichcore.analysis.observation import Observation, some_points
from whichcore.analysis.open_members import open_members
from whichcore.analysis.planned import Plan, common_of, whitener_of
from whichcore.analysis.posterior import Evidence
from whichcore.analysis.square_root import lower_factor
from whichcore.analysis.types import ComplexArray, FloatArray

#: Candidates looked at, and the probability that the others may hold together.
MOST_CANDIDATES, NEGLECTED = 16, 0.003


@dataclass(frozen=True, slots=True)
class Knowledge:
    """What advice rests on.

    Attributes
    ----------
    library : Library
    observation : Observation
    evidence : Evidence
    probability : float array (M + 1,)
        Of each material in library order, and of none of them.
    """

    library: Library
    observation: Observation
    evidence: Evidence
    probability: FloatArray

    @property
    def of_family(self) -> float:
        """Share of the wide family in none of these, 0 to 1; the rest are kin of the listed materials."""
        return float(np.exp(self.evidence.of_family - self.evidence.unlisted))

    def leading(self) -> list[int]:
        """Return the answers worth looking at, the most probable first; M stands for none of these."""
        none = self.probability.size - 1
        order = [int(i) for i in np.argsort(-self.probability, kind="stable")]
        order = [i for i in order if i == none or i in self.evidence.explanations][:MOST_CANDIDATES]
        held = np.cumsum(self.probability[order])
        return order[: int(np.searchsorted(held, 1 - NEGLECTED)) + 1]


@dataclass(frozen=True, slots=True)
class _Case:
    """One case of an answer with the data at hand worked in; rows are those of the planned points.

    Its columns are what the data at hand leave open of each row, beside the noise of its own.
    """

    answer: int
    weight: float
    mean: FloatArray
    columns: FloatArray
    speaks: NDArray[np.bool_]
    kin: bool = False

    def predicted(self, rows: NDArray[np.int_]) -> tuple[FloatArray, FloatArray]:
        """Return mean and covariance of some whitened rows."""
        columns = self.columns[rows]
        return self.mean[rows], np.eye(columns.shape[0]) + columns @ columns.T


class Foresight:
    """Predictions of some plans under the leading answers; the data at hand are worked in once.

    Each leading material stands with its best explanation and the usual deviation, linearised. Of none of
    these the wide family stands with a few members, and kin of the leading materials as these themselves:
    what tells a grade from its kin is not foreseen. Where a curve is silent it expects what the family does.

    Parameters
    ----------
    knowledge : Knowledge
    plans : sequence of Plan
    turns : int
        Of the winding at hand.
    """

    def __init__(self, knowledge: Knowledge, plans: Sequence[Plan], turns: int) -> None:
        self._known, self._plans, self._turns = knowledge, plans, turns
        self._leading = knowledge.leading()
        self._none = knowledge.probability.size - 1
        self._shared: dict[tuple[object, ...], FloatArray] = {}
        self._curves: dict[int, CurveTable] = {}
        self.held = float(knowledge.probability[self._leading].sum())
        self._joint = self._join()
        self._cases = self._all_cases(afresh=False)

    def mixture(self, plan: Plan) -> GaussianMixture:
        """Return what a plan would show, weights over the leading answers adding up to one."""
        cases = self._all_cases(afresh=True) if plan.afresh else self._cases
        rows = self._rows(plan)
        of_family = [case for case in cases if case.answer == self._none and not case.kin]
        unknown = _moments(of_family, rows)
        means, covariances = [], []
        for case in cases:
            mean, covariance = case.predicted(rows)
            silent = ~case.speaks[rows]
            mean = np.where(silent, unknown[0], mean)
            apart = np.equal.outer(silent, silent)
            covariance = np.where(silent[:, None] & apart, unknown[1], np.where(apart, covariance, 0.0))
            means.append(mean)
            covariances.append(covariance)
        weight = np.array([case.weight for case in cases])
        kept = weight > 0
        return GaussianMixture(
            weight[kept] / weight.sum(),
            np.array([case.answer for case in cases])[kept],
            np.array(means)[kept],
            np.array(covariances)[kept],
        )

    # ------------------------------------------------------------------------------------------ the points

    def _join(self) -> Observation:
        """Put the planned points behind those at hand, with what is expected of them."""
        known, plans = self._known.observation, self._plans
        frequency = np.concatenate([known.frequency_hz, *(plan.frequency_hz for plan in plans)])
        kind = np.concatenate([known.kind, *(np.full(p.frequency_hz.size, p.kind) for p in plans)]).astype(
            known.kind.dtype
        )
        whitener = np.concatenate([known.whitener, *(whitener_of(plan) for plan in plans)])
        columns = known.common.shape[2]
        empty = replace(
            known,
            frequency_hz=frequency,
            kind=kind,
            log_reluctivity=np.zeros(frequency.size, dtype=np.complex128),
            whitener=whitener,
            common=np.zeros((frequency.size, 2, 2 * columns)),
        )
        expected = self._expected(empty)
        common = np.zeros_like(empty.common)
        common[: known.frequency_hz.size, :, :columns] = known.common
        wound = np.array([name.startswith("winding:") for name in known.source_ids], dtype=bool)
        for plan, stretch in zip(plans, self._stretches(), strict=True):
            size = np.concatenate([expected.real[: known.frequency_hz.size], expected.real[stretch]])
            effect = common_of(plan, known, size, self._turns)
            new = wound & (plan.turns is not None)
            common[stretch, :, :columns] = np.where(new, 0.0, effect)
            common[stretch, :, columns:] = np.where(new, effect, 0.0)
        return replace(empty, log_reluctivity=expected, common=common)

    def _stretches(self) -> list[slice]:
        ends = np.cumsum(
            [self._known.observation.frequency_hz.size, *(plan.frequency_hz.size for plan in self._plans)]
        )
        return [slice(int(a), int(b)) for a, b in pairwise(ends)]

    def _rows(self, plan: Plan) -> NDArray[np.int_]:
        """Rows of a plan among those of all plans: real parts, then imaginary parts."""
        known = self._known.observation.frequency_hz.size
        planned = self._joint.frequency_hz.size - known
        stretch = self._stretches()[[p is plan for p in self._plans].index(True)]
        rows = np.arange(stretch.start - known, stretch.stop - known)
        return np.concatenate([rows, rows + planned])

    def _expected(self, empty: Observation) -> ComplexArray:
        """Return λ as measured at the points at hand, and beyond them as the first material has it."""
        known = self._known.observation
        size, x = known.frequency_hz.size, empty.log_frequency
        nearest = np.abs(x[:, None] - x[:size]).argmin(axis=1)
        out = known.log_reluctivity[nearest]
        first = next((i for i in self._leading if i != self._none), None)
        if first is not None:
            best = self._around(
                first, self._known.evidence.explanations[first], empty, np.zeros((2 * x.size, 0))
            )
            out = np.where(best.speaks, best.base, out)
        out[:size] = known.log_reluctivity
        return np.asarray(out)

    # ------------------------------------------------------------------------------------------- the cases

    @cached_property
    def _members(self) -> list[tuple[float, LinearCandidate]]:
        members = open_members(self._known.observation, self._joint)
        share = np.exp([m.log_posterior for m in members])
        return [(float(w), m.linear) for w, m in zip(share, members, strict=True)]

    def _all_cases(self, *, afresh: bool) -> list[_Case]:
        materials = self._known.library.materials
        cases = [
            self._case(i, float(self._known.probability[i]), self._linear(i, materials[i], afresh), afresh)
            for i in self._leading
            if i != self._none
        ]
        if self._none in self._leading or not all(case.speaks.all() for case in cases):
            share = float(self._known.probability[self._none]) if self._none in self._leading else 0.0
            of_family = share * (self._known.of_family if cases else 1.0)
            listed = sum(case.weight for case in cases)
            kin = [
                replace(case, answer=self._none, weight=(share - of_family) * case.weight / listed, kin=True)
                for case in cases
            ]
            members = [
                self._case(self._none, of_family * weight, linear, afresh) for weight, linear in self._members
            ]
            cases += [*kin, *members]
        return cases

    def _linear(self, index: int, material: Material, afresh: bool) -> LinearCandidate:
        start = self._known.evidence.explanations[index]
        if afresh:
            start = unexplained(material, self._turns, self._joint.temperature_c)
        key = (*column_key(material), start.gap_ratio, start.other_section)
        if key not in self._shared:
            self._shared[key] = _columns_by_frequency(self._joint, material, start)
        return self._around(index, start, self._joint, self._shared[key])

    def _around(
        self, index: int, start: Explanation, observation: Observation, shared: FloatArray
    ) -> LinearCandidate:
        material = self._known.library.materials[index]
        if index not in self._curves:
            self._curves[index] = reference_curve(material, observation)
        return around(material, start, observation, shared, self._turns, self._curves[index])

    def _case(self, answer: int, weight: float, linear: LinearCandidate, afresh: bool) -> _Case:
        size, known = self._joint.frequency_hz.size, self._known.observation.frequency_hz.size
        at_hand = np.tile(np.arange(size) < known, 2)
        new = linear.columns[~at_hand]
        prior_mean = self._joint.whiten(linear.base)[~at_hand]
        speaks = np.tile(linear.speaks, 2)[~at_hand]
        if afresh:
            return _Case(answer, weight, prior_mean, new, speaks)
        old = linear.columns[at_hand]
        # I + oldᵀ old = LLᵀ
        lower = lower_factor(np.concatenate([np.eye(old.shape[1]), old.T], axis=1))
        new, old = (np.asarray(solve_triangular(lower, rows.T, lower=True).T) for rows in (new, old))
        mean = prior_mean + new @ (old.T @ linear.residual(self._joint)[at_hand])
        return _Case(answer, weight, mean, new, speaks)


def _columns_by_frequency(
    observation: Observation, material: Material, explanation: Explanation
) -> FloatArray:
    """Return the columns of a curve, which are made with frequencies rising, in the order of the points."""
    order = np.argsort(observation.frequency_hz, kind="stable")
    usual = max(amplitudes(material), key=lambda amplitude: amplitude.share)
    columns = curve_columns(some_points(observation, order), material, usual, explanation)
    out = np.empty_like(columns)
    out[np.concatenate([order, order + order.size])] = columns
    return out


def _moments(cases: Sequence[_Case], rows: NDArray[np.int_]) -> tuple[FloatArray, FloatArray]:
    """Mean and covariance of all members of the open family together."""
    if not cases:
        return np.zeros(rows.size), np.eye(rows.size)
    weight = np.array([case.weight for case in cases])
    weight = weight / weight.sum() if weight.sum() > 0 else np.full(weight.size, 1 / weight.size)
    parts = [case.predicted(rows) for case in cases]
    mean = sum(w * m for w, (m, _) in zip(weight, parts, strict=True))
    spread = sum(w * (c + np.outer(m - mean, m - mean)) for w, (m, c) in zip(weight, parts, strict=True))
    return np.asarray(mean), np.asarray(spread)
