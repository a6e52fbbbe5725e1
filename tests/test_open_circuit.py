"""Rods. Marks of expected values: published, memory, analytic, computed."""

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.integrate import quad
from scipy.special import ellipe, ellipk

from whichcore.analysis import open_circuit
from whichcore.analysis.open_circuit import (
    ROD_WARNING,
    _perfect_body,
    apparent_permeability,
    ellipsoid_factor,
    fluxmetric_factor,
    magnetometric_factor,
    material_permeability,
    perfect_cylinder_factors,
    rod_factor_range,
    rod_permeability,
    rod_sensitivities,
)
from whichcore.analysis.specimen import Rod
from whichcore.errors import AnalysisError, InputError

MM = 1e-3


def _rod(**changes) -> Rod:
    return Rod(**{"diameter_m": 10 * MM, "length_m": 100 * MM, "empty_coil_inductance_h": 1e-5} | changes)


# -------------------------------------------------------------------------------------------- factors


@pytest.mark.parametrize(
    ("ratio", "magnetometric", "fluxmetric"),
    [
        (1, 0.31158, 0.23221),
        (2, 0.18186, 0.09351),
        (5, 0.07991, 0.01889),
        (10, 0.04119, 0.00493),
        (20, 0.02091, 0.00125),
    ],
)
def test_cylinder_without_susceptibility(ratio, magnetometric, fluxmetric):
    """Computed, after Chen, Brug & Goldfarb, IEEE Trans. Magn. 27(4), 3601 (1991)."""
    assert magnetometric_factor(ratio) == pytest.approx(magnetometric, abs=5e-6)
    assert fluxmetric_factor(ratio) == pytest.approx(fluxmetric, abs=5e-6)


@pytest.mark.parametrize(
    ("ratio", "factor", "half_digit"),
    [
        (1, 0.33333, 5e-6),
        (2, 0.17356, 5e-6),
        (5, 0.055821, 5e-7),
        (10, 0.020286, 5e-7),
        (20, 0.0067491, 5e-8),
    ],
)
def test_prolate_ellipsoid(ratio, factor, half_digit):
    """Computed from the analytic form."""
    assert ellipsoid_factor(ratio) == pytest.approx(factor, abs=half_digit)


def test_ellipsoid_closed_forms():
    """Analytic: prolate and oblate forms (Osborn 1945, from memory), sphere, needle, sheet."""
    m = 3.0
    root = math.sqrt(m**2 - 1)
    prolate = (m / root * math.log(m + root) - 1) / (m**2 - 1)
    assert ellipsoid_factor(m) == pytest.approx(prolate, rel=1e-12)
    oblate = m**2 / (m**2 - 1) * (1 - math.asin(root / m) / root)
    assert ellipsoid_factor(1 / m) == pytest.approx(oblate, rel=1e-12)
    assert ellipsoid_factor([1e-9, 1.0, 1e6]) == pytest.approx([1.0, 1 / 3, 0.0], abs=2e-9)


def _coaxial(distance: float) -> float:
    """Mutual inductance of two equal coaxial circles of unit diameter over μ0 πa² (Maxwell, from memory)."""
    m = 1 / (1 + distance**2)
    k = math.sqrt(m)
    return 0.5 * ((2 / k - k) * ellipk(m) - 2 / k * ellipe(m)) / (math.pi / 4)


@pytest.mark.parametrize("ratio", [0.2, 1.0, 7.0])
def test_cylinder_factors_are_sums_of_coaxial_circles(ratio):
    """Analytic: flux through the middle and mean flux of a sheet of circles, by quadrature."""
    middle = 2 * quad(_coaxial, 0, ratio / 2, epsabs=1e-11)[0]
    mean = 2 * quad(lambda z: (1 - z / ratio) * _coaxial(z), 0, ratio, epsabs=1e-11)[0]
    assert fluxmetric_factor(ratio) == pytest.approx(1 - middle, abs=1e-8)
    assert magnetometric_factor(ratio) == pytest.approx(1 - mean, abs=1e-8)


def test_cylinder_limits():
    """Analytic: a thin disc has N = 1; a long rod 4/(3πγ) (self-energy of its ends), 1/(2γ²) (poles)."""
    assert magnetometric_factor(1e-7) == pytest.approx(1, abs=1e-5)
    assert fluxmetric_factor(1e-7) == pytest.approx(1, abs=1e-5)
    assert magnetometric_factor(1e4) == pytest.approx(4 / (3 * math.pi * 1e4), rel=1e-3)
    assert fluxmetric_factor(1e4) == pytest.approx(1 / (2 * 1e8), rel=1e-3)


@pytest.mark.parametrize("ratio", [1.0, 3.0, 10.0])
def test_perfect_body_finds_the_ellipsoid(ratio):
    """Analytic: the ellipsoid's factor holds for every χ, both averages; 97 facets are right to 1e-4."""
    angle = np.linspace(0, np.pi / 2, 97)
    radius = np.append(np.cos(angle[:-1]), 0.0) / 2
    found = _perfect_body(radius, ratio / 2 * np.sin(angle))
    assert found.magnetometric == pytest.approx(float(ellipsoid_factor(ratio)), rel=1e-4)
    assert found.fluxmetric == pytest.approx(float(ellipsoid_factor(ratio)), rel=1e-4)


@pytest.mark.parametrize("ratio", [0.1, 1.0, 10.0, 200.0])
def test_perfect_cylinder_has_converged(ratio, monkeypatch):
    """Computed: twice the elements change it by less than the 0.1 % the docstring states."""
    usual = perfect_cylinder_factors(ratio)
    monkeypatch.setattr(open_circuit, "_ELEMENTS", 96)
    fine = perfect_cylinder_factors(ratio)
    assert usual.magnetometric == pytest.approx(fine.magnetometric, rel=1e-3)
    assert usual.fluxmetric == pytest.approx(fine.fluxmetric, rel=1e-3)
    assert usual != fine


def test_perfect_cylinder_orders():
    """Chen et al.: with χ the magnetometric factor falls, the fluxmetric rises for long rods (memory); the
    10:1 rod of the trade has N about 0.0172 (memory), between the limits and within the range of a long coil.
    """
    limit = perfect_cylinder_factors(10)
    assert limit.magnetometric < magnetometric_factor(10)
    assert limit.fluxmetric > fluxmetric_factor(10)
    assert limit.fluxmetric < 0.0172 < limit.magnetometric
    lowest, highest = rod_factor_range(_rod())
    assert lowest < 0.0172 < highest


def test_perfect_cylinder_against_its_inscribed_and_circumscribed_ellipsoids():
    """Analytic: the polarisability V/N of a perfectly permeable body grows with the body (monotony)."""
    for ratio in (0.5, 2.0, 10.0):
        cylinder = 1 / perfect_cylinder_factors(ratio).magnetometric  # per volume π/4 γ
        ellipsoid = 1 / float(ellipsoid_factor(ratio))
        inside = ellipsoid * (math.pi / 6) / (math.pi / 4)
        outside = inside * 2 * math.sqrt(2)  # axes √2 larger enclose the cylinder
        assert inside < cylinder < outside


# ------------------------------------------------------------------------------------------ permeability


@pytest.mark.parametrize(("mu", "shown"), [(1000, 55.0), (10_000, 57.8)])
def test_a_rod_hides_its_material(mu, shown):
    """Computed: a 10:1 rod (N ≈ 0.0172, memory) shows 55.0 for μ 1000 and 57.8 for 10 000."""
    assert apparent_permeability(mu, 0.0172).real == pytest.approx(shown, abs=0.05)
    assert material_permeability(apparent_permeability(mu, 0.0172), 0.0172).real == pytest.approx(
        mu, rel=1e-9
    )


def test_sensitivity_of_the_inverse():
    """Analytic: against central differences and closed forms; 1 % of N is some 17 % of μ 1000."""
    shown = apparent_permeability(1000, 0.0172).real
    by_apparent, by_factor = rod_sensitivities(shown, 0.0172)
    step = 1e-6
    slope = (
        material_permeability(shown * (1 + step), 0.0172) - material_permeability(shown * (1 - step), 0.0172)
    ) / (2 * step * shown)
    assert by_apparent.real == pytest.approx(slope.real, rel=1e-6)
    slope = (
        material_permeability(shown, 0.0172 * (1 + step)) - material_permeability(shown, 0.0172 * (1 - step))
    ) / (2 * step * 0.0172)
    assert by_factor.real == pytest.approx(slope.real, rel=1e-6)
    assert shown * by_apparent.real / 1000 == pytest.approx((1 + 0.0172 * 999) / (1 - 0.0172), rel=1e-9)
    assert 0.0172 * by_factor.real / 1000 == pytest.approx(0.0172 * 999 / (1 - 0.0172), rel=1e-9)


@settings(deadline=None)
@given(
    st.complex_numbers(min_magnitude=1, max_magnitude=1e4),
    st.floats(0, 0.9),
)
def test_inverse_undoes_apparent(mu, factor):
    mu = complex(abs(mu.real), -abs(mu.imag) - 1e-2)
    assert material_permeability(apparent_permeability(mu, factor), factor) == pytest.approx(mu, rel=1e-6)


@settings(deadline=None)
@given(st.floats(1, 1e4), st.floats(1.01, 2), st.floats(0.001, 0.5))
def test_apparent_grows_with_permeability_and_falls_with_the_factor(mu, more, factor):
    start = apparent_permeability(mu, factor).real
    assert start < apparent_permeability(mu * more, factor).real < 1 / factor
    assert apparent_permeability(mu, factor * more).real <= start


@settings(deadline=None)
@given(st.floats(0.2, 100), st.floats(1.01, 2))
def test_longer_rods_demagnetise_less(ratio, more):
    for factor in (ellipsoid_factor, magnetometric_factor, fluxmetric_factor):
        assert 0 < factor(ratio * more) < factor(ratio) < 1


# ------------------------------------------------------------------------------------------ rod in coil


def _reading(mu: float, factor: float, filling: float) -> float:
    return 1e-5 * (1 + filling * (apparent_permeability(mu, factor).real - 1))


def test_short_coil_on_a_rod_of_low_permeability():
    """Analytic: made with a factor inside the range, the truth lies within the bounds."""
    rod = _rod(coil_length_m=5 * MM, coil_diameter_m=12 * MM)
    low, high = rod_factor_range(rod)
    result = rod_permeability(rod, _reading(20, (low + high) / 2, (10 / 12) ** 2), 0.002)
    assert result.permeability == pytest.approx(20, rel=1e-6)
    assert result.lower_bound < 20 < result.upper_bound
    assert result.demagnetising_uncertainty == pytest.approx((high - low) / math.sqrt(12))
    by_apparent, by_factor = rod_sensitivities(result.apparent, result.demagnetising_factor)
    u_apparent = 0.002 * (_reading(20, (low + high) / 2, (10 / 12) ** 2) / 1e-5) / (10 / 12) ** 2
    expected = math.hypot(by_apparent.real * u_apparent, by_factor.real * result.demagnetising_uncertainty)
    assert result.standard_uncertainty == pytest.approx(expected)
    assert result.warning == ROD_WARNING


@pytest.mark.parametrize("end", [0, 1])
@pytest.mark.parametrize("mu", [3.0, 100.0, 2000.0])
def test_truth_is_inside_the_bounds_at_both_ends_of_the_range(end, mu):
    rod = _rod()
    result = rod_permeability(rod, _reading(mu, rod_factor_range(rod)[end], 1.0), 0.001)
    assert result.lower_bound < mu
    assert result.upper_bound is None or result.upper_bound > mu


def test_coil_longer_than_the_rod_is_filled_in_part():
    rod = _rod(coil_length_m=200 * MM)
    assert rod_permeability(rod, 1e-5 * 5.5, 0.0).apparent == pytest.approx(10)


def test_high_permeability_is_bounded_from_below_only():
    result = rod_permeability(_rod(), 1e-5 * 50, 0.005)
    assert result.permeability is None
    assert result.standard_uncertainty is None
    assert result.upper_bound is None
    lowest, _ = rod_factor_range(_rod())
    # Analytic: the bound is the inverse at the lowest factor and 50 less two standard uncertainties
    assert result.lower_bound == pytest.approx(material_permeability(49.5, lowest).real)


# ---------------------------------------------------------------------------------------------- refusals


@pytest.mark.parametrize(
    "call",
    [
        lambda: ellipsoid_factor(0),
        lambda: magnetometric_factor([1.0, -1.0]),
        lambda: fluxmetric_factor(math.nan),
        lambda: perfect_cylinder_factors(0.05),
        lambda: perfect_cylinder_factors(300),
        lambda: apparent_permeability(100, 1.0),
        lambda: apparent_permeability(100, -0.1),
        lambda: material_permeability(10, math.nan),
        lambda: rod_permeability(_rod(coil_diameter_m=9 * MM), 1e-4, 0.01),
        lambda: rod_permeability(_rod(), 0.0, 0.01),
        lambda: rod_permeability(_rod(), 1e-4, -0.01),
        lambda: rod_permeability(_rod(), math.nan, 0.01),
    ],
)
def test_bad_input_is_refused(call):
    with pytest.raises(InputError) as caught:
        call()
    assert caught.value.where
    assert caught.value.allowed


def test_impossible_readings_are_refused():
    with pytest.raises(AnalysisError, match="less with the rod than without"):
        rod_permeability(_rod(), 0.9e-5, 0.01)
    with pytest.raises(AnalysisError, match="more than any demagnetising factor") as caught:
        rod_permeability(_rod(), 1e-5 * 80, 0.005)
    assert caught.value.next_step
    with pytest.raises(AnalysisError, match="bounded from below") as caught:
        material_permeability(60, 0.0172)
    assert caught.value.next_step
