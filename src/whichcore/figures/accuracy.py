"""What a bench reaches: contours over frequency and |Z|, and μ′ and tan δ of one core."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Literal

import matplotlib as mpl
import numpy as np
from matplotlib.artist import Artist
from matplotlib.axes import Axes
from matplotlib.colors import to_rgb
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from matplotlib.patches import Patch
from matplotlib.ticker import EngFormatter, NullFormatter

from whichcore.analysis.accuracy import SpecimenAccuracy, contour_levels
from whichcore.analysis.types import AccuracyMap, FloatArray, Reach
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
    log_axis,
    theme,
    two_panels,
    wrapped,
)
from whichcore.wording import in_percent, quantity

Shown = Literal["size", "angle"]
HATCHES = {Reach.TOO_SMALL: "----", Reach.CLIPPED: "xxxx", Reach.SHORT: "\\\\\\\\", Reach.OPEN: "////"}
TITLES = {
    "size": "standard uncertainty of |Z|",
    "angle": "standard uncertainty of the angle of Z, 1 % = 10 mrad",
}
PATHS = ((ORANGE, (0, ()), "o"), (VERMILION, (0, (5, 2)), "s"), (PURPLE, (0, (5, 2, 1, 2)), "^"))
LEAST_ROOM_IN = 2.4  # of a panel beside others; narrower ones go below each other
SMALL = 7.5  # letters within a panel
SHORTEST_LINE = 10.0  # ratio of its ends; a shorter line in a corner has no room for its label


@dataclass(frozen=True, slots=True)
class Path:
    """|Z| of a wound core over frequency, to be laid over a map; float arrays (N,)."""

    name: str
    frequency_hz: FloatArray
    impedance_ohm: FloatArray


def accuracy_figure(
    maps: Sequence[AccuracyMap],
    title: str,
    *,
    shown: Shown = "size",
    paths: Sequence[Path] = (),
    dark: bool = False,
    width_in: float = 9.0,
) -> Figure:
    """Draw what a bench reaches, one panel for each wiring, with contours in percent.

    Parameters
    ----------
    maps : sequence of AccuracyMap
        One for each panel.
    title : str
    shown : "size" or "angle"
        Uncertainty of |Z|, or of the angle of Z; the latter is that of tan δ for a core of low loss.
    paths : sequence of Path
        Cores to be laid over all panels, three at most.
    dark : bool
        For a dark page.
    width_in : float
        Width in inches; 4 suits a phone, where the panels stand below each other.

    Raises
    ------
    AnalysisError
        No map, or none of the maps reaches anything.
    """
    values = [_values(item, shown) for item in maps]
    seen = [value[item.reached] for value, item in zip(values, maps, strict=True)]
    if not any(part.size for part in seen):
        raise AnalysisError(
            "there is nothing to draw: the bench reaches no impedance",
            where="accuracy map",
            got=f"{len(maps)} maps",
            next_step="check level and ranges in bench.toml",
        )
    colours, levels = theme(dark), contour_levels(np.concatenate(seen))
    beside = width_in / len(maps) >= LEAST_ROOM_IN
    rows, columns = (1, len(maps)) if beside else (len(maps), 1)
    height = (0.36 * width_in + 1.6) if beside else 0.75 * width_in * rows + 1.6
    figure = Figure(figsize=(width_in, height), layout="constrained", facecolor=colours.paper)
    heading = wrapped(f"{title}: {TITLES[shown]}", width_in, size=11.0)
    figure.suptitle(heading, x=0.01, ha="left", color=colours.ink, fontsize=11, parse_math=False)
    panels = np.ravel(figure.subplots(rows, columns, sharex=True, sharey=True, squeeze=False))
    handles: dict[str, Artist] = {}
    for panel, item, value in zip(panels, maps, values, strict=True):
        handles |= _panel(panel, item, value, levels, colours)
        handles |= _paths(panel, paths, item, colours)
    panels[0].set_ylabel("|Z| (Ω)")
    legend_row(figure, handles, colours, width_in)
    return figure


def _values(item: AccuracyMap, shown: Shown) -> FloatArray:
    return np.maximum(item.u_magnitude if shown == "size" else item.u_phase_rad, 1e-12)


def _panel(
    panel: Axes, item: AccuracyMap, value: FloatArray, levels: FloatArray, colours: Theme
) -> dict[str, Artist]:
    """Draw one wiring; return its legend entries."""
    f, z = item.frequency_hz, item.impedance_ohm
    panel.set_xscale("log")
    panel.set_yscale("log")
    dress(panel, colours)
    kept = np.ma.masked_where(~item.reached, np.log10(value)).T
    cuts = np.log10(levels)
    shades = _shades(colours, levels.size + 1)
    with mpl.rc_context({"hatch.linewidth": 0.5}):
        if item.reached.any():
            edges = [min(-13.0, cuts[0] - 1), *cuts, cuts[-1] + 9]
            panel.contourf(f, z, kept, levels=edges, colors=shades, zorder=1)
            lines = panel.contour(
                f, z, kept, levels=cuts, colors=colours.ink, linewidths=0.9, linestyles="solid", zorder=2
            )
            texts = {cut: in_percent(level, 3) for cut, level in zip(cuts, levels, strict=True)}
            panel.clabel(lines, fmt=texts, fontsize=SMALL, inline=True, inline_spacing=2)
        handles = _hatched(panel, item, colours)
    _inductances(panel, f, z, colours)
    panel.set_xlim(f[0], f[-1])
    panel.set_ylim(z[0], z[-1])
    panel.xaxis.set_major_formatter(EngFormatter(sep=" "))
    panel.yaxis.set_major_formatter(EngFormatter(sep=" "))
    for axis in (panel.xaxis, panel.yaxis):
        axis.set_minor_formatter(NullFormatter())
    panel.set_xlabel("frequency (Hz)")
    state = "calibrated" if item.accuracy.calibrated else "not calibrated, as stated"
    panel.set_title(f"{item.wiring.value}\n{state}", fontsize=9, color=colours.ink)
    return handles


def _shades(colours: Theme, count: int) -> list[tuple[float, float, float]]:
    """Return shades from nearly the paper (small) to a blue that still lets ink be read (large)."""
    paper, blue = np.array(to_rgb(colours.paper)), np.array(to_rgb(BLUE))
    shares = np.linspace(0.06, 0.72, count)
    return [tuple(map(float, (1 - share) * paper + share * blue)) for share in shares]  # type: ignore[misc]


def _hatched(panel: Axes, item: AccuracyMap, colours: Theme) -> dict[str, Artist]:
    """Hatch what is not reached, each reason in its own way."""
    handles: dict[str, Artist] = {}
    for code, reason in enumerate(Reach):
        there = item.reach == code
        if reason is Reach.REACHED or not there.any():
            continue
        panel.contourf(
            item.frequency_hz,
            item.impedance_ohm,
            np.where(there, 1.0, 0.0).T,
            levels=[0.5, 2.0],
            colors=[colours.paper],
            hatches=[HATCHES[reason]],
            zorder=1.5,
        ).set_edgecolor(colours.quiet)
        handles[f"out of reach: {reason.value}"] = Patch(
            facecolor=colours.paper, edgecolor=colours.quiet, hatch=HATCHES[reason], linewidth=0.5
        )
    return handles


def _inductances(panel: Axes, f: FloatArray, z: FloatArray, colours: Theme) -> None:
    """Lines of constant inductance, a decade apart."""
    lowest, highest = z[0] / (2 * np.pi * f[-1]), z[-1] / (2 * np.pi * f[0])
    for power in range(int(np.ceil(np.log10(lowest))), int(np.floor(np.log10(highest))) + 1):
        line = 2 * np.pi * f * 10.0**power
        inside = (line >= z[0]) & (line <= z[-1])
        if inside.sum() < 2 or line[inside][-1] / line[inside][0] < SHORTEST_LINE:
            continue
        panel.plot(f, line, color=colours.ink, linewidth=0.6, linestyle=(0, (1, 3)), zorder=2.2)
        last = int(np.flatnonzero(inside)[-1])
        at_top = last < f.size - 1
        panel.annotate(
            quantity(10.0**power, "H"),
            (f[last], line[last]),
            xytext=(-2, -2) if at_top else (-3, 2),
            textcoords="offset points",
            ha="right",
            va="top" if at_top else "bottom",
            fontsize=SMALL - 1,
            color=colours.ink,
            zorder=2.3,
            bbox={"facecolor": colours.paper, "edgecolor": "none", "pad": 0.6, "alpha": 0.75},
        )


def _paths(panel: Axes, paths: Sequence[Path], item: AccuracyMap, colours: Theme) -> dict[str, Artist]:
    handles: dict[str, Artist] = {}
    for path, (colour, dash, marker) in zip(paths, PATHS, strict=False):
        every = max(1, path.frequency_hz.size // 6)
        (line,) = panel.plot(
            path.frequency_hz, path.impedance_ohm, color=colour, linestyle=dash, linewidth=2.0, zorder=4,
            marker=marker, markevery=every, markersize=5, markeredgecolor=colours.ink, markeredgewidth=0.6,
        )  # fmt: skip
        handles[path.name] = line
    if item.frequency_hz.size > 1:
        handles["constant inductance"] = Line2D(
            [], [], color=colours.ink, linewidth=0.6, linestyle=(0, (1, 3))
        )
    return handles


# ------------------------------------------------------------------------------------------- a specimen


def specimen_accuracy_figure(
    accuracies: Sequence[SpecimenAccuracy], title: str, *, dark: bool = False, width_in: float = 7.0
) -> Figure:
    """Draw how well μ′ of a core would be known, and below which tan δ nothing is seen, for each wiring.

    Parameters
    ----------
    accuracies : sequence of SpecimenAccuracy
        Three at most, of one expected permeability.
    title : str
    dark : bool
        For a dark page.
    width_in : float
        Width in inches; 4 suits a phone.

    Raises
    ------
    AnalysisError
        There is none.
    """
    if not accuracies:
        raise AnalysisError("there is nothing to draw", where="accuracy of a specimen", got="no wiring")
    colours = theme(dark)
    figure, (top, bottom) = two_panels(title, colours, width_in)
    handles: dict[str, Artist] = {}
    uncertain = [np.where(item.reach == 0, 100 * item.u_real, np.nan) for item in accuracies]
    lowest = [np.where(item.reach == 0, item.lowest_loss_tangent, np.nan) for item in accuracies]
    first = accuracies[0]
    expected = -first.permeability.imag / first.permeability.real
    log_axis(top, np.concatenate(uncertain), "standard uncertainty of μ′ (%)", np.zeros(0))
    log_axis(bottom, np.concatenate([*lowest, expected]), "tan δ", np.zeros(0))
    for item, u, t, (colour, dash, marker) in zip(accuracies, uncertain, lowest, PATHS, strict=False):
        style: dict[str, Any] = {
            "color": colour, "linestyle": dash, "linewidth": 1.8, "marker": marker, "markersize": 4.5,
            "markeredgecolor": colours.ink, "markeredgewidth": 0.6,
        }  # fmt: skip
        (handles[f"{item.wiring.value}; below, the least tan δ that is seen"],) = top.plot(
            item.frequency_hz, u, **style
        )
        bottom.plot(item.frequency_hz, t, **style)
        bottom.fill_between(item.frequency_hz, 1e-12, t, color=colours.quiet, alpha=0.18, linewidth=0)
    (handles["tan δ of the core expected"],) = bottom.plot(
        first.frequency_hz, expected, color=colours.ink, linewidth=1.2, linestyle=(0, (2, 2))
    )
    finish_frequency_axis(bottom, first.frequency_hz)
    legend_row(figure, handles, colours, width_in)
    return figure
