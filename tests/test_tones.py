"""Sums over a record, block by block, against their definitions."""

import math

import numpy as np
import pytest

from whichcore.analysis import tones


@pytest.mark.parametrize("count", [16, 37, 1000])
@pytest.mark.parametrize("theta", [0.0, 0.9, 2.5, 2 * math.pi - 0.7, 2 * math.pi, 9.1])
def test_dirichlet_sums_equal_their_definition(count, theta):
    index = np.arange(count) - (count - 1) / 2  # analytic: the sums written out
    value = np.array([theta])
    assert tones.dirichlet(value, count)[0] == pytest.approx(np.sum(np.cos(theta * index)), abs=1e-8 * count)
    slope = -np.sum(index * np.sin(theta * index))
    assert tones.dirichlet_slope(value, count)[0] == pytest.approx(slope, abs=1e-9 * count**2)
    if theta < 2 * math.pi:
        curvature = -np.sum(index**2 * np.cos(theta * index))
        assert tones.dirichlet_curvature(theta, count) == pytest.approx(curvature, abs=1e-9 * count**3)


@pytest.mark.parametrize(("count", "segments"), [(5003, 16), (5003, 1), (70001, 20)])
def test_block_sums_equal_one_long_sum(count, segments):
    rng = np.random.default_rng(0)
    samples = rng.integers(-128, 128, (2, count)).astype(np.int8)
    omega = np.array([0.0, 0.3, 0.6])
    index = np.arange(count) - (count - 1) / 2
    sums = tones.project(samples, tones.basis(tones.cut(count, segments), omega))
    expected = samples @ np.exp(-1j * np.outer(index, omega))
    np.testing.assert_allclose(sums.sums.sum(axis=1), expected, rtol=1e-9, atol=1e-6)
    moment = (samples * index) @ np.exp(-0.3j * index)
    np.testing.assert_allclose(sums.tone_moment.sum(axis=1), moment, rtol=1e-9, atol=1e-3)
    wide = samples.astype(float)
    np.testing.assert_array_equal(sums.products, wide @ wide.T)
    np.testing.assert_allclose(sums.power(count), count * wide.var(axis=1), rtol=1e-12)


def test_a_moved_fit_equals_one_projected_anew():
    """To first order; what is left is of the order of θ², θ = δN/2, of the tone (analytic)."""
    count, step, omega = 5003, 1e-6, np.array([0.0, 0.004, 0.008])  # three periods: the lines meet
    index, blocks = np.arange(count) - (count - 1) / 2, tones.cut(count, 16)
    rng = np.random.default_rng(4)
    tone = np.cos(0.004 * index + np.array([[0.4], [1.9]])) * np.array([[1.0], [0.5]])
    samples = tone + 0.3 * np.cos(0.008 * index) + 5
    samples += rng.normal(0, 1e-3, samples.shape)
    there = omega + np.array([0.0, step, 0.0])
    here, anew = (
        tones.fit_lines(tones.add_up(tones.project(samples, basis), basis))
        for basis in (tones.basis(blocks, at) for at in (omega, there))
    )
    moved, theta = here.moved(step), step * count / 2
    np.testing.assert_array_equal(moved.omega, there)
    np.testing.assert_allclose(moved.phasors[:, 1], anew.phasors[:, 1], rtol=0, atol=theta**2 / 4)
    assert np.all(np.abs(here.phasors - anew.phasors)[:, 1] > 2 * theta**2)  # it has changed
    # of the sums of products: θ²/6 of the tone's own power is what the step makes, θ³ of it is left
    change = anew.residual - here.residual
    assert np.all(np.abs(np.diag(change)) > 0.1 * theta**2 * count * np.array([0.5, 0.125]) / 3)
    np.testing.assert_allclose(moved.residual, anew.residual, rtol=0, atol=theta**3 * count)
