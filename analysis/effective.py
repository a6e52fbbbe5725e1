"""Effective parameters of closed cores.

They follow IEC 60205, *Calculation of the effective parameters of magnetic piece parts*: l_e = C1²/C2,
A_e = C1/C2, V_e = C1³/C2² with C1 = Σ l/A and C2 = Σ l/A². The formulas are from memory and derived again in
the tests. A two-hole core is computed from its field (:mod:`whichcore.analysis.two_hole`).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from scipy.constants import mu_0

from whichcore.analysis.specimen import Core, EffectiveCore, Ring, TwoHole
from whichcore.analysis.two_hole import HoleConstants, two_hole_constants
from whichcore.analysis.types import FloatArray
from whichcore.errors import AnalysisError, InputError

_ROUND_LOSS = 2 * (4 - math.pi)  # 1.7168: area lost by four rounded edges, as h(d1 − d2), over r²
_CHAMFER_LOSS = 4.0


@dataclass(frozen=True, slots=True)
class EffectiveParameters:
    """Core constants of a closed core and the ideal ring they stand for (IEC 60205).

    Attributes
    ----------
    c1_per_m, c2_per_m3 : float
        Core constants Σ l/A and Σ l/A².
    """

    c1_per_m: float
    c2_per_m3: float

    @property
    def length_m(self) -> float:
        """Effective magnetic length l_e = C1²/C2, m."""
        return self.c1_per_m**2 / self.c2_per_m3

    @property
    def area_m2(self) -> float:
        """Effective area A_e = C1/C2, m²."""
        return self.c1_per_m / self.c2_per_m3

    @property
    def volume_m3(self) -> float:
        """Effective volume V_e = C1³/C2², m³."""
        return self.c1_per_m**3 / self.c2_per_m3**2

    @property
    def inductance_factor_h(self) -> float:
        """Inductance μ0/C1 of one turn were the core of permeability 1, H."""
        return float(mu_0) / self.c1_per_m


def bare_ring(ring: Ring) -> Ring:
    """Return one ring of the stack without its coating, edges and stacking factor kept."""
    coat = 2 * ring.coating_thickness_m
    outer, inner = ring.outer_diameter_m - coat, ring.inner_diameter_m + coat
    return replace(
        ring,
        outer_diameter_m=outer,
        inner_diameter_m=inner,
        height_m=ring.height_m - coat,
        coating_thickness_m=0.0,
        stack=1,
    )


def _magnetic_height(bare: Ring) -> float:
    """Return the height of the sharp-edged ring with the same area of section, m."""
    lost = _ROUND_LOSS * bare.edge_radius_m**2 + _CHAMFER_LOSS * bare.edge_chamfer_m**2
    return bare.height_m - lost / (bare.outer_diameter_m - bare.inner_diameter_m)


def _ring_parameters(ring: Ring) -> EffectiveParameters:
    bare = bare_ring(ring)
    height = _magnetic_height(bare) * ring.stack * ring.stacking_factor
    d1, d2 = bare.outer_diameter_m, bare.inner_diameter_m
    logarithm = math.log(d1 / d2)
    return EffectiveParameters(
        c1_per_m=2 * math.pi / (height * logarithm),
        c2_per_m3=4 * math.pi * (1 / d2 - 1 / d1) / (height**2 * logarithm**3),
    )


def two_hole_outlines(core: TwoHole) -> tuple[HoleConstants, HoleConstants]:
    """Return the constants of a two-hole core for both ends of the possible outlines."""
    return (two_hole_constants(core, rounded_ends=False), two_hole_constants(core, rounded_ends=True))


def _two_hole_parameters(core: TwoHole) -> EffectiveParameters:
    sharp, rounded = two_hole_outlines(core)
    return EffectiveParameters(
        c1_per_m=math.sqrt(sharp.c1_per_m * rounded.c1_per_m),
        c2_per_m3=math.sqrt(sharp.c2_per_m3 * rounded.c2_per_m3),
    )


def effective_parameters(core: Core) -> EffectiveParameters:
    """Return the core constants of a closed core.

    Ring and sleeve: C1 = 2π/(h ln(d1/d2)), C2 = 4π(1/d2 − 1/d1)/(h² ln³(d1/d2)), the exact integral over a
    rectangular section (IEC 60205, from memory). Rounded edges r0 lower h to h(1 − 1.7168 r0²/[h(d1 − d2)]),
    chamfers c of 45° to h(1 − 4c²/[h(d1 − d2)]): the area lost, spread over the width (IEC 60205, from
    memory; C1 then misses the exact integral by some 0.02 % for r0 = 0.5 mm at 25/15/10 mm). Coating comes
    off every face, the edges being those of the magnetic piece; a stack multiplies h, the stacking factor
    the area.

    Two-hole core: computed field, permeability far above 1 (:func:`two_hole_constants`). The outline is not
    among the dimensions, so the result is the geometric mean between a rectangle and half-round ends.

    Parameters
    ----------
    core : Ring, Sleeve, TwoHole, EffectiveCore or Pair

    Returns
    -------
    EffectiveParameters
        C1 in 1/m, C2 in 1/m³.

    Raises
    ------
    InputError
        When an edge does not fit under the coating, or is both rounded and chamfered.
    AnalysisError
        For a rod, which has no closed path, and for a two-hole core of extreme proportions.
    """
    if isinstance(core, Ring):
        return _ring_parameters(core)
    if isinstance(core, TwoHole):
        return _two_hole_parameters(core)
    if isinstance(core, EffectiveCore):
        return EffectiveParameters(core.c1_per_m, core.c2_per_m3)
    raise AnalysisError(
        "a rod is an open magnetic circuit and has no effective parameters",
        where="core",
        got="rod",
        allowed="ring, sleeve, two-hole, pair, effective",
        next_step="compare it with the empty coil and with a known rod (rod_permeability in open_circuit)",
    )


def circular_section_ring(mean_radius_m: float, section_radius_m: float) -> EffectiveParameters:
    """Return the core constants of a ring of circular section, exact.

    With R the mean radius and a that of the section, 1/C1 = ∫dA/(2πr) = R − √(R² − a²) and
    C2 = C1³/(4π²) ∫dA/r² = C1³ [R/√(R² − a²) − 1]/(2π) (derived).

    Raises
    ------
    InputError
        Unless 0 < section radius < mean radius.
    """
    if not 0 < section_radius_m < mean_radius_m < math.inf:
        raise InputError(
            "the section must be smaller than the ring",
            where="section_radius_m",
            got=f"{section_radius_m * 1e3:g} mm",
            allowed=f"above 0, less than {mean_radius_m * 1e3:g} mm",
        )
    root = math.sqrt((mean_radius_m - section_radius_m) * (mean_radius_m + section_radius_m))
    lost = section_radius_m**2 / (mean_radius_m + root)  # R − √(R² − a²) without cancellation
    return EffectiveParameters(c1_per_m=1 / lost, c2_per_m3=lost**-2 / root / (2 * math.pi))


def sum_sections(lengths_m: Sequence[float], areas_m2: Sequence[float]) -> EffectiveParameters:
    """Return C1 = Σ l/A and C2 = Σ l/A² over uniform sections in a row (IEC 60205, from memory).

    Raises
    ------
    InputError
        Unless there are as many areas as lengths, at least one, all positive and finite.
    """
    length, area = np.asarray(lengths_m, float), np.asarray(areas_m2, float)
    if length.ndim != 1 or length.shape != area.shape or length.size == 0:
        raise InputError(
            "every section needs one length and one area",
            where="areas_m2",
            got=f"{length.size} lengths, {area.size} areas",
            allowed="as many areas as lengths, at least one",
        )
    for name, values in (("lengths_m", length), ("areas_m2", area)):
        require_all_positive(name, values)
    return EffectiveParameters(float(np.sum(length / area)), float(np.sum(length / area**2)))


def pot_disc(outer_diameter_m: float, inner_diameter_m: float, thickness_m: float) -> tuple[float, float]:
    """Return Σ l/A in 1/m and Σ l/A² in 1/m³ of one disc of a pot core, crossed radially.

    ln(d2/d3)/(2πh) and (d2 − d3)/(2π²h²d2d3), d2 the inner diameter of the outer wall, d3 the diameter of the
    post, h the thickness (IEC 60205, from memory; derived again in the tests). A pot core has two discs.

    Raises
    ------
    InputError
        Unless 0 < inner diameter < outer diameter and the thickness is positive.
    """
    require_all_positive("thickness_m", np.array([thickness_m]))
    if not 0 < inner_diameter_m < outer_diameter_m < math.inf:
        raise InputError(
            "the post must be thinner than the room for the winding",
            where="inner_diameter_m",
            got=f"{inner_diameter_m * 1e3:g} mm",
            allowed=f"above 0, less than {outer_diameter_m * 1e3:g} mm",
        )
    d2, d3, h = outer_diameter_m, inner_diameter_m, thickness_m
    return (
        math.log(d2 / d3) / (2 * math.pi * h),
        (d2 - d3) / (2 * math.pi**2 * h**2 * d2 * d3),
    )


def require_all_positive(name: str, values: FloatArray) -> None:
    """Refuse zero, negative, infinite and NaN values."""
    bad = values[~((values > 0) & np.isfinite(values))]
    if bad.size:
        raise InputError("it must be positive and finite", where=name, got=f"{bad[0]:g}", allowed="> 0")


def metal_volume(core: Core) -> float | None:
    """Return the volume of magnetic material, m³; None when the shape does not tell it."""
    if isinstance(core, Ring):
        # Pappus: what the edges lose lies symmetrically about the mean diameter.
        bare = bare_ring(core)
        area = _magnetic_height(bare) * (bare.outer_diameter_m - bare.inner_diameter_m) / 2
        mean_turn = math.pi * (bare.outer_diameter_m + bare.inner_diameter_m) / 2
        return area * mean_turn * core.stack * core.stacking_factor
    if isinstance(core, TwoHole):
        face = core.width_m * core.thickness_m - two_hole_corners(core) / 2
        return (face - math.pi * core.hole_diameter_m**2 / 2) * core.length_m
    return None


def two_hole_corners(core: TwoHole) -> float:
    """Return the area by which half-round ends fall short of a rectangle, m²."""
    return (4 - math.pi) * (min(core.width_m, core.thickness_m) / 2) ** 2
