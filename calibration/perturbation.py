"""Errors of a calibration as changes of its matrix."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np

from whichcore.analysis.types import ComplexArray, Distribution, FloatArray, Scope
from whichcore.calibration import covariance
from whichcore.calibration.checks import require


@dataclass(frozen=True, slots=True)
class Perturbation:
    """One named error: the change of M, complex array (F, 2, 2), per standard uncertainty of its cause."""

    id: str
    scope: Scope
    matrix: ComplexArray
    distribution: Distribution = Distribution.NORMAL


def merge(perturbations: Iterable[Perturbation]) -> tuple[Perturbation, ...]:
    """Add up perturbations of one cause, so that each id appears once; all-zero ones are left out."""
    merged: dict[str, Perturbation] = {}
    for item in perturbations:
        before = merged.get(item.id)
        if before is None:
            merged[item.id] = item
            continue
        require(
            before.scope is item.scope and before.distribution is item.distribution,
            "one cause is stated with two scopes or distributions",
            where=item.id,
            got=f"{before.scope} {before.distribution}, {item.scope} {item.distribution}",
            next_step="give different parts different names",
        )
        merged[item.id] = Perturbation(item.id, item.scope, before.matrix + item.matrix, item.distribution)
    return tuple(item for item in merged.values() if np.any(item.matrix))


def frozen_noise(name: str, standard: str, residual: FloatArray) -> list[tuple[str, ComplexArray]]:
    """Split a standard's noise, covariance (F, 2, 2) of its residual, into two named columns."""
    return [
        (f"calibration {name}: noise of {standard}, {part}", column)
        for part, column in enumerate(covariance.columns(residual), 1)
    ]
