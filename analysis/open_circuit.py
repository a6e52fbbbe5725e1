"""Rods: demagnetising factors, apparent permeability, and why a rod hides its material.

Lengths enter as the ratio of length to diameter, γ. A factor N relates applied and inner field,
H = H_a − N M; *magnetometric* averages both over the volume, *fluxmetric* over the middle plane.
Chen, Brug & Goldfarb, IEEE Trans. Magn. 27(4), 3601 (1991) name the two and tabulate them for cylinders.
The factor of a cylinder depends on its susceptibility; both limits are given here:

* χ = 0 (uniform magnetisation) in closed form, from the inductance of a current sheet;
* χ = ∞ (no field inside) by ring charges on the surface.

For a 10:1 rod the often quoted curve of ballistic tests has 0.0172 (from memory) where the computed
fluxmetric and magnetometric limits are 0.0153 and 0.0202.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from scipy.special import elliprd, elliprf

from whichcore.analysis.specimen import Rod
from whichcore.analysis.types import ComplexArray, FloatArray
from whichcore.errors import AnalysisError, InputError

ROD_WARNING = (
    "a rod hides its material: its shape sets most of the inductance, so unlike materials read almost alike"
)

_ELEMENTS = 48
_NODES = 8


@dataclass(frozen=True, slots=True)
class CylinderFactors:
    """Demagnetising factors of a cylinder along its axis."""

    magnetometric: float
    fluxmetric: float


@dataclass(frozen=True, slots=True)
class RodPermeability:
    """What a rod in a coil says of its material.

    Attributes
    ----------
    apparent : float
        Apparent permeability of the rod in this coil.
    demagnetising_factor, demagnetising_uncertainty : float
        Middle of the possible factors, and half their range over √3 (rectangular).
    permeability : float or None
        Relative permeability at the middle factor; None when it is bounded from below only.
    standard_uncertainty : float or None
        First order, from the factor and from ``apparent``; None with ``permeability``.
    lower_bound : float
        Permeability at the smallest factor and ``apparent`` less two standard uncertainties.
    upper_bound : float or None
        The same at the other ends; None when there is no upper bound.
    warning : str
    """

    apparent: float
    demagnetising_factor: float
    demagnetising_uncertainty: float
    permeability: float | None
    standard_uncertainty: float | None
    lower_bound: float
    upper_bound: float | None
    warning: str = ROD_WARNING


def _positive_ratio(aspect_ratio: ArrayLike) -> FloatArray:
    ratio = np.asarray(aspect_ratio, dtype=np.float64)
    if not np.all((ratio > 0) & np.isfinite(ratio)):
        raise InputError(
            "length over diameter must be positive and finite",
            where="aspect_ratio",
            got=f"{ratio}",
            allowed="> 0",
        )
    return ratio


def ellipsoid_factor(aspect_ratio: ArrayLike) -> FloatArray:
    """Return the demagnetising factor of a spheroid along its axis of revolution, exact for every χ.

    N = (γ/3) R_D(1, 1, γ²) with Carlson's integral; for γ > 1 this is
    [γ ln(γ + √(γ² − 1))/√(γ² − 1) − 1]/(γ² − 1), for γ < 1 its oblate twin (Osborn, Phys. Rev. 67, 351
    (1945), from memory).

    Parameters
    ----------
    aspect_ratio : array_like
        γ, axis of revolution over the other axis.

    Raises
    ------
    InputError
        For a ratio that is not positive and finite.
    """
    ratio = _positive_ratio(aspect_ratio)
    return np.asarray(ratio / 3 * elliprd(1.0, 1.0, ratio**2), dtype=np.float64)


def _sheet_flux(ratio: FloatArray) -> FloatArray:
    """Return (4/π) γ√(1 + γ²) [K(k) − E(k)] with k² = 1/(1 + γ²)."""
    difference = elliprd(0.0, ratio**2 / (1 + ratio**2), 1.0) / (1 + ratio**2) / 3  # K − E, no cancellation
    return np.asarray(4 / np.pi * ratio * np.sqrt(1 + ratio**2) * difference, dtype=np.float64)


def fluxmetric_factor(aspect_ratio: ArrayLike) -> FloatArray:
    """Return the fluxmetric (ballistic) demagnetising factor of a cylinder at χ = 0.

    A uniformly magnetised cylinder is a current sheet. The flux through its middle, from the mutual
    inductance of coaxial equal circles summed over its length, is μ0 M πa² S(γ/2) with
    S(λ) = (4/π) λ√(1 + λ²) [K(k) − E(k)], k² = 1/(1 + λ²); hence N = 1 − S(γ/2) (derived).

    Parameters
    ----------
    aspect_ratio : array_like
        γ, length over diameter.

    Raises
    ------
    InputError
        For a ratio that is not positive and finite.
    """
    return np.asarray(1 - _sheet_flux(_positive_ratio(aspect_ratio) / 2))


def magnetometric_factor(aspect_ratio: ArrayLike) -> FloatArray:
    """Return the magnetometric demagnetising factor of a cylinder at χ = 0.

    The mean flux density of the current sheet gives its self-inductance, so N = 1 − K_N with Nagaoka's
    coefficient, in Lorenz's closed form
    K_N = (4/3πγ) {√(1 + γ²) [γ²(K − E) + E] − 1}, k² = 1/(1 + γ²) (from memory; checked against the sum of
    coaxial circles).

    Parameters
    ----------
    aspect_ratio : array_like
        γ, length over diameter.

    Raises
    ------
    InputError
        For a ratio that is not positive and finite.
    """
    ratio = _positive_ratio(aspect_ratio)
    other = ratio**2 / (1 + ratio**2)  # 1 − k²
    second = elliprf(0.0, other, 1.0) - (1 - other) / 3 * elliprd(0.0, other, 1.0)  # E = K − (K − E)
    coefficient = ratio / 3 * _sheet_flux(ratio) + 4 / (3 * np.pi) * (np.sqrt(1 + ratio**2) * second - 1)
    return np.asarray(1 - coefficient / ratio)


# ---------------------------------------------------------------- perfectly permeable bodies of revolution


@dataclass(frozen=True, slots=True)
class _Meridian:
    """Quadrature points of the upper half of a meridian, (elements, nodes), and the element centres."""

    radius: FloatArray
    height: FloatArray
    weight: FloatArray
    centre_radius: FloatArray
    centre_height: FloatArray


def _meridian(radius: FloatArray, height: FloatArray) -> _Meridian:
    """Cut straight elements between the given points; nodes crowd at each centre, where the kernel is log."""
    node, weight = np.polynomial.legendre.leggauss(_NODES)
    inner = (node + 1) / 2
    place = np.concatenate([-(inner[::-1] ** 3), inner**3]) / 2 + 0.5
    share = np.concatenate([weight[::-1] * inner[::-1] ** 2, weight * inner**2]) * 3 / 4
    steps = np.diff(radius)[:, None], np.diff(height)[:, None]
    return _Meridian(
        radius=radius[:-1, None] + steps[0] * place,
        height=height[:-1, None] + steps[1] * place,
        weight=np.hypot(*steps) * share,
        centre_radius=(radius[:-1] + radius[1:]) / 2,
        centre_height=(height[:-1] + height[1:]) / 2,
    )


def _ring_potential(line: _Meridian, sign: float) -> FloatArray:
    """Potential at each centre of unit charge density on each element, or on its mirror image below."""
    r, z = line.centre_radius[:, None, None], line.centre_height[:, None, None]
    far = (r + line.radius) ** 2 + (z - sign * line.height) ** 2
    near = (r - line.radius) ** 2 + (z - sign * line.height) ** 2
    # ∫dφ/4π|…| over the ring = K/(π√far); K(k) = R_F(0, 1 − k², 1)
    kernel = elliprf(0.0, near / far, 1.0) / (np.pi * np.sqrt(far))
    return np.asarray(np.sum(kernel * line.radius * line.weight, axis=-1))


def _perfect_body(radius: FloatArray, height: FloatArray) -> CylinderFactors:
    """Factors at χ = ∞ of a body of revolution, its meridian given from the middle (z = 0) to the pole."""
    line = _meridian(radius, height)
    potential = _ring_potential(line, 1.0) - _ring_potential(line, -1.0)
    density = np.linalg.solve(potential, line.centre_height)  # charge that keeps the inside at zero field
    area = 2 * np.pi * np.sum(line.radius * line.weight, axis=1)
    lifted = 2 * np.pi * np.sum(line.radius * line.height * line.weight, axis=1)
    lower, upper = radius[:-1], radius[1:]
    half_volume = np.pi / 3 * np.sum((lower**2 + lower * upper + upper**2) * np.diff(height))
    return CylinderFactors(
        magnetometric=float(half_volume / (density @ lifted)),
        fluxmetric=float(np.pi * radius[0] ** 2 / (density @ area)),
    )


def perfect_cylinder_factors(aspect_ratio: float) -> CylinderFactors:
    """Return the demagnetising factors of a cylinder of infinite permeability (χ = ∞).

    Ring charges on side and end, graded towards the edge, cancel the applied field inside; the charge of
    one half is the flux through the middle, its moment the magnetisation. Computed; converged to some
    0.1 % for ratios from 0.1 to 200.

    Parameters
    ----------
    aspect_ratio : float
        γ, length over diameter, 0.1 to 200.

    Raises
    ------
    InputError
        Outside that range.
    """
    ratio = float(_positive_ratio(aspect_ratio))
    if not 0.1 <= ratio <= 200:
        raise InputError(
            "length over diameter is outside what was computed",
            where="aspect_ratio",
            got=f"{ratio:g}",
            allowed="0.1 to 200",
        )
    grade = 1 - (1 - np.linspace(0, 1, _ELEMENTS + 1)) ** 3  # dense at the end: the edge
    side, end = np.full(_ELEMENTS + 1, 0.5), grade[::-1] / 2
    return _perfect_body(
        np.concatenate([side, end[1:]]),
        np.concatenate([grade * ratio / 2, np.full(_ELEMENTS, ratio / 2)]),
    )


# ------------------------------------------------------------------------------- permeability of a rod


def _checked_factor(factor: ArrayLike) -> FloatArray:
    values = np.asarray(factor, dtype=np.float64)
    if not np.all((values >= 0) & (values < 1)):
        raise InputError(
            "a demagnetising factor is a share", where="factor", got=f"{values}", allowed="0 to less than 1"
        )
    return values


def apparent_permeability(permeability: ArrayLike, factor: ArrayLike) -> ComplexArray:
    """Return the permeability a rod shows, μ_app = μ/[1 + N(μ − 1)] (B over μ0 times the applied field).

    Parameters
    ----------
    permeability : array_like, complex
        μ of the material.
    factor : array_like
        Demagnetising factor N, 0 to 1; broadcast against ``permeability``.

    Raises
    ------
    InputError
        For a factor outside 0 to 1.
    """
    mu = np.asarray(permeability, dtype=np.complex128)
    return np.asarray(mu / (1 + _checked_factor(factor) * (mu - 1)))


def material_permeability(apparent: ArrayLike, factor: ArrayLike) -> ComplexArray:
    """Return μ = μ_app(1 − N)/(1 − N μ_app), the inverse of :func:`apparent_permeability`.

    Raises
    ------
    InputError
        For a factor outside 0 to 1.
    AnalysisError
        When a real apparent permeability reaches 1/N, the most a rod can show: μ is then bounded from below
        only (:func:`rod_permeability` gives the bound).
    """
    shown, n = np.asarray(apparent, dtype=np.complex128), _checked_factor(factor)
    left = 1 - n * shown
    if np.any((left == 0) | ((shown.imag == 0) & (left.real < 0))):
        raise AnalysisError(
            "the apparent permeability is as much as this demagnetising factor allows; the permeability is "
            "bounded from below only",
            where="apparent",
            got=f"{shown}",
            allowed="less than 1/N",
            next_step="use a longer rod or a ring of the material, or compare with a known rod in its coil",
        )
    return np.asarray(shown * (1 - n) / left)


def rod_sensitivities(apparent: ArrayLike, factor: ArrayLike) -> tuple[ComplexArray, ComplexArray]:
    """Return ∂μ/∂μ_app = (1 − N)/(1 − N μ_app)² and ∂μ/∂N = μ_app(μ_app − 1)/(1 − N μ_app)².

    Raises
    ------
    InputError, AnalysisError
        As :func:`material_permeability`.
    """
    material_permeability(apparent, factor)
    shown, n = np.asarray(apparent, dtype=np.complex128), _checked_factor(factor)
    square = (1 - n * shown) ** 2
    return np.asarray((1 - n) / square), np.asarray(shown * (shown - 1) / square)


def rod_factor_range(rod: Rod) -> tuple[float, float]:
    """Return the least and the greatest demagnetising factor the rod may have in its coil.

    A short coil in the middle sees the fluxmetric factor, one as long as the rod about the magnetometric; in
    between the two are mixed by the share of the rod that is covered. Each runs from its value at χ = 0 to
    that at χ = ∞, and the susceptibility is what is looked for, so the range is kept. As a coil's field falls
    off at its ends, a long coil may see less than the magnetometric factor: the fluxmetric one at χ = ∞ is
    always inside the range. The mixing is an approximation, from no source.

    Raises
    ------
    InputError
        For a rod shorter than 0.1 or longer than 200 diameters.
    """
    ratio = rod.length_m / rod.diameter_m
    share = min(1.0, (rod.coil_length_m or rod.length_m) / rod.length_m)
    full = perfect_cylinder_factors(ratio)
    ends = (
        (1 - share) * float(fluxmetric_factor(ratio)) + share * float(magnetometric_factor(ratio)),
        (1 - share) * full.fluxmetric + share * full.magnetometric,
    )
    return min(*ends, full.fluxmetric), max(*ends, full.fluxmetric)


def _apparent(rod: Rod, ratio: float) -> tuple[float, float]:
    """Return the apparent permeability from L/L_empty, and the share of the coil the rod fills."""
    turn = rod.coil_diameter_m or rod.diameter_m
    if turn < rod.diameter_m:
        raise InputError(
            "a turn cannot be narrower than the rod in it",
            where="coil_diameter_m",
            got=f"{turn * 1e3:g} mm",
            allowed=f"at least {rod.diameter_m * 1e3:g} mm",
        )
    coil = rod.coil_length_m or rod.length_m
    filling = (rod.diameter_m / turn) ** 2 * min(1.0, rod.length_m / coil)
    return 1 + (ratio - 1) / filling, filling


def _real(apparent: float, factor: float) -> float | None:
    """Return the material's permeability, None when the rod shows all that the factor allows."""
    if apparent * factor >= 1:
        return None
    return float(material_permeability(apparent, factor).real)


def rod_permeability(rod: Rod, inductance_h: float, relative_uncertainty: float) -> RodPermeability:
    """Return what the inductance of a coil with and without the rod says of the rod's material.

    L/L_empty = 1 + η(μ_app − 1) with the filling η = (rod diameter/turn diameter)² times the share of the
    coil that holds rod; the field of a finite coil is taken as uniform. Then μ from μ_app with every
    demagnetising factor the shape allows. Where the rod shows as much as the factor allows, the permeability
    is *returned as bounded from below*; an error is raised only when no factor explains the reading.

    Parameters
    ----------
    rod : Rod
    inductance_h : float
        Inductance of the coil with the rod, H, well below the corner of the material.
    relative_uncertainty : float
        Standard uncertainty of the quotient L/L_empty, relative.

    Returns
    -------
    RodPermeability

    Raises
    ------
    InputError
        For an inductance or uncertainty that is not positive (zero uncertainty is allowed) and finite, a coil
        narrower than the rod, or a rod outside 0.1 to 200 diameters.
    AnalysisError
        When the coil reads less with the rod than without, or more than any factor of this shape allows.
    """
    if not (0 < inductance_h < math.inf and 0 <= relative_uncertainty < math.inf):
        raise InputError(
            "an inductance is positive, its uncertainty not negative, both finite",
            where="inductance_h, relative_uncertainty",
            got=f"{inductance_h:g}, {relative_uncertainty:g}",
            allowed="> 0, >= 0",
        )
    ratio = inductance_h / rod.empty_coil_inductance_h
    apparent, filling = _apparent(rod, ratio)
    spread = relative_uncertainty * ratio / filling
    low_factor, high_factor = rod_factor_range(rod)
    factor, factor_spread = (low_factor + high_factor) / 2, (high_factor - low_factor) / (2 * math.sqrt(3))
    lowest = _lowest(apparent - 2 * spread, low_factor, apparent + 2 * spread)
    middle = _real(apparent, factor)
    return RodPermeability(
        apparent=apparent,
        demagnetising_factor=factor,
        demagnetising_uncertainty=factor_spread,
        permeability=middle,
        standard_uncertainty=None
        if middle is None
        else _first_order(apparent, factor, spread, factor_spread),
        lower_bound=lowest,
        upper_bound=_real(apparent + 2 * spread, high_factor),
    )


def _lowest(apparent: float, factor: float, highest: float) -> float:
    if highest < 1:
        raise AnalysisError(
            "the coil reads less with the rod than without it",
            where="inductance_h",
            got=f"an apparent permeability of at most {highest:.4g}",
            allowed="1 or more",
            next_step="measure the empty coil again, at the same frequency",
        )
    bound = _real(apparent, factor)
    if bound is None:
        raise AnalysisError(
            "the rod shows more than any demagnetising factor of its shape allows",
            where="inductance_h",
            got=f"an apparent permeability of at least {apparent:.4g}",
            allowed=f"less than {1 / factor:.4g}",
            next_step="check the rod's dimensions, the coil's diameter and the inductance of the empty coil",
        )
    return bound


def _first_order(apparent: float, factor: float, spread: float, factor_spread: float) -> float:
    by_apparent, by_factor = rod_sensitivities(apparent, factor)
    return math.hypot(float(by_apparent.real) * spread, float(by_factor.real) * factor_spread)
