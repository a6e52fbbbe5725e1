"""Budgets and comparisons as JSON."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from whichcore.analysis.budget import Budget, Line
from whichcore.analysis.comparison import Comparison
from whichcore.analysis.monte_carlo import DrawnInterval

if TYPE_CHECKING:
    from whichcore.cli.budget import Answer

FORMAT = "whichcore-budget/1"


def budget_report(answer: Answer) -> dict[str, Any]:
    """Return everything found, as the JSON of the command."""
    drawn = answer.drawn or (None,) * len(answer.budgets)
    pairs = zip(answer.budgets, drawn, strict=True)
    return {
        "format": FORMAT,
        "specimen": answer.first.stem,
        "scatter_estimated": answer.first.sweep.scatter_estimated,
        "draws": answer.draws,
        "budgets": [{**_budget(budget), "monte_carlo": _drawn(budget, item)} for budget, item in pairs],
        "against": None if answer.second is None else answer.second.stem,
        "same_specimen": answer.same_specimen,
        "comparisons": [_comparison(item) for item in answer.comparisons],
    }


def _budget(budget: Budget) -> dict[str, Any]:
    return {
        "quantity": budget.functional.id,
        "unit": budget.functional.unit,
        "frequency_hz": budget.frequency_hz,
        "value": budget.value,
        "standard_uncertainty": budget.standard_uncertainty,
        "interval": [budget.value - budget.half_width, budget.value + budget.half_width],
        "interval_convolved": budget.convolved,
        "lines": [_line(line) for line in budget.lines],
    }


def _line(line: Line) -> dict[str, Any]:
    return {
        "ids": list(line.ids),
        "name": line.cause.name,
        "scope": line.scope.value,
        "distribution": line.distribution.value,
        "standard_uncertainty": line.standard_uncertainty,
        "share": line.share,
        "remedy": line.cause.remedy,
    }


def _drawn(budget: Budget, item: DrawnInterval | None) -> dict[str, Any] | None:
    if item is None:
        return None
    return {
        "interval": [item.low, item.high],
        "mean": item.mean,
        "standard_uncertainty": item.standard_uncertainty,
        "end_uncertainty": item.end_uncertainty,
        "disagrees": item.disagrees(budget.value, budget.half_width),
    }


def _comparison(item: Comparison) -> dict[str, Any]:
    return {
        "first": item.first,
        "second": item.second,
        "difference": _budget(item.difference),
        "difference_uncertainty_without_cancelling": item.u_difference_apart,
        "ratio": None if item.ratio is None else _budget(item.ratio),
        "ratio_uncertainty_without_cancelling": item.u_ratio_apart,
        "cancelled": [
            {"name": row.name, "in_first": row.first, "in_second": row.second, "left": row.left}
            for row in item.cancelled
        ],
    }
