"""Several swept cores of one grade become one reference material with its spread."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.stats import chi2, norm

from whichcore.analysis.class_properties import class_properties
from whichcore.analysis.core_spread import USUAL_TOLERANCE, CoreSpread, spread_of
from whichcore.analysis.curve_smoothing import relative_scatter, smoothed
from whichcore.analysis.geometry import core_geometry
from whichcore.analysis.materials import Material, MaterialClass
from whichcore.analysis.merged_material import AGREE_WITHIN
from whichcore.analysis.priors import CORNER_SPREAD, CORNER_SPREAD_PER_DEVIATION
from whichcore.analysis.specimen import Specimen
from whichcore.analysis.types import FloatArray, ImpedanceSweep, PermeabilitySpectrum, Scope
from whichcore.analysis.uncertainty import ACROSS_SPECIMENS
from whichcore.errors import InputError
from whichcore.known_core import (
    CORE_TO_CORE,
    GradeLabel,
    bare_density,
    check_shape,
    smoothing_notes,
    spectrum_for_curve,
    usable_points,
)
from whichcore.wording import in_percent, listed

#: Sides of two sections, and temperatures in K, that count as the same. Practice.
SAME_SECTION, SAME_TEMPERATURE_K = 0.10, 5.0
#: A spread measured on fewer cores than this is called uncertain aloud.
FEW_CORES = 10
#: Lots that keep to their tolerance, of which one may be refused. Practice.
FAIR_LOTS = 1000


@dataclass(frozen=True, slots=True)
class KnownCore:
    """One swept core of a known grade; ``name`` is what messages call it."""

    specimen: Specimen
    sweep: ImpedanceSweep
    name: str


def material_of_cores(
    cores: Sequence[KnownCore], label: GradeLabel, stated_tolerance: float | None
) -> tuple[Material, tuple[str, ...]]:
    """Turn the sweeps of several cores of one grade into one reference material.

    Parameters
    ----------
    cores : sequence of KnownCore
        Two or more, whole and closed.
    label : GradeLabel
        Its tolerance is not used.
    stated_tolerance : float or None
        What the user states of the grade; None takes what the cores show.

    Returns
    -------
    Material
        Mean curve over the band that all cores share; its tolerance and deviation are those of the cores.
    tuple of str
        What was seen and done.

    Raises
    ------
    InputError
        A rod, a gapped core, manganese-zinc cores of different sections, or cores that two references of one
        grade could not be made of.
    AnalysisError
        Too little of the band in common, a sweep that scatters too much, or a loss that is negative beyond
        its uncertainty.
    """
    notes = [note for core in cores for note in _told(core, check_shape(core.specimen))]
    about_section: list[str] = []
    section = _section(cores, label.material_class, about_section)
    spectra = [spectrum_for_curve(core.sweep, core.specimen, core.name) for core in cores]
    spread = spread_of(spectra, _shared_scopes(cores))
    _check_one_grade(cores, spread, stated_tolerance)
    course = smoothed(spread.frequency_hz, spread.permeability, _scatter_of_mean(spectra, spread))
    notes += smoothing_notes(course, spread.permeability)
    kept = usable_points(spread.frequency_hz, course, spread.u_loss, notes)
    mu = course[kept]
    tolerance = spread.tolerance if stated_tolerance is None else stated_tolerance
    notes += _level_notes(spread, stated_tolerance)
    deviation = spread.curve_deviation
    notes += _shape_notes(spread)
    if spread.corner is not None:
        needed = spread.corner.spread / CORNER_SPREAD_PER_DEVIATION
        if spread.corner.spread > CORNER_SPREAD and needed > deviation:
            notes.append(
                f"the corners scatter by {in_percent(spread.corner.spread)} beside what the levels explain: "
                f"the deviation allowed is raised from {in_percent(deviation)} to {in_percent(needed)}"
            )
            deviation = needed
        notes += _corner_notes(spread, label.material_class)
    notes += about_section
    flux = [s.flux_density_t for s in spectra if s.flux_density_t is not None]
    material = Material(
        id=label.id,
        name=label.name,
        material_class=label.material_class,
        initial_permeability=float(mu[0].real),
        tolerance=tolerance,
        frequency_hz=spread.frequency_hz[kept],
        permeability=mu,
        source=label.source,
        licence=label.licence,
        curve_deviation=deviation,
        swept=True,
        density_kg_m3=_mean([bare_density(core.specimen) for core in cores]),
        section_m=section,
        temperature_c=_temperature(cores, notes),
        flux_density_t=float(np.median([f[0] for f in flux])) if len(flux) == len(cores) else None,
    )
    return material, tuple(notes)


def _check_one_grade(cores: Sequence[KnownCore], spread: CoreSpread, stated: float | None) -> None:
    """Refuse cores whose levels or curves lie further apart than those of a fair lot do.

    Each core is held against the middle of the others. The tolerance is the usual one or a wider one stated;
    what the bench adds is allowed besides. A narrower tolerance is contradicted by a note.
    """
    tolerance = max(USUAL_TOLERANCE, stated or 0.0)
    apart = [
        float(level - np.median(np.delete(spread.log_level, k))) for k, level in enumerate(spread.log_level)
    ]
    worst = int(np.argmax(np.abs(apart)))
    allowed = most_apart(len(cores), float(np.sqrt((tolerance / 2) ** 2 + spread.level.bench)))
    if abs(apart[worst]) > allowed:
        raise InputError(
            "the levels contradict each other: these are two grades, or one of the sweeps is wrong",
            where=cores[worst].name,
            got=f"{np.exp(apart[worst]):.3g} times the level of the others",
            allowed=f"a factor of {np.exp(allowed):.3g} for the worst of {len(cores)} cores by a tolerance "
            f"of {in_percent(tolerance)}",
            next_step="make a reference of each grade, or leave the wrong sweep out",
        )
    deviation = float(np.sqrt(max(spread.deviation.variance - spread.deviation.bench, 0.0)))
    limit = most_deviation(spread.deviation.freedom)
    if deviation > limit:
        raise InputError(
            "the curves contradict each other beside level and corner: these are two grades, or one is wrong",
            where=listed([core.name for core in cores], "and"),
            got=f"{in_percent(deviation)} apart in the dispersion",
            allowed=f"{in_percent(limit)} by what cores of one grade may deviate",
            next_step="make a reference of each core, and look at them: whichcore library show",
        )


def most_apart(count: int, deviation: float) -> float:
    """Return how far the worst core of a lot may lie from the middle of the others, in ln of the level.

    Parameters
    ----------
    count : int
        Cores of the lot, two or more.
    deviation : float
        Standard deviation of ln(level) from core to core, that of the bench included.

    Returns
    -------
    float
        Passed by one fair lot in FAIR_LOTS at most: by Bonferroni's inequality each core may pass it with
        that probability over the number of cores. The variance of the median of m normal values is less than
        π/2m of that of one, and never more than that of one (large m in any text on order statistics; from
        memory).
    """
    middle = min(1.0, np.pi / 2 / (count - 1))
    return float(norm.isf(1 / FAIR_LOTS / (2 * count)) * deviation * np.sqrt(1 + middle))


def most_deviation(freedom: float) -> float:
    """Return how far the cores of a fair lot may deviate in the dispersion beside level and corner, relative.

    Parameters
    ----------
    freedom : float
        Degrees of freedom of the deviation seen; infinitely much is allowed where it is zero.

    Returns
    -------
    float
        Passed by one fair lot in FAIR_LOTS (χ² law), and never less than two references may deviate.
    """
    if freedom <= 0:
        return np.inf
    return CORE_TO_CORE * max(AGREE_WITHIN, float(np.sqrt(chi2.isf(1 / FAIR_LOTS, freedom) / freedom)))


def _scatter_of_mean(spectra: Sequence[PermeabilitySpectrum], spread: CoreSpread) -> FloatArray:
    """Relative scatter (F,) of the mean of some sweeps: the usual one of each, at every point."""
    each = [float(np.median(relative_scatter(spectrum))) for spectrum in spectra]
    return np.full(spread.frequency_hz.size, np.linalg.norm(each) / len(each))


def _told(core: KnownCore, notes: Sequence[str]) -> list[str]:
    return [f"{core.name}: {note}" for note in notes]


def _shared_scopes(cores: Sequence[KnownCore]) -> frozenset[Scope]:
    """Range factors belong to the calibration: sweeps that name one and the same share their errors."""
    names = {core.sweep.notes.get("calibration", "") for core in cores}
    return ACROSS_SPECIMENS | {Scope.RANGE} if len(names) == 1 and "" not in names else ACROSS_SPECIMENS


# ----------------------------------------------------------------------------------- what the cores show


def _level_notes(spread: CoreSpread, stated: float | None) -> list[str]:
    count, level = spread.log_level.size, spread.level
    low, high = level.interval()
    seen = (
        f"level: {count} cores scatter by {in_percent(np.sqrt(level.variance))} (one standard deviation; "
        f"with so many cores the true one may be {in_percent(low)} to {in_percent(high)}), of which the "
        f"bench alone makes {in_percent(np.sqrt(level.bench))}"
    )
    if level.hidden:
        seen += ": no spread of the grade itself can be seen"
    notes = [seen]
    if stated is None:
        few = f", widened for only {count} cores" if count < FEW_CORES else ""
        notes.append(
            f"tolerance {in_percent(spread.tolerance)}: what holds 95 % of further cores{few}. Cores of one "
            "lot lie closer than those of many lots: give --tolerance where the data sheet says more"
        )
    elif level.freedom > 0 and low > stated / 2:
        notes.append(
            f"the tolerance stated, {in_percent(stated)}, is narrower than what the cores show: "
            f"{in_percent(spread.tolerance)} would hold 95 % of further ones"
        )
    return notes


def _shape_notes(spread: CoreSpread) -> list[str]:
    deviation = spread.deviation
    if deviation.freedom == 0:
        return [
            "shape: the band shows no dispersion, so how far the cores deviate from each other there stays "
            f"at the usual {in_percent(spread.curve_deviation)}"
        ]
    hidden = ", nothing beyond what the bench makes" if deviation.hidden else ""
    return [
        f"shape: beside level and corner the cores deviate by {in_percent(np.sqrt(deviation.variance))} in "
        f"the dispersion, of which the bench alone makes {in_percent(np.sqrt(deviation.bench))}{hidden}; "
        f"allowed of a further core: {in_percent(spread.curve_deviation)}"
    ]


def _corner_notes(spread: CoreSpread, material_class: MaterialClass) -> list[str]:
    law, usual = spread.corner, class_properties(material_class)
    if law is None or law.uncertainty > usual.corner_exponent_sd:
        return [
            "corner: how it goes with the level cannot be seen on these cores; the usual law of "
            f"{material_class.value} is kept"
        ]
    away = abs(law.exponent - usual.corner_exponent)
    strange = away > 2 * float(np.hypot(law.uncertainty, usual.corner_exponent_sd))
    return [
        f"corner: it goes as the level to the power of {-law.exponent:.2g} ± {law.uncertainty:.2g}".replace(
            "-", "−"
        )
        + (
            f"; usual for {material_class.value} is {-usual.corner_exponent:g} ± "
            f"{usual.corner_exponent_sd:g}".replace("-", "−")
        )
        + (": these cores may not be of one grade" if strange else "")
    ]


# ---------------------------------------------------------------------------------- what the cores share


def _section(
    cores: Sequence[KnownCore], material_class: MaterialClass, notes: list[str]
) -> tuple[float, float] | None:
    """Return the section that all cores have within a tenth; several of manganese-zinc are refused."""
    sections = [core_geometry(core.specimen).section_m for core in cores]
    known = np.array([sorted(s) for s in sections if s is not None])
    if len(known) == len(cores) and np.ptp(known, axis=0).max() <= SAME_SECTION * known.mean():
        first, second = np.median(known, axis=0)
        return float(first), float(second)
    if material_class is not MaterialClass.MNZN:
        notes.append("the cores differ in section, which says nothing in this class: none is stated")
        return None
    told = ["unknown" if s is None else f"{s[0] * 1e3:.3g} x {s[1] * 1e3:.3g} mm" for s in sections]
    raise InputError(
        "manganese-zinc cores of different sections make no common curve: each feels its own section",
        where="specimens",
        got=listed(told, "and"),
        allowed=f"sections within {100 * SAME_SECTION:g} %",
        next_step="make one reference for each size",
    )


def _temperature(cores: Sequence[KnownCore], notes: list[str]) -> float | None:
    known = [
        core.specimen.temperature_c if core.sweep.temperature_c is None else core.sweep.temperature_c
        for core in cores
    ]
    stated = [value for value in known if value is not None]
    if not stated:
        return None
    if max(stated) - min(stated) > SAME_TEMPERATURE_K:
        notes.append(
            f"the cores were swept between {min(stated):g} and {max(stated):g} °C: part of their spread is "
            "that of temperature"
        )
    return float(np.mean(stated)) if len(stated) == len(cores) else None


def _mean(values: Sequence[float | None]) -> float | None:
    known = [value for value in values if value is not None]
    return float(np.mean(known)) if known else None
