"""Intervals by draws: the shapes, the sums of JCGM 101, and where the first order fails."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy import stats

from whichcore.analysis.budget import budget_at
from whichcore.analysis.functional import (
    LOSS_TANGENT,
    MAGNITUDE,
    MU_IMAG,
    MU_REAL,
    PHASE,
    RESISTANCE,
    real_curve,
)
from whichcore.analysis.monte_carlo import draw, monte_carlo
from whichcore.analysis.permeability import impedance_of, permeability
from whichcore.analysis.specimen import Ring, Rod, Specimen, Winding
from whichcore.analysis.types import Distribution, ErrorSource, ImpedanceSweep, Scope, Wiring
from whichcore.errors import AnalysisError

DRAWS = 200_000
RING = Ring(25e-3, 15e-3, 10e-3)
BARE = Specimen(RING, Winding(10, dc_resistance_ohm=62e-3, capacitance_f=5e-12, lead_length_m=0.04))
MEASURED = replace(BARE, dimension_uncertainties_m={"height_m": 5e-5, "outer_diameter_m": 5e-5})


def _sums(*amounts, shape=Distribution.NORMAL):
    """Return a sweep of R = 0 whose sources add up."""
    sources = tuple(
        ErrorSource(f"s{k}", Scope.SWEEP, np.array([amount], dtype=complex), shape)
        for k, amount in enumerate(amounts)
    )
    return ImpedanceSweep(np.array([1e3]), np.array([1j]), np.zeros((1, 2, 2)), sources)


def _half_width(interval):
    return (interval.high - interval.low) / 2


@pytest.mark.parametrize(
    ("shape", "scipys"),
    [
        (Distribution.NORMAL, stats.norm()),
        (Distribution.RECTANGULAR, stats.uniform(-np.sqrt(3), 2 * np.sqrt(3))),
        (Distribution.TRIANGULAR, stats.triang(0.5, -np.sqrt(6), 2 * np.sqrt(6))),
        (Distribution.ARCSINE, stats.arcsine(-np.sqrt(2), 2 * np.sqrt(2))),
    ],
)
def test_shapes_of_unit_variance(shape, scipys):
    # independent code: scipy's distributions of variance 1, by Kolmogorov and Smirnov
    drawn = draw(shape, 50_000, np.random.default_rng(5))
    assert scipys.var() == pytest.approx(1)
    assert stats.kstest(drawn, scipys.cdf).pvalue > 1e-3


@pytest.mark.parametrize(
    ("shape", "expected"), [(Distribution.NORMAL, 3.92), (Distribution.RECTANGULAR, 3.88)]
)
def test_sums_of_four_of_jcgm_101(shape, expected):
    # published: JCGM 101:2008, 9.2.2 and 9.2.3 (read through a library that quotes it), two decimals
    (found,) = monte_carlo(_sums(1, 1, 1, 1, shape=shape), BARE, [RESISTANCE], 1e3, 1_000_000)
    # half of the last digit, and three times what a million draws leave open of a half width
    assert _half_width(found) == pytest.approx(expected, abs=0.005 + 3 * found.end_uncertainty / np.sqrt(2))
    assert found.end_uncertainty < 0.008
    assert found.standard_uncertainty == pytest.approx(2, rel=0.003)  # analytic; 1/√(2M) is 0.0007


def test_one_wide_rectangle_of_jcgm_101():
    # memory: JCGM 101:2008, 9.2.4, table 4, three rectangles and one ten times as wide: ±17.0 to one decimal
    (found,) = monte_carlo(
        _sums(1, 1, 1, 10, shape=Distribution.RECTANGULAR), BARE, [RESISTANCE], 1e3, 1_000_000
    )
    assert _half_width(found) == pytest.approx(17.0, abs=0.05)
    budget = budget_at(real_curve(RESISTANCE, _sums(1, 1, 1, 10, shape=Distribution.RECTANGULAR)), 1e3)
    assert budget.convolved
    assert budget.half_width == pytest.approx(_half_width(found), abs=0.02)
    assert not found.disagrees(0.0, budget.half_width)


def test_the_stated_error_of_an_end_is_its_spread():
    # analytic: √(p(1 − p)/M) over the normal density at 1.96 σ, 0.0584
    (found,) = monte_carlo(_sums(1), BARE, [RESISTANCE], 1e3, DRAWS)
    expected = np.sqrt(0.025 * 0.975 / DRAWS) / stats.norm.pdf(1.959964)
    assert found.end_uncertainty == pytest.approx(expected, rel=0.3)
    ends = [monte_carlo(_sums(1), BARE, [RESISTANCE], 1e3, 10_000, seed)[0].high for seed in range(200)]
    assert np.std(ends) == pytest.approx(expected * np.sqrt(DRAWS / 10_000), rel=0.2)


def _wound(turns, capacitance_f, at_hz=1e5, mu=2300 - 60j):
    specimen = Specimen(
        RING,
        Winding(turns, dc_resistance_ohm=62e-3, capacitance_f=capacitance_f, lead_length_m=0.04),
        dimension_uncertainties_m=MEASURED.dimension_uncertainties_m,
    )
    f = np.array([at_hz])
    z = impedance_of(np.array([mu]), f, specimen)
    scatter = np.abs(z)[:, None, None] ** 2 * np.array([[4e-6, 1e-6], [1e-6, 2e-6]])
    load = ErrorSource("load", Scope.SPECIMENS, 2e-3 * z, Distribution.RECTANGULAR)
    return specimen, ImpedanceSweep(f, z, scatter, (load,), temperature_c=23.0)


@pytest.mark.parametrize("functional", [MU_REAL, MU_IMAG, LOSS_TANGENT, MAGNITUDE, PHASE])
def test_far_from_resonance_draws_and_budget_agree(functional):
    specimen, sweep = _wound(10, 5e-12)
    curve = permeability(sweep, specimen) if functional.of_permeability else sweep
    budget = budget_at(real_curve(functional, curve), 1e5)
    (found,) = monte_carlo(sweep, specimen, [functional], 1e5, DRAWS)
    assert not found.disagrees(budget.value, budget.half_width)
    # errors of 1 % leave second-order terms of some 1 % of u; the draws 0.2 %
    assert found.standard_uncertainty == pytest.approx(budget.standard_uncertainty, rel=0.02)
    assert found.mean == pytest.approx(budget.value, abs=0.02 * budget.half_width)


def test_near_self_resonance_the_first_order_fails():
    # L of 40 turns on μ 2300 is 3.76 mH, which 20 pF of 20 % bring to resonance at 580 kHz
    specimen, sweep = _wound(40, 20e-12, at_hz=5.4e5)
    budget = budget_at(real_curve(MU_REAL, permeability(sweep, specimen)), 5.4e5)
    (found,) = monte_carlo(sweep, specimen, [MU_REAL], 5.4e5, DRAWS)
    assert found.disagrees(budget.value, budget.half_width)
    below, above = budget.value - found.low, found.high - budget.value
    assert max(below, above) > 1.2 * min(below, above)  # lopsided


def test_draws_without_errors_are_the_measurement():
    # analytic: the same formula, which permeability() has in another place
    quiet = replace(BARE, winding=Winding(10, secondary_turns=20, capacitance_f=5e-12))
    f = np.array([1e5])
    z = impedance_of(np.array([900 - 40j]), f, quiet)
    sweep = ImpedanceSweep(f, z, np.zeros((1, 2, 2)), wiring=Wiring.TWO_WINDINGS.value)
    expected = permeability(sweep, quiet).permeability[0]
    found = monte_carlo(sweep, quiet, [MU_REAL, MU_IMAG], 1e5, 10_000)
    # only the capacitance is uncertain with two windings: 20 % of 2.5 pF beside 0.6 mH at 100 kHz, 2e-4
    assert found[0].mean == pytest.approx(expected.real, rel=1e-4)
    assert found[1].mean == pytest.approx(-expected.imag, rel=1e-3)


def test_a_phase_beside_the_half_turn():
    sweep = ImpedanceSweep(np.array([1e3]), np.array([-10 + 0.001j]), np.array([[[1e-4, 0], [0, 1e-2]]]))
    (found,) = monte_carlo(sweep, BARE, [PHASE], 1e3, DRAWS)
    # analytic: u = 0.1/10 rad, on both sides of 180°, which must not tear the interval apart
    assert found.standard_uncertainty == pytest.approx(np.degrees(0.01), rel=0.01)
    assert (found.low + found.high) / 2 == pytest.approx(180, abs=0.02)


def test_one_id_is_one_draw():
    # analytic: an error of Z and of the height under one name cancels: Z ∝ L0 μ
    f = np.array([1e4])
    ideal = Specimen(RING, Winding(10, capacitance_f=1e-18), dimension_uncertainties_m={"height_m": 1e-4})
    z = impedance_of(np.array([100 - 1j]), f, ideal)
    same = ErrorSource("dimension:height", Scope.SWEEP, 0.01 * z)  # 0.1 mm of 10 mm
    other = replace(same, id="something else")
    widths = [
        _half_width(
            monte_carlo(ImpedanceSweep(f, z, np.zeros((1, 2, 2)), (s,)), ideal, [MU_REAL], 1e4, 5000)[0]
        )
        for s in (same, other)
    ]
    assert widths[0] < 0.5 * widths[1]


def test_equal_seeds_equal_intervals():
    specimen, sweep = _wound(10, 5e-12)
    runs = [monte_carlo(sweep, specimen, [MU_REAL], 1e5, 2000, seed) for seed in (3, 3, 4)]
    assert runs[0] == runs[1]
    assert runs[0] != runs[2]


@pytest.mark.parametrize("draws", [-1, 0, 999, 10**7])
def test_too_few_and_too_many_draws(draws):
    with pytest.raises(AnalysisError, match="1000 to 1000000"):
        monte_carlo(_sums(1), BARE, [RESISTANCE], 1e3, draws)


def test_a_rod_has_no_drawn_permeability():
    rod = Specimen(Rod(8e-3, 80e-3, 1e-5), Winding(10))
    assert monte_carlo(_sums(1), rod, [RESISTANCE], 1e3, 1000)
    with pytest.raises(AnalysisError, match="rod"):
        monte_carlo(_sums(1), rod, [MU_REAL], 1e3, 1000)
