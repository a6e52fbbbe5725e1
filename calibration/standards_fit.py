"""Solving the equations of the standards for M, with what each of them contributes.

Three equations fix (a, b, c, d) but for its length. More are fitted by weighted least squares. What a
residual may be is no circle: a capacitor of one percent is uncertain along its own reactance and, across it,
in phase, known to a tenth of a milliradian. So each complex residual is weighted by the inverse of its 2×2
covariance, which makes the fit one in real numbers: with v₀ the vector so far and B a basis of what is
orthogonal to it, v = v₀ + B u, and the real and imaginary parts of u, six in all, solve the whitened
equations. The step is repeated, as basis and covariances hang on v₀. (Gauss–Newton on homogeneous equations;
derived here, no source.)
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from whichcore.analysis.types import ComplexArray, FloatArray
from whichcore.calibration.least_squares import Equation

_STEPS = 6  # of the repeated fit; it settles in three or four
_CHECKED = 1e-9  # share of an equation's variance left over below which nothing checks it


@dataclass(frozen=True, slots=True)
class Fit:
    """Solution of N equations at F frequencies.

    Attributes
    ----------
    vector : complex array (F, 4)
        (a, b, c, d) of norm one, for scaled equations.
    response : complex array (F, 4, N, 2)
        Change of the vector for a change of the real and of the imaginary part of each equation's residual.
    condition : float array (F,)
        Largest over third singular value of the rows, each of norm one.
    leverage : float array (N, F)
        Share of each equation in its own fitted value; 1 means nothing checks it.
    misfit : float array (N, F)
        |residual|, whitened, over its root mean square expected after the fit; zero for three standards.
    """

    vector: ComplexArray
    response: ComplexArray
    condition: FloatArray
    leverage: FloatArray
    misfit: FloatArray

    def moved(self, index: int, change: ComplexArray) -> ComplexArray:
        """Return the change of the vector, (F, 4), for a change (F,) of one equation's residual."""
        real, imag = self.response[:, :, index, 0], self.response[:, :, index, 1]
        return np.asarray(real * change.real[:, None] + imag * change.imag[:, None])


def fit(equations: Sequence[Equation]) -> Fit:
    """Solve N equations, three or more, for M.

    The uncertainty is that of the linearised fit, neglecting products of residual and error.
    """
    rows = np.stack([item.row for item in equations], axis=1)
    u, s, vh = np.linalg.svd(rows)
    condition = s[:, 0] / s[:, 2]
    vector = np.asarray(vh[:, 3].conj())
    if len(equations) > 3:
        return _weighted(equations, rows, vector, condition)
    inverse = (np.swapaxes(vh[:, :3].conj(), 1, 2) / s[:, None, :3]) @ np.swapaxes(u.conj(), 1, 2)
    return Fit(
        vector=vector,
        response=np.stack([-inverse, -1j * inverse], axis=-1),
        condition=condition,
        leverage=np.ones((3, vector.shape[0])),
        misfit=np.zeros((3, vector.shape[0])),
    )


def _weighted(
    equations: Sequence[Equation], rows: ComplexArray, vector: ComplexArray, condition: FloatArray
) -> Fit:
    for _ in range(_STEPS):
        whitener = _whitener(equations, vector)
        basis = _orthogonal(vector)
        q, r = np.linalg.qr(_whitened(whitener, _real_form(rows @ basis)))
        left = _whitened(whitener, _parts(np.einsum("fni,fi->fn", rows, vector))[..., None])
        step = np.linalg.solve(r, np.swapaxes(q, 1, 2) @ left)[..., 0]
        vector = vector - np.einsum("fij,fj->fi", basis, step[:, :3] + 1j * step[:, 3:])
        vector = vector / np.linalg.norm(vector, axis=1, keepdims=True)
    points, count = rows.shape[:2]
    back = np.swapaxes(q.reshape(points, count, 2, 6), 2, 3) @ whitener  # (F, N, 6, 2)
    solved = np.linalg.solve(r, np.swapaxes(back, 1, 2).reshape(points, 6, 2 * count))
    response = -basis @ (solved[:, :3] + 1j * solved[:, 3:])
    leverage = (q**2).sum(axis=2).reshape(points, count, 2).mean(axis=2)
    whole = _whitened(whitener, _parts(np.einsum("fni,fi->fn", rows, vector))[..., None])
    size = np.sqrt((whole[..., 0] ** 2).reshape(points, count, 2).mean(axis=2))
    return Fit(
        vector=vector,
        response=response.reshape(points, 4, count, 2),
        condition=condition,
        leverage=leverage.T,
        misfit=_over_expected(size, leverage).T,
    )


def _over_expected(size: FloatArray, leverage: FloatArray) -> FloatArray:
    left = 1 - leverage
    checked = left > _CHECKED  # an equation nothing checks has no misfit; its residual is rounding
    return np.where(checked, size / np.sqrt(np.where(checked, left, 1.0)), 0.0)


def _whitener(equations: Sequence[Equation], vector: ComplexArray) -> FloatArray:
    """Return the inverse Cholesky factors of the residuals' covariances, (F, N, 2, 2)."""
    covariance = np.stack([item.residual_covariance(vector) for item in equations], axis=1)
    return np.asarray(np.linalg.inv(np.linalg.cholesky(covariance)))


def _orthogonal(vector: ComplexArray) -> ComplexArray:
    """Return an orthonormal basis, (F, 4, 3), of what is orthogonal to a vector of norm one."""
    return np.asarray(np.swapaxes(np.linalg.svd(vector.conj()[:, None, :])[2][:, 1:].conj(), 1, 2))


def _parts(values: ComplexArray) -> FloatArray:
    """Return real and imaginary part in turn: (F, N) to (F, 2N)."""
    return np.stack([values.real, values.imag], axis=-1).reshape(values.shape[0], -1)


def _real_form(matrix: ComplexArray) -> FloatArray:
    """Return a complex matrix (F, N, K) as the real one (F, 2N, 2K) on (Re u, Im u)."""
    real = np.concatenate([matrix.real, -matrix.imag], axis=-1)
    imag = np.concatenate([matrix.imag, matrix.real], axis=-1)
    points, count = matrix.shape[:2]
    return np.stack([real, imag], axis=2).reshape(points, 2 * count, -1)


def _whitened(whitener: FloatArray, values: FloatArray) -> FloatArray:
    """Apply the whitener of each equation to rows (F, 2N, K)."""
    points, count = whitener.shape[:2]
    return np.asarray((whitener @ values.reshape(points, count, 2, -1)).reshape(points, 2 * count, -1))
