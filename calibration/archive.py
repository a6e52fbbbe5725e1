"""A solved calibration as a flat mapping of plain arrays, and back. No files here."""

from __future__ import annotations

import hashlib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, cast, get_args

import numpy as np
from numpy.typing import NDArray

from whichcore.analysis.types import ComplexArray, Distribution, FloatArray, Scope
from whichcore.calibration.checks import check_grid, require
from whichcore.calibration.fingerprint import Fingerprint
from whichcore.calibration.perturbation import Perturbation
from whichcore.calibration.standards import Plane
from whichcore.errors import CalibrationError

if TYPE_CHECKING:
    from whichcore.calibration.error_model import ErrorModel

FORMAT = "whichcore-calibration 1"
_DETAIL = "detail:"
_KEYS = (
    "format",
    "kind",
    "frequency_hz",
    "matrix",
    "perturbation_matrix",
    "perturbation_id",
    "perturbation_scope",
    "perturbation_distribution",
    "fingerprint_name",
    "fingerprint_value",
    "calibration_id",
    "plane",
    "condition",
    "standards",
)

Arrays = Mapping[str, NDArray[np.generic]]


@dataclass(frozen=True, slots=True)
class Fields:
    """What an archive holds, checked."""

    frequency_hz: FloatArray
    matrix: ComplexArray
    perturbations: tuple[Perturbation, ...]
    fingerprint: Fingerprint
    calibration_id: str
    plane: Plane
    condition: FloatArray
    standards: tuple[str, ...]
    details: dict[str, NDArray[np.generic]]


def digest(texts: Sequence[str], arrays: Sequence[NDArray[np.generic]]) -> str:
    """Return twelve hexadecimal digits that change with any of the data (SHA-256)."""
    state = hashlib.sha256("\0".join(texts).encode())
    for array in arrays:
        state.update(np.ascontiguousarray(array).tobytes())
    return state.hexdigest()[:12]


def pack(model: ErrorModel) -> dict[str, NDArray[np.generic]]:
    """Write the model as arrays of numbers and text."""
    items = model.perturbations
    shape = (len(items), *model.matrix.shape)
    fingerprint = model.fingerprint.to_dict()
    data: dict[str, NDArray[np.generic]] = {
        "format": np.array(FORMAT),
        "kind": np.array(model.kind),
        "frequency_hz": model.frequency_hz,
        "matrix": model.matrix,
        "perturbation_matrix": np.array([item.matrix for item in items], dtype=complex).reshape(shape),
        "perturbation_id": np.array([item.id for item in items], dtype=str),
        "perturbation_scope": np.array([item.scope.value for item in items], dtype=str),
        "perturbation_distribution": np.array([item.distribution.value for item in items], dtype=str),
        "fingerprint_name": np.array(list(fingerprint), dtype=str),
        "fingerprint_value": np.array(list(fingerprint.values()), dtype=str),
        "calibration_id": np.array(model.calibration_id),
        "plane": np.array(model.plane),
        "condition": model.condition,
        "standards": np.array(model.standards, dtype=str),
    }
    return data | {_DETAIL + name: value for name, value in model.details.items()}


def unpack(data: Arrays, kind: str) -> Fields:
    """Read the arrays back; raises CalibrationError where they are not a calibration of this kind."""
    _check_keys(data)
    found = (str(data["format"]), str(data["kind"]))
    require(
        found == (FORMAT, kind),
        "this is not the calibration asked for",
        where="calibration",
        got=", ".join(found),
        allowed=f"{FORMAT}, {kind}",
        next_step="load it with the model that wrote it, or calibrate anew",
    )
    frequency_hz = np.asarray(data["frequency_hz"], dtype=float)
    check_grid(frequency_hz)
    plane = str(data["plane"])
    require(plane in get_args(Plane), "unknown plane of the short", where="calibration", got=plane)
    _check_shapes(data, frequency_hz.size)
    return Fields(
        frequency_hz=frequency_hz,
        matrix=np.asarray(data["matrix"], dtype=complex),
        perturbations=_perturbations(data),
        fingerprint=Fingerprint.from_dict(
            dict(zip(_texts(data, "fingerprint_name"), _texts(data, "fingerprint_value"), strict=True))
        ),
        calibration_id=str(data["calibration_id"]),
        plane=cast("Plane", plane),
        condition=np.asarray(data["condition"], dtype=float),
        standards=tuple(_texts(data, "standards")),
        details={name[len(_DETAIL) :]: value for name, value in data.items() if name.startswith(_DETAIL)},
    )


def _texts(data: Arrays, key: str) -> list[str]:
    return [str(value) for value in data[key]]


def _perturbations(data: Arrays) -> tuple[Perturbation, ...]:
    try:
        scopes = [Scope(text) for text in _texts(data, "perturbation_scope")]
        shapes = [Distribution(text) for text in _texts(data, "perturbation_distribution")]
    except ValueError as error:
        raise CalibrationError(
            "an error source cannot be read",
            where="calibration",
            got=str(error),
            next_step="calibrate anew",
        ) from error
    matrices = np.asarray(data["perturbation_matrix"], dtype=complex)
    rows = zip(_texts(data, "perturbation_id"), scopes, matrices, shapes, strict=True)
    return tuple(Perturbation(*row) for row in rows)


def _check_keys(data: Arrays) -> None:
    missing = sorted(set(_KEYS) - set(data))
    unknown = sorted(name for name in data if name not in _KEYS and not name.startswith(_DETAIL))
    require(
        not missing and not unknown,
        "a stored calibration lacks arrays or holds unknown ones",
        where="calibration",
        got="; ".join(
            text
            for text in (
                f"missing {', '.join(missing)}" if missing else "",
                f"unknown {', '.join(unknown)}" if unknown else "",
            )
            if text
        ),
        allowed=", ".join(_KEYS),
        next_step="calibrate anew",
    )


def _check_shapes(data: Arrays, size: int) -> None:
    count = data["perturbation_id"].size
    expected = {
        "matrix": (size, 2, 2),
        "condition": (size,),
        "perturbation_matrix": (count, size, 2, 2),
        "perturbation_scope": (count,),
        "perturbation_distribution": (count,),
        "fingerprint_value": data["fingerprint_name"].shape,
    }
    for key, shape in expected.items():
        require(
            data[key].shape == shape,
            "an array of a stored calibration has the wrong shape",
            where=key,
            got=str(data[key].shape),
            allowed=str(shape),
            next_step="calibrate anew",
        )
    for key in ("matrix", "perturbation_matrix"):
        require(
            bool(np.isfinite(data[key]).all()),
            "a stored calibration holds values that are not finite",
            where=key,
        )
