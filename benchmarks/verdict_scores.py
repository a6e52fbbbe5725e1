"""Scores of many verdicts: hits, calibration, and how far chance moves them.

The spread comes from drawing grades anew, not verdicts: verdicts on one grade go wrong together.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

Row = dict[str, Any]
Floats = NDArray[np.float64]
_DRAWS = 400


def column(rows: Sequence[Row], name: str) -> Floats:
    """One number of every row."""
    return np.array([row[name] for row in rows], dtype=np.float64)


def calibration_error(probability: Floats, hit: NDArray[Any], bins: int = 10) -> float:
    """Return the expected calibration error over bins of equal count."""
    parts = np.array_split(np.argsort(probability, kind="stable"), bins)
    gaps = [abs(probability[i].mean() - hit[i].mean()) * i.size for i in parts if i.size]
    return float(np.sum(gaps) / probability.size)


def perfect_judge_error(probability: Floats, rng: np.random.Generator) -> float:
    """Calibration error a perfectly calibrated judge would score on these probabilities."""
    draws = [
        calibration_error(probability, rng.random(probability.size) < probability) for _ in range(_DRAWS // 2)
    ]
    return float(np.mean(draws))


def over_grades(rows: Sequence[Row], score: Callable[[list[Row]], float]) -> tuple[float, float]:
    """Return the ends of the 95 % interval of a score, grades drawn anew with replacement."""
    rng = np.random.default_rng(0)
    groups: dict[str, list[Row]] = {}
    for row in rows:
        groups.setdefault(row["truth"], []).append(row)
    grades = list(groups.values())
    values = []
    for _ in range(_DRAWS):
        picked = rng.integers(len(grades), size=len(grades))
        values.append(score([row for g in picked for row in grades[g]]))
    low, high = np.quantile(values, [0.025, 0.975])
    return float(low), float(high)


def share(rows: Sequence[Row], holds: Callable[[Row], bool]) -> float:
    """Share of rows of which something holds; NaN of none."""
    return float(np.mean([holds(row) for row in rows])) if rows else float("nan")


def first(rows: Sequence[Row]) -> float:
    """Share of draws whose grade is the most probable candidate."""
    return share(rows, lambda row: row["rank"] == 0)


def within_three(rows: Sequence[Row]) -> float:
    """Share of draws whose grade is among the three most probable."""
    return share(rows, lambda row: row["rank"] < 3)


def excess(rows: Sequence[Row]) -> float:
    """Mean probability of the first candidate less the share of hits: above zero is too sure."""
    return float(column(rows, "first").mean()) - first(rows)


def error_of_first(rows: Sequence[Row]) -> float:
    """Calibration error of the first candidate's probability."""
    return calibration_error(column(rows, "first"), column(rows, "rank") == 0)


def summary(rows: Sequence[Row]) -> dict[str, float | tuple[float, float]]:
    """Hits and calibration of some verdicts; an interval is a pair."""
    probability, hit = column(rows, "first"), column(rows, "rank") == 0
    own = np.maximum(column(rows, "own"), 1e-12)
    return {
        "draws": len(rows),
        "first": first(rows),
        "first, interval": over_grades(rows, first),
        "within three": within_three(rows),
        "mean probability of the first": float(probability.mean()),
        "too sure by, interval": over_grades(rows, excess),
        "calibration error": calibration_error(probability, hit),
        "of a perfect judge": perfect_judge_error(probability, np.random.default_rng(0)),
        "log score": float(np.log(own).mean()),
    }
