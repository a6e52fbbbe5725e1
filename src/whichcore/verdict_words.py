"""A verdict in sentences, the same on a terminal, on the page and in a report."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from whichcore.analysis.trial import Finding
from whichcore.analysis.verdict import Candidate, EvidenceShift, InitialPermeability, Verdict, VerdictKind
from whichcore.wording import certainty, listed, percent, plain, quantity, with_uncertainty

#: A class whose probability moved less than this was left alone by the evidence.
_MOVED = 0.01
#: Classes, and materials, told of each piece of evidence.
_TOLD = 3
#: What "none of these" does not cover: what looks alike is not told apart by looks.
UNLISTED_MEANS = (
    "A grade that is not among the references, but as close to one of them as its own cores are, counts as "
    "that one."
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
                f"{sure} {_group(verdict)} these data cannot tell apart: {listed(named)}: {number} together."
            )
        case VerdictKind.CLASS:
            return (
                f"{sure} {verdict.material_class}, but the grade stays open: {number} for the class. "
                f"{_likeliest(verdict, names)}"
            )
        case VerdictKind.UNLISTED:
            alike = f"; by its kind {verdict.material_class}" if verdict.material_class else ""
            return f"{sure} {_none(len(verdict.candidates))}: {number}{alike}."
    if verdict.void:
        return "undecided: the data failed a test after which they say nothing of the material."
    return f"undecided. {_likeliest(verdict, names)}"


def _group(verdict: Verdict) -> str:
    """Say how many materials there are, of which class or classes."""
    count = f"one of {len(verdict.materials)} materials"
    if verdict.material_class:
        return f"{verdict.material_class}, {count}"
    classes = [one.material_class for one in verdict.candidates if one.material in verdict.materials]
    return f"{count}, {listed(list(dict.fromkeys(classes)))}, that"


def _none(references: int) -> str:
    if references == 1:
        return "not the one reference material there is"
    return f"none of the {references} reference materials"


def rest_sentence(rest: Sequence[Candidate]) -> str:
    """Return how probable the candidates together are that are not shown."""
    together = percent(sum(candidate.probability for candidate in rest))
    return f"The other one: {together}." if len(rest) == 1 else f"The other {len(rest)} together: {together}."


def _likeliest(verdict: Verdict, names: Mapping[str, str]) -> str:
    best = verdict.candidates[0]
    return (
        f"Likeliest is {names.get(best.material, best.material)} ({best.material}) at "
        f"{percent(best.probability)}; none of the references is at {percent(verdict.unlisted_probability)}."
    )


def unlisted_sentence(verdict: Verdict) -> str:
    """Return how probable none of the references is, and what that means."""
    return f"None of these: {percent(verdict.unlisted_probability)}. {UNLISTED_MEANS}"


def measured_sentence(measured: InitialPermeability) -> str:
    """Return the measured permeability with its standard uncertainty and its conditions."""
    conditions = [f"at {quantity(measured.frequency_hz, 'Hz')}"]
    if measured.flux_density_t is not None:
        conditions.append(f"{quantity(measured.flux_density_t, 'T')} peak")
    if measured.temperature_c is not None:
        conditions.append(f"{measured.temperature_c:g} °C")
    if not measured.determined:
        return (
            f"Measured μ′ {', '.join(conditions)}: not determined, since its standard uncertainty is no "
            "smaller than the value."
        )
    value = with_uncertainty(measured.value, measured.standard_uncertainty)
    return f"Measured μ′ = {value} (standard uncertainty) {', '.join(conditions)}."


def kind_of_core(verdict: Verdict) -> list[str]:
    """Return the range of the core's own permeability and its use, as far as they are known."""
    told = [verdict.material_class] if verdict.material_class else []
    found = verdict.permeability_range
    if found is None:
        told.append("μi not determined")
    else:
        low, high = (plain(end) for end in (found.low, found.high))
        told.append(f"μi {low} to {high} ({percent(found.probability)})")
    if verdict.use is not None:
        told.append(f"{verdict.use.name} type ({percent(verdict.use.probability)})")
    return [f"This core: {', '.join(told)}."] if told else []


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


def evidence_sentence(shift: EvidenceShift) -> str:
    """Say which classes and materials a piece of evidence raised and lowered, the largest moves first."""
    told = _moves(shift.before, shift.after) + _moves(shift.materials_before, shift.materials_after)
    if not told:
        return f"{shift.name}: changed no class or material by more than {100 * _MOVED:g} %."
    return f"{shift.name}: {', '.join(told)}."


def _moves(before: Mapping[str, float], after: Mapping[str, float]) -> list[str]:
    moves = {name: after.get(name, 0.0) - old for name, old in before.items()}
    moved = sorted((name for name in moves if abs(moves[name]) >= _MOVED), key=lambda name: -abs(moves[name]))
    return [f"{name} from {percent(before[name])} to {percent(after[name])}" for name in moved[:_TOLD]]
