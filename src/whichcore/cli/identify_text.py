"""A verdict in words."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from whichcore.analysis.geometry import core_geometry
from whichcore.analysis.specimen import Rod
from whichcore.analysis.trial import Finding
from whichcore.analysis.verdict import Candidate, EvidenceShift, InitialPermeability, Verdict, VerdictKind
from whichcore.cli.show import Block, Grid, Heading, Lines, page
from whichcore.wording import certainty, listed, percent, quantity, with_uncertainty
from whichcore.workflow import Identification

#: Candidates shown: all of at least this probability, but not fewer and not more than these.
_LEAST, _FEWEST, _MOST = 0.001, 3, 8
#: A class whose probability moved less than this was left alone by the evidence.
_MOVED = 0.01
#: Classes, and materials, told of each piece of evidence.
_TOLD = 3


def verdict_page(case: Identification) -> str:
    """Return the whole answer for one core."""
    verdict = case.verdict
    blocks: list[Block] = [
        Heading(f"{case.specimen.name}: {verdict_sentence(verdict, case.names)}".lstrip(": ")),
        Lines((measured_sentence(verdict.initial_permeability), *_kind_of_core(verdict))),
        candidates_grid(case),
        Lines(_remainder(case)),
    ]
    if verdict.decided_by is not None:
        blocks.append(Lines((f"Why: {verdict.decided_by.sentence}",)))
    if verdict.evidence:
        blocks.append(Lines(("What the other evidence did:", *map(_evidence_line, verdict.evidence))))
    blocks += map(Lines, filter(None, [data_lines(verdict.trial)]))
    blocks.append(Lines((f"Next: {verdict.next_measurement}",)))
    return page(blocks)


def data_lines(trial: Sequence[Finding]) -> tuple[str, ...]:
    """Say which tests the data failed; nothing where they failed none. The warnings have the sentences."""
    failed = [finding.fault for finding in trial if finding.failed]
    if not failed:
        return ()
    tested = sum(finding.passed is not None for finding in trial)
    return (
        f"Data: {len(failed)} of {tested} tests failed: {listed(failed, 'and')}. What they put in doubt is "
        "counted as an error.",
    )


def verdict_sentence(verdict: Verdict, names: Mapping[str, str]) -> str:
    """Return the verdict in one sentence, its probability in words and as a number."""
    sure, number = certainty(verdict.probability), percent(verdict.probability)
    named = [f"{names.get(item, item)} ({item})" for item in verdict.materials]
    match verdict.kind:
        case VerdictKind.MATERIAL:
            return f"{sure} {named[0]}, {verdict.material_class}: {number}."
        case VerdictKind.GROUP:
            return (
                f"{sure} {verdict.material_class}, one of {len(named)} materials these data cannot tell "
                f"apart: {listed(named)}: {number} together."
            )
        case VerdictKind.CLASS:
            return f"{sure} {verdict.material_class}, but the grade stays open: {number} for the class."
        case VerdictKind.UNLISTED:
            alike = f"; by its kind {verdict.material_class}" if verdict.material_class else ""
            return f"{sure} none of the {len(verdict.candidates)} reference materials: {number}{alike}."
    best = verdict.candidates[0]
    return (
        f"undecided. Likeliest is {names.get(best.material, best.material)} ({best.material}) at "
        f"{percent(best.probability)}; none of the references is at {percent(verdict.unlisted_probability)}."
    )


def measured_sentence(measured: InitialPermeability) -> str:
    """Return the measured permeability with its standard uncertainty and its conditions."""
    conditions = [f"at {quantity(measured.frequency_hz, 'Hz')}"]
    if measured.flux_density_t is not None:
        conditions.append(f"{quantity(measured.flux_density_t, 'T')} peak")
    if measured.temperature_c is not None:
        conditions.append(f"{measured.temperature_c:g} °C")
    value = with_uncertainty(measured.value, measured.standard_uncertainty)
    return f"Measured μ′ = {value} (standard uncertainty) {', '.join(conditions)}."


def _kind_of_core(verdict: Verdict) -> list[str]:
    """Return the range of the core's own permeability and its use, as far as they are known."""
    told = [verdict.material_class] if verdict.material_class else []
    found = verdict.permeability_range
    if found is not None:
        low, high = (f"{float(f'{end:.3g}'):g}" for end in (found.low, found.high))
        told.append(f"μi {low} to {high} ({percent(found.probability)})")
    if verdict.use is not None:
        told.append(f"{verdict.use.name} type ({percent(verdict.use.probability)})")
    return [f"This core: {', '.join(told)}."] if told else []


def candidates_grid(case: Identification) -> Grid:
    """Return the best candidates as a table; a column that says nothing is left out."""
    verdict = case.verdict
    shown = _shown(verdict)
    length = 0.0 if isinstance(case.specimen.core, Rod) else core_geometry(case.specimen).effective.length_m
    columns = {
        "material": [candidate.material for candidate in shown],
        "name": [case.names[candidate.material] for candidate in shown],
        "class": [candidate.material_class for candidate in shown],
        "probability": [percent(candidate.probability) for candidate in shown],
        "scale": [_ratio(candidate.scale) for candidate in shown],
        "corner": [_ratio(candidate.corner_shift) for candidate in shown],
    }
    if any(candidate.gap_ratio > 0 for candidate in shown):
        columns["gap"] = [_gap(candidate.gap_ratio * length) for candidate in shown]
    if any(candidate.turns != case.specimen.winding.turns for candidate in shown):
        columns["turns"] = [str(candidate.turns) for candidate in shown]
    columns["points"] = [f"{candidate.points_used} of {candidate.points_total}" for candidate in shown]
    return Grid(
        tuple(columns),
        tuple(zip(*columns.values(), strict=True)),
        frozenset(columns) - {"material", "name", "class"},
    )


def _shown(verdict: Verdict) -> tuple[Candidate, ...]:
    likely = sum(candidate.probability >= _LEAST for candidate in verdict.candidates)
    return verdict.candidates[: min(max(likely, _FEWEST), _MOST)]


def _ratio(ratio: float | None) -> str:
    return "-" if ratio is None else f"× {ratio:.2f}".replace("-", "−")


def _gap(gap_m: float) -> str:
    return quantity(gap_m, "m", 2) if gap_m > 0 else "none"


def _remainder(case: Identification) -> tuple[str, ...]:
    verdict = case.verdict
    rest = verdict.candidates[len(_shown(verdict)) :]
    lines = []
    if rest:
        together = percent(sum(candidate.probability for candidate in rest))
        lines.append(f"The other {len(rest)} together: {together}.")
    lines.append(f"None of these: {percent(verdict.unlisted_probability)}.")
    lines.append(
        "scale and corner: permeability and corner frequency of this core over those of the reference. "
        "points: measured points on which the reference says anything."
    )
    lines.append(
        f"Cracked or gapped: {percent(verdict.gapped_probability)}. A turn more or less than stated: "
        f"{percent(verdict.other_turns_probability)}."
    )
    return tuple(lines)


def _evidence_line(shift: EvidenceShift) -> str:
    """Say which classes and materials a piece of evidence raised and lowered, the largest moves first."""
    told = _moves(shift.before, shift.after) + _moves(shift.materials_before, shift.materials_after)
    if not told:
        return f"  {shift.name}: changed no class or material by more than {100 * _MOVED:g} %."
    return f"  {shift.name}: {', '.join(told)}."


def _moves(before: Mapping[str, float], after: Mapping[str, float]) -> list[str]:
    moves = {name: after.get(name, 0.0) - old for name, old in before.items()}
    moved = sorted((name for name in moves if abs(moves[name]) >= _MOVED), key=lambda name: -abs(moves[name]))
    return [f"{name} from {percent(before[name])} to {percent(after[name])}" for name in moved[:_TOLD]]
