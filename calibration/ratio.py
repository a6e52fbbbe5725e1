"""The ratio model: a known shunt and nothing else."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import ClassVar, Self

import numpy as np

from whichcore.analysis.types import ComplexArray, Scope
from whichcore.calibration.checks import check_grid, require
from whichcore.calibration.error_model import ErrorModel
from whichcore.calibration.perturbation import Perturbation, merge
from whichcore.calibration.setup import Measured, Setup, calibration_name
from whichcore.errors import CalibrationError


@dataclass(frozen=True, slots=True)
class Ratio(ErrorModel):
    """Known shunt, equal channels (or their factor known): nothing else between the voltages and Z."""

    kind: ClassVar[str] = "ratio"
    assumes: ClassVar[str] = "the shunt is known and nothing else lies between the voltages and the specimen"

    @classmethod
    def solve(cls, standards: Sequence[Measured], setup: Setup) -> Self:
        """Write M down from the shunt; takes no standards."""
        require(
            not standards,
            "the ratio model takes no standards",
            where="standards",
            got=", ".join(item.standard.name for item in standards),
            next_step="use open-short or open-short-load",
        )
        check_grid(setup.frequency_hz)
        matrix, perturbations = known_matrix(setup)
        return cls(
            frequency_hz=setup.frequency_hz,
            matrix=matrix,
            perturbations=merge(perturbations),
            fingerprint=setup.fingerprint,
            calibration_id=calibration_name(setup, ()),
            plane="terminals",
            condition=np.ones(setup.frequency_hz.size),
        )


def known_matrix(setup: Setup) -> tuple[ComplexArray, list[Perturbation]]:
    """Return M of the known shunt and channels, and its errors."""
    if setup.shunt is None:
        raise CalibrationError(
            "this model takes the shunt as known",
            where="shunt",
            got="none",
            next_step="state the shunt, or use open-short-load",
        )
    wiring, frequency_hz = setup.fingerprint.wiring, setup.frequency_hz
    matrix = setup.shunt.matrix(wiring, frequency_hz)
    errors = [
        Perturbation(term.id, term.scope, change, term.distribution)
        for term, change in setup.shunt.terms(wiring, frequency_hz)
    ]
    if setup.channels is None:
        return matrix, errors
    check = setup.channels
    require(
        check.ratio.shape == frequency_hz.shape,
        "the factor of the channels has another number of points than the calibration",
        where="channels",
        got=str(check.ratio.size),
        allowed=str(frequency_hz.size),
    )
    tie = np.zeros_like(matrix)
    tie[:, 0, 0], tie[:, 1, 1] = 1 / check.ratio, 1
    errors = [Perturbation(e.id, e.scope, e.matrix @ tie, e.distribution) for e in errors]
    matrix = matrix @ tie
    only_a = matrix * np.array([1.0, 0.0])
    errors.append(Perturbation("channels: gain", Scope.SPECIMENS, only_a * check.u_gain[:, None, None]))
    errors.append(
        Perturbation("channels: phase", Scope.SPECIMENS, 1j * only_a * check.u_phase_rad[:, None, None])
    )
    return matrix, errors
