"""A calibration between its frequencies, with what that adds to its uncertainty.

M is fixed but for a common factor at each frequency, so the factor is settled before anything is compared.
Around each wanted frequency the nearest calibrated M, its rows scaled to equal norm, is the reference R, and
every neighbour is divided by its share along it: ⟨R, M⟩ = 1. That is a ratio of smooth functions whatever
the wiring or model, and no element that may be zero is divided by. Errors δM lose their part along M in the
same step, as it moves no impedance; what is left is the derivative of the settled M.

Between the points a cubic through four of them, in f itself: the elements of M of leads, shunt and inputs are
polynomials and quotients of low order in jω, with which that is nearly exact. The next term of the
polynomial, from a fifth point on either side, is stated as the error, for both rows apart and in both phases
(derived here, no source).
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from itertools import groupby
from typing import TYPE_CHECKING, TypeVar

import numpy as np
from numpy.typing import NDArray

from whichcore.analysis.types import ComplexArray, FloatArray, Scope
from whichcore.calibration.checks import check_grid, require
from whichcore.calibration.perturbation import Perturbation
from whichcore.wording import in_percent

if TYPE_CHECKING:
    from whichcore.calibration.error_model import ErrorModel

    Model = TypeVar("Model", bound=ErrorModel)

INTERPOLATION = "interpolation of"  # in the ids of its errors
NODES, MORE = 4, 5  # points of the cubic, and with the one that judges it
WIDEST = 2.0  # ratio of neighbouring frequencies: what lies between is unseen; practice
LARGEST = 0.01  # of M: the next term, beyond which the polynomial does not converge; practice


def interpolated(model: Model, frequency_hz: FloatArray) -> Model:
    """Return the model on another grid; see ``ErrorModel.on``."""
    wanted = np.asarray(frequency_hz, dtype=float)
    check_grid(wanted)
    own = model.frequency_hz
    nearest = _nearest(own, wanted)
    known = own[nearest] == wanted
    if known.all():
        return _taken(model, nearest)
    new = np.flatnonzero(~known)
    grid = _Stencil.around(own, wanted, new)
    settled = _Settled.of(model.matrix, grid)
    errors = settled.next_term(grid)
    _refuse_coarse(errors, wanted[new], own)
    matrix = model.matrix[nearest].copy()
    matrix[new] = settled.unscaled(grid.weigh(settled.nodes))
    moved = _moved(model, settled, grid, (nearest, new))
    added = _added(model.calibration_id, settled.unscaled(errors), (new, wanted.size))
    beside = _beside(own, wanted)
    return replace(
        model,
        frequency_hz=wanted,
        matrix=matrix,
        perturbations=(*moved, *added),
        condition=model.condition[beside].max(axis=0),
        details=_details(model, beside) | {"interpolated": ~known},
    )


def _taken(model: Model, index: NDArray[np.intp]) -> Model:
    """Return some of the calibrated points, as they are."""
    if index.size == model.frequency_hz.size:
        return model
    return replace(
        model,
        frequency_hz=model.frequency_hz[index],
        matrix=model.matrix[index],
        perturbations=tuple(replace(item, matrix=item.matrix[index]) for item in model.perturbations),
        condition=model.condition[index],
        details=_details(model, np.stack([index, index])),
    )


def _details(model: ErrorModel, beside: NDArray[np.intp]) -> dict[str, NDArray[np.generic]]:
    """Keep what is judged point by point as the worse of both neighbours, and what was left out."""
    kept = {
        name: np.asarray(model.details[name], dtype=float)[:, beside].max(axis=1)
        for name in ("leverage", "misfit")
        if name in model.details
    }
    return kept | {name: value for name, value in model.details.items() if name.startswith("left_out")}


def _nearest(own: FloatArray, wanted: FloatArray) -> NDArray[np.intp]:
    below, above = _beside(own, wanted)
    return np.asarray(np.where(wanted / own[below] <= own[above] / wanted, below, above))


def _beside(own: FloatArray, wanted: FloatArray) -> NDArray[np.intp]:
    """Return the calibrated points at or below and at or above each frequency, (2, F); refuse beyond them."""
    outside = (wanted < own[0]) | (wanted > own[-1])
    require(
        not outside.any(),
        "this frequency lies outside the calibration",
        where=f"{wanted[np.argmax(outside)]:g} Hz",
        got=f"{outside.sum()} of {wanted.size} frequencies",
        allowed=f"{own[0]:g} to {own[-1]:g} Hz",
        next_step="calibrate the wider band, or narrow the sweep; nothing is stretched",
    )
    return np.stack([np.searchsorted(own, wanted, side="right") - 1, np.searchsorted(own, wanted)])


@dataclass(frozen=True, slots=True)
class _Stencil:
    """Six calibrated points around each new frequency, four of which carry the cubic.

    Attributes
    ----------
    nodes : int array (n, 6)
        The middle four carry it; an outer one beyond the band repeats its neighbour and has no weight.
    cubic : float array (n, 6)
    beyond : float array (2, n, 6)
        Quartic less cubic with the fifth point below or above; zero where there is none.
    nearest : int array (n,)
    share : float array (n, 6)
        Factor of the variances of the points' frozen noise; see ``_frozen``.
    """

    nodes: NDArray[np.intp]
    cubic: FloatArray
    beyond: FloatArray
    nearest: NDArray[np.intp]
    share: FloatArray

    @classmethod
    def around(cls, own: FloatArray, wanted: FloatArray, new: NDArray[np.intp]) -> _Stencil:
        f = wanted[new]
        below, above = _beside(own, f)
        _refuse_sparse(own, f, own[above] / own[below])
        start = np.clip(below - 1, 0, own.size - NODES)
        raw = start[:, None] + np.arange(-1, NODES + 1)
        nodes = np.clip(raw, 0, own.size - 1)
        x = own[nodes]
        cubic, lower, upper = np.zeros((3, *x.shape))
        cubic[:, 1:-1] = _lagrange(f, x[:, 1:-1])
        inside = raw == nodes
        for side, part in ((lower, slice(0, MORE)), (upper, slice(1, MORE + 1))):
            there = inside[:, part].all(axis=1)
            side[there, part] = _lagrange(f[there], x[there, part])
            side[there] -= cubic[there]
        used = np.zeros(own.size)
        np.add.at(used, nodes, abs(cubic))
        taken = np.isin(own, wanted)
        share = abs(cubic) * np.maximum(used + taken, 1.0)[nodes]
        return cls(nodes, cubic, np.stack([lower, upper]), _nearest(own, f), share)

    def weigh(self, values: ComplexArray) -> ComplexArray:
        """Return the cubic through values at the nodes, complex array (n, 6, 2, 2) to (n, 2, 2)."""
        return np.asarray(np.einsum("nk,nkij->nij", self.cubic, values))


def _lagrange(f: FloatArray, nodes: FloatArray) -> FloatArray:
    """Return the weights of the polynomial through the nodes, float array (n, m)."""
    apart = (f[:, None] - nodes) / f[:, None]
    span = (nodes[:, :, None] - nodes[:, None, :]) / f[:, None, None]
    count = nodes.shape[1]
    ratio = apart[:, None, :] / np.where(np.eye(count, dtype=bool), 1.0, span)
    ratio[:, np.arange(count), np.arange(count)] = 1.0
    return np.asarray(ratio.prod(axis=2))


@dataclass(frozen=True, slots=True)
class _Settled:
    """Matrices at the nodes with their common factor settled.

    Attributes
    ----------
    nodes : complex array (n, 6, 2, 2)
        Of norm near one.
    along : complex array (n, 6)
        The share each was divided by.
    reference : complex array (n, 2, 2)
    scale : float array (n, 2)
        What each row was divided by.
    """

    nodes: ComplexArray
    along: ComplexArray
    reference: ComplexArray
    scale: FloatArray

    @classmethod
    def of(cls, matrix: ComplexArray, grid: _Stencil) -> _Settled:
        reference = matrix[grid.nearest]
        scale = np.linalg.norm(reference, axis=2) * np.sqrt(2.0)
        reference = reference / scale[:, :, None]
        nodes = matrix[grid.nodes] / scale[:, None, :, None]
        along = np.einsum("nij,nkij->nk", reference.conj(), nodes)
        return cls(nodes / along[:, :, None, None], along, reference, scale)

    def error(self, change: ComplexArray) -> ComplexArray:
        """Return the change of the settled matrices, complex array (n, 6, 2, 2), for one of M, unsettled."""
        scaled = change / self.scale[:, None, :, None] / self.along[:, :, None, None]
        part = np.einsum("nij,nkij->nk", self.reference.conj(), scaled)
        return np.asarray(scaled - part[:, :, None, None] * self.nodes)

    def next_term(self, grid: _Stencil) -> ComplexArray:
        """Return the next term of the polynomial, complex array (n, 2, 2), each row from its worse side.

        Where the two sides disagree the term changes fast, and is made longer by as much.
        """
        sides = np.einsum("snk,nkij->snij", grid.beyond, self.nodes)
        size = np.linalg.norm(sides, axis=3)
        both = (size > 0).all(axis=0)
        apart = np.where(both, np.linalg.norm(sides[1] - sides[0], axis=2), 0.0)
        longer = 1 + apart / np.where(both, size.max(axis=0), 1.0)
        worse = np.take_along_axis(sides, size.argmax(axis=0)[None, :, :, None], axis=0)[0]
        return np.asarray(worse * longer[:, :, None])

    def unscaled(self, values: ComplexArray) -> ComplexArray:
        return np.asarray(values * self.scale[:, :, None])


Places = tuple[NDArray[np.intp], NDArray[np.intp]]


def _moved(model: ErrorModel, settled: _Settled, grid: _Stencil, places: Places) -> list[Perturbation]:
    """Take the errors of the calibration to the new grid."""
    nearest, new = places
    done: list[Perturbation] = []
    for (_, frozen), group in groupby(model.perturbations, key=_family):
        items = list(group)
        errors = [settled.error(item.matrix[grid.nodes]) for item in items]
        between = _frozen(errors, grid) if frozen else [grid.weigh(error) for error in errors]
        for item, values in zip(items, between, strict=True):
            matrix = item.matrix[nearest].copy()
            matrix[new] = settled.unscaled(values)
            done.append(replace(item, matrix=matrix))
    return done


def _family(item: Perturbation) -> tuple[str, bool]:
    """Columns of one noise differ in the last character of their ids; other errors stand alone."""
    frozen = item.scope is Scope.SPECIMENS_POINT
    return (item.id[:-1] if frozen else item.id), frozen


def _frozen(columns: list[ComplexArray], grid: _Stencil) -> list[ComplexArray]:
    """Return as many columns of noise as are given, each complex array (n, 2, 2).

    A new point is the sum of its neighbours' frozen draws, times the weights w; new points near each other
    share draws, which sources that are independent from point to point cannot say. Instead of w² each
    variance is counted with |w| Σ|w|, the sum over all new points that use the neighbour (and itself, where
    it is swept too; at least 1): by the inequality of Cauchy and Schwarz no mean and no difference of new
    points then has too small a variance. The sum has nearly the direction of one point's noise; the few per
    cent in others are added to its length.
    """
    stacked = np.stack(columns, axis=2)  # (n, 6, columns, 2, 2)
    flat = stacked.reshape(*stacked.shape[:3], 4)
    real = np.concatenate([flat.real, flat.imag], axis=-1)
    spread = np.einsum("nk,nkci,nkcj->nij", grid.share, real, real)
    size, direction = np.linalg.eigh(spread)
    kept = np.maximum(size[:, -len(columns) :], 0.0)
    total, most = np.maximum(size, 0.0).sum(axis=1), kept.sum(axis=1)
    more = np.sqrt(total / np.where(most > 0, most, 1.0))
    found = direction[:, :, -len(columns) :] * (np.sqrt(kept) * more[:, None])[:, None, :]
    return [(part[:, :4] + 1j * part[:, 4:]).reshape(-1, 2, 2) for part in np.moveaxis(found, 2, 0)]


def _added(name: str, errors: ComplexArray, where: tuple[NDArray[np.intp], int]) -> list[Perturbation]:
    """State the error of the interpolation, each row and each phase on its own."""
    new, size = where
    found = []
    for row in range(2):
        for phase, turn in enumerate((1.0, 1j), 1):
            matrix = np.zeros((size, 2, 2), dtype=complex)
            matrix[new, row] = turn * errors[:, row]
            label = f"calibration {name}: {INTERPOLATION} {'pq'[row]}, {phase}"
            found.append(Perturbation(label, Scope.SPECIMENS, matrix))
    return [item for item in found if item.matrix.any()]


def _refuse_sparse(own: FloatArray, f: FloatArray, ratio: FloatArray) -> None:
    require(
        own.size >= MORE,
        "the calibration has too few frequencies to read it between them",
        where=f"{f[0]:g} Hz",
        got=f"{own.size}",
        allowed=f"{MORE} or more",
        next_step="calibrate at more points per decade, or sweep its own frequencies",
    )
    wide = ratio > WIDEST * (1 + 1e-9)
    require(
        not wide.any(),
        "the calibrated frequencies on both sides are too far apart",
        where=f"{f[np.argmax(wide)]:g} Hz",
        got=f"a ratio of {ratio.max():.3g}",
        allowed=f"up to {WIDEST:g}",
        next_step="calibrate at more points per decade, or sweep its own frequencies",
    )


def _refuse_coarse(errors: ComplexArray, f: FloatArray, own: FloatArray) -> None:
    size = np.linalg.norm(errors, axis=(1, 2))
    worst = int(np.argmax(size))
    density = (own.size - 1) / np.log10(own[-1] / own[0]) * (size[worst] / LARGEST) ** (1 / NODES)
    require(
        bool(size[worst] <= LARGEST),
        "the calibration bends or scatters too much from point to point to be read between them",
        where=f"{f[worst]:g} Hz",
        got=f"{in_percent(size[worst])} uncertain by the interpolation alone",
        allowed=f"up to {in_percent(LARGEST)}",
        next_step=f"calibrate at {np.ceil(density):.0f} points per decade or more, average longer, or sweep "
        "its own frequencies",
    )
