"""The checks of a bench with its known parts, kept: one line each, only ever added to."""

from __future__ import annotations

import json
import math
import os
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import numpy as np

from whichcore.analysis.types import ComplexArray, FloatArray
from whichcore.calibration.verify import Verification
from whichcore.errors import InputError
from whichcore.files import home_folder, make_folder
from whichcore.files.warn import warn

FORMAT = "whichcore-verification 1"
_NUMBERS = ("frequency_hz", "deviation_real", "deviation_imag", "u_real", "u_imag")
_TEXTS = ("at", "bench", "part", "calibration", "unit")


@dataclass(frozen=True, slots=True)
class Kept:
    """One check as it was written down.

    Attributes
    ----------
    at : str
        ISO 8601, UTC.
    calibration : str
    unit : str
    passed : bool
    share : float
        Of what was allowed, at the worst frequency.
    frequency_hz : float array (F,)
    deviation : complex array (F,)
    """

    at: str
    calibration: str
    unit: str
    passed: bool
    share: float
    frequency_hz: FloatArray
    deviation: ComplexArray

    def change_since(self, first: Kept) -> complex | None:
        """Return the median change of the deviation at common frequencies; None where there are none."""
        if self.unit != first.unit:
            return None
        common, here, there = np.intersect1d(self.frequency_hz, first.frequency_hz, return_indices=True)
        if common.size == 0:
            return None
        change = self.deviation[here] - first.deviation[there]
        return complex(np.median(change.real), np.median(change.imag))


def trend_path(bench: str, part: str) -> Path:
    """Return where the checks of one bench with one part are kept; the file need not exist."""
    name = re.sub(r"[^\w.-]", "_", f"{bench}-{part}")
    return home_folder() / "verifications" / f"{name}.jsonl"


def keep(verification: Verification, context: Mapping[str, Any]) -> Path:
    """Add one check to its file, on the disk when this returns.

    Parameters
    ----------
    verification : Verification
    context : mapping of str to object
        ``bench``, ``calibration``, ``error_model``, ``temperature_c``.

    Raises
    ------
    InputError
        The file cannot be written.
    """
    path = trend_path(str(context["bench"]), verification.part)
    make_folder(path.parent)
    line = json.dumps(_entry(verification, context), ensure_ascii=False, allow_nan=False) + "\n"
    try:
        with path.open("ab") as file:
            if _is_torn(path):
                warn(f"{path}: the last line was cut off; it is kept, and this check has a line of its own")
                line = "\n" + line
            file.write(line.encode())
            file.flush()
            os.fsync(file.fileno())
    except OSError as error:
        raise InputError(
            "the check cannot be written down",
            where=str(path),
            got=error.strerror or str(error),
            next_step="make room or permit writing, then verify again",
        ) from error
    return path


def trend(bench: str, part: str) -> tuple[Kept, ...]:
    """Return the checks written down so far, oldest first; damaged lines are named and left where they are.

    Raises
    ------
    InputError
        The file cannot be read.
    """
    path = trend_path(bench, part)
    if not path.exists():
        return ()
    try:
        lines = path.read_bytes().split(b"\n")
    except OSError as error:
        raise InputError(
            "the checks so far cannot be read", where=str(path), got=error.strerror or str(error)
        ) from error
    found, damaged = [], []
    for number, line in enumerate(lines, 1):
        if not line.strip():
            continue
        try:
            found.append(_kept(json.loads(line)))
        except (ValueError, KeyError, TypeError):
            damaged.append(number)
    if damaged:
        listed = ", ".join(map(str, damaged))
        warn(f"{path}: line {listed} is damaged and left out of the trend; the file is not changed")
    return tuple(found)


def _is_torn(path: Path) -> bool:
    """Tell whether the last line lacks its end."""
    with path.open("rb") as file:
        if file.seek(0, os.SEEK_END) == 0:
            return False
        file.seek(-1, os.SEEK_END)
        return file.read(1) != b"\n"


def _entry(verification: Verification, context: Mapping[str, Any]) -> dict[str, Any]:
    worst = verification.worst
    return {
        "format": FORMAT,
        "at": datetime.now(UTC).isoformat(timespec="seconds"),
        **context,
        "part": verification.part,
        "used_in_calibration": verification.used,
        "passed": verification.passed,
        "share_of_allowed": float(verification.share[worst]),
        "worst_hz": float(verification.frequency_hz[worst]),
        "unit": verification.unit,
        "frequency_hz": verification.frequency_hz.tolist(),
        "deviation_real": verification.deviation.real.tolist(),
        "deviation_imag": verification.deviation.imag.tolist(),
        "u_real": verification.u[:, 0].tolist(),
        "u_imag": verification.u[:, 1].tolist(),
    }


def _kept(entry: Any) -> Kept:
    """Read one line; raises ValueError, KeyError or TypeError where it is none."""
    if entry["format"] != FORMAT:
        raise ValueError(entry["format"])
    rows = [_finite(entry[name]) for name in _NUMBERS]
    if len({row.size for row in rows}) != 1 or rows[0].size == 0:
        raise ValueError("lengths")
    if not all(isinstance(entry[name], str) for name in _TEXTS) or not isinstance(entry["passed"], bool):
        raise TypeError("texts")
    datetime.fromisoformat(entry["at"])
    share = float(entry["share_of_allowed"])
    if not (math.isfinite(share) and share >= 0):
        raise ValueError("share")
    return Kept(
        at=entry["at"],
        calibration=entry["calibration"],
        unit=entry["unit"],
        passed=entry["passed"],
        share=share,
        frequency_hz=rows[0],
        deviation=np.asarray(rows[1] + 1j * rows[2]),
    )


def _finite(values: Sequence[Any]) -> FloatArray:
    row = np.array(values, dtype=float)
    if row.ndim != 1 or not np.all(np.isfinite(row)):
        raise ValueError("numbers")
    return row
