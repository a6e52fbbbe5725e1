"""Several cores of one grade: mean curve and spread, against lots drawn from another law."""

import numpy as np
import pytest

from whichcore.analysis.core_spread import spread_of
from whichcore.analysis.types import ErrorSource, PermeabilitySpectrum, Scope
from whichcore.errors import AnalysisError

FREQUENCY = np.geomspace(1e3, 1e7, 90)
LEVEL, CORNER = 1000.0, 2e6


def _curve(level, corner, frequency):
    return 1 + (level - 1) / (1 + 1j * frequency / corner)


def _smooth(rng, x):
    """Sum of five cosines of random rate and phase: another law than the judge's."""
    rate, phase = rng.normal(size=5) / 1.2, rng.uniform(0, 2 * np.pi, 5)
    return np.sqrt(2 / 5) * np.cos(rate[:, None] * x + phase[:, None]).sum(axis=0)


def _lot(
    count,
    seed=1,
    *,
    level=0.05,
    exponent=1.0,
    corner=0.03,
    deviation=0.02,
    noise=0.002,
    frequency=FREQUENCY,
    **common,
):
    """Cores with everything drawn; ``common`` are sources by scope: own for each core or shared by all."""
    rng = np.random.default_rng(seed)
    shared = rng.normal()
    return [
        _core(rng, shared, frequency, (level, exponent, corner, deviation, noise), common)
        for _ in range(count)
    ]


def _core(rng, shared, frequency, law, common):
    level, exponent, corner, deviation, noise = law
    scale = level * rng.normal()
    mu = _curve(LEVEL * np.exp(scale), CORNER * np.exp(-exponent * scale + corner * rng.normal()), frequency)
    x, angle = np.log(frequency), -np.angle(mu)
    mu = mu * np.exp(deviation * _smooth(rng, x) - 1j * deviation * np.hypot(angle, 0.15) * _smooth(rng, x))
    sources = []
    for name, size in common.items():
        scope = Scope.SPECIMENS if name == "shared" else Scope.SWEEP
        mu = mu * np.exp(size * (shared if name == "shared" else rng.normal()))
        sources.append(ErrorSource(name, scope, size * mu))
    scatter = (noise * np.abs(mu))[:, None, None] ** 2 * np.eye(2)
    mu = mu + noise * np.abs(mu) * (rng.normal(size=mu.size) + 1j * rng.normal(size=mu.size))
    return PermeabilitySpectrum(frequency, mu, scatter, tuple(sources))


def test_equal_cores_give_their_own_curve():
    """Analytic: the mean of equal curves is that curve, and their spread is nothing."""
    mu = _curve(LEVEL, CORNER, FREQUENCY)
    exact = PermeabilitySpectrum(FREQUENCY, mu, 1e-12 * np.tile(np.eye(2), (mu.size, 1, 1)))
    found = spread_of([exact, exact, exact])
    np.testing.assert_allclose(found.permeability, mu, rtol=1e-12)
    assert found.level.variance == pytest.approx(0.0, abs=1e-20)
    assert 0 < found.tolerance < 0.25  # three equal cores prove little, but more than none


def test_the_planted_spread_comes_back():
    """Computed: sampling of a standard deviation over 30 cores is 13 %; three of them."""
    found = spread_of(_lot(30))
    assert found.level.own == pytest.approx(0.05, rel=0.4)
    assert np.sqrt(found.deviation.variance - found.deviation.bench) == pytest.approx(0.02, rel=0.4)
    assert found.corner.exponent == pytest.approx(1.0, abs=3 * found.corner.uncertainty)
    assert found.corner.uncertainty < 0.3
    # analytic: geometric mean of a log-normal level is its median; σ/√30 of it, three times
    assert np.abs(found.permeability[0]) == pytest.approx(LEVEL, rel=3 * 0.06 / np.sqrt(30))


def test_the_mean_curve_is_sharper_than_any_core():
    lot = _lot(30, seed=5)
    truth = _curve(LEVEL, CORNER, FREQUENCY)
    found = spread_of(lot).permeability
    shape = np.log(found / found[0]) - np.log(truth / truth[0])
    single = [np.std(np.log(s.permeability / s.permeability[0]) - np.log(truth / truth[0])) for s in lot]
    assert np.std(shape) < 0.5 * np.median(single)


def test_what_the_bench_does_to_each_core_is_taken_off():
    """Dimensions known to 4 % make 4 % of spread that is not the grade's; computed: 30 cores, 13 %."""
    found = spread_of(_lot(30, seed=2, level=0.03, own=0.04))
    assert np.sqrt(found.level.bench) == pytest.approx(0.04, rel=0.05)
    assert np.sqrt(found.level.variance) == pytest.approx(np.hypot(0.03, 0.04), rel=0.4)
    assert found.level.own == pytest.approx(0.03, rel=0.6)
    plain = spread_of(_lot(30, seed=2, level=0.05))
    assert np.sqrt(plain.level.bench) < 0.005


def test_what_all_cores_share_is_neither_spread_nor_taken_off():
    found, without = (spread_of(_lot(10, seed=3, shared=size)) for size in (0.10, 1e-9))
    assert found.level.variance == pytest.approx(without.level.variance, rel=1e-3)
    assert found.level.bench == pytest.approx(without.level.bench, rel=1e-3)


def test_ranges_of_one_calibration_are_shared():
    lot = _lot(5, seed=3, own=0.05)
    ranged = [
        PermeabilitySpectrum(
            s.frequency_hz, s.permeability, s.scatter,
            tuple(ErrorSource(e.id, Scope.RANGE, e.sensitivity) for e in s.sources),
        )
        for s in lot
    ]  # fmt: skip
    assert spread_of(ranged).level.bench > 10 * spread_of(ranged, frozenset({Scope.RANGE})).level.bench


def test_cores_without_spread_show_none():
    found = spread_of(_lot(5, seed=4, level=0.0, corner=0.0, deviation=0.0, own=0.03))
    assert found.level.own < 0.03
    assert found.tolerance > 0.1  # five cores do not prove that there is none
    assert found.deviation.own < 0.005


@pytest.mark.parametrize("count", [2, 3, 5])
def test_few_cores_are_widened(count):
    few, many = spread_of(_lot(count, seed=9)), spread_of(_lot(25, seed=9))
    assert few.tolerance > 1.3 * many.tolerance
    assert few.curve_deviation > many.curve_deviation


def test_a_band_without_dispersion_keeps_the_usual_deviation():
    low = np.geomspace(1e3, 3e4, 30)
    found = spread_of(_lot(6, frequency=low))
    assert found.deviation.freedom == 0
    assert found.curve_deviation == pytest.approx(0.03, rel=1e-4)  # practice, CORE_DEVIATION
    assert found.corner is None


def test_sweeps_of_other_points_and_spans_share_the_middle():
    one, two = _lot(1, 1)[0], _lot(1, 2, frequency=np.geomspace(1e4, 3e7, 41))[0]
    found = spread_of([one, two])
    assert found.frequency_hz[0] >= 1e4
    assert found.frequency_hz[-1] <= 1e7
    assert np.abs(found.permeability[0]) == pytest.approx(LEVEL, rel=0.25)


def test_too_little_in_common_is_refused():
    low, high = (
        _lot(1, frequency=np.geomspace(1e3, 1e4, 20))[0],
        _lot(1, frequency=np.geomspace(2e4, 1e6, 20))[0],
    )
    with pytest.raises(AnalysisError, match="in common"):
        spread_of([low, high])
    with pytest.raises(AnalysisError, match="one core"):
        spread_of([low])
