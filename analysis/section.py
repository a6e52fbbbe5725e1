"""Dimensional effects: what the finite section of a core does to its permeability.

Inside a core of permeability μ, permittivity ε and conductivity σ the field is a wave of wave number k. Its
length in manganese-zinc ferrite is a few centimetres at 1 MHz, so the section of the core shows in the
measured permeability: μ_measured = μ F(k, section). First observed by Brockman, Dowling and Steneck,
Phys. Rev. 77, 85 (1950). The factors here take the magnetic field as given on the whole surface of a
straight bar with the flux along its axis, which is what a thin winding on a closed core does.
"""

from __future__ import annotations

import csv
from functools import cache
from importlib import resources

import numpy as np
from numpy.typing import ArrayLike
from scipy.constants import epsilon_0, mu_0
from scipy.special import jve

from whichcore.analysis.dispersion import tangent_ratio
from whichcore.analysis.types import ComplexArray, FloatArray
from whichcore.errors import AnalysisError, InputError

_FIRST_BLOCK, _LARGEST_BLOCK = 32, 1024  # terms of the series summed at a time
_ROUGH_BLOCK, _ROUGH = 6, 1e-6  # where less is asked for than this, the first terms mostly do
_RELATIVE_REMAINDER = 1e-10
_LAST_INDEX = 1_000_000
_REMOVABLE = 1e-6  # relative distance to a removable singularity within which neighbours are averaged
_STEP_ASIDE = 1e-5  # rounding and curvature then both stay near 1e-5; only a core without loss comes there


def wave_number_per_m(
    frequency_hz: ArrayLike,
    permeability: ArrayLike,
    conductivity_s_per_m: ArrayLike,
    relative_permittivity: ArrayLike,
) -> ComplexArray:
    """Wave number k = ω√(μ0 μ (ε0 ε − jσ/ω)) inside the material.

    Parameters
    ----------
    frequency_hz : array (F,)
    permeability : complex array (F,) or scalar
        μ′ − jμ″.
    conductivity_s_per_m, relative_permittivity : array (F,) or scalar

    Returns
    -------
    complex array (F,)
        1/m, in the half plane of waves that decay (imaginary part negative or zero).

    Raises
    ------
    InputError
        When the frequency is not positive, or conductivity or permittivity is negative or not finite.
    """
    frequency = np.asarray(frequency_hz, np.float64)
    if not np.all(np.isfinite(frequency) & (frequency > 0)):
        raise InputError("a frequency must be finite and positive", where="frequency_hz", allowed="> 0 Hz")
    sigma = np.asarray(conductivity_s_per_m, np.float64)
    epsilon = np.asarray(relative_permittivity, np.float64)
    for name, value in (("conductivity_s_per_m", sigma), ("relative_permittivity", epsilon)):
        if not np.all(np.isfinite(value) & (value >= 0)):
            raise InputError("it must be finite and not negative", where=name, allowed="0 and above")
    omega = 2 * np.pi * frequency
    mu = np.asarray(permeability, np.complex128)
    k = omega * np.sqrt(mu_0 * mu * (epsilon_0 * epsilon - 1j * sigma / omega))
    return np.asarray(np.where(k.imag > 0, -k, k), np.complex128)


def slab_factor(wave_number: ArrayLike, thickness_m: float) -> ComplexArray:
    """Section factor of a wide slab with the flux along it, tan(kd/2)/(kd/2).

    Parameters
    ----------
    wave_number : complex array
        k, 1/m.
    thickness_m : float
        d.

    Returns
    -------
    complex array
        F; it has a pole at kd = π when there is no loss.

    Raises
    ------
    InputError
        When the thickness is not positive.
    """
    _require_side("thickness_m", thickness_m)
    return tangent_ratio(np.asarray(wave_number, np.complex128) * thickness_m / 2)


def rod_factor(wave_number: ArrayLike, radius_m: float) -> ComplexArray:
    """Section factor of a round bar with the flux along it, 2 J1(ka)/(ka J0(ka)).

    Parameters
    ----------
    wave_number : complex array
        k, 1/m.
    radius_m : float
        a.

    Returns
    -------
    complex array
        F; it has a pole at ka = 2.405 when there is no loss.

    Raises
    ------
    InputError
        When the radius is not positive.
    """
    _require_side("radius_m", radius_m)
    w = np.asarray(wave_number, np.complex128) * radius_m
    small = np.abs(w) < 1e-8  # 1 + w²/8 is 1 there to the last digit
    safe = np.where(small, 1.0, w)
    # the scaled functions share the factor e^{−|Im w|}, so the quotient cannot overflow
    return np.asarray(np.where(small, 1.0, 2 * jve(1, safe) / (safe * jve(0, safe))), np.complex128)


def rectangle_factor(
    wave_number: ArrayLike, sides_m: tuple[float, float], *, remainder: float = _RELATIVE_REMAINDER
) -> ComplexArray:
    """Section factor of a rectangular bar a × b with the flux along it.

    Parameters
    ----------
    wave_number : complex array
        k, 1/m.
    sides_m : (float, float)
        a and b; their order does not matter.
    remainder : float
        Relative, at which the series ends.

    Returns
    -------
    complex array
        F, the mean of the field over the section for a field of 1 on its boundary.

    Raises
    ------
    InputError
        When a side is not positive.
    AnalysisError
        When the series has not converged (sides of many thousand skin depths).

    Notes
    -----
    The double sine series of (∇² + k²)h = 0, h = 1 on the boundary, summed over one index in closed form:

        F = T(ka/2) + k² Σ_{m odd} 8/(π²m²) T(γ_m b/2)/γ_m²,  T(w) = tan(w)/w,  γ_m² = k² − (mπ/a)²

    with a the shorter side. Its terms fall as m⁻⁵ once m passes |k|a/π. Derived here (analytic); the first
    term alone is the slab.
    """
    for side in sides_m:
        _require_side("sides_m", side)
    a, b = min(sides_m), max(sides_m)
    k = np.asarray(wave_number, np.complex128)
    # where ka is an odd multiple of π the slab and one term have poles that cancel: go past on both sides
    order = np.maximum(2 * np.round((np.abs(k.real) * a / np.pi - 1) / 2) + 1, 1)
    step = np.where(np.abs(k * k * (a / (order * np.pi)) ** 2 - 1) < _REMOVABLE, _STEP_ASIDE, 0.0)
    if not np.any(step):
        return _rectangle_series(k, a, b, remainder)
    sides = [_rectangle_series(k * factor, a, b, remainder) for factor in (1 - step, 1 + step)]
    return (sides[0] + sides[1]) / 2


def _rectangle_series(k: ComplexArray, a: float, b: float, remainder: float) -> ComplexArray:
    squared, total = (k * k).ravel(), tangent_ratio(k * a / 2).ravel()
    size, unfinished = np.abs(k).ravel(), np.arange(total.size)
    first, block = 1, _FIRST_BLOCK if remainder < _ROUGH else _ROUGH_BLOCK
    while first < _LAST_INDEX:
        m = np.arange(first, first + 2 * block, 2, dtype=np.float64)
        here = squared[unfinished, None]
        gamma_squared = here - (m * np.pi / a) ** 2
        tangents = tangent_ratio(np.sqrt(gamma_squared) * b / 2)
        terms = 8 / (np.pi * m) ** 2 * tangents / gamma_squared * here
        total[unfinished] += terms.sum(axis=-1)
        # with m⁻⁵, once m passes |k|a/π, the remainder is about m/8 of the last term
        ended = np.abs(terms[:, -1]) * m[-1] <= remainder * np.abs(total[unfinished])
        unfinished = unfinished[~(ended & (m[-1] * np.pi > size[unfinished] * a))]
        if not unfinished.size:
            return total.reshape(k.shape)
        first, block = first + 2 * block, min(2 * block, _LARGEST_BLOCK)
    raise AnalysisError(
        "the series of the rectangular section does not converge",
        where="section",
        got=f"|k|·a up to {float(np.max(np.abs(k))) * a:.3g}",
        next_step="check conductivity and section; the field does not enter such a core",
    )


def section_effect(
    frequency_hz: ArrayLike,
    permeability: ArrayLike,
    sides_m: tuple[float, float],
    conductivity_s_per_m: ArrayLike,
    relative_permittivity: ArrayLike,
    *,
    remainder: float = _RELATIVE_REMAINDER,
) -> ComplexArray:
    """Factor F by which a rectangular section changes the permeability: μ_measured = μ F.

    Parameters
    ----------
    frequency_hz : array (F,)
    permeability : complex array (F,) or scalar
        μ of the material itself, μ′ − jμ″.
    sides_m : (float, float)
        Sides of the section across the flux.
    conductivity_s_per_m, relative_permittivity : array (F,) or scalar
    remainder : float
        Relative, at which the series of the section ends.

    Returns
    -------
    complex array (F,)

    Raises
    ------
    InputError
        When a frequency, side, conductivity or permittivity is outside its range.
    AnalysisError
        When the series has not converged.
    """
    k = wave_number_per_m(frequency_hz, permeability, conductivity_s_per_m, relative_permittivity)
    return rectangle_factor(k, sides_m, remainder=remainder)


@cache
def _mnzn_table() -> tuple[FloatArray, FloatArray, FloatArray]:
    text = (resources.files("whichcore.analysis") / "mnzn_dielectric.csv").read_text("utf-8")
    rows = list(csv.DictReader(text.splitlines()))
    columns = ("frequency_hz", "relative_permittivity", "conductivity_s_per_m")
    frequency, epsilon, sigma = (np.array([float(row[name]) for row in rows]) for name in columns)
    return frequency, epsilon, sigma


def mnzn_dielectric(frequency_hz: ArrayLike) -> tuple[FloatArray, FloatArray]:
    """Small-signal permittivity and conductivity of one manganese-zinc power ferrite at 25 °C.

    Parameters
    ----------
    frequency_hz : array
        1 kHz to 1 MHz, the span of the measured table.

    Returns
    -------
    relative_permittivity, conductivity_s_per_m : float arrays
        Interpolated linearly in the logarithms.

    Raises
    ------
    InputError
        When a frequency lies outside the table: nothing is stretched.

    Notes
    -----
    T. Guillod, W. Roberts and C. R. Sullivan, "Characterization and Impact of Large-Signal Dielectric
    Properties in MnZn Ferrites", IEEE APEC 2024, open data. One grade: others differ by factors.
    """
    table_frequency, epsilon, sigma = _mnzn_table()
    frequency = np.asarray(frequency_hz, np.float64)
    inside = (frequency >= table_frequency[0]) & (frequency <= table_frequency[-1])
    if not np.all(inside):
        raise InputError(
            "the dielectric table of manganese-zinc ferrite does not reach there",
            where="frequency_hz",
            got=f"{frequency[~inside].flat[0]:g} Hz",
            allowed=f"{table_frequency[0]:g} Hz to {table_frequency[-1]:g} Hz",
            next_step="give permittivity and conductivity at that frequency",
        )
    logs = np.log(frequency), np.log(table_frequency)
    return np.exp(np.interp(*logs, np.log(epsilon))), np.exp(np.interp(*logs, np.log(sigma)))


def _require_side(name: str, value: float) -> None:
    if not 0 < value < np.inf:
        raise InputError(
            "a side of the section must be positive and finite",
            where=name,
            got=f"{value * 1e3:g} mm",
            allowed="> 0 mm",
        )
