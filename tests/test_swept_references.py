"""References that were swept hold the noise of their sweep; a core of the grade is no less one for it."""

import numpy as np
import pytest

from identification import FREQUENCY, grade, grades, relaxation, ring, wound
from whichcore import identify
from whichcore.analysis.curve_smoothing import AMPLITUDES, LENGTHS, _most_likely_mean, smoothed
from whichcore.analysis.materials import MaterialClass
from whichcore.analysis.verdict import VerdictKind
from whichcore.errors import AnalysisError
from whichcore.known_core import GradeLabel, material_of_core
from whichcore.known_lot import KnownCore, material_of_cores

LABEL = GradeLabel(
    id="own",
    name="own",
    material_class=MaterialClass.MNZN,
    tolerance=0.25,
    source="a sweep",
    licence="own",
)
OTHER = grade("other", 900, 4e6, section_m=(5e-3, 10e-3))


def core(seed):
    """A core of one grade: a level, and a smooth deviation of 2 % of μ′ and of μ″."""
    rng = np.random.default_rng(seed)
    x = np.log(FREQUENCY)
    covariance = np.exp(-0.5 * ((x[:, None] - x) / 1.2) ** 2) + 1e-8 * np.eye(x.size)
    waves = 0.02 * (np.linalg.cholesky(covariance) @ rng.normal(size=(x.size, 2))).T
    mu = relaxation(2300 * np.exp(0.06 * rng.normal()), 1.8e6)
    return mu.real * (1 + waves[0]) + 1j * mu.imag * (1 + waves[1])


def judged(noise, seed):
    """A core against the reference that another one made, both swept with noise."""
    of_reference, of_core = noise
    reference, _ = material_of_core(ring(), wound(core(seed), noise=of_reference, seed=100 + seed), LABEL)
    sweep = wound(core(50 + seed), noise=of_core, seed=200 + seed)
    return identify(ring(), sweep=sweep, library=grades(reference, OTHER))


@pytest.mark.parametrize("noise", [(0.002, 0.003), (0.005, 0.003), (0.01, 0.003), (0.01, 0.01), (0.03, 0.01)])
def test_a_core_is_named_by_a_reference_swept_with_noise(noise):
    verdicts = [judged(noise, seed) for seed in range(4)]
    assert all(verdict.candidates[0].material == "own" for verdict in verdicts)
    assert np.median([verdict.candidates[0].probability for verdict in verdicts]) > 0.9


def test_the_smooth_course_is_the_most_likely_of_those_tried():
    """Independent code: density and mean by inverse and determinant, without factors (the same formulae)."""
    rng, noise = np.random.default_rng(4), 0.01
    x = np.log(FREQUENCY)
    truth = np.sin(x)
    values = truth + noise * rng.normal(size=x.size)
    ours = _most_likely_mean(x, values, np.full(x.size, noise))
    centred = x - x.mean()
    tried = {}
    for length in LENGTHS:
        for amplitude in AMPLITUDES:
            prior = 900 * (1 + np.outer(centred, centred))
            prior += amplitude**2 * np.exp(-((x[:, None] - x) ** 2) / 2 / length**2)
            whole = prior + noise**2 * np.eye(x.size)
            inverse = np.linalg.inv(whole)
            tried[-values @ inverse @ values - np.linalg.slogdet(whole)[1]] = prior @ inverse
    np.testing.assert_allclose(ours, tried[max(tried)] @ values, atol=1e-6)
    # analytic: a sine over eight radians has some ten free values in 120 points, √(10/120) = 0.29
    assert np.sqrt(np.mean((ours - truth) ** 2)) < 0.4 * noise


def test_a_dense_sweep_makes_a_curve_of_few_points():
    dense = np.geomspace(1e3, 3e6, 1201)
    sweep = wound(relaxation(2300, 1.8e6, dense), frequency=dense, noise=0.01)
    material, _ = material_of_core(ring(), sweep, LABEL)
    assert 100 < material.frequency_hz.size < 150  # forty to the decade
    truth = relaxation(2300, 1.8e6, material.frequency_hz)
    # analytic: ten points each, and the smoothing takes more than half of what their mean leaves
    assert np.sqrt(np.mean(np.abs(material.permeability / truth - 1) ** 2)) < 0.5 * np.sqrt(2 / 10) * 0.01


def test_a_quiet_curve_stays_as_it_is():
    mu = relaxation(2300, 1.8e6)
    quiet = np.full(mu.size, 5e-4)
    assert smoothed(FREQUENCY, mu, quiet) is mu
    # too few points to tell a course from scatter
    np.testing.assert_array_equal(smoothed(FREQUENCY[:7], mu[:7], 1e4 * quiet[:7]), mu[:7])


@pytest.mark.parametrize("quiet", [0.0, 1e-9, 1e-6])
def test_a_band_without_scatter_beside_a_noisy_one_is_followed(quiet):
    """As two ranges may have it; the quiet points lie on the truth (known) and the course keeps to them."""
    mu, low = relaxation(2300, 1.8e6), FREQUENCY < 1e4
    noise = 0.02 * np.random.default_rng(6).normal(size=(2, mu.size)) * ~low
    course = smoothed(FREQUENCY, mu * (1 + noise[0] + 1j * noise[1]), np.where(low, quiet, 0.02))
    np.testing.assert_allclose(np.abs(course / mu - 1)[low], 0, atol=2e-3)
    assert np.sqrt(np.mean(np.abs(course / mu - 1)[~low] ** 2)) < 0.6 * np.sqrt(2) * 0.02


@pytest.mark.parametrize("noise", [(0.002, 0.003), (0.01, 0.01)])
def test_a_core_of_something_else_still_is_not(noise):
    of_reference, of_core = noise
    reference, _ = material_of_core(ring(), wound(core(1), noise=of_reference, seed=1), LABEL)
    foreign = 1 + 2300 / (1 + (1j * FREQUENCY / 1.8e6) ** 0.8)
    verdict = identify(ring(), sweep=wound(foreign, noise=of_core), library=grades(reference, OTHER))
    assert verdict.kind is VerdictKind.UNLISTED


def test_a_sweep_lost_in_scatter_makes_no_reference():
    """One at 15 % does, with what it holds; one at 30 % is refused by name, alone and among others."""
    sweeps = [wound(core(seed), noise=noise, seed=seed) for seed, noise in ((1, 0.003), (2, 0.15), (3, 0.3))]
    material_of_core(ring(), sweeps[1], LABEL)
    with pytest.raises(AnalysisError, match="scatters too much") as refused:
        material_of_core(ring(), sweeps[2], LABEL)
    assert refused.value.where == "sweep"
    cores = [KnownCore(ring(), sweep, f"core {n}") for n, sweep in enumerate(sweeps, start=1)]
    with pytest.raises(AnalysisError, match="scatters too much") as refused:
        material_of_cores(cores, LABEL, None)
    assert refused.value.where == "core 3"
