"""Terms of a converter's steps against brute force, and the choice of coherent records."""

import math

import numpy as np
import pytest

from whichcore.analysis.quantisation import coprime_periods, distinct_phases, step_noise
from whichcore.errors import AnalysisError


def test_step_noise_matches_brute_force():
    # computed: an ideal rounding converter, offsets and amplitudes drawn, 20 000 phases
    rng = np.random.default_rng(1)
    phase = 2 * np.pi * (np.arange(20000) + 0.5) / 20000
    errors = []
    for amplitude in 40 * (1 + 0.1 * rng.uniform(-1, 1, 1500)):
        voltage = amplitude * np.sin(phase) + rng.uniform(-0.5, 0.5)
        errors.append(2 * np.mean((np.round(voltage) - voltage) * np.sin(phase)))
    assert np.var(errors) == pytest.approx(step_noise(40, 0.0), rel=0.12)  # 3 standard errors
    assert step_noise(40, 0.5) < 1e-3 * step_noise(40, 0.0)


def test_distinct_phases():
    assert distinct_phases(0.25, 1000, 50) == 4  # analytic
    assert distinct_phases(17 / 80, 1000, 50) == pytest.approx(80)
    assert distinct_phases((math.sqrt(5) - 1) / 2, 1000, 500) == 1000  # no ratio comes near the golden one
    assert distinct_phases(0.25 + 1e-9, 1000, 50) == 4  # creeps by far less than a step


@pytest.mark.parametrize(
    ("rate", "frequency", "target"), [(1e9, 1e6, 1_000_000), (96e3, 1e3, 9600), (1e6, 3e5, 64)]
)
def test_coprime_periods(rate, frequency, target):
    record = coprime_periods(rate, frequency, target)
    assert record.samples == target
    assert math.gcd(record.periods, record.samples) == 1
    assert record.frequency_hz == record.periods * rate / record.samples
    best = min(
        abs(p * rate / target - frequency) for p in range(1, target // 2) if math.gcd(p, target) == 1
    )  # computed: every count tried
    assert abs(record.frequency_hz - frequency) == pytest.approx(best)
    looser = coprime_periods(rate, frequency, target, shortest_samples=target - 50 if target > 100 else 32)
    assert abs(looser.frequency_hz - frequency) <= abs(record.frequency_hz - frequency)


@pytest.mark.parametrize(
    ("arguments", "where"),
    [
        ((1e6, 6e5, 1000), "frequency_hz"),
        ((1e6, 0, 1000), "frequency_hz"),
        ((1e6, 3e5, 8), "target_samples"),
        ((1e6, 10, 1000), "target_samples"),
    ],
)
def test_coprime_periods_refuses(arguments, where):
    with pytest.raises(AnalysisError) as caught:
        coprime_periods(*arguments)
    assert caught.value.where == where
