"""A law of dispersion fitted to a core becomes derived reference material."""

from __future__ import annotations

import numpy as np

from whichcore.analysis.geometry import core_geometry
from whichcore.analysis.materials import Material
from whichcore.analysis.model_fit import FittedParameter, ModelFit
from whichcore.analysis.specimen import Specimen
from whichcore.analysis.types import PermeabilitySpectrum
from whichcore.errors import AnalysisError
from whichcore.known_core import CORE_TO_CORE, GradeLabel, bare_density, check_shape
from whichcore.wording import amount, in_percent, measured, quantity


def material_of_fit(
    specimen: Specimen, spectrum: PermeabilitySpectrum, fit: ModelFit, label: GradeLabel
) -> tuple[Material, tuple[str, ...]]:
    """Turn a fitted law into reference material, over the span that was measured and no further.

    Parameters
    ----------
    specimen : Specimen
    spectrum : PermeabilitySpectrum
        What was fitted.
    fit : ModelFit
    label : GradeLabel
        Law, parameters and misfit are written before its source.

    Returns
    -------
    Material
        Its curve deviation holds the misfit of the law beside the usual spread from core to core.
    tuple of str
        What is to be said of it.

    Raises
    ------
    InputError
        The core is a rod or has a known gap.
    AnalysisError
        The law does not describe the data.
    """
    notes = check_shape(specimen)
    if not fit.describes_data:
        raise AnalysisError(
            "the law does not describe this core, so it makes no reference",
            where=f"--model {fit.law.name}",
            got=f"a deviation of {100 * fit.deviation:.0f} %",
            next_step="choose another law, or keep the measured curve: whichcore library add",
        )
    level = spectrum.flux_density_t
    temperature = spectrum.temperature_c if spectrum.temperature_c is not None else specimen.temperature_c
    material = Material(
        id=label.id,
        name=label.name,
        material_class=label.material_class,
        initial_permeability=float(fit.permeability[0].real),
        tolerance=label.tolerance,
        frequency_hz=fit.frequency_hz,
        permeability=fit.permeability,
        source=f"{fit_text(fit)}; {label.source}",
        licence=label.licence,
        curve_deviation=float(np.hypot(CORE_TO_CORE, fit.deviation)),
        density_kg_m3=bare_density(specimen),
        section_m=core_geometry(specimen).section_m,
        temperature_c=temperature,
        flux_density_t=None if level is None else float(level[0]),
    )
    return material, notes


def fit_text(fit: ModelFit) -> str:
    """Return in one line what was fitted, over which band, and how well."""
    low, high = (quantity(float(end), "Hz") for end in fit.frequency_hz[[0, -1]])
    told = ", ".join(f"{item.symbol} = {value_text(item)}" for item in fit.parameters)
    misfit = (
        f"smooth deviation of the data {in_percent(fit.deviation)}"
        if fit.deviation
        else "the data met within their uncertainty"
    )
    return f"derived: {fit.law.name} fitted from {low} to {high}, {told}; {misfit}"


def value_text(item: FittedParameter) -> str:
    """Return a value with its standard uncertainty, or what stands in the place of one."""
    if item.standard_uncertainty is not None:
        return measured(item.value, item.standard_uncertainty, item.unit)
    if item.low is not None and item.high is None:
        return f"above {amount(item.low, item.unit)}"
    if item.high is not None and item.low is None:
        return f"below {amount(item.high, item.unit)}"
    return f"{amount(item.value, item.unit)} (no error bar)"
