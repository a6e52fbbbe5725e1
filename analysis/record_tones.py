"""Tones of a record whose frequencies are not known beforehand, or of which there are many.

A source and a digitizer with clocks of their own keep no whole periods, so all lines are fitted together by
least squares, and their frequencies by Gauss–Newton steps on the whole record: each for itself where they
were found in the record, one common factor of the two clocks where they are stated.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.signal import find_peaks

from whichcore.analysis import tones
from whichcore.analysis.capture_check import MAINS_ORDERS, check_capture, clip_flags, converters, plan_tone
from whichcore.analysis.quantisation import phasor_term
from whichcore.analysis.types import Capture, ComplexArray, FlagKind, FloatArray, PhasorFlag, Phasors
from whichcore.errors import AnalysisError

FEWEST_PERIODS = 3.0  # below, offset, drift and tone are not told apart well
LARGEST_CLOCK_OFFSET = 1e-3
ALONE = 100.0  # in power, 20 dB: the strongest line is the tone if no other comes as near
CLEAR = 100.0  # in power: a line counts as found 20 dB above the floor
WEAKEST_TONE = 1e-4  # in power of the strongest, 40 dB: below, products of distortion are more likely
MAINS_WITHIN = 0.01
STEPS = 8
CONVERGED_RAD = 1e-6  # at the ends of the record
SMALL = 10.0  # a phasor below ten of its standard uncertainties
DITHERED = 0.5  # of a step, rms of all else: then steps are as good as noise
BESIDE_BINS = 12  # on each side of a tone, the noise is looked at
CHUNK = 1 << 15
_HALF_WIDTH = 4  # bins a windowed line is wide on each side


def find_tone(capture: Capture, mains_hz: float | None = 50.0) -> float:
    """Return the frequency of the one tone of a record, Hz by the digitizer's clock.

    The strongest line; refined by least squares to a small part of a bin, together with all others.

    Raises
    ------
    AnalysisError
        No line stands out, two are of like strength, it is the mains, or there are too few periods.
    """
    found = _lines(capture, CLEAR)
    if not found:
        raise _nothing_found()
    strongest = max(found, key=lambda line: line.power)
    rate = 1 / (capture.samples.shape[1] * capture.interval_s)
    hertz = strongest.bins * rate
    _refuse_mains(hertz, mains_hz)
    rivals = [
        line.bins * rate
        for line in found
        if line.power * ALONE > strongest.power
        and not _is_multiple(line.bins, strongest.bins)
        and not _is_mains(line.bins * rate, mains_hz)
    ]
    if rivals:
        other = rivals[0]
        raise AnalysisError(
            "more than one tone is in the record",
            where="frequency",
            got=f"{hertz:.5g} Hz and {other:.5g} Hz",
            next_step="state the frequency, or the tones if they are all meant",
        )
    _refuse_few(strongest.bins, hertz)
    beside = [line.bins * rate for line in found if abs(line.bins - strongest.bins) >= 2]
    return float(_refined(capture, np.array([hertz, *beside]), common=False)[0])


def find_tones(capture: Capture, mains_hz: float | None = 50.0) -> FloatArray:
    """Return the frequencies of all tones within 40 dB of the strongest, Hz, rising; mains lines left out.

    Raises
    ------
    AnalysisError
        None stands out, or there are too few periods of the lowest.
    """
    found = _lines(capture, CLEAR)
    if not found:
        raise _nothing_found()
    strongest = max(line.power for line in found)
    rate = 1 / (capture.samples.shape[1] * capture.interval_s)
    kept = np.array(sorted(line.bins for line in found if line.power >= WEAKEST_TONE * strongest)) * rate
    tones_only = np.array([not _is_mains(float(f), mains_hz) for f in kept])
    if not tones_only.any():
        raise _nothing_found()
    lowest = float(kept[tones_only][0])
    _refuse_few(lowest / rate, lowest)
    return np.asarray(_refined(capture, kept, common=False)[tones_only])


def fit_tones(
    capture: Capture, frequency_hz: FloatArray, *, stated: bool, mains_hz: float | None = 50.0
) -> tuple[Phasors, ...]:
    """Fit all tones of a record together.

    Parameters
    ----------
    capture : Capture
    frequency_hz : float array (T,)
        Rising.
    stated : bool
        True: by the source's clock; one factor within 1000 ppm between the clocks is found. False: found in
        this record.
    mains_hz : float or None

    Returns
    -------
    tuple of Phasors
        One for each tone. Phasors of different tones are taken as independent; noise is that beside the tone.

    Raises
    ------
    AnalysisError
        What no phasor can be had from; tones nearer to each other than two bins.
    """
    nominal = np.asarray(frequency_hz, dtype=float)
    check_capture(capture)
    samples, interval_s = capture.samples.shape[1], capture.interval_s
    for hertz in (nominal[0], nominal[-1]):
        plan_tone(samples, interval_s, float(hertz), allow_aliased=False)
    bin_hz = 1 / (samples * interval_s)
    _refuse_few(nominal[0] / bin_hz, float(nominal[0]))
    gaps = np.diff(nominal)
    if gaps.size and gaps.min() < 2 * bin_hz:
        raise AnalysisError(
            "two tones are too near each other for the length of the record",
            where=f"{nominal[int(np.argmin(gaps))]:g} Hz",
            got=f"{gaps.min():g} Hz apart",
            allowed=f"{2 * bin_hz:.3g} Hz or more",
            next_step="record longer, or leave one of them out",
        )
    found = _refined(capture, _near(capture, nominal), common=True) if stated else nominal
    return _reported(capture, found, _mains_lines(capture, found, mains_hz))


@dataclass(frozen=True, slots=True)
class _Line:
    """A line of the windowed spectrum: place in bins of the record, power over the floor."""

    bins: float
    power: float


def _spectrum(samples: FloatArray) -> FloatArray:
    count = samples.size
    window = np.hanning(count)
    return np.asarray(np.abs(np.fft.rfft((samples - samples.mean()) * window)) ** 2)


def _lines(capture: Capture, least: float) -> list[_Line]:
    """Return the lines of the channel in which the strongest stands out most."""
    spectra = [_spectrum(row.astype(float)) for row in capture.samples]
    floors = [max(float(np.median(s)), 1e-30 * float(s.max()), 1e-300) for s in spectra]
    best = int(np.argmax([s.max() / floor for s, floor in zip(spectra, floors, strict=True)]))
    power = np.concatenate([spectra[best] / floors[best], np.zeros(2)])
    places, _ = find_peaks(power, height=least, distance=_HALF_WIDTH)
    highest = float(power.max())
    found = []
    for place in places[places >= 1]:
        # side lobes of the window fall below 31 dB at once, and by 18 dB an octave
        lobe = max(
            (h / max(abs(place - p) - 1, 1) ** 6 for p, h in _near_peaks(power, places, place)), default=0
        )
        if power[place] > max(least, 0.05 * lobe, 1e-12 * highest):
            found.append(_Line(_interpolated(power, int(place)), float(power[place])))
    return found


def _near_peaks(power: FloatArray, places: NDArray[np.intp], own: int) -> list[tuple[int, float]]:
    stronger = places[(power[places] > power[own]) & (np.abs(places - own) < 64)]
    return [(int(place), float(power[place])) for place in stronger]


def _interpolated(power: FloatArray, place: int) -> float:
    """Return the place of a line under a Hann window from its larger neighbour (from memory)."""
    side = 1 if power[place + 1] >= power[place - 1] else -1
    ratio = np.sqrt(power[place + side] / power[place])
    return place + side * float(np.clip((2 * ratio - 1) / (ratio + 1), 0.0, 1.0))


def _is_multiple(bins: float, first: float) -> bool:
    order = round(bins / first)
    return order >= 1 and abs(bins - order * first) < 1.0 + 0.1 * order


def _is_mains(hertz: float, mains_hz: float | None) -> bool:
    return mains_hz is not None and any(
        abs(hertz - k * mains_hz) <= MAINS_WITHIN * k * mains_hz for k in MAINS_ORDERS
    )


def _refuse_mains(hertz: float, mains_hz: float | None) -> None:
    if _is_mains(hertz, mains_hz):
        raise AnalysisError(
            "the strongest line of the record is the mains",
            where="frequency",
            got=f"{hertz:.4g} Hz",
            next_step="check that the source is on and the grounds are joined, or state the frequency",
        )


def _refuse_few(periods: float, hertz: float) -> None:
    if periods < FEWEST_PERIODS:
        raise AnalysisError(
            "too few periods are in the record",
            where=f"{hertz:.4g} Hz",
            got=f"{periods:.2g} periods",
            allowed=f"{FEWEST_PERIODS:g} or more; 10 are good",
            next_step="choose a slower time base and save again",
        )


def _nothing_found() -> AnalysisError:
    return AnalysisError(
        "no tone stands out of the noise",
        where="frequency",
        next_step="check source and cables, choose a more sensitive range, or state the frequency",
    )


def _near(capture: Capture, nominal: FloatArray) -> FloatArray:
    """Return the stated frequencies by the digitizer's clock, from the line that tells the factor best."""
    bin_hz = 1 / (capture.samples.shape[1] * capture.interval_s)
    reach = LARGEST_CLOCK_OFFSET * nominal + bin_hz
    best, factor = 0.0, 1.0
    for line in _lines(capture, CLEAR):
        hertz = line.bins * bin_hz
        k = int(np.argmin(np.abs(nominal - hertz)))
        if abs(nominal[k] - hertz) <= reach[k] and np.sqrt(line.power) * hertz > best:
            best, factor = np.sqrt(line.power) * hertz, hertz / nominal[k]
    return np.asarray(nominal * factor)


def _refined(capture: Capture, start_hz: FloatArray, *, common: bool) -> FloatArray:
    """Step to the frequencies at which least is left over."""
    samples = capture.samples
    count = samples.shape[1]
    omega = 2 * np.pi * start_hz * capture.interval_s
    for _ in range(STEPS):
        at = np.concatenate([[0.0], omega])
        sums, moments = _projected(samples, at)
        inverse = tones.normal_inverse(at, count)
        phasors = inverse.solve(sums)
        weight = 1 / np.maximum(_left_over(samples, sums, phasors), 1e-300)
        step = _step(at, phasors, moments, (weight, count), common=common)
        bound = np.pi / count  # half a bin: further off, it would be another line
        step = np.clip(step, -bound, bound)
        omega = omega + step
        if np.abs(step).max() * count / 2 < CONVERGED_RAD:
            break
    return np.asarray(omega / (2 * np.pi * capture.interval_s))


def _step(
    at: FloatArray,
    phasors: ComplexArray,
    moments: ComplexArray,
    scale: tuple[FloatArray, int],
    *,
    common: bool,
) -> FloatArray:
    """Return the Gauss–Newton step of each tone in rad/sample.

    With r the residual and d_l = Re{j n′ P_l e^{jω_l n′}}, Σ r d_l = Re{(jP_l)* Σ n′ x e^{−jω_l n′}} less the
    model's own part, and Σ d_l² ≈ |P_l|² N³/24; lines are taken as orthogonal, which costs steps, not truth.
    """
    weight, count = scale
    own = _model_moment(at, phasors, count)
    left = (moments - own)[:, 1:]
    tone = phasors[:, 1:]
    along = weight @ np.real(np.conj(1j * tone) * left)
    power = weight @ (np.abs(tone) ** 2) * count**3 / 24
    if not common:
        return np.asarray(along / np.maximum(power, 1e-300))
    omega = at[1:]
    return np.asarray(omega * float(omega @ along) / max(float(omega**2 @ power), 1e-300))


def _model_moment(at: FloatArray, phasors: ComplexArray, count: int) -> ComplexArray:
    """Return Σ n′ m e^{−jω_l n′} of the fitted lines m, complex array (2, L)."""
    minus = tones.dirichlet_slope(at[None, :] - at[:, None], count)
    plus = tones.dirichlet_slope(at[None, :] + at[:, None], count)
    # Σ n′ e^{jθn′} = −j D′(θ)
    found = phasors @ (-1j * minus).T / 2 + phasors.conj() @ (1j * plus).T / 2
    return np.asarray(found)


def _projected(samples: NDArray[np.generic], at: FloatArray) -> tuple[ComplexArray, ComplexArray]:
    """Return Σ x e^{−jωn′} and Σ n′ x e^{−jωn′}, complex arrays (2, L)."""
    count = samples.shape[1]
    sums, moments = np.zeros((2, 2, at.size), dtype=complex)
    length = max(16, CHUNK // at.size)
    inside = np.arange(length)
    wave = np.exp(-1j * np.outer(inside, at))
    for first in range(0, count, length):
        part = samples[:, first : first + length].astype(float)
        n = first - (count - 1) / 2 + inside[: part.shape[1]]
        turn = np.exp(-1j * (first - (count - 1) / 2) * at)
        sums += (part @ wave[: part.shape[1]]) * turn
        moments += ((part * n) @ wave[: part.shape[1]]) * turn
    return sums, moments


def _left_over(samples: NDArray[np.generic], sums: ComplexArray, phasors: ComplexArray) -> FloatArray:
    squares = np.array([float(np.sum(row.astype(float) ** 2)) for row in samples])
    explained = np.sum(phasors.real * sums.real + phasors.imag * sums.imag, axis=1)
    return np.asarray(np.maximum(squares - explained, 1e-12 * squares))


def _mains_lines(capture: Capture, found: FloatArray, mains_hz: float | None) -> FloatArray:
    """Return the mains lines that the record resolves and that are no tones, Hz."""
    if mains_hz is None:
        return np.zeros(0)
    bin_hz = 1 / (capture.samples.shape[1] * capture.interval_s)
    lines = [k * mains_hz for k in MAINS_ORDERS]
    return np.array([f for f in lines if f > 2 * bin_hz and np.abs(found - f).min() > 2 * bin_hz])


def _reported(capture: Capture, found: FloatArray, mains: FloatArray) -> tuple[Phasors, ...]:
    samples, count = capture.samples, capture.samples.shape[1]
    at = 2 * np.pi * capture.interval_s * np.concatenate([[0.0], found, mains])
    sums, _ = _projected(samples, at)
    inverse = tones.normal_inverse(at, count)
    phasors = inverse.solve(sums)
    rest = _residual(samples, at, phasors)
    noise = rest @ rest.T / (count - 2 * at.size)
    beside = _noise_beside(rest, at[1 : 1 + found.size], noise)
    flags, volts = clip_flags(capture), np.array(capture.volts_per_code)
    scale = np.outer(np.repeat(volts, 2), np.repeat(volts, 2))
    result = []
    for k in range(found.size):
        diagonal = np.diag([inverse.cosine[k + 1, k + 1], inverse.sine[k + 1, k + 1]])
        systematic = _of_converters(capture, phasors, (k + 1, float(at[k + 1])), noise)
        covariance = (np.kron(noise * beside[k], diagonal) + systematic) * scale
        result.append(
            Phasors(
                frequency_hz=float(found[k]),
                frequency_uncertainty_hz=0.0,
                reference_time_s=capture.start_time_s + (count - 1) / 2 * capture.interval_s,
                phasor_vpk=phasors[:, k + 1] * volts,
                covariance_v2=covariance,
                systematic_v2=systematic * scale,
                noise_vrms=np.sqrt(np.diag(noise)) * volts,
                noise_correlation=float(noise[0, 1] / np.sqrt(max(noise[0, 0] * noise[1, 1], 1e-300))),
                dc_v=phasors[:, 0].real * volts + np.array(capture.offset_v),
                harmonics_vpk={},
                hum_vpk=np.abs(phasors[:, 1 + found.size :]).max(axis=1, initial=0.0) * volts,
                flags=(*flags, *_small(phasors[:, k + 1] * volts, covariance)),
                takes=1,
                samples=count,
                range_labels=capture.range_labels,
            )
        )
    return tuple(result)


def _of_converters(
    capture: Capture, phasors: ComplexArray, tone: tuple[int, float], noise: FloatArray
) -> FloatArray:
    """Return what steps and non-linearity add to one tone, codes², float array (4, 4).

    All other tones together are dither: where they spread the signal over half a step and more, its own steps
    are noise, which the residual holds already.
    """
    place, omega = tone
    found, count = np.zeros((4, 4)), capture.samples.shape[1]
    for c, own in enumerate(converters(capture)):
        others = float(np.sum(np.abs(phasors[c, 1:]) ** 2) - abs(phasors[c, place]) ** 2) / 2
        if own.step > 0 and np.sqrt(others) < DITHERED * own.step:
            rms = float(np.sqrt(noise[c, c]))
            part = phasor_term(own, complex(phasors[c, place]), rms, omega / (2 * np.pi), count)
            found[2 * c : 2 * c + 2, 2 * c : 2 * c + 2] = part
    return found


def _small(phasor: ComplexArray, covariance: FloatArray) -> list[PhasorFlag]:
    flags = []
    for c in range(2):
        u = float(np.sqrt(np.trace(covariance[2 * c : 2 * c + 2, 2 * c : 2 * c + 2]) / 2))
        if abs(phasor[c]) < SMALL * u:
            flags.append(PhasorFlag(FlagKind.TOO_SMALL, c, f"channel {'AB'[c]} sees {abs(phasor[c]):.2g} V"))
    return flags


def _residual(samples: NDArray[np.generic], at: FloatArray, phasors: ComplexArray) -> FloatArray:
    count = samples.shape[1]
    rest = np.empty(samples.shape)
    length = max(16, CHUNK // at.size)
    wave = np.exp(1j * np.outer(at, np.arange(length)))
    for first in range(0, count, length):
        part = samples[:, first : first + length]
        turned = phasors * np.exp(1j * at * (first - (count - 1) / 2))
        rest[:, first : first + length] = part - (turned @ wave[:, : part.shape[1]]).real
    return rest


def _noise_beside(rest: FloatArray, at: FloatArray, noise: FloatArray) -> FloatArray:
    """Return by what factor the noise beside each tone exceeds the mean, at least 1, float array (T,)."""
    count = rest.shape[1]
    power = np.zeros(count // 2 + 1)
    for row, variance in zip(rest, np.diag(noise), strict=True):
        own = np.abs(np.fft.rfft(row)) ** 2 / (count * max(variance, 1e-300))
        power = np.maximum(power, own) if power.any() else own
    factor = np.ones(at.size)
    for k, omega in enumerate(at):
        centre = round(omega * count / (2 * np.pi))
        low, high = max(centre - BESIDE_BINS, 1), min(centre + BESIDE_BINS + 1, power.size - 1)
        # of so many bins the mean scatters by a fifth; what is within is chance
        mean = float(np.mean(power[low:high]))
        if mean > 1 + 3 / np.sqrt(high - low):
            factor[k] = mean
    return factor
