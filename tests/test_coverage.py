"""Coverage intervals against JCGM 100 and 101."""

from __future__ import annotations

import numpy as np
import pytest

from whichcore.analysis.coverage import (
    Contribution,
    contributions,
    convolve,
    effective_degrees_of_freedom,
    expanded,
    expanded_uncertainty,
    needs_convolution,
)
from whichcore.analysis.types import Distribution, ErrorSource, ImpedanceSweep, Scope
from whichcore.analysis.uncertainty import Part
from whichcore.errors import AnalysisError

RECTANGULAR = Distribution.RECTANGULAR


@pytest.mark.parametrize(
    ("distribution", "half_width"),
    # published: JCGM 101:2008, 9.2.2 and 9.2.3, read through a library that quotes it; two decimals
    [(Distribution.NORMAL, 3.92), (RECTANGULAR, 3.88)],
)
def test_sum_of_four(distribution, half_width):
    four = [Contribution(1.0, distribution)] * 4
    assert convolve(four).half_width(0.95) == pytest.approx(half_width, abs=0.005)


def test_one_wide_rectangular_among_four():
    # memory: JCGM 101:2008, 9.2.4, standard deviations 1, 1, 1 and 10: ±17.0, one decimal; the normal
    # distribution gives ±19.9 instead
    four = [Contribution(u, RECTANGULAR) for u in (1.0, 1.0, 1.0, 10.0)]
    assert needs_convolution(four)
    assert expanded_uncertainty(four) == pytest.approx(17.0, abs=0.05)
    as_normal = [Contribution(item.standard_uncertainty) for item in four]
    assert expanded_uncertainty(as_normal) == pytest.approx(19.9, abs=0.05)


@pytest.mark.parametrize(
    ("share", "percent"),
    # computed elsewhere: a rectangular source holding this share of the variance, interval ±1.96 u
    [(1.0, 100.0), (0.9, 98.4), (0.8, 97.2), (0.5, 95.5)],
)
def test_two_sigma_with_a_rectangular_share(share, percent):
    parts = [Contribution(np.sqrt(share), RECTANGULAR), Contribution(np.sqrt(1 - share))]
    assert 100 * convolve(parts).coverage(1.96) == pytest.approx(percent, abs=0.05)


@pytest.mark.parametrize(
    ("distribution", "half_width"),
    [
        (RECTANGULAR, 0.95 * np.sqrt(3)),  # analytic
        (Distribution.TRIANGULAR, np.sqrt(6) * (1 - np.sqrt(0.05))),  # analytic: (1 − x/a)² = 0.05
        (Distribution.ARCSINE, np.sqrt(2) * np.sin(0.475 * np.pi)),  # analytic: (2/π) asin(x/a) = 0.95
    ],
)
def test_single_bounded_source(distribution, half_width):
    # resolved to half a cell of the grid, 1/8192 of the full width
    found = expanded_uncertainty([Contribution(1.0, distribution)])
    assert found == pytest.approx(half_width, abs=2 * np.sqrt(6) / 8192)


def test_triangular_is_the_sum_of_two_rectangular():
    # analytic
    two = [Contribution(np.sqrt(0.5), RECTANGULAR)] * 2
    one = [Contribution(1.0, Distribution.TRIANGULAR)]
    assert convolve(two).half_width(0.9) == pytest.approx(convolve(one).half_width(0.9), abs=1e-3)


def test_small_units_are_no_obstacle():
    # analytic: scale invariance, down to picofarads
    parts = [(1.0, RECTANGULAR), (0.5, Distribution.NORMAL), (0.3, Distribution.ARCSINE)]
    one = expanded_uncertainty([Contribution(size, kind) for size, kind in parts])
    small = expanded_uncertainty([Contribution(size * 1e-14, kind) for size, kind in parts])
    assert small * 1e14 == pytest.approx(one, rel=1e-6)


def test_convolution_against_draws():
    rng = np.random.default_rng(5)
    parts = [
        Contribution(1.0, RECTANGULAR),
        Contribution(0.4, Distribution.ARCSINE),
        Contribution(0.3, Distribution.TRIANGULAR),
        Contribution(0.5),
    ]
    count = 200_000
    draws = (
        rng.uniform(-np.sqrt(3), np.sqrt(3), count)
        + 0.4 * np.sqrt(2) * np.sin(rng.uniform(0, 2 * np.pi, count))
        + 0.3 * rng.triangular(-np.sqrt(6), 0, np.sqrt(6), count)
        + 0.5 * rng.normal(size=count)
    )
    for probability in (0.5, 0.95, 0.99):
        inside = np.mean(np.abs(draws) < convolve(parts).half_width(probability))
        # analytic: five standard deviations of a binomial share
        assert inside == pytest.approx(probability, abs=5 * np.sqrt(probability * (1 - probability) / count))


def test_the_rule_of_half_the_variance():
    assert needs_convolution([Contribution(1.0, RECTANGULAR), Contribution(0.99)])
    assert not needs_convolution([Contribution(1.0, RECTANGULAR), Contribution(1.01)])
    assert not needs_convolution([Contribution(2.0), Contribution(1.0, RECTANGULAR)])


def test_normal_and_student():
    # analytic and published (any table of Student's distribution): 1.960 and, 4 degrees of freedom, 2.776
    assert expanded_uncertainty([Contribution(3.0), Contribution(4.0)]) == pytest.approx(
        5 * 1.960, abs=0.0025
    )
    five_readings = [Contribution(1.0, degrees_of_freedom=4)]
    assert expanded_uncertainty(five_readings) == pytest.approx(2.776, abs=0.0005)


def test_sensitivities_may_be_signed():
    signed = [Contribution(-1.0, RECTANGULAR), Contribution(-0.5)]
    plain = [Contribution(1.0, RECTANGULAR), Contribution(0.5)]
    assert expanded_uncertainty(signed) == pytest.approx(expanded_uncertainty(plain), rel=1e-12)


def test_welch_satterthwaite():
    # analytic: two equal contributions of ν add to 2ν; a known one of equal size makes it 4ν
    assert effective_degrees_of_freedom([Contribution(1, degrees_of_freedom=4)] * 2) == pytest.approx(8)
    mixed = [Contribution(1, degrees_of_freedom=4), Contribution(1)]
    assert effective_degrees_of_freedom(mixed) == pytest.approx(16)
    assert effective_degrees_of_freedom([Contribution(1)]) == np.inf


def _point(scatter, *sources):
    blocks = np.array(scatter, dtype=float)
    count = len(blocks)
    return ImpedanceSweep(np.arange(1.0, count + 1), np.full(count, 10 + 10j), blocks, sources)


def test_contributions_of_a_quantity_are_its_scatter_and_sources():
    flat = ErrorSource("shunt", Scope.SPECIMENS, np.array([3 - 4j]), RECTANGULAR)
    quantity = _point([[[4.0, 1.0], [1.0, 9.0]]], flat)
    real = contributions(quantity, Part.REAL, 0)
    assert real == (Contribution(2.0), Contribution(3.0, RECTANGULAR))
    assert contributions(quantity, Part.IMAGINARY, 0) == (Contribution(3.0), Contribution(-4.0, RECTANGULAR))


def test_the_interval_of_each_point_follows_its_own_largest_source():
    # analytic: 0.95 √3 u for a rectangular source alone, 1.960 u for normal ones
    flat = ErrorSource("shunt", Scope.SPECIMENS, np.array([2.0 + 0j, 0j]), RECTANGULAR)
    quantity = _point([np.zeros((2, 2)), np.diag([9.0, 1.0])], flat)
    found = expanded(quantity, Part.REAL)
    assert found == pytest.approx([2 * 0.95 * np.sqrt(3), 3 * 1.95996], rel=1e-3)
    assert expanded(quantity, Part.IMAGINARY) == pytest.approx([0.0, 1.95996], rel=1e-5)


def test_nothing_contributes():
    assert expanded_uncertainty([Contribution(0.0)]) == 0
    with pytest.raises(AnalysisError, match="contribution"):
        convolve([])


@pytest.mark.parametrize("probability", [0, 1, -0.1, 95])
def test_probability_is_a_share(probability):
    with pytest.raises(AnalysisError, match="probability"):
        expanded_uncertainty([Contribution(1.0)], probability)
