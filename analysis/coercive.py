"""Coercive fields of the classes: what a drive must pass to take a core's remanence away."""

from __future__ import annotations

import csv
from functools import cache
from importlib import resources

from whichcore.analysis.materials import MaterialClass
from whichcore.errors import InputError

#: A decaying drive neutralises from so many coercive fields on. Practice (design of the bench; memory).
NEUTRALISING = 5.0


@cache
def coercive_fields() -> dict[MaterialClass, tuple[float, float]]:
    """Return lowest and highest coercive field of each class that has an own range, A/m."""
    text = (resources.files("whichcore.analysis") / "coercive_field.csv").read_text("utf-8")
    return {
        MaterialClass(row["class"]): (float(row["low_a_per_m"]), float(row["high_a_per_m"]))
        for row in csv.DictReader(text.splitlines())
    }


def highest_coercive_field(material_class: str) -> float:
    """Return the highest coercive field of a class, A/m: a drive for it does for every core of the class.

    Raises
    ------
    InputError
        No such class, or one whose coercive field is not known.
    """
    for known, (_, high) in coercive_fields().items():
        if known.value == material_class:
            return high
    raise InputError(
        "the coercive field of this class is not known",
        where="coercive field",
        got=material_class,
        allowed=f"a field such as 15 A/m, or {', '.join(known.value for known in coercive_fields())}",
    )
