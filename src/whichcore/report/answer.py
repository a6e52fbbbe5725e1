"""The first half of a report: the verdict, what it rests on, what speaks against it, what to do next."""

from __future__ import annotations

from whichcore.analysis.geometry import core_geometry
from whichcore.analysis.specimen import Rod
from whichcore.analysis.verdict import Candidate, Verdict
from whichcore.report.document import Block, Points, Section, Sheet, Words
from whichcore.report.dossier import Dossier
from whichcore.report.pictures import decision_picture, permeability_picture
from whichcore.verdict_words import (
    data_lines,
    evidence_sentence,
    kind_of_core,
    measured_sentence,
    rest_sentence,
    unlisted_sentence,
)
from whichcore.wording import listed, percent, quantity

#: Candidates shown: all of at least this probability, but not fewer and not more than these.
_LEAST, _FEWEST, _MOST = 0.001, 3, 8


def verdict_section(dossier: Dossier) -> Section:
    """Say more of the answer than its one sentence."""
    verdict = dossier.verdict
    lines = (
        measured_sentence(verdict.initial_permeability),
        *kind_of_core(verdict),
        f"None of the references: {percent(verdict.unlisted_probability)}. Cracked or gapped: "
        f"{percent(verdict.gapped_probability)}. A turn more or less than stated: "
        f"{percent(verdict.other_turns_probability)}.",
    )
    return Section("Verdict", (Points(lines),))


def permeability_section(dossier: Dossier) -> Section:
    """Show the measured curve with the candidates."""
    blocks: list[Block] = []
    if dossier.verdict.spectrum is None:
        return Section("Permeability", (Words("There is no sweep, so there is no curve to show."),))
    if not dossier.fitted:
        told = "Kept by an earlier version, the record has no curves fitted to this core. "
        if any(one.fitted is not None for one in dossier.verdict.candidates):
            told += (
                "The candidates are drawn as their references stand: neither scaled, nor shifted, nor gapped."
            )
        else:
            told += "No reference reached 0.1 %, so none was kept with it."
        blocks.append(Words(told))
    return Section("Permeability", (permeability_picture(dossier), *blocks))


def candidates_section(dossier: Dossier) -> Section:
    """List the best candidates."""
    verdict = dossier.verdict
    shown = _shown(verdict)
    lines = []
    if rest := verdict.candidates[len(shown) :]:
        lines.append(rest_sentence(rest))
    lines.append(unlisted_sentence(verdict))
    if dossier.fitted:
        lines.append(
            "Scale and corner: permeability and corner frequency of this core over those of the reference. "
            "Points: measured points on which the reference says anything."
        )
    return Section("Candidates", (_candidates(dossier, shown), Points(tuple(lines))))


def _shown(verdict: Verdict) -> tuple[Candidate, ...]:
    likely = sum(candidate.probability >= _LEAST for candidate in verdict.candidates)
    return verdict.candidates[: min(max(likely, _FEWEST), _MOST)]


def _candidates(dossier: Dossier, shown: tuple[Candidate, ...]) -> Sheet:
    columns = {
        "material": [_called(dossier.names.get(one.material), one.material) for one in shown],
        "class": [one.material_class or "not kept" for one in shown],
        "probability": [percent(one.probability) for one in shown],
    }
    if dossier.fitted:
        columns |= _explanations(dossier, shown)
    rows = tuple(zip(*columns.values(), strict=True))
    return Sheet("The most probable", tuple(columns), rows, frozenset(columns) - {"material", "class"})


def _called(name: str | None, material: str) -> str:
    return material if name is None or name == material else f"{name} ({material})"


def _explanations(dossier: Dossier, shown: tuple[Candidate, ...]) -> dict[str, list[str]]:
    columns = {
        "scale": [_ratio(one.scale) for one in shown],
        "corner": [_ratio(one.corner_shift) for one in shown],
    }
    core = dossier.specimen.core
    if any(one.gap_ratio > 0 for one in shown) and not isinstance(core, Rod):
        length = core_geometry(dossier.specimen).effective.length_m
        columns["gap"] = [
            quantity(one.gap_ratio * length, "m", 2) if one.gap_ratio > 0 else "none" for one in shown
        ]
    if any(one.turns != dossier.specimen.winding.turns for one in shown):
        columns["turns"] = [str(one.turns) for one in shown]
    columns["points"] = [f"{one.points_used} of {one.points_total}" for one in shown]
    return columns


def _ratio(ratio: float | None) -> str:
    return "not known" if ratio is None else f"× {ratio:.2f}"


def why_section(dossier: Dossier) -> Section:
    """Say which part of the curve decided, and show it."""
    decided = dossier.verdict.decided_by
    if decided is None:
        return Section("Why", (Words("There is no sweep, so no part of a curve decided."),))
    blocks: list[Block] = [Words(decided.sentence)]
    if decided.frequency_hz.size and dossier.verdict.spectrum is not None:
        if decided.frequency_hz.size > 1:
            blocks.append(decision_picture(dossier, decided))
    elif not dossier.fitted:
        blocks.append(
            Words("Kept by an earlier version, the record has this sentence and no odds at each frequency.")
        )
    return Section("Why", tuple(blocks))


def doubts_section(dossier: Dossier) -> Section:
    """Say what contradicts the verdict, and which tests the data passed."""
    verdict = dossier.verdict
    blocks: list[Block] = []
    if verdict.evidence:
        blocks.append(Words("What the other evidence did:"))
        blocks.append(Points(tuple(evidence_sentence(one) for one in verdict.evidence)))
    elif not dossier.given:
        blocks.append(Words("No other evidence than the curve was given."))
    failed = [one for one in verdict.trial if one.failed]
    passed = [one.fault.value for one in verdict.trial if one.passed]
    untested = tuple(
        f"Not tested for {one.fault.value}: {one.sentence}" for one in verdict.trial if one.passed is None
    )
    if verdict.trial:
        lines = [*data_lines(verdict.trial), *(f"{one.fault.value}: {one.sentence}" for one in failed)]
        if passed:
            lines.append(f"Tests passed, {len(passed)}: {listed(passed, 'and')}.")
        blocks.append(Points((*lines, *untested)))
    else:
        blocks.append(Words("The data were put to no test: there is no sweep."))
    return Section("What contradicts, and how good the data are", tuple(blocks))


def next_section(dossier: Dossier) -> Section:
    """Say what to measure next."""
    verdict = dossier.verdict
    if not verdict.next_steps:
        return Section("Next measurement", (Words(verdict.next_measurement or "None is known."),))
    rows = tuple((one.sentence, _bits(one.gain_bits), f"{one.minutes:g} min") for one in verdict.next_steps)
    heads = ("step", "expected gain", "time, by practice")
    return Section(
        "Next measurement",
        (
            Words(verdict.next_measurement),
            Sheet("Steps, in the order proposed", heads, rows, frozenset(heads[1:])),
        ),
    )


def _bits(gain: float) -> str:
    if gain == 0:
        return "-"  # what mends the data: from wrong data no gain can be foreseen
    return f"{gain:.2f} bit" if gain >= 0.005 else "< 0.01 bit"
