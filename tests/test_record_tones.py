"""Tones found in a record and fitted together: unbiased, with the scatter stated, refused where unclear."""

import numpy as np
import pytest

from whichcore.analysis.record_tones import find_tone, find_tones, fit_tones
from whichcore.analysis.takes import ratio_with_covariance
from whichcore.analysis.types import Capture, FlagKind
from whichcore.errors import AnalysisError

INTERVAL_S = 2e-7


def made(tones, *, samples=2500, interval_s=INTERVAL_S, noise=0.01, seed=1):
    """Return a record of two channels; ``tones`` maps Hz to the peak phasors of both."""
    time = np.arange(samples) * interval_s
    rows = np.random.default_rng(seed).normal(0, noise, (2, samples))
    for hertz, pair in tones.items():
        rows += np.array([(v * np.exp(2j * np.pi * hertz * time)).real for v in pair])
    return Capture(rows, interval_s)


@pytest.mark.parametrize("hertz", [8123.4, 33333.3, 412e3])
def test_the_frequency_is_found_as_well_as_the_noise_allows(hertz):
    errors = [find_tone(made({hertz: (1, 0.3j)}, seed=seed)) / hertz - 1 for seed in range(12)]
    # analytic: Cramér–Rao bound, var f ≥ 12/[(2π)² η N³] in cycles per sample, η = A²/2σ² (Kay 1993, from
    # memory); the starting phase is open, so that few periods cost some more
    bound = np.sqrt(12 / ((2 * np.pi) ** 2 * 5000 * 2500.0**3)) / (hertz * INTERVAL_S)
    assert np.sqrt(np.mean(np.square(errors))) < 2 * bound


def test_harmonics_are_not_taken_for_the_tone():
    capture = made({20e3: (0.5, 0.1), 40e3: (0.45, 0.1), 60e3: (0.3, 0.2)})
    assert find_tone(capture) == pytest.approx(20e3, rel=1e-3)


@pytest.mark.parametrize(
    ("tones", "said"),
    [
        ({20e3: (1, 1), 31e3: (0.8, 0.5)}, r"more than one tone.*20\d{3} Hz and 3[01]\d{3} Hz"),
        ({}, "no tone stands out"),
        ({3e3: (1, 1)}, r"too few periods.*; got 1\.[5-9] periods|no tone"),
    ],
)
def test_what_is_unclear_is_refused(tones, said):
    with pytest.raises(AnalysisError, match=said):
        find_tone(made(tones))


def test_mains_is_not_taken_for_the_tone():
    capture = made({50.0: (1, 1), 1e3: (0.1, 0.1)}, samples=5000, interval_s=2e-5)
    with pytest.raises(AnalysisError, match="the strongest line of the record is the mains; got 50 Hz"):
        find_tone(capture)
    assert find_tones(capture) == pytest.approx([1e3], rel=1e-4)


GRID = np.geomspace(310.0, 41e3, 20) * (1 + 0.01 * np.sin(np.arange(20) ** 2))
CLOCKS = 1 + 3.1e-4  # the digitizer's clock is slow


def many(seed, noise=1e-3):
    a = {f: 0.05 * np.exp(1j * k * k) for k, f in enumerate(GRID)}
    tones = {f * CLOCKS: (v, v * (0.3 + 0.2j * np.log10(f))) for f, v in a.items()}
    return made(tones, samples=20_000, interval_s=5e-6, noise=noise, seed=seed)


def test_many_tones_scatter_as_stated_and_without_bias():
    scores = []
    for seed in range(8):
        for hertz, phasors in zip(GRID, fit_tones(many(seed), GRID, stated=True), strict=True):
            ratio, covariance = ratio_with_covariance(phasors)
            off = ratio - 1 / (0.3 + 0.2j * np.log10(hertz))
            scores.append([off.real / covariance[0, 0] ** 0.5, off.imag / covariance[1, 1] ** 0.5])
    # analytic: 320 scores of a unit normal; their mean scatters by 0.06, their spread by 0.04
    assert abs(np.mean(scores)) < 0.2
    assert 0.88 < np.std(scores) < 1.12


def test_one_factor_between_the_clocks_is_found():
    phasors = fit_tones(many(3), GRID, stated=True)
    assert np.array([p.frequency_hz for p in phasors]) / GRID == pytest.approx(CLOCKS, rel=2e-6)


def test_tones_are_found_and_listed():
    found = find_tones(many(4))
    assert found == pytest.approx(GRID * CLOCKS, rel=1e-4)
    assert not any(p.has(FlagKind.TOO_SMALL) for p in fit_tones(many(4), found, stated=False))


def test_noise_beside_a_tone_counts_more_than_the_mean():
    rng = np.random.default_rng(8)
    capture = many(5)
    red = np.cumsum(rng.normal(0, 2e-5, capture.samples.shape), axis=1)
    noisy = Capture(capture.samples + red, capture.interval_s)
    before, after = (fit_tones(c, GRID, stated=True) for c in (capture, noisy))
    growth = [b.covariance_v2[0, 0] / a.covariance_v2[0, 0] for a, b in zip(before, after, strict=True)]
    assert growth[0] > 3 * growth[-1]


def test_tones_too_near_each_other_are_refused():
    with pytest.raises(AnalysisError, match="two tones are too near each other"):
        fit_tones(many(1), np.array([1000.0, 1005.0]), stated=True)
