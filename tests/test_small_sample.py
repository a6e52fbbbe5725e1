"""The spread of a population from a few members."""

import numpy as np
import pytest
from scipy import stats

from whichcore.analysis.small_sample import ONE_SIGMA, TWO_SIGMA, Believed, Sample

NOTHING = Sample(0.0, 0.0, 0.0)


@pytest.mark.parametrize("weight", [2.0, 4.0, 10.0])
def test_before_any_member_the_belief_comes_back(weight):
    """Analytic: that is how the belief is scaled; the grid over ln σ ends three decades away."""
    assert Believed.holding(TWO_SIGMA, 0.25, weight).half_width(TWO_SIGMA, NOTHING, 1) == pytest.approx(
        0.25, rel=5e-5
    )
    assert Believed.holding(ONE_SIGMA, 0.03, weight).half_width(ONE_SIGMA, NOTHING, 1) == pytest.approx(
        0.03, rel=5e-5
    )


@pytest.mark.parametrize("members", [2, 3, 5, 20])
@pytest.mark.parametrize("spread", [0.01, 0.10, 0.40])
def test_without_a_bench_it_is_students_law(members, spread):
    """Independent code: scipy's Student with the closed form of the conjugate posterior.

    Gelman et al., Bayesian Data Analysis 3 (2014), 2.6 (from memory): (ν₀ s₀² + n S²)/(ν₀ + n) with ν₀ + n
    degrees of freedom; a further member about a mean of K scatters by √(1 + 1/K) more (analytic).
    """
    believed, n = Believed(0.087, 4.0), members - 1
    found = believed.half_width(TWO_SIGMA, Sample(spread**2, n, 0.0), members)
    scale = np.sqrt((4 * 0.087**2 + n * spread**2) / (4 + n))
    expected = stats.t.ppf((1 + TWO_SIGMA) / 2, 4 + n) * scale * np.sqrt(1 + 1 / members)
    assert found == pytest.approx(expected, rel=1e-4)  # the grid over ln σ


def test_many_members_overrule_the_belief():
    """Analytic limit: two standard deviations of the members, less the bench's part."""
    sample = Sample(0.05**2 + 0.02**2, 4000.0, 0.02**2)
    found = Believed.holding(TWO_SIGMA, 0.25, 4.0).half_width(TWO_SIGMA, sample, 4001)
    assert found == pytest.approx(2 * 0.05, rel=0.03)  # 1/√8000 of sampling, and the weight of the belief


def test_a_spread_hidden_by_the_bench_is_never_taken_below_zero():
    sample = Sample(0.01**2, 4.0, 0.02**2)
    assert sample.hidden
    assert sample.own == 0.0
    believed = Believed.holding(TWO_SIGMA, 0.25, 4.0)
    blind = believed.half_width(TWO_SIGMA, Sample(0.5**2, 4.0, 0.5**2), 5)
    seen = believed.half_width(TWO_SIGMA, sample, 5)
    assert 0.02 < seen < 0.25
    assert blind > 0.2  # a bench of 50 % says nothing: what was believed remains


def test_further_members_are_held_as_often_as_stated():
    """Calibration by simulation: truth drawn from the belief itself, bench 4 %; 95.4 in 100."""
    rng = np.random.default_rng(11)
    believed, bench, inside, draws = Believed(0.087, 4.0), 0.04, 0, 1200
    for _ in range(draws):
        sigma = 0.087 * np.sqrt(4 / rng.chisquare(4))
        seen = sigma * rng.normal(size=3) + bench * rng.normal(size=3)
        width = believed.half_width(TWO_SIGMA, Sample(float(seen.var(ddof=1)), 2.0, bench**2), 3)
        inside += abs(sigma * rng.normal() - seen.mean()) < width
    # computed: binomial standard deviation of 1200 draws is 0.6 %; three of them
    assert inside / draws == pytest.approx(TWO_SIGMA, abs=0.018)


def test_the_interval_of_a_standard_deviation():
    """Independent code: scipy's χ² law; memory: with 4 degrees of freedom 0.60 and 2.87 times (tables)."""
    low, high = Sample(1.0, 4.0, 0.0).interval()
    assert (low, high) == (pytest.approx(0.599, abs=5e-4), pytest.approx(2.874, abs=5e-4))
    assert NOTHING.interval() == (0.0, np.inf)
