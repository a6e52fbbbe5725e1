"""The open-short-load model: any linear network, from three standards or more."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import ClassVar, Self

import numpy as np
from scipy.stats import chi2

from whichcore.analysis.types import ComplexArray, FloatArray, Scope
from whichcore.calibration.checks import require
from whichcore.calibration.error_model import ErrorModel
from whichcore.calibration.least_squares import Equation, check_distinct
from whichcore.calibration.perturbation import Perturbation, frozen_noise, merge
from whichcore.calibration.setup import (
    Measured,
    Setup,
    calibration_name,
    plane_of,
    refuse_two_windings,
)
from whichcore.calibration.standards import Homogeneous
from whichcore.calibration.standards_fit import Fit, fit
from whichcore.calibration.usable import usable
from whichcore.errors import CalibrationError

_CONTRADICTION = 1e-6  # chance of refusing a sound set of standards at any of its frequencies


@dataclass(frozen=True, slots=True)
class OpenShortLoad(ErrorModel):
    """Any linear network and any shunt, equal channels or not: three standards or more.

    With an ideal open and short and a load, Z = Z_load (Z_o − Z_lm)(Zm − Z_s)/[(Z_lm − Z_s)(Z_o − Zm)]. Any
    three distinct standards do; more are fitted by weighted least squares, and a set that contradicts itself
    is refused. Few frequencies at which the standards are too alike are left out and named in ``details``.
    ``details`` holds ``leverage`` and ``misfit``, float arrays (N, F), in the order of
    ``standards``.
    """

    kind: ClassVar[str] = "open-short-load"
    assumes: ClassVar[str] = "everything between the voltages and the specimen is linear and stays as it was"

    @classmethod
    def solve(cls, standards: Sequence[Measured], setup: Setup) -> Self:
        """Find M from three or more distinct standards."""
        refuse_two_windings(setup, cls.kind)
        require(
            len(standards) >= 3,
            "too few standards",
            where="standards",
            got=str(len(standards)),
            allowed="3 or more",
            next_step="measure an open, a short and a load",
        )
        good = usable(standards, setup, 3)
        equations, frequency_hz = good.equations, good.setup.frequency_hz
        solution = fit(equations)
        _refuse_contradiction(equations, solution, frequency_hz)
        name = calibration_name(setup, standards)
        return cls(
            frequency_hz=frequency_hz,
            matrix=_unscaled(solution.vector, good.z0),
            perturbations=_fit_errors(equations, good.parts, solution, good.z0, name),
            fingerprint=setup.fingerprint,
            calibration_id=name,
            plane=plane_of(standards),
            condition=solution.condition,
            standards=tuple(item.standard.name for item in standards),
            details=good.details | {"leverage": solution.leverage, "misfit": solution.misfit},
        )


def _unscaled(vector: ComplexArray, z0: FloatArray) -> ComplexArray:
    """Turn scaled (a, b, c, d), complex array (F, 4), into M, complex array (F, 2, 2)."""
    return vector.reshape(-1, 2, 2) * np.stack([z0, np.ones_like(z0)], axis=-1)[:, :, None]


def _fit_errors(
    equations: Sequence[Equation],
    parts: Sequence[Homogeneous],
    solution: Fit,
    z0: FloatArray,
    name: str,
) -> tuple[Perturbation, ...]:
    found: list[Perturbation] = []
    for index, (item, part) in enumerate(zip(equations, parts, strict=True)):
        for label, column in frozen_noise(name, item.name, item.noise(solution.vector)):
            moved = _unscaled(solution.moved(index, column), z0)
            found.append(Perturbation(label, Scope.SPECIMENS_POINT, moved))
        for term, change in zip(part.terms, item.tolerances(solution.vector), strict=True):
            moved = _unscaled(solution.moved(index, change), z0)
            found.append(Perturbation(term.id, term.scope, moved, term.distribution))
    return merge(found)


def _refuse_contradiction(equations: Sequence[Equation], solution: Fit, frequency_hz: FloatArray) -> None:
    """Refuse standards that do not fit together, and name the ones that may be at fault.

    A standard may be at fault where the others, fitted without it, agree. With four standards one redundancy
    is left: a contradiction shows, but leaving out any of them removes it, so all four stay under suspicion.
    """
    excess = _excess(solution, frequency_hz)
    if not np.any(excess > 1):
        return
    suspects = [item.name for item in equations if _agree_without(item, equations, frequency_hz)]
    named = " or ".join(suspects) if suspects else "more than one standard"
    worst = np.argmax(excess)
    raise CalibrationError(
        "the standards contradict each other; " + ("at fault: " if suspects else "at fault is ") + named,
        where=f"worst at {frequency_hz[worst]:g} Hz, {np.sum(excess > 1)} of {frequency_hz.size} frequencies",
        got=f"{excess[worst]:.3g} of the largest sum of squared residuals that noise and tolerances explain",
        allowed="up to 1",
        next_step="clean the contacts and measure these again"
        + ("" if len(suspects) == 1 else "; one more standard of another impedance narrows it down"),
    )


def _excess(solution: Fit, frequency_hz: FloatArray) -> FloatArray:
    """Return the sum of squared residuals over their variances, as a share of its limit, float array (F,).

    The limit is the chi-squared quantile for 2(N − 3) degrees of freedom, two for each complex equation.
    """
    spare = 2 * (len(solution.leverage) - 3)
    if spare == 0:
        return np.zeros(frequency_hz.size)
    total = 2 * (solution.misfit**2 * (1 - solution.leverage)).sum(axis=0)
    return np.asarray(total / chi2.isf(_CONTRADICTION / frequency_hz.size, spare))


def _agree_without(suspect: Equation, equations: Sequence[Equation], frequency_hz: FloatArray) -> bool:
    rest = [item for item in equations if item is not suspect]
    try:
        check_distinct(rest, 3, frequency_hz)
    except CalibrationError:
        return True  # too few are left to check it
    return bool(np.all(_excess(fit(rest), frequency_hz) <= 1))
