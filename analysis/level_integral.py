"""Level parameters of a candidate integrated in closed form.

A candidate predicts the whitened data as y = τ(u·m + g·e) + noise with covariance I + Ũ Ũᵀ, where u = 1/s is
the inverse scale, g the gap ratio and τ = (N/N′)² the effect of a wrong turn count. With Gaussian u and g
the marginal likelihood follows from the quadratic forms of y, m and e alone (linear Gaussian model, e.g.
C. M. Bishop, *Pattern Recognition and Machine Learning* (2006), eq. 2.115; from memory).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import log_ndtr

from whichcore.analysis.reach import Reach
from whichcore.analysis.types import FloatArray


#: Standard deviations at which the prior of the inverse scale ends. Practice.
SUPPORT = 4.0


@dataclass(frozen=True, slots=True)
class Forms:
    """Quadratic forms under the inverse covariance; arrays broadcast over candidates.

    Attributes
    ----------
    yy, ye, ee : float array
        Of the data, and of the gap vector (depend on the points used only).
    my, me, mm : float array
        Of the candidate's curve with the data, the gap vector and itself.
    log_det : float array
        ln det of the covariance over the points used.
    """

    yy: FloatArray
    ye: FloatArray
    ee: FloatArray
    my: FloatArray
    me: FloatArray
    mm: FloatArray
    log_det: FloatArray


@dataclass(frozen=True, slots=True)
class Whitened:
    """Whitened data, common columns and gap vector of one observation.

    Attributes
    ----------
    data, gap : float array (2P,)
    columns : float array (2P, K)
    """

    data: FloatArray
    gap: FloatArray
    columns: FloatArray


def quadratic_forms(model: FloatArray, reach: Reach, whitened: Whitened) -> Forms:
    """Compute the forms for candidates that may each speak on other points.

    Parameters
    ----------
    model : float array (C, 2P)
        Whitened predictions, zero where a candidate is silent.
    reach : Reach
        On which points each of the C candidates speaks.
    whitened : Whitened

    Returns
    -------
    Forms
        Arrays of shape (C,).
    """
    out = np.empty((7, model.shape[0]))
    projected = model @ whitened.columns
    for pattern, rows in reach.patterns():
        mask = np.tile(pattern.mask(whitened.data.size // 2), 2)
        out[:, rows] = _forms_of_pattern(model[rows], projected[rows], mask, whitened)
    return Forms(*out)


def _forms_of_pattern(
    model: FloatArray, projected: FloatArray, mask: NDArray[np.bool_], whitened: Whitened
) -> FloatArray:
    data, gap = whitened.data * mask, whitened.gap * mask
    columns = whitened.columns * mask[:, None]
    inner = InnerFactor(columns.T @ columns)
    by, be = inner.apply(columns.T @ data), inner.apply(columns.T @ gap)
    bm = inner.apply(projected)
    out = np.empty((7, model.shape[0]))
    out[0] = data @ data - by @ by
    out[1] = data @ gap - by @ be
    out[2] = gap @ gap - be @ be
    out[3] = model @ data - bm @ by
    out[4] = model @ gap - bm @ be
    out[5] = np.einsum("cp,cp->c", model, model) - np.einsum("ck,ck->c", bm, bm)
    out[6] = inner.log_det
    return out


class InnerFactor:
    """Factor of I + ŨᵀŨ, the small matrix of the Woodbury identity."""

    def __init__(self, gram: FloatArray) -> None:
        factor = np.linalg.cholesky(np.eye(gram.shape[0]) + gram)
        self._inverse = np.linalg.inv(factor)
        self.log_det = float(2 * np.log(np.diag(factor)).sum())

    def apply(self, projected: FloatArray) -> FloatArray:
        """Return L⁻¹ v for rows v (..., K), so that vᵀ(I + ŨᵀŨ)⁻¹w is a plain product."""
        return np.asarray(projected @ self._inverse.T)


@dataclass(frozen=True, slots=True)
class LevelPrior:
    """Gaussian priors of the inverse scale u and the gap ratio g, and the effect τ of the turn count.

    All fields broadcast against the candidates; a standard deviation of zero fixes the parameter.
    """

    u_mean: FloatArray
    u_sd: FloatArray
    gap_mean: float = 0.0
    gap_sd: float = 0.0
    tau: float = 1.0


@dataclass(frozen=True, slots=True)
class _Normal:
    """Normal equations in unit-variance parameters: design τ(su·m, sg·e), right-hand side b, matrix I + A."""

    chi2: FloatArray
    b0: FloatArray
    b1: FloatArray
    a00: FloatArray
    a01: FloatArray
    a11: FloatArray

    @property
    def determinant(self) -> FloatArray:
        return self.a00 * self.a11 - self.a01**2


def _normal_equations(forms: Forms, prior: LevelPrior) -> _Normal:
    tau, u0, g0 = prior.tau, prior.u_mean, prior.gap_mean
    scale_u, scale_g = tau * prior.u_sd, tau * prior.gap_sd
    model_model = u0**2 * forms.mm + 2 * u0 * g0 * forms.me + g0**2 * forms.ee
    return _Normal(
        chi2=forms.yy - 2 * tau * (u0 * forms.my + g0 * forms.ye) + tau**2 * model_model,
        b0=scale_u * (forms.my - tau * (u0 * forms.mm + g0 * forms.me)),
        b1=scale_g * (forms.ye - tau * (u0 * forms.me + g0 * forms.ee)),
        a00=1 + scale_u**2 * forms.mm,
        a01=scale_u * scale_g * forms.me,
        a11=1 + scale_g**2 * forms.ee,
    )


def log_likelihood(forms: Forms, prior: LevelPrior) -> FloatArray:
    """Marginal log-likelihood over u and g, up to a constant that depends on the points used only.

    The prior of u ends at SUPPORT standard deviations: the integral over the support is the integral over
    everything times the posterior probability of the support, so that a curve cannot win by a level nobody
    believes in (a negative one, say) because its rivals fit worse still.

    Returns
    -------
    float array
        Broadcast shape of the forms and the prior.
    """
    n = _normal_equations(forms, prior)
    gain = (n.a11 * n.b0**2 - 2 * n.a01 * n.b0 * n.b1 + n.a00 * n.b1**2) / n.determinant
    # posterior of u in units of its prior: mean and standard deviation
    mean = (n.a11 * n.b0 - n.a01 * n.b1) / n.determinant
    sd = np.sqrt(n.a11 / n.determinant)
    inside = _log_probability_between((-SUPPORT - mean) / sd, (SUPPORT - mean) / sd)
    return np.asarray(-0.5 * (n.chi2 - gain + np.log(n.determinant) + forms.log_det) + inside)


def _log_probability_between(low: FloatArray, high: FloatArray) -> FloatArray:
    """Log of the standard normal probability between two limits, far tails included."""
    flip = low > 0
    a, b = np.where(flip, -high, low), np.where(flip, -low, high)
    log_a, log_b = log_ndtr(a), log_ndtr(b)
    return np.asarray(log_b + np.log1p(-np.exp(log_a - log_b)))


def posterior_level(forms: Forms, prior: LevelPrior) -> tuple[FloatArray, FloatArray]:
    """Posterior means of u and g under the same model."""
    n = _normal_equations(forms, prior)
    u = prior.u_mean + prior.u_sd * (n.a11 * n.b0 - n.a01 * n.b1) / n.determinant
    g = prior.gap_mean + prior.gap_sd * (n.a00 * n.b1 - n.a01 * n.b0) / n.determinant
    return np.asarray(u), np.asarray(g)
