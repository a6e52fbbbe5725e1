"""The step of a converter, seen in the values it has left: a file of volts does not say it."""

from __future__ import annotations

import numpy as np

from whichcore.analysis.types import FloatArray

MOST_LEVELS = 1 << 17  # a converter of 16 bits has half of it; more distinct values are no codes
NEAR = 0.2  # of a step: how far printing may have moved a value off the staircase
FEWEST_LEVELS = 2


def recovered_step(values: FloatArray) -> float:
    """Return the step of the staircase that all values stand on; 0 where they stand on none.

    The smallest distance of two values is a first guess; a straight line through value over step number makes
    it finer, level by level, so that digits lost in printing average out. A record that meets only every
    other level gives two steps for one, which errs to the safe side.

    Parameters
    ----------
    values : float array (N,)
        Finite.

    Returns
    -------
    float
        In the unit of the values.
    """
    levels = np.unique(values)
    if not FEWEST_LEVELS <= levels.size <= MOST_LEVELS:
        return 0.0
    levels = _without_rounding(levels)
    if levels.size < FEWEST_LEVELS:
        return 0.0
    gaps = np.diff(levels)
    step = _refined(levels, float(gaps[gaps < 1.5 * gaps.min()].mean()))
    number = np.round((levels - levels[0]) / step)
    return step if np.abs(levels - levels[0] - number * step).max() <= NEAR * step else 0.0


def _without_rounding(levels: FloatArray) -> FloatArray:
    """Take values that differ by the last bits of a float for one."""
    apart = np.diff(levels) > 1e-9 * max(abs(levels[0]), abs(levels[-1]))
    return np.asarray(levels[np.concatenate([[True], apart])])


def _refined(levels: FloatArray, step: float) -> float:
    """Fit the step over longer and longer stretches, so that the number of a level is never in doubt."""
    count = FEWEST_LEVELS
    while True:
        part = levels[:count] - levels[0]
        number = np.round(part / step)
        step = float(number @ part / (number @ number))
        if count == levels.size:
            return step
        count = min(2 * count, levels.size)
