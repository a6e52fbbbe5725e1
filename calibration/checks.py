"""Refusals shared by the error models."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from whichcore.analysis.types import FloatArray, PhasorPair
from whichcore.errors import CalibrationError, InputError


def require(
    holds: bool, what: str, *, where: str, got: str = "", allowed: str = "", next_step: str = ""
) -> None:
    """Raise CalibrationError unless the condition holds."""
    if not holds:
        raise CalibrationError(what, where=where, got=got, allowed=allowed, next_step=next_step)


def check_grid(frequency_hz: FloatArray) -> None:
    """Refuse a grid that is empty, not finite, not positive or not strictly increasing."""
    grid = np.asarray(frequency_hz)
    good = grid.ndim == 1 and grid.size > 0 and np.all(np.isfinite(grid))
    if good and grid[0] > 0 and np.all(np.diff(grid) > 0):
        return
    raise InputError(
        "frequencies must be positive and strictly increasing",
        where="frequency_hz",
        got=np.array2string(grid, threshold=6),
        next_step="sort them and drop what stands twice",
    )


def positions(wanted_hz: FloatArray, calibrated_hz: FloatArray) -> NDArray[np.intp]:
    """Return where the frequencies wanted stand in the calibrated grid, each exactly."""
    check_grid(wanted_hz)
    index = np.minimum(np.searchsorted(calibrated_hz, wanted_hz), calibrated_hz.size - 1)
    missing = wanted_hz[calibrated_hz[index] != wanted_hz]
    if missing.size:
        raise CalibrationError(
            "there is no calibration at this frequency",
            where=f"{missing[0]:g} Hz",
            got=f"{missing.size} of {wanted_hz.size} frequencies",
            allowed=f"the {calibrated_hz.size} calibrated ones, "
            f"{calibrated_hz[0]:g} to {calibrated_hz[-1]:g} Hz, each exactly",
            next_step="sweep the grid of the calibration, calibrate on this one, or read the calibration "
            "between its points",
        )
    return np.asarray(index)


def check_pair(pair: PhasorPair, where: str) -> None:
    """Refuse wrong shapes, values that are not finite, a dead pair, and a covariance that is none."""
    size = np.asarray(pair.frequency_hz).size
    shapes = (pair.voltage_a_v.shape, pair.voltage_b_v.shape, pair.covariance.shape)
    if shapes != ((size,), (size,), (size, 4, 4)):
        raise InputError(
            "the arrays of a pair of phasors do not fit each other",
            where=where,
            got=str(shapes),
            allowed=f"({size},), ({size},), ({size}, 4, 4)",
        )
    finite = np.isfinite(pair.voltage_a_v) & np.isfinite(pair.voltage_b_v)
    finite &= np.isfinite(pair.covariance).all(axis=(1, 2))
    _refuse(~finite, pair, where, "a phasor or its covariance is not finite")
    dead = (pair.voltage_a_v == 0) & (pair.voltage_b_v == 0)
    _refuse(dead, pair, where, "both channels read exactly zero")
    size_of = np.trace(pair.covariance, axis1=1, axis2=2)
    skewed = abs(pair.covariance - np.swapaxes(pair.covariance, 1, 2)).max(axis=(1, 2)) > 1e-9 * abs(size_of)
    _refuse(
        skewed | _negative(pair.covariance, 1e-9 * abs(size_of)),
        pair,
        where,
        "the covariance is not symmetric and positive semi-definite",
    )


def _negative(covariance: FloatArray, tolerance: FloatArray) -> NDArray[np.bool_]:
    """Tell where an eigenvalue lies below −tolerance; a Cholesky factor is quicker."""
    lifted = covariance + (tolerance + np.finfo(float).tiny)[:, None, None] * np.eye(4)
    try:
        np.linalg.cholesky(lifted)
    except np.linalg.LinAlgError:
        return np.asarray(np.linalg.eigvalsh(covariance)[:, 0] < -tolerance)
    return np.zeros(tolerance.shape, dtype=bool)


def _refuse(bad: NDArray[np.bool_], pair: PhasorPair, where: str, what: str) -> None:
    if not bad.any():
        return
    first = np.flatnonzero(bad)[0]
    raise InputError(
        what,
        where=f"{where}, {pair.frequency_hz[first]:g} Hz",
        got=f"{int(bad.sum())} of {bad.size} points",
        next_step="measure it again",
    )
