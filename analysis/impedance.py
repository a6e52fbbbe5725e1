"""Helpers of impedance curves: series elements, magnitude and phase, scatter estimated from the curve."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from whichcore.analysis.types import ComplexArray, FloatArray
from whichcore.errors import AnalysisError

SCATTER_FLOOR = 0.003
#: From so many times the stated scatter on the stated one is not believed. Practice: a median over eight
#: points scatters by 0.4 of it.
STRAYS = 3.0
#: Points a decade from which the bend of a curve is no scatter. Practice: see `estimate_scatter`.
_DENSE = 8
"""Least standard uncertainty per component over |Z| of an estimated scatter."""
SHORT_CURVE_FLOOR = 0.01
"""The same for a curve too short to show its scatter; practice, no source."""
SHORTEST_CURVE = 8
"""Points below which a curve can not show its scatter."""

_WINDOW = 5  # points of one local fit; seven bend too far on curves of five points a decade
_ALIKE = 2.0  # ratio up to which both components are held to scatter alike
_NORMAL_MEDIAN = 0.6744897501960817  # computed: median of |x| of a unit normal x
_TERMS = 3  # of a quadratic


def series_resistance_ohm(impedance_ohm: ArrayLike) -> FloatArray:
    """Return R of Z = R + jωL, Ω."""
    return np.asarray(np.real(impedance_ohm), dtype=float)


def series_inductance_h(frequency_hz: ArrayLike, impedance_ohm: ArrayLike) -> FloatArray:
    """Return L of Z = R + jωL, H; frequency in Hz, > 0."""
    return np.asarray(np.imag(impedance_ohm) / (2 * np.pi * np.asarray(frequency_hz, dtype=float)))


def magnitude_and_phase(impedance_ohm: ArrayLike) -> tuple[FloatArray, FloatArray]:
    """Return |Z| in Ω and the phase of Z in rad, −π to π."""
    impedance = np.asarray(impedance_ohm, dtype=complex)
    return np.abs(impedance), np.asarray(np.angle(impedance))


def require_curve(frequency: FloatArray, impedance: ComplexArray) -> None:
    """Refuse what is not a curve.

    Parameters
    ----------
    frequency : float array (F,)
    impedance : complex array (F,)

    Raises
    ------
    AnalysisError
        Shapes differ, F is 0, frequencies do not rise from above zero, a value is zero or not finite.
    """
    if frequency.ndim != 1 or frequency.shape != impedance.shape or frequency.size == 0:
        raise AnalysisError(
            "a curve needs one impedance per frequency",
            where="impedance_ohm",
            got=f"{impedance.shape} for {frequency.shape} frequencies",
        )
    if not np.all(frequency > 0) or not np.all(np.diff(frequency) > 0):
        raise AnalysisError("frequencies must be positive and rise", where="frequency_hz")
    if (wrong := np.flatnonzero(~np.isfinite(impedance) | (impedance == 0))).size:
        raise AnalysisError(
            "an impedance must be finite and not zero",
            where=f"impedance at {frequency[wrong[0]]:g} Hz",
            got=f"{impedance[wrong[0]]} Ω",
            next_step="leave the point out",
        )


def require_covariance(frequency: FloatArray, covariance: FloatArray) -> None:
    """Refuse what is no covariance of a real and an imaginary part.

    Parameters
    ----------
    frequency : float array (F,)
    covariance : float array (F, 2, 2)

    Raises
    ------
    AnalysisError
        The shape is another, a value is not finite, or a matrix is not symmetric and positive semi-definite.
    """
    if covariance.shape != (frequency.size, 2, 2):
        raise AnalysisError(
            "a covariance needs one 2×2 matrix per frequency",
            where="scatter",
            got=f"{covariance.shape} for {frequency.size} frequencies",
        )
    real, imag, mixed = covariance[:, 0, 0], covariance[:, 1, 1], covariance[:, 0, 1]
    slack = 1e-9 * (real + imag)  # of rounding, where the scatter lies in one direction
    good = np.isfinite(covariance).all(axis=(1, 2)) & (np.minimum(real, imag) >= -slack)
    good &= mixed**2 - real * imag <= slack * (real + imag)
    good &= np.abs(mixed - covariance[:, 1, 0]) <= slack
    if (wrong := np.flatnonzero(~good)).size:
        raise AnalysisError(
            "a scatter must be finite, symmetric and not negative",
            where=f"scatter at {frequency[wrong[0]]:g} Hz",
            got=np.array2string(covariance[wrong[0]], separator=", ").replace("\n", ""),
            next_step="state it again, or leave it out to have it estimated",
        )


def _standardised_residuals(frequency: FloatArray, impedance: ComplexArray) -> ComplexArray:
    """Return the residual of each point from its local quadratic, over |Z|, scaled to the point's own spread.

    ln Z is fitted, since Z runs over decades: its deviation δZ/Z, turned back by the phase of Z, is the
    deviation of the components over |Z|. The residual of a point has 1 − h of the variance, h its leverage.
    """
    level = np.log(np.abs(impedance)) + 1j * np.unwrap(np.angle(impedance))
    abscissa = np.log(frequency)
    starts = np.minimum(np.maximum(np.arange(abscissa.size) - _WINDOW // 2, 0), abscissa.size - _WINDOW)
    residual = np.empty_like(level)
    for index, start in enumerate(starts):
        window = slice(start, start + _WINDOW)
        design = np.vander(abscissa[window] - abscissa[index], _TERMS)
        basis, _ = np.linalg.qr(design)
        own = index - start
        fitted = basis[own] @ (basis.T @ level[window])
        residual[index] = (level[index] - fitted) / np.sqrt(1 - basis[own] @ basis[own])
    return np.asarray(residual * impedance / np.abs(impedance))


def _robust_scale(values: FloatArray) -> float:
    """Return the standard deviation of normal values about zero from the median of their size.

    A few points that stand out (a resonance, a range step) do not move it.
    """
    return float(np.median(np.abs(values)) / _NORMAL_MEDIAN)


def _component_scales(frequency: FloatArray, impedance: ComplexArray) -> tuple[float, float]:
    """Return the scatter of the real and imaginary part over |Z|, pooled where they are alike."""
    residual = _standardised_residuals(frequency, impedance)
    real, imaginary = _robust_scale(residual.real), _robust_scale(residual.imag)
    if max(real, imaginary) > _ALIKE * min(real, imaginary):
        return real, imaginary
    pooled = float(np.hypot(real, imaginary) / np.sqrt(2))
    return pooled, pooled


def estimate_scatter(frequency_hz: ArrayLike, impedance_ohm: ArrayLike) -> FloatArray:
    """Estimate the independent scatter of an impedance curve from the curve itself.

    Parameters
    ----------
    frequency_hz : float array (F,)
        Positive, rising.
    impedance_ohm : complex array (F,)
        Finite, not zero.

    Returns
    -------
    float array (F, 2, 2)
        Covariance in Ω² of the real and imaginary part, taken as independent of each other: (s_R |Z|)² and
        (s_X |Z|)², one s per component for the whole curve, from the median residual of local quadratics in
        ln f over five points, but at least 0.3 %. Where the two agree within a factor of two they are
        pooled. Fewer than eight points can not show their scatter: 1 %. Over F points the estimate itself
        scatters by some 1.2/√F (computed, see the tests), and with fewer than five points a decade the bend
        of the curve counts as scatter, so that the estimate is too large, never too small.

    Raises
    ------
    AnalysisError
        Shapes differ, frequencies do not rise, a value is zero or not finite.
    """
    frequency = np.atleast_1d(np.asarray(frequency_hz, dtype=float))
    impedance = np.atleast_1d(np.asarray(impedance_ohm, dtype=complex))
    require_curve(frequency, impedance)
    if frequency.size < SHORTEST_CURVE:
        shares = [SHORT_CURVE_FLOOR, SHORT_CURVE_FLOOR]
    else:
        shares = [max(SCATTER_FLOOR, share) for share in _component_scales(frequency, impedance)]
    size = np.abs(impedance)
    return np.asarray((size**2)[:, np.newaxis, np.newaxis] * np.diag(np.square(shares)))


def straying(
    frequency_hz: ArrayLike, impedance_ohm: ArrayLike, variance_ohm2: ArrayLike
) -> tuple[float, float] | None:
    """Tell how far the points stray from a smooth course, where that is far more than they are stated to.

    Parameters
    ----------
    frequency_hz : float array (F,)
        Positive, rising.
    impedance_ohm : complex array (F,)
        Finite, not zero.
    variance_ohm2 : float array (F, 2)
        Stated, of real and imaginary part, of everything that may differ from point to point.

    Returns
    -------
    (float, float) or None
        Scatter seen over |Z|, and over the stated one: both by the median residual of local quadratics, of
        the component that strays more. None up to three times the stated one and up to 0.3 % of |Z|, where
        too few points show no scatter, or where they lie so far apart that the bend of the curve counts.
    """
    frequency = np.atleast_1d(np.asarray(frequency_hz, dtype=float))
    impedance = np.atleast_1d(np.asarray(impedance_ohm, dtype=complex))
    if frequency.size < max(SHORTEST_CURVE, _DENSE * np.log10(frequency[-1] / frequency[0])):
        return None
    residual = _standardised_residuals(frequency, impedance)
    stated = np.sqrt(np.asarray(variance_ohm2, dtype=float)) / np.abs(impedance)[:, np.newaxis]
    parts = np.stack([residual.real, residual.imag], axis=1)
    seen = [_robust_scale(part) for part in parts.T]
    with np.errstate(divide="ignore"):
        times = [_robust_scale(part) for part in (parts / np.maximum(stated, np.finfo(float).tiny)).T]
    worst = int(np.argmax(times))
    if times[worst] <= STRAYS or seen[worst] <= SCATTER_FLOOR:
        return None
    return seen[worst], times[worst]
