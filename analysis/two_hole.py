"""Field of a two-hole core: core constants from the plane magnetostatic problem of its section.

A plane across the holes carries the whole field, which does not change along them. With A = 0 on the rim of
a hole and A = 1 on the outline, Laplace's equation gives the flux per unit length between hole and outline;
the exciting current is ∮∂A/∂n over μ. The plane of symmetry between the holes splits each excitation into
one part odd and one part even in it, so half a section is solved, twice at most:

* both holes wound (round the middle leg): the odd part alone;
* one hole wound (round an outer leg): half the sum of both, the other hole included.

The solution is a series of harmonic functions that vanish on the hole, fitted to the outline by least
squares. Computed here, not taken from IEC 60205; the core constants follow its meaning in the general form
C1 = ∫B² dV/Φ², C2 = ∫|B|³ dV/Φ³, which gives the ring's formulas for a ring.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from whichcore.analysis.specimen import TwoHole
from whichcore.analysis.types import ComplexArray, FloatArray
from whichcore.errors import AnalysisError

_TERMS = 36
_RAYS = 240
_RADIAL_NODES = 16
_LARGEST_MISFIT = 2e-3


@dataclass(frozen=True, slots=True)
class HoleConstants:
    """Core constants of a two-hole core of one outline, and the largest over the mean flux density."""

    c1_per_m: float
    c2_per_m3: float
    peak_to_mean_flux: float


@dataclass(frozen=True, slots=True)
class _HalfSection:
    """Half a section in hole radii, the hole's centre at the origin, the plane of symmetry at −to_middle."""

    to_middle: float
    half_width: float
    half_thickness: float
    corner_radius: float

    def reach(self, angle: FloatArray) -> FloatArray:
        """Distance from the hole's centre to the rim of the half section, along rays."""
        inner = np.zeros_like(angle)
        outer = np.full_like(angle, 2 * np.hypot(self.half_width, self.half_thickness) + self.to_middle)
        for _ in range(60):
            middle = (inner + outer) / 2
            outside = self._outside(middle * np.exp(1j * angle))
            outer = np.where(outside, middle, outer)
            inner = np.where(outside, inner, middle)
        return inner

    def _outside(self, point: ComplexArray) -> NDArray[np.bool_]:
        x = np.abs(point.real + self.to_middle) - (self.half_width - self.corner_radius)
        y = np.abs(point.imag) - (self.half_thickness - self.corner_radius)
        distance = np.hypot(np.maximum(x, 0), np.maximum(y, 0)) + np.minimum(np.maximum(x, y), 0)
        return np.asarray((distance > self.corner_radius) | (point.real < -self.to_middle))


@dataclass(frozen=True, slots=True)
class _Solution:
    """A = Re[c0 log z + Σ c_n (zⁿ − z⁻ⁿ)/Rⁿ], zero on the hole |z| = 1."""

    coefficients: FloatArray
    scale: float

    @property
    def current(self) -> float:
        """∮∂A/∂n round the hole, for one unit of A between hole and outline."""
        return float(2 * np.pi * self.coefficients[0])

    def slope(self, point: ComplexArray) -> ComplexArray:
        """Complex derivative of the series; its magnitude is |∇A|."""
        return np.asarray(_slopes(point, self.scale) @ self.coefficients)


def _values(point: ComplexArray, scale: float) -> ComplexArray:
    order = np.arange(1, _TERMS + 1)
    z = point[..., None]
    powers = (z / scale) ** order - (1 / (z * scale)) ** order
    return np.asarray(np.concatenate([np.log(z), powers], axis=-1))


def _slopes(point: ComplexArray, scale: float) -> ComplexArray:
    order = np.arange(1, _TERMS + 1)
    z = point[..., None]
    powers = order / z * ((z / scale) ** order + (1 / (z * scale)) ** order)
    return np.asarray(np.concatenate([1 / z, powers], axis=-1))


def _boundary(section: _HalfSection, count: int) -> ComplexArray:
    angle = (np.arange(count) + 0.5) * np.pi / count
    return np.asarray(section.reach(angle) * np.exp(1j * angle))


def _solve(section: _HalfSection, *, even: bool) -> _Solution:
    def conditions(rim: ComplexArray) -> tuple[FloatArray, FloatArray]:
        mirror = (rim.real < -section.to_middle * (1 - 1e-9)) & even
        rows = np.where(
            mirror[:, None], section.to_middle * _slopes(rim, scale).real, _values(rim, scale).real
        )
        return rows, np.where(mirror, 0.0, 1.0)

    rim = _boundary(section, 6 * _TERMS)
    scale = float(np.abs(rim).max())
    rows, target = conditions(rim)
    coefficients = np.linalg.lstsq(rows, target, rcond=1e-13)[0]
    rows, target = conditions(_boundary(section, 10 * _TERMS + 1))
    misfit = float(np.abs(rows @ coefficients - target).max())
    if not misfit < _LARGEST_MISFIT:
        raise AnalysisError(
            "the field of this two-hole core cannot be computed well enough",
            where="core",
            got=f"a misfit of {misfit:.2g} of the flux at the rim",
            allowed=f"less than {_LARGEST_MISFIT:g}",
            next_step="check the dimensions; else measure a known core of the same shape and give c1 and c2",
        )
    return _Solution(np.asarray(coefficients, dtype=np.float64), scale)


def _quadrature(section: _HalfSection) -> tuple[ComplexArray, FloatArray]:
    """Points and areas that integrate over the half section (upper quarter, doubled)."""
    angle = (np.arange(_RAYS) + 0.5) * np.pi / _RAYS
    node, weight = np.polynomial.legendre.leggauss(_RADIAL_NODES)
    span = (section.reach(angle) - 1)[:, None]
    radius = 1 + span * (node + 1) / 2
    area = radius * span * weight / 2 * (2 * np.pi / _RAYS)
    return radius * np.exp(1j * angle)[:, None], area


@lru_cache(maxsize=64)
def two_hole_constants(core: TwoHole, *, rounded_ends: bool) -> HoleConstants:
    """Return the core constants of a two-hole core whose outline is a rectangle, or has half-round ends.

    Parameters
    ----------
    core : TwoHole
    rounded_ends : bool
        Corners of the outline rounded with half the smaller of width and thickness; else sharp.

    Returns
    -------
    HoleConstants
        C1 in 1/m, C2 in 1/m³; flux is that linked by one turn. Permeability far above that of air.

    Raises
    ------
    AnalysisError
        When the series does not meet the boundary conditions (extreme proportions).
    """
    radius = core.hole_diameter_m / 2
    smaller = min(core.width_m, core.thickness_m) / 2
    section = _HalfSection(
        to_middle=core.hole_spacing_m / 2 / radius,
        half_width=core.width_m / 2 / radius,
        half_thickness=core.thickness_m / 2 / radius,
        corner_radius=smaller / radius if rounded_ends else 0.0,
    )
    points, area = _quadrature(section)
    rim = np.exp(1j * np.linspace(0, np.pi, _RAYS))
    everywhere = np.concatenate([rim, points.ravel()])
    # Flux densities per unit of linked flux per length, one row per half of the section, in 1/radius.
    if core.wound_holes == 2:
        odd = _solve(section, even=False)
        c1 = odd.current / 2
        field = np.abs(odd.slope(everywhere) / 2)[None, :].repeat(2, axis=0)
    else:
        odd, even = _solve(section, even=False), _solve(section, even=True)
        flux = (1 / odd.current + 1 / even.current) / 2
        c1 = 1 / flux
        own, shared = odd.slope(everywhere) / odd.current, even.slope(everywhere) / even.current
        field = np.abs(np.stack([shared + own, shared - own])) / (2 * flux)
    cubed = float(np.sum(field[:, rim.size :] ** 3 * area.ravel()))
    length = core.length_m
    return HoleConstants(
        c1_per_m=c1 / length,
        c2_per_m3=cubed / (radius * length**2),
        peak_to_mean_flux=float(field.max()) * c1 / cubed,
    )
