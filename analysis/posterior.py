"""Evidence of each candidate, of the open alternative, and of each branch (gap, turn count)."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import logsumexp

from whichcore.analysis.candidate_cube import Branches, CandidateCube, Deviating, Explanation
from whichcore.analysis.curve_table import SHIFTS, library_table
from whichcore.analysis.dispersion_parts import has_parts, part_columns
from whichcore.analysis.kin import kin_of, with_kin
from whichcore.analysis.materials import Library, Material
from whichcore.analysis.observation import CORE_DEVIATION, Observation, RowKind, reading_rows
from whichcore.analysis.priors import GapNode, corner_prior
from whichcore.analysis.reach import Reach, reach_of, whole
from whichcore.analysis.section_fit import feels_section, section_columns
from whichcore.analysis.types import ComplexArray, FloatArray
from whichcore.analysis.unlisted import OpenAlternative, deviating_columns

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
    reach = reach_of(library.materials, observation, SHIFTS)
    silence, alternative = _silence(reach, observation)
    found: dict[int, _Judged] = {}
    for indices in _groups(library.materials):
        cube = _cube(library, library.materials, indices, (observation, branches), silence[indices])
        found.update(zip(indices, _judge(cube), strict=True))
    best = [found[index] for index in range(len(library.materials))]
    unlisted, by_class = with_kin(
        (alternative.log_evidence(whole(observation)), alternative.classes),
        _kin_evidence(library, observation, branches, silence),
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


def _kin_evidence(
    library: Library, observation: Observation, branches: Branches, silence: FloatArray
) -> FloatArray:
    """Log evidence of the unlisted kin of each material, whole and with the turns stated, (M,)."""
    kin = kin_of(library).materials
    plain = Branches((GapNode(1.0, 0.0, 0.0),), ((branches.turns[0][0], 1.0),))
    out = np.empty(len(kin))
    for indices in _groups(kin):
        cube = _cube(library, kin, indices, (observation, plain), silence[indices])
        out[indices] = logsumexp(cube.branch_terms(), axis=(0, 1))
    return out


@dataclass(frozen=True, slots=True)
class _Judged:
    """What the data say of one material."""

    log_evidence: float
    gapped: float
    other_turns: float
    explanation: Explanation | None


def _judge(cube: CandidateCube) -> list[_Judged]:
    """Evidence of each material of a cube."""
    branches = cube.branches
    terms = cube.branch_terms()
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


def predictions(library: Library, indices: Sequence[int], observation: Observation) -> ComplexArray:
    """Predict the rows of some materials, for every corner shift.

    Returns
    -------
    complex array (M, S, P)
        λ, or for a reading the row it is compared with; a reading at or below 10 kHz where the curve starts
        higher is predicted from the stated initial permeability. NaN beyond a curve's reach.
    """
    frequency = observation.frequency_hz
    table = library_table(library, float(frequency.min()), float(frequency.max()), observation.section_m)
    materials = [library.materials[i] for i in indices]
    values = reading_rows(table.pick(indices).shifted(observation.log_frequency, SHIFTS), observation)
    starts = np.array([m.frequency_hz[0] for m in materials])
    initial = np.array([-np.log(m.initial_permeability) for m in materials])
    for point in np.flatnonzero((observation.kind != RowKind.SPECTRUM) & (frequency <= 1e4)):
        below = frequency[point] < starts
        values[below, :, point] = initial[below, None]
    mask = reach_of(materials, observation, SHIFTS).mask(frequency.size).reshape(values.shape)
    values[~mask] = complex(np.nan, np.nan)
    return values


def fitted_log_reluctivity(
    library: Library, evidence: Evidence, indices: Sequence[int], observation: Observation
) -> ComplexArray:
    """Best explanation of the data by some materials, (M, P); NaN where a curve is silent."""
    values = predictions(library, indices, observation)
    out = np.empty((len(indices), observation.frequency_hz.size), dtype=np.complex128)
    for row, i, value in zip(out, indices, values, strict=True):
        e = evidence.explanations[i]
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


def curve_columns(observation: Observation, material: Material, amplitude: Amplitude) -> FloatArray:
    """Whitened common sources, deviation of a core from a curve, and doubt about its section, (2P, K).

    A curve that misses the core by more also misses it in finer detail: the correlation length falls from 1.2
    in ln f at 3 % to half of that at 30 % (practice).
    """
    length = CURVE_DEVIATION_LENGTH * (CORE_DEVIATION / max(amplitude.deviation, CORE_DEVIATION)) ** 0.3
    columns = deviating_columns(observation, amplitude.deviation, length, amplitude.flat)
    if has_parts(material):
        scale = amplitude.deviation / max(material.curve_deviation, 1e-9)
        parts = observation.whiten_columns(part_columns(observation, material, scale))
        columns = np.column_stack([columns, parts])
    if not feels_section(material):
        return columns
    doubt = section_columns(observation, observation.section_m, material.section_m is not None)
    return np.column_stack([columns, observation.whiten_columns(doubt)])


def column_key(material: Material) -> tuple[float, bool, bool, str]:
    """Return what the common columns of a material depend on."""
    parted = material.material_class.value if has_parts(material) else ""
    return material.curve_deviation, feels_section(material), material.section_m is not None, parted


def _groups(materials: Sequence[Material]) -> Iterator[list[int]]:
    """Chunks of materials that share their common columns, and mostly the points that they speak on."""
    groups: dict[tuple[float, bool, bool, str], list[int]] = {}
    for i in sorted(range(len(materials)), key=lambda i: (*materials[i].frequency_hz[[0, -1]], i)):
        groups.setdefault(column_key(materials[i]), []).append(i)
    for indices in groups.values():
        for start in range(0, len(indices), _CHUNK):
            yield indices[start : start + _CHUNK]


def _cube(
    library: Library,
    judged: Sequence[Material],
    indices: list[int],
    data: tuple[Observation, Branches],
    silence: FloatArray,
) -> CandidateCube:
    """Return the cube of some materials: curves from the library, priors and deviation of those judged."""
    observation, branches = data
    materials = [judged[i] for i in indices]
    first = materials[0]
    return CandidateCube(
        observation=observation,
        predicted=predictions(library, indices, observation),
        reach=reach_of(materials, observation, SHIFTS),
        deviations=[
            Deviating(amplitude.share, curve_columns(observation, first, amplitude))
            for amplitude in amplitudes(first)
        ],
        priors=(corner_prior(materials, SHIFTS, observation.temperature_c), branches),
        silence=silence,
    )


def _silence(reach: Reach, observation: Observation) -> tuple[FloatArray, OpenAlternative]:
    """Return what the open alternative expects of the points where a candidate is silent.

    Returns
    -------
    (M, S, 1) array and the open alternative
    """
    patterns = list(reach.patterns())
    alternative = OpenAlternative(observation, [pattern for pattern, _ in patterns])
    unlisted = alternative.log_evidence(whole(observation))
    out = np.empty(reach.low.size)
    for pattern, rows in patterns:
        out[rows] = unlisted - alternative.log_evidence(pattern)
    return out.reshape(-1, SHIFTS.size, 1), alternative
