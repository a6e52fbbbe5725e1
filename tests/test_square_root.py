"""Covariances in which one source dwarfs the noise: a winding of thousands of turns is no failure."""

import numpy as np
import pytest

from identification import FREQUENCY, grade, grades, relaxation, ring, wound
from whichcore.analysis.identify import identify
from whichcore.analysis.information import GaussianMixture, information_of_mixture
from whichcore.analysis.specimen import Winding
from whichcore.analysis.square_root import lower_factor


def test_the_factor_is_that_of_the_covariance():
    root = np.random.default_rng(4).normal(size=(7, 12))
    # independent code: the Cholesky factor of the product, where that is well conditioned
    assert lower_factor(root) == pytest.approx(np.linalg.cholesky(root @ root.T), abs=1e-12)


def test_the_noise_outlives_a_source_that_dwarfs_it():
    size = 1e9
    root = np.column_stack([np.eye(2), [size, size]])
    with pytest.raises(np.linalg.LinAlgError):
        np.linalg.cholesky(root @ root.T)
    lower = lower_factor(root)
    # analytic: of two equal readings of one quantity the second adds the noise of both; rounding takes a
    # part in 1e16 of the size
    assert lower[1, 1] == pytest.approx(np.sqrt(2), rel=1e-6)
    assert lower[0, 0] == pytest.approx(size)


def test_a_forecast_of_numbers_that_go_together_beyond_rounding_has_its_information():
    apart = np.array([[0.0, 0.0], [0.0, 2e9]])
    together = 1e16 * np.ones((2, 2))
    found = information_of_mixture(
        GaussianMixture(np.array([0.5, 0.5]), np.arange(2), apart, np.stack([together, together]))
    )
    assert found == pytest.approx(
        1.0, abs=1e-6
    )  # analytic: twenty times their spread apart they settle a bit


@pytest.mark.parametrize("turns", [5000, 100_000])
@pytest.mark.parametrize("known", [True, False])
def test_thousands_of_turns_have_a_verdict(turns, known):
    """The estimated winding capacitance takes all of the current: whatever is said, nothing breaks."""
    level, corner = (2300, 1.8e6) if known else (30, 4e7)
    winding = Winding(turns, wire_diameter_m=0.4e-3, wire_length_m=0.4)
    sweep = wound(relaxation(level, corner), turns=turns, noise=0.003, capacitance=0.0)
    library = grades(grade("a", 2300, 1.8e6), grade("b", 2300, 2.6e6), grade("c", 850, 8e6))
    verdict = identify(ring(winding=winding), sweep=sweep, library=library)
    total = sum(candidate.probability for candidate in verdict.candidates) + verdict.unlisted_probability
    assert total == pytest.approx(1.0)  # analytic
    assert verdict.decided_by is None or np.isfinite(verdict.decided_by.log_odds).all()
    assert verdict.decided_by is None or verdict.decided_by.frequency_hz.max() <= FREQUENCY.max()
