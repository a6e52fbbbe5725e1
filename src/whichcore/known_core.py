"""A swept core whose grade is known becomes reference material of the user's own."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from whichcore.analysis.curve_smoothing import relative_scatter, smoothed
from whichcore.analysis.geometry import core_geometry
from whichcore.analysis.materials import Material, MaterialClass
from whichcore.analysis.permeability import permeability
from whichcore.analysis.pooling import pooled
from whichcore.analysis.specimen import Crack, EffectiveCore, Ring, Rod, Specimen
from whichcore.analysis.trial import Fault, try_data
from whichcore.analysis.types import ComplexArray, FloatArray, ImpedanceSweep, PermeabilitySpectrum
from whichcore.analysis.uncertainty import point_covariance
from whichcore.errors import AnalysisError, InputError
from whichcore.wording import hertz, in_percent

#: Smooth deviation of another core of the grade from this one, relative, one standard deviation. Practice.
CORE_TO_CORE = 0.03
#: Points of a sweep from which on it is averaged to what a comparison takes. Practice.
MOST_POINTS = 256
#: Relative scatter, of half of the points, above which a sweep is no reference: smoothed, it would still be
#: off by more than two cores of a grade differ. Practice.
MOST_SCATTER = 0.2
#: A loss more negative than this many standard uncertainties is a fault of the measurement. Practice.
_NEGATIVE_LIMIT = 3.0
#: Tests of the data that no reference may fail; the others widen what the curve says, and are told.
NO_REFERENCE = frozenset({Fault.SWAPPED, Fault.SCALE, Fault.BELOW_AIR, Fault.NEGATIVE_LOSS})


@dataclass(frozen=True, slots=True)
class GradeLabel:
    """What the user says of a known core: see `Material` for the fields."""

    id: str
    name: str
    material_class: MaterialClass
    tolerance: float
    source: str
    licence: str


def material_of_core(
    specimen: Specimen, sweep: ImpedanceSweep, label: GradeLabel
) -> tuple[Material, tuple[str, ...]]:
    """Turn the sweep of a known core into reference material.

    Parameters
    ----------
    specimen : Specimen
        A whole closed core; pairs keep their joints in the curve.
    sweep : ImpedanceSweep
    label : GradeLabel

    Returns
    -------
    Material
        Its initial permeability is μ′ at the lowest frequency, its section that of the core.
    tuple of str
        What was done to the data.

    Raises
    ------
    InputError
        The core is a rod or has a known gap.
    AnalysisError
        The sweep scatters too much, the loss is negative beyond its uncertainty, or fewer than two points are
        left.
    """
    notes = list(check_shape(specimen))
    spectrum = spectrum_for_curve(sweep, specimen, "sweep")
    u_loss = np.sqrt(point_covariance(spectrum.scatter, spectrum.sources)[:, 1, 1])
    course = smoothed(spectrum.frequency_hz, spectrum.permeability, relative_scatter(spectrum))
    kept = usable_points(spectrum.frequency_hz, course, u_loss, notes)
    mu = course[kept]
    notes += smoothing_notes(course, spectrum.permeability)
    level = spectrum.flux_density_t
    material = Material(
        id=label.id,
        name=label.name,
        material_class=label.material_class,
        initial_permeability=float(mu[0].real),
        tolerance=label.tolerance,
        frequency_hz=spectrum.frequency_hz[kept],
        permeability=mu,
        source=label.source,
        licence=label.licence,
        curve_deviation=CORE_TO_CORE,
        swept=True,
        density_kg_m3=bare_density(specimen),
        section_m=core_geometry(specimen).section_m,
        temperature_c=spectrum.temperature_c
        if spectrum.temperature_c is not None
        else specimen.temperature_c,
        flux_density_t=None if level is None else float(level[kept][0]),
    )
    return material, tuple(notes)


def data_doubts(specimen: Specimen, sweep: ImpedanceSweep, name: str) -> tuple[str, ...]:
    """Try the data of a known core as those of an unknown one are tried.

    Parameters
    ----------
    specimen : Specimen
        A closed core.
    sweep : ImpedanceSweep
    name : str
        What an error calls the sweep.

    Returns
    -------
    tuple of str
        The sentences of tests that failed, and of those that ask.

    Raises
    ------
    AnalysisError
        By a test the columns are exchanged, a unit is wrong, or the permeability or the loss is negative: no
        tolerance makes a reference of such a curve.
    """
    told = [f for f in try_data(sweep, specimen, permeability(sweep, specimen)).findings if f.told]
    for finding in told:
        if finding.failed and finding.fault in NO_REFERENCE:
            raise AnalysisError(
                f"the sweep makes no reference: its data fail the test for {finding.fault.value}",
                where=name,
                got=finding.sentence,
                allowed="a sweep that passes this test",
                next_step="correct the data; whichcore identify tells all tests that they fail",
            )
    return tuple(finding.sentence for finding in told)


def spectrum_for_curve(sweep: ImpedanceSweep, specimen: Specimen, name: str) -> PermeabilitySpectrum:
    """Return the spectrum of a known core, a dense one averaged as a core that is compared with it is.

    ``name`` is what an error calls the sweep.

    Raises
    ------
    AnalysisError
        It scatters too much.
    """
    spectrum = permeability(sweep, specimen)
    spectrum = pooled(spectrum) if spectrum.frequency_hz.size > MOST_POINTS else spectrum
    scatter = float(np.median(relative_scatter(spectrum)))
    if scatter > MOST_SCATTER:
        raise AnalysisError(
            "the sweep scatters too much to be a reference",
            where=name,
            got=f"{in_percent(scatter)} of |μ| at half of its points",
            allowed=f"{in_percent(MOST_SCATTER)} at most",
            next_step="sweep again with more turns, a higher level or more averages",
        )
    return spectrum


def smoothing_notes(course: ComplexArray, swept: ComplexArray) -> tuple[str, ...]:
    """Say how far the points of a sweep lie off its smooth course, where that was taken instead of them."""
    if course is swept:
        return ()
    off = 100 * float(np.sqrt(np.mean(np.abs(swept / course - 1) ** 2)))
    return (f"the curve is the smooth course of the sweep, whose points scatter about it by {off:.2g} %",)


def check_shape(specimen: Specimen) -> tuple[str, ...]:
    """Refuse cores that show more than their material; return what is to be said of the others.

    Raises
    ------
    InputError
        A rod, or a core with a known gap.
    """
    core = specimen.core
    if isinstance(core, Rod):
        raise InputError(
            "a rod hides its material, so it makes no reference",
            where="shape",
            got="rod",
            allowed="a closed core",
            next_step="sweep a ring of the same grade",
        )
    if specimen.gap_m:
        raise InputError(
            "a gapped core makes no reference: its curve is that of the gap",
            where="gap",
            got=f"{specimen.gap_m * 1e3:g} mm",
            allowed="no gap",
            next_step="sweep a whole core of the same grade",
        )
    if specimen.crack is Crack.SEEN:
        raise InputError(
            "a cracked core makes no reference: its curve is that of the crack",
            where="crack",
            got=specimen.crack.value,
            allowed="a whole core",
            next_step="sweep a whole core of the same grade",
        )
    if isinstance(core, EffectiveCore) and core.joints:
        return (f"the curve holds the {core.joints} joints of this pair: a ring of the grade reads higher",)
    return ()


def usable_points(
    frequency: FloatArray, permeability_there: ComplexArray, u_loss: FloatArray, notes: list[str]
) -> NDArray[np.bool_]:
    """Return which points (F,) can stand in a reference curve, whose loss is never negative.

    Raises
    ------
    AnalysisError
        A loss is negative beyond its uncertainty, or fewer than two points are left.
    """
    loss = -permeability_there.imag
    worst = int(np.argmin(loss / u_loss))
    if loss[worst] < -_NEGATIVE_LIMIT * u_loss[worst]:
        raise AnalysisError(
            "the loss of the core is negative beyond its uncertainty",
            where=f"{frequency[worst]:g} Hz",
            got=f"μ″ = {loss[worst]:.3g} with a standard uncertainty of {u_loss[worst]:.2g}",
            allowed="0 or more, within the uncertainty",
            next_step="check the fixture correction and the winding's dc resistance",
        )
    kept = loss >= 0
    if not kept.all():
        out = frequency[~kept]
        notes.append(
            f"{out.size} of {kept.size} points {_place(out)} left out: their "
            "loss came out below zero within its uncertainty, and a reference curve has no negative loss"
        )
    if kept.sum() < 2:
        raise AnalysisError(
            "too few points are left for a reference curve",
            where="sweep",
            got=f"{int(kept.sum())}",
            allowed="2 or more",
            next_step="sweep again with less noise or more turns",
        )
    return np.asarray(kept)


def _place(frequency_hz: FloatArray) -> str:
    low, high = float(frequency_hz.min()), float(frequency_hz.max())
    return f"at {hertz(low)}" if low == high else f"between {hertz(low)} and {hertz(high)}"


def bare_density(specimen: Specimen) -> float | None:
    """Return mass over volume, only where both are those of the bare material."""
    core = specimen.core
    if specimen.mass_kg is None or specimen.encased or (isinstance(core, Ring) and core.coating_thickness_m):
        return None
    volume = core_geometry(specimen).metal_volume_m3
    return None if volume is None else specimen.mass_kg / volume
