"""ln μ of two windings of one core, and their difference with what both share cancelled."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from whichcore.analysis.geometry import core_geometry
from whichcore.analysis.permeability import permeability
from whichcore.analysis.specimen import Specimen
from whichcore.analysis.types import ComplexArray, ErrorSource, FloatArray, ImpedanceSweep, Scope
from whichcore.analysis.uncertainty import ACROSS_SPECIMENS, PER_POINT, propagate
from whichcore.analysis.winding import WindingModel

RAYLEIGH_PER_T = 5.0
"""Standard uncertainty of d ln μ/dB where two sweeps were not at one level: 1 to 15 per tesla are met in
ferrites and powders (practice, no source). Its loss is 4/3π of it (Rayleigh's law, from memory)."""
_LOSS_OF_LEVEL = 4 / (3 * np.pi)
_NEAREST = 4
FLOOR = 1e-6
"""Relative standard uncertainty below which no measured point is believed; keeps exact data solvable."""
INTERPOLATION_DOUBT = 2.0
"""Standard uncertainty of the cubic over its own last term. Practice: on the narrow wall resonances of a
ferrite, swept at twelve points a decade, the next term is as large as the last (see the tests)."""


@dataclass(frozen=True, slots=True)
class LogCurve:
    """y = ln μ over frequency, without the errors of the dimensions.

    Attributes
    ----------
    frequency_hz : float array (F,)
    value : complex array (F,)
        Steady in its imaginary part.
    scatter : float array (F, 2, 2)
    sources : tuple of ErrorSource
        Of what other sweeps share, under its own id; everything else as "name/id". A source of scope RANGE
        is split into one of scope SWEEP for each range.
    flux_density_t : float array (F,) or None
    """

    frequency_hz: FloatArray
    value: ComplexArray
    scatter: FloatArray
    sources: tuple[ErrorSource, ...]
    flux_density_t: FloatArray | None

    @property
    def common(self) -> dict[str, ErrorSource]:
        """Sources with one draw for the whole curve, by id."""
        return {s.id: s for s in self.sources if s.scope not in PER_POINT}

    @property
    def per_point(self) -> dict[str, ErrorSource]:
        """Sources with a draw for each frequency, by id."""
        return {s.id: s for s in self.sources if s.scope in PER_POINT}


def log_curve(sweep: ImpedanceSweep, specimen: Specimen, winding: WindingModel, name: str) -> LogCurve:
    """Return ln μ of a sweep with a winding taken off; ``name`` marks the sources of this sweep alone."""
    spectrum = permeability(sweep, specimen, winding)
    mu = spectrum.permeability
    shape = {identity for identity, _ in core_geometry(specimen).relative_sources}
    own = [s for s in spectrum.sources if s.id not in shape]
    scatter, sources = propagate(spectrum.scatter, own, 1 / mu)
    named: list[ErrorSource] = []
    for source in sources:
        named += _named(source, name, sweep.range_labels)
    value = np.log(np.abs(mu)) + 1j * np.unwrap(np.angle(mu))
    return LogCurve(sweep.frequency_hz, value, scatter, tuple(named), sweep.flux_density_t)


def _named(source: ErrorSource, name: str, labels: tuple[str, ...] | None) -> list[ErrorSource]:
    if source.scope in ACROSS_SPECIMENS:
        return [source]
    owned = replace(source, id=f"{name}/{source.id}")
    if source.scope is not Scope.RANGE:
        return [owned]
    if labels is None:
        return [replace(owned, scope=Scope.SWEEP)]
    marks = np.array(labels)
    return [
        replace(
            owned,
            id=f"{owned.id}[{label}]",
            scope=Scope.SWEEP,
            sensitivity=np.where(marks == label, source.sensitivity, 0),
        )
        for label in dict.fromkeys(labels)
    ]


def interpolation(from_hz: FloatArray, to_hz: FloatArray, terms: int = _NEAREST) -> FloatArray:
    """Return the weights (n, F) that bring values at ``from_hz`` to ``to_hz``.

    Lagrange's polynomial in ln f through the nearest ``terms`` points; a frequency that was measured, to
    within 1e-9, is taken as it is.
    """
    x, weights = np.log(from_hz), np.zeros((to_hz.size, from_hz.size))
    terms = min(terms, from_hz.size)
    for row, target in enumerate(np.log(to_hz)):
        nearest = int(np.argmin(np.abs(x - target)))
        if abs(x[nearest] - target) <= 1e-9:
            weights[row, nearest] = 1.0
            continue
        start = int(np.searchsorted(x, target)) - terms // 2
        use = np.arange(terms) + min(max(start, 0), x.size - terms)
        for k in use:
            others = use[use != k]
            weights[row, k] = np.prod((target - x[others]) / (x[k] - x[others]))
    return weights


@dataclass(frozen=True, slots=True)
class Difference:
    """d = y_many − y_few at n frequencies; real parts first, then imaginary ones.

    Attributes
    ----------
    value : float array (2n,)
    solved : float array (2n, K)
        Columns of the sources to be solved for.
    solved_ids : tuple of str
    columns : dict of str to float array (2n,)
        All other sources with one draw.
    independent : float array (2n, 2n)
        Covariance of everything with a draw for each frequency, and of the interpolation.
    level : float array (2n,)
        What a different level may do.
    weights : float array (n, F)
        That brought the first curve to the frequencies of the second.
    """

    value: FloatArray
    solved: FloatArray
    solved_ids: tuple[str, ...]
    columns: dict[str, FloatArray]
    independent: FloatArray
    level: FloatArray
    weights: FloatArray

    @property
    def rest(self) -> FloatArray:
        """Covariance of all that is not solved for."""
        total = self.independent + np.outer(self.level, self.level)
        for column in self.columns.values():
            total = total + np.outer(column, column)
        return np.asarray(total)


def stacked(values: ComplexArray) -> FloatArray:
    """Return real parts above imaginary parts, (2n, …)."""
    return np.concatenate([values.real, values.imag])


def difference_of(many: LogCurve, few: LogCurve, grid: np.ndarray, solved_ids: Sequence[str]) -> Difference:
    """Return the difference of two curves at the frequencies ``grid`` (indices) of the second.

    Common sources of equal id are one cause; so is, at equal frequencies, a source frozen in a calibration.
    """
    weights = interpolation(many.frequency_hz, few.frequency_hz[grid])
    here, there = many.common, few.common
    empty = np.zeros(grid.size, dtype=np.complex128)
    columns = {}
    for identity in dict.fromkeys((*here, *there)):
        first = weights @ here[identity].sensitivity if identity in here else empty
        second = there[identity].sensitivity[grid] if identity in there else empty
        columns[identity] = stacked(np.asarray(first - second))
    solved = [columns.pop(identity) for identity in solved_ids]
    return Difference(
        value=stacked(np.asarray(weights @ many.value - few.value[grid])),
        solved=np.stack(solved, axis=1) if solved else np.zeros((2 * grid.size, 0)),
        solved_ids=tuple(solved_ids),
        columns=columns,
        independent=_independent(many, few, grid, weights),
        level=_level(many, few, grid, weights),
        weights=weights,
    )


def _level(many: LogCurve, few: LogCurve, grid: np.ndarray, weights: FloatArray) -> FloatArray:
    if many.flux_density_t is None or few.flux_density_t is None:
        return np.zeros(2 * grid.size)
    apart = weights @ many.flux_density_t - few.flux_density_t[grid]
    return stacked(RAYLEIGH_PER_T * apart * (1 - 1j * _LOSS_OF_LEVEL))


def _independent(many: LogCurve, few: LogCurve, grid: np.ndarray, weights: FloatArray) -> FloatArray:
    points = grid.size
    scatter = np.einsum("ig,jg,gab->aibj", weights, weights, many.scatter)
    scatter[:, range(points), :, range(points)] += few.scatter[grid]
    total = scatter.reshape(2 * points, 2 * points)
    quadratic = interpolation(many.frequency_hz, few.frequency_hz[grid], _NEAREST - 1)
    doubt = INTERPOLATION_DOUBT * stacked((weights - quadratic) @ many.value)
    total = total + np.diag(doubt**2 + FLOOR**2)
    for columns in _per_point_columns(many, few, grid, weights):
        total = total + columns @ columns.T
    return np.asarray(total)


def _per_point_columns(
    many: LogCurve, few: LogCurve, grid: np.ndarray, weights: FloatArray
) -> list[FloatArray]:
    """Return columns (2n, draws) of each source with a draw for every frequency."""
    found = []
    for identity in dict.fromkeys((*many.per_point, *few.per_point)):
        blocks = np.zeros((grid.size, many.frequency_hz.size + grid.size), dtype=np.complex128)
        if identity in many.per_point:
            blocks[:, : many.frequency_hz.size] = weights * many.per_point[identity].sensitivity
        if identity in few.per_point:
            for row, index in enumerate(grid):
                same = np.flatnonzero(np.isclose(many.frequency_hz, few.frequency_hz[index], rtol=1e-9))
                column = int(same[0]) if same.size and identity in many.per_point else -grid.size + row
                blocks[row, column] -= few.per_point[identity].sensitivity[index]
        found.append(stacked(blocks))
    return found
