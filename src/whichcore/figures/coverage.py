"""What a library covers: permeability over corner frequency, and how many curves speak where."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from matplotlib.artist import Artist
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.ticker import FuncFormatter, LogLocator, MaxNLocator, NullFormatter

from whichcore.analysis.library_coverage import USUAL_BAND_HZ, ClassCoverage, speaking
from whichcore.analysis.materials import MaterialClass
from whichcore.figures.style import (
    BLUE,
    ORANGE,
    PURPLE,
    VERMILION,
    Theme,
    finish_frequency_axis,
    legend_row,
    theme,
    two_panels,
)

# the rest of Okabe & Ito 2008 [published]
GREEN, SKY = "#009E73", "#56B4E9"
# colour, marker, line style; no two classes share any of the three
LOOKS = {
    MaterialClass.MNZN: (BLUE, "o", "-"),
    MaterialClass.NIZN: (VERMILION, "s", (0, (6, 2))),
    MaterialClass.MGZN: (PURPLE, "D", (0, (2, 1.5))),
    MaterialClass.CARBONYL_POWDER: (GREEN, "^", (0, (6, 2, 1, 2))),
    MaterialClass.ALLOY_POWDER: (ORANGE, "v", (0, (9, 2))),
    MaterialClass.NANOCRYSTALLINE: (SKY, "P", (0, (1, 1))),
    MaterialClass.AMORPHOUS: ("", "X", (0, (4, 1, 1, 1, 1, 1))),
    MaterialClass.OTHER: ("", "*", (0, (3, 4))),
}
_POINTS = 400


def coverage_figure(
    coverage: Sequence[ClassCoverage], title: str, *, dark: bool = False, width_in: float = 7.0
) -> Figure:
    """Draw μi over the corner frequency with the tolerance, and below it the number of curves over frequency.

    Parameters
    ----------
    coverage : sequence of ClassCoverage
        At least one of them with a material.
    title : str
    dark : bool
        For a dark page.
    width_in : float
        Width in inches; 4 suits a phone.
    """
    colours = theme(dark)
    figure, (top, bottom) = two_panels(title, colours, width_in)
    handles: dict[str, Artist] = {}
    filled = [item for item in coverage if item.places]
    ends = np.array([m.material.frequency_hz[[0, -1]] for item in filled for m in item.places])
    corners = np.array([place.corner_hz for item in filled for place in item.places])
    span = np.array([min(ends.min(), corners.min()), ends.max()])
    for item in filled:
        handles[item.material_class.value] = _places(top, item, colours)
        _counts(bottom, item, span, colours)
    if not all(place.corner_seen for item in filled for place in item.places):
        handles["hollow: corner beyond"] = top.plot(
            [],
            [],
            marker="o",
            color=colours.ink,
            markerfacecolor=colours.paper,
            linestyle="none",
            markersize=5,
        )[0]
    _dress(top, bottom)
    handles["usual band of a bench"] = bottom.axvspan(
        *USUAL_BAND_HZ, color=colours.grid, alpha=0.45, linewidth=0, zorder=0
    )
    finish_frequency_axis(bottom, span)
    legend_row(figure, handles, colours, width_in)
    return figure


def _dress(top: Axes, bottom: Axes) -> None:
    top.set_yscale("log")
    top.set_ylabel("initial permeability")
    low, high = top.get_ylim()
    if high < 20 * low:  # less than about a decade has too few powers of ten
        top.yaxis.set_major_locator(LogLocator(subs=(1, 2, 3, 5, 7)))
    top.yaxis.set_minor_formatter(NullFormatter())
    top.yaxis.set_major_formatter(FuncFormatter(lambda value, _: f"{value:g}"))
    bottom.set_ylabel("curves that speak")
    bottom.set_ylim(bottom=0)
    bottom.yaxis.set_major_locator(MaxNLocator(integer=True))


def _look(item: ClassCoverage, colours: Theme) -> tuple[str, str, object]:
    colour, marker, line = LOOKS[item.material_class]
    return colour or colours.ink, marker, line


def _places(panel: Axes, item: ClassCoverage, colours: Theme) -> Artist:
    """Draw the references of one class with their tolerance; a corner beyond the curve is hollow."""
    colour, marker, line = _look(item, colours)
    for place in item.places:
        mu, f = place.material.initial_permeability, place.corner_hz
        reach = mu * np.exp(np.array([-1, 1]) * place.material.tolerance)
        panel.plot([f, f], reach, color=colour, linewidth=1.0, alpha=0.7, zorder=2)
        edge, fill = (colours.paper, colour) if place.corner_seen else (colour, colours.paper)
        panel.plot(
            f, mu, marker=marker, markersize=5.5, markeredgecolor=edge, markeredgewidth=0.7,
            markerfacecolor=fill, zorder=3,
        )  # fmt: skip
    return panel.plot([], [], color=colour, marker=marker, linestyle=line, markersize=6)[0]


def _counts(panel: Axes, item: ClassCoverage, span: np.ndarray, colours: Theme) -> None:
    colour, _, line = _look(item, colours)
    frequency = np.geomspace(span[0], span[1], _POINTS)
    panel.step(frequency, speaking(item, frequency), where="mid", color=colour, linestyle=line, linewidth=1.6)
