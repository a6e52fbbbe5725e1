"""Factor of a covariance from its square root, where a source may dwarf the noise by any amount."""

from __future__ import annotations

import numpy as np

from whichcore.analysis.types import FloatArray


def lower_factor(root: FloatArray) -> FloatArray:
    """Return the Cholesky factor of a covariance of which a square root is at hand.

    The product is never formed: where one column dwarfs the others (a winding of thousands of turns near its
    resonance) it has lost the smaller ones to rounding, and is no longer positive definite. Of the QR
    decomposition Aᵀ = QR follows A Aᵀ = Rᵀ R (e.g. G. H. Golub and C. F. Van Loan, *Matrix Computations*,
    section 5.2, from memory).

    Parameters
    ----------
    root : float array (n, m)
        A, with A Aᵀ the covariance and m ≥ n.

    Returns
    -------
    float array (n, n)
        Lower triangle L with L Lᵀ = A Aᵀ and no negative diagonal.
    """
    upper = np.asarray(np.linalg.qr(root.T, mode="r"))
    return np.asarray(upper.T * np.where(np.diag(upper) < 0, -1.0, 1.0))


def root_of(own: FloatArray, shared: FloatArray) -> FloatArray:
    """Join blocks (P, 2, 2) of each point and shared columns (2P, q) to a square root of the covariance."""
    alone = np.zeros((shared.shape[0], shared.shape[0]))
    at = np.arange(own.shape[0]) * 2
    for i in (0, 1):
        for j in (0, 1):
            alone[at + i, at + j] = own[:, i, j]
    return np.concatenate([alone, shared], axis=1)
