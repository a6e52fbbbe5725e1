"""Budgets and comparisons in words."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from whichcore.analysis.budget import Budget, Line
from whichcore.analysis.comparison import Comparison
from whichcore.analysis.monte_carlo import DrawnInterval
from whichcore.analysis.types import Distribution, Scope
from whichcore.cli.show import Block, Grid, Heading, Lines, page
from whichcore.wording import amount, finely, listed, measured, percent, quantity

if TYPE_CHECKING:
    from whichcore.cli.budget import Answer

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


def budget_page(answer: Answer) -> str:
    """Return the whole answer."""
    blocks: list[Block] = []
    drawn = answer.drawn or (None,) * len(answer.budgets)
    for budget, item in zip(answer.budgets, drawn, strict=True):
        blocks += _blocks(budget, item, answer)
    blocks.append(Lines(_legend(answer)))
    if answer.second is not None:
        shared = "; it is the same specimen" if answer.same_specimen else ""
        blocks.append(Heading(f"{answer.first.stem} against {answer.second.stem}{shared}"))
        for comparison in answer.comparisons:
            blocks += _compared(comparison)
    return page(blocks)


def _blocks(budget: Budget, item: DrawnInterval | None, answer: Answer) -> list[Block]:
    functional = budget.functional
    title = f"{answer.first.stem}: {functional.symbol} at {quantity(budget.frequency_hz, 'Hz', 4)}"
    first = [f"{functional.symbol} = {_value(budget)} (standard uncertainty{_relative(budget)})."]
    first.append(_interval_sentence(budget))
    if item is not None:
        first += _drawn_sentences(budget, item, answer.draws or 0)
    blocks: list[Block] = [Heading(title), Lines(tuple(first))]
    if budget.lines:
        blocks += [grid(budget), Lines(closing(budget))]
    return blocks


def _value(budget: Budget) -> str:
    return measured(budget.value, budget.standard_uncertainty, budget.functional.unit)


def _relative(budget: Budget) -> str:
    """Return u in percent; of a value that may be zero, or of an angle, it says nothing."""
    if budget.functional.period is not None or not 0 < budget.standard_uncertainty < abs(budget.value):
        return ""
    return f", {100 * budget.standard_uncertainty / abs(budget.value):.2g} %"


def _interval_sentence(budget: Budget) -> str:
    if not budget.lines:
        return "No interval: nothing is stated that could be wrong."
    between = _between(budget, budget.value - budget.half_width, budget.value + budget.half_width)
    how = (
        f"from the convolved distribution, because {budget.lines[0].cause.name} "
        f"({budget.lines[0].distribution.value}) holds more than half of the variance"
        if budget.convolved
        else "normal distribution"
    )
    return f"95 % interval: {between} ({how})."


def _between(budget: Budget, low: float, high: float) -> str:
    """Return two ends, written as fine as three digits of the half width."""
    half, unit = (high - low) / 2, budget.functional.unit
    return f"{finely(low, half, unit)} to {finely(high, half, unit)}"


def _drawn_sentences(budget: Budget, item: DrawnInterval, draws: int) -> list[str]:
    told = [
        f"By {draws} draws: {_between(budget, item.low, item.high)}, standard uncertainty "
        f"{amount(item.standard_uncertainty, budget.functional.unit)}; the draws leave each end uncertain by "
        f"{amount(item.end_uncertainty, budget.functional.unit)}."
    ]
    if item.disagrees(budget.value, budget.half_width):
        told.append(
            "The two intervals differ by more than a tenth of the half width: errors are too large here for "
            "the first order the budget rests on. Trust the draws, and take the table as a guide alone."
        )
    return told


def grid(budget: Budget) -> Grid:
    """Return the lines of a budget as a table, the small ones summed in one."""
    shown, rest = budget.split()
    unit = budget.functional.unit
    rows = [_row(line, unit) for line in shown]
    if rest:
        share = sum(line.share for line in rest)
        together = float(np.sqrt(share)) * budget.standard_uncertainty
        name = f"{len(rest)} others together"
        rows.append((name, "", "", amount(together, unit), percent(share), ""))
    rows.append(("all together", "", "", amount(budget.standard_uncertainty, unit), "100 %", ""))
    heads = ("cause", "kind", "shape", "u", "share", "id")
    return Grid(heads, tuple(rows), frozenset({"u", "share"}))


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
    shown, _ = budget.split()
    unit, largest = budget.functional.unit, budget.lines[0]
    half, gone = (amount(budget.left(largest, factor), unit) for factor in (0.5, 0.0))
    now = amount(budget.standard_uncertainty, unit)
    remedies: dict[str, list[str]] = {}
    for line in shown:
        remedies.setdefault(line.cause.remedy, []).append(line.cause.name)
    told = ["What would shrink each:"]
    told += [f"  {listed(names, 'and')}: {remedy}." for remedy, names in remedies.items()]
    told.append(
        f"The largest line is {largest.cause.name}. Were it halved, u would fall from {now} to {half}; were "
        f"it gone, to {gone}."
    )
    return tuple(told)


def _legend(answer: Answer) -> tuple[str, ...]:
    met = {line.scope for budget in answer.budgets for line in budget.lines}
    shapes = {line.distribution for budget in answer.budgets for line in budget.lines}
    told = [f"  {SHORT_KINDS[scope]}: {KINDS[scope]}." for scope in Scope if scope in met]
    if not told:
        return ()
    flat = " A shape that is not normal has ends." if shapes - {Distribution.NORMAL} else ""
    return (
        "u: standard uncertainty each cause brings, share: of the variance; squares of u add up." + flat,
        "Kinds:",
        *told,
    )


def _compared(item: Comparison) -> list[Block]:
    unit, symbol = item.functional.unit, item.functional.symbol
    at = quantity(item.frequency_hz, "Hz", 4)
    difference = item.difference
    apart = amount(item.u_difference_apart, unit)
    told = [
        f"{symbol} {amount(item.first, unit, 5)} and {amount(item.second, unit, 5)}.".replace("-", "−"),
        f"Difference: {_value(difference)}; ± {apart} were nothing shared.",
    ]
    if item.ratio is not None and item.u_ratio_apart is not None:
        told.append(f"Ratio: {_value(item.ratio)}; ± {amount(item.u_ratio_apart, '')} were nothing shared.")
    told += _cancelled_sentences(item)
    table = item.ratio or difference
    blocks: list[Block] = [Heading(f"{symbol} at {at}"), Lines(tuple(told))]
    if table.lines:
        blocks += [
            Lines((f"What is left of the uncertainty of the {'ratio' if item.ratio else 'difference'}:",))
        ]
        blocks.append(grid(table))
    return blocks


def _cancelled_sentences(item: Comparison) -> list[str]:
    if not item.cancelled:
        return ["They share no cause of error: nothing cancels."]
    unit = item.functional.unit
    told = ["Shared, and so subtracted before squaring:"]
    for row in item.cancelled[:5]:
        sizes = f"{amount(row.first, unit)} and {amount(row.second, unit)} leave {amount(row.left, unit)}"
        told.append(f"  {row.name}: {sizes}.")
    if len(item.cancelled) > 5:
        told.append(f"  and {len(item.cancelled) - 5} smaller.")
    return told
