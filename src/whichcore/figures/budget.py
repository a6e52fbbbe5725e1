"""Where the uncertainty comes from: shares over frequency, and bars for one frequency."""

from __future__ import annotations

import numpy as np
from matplotlib.artist import Artist
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from whichcore.analysis.budget import Budget, ShareCurve, share_curves
from whichcore.analysis.functional import RealCurve
from whichcore.analysis.types import FloatArray
from whichcore.errors import AnalysisError
from whichcore.figures.style import (
    BLUE,
    ORANGE,
    PURPLE,
    VERMILION,
    Theme,
    dress,
    finish_frequency_axis,
    legend_row,
    theme,
    two_panels,
    wrapped,
)
from whichcore.wording import amount, measured, percent, quantity

LAYERS = 4
# fill and hatch of each layer; what is left over is quiet
STYLES = ((BLUE, ""), (ORANGE, "///"), (PURPLE, "..."), (VERMILION, "\\\\\\"))
REST_HATCH = "xx"


def shares_figure(curve: RealCurve, title: str, *, dark: bool = False, width_in: float = 7.0) -> Figure:
    """Draw the relative standard uncertainty over frequency and below it the shares of its causes.

    Parameters
    ----------
    curve : RealCurve
    title : str
    dark : bool
        For a dark page.
    width_in : float
        Width in inches; 4 suits a phone.

    Raises
    ------
    AnalysisError
        Nothing contributes at any frequency.
    """
    shares = share_curves(curve)
    if not shares:
        raise _nothing(curve.functional.symbol)
    colours = theme(dark)
    figure, (top, bottom) = two_panels(title, colours, width_in)
    _relative(top, curve, colours)
    handles = _layers(bottom, curve.frequency_hz, shares, colours)
    bottom.set_ylim(0, 100)
    bottom.set_ylabel("share of the variance (%)")
    finish_frequency_axis(bottom, curve.frequency_hz)
    legend_row(figure, handles, colours, width_in)
    return figure


def _relative(panel: Axes, curve: RealCurve, colours: Theme) -> None:
    """Draw u over |value| in percent; of a quantity that goes round, u itself."""
    functional, u = curve.functional, np.sqrt(curve.variance)
    absolute = functional.period is not None
    size = np.ones_like(u) if absolute else np.abs(curve.value) / 100
    drawn = np.where((u > 0) & (size > 0), u / np.where(size > 0, size, 1.0), np.nan)
    panel.plot(curve.frequency_hz, drawn, color=colours.ink, linewidth=1.4, marker="o", markersize=3)
    panel.set_yscale("log")
    span = drawn[np.isfinite(drawn)]
    panel.set_ylim(span.min() / 1.6, span.max() * 1.6)
    panel.yaxis.set_major_formatter(lambda value, _: f"{value:g}")
    if span.max() < 12 * span.min():
        panel.yaxis.set_minor_formatter(lambda value, _: f"{value:.2g}" if _leading(value) in {2, 5} else "")
    unit = f"({functional.unit})" if absolute else f"(% of {functional.symbol})"
    panel.set_ylabel(f"standard uncertainty\nof {functional.symbol} {unit}")


def _leading(value: float) -> int:
    return round(float(value / 10.0 ** np.floor(np.log10(value) + 1e-9)))


def _layers(
    panel: Axes, frequency_hz: FloatArray, shares: tuple[ShareCurve, ...], colours: Theme
) -> dict[str, Artist]:
    """Stack the largest shares, the rest above them; a single point is drawn a tenth of an octave wide."""
    shown, rest = shares[:LAYERS], shares[LAYERS:]
    layers = [(s.name, s.share, *style) for s, style in zip(shown, STYLES, strict=False)]
    if rest:
        together = np.sum([s.share for s in rest], axis=0)
        layers.append((f"{_others(len(rest))} together", together, colours.quiet, REST_HATCH))
    x = frequency_hz if frequency_hz.size > 1 else frequency_hz[0] * np.array([2**-0.05, 2**0.05])
    foot = np.zeros(x.size)
    handles: dict[str, Artist] = {}
    for name, share, fill, hatch in layers:
        head = foot + 100 * (share if frequency_hz.size > 1 else np.repeat(share, 2))
        handles[name] = panel.fill_between(
            x, foot, head, facecolor=fill, hatch=hatch, edgecolor=colours.ink, linewidth=0.6
        )
        foot = head
    return handles


def bars_figure(budget: Budget, title: str, *, dark: bool = False, width_in: float = 7.0) -> Figure:
    """Draw the lines of a budget at one frequency as bars, the small ones together.

    Parameters
    ----------
    budget : Budget
    title : str
    dark : bool
        For a dark page.
    width_in : float
        Width in inches; 4 suits a phone.

    Raises
    ------
    AnalysisError
        The budget has no lines.
    """
    if not budget.lines:
        raise _nothing(budget.functional.symbol)
    colours = theme(dark)
    rows = _bar_rows(budget)
    texts = [wrapped(text, width_in, size=9.0) for text, _ in rows]
    heading = wrapped(f"{title}: {_result(budget)}", width_in, size=11.0)
    heights = [0.36 + 0.16 * (text.count("\n") + 1) for text in texts]
    figure = Figure(
        figsize=(width_in, sum(heights) + 0.75 + 0.2 * (heading.count("\n") + 1)),
        layout="constrained",
        facecolor=colours.paper,
    )
    figure.suptitle(heading, x=0.01, ha="left", color=colours.ink, fontsize=11, parse_math=False)
    panel = figure.add_subplot()
    foot = 0.0
    for number, ((_, share), text, height) in enumerate(zip(rows, texts, heights, strict=True)):
        foot += height
        rest = number >= len(budget.split()[0])
        panel.barh(
            foot - 0.14, 100 * share, height=0.24, color=colours.quiet if rest else BLUE,
            hatch=REST_HATCH if rest else "", edgecolor=colours.ink, linewidth=0.8,
        )  # fmt: skip
        panel.text(0.5, foot - 0.29, text, va="bottom", color=colours.ink, fontsize=9, parse_math=False)
    panel.set_ylim(foot + 0.1, 0)
    panel.set_xlim(0, 100)
    panel.set_yticks([])
    panel.set_xlabel("share of the variance (%)")
    dress(panel, colours)
    return figure


def _bar_rows(budget: Budget) -> list[tuple[str, float]]:
    shown, rest = budget.split()
    unit = budget.functional.unit
    rows = [
        (f"{line.cause.name}: {amount(line.standard_uncertainty, unit)}, {percent(line.share)}", line.share)
        for line in shown
    ]
    if rest:
        share = sum(line.share for line in rest)
        together = amount(float(np.sqrt(share)) * budget.standard_uncertainty, unit)
        rows.append((f"{_others(len(rest))} together: {together}, {percent(share)}", share))
    return rows


def _others(count: int) -> str:
    return f"{count} other{'s' * (count > 1)}"


def _result(budget: Budget) -> str:
    functional = budget.functional
    value = measured(budget.value, budget.standard_uncertainty, functional.unit)
    return f"{functional.symbol} = {value} at {quantity(budget.frequency_hz, 'Hz', 4)}"


def _nothing(symbol: str) -> AnalysisError:
    return AnalysisError(
        "there is nothing to draw: no error source contributes",
        where=symbol,
        next_step="state uncertainties in the sweep and the specimen",
    )
