"""What another temperature does to a permeability, class by class.

A relative rise per kelvin (class_properties.csv, ``temperature_coefficient``) or, for classes whose rise goes
with the permeability, a temperature factor α_F per kelvin (``temperature_factor``), which is the rise over
the permeability (IEC 60401-3, from memory):

    α_F = (μθ − μref)/[μref μθ (θ − θref)] = (1/μref − 1/μθ)/(θ − θref)

A gap adds the same to both reciprocals, so that α_F does not change with it.
"""

from __future__ import annotations

from collections.abc import Sequence

from whichcore.analysis.class_properties import class_properties
from whichcore.analysis.materials import Material, MaterialClass

#: Temperature of a reference that states none, °C (IEC 60401-3, from memory).
REFERENCE_C = 25.0
#: A smaller difference between core and reference is no other temperature, K. Practice.
SAME_TEMPERATURE_K = 2.0
#: From this difference on the user is told, K. Practice.
NOTEWORTHY_K = 5.0


def rise_per_kelvin(material_class: MaterialClass, permeability: float) -> tuple[float, float]:
    """Return mean and standard deviation of d ln μ/dT near room temperature, 1/K.

    Parameters
    ----------
    material_class : MaterialClass
    permeability : float
        Initial permeability of the grade.
    """
    quantities = class_properties(material_class).quantities
    if "temperature_factor" in quantities:
        factor = quantities["temperature_factor"]
        return factor.typical * permeability, factor.spread * permeability
    coefficient = quantities["temperature_coefficient"]
    return coefficient.typical, coefficient.spread


def warming(material: Material, temperature_c: float | None) -> tuple[float, float]:
    """Return mean and standard deviation of ln(μ of a core / μ of its reference), each at its temperature.

    Parameters
    ----------
    material : Material
    temperature_c : float or None
        Of the core; None: taken to be that of the reference.

    Returns
    -------
    (float, float)
        Both zero at about one temperature.
    """
    if temperature_c is None:
        return 0.0, 0.0
    difference = temperature_c - _of_reference(material)
    if abs(difference) < SAME_TEMPERATURE_K:
        return 0.0, 0.0
    mean, spread = rise_per_kelvin(material.material_class, material.initial_permeability)
    return mean * difference, spread * abs(difference)


def warming_notes(materials: Sequence[Material], temperature_c: float | None) -> tuple[str, ...]:
    """Tell how many references were taken at another temperature than that of the core."""
    if temperature_c is None:
        return ()
    differences = [abs(temperature_c - _of_reference(material)) for material in materials]
    count = sum(difference >= NOTEWORTHY_K for difference in differences)
    if not count:
        return ()
    return (
        f"the core was at {temperature_c:g} °C, {count} of {len(materials)} references up to "
        f"{max(differences):.0f} K away: their levels are moved by what is usual in a class, and less sure",
    )


def _of_reference(material: Material) -> float:
    return REFERENCE_C if material.temperature_c is None else material.temperature_c
