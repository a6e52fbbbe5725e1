"""Many tones in one record: which bins, which phases, and what is read of them."""

import itertools
import math
from dataclasses import replace
from functools import cache

import numpy as np
import pytest

from whichcore.analysis.multitone import ProductCount, ToneSet, count_products, design_tones, fits, tones_at
from whichcore.analysis.multitone_fit import read_tones, tone_reader
from whichcore.analysis.multitone_mean import TonesMean
from whichcore.analysis.multitone_phases import low_peak_wave, schroeder_phases
from whichcore.analysis.phasor import fit_phasors
from whichcore.analysis.types import Capture, FlagKind
from whichcore.errors import AnalysisError

RATE, COUNT = 96_000.0, 24_000


@pytest.fixture(scope="module")
def tones():
    return design_tones(RATE, COUNT, (1e3, 40e3), 16)


@pytest.fixture(scope="module")
def reader(tones):
    return tone_reader(tones)


def played(tones, phasors):
    """Cosines summed one by one in the time domain, nothing of the transform; phasors at the middle."""
    n = np.arange(tones.samples) - (tones.samples - 1) / 2
    angle = 2 * np.pi * tones.bins[:, None] * n / tones.samples
    return np.einsum("t,tn->n", phasors.real, np.cos(angle)) - np.einsum(
        "t,tn->n", phasors.imag, np.sin(angle)
    )


def two_channels(tones, size=0.1):
    return _two_channels(tones.rate_hz, tones.samples, tuple(tones.bins), size)


@cache
def _two_channels(rate, samples, bins, size):
    tones, rng = ToneSet(rate, samples, np.array(bins)), np.random.default_rng(3)
    truth = (
        size
        * (1 + rng.uniform(0, 1, (tones.bins.size, 2)))
        * np.exp(2j * np.pi * rng.uniform(size=(tones.bins.size, 2)))
    )
    return truth, np.stack([played(tones, truth[:, c]) for c in range(2)])


def landing(bins):
    """Every product of two or three tones that falls on a tone, by brute force over signs, but a + b - b."""
    on, used = {2: 0, 3: 0}, set(map(int, bins))
    for order in on:
        for group in itertools.combinations_with_replacement(sorted(used), order):
            seen = set()
            for signs in itertools.product((1, -1), repeat=order - 1):
                parts = (group[0], *(s * b for s, b in zip(signs, group[1:], strict=True)))
                if any(-part in parts for part in parts):
                    continue
                seen.add((tuple(sorted(parts)), abs(sum(parts))))
            on[order] += sum(product in used for _, product in seen)
    return on[2], on[3]


def test_the_products_are_those_found_by_brute_force():
    bins = np.array([9, 15, 21, 25, 35, 41, 45, 63, 75])  # collide often, chosen at will
    found = count_products(ToneSet(1000.0, 1000, bins))
    assert (found.second, found.third) == landing(bins)
    assert found.third > 10
    mixed = np.array([3, 5, 8, 13])  # 3 + 5 and 5 + 8: sums fall on tones
    assert count_products(ToneSet(100.0, 100, mixed)).second == landing(mixed)[0] == 6


@pytest.mark.parametrize(
    ("rate", "samples", "band", "count"),
    [
        (192e3, 384_000, (80.0, 80e3), 60),
        (192e3, 384_000, (1e3, 80e3), 60),
        (96e3, 96_000, (100.0, 40e3), 40),
    ],
)
def test_no_product_falls_on_sixty_tones_over_three_decades(rate, samples, band, count):
    tones = design_tones(rate, samples, band, count)
    assert tones.bins.size == count
    assert count_products(tones) == ProductCount(0, 0, 0)
    f = tones.frequency_hz
    assert band[0] <= f[0] < f[-1] <= band[1]
    assert np.all(tones.bins % 2 == 1)
    ratios = np.diff(np.log(f)) / (math.log(band[1] / band[0]) / (count - 1))
    # the equal ratio is left by what the reach of the search allows, 1.1 steps at either end
    assert ratios.min() > 0
    assert ratios.max() < 3.2
    away = abs(f - 50 * np.round(f / 50))
    assert np.all(away[f < 2e3] > 0.5)  # off the mains and its multiples


def test_a_crowded_record_says_what_is_left():
    tones = design_tones(12e3, 6_000, (60.0, 5e3), 24)
    found = count_products(tones)
    assert found.second == 0 < found.third == landing(tones.bins)[1]


def test_products_above_half_the_rate_are_told_apart_as_they_fold():
    # by hand: 3 · 410 = 1230 folds in 1600 samples to 370, and 2 · 410 + 370 = 1190 to 410
    assert count_products(ToneSet(1600.0, 1600, np.array([370, 410]))) == ProductCount(0, 0, 2)


@pytest.mark.parametrize(
    ("call", "words"),
    [
        (lambda: design_tones(96e3, 9600, (1e3, 45e3), 5), "up to 43200 Hz"),
        (lambda: design_tones(96e3, 960, (100.0, 4e4), 5), "300 Hz or more"),
        (lambda: design_tones(96e3, 96_000, (1e3, 1010.0), 5), "fewer"),
        (lambda: design_tones(96e3, 96_000, (1e3, 2e3), 0), "counted"),
        (lambda: tones_at(96e3, 9600, [1000.0, 1234.5]), "whole periods in 9600 samples"),
        (lambda: tones_at(96e3, 9600, [2000.0, 1000.0]), "rising"),
        (lambda: tone_reader(tones_at(96e3, 100, [9600.0])), "longer take"),
    ],
)
def test_what_cannot_be_is_refused_in_one_line(call, words):
    with pytest.raises(AnalysisError, match=words):
        call()


def test_a_grid_fits_only_the_record_it_was_made_for(tones):
    f = tones.frequency_hz.tolist()
    assert fits(RATE, COUNT, f)
    assert tuple(tones_at(RATE, COUNT, f).bins) == tuple(tones.bins)
    assert not fits(RATE, COUNT + 2, f)
    assert not fits(48e3, COUNT, f)


def test_the_first_phases_are_those_of_the_known_rule():
    # analytic: for n equal neighbours Schroeder's phases are -π k(k - 1)/n, Newman's but for a shift in time
    n = 12
    row = ToneSet(1e3, 1000, np.arange(100, 100 + n))
    k = np.arange(n)
    expected = -2 * np.pi * np.array([sum((i - l) / n for l in range(1, i)) + 0 * i for i in k])  # noqa: E741
    turned = np.exp(1j * (schroeder_phases(row, np.ones(n)) - expected))
    slope = turned[1:] / turned[:-1]
    np.testing.assert_allclose(slope, slope[0], atol=1e-12)  # a straight line in k is a shift in time
    # memory: S. Boyd, IEEE Trans. Circuits Syst. 33, 1018 (1986): Newman's phases have a crest near 1.7
    assert low_peak_wave(ToneSet(1e3, 4000, np.arange(1, 65)), np.ones(64), rounds=0).crest == pytest.approx(
        1.7, abs=0.15
    )


def test_the_peak_gets_lower_and_stays_what_is_told(tones):
    size = np.linspace(1, 3, tones.bins.size)
    plain, better = (low_peak_wave(tones, size, rounds) for rounds in (0, 60))
    assert better.crest < 0.88 * plain.crest
    for wave in (plain, better):
        fine = played(replace(tones, samples=8 * COUNT), wave.phasors)
        assert 0.995 < np.max(np.abs(fine)) < 1.03  # analytic: between samples at most a little more
        rms = np.sqrt(np.sum(np.abs(wave.phasors) ** 2) / 2)
        assert wave.crest == pytest.approx(1 / rms, rel=1e-12)
        np.testing.assert_allclose(np.abs(wave.phasors) / np.abs(wave.phasors[0]), size, rtol=1e-9)
    single = tones.only(np.arange(tones.bins.size) == 3)
    assert low_peak_wave(single, np.ones(1)).crest == pytest.approx(math.sqrt(2), rel=1e-6)
    with pytest.raises(AnalysisError, match="no amplitude"):
        low_peak_wave(tones, 0 * size)


def test_all_phasors_come_back_from_cosines(tones, reader):
    truth, volts = two_channels(tones)
    read = read_tones(Capture(volts, 1 / RATE), reader)
    np.testing.assert_allclose(read.phasor_vpk, truth, atol=1e-13)
    codes = np.round(volts / 4 * 2**15).astype(np.int16)
    coarse = read_tones(Capture(codes, 1 / RATE, (4 / 2**15,) * 2), reader)
    # analytic: step/√12 of noise, √(2/N) of it in a component
    sigma = 4 / 2**15 / math.sqrt(12) * math.sqrt(2 / COUNT)
    assert abs(coarse.phasor_vpk - truth).max() < 5 * math.sqrt(2) * sigma
    # odd tones: the errors of the steps are odd as well, and all of them fall on the odd half of the bins
    stated = coarse.random_v2 + coarse.systematic_v2
    assert np.sqrt(stated[:, 0, 0]).mean() == pytest.approx(math.sqrt(2) * sigma, rel=0.01)
    error = (coarse.phasor_vpk - truth).ravel().view(float)  # 64 numbers: known to 9 %
    assert np.sqrt(np.mean(error**2)) == pytest.approx(math.sqrt(2) * sigma, rel=0.3)


def test_one_tone_agrees_with_the_fit_of_one_tone():
    single = tones_at(RATE, COUNT, [12_052.0])
    truth, volts = two_channels(single)
    volts = volts + np.random.default_rng(1).normal(0, 1e-3, volts.shape) + 0.02
    capture = Capture(volts, 1 / RATE, frequency_hz=12_052.0)
    mean = TonesMean(tone_reader(single, None))
    mean.add(read_tones(capture, tone_reader(single, None)))
    one, other = mean.phasors()[0], fit_phasors(capture, refine=False, mains_hz=None)
    r, s = (p.phasor_vpk[0] / p.phasor_vpk[1] for p in (one, other))
    u = 1e-3 * math.sqrt(2 / COUNT) / abs(truth[0, 1])
    assert abs(r - s) < 1.0 * u  # the parabola taken off moves it by √(9/128) u
    np.testing.assert_allclose(one.noise_vrms, other.noise_vrms, rtol=0.3)
    np.testing.assert_allclose(one.dc_v, other.dc_v, atol=1e-4)
    assert one.usable
    assert not one.flags


def takes(tones, reader, count, seed, *, sigma=2e-3, extra=None, mixed=0.0):
    truth, volts = two_channels(tones)
    rng = np.random.default_rng(seed)
    for _ in range(count):
        noise = rng.normal(0, sigma, volts.shape)
        noise[1] = mixed * noise[0] + math.sqrt(1 - mixed**2) * noise[1]
        shift = int(rng.integers(COUNT))  # the delay of a card may differ from take to take
        more = 0.0 if extra is None else extra(rng)
        yield truth, read_tones(Capture(np.roll(volts, shift, axis=1) + noise + more, 1 / RATE), reader)


def test_ratios_scatter_as_the_bound_allows_and_as_is_stated(tones, reader):
    n, sigma = 150, 2e-3
    ratios, stated = [], []
    for truth, read in takes(tones, reader, n, seed=11, sigma=sigma):
        a, b = read.phasor_vpk.T
        ratios.append(a / b / (truth[:, 0] / truth[:, 1]))
        stated.append(read.random_v2[:, 0, 0])
    spread = np.std(np.array(ratios), axis=0, ddof=1) / math.sqrt(2)  # a component
    # memory, values.md §6 (Kay 1993, ch. 3): var(r)/r² = 1/Nη1 + 1/Nη2, η = A²/2σ²
    bound = np.sqrt(sum(2 * sigma**2 / (COUNT * np.abs(truth[:, c]) ** 2) for c in range(2)))
    assert np.sqrt(np.mean((spread / bound) ** 2)) == pytest.approx(math.sqrt(1 + 9 / 128), abs=0.04)
    assert (spread / bound).max() < 1.2
    assert np.mean(stated) == pytest.approx(2 * sigma**2 / COUNT * (1 + 9 / 128), rel=0.03)


def test_the_average_states_what_it_scatters_by(tones, reader):
    def average(seed):
        mean = TonesMean(reader)
        for _, read in takes(tones, reader, 2, seed, mixed=0.8):
            mean.add(read)
        return mean.phasors()

    many = [average(seed) for seed in range(40)]
    vectors = np.array([[p.phasor_vpk for p in phasors] for phasors in many])
    cov = np.array([[p.covariance_v2 for p in phasors] for phasors in many]).mean(axis=0)
    quiet = np.argmin(np.abs(vectors.mean(axis=0)), axis=1)
    tone = np.arange(len(tones.bins))
    real = vectors[:, tone, quiet].real
    at = 2 * quiet
    ratio = np.var(real, axis=0, ddof=1) / cov[tone, at, at]
    # 40 averages of 16 tones: the variance is known to √(2/624) = 0.06; 32 bins each enlarge it by 1.01
    assert ratio.mean() == pytest.approx(1 / 1.01, abs=0.15)
    # the noise of both channels is common to 0.8: so is that of the phasors, turned as they are
    truth = two_channels(tones)[0]
    part = truth[tone, quiet] / truth[tone, 1 - quiet]
    assert many[0][0].noise_correlation == pytest.approx(0.8, abs=0.05)
    loud = 1 - quiet
    common = cov[tone, at, 2 * loud] / np.sqrt(cov[tone, at, at] * cov[tone, 2 * loud, 2 * loud])
    # analytic: the turn by the louder channel's own angle adds Im(V_q/V_l) of its noise, across the other
    np.testing.assert_allclose(common, 0.8 / np.sqrt(1 + part.imag**2), atol=0.02)


def test_noise_that_reaches_one_channel_later_is_stated_with_its_phase(tones, reader):
    _, volts = two_channels(tones)
    rng, late = np.random.default_rng(6), 3
    read = []
    for _ in range(120):
        noise = rng.normal(0, 2e-3, COUNT)
        both = np.stack([noise, np.roll(noise, late)])
        read.append(read_tones(Capture(volts + both, 1 / RATE), reader))
    stated = np.mean([item.random_v2 for item in read], axis=0)
    found = np.array([item.phasor_vpk for item in read]).view(float)
    seen = np.einsum("kti,ktj->tij", found - found.mean(axis=0), found - found.mean(axis=0)) / (len(read) - 1)
    variance = stated[:, 0, 0][:, None, None]
    # 120 takes know each entry to 0.13 at the most; the mean over 16 tones of the difference to 0.04
    assert abs(stated - seen).max() < 0.5 * variance.max()
    angle = 2 * np.pi * tones.bins / COUNT * late
    # analytic: B = A e^{-jωd}, so that Im A and Re B go with sin ωd, Re A and Im B with its negative
    cross = stated[:, :2, 2:] / variance
    expected = np.array([[np.cos(angle), -np.sin(angle)], [np.sin(angle), np.cos(angle)]])
    np.testing.assert_allclose(cross, np.moveaxis(expected, -1, 0), atol=0.02)
    assert abs(np.mean((seen[:, :2, 2:] / variance - cross) * np.sign(cross), axis=0)).max() < 0.15


def test_drifting_takes_raise_what_is_stated(tones, reader):
    truth, volts = two_channels(tones)
    mean, steady = TonesMean(reader), TonesMean(reader)
    rng = np.random.default_rng(5)
    for k in range(12):
        noise = rng.normal(0, 1e-4, volts.shape)
        gain = np.array([[1 + 3e-3 * (k - 5.5) / 5.5], [1.0]])
        mean.add(read_tones(Capture(gain * volts + noise, 1 / RATE), reader))
        steady.add(read_tones(Capture(volts + noise, 1 / RATE), reader))
    u, less = (math.sqrt(np.trace(m.phasors()[4].covariance_v2)) for m in (mean, steady))
    drift = 3e-3 * np.std(np.linspace(-1, 1, 12), ddof=1) / math.sqrt(12) * abs(truth[4, 0])
    assert less < 0.2 * drift < drift < u < 2 * drift


def test_mains_off_its_bins_leaks_without_harm(tones, reader):
    def hum(rng):
        t = np.arange(COUNT) / RATE
        return 0.05 * np.cos(2 * np.pi * 50.31 * t + rng.uniform(0, 6))

    for truth, read in takes(tones, reader, 6, 1, sigma=1e-5, extra=hum):
        error = np.abs(np.abs(read.phasor_vpk) - np.abs(truth))
        u = np.sqrt(np.stack([read.random_v2[:, 0, 0], read.random_v2[:, 2, 2]], axis=1))
        assert (error < 6 * u).all()
        assert read.hum_vpk == pytest.approx([0.05, 0.05], rel=0.3)
    # without the parabola taken off the leak of 50 mV at the lowest tone is far beyond that
    assert 0.05 / math.pi / (tones.bins[0] - 12) > 20 * u[0, 0]


def test_two_clocks_are_refused_with_their_offset(tones, reader):
    truth, _ = two_channels(tones)
    t = np.arange(COUNT) / RATE
    for ppm, refused in ((0.0, False), (5.0, True), (-3.0, True)):
        angle = 2 * np.pi * tones.frequency_hz[:, None] * (1 + 1e-6 * ppm) * t
        volts = np.stack([np.einsum("t,tn->n", np.abs(truth[:, c]), np.cos(angle)) for c in range(2)])
        volts += np.random.default_rng(2).normal(0, 1e-4, volts.shape)
        if not refused:
            read_tones(Capture(volts, 1 / RATE), reader)
            continue
        with pytest.raises(AnalysisError, match="one clock") as found:
            read_tones(Capture(volts, 1 / RATE), reader)
        assert float(found.value.got.split()[3]) == pytest.approx(ppm, rel=0.05)


@pytest.mark.parametrize(("square", "cube"), [(0.02, 0.0), (0.0, 0.05), (0.0, 0.0)])
def test_distortion_shows_on_bins_without_tones(tones, reader, square, cube):
    _, volts = two_channels(tones, size=0.05)
    rng = np.random.default_rng(4)
    bent = volts + square * volts**2 + cube * volts**3
    mean = TonesMean(reader)
    for _ in range(3):
        mean.add(read_tones(Capture(bent + rng.normal(0, 1e-5, volts.shape), 1 / RATE), reader))
    found = mean.products()
    # analytic, Parseval: all power of a square lies on even bins; that of a cube on odd ones, of which the
    # part on the tones themselves (their compression) is taken out by projecting on them
    of_tones = 2 * np.var(volts, axis=1)
    cubes = cube * volts**3
    lines = np.fft.rfft(cubes, axis=1) * 2 / COUNT
    lines[:, tones.bins] = 0
    even = 2 * np.var(square * volts**2, axis=1) / of_tones
    odd = np.sum(np.abs(lines) ** 2, axis=1) / of_tones
    # octaves in which every bin is hit cannot be compared, so a part only may be seen, most of a square
    for part, whole, least in ((found.even, even, 0.8), (found.odd, odd, 0.3)):
        assert np.all(part <= 1.02 * whole + 1e-9)
        assert np.all(part >= least * whole - 1e-9)
    seen = (found.even > 5 * found.u_even).all(), (found.odd > 5 * found.u_odd).all()
    assert seen == (square > 0, cube > 0)


def test_flags(tones, reader):
    _, volts = two_channels(tones)
    rails = Capture(np.clip(volts * 30000, -20000, 20000).astype(np.int16), 1 / RATE, (1 / 30000,) * 2,
                    clip_codes=((-20000, 20000),) * 2)  # fmt: skip
    clipped = TonesMean(reader)
    clipped.add(read_tones(rails, reader))
    assert clipped.clipped
    assert all(p.has(FlagKind.CLIPPED) for p in clipped.phasors())

    rng = np.random.default_rng(8)
    quiet = volts * np.array([[1.0], [1e-6]]) + rng.normal(0, 1e-3, volts.shape)
    small = TonesMean(reader)
    small.add(read_tones(Capture(quiet, 1 / RATE), reader))
    assert all(p.has(FlagKind.TOO_SMALL, 1) and not p.has(FlagKind.TOO_SMALL, 0) for p in small.phasors())

    n = np.arange(COUNT)
    wobbling = volts * (1 + 0.02 * np.sin(2 * np.pi * n / COUNT)) + rng.normal(0, 1e-5, volts.shape)
    unsteady = TonesMean(reader)
    unsteady.add(read_tones(Capture(wobbling, 1 / RATE), reader))
    assert all(p.has(FlagKind.UNSTABLE) and not p.usable for p in unsteady.phasors())

    on_mains = tones_at(RATE, COUNT, [148.0, 1020.0])
    reader_there = tone_reader(on_mains)
    mean = TonesMean(reader_there)
    mean.add(read_tones(Capture(two_channels(on_mains)[1] + 0.0, 1 / RATE), reader_there))
    assert [p.has(FlagKind.HUM) for p in mean.phasors()] == [True, False]

    coarse = Capture(np.round(volts * 0.2).astype(np.int16), 1 / RATE, (5.0, 5.0))
    with pytest.raises(AnalysisError, match="nothing at all"):
        TonesMean(reader).add(read_tones(coarse, reader))


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"interval_s": 1 / 48e3}, "the record is not the one"),
        ({"samples": np.zeros((2, 100))}, "2 × 100"),
        ({"samples": np.full((2, COUNT), np.nan)}, "not finite"),
    ],
)
def test_other_records_are_refused(reader, change, words):
    with pytest.raises(AnalysisError, match=words):
        read_tones(replace(Capture(np.ones((2, COUNT)), 1 / RATE), **change), reader)
    with pytest.raises(AnalysisError, match="nothing to average"):
        TonesMean(reader).phasors()
