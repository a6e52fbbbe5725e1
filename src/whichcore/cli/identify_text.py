"""A verdict in words."""

from __future__ import annotations

from whichcore.analysis.geometry import core_geometry
from whichcore.analysis.specimen import Rod
from whichcore.analysis.verdict import Candidate, Verdict
from whichcore.cli.show import Block, Grid, Heading, Lines, page
from whichcore.verdict_words import (
    data_lines,
    evidence_sentence,
    kind_of_core,
    measured_sentence,
    rest_sentence,
    unlisted_sentence,
    verdict_sentence,
)
from whichcore.wording import percent, quantity
from whichcore.workflow import Identification

#: Candidates shown: all of at least this probability, but not fewer and not more than these.
_LEAST, _FEWEST, _MOST = 0.001, 3, 8


def verdict_page(case: Identification) -> str:
    """Return the whole answer for one core."""
    verdict = case.verdict
    blocks: list[Block] = [
        Heading(f"{case.specimen.name}: {verdict_sentence(verdict, case.names)}".lstrip(": ")),
        Lines((measured_sentence(verdict.initial_permeability), *kind_of_core(verdict))),
        candidates_grid(case),
        Lines(_remainder(case)),
    ]
    if verdict.decided_by is not None:
        blocks.append(Lines((f"Why: {verdict.decided_by.sentence}",)))
    if verdict.evidence:
        blocks.append(
            Lines(
                (
                    "What the other evidence did:",
                    *(f"  {evidence_sentence(shift)}" for shift in verdict.evidence),
                )
            )
        )
    blocks += map(Lines, filter(None, [data_lines(verdict.trial)]))
    blocks.append(Lines((f"Next: {verdict.next_measurement}",)))
    return page(blocks)


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
        lines.append(rest_sentence(rest))
    lines.append(unlisted_sentence(verdict))
    lines.append(
        "scale and corner: permeability and corner frequency of this core over those of the reference. "
        "points: measured points on which the reference says anything."
    )
    lines.append(
        f"Cracked or gapped: {percent(verdict.gapped_probability)}. A turn more or less than stated: "
        f"{percent(verdict.other_turns_probability)}."
    )
    return tuple(lines)
