"""Copper, gauges, skin effect, enamel."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import constants, special

from whichcore.analysis.wire import (
    awg_diameter_m,
    copper_resistivity_ohm_m,
    enamelled_diameter_m,
    in_enamel_table,
    internal_impedance_ratio,
    layer_resistance_ratio,
    resistance_per_metre_ohm,
    skin_depth_m,
)
from whichcore.errors import AnalysisError, InputError


@pytest.mark.parametrize(
    ("gauge", "milliohm_per_metre", "half_digit"),
    # computed elsewhere: copper of 1.7241e-8 Ω·m at 20 °C with the diameters of ASTM B258
    [
        (18, 20.948, 0.0005),
        (22, 52.962, 0.0005),
        (24, 84.213, 0.0005),
        (26, 133.90, 0.005),
        (28, 212.92, 0.005),
        (30, 338.55, 0.005),
        (36, 1361, 0.5),
    ],
)
def test_resistance_of_the_gauges(gauge, milliohm_per_metre, half_digit):
    found = 1e3 * resistance_per_metre_ohm(awg_diameter_m(gauge))
    assert found == pytest.approx(milliohm_per_metre, abs=half_digit)


def test_gauges_of_the_definition():
    # published: ASTM B258 defines 36 as 0.005 in and 0000 (that is −3) as 0.46 in
    assert awg_diameter_m(36) == pytest.approx(0.127e-3, rel=1e-12)
    assert awg_diameter_m(-3) == pytest.approx(11.684e-3, rel=1e-12)
    with pytest.raises(InputError, match="gauge"):
        awg_diameter_m(60)


def test_warm_copper():
    # memory: 0.00393/K, so +3.93 % for 10 K
    assert copper_resistivity_ohm_m(30) / copper_resistivity_ohm_m(20) == pytest.approx(1.0393, abs=1e-9)


@pytest.mark.parametrize(
    ("frequency", "millimetre", "half_digit"),
    # computed elsewhere
    [(1e3, 2.0898, 5e-5), (1e4, 0.66085, 5e-6), (1e5, 0.20898, 5e-6), (1e6, 0.066085, 5e-7)],
)
def test_skin_depth(frequency, millimetre, half_digit):
    assert 1e3 * skin_depth_m(frequency) == pytest.approx(millimetre, abs=half_digit)


@pytest.mark.parametrize(
    ("ratio", "resistance"),
    [(1, 1.0205), (2, 1.2646), (3, 1.7681), (5, 2.7681)],  # computed elsewhere
)
def test_resistance_ratio(ratio, resistance):
    assert internal_impedance_ratio(ratio).real == pytest.approx(resistance, abs=5e-5)


def test_thin_wire_keeps_dc_values():
    # analytic: R ratio 1 + x⁴/48, internal inductance μ0/8π per metre
    frequency, diameter = 1e3, 0.2e-3
    depth = skin_depth_m(frequency)
    ratio = internal_impedance_ratio(diameter / 2 / depth)
    assert ratio.real - 1 == pytest.approx((diameter / 2 / depth) ** 4 / 48, rel=1e-3)
    inductance = resistance_per_metre_ohm(diameter) * ratio.imag / (2 * np.pi * frequency)
    assert inductance == pytest.approx(constants.mu_0 / (8 * np.pi), rel=1e-5)


def test_thick_wire_does_not_overflow():
    # analytic: for large x, Z/R_dc → (1 + j)x/2 + 1/4 + terms in 1/x; unscaled J0 overflows above x = 700
    x = np.array([48.0, 1e3, 1e5])  # the first is 2 mm wire at 10 MHz
    found = internal_impedance_ratio(x)
    assert found.real == pytest.approx(x / 2 + 0.25, rel=1e-4)
    assert found.imag == pytest.approx(x / 2, rel=1e-4)


def test_internal_impedance_against_the_kelvin_functions():
    # independent code: scipy's ber, bei and their derivatives
    x = np.array([0.3, 1.0, 2.5, 6.0])
    q = np.sqrt(2) * x
    wave = special.ber(q) + 1j * special.bei(q)
    slope = special.berp(q) + 1j * special.beip(q)
    assert internal_impedance_ratio(x) == pytest.approx(1j * q * wave / (2 * slope), rel=1e-10)


def test_layer_limits():
    # analytic limits of the layer formula: 1 + (5m² − 1)Δ⁴/45 for small Δ, Δ(1 + ⅔(m² − 1)) for large ones
    delta = np.array([0.05, 60.0, 5000.0])
    x = delta / (2 * (np.pi / 4) ** 0.75)
    for layers in (1, 2, 4):
        found = layer_resistance_ratio(x, 1.0, layers)
        # series from two exact fractions: cancellation leaves some 1e-12
        small = (5 * layers**2 - 1) / 45 * delta[0] ** 4
        assert found[0] - 1 == pytest.approx(small, rel=1e-2)
        assert found[1:] == pytest.approx(delta[1:] * (1 + 2 * (layers**2 - 1) / 3), rel=1e-6)


def test_layer_formula_at_unity():
    # computed from the formula with hyperbolic functions as they stand, Δ = 1, m = 1
    x = 1 / (2 * (np.pi / 4) ** 0.75)
    expected = (np.sinh(2) + np.sin(2)) / (np.cosh(2) - np.cos(2))
    assert layer_resistance_ratio(x, 1.0) == pytest.approx(expected, rel=1e-12)
    assert layer_resistance_ratio(2 * x, 0.25) == pytest.approx(expected, rel=1e-12)


def test_enamel_table_interpolates_and_stops():
    # memory: IEC 60317-0-1 grade 2, 0.5 mm → 0.566 mm at most, 0.63 → 0.706
    assert enamelled_diameter_m(0.5e-3) == pytest.approx(0.566e-3)
    assert 0.566e-3 < enamelled_diameter_m(0.55e-3) < 0.706e-3
    assert not in_enamel_table(3e-3)
    with pytest.raises(AnalysisError, match="wire_diameter"):
        enamelled_diameter_m(3e-3)
