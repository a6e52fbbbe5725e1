"""Phasors of two channels: the Cramér–Rao bound, independent fits, and bent, stepped or spoilt records."""

from __future__ import annotations

import math
import tracemalloc
from dataclasses import replace

import numpy as np
import pytest
from scipy.optimize import curve_fit
from scipy.signal import lfilter

from whichcore.analysis.capture_check import plan_tone
from whichcore.analysis.phasor import fit_phasors, fit_prepared, prepare_fit
from whichcore.analysis.takes import Spread, average_phasors, raised_covariance, ratio_with_covariance
from whichcore.analysis.types import Capture, FlagKind
from whichcore.errors import AnalysisError

CYCLES = 0.0373  # per sample: no short repetition
COVERED = 0.93  # least share of 95 % intervals that hold the truth


def tone(phasors, cycles, count, orders=None):
    """Channels (2, N) of complex peak phasors referred to the middle of the record, plus harmonics."""
    turn = 2 * np.pi * cycles * (np.arange(count) - (count - 1) / 2)
    lines = {1: np.asarray(phasors), **(orders or {})}
    return sum(np.real(np.outer(value, np.exp(1j * order * turn))) for order, value in lines.items())


def noise(rng, count, sigma):
    return rng.normal(0, 1, (2, count)) * np.reshape(sigma, (-1, 1))


def fitted(volts, cycles=CYCLES, **options):
    options = {"mains_hz": None, **options}
    return fit_phasors(Capture(volts, 1.0), cycles, **options)


def random_phasors(rng, amplitudes):
    return np.asarray(amplitudes) * np.exp(2j * np.pi * rng.uniform(size=2))


def ratio_errors(phasors, truth):
    """Relative error of the ratio along its magnitude and across (phase), and their stated uncertainties."""
    ratio, covariance = ratio_with_covariance(phasors)
    true = truth[0] / truth[1]
    turn = np.array([[(1 / true).real, -(1 / true).imag], [(1 / true).imag, (1 / true).real]])
    relative = ratio / true - 1
    return np.array([relative.real, relative.imag]), np.sqrt(np.diag(turn @ covariance @ turn.T))


def study(runs, make, cycles=CYCLES, **options):
    """Ratio errors, stated uncertainties and z of the four phasor components over many records."""
    rng = np.random.default_rng(7)
    errors, stated, z = [], [], []
    for _ in range(runs):
        volts, truth, nominal = make(rng)
        found = fitted(volts, nominal or cycles, **options)
        error, uncertainty = ratio_errors(found, truth)
        errors.append(error)
        stated.append(uncertainty)
        z.append((found.phasor_vpk - truth).view(float) / np.sqrt(np.diag(found.covariance_v2)))
    return np.array(errors), np.array(stated), np.array(z)


def share_covered(errors, stated):
    return (np.abs(errors) < 1.96 * stated).mean(axis=0)


# --- the bound -------------------------------------------------------------------------------------------


def test_ratio_reaches_the_cramer_rao_bound():
    # computed from Kay 1993, ch. 3 (memory): N 1000, A 1 and 0.25, σ 0.01, standard deviation of r/|r|, of φ
    bound = 1.8439e-3

    def make(rng):
        truth = random_phasors(rng, (1, 0.25))
        return tone(truth, CYCLES, 1000) + noise(rng, 1000, 0.01), truth, None

    errors, stated, z = study(700, make, harmonics=1)
    # 1400 numbers: their rms has a standard error of 1.9 %, three of them allowed
    assert np.sqrt((errors**2).mean()) == pytest.approx(bound, rel=0.057)
    assert np.sqrt((stated**2).mean()) == pytest.approx(bound, rel=0.002)  # σ from 1000 samples: 0.07 % here
    assert share_covered(z, np.ones_like(z)).min() > COVERED


def test_frequency_reaches_the_cramer_rao_bound():
    rng = np.random.default_rng(3)
    count, sigma = 1000, 0.01
    truth = np.array([1.0, 0.25j])
    takes = [fitted(tone(truth, CYCLES, count) + noise(rng, count, sigma), harmonics=1) for _ in range(300)]
    # Kay 1993 (memory): var f = 12/((2π)² η N(N² − 1)); the η of two channels of one clock add (analytic)
    eta = (1 + 0.25**2) / (2 * sigma**2)
    bound = math.sqrt(12 / ((2 * np.pi) ** 2 * eta * count * (count**2 - 1)))
    scatter = np.sqrt(np.mean([(take.frequency_hz - CYCLES) ** 2 for take in takes]))
    assert scatter == pytest.approx(bound, rel=0.12)  # three standard errors of 300 numbers
    assert takes[0].frequency_uncertainty_hz == pytest.approx(bound, rel=0.05)  # σ of one record


def test_covariance_is_the_inverse_of_the_seven_parameter_fisher_matrix():
    # analytic: two offsets, two phasors, one frequency (the dual-channel case of P. Händel, IMTC 2008)
    # ; built here from finite columns, in no way as the fit does it
    rng = np.random.default_rng(11)
    count, truth = 300, np.array([1 + 0.4j, -0.2 + 0.3j])
    cycles = 0.0113  # 3.4 periods: frequency and phasor are not quite independent
    waves = tone(truth, cycles, count) + noise(rng, count, (0.01, 0.02))
    carried = fitted(waves, cycles, harmonics=1)
    found = fitted(waves, carried.frequency_hz, harmonics=1)
    # a last step is carried over with the matrices of where it set out: they change by less than its angle
    np.testing.assert_allclose(
        carried.covariance_v2, found.covariance_v2, rtol=0, atol=1e-4 * 0.02**2 / count
    )
    index = np.arange(count) - (count - 1) / 2
    omega = 2 * np.pi * found.frequency_hz
    jacobian = np.zeros((2, count, 7))
    for channel in range(2):
        real, imag = found.phasor_vpk[channel].real, found.phasor_vpk[channel].imag
        cosine, sine = np.cos(omega * index), np.sin(omega * index)
        jacobian[channel, :, 3 * channel : 3 * channel + 3] = np.stack(
            [np.ones(count), cosine, -sine], axis=1
        )
        jacobian[channel, :, 6] = -index * (real * sine + imag * cosine)
    sigma, rho = found.noise_vrms, found.noise_correlation
    weighed = jacobian / sigma[:, None, None]
    bound = np.linalg.inv(np.einsum("cni,cnj->ij", weighed, weighed))
    # channels are weighted by their own noise; the few per cent of correlation measured enter as a sandwich
    spread = np.einsum("cni,cd,dnj->ij", weighed, np.array([[1, rho], [rho, 1]]), weighed)
    expected = bound @ spread @ bound
    keep = [1, 2, 4, 5]
    scale = np.sqrt(np.outer(np.diag(found.covariance_v2), np.diag(found.covariance_v2)))
    np.testing.assert_allclose(found.covariance_v2 / scale, expected[np.ix_(keep, keep)] / scale, atol=1e-6)
    assert found.frequency_uncertainty_hz * 2 * np.pi == pytest.approx(math.sqrt(expected[6, 6]), rel=1e-6)
    assert math.sqrt(expected[6, 6]) == pytest.approx(math.sqrt(bound[6, 6]), rel=0.01)  # so the bound is met


@pytest.mark.parametrize("orders", [None, {2: np.array([0.05, 0.02j]), 3: np.array([0.03j, 0.01])}])
def test_equals_an_independent_curve_fit(orders):
    rng = np.random.default_rng(5)
    count = 2003
    truth = np.array([1 + 0.4j, -0.2 + 0.3j])
    volts = tone(truth, CYCLES * 1.0004, count, orders) + noise(rng, count, (0.01, 0.004)) + [[0.3], [-0.1]]
    found = fitted(volts)
    assert set(found.harmonics_vpk) == set(orders or {})
    index = np.arange(count) - (count - 1) / 2
    highest = 1 + len(orders or {})

    def model(_x, *p):
        angles = [k * p[0] * index for k in range(1, highest + 1)]
        half = (len(p) - 1) // 2
        channels = []
        for q in (p[1 : 1 + half], p[1 + half :]):
            pairs = zip(q[1::2], q[2::2], angles, strict=True)
            channels.append(q[0] + sum(re * np.cos(a) - im * np.sin(a) for re, im, a in pairs))
        return np.concatenate(channels)

    per_channel = 1 + 2 * highest
    start = np.concatenate([[2 * np.pi * CYCLES * 1.0004], *2 * [[0.0, *([0.1] * (per_channel - 1))]]])
    sigma = np.repeat(found.noise_vrms, count)
    best, covariance = curve_fit(
        model, index, volts.ravel(), p0=start, sigma=sigma, absolute_sigma=True, xtol=1e-14, ftol=1e-14
    )
    keep = [2, 3, 2 + per_channel, 3 + per_channel]
    uncertainty = np.sqrt(np.diag(covariance))
    # independent code, differences in standard uncertainties. The frequency is taken from the tone alone: its
    # harmonics would add Σ h²|P_h|²/|P_1|² = 1.7 % of information here, so the two estimates differ by some
    # √0.017 = 0.13, three of which are allowed; the phasors at the middle of the record hardly follow
    of_phasor, of_frequency = (1e-4, 3e-4) if orders is None else (0.01, 0.4)
    difference = found.phasor_vpk.view(float) - best[keep]
    assert np.abs(difference / uncertainty[keep]).max() < of_phasor
    assert abs(2 * np.pi * found.frequency_hz - best[0]) < of_frequency * uncertainty[0]
    np.testing.assert_allclose(np.sqrt(np.diag(found.covariance_v2)), uncertainty[keep], rtol=1e-3)
    np.testing.assert_allclose(found.dc_v, best[[1, 1 + per_channel]], atol=0.01 * uncertainty[1])


# --- steps and bends -------------------------------------------------------------------------------------


def stepped(rng, amplitudes, sigma, count, cycles, *, vary=0.01):
    nominal = cycles * (1 + vary * rng.uniform(-1, 1))
    truth = random_phasors(rng, amplitudes) * (1 + 0.3 * rng.uniform(-1, 1, 2))
    volts = tone(truth, nominal, count) + rng.uniform(-0.5, 0.5, (2, 1)) + noise(rng, count, sigma)
    return np.round(volts).astype(np.int8), truth, nominal


def test_noise_of_more_than_half_a_step_reaches_the_bound_of_noise_and_steps():
    errors, stated, _ = study(300, lambda rng: stepped(rng, (60, 40), 0.6, 1000, 0.0173))
    # Kay 1993 (memory), with σ² + 1/12 for the variance of a dithered converter (analytic), each record at
    # its own size; 600 numbers, three standard errors
    assert (errors**2 / stated**2).mean() == pytest.approx(1, abs=0.18)
    middle = math.sqrt(2 * (0.36 + 1 / 12) / 1000 * (1 / 60**2 + 1 / 40**2))
    assert np.median(stated) == pytest.approx(middle, rel=0.05)


@pytest.mark.parametrize(
    ("amplitudes", "sigma", "count", "cycles", "vary"),
    [
        ((60, 40), 0.1, 1000, 0.0173, 0.01),
        ((60, 40), 0.0, 1000, 0.0173, 0.01),
        ((5, 3), 0.0, 1000, 0.0173, 0.01),
        ((60, 40), 0.02, 1000, 0.25, 0.0),  # four phases only
        ((60, 40), 0.02, 1000, 0.0125, 0.0),  # eighty phases
        ((60, 40), 0.0, 8000, 0.0173, 0.01),
    ],
)
def test_below_half_a_step_the_stated_uncertainty_covers(amplitudes, sigma, count, cycles, vary):
    errors, stated, z = study(
        200, lambda rng: stepped(rng, amplitudes, sigma, count, cycles, vary=vary), harmonics=5
    )
    # 200 records of 95 %: the standard error of the share is 1.5 %
    assert share_covered(errors, stated).min() >= COVERED
    assert share_covered(z, np.ones_like(z)).min() >= COVERED
    assert np.median(stated / np.sqrt((errors**2).mean(axis=0)), axis=0)[0] < 2.5  # nor is it absurdly wide


def test_the_white_bound_alone_would_not_cover_an_undithered_record():
    errors, _, _ = study(100, lambda rng: stepped(rng, (60, 40), 0.0, 8000, 0.0173), harmonics=5)
    white = math.sqrt(2 / 12 / 8000 * (1 / 60**2 + 1 / 40**2))
    assert (np.abs(errors[:, 0]) < 1.96 * white).mean() < 0.7


def test_nonlinearity_is_covered_when_stated_and_leaves_the_phase_alone():
    def bent(codes):
        return codes + 0.8 * (codes / 100) ** 3 + 0.4 * np.sin(codes / 9)

    span = np.linspace(-100, 100, 2001)
    error = bent(span) - np.polyval(np.polyfit(span, bent(span), 1), span)
    rng = np.random.default_rng(2)
    inside, phase = [], []
    for _ in range(100):
        truth = random_phasors(rng, (90, 50))
        volts = bent(tone(truth, CYCLES, 20000)) + noise(rng, 20000, 0.5)
        codes = np.round(volts).astype(np.int8)
        gain = np.polyfit(span, bent(span), 1)[0]
        capture = Capture(codes, 1.0, nonlinearity_codes=(float(error.std()),) * 2)
        found = fit_phasors(capture, CYCLES, mains_hz=None)
        errors, stated = ratio_errors(found, truth)
        along = np.abs(np.abs(found.phasor_vpk) / gain - np.abs(truth))
        inside.append([*(np.abs(errors) < 1.96 * stated), *(along < 1.96 * math.sqrt(2) * error.std())])
        phase.append(errors[1] / (0.58 * math.sqrt(2 / 20000 * (1 / 90**2 + 1 / 50**2))))
    assert np.mean(inside, axis=0).min() >= COVERED
    assert np.sqrt(np.mean(np.square(phase))) == pytest.approx(1, abs=0.22)  # analytic: odd error, in phase


# --- what else is in the record --------------------------------------------------------------------------


def test_hum_harmonics_and_offset_are_told_from_the_tone():
    rng = np.random.default_rng(9)
    count, rate = 9600, 96000.0
    truth = np.array([0.1 + 0.05j, 0.02j])
    orders = {3: np.array([0.004, 0.001j]), 5: np.array([0.001j, 0])}
    seconds = np.arange(count) / rate
    hum = 0.05 * np.sin(2 * np.pi * 50 * seconds + 1) + 0.01 * np.sin(2 * np.pi * 150 * seconds)
    volts = tone(truth, 1000.3 / rate, count, orders) + hum + noise(rng, count, 1e-4) + 0.2
    found = fit_phasors(Capture(volts, 1 / rate), 1000.0)
    assert set(found.harmonics_vpk) == {3, 5}
    error = np.abs((found.phasor_vpk - truth).view(float))
    assert (error < 4 * np.sqrt(np.diag(found.covariance_v2))).all()
    np.testing.assert_allclose(found.harmonics_vpk[3], orders[3], atol=1e-5)
    np.testing.assert_allclose(found.noise_vrms, 1e-4, rtol=0.03)  # nothing is left in the residual
    np.testing.assert_allclose(found.hum_vpk, 0.05, rtol=1e-3)
    np.testing.assert_allclose(found.dc_v, 0.2, atol=1e-5)
    assert found.frequency_hz == pytest.approx(1000.3, abs=5 * found.frequency_uncertainty_hz)
    assert found.has(FlagKind.HUM, 1)
    assert not found.has(FlagKind.HUM, 0)
    blind = fit_phasors(Capture(volts, 1 / rate), 1000.0, harmonics=1, mains_hz=None)
    assert blind.noise_vrms[0] > 0.03  # left out of the model they would count as noise


def test_part_of_a_mains_period_is_told_from_a_low_tone():
    rng = np.random.default_rng(4)
    count, interval = 5000, 1e-6  # 5 ms: a quarter of a mains period, five periods of the tone
    truth = np.array([0.1, 0.02 + 0.02j])
    hum = 0.05 * np.sin(2 * np.pi * 50 * interval * np.arange(count) + 0.4)
    found = fit_phasors(Capture(tone(truth, 1e-3, count) + hum + noise(rng, count, 1e-4), interval), 1000.0)
    error = np.abs((found.phasor_vpk - truth).view(float))
    assert (error < 4 * np.sqrt(np.diag(found.covariance_v2))).all()
    blind = fit_phasors(
        Capture(tone(truth, 1e-3, count) + hum, interval), 1000.0, mains_hz=None, refine=False
    )
    assert np.abs(blind.phasor_vpk - truth).max() > 20 * error.max()


@pytest.mark.parametrize("ppm", [-1000, -312, 0, 40, 990])
@pytest.mark.parametrize(("count", "cycles"), [(40000, 0.0373), (40000, 0.41), (3001, 0.00873), (500, 0.02)])
def test_clocks_may_differ_by_a_thousand_ppm(ppm, count, cycles):
    rng = np.random.default_rng(6)
    truth = np.array([1 + 0.4j, -0.2 + 0.3j])
    true_cycles = cycles * (1 + ppm * 1e-6)
    found = fitted(tone(truth, true_cycles, count) + noise(rng, count, 1e-3), cycles)
    assert found.usable
    assert abs(found.frequency_hz - true_cycles) < 4.5 * found.frequency_uncertainty_hz
    error = np.abs((found.phasor_vpk - truth).view(float))
    assert (error < 4.5 * np.sqrt(np.diag(found.covariance_v2))).all()


def test_a_tone_elsewhere_is_not_found():
    rng = np.random.default_rng(6)
    volts = tone([1, 0.5], CYCLES * 1.004, 40000) + noise(rng, 40000, 1e-3)
    found = fitted(volts)
    assert found.has(FlagKind.FREQUENCY_NOT_FOUND)
    assert not found.usable
    assert fitted(noise(rng, 5000, 1.0)).has(FlagKind.FREQUENCY_NOT_FOUND)


def test_frequency_taken_as_given_is_flagged_when_it_turns():
    volts = tone([1, 0.5], CYCLES * 1.0002, 40000) + noise(np.random.default_rng(1), 40000, 1e-3)
    found = fitted(volts, refine=False)
    assert found.frequency_uncertainty_hz == 0
    assert found.has(FlagKind.UNSTABLE)
    assert not fitted(volts).has(FlagKind.UNSTABLE)


def test_drift_and_modulation_are_unstable_and_widen_the_covariance():
    rng = np.random.default_rng(8)
    count = 20000
    steady = tone([1, 0.5], CYCLES, count)
    drift = steady * (1 + 0.02 * np.linspace(-1, 1, count)) + noise(rng, count, 1e-3)
    plain = fitted(steady + noise(rng, count, 1e-3))
    found = fitted(drift)
    assert plain.flags == ()
    assert found.has(FlagKind.UNSTABLE, 0)
    assert found.has(FlagKind.UNSTABLE, 1)
    assert found.covariance_v2[0, 0] > 20 * plain.covariance_v2[0, 0]
    # a common drift leaves the ratio alone (analytic): its uncertainty must not grow alike
    grown = np.sqrt(np.trace(ratio_with_covariance(found)[1]) / np.trace(ratio_with_covariance(plain)[1]))
    assert grown < 3


def test_noise_that_is_not_white_is_covered():
    def make(rng):
        smooth = lfilter(
            [1], [1, -0.8], noise(rng, 8000, 0.01)
        )  # 20 times the density of its input at the tone
        truth = random_phasors(rng, (1, 0.5))
        return tone(truth, 0.0173, 8000) + smooth, truth, 0.0173

    errors, stated, _ = study(250, make, harmonics=1)
    # 250 records: 95 % less three standard errors of 1.4 %, less 2 % for 16 degrees of freedom
    assert share_covered(errors, stated).min() >= 0.89
    white = math.sqrt(2 * 0.01**2 / (1 - 0.8**2) / 8000 * (1 + 1 / 0.5**2))
    assert (np.abs(errors) < 1.96 * white).mean() < 0.75  # the white bound would not do


def test_correlated_noise_is_seen_and_used():
    def make(rng):
        truth = np.array([1.0, 0.9])
        common = rng.normal(0, 0.02, 1000)
        return tone(truth, CYCLES, 1000) + common + noise(rng, 1000, 0.005), truth, None

    volts, _, _ = make(np.random.default_rng(0))
    found = fitted(volts)
    assert found.noise_correlation == pytest.approx(0.02**2 / (0.02**2 + 0.005**2), abs=0.01)  # analytic
    errors, stated, _ = study(200, make, harmonics=1)
    assert (errors**2 / stated**2).mean() == pytest.approx(1, abs=0.21)  # three standard errors


# --- kinds of data, flags, refusals ----------------------------------------------------------------------


def test_every_sample_type_and_scale_gives_the_same_phasors():
    rng = np.random.default_rng(12)
    truth = np.array([60 + 20j, 30j])
    signed = np.round(tone(truth, CYCLES, 5003) + noise(rng, 5003, 0.7)).astype(np.int8)
    reference = fit_phasors(Capture(signed, 1e-6), CYCLES * 1e6)
    unsigned = Capture(
        (signed.astype(int) + 128).astype(np.uint8),
        1e-6,
        volts_per_code=(0.5, 2.0),
        offset_v=(-64.0, -256.0),
        start_time_s=2.0,
    )
    left = Capture(signed.astype(np.int16) * 16, 1e-6, volts_per_code=(1 / 16, 1 / 16), step_codes=(16, 16))
    floats = Capture(signed.astype(np.float32), 1e-6, step_codes=(1, 1))
    scale = np.array([0.5, 2.0])
    found = fit_phasors(unsigned, CYCLES * 1e6)
    np.testing.assert_allclose(found.phasor_vpk, reference.phasor_vpk * scale, rtol=1e-11)
    both = np.outer(np.repeat(scale, 2), np.repeat(scale, 2))
    np.testing.assert_allclose(found.covariance_v2, reference.covariance_v2 * both, rtol=1e-6, atol=1e-12)
    np.testing.assert_allclose(found.dc_v, reference.dc_v * scale, atol=1e-9)
    assert found.reference_time_s == pytest.approx(2.0 + 2501e-6)
    for other in (left, floats):
        again = fit_phasors(other, CYCLES * 1e6)
        np.testing.assert_allclose(again.phasor_vpk, reference.phasor_vpk, rtol=1e-11)
        np.testing.assert_allclose(again.covariance_v2, reference.covariance_v2, rtol=1e-6, atol=1e-12)


def test_a_million_points_need_little_memory():
    codes = np.round(tone([100, 50j], 1.000312e-3, 1_000_000)).astype(np.int8)
    tracemalloc.start()
    fit_phasors(Capture(codes, 1e-9), 1e6)
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    assert peak < 64 * 2**20


def test_clipping_is_flagged_on_its_channel():
    volts = tone([140, 40], CYCLES, 4000)
    found = fitted(np.clip(np.round(volts), -128, 127).astype(np.int8))
    assert found.has(FlagKind.CLIPPED, 0)
    assert not found.has(FlagKind.CLIPPED, 1)
    assert not found.usable
    limits = Capture(np.round(tone([90, 40], CYCLES, 4000)), 1.0, clip_codes=((-90, 90), (-90, 90)))
    assert fit_phasors(limits, CYCLES).has(FlagKind.CLIPPED, 0)


def test_small_signals_are_flagged():
    rng = np.random.default_rng(1)
    found = fitted(tone([1, 0.002], CYCLES, 2000) + noise(rng, 2000, 0.02))
    assert found.has(FlagKind.TOO_SMALL, 1)
    assert not found.has(FlagKind.TOO_SMALL, 0)
    steps = fitted(np.round(tone([50, 1.3], CYCLES, 2000)).astype(np.int8))
    assert steps.has(FlagKind.TOO_SMALL, 1)
    assert steps.has(FlagKind.QUANTISATION_LIMITED, 0)
    dead = fitted(np.round(tone([50, 0.2], CYCLES, 2000)).astype(np.int8))
    assert dead.has(FlagKind.TOO_SMALL, 1)
    assert np.sqrt(dead.covariance_v2[2, 2]) > 0.1  # nothing seen is not nothing there


def test_few_periods_and_folding_harmonics_are_flagged():
    rng = np.random.default_rng(1)
    short = fitted(tone([1, 1], 0.002, 1000) + noise(rng, 1000, 1e-3), 0.002)
    assert short.has(FlagKind.FEW_PERIODS)
    assert fitted(tone([1, 1], 0.25, 1000) + noise(rng, 1000, 1e-3), 0.25).has(FlagKind.ALIASED)


def test_a_tone_above_half_the_rate_is_refused_or_flagged():
    rng = np.random.default_rng(1)
    truth = np.array([1 + 0.2j, 0.5j])
    volts = tone(truth, 1.0373, 5000) + noise(rng, 5000, 1e-3)
    with pytest.raises(AnalysisError, match="half the sample rate"):
        fitted(volts, 1.0373)
    found = fitted(volts, 1.0373, allow_aliased=True)
    assert found.has(FlagKind.ALIASED)
    np.testing.assert_allclose(found.phasor_vpk, truth, atol=1e-4)


GOOD = np.round(100 * np.sin(np.arange(200.0) * 0.3)) * np.ones((2, 1))


@pytest.mark.parametrize(
    ("capture", "frequency", "where"),
    [
        (Capture(GOOD[0], 1.0), 0.05, "samples"),
        (Capture(GOOD[:, :8], 1.0), 0.2, "samples"),
        (Capture(GOOD > 0, 1.0), 0.05, "samples"),
        (Capture(GOOD + 0j, 1.0), 0.05, "samples"),
        (Capture(np.where(GOOD > 99, np.nan, GOOD), 1.0), 0.05, "samples"),
        (Capture(np.where(GOOD > 99, np.inf, GOOD), 1.0), 0.05, "samples"),
        (Capture(GOOD, 0.0), 0.05, "interval_s"),
        (Capture(GOOD, math.nan), 0.05, "interval_s"),
        (Capture(GOOD, 1.0, volts_per_code=(0.0, 1.0)), 0.05, "volts_per_code"),
        (Capture(GOOD, 1.0, offset_v=(math.inf, 1.0)), 0.05, "offset_v"),
        (Capture(GOOD, 1.0, step_codes=(-1.0, 1.0)), 0.05, "step_codes"),
        (Capture(GOOD, 1.0, nonlinearity_codes=(-1.0, 1.0)), 0.05, "nonlinearity_codes"),
        (Capture(GOOD, 1.0, clip_codes=((1, -1), (-1, 1))), 0.05, "clip_codes"),
        (Capture(GOOD, 1.0), None, "frequency_hz"),
        (Capture(GOOD, 1.0), -1.0, "frequency_hz"),
        (Capture(GOOD, 1.0), math.nan, "frequency_hz"),
        (Capture(GOOD, 1.0), 0.001, "capture"),
        (Capture(GOOD, 1.0), 0.4999, "capture"),
    ],
)
def test_wrong_input_is_refused(capture, frequency, where):
    with pytest.raises(AnalysisError) as caught:
        fit_phasors(capture, frequency)
    assert caught.value.where == where


# --- several takes ---------------------------------------------------------------------------------------


def takes_of(rng, count, truth, sigma, *, level=None, **scales):
    found = []
    for k in range(count):
        turned = np.asarray(truth) * np.exp(2j * np.pi * rng.uniform()) * (1 if level is None else level[k])
        found.append(fitted(tone(turned, CYCLES, 1000) + noise(rng, 1000, sigma), harmonics=1, **scales))
    return found


def test_averaging_turns_before_it_adds_and_shrinks_as_it_should():
    rng = np.random.default_rng(21)
    truth = np.array([1 + 0.4j, -0.2 + 0.3j])
    z = []
    for _ in range(25):
        mean = average_phasors(takes_of(rng, 16, truth, 0.05), spread=Spread.STATED)
        errors, stated = ratio_errors(mean, truth)
        z.append(errors / stated)
    assert mean.takes == 16
    assert mean.phasor_vpk[1].imag == 0
    one = ratio_errors(takes_of(rng, 1, truth, 0.05)[0], truth)[1]
    np.testing.assert_allclose(stated * 4, one, rtol=0.08)  # analytic: √16
    assert np.sqrt(np.mean(np.square(z))) == pytest.approx(1, abs=0.3)  # 50 numbers, three standard errors


def test_turned_covariance_is_the_scatter_of_turned_takes():
    takes = takes_of(np.random.default_rng(8), 400, [1 + 0.4j, -0.2 + 0.3j], 0.05)
    turned = [average_phasors([take]) for take in takes]
    stated = np.mean([take.covariance_v2 for take in turned], axis=0)
    seen = np.cov(np.array([take.phasor_vpk.view(float) for take in turned]).T)
    # 400 takes: a variance has a standard error of 7 %, three of them; the reference has no phase left
    scale = np.sqrt(np.outer(np.diag(stated)[:3], np.diag(stated)[:3]))
    np.testing.assert_allclose(seen[:3, :3] / scale, stated[:3, :3] / scale, atol=0.21)
    assert abs(stated[3, 3]) < 1e-12 * stated[2, 2]


def test_turning_leaves_the_ratio_and_its_covariance_as_they_are():
    take = takes_of(np.random.default_rng(2), 1, [1 + 0.4j, -0.2 + 0.3j], 0.05)[0]
    plain, plain_covariance = ratio_with_covariance(take)
    for reference in (0, 1):
        ratio, covariance = ratio_with_covariance(average_phasors([take], reference=reference))
        assert ratio == pytest.approx(plain, rel=1e-12)
        np.testing.assert_allclose(covariance, plain_covariance, rtol=1e-9)


def test_phasors_are_averaged_and_not_ratios():
    rng = np.random.default_rng(4)
    sigma = 0.12
    small = 1.2 * sigma * math.sqrt(2 / 1000)  # 1.2 of its own standard uncertainties
    takes = takes_of(rng, 300, [1.0, small], sigma)
    ratio, covariance = ratio_with_covariance(average_phasors(takes, reference=0, spread=Spread.STATED))
    assert abs(ratio * small - 1) < 0.2
    assert abs(ratio - 1 / small) < 3 * math.sqrt(np.trace(covariance))
    # analytic: for circular noise E(1/B) = (1 − e^{−|B|²/2u²})/B, here 0.51 of the truth
    naive = np.mean([ratio_with_covariance(take)[0] for take in takes])
    assert abs(naive * small) < 0.75


def test_averaging_stops_at_the_floor_of_the_converter():
    rng = np.random.default_rng(5)
    takes = []
    for _ in range(40):
        turned = np.array([60.3, 40.2j]) * np.exp(2j * np.pi * rng.uniform())
        codes = np.round(tone(turned, CYCLES, 1000) + noise(rng, 1000, 0.02)).astype(np.int8)
        takes.append(fit_phasors(Capture(codes, 1.0, nonlinearity_codes=(0.1, 0.1)), CYCLES, mains_hz=None))
    mean = average_phasors(takes)
    floor = ratio_with_covariance(takes[0])[1][1, 1]
    assert (
        np.sqrt(mean.systematic_v2[0, 0] + mean.systematic_v2[1, 1]) >= math.sqrt(2) * 0.1
    )  # Cauchy–Schwarz
    assert np.trace(mean.covariance_v2) >= np.trace(mean.systematic_v2)
    assert floor > 0
    assert mean.has(FlagKind.QUANTISATION_LIMITED)


def test_scatter_of_the_takes_counts_where_it_is_larger():
    rng = np.random.default_rng(6)
    level = 1 + 0.05 * rng.normal(size=24)
    takes = takes_of(rng, 24, [1 + 0.4j, -0.2 + 0.3j], 0.01, level=level)
    stated = average_phasors(takes, spread=Spread.STATED)
    both = average_phasors(takes)
    scatter = average_phasors(takes, spread=Spread.SCATTER)
    assert both.covariance_v2[2, 2] > 5 * stated.covariance_v2[2, 2]
    assert both.covariance_v2[2, 2] == pytest.approx(scatter.covariance_v2[2, 2], rel=0.2)
    # a common change of level is no doubt about the ratio (analytic)
    plain, raised = (np.trace(ratio_with_covariance(take)[1]) for take in (stated, both))
    assert raised < 2 * plain


def test_raised_covariance_touches_only_what_exceeds_chance():
    rng = np.random.default_rng(0)
    stated = np.diag([1.0, 4.0, 1e-6])
    sample = rng.multivariate_normal(np.zeros(3), stated, 30)
    assert raised_covariance(stated, np.cov(sample.T), 29) == (stated, False)
    much = np.diag([1.0, 4.0, 1e-2])
    after, raised = raised_covariance(stated, much, 29)
    assert raised
    # published (any table of Student's distribution): 2.045 for 29 degrees of freedom; (2.045/1.960)² = 1.089
    np.testing.assert_allclose(np.diag(after), 1.089 * np.array([1, 4, 1e-2]), rtol=6e-4)


@pytest.mark.parametrize(
    ("change", "where"),
    [
        (lambda _: average_phasors([]), "takes"),
        (lambda takes: average_phasors(takes, reference=2), "reference"),
        (lambda takes: average_phasors(takes, spread=Spread.SCATTER), "takes"),
        (
            lambda takes: average_phasors([takes[0], fitted(tone([1, 1], 0.05, 1000), 0.05)]),
            "takes",
        ),
        (
            lambda takes: average_phasors(
                [
                    takes[0],
                    fit_phasors(Capture(tone([1, 1], CYCLES, 1000), 1.0, range_labels=("a", "b")), CYCLES),
                ]
            ),
            "takes",
        ),
    ],
)
def test_takes_that_do_not_belong_together_are_refused(change, where):
    takes = takes_of(np.random.default_rng(0), 2, [1, 1], 0.01)
    with pytest.raises(AnalysisError) as caught:
        change(takes)
    assert caught.value.where == where


@pytest.mark.parametrize(
    ("scale", "dc", "second", "sigma"),
    [(300.0, 15000.0, 0.05, 3.0), (0.01, 1.0, 0.05, 1e-5), (1.0, 0.0, 0.3, 1e-3)],
)
def test_noise_is_stated_beside_a_large_offset_and_a_strong_harmonic(scale, dc, second, sigma):
    """Few periods, so that every line leaks into the others of a part of the record; the noise is known."""
    rng, count, periods = np.random.default_rng(8), 16384, 16
    stated, z = [], []
    for _ in range(40):
        truth = np.array([scale, 0.5 * scale]) * np.exp(2j * np.pi * rng.random(2))
        waves = tone(truth, periods / count, count, {2: second * truth}) + dc
        capture = Capture(waves + noise(rng, count, sigma), 1.0)
        found = fit_phasors(capture, periods / count, mains_hz=None)
        stated.append(found.noise_vrms / sigma)
        z.append((found.phasor_vpk - truth).view(float) / np.sqrt(np.diag(found.covariance_v2)))
    # analytic: a standard deviation of 16384 samples is known to 0.55 %; five of them
    np.testing.assert_allclose(stated, 1.0, atol=0.028)
    # analytic: a mean of 160 squares, those of one fit correlated by half at most: 1 ± 0.16; five of them
    assert np.mean(np.square(z)) == pytest.approx(1.0, abs=0.8)


@pytest.mark.parametrize(
    ("count", "periods", "ppm", "sigma", "harmonic"),
    [
        (4000, 12.3, 50, (1e-5, 1e-5), 0.0),
        (4000, 20.3, 30, (1e-5, 1e-5), 0.0),
        (1000, 12.3, 80, (3e-5, 3e-5), 0.0),
        (4000, 12.3, 10, (1e-5, 1e-5), 0.0),
        (4000, 12.3, 50, (1e-4, 1e-4), 0.0),
        (4000, 2.5, 300, (1e-4, 1e-4), 0.0),
        (4000, 40.3, 3, (1e-5, 1e-5), 0.3),
        (4000, 60.3, 3, (1e-5, 1e-4), 0.0),  # one channel has ten times the noise of the other
    ],
)
def test_of_quiet_records_the_stated_uncertainty_holds_too(count, periods, ppm, sigma, harmonic):
    """Where the search sets out far off in units of the noise, as a good card or long averages make it."""
    rng = np.random.default_rng(21)
    of_phasor, of_frequency, of_dc = [], [], []
    for _ in range(100):
        truth, dc = np.array([1.0, 0.5]) * np.exp(2j * np.pi * rng.random(2)), rng.uniform(-0.1, 0.1)
        cycles = periods / count * (1 + ppm * 1e-6 * rng.uniform(0.5, 1))
        waves = tone(truth, cycles, count, {2: harmonic * truth}) + dc + noise(rng, count, sigma)
        found = fitted(waves, periods / count)
        z = (found.phasor_vpk - truth).view(float) / np.sqrt(np.diag(found.covariance_v2))
        of_phasor.append(np.mean(z**2))
        of_frequency.append(((found.frequency_hz - cycles) / found.frequency_uncertainty_hz) ** 2)
        of_dc.append(np.mean(((found.dc_v - dc) / (found.noise_vrms / math.sqrt(count))) ** 2))
    # analytic: squares of normal deviates; of 100 their mean is 1 ± 0.14, of 200 independent ones 1 ± 0.1;
    # the phasors of one record may share half of their error: five of ± 0.1
    assert np.mean(of_phasor) == pytest.approx(1, abs=0.5)
    assert np.mean(of_frequency) == pytest.approx(1, abs=0.7)
    assert np.mean(of_dc) == pytest.approx(1, abs=0.5)


def test_a_tone_that_folds_to_a_few_periods_needs_no_segments_where_its_frequency_is_known():
    count, bins = 20_000, 25 * 20_000 + 1.3
    index = np.arange(count) - (count - 1) / 2
    waves = np.cos(2 * np.pi * bins / count * index) * np.array([[1.0], [0.5]])
    capture = Capture(waves, 1.0)
    found = fit_phasors(capture, bins / count, allow_aliased=True, refine=False, mains_hz=None)
    np.testing.assert_allclose(found.phasor_vpk, [1.0, 0.5], atol=1e-6)


@pytest.mark.parametrize("change", [{"interval_s": 0.5}, {"samples": np.zeros((2, 999))}])
def test_a_record_of_another_kind_than_prepared_for_is_refused(change):
    volts = tone([1.0, 0.5], CYCLES, 1000)
    preparation = prepare_fit(plan_tone(1000, 1.0, CYCLES, allow_aliased=False), mains_hz=None)
    capture = Capture(volts, 1.0)
    np.testing.assert_allclose(fit_prepared(capture, preparation).phasor_vpk, [1.0, 0.5], atol=1e-9)
    with pytest.raises(AnalysisError, match="not the one prepared for") as caught:
        fit_prepared(replace(capture, **change), preparation)
    assert caught.value.allowed == "1000 samples, 1 s apart"
