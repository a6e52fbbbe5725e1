"""The error budget of a real quantity at one frequency, in plain words, and what would shrink it.

Squares of independent contributions add (JCGM 100:2008, equation (10)); a line's share is of that sum. What
would be left of u if a line were multiplied by k is √(u² − (1 − k²) u_line²).
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np

from whichcore.analysis.coverage import Contribution, expanded_uncertainty, needs_convolution
from whichcore.analysis.functional import Functional, RealCurve
from whichcore.analysis.remedies import Remedy, remedy_of
from whichcore.analysis.types import Distribution, ErrorSource, FloatArray, Scope
from whichcore.analysis.uncertainty import SCATTER, frequency_index

PROBABILITY = 0.95
MOST_LINES = 8
LEAST_SHARE = 0.005


@dataclass(frozen=True, slots=True)
class Line:
    """One line of a budget: one cause.

    Attributes
    ----------
    ids : tuple of str
        Sources of the cause; several where it was stored as several columns.
    cause : Remedy
        Its plain name and what would shrink it.
    scope : Scope
    distribution : Distribution
    standard_uncertainty : float
        Its contribution, in the unit of the quantity, ≥ 0.
    share : float
        Of the variance, 0 to 1.
    """

    ids: tuple[str, ...]
    cause: Remedy
    scope: Scope
    distribution: Distribution
    standard_uncertainty: float
    share: float


@dataclass(frozen=True, slots=True)
class Budget:
    """Budget of one real quantity at one frequency.

    Attributes
    ----------
    functional : Functional
    frequency_hz, value, standard_uncertainty : float
    half_width : float
        Of the 95 % interval.
    convolved : bool
        The interval is that of the convolved distribution, because one source that is not normal holds more
        than half of the variance.
    lines : tuple of Line
        Largest first; those that contribute nothing are left out.
    """

    functional: Functional
    frequency_hz: float
    value: float
    standard_uncertainty: float
    half_width: float
    convolved: bool
    lines: tuple[Line, ...]

    def split(self) -> tuple[tuple[Line, ...], tuple[Line, ...]]:
        """Return the lines worth a row, and the small ones whose sum does for one."""
        count = max(1, sum(line.share >= LEAST_SHARE for line in self.lines[:MOST_LINES]))
        count += len(self.lines) - count == 1  # a lone small one takes no more room than its sum
        return self.lines[:count], self.lines[count:]

    def left(self, line: Line, factor: float) -> float:
        """Return the standard uncertainty were a line ``factor`` times as large."""
        gone = (1 - factor**2) * line.standard_uncertainty**2
        return float(np.sqrt(max(self.standard_uncertainty**2 - gone, 0.0)))


def _pieces(curve: RealCurve, at: int) -> list[tuple[ErrorSource, float]]:
    """Return every source, the scatter as one of them, with its contribution at one frequency."""
    scatter = float(np.sqrt(curve.scatter[at, 0, 0]))
    own = ErrorSource(SCATTER, Scope.POINT, np.full(curve.frequency_hz.size, scatter, dtype=complex))
    return [(source, float(source.sensitivity[at].real)) for source in (own, *curve.sources)]


def _lines(pieces: Iterable[tuple[ErrorSource, float]], variance: float) -> tuple[Line, ...]:
    """Join the columns of one cause; largest first."""
    causes: dict[tuple[str, Scope, Distribution], tuple[Remedy, list[str], float]] = {}
    for source, amount in pieces:
        if amount == 0:
            continue
        cause = remedy_of(source.id)
        key = (cause.name, source.scope, source.distribution)
        _, ids, square = causes.get(key, (cause, [], 0.0))
        causes[key] = (cause, [*ids, source.id], square + amount**2)
    lines = [
        Line(tuple(ids), cause, scope, shape, float(np.sqrt(square)), square / variance)
        for (_, scope, shape), (cause, ids, square) in causes.items()
    ]
    return tuple(sorted(lines, key=lambda line: -line.standard_uncertainty))


def budget_at(curve: RealCurve, frequency_hz: float) -> Budget:
    """Draw up the budget of a real quantity at a measured frequency.

    Parameters
    ----------
    curve : RealCurve
    frequency_hz : float
        One of the measured frequencies.

    Returns
    -------
    Budget
        Without lines, and of uncertainty zero, where nothing contributes.

    Raises
    ------
    AnalysisError
        The frequency was not measured; the nearest is named.
    """
    at = frequency_index(curve.frequency_hz, frequency_hz)
    pieces = _pieces(curve, at)
    variance = float(curve.variance[at])
    contributions = [Contribution(abs(amount), source.distribution) for source, amount in pieces]
    return Budget(
        functional=curve.functional,
        frequency_hz=float(curve.frequency_hz[at]),
        value=float(curve.value[at]),
        standard_uncertainty=float(np.sqrt(variance)),
        half_width=expanded_uncertainty(contributions, PROBABILITY),
        convolved=needs_convolution(contributions),
        lines=_lines(pieces, variance) if variance > 0 else (),
    )


@dataclass(frozen=True, slots=True)
class ShareCurve:
    """Share of one cause in the variance, over frequency.

    Attributes
    ----------
    name : str
    share : float array (F,)
        0 where nothing contributes at all.
    """

    name: str
    share: FloatArray


def share_curves(curve: RealCurve) -> tuple[ShareCurve, ...]:
    """Return the share of every cause over frequency, the largest mean share first; they add up to 1."""
    variance = curve.variance
    squares: dict[str, FloatArray] = {remedy_of(SCATTER).name: curve.scatter[:, 0, 0]}
    for source in curve.sources:
        name = remedy_of(source.id).name
        squares[name] = squares.get(name, np.zeros_like(variance)) + source.sensitivity.real**2
    safe = np.where(variance > 0, variance, 1.0)
    shares = [ShareCurve(name, np.asarray(square / safe)) for name, square in squares.items()]
    return tuple(sorted((s for s in shares if np.any(s.share)), key=lambda s: -float(s.share.mean())))
