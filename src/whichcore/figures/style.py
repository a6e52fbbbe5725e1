"""How the figures look: themes, scales, ticks, titles and the row of the legend.

Imports matplotlib, so only :mod:`whichcore.figures` uses it.
"""

from __future__ import annotations

import textwrap
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from matplotlib.artist import Artist
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.ticker import EngFormatter, FixedLocator, FuncFormatter, LogLocator, NullFormatter

from whichcore.analysis.types import FloatArray
from whichcore.wording import bound

# Okabe & Ito 2008 [published]; chosen so that their lightness differs too
BLUE, PURPLE, ORANGE, VERMILION = "#0072B2", "#CC79A7", "#E69F00", "#D55E00"
NORMAL_95 = 1.959964  # half width of the 95 % interval of a normal distribution; memory


@dataclass(frozen=True, slots=True)
class Theme:
    """Colours of paper, ink, grid and of what steps back."""

    paper: str
    ink: str
    grid: str
    quiet: str


LIGHT = Theme(paper="#FFFFFF", ink="#1A1A1A", grid="#D9D9D9", quiet="#BDBDBD")
DARK = Theme(paper="#14181D", ink="#F0F0F0", grid="#3A4048", quiet="#6B7480")


def theme(dark: bool) -> Theme:
    """Return the colours for a dark or a light page."""
    return DARK if dark else LIGHT


def two_panels(title: str, colours: Theme, width_in: float) -> tuple[Figure, tuple[Axes, Axes]]:
    """Return a figure with a title and two panels on one logarithmic frequency axis."""
    figure = Figure(
        figsize=(width_in, max(5.2, 0.85 * width_in)), layout="constrained", facecolor=colours.paper
    )
    heading = wrapped(title, width_in, size=11.0)
    figure.suptitle(heading, x=0.01, ha="left", color=colours.ink, fontsize=11, parse_math=False)
    top, bottom = figure.subplots(2, 1, sharex=True)
    for panel in (top, bottom):
        panel.set_xscale("log")
        panel.grid(visible=True, color=colours.grid, linewidth=0.6)
        dress(panel, colours)
    return figure, (top, bottom)


def dress(panel: Axes, colours: Theme) -> None:
    """Give a panel the colours of the theme and take its idle edges away."""
    panel.set_facecolor(colours.paper)
    panel.set_axisbelow(True)
    panel.tick_params(which="both", colors=colours.ink, labelsize=9)
    for label in (panel.xaxis.label, panel.yaxis.label):
        label.set_color(colours.ink)
        label.set_fontsize(9)
    for spine in panel.spines.values():
        spine.set_color(colours.ink)
    panel.spines[["top", "right"]].set_visible(False)


def log_axis(panel: Axes, values: FloatArray, label: str, u: FloatArray) -> None:
    """Scale and limits for ``values`` (F,), the measured ones first, and the uncertainties of these.

    Logarithmic, or linear near zero where values of zero or below ask for it. The limits hold every finite
    value and its band; on a logarithmic scale the lower end of a band may run off the edge.
    """
    half = np.zeros_like(values)
    half[: u.size] = np.where(np.isfinite(u), NORMAL_95 * u, 0.0)
    finite = np.isfinite(values)
    values, low, high = values[finite], (values - half)[finite], (values + half)[finite]
    panel.set_ylabel(label)
    if values.size == 0:
        return
    if (values > 0).all():
        floor = np.maximum(low, values.min() / 5).min()
        panel.set_yscale("log")
        panel.set_ylim(floor / 1.4, 1.4 * high.max())
        _plain_ticks(panel, 2 * floor > high.max() / 10)
        return
    linear = _linear_zone(values, u)
    panel.set_yscale("symlog", linthresh=linear, linscale=0.6)
    panel.set_ylim(1.5 * min(low.min(), -linear), 1.5 * max(high.max(), linear))
    for edge in (-linear, linear):
        panel.axhline(edge, color=panel.yaxis.label.get_color(), linewidth=0.8, linestyle=":")
    panel.set_ylabel(f"{label},\nlinear within ±{linear:g}")
    _plain_ticks(panel, label_between=False)
    # zero and the decades outside the linear zone: inside it the labels would cover each other
    powers = linear * 10.0 ** np.arange(np.ceil(np.log10(max(-low.min(), high.max(), linear) / linear)) + 1)
    panel.yaxis.set_major_locator(FixedLocator([*-powers[::-1], 0.0, *powers]))


def _plain_ticks(panel: Axes, label_between: bool) -> None:
    """Write the numbers out; on less than about a decade also label some between the powers of ten."""
    plain = FuncFormatter(lambda value, _: f"{value:g}".replace("-", "−"))
    panel.yaxis.set_major_formatter(plain)
    panel.yaxis.set_minor_formatter(plain if label_between else NullFormatter())
    if label_between:
        panel.yaxis.set_minor_locator(LogLocator(subs=(2, 3, 5, 7)))


def _linear_zone(finite: FloatArray, u: FloatArray) -> float:
    """Return a power of ten: about the uncertainty of the values, three decades below the largest at most."""
    largest = float(np.abs(finite).max())
    if largest == 0:
        return 1.0
    typical = float(np.nanmedian(u)) if np.isfinite(u).any() else 0.0
    zone = min(max(2 * typical, largest * 1e-3), largest / 10)
    return float(10.0 ** np.ceil(np.log10(zone)))


def finish_frequency_axis(panel: Axes, frequency_hz: FloatArray) -> None:
    """Label the frequency axis and let it end with the data."""
    panel.xaxis.set_major_formatter(EngFormatter(sep=" "))
    panel.xaxis.set_minor_formatter(NullFormatter())
    panel.set_xlim(frequency_hz.min() / 1.15, frequency_hz.max() * 1.15)
    panel.set_xlabel("frequency (Hz)")


def legend_row(figure: Figure, handles: Mapping[str, Artist], colours: Theme, width_in: float) -> None:
    """Put the legend into a row of its own under the panels, where it covers nothing."""
    texts = [wrapped(text, width_in - 0.6, size=9.0) for text in handles]
    longest = max(len(line) for text in texts for line in text.split("\n"))
    columns = int(np.clip((width_in - 0.2) // (0.075 * longest + 0.7), 1, 3))
    legend = figure.legend(
        list(handles.values()), texts, loc="outside lower left", ncols=columns, frameon=False, fontsize=9,
        labelcolor=colours.ink, handlelength=3.2,
    )  # fmt: skip
    for text in legend.get_texts():
        text.set_parse_math(False)


def wrapped(text: str, width_in: float, size: float) -> str:
    """Break a text into lines that fit; a letter is about 0.6 of the size wide."""
    letters = max(12, int(72 * (width_in - 0.3) / (0.6 * size)))
    # a no-break space holds while the lines are made; a plain one is drawn
    lines = textwrap.wrap(bound(" ".join(text.split())), letters)
    return "\n".join(lines).replace("\u00a0", " ") or " "
