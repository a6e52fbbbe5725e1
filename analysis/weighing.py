"""Evidence beside the curve joined with what the curves say, and what each piece did to the ranking."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass

import numpy as np
from scipy.special import logsumexp

from whichcore.analysis.class_evidence import ClassEvidence
from whichcore.analysis.decision import SURE, class_sums
from whichcore.analysis.materials import Material, MaterialClass
from whichcore.analysis.types import FloatArray
from whichcore.analysis.verdict import EvidenceShift
from whichcore.wording import plain

#: A piece of evidence this many times as likely for another class or material is a contradiction. Practice.
CONTRADICTION = 10.0
#: Of that ratio what is left over all that was possible without the piece. One that chooses among what was
#: open is half expected, and contradicts nothing; one that speaks so strongly against what holds over a half
#: after it has always at least this left. Analytic.
SURPRISE = CONTRADICTION / 2
#: Probability from which a material, or a class, leads.
_LEADS = 0.5
#: A material or class the curves alone hold for this probable, and the rest brings below the other, was
#: overruled. Practice.
SURE_ALONE, OVERRULED = 0.8, 0.2
#: Probability by which a piece of evidence raises a material that it is said to speak of.
_RAISED = 0.01
#: Materials whose change is handed out with each piece of evidence.
_MATERIALS = 5


#: Of materials by falling probability those that cannot be told from the first.
Alike = Callable[[Sequence[int]], Iterable[int]]


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
    alike: Alike | None = None,
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
    alike : callable, optional
        Gives, of materials by falling probability, those the curves cannot tell from the first, itself
        first; without it no group leads.

    Returns
    -------
    Weighed
    """
    names = [material.id for material in materials]
    every = _Every(materials, open_classes, alike)
    spoken = [every.log_likelihood(item) for item in evidence]
    logs = log_curves.copy()
    probability = alone = _normalised(logs)
    shifts = []
    for item, own in zip(evidence, spoken, strict=True):
        before = probability
        logs += own
        probability = _normalised(logs)
        shifts.append(_shift(item, (before, probability), every.classes, names))
    against = [
        _contradiction(item, own, _normalised(logs - own), every)
        for item, own in zip(evidence, spoken, strict=True)
    ]
    notes = [note for item, said in zip(evidence, against, strict=True) for note in (*item.notes, said)]
    if not (len(evidence) == 1 and against[0]):
        notes.append(_overruled(alone, probability, materials, [shift.name for shift in shifts]))
    return Weighed(probability, tuple(shifts), tuple(filter(None, notes)))


@dataclass(frozen=True, slots=True)
class _Every:
    """All that a core may be: M materials, and an unlisted one of each of K classes."""

    materials: Sequence[Material]
    open_classes: Sequence[MaterialClass]
    alike: Alike | None

    @property
    def classes(self) -> list[str]:
        return [m.material_class.value for m in self.materials] + [c.value for c in self.open_classes]

    def log_likelihood(self, item: ClassEvidence) -> FloatArray:
        """Return the log-likelihood (M + K,) of a piece of evidence."""
        listed = [item.log_likelihood(material) for material in self.materials]
        return np.array(listed + [item.class_log_likelihood(name) for name in self.open_classes])

    def leading(self, probability: FloatArray) -> _Lead | None:
        """Return what leads: a material above one half, else a group, else a class above one half."""
        count = len(self.materials)
        order = [int(i) for i in np.argsort(-probability[:count], kind="stable")]
        first = self.materials[order[0]]
        if probability[order[0]] > _LEADS:
            return _Lead((order[0],), first.material_class.value, first.name)
        group = self._group(probability, order)
        if group:
            classes = {self.classes[i] for i in group}
            told = f"the {len(group)} materials these data cannot tell from {first.name}"
            return _Lead(group, classes.pop() if len(classes) == 1 else told, told)
        sums = class_sums(probability, self.classes)
        best = max(sums, key=sums.__getitem__)
        if sums[best] <= _LEADS:
            return None
        return _Lead(tuple(i for i, name in enumerate(self.classes) if name == best), best, best)

    def _group(self, probability: FloatArray, order: Sequence[int]) -> tuple[int, ...]:
        group: list[int] = []
        for index in self.alike(order) if self.alike else ():
            group.append(index)
            if probability[group].sum() >= SURE:
                return tuple(group)
        return ()


@dataclass(frozen=True, slots=True)
class _Lead:
    """What leads without a piece of evidence, and what it is called beside a class or beside a material."""

    members: tuple[int, ...]
    as_class: str
    as_material: str


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
        item.name_for(raised),
        class_sums(before, classes),
        class_sums(after, classes),
        {names[i]: float(before[i]) for i in moved},
        {names[i]: float(after[i]) for i in moved},
    )


def _contradiction(item: ClassEvidence, own: FloatArray, without: FloatArray, every: _Every) -> str:
    """Say so where a piece of evidence fits no material, or speaks against what leads without it."""
    if not item.plausible:
        return f"the {item.name} fits no class of material: check the number, its unit and the dimensions"
    lead = every.leading(without)
    if lead is None or not item.checkable:
        return ""
    best = max(MaterialClass, key=item.class_log_likelihood)
    likely, against, rival = item.class_log_likelihood(best), lead.as_class, best.value
    listed = max(every.materials, key=item.log_likelihood)
    if item.log_likelihood(listed) > likely + np.log(2):
        likely, against, rival = item.log_likelihood(listed), lead.as_material, listed.name
    ratio = likely - _mean(own, without, lead.members)
    if ratio < np.log(CONTRADICTION) or likely - _mean(own, without, range(own.size)) < np.log(SURPRISE):
        return ""
    return f"the {item.name} speaks against {against} (it is {_times(ratio)} as likely for {rival}): check it"


def _times(log_ratio: float) -> str:
    """Return how many times, two digits of it, as a person says it."""
    factor = float(np.exp(min(log_ratio, 20.0)))
    return "over 1000 times" if factor > 1000 else f"{plain(factor, 2)} times"


def _mean(log_likelihood: FloatArray, probability: FloatArray, members: Sequence[int]) -> float:
    """Return the log of the mean likelihood over some members, weighed by their probability."""
    chosen = list(members)
    weight = probability[chosen] / probability[chosen].sum()
    return float(logsumexp(log_likelihood[chosen], b=weight))


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
