"""Two references of one grade joined into one.

Both curves are brought to their common level and averaged, in ln|μ| and in the loss angle, where both speak;
beyond, the one that goes on is carried on from where the mean ends. The spread of the joint reference is by
the law of total variance that of each about itself and that of the two about their mean.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from scipy.interpolate import PchipInterpolator

from whichcore.analysis.materials import Material
from whichcore.analysis.observation import CROSS_SHARE, FULL_ACTIVITY, log_reluctivity
from whichcore.analysis.section_fit import corrected_permeability, feels_section
from whichcore.analysis.types import FloatArray
from whichcore.errors import InputError

#: Standard deviations by which levels, or curves, of two references of one grade may lie apart. Practice.
AGREE_WITHIN = 2.0
#: Properties of two references that differ by less count as equal. Practice.
SAME_PROPERTY = 0.10
_PROPERTIES = (
    "resistivity_ohm_m",
    "relative_permittivity",
    "density_kg_m3",
    "curie_temperature_c",
    "temperature_c",
    "flux_density_t",
)


@dataclass(frozen=True, slots=True)
class Merged:
    """The joint reference, how far the two lay apart, and what was decided.

    Attributes
    ----------
    material : Material
    level_ratio : float
        Second level over the first.
    curve_difference : float
        Rms of the relative difference of the curves in the dispersion, levels aligned; zero where the
        common band shows none.
    common_hz : (float, float)
    notes : tuple of str
    """

    material: Material
    level_ratio: float
    curve_difference: float
    common_hz: tuple[float, float]
    notes: tuple[str, ...]


def merged(first: Material, second: Material) -> Merged:
    """Join two references of one grade; id, name, source and licence are those of the first.

    Raises
    ------
    InputError
        One reference given twice, two classes, no common band, or levels or curves that contradict.
    """
    _check(first, second)
    notes: list[str] = []
    second_there = replace(second, permeability=_on_section_of(first, second, notes))
    common = _common_span(first, second)
    x = _grid(first, second)
    rows = [_Rows.of(material) for material in (first, second_there)]
    inside = (x >= np.log(common[0])) & (x <= np.log(common[1]))
    level = _level_difference(first, second)
    mean, difference = _mean(rows, x[inside], [material.curve_deviation for material in (first, second)])
    _check_curves(difference, first, second)
    whole = _carried_on(rows, x, inside, mean)
    sigma = np.hypot(np.sqrt((first.tolerance**2 + second.tolerance**2) / 2) / 2, level / 2)
    deviation = np.hypot(np.sqrt((first.curve_deviation**2 + second.curve_deviation**2) / 2), difference / 2)
    joint = np.sqrt(first.initial_permeability * second.initial_permeability)
    properties: dict[str, Any] = {name: _property(name, first, second, notes) for name in _PROPERTIES}
    material = replace(
        first,
        initial_permeability=float(joint),
        tolerance=float(2 * sigma),
        curve_deviation=float(deviation),
        frequency_hz=np.exp(x),
        permeability=np.exp(-(whole[0] + 1j * whole[1])),
        section_m=_section(first, second, notes),
        swept=first.swept and second.swept,
        applications=tuple(dict.fromkeys((*first.applications, *second.applications))),
        **properties,
    )
    return Merged(material, float(np.exp(level)), difference, common, tuple(notes))


# --------------------------------------------------------------------------------------- may they join?


def _check(first: Material, second: Material) -> None:
    if first.id == second.id:
        raise InputError("a reference cannot be joined with itself", where="merge", got=first.id)
    if first.material_class is not second.material_class:
        raise InputError(
            "references of two classes are not one grade",
            where="merge",
            got=f"{first.id} is {first.material_class.value}, {second.id} is {second.material_class.value}",
            allowed="one class",
        )
    difference = _level_difference(first, second)
    allowed = AGREE_WITHIN * float(np.hypot(first.tolerance, second.tolerance)) / 2
    if abs(difference) > allowed:
        raise InputError(
            "the levels contradict each other: these are two grades, or one of the curves is wrong",
            where="merge",
            got=f"μi {first.initial_permeability:.4g} and {second.initial_permeability:.4g}, "
            f"{100 * abs(np.expm1(difference)):.0f} % apart",
            allowed=f"{100 * np.expm1(allowed):.0f} % by their tolerances",
            next_step="keep both, or correct the one that is wrong",
        )


def _check_curves(difference: float, first: Material, second: Material) -> None:
    allowed = AGREE_WITHIN * float(np.hypot(first.curve_deviation, second.curve_deviation))
    if difference > allowed:
        raise InputError(
            "the curves contradict each other beside their levels: these are two grades, or one is wrong",
            where="merge",
            got=f"{100 * difference:.0f} % apart in the dispersion",
            allowed=f"{100 * allowed:.0f} % by what cores may deviate from each of them",
            next_step="look at both: whichcore library show ID --figure curve.svg",
        )


def _common_span(first: Material, second: Material) -> tuple[float, float]:
    low = max(float(m.frequency_hz[0]) for m in (first, second))
    high = min(float(m.frequency_hz[-1]) for m in (first, second))
    if low >= high:
        spans = (f"{m.id}: {m.frequency_hz[0]:g} to {m.frequency_hz[-1]:g} Hz" for m in (first, second))
        raise InputError(
            "the curves have no band in common, so nothing shows that they are of one grade",
            where="merge",
            got=", ".join(spans),
            allowed="spans that overlap",
        )
    return low, high


def _level_difference(first: Material, second: Material) -> float:
    return float(np.log(second.initial_permeability / first.initial_permeability))


# ------------------------------------------------------------------------------------------- the curve


@dataclass(frozen=True, slots=True)
class _Rows:
    """One curve as −ln|μ| and loss angle over ln f."""

    x: FloatArray
    size: FloatArray
    angle: FloatArray

    @classmethod
    def of(cls, material: Material) -> _Rows:
        rows = log_reluctivity(material.permeability)
        return cls(np.log(material.frequency_hz), rows.real, rows.imag)

    def at(self, x: FloatArray) -> FloatArray:
        """Return (2, F); within the span alone."""
        if self.x.size == 1:
            return np.array([[self.size[0]], [self.angle[0]]]) * np.ones(x.size)
        parts = PchipInterpolator(self.x, np.stack([self.size, self.angle], axis=1))
        return np.asarray(parts(np.clip(x, self.x[0], self.x[-1])).T)


def _grid(first: Material, second: Material) -> FloatArray:
    """Frequencies of both, neighbours closer than a hundredth in ln f only once, as ln f."""
    x = np.unique(np.log(np.concatenate([first.frequency_hz, second.frequency_hz])))
    kept = [float(x[0])]
    for value in x[1:-1]:
        if value - kept[-1] >= 0.01 and x[-1] - value >= 0.01:
            kept.append(float(value))
    ends = [np.log(m.frequency_hz[end]) for m in (first, second) for end in (0, -1)]
    return np.unique([*kept, *ends])


def _mean(rows: list[_Rows], x: FloatArray, deviations: list[float]) -> tuple[FloatArray, float]:
    """Mean (2, F) over the common span and rms difference.

    The levels at the lower end are brought to their mean; the shapes are weighed by how closely cores follow
    each.
    """
    one, other = (row.at(x) for row in rows)
    half = (other[0, 0] - one[0, 0]) / 2
    one[0] += half
    other[0] -= half
    weight = 1 / np.square(deviations)
    mean = np.average([one, other], axis=0, weights=weight)
    slope = np.gradient(mean[0], x) if x.size > 1 else np.zeros_like(x)
    active = np.clip((slope**2 + mean[1] ** 2) / FULL_ACTIVITY**2, 0, 1) > 0.5
    if not active.any():
        return mean, 0.0
    relative = np.stack([other[0] - one[0], (other[1] - one[1]) / np.hypot(mean[1], CROSS_SHARE)])
    return mean, float(np.sqrt(np.mean(relative[:, active] ** 2)))


def _carried_on(rows: list[_Rows], x: FloatArray, inside: np.ndarray, mean: FloatArray) -> FloatArray:
    """Return the whole curve (2, F).

    Beyond the common span the curve that goes on is shifted in ln|μ| and stretched in the loss angle so that
    it meets the mean.
    """
    out = np.empty((2, x.size))
    out[:, inside] = mean
    at = np.flatnonzero(inside)
    for edge, outside in ((at[0], np.arange(at[0])), (at[-1], np.arange(at[-1] + 1, x.size))):
        if not outside.size:
            continue
        goes_on = next(row for row in rows if row.x[0] <= x[outside].min() and row.x[-1] >= x[outside].max())
        start, end = goes_on.at(x[edge : edge + 1])[:, 0], out[:, edge]
        values = goes_on.at(x[outside])
        stretch = end[1] / start[1] if start[1] > 0 and end[1] > 0 else 1.0
        out[:, outside] = [values[0] + end[0] - start[0], values[1] * stretch]
    return out


# --------------------------------------------------------------------------------------- what they share


def _same_section(first: Material, second: Material) -> bool:
    if first.section_m is None or second.section_m is None:
        return False
    one, other = np.sort(first.section_m), np.sort(second.section_m)
    return bool(np.all(np.abs(np.log(one / other)) <= SAME_PROPERTY))


def _on_section_of(first: Material, second: Material, notes: list[str]) -> np.ndarray:
    """Return the second curve as the section of the first would show it."""
    if not feels_section(first) or first.section_m is None or second.section_m is None:
        return second.permeability
    if not _same_section(first, second):
        notes.append(f"the curve of {second.id} was brought to the section of {first.id}")
    return corrected_permeability(second, first.section_m)


def _section(first: Material, second: Material, notes: list[str]) -> tuple[float, float] | None:
    if first.section_m is not None and second.section_m is not None:
        return first.section_m if feels_section(first) or _same_section(first, second) else None
    if feels_section(first) and (first.section_m or second.section_m):
        notes.append("only one of the two states its section, so the joint reference states none")
    return None


def _property(name: str, first: Material, second: Material, notes: list[str]) -> float | None:
    """Return what both state, or the one that does; where they differ the first, and a note."""
    one, other = getattr(first, name), getattr(second, name)
    if one is None or other is None:
        value: float | None = other if one is None else one
        return value
    if abs(one - other) > SAME_PROPERTY * max(abs(one), abs(other)):
        plain = name.rsplit("_", 1)[0] if name != "relative_permittivity" else name
        plain = plain.removesuffix("_kg").removesuffix("_ohm").replace("_", " ")
        notes.append(f"{plain}: {one:g} and {other:g}; that of {first.id} is kept")
    return float(one)
