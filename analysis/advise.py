"""What to measure next: what each thing still possible would tell, what it costs, and the best in a sentence.

Sweeps and readings are foreseen by `foresight`, evidence on the class by the very laws that judge it. What
casts doubt on the data at hand comes first whatever it gains; then the most information per minute. Before
all stands what mends a fault that the tests of the data found: what else would be gained is reckoned from
data that are wrong.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace

import numpy as np

from whichcore.analysis.class_gain import class_gains
from whichcore.analysis.foresight import Foresight, Knowledge
from whichcore.analysis.information import entropy_bits, information_of_mixture, information_of_table
from whichcore.analysis.other_section import rests_on_other_section, section_kin_probability
from whichcore.analysis.planned import costs, has_shape, plans
from whichcore.analysis.specimen import Specimen
from whichcore.analysis.trial.finding import Fault, Finding
from whichcore.analysis.types import FloatArray
from whichcore.analysis.verdict import NextStep, Verdict, VerdictKind
from whichcore.wording import hertz

#: From this probability on a branch deserves a measurement of its own. Practice.
NOTEWORTHY = 0.2
#: What gives less, in bits, does not pay: it rules out less than a tenth of the candidates. Practice.
PAYS_BITS = 0.15
#: From this probability of references that are silent in the band on, other frequencies come first. Practice.
SILENT_SHARE = 0.3
#: A level or a drift that moves the curve by less is counted as an error, and nothing waits for it: cores of
#: one grade differ by more. Practice.
SMALL_ERROR = 0.015
#: What mends each fault of the data, the surest cause first: some faults bring the later ones along.
MENDED_BY = {
    Fault.SWAPPED: "exchange-columns",
    Fault.SCALE: "check-units",
    Fault.BELOW_AIR: "check-polarity",
    Fault.COPPER: "four-wire-resistance",
    Fault.SELF_RESONANCE: "top-with-fewer-turns",
    Fault.NEGATIVE_LOSS: "calibrate-again",
    Fault.RANGE_STEP: "calibrate-again",
    Fault.DRIFT: "rest-and-repeat",
    Fault.LEVEL: "lower-level",
    Fault.CAUSALITY: "repeat-sweep",
    Fault.LEAKAGE: "empty-winding",
}


def next_steps(verdict: Verdict, specimen: Specimen, knowledge: Knowledge) -> tuple[NextStep, ...]:
    """Return what may still be done, the best first.

    Parameters
    ----------
    verdict : Verdict
        Complete but for its advice.
    specimen : Specimen
    knowledge : Knowledge
        What the verdict was drawn from.

    Returns
    -------
    tuple of NextStep
        What mends the data first, then what casts doubt on them; then all steps that pay, by information per
        minute; then those that do not pay; last what would take a known bias away. Empty when the answer is
        so sure that nothing can pay; nothing but what mends the data where these say nothing.
    """
    doubts = [*_remedies(verdict.trial), *_doubts(verdict, specimen, knowledge)]
    last = [step for step in _remedies(verdict.trial, minor=True) if step not in doubts]
    if verdict.void:
        return (*_remedies(verdict.trial), *last)
    sure = float(entropy_bits(knowledge.probability)) < PAYS_BITS
    if sure and has_shape(knowledge.observation):
        return (*doubts, *last)
    measured = verdict.initial_permeability.value
    steps = [*_curve_steps(specimen, knowledge)]
    steps += [_step(action, gain) for action, gain in class_gains(specimen, knowledge, measured)]
    steps += _section_steps(verdict, knowledge)
    doubts += _silent_first(verdict, steps, knowledge)
    steps.sort(key=lambda step: (step.gain_bits < PAYS_BITS, -step.gain_bits / step.minutes))
    return (*doubts, *steps, *last)


def next_measurement(verdict: Verdict, steps: tuple[NextStep, ...]) -> str:
    """Return the first of the steps with its cost and its gain in words, or that nothing pays.

    Parameters
    ----------
    verdict : Verdict
    steps : tuple of NextStep
        As `next_steps` gives them.
    """
    doubtful = {"count-turns", "look-for-crack", "sweep-further"}
    mending = next(iter(_remedies(verdict.trial)), None)
    if mending is not None:
        return _until_then(mending)
    if steps and (steps[0].action in doubtful or steps[0].gain_bits >= PAYS_BITS):
        first = steps[0]
        probability = [c.probability for c in verdict.candidates] + [verdict.unlisted_probability]
        return f"{first.sentence}; it takes {_minutes(first.minutes)} and {_gain(first, probability)}."
    for step in steps:
        if step.action == "sweep":
            return f"{step.sentence}; it takes {_minutes(step.minutes)}, and so far all rests on the level."
    for step in _remedies(verdict.trial, minor=True):
        return f"{step.sentence}; it takes {_minutes(step.minutes)} and clears up a doubt about these data."
    return _nothing_pays(verdict, steps)


def cleared_first(verdict: Verdict, contradictions: Sequence[str]) -> Verdict:
    """Return a verdict that asks first to clear what was stated twice and differs.

    Parameters
    ----------
    verdict : Verdict
        Complete, its advice included.
    contradictions : sequence of str
        The actions that clear them, each once: check-files, or check-measurements and check-gap. What mends a
        fault of the data itself stays before all but the first of these.
    """
    if not contradictions:
        return verdict
    clearing, mending = [_step(action, 0.0) for action in contradictions], [*_remedies(verdict.trial)]
    others = [step for step in verdict.next_steps if step not in mending]
    first = [*clearing, *mending] if contradictions[0] == "check-files" else [*mending, *clearing]
    return replace(verdict, next_steps=(*first, *others), next_measurement=_until_then(first[0]))


def _until_then(step: NextStep) -> str:
    return (
        f"{step.sentence}; it takes {_minutes(step.minutes)}, and until then all the rest stands on data in "
        "doubt."
    )


def _minutes(minutes: float) -> str:
    if minutes >= 90:
        return f"about {minutes / 60:.1g} hours"
    return "about a minute" if minutes == 1 else f"about {minutes:g} minutes"


def _gain(step: NextStep, probability: list[float]) -> str:
    """Say an information gain in words: bits are halvings of the number of candidates."""
    left = float(entropy_bits(np.array(probability))) - step.gain_bits
    if step.gain_bits < PAYS_BITS:
        return "clears up a doubt about this piece"
    if left < 0.3:
        return "would most likely settle it"
    factor = 2.0**step.gain_bits
    if factor >= 2.5:
        return f"would leave about one candidate in {factor:.0f}"
    if factor >= 1.7:
        return "would about halve the number of candidates"
    return f"would rule out about {100 * (1 - 1 / factor):.0f} % of the candidates"


def _nothing_pays(verdict: Verdict, steps: tuple[NextStep, ...]) -> str:
    if verdict.kind is VerdictKind.UNLISTED:
        return (
            "Sweep a core whose grade you know in the same winding and add it to your library: nothing in "
            "the present library explains this curve."
        )
    if failed := [finding.fault.value for finding in verdict.trial if finding.failed]:
        return (
            f"Nothing that is still possible pays, but the data failed a test ({', '.join(failed)}): see "
            "what its warning asks for."
        )
    if verdict.kind is VerdictKind.MATERIAL:
        return (
            "Nothing more is needed to name it; keep the sweep, so that the next core of the bin has a mate."
        )
    best = max((step.gain_bits for step in steps), default=0.0)
    return (
        "Nothing that is still possible pays: the best of it would rule out about "
        f"{100 * (1 - 2.0**-best):.0f} % of the candidates."
    )


# ------------------------------------------------------------------------------------ doubts about the data


def _step(action: str, gain_bits: float, **places: str) -> NextStep:
    cost = costs()[action]
    return NextStep(action, cost.sentence.format(**places), gain_bits, cost.minutes)


def _remedies(trial: tuple[Finding, ...], *, minor: bool = False) -> Iterator[NextStep]:
    """Yield what mends the faults of the data, each step once; what it gains cannot be told from wrong data.

    Minor are questions that were only asked, flux beside the core, which is a bias of known size, a level or
    a drift that moves the curve by little, and a sweep that may rightly begin above a resonance.
    """
    asked = set()
    for finding in trial:
        if finding.told and _is_minor(finding) == minor:
            asked |= {finding.fault, Fault.COPPER} if finding.copper else {finding.fault}
    actions = [action for fault, action in MENDED_BY.items() if fault in asked]
    yield from (_step(action, 0.0) for action in dict.fromkeys(actions))


def _is_minor(finding: Finding) -> bool:
    if finding.fault is Fault.BELOW_AIR:
        return not finding.sources
    little = finding.size is not None and finding.size < SMALL_ERROR
    return finding.question or finding.fault is Fault.LEAKAGE or little


def _doubts(verdict: Verdict, specimen: Specimen, knowledge: Knowledge) -> Iterator[NextStep]:
    """Yield what must be cleared before the rest: turn count, then crack."""
    listed = knowledge.probability[:-1]
    if verdict.other_turns_probability >= NOTEWORTHY:
        yield _step("count-turns", _told_by(listed, knowledge.evidence.other_turns))
    if verdict.gapped_probability >= NOTEWORTHY and specimen.in_one_piece and specimen.crack is None:
        # what is in no library is taken to be whole: a crack is rarer than such a grade
        cracked = np.append(knowledge.evidence.gapped, 0.0)
        yield _step("look-for-crack", _told_by(knowledge.probability, cracked))


def _told_by(probability: FloatArray, branch: FloatArray) -> float:
    """Information on the material in a yes or no of probability ``branch`` (M,) under each of them, bits."""
    total = float(probability.sum())
    if total <= 0:
        return 0.0
    return total * information_of_table(probability / total, np.stack([branch, 1 - branch]))


def _silent_first(verdict: Verdict, steps: list[NextStep], knowledge: Knowledge) -> Iterator[NextStep]:
    """Yield a wider band where the references that remain speak only outside the one measured."""
    silent = float(knowledge.probability[:-1][knowledge.evidence.silent].sum())
    spectrum = verdict.spectrum
    if spectrum is None or silent < SILENT_SHARE:
        return
    gain = max((s.gain_bits for s in steps if s.action in {"wider-up", "wider-down", "sweep"}), default=0.0)
    bottom, top = hertz(spectrum.frequency_hz[0]), hertz(spectrum.frequency_hz[-1])
    yield _step("sweep-further", gain, bottom=bottom, top=top)


# -------------------------------------------------------------------------------------- sweeps and readings


def _section_steps(verdict: Verdict, knowledge: Knowledge) -> Iterator[NextStep]:
    """Yield a sweep of a known core, where the name rests on a reference taken on another section.

    It tells that grade from one in no library that differs from it in what a section makes of it alone.
    """
    first = rests_on_other_section(knowledge.evidence, knowledge.probability)
    if first is None:
        return
    named = knowledge.probability[first] * knowledge.evidence.on_other_section[first]
    material = knowledge.library.materials[first]
    kin = section_kin_probability(knowledge.evidence, verdict.unlisted_classes, material, first)
    if kin > 0:
        gain = (named + kin) * entropy_bits(np.array([named, kin]) / (named + kin))
        yield _step("own-reference", float(gain), material=material.id)


def _curve_steps(specimen: Specimen, knowledge: Knowledge) -> Iterator[NextStep]:
    turns, observation = specimen.winding.turns, knowledge.observation
    possible = list(plans(specimen, observation))
    foresight = Foresight(knowledge, possible, turns)
    band = observation.frequency_hz
    for plan in possible:
        gain = foresight.held * information_of_mixture(foresight.mixture(plan), costs()[plan.action].trust)
        places = {
            "low": hertz(plan.frequency_hz[0]),
            "high": hertz(plan.frequency_hz[-1]),
            "bottom": hertz(band.min()),
            "top": hertz(band.max()),
            "turns": f"{plan.turns or turns}",
        }
        if plan.turns == 1:
            places["turns"] = "a single one of its"
        yield _step(plan.action, gain, **places)
