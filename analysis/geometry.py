"""What the shape of a specimen says: effective parameters with their uncertainty, volume, section, gap."""

from __future__ import annotations

import math
from dataclasses import dataclass, fields, replace
from typing import Any

import numpy as np
from numpy.typing import ArrayLike

from whichcore.analysis.effective import (
    EffectiveParameters,
    bare_ring,
    circular_section_ring,
    effective_parameters,
    metal_volume,
    pot_disc,
    require_all_positive,
    sum_sections,
    two_hole_corners,
    two_hole_outlines,
)
from whichcore.analysis.specimen import Core, Ring, Specimen, TwoHole
from whichcore.analysis.types import ComplexArray, FloatArray
from whichcore.errors import AnalysisError, InputError

__all__ = [
    "TWO_HOLE_SOURCE",
    "CoreGeometry",
    "EffectiveParameters",
    "circular_section_ring",
    "core_geometry",
    "effective_parameters",
    "gapped",
    "invariant_loss",
    "pot_disc",
    "stacking_factor_from_mass",
    "sum_sections",
    "ungapped",
]

TWO_HOLE_SOURCE = "model:two-hole"
"""Name of the uncertainty of the outline and ends of a two-hole core."""

_TWO_HOLE_ENDS = 0.01
"""Standard uncertainty of L0 for chamfered rims and mouths of the holes; practice, no source."""

_LOWEST = {"edge_radius_m": 0.0, "edge_chamfer_m": 0.0, "coating_thickness_m": 0.0}
_HIGHEST = {"stacking_factor": 1.0}
_COUNTS = {"stack", "joints", "wound_holes"}


@dataclass(frozen=True, slots=True)
class CoreGeometry:
    """What the shape of a specimen says.

    Attributes
    ----------
    effective : EffectiveParameters
    relative_sources : tuple of (str, float)
        Independent causes of error of L0 = μ0 N²/C1: name and relative change of L0, signed, for one standard
        uncertainty. "dimension:height" for a field ``height_m``; "model:two-hole".
    peak_to_mean_flux : float
        Largest flux density in the core over Φ/A_e, at low frequency.
    section_m : (float, float) or None
        Sides of the section the flux crosses, of one piece of a stack; None when unknown or when the section
        is not solid (ribbon).
    metal_volume_m3 : float or None
        Volume of magnetic material; None when the shape does not tell it.
    metal_volume_uncertainty_m3 : float or None
        Its standard uncertainty.
    """

    effective: EffectiveParameters
    relative_sources: tuple[tuple[str, float], ...]
    peak_to_mean_flux: float
    section_m: tuple[float, float] | None
    metal_volume_m3: float | None
    metal_volume_uncertainty_m3: float | None


def _section(core: Core, effective: EffectiveParameters) -> tuple[float, float] | None:
    if isinstance(core, Ring) and core.stacking_factor == 1:
        bare = bare_ring(core)
        return ((bare.outer_diameter_m - bare.inner_diameter_m) / 2, bare.height_m)
    if isinstance(core, TwoHole):
        return (effective.area_m2 / core.length_m / core.wound_holes, core.length_m)
    return None


def _peak_to_mean(core: Core, effective: EffectiveParameters) -> float:
    if isinstance(core, Ring):
        return effective.length_m / (math.pi * bare_ring(core).inner_diameter_m)
    if isinstance(core, TwoHole):
        sharp, rounded = two_hole_outlines(core)
        return math.sqrt(sharp.peak_to_mean_flux * rounded.peak_to_mean_flux)
    return 1.0


def _dimensions(core: Core) -> list[str]:
    return [item.name for item in fields(core) if item.name not in _COUNTS]


def _checked_uncertainty(core: Core, name: str, uncertainty: float) -> float:
    if name not in _dimensions(core):
        raise InputError(
            "the core has no such dimension",
            where="dimension_uncertainties_m",
            got=name,
            allowed=", ".join(_dimensions(core)),
        )
    if not 0 <= uncertainty < math.inf:
        raise InputError(
            "a standard uncertainty is not negative and finite",
            where=f"dimension_uncertainties_m: {name}",
            got=f"{uncertainty:g}",
            allowed="0 or more",
        )
    return uncertainty


def _neighbours(core: Core, name: str, uncertainty: float) -> tuple[Core, Core, float]:
    """Return the core with one dimension lowered and raised, and the span in standard uncertainties.

    A dimension at its natural limit (no coating, no rounding, all metal) is moved one way only.
    """
    value = getattr(core, name)
    lower = max(value - uncertainty, _LOWEST.get(name, -math.inf))
    upper = min(value + uncertainty, _HIGHEST.get(name, math.inf))
    low: dict[str, Any] = {name: lower}
    high: dict[str, Any] = {name: upper}
    try:
        return replace(core, **low), replace(core, **high), (upper - lower) / uncertainty
    except InputError as error:
        raise AnalysisError(
            "the uncertainty of a dimension is too large for the shape",
            where=f"dimension_uncertainties_m: {name}",
            got=f"{uncertainty:g} at {value:g}",
            allowed="values that leave a possible core",
            next_step="measure that dimension better",
        ) from error


def _responses(core: Core, name: str, uncertainty: float) -> tuple[float, float]:
    """Return the changes of ln L0 and of ln(metal volume) for one standard uncertainty of one dimension."""
    if uncertainty == 0:
        return 0.0, 0.0
    low, high, span = _neighbours(core, name, uncertainty)
    inductance = math.log(effective_parameters(low).c1_per_m / effective_parameters(high).c1_per_m)
    volumes = metal_volume(low), metal_volume(high)
    if volumes[0] is None or volumes[1] is None:
        return inductance / span, 0.0
    return inductance / span, math.log(volumes[1] / volumes[0]) / span


def _two_hole_model_uncertainty(core: TwoHole) -> float:
    """Return the standard uncertainty of ln L0: any outline from rectangle to half-round ends, and rims."""
    sharp, rounded = two_hole_outlines(core)
    between = math.log(rounded.c1_per_m / sharp.c1_per_m) / (2 * math.sqrt(3))
    return math.hypot(between, _TWO_HOLE_ENDS)


def core_geometry(specimen: Specimen) -> CoreGeometry:
    """Return effective parameters, the causes of their error and what else the shape says.

    Sensitivities are differences of ln(1/C1) over one standard uncertainty to each side. The section of a
    two-hole core is an equivalent one: A_e (half of it when the flux of two holes shares the middle leg)
    over the length along the holes. The peak of flux density of a ring lies at the inner edge,
    l_e/(π d2); that of a two-hole core is computed; effective parameters alone give 1.

    Parameters
    ----------
    specimen : Specimen
        ``dimension_uncertainties_m`` names fields of the core.

    Returns
    -------
    CoreGeometry

    Raises
    ------
    InputError
        For an uncertainty of a dimension the core does not have, negative, NaN or infinite.
    AnalysisError
        As :func:`effective_parameters`, and when an uncertainty leaves no possible core.
    """
    core = specimen.core
    effective = effective_parameters(core)
    volume = metal_volume(core)
    inductance: list[tuple[str, float]] = []
    volume_changes = [0.0]
    for name, value in specimen.dimension_uncertainties_m.items():
        response = _responses(core, name, _checked_uncertainty(core, name, value))
        inductance.append((f"dimension:{_plain(name)}", response[0]))
        volume_changes.append(response[1])
    if isinstance(core, TwoHole):
        inductance.append((TWO_HOLE_SOURCE, _two_hole_model_uncertainty(core)))
        spread = two_hole_corners(core) * core.length_m / (2 * math.sqrt(3))
        volume_changes.append(spread / volume if volume else 0.0)
    return CoreGeometry(
        effective=effective,
        relative_sources=tuple(inductance),
        peak_to_mean_flux=_peak_to_mean(core, effective),
        section_m=_section(core, effective),
        metal_volume_m3=volume,
        metal_volume_uncertainty_m3=None if volume is None else volume * math.hypot(*volume_changes),
    )


def _plain(name: str) -> str:
    for unit in ("_per_m3", "_per_m", "_m"):
        name = name.removesuffix(unit)
    return name


def stacking_factor_from_mass(ring: Ring, mass_kg: float, density_kg_m3: float) -> float:
    """Return the magnetic share of the section of a ribbon wound ring from its mass.

    k = m/(ρ V) with V the volume of the ring less its coating or case; the mass is that of the metal alone.
    The ring's own stacking factor is ignored.

    Raises
    ------
    InputError
        Unless mass and density are positive and finite.
    AnalysisError
        When the mass is more than the shape can hold.
    """
    require_all_positive("mass_kg", np.array([mass_kg]))
    require_all_positive("density_kg_m3", np.array([density_kg_m3]))
    solid = metal_volume(replace(ring, stacking_factor=1.0))
    assert solid is not None  # noqa: S101 - a ring always has a volume
    factor = mass_kg / (density_kg_m3 * solid)
    if factor > 1:
        raise AnalysisError(
            "the mass is more than the ring can hold at this density",
            where="mass_kg",
            got=f"{mass_kg * 1e3:g} g",
            allowed=f"up to {density_kg_m3 * solid * 1e3:.4g} g",
            next_step="weigh the metal without its case, and check dimensions and density",
        )
    return factor


def _reluctivity(permeability: ArrayLike, gap_ratio: ArrayLike) -> tuple[ComplexArray, FloatArray]:
    mu = np.asarray(permeability, dtype=np.complex128)
    gap = np.asarray(gap_ratio, dtype=np.float64)
    if not np.all(np.isfinite(mu) & (mu != 0)):
        raise InputError("a permeability must be finite and not zero", where="permeability", got=f"{mu}")
    if not np.all(np.isfinite(gap) & (gap >= 0)):
        raise InputError(
            "a gap is a share of the magnetic length", where="gap_ratio", got=f"{gap}", allowed="0 or more"
        )
    return np.asarray(1 / mu, dtype=np.complex128), gap


def gapped(permeability: ArrayLike, gap_ratio: ArrayLike) -> ComplexArray:
    """Return the effective permeability of a core with an air gap, 1/μe = 1/μ + g/l.

    The gap is taken as wide as the core (no fringing) and short beside the path (l − g ≈ l).

    Parameters
    ----------
    permeability : array_like, complex
        μ = μ′ − jμ″ of the material.
    gap_ratio : array_like
        All gaps in a row over the magnetic length, g/l; broadcast against ``permeability``.

    Returns
    -------
    complex array

    Raises
    ------
    InputError
        For a permeability that is zero or not finite, or a negative gap.
    """
    inverse, gap = _reluctivity(permeability, gap_ratio)
    return np.asarray(1 / (inverse + gap))


def ungapped(permeability: ArrayLike, gap_ratio: ArrayLike) -> ComplexArray:
    """Return the material's permeability from that of the gapped core; the inverse of :func:`gapped`.

    A complex permeability may come out with a negative real part: beyond a resonance that is right. A real
    one must stay positive.

    Raises
    ------
    InputError
        As :func:`gapped`.
    AnalysisError
        When a real permeability is more than a core with this gap can show, or 1/μe equals g/l.
    """
    inverse, gap = _reluctivity(permeability, gap_ratio)
    left = inverse - gap
    if np.any((left == 0) | ((inverse.imag == 0) & (inverse.real > 0) & (left.real < 0))):
        raise AnalysisError(
            "the permeability is more than a core with this gap can show",
            where="gap_ratio",
            got=f"{gap}",
            allowed="less than 1/μ",
            next_step="check the gap: it must be shorter than the magnetic length over the permeability",
        )
    return np.asarray(1 / left)


def invariant_loss(permeability: ArrayLike) -> FloatArray:
    """Return μ″/(μ′² + μ″²), the imaginary part of 1/μ, which a gap does not change.

    Raises
    ------
    InputError
        For a permeability that is zero or not finite.
    """
    inverse, _ = _reluctivity(permeability, 0.0)
    return np.asarray(inverse.imag)
