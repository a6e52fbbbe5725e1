"""Level parameters of a candidate integrated in closed form.

With θ = −ln(scale), γ = ln(gap ratio) and a small corner shift κ a candidate leaves the whitened residual
r − (θ − θ₀)·d − (γ − γ₀)·e − κ·c with covariance I + Ũ Ũᵀ. For Gaussian parameters the marginal likelihood
follows from the inner products of r, d, e and c alone (linear Gaussian model, e.g. C. M. Bishop, *Pattern
Recognition and Machine Learning* (2006), eq. 2.115; from memory). Without a gap d is one for every level row
and the expression is exact in θ; with a gap it is linearised.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.linalg.lapack import dtrtri
from scipy.special import log_ndtr, ndtr

from whichcore.analysis.reach import Pattern, Reach, Stretches
from whichcore.analysis.types import FloatArray

#: Standard deviations at which the prior of the level ends. Practice.
SUPPORT = 4.0
#: Standard deviations beyond which a normal law holds less than double precision shows. Computed: 1e-19.
_FAR = 9.0


@dataclass(frozen=True, slots=True)
class Products:
    """Inner products under the inverse covariance; arrays broadcast over candidates.

    Attributes
    ----------
    rr, rd, dd, re, de, ee : float array
        Of residual r, level vector d and gap vector e (the last three zero where there is no gap).
    log_det : float array
        ln det of the covariance over the points used.
    """

    rr: FloatArray
    rd: FloatArray
    dd: FloatArray
    re: FloatArray
    de: FloatArray
    ee: FloatArray
    log_det: FloatArray

    def with_turns(self, log_tau: float | FloatArray) -> Products:
        """Products when another turn count adds ln τ to every level row, that is to d + e."""
        return Products(
            rr=self.rr - 2 * log_tau * (self.rd + self.re) + log_tau**2 * (self.dd + 2 * self.de + self.ee),
            rd=self.rd - log_tau * (self.dd + self.de),
            dd=self.dd,
            re=self.re - log_tau * (self.de + self.ee),
            de=self.de,
            ee=self.ee,
            log_det=self.log_det,
        )


def inner_factors(grams: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Factor I + ŨᵀŨ = LLᵀ, the small matrix of the Woodbury identity.

    Parameters
    ----------
    grams : float array (N, K, K)
        ŨᵀŨ of N sets of points.

    Returns
    -------
    (inverse, log_det) : float array (N, K, K), float array (N,)
        L⁻ᵀ, so that vᵀ(I + ŨᵀŨ)⁻¹w is a plain product of rows vL⁻ᵀ, and ln det LLᵀ.
    """
    lower = np.asarray(np.linalg.cholesky(grams + np.eye(grams.shape[-1])), dtype=np.float64)
    log_det = 2 * np.log(np.diagonal(lower, axis1=1, axis2=2)).sum(axis=1)
    for one in lower:  # each in its place; the general inverse would take five times as long
        dtrtri(one.T, overwrite_c=1)
    return lower.transpose(0, 2, 1), log_det


def narrowed(columns: FloatArray) -> FloatArray:
    """Return no more columns than rows that stand for the same covariance.

    With Uᵀ = QR it is UUᵀ = RᵀR, and that of any of the rows with it. Few points need no larger factors than
    they have rows.
    """
    if columns.shape[1] <= columns.shape[0]:
        return columns
    return np.asarray(np.linalg.qr(columns.T, mode="r"), dtype=np.float64).T


class CommonFactors:
    """Factors for one set of whitened common columns (2P, K), one for each pattern of points, made once."""

    def __init__(self, columns: FloatArray) -> None:
        self.columns = columns
        self._places: dict[Pattern, int] = {}
        self._inverse = np.empty((0, columns.shape[1], columns.shape[1]))
        self._log_det = np.empty(0)

    def of(self, patterns: Sequence[Pattern]) -> tuple[FloatArray, FloatArray]:
        """Return L⁻ᵀ (N, K, K) and ln det of the covariance (N,) over the points of N patterns.

        New ones are made together: what their points share is multiplied out once.
        """
        new = [pattern for pattern in dict.fromkeys(patterns) if pattern not in self._places]
        if new:
            stretches = Stretches(self.columns.shape[0] // 2, new)
            inverse, log_det = inner_factors(stretches.products(self.columns.T, self.columns))
            self._places.update(zip(new, range(len(self._places), len(self._places) + len(new)), strict=True))
            self._inverse = np.concatenate([self._inverse, inverse])
            self._log_det = np.concatenate([self._log_det, log_det])
        places = [self._places[pattern] for pattern in patterns]
        return self._inverse[places], self._log_det[places]


class InnerFactor:
    """The factor of one set of whitened common columns (R, K)."""

    def __init__(self, columns: FloatArray) -> None:
        inverse, log_det = inner_factors((columns.T @ columns)[None])
        self._inverse, self.log_det = inverse[0], float(log_det[0])

    def apply(self, projected: FloatArray) -> FloatArray:
        """Return vL⁻ᵀ for rows v (..., K)."""
        return np.asarray(projected @ self._inverse)


class JointFactors:
    """Factors of A alternative sets of whitened common columns, made once for each pattern of points."""

    def __init__(self, alternatives: Sequence[CommonFactors]) -> None:
        self.columns = np.stack([one.columns for one in alternatives])
        self._single = alternatives

    @classmethod
    def of_columns(cls, columns: Sequence[FloatArray]) -> JointFactors:
        """Return the factors of sets of columns that may differ in number."""
        columns = [narrowed(one) for one in columns]
        size = max(one.shape[1] for one in columns)
        # a column of zeros stands for a source of no effect
        return cls([CommonFactors(np.pad(one, ((0, 0), (0, size - one.shape[1])))) for one in columns])

    def last(self) -> JointFactors:
        """Return the last alternative alone; what is made for it is known to both."""
        return JointFactors(self._single[-1:])

    def of(self, patterns: Sequence[Pattern]) -> tuple[FloatArray, FloatArray]:
        """Return L⁻ᵀ (N, A, K, K) and ln det of the covariance (N, A) over the points of N patterns."""
        inverse, log_det = zip(*(one.of(patterns) for one in self._single), strict=True)
        return np.stack(inverse, axis=1), np.stack(log_det, axis=1)


def inner_products(
    vectors: tuple[FloatArray, ...], one: FloatArray, reach: Reach, factors: JointFactors
) -> tuple[FloatArray, FloatArray]:
    """Compute the inner products for candidates that may each speak on other points.

    Parameters
    ----------
    vectors : tuple of V float arrays (C, 2P)
        Whitened; zero where a candidate is silent.
    one : float array (2P,)
        One more vector, the same for all candidates where they speak.
    reach : Reach
        Of the C candidates.
    factors : JointFactors
        Of A alternative covariances.

    Returns
    -------
    (gram, log_det) : float array (V + 1, V + 1, A, C), float array (A, C)
        Symmetric, ``one`` last; ln det of the covariance over the points each candidate uses.
    """
    patterns, members = zip(*reach.patterns(), strict=True)
    inverse, log_det = factors.of(patterns)
    masked = one * np.stack([np.tile(pattern.mask(one.size // 2), 2) for pattern in patterns])
    level = (masked @ factors.columns).transpose(1, 0, 2)[:, :, None] @ inverse
    sizes = [rows.size for rows in members]
    order, pattern_of = np.concatenate(members), np.repeat(np.arange(len(patterns)), sizes)
    # candidates of one pattern stand together, so that each factor is applied in place
    ordered = [vector[order] for vector in vectors]
    parts = [_applied(vector @ factors.columns, inverse, sizes) for vector in ordered]
    plain = _gram(ordered, [vector @ one for vector in ordered])
    plain[-1, -1] = np.einsum("np,np->n", masked, masked)[pattern_of]
    along = level[:, :, 0].transpose(1, 0, 2)[:, pattern_of]
    taken = _gram(parts, [np.einsum("acp,acp->ac", part, along) for part in parts])
    taken[-1, -1] = np.square(level[:, :, 0]).sum(axis=2).T[:, pattern_of]
    gram, out = np.empty_like(taken), np.empty(taken.shape[2:])
    gram[..., order] = plain[:, :, None] - taken
    out[:, order] = log_det.T[:, pattern_of]
    return gram, out


def _applied(projected: FloatArray, inverse: FloatArray, sizes: Sequence[int]) -> FloatArray:
    """Apply to rows (A, C, K), so many of each pattern, its L⁻ᵀ."""
    out, start = np.empty_like(projected), 0
    for factor, size in zip(inverse, sizes, strict=True):
        rows = slice(start, start + size)
        np.matmul(projected[:, rows], factor, out=out[:, rows])
        start += size
    return out


def _gram(vectors: Sequence[FloatArray], with_one: Sequence[FloatArray]) -> FloatArray:
    """Inner products (V + 1, V + 1, …) of rows with each other and with one more; its own is left open."""
    count = len(vectors)
    out = np.empty((count + 1, count + 1, *vectors[0].shape[:-1]))
    for i, a in enumerate(vectors):
        out[i, count] = out[count, i] = with_one[i]
        for j, b in enumerate(vectors[: i + 1]):
            out[i, j] = out[j, i] = np.einsum("...p,...p->...", a, b)
    return out


def marginalise_last(gram: FloatArray, log_det: FloatArray, variance: float) -> tuple[FloatArray, FloatArray]:
    """Integrate over the amplitude of the last vector, Gaussian of mean zero and the given variance.

    Sherman–Morrison: the covariance grows by variance·c cᵀ.
    """
    last = gram[-1]
    growth = 1 + variance * last[-1]
    reduced = gram[:-1, :-1] - variance * last[:-1, None] * last[None, :-1] / growth
    return reduced, log_det + np.log(growth)


def products_of(gram: FloatArray, log_det: FloatArray) -> Products:
    """Name the entries of the Gram matrix of residual, level and, if it is there, gap vector."""
    zero = np.zeros_like(log_det)
    gap = gram[2] if gram.shape[0] > 2 else np.stack([zero, zero, zero])
    return Products(gram[0, 0], gram[0, 1], gram[1, 1], gap[0], gap[1], gap[2], log_det)


@dataclass(frozen=True, slots=True)
class LevelPrior:
    """Gaussian priors of θ − θ₀ and γ − γ₀; a standard deviation of zero fixes γ. Fields broadcast.

    That of θ ends SUPPORT standard deviations from its mean, that of γ ``gamma_support``.
    """

    theta_mean: FloatArray
    theta_sd: FloatArray
    gamma_sd: float = 0.0
    gamma_support: float = SUPPORT


@dataclass(frozen=True, slots=True)
class _Normal:
    """Normal equations in unit-variance parameters.

    Where γ is fixed b1 and a01 are zero and a11 is one, as plain numbers that cost nothing: most candidates
    have no gap.
    """

    chi2: FloatArray
    b0: FloatArray
    b1: FloatArray | float
    a00: FloatArray
    a01: FloatArray | float
    a11: FloatArray | float
    determinant: FloatArray

    @property
    def theta(self) -> FloatArray:
        """Posterior mean of θ, in standard deviations of its prior."""
        if isinstance(self.b1, float):
            return self.b0 / self.determinant
        return np.asarray((self.a11 * self.b0 - self.a01 * self.b1) / self.determinant)

    @property
    def gamma(self) -> FloatArray:
        """That of γ."""
        return np.asarray((self.a00 * self.b1 - self.a01 * self.b0) / self.determinant)


def _normal_equations(p: Products, prior: LevelPrior) -> _Normal:
    mean, sd, sg = prior.theta_mean, prior.theta_sd, prior.gamma_sd
    twice = mean * p.dd
    chi2 = p.rr + mean * (twice - 2 * p.rd)
    b0, a00 = sd * (p.rd - twice), 1 + sd**2 * p.dd
    if sg == 0:
        return _Normal(chi2, b0, 0.0, a00, 0.0, 1.0, a00)
    a01, a11 = sd * sg * p.de, 1 + sg**2 * p.ee
    return _Normal(chi2, b0, sg * (p.re - mean * p.de), a00, a01, a11, a00 * a11 - a01**2)


def log_sum(values: FloatArray, axis: tuple[int, ...]) -> FloatArray:
    """Return the log of the sum of exponentials of finite values.

    scipy's, which also has to do for infinite and complex ones, takes most of its time in telling them apart.
    """
    largest = values.max(axis=axis, keepdims=True)
    total = np.exp(values - largest).sum(axis=axis)
    return np.asarray(np.log(total) + largest.squeeze(axis))


def log_likelihood(products: Products, prior: LevelPrior) -> FloatArray:
    """Marginal log-likelihood over θ and γ, up to a constant that depends on the points used only.

    The priors of θ and γ end at some standard deviations: the integral over the support is the integral
    over everything times the posterior probability of the support (of each alone), so that a curve cannot win
    by a level or a gap nobody believes in because its rivals fit worse still.

    Returns
    -------
    float array
        Broadcast shape of the products and the prior.
    """
    n = _normal_equations(products, prior)
    mean, sd = n.theta, np.sqrt(n.a11 / n.determinant)
    gain = n.b0 * mean
    inside = _log_probability_between((-SUPPORT - mean) / sd, (SUPPORT - mean) / sd)
    if prior.gamma_sd > 0:
        mean, sd = n.gamma, np.sqrt(n.a00 / n.determinant)
        gain = gain + n.b1 * mean
        end = prior.gamma_support
        inside = inside + _log_probability_between((-end - mean) / sd, (end - mean) / sd)
    constant = np.log(n.determinant) + products.log_det
    return np.asarray(inside - 0.5 * (n.chi2 - gain + constant))


def _log_probability_between(low: FloatArray, high: FloatArray) -> FloatArray:
    """Log of the standard normal probability between two limits, far tails included.

    Zero where both limits lie so far out that nothing of double precision is missing. Between limits on both
    sides of zero at least the logarithms of the tails are not needed, which take most of the time.
    """
    low, high = np.broadcast_arrays(low, high)
    out = np.zeros(low.shape)
    around = (low < 0) & (high > 0)
    beside = ~around
    around &= (low > -_FAR) | (high < _FAR)
    out[around] = np.log(1 - ndtr(low[around]) - ndtr(-high[around]))
    if beside.any():
        low, high = low[beside], high[beside]
        a, b = np.where(low > 0, -high, low), np.where(low > 0, -low, high)
        log_a, log_b = log_ndtr(a), log_ndtr(b)
        out[beside] = log_b + np.log1p(-np.exp(log_a - log_b))
    return out


def posterior_level(products: Products, prior: LevelPrior) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Posterior means of θ − θ₀ and γ − γ₀ under the same model, within their support; variance of θ."""
    n = _normal_equations(products, prior)
    theta = np.clip(n.theta, -SUPPORT, SUPPORT)
    end = prior.gamma_support
    gamma = np.clip(n.gamma, -end, end)
    variance = prior.theta_sd**2 * n.a11 / n.determinant
    return (
        np.asarray(prior.theta_mean + prior.theta_sd * theta),
        np.asarray(prior.gamma_sd * gamma),
        np.asarray(variance),
    )
