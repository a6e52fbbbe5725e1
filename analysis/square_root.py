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
