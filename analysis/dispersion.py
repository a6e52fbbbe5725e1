"""Laws of magnetic dispersion: one pure, vectorised function per law.

Everywhere the time factor is e^{+jωt} and μ = μ′ − jμ″, so that a passive material has an imaginary part
that is negative or zero. A function named ``…_susceptibility`` returns μ − 1; the others return the
relative permeability. Frequencies are in hertz: the published laws are homogeneous in ω, so f stands in
its place. Arguments broadcast like numpy arrays.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from scipy.constants import mu_0, physical_constants

from whichcore.analysis.types import ComplexArray, FloatArray
from whichcore.errors import InputError

GYROMAGNETIC_HZ_PER_T = float(physical_constants["electron gyromag. ratio in MHz/T"][0]) * 1e6
"""γ/2π of the electron (CODATA), the "28 GHz/T" of the field."""


@dataclass(frozen=True, slots=True)
class WallResonance:
    """Damped resonance of the domain walls: strength K_d, f_d and β, both in Hz."""

    strength: float
    frequency_hz: float
    damping_hz: float


@dataclass(frozen=True, slots=True)
class SpinResonance:
    """Gyromagnetic resonance: strength K_s, f_s in Hz and the dimensionless damping α."""

    strength: float
    frequency_hz: float
    damping: float


@dataclass(frozen=True, slots=True)
class Relaxation:
    """One relaxation: strength K and corner frequency, Hz."""

    strength: float
    corner_hz: float


def _frequency(frequency_hz: ArrayLike) -> FloatArray:
    frequency = np.asarray(frequency_hz, dtype=np.float64)
    if not np.all(np.isfinite(frequency) & (frequency >= 0)):
        raise InputError(
            "a frequency must be finite and not negative",
            where="frequency_hz",
            got=f"{frequency[~(np.isfinite(frequency) & (frequency >= 0))].flat[0]:g} Hz",
            allowed="0 Hz and above",
        )
    return frequency


def _require(name: str, value: ArrayLike, allowed: str, *, above: float, below: float = np.inf) -> FloatArray:
    """Return ``value`` as an array, refused unless above < value < below."""
    array = np.asarray(value, dtype=np.float64)
    wrong = ~((array > above) & (array < below))
    if np.any(wrong):
        raise InputError(
            "a parameter of the law is outside its range",
            where=name,
            got=f"{array[wrong].flat[0]:g}",
            allowed=allowed,
        )
    return array


def wall_susceptibility(frequency_hz: ArrayLike, wall: WallResonance) -> ComplexArray:
    """Susceptibility of damped domain walls, K_d f_d²/(f_d² − f² + j f β).

    Parameters
    ----------
    frequency_hz : array
    wall : WallResonance

    Returns
    -------
    complex array
        Shape of ``frequency_hz``. For β ≫ f_d it is a relaxation with its corner at f_d²/β.

    Raises
    ------
    InputError
        When a parameter is not positive.

    Notes
    -----
    T. Tsutaoka, J. Appl. Phys. 93, 2789 (2003), first term of the law; from memory.
    """
    f = _frequency(frequency_hz)
    f_d = _require("wall.frequency_hz", wall.frequency_hz, "> 0 Hz", above=0)
    _require("wall.damping_hz", wall.damping_hz, "> 0 Hz", above=0)
    ratio = f / f_d
    return np.asarray(wall.strength / (1 - ratio**2 + 1j * ratio * (wall.damping_hz / f_d)), np.complex128)


def spin_susceptibility(frequency_hz: ArrayLike, spin: SpinResonance) -> ComplexArray:
    """Susceptibility of the gyromagnetic resonance, K_s f_s(f_s + j f α)/[(f_s + j f α)² − f²].

    Parameters
    ----------
    frequency_hz : array
    spin : SpinResonance

    Returns
    -------
    complex array
        Shape of ``frequency_hz``. For α ≫ 1 it is a relaxation with its corner at f_s/α.

    Raises
    ------
    InputError
        When a parameter is not positive.

    Notes
    -----
    T. Tsutaoka, J. Appl. Phys. 93, 2789 (2003), second term of the law; from memory.
    """
    f = _frequency(frequency_hz)
    f_s = _require("spin.frequency_hz", spin.frequency_hz, "> 0 Hz", above=0)
    _require("spin.damping", spin.damping, "> 0", above=0)
    ratio = f / f_s
    damped = 1 + 1j * ratio * spin.damping
    # K d/(d² − x²) = K/(d − x²/d) with d = 1 + jxα: no square of a large number is formed
    return np.asarray(spin.strength / (damped - ratio * (ratio / damped)), np.complex128)


def wall_and_spin(frequency_hz: ArrayLike, wall: WallResonance, spin: SpinResonance) -> ComplexArray:
    """Relative permeability of a sintered ferrite: 1 + wall term + spin term.

    Parameters
    ----------
    frequency_hz : array
    wall : WallResonance
    spin : SpinResonance

    Returns
    -------
    complex array
        μ′ − jμ″, shape of ``frequency_hz``.

    Raises
    ------
    InputError
        When a parameter is not positive.

    Notes
    -----
    T. Tsutaoka, J. Appl. Phys. 93, 2789 (2003); from memory.
    """
    return 1 + wall_susceptibility(frequency_hz, wall) + spin_susceptibility(frequency_hz, spin)


def relaxation_susceptibility(
    frequency_hz: ArrayLike, strength: ArrayLike, corner_hz: ArrayLike
) -> ComplexArray:
    """Susceptibility of one relaxation (Debye form), K/(1 + j f/f_r).

    Parameters
    ----------
    frequency_hz : array
    strength : array
        K = μ(0) − 1.
    corner_hz : array
        f_r, where μ″ has its maximum K/2.

    Returns
    -------
    complex array
        Broadcast shape of the arguments.

    Raises
    ------
    InputError
        When the corner is not positive.
    """
    f = _frequency(frequency_hz)
    corner = _require("corner_hz", corner_hz, "> 0 Hz", above=0)
    return np.asarray(np.asarray(strength, np.float64) / (1 + 1j * f / corner), np.complex128)


def relaxation_sum(frequency_hz: ArrayLike, terms: Sequence[Relaxation]) -> ComplexArray:
    """Relative permeability of a sum of relaxations, 1 + Σ K_n/(1 + j f/f_n).

    Parameters
    ----------
    frequency_hz : array
    terms : sequence of Relaxation
        May be empty, which is the vacuum.

    Returns
    -------
    complex array
        μ′ − jμ″, shape of ``frequency_hz``.

    Raises
    ------
    InputError
        When a corner is not positive.
    """
    total = np.ones(_frequency(frequency_hz).shape, np.complex128)
    for term in terms:
        total = total + relaxation_susceptibility(frequency_hz, term.strength, term.corner_hz)
    return total


def cole_cole_susceptibility(
    frequency_hz: ArrayLike, strength: ArrayLike, corner_hz: ArrayLike, spread: ArrayLike
) -> ComplexArray:
    """Susceptibility of a spread relaxation, K/(1 + (jωτ)^{1−a}), τ = 1/(2π f_r).

    Parameters
    ----------
    frequency_hz : array
    strength : array
        K = μ(0) − 1.
    corner_hz : array
        f_r, where μ″ has its maximum.
    spread : array
        a, 0 (one relaxation) up to less than 1.

    Returns
    -------
    complex array
        Broadcast shape of the arguments.

    Raises
    ------
    InputError
        When the corner is not positive or the spread not in [0, 1).

    Notes
    -----
    K. S. Cole and R. H. Cole, J. Chem. Phys. 9, 341 (1941), there for dielectrics; from memory.
    """
    f = _frequency(frequency_hz)
    corner = _require("corner_hz", corner_hz, "> 0 Hz", above=0)
    a = _require("spread", spread, "0 to less than 1", above=-np.nextafter(0.0, 1.0), below=1)
    # (j)^{1−a} is written out: the power of a complex number at f = 0 is not defined for every library.
    power = (f / corner) ** (1 - a) * np.exp(0.5j * np.pi * (1 - a))
    return np.asarray(np.asarray(strength, np.float64) / (1 + power), np.complex128)


def tangent_ratio(argument: ArrayLike) -> ComplexArray:
    """Return tan(w)/w for complex w, stable for any size of the imaginary part, 1 at w = 0.

    Parameters
    ----------
    argument : complex array

    Returns
    -------
    complex array

    Notes
    -----
    The function is even, so w is first turned into the lower half plane, where e^{−2jw} cannot overflow.
    """
    w = np.asarray(argument, np.complex128)
    w = np.where(w.imag > 0, -w, w)
    shifted = np.expm1(-2j * w)  # e^{−2jw} − 1 without the loss of digits near w = 0
    tangent = 1j * shifted / (2 + shifted)
    small = np.abs(w) < 1e-150
    return np.asarray(np.where(small, 1.0, tangent / np.where(small, 1.0, w)), np.complex128)


def ribbon(
    frequency_hz: ArrayLike,
    initial_permeability: ArrayLike,
    resistivity_ohm_m: ArrayLike,
    thickness_m: ArrayLike,
) -> ComplexArray:
    """Relative permeability of a conducting ribbon, μi tanh(x)/x, x = (1 + j) d/2δ.

    Parameters
    ----------
    frequency_hz : array
    initial_permeability : array
        μi of the metal, taken as real and constant.
    resistivity_ohm_m : array
        ρ of the metal; δ = √(2ρ/(ωμ0μi)).
    thickness_m : array
        d of the ribbon. The flux runs along the ribbon, eddy currents enter from both faces.

    Returns
    -------
    complex array
        μ′ − jμ″, broadcast shape of the arguments.

    Raises
    ------
    InputError
        When a parameter is not positive.

    Notes
    -----
    Classical eddy currents only, from memory; domain walls add to the loss of real ribbon.
    """
    f = _frequency(frequency_hz)
    mu = _require("initial_permeability", initial_permeability, "> 0", above=0)
    rho = _require("resistivity_ohm_m", resistivity_ohm_m, "> 0 ohm m", above=0)
    d = _require("thickness_m", thickness_m, "> 0 m", above=0)
    x = (1 + 1j) * d / 2 * np.sqrt(np.pi * f * mu_0 * mu / rho)
    # tanh(x)/x = tan(w)/w with w = jx or −jx
    return np.asarray(mu * tangent_ratio(-1j * x), np.complex128)


def sphere_factor(argument: ArrayLike) -> ComplexArray:
    """Return 2(sin z − z cos z)/[(z² − 1) sin z + z cos z], stable for any |z|, 1 at z = 0.

    Parameters
    ----------
    argument : complex array

    Returns
    -------
    complex array

    Notes
    -----
    Written as 2r/(1 − r) with r = (1 − z cot z)/z², which is even, tends to 1/3 at 0, and needs no power of
    a growing exponential. Below |z| = 0.05 its power series is used, good there to 1e-15.
    """
    z = np.asarray(argument, np.complex128)
    z = np.where(z.imag > 0, -z, z)
    squared = z * z
    small = np.abs(z) < 0.05
    safe = np.where(small, 1.0, z)
    shifted = np.expm1(-2j * safe)
    z_cot_z = safe * 1j * (2 + shifted) / -shifted
    far = (1 - z_cot_z) / (safe * safe)
    near = 1 / 3 + squared / 45 + 2 * squared**2 / 945 + squared**3 / 4725
    r = np.where(small, near, far)
    return np.asarray(2 * r / (1 - r), np.complex128)


def conducting_sphere(
    frequency_hz: ArrayLike, permeability: ArrayLike, resistivity_ohm_m: ArrayLike, radius_m: ArrayLike
) -> ComplexArray:
    """Apparent relative permeability of a conducting sphere of radius a in an alternating field.

    Parameters
    ----------
    frequency_hz : array
    permeability : array
        μ of the metal, real or complex.
    resistivity_ohm_m, radius_m : array

    Returns
    -------
    complex array
        μ·2(sin z − z cos z)/[(z² − 1) sin z + z cos z], z = a√(−jωμ0μ/ρ); broadcast shape.

    Raises
    ------
    InputError
        When resistivity or radius is not positive.

    Notes
    -----
    From memory; the particle law of powder cores.
    """
    f = _frequency(frequency_hz)
    mu = np.asarray(permeability, np.complex128)
    rho = _require("resistivity_ohm_m", resistivity_ohm_m, "> 0 ohm m", above=0)
    a = _require("radius_m", radius_m, "> 0 m", above=0)
    z = a * np.sqrt(-1j * 2 * np.pi * f * mu_0 * mu / rho)
    return np.asarray(mu * sphere_factor(z), np.complex128)


def with_grain_boundary(permeability: ArrayLike, boundary_ratio: ArrayLike) -> ComplexArray:
    """Permeability of grains in series with their non-magnetic boundaries, 1/μ_e = 1/μ_i + δ/D.

    Parameters
    ----------
    permeability : array
        μ_i of the grain, real or complex.
    boundary_ratio : array
        δ/D, thickness of the boundary over the size of the grain; the same law with gap over path length
        holds for a gapped core.

    Returns
    -------
    complex array
        Broadcast shape of the arguments.

    Raises
    ------
    InputError
        When the ratio is negative.

    Notes
    -----
    M. T. Johnson and E. G. Visser, IEEE Trans. Magn. 26, 1987 (1990); from memory.
    """
    mu = np.asarray(permeability, np.complex128)
    ratio = _require("boundary_ratio", boundary_ratio, "0 and above", above=-np.nextafter(0.0, 1.0))
    return np.asarray(mu / (1 + mu * ratio), np.complex128)


def snoek_corner_hz(initial_permeability: ArrayLike, saturation_t: ArrayLike) -> FloatArray:
    """Corner frequency that Snoek's law gives, (μi − 1) f_r = (2/3)(γ/2π) μ0Ms.

    Parameters
    ----------
    initial_permeability : array
        μi, above 1.
    saturation_t : array
        μ0Ms, T.

    Returns
    -------
    float array
        f_r, Hz. A limit for isotropic polycrystals of cubic anisotropy: eddy currents, walls and the section
        of the core can only lower the corner.

    Raises
    ------
    InputError
        When μi is not above 1 or the saturation not positive.

    Notes
    -----
    J. L. Snoek, Physica 14, 207 (1948); from memory.
    """
    mu = _require("initial_permeability", initial_permeability, "> 1", above=1)
    saturation = _require("saturation_t", saturation_t, "> 0 T", above=0)
    return np.asarray(2 / 3 * GYROMAGNETIC_HZ_PER_T * saturation / (mu - 1), np.float64)
