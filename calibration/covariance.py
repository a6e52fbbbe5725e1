"""Covariance of complex numbers through their real and imaginary parts.

A complex-linear form α δA + β δB of two noisy phasors is a real 2×4 matrix J acting on
(Re A, Im A, Re B, Im B); its covariance is the real 2×2 matrix J K Jᵀ. That keeps noise that is not circular,
which a single complex variance (the Hermitian form) would lose.
"""

from __future__ import annotations

import numpy as np

from whichcore.analysis.types import ComplexArray, FloatArray


def real_form(alpha: ComplexArray, beta: ComplexArray) -> FloatArray:
    """Return the real matrix of α δA + β δB.

    Parameters
    ----------
    alpha, beta : complex array (F,)

    Returns
    -------
    float array (F, 2, 4)
        Acting on (Re δA, Im δA, Re δB, Im δB), giving (Re, Im).
    """
    real = np.stack([alpha.real, -alpha.imag, beta.real, -beta.imag], axis=-1)
    imag = np.stack([alpha.imag, alpha.real, beta.imag, beta.real], axis=-1)
    return np.stack([real, imag], axis=-2)


def of_form(alpha: ComplexArray, beta: ComplexArray, covariance: FloatArray) -> FloatArray:
    """Return the covariance, float array (F, 2, 2), of α δA + β δB; ``covariance`` is (F, 4, 4)."""
    jacobian = real_form(alpha, beta)
    return np.asarray(jacobian @ covariance @ np.swapaxes(jacobian, -1, -2))


def columns(covariance: FloatArray) -> tuple[ComplexArray, ComplexArray]:
    """Split a covariance into two independent complex columns.

    The columns l1, l2 are those of the Cholesky factor read as complex numbers, so that l1 ξ1 + l2 ξ2 with
    independent unit-variance ξ has the covariance given. A singular matrix is allowed.

    Parameters
    ----------
    covariance : float array (F, 2, 2)
        Symmetric, positive semi-definite.

    Returns
    -------
    (complex array (F,), complex array (F,))
    """
    first = np.sqrt(covariance[:, 0, 0])
    with np.errstate(divide="ignore", invalid="ignore"):
        mixed = np.where(first > 0, covariance[:, 0, 1] / first, 0.0)
    # rounding alone can leave a singular matrix a few ulp below zero here
    second = np.sqrt(np.maximum(covariance[:, 1, 1] - mixed**2, 0.0))
    return first + 1j * mixed, 1j * second
