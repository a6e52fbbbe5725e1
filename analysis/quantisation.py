"""What a converter's steps and its bent characteristic do to the phasor of a tone."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from whichcore.analysis.types import FloatArray
from whichcore.errors import AnalysisError

SERIES_TERMS = 40
_K = np.arange(1, SERIES_TERMS + 1)
_OF_TERM = 2 / (np.pi * _K) ** 2


def step_noise(amplitude_steps: float, noise_steps: float) -> float:
    """Return the variance, in steps², of the tone's peak value that the steps themselves cause.

    The error of an ideal converter is a sawtooth of the voltage, e(v) = Σ_k (−1)^k sin(2πkv)/(πk) in steps.
    Of sin(2πk(a sin x + d)) the fundamental is 2 J1(2πka) cos(2πkd) (Jacobi–Anger). It is in phase with the
    tone, so it falsifies the magnitude and not the phase, and no number of samples lessens it. Where the
    signal stands on the staircase is unknown: J1² is replaced by its mean 1/(πz), at most its maximum 0.34,
    and cos² by 1/2. Gaussian noise of σ steps multiplies the k-th term by exp(−2π²k²σ²). Derived here; the
    dither factor is that of Widrow and Kollár, Quantization Noise (2008), from memory.

    Parameters
    ----------
    amplitude_steps : float
        Peak value of the tone, steps.
    noise_steps : float
        Noise ahead of the converter, rms, steps.
    """
    return float(step_noise_of(np.array(amplitude_steps), noise_steps))


def step_noise_of(amplitude_steps: FloatArray, noise_steps: float) -> FloatArray:
    """Return :func:`step_noise` of many peak values, float array like ``amplitude_steps``."""
    argument = 2 * np.pi * _K * np.maximum(np.asarray(amplitude_steps)[..., np.newaxis], 1e-12)
    bessel_squared = np.minimum(1 / (np.pi * argument), np.minimum(0.34, argument**2 / 4))
    dither = np.exp(-((2 * np.pi * noise_steps * _K) ** 2))
    return np.asarray(bessel_squared @ (_OF_TERM * dither))


def distinct_phases(cycles_per_sample: float, samples: int, amplitude_steps: float) -> float:
    """Return how many samples of the record meet the staircase at a place of their own.

    Near a ratio p/M the record repeats the same M phases. Over N samples they creep by N|f − p/M| cycles; the
    error of a sample is another one once the voltage has crept by a step, 1/(2πa) cycle. The least of
    M·max(1, 2πa N|f − p/M|) over the convergents p/M of the continued fraction of f is returned, at most N.
    Derived here.
    """
    fraction = cycles_per_sample % 1
    fewest, rest = float(samples), fraction
    before, denominator = 0, 1  # denominators of the convergents
    while denominator <= samples:
        creep = samples * abs(fraction - round(fraction * denominator) / denominator)
        fewest = min(fewest, denominator * max(1.0, 2 * np.pi * amplitude_steps * creep))
        if rest < 1e-12:
            break
        quotient = math.floor(1 / rest)
        rest = 1 / rest - quotient
        before, denominator = denominator, quotient * denominator + before
    return fewest


@dataclass(frozen=True, slots=True)
class Converter:
    """One channel of a digitizer in the units of its codes: step (0 for none) and rms non-linearity."""

    step: float
    nonlinearity: float


def phasor_term(
    converter: Converter, phasor: complex, residual_rms: float, cycles_per_sample: float, samples: int
) -> FloatArray:
    """Return the 2×2 covariance, codes², that the converter adds to one channel's phasor.

    The non-linearity g enters by its bound: |2⟨g sin⟩| ≤ √2 rms(g) (Cauchy–Schwarz), in phase with the tone.
    """
    amplitude = abs(phasor)
    along = 2 * converter.nonlinearity**2
    round_about = 0.0
    if converter.step > 0:
        steps = amplitude / converter.step
        noise = noise_before_steps(converter.step, residual_rms)
        along += converter.step**2 * step_noise(steps, noise)
        places = distinct_phases(cycles_per_sample, samples, steps)
        repeated = math.exp(-((2 * math.pi * noise) ** 2)) / 6 * (1 / places - 1 / samples)
        round_about = converter.step**2 * max(repeated, 0.0)
    unit = phasor / amplitude if amplitude > 0 else 1 + 0j
    x, y = unit.real, unit.imag
    cross = along * x * y
    return np.array([[along * x * x + round_about, cross], [cross, along * y * y + round_about]])


def noise_before_steps(step: float, residual_rms: float) -> float:
    """Return the noise ahead of the converter in steps: what the residual holds beyond step²/12."""
    return math.sqrt(max((residual_rms / step) ** 2 - 1 / 12, 0.0))


@dataclass(frozen=True, slots=True)
class CoherentRecord:
    """A record of whole periods in which every sample meets another phase."""

    samples: int
    periods: int
    frequency_hz: float


def coprime_periods(
    sample_rate_hz: float, frequency_hz: float, target_samples: int, *, shortest_samples: int | None = None
) -> CoherentRecord:
    """Choose periods coprime to the sample count, with the least change of frequency.

    With P periods in N samples and gcd(P, N) = 1 all N phases differ, so the steps of the converter are met
    at N places instead of a few (IEEE Std 1057, coherent sampling, from memory).

    Parameters
    ----------
    sample_rate_hz, frequency_hz : float
        Wanted frequency, below half the sample rate.
    target_samples : int
        Longest record, at least 16.
    shortest_samples : int or None
        Shortest record allowed; None keeps ``target_samples``.

    Raises
    ------
    AnalysisError
        When the frequency or the lengths are out of their limits, or no whole period fits.
    """
    shortest = target_samples if shortest_samples is None else shortest_samples
    if not 0 < frequency_hz < sample_rate_hz / 2 < math.inf:
        raise AnalysisError(
            "the tone must lie below half the sample rate",
            where="frequency_hz",
            got=f"{frequency_hz:g} Hz",
            allowed=f"above 0, below {sample_rate_hz / 2:g} Hz",
        )
    if target_samples * frequency_hz < sample_rate_hz:
        raise AnalysisError(
            "not one period fits the record",
            where="target_samples",
            got=f"{target_samples}",
            allowed=f"{math.ceil(sample_rate_hz / frequency_hz)} or more",
        )
    if not 16 <= shortest <= target_samples:
        raise AnalysisError(
            "the record lengths are out of their limits",
            where="target_samples",
            got=f"{shortest} to {target_samples}",
            allowed="16 or more, the shortest not above the longest",
        )
    ratio, best = frequency_hz / sample_rate_hz, (math.inf, 0, 0)
    for samples in range(target_samples, shortest - 1, -1):  # of equals the longest
        periods = min(max(round(samples * ratio), 1), (samples - 1) // 2)
        off = abs(periods / samples - ratio)
        if off < best[0] and math.gcd(periods, samples) == 1:
            best = off, samples, periods
    if math.isinf(best[0]):  # the nearest numbers all share a factor, as may be for a few short lengths
        each = [(n, _nearest_coprime(n, round(n * ratio))) for n in range(shortest, target_samples + 1)]
        best = min(((abs(p / n - ratio), n, p) for n, p in each), key=lambda found: (found[0], -found[1]))
    _, samples, periods = best
    return CoherentRecord(samples, periods, periods * sample_rate_hz / samples)


def _nearest_coprime(samples: int, nearest: int) -> int:
    most = (samples - 1) // 2
    outward = (nearest + sign * distance for distance in range(samples) for sign in (1, -1))
    return next(p for p in outward if 1 <= p <= most and math.gcd(p, samples) == 1)
