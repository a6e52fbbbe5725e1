"""What the whole open family says of the points of a curve, one after the other.

A few of its members, those that explain the curve best, would be chosen by the curve: the choice would count
for none of these at no point. So all members run along, as they are judged.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy.linalg import solve_triangular
from scipy.special import logsumexp

from whichcore.analysis.observation import Observation
from whichcore.analysis.square_root import lower_factor, root_of
from whichcore.analysis.types import FloatArray
from whichcore.analysis.unlisted import (
    DEVIATIONS,
    LEVEL_SPREAD,
    deviating_columns,
    family,
    family_rows,
)


def family_running(
    observation: Observation, points: NDArray[np.int_], to_parts: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Return the log density of the points up to each part of each, μ′ before μ″ and μ″ before μ′.

    Parameters
    ----------
    observation : Observation
    points : int array (P,)
        Points of the spectrum, rising.
    to_parts : float array (P, 2, 2)
        From whitened rows to relative changes of μ′ and μ″.

    Returns
    -------
    (running, running) : float array (2P,)
        Level, corner and deviation of each member integrated, members weighed by their prior (chain rule of
        probability; the corner by the matrix determinant lemma along the points).
    """
    size = observation.frequency_hz.size
    both = np.stack([points, points + size], axis=1)
    residual, slope = family_rows(observation)
    vectors = np.concatenate(
        [_parts(observation.whiten(rows)[:, both], to_parts) for rows in (residual, slope)]
    )
    level = LEVEL_SPREAD * observation.whiten(np.ones(size, dtype=np.complex128))
    prior = np.asarray(logsumexp(family().log_weight, axis=0))
    swapped = (np.arange(2 * points.size).reshape(-1, 2)[:, ::-1]).ravel()
    orders: tuple[list[FloatArray], list[FloatArray]] = ([], [])
    for amplitude, length, share in DEVIATIONS:
        columns = np.column_stack([level, deviating_columns(observation, amplitude, length)])
        root = root_of(to_parts, (to_parts @ columns[both]).reshape(2 * points.size, -1))
        for kept, order in zip(orders, (np.arange(2 * points.size), swapped), strict=True):
            running = _running(root[order], vectors[:, order])
            kept.append(np.asarray(logsumexp(running + prior[:, None], axis=0) + np.log(share)))
    first, second = (np.asarray(logsumexp(kept, axis=0)) for kept in orders)
    return first, second


def _parts(whitened: FloatArray, to_parts: FloatArray) -> FloatArray:
    """Turn rows (C, P, 2) to relative changes of μ′ and μ″, (C, 2P)."""
    return np.asarray(np.einsum("pij,cpj->cpi", to_parts, whitened).reshape(whitened.shape[0], -1))


def _running(root: FloatArray, vectors: FloatArray) -> FloatArray:
    """Return the log density of the first one, two, … rows under each member, (C, 2P).

    ``vectors`` holds the residuals of the members and then their slopes over half the cell of their corner.
    """
    factor = lower_factor(root)
    residual, corner = np.split(solve_triangular(factor, vectors.T, lower=True).T, 2)
    rr, rc, cc = (
        np.cumsum(a * b, axis=1) for a, b in ((residual, residual), (residual, corner), (corner, corner))
    )
    plain = np.cumsum(np.log(np.diag(factor)) + 0.5 * np.log(2 * np.pi))
    return np.asarray(-0.5 * (rr - rc**2 / (1 + cc) + np.log1p(cc)) - plain)
