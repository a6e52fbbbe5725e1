"""Expected information: closed forms, and an integral done by scipy."""

import numpy as np
import pytest
from scipy.integrate import quad
from scipy.stats import norm

from whichcore.analysis.information import (
    GaussianMixture,
    entropy_bits,
    information_of_mixture,
    information_of_table,
)


def test_entropy_of_equal_and_of_certain_answers():
    assert entropy_bits(np.full(8, 0.125)) == pytest.approx(3.0)  # analytic: log2 8
    assert entropy_bits(np.array([1.0, 0.0])) == 0.0  # analytic


@pytest.mark.parametrize("error", [0.0, 0.05, 0.25, 0.5])
def test_a_yes_or_no_that_may_err_is_a_binary_symmetric_channel(error):
    table = np.array([[1 - error, error], [error, 1 - error]])
    # analytic: capacity 1 − h(error) of the binary symmetric channel, reached by equal answers
    expected = 1 - entropy_bits(np.array([error, 1 - error]))
    assert information_of_table(np.array([0.5, 0.5]), table) == pytest.approx(float(expected), abs=1e-12)


def test_a_value_no_answer_allows_changes_nothing():
    prior, table = np.array([0.3, 0.7]), np.array([[0.2, 0.9], [0.8, 0.1]])
    with_idle = np.vstack([table, np.zeros(2)])
    assert information_of_table(prior, with_idle) == pytest.approx(information_of_table(prior, table))


def two(distance, weight=0.5, size=1):
    mean = np.zeros((2, size))
    mean[1, 0] = distance
    return GaussianMixture(
        np.array([weight, 1 - weight]), np.arange(2), mean, np.tile(np.eye(size), (2, 1, 1))
    )


def by_quadrature(distance, weight):
    """Information of one normal datum on two answers, by scipy's quadrature of the definition."""

    def after(y):
        a, b = weight * norm.pdf(y), (1 - weight) * norm.pdf(y, distance)
        p = a / (a + b)
        return (a + b) * float(entropy_bits(np.array([p, 1 - p])))

    whole = quad(after, -12, 12 + distance, limit=400)[0]
    return float(entropy_bits(np.array([weight, 1 - weight]))) - whole


@pytest.mark.parametrize("distance", [0.5, 1.5, 3.0, 6.0])
@pytest.mark.parametrize("weight", [0.5, 0.9])
@pytest.mark.parametrize("size", [1, 12])
def test_two_normals_against_quadrature(distance, weight, size):
    # independent code: scipy.integrate. Tolerance: the fixed draws, 48 from each case, scatter by a few
    # hundredths of a bit
    found = information_of_mixture(two(distance, weight, size))
    assert found == pytest.approx(by_quadrature(distance, weight), abs=0.05)


@pytest.mark.parametrize("spread", [3.0, 10.0])
def test_two_normals_of_one_mean_and_another_spread_against_quadrature(spread):
    def after(y):
        a, b = 0.5 * norm.pdf(y), 0.5 * norm.pdf(y, scale=spread)
        return (a + b) * float(entropy_bits(np.array([a, b]) / (a + b)))

    # the entropy beyond seven of the narrow deviations is nil: the wide one is sure there
    whole = quad(after, -7, 7, limit=400)[0]
    mixture = GaussianMixture(
        np.array([0.5, 0.5]), np.arange(2), np.zeros((2, 1)), np.array([[[1.0]], [[spread**2]]])
    )
    # independent code: scipy.integrate; tolerance: the fixed draws
    assert information_of_mixture(mixture) == pytest.approx(1 - whole, abs=0.05)


def test_cases_that_are_equal_tell_nothing_and_cases_of_one_answer_neither():
    assert information_of_mixture(two(0.0)) == pytest.approx(0.0, abs=1e-12)  # analytic
    apart = two(50.0)
    one = GaussianMixture(apart.weight, np.zeros(2, dtype=int), apart.mean, apart.covariance)
    assert information_of_mixture(one) == pytest.approx(0.0, abs=1e-12)  # analytic


def test_a_doubtful_measurement_tells_no_more_than_its_trust():
    sure, doubtful = (information_of_mixture(two(30.0), trust) for trust in (1.0, 0.9))
    assert sure == pytest.approx(1.0, abs=1e-6)  # analytic: it settles a bit
    # analytic: with probability 0.9 it tells, else it shows either: a binary symmetric channel of error 0.05
    assert doubtful == pytest.approx(1 - float(entropy_bits(np.array([0.05, 0.95]))), abs=0.03)
    assert information_of_mixture(two(30.0), 0.0) == pytest.approx(0.0, abs=1e-12)
