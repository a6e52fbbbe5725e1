"""Calling an empty winding zero: a calibration at the terminals moved to the far end of a winding.

With M found by standards at the terminals, Z = p/q is what hangs there. Let Z_e be the reading of a winding
on a former that is not magnetic. The same winding on a core shows Z_e and what the core adds, so

    Z' = Z − Z_e,   p' = p − Z_e q,   q' = q,

which is another matrix M'. Nothing else changes: the winding's own capacitance, which lies across both, is
left to the model of the specimen. (Derived here; no source.)

A load called 50 Ω at the terminals together with a winding called zero would contradict each other, since
with that winding in series the load is 50 Ω and Z_e. Therefore the two are taken one after the other.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from whichcore.analysis.types import ComplexArray, Scope
from whichcore.calibration import covariance
from whichcore.calibration.checks import check_pair, require
from whichcore.calibration.error_model import ErrorModel
from whichcore.calibration.fingerprint import Fingerprint
from whichcore.calibration.perturbation import Perturbation, frozen_noise, merge
from whichcore.calibration.setup import Measured
from whichcore.calibration.standards import Short


def call_zero(model: ErrorModel, empty: Measured, fingerprint: Fingerprint) -> ErrorModel:
    """Return the calibration for which the empty winding is zero impedance.

    Parameters
    ----------
    model : ErrorModel
        At the terminals.
    empty : Measured
        A short of plane "empty winding" with its reading at the frequencies of the model.
    fingerprint : Fingerprint
        Of the bench with this winding.

    Returns
    -------
    ErrorModel
        Of the same kind; the noise of the reading is added to its errors, and what moves the model moves
        the reading as well.

    Raises
    ------
    CalibrationError
        The model or the standard is of another plane, the grids differ, or the winding reads as an open.
    """
    standard = empty.standard
    require(
        model.plane == "terminals" and isinstance(standard, Short) and standard.plane == "empty winding",
        "an empty winding follows on a calibration at the terminals",
        where=standard.name,
        got=model.plane,
        allowed="terminals, then empty winding",
    )
    require(
        np.array_equal(empty.pair.frequency_hz, model.frequency_hz),
        "the empty winding was not measured at the frequencies of the calibration",
        where=standard.name,
        got=f"{empty.pair.frequency_hz.size} points",
        allowed=f"the same {model.frequency_hz.size} points",
        next_step="measure it with the same plan",
    )
    check_pair(empty.pair, standard.name)
    reading = model.correct(empty.pair).impedance_ohm
    errors = [*_moved(model, empty, reading), *_noise(model, empty, reading)]
    return replace(
        model,
        matrix=_less(model.matrix, reading),
        perturbations=merge(errors),
        fingerprint=fingerprint,
        plane="empty winding",
        standards=(*model.standards, standard.name),
        details=_with_a_row(model),
    )


def _with_a_row(model: ErrorModel) -> dict[str, NDArray[np.generic]]:
    """Return the details of the model; nothing checks the winding: leverage 1, no misfit."""
    details = dict(model.details)
    for name, value in (("leverage", 1.0), ("misfit", 0.0)):
        if name in details:
            row = np.full((1, model.frequency_hz.size), value)
            details[name] = np.concatenate([np.asarray(details[name], dtype=float), row])
    return details


def _less(matrix: ComplexArray, z: ComplexArray) -> ComplexArray:
    """Return the matrix with z times its second row off the first."""
    moved = matrix.copy()
    moved[:, 0] -= z[:, None] * matrix[:, 1]
    return moved


def _shift(model: ErrorModel, dz: ComplexArray) -> ComplexArray:
    """Return the change of the moved matrix with a change of the reading, complex array (F, 2, 2)."""
    moved = np.zeros_like(model.matrix)
    moved[:, 0] = -dz[:, None] * model.matrix[:, 1]
    return moved


def _moved(model: ErrorModel, empty: Measured, reading: ComplexArray) -> list[Perturbation]:
    """Carry the model's own errors over: δp' = δp − Z_e δq − δZ_e q."""
    a, b = empty.pair.voltage_a_v, empty.pair.voltage_b_v
    _, q = model.homogeneous(empty.pair)
    carried = []
    for item in model.perturbations:
        dp = item.matrix[:, 0, 0] * a + item.matrix[:, 0, 1] * b
        dq = item.matrix[:, 1, 0] * a + item.matrix[:, 1, 1] * b
        change = _less(item.matrix, reading) + _shift(model, (dp - reading * dq) / q)
        carried.append(Perturbation(item.id, item.scope, change, item.distribution))
    return carried


def _noise(model: ErrorModel, empty: Measured, reading: ComplexArray) -> list[Perturbation]:
    """Freeze the noise of the reading."""
    _, q = model.homogeneous(empty.pair)
    alpha = (model.matrix[:, 0, 0] - reading * model.matrix[:, 1, 0]) / q
    beta = (model.matrix[:, 0, 1] - reading * model.matrix[:, 1, 1]) / q
    spread = covariance.of_form(alpha, beta, empty.pair.covariance)
    return [
        Perturbation(label, Scope.SPECIMENS_POINT, _shift(model, column))
        for label, column in frozen_noise(model.calibration_id, empty.standard.name, spread)
    ]
