"""A few members of the open family that stand for "none of these" where a whole family would be too much."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.special import logsumexp

from whichcore.analysis.linear_candidate import LinearCandidate
from whichcore.analysis.observation import Observation, log_reluctivity, reading_rows, some_points
from whichcore.analysis.square_root import lower_factor
from whichcore.analysis.types import ComplexArray, FloatArray
from whichcore.analysis.unlisted import LEVEL_SPREAD, PRODUCTS_HZ, Family, deviating_columns, family

#: Members taken, and their usual deviation: (amplitude, correlation length in ln f).
MEMBERS, DEVIATION = 6, (0.12, 1.0)
#: Points at hand that the members are chosen by.
_CHOSEN_BY = 14
_HALF_STEP = float(np.log(PRODUCTS_HZ[1] / PRODUCTS_HZ[0])) / 2


@dataclass(frozen=True, slots=True)
class OpenMember:
    """One member of the open family.

    Attributes
    ----------
    log_prior : float
        Share of the member among all spectra nobody listed.
    log_posterior : float
        Its share among the members taken, given the data.
    linear : LinearCandidate
    """

    log_prior: float
    log_posterior: float
    linear: LinearCandidate


def open_members(known: Observation, everywhere: Observation) -> list[OpenMember]:
    """Return the members that explain the data best.

    Parameters
    ----------
    known : Observation
        The data.
    everywhere : Observation
        Points the members are wanted on.
    """
    chosen, prior, posterior = _chosen(known)
    rows, slope = _with_slope(chosen, everywhere)
    shared = deviating_columns(everywhere, *DEVIATION)
    level = LEVEL_SPREAD * everywhere.whiten(np.ones(everywhere.frequency_hz.size, dtype=np.complex128))
    speaks = np.ones(everywhere.frequency_hz.size, dtype=bool)
    return [
        OpenMember(
            float(prior[c]),
            float(posterior[c]),
            LinearCandidate(rows[c], np.column_stack([level, everywhere.whiten(slope[c]), shared]), speaks),
        )
        for c in range(prior.size)
    ]


def _chosen(known: Observation) -> tuple[Family, FloatArray, FloatArray]:
    """Return the members with their prior and their share, logarithms (C,); judged by a few of the points."""
    size = known.frequency_hz.size
    spread = np.unique(np.linspace(0, size - 1, min(size, _CHOSEN_BY)).round().astype(int))
    some, everyone = some_points(known, spread), family()
    rows, slope = _with_slope(everyone, some)
    level = LEVEL_SPREAD * some.whiten(np.ones(some.frequency_hz.size, dtype=np.complex128))
    columns = np.column_stack([level, deviating_columns(some, *DEVIATION)])
    inverse = np.linalg.inv(lower_factor(np.column_stack([np.eye(columns.shape[0]), columns])))
    residual = some.whiten(some.log_reluctivity - rows) @ inverse.T
    corner = some.whiten(slope) @ inverse.T
    rr, rc, cc = (
        np.einsum("cp,cp->c", a, b) for a, b in ((residual, residual), (residual, corner), (corner, corner))
    )
    prior = logsumexp(everyone.log_weight, axis=0)
    fit = prior - 0.5 * (rr - rc**2 / (1 + cc) + np.log1p(cc))
    best = np.argsort(-fit)[:MEMBERS]
    members = Family(
        everyone.level[best],
        everyone.product_hz[best],
        everyone.shape[best],
        everyone.classes,
        everyone.log_weight[:, best],
    )
    return members, np.asarray(prior[best]), np.asarray(fit[best] - logsumexp(fit[best]))


def _family_rows(members: Family, observation: Observation, factor: float = 1.0) -> ComplexArray:
    permeability = members.permeability(observation.frequency_hz / factor)
    return reading_rows(log_reluctivity(permeability), observation)


def _with_slope(members: Family, observation: Observation) -> tuple[ComplexArray, ComplexArray]:
    """Rows of the members (C, P) and their slope over the corner, for half the distance of two members."""
    rows, half = _family_rows(members, observation), _HALF_STEP
    ahead = _family_rows(members, observation, float(np.exp(half)))
    back = _family_rows(members, observation, float(np.exp(-half)))
    return rows, (ahead - back) / 2
