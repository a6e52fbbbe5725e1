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
    sums = tones.project(samples, tones.cut(count, segments), omega)
    expected = samples @ np.exp(-1j * np.outer(index, omega))
    np.testing.assert_allclose(sums.sums.sum(axis=1), expected, rtol=1e-9, atol=1e-6)
    moment = (samples * index) @ np.exp(-0.3j * index)
    np.testing.assert_allclose(sums.tone_moment.sum(axis=1), moment, rtol=1e-9, atol=1e-3)


def test_moved_totals_equal_those_projected_anew():
    """To first order; what is left is (δN/2)²/6 of the tone (analytic)."""
    count, step, omega = 5003, 1e-7, np.array([0.0, 0.3, 0.6])
    index, blocks = np.arange(count) - (count - 1) / 2, tones.cut(count, 16)
    samples = np.array([np.cos(0.3 * index + 0.4) + 5, 0.3 * np.cos(0.6 * index)])
    products, there = samples @ samples.T, omega + np.array([0.0, step, 0.0])
    carried, anew = (
        tones.add_up(tones.project(samples, blocks, at), at, products, count) for at in (omega, there)
    )
    carried = carried.moved(step)
    left = (step * count / 2) ** 2 / 6 * count / 2
    np.testing.assert_allclose(carried.sums, anew.sums, rtol=0, atol=1.1 * left)
    np.testing.assert_allclose(carried.normal, anew.normal, rtol=1e-12, atol=1e-9)
    np.testing.assert_array_equal(carried.omega, there)
