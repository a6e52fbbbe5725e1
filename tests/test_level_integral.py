"""The closed-form level integral against dense linear algebra and numerical quadrature (independent code)."""

import numpy as np
import pytest
from scipy.integrate import dblquad, quad
from scipy.stats import multivariate_normal, norm

from whichcore.analysis.level_integral import (
    SUPPORT,
    JointFactors,
    LevelPrior,
    _log_probability_between,
    inner_products,
    log_likelihood,
    marginalise_last,
    narrowed,
    posterior_level,
    products_of,
)
from whichcore.analysis.reach import Pattern, Reach, Stretches

POINTS, COLUMNS = 6, 3
RNG = np.random.default_rng(11)
COMMON = RNG.normal(size=(2 * POINTS, COLUMNS))
RESIDUAL, LEVEL, GAP, CORNER, ONE = RNG.normal(size=(5, 2 * POINTS))
#: A fixed level keeps its prior's share inside the support, 2Φ(4) − 1. Analytic.
SUPPORT_SHARE = np.log(norm.cdf(SUPPORT) - norm.cdf(-SUPPORT))
ALL = Reach(np.array([0]), np.array([POINTS]), np.zeros((1, 0), dtype=bool))


def gram_of(*vectors: np.ndarray, reach: Reach = ALL) -> tuple[np.ndarray, np.ndarray]:
    rows = tuple(v[None, :] for v in vectors)
    gram, log_det = inner_products(rows, ONE, reach, JointFactors.of_columns([COMMON]))
    return gram[:-1, :-1], log_det


def test_the_vector_of_all_candidates_is_one_like_the_others():
    part = Reach(np.array([1]), np.array([4]), np.zeros((1, 0), dtype=bool))
    mask = np.tile((np.arange(POINTS) >= 1) & (np.arange(POINTS) < 4), 2)
    for reach, seen in ((ALL, np.ones(2 * POINTS)), (part, mask)):
        rows = tuple((v * seen)[None, :] for v in (RESIDUAL, LEVEL))
        found = inner_products(rows, ONE, reach, JointFactors.of_columns([COMMON]))[0]
        expected = gram_of(RESIDUAL * seen, LEVEL * seen, ONE * seen, reach=reach)[0]
        np.testing.assert_allclose(found, expected, rtol=1e-12, atol=1e-12)


def test_alternative_covariances_do_not_touch_each_other():
    """One with fewer columns is padded: it must stay what it is alone."""
    rows, few = (RESIDUAL[None], LEVEL[None]), COMMON[:, :1]
    both = inner_products(rows, ONE, ALL, JointFactors.of_columns([COMMON, few]))
    for a, columns in enumerate((COMMON, few)):
        alone = inner_products(rows, ONE, ALL, JointFactors.of_columns([columns]))
        np.testing.assert_allclose(both[0][:, :, a], alone[0][:, :, 0], rtol=1e-12)
        np.testing.assert_allclose(both[1][a], alone[1][0], rtol=1e-12)


def test_sums_over_stretches_are_those_over_the_points_of_each_pattern():
    patterns = [
        Pattern(0, 4, (True, False)),
        Pattern(1, 3, (False, True)),
        Pattern(0, 0, (True, True)),
        Pattern(2, 4, (False, False)),
    ]
    stretches = Stretches(POINTS, patterns)
    found = stretches.products(COMMON.T, COMMON)
    squares = stretches.squares(COMMON.T, 2 * COMMON.T)
    for value, square, pattern in zip(found, squares, patterns, strict=True):
        seen = COMMON[np.tile(pattern.mask(POINTS), 2)]
        # analytic: the same products, taken point by point; tolerance: rounding
        np.testing.assert_allclose(value, seen.T @ seen, rtol=1e-12, atol=1e-12)
        np.testing.assert_allclose(square, 2 * (seen**2).sum(axis=0), rtol=1e-12, atol=1e-12)


def dense(rows: slice | np.ndarray = slice(None), extra: np.ndarray | None = None) -> multivariate_normal:
    columns = COMMON[rows]
    covariance = np.eye(columns.shape[0]) + columns @ columns.T
    if extra is not None:
        covariance += np.outer(extra[rows], extra[rows])
    return multivariate_normal(np.zeros(columns.shape[0]), covariance)


def constant(count: int) -> float:
    """What the closed form leaves out: it depends on the number of rows only."""
    return 0.5 * count * np.log(2 * np.pi)


def test_fixed_level_is_the_dense_density():
    prior = LevelPrior(np.array(0.3), np.array(1e-9))
    value = log_likelihood(products_of(*gram_of(RESIDUAL, LEVEL)), prior)
    # independent code: scipy.stats.multivariate_normal
    expected = dense().logpdf(RESIDUAL - 0.3 * LEVEL) + constant(2 * POINTS) + SUPPORT_SHARE
    assert value[0] == pytest.approx(expected, abs=1e-7)


@pytest.mark.parametrize(("mean", "sd"), [(0.0, 0.2), (0.5, 1.0), (-3.0, 0.1)])
def test_level_is_integrated_over_its_support(mean, sd):
    value = log_likelihood(products_of(*gram_of(RESIDUAL, LEVEL)), LevelPrior(np.array(mean), np.array(sd)))

    density, prior = dense(), norm(mean, sd)

    def integrand(theta):
        return density.pdf(RESIDUAL - theta * LEVEL) * prior.pdf(theta)

    # independent code: adaptive quadrature over the same support
    area = quad(integrand, mean - SUPPORT * sd, mean + SUPPORT * sd, epsabs=0, epsrel=1e-10)[0]
    assert value[0] == pytest.approx(np.log(area) + constant(2 * POINTS), abs=1e-7)


def test_level_and_gap_are_integrated_together():
    prior = LevelPrior(np.array(0.1), np.array(0.4), gamma_sd=0.7)
    value = log_likelihood(products_of(*gram_of(RESIDUAL, LEVEL, GAP)), prior)

    density, of_level, of_gap = dense(), norm(0.1, 0.4), norm(0, 0.7)

    def integrand(gamma, theta):
        likelihood = density.pdf(RESIDUAL - theta * LEVEL - gamma * GAP)
        return likelihood * of_level.pdf(theta) * of_gap.pdf(gamma)

    low, high = 0.1 - SUPPORT * 0.4, 0.1 + SUPPORT * 0.4
    area = dblquad(integrand, low, high, -6, 6, epsabs=0, epsrel=1e-6)[0]
    assert value[0] == pytest.approx(np.log(area) + constant(2 * POINTS), abs=1e-5)


def test_a_marginalised_vector_is_one_more_term_of_the_covariance():
    gram, log_det = marginalise_last(*gram_of(RESIDUAL, LEVEL, CORNER), variance=0.25)
    value = log_likelihood(products_of(gram, log_det), LevelPrior(np.array(0.2), np.array(1e-9)))
    expected = dense(extra=0.5 * CORNER).logpdf(RESIDUAL - 0.2 * LEVEL) + constant(2 * POINTS) + SUPPORT_SHARE
    assert value[0] == pytest.approx(expected, abs=1e-7)


def test_silent_points_are_left_out():
    rows = np.r_[2:5, POINTS + 2 : POINTS + 5]
    mask = np.zeros(2 * POINTS)
    mask[rows] = 1
    reach = Reach(np.array([2]), np.array([5]), np.zeros((1, 0), dtype=bool))
    gram = gram_of(RESIDUAL * mask, LEVEL * mask, reach=reach)
    value = log_likelihood(products_of(*gram), LevelPrior(np.array(0.0), np.array(1e-9)))
    expected = dense(rows).logpdf(RESIDUAL[rows]) + constant(6) + SUPPORT_SHARE
    assert value[0] == pytest.approx(expected, abs=1e-7)


def test_another_turn_count_shifts_level_and_gap_rows():
    log_tau = 0.37
    moved = products_of(*gram_of(RESIDUAL - log_tau * (LEVEL + GAP), LEVEL, GAP))
    turned = products_of(*gram_of(RESIDUAL, LEVEL, GAP)).with_turns(log_tau)
    for name in ("rr", "rd", "dd", "re", "de", "ee"):
        assert getattr(turned, name) == pytest.approx(getattr(moved, name), abs=1e-12)


def test_a_level_far_outside_its_support_is_refused_not_adopted():
    far = 30 * LEVEL
    products = products_of(*gram_of(far, LEVEL))
    prior = LevelPrior(np.array(0.0), np.array(0.1))
    theta, *_ = posterior_level(products, prior)
    assert abs(theta[0]) <= SUPPORT * 0.1 + 1e-12
    # the untruncated Gaussian would forgive most of the distance; the support does not
    at_edge = dense().logpdf(far - SUPPORT * 0.1 * LEVEL) + constant(2 * POINTS)
    assert log_likelihood(products, prior)[0] < at_edge + 1.0


def test_posterior_level_is_the_least_squares_answer_with_a_wide_prior():
    products = products_of(*gram_of(RESIDUAL, LEVEL))
    theta, *_ = posterior_level(products, LevelPrior(np.array(0.0), np.array(1e4)))
    weight = np.linalg.inv(np.eye(2 * POINTS) + COMMON @ COMMON.T)
    # analytic: generalised least squares (A. C. Aitken 1935, from memory)
    assert theta[0] == pytest.approx((LEVEL @ weight @ RESIDUAL) / (LEVEL @ weight @ LEVEL), rel=1e-6)


def test_no_more_columns_than_rows_are_needed_for_the_covariance_of_any_rows():
    columns = np.random.default_rng(8).normal(size=(6, 11))
    fewer = narrowed(columns)
    some = [0, 2, 3, 5]
    # analytic: what stands for the covariance is the product of the columns alone
    assert fewer.shape == (6, 6)
    assert fewer[some] @ fewer[some].T == pytest.approx(columns[some] @ columns[some].T, abs=1e-12)
    assert np.array_equal(narrowed(columns.T), columns.T)


@pytest.mark.parametrize(
    ("low", "high"),
    [(-4, 4), (-1, 7), (-9.5, 0.5), (-1e-6, 8), (-8, 1e-6), (0, 8), (5, 13), (-13, -5), (30, 38), (-12, 12)],
)
def test_the_probability_between_two_limits_is_the_integral_of_the_normal_law(low, high):
    near = min(abs(low), abs(high)) if low * high > 0 else 0.0
    # independent code: scipy's quadrature, of the law over its value at the nearest limit
    integral = quad(lambda x: np.exp((near**2 - x**2) / 2), low, high, epsabs=0, epsrel=1e-11, limit=200)[0]
    truth = np.log(integral) - near**2 / 2 - 0.5 * np.log(2 * np.pi)
    found = _log_probability_between(np.array([float(low)]), np.array([float(high)]))
    assert found == pytest.approx(truth, rel=1e-10, abs=1e-12)
