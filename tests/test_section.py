"""Section factors against check points, an independent finite-difference solution and their limits."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import sparse
from scipy.sparse.linalg import spsolve
from scipy.special import jn_zeros

from whichcore.analysis import section
from whichcore.errors import AnalysisError, InputError

MU, EPSILON, SIGMA = 2000, 1e5, 0.2  # the material of the check points
FREQUENCIES = np.array([0.1e6, 0.3e6, 1e6, 2e6])


def wave_number():
    return section.wave_number_per_m(FREQUENCIES, MU, SIGMA, EPSILON)


def assert_digits(got, expected, half_digits):
    difference = np.asarray(got) - np.asarray(expected)
    assert np.all(np.abs(difference.real) <= half_digits)
    assert np.all(np.abs(difference.imag) <= half_digits)


def test_slab_at_the_check_points():
    # computed: 10 mm
    expected = [2014.76 - 5.36j, 2142.9 - 18.6j, 14002 - 3962j, -120.8 - 19.6j]
    # 2014.7546 stands as 2014.76: rounded twice, by way of 2014.755
    got = MU * section.slab_factor(wave_number(), 10e-3)
    assert_digits(got, expected, np.array([0.0055, 0.05, 0.5, 0.05]))


def test_rod_at_the_check_points():
    # computed: radius 5 mm; 2005.5083 stands as 2005.51, −1913.35 as −1913
    expected = [2005.51 - 1.99j, 2051.1 - 6.3j, 2871 - 50j, -1913 - 143j]
    got = MU * section.rod_factor(wave_number(), 5e-3)
    assert_digits(got, expected, np.array([0.005, 0.05, 0.5, 0.5]))


def test_lossless_slab_at_an_eighth_of_a_wave():
    # analytic: the tangent of π/4 is 1
    assert section.slab_factor(np.pi / 2, 1.0) == pytest.approx(4 / np.pi, rel=1e-14)


def test_lossless_poles():
    # analytic: kd = π; ka = 2.4048, the first zero of J0
    assert abs(section.slab_factor(np.pi * (1 - 1e-9), 1.0)) > 1e8
    assert abs(section.rod_factor(jn_zeros(0, 1)[0] * (1 - 1e-9), 1.0)) > 1e8
    # analytic: a square resonates at k² = 2(π/a)², from above it changes sign
    below, above = section.rectangle_factor(np.sqrt(2) * np.pi * np.array([1 - 1e-6, 1 + 1e-6]), (1.0, 1.0))
    assert below.real > 1e5
    assert above.real < -1e5


def finite_difference_factor(k, sides, cells):
    """Independent code: mean of h over the section by the five-point stencil, extrapolated to zero step."""

    def solve(n):
        ratio = sides[1] / sides[0]
        steps = sides[0] / n, sides[1] / (round(n * ratio))
        counts = n - 1, round(n * ratio) - 1
        second = [
            sparse.diags_array([1.0, -2.0, 1.0], offsets=[-1, 0, 1], shape=(count, count)) / step**2
            for count, step in zip(counts, steps, strict=True)
        ]
        laplace = sparse.kron(second[0], sparse.eye_array(counts[1])) + sparse.kron(
            sparse.eye_array(counts[0]), second[1]
        )
        size = counts[0] * counts[1]
        # u = h − 1 is zero on the boundary: ∇²u + k²u = −k²
        u = spsolve((laplace + k**2 * sparse.eye_array(size)).tocsc(), np.full(size, -(k**2)))
        return 1 + u.sum() * steps[0] * steps[1] / (sides[0] * sides[1])

    return (4 * solve(2 * cells) - solve(cells)) / 3


@pytest.mark.parametrize("sides", [(1.0, 1.0), (1.0, 2.0), (1.0, 1.5)])
@pytest.mark.parametrize("k", [1.5, 3.0 - 0.4j, 5.0 - 1.0j, 4.0 - 4.0j, 0.5 - 8.0j])
def test_rectangle_against_finite_differences(sides, k):
    expected = finite_difference_factor(complex(k), sides, 24)
    # the remainder after extrapolation is of fourth order: (|k| h)⁴ is below 1.5e-3 here at k = 8, times the
    # constant of the stencil 1/240
    assert section.rectangle_factor(k, sides) == pytest.approx(expected, rel=1e-4)


def double_series_factor(k, sides, terms):
    """Analytic: the double sine series, each term written out."""
    m = np.arange(1, 2 * terms, 2)[:, None]
    n = m.T
    modes = (m * np.pi / sides[0]) ** 2 + (n * np.pi / sides[1]) ** 2
    return 1 + np.sum(64 / (np.pi**4 * m**2 * n**2) * k**2 / (modes - k**2))


@pytest.mark.parametrize("k", [0.3, 4.0, 10.0 - 2.0j, 6.0 - 6.0j])
def test_rectangle_against_the_double_series(k):
    # the truncated tail of the double series is about 64|k|²/(π⁶ 3 M³) ≈ 2e-9 for 500 terms
    expected = double_series_factor(k, (1.0, 1.7), 500)
    assert section.rectangle_factor(k, (1.0, 1.7)) == pytest.approx(expected, rel=3e-8)


def test_rectangle_is_symmetric_and_tends_to_the_slab():
    k = wave_number()
    assert np.all(section.rectangle_factor(k, (4e-3, 9e-3)) == section.rectangle_factor(k, (9e-3, 4e-3)))
    wide = section.rectangle_factor(k, (8e-3, 8.0))
    # analytic: the ends take a share of the order a/b = 1e-3 of the deviation from 1
    slab = section.slab_factor(k, 8e-3)
    assert np.all(np.abs(wide - slab) < 3e-3 * np.abs(slab - 1) * np.maximum(np.abs(slab), 1))
    assert np.any(np.abs(wide - slab) > 0)


def test_square_lies_between_rod_and_slab():
    # the square's circle inside and its slab bracket it below the first resonance
    k = wave_number()[:3]
    square = section.rectangle_factor(k, (1e-2, 1e-2)).real
    assert np.all(section.rod_factor(k, 5e-3).real < square)
    assert np.all(square < section.slab_factor(k, 1e-2).real)


def test_small_sections_have_no_effect():
    # analytic: slab 1 + (kd)²/12, rod 1 + (ka)²/8, square 1 + 0.0351443 (ka)², that is the torsion constant
    # of the square (0.1405770 a⁴, Timoshenko: memory) over 4 a²
    k = np.array([1e-3, 1e-12, 0.0])
    assert np.allclose(section.slab_factor(k, 1.0), 1 + k**2 / 12, rtol=0, atol=1e-12)
    assert np.allclose(section.rod_factor(k, 1.0), 1 + k**2 / 8, rtol=0, atol=1e-12)
    assert np.allclose(section.rectangle_factor(k, (1.0, 1.0)), 1 + k**2 * 0.1405770 / 4, rtol=0, atol=1e-12)


@pytest.mark.parametrize("size", [30.0, 1e3, 1e4])
def test_deep_skin_effect(size):
    # analytic: the field fills a rim only, so F → −j perimeter/(area k); corners and bends come in the
    # next order, 1/|k| relative
    k = size * np.exp(-1j * np.pi / 4)
    assert section.slab_factor(k, 1.0) == pytest.approx(-2j / k, rel=1e-6)
    assert section.rod_factor(k, 1.0) == pytest.approx(-2j / k, rel=1 / size)
    assert section.rectangle_factor(k, (1.0, 2.0)) == pytest.approx(-3j / k, rel=2 / size)


@pytest.mark.parametrize("order", [1, 3, 5])
def test_rectangle_passes_its_removable_singularity(order):
    # analytic: at ka an odd multiple of π the lossless factor is finite and continuous, and real
    sides = (1.0, 2.3)
    offsets = np.array([0.0, 1e-7, 2e-6, 1e-3])
    got = section.rectangle_factor(order * np.pi * (1 + offsets), sides)
    expected = [double_series_factor(order * np.pi * (1 + x), sides, 1000) for x in offsets]
    # two large numbers cancel there: five digits are kept at the singularity, all of them away from it
    assert np.allclose(got[:3], expected[:3], rtol=3e-5, atol=0)
    assert got[3] == pytest.approx(expected[3], rel=1e-8)


def test_section_effect_takes_arrays_over_frequency():
    mu = np.array([2300 - 5j, 2400 - 100j, 1500 - 1500j])
    frequency = np.array([1e4, 2e5, 1e6])
    epsilon, sigma = section.mnzn_dielectric(frequency)
    together = section.section_effect(frequency, mu, (5e-3, 10e-3), sigma, epsilon)
    apart = [
        section.section_effect(f, m, (5e-3, 10e-3), s, e)
        for f, m, s, e in zip(frequency, mu, sigma, epsilon, strict=True)
    ]
    assert np.allclose(together, apart, rtol=1e-9)
    # computed by hand: |k| at 10 kHz = 2π·1e4/c·√(2300·|174 325 − j 0.13894/(2π·1e4·ε0)|) = 5.5 /m
    k = section.wave_number_per_m(1e4, 2300, sigma[0], epsilon[0])
    assert abs(k) == pytest.approx(
        2 * np.pi * 1e4 / 2.998e8 * np.sqrt(2300 * abs(174_325 - 249_750j)), rel=1e-3
    )
    assert k.imag < 0


def test_dielectric_table_at_and_between_its_points():
    # read: Guillod, Roberts & Sullivan, IEEE APEC 2024, open data
    epsilon, sigma = section.mnzn_dielectric([1e3, 1e4, 2e4, 1e5, 2e5, 501e3, 1e6])
    assert np.allclose(epsilon, [211_724, 174_325, 153_141, 111_251, 98_299, 85_114, 77_949], rtol=1e-12)
    assert np.allclose(sigma, [0.11796, 0.13894, 0.16267, 0.29624, 0.41713, 0.70015, 1.10506], rtol=1e-12)
    # analytic: halfway in the logarithm stands the geometric mean
    between = section.mnzn_dielectric(np.sqrt(1e3 * 1e4))
    assert between[0] == pytest.approx(np.sqrt(211_724 * 174_325))
    assert between[1] == pytest.approx(np.sqrt(0.11796 * 0.13894))


@pytest.mark.parametrize("frequency", [999.0, 1.0001e6, float("nan")])
def test_dielectric_table_is_not_stretched(frequency):
    with pytest.raises(InputError, match="does not reach") as caught:
        section.mnzn_dielectric([1e4, frequency])
    assert caught.value.allowed == "1000 Hz to 1e+06 Hz"


@pytest.mark.parametrize(
    "call",
    [
        lambda: section.slab_factor(1.0, 0.0),
        lambda: section.rod_factor(1.0, -1.0),
        lambda: section.rectangle_factor(1.0, (1.0, float("inf"))),
        lambda: section.wave_number_per_m(0.0, 1, 1, 1),
        lambda: section.wave_number_per_m(1.0, 1, -1, 1),
        lambda: section.wave_number_per_m(1.0, 1, 1, float("nan")),
    ],
)
def test_wrong_values_are_refused(call):
    with pytest.raises(InputError):
        call()


def test_a_series_that_cannot_converge_says_so():
    with pytest.raises(AnalysisError, match="does not converge"):
        section.rectangle_factor(1e7 * np.exp(-0.7j), (1.0, 1.0))
