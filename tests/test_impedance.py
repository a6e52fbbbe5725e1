"""Series elements, and the scatter a curve shows of itself."""

from __future__ import annotations

import numpy as np
import pytest

from whichcore.analysis.impedance import (
    estimate_scatter,
    magnitude_and_phase,
    series_inductance_h,
    series_resistance_ohm,
    straying,
)
from whichcore.errors import AnalysisError


def curve(points: int) -> tuple[np.ndarray, np.ndarray]:
    """A relaxation of μ 2300 on ten turns, 1 kHz to 3 MHz."""
    frequency = np.geomspace(1e3, 3e6, points)
    mu = 1 + 2299 / (1 + 1j * frequency / 3.2e6)
    return frequency, 0.02 + 2j * np.pi * frequency * 102e-9 * mu


def noisy(impedance: np.ndarray, real: float, imaginary: float, rng: np.random.Generator) -> np.ndarray:
    size = np.abs(impedance)
    noise = real * rng.normal(size=size.size) + 1j * imaginary * rng.normal(size=size.size)
    return impedance + size * noise


def shares(frequency: np.ndarray, impedance: np.ndarray) -> np.ndarray:
    """Standard uncertainty of both components over |Z|, (2,)."""
    blocks = estimate_scatter(frequency, impedance)
    relative = np.sqrt(np.diagonal(blocks, axis1=1, axis2=2)) / np.abs(impedance)[:, np.newaxis]
    assert relative == pytest.approx(np.broadcast_to(relative[0], relative.shape))
    assert np.all(blocks[:, 0, 1] == 0)
    return relative[0]


def test_series_elements():
    # analytic: 3 Ω and 1 mH at 1 kHz
    impedance = 3 + 2j * np.pi
    assert series_resistance_ohm(impedance) == pytest.approx(3)
    assert series_inductance_h(1e3, impedance) == pytest.approx(1e-3)
    size, phase = magnitude_and_phase(np.array([3 + 4j]))
    assert size == pytest.approx([5])
    assert phase == pytest.approx([np.arctan2(4, 3)])


@pytest.mark.parametrize("noise", [0.005, 0.01, 0.03])
@pytest.mark.parametrize("points", [35, 71])
def test_known_noise_is_found(points, noise):
    rng = np.random.default_rng(points)
    frequency, impedance = curve(points)
    found = np.array([shares(frequency, noisy(impedance, noise, noise, rng)) for _ in range(100)])
    ratio = found / noise
    # stated: one estimate scatters by some 1.2/√F, its mean is right within 7 % from ten points a decade up
    assert ratio.mean() == pytest.approx(1.0, abs=0.07)
    assert ratio.std() * np.sqrt(points) < 1.5


def test_components_of_unlike_noise_stay_apart():
    rng = np.random.default_rng(3)
    frequency, impedance = curve(71)
    found = np.array([shares(frequency, noisy(impedance, 0.005, 0.03, rng)) for _ in range(60)])
    assert found.mean(axis=0) == pytest.approx([0.005, 0.03], rel=0.08)


def test_sparse_curves_err_on_the_safe_side():
    # stated: the bend of a curve of few points counts as scatter, never against it
    rng = np.random.default_rng(4)
    for points in (8, 11, 15, 22):
        frequency, impedance = curve(points)
        found = np.array([shares(frequency, noisy(impedance, 0.01, 0.01, rng)) for _ in range(100)])
        assert 0.98 < found.mean() / 0.01 < 1.8


def test_a_resonance_or_range_step_is_not_scatter():
    rng = np.random.default_rng(6)
    frequency, impedance = curve(71)
    clean = noisy(impedance, 0.01, 0.01, rng)
    stepped = clean * np.where(frequency > 1e5, 1.05, 1.0)
    stepped[40] *= 1.5
    # robust: one step and one outlier move the estimate by less than its own scatter, 1.2/√71 = 14 %
    assert shares(frequency, stepped)[0] == pytest.approx(shares(frequency, clean)[0], rel=0.15)


def test_floor_of_a_clean_curve():
    # contract: at least 0.3 % of |Z| per component
    assert shares(*curve(71)) == pytest.approx([0.003, 0.003])
    frequency, impedance = curve(71)
    quiet = noisy(impedance, 0.001, 0.001, np.random.default_rng(7))
    assert shares(frequency, quiet) == pytest.approx([0.003, 0.003])


@pytest.mark.parametrize("points", [1, 2, 4, 7])
def test_short_curves_get_the_larger_floor(points):
    frequency, impedance = curve(71)
    assert shares(frequency[:points], impedance[:points]) == pytest.approx([0.01, 0.01])


def test_phase_may_pass_through_180_degrees():
    # analytic: a wrapped phase is no scatter
    frequency = np.geomspace(1e3, 1e6, 40)
    turning = 100 * np.exp(1j * np.linspace(0, 3 * np.pi, 40))
    assert shares(frequency, turning) == pytest.approx([0.003, 0.003])


@pytest.mark.parametrize(
    ("frequency", "impedance", "what"),
    [
        ([1e3, 2e3], [1j], "one impedance per frequency"),
        ([], [], "one impedance per frequency"),
        ([2e3, 1e3], [1j, 1j], "rise"),
        ([0.0, 1e3], [1j, 1j], "rise"),
        ([1e3, 2e3], [1j, 0], "not zero"),
        ([1e3, 2e3], [1j, np.nan], "finite"),
    ],
)
def test_what_is_no_curve_is_refused(frequency, impedance, what):
    with pytest.raises(AnalysisError, match=what):
        estimate_scatter(frequency, impedance)


class TestStraying:
    """Points that stray by far more than the file states."""

    FREQUENCY = np.geomspace(1e3, 3e6, 80)

    def curve(self, noise):
        mu = 1 + 2299 / (1 + 1j * self.FREQUENCY / 1.8e6)
        z = 0.05 + 2j * np.pi * self.FREQUENCY * 1e-7 * mu
        rng = np.random.default_rng(4)
        return z + noise * np.abs(z) * (rng.normal(size=z.size) + 1j * rng.normal(size=z.size))

    def stated(self, z, share):
        return np.square(share * np.abs(z))[:, np.newaxis] * np.ones(2)

    def test_both_numbers_are_told(self):
        z = self.curve(0.01)
        seen, times = straying(self.FREQUENCY, z, self.stated(z, 0.001))
        # computed: a median over 80 points scatters by 1.2/√80 = 13 %, and the larger of two is taken
        assert seen == pytest.approx(0.01, rel=0.4)
        assert times == pytest.approx(10, rel=0.4)

    @pytest.mark.parametrize(("noise", "share"), [(0.01, 0.01), (0.01, 0.005), (0.0, 1e-6), (0.001, 1e-6)])
    def test_nothing_of_what_is_stated_about_right_or_too_small_to_matter(self, noise, share):
        z = self.curve(noise)
        assert straying(self.FREQUENCY, z, self.stated(z, share)) is None

    def test_few_points_and_sparse_ones_show_no_scatter(self):
        z = self.curve(0.01)
        for few in (slice(0, 7), slice(None, None, 5)):
            assert straying(self.FREQUENCY[few], z[few], self.stated(z[few], 1e-4)) is None
