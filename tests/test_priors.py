"""What is believed before the data."""

import numpy as np
import pytest

from identification import grade, ring
from whichcore.analysis.curve_table import GRID_STEP
from whichcore.analysis.priors import (
    CORNER_SPREAD,
    CRACK_PROBABILITY,
    corner_prior,
    gap_nodes,
    turn_branches,
)
from whichcore.analysis.specimen import Pair, Winding

WIDE = np.arange(-80, 81)


def test_corner_prior_is_the_joint_law_of_scale_and_shift():
    material = grade("a", 2300, 1.8e6, tolerance=0.25)
    prior = corner_prior([material], WIDE)
    weight = np.exp(prior.log_weight[0])
    assert weight.sum() == pytest.approx(1, abs=1e-3)
    shift = np.repeat((GRID_STEP * WIDE)[:, None], weight.shape[1], axis=1)
    theta_mean, theta_sd = prior.theta_mean[0], prior.theta_sd[0]
    # independent: draw the law itself, ln s ~ N(0, σ), p ~ N(1, 0.5), δ = −p ln s + ε
    rng = np.random.default_rng(5)
    log_scale = 0.125 * rng.normal(size=400_000)
    p = rng.normal(1, 0.5, log_scale.size)
    delta = -p * log_scale + CORNER_SPREAD * rng.normal(size=log_scale.size)
    assert (weight * shift**2).sum() == pytest.approx(np.mean(delta**2), rel=0.02)
    assert (weight * theta_mean).sum() == pytest.approx(0, abs=2e-3)
    assert (weight * (theta_mean**2 + theta_sd**2)).sum() == pytest.approx(0.125**2, rel=0.02)
    assert (weight * theta_mean * shift).sum() == pytest.approx(np.mean(-log_scale * delta), rel=0.03)


def test_the_level_is_centred_on_the_stated_permeability():
    material = grade("a", 2300, 1.8e6)
    stated = grade("b", 2300, 1.8e6, initial_permeability=2500)
    shift = corner_prior([material, stated], WIDE)
    mean = (np.exp(shift.log_weight) * shift.theta_mean).sum(axis=(1, 2))
    assert mean[1] - mean[0] == pytest.approx(-np.log(2500 / 2300), rel=0.02)


def test_a_generic_curve_may_miss_the_corner_by_more():
    narrow, wide = (grade("x", 2300, 1.8e6, curve_deviation=d) for d in (0.03, 0.2))
    prior = corner_prior([narrow, wide], WIDE)
    second = (np.exp(prior.log_weight) * ((GRID_STEP * WIDE)[:, None]) ** 2).sum(axis=(1, 2))
    assert second[1] > 2 * second[0]


def test_gap_nodes_of_a_ring_and_of_a_pair():
    nodes = gap_nodes(ring(), 0.06)
    assert sum(n.probability for n in nodes) == pytest.approx(1, abs=1e-12)
    assert nodes[0].median == 0
    assert nodes[0].probability == pytest.approx(1 - CRACK_PROBABILITY)
    median = sum(n.probability * np.log(n.median) for n in nodes[1:]) / CRACK_PROBABILITY
    assert np.exp(median) * 0.06 == pytest.approx(5e-6, rel=0.01)
    pair = gap_nodes(ring(core=Pair(1230.0, 2.5e7), dimension_uncertainties_m={}), 0.06)
    assert all(n.median > 0 for n in pair)


def test_a_stated_gap_has_one_node():
    (node,) = gap_nodes(ring(gap_m=1e-4), 0.05)
    assert (node.probability, node.median) == (1.0, 2e-3)


@pytest.mark.parametrize(("turns", "counts"), [(1, (1, 2)), (10, (10, 9, 11))])
def test_turn_branches(turns, counts):
    branches = turn_branches(Winding(turns))
    assert tuple(n for n, _ in branches) == counts
    assert sum(p for _, p in branches) == pytest.approx(1)
    assert branches[0][1] > 0.9
    assert turn_branches(Winding(turns, ideal=True)) == ((turns, 1.0),)
