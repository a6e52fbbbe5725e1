"""The wire itself: copper, gauges, skin effect, enamel."""

from __future__ import annotations

import csv
from functools import cache
from importlib.resources import files

import numpy as np
from numpy.typing import ArrayLike
from scipy import constants, special

from whichcore.analysis.types import ComplexArray, FloatArray
from whichcore.errors import AnalysisError, InputError

COPPER_RESISTIVITY_OHM_M = 1.7241e-8
"""Annealed copper at 20 °C (the international annealed copper standard, IEC 60028; from memory)."""
COPPER_TEMPERATURE_COEFFICIENT_PER_K = 0.00393
"""Of resistance, referred to 20 °C (IEC 60028; from memory)."""


def copper_resistivity_ohm_m(temperature_c: float = 20.0) -> float:
    """Return the resistivity of annealed copper, Ω·m (linear law, good from about −50 to 150 °C)."""
    return COPPER_RESISTIVITY_OHM_M * (1 + COPPER_TEMPERATURE_COEFFICIENT_PER_K * (temperature_c - 20.0))


def awg_diameter_m(gauge: int) -> float:
    """Return the diameter of a bare wire by its American gauge (ASTM B258: 0.127 mm · 92^((36 − n)/39)).

    Parameters
    ----------
    gauge : int
        −3 (the gauge 0000) to 56.

    Raises
    ------
    InputError
        The gauge lies outside.
    """
    if not -3 <= gauge <= 56:
        raise InputError("no such gauge", where="gauge", got=f"{gauge}", allowed="-3 to 56")
    return float(0.127e-3 * 92.0 ** ((36 - gauge) / 39))


def resistance_per_metre_ohm(diameter_m: float, temperature_c: float = 20.0) -> float:
    """Return the dc resistance of a metre of round copper wire, Ω/m: 4ρ/(πd²)."""
    return float(4 * copper_resistivity_ohm_m(temperature_c) / (np.pi * diameter_m**2))


def skin_depth_m(frequency_hz: ArrayLike, temperature_c: float = 20.0) -> FloatArray:
    """Return the skin depth of copper, m: √(ρ/(π f μ0)), f > 0 in Hz."""
    frequency = np.asarray(frequency_hz, dtype=float)
    return np.asarray(np.sqrt(copper_resistivity_ohm_m(temperature_c) / (np.pi * frequency * constants.mu_0)))


def internal_impedance_ratio(radius_over_skin_depth: ArrayLike) -> ComplexArray:
    """Return the internal impedance of a lone round wire over its dc resistance.

    Parameters
    ----------
    radius_over_skin_depth : float array (F,)
        a/δ > 0.

    Returns
    -------
    complex array (F,)
        z J0(z)/[2 J1(z)], z = (1 − j)a/δ, for e^{+jωt}: the real part is R_ac/R_dc, the imaginary part
        ωL_internal/R_dc, which tends to (a/δ)²/4, that is μ0/8π per metre. The exponentially scaled Bessel
        functions make it good for any argument; their scales cancel.
    """
    z = (1 - 1j) * np.asarray(radius_over_skin_depth, dtype=float)
    return np.asarray(z * special.jve(0, z) / (2 * special.jve(1, z)))


def layer_resistance_ratio(radius_over_skin_depth: ArrayLike, fill: float, layers: int = 1) -> FloatArray:
    """Return R_ac/R_dc of a winding layer whose turns see each other's field.

    Parameters
    ----------
    radius_over_skin_depth : float array (F,)
        a/δ > 0.
    fill : float
        Share of the layer's width that is copper, 0 to 1.
    layers : int
        Number of layers.

    Returns
    -------
    float array (F,)
        P. L. Dowell, Proc. IEE 113(8), 1387 (1966), from memory: with the porosity of the layer of
        equal-area squares in Δ = (π/4)^¾ √fill · 2a/δ, F = Δ [(sinh 2Δ + sin 2Δ)/(cosh 2Δ − cos 2Δ) +
        ⅔(m² − 1)(sinh Δ − sin Δ)/(cosh Δ + cos Δ)]. A one-dimensional field:
        good for tight layers, too low for lone wires.
    """
    side = 2 * (np.pi / 4) ** 0.75 * np.sqrt(fill) * np.asarray(radius_over_skin_depth, dtype=float)
    # exp(−2Δ) is taken out of each fraction, so that large Δ does not overflow
    twice, once = np.exp(-2 * side), np.exp(-side)
    skin = ((1 - twice**2) / 2 + np.sin(2 * side) * twice) / ((1 + twice**2) / 2 - np.cos(2 * side) * twice)
    proximity = ((1 - once**2) / 2 - np.sin(side) * once) / ((1 + once**2) / 2 + np.cos(side) * once)
    return np.asarray(side * (skin + 2 * (layers**2 - 1) / 3 * proximity))


@cache
def _enamelled_wires() -> tuple[FloatArray, FloatArray]:
    """Return nominal copper diameter and largest overall diameter of grade 2, m."""
    with files(__package__ or "").joinpath("wire.csv").open(encoding="utf-8") as stream:
        rows = list(csv.DictReader(stream))
    copper = np.array([float(row["copper_diameter_mm"]) for row in rows])
    overall = np.array([float(row["overall_diameter_grade2_mm"]) for row in rows])
    return copper * 1e-3, overall * 1e-3


def in_enamel_table(copper_diameter_m: float) -> bool:
    """Return whether the table of enamelled wires covers a copper diameter in m."""
    copper, _ = _enamelled_wires()
    return bool(copper[0] <= copper_diameter_m <= copper[-1])


def enamelled_diameter_m(copper_diameter_m: float) -> float:
    """Return the overall diameter of enamelled wire of grade 2, interpolated in the wire table, m.

    Raises
    ------
    AnalysisError
        The copper diameter lies outside the table; nothing is extrapolated.
    """
    copper, overall = _enamelled_wires()
    if not in_enamel_table(copper_diameter_m):
        raise AnalysisError(
            "the wire lies outside the table of enamelled wires",
            where="wire_diameter",
            got=f"{copper_diameter_m * 1e3:g} mm",
            allowed=f"{copper[0] * 1e3:g} to {copper[-1] * 1e3:g} mm",
            next_step="state the winding capacitance instead",
        )
    return float(np.interp(copper_diameter_m, copper, overall))
