"""Some materials under one piece of the gap prior: what the data say at each corner shift and exponent."""

from __future__ import annotations

from dataclasses import dataclass, fields, replace

import numpy as np
from numpy.typing import NDArray

from whichcore.analysis.first_look import IMPOSSIBLE
from whichcore.analysis.level_integral import (
    LevelPrior,
    Products,
    log_likelihood,
    log_sum,
    posterior_level,
)
from whichcore.analysis.types import FloatArray


@dataclass(frozen=True, slots=True)
class Piece:
    """Products and priors of M materials at S corner shifts and J exponents, under A amplitudes of deviation.

    Attributes
    ----------
    products : Products
        Of residual, level and gap, (A, M, S, 1); the corner within its cell integrated.
    gram : float array (V, V, A, M, S)
        Inner products of residual, level, gap if any, and corner.
    cell : float
        Standard deviation of the corner within its cell, in ln f.
    prior : LevelPrior
    log_weight : float array (A, M, S, J)
        Log prior; IMPOSSIBLE where nothing was evaluated.
    theta0 : float array (M, S, 1)
        Level about which a gap is linearised.
    near : bool array (M, S)
        What was evaluated.
    """

    products: Products
    gram: FloatArray
    cell: float
    prior: LevelPrior
    log_weight: FloatArray
    theta0: FloatArray
    near: NDArray[np.bool_]

    def of(self, position: int) -> Piece:
        """Return the piece of one of its materials."""
        one = slice(position, position + 1)
        prior = self.prior
        return replace(
            self,
            products=Products(*(getattr(self.products, f.name)[:, one] for f in fields(Products))),
            gram=self.gram[..., one, :],
            prior=LevelPrior(prior.theta_mean[one], prior.theta_sd[one], prior.gamma_sd, prior.gamma_support),
            log_weight=self.log_weight[:, one],
            theta0=self.theta0[one],
            near=self.near[one],
        )

    def log_joint(self, log_tau: float | FloatArray) -> FloatArray:
        """Return the log of likelihood and prior, (…, A, M, S, J); IMPOSSIBLE where nothing was evaluated.

        Mostly few cells were: only these are worked out, one behind the other as materials (C) of one shift.
        """
        products, prior, near = self.products, self.prior, self.near
        if near.all():
            return np.asarray(log_likelihood(products.with_turns(log_tau), prior) + self.log_weight)
        rows = Products(*(getattr(products, f.name)[:, near][:, :, None] for f in fields(Products)))
        level = replace(
            prior, theta_mean=prior.theta_mean[near][:, None], theta_sd=prior.theta_sd[near][:, None]
        )
        found = log_likelihood(rows.with_turns(log_tau), level) + self.log_weight[:, near][:, :, None]
        out = np.full((*found.shape[:-3], *self.log_weight.shape[1:]), IMPOSSIBLE)
        out[..., near, :] = found[..., 0, :]
        return out

    def moments(self, log_tau: float) -> FloatArray:
        """Return (1, mean of θ, mean of θ²) over all A, M, S and J."""
        products = self.products.with_turns(log_tau)
        joint = self.log_joint(log_tau)
        weight = np.exp(joint - log_sum(joint, (0, 1, 2, 3)))
        theta, _, variance = posterior_level(products, self.prior)
        theta = self.theta0 + theta
        square = theta**2 + variance
        return np.array([1.0, (weight * theta).sum(), (weight * square).sum()])

    def level(self, log_tau: float) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Posterior means of θ, of ln(gap/median) and of the shift within its cell, (A, M, S, J)."""
        theta, gamma, _ = posterior_level(self.products.with_turns(log_tau), self.prior)
        gamma = np.broadcast_to(gamma, theta.shape)
        corner = self.gram[-1][..., None]
        left = corner[0] - (log_tau + theta) * corner[1]
        if corner.shape[0] > 3:
            left = left - (log_tau + gamma) * corner[2]
        return self.theta0 + theta, gamma, self.cell**2 * left / (1 + self.cell**2 * corner[-1])


def scattered(values: FloatArray, near: NDArray[np.bool_]) -> FloatArray:
    """Put values (…, C) in their places (…, M, S); zero elsewhere."""
    out = np.zeros((*values.shape[:-1], *near.shape))
    out[..., near] = values
    return out
