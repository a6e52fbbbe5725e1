"""Evidence of each candidate, of the open alternative, and of each branch (gap, turn count)."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.special import logsumexp

from whichcore.analysis.candidate_cube import Branches, CandidateCube, Deviating, Explanation
from whichcore.analysis.curve_table import SHIFTS, CurveTable, library_table
from whichcore.analysis.dispersion_parts import has_parts, part_columns
from whichcore.analysis.kin import kin_of, with_kin
from whichcore.analysis.materials import Library, Material, MaterialClass
from whichcore.analysis.observation import (
    CORE_DEVIATION,
    Observation,
    RowKind,
    behind_gap,
    deviation_columns,
    reading_rows,
)
from whichcore.analysis.priors import GapNode, corner_prior
from whichcore.analysis.reach import Pattern, Reach, followed_points, reach_of, whole
from whichcore.analysis.ringing import log_evidence_of_ringing
from whichcore.analysis.ringing_candidates import MOST, NEAR, RingingCurves, ringing_curves
from whichcore.analysis.section_fit import feels_section
from whichcore.analysis.section_prior import (
    SAME_SECTION,
    section_key,
    section_matters,
    section_prior,
    section_prior_of,
)
from whichcore.analysis.types import ComplexArray, FloatArray
from whichcore.analysis.unlisted import OpenAlternative

#: Correlation length, in ln f, of the smooth deviation of a core from its reference curve. Practice.
CURVE_DEVIATION_LENGTH = 1.2
#: A curve that may deviate by more than this is called loose. Practice.
LOOSE_DEVIATION = 0.05
#: Amplitude of deviation over the usual one, and its share: cores of one grade differ in how far they
#: deviate, log-normal with a spread of 0.5, by Gauss–Hermite nodes. Practice.
AMPLITUDES = ((0.42, 1 / 6), (1.0, 2 / 3), (2.38, 1 / 6))
#: A loose curve fits half of the cores better than it promises, by this factor. Practice.
LOOSE_AMPLITUDES = ((0.4, 0.5), (1.0, 0.5))
#: Candidates evaluated at a time; bounds the memory.
_CHUNK = 64
#: Materials of each chunk whose most likely parameters are worked out.
EXPLAINED = 12


@dataclass(frozen=True, slots=True)
class Evidence:
    """What the data say of M materials and of the open alternative.

    Attributes
    ----------
    log_evidence : float array (M,)
        Including, for points where a curve is silent, what the open alternative expects there.
    unlisted : float
        Log evidence of the open alternative.
    unlisted_classes : mapping of str to float
        Probability of each class, given that it is none of the listed materials.
    gapped, other_turns : float array (M,)
        Probability, under each material, of a gap and of another turn count.
    explanations : mapping of int to Explanation
        Of the best materials, by index.
    stated_turns : int
        Turn count the data were reduced with.
    points_used : int array (M,)
        Points a curve speaks on with its corner unmoved.
    """

    log_evidence: FloatArray
    unlisted: float
    unlisted_classes: Mapping[str, float]
    gapped: FloatArray
    other_turns: FloatArray
    explanations: Mapping[int, Explanation]
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
    case = _Case(library, observation, _followed(library.materials, observation))
    found: dict[int, dict[bool, _Judged]] = {}
    for indices, other, share in _groups(library.materials, observation):
        cube = case.cube(library.materials, indices, branches, other)
        for index, judged in zip(indices, _judge(cube, share), strict=True):
            found.setdefault(index, {})[other] = judged
    for (index, other), judged in _worked_out(case, library.materials, branches, found).items():
        found[index][other] = judged
    best = [_joined(list(found[index].values())) for index in range(len(library.materials))]
    unlisted, by_class = with_kin(
        _open_alternative(case),
        _kin_evidence(case, branches),
        [material.material_class.value for material in library.materials],
    )
    return Evidence(
        log_evidence=np.array([b.log_evidence for b in best]),
        unlisted=unlisted,
        unlisted_classes=by_class,
        gapped=np.array([b.gapped for b in best]),
        other_turns=np.array([b.other_turns for b in best]),
        explanations={i: b.explanation for i, b in enumerate(best) if b.explanation is not None},
        stated_turns=branches.turns[0][0],
        points_used=reach_of(library.materials, observation, np.zeros(1, dtype=int))
        .mask(observation.frequency_hz.size)
        .sum(axis=1),
    )


def _kin_evidence(case: _Case, branches: Branches) -> FloatArray:
    """Log evidence of the unlisted kin of each material, whole and with the turns stated, (M,)."""
    kin = kin_of(case.library).materials
    plain = Branches((GapNode(1.0, 0.0, 0.0),), ((branches.turns[0][0], 1.0),))
    found: dict[int, dict[bool, _Judged]] = {}
    for indices, other, share in _groups(kin, case.observation):
        terms = case.cube(kin, indices, plain, other).branch_terms()
        for index, value in zip(indices, logsumexp(terms, axis=(0, 1)) + np.log(share), strict=True):
            found.setdefault(index, {})[other] = _Judged(float(value), 0.0, 0.0, None)
    for (index, other), judged in _worked_out(case, kin, plain, found).items():
        found[index][other] = judged
    return np.array([_joined(list(found[index].values())).log_evidence for index in range(len(kin))])


@dataclass(frozen=True, slots=True)
class _Judged:
    """What the data say of one material."""

    log_evidence: float
    gapped: float
    other_turns: float
    explanation: Explanation | None


def _judge(cube: CandidateCube, share: float) -> list[_Judged]:
    """Evidence of each material of a cube, the prior share of its supposition included."""
    branches = cube.branches
    terms = cube.branch_terms() + np.log(share)
    total = logsumexp(terms, axis=(0, 1))
    part = np.exp(terms - total)
    gapped = part[:, [node.median > 0 for node in branches.gaps]].sum(axis=(0, 1))
    other_turns = part[1:].sum(axis=(0, 1))
    best = set(np.argsort(-total)[:EXPLAINED].tolist())
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
    total = float(logsumexp(logs))
    part = np.exp(logs - total)
    likely = [judged[i].explanation for i in np.argsort(-logs) if judged[i].explanation is not None]
    return _Judged(
        total,
        float(part @ [one.gapped for one in judged]),
        float(part @ [one.other_turns for one in judged]),
        likely[0] if likely else None,
    )


def predictions(
    library: Library, indices: Sequence[int], observation: Observation, *, other_section: bool = False
) -> ComplexArray:
    """Predict the rows of some materials, for every corner shift.

    Parameters
    ----------
    library : Library
    indices : sequence of int (M)
    observation : Observation
    other_section : bool
        Whether references of unknown section were taken on another one than the specimen's.

    Returns
    -------
    complex array (M, S, P)
        λ, or for a reading the row it is compared with; a reading at or below 10 kHz where the curve starts
        higher is predicted from the stated initial permeability. NaN beyond a curve's reach.
    """
    frequency = observation.frequency_hz
    table = library_table(library, float(frequency.min()), float(frequency.max()), observation.section_m)
    materials = [library.materials[i] for i in indices]
    return _rows(materials, table.pick(indices), observation, other_section=other_section)


def _rows(
    materials: Sequence[Material], table: CurveTable, observation: Observation, *, other_section: bool
) -> ComplexArray:
    frequency = observation.frequency_hz
    values = table.shifted(observation.log_frequency, SHIFTS)
    for row, material in zip(values, materials, strict=True):
        row[:] = row + section_prior_of(material, observation, other_section=other_section).mean
    values = reading_rows(values, observation)
    starts = np.array([m.frequency_hz[0] for m in materials])
    initial = np.array([-np.log(m.initial_permeability) for m in materials])
    for point in np.flatnonzero((observation.kind != RowKind.SPECTRUM) & (frequency <= 1e4)):
        below = frequency[point] < starts
        values[below, :, point] = initial[below, None]
    reach = reach_of(materials, observation, SHIFTS, other_section=other_section)
    mask = reach.mask(frequency.size).reshape(values.shape)
    values[~mask] = complex(np.nan, np.nan)
    return values


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


def _at_shift(values: ComplexArray, steps: float) -> ComplexArray:
    """Interpolate (S, P) rows between two corner shifts; NaN where either is silent."""
    position = steps - SHIFTS[0]
    low = min(int(position), SHIFTS.size - 2)
    return np.asarray(values[low] + (position - low) * (values[low + 1] - values[low]))


@dataclass(frozen=True, slots=True)
class Amplitude:
    """How far cores deviate from a curve: in its dispersion, below it, and the share of such cores."""

    deviation: float
    flat: float
    share: float = 1.0


def amplitudes(material: Material) -> tuple[Amplitude, ...]:
    """Return the amplitudes of deviation a curve is judged under; their shares add up to one."""
    stated = material.curve_deviation
    if stated > LOOSE_DEVIATION:
        return tuple(Amplitude(ratio * stated, CORE_DEVIATION, share) for ratio, share in LOOSE_AMPLITUDES)
    # a core that keeps closely to the dispersion of its grade has a level and a small loss of its own still
    return tuple(
        Amplitude(ratio * stated, max(1.0, ratio) * CORE_DEVIATION, share) for ratio, share in AMPLITUDES
    )


@dataclass(frozen=True, slots=True)
class Supposed:
    """What is supposed of a core beside its material; an `Explanation` says as much."""

    gap_ratio: float = 0.0
    other_section: bool = False


AS_IT_STANDS = Supposed()


def curve_columns(
    observation: Observation,
    material: Material,
    amplitude: Amplitude,
    explanation: Supposed | Explanation = AS_IT_STANDS,
) -> FloatArray:
    """Whitened common sources, deviation of a core from a curve, and doubt about its section, (2P, K).

    A curve that misses the core by more also misses it in finer detail: the correlation length falls from 1.2
    in ln f at 3 % to half of that at 30 % (practice). Behind a gap only the share that the core has in the
    reluctivity deviates: with 1/μe = 1/μ + g and λ their logarithms, δλe = (μe/μ) δλ (derived here, first
    order).
    """
    core, share = behind_gap(observation, explanation.gap_ratio)
    length = CURVE_DEVIATION_LENGTH * (CORE_DEVIATION / max(amplitude.deviation, CORE_DEVIATION)) ** 0.3
    parts = [deviation_columns(core, amplitude.deviation, length, amplitude.flat)]
    if has_parts(material):
        parts.append(part_columns(core, material, amplitude.deviation / max(material.curve_deviation, 1e-9)))
    parts.append(section_prior_of(material, observation, other_section=explanation.other_section).columns)
    own = share * np.concatenate(parts, axis=2)
    return observation.whiten_columns(np.concatenate([observation.common, own], axis=2))


def column_key(material: Material) -> tuple[float, bool, tuple[float, float], str]:
    """Return what the common columns of a material depend on."""
    parted = material.material_class.value if has_parts(material) else ""
    section = section_key(material.section_m) if feels_section(material) else None
    return material.curve_deviation, feels_section(material), section or (0.0, 0.0), parted


def _groups(
    materials: Sequence[Material], observation: Observation
) -> Iterator[tuple[list[int], bool, float]]:
    """Chunks of materials that share their common columns, and mostly the points that they speak on.

    With each stands whether its references of unknown section are taken to be of another one than the
    specimen's, and the share of that; such a chunk comes twice where that matters.
    """
    groups: dict[tuple[object, ...], list[int]] = {}
    for i in sorted(range(len(materials)), key=lambda i: (*materials[i].frequency_hz[[0, -1]], i)):
        groups.setdefault(column_key(materials[i]), []).append(i)
    matters = section_matters(observation)
    for indices in groups.values():
        first = materials[indices[0]]
        both = matters and feels_section(first) and first.section_m is None
        for start in range(0, len(indices), _CHUNK):
            chunk = indices[start : start + _CHUNK]
            yield chunk, False, SAME_SECTION if both else 1.0
            if both:
                yield chunk, True, 1 - SAME_SECTION


def _whole_if_closed(branches: Branches) -> Branches:
    """Leave the cracks of a closed core out: rare, and the section acts less behind a gap."""
    if branches.gaps[0].median > 0:
        return replace(branches, other_section=True)
    return Branches((GapNode(1.0, 0.0, 0.0),), branches.turns, other_section=True)


@dataclass(frozen=True, slots=True)
class _Followed:
    """The open alternative on the first spectrum points and all readings, and the worth of the others."""

    alternative: OpenAlternative
    everything: Pattern
    ringing: float

    def silence(self, pattern: Pattern) -> float:
        """Log evidence of what is measured beside a pattern, given it."""
        known = self.alternative.log_evidence(self.everything) - self.alternative.log_evidence(pattern)
        return known + self.ringing


def _followed(materials: Sequence[Material], observation: Observation) -> dict[int, _Followed]:
    """Return the open alternative for each number of points that a section may leave to be followed."""
    suppositions = (False, True) if section_matters(observation) else (False,)
    patterns: dict[int, list[Pattern]] = {observation.spectrum_points: []}
    if len(suppositions) > 1:
        patterns[_followed_if_unknown(observation)] = []
    for other in suppositions:
        reach = reach_of(materials, observation, SHIFTS, other_section=other)
        cuts = np.repeat(
            [followed_points(m, observation, other_section=other) for m in materials], SHIFTS.size
        )
        for pattern, rows in reach.patterns():
            for cut in np.unique(cuts[rows]):
                patterns.setdefault(int(cut), []).append(pattern)
    out = {}
    for cut, wanted in patterns.items():
        kept = observation.at(np.r_[:cut, observation.spectrum_points : observation.frequency_hz.size])
        alternative = OpenAlternative(kept, wanted)
        out[cut] = _Followed(alternative, whole(kept), log_evidence_of_ringing(observation, cut))
    return out


@dataclass(frozen=True, slots=True)
class _Case:
    """What all cubes of one specimen share."""

    library: Library
    observation: Observation
    followed: Mapping[int, _Followed]

    def cube(
        self, judged: Sequence[Material], indices: list[int], branches: Branches, other_section: bool
    ) -> CandidateCube:
        """Return the cube of some materials: curves of the library, priors and deviation of those judged."""
        observation = self.observation
        materials = [judged[i] for i in indices]
        first = materials[0]

        if other_section:
            branches = _whole_if_closed(branches)

        def deviations(gap_ratio: float) -> list[Deviating]:
            supposed = Supposed(gap_ratio, other_section)
            return [
                Deviating(amplitude.share, curve_columns(observation, first, amplitude, supposed))
                for amplitude in amplitudes(first)
            ]

        reach = reach_of(materials, observation, SHIFTS, other_section=other_section)
        return CandidateCube(
            observation=observation,
            predicted=predictions(self.library, indices, observation, other_section=other_section),
            reach=reach,
            deviations=deviations,
            priors=(corner_prior(materials, SHIFTS, observation.temperature_c), branches),
            silence=self._silence(first, reach, other_section),
        )

    def of_curves(
        self, materials: Sequence[Material], curves: RingingCurves, branches: Branches
    ) -> CandidateCube:
        """Return the cube of curves worked out for the section of the specimen."""
        full = self.followed[self.observation.spectrum_points]
        observation = self.observation
        doubt = observation.whiten_columns(curves.columns)
        # the curves carry their section: as such they are as good as any whose section does not matter
        plain = replace(observation, section_m=None)

        def deviations(gap_ratio: float) -> list[Deviating]:
            supposed = Supposed(gap_ratio)
            return [
                Deviating(
                    amplitude.share,
                    np.column_stack([curve_columns(plain, materials[0], amplitude, supposed), doubt]),
                )
                for amplitude in amplitudes(materials[0])
            ]

        reach = reach_of(materials, plain, SHIFTS)
        silence = np.empty(reach.low.size)
        for pattern, rows in reach.patterns():
            silence[rows] = full.silence(pattern)
        return CandidateCube(
            observation=observation,
            predicted=_rows(materials, curves.table, plain, other_section=False),
            reach=reach,
            deviations=deviations,
            priors=(corner_prior(materials, SHIFTS, observation.temperature_c), _whole_if_closed(branches)),
            silence=silence.reshape(-1, SHIFTS.size, 1),
        )

    def _silence(self, material: Material, reach: Reach, other_section: bool) -> FloatArray:
        """Return what is expected of the points where candidates of one section are silent, (M, S, 1)."""
        cut = followed_points(material, self.observation, other_section=other_section)
        out = np.empty(reach.low.size)
        for pattern, rows in reach.patterns():
            out[rows] = self.followed[cut].silence(pattern)
        return out.reshape(-1, SHIFTS.size, 1)


def _worked_out(
    case: _Case,
    materials: Sequence[Material],
    branches: Branches,
    found: Mapping[int, Mapping[bool, _Judged]],
) -> dict[tuple[int, bool], _Judged]:
    """Judge the candidates whose section rings in the band by the whole of it, those that are worth it.

    What was found of a cracked core by the followed points stays.
    """
    observation = case.observation
    hidden = {
        (index, other): judged
        for index, one in found.items()
        for other, judged in one.items()
        if followed_points(materials[index], observation, other_section=other) < observation.spectrum_points
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
        terms = [
            logsumexp(case.of_curves(judged, curves, branches).branch_terms(), axis=(0, 1))
            + np.log(curves.share)
            for curves in ringing_curves(table.pick(chosen), observation, section)
        ]
        share = np.log(1.0 if section else 1 - SAME_SECTION)
        for key, log_evidence in zip(keys, logsumexp(terms, axis=0) + share, strict=True):
            out[key] = _with_whole(hidden[key], float(log_evidence))
    return out


def _with_whole(judged: _Judged, log_evidence: float) -> _Judged:
    """Replace the log evidence of a whole core, and keep that of a cracked one."""
    cracked = judged.log_evidence + float(np.log(max(judged.gapped, 1e-300)))
    total = float(np.logaddexp(log_evidence, cracked))
    return replace(judged, log_evidence=total, gapped=float(np.exp(cracked - total)))


def _followed_if_unknown(observation: Observation) -> int:
    """Return the spectrum points at which references of unknown section can be followed."""
    return section_prior(observation, None).followed - observation.reading_points


def _open_alternative(case: _Case) -> tuple[float, dict[str, float]]:
    """Log evidence of the family over all data, and its classes; its manganese-zinc rings as well."""
    full = case.followed[case.observation.spectrum_points]
    total, classes = full.alternative.log_evidence(full.everything), full.alternative.classes
    name = MaterialClass.MNZN.value
    if not section_matters(case.observation):
        return total, classes
    other = case.followed[_followed_if_unknown(case.observation)]
    logs = {key: total + np.log(max(share, 1e-300)) for key, share in classes.items()}
    ringing = other.alternative.log_evidence(other.everything) + np.log(other.alternative.classes[name])
    logs[name] = np.logaddexp(
        np.log(SAME_SECTION) + logs[name], np.log(1 - SAME_SECTION) + ringing + other.ringing
    )
    total = float(logsumexp(list(logs.values())))
    return total, {key: float(np.exp(value - total)) for key, value in logs.items()}
