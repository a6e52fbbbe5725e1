"""From one record of many tones to all their phasors, with the noise read beside each tone.

Source and digitizer share a clock and the record holds whole periods of every tone, so the transform of the
record is the least-squares fit of all tones at once (Kay 1993, ch. 4, from memory). What does not repeat with
the record, mains above all, leaks into every bin; over a few bins the leak is smooth. A parabola through free
bins on either side is taken off and what scatters about it is the noise: the joint covariance of both
channels (the local polynomial method of Schoukens and others, 2009, from memory). Of L bins it costs 9/4L
more variance than the Cramér–Rao bound of white noise (intercept of a parabola through L even steps,
analytic).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.fft import rfft

from whichcore.analysis.capture_check import CHANNELS, MAINS_ORDERS, clip_flags, converters
from whichcore.analysis.multitone import KEPT_OUT_ORDERS, IntArray, ToneSet, mains_zone, second_order
from whichcore.analysis.multitone_products import ProductBins, Products
from whichcore.analysis.quantisation import noise_before_steps, phasor_term
from whichcore.analysis.types import Capture, ComplexArray, FlagKind, FloatArray, PhasorFlag
from whichcore.errors import AnalysisError

BESIDE = 32  # free bins about a tone
PARABOLA = 3  # parameters
COHERENT_BINS = 1e-3  # by which the highest tone may miss its bin
CERTAIN = 5.0  # standard uncertainties of the difference of the clocks


@dataclass(frozen=True, slots=True)
class ToneReader:
    """What is the same for every record of one tone set; make it with :func:`tone_reader`.

    Attributes
    ----------
    tones : ToneSet
    mains_hz : float or None
    beside : int array (T, L)
        Free bins about each tone.
    leak : float array (T, L)
        Weights that give what leaks into the tone's bin.
    scatter : float array (T, L, L)
        Takes the parabola off.
    products : ProductBins
    """

    tones: ToneSet
    mains_hz: float | None
    beside: IntArray
    leak: FloatArray
    scatter: FloatArray
    products: ProductBins

    @property
    def freedom(self) -> int:
        """Degrees of freedom of each noise reading: two for each free bin less those of the parabola."""
        return 2 * (BESIDE - PARABOLA)


@dataclass(frozen=True, slots=True)
class TonesRead:
    """One record.

    Attributes
    ----------
    phasor_vpk : complex array (T, 2)
        Peak phasors of both channels at the middle of the record.
    random_v2 : float array (T, 4, 4)
        Covariance of (Re A, Im A, Re B, Im B), from ``freedom`` readings, not enlarged for their number.
    systematic_v2 : float array (T, 4, 4)
        Steps and non-linearity of the converters.
    skirt : float array (T, 2)
        Peak value just beside the tone: of one that is not steady.
    noise_vrms : float array (2,)
        Of each channel per sample, as far as it is white.
    noise_correlation : float
    dc_v, hum_vpk : float array (2,)
    flags : tuple of PhasorFlag
        Of the record as a whole.
    products : Products
    """

    phasor_vpk: ComplexArray
    random_v2: FloatArray
    systematic_v2: FloatArray
    skirt: FloatArray
    noise_vrms: FloatArray
    noise_correlation: float
    dc_v: FloatArray
    hum_vpk: FloatArray
    flags: tuple[PhasorFlag, ...]
    products: Products


def tone_reader(tones: ToneSet, mains_hz: float | None = 50.0) -> ToneReader:
    """Prepare for records of a tone set.

    Raises
    ------
    AnalysisError
        The record is so short that there are no free bins about the tones.
    """
    free = _free_bins(tones, mains_hz)
    if free.size < 2 * BESIDE:
        raise AnalysisError(
            "the record is too short to tell tones from noise",
            where="samples",
            got=f"{tones.samples} for {tones.bins.size} tones",
            next_step="ask for a longer take or fewer points per decade",
        )
    beside = np.stack([_nearest(free, int(k)) for k in tones.bins])
    away = (beside - tones.bins[:, None]) / BESIDE
    design = np.stack([np.ones_like(away), away, away**2], axis=-1)
    solve: FloatArray = np.asarray(np.linalg.pinv(design), dtype=float)
    scatter: FloatArray = np.eye(BESIDE) - np.asarray(design @ solve, dtype=float)
    return ToneReader(tones, mains_hz, beside, solve[:, 0], scatter, ProductBins.of(tones, mains_hz))


def read_tones(capture: Capture, reader: ToneReader) -> TonesRead:
    """Estimate all phasors of a record and their covariance.

    Raises
    ------
    AnalysisError
        Another length or rate than the tones', samples that are not finite, or a source on another clock.
    """
    _check(capture, reader.tones)
    scale, start = np.array(capture.volts_per_code)[:, None], np.array(capture.offset_v)[:, None]
    volts = capture.samples * scale + start
    count = reader.tones.samples
    spectrum: ComplexArray = rfft(volts, axis=1) * (2 / count)
    if not np.isfinite(spectrum).all():
        raise AnalysisError(
            "a sample is not finite", where="samples", next_step="take the record again, look for drop-outs"
        )
    around = spectrum[:, reader.beside]  # (2, T, L)
    leak = np.einsum("ctl,tl->ct", around, reader.leak)
    raw = spectrum[:, reader.tones.bins] - leak
    left = np.einsum("ctl,tml->ctm", around, reader.scatter)
    noise = np.einsum("ctl,dtl->tcd", left, left.conj()) / (BESIDE - PARABOLA)
    _check_clock(spectrum, raw, noise, reader)
    middle = np.exp(1j * np.pi * ((reader.tones.bins * (count - 1)) % (2 * count)) / count)
    phasors = (raw * middle).T
    cost = 1 + np.sum(reader.leak**2, axis=1)
    white = np.median(noise, axis=0)
    rms = np.sqrt(np.maximum(np.diag(white).real, 1e-300) * count / 4)
    return TonesRead(
        phasor_vpk=phasors,
        random_v2=_real_covariance(noise * cost[:, None, None]),
        systematic_v2=_of_converters(capture, volts, phasors, rms),
        skirt=_skirts(spectrum, leak, reader.tones),
        noise_vrms=rms,
        noise_correlation=float(white[0, 1].real * count / 4 / (rms[0] * rms[1])),
        dc_v=spectrum[:, 0].real / 2,
        hum_vpk=_hum(spectrum, reader),
        flags=(*clip_flags(capture), *_converter_flags(capture, volts)),
        products=reader.products.read(spectrum, phasors),
    )


def _check(capture: Capture, tones: ToneSet) -> None:
    shape, rate = capture.samples.shape, 1 / capture.interval_s
    if shape != (2, tones.samples) or abs(rate / tones.rate_hz - 1) > 1e-9:
        raise AnalysisError(
            "the record is not the one the tones were made for",
            where="record",
            got=f"{' × '.join(map(str, shape))} samples at {rate:.9g} per second",
            allowed=f"2 × {tones.samples} at {tones.rate_hz:.9g}",
        )


def _check_clock(spectrum: ComplexArray, raw: ComplexArray, noise: ComplexArray, reader: ToneReader) -> None:
    """Refuse a source and a digitizer on two clocks.

    A tone that misses its bin k by ε shows ∓ε times itself in the bins k ± 1 (first order of the transform of
    an interval). With one offset δ of the clocks ε = δk, so that all tones give δ by weighted least squares.
    """
    k = reader.tones.bins
    beside = (spectrum[:, k - 1] - spectrum[:, k + 1]) / 2
    size = np.abs(raw)
    variance = np.stack([noise[:, c, c].real for c in range(2)]) / 4 / np.maximum(size, 1e-100) ** 2
    weight = k**2 / np.maximum(variance, 1e-30)
    miss = (beside / np.where(size > 0, raw, 1.0)).real / k
    offset = float(np.sum(weight * miss) / weight.sum())
    u = float(1 / np.sqrt(weight.sum()))
    if abs(offset) > CERTAIN * u and abs(offset) * k[-1] > COHERENT_BINS:
        raise AnalysisError(
            "source and digitizer do not run on one clock, so the tones run into each other",
            where="record",
            got=f"an offset of {1e6 * offset:.3g} ppm",
            allowed=f"{1e6 * COHERENT_BINS / k[-1]:.2g} ppm in a take of {reader.tones.duration_s:g} s",
            next_step="play and record with one device, or sweep without --multitone",
        )


def _real_covariance(noise: ComplexArray) -> FloatArray:
    """Return the 4×4 covariances of (Re A, Im A, Re B, Im B) of circular noise E[x x†], (T, 2, 2)."""
    covariance = np.zeros((len(noise), 4, 4))
    for c in range(2):
        for d in range(2):
            part = noise[:, c, d] / 2
            block = np.array([[part.real, -part.imag], [part.imag, part.real]])
            covariance[:, 2 * c : 2 * c + 2, 2 * d : 2 * d + 2] = np.moveaxis(block, -1, 0)
    return covariance


def _of_converters(
    capture: Capture, volts: FloatArray, phasors: ComplexArray, noise_vrms: FloatArray
) -> FloatArray:
    """Return what steps and non-linearity add; for one tone all the others are noise ahead of the steps.

    Odd tones make a wave whose second half is the first one turned over, and so are the errors of its steps:
    all of step²/12 falls on the odd half of the bins, away from where the noise is read. Noise of σ steps
    takes that regularity away, by exp(−(2πσ)²) (see :mod:`whichcore.analysis.quantisation`).
    """
    found, count = np.zeros((len(phasors), 4, 4)), volts.shape[1]
    for c, converter in enumerate(converters(capture)):
        if converter.step <= 0 and converter.nonlinearity <= 0:
            continue
        per_code, total = abs(capture.volts_per_code[c]), float(np.var(volts[c]))
        noise = 0.0 if converter.step <= 0 else float(noise_vrms[c]) / per_code / converter.step
        even = converter.step**2 / 12 * 4 / count * math.exp(-((2 * math.pi * noise) ** 2))
        for t, phasor in enumerate(phasors[:, c]):
            others = math.sqrt(max(total - abs(phasor) ** 2 / 2, 0.0)) / per_code
            term = phasor_term(converter, complex(phasor) / per_code, others, 0.5, count)
            term = term + even * np.eye(2)
            found[t, 2 * c : 2 * c + 2, 2 * c : 2 * c + 2] = term * per_code**2
    return found


def _converter_flags(capture: Capture, volts: FloatArray) -> list[PhasorFlag]:
    flags = []
    for c, converter in enumerate(converters(capture)):
        rms = float(np.std(volts[c])) / capture.volts_per_code[c]
        if converter.step > 0 and noise_before_steps(converter.step, rms) < 0.5:
            detail = f"all of channel {CHANNELS[c]} is {rms / converter.step:.2g} steps rms"
            flags.append(PhasorFlag(FlagKind.QUANTISATION_LIMITED, c, detail))
    return flags


def _skirts(spectrum: ComplexArray, leak: ComplexArray, tones: ToneSet) -> FloatArray:
    """Return the rms of the two bins next to each tone without what leaks into them, (T, 2)."""
    power = sum(np.abs(spectrum[:, tones.bins + away] - leak) ** 2 for away in (-1, 1))
    return np.asarray(np.sqrt(power / 2).T)


def _hum(spectrum: ComplexArray, reader: ToneReader) -> FloatArray:
    """Return the strongest mains line of each channel, from the bins about it that hold no tone."""
    strongest = np.zeros(2)
    if reader.mains_hz is None:
        return strongest
    mains = reader.mains_hz * reader.tones.duration_s
    for order in MAINS_ORDERS:
        bins = np.arange(max(round(order * mains) - 1, 1), round(order * mains) + 2)
        bins = bins[(bins < spectrum.shape[1]) & ~np.isin(bins, reader.tones.bins)]
        strongest = np.maximum(strongest, np.sqrt(np.sum(np.abs(spectrum[:, bins]) ** 2, axis=1)))
    return np.asarray(strongest)


def _free_bins(tones: ToneSet, mains_hz: float | None) -> IntArray:
    """Return bins that hold no tone and no mains; of odd tones even ones without products of second order."""
    half = tones.samples // 2
    free = np.ones(half, dtype=bool)
    free[0] = False
    for away in (-1, 0, 1):  # just beside a tone its own unsteadiness is read
        free[tones.bins + away] = False
    if np.all(tones.bins % 2 == 1):
        free[1::2] = False
        made = second_order(tones.bins)
        free[made[made < half]] = False
    if mains_hz is not None:
        free &= ~mains_zone(np.arange(half), mains_hz * tones.duration_s, KEPT_OUT_ORDERS)
    return np.asarray(np.flatnonzero(free), dtype=np.int64)


def _nearest(free: IntArray, k: int) -> IntArray:
    """Return the free bins nearest to a tone, in rising order."""
    place = int(np.searchsorted(free, k))
    near = free[max(place - BESIDE, 0) : place + BESIDE]
    order: NDArray[np.intp] = np.argsort(abs(near - k), kind="stable")[:BESIDE]
    return np.sort(near[order])
