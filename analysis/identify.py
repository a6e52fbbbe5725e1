"""From the data of one specimen to a verdict."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from whichcore.analysis.advise import NOTEWORTHY, cleared_first, next_measurement, next_steps
from whichcore.analysis.arguments import check_arguments
from whichcore.analysis.candidate_cube import Branches, Explanation
from whichcore.analysis.class_evidence import ClassEvidence
from whichcore.analysis.conditions import condition_of_data, sort_readings
from whichcore.analysis.crack import crack_notes
from whichcore.analysis.curie import curie_evidence
from whichcore.analysis.decision import Decision, decide
from whichcore.analysis.disagreement import disagreements
from whichcore.analysis.equivalents import equivalents_of_first
from whichcore.analysis.evidence import evidence_of_specimen
from whichcore.analysis.explain import decided_by
from whichcore.analysis.foresight import Knowledge
from whichcore.analysis.geometry import core_geometry
from whichcore.analysis.kin import UNLISTED_PRIOR
from whichcore.analysis.level_range import permeability_range, shared_use
from whichcore.analysis.materials import Library, MaterialClass
from whichcore.analysis.observation import Observation, observe
from whichcore.analysis.open_circuit import ROD_WARNING
from whichcore.analysis.other_section import section_notes
from whichcore.analysis.permeability import permeability
from whichcore.analysis.pooling import GROUPS_PER_DECADE, pooled
from whichcore.analysis.posterior import Evidence, evidence_of, fitted_log_reluctivity
from whichcore.analysis.priors import gap_nodes, turn_branches
from whichcore.analysis.reading_permeability import ReadingPermeability, permeability_of_reading
from whichcore.analysis.section_fit import NOTEWORTHY_EFFECT, feels_section, largest_effect
from whichcore.analysis.specimen import Crack, Rod, Specimen
from whichcore.analysis.trial import Finding, scale_of_reading, try_data
from whichcore.analysis.types import (
    ComplexArray,
    FloatArray,
    ImpedanceSweep,
    PermeabilitySpectrum,
    Reading,
    ReadingKind,
)
from whichcore.analysis.uncertainty import point_covariance
from whichcore.analysis.verdict import Candidate, EvidenceShift, InitialPermeability, Verdict, VerdictKind
from whichcore.analysis.warming import warming_notes
from whichcore.analysis.weighing import weigh
from whichcore.analysis.winding import winding_model
from whichcore.errors import AnalysisError, LibraryError

#: Prior odds, against none of these, of all materials together whose curves do not reach into the band: about
#: even, so that a material is never named for want of data, nor "none of these". Practice.
SILENT_ODDS = 1.2
#: Candidates whose best explanation is handed out with the verdict.
_SHOWN = 8


def identify(
    specimen: Specimen,
    *,
    sweep: ImpedanceSweep | None = None,
    readings: Sequence[Reading] = (),
    library: Library,
    evidence: Sequence[ClassEvidence] = (),
) -> Verdict:
    """Say which material of a library a wound core is made of, and how sure that is.

    Parameters
    ----------
    specimen : Specimen
        Core, winding, and what else is known (surface resistance and mass count as evidence).
    sweep : ImpedanceSweep, optional
    readings : sequence of Reading
        Single readings of inductance or impedance magnitude; at least one when there is no sweep.
    library : Library
    evidence : sequence of ClassEvidence
        Further evidence on the class of the material.

    Returns
    -------
    Verdict

    Raises
    ------
    UsageError
        An argument is of another type than stated.
    AnalysisError
        Neither a sweep nor a reading was given, or the data are not those of an inductor: its reactance or
        its loss is negative at more than half of the frequencies.
    LibraryError
        The library holds no material.
    """
    check_arguments(specimen, sweep, readings, library, evidence)
    if sweep is None and not readings:
        raise AnalysisError(
            "there is nothing to identify the core from",
            where="identify",
            got="no sweep and no reading",
            allowed="a sweep file, or at least one reading",
            next_step="measure the inductance at 10 kHz and pass it as a reading",
        )
    if not library.materials:
        raise LibraryError(
            "the library holds no usable material",
            where="library",
            got=f"{len(library.problems)} refused" if library.problems else "no material at all",
            next_step="see the reasons in its problems"
            if library.problems
            else "load one with load_library()",
        )
    case = _reduce(specimen, sweep, readings, library)
    beside = (*evidence_of_specimen(specimen), *case.beside, *evidence)
    hot = curie_evidence(case.observation.temperature_c, beside, library.materials)
    posterior = _posterior(case, (*beside, *hot))
    verdict = _compose(case, posterior)
    known = Knowledge(library, case.observation, case.curves, posterior.all)
    steps = next_steps(verdict, specimen, known)
    none_of_these = verdict.kind is VerdictKind.UNLISTED
    why = None if case.void else decided_by(known, specimen.winding.turns, none_of_these=none_of_these)
    advised = replace(
        verdict,
        next_steps=steps,
        next_measurement=next_measurement(verdict, steps),
        decided_by=why,
    )
    clearing = {"check-measurements": case.disagreements, "check-gap": _gap_warnings(case)}
    return cleared_first(advised, [action for action, said in clearing.items() if said])


@dataclass(frozen=True, slots=True)
class _Case:
    """One specimen on the way to its verdict; ``measured`` is the observation before it was pooled."""

    specimen: Specimen
    library: Library
    spectrum: PermeabilitySpectrum | None
    readings: tuple[ReadingPermeability, ...]
    observation: Observation
    measured: Observation
    curves: Evidence
    trial: tuple[Finding, ...]
    beside: tuple[ClassEvidence, ...]
    disagreements: tuple[str, ...]

    @property
    def classes(self) -> list[str]:
        return [material.material_class.value for material in self.library.materials]

    @property
    def void(self) -> bool:
        """True where a failed test leaves nothing of the data that may speak for a material."""
        if self.spectrum is not None:
            return any(finding.voids for finding in self.trial)
        return len(self.trial) == len(self.readings)  # of readings only those that failed are listed

    def alike(self, order: Sequence[int]) -> Iterator[int]:
        """Yield of materials by falling probability the first and those the curves cannot tell from it."""
        return equivalents_of_first(self.library, self.curves, order, self.observation)


def _reduce(
    specimen: Specimen, sweep: ImpedanceSweep | None, readings: Sequence[Reading], library: Library
) -> _Case:
    """Take the winding off, and ask every curve what it says of the result."""
    spectrum, trial = _tried(sweep, specimen) if sweep is not None else (None, ())
    told = sort_readings(specimen, spectrum, readings)
    read = [scale_of_reading(permeability_of_reading(reading, specimen)) for reading in told.plain]
    points = tuple(point for _, point in read)
    trial = (*trial, *(finding for finding, _ in read if finding.failed))
    measured_twice = disagreements(
        specimen,
        (sweep, spectrum) if sweep is not None and spectrum is not None else None,
        tuple(zip(told.plain, points, strict=True)),
    )
    temperature = condition_of_data(specimen, spectrum, told.plain)
    geometry = None if isinstance(specimen.core, Rod) else core_geometry(specimen)
    section = geometry.section_m if geometry else None
    measured = observe(spectrum, points, section, temperature)
    few = pooled(spectrum) if spectrum is not None else None
    observation = measured if few is spectrum else observe(few, points, section, temperature)
    length = geometry.effective.length_m if geometry else 0.0
    branches = Branches(gap_nodes(specimen, length), turn_branches(specimen.winding))
    return _Case(
        specimen,
        library,
        spectrum,
        points,
        observation,
        measured,
        evidence_of(library, observation, branches),
        trial,
        told.evidence,
        measured_twice,
    )


def _tried(sweep: ImpedanceSweep, specimen: Specimen) -> tuple[PermeabilitySpectrum, tuple[Finding, ...]]:
    """Return the spectrum with what failed tests of the data take away, and all findings."""
    trial = try_data(sweep, specimen, permeability(sweep, specimen), refuse=True)
    return trial.spectrum, trial.findings


@dataclass(frozen=True, slots=True)
class _Posterior:
    """Probability of each material (in library order) and, by class, of none of them."""

    listed: FloatArray
    unlisted_by_class: dict[str, float]
    shifts: tuple[EvidenceShift, ...]
    contradictions: tuple[str, ...]

    @property
    def unlisted(self) -> float:
        return float(sum(self.unlisted_by_class.values()))

    @property
    def all(self) -> FloatArray:
        return np.append(self.listed, self.unlisted)


def _posterior(case: _Case, evidence: Sequence[ClassEvidence]) -> _Posterior:
    """Join the evidence of the curves with each other piece, and note what each piece did to the classes."""
    materials, count = case.library.materials, len(case.library.materials)
    open_classes = [MaterialClass(name) for name in case.curves.unlisted_classes]
    shares = np.array(list(case.curves.unlisted_classes.values()))
    silent = case.curves.silent
    # a curve that only a moved corner brings to the edge of the band is silent all the same
    from_curves = np.where(silent, case.curves.of_family, case.curves.log_evidence)
    heard = 0.0 if case.void else 1.0  # the void is linear in μ, and too small where |μ| falls far
    logs = np.append(
        heard * from_curves + np.log(_prior(silent)),
        heard * case.curves.unlisted + np.log(UNLISTED_PRIOR) + np.log(np.maximum(shares, 1e-300)),
    )
    weighed = weigh(logs, materials, open_classes, evidence, case.alike)
    listed, rest = weighed.probability[:count], weighed.probability[count:]
    by_class = {name.value: float(p) for name, p in zip(open_classes, rest, strict=True)}
    return _Posterior(listed, by_class, weighed.shifts, weighed.contradictions)


def _prior(silent: NDArray[np.bool_]) -> FloatArray:
    """Prior weight of each material beside the UNLISTED_PRIOR of none of them; they need not sum to one."""
    each = np.full(silent.size, (1 - UNLISTED_PRIOR) / silent.size)
    if silent.any():
        each[silent] = np.minimum(each[silent], SILENT_ODDS * UNLISTED_PRIOR / silent.sum())
    return each


def _compose(case: _Case, posterior: _Posterior) -> Verdict:
    listed = posterior.listed
    order = [int(i) for i in np.argsort(-listed, kind="stable")]
    equivalents = case.alike(order)
    unlisted = posterior.unlisted_by_class
    decision = decide(listed, unlisted, case.classes, equivalents, case.curves.silent)
    if case.void:
        decision = Decision(VerdictKind.UNDECIDED, (), max(float(listed.max()), posterior.unlisted), None)
    gapped = float(listed @ case.curves.gapped)
    other_turns = float(listed @ case.curves.other_turns)
    return Verdict(
        kind=decision.kind,
        materials=tuple(case.library.materials[i].id for i in decision.members),
        material_class=decision.material_class,
        probability=decision.probability,
        candidates=_candidates(case, listed, order),
        unlisted_probability=posterior.unlisted,
        unlisted_classes=posterior.unlisted_by_class,
        initial_permeability=_initial_permeability(case),
        warnings=(*_warnings(case, posterior, gapped, other_turns), *posterior.contradictions),
        spectrum=case.spectrum,
        gapped_probability=gapped,
        other_turns_probability=other_turns,
        permeability_range=permeability_range(
            case.library.materials, listed, _speaking(case.curves), _initial_permeability(case)
        ),
        use=shared_use(case.library.materials, listed),
        evidence=posterior.shifts,
        trial=case.trial,
        void=case.void,
        stated_turns=case.curves.stated_turns,
    )


def _speaking(curves: Evidence) -> dict[int, Explanation]:
    """Explanations of the materials whose curves speak in the band."""
    return {i: explained for i, explained in curves.explanations.items() if not curves.silent[i]}


def _candidates(case: _Case, listed: FloatArray, order: Sequence[int]) -> tuple[Candidate, ...]:
    shown = [i for i in order if i in case.curves.explanations][:_SHOWN]
    points = case.measured.spectrum_points
    fitted: dict[int, ComplexArray] = {}
    if points:
        rows = fitted_log_reluctivity(case.library, case.curves, shown, case.measured)[:, :points]
        fitted = dict(zip(shown, np.exp(-rows), strict=True))
    return tuple(_candidate(case, i, float(listed[i]), fitted.get(i)) for i in order)


def _candidate(case: _Case, index: int, probability: float, fitted: ComplexArray | None) -> Candidate:
    material = case.library.materials[index]
    explanation = None if case.curves.silent[index] else case.curves.explanations.get(index)
    return Candidate(
        material=material.id,
        material_class=material.material_class.value,
        probability=probability,
        scale=explanation.scale if explanation else None,
        corner_shift=explanation.corner_shift if explanation else None,
        gap_ratio=explanation.gap_ratio if explanation else 0.0,
        turns=explanation.turns if explanation else case.curves.stated_turns,
        fitted=fitted,
        points_used=int(case.curves.points_used[index]),
        points_total=case.observation.frequency_hz.size,
    )


def _initial_permeability(case: _Case) -> InitialPermeability:
    temperature = case.observation.temperature_c
    if case.spectrum is not None:
        s = case.spectrum
        return InitialPermeability(
            value=float(s.permeability.real[0]),
            standard_uncertainty=float(np.sqrt(point_covariance(s.scatter, s.sources)[0, 0, 0])),
            frequency_hz=float(s.frequency_hz[0]),
            flux_density_t=None if s.flux_density_t is None else float(s.flux_density_t[0]),
            temperature_c=temperature,
        )
    lowest = min(case.readings, key=lambda r: (r.kind != ReadingKind.INDUCTANCE, r.frequency_hz))
    return InitialPermeability(
        lowest.permeability,
        lowest.standard_uncertainty,
        lowest.frequency_hz,
        lowest.flux_density_t,
        temperature,
    )


def _warnings(case: _Case, posterior: _Posterior, gapped: float, other_turns: float) -> tuple[str, ...]:
    notes = [*case.disagreements, *(note for reading in case.readings for note in reading.notes)]
    if isinstance(case.specimen.core, Rod) and ROD_WARNING not in notes:
        notes.append(ROD_WARNING)
    notes += winding_model(case.specimen, case.observation.frequency_hz, case.specimen.temperature_c).notes
    notes += [finding.sentence for finding in case.trial if finding.told]
    if case.spectrum is not None:
        notes += _pooling_warnings(case)
    notes += warming_notes(case.library.materials, case.observation.temperature_c)
    notes += _section_warnings(case)
    notes += _gap_warnings(case)
    notes += crack_notes(case.library.materials, case.curves, posterior.listed, case.specimen)
    unlisted = posterior.unlisted_by_class
    notes += section_notes(case.library.materials, case.curves, posterior.all, unlisted)
    silent = int(case.curves.silent.sum())
    if silent:
        notes.append(
            f"{silent} of {len(case.library.materials)} reference curves do not reach into the band: "
            "the data neither support nor exclude them"
        )
    if gapped >= NOTEWORTHY and case.specimen.in_one_piece and case.specimen.crack is not Crack.SEEN:
        look = "" if case.specimen.crack else '; state what a look came to: crack = "seen" or "not seen"'
        notes.append(f"the magnetic path may be cracked or gapped (probability {gapped:.2f}){look}")
    if other_turns >= NOTEWORTHY:
        notes.append(f"the winding may have a turn more or less than stated (probability {other_turns:.2f})")
    return tuple(dict.fromkeys(notes))


def _gap_warnings(case: _Case) -> list[str]:
    """Tell a stated gap that leaves no room for the measured permeability."""
    if not case.specimen.gap_m or isinstance(case.specimen.core, Rod):
        return []
    most = core_geometry(case.specimen).effective.length_m / case.specimen.gap_m
    measured = _initial_permeability(case)
    if measured.value - 2 * measured.standard_uncertainty <= most:
        return []
    return [
        f"the stated gap cannot be right: it allows a permeability of {most:.3g} at most, and "
        f"{measured.value:.3g} was measured"
    ]


def _pooling_warnings(case: _Case) -> list[str]:
    groups, points = case.observation.spectrum_points, case.measured.spectrum_points
    if groups == points:
        return []
    return [
        f"the points lie closer than {GROUPS_PER_DECADE} to the decade, where they say no more of the "
        f"material: for the comparison {points} were averaged into {groups}"
    ]


def _section_warnings(case: _Case) -> list[str]:
    unknown = [m for m in case.library.materials if feels_section(m) and m.section_m is None]
    effect = largest_effect(case.observation, case.observation.section_m)
    if not unknown or effect < NOTEWORTHY_EFFECT:
        return []
    return [
        f"{len(unknown)} manganese-zinc references do not state the section they were taken on: they are "
        f"used as they stand, with up to {100 * effect:.0f} % more deviation allowed for this section"
    ]
