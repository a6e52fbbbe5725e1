"""The overlap of two windings solved by least squares with priors, for one set of turns.

See :mod:`whichcore.analysis.two_windings` for the model.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np

from whichcore.analysis.curve_difference import Difference, LogCurve, difference_of, log_curve
from whichcore.analysis.permeability import winding_seen
from whichcore.analysis.specimen import Specimen
from whichcore.analysis.types import FloatArray, ImpedanceSweep, Wiring
from whichcore.analysis.winding import Element, WindingModel
from whichcore.errors import AnalysisError

MANY, FEW = "many", "few"
_ROUNDS, _SETTLED, _LONGEST_STEP = 25, 1e-6, 3.0


@dataclass(frozen=True, slots=True)
class Wound:
    """One sweep and the specimen it was taken of."""

    sweep: ImpedanceSweep
    specimen: Specimen

    @property
    def two_windings(self) -> bool:
        """Whether the voltage was read at a second winding."""
        return self.sweep.wiring == Wiring.TWO_WINDINGS

    @property
    def counts(self) -> tuple[int, ...]:
        """The turns that bear on the result."""
        winding = self.specimen.winding
        return (winding.turns, winding.secondary_turns or 1) if self.two_windings else (winding.turns,)


@dataclass(frozen=True, slots=True)
class Fit:
    """The overlap solved for one set of turns.

    Attributes
    ----------
    curves : (LogCurve, LogCurve)
        Of many and few turns, with the windings as solved.
    difference : Difference
        Of these curves in the overlap.
    gain : float array (K, 2n)
        From a difference to the errors of the windings.
    errors : float array (K,)
        Of the sources of both windings, in their own standard uncertainties.
    chi_squared, log_evidence : float
    """

    curves: tuple[LogCurve, LogCurve]
    difference: Difference
    gain: FloatArray
    errors: FloatArray
    chi_squared: float
    log_evidence: float


def _elements(model: WindingModel) -> Iterator[tuple[str, Element]]:
    for name in ("resistance_ohm", "inductance_h", "capacitance_f"):
        yield name, getattr(model, name)


def shifted(model: WindingModel, errors: dict[str, float]) -> WindingModel:
    """Return a winding with the stated errors (in their standard uncertainties) taken out."""
    changed = {
        name: replace(
            element,
            value=element.value - sum(errors.get(error.id, 0.0) * error.change for error in element.errors),
        )
        for name, element in _elements(model)
    }
    return replace(
        model,
        resistance_ohm=changed["resistance_ohm"],
        inductance_h=changed["inductance_h"],
        capacitance_f=changed["capacitance_f"],
    )


def _own(errors: dict[str, float], name: str) -> dict[str, float]:
    head = f"{name}/"
    return {key.removeprefix(head): value for key, value in errors.items() if key.startswith(head)}


def _ids(model: WindingModel, name: str) -> list[str]:
    return [f"{name}/{error.id}" for _, element in _elements(model) for error in element.errors]


def solve_fit(
    many: Wound,
    few: Wound,
    grid: np.ndarray,
    offset: float,
    extra: FloatArray | None = None,
    rounds: int = _ROUNDS,
) -> Fit:
    """Solve the overlap by Gauss–Newton steps.

    ``offset`` is what wrong turns add to d; ``extra`` columns (2n, E) are causes of error besides.
    """
    models = {w: winding_seen(part.sweep, part.specimen) for w, part in ((MANY, many), (FEW, few))}
    ids = _ids(models[MANY], MANY) + _ids(models[FEW], FEW)
    errors = np.zeros(len(ids))
    for _ in range(rounds):
        known = dict(zip(ids, errors.tolist(), strict=True))
        curves = tuple(
            log_curve(
                part.sweep,
                part.specimen,
                shifted(models[name], _own(known, name)),
                name,
            )
            for name, part in ((MANY, many), (FEW, few))
        )
        difference = difference_of(curves[0], curves[1], grid, ids)
        value = difference.value.copy()
        value[: grid.size] -= offset
        linear = value + difference.solved @ errors
        covariance = difference.rest + difference.solved @ difference.solved.T
        if extra is not None:
            covariance = covariance + extra @ extra.T
        gain = np.linalg.solve(covariance, difference.solved).T
        step = gain @ linear - errors
        size = float(np.max(np.abs(step), initial=0.0))
        # far from the solution a whole step could pass through the resonance
        errors = errors + step * min(1.0, _LONGEST_STEP / max(size, _SETTLED))
        if size < _SETTLED:
            break
    chi_squared = float(linear @ np.linalg.solve(covariance, linear))
    evidence = -0.5 * (chi_squared + float(np.linalg.slogdet(covariance)[1]))
    return Fit((curves[0], curves[1]), difference, np.asarray(gain), errors, chi_squared, evidence)


def stated_fit(many: Wound, few: Wound, grid: np.ndarray) -> Fit:
    """Solve the overlap with the turns stated; AnalysisError where no winding of theirs is possible."""
    try:
        return solve_fit(many, few, grid, 0.0)
    except np.linalg.LinAlgError:
        raise AnalysisError(
            "the overlap can not be solved: the winding would be at its self-resonance",
            where="overlap",
            next_step="check turns, capacitance and the piece; or sweep the many turns less far up",
        ) from None


def left_covariance(fit: Fit) -> FloatArray:
    """Return the covariance of what is left of d, (I − DK) V (I − DK)ᵀ."""
    d = fit.difference.solved
    left = np.eye(len(d)) - d @ fit.gain
    return np.asarray(left @ (fit.difference.rest + d @ d.T) @ left.T)
