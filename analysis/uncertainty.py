"""Covariance from named sources: propagation, merging, budgets.

The model is that of :mod:`whichcore.analysis.types`: a complex quantity deviates by independent scatter of
2×2 covariance and by named sources with complex sensitivities. Everything here is first order in the errors,
as the GUM (JCGM 100:2008, 5.1.2 and 5.2.2; its matrix form JCGM 102:2011, 6.2.1) has it. Nothing is clamped:
a part that comes out negative inside its interval stays negative. Coverage intervals are in
:mod:`whichcore.analysis.coverage`.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, replace
from enum import StrEnum
from typing import NamedTuple, Protocol

import numpy as np

from whichcore.analysis.types import ComplexArray, ErrorSource, FloatArray, Scope
from whichcore.errors import AnalysisError

SCATTER = "scatter"
"""Id under which a budget lists the independent scatter."""


#: Scopes with an independent draw at each frequency, and scopes whose draw other sweeps share.
PER_POINT = frozenset({Scope.POINT, Scope.SPECIMENS_POINT})
ACROSS_SPECIMENS = frozenset({Scope.SPECIMENS, Scope.SPECIMENS_POINT})


class Quantity(Protocol):
    """What a budget needs to see of a sweep or a spectrum."""

    @property
    def frequency_hz(self) -> FloatArray:
        """Frequencies, (F,)."""

    @property
    def scatter(self) -> FloatArray:
        """Independent covariance of the real and imaginary part, (F, 2, 2)."""

    @property
    def sources(self) -> tuple[ErrorSource, ...]:
        """Named sources."""


class Part(StrEnum):
    """The part of a complex quantity a budget is drawn up for."""

    REAL = "real"
    IMAGINARY = "imaginary"


def _check_lengths(points: int, sources: Iterable[ErrorSource]) -> None:
    for source in sources:
        if np.shape(source.sensitivity) != (points,):
            raise AnalysisError(
                "a source must state one sensitivity per frequency",
                where=source.id,
                got=f"shape {np.shape(source.sensitivity)}",
                allowed=f"({points},)",
            )


def point_covariance(scatter: FloatArray, sources: Sequence[ErrorSource]) -> FloatArray:
    """Return the covariance of the real and imaginary part at each frequency, all sources included.

    Parameters
    ----------
    scatter : float array (F, 2, 2)
        Independent part, in the unit of the quantity squared.
    sources : sequence of ErrorSource
        Sensitivities (F,) in the unit of the quantity.

    Returns
    -------
    float array (F, 2, 2)
        Scatter + Σ s sᵀ (JCGM 102:2011, 6.2.1).

    Raises
    ------
    AnalysisError
        A sensitivity is not of shape (F,).
    """
    _check_lengths(len(scatter), sources)
    total = np.array(scatter, dtype=float)
    if sources:
        columns = np.stack([source.sensitivity for source in sources])
        parts = np.stack([np.real(columns), np.imag(columns)])
        total += np.einsum("ikf,jkf->fij", parts, parts)
    return total


def independent_covariance(scatter: FloatArray, sources: Sequence[ErrorSource]) -> FloatArray:
    """Return what is independent from point to point: scatter and per-point sources, (F, 2, 2).

    Together with :func:`common_columns` it gives the whole covariance: this on the 2×2 diagonal blocks, plus
    J Jᵀ.
    """
    return point_covariance(scatter, [source for source in sources if source.scope in PER_POINT])


class CommonColumns(NamedTuple):
    """The sources that points share, as the low-rank factor J of their covariance J Jᵀ.

    Attributes
    ----------
    matrix : float array (2F, K)
        Rows 0 … F−1 real parts, F … 2F−1 imaginary parts, in the unit of the quantity.
    ids : tuple of str
        Source of each column; one of scope RANGE appears as ``id[label]``.
    """

    matrix: FloatArray
    ids: tuple[str, ...]


def _masks(
    source: ErrorSource, range_labels: Sequence[str] | None, points: int
) -> list[tuple[str, FloatArray]]:
    """Return, for each independent draw of a source, its name and the points it acts on."""
    if source.scope is not Scope.RANGE or range_labels is None:
        return [(source.id, np.ones(points))]
    labels = np.asarray(range_labels)
    return [
        (f"{source.id}[{label}]", (labels == label).astype(float)) for label in dict.fromkeys(range_labels)
    ]


def common_columns(
    sources: Sequence[ErrorSource], range_labels: Sequence[str] | None = None, points: int | None = None
) -> CommonColumns:
    """Return the sources common to several points as columns.

    Parameters
    ----------
    sources : sequence of ErrorSource
        Those with a draw for each point are left out; they belong to :func:`independent_covariance`.
    range_labels : sequence of str (F,) or None
        Range pair of each point. None: the range never changed, so a RANGE source is one column.
    points : int or None
        F, needed only to size the empty result when there may be neither sources nor labels.

    Returns
    -------
    CommonColumns
        One column per SWEEP or SPECIMENS source, one per range for a RANGE source.

    Raises
    ------
    AnalysisError
        Sensitivities, or the labels, differ in length.
    """
    shared = [source for source in sources if source.scope not in PER_POINT]
    if range_labels is not None:
        points = len(range_labels)
    elif points is None:
        points = len(sources[0].sensitivity) if sources else 0
    _check_lengths(points, shared)
    columns, ids = [np.zeros((2 * points, 0))], []
    for source in shared:
        for name, mask in _masks(source, range_labels, points):
            masked = source.sensitivity * mask
            columns.append(np.concatenate([masked.real, masked.imag])[:, np.newaxis])
            ids.append(name)
    return CommonColumns(np.concatenate(columns, axis=1), tuple(ids))


def propagate(
    scatter: FloatArray, sources: Sequence[ErrorSource], derivative: ComplexArray
) -> tuple[FloatArray, tuple[ErrorSource, ...]]:
    """Carry scatter and sources through an analytic function by its complex derivative.

    Parameters
    ----------
    scatter : float array (F, 2, 2)
    sources : sequence of ErrorSource
    derivative : complex array (F,)
        dw/dz. The Cauchy–Riemann equations make its real Jacobian [[a, −b], [b, a]] for a + jb.

    Returns
    -------
    scatter : float array (F, 2, 2)
        M · scatter · Mᵀ with the Jacobian M.
    sources : tuple of ErrorSource
        Ids, scopes and distributions unchanged.
    """
    _check_lengths(len(scatter), sources)
    a, b = np.real(derivative), np.imag(derivative)
    jacobian = np.stack([np.stack([a, -b], axis=-1), np.stack([b, a], axis=-1)], axis=-2)
    carried = jacobian @ scatter @ np.swapaxes(jacobian, -1, -2)
    turned = tuple(replace(source, sensitivity=source.sensitivity * derivative) for source in sources)
    return carried, turned


def merge_sources(*groups: Sequence[ErrorSource]) -> tuple[ErrorSource, ...]:
    """Add the sensitivities of sources with equal ids; the others stay as they are, in order of appearance.

    Raises
    ------
    AnalysisError
        One id was given two scopes or two distributions: it can not be one cause.
    """
    merged: dict[str, ErrorSource] = {}
    for source in (source for group in groups for source in group):
        known = merged.get(source.id)
        if known is None:
            merged[source.id] = source
            continue
        if (known.scope, known.distribution) != (source.scope, source.distribution):
            raise AnalysisError(
                "two sources of one id disagree on what they are",
                where=source.id,
                got=f"{source.scope}, {source.distribution}",
                allowed=f"{known.scope}, {known.distribution}",
                next_step="give different causes different ids",
            )
        merged[source.id] = replace(known, sensitivity=known.sensitivity + source.sensitivity)
    return tuple(merged.values())


def _own(sources: Sequence[ErrorSource], name: str, factor: float) -> list[ErrorSource]:
    """Scale sources; give those that live within one sweep the name of that sweep."""
    return [
        replace(
            source,
            id=source.id if source.scope in ACROSS_SPECIMENS or not name else f"{name}/{source.id}",
            sensitivity=factor * source.sensitivity,
        )
        for source in sources
    ]


def difference(
    first: tuple[FloatArray, Sequence[ErrorSource]],
    second: tuple[FloatArray, Sequence[ErrorSource]],
    names: tuple[str, str] | None = ("first", "second"),
) -> tuple[FloatArray, tuple[ErrorSource, ...]]:
    """Return scatter and sources of ``first − second``, with what they share cancelled.

    Parameters
    ----------
    first, second : (scatter, sources)
        On the same frequencies.
    names : (str, str) or None
        Two sweeps: only sources shared across specimens are one cause in both; the rest are kept apart
        under these names. None: both were computed from one sweep, so equal ids are one cause whatever
        their scope and the scatter, which is then one cause too, can not be split here.

    Returns
    -------
    scatter : float array (F, 2, 2)
        The sum of both for two sweeps.
    sources : tuple of ErrorSource

    Raises
    ------
    AnalysisError
        ``names`` is None and both carry scatter of their own: propagate the difference instead.
    """
    one, two = np.asarray(first[0], dtype=float), np.asarray(second[0], dtype=float)
    if names is None and np.any(one) and np.any(two):
        raise AnalysisError(
            "the scatter of two results of one sweep is correlated in a way not stored",
            where="difference",
            next_step="form the difference first and propagate its derivative",
        )
    labels = ("", "") if names is None else names
    return one + two, merge_sources(_own(first[1], labels[0], 1.0), _own(second[1], labels[1], -1.0))


@dataclass(frozen=True, slots=True)
class BudgetRow:
    """One line of a budget.

    Attributes
    ----------
    id : str
        Source, or ``scatter``.
    scope : Scope
    standard_uncertainty : float
        Its contribution, in the unit of the quantity.
    share : float
        Of the variance of the part, 0 to 1.
    """

    id: str
    scope: Scope
    standard_uncertainty: float
    share: float


def frequency_index(frequency_hz: FloatArray, wanted_hz: float) -> int:
    """Return the index of a measured frequency.

    Raises
    ------
    AnalysisError
        It was not measured; nothing is interpolated.
    """
    nearest = int(np.argmin(np.abs(np.asarray(frequency_hz) - wanted_hz)))
    if not np.isclose(frequency_hz[nearest], wanted_hz, rtol=1e-9, atol=0):
        raise AnalysisError(
            "not one of the measured frequencies",
            where="frequency_hz",
            got=f"{wanted_hz:g} Hz",
            allowed=f"nearest: {float(frequency_hz[nearest])!r} Hz",
            next_step="take a measured one; nothing is interpolated",
        )
    return nearest


def budget(quantity: Quantity, part: Part, frequency_hz: float) -> tuple[BudgetRow, ...]:
    """Return the contributions to one part of a quantity at one measured frequency, largest first.

    Parameters
    ----------
    quantity : ImpedanceSweep or PermeabilitySpectrum
    part : Part
    frequency_hz : float
        One of the measured frequencies.

    Returns
    -------
    tuple of BudgetRow
        The scatter is a row of its own. Shares add up to 1 (all are 0 when nothing contributes).

    Raises
    ------
    AnalysisError
        The frequency was not measured.
    """
    at = frequency_index(quantity.frequency_hz, frequency_hz)
    axis = 0 if part is Part.REAL else 1
    variances = [(SCATTER, Scope.POINT, float(quantity.scatter[at, axis, axis]))]
    for source in quantity.sources:
        value = source.sensitivity[at]
        variances.append((source.id, source.scope, float(value.real if axis == 0 else value.imag) ** 2))
    total = sum(variance for _, _, variance in variances)
    rows = [
        BudgetRow(name, scope, float(np.sqrt(variance)), variance / total if total > 0 else 0.0)
        for name, scope, variance in variances
    ]
    return tuple(sorted(rows, key=lambda row: -row.standard_uncertainty))


@dataclass(frozen=True, slots=True)
class Estimate:
    """Joint estimate of several real quantities.

    Attributes
    ----------
    value : float array (M,)
    covariance : float array (M, M)
    degrees_of_freedom : int
    """

    value: FloatArray
    covariance: FloatArray
    degrees_of_freedom: int

    @property
    def standard_uncertainty(self) -> FloatArray:
        """Square roots of the diagonal, (M,)."""
        return np.sqrt(np.diag(self.covariance))

    @property
    def correlation(self) -> FloatArray:
        """Correlation coefficients, (M, M)."""
        scale = self.standard_uncertainty
        return self.covariance / np.outer(scale, scale)


def multivariate_type_a(observations: FloatArray) -> Estimate:
    """Return mean and covariance of the mean of repeated joint readings.

    Parameters
    ----------
    observations : float array (n, M)
        One row per repetition, n ≥ 2; column j in the unit of quantity j.

    Returns
    -------
    Estimate
        JCGM 100:2008, equation (17) and 4.2.3: s(x̄, ȳ) = Σ (x − x̄)(y − ȳ)/[n(n − 1)], n − 1 degrees of
        freedom.

    Raises
    ------
    AnalysisError
        Fewer than two rows, or not a table.
    """
    table = np.asarray(observations, dtype=float)
    if table.ndim != 2 or table.shape[0] < 2:
        raise AnalysisError(
            "a spread needs repeated readings",
            where="observations",
            got=f"shape {table.shape}",
            allowed="(n, M) with n of 2 or more",
        )
    repetitions = table.shape[0]
    mean = table.mean(axis=0)
    centred = table - mean
    covariance = centred.T @ centred / (repetitions * (repetitions - 1))
    return Estimate(mean, covariance, repetitions - 1)


def propagate_function(function: Callable[[FloatArray], FloatArray], estimate: Estimate) -> Estimate:
    """Carry a joint estimate through a real function of several variables.

    Parameters
    ----------
    function : callable
        Takes (M,), returns (P,).
    estimate : Estimate

    Returns
    -------
    Estimate
        J V Jᵀ (JCGM 100:2008, equation (13); JCGM 102:2011, 6.2.1), J by central differences over a hundredth
        of each standard uncertainty: the difference from the true derivative is then 1e-4 of the effect of
        the third derivative over one standard uncertainty.
    """
    steps = estimate.standard_uncertainty / 100
    columns = []
    for index, step in enumerate(steps):
        shift = np.zeros_like(steps)
        shift[index] = step
        change = np.asarray(function(estimate.value + shift)) - np.asarray(function(estimate.value - shift))
        columns.append(change / (2 * step) if step > 0 else np.zeros_like(change))
    jacobian = np.stack(columns, axis=1)
    return Estimate(
        np.asarray(function(estimate.value), dtype=float),
        jacobian @ estimate.covariance @ jacobian.T,
        estimate.degrees_of_freedom,
    )
