"""The Kramers–Kronig and passivity tests, on laws that are causal by construction."""

from __future__ import annotations

import numpy as np
import pytest

from whichcore.analysis.causality import (
    DOUBTFUL_RESIDUAL,
    GOOD_RESIDUAL,
    CausalModel,
    check_causality,
    check_passivity,
)
from whichcore.errors import AnalysisError, InputError

FREQUENCY = np.geomspace(1e3, 1e7, 81)


def relaxation(frequency_hz, static=2300.0, corner_hz=1.3e6):
    return 1 + static / (1 + 1j * frequency_hz / corner_hz)


def wall(frequency_hz, strength, resonance_hz, damping_hz):
    return strength * resonance_hz**2 / (resonance_hz**2 - frequency_hz**2 + 1j * frequency_hz * damping_hz)


def spin(frequency_hz, strength, resonance_hz, damping):
    moving = resonance_hz + 1j * frequency_hz * damping
    return strength * resonance_hz * moving / (moving**2 - frequency_hz**2)


def mnzn(frequency_hz):
    """T. Tsutaoka, J. Appl. Phys. 93, 2789 (2003), sintered MnZn; parameters from memory."""
    return 1 + wall(frequency_hz, 3282, 2.5e6, 9.3e6) + spin(frequency_hz, 1438, 6.3e6, 1.28)


def ribbon(frequency_hz):
    x = (1 + 1j) * np.sqrt(frequency_hz / 2e4)
    return 30_000 * np.tanh(x) / x


def cole_cole(frequency_hz):
    return 1 + 1000 / (1 + (1j * frequency_hz / 3e5) ** 0.8)


@pytest.mark.parametrize("law", [relaxation, cole_cole, mnzn, ribbon])
def test_causal_laws_are_good(law):
    # analytic: each law is analytic in the lower half plane of ω, so it obeys the relation exactly; what is
    # left is the error of a piecewise linear loss on 20 points a decade
    assert check_causality(FREQUENCY, law(FREQUENCY)).residual_rms < GOOD_RESIDUAL


@pytest.mark.parametrize("law", [relaxation, cole_cole, mnzn, ribbon])
def test_model_returns_the_curve_between_its_points(law):
    model = check_causality(FREQUENCY, law(FREQUENCY)).model
    between = np.sqrt(FREQUENCY[1:] * FREQUENCY[:-1])
    # analytic: the law itself; 1 % is the step of a chord across 12 % of frequency at these curvatures
    assert np.abs(model.permeability(between) / law(between) - 1).max() < 0.01


def test_false_pairing_is_far_worse_than_a_good_curve():
    real = relaxation(FREQUENCY).real
    for corner_hz in (0.5e6, 2.6e6):
        paired = real + 1j * relaxation(FREQUENCY, corner_hz=corner_hz).imag
        assert check_causality(FREQUENCY, paired).residual_rms > 5 * DOUBTFUL_RESIDUAL


def test_real_part_with_loss_of_another_strength_fails():
    curve = relaxation(FREQUENCY)
    assert check_causality(FREQUENCY, curve.real + 1.2j * curve.imag).residual_rms > DOUBTFUL_RESIDUAL


def test_active_twin_fails():
    # analytic: the complex conjugate is anticausal
    assert check_causality(FREQUENCY, relaxation(FREQUENCY).conj()).residual_rms > 10 * DOUBTFUL_RESIDUAL


def test_added_constant_is_allowed():
    # analytic: a real constant is what lies above the band
    assert check_causality(FREQUENCY, relaxation(FREQUENCY) + 300).residual_rms < GOOD_RESIDUAL


@pytest.mark.parametrize("law", [relaxation, mnzn])
def test_noise_is_neither_followed_nor_amplified(law):
    level = 0.01
    curve = law(FREQUENCY)
    ratios = []
    for seed in range(20):
        noise = np.random.default_rng(seed).standard_normal((2, FREQUENCY.size))
        uncertainty = level * np.abs(curve)
        outcome = check_causality(FREQUENCY, curve + uncertainty * (noise[0] + 1j * noise[1]), uncertainty)
        ratios.append(outcome.normalised_rms)
        # computed: |residual| of two components of 1 % each is at most √2 · 1 %, with 10 % for 20 draws
        assert outcome.residual_rms < 1.1 * np.sqrt(2) * level
    # computed: a fit with p of 2F = 162 values free leaves √(1 − p/2F); some 40 terms are in use
    assert 0.7 < np.mean(ratios) < 1.0


def test_uncertainty_weights_the_fit():
    curve = relaxation(FREQUENCY)
    wild = curve.copy()
    wild[40] *= 1.5
    uncertainty = 0.001 * np.abs(curve)
    trusted = check_causality(FREQUENCY, wild, uncertainty)
    uncertainty[40] *= 1000
    doubted = check_causality(FREQUENCY, wild, uncertainty)
    # analytic: with that point doubted the rest is exact again
    assert doubted.normalised_rms < 1 < trusted.normalised_rms
    assert abs(doubted.residual[40]) == pytest.approx(1 / 3, abs=0.01)


def test_copper_residue_is_diagnosed_with_its_size():
    copper_per_s = 6e5
    curve = relaxation(FREQUENCY) - 1j * copper_per_s / (2 * np.pi * FREQUENCY)
    outcome = check_causality(FREQUENCY, curve)
    assert outcome.residual_rms < GOOD_RESIDUAL
    assert outcome.copper_residue
    assert outcome.model.copper_per_s == pytest.approx(copper_per_s, rel=0.01)  # analytic
    # analytic: the term is −j R/(ωL0)
    assert outcome.model.copper(FREQUENCY[:1])[0] == pytest.approx(copper_per_s / (2e3 * np.pi), rel=0.01)


def test_clean_curve_has_no_copper_residue():
    assert not check_causality(FREQUENCY, relaxation(FREQUENCY)).copper_residue
    assert not check_causality(FREQUENCY, mnzn(FREQUENCY)).copper_residue


def test_copper_below_a_fifth_of_the_loss_is_no_finding():
    curve = relaxation(FREQUENCY, corner_hz=5e3)  # analytic: μ″ is 442 at 1 kHz, copper adds 40
    outcome = check_causality(FREQUENCY, curve - 40j * 1e3 / FREQUENCY)
    assert outcome.model.copper(FREQUENCY[:1])[0] == pytest.approx(40, rel=0.1)
    assert not outcome.copper_residue


def test_channel_delay_is_taken_up_by_the_linear_column():
    delay_s = 2e-5
    outcome = check_causality(FREQUENCY, relaxation(FREQUENCY) + 2j * np.pi * FREQUENCY * delay_s)
    assert outcome.residual_rms < GOOD_RESIDUAL
    assert outcome.model.delay_s == pytest.approx(delay_s, rel=0.05)  # analytic


def test_resonance_is_diagnosed_not_refused():
    dense = np.geomspace(1e4, 1e7, 181)
    curve = 1 + wall(dense, 1000, 1e6, 2e5) + 500 / (1 + 1j * dense / 5e6)
    outcome = check_causality(dense, curve)
    assert outcome.residual_rms < DOUBTFUL_RESIDUAL
    assert outcome.underdamped
    assert outcome.resonance_hz == pytest.approx(1e6, rel=0.05)  # analytic: the resonance put in


def test_relaxation_is_not_called_a_resonance():
    outcome = check_causality(FREQUENCY, cole_cole(FREQUENCY))
    assert not outcome.underdamped
    assert outcome.resonance_hz is None


def test_line_is_the_kramers_kronig_partner_of_its_triangle():
    nodes = np.array([1e5, 2e5, 4e5])
    model = CausalModel(0.0, 0.0, 0.0, np.empty(0), np.empty(0), nodes, np.array([1.0]))
    f = np.array([2e4, 1.3e5, 3e5, 9e5])
    x = np.linspace(1e5, 4e5, 3_000_001)[:, None] + 0.05
    triangle = np.interp(x, nodes, [0, 1, 0])
    own = np.interp(f, nodes, [0, 1, 0])
    # independent: the relation by quadrature, with the pole taken out by μ″(f) and its known integral
    integrand = (x * triangle - f * own) / (x**2 - f**2)
    step = x[1, 0] - x[0, 0]
    pole = np.log(np.abs((4e5 - f) * (1e5 + f) / ((4e5 + f) * (1e5 - f)))) / 2 * own
    expected = 2 / np.pi * (integrand.sum(axis=0) * step + pole)
    assert model.permeability(f).real == pytest.approx(expected, abs=2e-4)
    assert -model.permeability(f).imag == pytest.approx(own, abs=1e-12)  # analytic: the triangle


def test_static_permeability_of_a_line_obeys_the_sum_rule():
    nodes = np.array([1e5, 2e5, 4e5])
    model = CausalModel(0.0, 0.0, 0.0, np.empty(0), np.empty(0), nodes, np.array([1.0]))
    # analytic: (2/π)∫ Λ(x)/x dx = (2/π)[(1 − ln 2) + (2 ln 2 − 1)] = (2/π) ln 2
    assert model.permeability(np.array([1.0]))[0].real == pytest.approx(2 / np.pi * np.log(2), rel=1e-9)


def test_passivity_within_uncertainty():
    curve = np.full(50, 100 - 0.0j)
    curve[7] += 0.02j
    # computed: quantile at 0.05/50 is 3.09, so −0.02 is allowed with u = 0.01 and not with u = 0.005
    assert check_passivity(curve, 0.01).passive
    outcome = check_passivity(curve, np.full(50, 0.005))
    assert not outcome.passive
    assert list(np.flatnonzero(outcome.violations)) == [7]
    assert not check_passivity(curve).passive


def test_passivity_alarms_in_five_of_a_hundred_lossless_sweeps():
    rng = np.random.default_rng(3)
    alarms = sum(not check_passivity(100 + 1j * rng.standard_normal(40), 1.0).passive for _ in range(2000))
    # computed: binomial 2000 × 0.049, standard deviation 9.7; four of them
    assert 58 <= alarms <= 137


@pytest.mark.parametrize(
    ("change", "error"),
    [
        (lambda f, z: (f[:5], z[:5]), AnalysisError),
        (lambda f, z: (f[::-1], z), InputError),
        (lambda f, z: (f - f[0], z), InputError),
        (lambda f, z: (f[1:], z), InputError),
        (lambda f, z: (f, np.where(f > 1e6, np.nan, z)), InputError),
        (lambda f, z: (f, np.where(f > 1e6, 0, z)), InputError),
    ],
)
def test_wrong_input_is_refused(change, error):
    frequency_hz, curve = change(FREQUENCY, relaxation(FREQUENCY))
    with pytest.raises(error):
        check_causality(frequency_hz, curve)


def test_uncertainty_of_zero_is_refused():
    with pytest.raises(InputError, match="uncertainty"):
        check_causality(FREQUENCY, relaxation(FREQUENCY), np.zeros(FREQUENCY.size))
