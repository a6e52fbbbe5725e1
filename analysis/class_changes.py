"""How the permeability of a class changes with warmth and with rest, to foresee what a change would tell."""

from __future__ import annotations

import csv
from functools import cache
from importlib import resources

from whichcore.analysis.materials import MaterialClass


@cache
def _table() -> dict[tuple[MaterialClass, str], tuple[float, float]]:
    text = (resources.files("whichcore.analysis") / "class_changes.csv").read_text("utf-8")
    return {
        (MaterialClass(row["class"]), row["quantity"]): (float(row["typical"]), float(row["spread"]))
        for row in csv.DictReader(text.splitlines())
    }


def class_change(material_class: MaterialClass, quantity: str) -> tuple[float, float]:
    """Return a relative change of μi and its spread over the grades of a class.

    Parameters
    ----------
    material_class : MaterialClass
    quantity : str
        ``warming_20k``, from 25 to 45 °C, or ``decay_per_decade`` of time at rest.
    """
    return _table()[material_class, quantity]
