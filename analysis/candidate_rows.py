"""What the curves of candidates predict for each row of the data, at every corner shift."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from whichcore.analysis.curve_table import SHIFTS, CurveTable, filled, library_table
from whichcore.analysis.materials import Library, Material
from whichcore.analysis.observation import Observation, RowKind, reading_rows
from whichcore.analysis.reach import Reach, reach_of
from whichcore.analysis.section_fit import by_section
from whichcore.analysis.section_prior import section_prior_of
from whichcore.analysis.types import ComplexArray


def predictions(
    library: Library,
    indices: Sequence[int],
    observation: Observation,
    *,
    other_section: bool = False,
    reach: Reach | None = None,
) -> ComplexArray:
    """Predict the rows of some materials, for every corner shift.

    Parameters
    ----------
    library : Library
    indices : sequence of int (M)
    observation : Observation
    other_section : bool
        Whether references of unknown section were taken on another one than the specimen's.
    reach : Reach, optional
        Their reach at SHIFTS, where it is at hand.

    Returns
    -------
    complex array (M, S, P)
        λ, or for a reading the row it is compared with; a reading at or below 10 kHz where the curve starts
        higher is predicted from the stated initial permeability. NaN beyond a curve's reach.
    """
    frequency = observation.frequency_hz
    table = library_table(library, float(frequency.min()), float(frequency.max()), observation.section_m)
    materials = [library.materials[i] for i in indices]
    if reach is None:
        reach = reach_of(materials, observation, SHIFTS, other_section=other_section)
    return rows_of(materials, table.pick(indices), observation, reach, other_section=other_section)


def rows_of(
    materials: Sequence[Material],
    table: CurveTable,
    observation: Observation,
    reach: Reach,
    *,
    other_section: bool,
) -> ComplexArray:
    """Predict the rows (M, S, P) of some materials from their curves as tabulated; see `predictions`."""
    frequency = observation.frequency_hz
    values = filled(table.shifted(observation.log_frequency, SHIFTS))
    for rows in by_section(materials):
        values[rows] += section_prior_of(materials[rows[0]], observation, other_section=other_section).mean
    values = reading_rows(values, observation)
    starts = np.array([m.frequency_hz[0] for m in materials])
    initial = np.array([-np.log(m.initial_permeability) for m in materials])
    for point in np.flatnonzero((observation.kind != RowKind.SPECTRUM) & (frequency <= 1e4)):
        below = frequency[point] < starts
        values[below, :, point] = initial[below, None]
    mask = reach.mask(frequency.size).reshape(values.shape)
    values[~mask] = complex(np.nan, np.nan)
    return values
