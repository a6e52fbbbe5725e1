"""What would tell the members of a group of equivalents apart: a wider band, less noise, another property."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import combinations

import numpy as np

from whichcore.analysis.class_properties import ClassProperties, class_properties
from whichcore.analysis.forecast import Forecast, sharper, wider
from whichcore.analysis.materials import Library, Material
from whichcore.analysis.separability import SEPARABLE_CHI2
from whichcore.analysis.separable import Separation, separation_of
from whichcore.analysis.types import FloatArray
from whichcore.wording import hertz

#: How far beyond its top, and below its bottom, a band is widened to see whether that would help.
UPWARDS, DOWNWARDS = 10.0, 10.0
_PER_DECADE = 10
#: Standard deviations between two classes from which a property tells them apart. Practice.
_APART = 2.0


@dataclass(frozen=True, slots=True)
class Remedy:
    """One group of equivalents and what would tell its members apart, in plain words; empty if nothing."""

    group: tuple[int, ...]
    told: tuple[str, ...]


def remedies_of(found: Separation, frequency_hz: FloatArray, forecast: Forecast) -> tuple[Remedy, ...]:
    """Look for what would split each group of two or more.

    Parameters
    ----------
    found : Separation
    frequency_hz : float array (P,)
        Points it was forecast for.
    forecast : Forecast
    """
    groups = [group for group in found.groups() if len(group) > 1 and found.points[list(group)].all()]
    members = sorted({i for group in groups for i in group})
    if not members:
        return ()
    library = Library(tuple(found.materials[i] for i in members))
    place = {member: k for k, member in enumerate(members)}
    low, high = float(frequency_hz[0]), float(frequency_hz[-1])
    tried = {
        f"a band up to {hertz(high * UPWARDS)}": (_band(low, high * UPWARDS), wider(forecast)),
        f"a band down to {hertz(low / DOWNWARDS)}": (_band(low / DOWNWARDS, high), wider(forecast)),
        "less noise": (frequency_hz, sharper(forecast)),
    }
    results = {name: separation_of(library, *setting) for name, setting in tried.items()}
    return tuple(
        Remedy(
            group, (*_by_measuring(group, place, results), *_by_class([found.materials[i] for i in group]))
        )
        for group in groups
    )


def _band(low: float, high: float) -> FloatArray:
    return np.geomspace(low, high, max(3, round(_PER_DECADE * np.log10(high / low)) + 1))


def _by_measuring(group: Sequence[int], place: dict[int, int], results: dict[str, Separation]) -> list[str]:
    told = []
    pairs = len(list(combinations(group, 2)))
    for name, result in results.items():
        inside = [place[i] for i in group]
        distance = result.squared_distance
        apart = sum(distance[a, b] >= SEPARABLE_CHI2 for a, b in combinations(inside, 2))
        if apart:
            told.append(name if apart == pairs else f"{name} ({apart} of {pairs} pairs)")
    return told


def _by_class(members: Sequence[Material]) -> list[str]:
    """Name the properties that tell classes of a group apart."""
    classes = list(dict.fromkeys(material.material_class for material in members))
    told = []
    for name, of in (("resistance between two probe tips", _probe), ("mass and volume", _density)):
        pairs = [
            f"{a.value} from {b.value}"
            for a, b in combinations(classes, 2)
            if _apart(of(class_properties(a)), of(class_properties(b)))
        ]
        if pairs:
            told.append(f"{name} ({', '.join(pairs)})")
    return told


def _probe(p: ClassProperties) -> tuple[float, float]:
    return p.probe_log10_ohm, p.probe_log10_sd


def _density(p: ClassProperties) -> tuple[float, float]:
    return p.density_kg_m3, p.density_sd_kg_m3


def _apart(one: tuple[float, float], other: tuple[float, float]) -> bool:
    return abs(one[0] - other[0]) > _APART * float(np.hypot(one[1], other[1]))
