"""The laws of dispersion against published parameters, limits, asymptotes, passivity and causality."""

from __future__ import annotations

import cmath

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.integrate import trapezoid
from scipy.special import spherical_jn

from whichcore.analysis import dispersion as law
from whichcore.errors import InputError

# T. Tsutaoka, J. Appl. Phys. 93, 2789 (2003), sintered samples: memory
MNZN = law.WallResonance(3282, 2.5e6, 9.3e6), law.SpinResonance(1438, 6.3e6, 1.28)
NIZN = law.WallResonance(485, 2.8e6, 3.5e6), law.SpinResonance(1130, 1100e6, 161)

positive = st.floats(-3, 3).map(lambda exponent: 10.0**exponent)
frequencies = st.floats(0, 11).map(lambda exponent: 10.0**exponent)


def assert_digits(got, expected, half_digit):
    """Compare real and imaginary part within half the last printed digit."""
    got, expected = np.asarray(got), np.asarray(expected)
    assert np.all(np.abs(got.real - expected.real) <= half_digit)
    assert np.all(np.abs(got.imag - expected.imag) <= half_digit)


@pytest.mark.parametrize(
    ("terms", "expected"),
    [
        # computed from the law and the parameters above (which are memory)
        (MNZN, [4654.6 - 508.5j, 2354.8 - 1973.2j, 928.5 - 1578.5j, -31.8 - 571.0j]),
        (NIZN, [1615.4 - 38.2j, 1547.9 - 387.4j, 908.8 - 773.8j, 324.5 - 540.1j]),
    ],
)
def test_wall_and_spin_at_the_check_points(terms, expected):
    # 928.44612 stands as 928.5 in the list of check points: rounded twice, by way of 928.45, which adds a
    # tenth to the half digit.
    assert_digits(law.wall_and_spin([0.1e6, 1e6, 3e6, 10e6], *terms), expected, 0.055)


@pytest.mark.parametrize(("terms", "static"), [(MNZN, 4721), (NIZN, 1616)])
def test_static_permeability_of_the_published_rows(terms, static):
    # memory: the paper's static values 4721 and 1616 against the sums 1 + K_d + K_s
    assert law.wall_and_spin(0.0, *terms) == pytest.approx(static, abs=0.5)


def test_ribbon_at_the_check_points():
    # computed: μi 30 000, 1.15 µΩ·m, 20 µm; 29831.471 stands as 29832, rounded twice like the one above
    got = law.ribbon([1e3, 1e4, 1e5, 1e6], 30_000, 1.15e-6, 20e-6)
    assert_digits(got, [29998 - 206j, 29832 - 2046j, 19989 - 12259j, 4661 - 4657j], 0.55)


def test_sphere_at_the_check_points():
    # computed: μ 100, ρ 1e-7 Ω·m, a 2.5 µm
    got = law.conducting_sphere([1e6, 1e7, 1e8], 100, 1e-7, 2.5e-6)
    assert_digits(got[1:], [99.69 - 4.91j, 78.04 - 35.06j], 0.005)
    assert got[0].imag == pytest.approx(-0.494, abs=0.0006)  # computed, printed to three digits: 0.4935
    assert got[0].real == pytest.approx(100, abs=0.5)


def test_snoek_corner_at_the_check_points():
    # computed from Snoek's law (memory); product in GHz for 0.30, 0.34, 0.40, 0.50 T
    products = [law.snoek_corner_hz(2.0, saturation) / 1e9 for saturation in (0.30, 0.34, 0.40, 0.50)]
    assert np.allclose(products, [5.60, 6.35, 7.47, 9.34], rtol=0, atol=0.005)
    # computed from the rounded product 5.60 GHz
    saturation = 0.30 * 5.60 / products[0]
    corners = law.snoek_corner_hz([10, 40, 125, 250, 800, 1500], saturation) / 1e6
    assert np.all(np.abs(corners - [622, 144, 45.2, 22.5, 7.0, 3.74]) <= [0.5, 0.5, 0.05, 0.05, 0.05, 0.005])


def test_published_nizn_sample_stays_within_a_factor_of_two_of_snoek():
    # memory both sides: the loss peak of the NiZn row against Snoek's law with 0.30 T
    f = np.geomspace(1e5, 1e9, 2000)
    peak = f[np.argmin(law.wall_and_spin(f, *NIZN).imag)]
    assert 0.5 < peak / law.snoek_corner_hz(1616, 0.30) < 2


def test_spin_term_tends_to_a_relaxation_when_damping_is_large():
    # analytic: corner f_s/α for α ≫ 1, relative deviation of the order 1/α²
    f = np.geomspace(1e4, 1e8, 50)
    spin = law.spin_susceptibility(f, law.SpinResonance(1130, 1100e6, 161))
    debye = law.relaxation_susceptibility(f, 1130, 1100e6 / 161)
    assert np.allclose(spin, debye, rtol=3 / 161**2 * 100e6 / 6.8e6)
    strong = law.spin_susceptibility(f, law.SpinResonance(1130, 6.8e11, 1e5))
    assert np.allclose(strong, law.relaxation_susceptibility(f, 1130, 6.8e6), rtol=1e-8)


def test_wall_term_tends_to_a_relaxation_when_overdamped():
    # analytic: corner f_d²/β
    f = np.geomspace(1e3, 1e7, 50)
    wall = law.wall_susceptibility(f, law.WallResonance(10, 1e9, 1e12))
    assert np.allclose(wall, law.relaxation_susceptibility(f, 10, 1e6), rtol=2e-4)


def test_spin_term_without_damping_has_its_resonance_at_f_s():
    # analytic: K f_s²/(f_s² − f²) for α → 0
    got = law.spin_susceptibility(0.5, law.SpinResonance(3, 1.0, 1e-12))
    assert got == pytest.approx(3 / (1 - 0.25), rel=1e-9)


def test_cole_cole_without_spread_is_a_relaxation_and_peaks_at_its_corner():
    f = np.geomspace(1e3, 1e9, 601)
    assert np.allclose(law.cole_cole_susceptibility(f, 7, 1e6, 0), law.relaxation_susceptibility(f, 7, 1e6))
    spread = law.cole_cole_susceptibility(f, 7, 1e6, 0.4)
    assert f[np.argmin(spread.imag)] == pytest.approx(1e6, rel=1e-9)
    # analytic: at the corner χ″ = (K/2) tan(π(1−a)/4)
    assert spread.imag.min() == pytest.approx(-3.5 * np.tan(np.pi * 0.6 / 4), rel=1e-12)
    assert law.cole_cole_susceptibility(0.0, 7, 1e6, 0.4) == 7


def test_relaxation_sum_adds_its_terms():
    # analytic: at a corner a term alone is K(1 − j)/2
    assert law.relaxation_sum(2e6, [law.Relaxation(8, 2e6)]) == pytest.approx(5 - 4j)
    both = law.relaxation_sum([0.0, 2e6], [law.Relaxation(8, 2e6), law.Relaxation(100, 2e12)])
    assert np.allclose(both, [109, 105 - 4j], rtol=1e-4)
    assert np.all(law.relaxation_sum([1.0, 2.0], []) == 1)


def test_grain_boundary_is_a_series_reluctance():
    # analytic: 5 µm in 60 mm turns 10 000 into 1/(1e-4 + 5e-6/60e-3) = 5454.5
    assert law.with_grain_boundary(10_000, 5e-6 / 60e-3) == pytest.approx(1 / (1e-4 + 5e-6 / 60e-3))
    mu = np.array([4000 - 300j, 10 - 20j])
    gapped = law.with_grain_boundary(mu, 1e-3)
    # analytic: μ″/(μ′² + μ″²) does not change with a gap
    assert np.allclose((1 / gapped).imag, (1 / mu).imag)
    assert np.all(law.with_grain_boundary(mu, 0) == mu)


@pytest.mark.parametrize("angle", [0.0, -np.pi / 4, -np.pi / 2, np.pi / 4, np.pi / 2, -0.1, -1.5])
@pytest.mark.parametrize("size", [1e-9, 1e-4, 0.03, 0.049999, 0.050001, 0.9, 10.0, 300.0, 1e4])
def test_tangent_and_sphere_agree_with_other_code(size, angle):
    if angle == 0.0 and size > 100:
        size += 0.3  # on the real axis stay off the poles, where no double precision value has a meaning
    z = size * cmath.exp(1j * angle)
    # independent code: the tangent of the C library, spherical Bessel functions (F = 2 j1/(z j0 − j1))
    assert law.tangent_ratio(z) == pytest.approx(cmath.tan(z) / z, rel=1e-11)
    if abs(z.imag) < 600:
        j0, j1 = spherical_jn(0, z), spherical_jn(1, z)
        expected = 2 * j1 / (z * j0 - j1)
    else:
        # analytic: cot z is −j above and j below the real axis to the last digit, so both exponentials cancel
        cot = -1j if z.imag > 0 else 1j
        expected = 2 * (1 - z * cot) / (z * z - 1 + z * cot)
    assert law.sphere_factor(z) == pytest.approx(expected, rel=1e-11)


def test_factors_are_one_at_zero():
    assert law.tangent_ratio(0.0) == 1
    assert law.sphere_factor(0.0) == pytest.approx(1, rel=1e-15)
    assert law.ribbon(0.0, 3e4, 1e-6, 2e-5) == 3e4


def test_high_frequency_asymptotes_of_eddy_currents():
    # analytic: tanh(x)/x → 1/x, sphere → 2j/z, both with equal real and imaginary part
    x = (1 + 1j) * 20e-6 / 2 * np.sqrt(np.pi * 1e10 * 4e-7 * np.pi * 3e4 / 1.15e-6)
    assert law.ribbon(1e10, 3e4, 1.15e-6, 20e-6) == pytest.approx(3e4 / x, rel=1e-6)
    z = 1e6 * np.exp(-1j * np.pi / 4)
    assert law.sphere_factor(z) == pytest.approx(-2j / z, rel=3e-6)


def test_wall_and_spin_falls_to_vacuum():
    # analytic: the wall term dies as f⁻², the spin term as K_s (f_s/f) α/(α² + 1)
    strength, f_s, alpha = 1438, 6.3e6, 1.28  # memory, as above
    tail = -1j * strength * (f_s / 1e12) * alpha / (alpha**2 + 1)
    assert law.wall_and_spin(1e12, *MNZN) - 1 == pytest.approx(tail, rel=1e-3)


@given(positive, positive, positive, frequencies)
def test_wall_and_spin_terms_are_passive(strength, resonance, damping, f):
    wall = law.WallResonance(strength, resonance * 1e6, damping * 1e6)
    assert law.wall_susceptibility(f, wall).imag <= 0
    assert law.spin_susceptibility(f, law.SpinResonance(strength, resonance * 1e6, damping)).imag <= 0


@given(st.floats(1.5, 1e5), positive, positive, frequencies, st.floats(0, 0.999))
def test_other_laws_are_passive(mu, rho, size, f, spread):
    slack = 1e-14 * mu
    assert law.ribbon(f, mu, rho * 1e-6, size * 1e-5).imag <= slack
    assert law.conducting_sphere(f, mu, rho * 1e-6, size * 1e-5).imag <= slack
    assert law.cole_cole_susceptibility(f, mu, size * 1e6, spread).imag <= slack
    sphere = law.conducting_sphere(f, mu, rho * 1e-6, size * 1e-5)
    assert law.with_grain_boundary(sphere, 1 / mu).imag <= slack


@pytest.mark.parametrize(
    "susceptibility",
    [
        lambda f: law.relaxation_susceptibility(f, 100, 1e6),
        lambda f: law.wall_and_spin(f, *MNZN) - 1,
        lambda f: law.ribbon(f, 3e4, 1.15e-6, 20e-6),
        lambda f: law.conducting_sphere(f, 100, 1e-7, 30e-6),
    ],
    ids=["relaxation", "wall and spin", "ribbon", "sphere"],
)
def test_kramers_kronig(susceptibility):
    # analytic: μ′ − μ∞ = (2/π) P∫ x μ″/(x² − ω²) dx, with the pole taken out by subtraction; in the variable
    # ln x the integrand is smooth and the trapezoidal rule converges fast
    u = np.linspace(np.log(1e-5), np.log(1e20), 20_001)
    x = np.exp(u)
    loss = -susceptibility(x).imag
    for f in (3e5, 1e6, 4e6):
        at = -susceptibility(f).imag
        # P∫ dx f/(x² − f²) = 0, so x μ″(x) − f μ″(f) may stand in place of x μ″(x)
        integrand = x * (x * loss - f * at) / (x**2 - f**2)
        real = 2 / np.pi * trapezoid(integrand, u)
        assert real == pytest.approx(susceptibility(f).real, rel=1e-3, abs=1e-3 * at)


@pytest.mark.parametrize(
    "call",
    [
        lambda: law.relaxation_susceptibility(-1.0, 1, 1),
        lambda: law.relaxation_susceptibility(float("nan"), 1, 1),
        lambda: law.relaxation_susceptibility(1.0, 1, 0),
        lambda: law.cole_cole_susceptibility(1.0, 1, 1, 1.0),
        lambda: law.cole_cole_susceptibility(1.0, 1, 1, -0.1),
        lambda: law.wall_susceptibility(1.0, law.WallResonance(1, 1, 0)),
        lambda: law.spin_susceptibility(1.0, law.SpinResonance(1, 0, 1)),
        lambda: law.ribbon(1.0, 100, -1e-6, 1e-5),
        lambda: law.conducting_sphere(1.0, 100, 1e-6, 0),
        lambda: law.with_grain_boundary(100, -1e-9),
        lambda: law.snoek_corner_hz(1.0, 0.3),
    ],
)
def test_wrong_parameters_are_refused(call):
    with pytest.raises(InputError) as caught:
        call()
    assert caught.value.where
    assert caught.value.got
    assert caught.value.allowed
