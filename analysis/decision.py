"""From probabilities to a statement: material, group, unlisted, class or undecided."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from whichcore.analysis.types import FloatArray
from whichcore.analysis.verdict import VerdictKind

#: Probability from which a material, a group or a class is named, and from which "none of these" is said.
SURE, UNLISTED_SURE = 0.8, 0.5
#: A class answer names the materials of the class that hold at least this probability.
CLASS_SHARE = 0.02
_NO_CLASS = "other"


@dataclass(frozen=True, slots=True)
class Decision:
    """What is said.

    Attributes
    ----------
    kind : VerdictKind
    members : tuple of int
        Indices of the materials named.
    probability : float
        Of the statement; for an undecided case that of the most probable single answer.
    material_class : str or None
        None where no class is sure, as in a group of several.
    """

    kind: VerdictKind
    members: tuple[int, ...]
    probability: float
    material_class: str | None


def decide(
    listed: FloatArray,
    unlisted_by_class: Mapping[str, float],
    classes: Sequence[str],
    equivalents: Iterable[int],
    silent: NDArray[np.bool_],
) -> Decision:
    """Apply the rule: material, else group, else unlisted, else class, listed or not, else undecided.

    Parameters
    ----------
    listed : float array (M,)
        Probability of each material.
    unlisted_by_class : mapping of str to float
        Probability of a material of each class that is not listed; "other" stands for no known class.
    classes : sequence of str (M)
    equivalents : iterable of int
        Materials the data cannot tell from the most probable one, itself first, by falling probability.
    silent : bool array (M,)
        Materials of which the data say nothing; their prior speaks for no class.

    Returns
    -------
    Decision
    """
    first, unlisted = int(listed.argmax()), float(sum(unlisted_by_class.values()))
    if listed[first] >= SURE:
        return Decision(VerdictKind.MATERIAL, (first,), float(listed[first]), classes[first])
    name, of_class = _likeliest_class(np.where(silent, 0.0, listed), unlisted_by_class, classes)
    group = _smallest_sure(listed, equivalents)
    if group:
        total = float(listed[list(group)].sum())
        return Decision(VerdictKind.GROUP, group, total, name if of_class >= SURE else None)
    if unlisted >= UNLISTED_SURE:
        return Decision(VerdictKind.UNLISTED, (), unlisted, _unlisted_class(unlisted_by_class, unlisted))
    if of_class >= SURE:
        order = np.argsort(-listed, kind="stable")
        members = tuple(
            int(i) for i in order if classes[i] == name and listed[i] >= CLASS_SHARE and not silent[i]
        )
        return Decision(VerdictKind.CLASS, members, of_class, name)
    return Decision(VerdictKind.UNDECIDED, (), max(float(listed[first]), unlisted), None)


def _unlisted_class(by_class: Mapping[str, float], total: float) -> str | None:
    """Return the class of an unlisted material, where one class is sure."""
    name = max(by_class, key=by_class.__getitem__)
    return name if name != _NO_CLASS and by_class[name] >= SURE * total else None


def class_sums(listed: FloatArray, classes: Sequence[str]) -> dict[str, float]:
    """Probability of each class."""
    sums: dict[str, float] = {}
    for name, probability in zip(classes, listed, strict=True):
        sums[name] = sums.get(name, 0.0) + float(probability)
    return sums


def _likeliest_class(
    speaking: FloatArray, unlisted_by_class: Mapping[str, float], classes: Sequence[str]
) -> tuple[str, float]:
    """Return the class that leads among the listed materials, and its probability, listed or not."""
    sums = class_sums(speaking, classes)
    name = max(sums, key=sums.__getitem__)
    return name, sums[name] + unlisted_by_class.get(name, 0.0)


def _smallest_sure(listed: FloatArray, equivalents: Iterable[int]) -> tuple[int, ...]:
    group: list[int] = []
    total = 0.0
    for index in equivalents:
        group.append(index)
        total += float(listed[index])
        if total >= SURE:
            return tuple(group)
    return ()
