"""A budget in sentences and rows, the same on a terminal and in a report."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from whichcore.analysis.budget import Budget, Line
from whichcore.analysis.types import Scope
from whichcore.wording import amount, finely, in_percent, listed, measured, percent

HEADS = ("cause", "kind", "shape", "u", "share", "id")
KINDS = {
    Scope.POINT: "own to each frequency",
    Scope.RANGE: "common to a range",
    Scope.SWEEP: "common to the sweep",
    Scope.SPECIMENS: "common to all specimens on this calibration",
    Scope.SPECIMENS_POINT: "own to each frequency, common to all specimens on this calibration",
}
SHORT_KINDS = {
    Scope.POINT: "own",
    Scope.RANGE: "range",
    Scope.SWEEP: "sweep",
    Scope.SPECIMENS: "calibration",
    Scope.SPECIMENS_POINT: "calibration, own",
}


def value_of(budget: Budget) -> str:
    """Return the value with its standard uncertainty."""
    return measured(budget.value, budget.standard_uncertainty, budget.functional.unit)


def relative(budget: Budget) -> str:
    """Return u in percent; of a value that may be zero, or of an angle, it says nothing."""
    if budget.functional.period is not None or not 0 < budget.standard_uncertainty < abs(budget.value):
        return ""
    return f", {in_percent(budget.standard_uncertainty / abs(budget.value))}"


def interval_sentence(budget: Budget) -> str:
    """Return the 95 % interval, and from which distribution it comes."""
    if not budget.lines:
        return "No interval: nothing is stated that could be wrong."
    ends = between(budget, budget.value - budget.half_width, budget.value + budget.half_width)
    how = (
        f"from the convolved distribution, because {budget.lines[0].cause.name} "
        f"({budget.lines[0].distribution.value}) holds more than half of the variance"
        if budget.convolved
        else "normal distribution"
    )
    return f"95 % interval: {ends} ({how})."


def between(budget: Budget, low: float, high: float) -> str:
    """Return two ends, written as fine as three digits of the half width."""
    half, unit = (high - low) / 2, budget.functional.unit
    return f"{finely(low, half, unit)} to {finely(high, half, unit)}"


def rows_of(budget: Budget) -> tuple[tuple[str, ...], ...]:
    """Return a row under ``HEADS`` for each line, the small ones summed in one."""
    shown, rest = budget.split()
    unit = budget.functional.unit
    rows = [_row(line, unit) for line in shown]
    if rest:
        share = sum(line.share for line in rest)
        together = float(np.sqrt(share)) * budget.standard_uncertainty
        name = f"{len(rest)} others together"
        rows.append((name, "", "", amount(together, unit), percent(share), ""))
    rows.append(("all together", "", "", amount(budget.standard_uncertainty, unit), "100 %", ""))
    return tuple(rows)


def _row(line: Line, unit: str) -> tuple[str, ...]:
    return (
        line.cause.name,
        SHORT_KINDS[line.scope],
        line.distribution.value,
        amount(line.standard_uncertainty, unit),
        percent(line.share),
        _shown_id(line.ids),
    )


def _shown_id(ids: tuple[str, ...]) -> str:
    """Return the id; of numbered columns of one cause what they have in common."""
    return ids[0] if len(ids) == 1 else f"{ids[0][:-1].rstrip(' ,')} …"


def closing(budget: Budget) -> tuple[str, ...]:
    """Say what would shrink the lines shown, and what halving or losing the largest one would leave."""
    return ("What would shrink each:", *(f"  {line}" for line in remedies([budget])), largest(budget))


def remedies(budgets: Sequence[Budget]) -> tuple[str, ...]:
    """Say what would shrink the lines shown of some budgets, each remedy once."""
    causes: dict[str, list[str]] = {}
    for line in (line for budget in budgets for line in budget.split()[0]):
        names = causes.setdefault(line.cause.remedy, [])
        names += [line.cause.name] if line.cause.name not in names else []
    return tuple(f"{listed(names, 'and')}: {remedy}." for remedy, names in causes.items())


def largest(budget: Budget) -> str:
    """Say what halving or losing the largest line of a budget would leave."""
    unit, line = budget.functional.unit, budget.lines[0]
    half, gone = (amount(budget.left(line, factor), unit) for factor in (0.5, 0.0))
    now = amount(budget.standard_uncertainty, unit)
    return (
        f"The largest line is {line.cause.name}. Were it halved, u would fall from {now} to {half}; were "
        f"it gone, to {gone}."
    )
