"""Evidence of each candidate, of the open alternative, and of each branch (gap, turn count)."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray
from scipy.special import logsumexp

from whichcore.analysis.candidate_cube import Branches, CandidateCube, Explanation
from whichcore.analysis.candidate_rows import predictions
from whichcore.analysis.curve_deviation import column_key
from whichcore.analysis.curve_table import SHIFTS, library_table
from whichcore.analysis.family_kin import family_kin_evidence, wide_kin_evidence
from whichcore.analysis.first_look import EXPLAINED
from whichcore.analysis.kin import NEAR_KIN_SHARE, kin_odds, kin_of, with_kin
from whichcore.analysis.level_integral import log_sum
from whichcore.analysis.materials import Library, Material
from whichcore.analysis.near_kin import PLAIN_WIDE_SHARE, near_kin_evidence
from whichcore.analysis.observation import Observation
from whichcore.analysis.priors import GapNode
from whichcore.analysis.reach import all_followed, followed_points, reach_of
from whichcore.analysis.ringing_candidates import MOST, NEAR, Ringing
from whichcore.analysis.section_fit import feels_section, section_kin_share
from whichcore.analysis.section_prior import SAME_SECTION, section_matters
from whichcore.analysis.specimen_case import SpecimenCase, followed_of, open_alternative
from whichcore.analysis.types import ComplexArray, FloatArray

#: Candidates evaluated at a time; bounds the memory.
_CHUNK = 64


@dataclass(frozen=True, slots=True)
class Evidence:
    """What the data say of M materials and of the open alternative.

    Attributes
    ----------
    log_evidence : float array (M,)
        Including, for points where a curve is silent, what the open alternative expects there.
    unlisted, of_family : float
        Log evidence of the open alternative, and of its wide family alone, the share of that included.
    unlisted_classes : mapping of str to float
        Probability of each class, given that it is none of the listed materials.
    gapped, other_turns, on_other_section : float array (M,)
        Probability, under each material, of a gap, of another turn count, and of a reference that was taken
        on another section than the specimen's.
    section_kin : float array (M,)
        Probability, given that it is none of the listed materials, of the section kin of each.
    explanations : mapping of int to Explanation
        Of the best materials, by index.
    gaps : tuple of GapNode
        Prior of the gap ratio.
    stated_turns : int
        Turn count the data were reduced with.
    points_used : int array (M,)
        Points a curve speaks on with its corner unmoved.
    """

    log_evidence: FloatArray
    unlisted: float
    of_family: float
    unlisted_classes: Mapping[str, float]
    gapped: FloatArray
    other_turns: FloatArray
    on_other_section: FloatArray
    section_kin: FloatArray
    explanations: Mapping[int, Explanation]
    gaps: tuple[GapNode, ...]
    stated_turns: int
    points_used: NDArray[np.int_]

    @property
    def silent(self) -> NDArray[np.bool_]:
        """Materials of which the data say nothing, (M,)."""
        return np.asarray(self.points_used == 0)


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
    followed = followed_of(library.materials, observation)
    case = SpecimenCase(library, observation, followed, Ringing(observation))
    found: dict[int, dict[bool, _Judged]] = {}
    before = {True: _Before(), False: _Before()}
    order = range(len(library.materials))
    for indices, other, share in _groups(library.materials, order, observation):
        cube = case.cube(library.materials, indices, branches, other)
        beside = before[_hidden(library.materials[indices[0]], observation, other)]
        for index, judged in zip(indices, _judge(cube, share, beside), strict=True):
            found.setdefault(index, {})[other] = judged
    for (index, other), judged in _worked_out(case, library.materials, branches, found).items():
        found[index][other] = judged
    best = [_joined(list(found[index].values())) for index in order]
    elsewhere = np.array([_of_other_section(found[index]) for index in order])
    log_evidence = np.array([b.log_evidence for b in best])
    explanations = {i: b.explanation for i, b in enumerate(best) if b.explanation is not None}
    turns = branches.turns[0][0]
    reach = reach_of(library.materials, observation, np.zeros(1, dtype=int))
    points_used = reach.mask(observation.frequency_hz.size).sum(axis=1)
    odds = kin_odds(library.materials, points_used > 0)
    has_kin = odds > 0
    far = _kin_evidence(case, branches, np.flatnonzero(has_kin).tolist())
    near = family = far
    if not observation.spectrum_points:  # readings tell nothing of what a core deviates by
        odds = np.minimum(odds, 1.0)
    else:
        wide = wide_kin_evidence(library.materials, log_evidence, explanations)
        plain = np.logaddexp(np.log(PLAIN_WIDE_SHARE) + wide, np.log(1 - PLAIN_WIDE_SHARE) + far)
        near = near_kin_evidence(library.materials, log_evidence, explanations, observation, turns, plain)
        family = family_kin_evidence(library.materials, log_evidence, explanations, observation)
    of_kin = np.where(has_kin, elsewhere, -np.inf)
    section_kin, near = _section_kin(of_kin, near, section_kin_share(observation))
    none = with_kin(
        open_alternative(case),
        (far, near, _sheared_kin(best, branches), family),
        [material.material_class.value for material in library.materials],
        odds,
    )
    return Evidence(
        log_evidence=log_evidence,
        on_other_section=np.exp(elsewhere - log_evidence),
        section_kin=np.exp(section_kin + np.log(NEAR_KIN_SHARE / len(best)) - none.log_evidence),
        unlisted=none.log_evidence,
        of_family=none.of_family,
        unlisted_classes=none.classes,
        gapped=np.array([b.gapped for b in best]),
        other_turns=np.array([b.other_turns for b in best]),
        explanations=explanations,
        gaps=branches.gaps,
        stated_turns=turns,
        points_used=points_used,
    )


def _section_kin(elsewhere: FloatArray, near: FloatArray, share: float) -> tuple[FloatArray, FloatArray]:
    """Return the log evidence of section kin, their share of near kin included, and of near kin with them.

    ``elsewhere`` is the log evidence of the materials taken on another section, −∞ of those without kin.
    """
    with np.errstate(divide="ignore"):
        ours, theirs = np.log([share, 1 - share])
    kin = elsewhere - np.log(1 - SAME_SECTION) + ours
    return kin, np.where(np.isfinite(elsewhere), np.logaddexp(kin, near + theirs), near)


def _of_other_section(judged: Mapping[bool, _Judged]) -> float:
    """Log evidence of one material taken on another section, its share included, −∞ where that is not so.

    Without the share it is that of the section kin: a grade that differs from the reference as another
    section would make it, with the reference taken on the specimen's own, says the same of the data.
    """
    return judged[True].log_evidence if True in judged else -np.inf


def _sheared_kin(judged: Sequence[_Judged], branches: Branches) -> FloatArray:
    """Log evidence of the sheared kin of each material, (M,): as of a core with a gap for certain.

    It is −∞ where there may be none. A pair has its joints in any case; there a gap tells nothing of a grade.
    """
    cracked = sum(node.probability for node in branches.gaps if node.median > 0)
    if not cracked or all(node.median > 0 for node in branches.gaps):
        return np.full(len(judged), -np.inf)
    gapped = np.array([one.gapped for one in judged])
    with np.errstate(divide="ignore"):
        return np.asarray([one.log_evidence for one in judged] + np.log(gapped) - np.log(cracked))


def _kin_evidence(case: SpecimenCase, branches: Branches, whose: Sequence[int]) -> FloatArray:
    """Log evidence of the unlisted kin of some materials, (M,): turns as stated, whole where a core may be.

    It is −∞ for the others.
    """
    kin = kin_of(case.library).materials
    gaps = branches.gaps if branches.gaps[0].median > 0 else (GapNode(1.0, 0.0, 0.0),)
    plain = Branches(gaps, ((branches.turns[0][0], 1.0),))
    found: dict[int, dict[bool, _Judged]] = {}
    before = {True: _Before(), False: _Before()}
    for indices, other, share in _groups(kin, whose, case.observation):
        beside = before[_hidden(kin[indices[0]], case.observation, other)]
        terms = beside.branch_terms(case.cube(kin, indices, plain, other), share)
        for index, value in zip(indices, log_sum(terms, (0, 1)), strict=True):
            found.setdefault(index, {})[other] = _Judged(float(value), 0.0, 0.0, None)
    for (index, other), judged in _worked_out(case, kin, plain, found).items():
        found[index][other] = judged
    out = np.full(len(kin), -np.inf)
    out[whose] = [_joined(list(found[index].values())).log_evidence for index in whose]
    return out


@dataclass(frozen=True, slots=True)
class _Judged:
    """What the data say of one material."""

    log_evidence: float
    gapped: float
    other_turns: float
    explanation: Explanation | None


@dataclass(slots=True)
class _Before:
    """What was found of the materials of earlier cubes: at first look, and in the end.

    Those whose section hides them have one of their own: they are judged anew by the whole band.
    """

    looked: FloatArray = field(default_factory=lambda: np.empty(0))
    total: FloatArray = field(default_factory=lambda: np.empty(0))

    def branch_terms(self, cube: CandidateCube, share: float) -> FloatArray:
        """Return the terms of one more cube, the prior share of its supposition included."""
        terms = np.asarray(cube.branch_terms(self.looked - np.log(share)) + np.log(share))
        self.looked = np.append(self.looked, cube.first_look + np.log(share))
        return terms

    def worth_explaining(self, total: FloatArray) -> set[int]:
        """Tell which of some more materials are among the best so far, or near enough for the whole band."""
        self.total = np.sort(np.append(self.total, total))
        least = min(self.total[-EXPLAINED:][0], self.total[-1] - NEAR)
        return {int(m) for m in np.argsort(-total)[:MOST] if total[m] >= least}


def _judge(cube: CandidateCube, share: float, before: _Before) -> list[_Judged]:
    """Evidence of each material of a cube, the prior share of its supposition included."""
    branches = cube.branches
    terms = before.branch_terms(cube, share)
    total = log_sum(terms, (0, 1))
    part = np.exp(terms - total)
    gapped = part[:, [node.median > 0 for node in branches.gaps]].sum(axis=(0, 1))
    other_turns = part[1:].sum(axis=(0, 1))
    best = before.worth_explaining(total)
    return [
        _Judged(
            float(total[m]),
            float(gapped[m]),
            float(other_turns[m]),
            cube.explain(m, terms[:, :, m]) if m in best else None,
        )
        for m in range(total.size)
    ]


def _joined(judged: Sequence[_Judged]) -> _Judged:
    """Join what the data say of one material under suppositions that exclude each other."""
    if len(judged) == 1:
        return judged[0]
    logs = np.array([one.log_evidence for one in judged])
    total = float(np.logaddexp.reduce(logs))
    part = np.exp(logs - total)
    likely = [judged[i].explanation for i in np.argsort(-logs) if judged[i].explanation is not None]
    return _Judged(
        total,
        float(part @ [one.gapped for one in judged]),
        float(part @ [one.other_turns for one in judged]),
        likely[0] if likely else None,
    )


def fitted_log_reluctivity(
    library: Library, evidence: Evidence, indices: Sequence[int], observation: Observation
) -> ComplexArray:
    """Best explanation of the data by some materials, (M, P); NaN where a curve is silent."""
    out = np.empty((len(indices), observation.frequency_hz.size), dtype=np.complex128)
    for row, i in zip(out, indices, strict=True):
        e = evidence.explanations[i]
        value = predictions(library, [i], observation, other_section=e.other_section)[0]
        nu = np.exp(e.theta + _at_shift(value, e.shift_steps)) + e.gap_ratio
        row[:] = np.log(nu) + 2 * np.log(evidence.stated_turns / e.turns)
    return out


def _groups(
    materials: Sequence[Material], indices: Sequence[int], observation: Observation
) -> Iterator[tuple[list[int], bool, float]]:
    """Chunks of indices: materials that share their common columns, and mostly the points they speak on.

    With each stands whether its references of unknown section are taken to be of another one than the
    specimen's, and the share of that; such a chunk comes twice where that matters.
    """
    groups: dict[tuple[object, ...], list[int]] = {}
    for i in sorted(indices, key=lambda i: (*materials[i].frequency_hz[[0, -1]], i)):
        groups.setdefault(column_key(materials[i]), []).append(i)
    matters = section_matters(observation)
    for group in groups.values():
        first = materials[group[0]]
        both = matters and feels_section(first) and first.section_m is None
        for start in range(0, len(group), _CHUNK):
            chunk = group[start : start + _CHUNK]
            yield chunk, False, SAME_SECTION if both else 1.0
            if both:
                yield chunk, True, 1 - SAME_SECTION


def _worked_out(
    case: SpecimenCase,
    materials: Sequence[Material],
    branches: Branches,
    found: Mapping[int, Mapping[bool, _Judged]],
) -> dict[tuple[int, bool], _Judged]:
    """Judge the candidates whose section rings in the band by the whole of it, those that are worth it.

    What was found of a cracked core by the followed points stays.
    """
    observation = case.observation
    followed = [all_followed(materials, observation, other_section=other) for other in (False, True)]
    hidden = {
        (index, other): judged
        for index, one in found.items()
        for other, judged in one.items()
        if followed[other][index] < observation.spectrum_points
    }
    if not hidden:
        return {}
    order = sorted(hidden, key=lambda key: -hidden[key].log_evidence)[:MOST]
    groups: dict[tuple[float, float] | None, list[tuple[int, bool]]] = {}
    for key in order:
        if hidden[key].log_evidence > hidden[order[0]].log_evidence - NEAR:
            groups.setdefault(materials[key[0]].section_m, []).append(key)
    band = float(observation.frequency_hz.min()), float(observation.frequency_hz.max())
    table = library_table(case.library, *band, None)
    out = {}
    for section, keys in groups.items():
        chosen = [index for index, _ in keys]
        judged = [materials[index] for index in chosen]
        before = _Before()
        terms = [
            log_sum(before.branch_terms(cube, share), (0, 1))
            for cube, share in case.of_curves(
                judged, case.ringing.curves(table.pick(chosen), section), branches
            )
        ]
        share = np.log(1.0 if section else 1 - SAME_SECTION)
        for key, log_evidence in zip(keys, logsumexp(terms, axis=0) + share, strict=True):
            out[key] = _with_whole(hidden[key], float(log_evidence), branches)
    return out


def _hidden(material: Material, observation: Observation, other_section: bool) -> bool:
    """Tell whether the section of a material rings in the band."""
    followed = followed_points(material, observation, other_section=other_section)
    return followed < observation.spectrum_points


def _with_whole(judged: _Judged, log_evidence: float, branches: Branches) -> _Judged:
    """Replace the log evidence of a whole core, and keep that of a cracked one; all where none is whole."""
    if branches.gaps[0].median > 0:
        return replace(judged, log_evidence=log_evidence)
    cracked = judged.log_evidence + float(np.log(max(judged.gapped, 1e-300)))
    total = float(np.logaddexp(log_evidence, cracked))
    return replace(judged, log_evidence=total, gapped=float(np.exp(cracked - total)))


def _at_shift(values: ComplexArray, steps: float) -> ComplexArray:
    """Interpolate (S, P) rows between two corner shifts; NaN where either is silent."""
    position = steps - SHIFTS[0]
    low = min(int(position), SHIFTS.size - 2)
    return np.asarray(values[low] + (position - low) * (values[low + 1] - values[low]))
