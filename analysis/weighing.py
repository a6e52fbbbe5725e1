"""Evidence beside the curve joined with what the curves say, and what each piece did to the ranking."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.special import logsumexp

from whichcore.analysis.decision import class_sums
from whichcore.analysis.evidence import ClassEvidence
from whichcore.analysis.materials import Material, MaterialClass
from whichcore.analysis.own_parts import SizeOfPart
from whichcore.analysis.types import FloatArray
from whichcore.analysis.verdict import EvidenceShift

#: A piece of evidence this many times as likely for another class or material is a contradiction. Practice.
CONTRADICTION = 10.0
#: A material or class the curves alone hold for this probable, and the rest brings below the other, was
#: overruled. Practice.
SURE_ALONE, OVERRULED = 0.8, 0.2
#: Probability by which a piece of evidence raises a material that it is said to speak of.
_RAISED = 0.01
#: Materials whose change is handed out with each piece of evidence.
_MATERIALS = 5


@dataclass(frozen=True, slots=True)
class Weighed:
    """Everything joined.

    Attributes
    ----------
    probability : float array (M + K,)
        Of each material, then of an unlisted one of each class.
    shifts : tuple of EvidenceShift
        In the order of the evidence.
    contradictions : tuple of str
        With the notes of each piece.
    """

    probability: FloatArray
    shifts: tuple[EvidenceShift, ...]
    contradictions: tuple[str, ...]


def weigh(
    log_curves: FloatArray,
    materials: Sequence[Material],
    open_classes: Sequence[MaterialClass],
    evidence: Sequence[ClassEvidence],
) -> Weighed:
    """Join the evidence of the curves with each other piece.

    Parameters
    ----------
    log_curves : float array (M + K,)
        Log of prior and likelihood by the curves, of each material and of an unlisted one of each class.
    materials : sequence of Material (M)
    open_classes : sequence of MaterialClass (K)
    evidence : sequence of ClassEvidence
        Independent of each other and of the curves.

    Returns
    -------
    Weighed
    """
    logs = log_curves.copy()
    names = [material.id for material in materials]
    classes = [material.material_class.value for material in materials] + [c.value for c in open_classes]
    probability = alone = _normalised(logs)
    shifts = []
    for item in evidence:
        before = probability
        logs += [item.log_likelihood(m) for m in materials] + [
            item.class_log_likelihood(name) for name in open_classes
        ]
        probability = _normalised(logs)
        shifts.append(_shift(item, (before, probability), classes, names))
    first = int(probability[: len(names)].argmax())
    named = materials[first] if probability[first] > 0.5 else None
    notes = [note for item in evidence for note in (*item.notes, _contradiction(item, named, materials))]
    notes.append(_overruled(alone, probability, materials, [item.name for item in evidence]))
    return Weighed(probability, tuple(shifts), tuple(filter(None, notes)))


def _name(item: ClassEvidence, materials: Sequence[str]) -> str:
    """Return what a piece of evidence is, where it speaks of these materials."""
    return item.name_for(materials) if isinstance(item, SizeOfPart) else item.name


def _normalised(logs: FloatArray) -> FloatArray:
    return np.asarray(np.exp(logs - logsumexp(logs)))


def _shift(
    item: ClassEvidence,
    change: tuple[FloatArray, FloatArray],
    classes: Sequence[str],
    names: Sequence[str],
) -> EvidenceShift:
    before, after = change
    moved = np.argsort(-np.abs(after - before)[: len(names)], kind="stable")[:_MATERIALS]
    raised = [names[i] for i in moved if after[i] - before[i] >= _RAISED]
    return EvidenceShift(
        _name(item, raised),
        class_sums(before, classes),
        class_sums(after, classes),
        {names[i]: float(before[i]) for i in moved},
        {names[i]: float(after[i]) for i in moved},
    )


def _contradiction(item: ClassEvidence, first: Material | None, materials: Sequence[Material]) -> str:
    """Say so where a piece of evidence fits no material, or speaks against the one that is named."""
    if not item.plausible:
        return f"the {item.name} fits no class of material: check the number, its unit and the dimensions"
    if first is None:
        return ""
    best = max(MaterialClass, key=item.class_log_likelihood)
    likely, against, rival = item.class_log_likelihood(best), first.material_class.value, best.value
    listed = max(materials, key=item.log_likelihood)
    if item.log_likelihood(listed) > likely + np.log(2):
        likely, against, rival = item.log_likelihood(listed), first.name, listed.name
    factor = float(np.exp(min(likely - item.log_likelihood(first), 20.0)))
    if factor < CONTRADICTION:
        return ""
    return (
        f"the {item.name} speaks against {against} (it is {factor:.2g} times as likely for {rival}): check it"
    )


def _overruled(
    alone: FloatArray, probability: FloatArray, materials: Sequence[Material], names: Sequence[str]
) -> str:
    """Say so where the curves were sure of a material that the other evidence took away."""
    first = int(alone[: len(materials)].argmax())
    if alone[first] < SURE_ALONE or probability[first] > OVERRULED:
        return ""
    return (
        f"the curve alone speaks for {materials[first].name} (probability {alone[first]:.2f}), which "
        f"{' and '.join(names)} overruled: one of them is wrong"
    )
