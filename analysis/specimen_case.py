"""What the candidates of one specimen share: its data, and the worth of points a candidate is silent on."""

from __future__ import annotations

from collections.abc import Callable, Hashable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace

import numpy as np
from scipy.special import logsumexp

from whichcore.analysis.candidate_cube import Branches, CandidateCube, Deviating
from whichcore.analysis.candidate_rows import predictions, rows_of
from whichcore.analysis.curve_deviation import Supposed, amplitudes, column_key, curve_columns
from whichcore.analysis.curve_table import SHIFTS
from whichcore.analysis.level_integral import JointFactors
from whichcore.analysis.materials import Library, Material, MaterialClass
from whichcore.analysis.observation import Observation
from whichcore.analysis.priors import GapNode, corner_prior
from whichcore.analysis.reach import Pattern, Reach, all_followed, followed_points, reach_of, whole
from whichcore.analysis.ringing import log_evidence_of_ringing
from whichcore.analysis.ringing_candidates import Ringing, RingingCurves
from whichcore.analysis.section_prior import SAME_SECTION, section_matters, section_prior
from whichcore.analysis.types import FloatArray
from whichcore.analysis.unlisted import OpenAlternative, rows_of_family


def _whole_if_closed(branches: Branches) -> Branches:
    """Leave the cracks of a closed core out: rare, and the section acts less behind a gap."""
    if branches.gaps[0].median > 0:
        return replace(branches, other_section=True)
    return Branches((GapNode(1.0, 0.0, 0.0),), branches.turns, other_section=True)


@dataclass(frozen=True, slots=True)
class Followed:
    """The open alternative on the first spectrum points and all readings, and the worth of the others."""

    alternative: OpenAlternative
    everything: Pattern
    ringing: float

    def silence(self, pattern: Pattern) -> float:
        """Log evidence of what is measured beside a pattern, given it."""
        known = self.alternative.log_evidence(self.everything) - self.alternative.log_evidence(pattern)
        return known + self.ringing


def followed_of(materials: Sequence[Material], observation: Observation) -> dict[int, Followed]:
    """Return the open alternative for each number of points that a section may leave to be followed."""
    suppositions = (False, True) if section_matters(observation) else (False,)
    # a candidate whose section is worked out speaks wherever its curve does
    plain = replace(observation, section_m=None)
    shown = [pattern for pattern, _ in reach_of(materials, plain, SHIFTS).patterns()]
    patterns: dict[int, list[Pattern]] = {observation.spectrum_points: shown}
    if len(suppositions) > 1:
        patterns[_followed_if_unknown(observation)] = []
    for other in suppositions:
        reach = reach_of(materials, observation, SHIFTS, other_section=other)
        cuts = np.repeat(all_followed(materials, observation, other_section=other), SHIFTS.size)
        for pattern, rows in reach.patterns():
            for cut in np.unique(cuts[rows]):
                patterns.setdefault(int(cut), []).append(pattern)
    members = rows_of_family(observation)
    out = {}
    for cut, wanted in patterns.items():
        points = np.r_[:cut, observation.spectrum_points : observation.frequency_hz.size]
        kept = observation.at(points)
        alternative = OpenAlternative(kept, wanted, members.at(points))
        out[cut] = Followed(alternative, whole(kept), log_evidence_of_ringing(observation, cut))
    return out


@dataclass(frozen=True, slots=True)
class SpecimenCase:
    """What all cubes of one specimen share."""

    library: Library
    observation: Observation
    followed: Mapping[int, Followed]
    ringing: Ringing
    _known: dict[Hashable, Deviating] = field(default_factory=dict)
    _columns: dict[Hashable, list[FloatArray]] = field(default_factory=dict)

    def cube(
        self, judged: Sequence[Material], indices: list[int], branches: Branches, other_section: bool
    ) -> CandidateCube:
        """Return the cube of some materials: curves of the library, priors and deviation of those judged."""
        observation = self.observation
        materials = [judged[i] for i in indices]
        first = materials[0]

        if other_section:
            branches = _whole_if_closed(branches)
        reach = reach_of(materials, observation, SHIFTS, other_section=other_section)
        return CandidateCube(
            observation=observation,
            predicted=predictions(
                self.library, indices, observation, other_section=other_section, reach=reach
            ),
            reach=reach,
            deviations=lambda ratio: self._deviating(first, Supposed(ratio, other_section)),
            priors=(corner_prior(materials, SHIFTS, observation.temperature_c), branches),
            silence=self._silence(first, reach, other_section),
        )

    def _deviating(self, material: Material, supposed: Supposed) -> Deviating:
        """Return how cores of materials like one deviate from their curves; worked out once."""
        key = column_key(material), supposed
        if key not in self._known:
            self._known[key] = _deviating_by(material, self._columns_of(material, supposed))
        return self._known[key]

    def _columns_of(
        self, material: Material, supposed: Supposed, *, section: bool = True
    ) -> list[FloatArray]:
        """Return the columns of each amplitude, with or without doubt about sections; worked out once."""
        key = column_key(material), supposed, section
        if key not in self._columns:
            seen = self.observation if section else replace(self.observation, section_m=None)
            kinds = amplitudes(material)
            self._columns[key] = [curve_columns(seen, material, kind, supposed) for kind in kinds]
        return self._columns[key]

    def of_curves(
        self, materials: Sequence[Material], found: Iterable[RingingCurves], branches: Branches
    ) -> Iterator[tuple[CandidateCube, float]]:
        """Yield the cube, and the share, of each set of curves worked out for the section of the specimen."""
        full = self.followed[self.observation.spectrum_points]
        observation = self.observation
        # the curves carry their section: as such they are as good as any whose section does not matter
        plain = replace(observation, section_m=None)
        reach = reach_of(materials, plain, SHIFTS)
        silence = np.empty(reach.low.size)
        for pattern, rows in reach.patterns():
            silence[rows] = full.silence(pattern)
        prior = corner_prior(materials, SHIFTS, observation.temperature_c)
        for curves in found:
            cube = CandidateCube(
                observation=observation,
                predicted=rows_of(materials, curves.table, plain, reach, other_section=False),
                reach=reach,
                deviations=self._deviating_beside(materials[0], observation.whiten_columns(curves.columns)),
                priors=(prior, _whole_if_closed(branches)),
                silence=silence.reshape(-1, SHIFTS.size, 1),
            )
            yield cube, curves.share

    def _deviating_beside(self, material: Material, doubt: FloatArray) -> Callable[[float], Deviating]:
        """Return how cores deviate from curves that are in doubt themselves, by gap ratio."""

        def deviations(gap_ratio: float) -> Deviating:
            columns = self._columns_of(material, Supposed(gap_ratio), section=False)
            return _deviating_by(material, [np.column_stack([own, doubt]) for own in columns])

        return deviations

    def _silence(self, material: Material, reach: Reach, other_section: bool) -> FloatArray:
        """Return what is expected of the points where candidates of one section are silent, (M, S, 1)."""
        cut = followed_points(material, self.observation, other_section=other_section)
        out = np.empty(reach.low.size)
        for pattern, rows in reach.patterns():
            out[rows] = self.followed[cut].silence(pattern)
        return out.reshape(-1, SHIFTS.size, 1)


def _deviating_by(material: Material, columns: Sequence[FloatArray]) -> Deviating:
    shares = np.array([kind.share for kind in amplitudes(material)])
    return Deviating(shares, JointFactors.of_columns(columns))


def _followed_if_unknown(observation: Observation) -> int:
    """Return the spectrum points at which references of unknown section can be followed."""
    return section_prior(observation, None).followed - observation.reading_points


def open_alternative(case: SpecimenCase) -> tuple[float, dict[str, float]]:
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
