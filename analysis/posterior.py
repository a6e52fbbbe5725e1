"""Evidence of each candidate, of the open alternative, and of each branch (gap, turn count)."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, fields

import numpy as np
from numpy.typing import NDArray
from scipy.special import logsumexp

from whichcore.analysis.curve_table import GRID_STEP, MAX_SHIFT_STEPS, library_table
from whichcore.analysis.level_integral import (
    Forms,
    LevelPrior,
    Whitened,
    log_likelihood,
    posterior_level,
    quadratic_forms,
)
from whichcore.analysis.materials import Library, Material
from whichcore.analysis.observation import Observation, RowKind, reading_rows
from whichcore.analysis.priors import CornerPrior, GapNode, corner_prior
from whichcore.analysis.reach import Reach, reach_of, whole
from whichcore.analysis.types import ComplexArray, FloatArray
from whichcore.analysis.unlisted import OpenAlternative, whiten_data

#: Correlation length, in ln f, of the smooth deviation of a core from its reference curve. Practice.
CURVE_DEVIATION_LENGTH = 1.2
#: Candidates evaluated at a time; bounds the memory.
_CHUNK = 64
SHIFTS = np.arange(-MAX_SHIFT_STEPS, MAX_SHIFT_STEPS + 1)


@dataclass(frozen=True, slots=True)
class Branches:
    """Prior branches of the specimen: gap pieces, and turn counts with probability."""

    gaps: tuple[GapNode, ...]
    turns: tuple[tuple[int, float], ...]


@dataclass(frozen=True, slots=True)
class Explanation:
    """Most likely parameters of one candidate."""

    inverse_scale: float
    shift_index: int
    gap_ratio: float
    turns: int

    @property
    def corner_shift(self) -> float:
        """Ratio of the core's corner frequency to the reference's."""
        return float(np.exp(GRID_STEP * SHIFTS[self.shift_index]))


@dataclass(frozen=True, slots=True)
class Evidence:
    """What the data say of M materials and of the open alternative.

    Attributes
    ----------
    log_evidence : float array (M,)
        Including, for points where a curve is silent, what the open alternative expects there.
    unlisted : float
        Log evidence of the open alternative.
    gapped, other_turns : float array (M,)
        Probability, under each material, of a gap and of another turn count.
    explanations : tuple of Explanation
    stated_turns : int
        Turn count the data were reduced with.
    points_used : int array (M,)
        Points a curve speaks on with its corner unmoved.
    """

    log_evidence: FloatArray
    unlisted: float
    gapped: FloatArray
    other_turns: FloatArray
    explanations: tuple[Explanation, ...]
    stated_turns: int
    points_used: NDArray[np.int_]


def evidence_of(library: Library, observation: Observation, branches: Branches) -> Evidence:
    """Evaluate every material of a library.

    Parameters
    ----------
    library : Library
    observation : Observation
    branches : Branches

    Returns
    -------
    Evidence
        In the order of ``library.materials``.
    """
    reach = reach_of(library.materials, observation, SHIFTS)
    silence, unlisted = _silence(reach, observation)
    results: list[_ChunkResult] = []
    order: list[int] = []
    for indices in _groups(library.materials):
        problem = _Problem(
            materials=[library.materials[i] for i in indices],
            reference=predictions(library, indices, observation),
            reach=reach_of([library.materials[i] for i in indices], observation, SHIFTS),
            silence=silence[indices],
            whitened=whitened_for(observation, library.materials[indices[0]].curve_deviation),
        )
        results.append(_chunk(problem, observation, branches))
        order += indices
    back = np.argsort(order)
    explanations = [e for result in results for e in result.explanations]
    return Evidence(
        log_evidence=np.concatenate([r.log_evidence for r in results])[back],
        unlisted=unlisted,
        gapped=np.concatenate([r.gapped for r in results])[back],
        other_turns=np.concatenate([r.other_turns for r in results])[back],
        explanations=tuple(explanations[i] for i in back),
        stated_turns=branches.turns[0][0],
        points_used=reach.mask(observation.frequency_hz.size)
        .reshape(len(library.materials), SHIFTS.size, -1)[:, MAX_SHIFT_STEPS]
        .sum(axis=1),
    )


def predictions(library: Library, indices: Sequence[int], observation: Observation) -> ComplexArray:
    """Predict the reluctivity of some materials at the observed points, for every corner shift.

    Returns
    -------
    complex array (M, S, P)
        For a reading the row it is compared with (see :mod:`whichcore.analysis.observation`); a reading at or
        below 10 kHz where the curve starts higher is predicted from the stated initial permeability. Values
        beyond a curve's reach are zero.
    """
    frequency = observation.frequency_hz
    table = library_table(library, float(frequency.min()), float(frequency.max()))
    materials = [library.materials[i] for i in indices]
    values = reading_rows(table.pick(indices).shifted(observation.log_frequency, SHIFTS), observation)
    starts = np.array([m.frequency_hz[0] for m in materials])
    initial = np.array([1 / m.initial_permeability for m in materials])
    for point in np.flatnonzero((observation.kind != RowKind.SPECTRUM) & (frequency <= 1e4)):
        below = frequency[point] < starts
        values[below, :, point] = initial[below, None]
    mask = reach_of(materials, observation, SHIFTS).mask(frequency.size).reshape(values.shape)
    return np.asarray(np.where(mask, values, 0))


def fitted_reluctivity(
    library: Library, evidence: Evidence, indices: Sequence[int], observation: Observation
) -> ComplexArray:
    """Best explanation of the data by some materials, (M, P); NaN where a curve is silent."""
    values = predictions(library, indices, observation)
    out = np.empty((len(indices), observation.frequency_hz.size), dtype=np.complex128)
    for row, i, value in zip(out, indices, values, strict=True):
        e = evidence.explanations[i]
        reference = value[e.shift_index]
        nu = (evidence.stated_turns / e.turns) ** 2 * (e.inverse_scale * reference + e.gap_ratio)
        row[:] = np.where(reference == 0, np.nan, nu)
    return out


def _groups(materials: Sequence[Material]) -> Iterator[list[int]]:
    """Chunks of materials that share the amplitude of the deviation."""
    by_deviation: dict[float, list[int]] = {}
    for i, material in enumerate(materials):
        by_deviation.setdefault(material.curve_deviation, []).append(i)
    for indices in by_deviation.values():
        for start in range(0, len(indices), _CHUNK):
            yield indices[start : start + _CHUNK]


def whitened_for(observation: Observation, curve_deviation: float) -> Whitened:
    """Whitened data with the common sources and a smooth deviation of the core from its curve."""
    return whiten_data(observation, curve_deviation, CURVE_DEVIATION_LENGTH)


def _silence(reach: Reach, observation: Observation) -> tuple[FloatArray, float]:
    """Return what the open alternative expects of the points where a candidate is silent.

    Returns
    -------
    (M, S, 1) array and the log evidence of the open alternative over all points
    """
    patterns = list(reach.patterns())
    alternative = OpenAlternative(observation, [pattern for pattern, _ in patterns])
    unlisted = alternative.log_evidence(whole(observation))
    out = np.empty(reach.low.size)
    for pattern, rows in patterns:
        out[rows] = unlisted - alternative.log_evidence(pattern)
    return out.reshape(-1, SHIFTS.size, 1), unlisted


@dataclass(frozen=True, slots=True)
class _ChunkResult:
    log_evidence: FloatArray
    gapped: FloatArray
    other_turns: FloatArray
    explanations: tuple[Explanation, ...]


@dataclass(frozen=True, slots=True)
class _Problem:
    """One chunk of materials that share the deviation."""

    materials: Sequence[Material]
    reference: ComplexArray
    reach: Reach
    silence: FloatArray
    whitened: Whitened


def _chunk(problem: _Problem, observation: Observation, branches: Branches) -> _ChunkResult:
    members, shifts, points = problem.reference.shape
    rows = observation.whiten(problem.reference).reshape(members * shifts, 2 * points)
    forms = quadratic_forms(rows, problem.reach, problem.whitened)
    cube = _Cube(
        forms=Forms(*(getattr(forms, f.name).reshape(members, shifts, 1) for f in fields(Forms))),
        corner=corner_prior(problem.materials, SHIFTS),
        branches=branches,
        silence=problem.silence,
    )
    terms = cube.branch_terms()
    total = logsumexp(terms, axis=(0, 1))
    share = np.exp(terms - total)
    gapped = np.array([node.mean > 0 for node in branches.gaps])
    return _ChunkResult(
        log_evidence=total,
        gapped=share[:, gapped].sum(axis=(0, 1)),
        other_turns=share[1:].sum(axis=(0, 1)),
        explanations=tuple(cube.explain(m, terms[:, :, m]) for m in range(members)),
    )


@dataclass(frozen=True, slots=True)
class _Cube:
    """M materials × S shifts × J exponents of one chunk, under every branch."""

    forms: Forms
    corner: CornerPrior
    branches: Branches
    silence: FloatArray

    def level_prior(self, turns: int, node: GapNode) -> LevelPrior:
        """Prior of the level under one branch."""
        tau = (self.branches.turns[0][0] / turns) ** 2
        return LevelPrior(self.corner.u_mean, self.corner.u_sd, node.mean, node.sd, tau)

    def log_joint(self, turns: int, node: GapNode) -> FloatArray:
        """Return the log of likelihood and prior, (M, S, J)."""
        likelihood = log_likelihood(self.forms, self.level_prior(turns, node))
        return np.asarray(likelihood + self.silence + self.corner.log_weight)

    def branch_terms(self) -> FloatArray:
        """Log evidence (T, G, M) of each branch, shift and exponent integrated."""
        out = np.empty((len(self.branches.turns), len(self.branches.gaps), self.silence.shape[0]))
        for t, (turns, probability) in enumerate(self.branches.turns):
            for g, node in enumerate(self.branches.gaps):
                out[t, g] = logsumexp(self.log_joint(turns, node), axis=(1, 2))
                out[t, g] += np.log(probability * node.probability)
        return out

    def explain(self, member: int, terms: FloatArray) -> Explanation:
        """Most likely parameters of one material, in its most likely branch."""
        t, g = np.unravel_index(int(terms.argmax()), terms.shape)
        turns, node = self.branches.turns[t][0], self.branches.gaps[g]
        only = self._only(member)
        joint = only.log_joint(turns, node)[0]
        s, j = np.unravel_index(int(joint.argmax()), joint.shape)
        u, gap = posterior_level(only.forms, only.level_prior(turns, node))
        return Explanation(
            inverse_scale=float(np.broadcast_to(u, (1, *joint.shape))[0, s, j]),
            shift_index=int(s),
            gap_ratio=float(np.broadcast_to(gap, (1, *joint.shape))[0, s, j]),
            turns=turns,
        )

    def _only(self, member: int) -> _Cube:
        pick = slice(member, member + 1)
        return _Cube(
            forms=Forms(*(getattr(self.forms, f.name)[pick] for f in fields(Forms))),
            corner=CornerPrior(*(getattr(self.corner, f.name)[pick] for f in fields(CornerPrior))),
            branches=self.branches,
            silence=self.silence[pick],
        )
