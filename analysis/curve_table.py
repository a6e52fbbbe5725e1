"""Reference curves resampled to one logarithmic grid, so that a corner shift is a step along the grid."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray
from scipy.interpolate import PchipInterpolator

from whichcore.analysis.materials import Library
from whichcore.analysis.observation import log_reluctivity
from whichcore.analysis.section_fit import corrected_permeability
from whichcore.analysis.types import ComplexArray, FloatArray

#: Step of the grid in ln f; also the step of the corner-shift quadrature. Where a curve rings, twice of it
#: moves probabilities by tenths (computed).
GRID_STEP = 0.04
#: Largest corner shift considered, in grid steps (a factor of 2 either way).
MAX_SHIFT_STEPS = 17
#: Corner shifts of the quadrature, in grid steps.
SHIFTS = np.arange(-MAX_SHIFT_STEPS, MAX_SHIFT_STEPS + 1)


@dataclass(frozen=True, slots=True)
class CurveTable:
    """λ = ln(1/μ) of M curves on the grid ln f = start + GRID_STEP·i; NaN outside a curve's own span."""

    start: float
    log_reluctivity: ComplexArray

    def pick(self, indices: Sequence[int]) -> CurveTable:
        """Return the table of some of the curves."""
        return CurveTable(self.start, self.log_reluctivity[list(indices)])

    def shifted(self, log_frequency: FloatArray, shift_steps: NDArray[np.int_]) -> ComplexArray:
        """Evaluate every curve with its corner moved up by each shift.

        Parameters
        ----------
        log_frequency : float array (P,)
        shift_steps : int array (S,)
            Corner moves by the factor exp(GRID_STEP·steps).

        Returns
        -------
        complex array (M, S, P)
            NaN where the shifted curve does not reach.
        """
        position = (log_frequency - self.start) / GRID_STEP
        index = np.floor(position).astype(np.int64)
        fraction = position - index
        at = index - shift_steps[:, None]
        columns = self.log_reluctivity.shape[1]
        valid = (at >= 0) & (at < columns - 1)
        at = np.clip(at, 0, columns - 2)
        low, high = self.log_reluctivity[:, at], self.log_reluctivity[:, at + 1]
        value = low + fraction * (high - low)
        # a point on the last node of a span must not be lost for want of a right neighbour
        value = np.where((fraction < 1e-9) & np.isnan(value), low, value)
        return np.where(valid, value, np.nan)


def tabulate(curves: Sequence[tuple[FloatArray, ComplexArray]], low_hz: float, high_hz: float) -> CurveTable:
    """Resample curves of permeability by monotone cubics in ln f (Fritsch & Carlson, from memory).

    What is interpolated is ln|μ| and the logarithm of the loss angle. Both bend little where a curve falls
    off: at five points a decade a relaxation comes back within 0.2 %, three to six times closer than from μ′
    and μ″ themselves (computed, see the tests).

    Parameters
    ----------
    curves : sequence of (frequency_hz (F,), permeability (F,))
    low_hz, high_hz : float
        Band of the data; the table reaches beyond it by the largest shift.

    Returns
    -------
    CurveTable
    """
    margin = (MAX_SHIFT_STEPS + 2) * GRID_STEP
    start = np.log(low_hz) - margin
    grid = start + GRID_STEP * np.arange(int(np.ceil((np.log(high_hz) + margin - start) / GRID_STEP)) + 2)
    table = np.full((len(curves), grid.size), np.nan, dtype=np.complex128)
    for row, (frequency_hz, permeability) in zip(table, curves, strict=True):
        x = np.log(frequency_hz)
        inside = (grid >= x[0] - GRID_STEP) & (grid <= x[-1] + GRID_STEP)
        # one node beyond each end supports the interpolation of the last points inside; span_mask keeps
        # every evaluated point within the span
        row[inside] = _interpolate(x, permeability, grid[inside])
    return CurveTable(start=float(start), log_reluctivity=log_reluctivity(table))


def _interpolate(x: FloatArray, permeability: ComplexArray, at: FloatArray) -> ComplexArray:
    if x.size == 1:
        return np.full(at.size, permeability[0])
    rows = log_reluctivity(permeability)
    # the loss angle runs over decades; only where it reaches zero has it no logarithm
    lossy = bool(np.all(rows.imag > 0))
    parts = np.stack([rows.real, np.log(rows.imag) if lossy else rows.imag], axis=1)
    size, angle = PchipInterpolator(x, parts)(at).T
    return np.asarray(np.exp(-(size + 1j * (np.exp(angle) if lossy else angle))))


@lru_cache(maxsize=8)
def library_table(
    library: Library, low_hz: float, high_hz: float, section_m: tuple[float, float] | None
) -> CurveTable:
    """Tabulate a library for a band and a section; kept for the next specimen of the same kind."""
    curves = [(m.frequency_hz, corrected_permeability(m, section_m)) for m in library.materials]
    return tabulate(curves, low_hz, high_hz)


def filled(values: ComplexArray) -> ComplexArray:
    """Fill shifts at which a curve does not reach a point by the nearest one at which it does.

    Parameters
    ----------
    values : complex array (M, S, P)
        Of an odd number of shifts, NaN where a moved curve does not reach.

    Returns
    -------
    complex array (M, S, P)
        NaN where even the unmoved curve, the middle one, does not reach.
    """
    out, middle = values.copy(), values.shape[1] // 2
    for s in (*range(middle + 1, values.shape[1]), *range(middle - 1, -1, -1)):
        inner = s - 1 if s > middle else s + 1
        out[:, s] = np.where(np.isnan(out[:, s]), out[:, inner], out[:, s])
    return out
