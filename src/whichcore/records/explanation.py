"""How a verdict explains the data, kept beside it: the fitted curves, and the odds along the curve.

The JSON of a verdict says what was found. What a report draws is more, and goes into its record alone, under
a key of its own; records of earlier versions lack it.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Any

import numpy as np

from whichcore.analysis.types import ComplexArray, FloatArray
from whichcore.analysis.verdict import Candidate, DecidedBy, Verdict

KEY = "explained"


def explanation_of(verdict: Verdict, names: Mapping[str, str]) -> dict[str, Any]:
    """Return as JSON what the verdict's own JSON leaves out; null stands where a curve says nothing.

    Parameters
    ----------
    verdict : Verdict
    names : mapping of str to str
        Names of the materials by id.
    """
    decided = verdict.decided_by
    return {
        "stated_turns": verdict.stated_turns,
        "candidates": [_told(one, names.get(one.material, one.material)) for one in verdict.candidates],
        "decided_by": None
        if decided is None
        else {
            "frequency_hz": decided.frequency_hz.tolist(),
            "log_odds_real": _numbers(decided.log_odds[:, 0]),
            "log_odds_imag": _numbers(decided.log_odds[:, 1]),
            "misfit": _numbers(decided.misfit),
        },
    }


def _told(one: Candidate, name: str) -> dict[str, Any]:
    return {
        "material": one.material,
        "name": name,
        "class": one.material_class,
        "scale": one.scale,
        "corner_shift": one.corner_shift,
        "gap_ratio": one.gap_ratio,
        "turns": one.turns,
        "points_used": one.points_used,
        "points_total": one.points_total,
        "mu_real": None if one.fitted is None else _numbers(one.fitted.real),
        "mu_imag": None if one.fitted is None else _numbers(-one.fitted.imag),
    }


def explained(verdict: Verdict, kept: Mapping[str, Any]) -> Verdict:
    """Return a verdict with what :func:`explanation_of` has kept of it.

    Raises
    ------
    KeyError, TypeError, ValueError
        Something that belongs to it is missing or of another kind.
    """
    by_id = {one["material"]: one for one in kept["candidates"]}
    decided, odds = verdict.decided_by, kept["decided_by"]
    return replace(
        verdict,
        stated_turns=int(kept["stated_turns"]),
        candidates=tuple(_candidate(one, by_id[one.material]) for one in verdict.candidates),
        decided_by=decided if decided is None or odds is None else _decided(decided, odds),
    )


def names_of(kept: Mapping[str, Any]) -> dict[str, str]:
    """Return the names of the materials as they were, by id; raises as :func:`explained`."""
    return {one["material"]: str(one["name"]) for one in kept["candidates"]}


def _candidate(one: Candidate, kept: Mapping[str, Any]) -> Candidate:
    return replace(
        one,
        material_class=str(kept["class"]),
        scale=_ratio(kept["scale"]),
        corner_shift=_ratio(kept["corner_shift"]),
        gap_ratio=float(kept["gap_ratio"]),
        turns=int(kept["turns"]),
        points_used=int(kept["points_used"]),
        points_total=int(kept["points_total"]),
        fitted=_curve(kept["mu_real"], kept["mu_imag"]),
    )


def _decided(one: DecidedBy, kept: Mapping[str, Any]) -> DecidedBy:
    first, second = _values(kept["misfit"])
    return replace(
        one,
        frequency_hz=_values(kept["frequency_hz"]),
        log_odds=np.stack([_values(kept["log_odds_real"]), _values(kept["log_odds_imag"])], axis=1),
        misfit=(float(first), float(second)),
    )


def _curve(real: Sequence[float | None] | None, imag: Sequence[float | None] | None) -> ComplexArray | None:
    return None if real is None or imag is None else _values(real) - 1j * _values(imag)


def _ratio(value: float | None) -> float | None:
    return None if value is None else float(value)


def _values(kept: Sequence[float | None]) -> FloatArray:
    return np.array([np.nan if value is None else float(value) for value in kept])


def _numbers(values: FloatArray | Sequence[float]) -> list[float | None]:
    return [float(value) if np.isfinite(value) else None for value in values]
