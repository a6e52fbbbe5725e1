"""What is played and how it is found again: fades, sines, the ping that measures the delay."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from whichcore.analysis.types import FloatArray

PING_FRAMES = 4096
PING_BAND = (0.1, 0.4)  # of the sample rate
PING_SHARE = 0.2  # of the drive's peak: over (0.45/0.1), so no core sees more flux than the drive makes
FOUND = 6.0  # the peak of a correlation over its rms elsewhere; of noise 4.5 in 10 000 values


def faded(signal: FloatArray, rise: int, fall: int) -> FloatArray:
    """Return a signal that begins and ends gently, by raised cosines of so many samples."""
    out = np.array(signal, dtype=float)
    for count, place in ((min(rise, out.size), slice(None)), (min(fall, out.size), slice(None, None, -1))):
        ramp = 0.5 - 0.5 * np.cos(np.pi * (np.arange(count) + 0.5) / max(count, 1))
        out[place][:count] *= ramp
    return out


def sine(cycles_per_sample: float, count: int) -> FloatArray:
    """Return a sine of amplitude 1, float array (count,)."""
    turns = (cycles_per_sample * np.arange(count)) % 1.0
    return np.asarray(np.sin(2 * np.pi * turns))


def repeated(period: FloatArray, lead_in: int, after: int) -> FloatArray:
    """Return ``lead_in`` samples that end in step with it, the period, and ``after`` samples more of it."""
    places = np.arange(-lead_in, period.size + after) % period.size
    return np.asarray(period[places])


def ping() -> FloatArray:
    """Return a rising chirp of peak 1 within a Hann window."""
    x = np.arange(PING_FRAMES) / PING_FRAMES
    low, high = PING_BAND
    phase = 2 * np.pi * PING_FRAMES * (low * x + (high - low) * x**2 / 2)
    return np.asarray(np.sin(phase) * np.hanning(PING_FRAMES))


def delay_frames(record: NDArray[np.floating], signal: FloatArray) -> int | None:
    """Return by how many samples a record lags the signal, to the nearest; None where it is not in it.

    The largest magnitude of the correlation: a circuit may turn the sign.
    """
    if record.size < signal.size:
        return None
    plain = np.asarray(record, dtype=float) - float(np.mean(record))
    size = 1 << (plain.size + signal.size - 1).bit_length()
    spectrum = np.fft.rfft(plain, size) * np.conj(np.fft.rfft(signal, size))
    correlation = np.abs(np.fft.irfft(spectrum, size)[: plain.size - signal.size + 1])
    place = int(np.argmax(correlation))
    near = np.abs(np.arange(correlation.size) - place) < signal.size // 8
    rest = correlation[~near]
    floor = float(np.sqrt(np.mean(rest**2))) if rest.size else 0.0
    peak = float(correlation[place])
    return place if peak > FOUND * floor and peak > 0 else None
