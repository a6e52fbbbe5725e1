"""Two specimens compared at one frequency, with what their errors share cancelled.

The difference a − b and the quotient a/b of one real quantity. A source common across specimens is one cause
in both, so its two contributions subtract before they are squared; everything else adds in squares. Two
sweeps of one and the same specimen share its winding and its dimensions too.
"""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass, replace

import numpy as np

from whichcore.analysis.budget import Budget, budget_at
from whichcore.analysis.functional import Functional, RealCurve
from whichcore.analysis.remedies import remedy_of
from whichcore.analysis.types import ErrorSource, FloatArray, Scope
from whichcore.analysis.uncertainty import ACROSS_SPECIMENS, difference, frequency_index

NAMES = ("first", "second")


@dataclass(frozen=True, slots=True)
class Cancelled:
    """A cause that both carry: its contributions to first and second, and what is left in the difference."""

    name: str
    first: float
    second: float
    left: float


@dataclass(frozen=True, slots=True)
class Comparison:
    """Difference and quotient of one quantity of two specimens at one frequency.

    Attributes
    ----------
    functional : Functional
    frequency_hz, first, second : float
    difference : Budget
        Of first − second, the shared causes cancelled.
    u_difference_apart : float
        Its standard uncertainty were nothing shared.
    ratio : Budget or None
        Of first/second, the shared causes cancelled; None where the quantity goes round (a phase) or
        ``second`` is zero within twice its standard uncertainty.
    u_ratio_apart : float or None
    cancelled : tuple of Cancelled
        What the difference lost, largest first.
    """

    functional: Functional
    frequency_hz: float
    first: float
    second: float
    difference: Budget
    u_difference_apart: float
    ratio: Budget | None
    u_ratio_apart: float | None
    cancelled: tuple[Cancelled, ...]


def shared_by_specimen(curve: RealCurve, ids_of_sweep: Collection[str]) -> RealCurve:
    """Call what belongs to the specimen, not to its sweep, shared: for two sweeps of one specimen."""
    sources = tuple(
        source if source.id in ids_of_sweep else replace(source, scope=Scope.SPECIMENS)
        for source in curve.sources
    )
    return replace(curve, sources=sources)


def _at(curve: RealCurve, frequency_hz: float, factor: float = 1.0) -> RealCurve:
    """Return one point of a curve, scaled."""
    at = frequency_index(curve.frequency_hz, frequency_hz)
    here = slice(at, at + 1)
    return RealCurve(
        curve.functional,
        curve.frequency_hz[here],
        factor * curve.value[here],
        factor**2 * curve.scatter[here],
        tuple(replace(s, sensitivity=factor * s.sensitivity[here]) for s in curve.sources),
    )


def _minus(first: RealCurve, second: RealCurve) -> RealCurve:
    scatter, sources = difference(
        (first.scatter, first.sources), (second.scatter, second.sources), names=NAMES
    )
    value = first.value - second.value
    period = first.functional.period
    if period is not None:
        value = (value + period / 2) % period - period / 2
    return RealCurve(first.functional, first.frequency_hz, value, scatter, sources)


def _u(curve: RealCurve) -> float:
    return float(np.sqrt(curve.variance[0]))


def _cancelled(first: RealCurve, second: RealCurve) -> tuple[Cancelled, ...]:
    pairs = {s.id: s for s in second.sources if s.scope in ACROSS_SPECIMENS}
    sums: dict[str, FloatArray] = {}
    for source in first.sources:
        other = pairs.get(source.id)
        if other is None or source.scope not in ACROSS_SPECIMENS:
            continue
        name = remedy_of(source.id).name
        sums[name] = sums.get(name, np.zeros(3)) + _squares(source, other)
    rows = [Cancelled(name, *(float(np.sqrt(square)) for square in both)) for name, both in sums.items()]
    return tuple(sorted((row for row in rows if row.first or row.second), key=lambda row: -row.first))


def _squares(one: ErrorSource, other: ErrorSource) -> FloatArray:
    a, b = float(one.sensitivity[0].real), float(other.sensitivity[0].real)
    return np.array([a, b, a - b]) ** 2


def compare(first: RealCurve, second: RealCurve, frequency_hz: float) -> Comparison:
    """Compare one quantity of two specimens at a frequency both were measured at.

    Parameters
    ----------
    first, second : RealCurve
        Of one functional. Sources of one id and of a scope shared across specimens are one cause.
    frequency_hz : float

    Returns
    -------
    Comparison
        The quotient to first order: δ(a/b) = (δa − (a/b) δb)/b.

    Raises
    ------
    AnalysisError
        A frequency that was not measured in one of them, or a shared id that means two things.
    """
    a, b = _at(first, frequency_hz), _at(second, frequency_hz)
    value_a, value_b = float(a.value[0]), float(b.value[0])
    ratio: Budget | None = None
    apart: float | None = None
    if a.functional.period is None and abs(value_b) > 2 * _u(b):
        quotient = value_a / value_b
        one, other = _at(a, frequency_hz, 1 / value_b), _at(b, frequency_hz, quotient / value_b)
        errors = _minus(one, other)
        named = replace(a.functional, id=f"{a.functional.id}-ratio", symbol=f"{a.functional.symbol} ratio")
        ratio = budget_at(
            replace(errors, functional=replace(named, unit=""), value=np.array([quotient])), frequency_hz
        )
        apart = float(np.hypot(_u(one), _u(other)))
    return Comparison(
        a.functional,
        float(a.frequency_hz[0]),
        value_a,
        value_b,
        budget_at(_minus(a, b), frequency_hz),
        float(np.hypot(_u(a), _u(b))),
        ratio,
        apart,
        _cancelled(a, b),
    )
