"""What a fault takes away, as error sources of the permeability.

A fault that was seen is not subtracted: its size is known from the same data, and its cause only by guess. It
is counted as an error as large as it was seen, one standard uncertainty each.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from whichcore.analysis.trial.finding import Fault
from whichcore.analysis.types import ComplexArray, ErrorSource, FloatArray, Scope

#: Relative standard uncertainty of data that say nothing: a factor of 20 in level and as much in loss. With a
#: factor of e a curve still told two grades of different corners apart, 7 to 1.
VOID = 3.0
#: Correlation length of a smooth error in ln f. Practice: a third of a decade to either side.
LENGTH = 0.8


def source(
    fault: Fault, sensitivity: NDArray[Any], part: str = "", scope: Scope = Scope.SWEEP
) -> ErrorSource:
    """Return one error source of a fault, (F,) in units of μ."""
    return ErrorSource(
        f"trial:{fault.value}{f' {part}' if part else ''}", scope, np.asarray(sensitivity, np.complex128)
    )


def smooth_sources(
    fault: Fault, frequency_hz: FloatArray, size: FloatArray, length: float = LENGTH
) -> tuple[ErrorSource, ...]:
    """Return a smooth error of either part with a given standard uncertainty at each frequency.

    Parameters
    ----------
    fault : Fault
    frequency_hz : float array (F,)
    size : float array (F, 2)
        Standard uncertainty of μ′ and μ″.
    length : float
        Correlation length in ln f.

    Returns
    -------
    tuple of ErrorSource
        Gaussian bumps of width ℓ/√2 at a distance of 0.8 ℓ; their squares add up to ``size``² exactly, their
        covariance to exp(−Δ²/2ℓ²) (the process of ``observation.deviation_columns``).
    """
    x = np.log(frequency_hz)
    width, step = length / np.sqrt(2), 0.8 * length
    reach = 2 * width
    centres = np.arange(x[0] - reach, x[-1] + reach + step, step)
    bumps = np.exp(-0.5 * ((x[:, None] - centres) / width) ** 2)
    bumps /= np.linalg.norm(bumps, axis=1, keepdims=True)
    made = []
    for name, turned, part in (("real", 1.0, size[:, 0]), ("loss", 1j, size[:, 1])):
        for k, bump in enumerate(bumps.T):
            if np.any(column := bump * part):
                made.append(source(fault, turned * column, f"{name} {k + 1}"))
    return tuple(made)


def nothing_holds(
    fault: Fault, frequency_hz: FloatArray, mu: ComplexArray, log_level: float = VOID
) -> tuple[ErrorSource, ...]:
    """Return errors under which the data say nearly nothing of the material.

    ``log_level`` is the standard uncertainty of ln μ that all points share; VOID at least.
    """
    size = VOID * np.abs(mu)
    level = source(fault, max(log_level, VOID) * mu, "level")
    return (level, *smooth_sources(fault, frequency_hz, np.stack([size, size], axis=1)))
