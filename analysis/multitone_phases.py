"""The wave that a set of tones makes, with a low peak: phases of a known rule, then made better step by step.

The peak of a sum of tones is set by their phases alone. One that sweeps through its frequencies like a
chirp, each for a time in proportion to its power, is nearly flat: Schroeder's rule (IEEE Trans. Inf. Theory
16, 85 (1970); from memory), which for equal tones on neighbouring bins is Newman's φ_k = π(k − 1)²/n. Tones
far apart in a long record are no chirp: their wave is more like noise. From the rule on the highest peaks are
brought down together, again and again: a peak v_i at t_i moves by −Σ a_k sin(ω_k t_i + φ_k) δφ_k, and the
least change of the phases is taken that brings the highest of them to one level (derived here).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.fft import irfft

from whichcore.analysis.multitone import ToneSet
from whichcore.analysis.types import ComplexArray, FloatArray
from whichcore.errors import AnalysisError

ROUNDS = 60
LEVELLED = 2  # peaks for each tone
DAMPING = 0.3  # of a phase change against a change of the peak, both in units of the rms
SMALLEST_STEP = 1e-2  # of the step wanted; smaller ones end the search
CANDIDATE = 0.75  # of the peak: a maximum below cannot be among the highest
FINER, FINEST = 2, 4  # samples for each of the record's: on the way to a low peak, and where it is stated


@dataclass(frozen=True, slots=True)
class Wave:
    """One period of a multitone.

    Attributes
    ----------
    samples : float array (N,)
        Of peak 1, between the samples too.
    phasors : complex array (T,)
        Peak phasors of the tones in it, at its first sample.
    crest : float
        Peak over rms.
    """

    samples: FloatArray
    phasors: ComplexArray
    crest: float


def low_peak_wave(tones: ToneSet, amplitudes: FloatArray, rounds: int = ROUNDS) -> Wave:
    """Return the tones at given relative amplitudes, with phases of a low peak.

    Parameters
    ----------
    tones : ToneSet
    amplitudes : float array (T,)
        Peak values in any unit; only their ratios matter.
    rounds : int
        Steps to a lower peak; 0 keeps Schroeder's phases.

    Raises
    ------
    AnalysisError
        An amplitude is not positive and finite.
    """
    size = np.asarray(amplitudes, dtype=float)
    if size.shape != tones.bins.shape or not (np.isfinite(size).all() and (size > 0).all()):
        raise AnalysisError(
            "a tone has no amplitude", where="amplitudes", allowed="positive and finite, one for each tone"
        )
    size = size / np.sqrt(np.sum(size**2) / 2)  # an rms of 1, so that the peak is the crest factor
    phases = _levelled(tones, size, schroeder_phases(tones, size), rounds if size.size > 1 else 0)
    phasors = size * np.exp(1j * phases)
    crest = float(np.max(np.abs(_wave(tones, phasors, FINEST * tones.samples))))
    return Wave(_wave(tones, phasors / crest, tones.samples), phasors / crest, crest)


def schroeder_phases(tones: ToneSet, amplitudes: FloatArray) -> FloatArray:
    """Return phases with which the tones come one after the other, rad, (T,).

    The delay of a tone is the share of the power below it, times the record; φ = −∫ 2π delay df, summed here
    over the steps between tones. On neighbouring bins it is Schroeder's φ_k = −2π Σ_{l<k} (k − l) p_l.
    """
    power = np.asarray(amplitudes, dtype=float) ** 2
    below = np.cumsum(power)[:-1] / power.sum()
    return np.asarray(-2 * np.pi * np.concatenate([[0.0], np.cumsum(np.diff(tones.bins) * below)]))


def _levelled(tones: ToneSet, size: FloatArray, phases: FloatArray, rounds: int) -> FloatArray:
    wave = _fine(tones, size * np.exp(1j * phases))
    peak, step = float(np.max(np.abs(wave))), 1.0
    for _ in range(rounds):
        moved = phases + step * _change(tones, size, phases, wave)
        tried = _fine(tones, size * np.exp(1j * moved))
        height = float(np.max(np.abs(tried)))
        if height < peak:
            phases, wave, peak, step = moved, tried, height, min(1.0, 1.5 * step)
        else:
            step /= 2
        if step < SMALLEST_STEP:
            break
    return phases


def _change(tones: ToneSet, size: FloatArray, phases: FloatArray, wave: FloatArray) -> FloatArray:
    """Return the change of phases that brings the highest peaks to the level of the lowest among them."""
    highest = _highest(wave, LEVELLED * size.size)
    turn = 2 * np.pi * (np.outer(highest, tones.bins) % wave.size) / wave.size + phases
    slope = -np.sin(turn) * size * np.sign(wave[highest])[:, None]
    height = np.abs(wave[highest])
    system = np.vstack([slope, DAMPING * np.eye(size.size)])
    wanted = np.concatenate([height.min() - height, np.zeros(size.size)])
    return np.asarray(np.linalg.lstsq(system, wanted, rcond=None)[0])


def _highest(wave: FloatArray, count: int) -> NDArray[np.intp]:
    """Return the places of the highest maxima of |wave|."""
    height = np.abs(wave)
    place = np.flatnonzero(height > CANDIDATE * height.max())
    after = height[(place + 1) % height.size]
    place = place[(height[place] > height[place - 1]) & (height[place] >= after)]
    return place[np.argsort(height[place])[::-1][:count]]


def _fine(tones: ToneSet, phasors: ComplexArray) -> FloatArray:
    """Return the wave between the samples too."""
    return _wave(tones, phasors, FINER * tones.samples)


def _wave(tones: ToneSet, phasors: ComplexArray, count: int) -> FloatArray:
    lines = np.zeros(count // 2 + 1, dtype=np.complex128)
    lines[tones.bins] = phasors * (count / 2)
    return np.asarray(irfft(lines, count))
