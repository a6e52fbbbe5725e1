"""Faults of the bench while it swept: too strong a level, drift, steps between ranges."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray
from scipy.special import chdtri

from whichcore.analysis.curve_difference import RAYLEIGH_PER_T
from whichcore.analysis.trial.data import Line, TriedData, fit_line, relative_rows
from whichcore.analysis.trial.finding import Fault, Finding, Strength, Unit
from whichcore.analysis.trial.widening import source
from whichcore.analysis.types import ErrorSource, FloatArray, Scope
from whichcore.wording import hertz, in_percent, plain

#: Peak flux density up to which a bench calls permeability initial. Practice (IEC 60401-3: 0.25 mT).
INITIAL_FLUX_T = 1e-3
#: A slope over level, and one over time, count as found from this many standard uncertainties on: 3 of 1000.
SLOPE_LIMIT = 3.0
#: Least change over the sweep, relative, that is worth a word.
LEAST_CHANGE = 0.01
#: Probability of a larger step between ranges by chance, over all steps of a sweep.
STEP_P = 1e-3
#: Smallest step between ranges worth a word, relative or in rad; the calibration's factors reach this.
LEAST_STEP = 0.001
DRIFT_KEY, DRIFT_U_KEY = "drift_relative", "u_drift_relative"
"""Header lines of a sweep: change of the first frequency, measured again at the end, over |Z|."""
#: Relative scatter below which no measured point is believed; keeps exact data solvable.
_EXACT = 1e-6
_LOSS_OF_LEVEL = 4 / (3 * np.pi)  # of Rayleigh's law, from memory
_FLAT_LOSS, _LEAST_POINTS = 0.15, 8
#: To either side of a step the curve is fitted on the points within this in ln f, four at least.
_NEAR, _FEWEST_BESIDE = 0.7, 4


def level(data: TriedData) -> Finding:
    """See whether the core was driven beyond its initial permeability, and μ′ followed the level.

    By Rayleigh's law μ grows as 1 + ρB and the loss with it, 4/3π of that. How much, ρ, is a property of the
    grade: it is measured only where the level changed over the flat part of the curve.
    """
    flux = data.spectrum.flux_density_t
    if flux is None:
        return Finding(Fault.LEVEL, None, "the sweep does not state the flux density")
    top = float(flux.max())
    if top == 0:
        return Finding(Fault.LEVEL, True, "every point was extrapolated to zero field")
    slope, u = _growth(data, flux)
    follows = slope > SLOPE_LIMIT * u and slope * float(np.ptp(flux)) > LEAST_CHANGE
    band = (float(data.frequency_hz[flux > min(INITIAL_FLUX_T, 0.9 * top)][0]), float(data.frequency_hz[-1]))
    strength = Strength(top / INITIAL_FLUX_T, 1.0, Unit.RATIO)
    millitesla = plain(top * 1e3, 2)
    if top <= INITIAL_FLUX_T and not follows:
        told = f"the flux density stays at {millitesla} mT or below"
        return Finding(Fault.LEVEL, True, told, strength)
    if follows:
        told = (
            f"μ′ follows the level, by {in_percent(slope * top)} at {millitesla} mT: the drive is "
            "beyond the initial permeability; sweep again at 0.25 mT, or at one flux density"
        )
        strength = Strength(slope / u, SLOPE_LIMIT, Unit.STANDARD_UNCERTAINTIES)
    else:
        told = (
            f"the flux density reaches {millitesla} mT: above some 1 mT this is no longer the initial "
            "permeability; sweep again at 0.25 mT"
        )
    growth = max(slope, RAYLEIGH_PER_T) if follows else RAYLEIGH_PER_T
    column = growth * flux * data.mu
    # two errors: how the loss grows beside μ′ is Rayleigh's law only at the lowest levels
    taken = (
        source(Fault.LEVEL, column, "growth"),
        source(Fault.LEVEL, -1j * _LOSS_OF_LEVEL * column, "loss"),
    )
    return Finding(Fault.LEVEL, False, told, strength, band, taken, size=growth * top)


def _growth(data: TriedData, flux: FloatArray) -> tuple[float, float]:
    """Return d ln μ′/dB over the flat part of the curve and its standard uncertainty, 1/T."""
    mu = data.mu
    flat = (data.loss < _FLAT_LOSS * mu.real) & (mu.real > 0)
    flat &= np.cumprod(flat).astype(bool)
    spread = np.ptp(flux[flat]) if flat.any() else 0.0
    if flat.sum() < _LEAST_POINTS or spread <= 0.2 * flux.max():
        return 0.0, math.inf
    x = data.frequency_hz[flat] / data.frequency_hz[flat][-1]
    # of a dispersion that begins, a relaxation's fall goes as f² and a spread one's about as f
    design = np.stack([flux[flat] / flux.max(), np.ones_like(x), x, x**2], axis=1)
    variance, columns = relative_rows(data)
    line = fit_line(design, np.log(mu.real[flat]), variance[flat, 0], columns[flat, 0])
    return float(line.value[0]) / float(flux.max()), line.scaled_uncertainty(0) / float(flux.max())


def drift(data: TriedData) -> Finding:
    """See whether core or bench changed while the sweep was taken.

    The first frequency measured again says so by itself. A slope over time can be told where the points were
    not taken in the order of frequency, as in an interleaved sweep. Of both the clearer one counts. A change
    too small for a fault, but certain, is an error of the curve all the same.
    """
    known = [
        (*_stated_drift(data), "the first frequency, measured again at the end, differs by"),
        (*_trend(data), "neighbouring points taken at other times differ, over the sweep by"),
    ]
    found = [(abs(size), u, how) for size, u, how in known if size is not None]
    if not found:
        return Finding(Fault.DRIFT, None, "no frequency was measured again, so drift cannot be seen")
    size, u, how = max(found, key=lambda item: item[0] / max(item[1], 1e-300))
    strength = Strength(size / max(u, 1e-300), SLOPE_LIMIT, Unit.STANDARD_UNCERTAINTIES)
    told = f"{how} {in_percent(size)} (± {in_percent(u)})"
    if strength.value <= SLOPE_LIMIT:
        return Finding(Fault.DRIFT, True, told, strength)
    if size <= LEAST_CHANGE:
        return Finding(
            Fault.DRIFT, True, f"{told}, counted as an error", strength, sources=_drift_sources(data, size)
        )
    f = data.frequency_hz
    return Finding(
        Fault.DRIFT,
        False,
        f"{told}, counted as an error of every point: the core drifts, is warming, or was disturbed not "
        "long ago; let it rest and sweep again",
        strength,
        (float(f[0]), float(f[-1])),
        _drift_sources(data, size),
        size=size,
    )


def _drift_sources(data: TriedData, size: float) -> tuple[ErrorSource, ...]:
    """Return drift as errors that grow with time; |ΔZ| is told, not whether level or phase moved.

    At which time the core was in the state that is its own, rested and at its stated temperature, is not
    known: that leaves a level that all points share, the first included, anywhere from nothing to the whole
    drift. About zero its standard uncertainty is the drift over √3 (rectangular; JCGM 100:2008, 4.3.7).
    """
    time = data.sweep.time_s
    x = np.log(data.frequency_hz) if time is None or np.ptp(time) == 0 else time
    progress = (x - x.min()) / max(float(np.ptp(x)), 1e-300)
    column = size * progress * data.mu
    return (
        source(Fault.DRIFT, column, "level"),
        source(Fault.DRIFT, 1j * column, "phase"),
        source(Fault.DRIFT, size / np.sqrt(3) * data.mu, "state"),
    )


def _stated_drift(data: TriedData) -> tuple[float | None, float]:
    notes = data.sweep.notes
    try:
        size, u = float(notes[DRIFT_KEY]), float(notes[DRIFT_U_KEY])
    except (KeyError, ValueError):
        return None, 0.0
    return (size, u) if math.isfinite(size) and math.isfinite(u) and u >= 0 else (None, 0.0)


def _trend(data: TriedData) -> tuple[float | None, float]:
    """Return the change of ln|μ| over the time of the sweep, by neighbours taken out of turn, and its u.

    Each point is compared with the cubic through its two neighbours on either side, and its time with the
    same cubic of theirs, so that the curve and any time that runs with the frequency drop out.
    """
    time, f = data.sweep.time_s, data.frequency_hz
    if time is None or f.size < _LEAST_POINTS or np.ptp(time) == 0:
        return None, 0.0
    weights = _second_look(np.log(f))
    apart = weights @ ((time - time.mean()) / np.ptp(time))
    if np.sqrt((apart**2).sum()) < 1:
        return None, 0.0
    values = weights @ np.log(np.abs(data.mu))
    variance, _ = relative_rows(data)
    whole = weights @ np.diag(np.maximum(variance[:, 0], _EXACT**2)) @ weights.T
    solved = np.linalg.solve(whole, apart)
    u = 1 / np.sqrt(apart @ solved)
    size = float(u**2 * (solved @ values))
    left = values - size * apart
    return size, float(u * np.sqrt(max(1.0, left @ np.linalg.solve(whole, left) / (len(left) - 1))))


def _second_look(x: FloatArray) -> FloatArray:
    """Return rows (F − 4, F): point less the cubic through the two neighbours on either side."""
    rows = np.zeros((x.size - 4, x.size))
    for row, i in enumerate(range(2, x.size - 2)):
        near = [i - 2, i - 1, i + 1, i + 2]
        for j in near:
            others = [k for k in near if k != j]
            rows[row, j] = -np.prod([(x[i] - x[k]) / (x[j] - x[k]) for k in others])
        rows[row, i] = 1.0
    return rows


def range_step(data: TriedData) -> Finding:
    """See whether the curve steps where the range pair changes, beyond what the range factors allow."""
    labels = data.spectrum.range_labels
    if labels is None:
        return Finding(Fault.RANGE_STEP, None, "the sweep does not state its ranges")
    at = [i for i in range(1, len(labels)) if labels[i] != labels[i - 1]]
    found = [(i, *step) for i in at if (step := _step(data, i)) is not None]
    if not found:
        told = "the range never changed" if not at else "too few points beside a change of range"
        return Finding(Fault.RANGE_STEP, None if at else True, told)
    i, size, distance = max(found, key=lambda item: item[2])
    limit = float(np.sqrt(chdtri(2, STEP_P / len(found))))
    strength = Strength(distance, limit, Unit.STANDARD_UNCERTAINTIES)
    if distance <= limit or abs(size) <= LEAST_STEP:
        return Finding(Fault.RANGE_STEP, True, "no step where the range changes", strength)
    f = data.frequency_hz
    largest = max(abs(step) for _, step, d in found if d > limit)
    return Finding(
        Fault.RANGE_STEP,
        False,
        f"the curve steps by {in_percent(abs(size))} at {hertz(float(f[i]))}, where the range "
        "changes, more than the factors between the ranges allow: no property of the core; calibrate these "
        "ranges again",
        strength,
        (float(f[i - 1]), float(f[i])),
        tuple(
            source(Fault.RANGE_STEP, turn * largest * data.mu, part, Scope.RANGE)
            for part, turn in (("level", 1), ("phase", 1j))
        ),
    )


def _step(data: TriedData, i: int) -> tuple[complex, float] | None:
    """Return the step of ln μ before point i, and its distance from zero in its own uncertainty (2 parts).

    One polynomial over both sides together and a step at i. The uncertainty holds the scatter, what the range
    factors of both sides allow, and how far the polynomial misses the points.
    """
    window = _beside(data, i)
    if not min((window < i).sum(), (window >= i).sum()) >= _FEWEST_BESIDE:
        return None
    x = np.log(data.frequency_hz[window] / data.frequency_hz[i])
    variance, columns = relative_rows(data)
    log_mu = np.log(np.abs(data.mu[window])) + 1j * np.unwrap(np.angle(data.mu[window]))
    # δ ln μ = δμ/μ: here the loss is small or the parts alike, and the larger of both serves for either
    own = np.maximum(variance[window, 0], variance[window, 1])
    size = 0j
    square = 0.0
    for k, values in ((0, log_mu.real), (1, log_mu.imag)):
        line = _step_fit((window >= i).astype(float), x, (values, own, columns[window, k]))
        u = line.scaled_uncertainty(0)
        size += complex(line.value[0]) * (1j if k else 1)
        square += float(line.value[0] / max(u, 1e-300)) ** 2
    return size, float(np.sqrt(square))


def _step_fit(step: FloatArray, x: FloatArray, rows: tuple[FloatArray, FloatArray, FloatArray]) -> Line:
    """Fit a step and the lowest polynomial, from the second to the fifth order, that meets the points.

    It meets them when χ² is within two standard deviations, 2√(2ν), of its degrees of freedom ν; a lower one
    would lay a bend of the curve to the step, a higher one costs certainty.
    """
    for order in range(2, 6):
        line = fit_line(np.column_stack([step, *(x**k for k in range(order + 1))]), *rows)
        freedom = x.size - order - 2
        if freedom < 2 or line.reduced_chi_squared <= 1 + 2 * math.sqrt(2 / freedom):
            break
    return line


def _beside(data: TriedData, i: int) -> NDArray[np.int_]:
    """Return the points beside a change of range before point i that lie near it on the same two ranges."""
    labels = data.spectrum.range_labels or ()
    first = max(j for j in range(i) if j == 0 or labels[j - 1] != labels[i - 1])
    last = next((j for j in range(i, len(labels)) if labels[j] != labels[i]), len(labels))
    index = np.arange(first, last)
    near = np.abs(np.log(data.frequency_hz[index] / data.frequency_hz[i])) <= _NEAR
    near |= (index >= i - _FEWEST_BESIDE) & (index < i + _FEWEST_BESIDE)
    return np.asarray(index[near])
