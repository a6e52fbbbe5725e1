"""Budgets and comparisons in words."""

from __future__ import annotations

from typing import TYPE_CHECKING

from whichcore.analysis.budget import Budget
from whichcore.analysis.comparison import Comparison
from whichcore.analysis.monte_carlo import DrawnInterval
from whichcore.analysis.types import Distribution, Scope
from whichcore.budget_words import (
    HEADS,
    KINDS,
    SHORT_KINDS,
    between,
    closing,
    interval_sentence,
    relative,
    rows_of,
    value_of,
)
from whichcore.cli.show import Block, Grid, Heading, Lines, page
from whichcore.wording import amount, quantity

if TYPE_CHECKING:
    from whichcore.cli.budget import Answer


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
    first = [f"{functional.symbol} = {value_of(budget)} (standard uncertainty{relative(budget)})."]
    first.append(interval_sentence(budget))
    if item is not None:
        first += _drawn_sentences(budget, item, answer.draws or 0)
    blocks: list[Block] = [Heading(title), Lines(tuple(first))]
    if budget.lines:
        blocks += [grid(budget), Lines(closing(budget))]
    return blocks


def _drawn_sentences(budget: Budget, item: DrawnInterval, draws: int) -> list[str]:
    told = [
        f"By {draws} draws: {between(budget, item.low, item.high)}, standard uncertainty "
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
    return Grid(HEADS, rows_of(budget), frozenset({"u", "share"}))


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
        f"Difference: {value_of(difference)}; ± {apart} were nothing shared.",
    ]
    if item.ratio is not None and item.u_ratio_apart is not None:
        told.append(f"Ratio: {value_of(item.ratio)}; ± {amount(item.u_ratio_apart, '')} were nothing shared.")
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
