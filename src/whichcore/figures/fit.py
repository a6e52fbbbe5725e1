"""Laws of dispersion over the data they were fitted to, and what is left of the data."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from matplotlib.artist import Artist
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.ticker import FixedLocator, FuncFormatter

from whichcore.analysis.model_fit import ModelFit
from whichcore.analysis.types import FloatArray, PermeabilitySpectrum
from whichcore.analysis.uncertainty import point_covariance
from whichcore.figures.style import (
    BLUE,
    NORMAL_95,
    ORANGE,
    PURPLE,
    Theme,
    dress,
    finish_frequency_axis,
    legend_row,
    log_axis,
    theme,
    wrapped,
)
from whichcore.wording import in_percent

LAWS_SHOWN = 3
_COLOURS = (BLUE, PURPLE, ORANGE)
_DASHES = ((0, (6, 2)), (0, (6, 2, 1.2, 2)), (0, (1.5, 1.5)))
_MARKERS = ("s", "^", "D")
_LINEAR = 10.0


def fit_figure(
    spectrum: PermeabilitySpectrum,
    fits: Sequence[ModelFit],
    title: str,
    *,
    dark: bool = False,
    width_in: float = 7.0,
) -> Figure:
    """Draw μ′ and μ″ with their 95 % bands, the best laws, and the residuals of each in units of u.

    Parameters
    ----------
    spectrum : PermeabilitySpectrum
    fits : sequence of ModelFit
        The best first; three at most are drawn, and of those that do not describe the data only the first.
    title : str
    dark : bool
        For a dark page.
    width_in : float
        Width in inches; 4 suits a phone.
    """
    colours = theme(dark)
    shown = [fit for rank, fit in enumerate(fits) if rank == 0 or fit.describes_data][:LAWS_SHOWN]
    figure, (top, middle, bottom) = _panels(title, colours, width_in)
    handles: dict[str, Artist] = {}
    variances = point_covariance(spectrum.scatter, spectrum.sources)
    for axis, (panel, label) in enumerate(((top, "μ′ (relative)"), (middle, "μ″ (relative)"))):
        curves = [_part(fit.permeability, axis) for fit in shown]
        value, u = _part(spectrum.permeability, axis), np.sqrt(variances[:, axis, axis])
        log_axis(panel, np.concatenate([value, *curves]), label, u)
        handles |= _data(panel, spectrum.frequency_hz, value, u, colours)
        for rank, curve in enumerate(curves):
            text = f"{shown[rank].law.title}{_how_far(shown[rank])}"
            handles[text] = _law(panel, spectrum.frequency_hz, curve, rank, colours)
    handles |= _residuals(bottom, shown, colours)
    finish_frequency_axis(bottom, spectrum.frequency_hz)
    legend_row(figure, handles, colours, width_in)
    return figure


def _panels(title: str, colours: Theme, width_in: float) -> tuple[Figure, tuple[Axes, Axes, Axes]]:
    figure = Figure(
        figsize=(width_in, max(7.2, 1.1 * width_in)), layout="constrained", facecolor=colours.paper
    )
    heading = wrapped(title, width_in, size=11.0)
    figure.suptitle(heading, x=0.01, ha="left", color=colours.ink, fontsize=11, parse_math=False)
    panels = figure.subplots(3, 1, sharex=True)
    for panel in panels:
        panel.set_xscale("log")
        panel.grid(visible=True, color=colours.grid, linewidth=0.6)
        dress(panel, colours)
    return figure, (panels[0], panels[1], panels[2])


def _part(permeability: np.ndarray, axis: int) -> FloatArray:
    return np.asarray(permeability.real if axis == 0 else -permeability.imag)


def _how_far(fit: ModelFit) -> str:
    if fit.meets_data:
        return ", meets the data"
    return (
        f", deviation {in_percent(fit.deviation)}" if fit.describes_data else ", does not describe the data"
    )


def _data(
    panel: Axes, frequency_hz: FloatArray, value: FloatArray, u: FloatArray, colours: Theme
) -> dict[str, Artist]:
    low, high = value - NORMAL_95 * u, value + NORMAL_95 * u
    if panel.get_yscale() == "log":
        low = np.maximum(low, np.finfo(float).tiny)  # the band runs off the lower edge; the limits are set
    band = panel.fill_between(
        frequency_hz, low, high, color=colours.quiet, alpha=0.75, linewidth=0, zorder=1.5
    )
    (line,) = panel.plot(
        frequency_hz, value, color=colours.ink, linestyle="", marker="o", markersize=2.8, zorder=3
    )
    return {"measured": line, "its 95 % interval": band}


def _law(panel: Axes, frequency_hz: FloatArray, curve: FloatArray, rank: int, colours: Theme) -> Artist:
    every = max(1, frequency_hz.size // 9)
    (line,) = panel.plot(
        frequency_hz, curve, color=_COLOURS[rank], linestyle=_DASHES[rank], linewidth=1.8,
        marker=_MARKERS[rank], markersize=5.5, markeredgecolor=colours.ink, markeredgewidth=0.6,
        markevery=(rank * every // LAWS_SHOWN, every), zorder=2.5 - 0.1 * rank,
    )  # fmt: skip
    return line


def _residuals(panel: Axes, shown: Sequence[ModelFit], colours: Theme) -> dict[str, Artist]:
    """Draw residuals: filled marks for μ′, open ones for μ″; linear near zero, logarithmic beyond."""
    handles: dict[str, Artist] = {}
    for rank, fit in enumerate(shown):
        for axis, (part, face) in enumerate((("μ′", _COLOURS[rank]), ("μ″", colours.paper))):
            # the sign of the imaginary part is turned: above zero means more loss than the law has
            value = fit.residual[:, axis] * (1 if axis == 0 else -1)
            (line,) = panel.plot(
                fit.frequency_hz, value, linestyle="", marker=_MARKERS[rank], markersize=3.6,
                markerfacecolor=face, markeredgecolor=_COLOURS[rank], markeredgewidth=0.8,
                zorder=3 - 0.1 * rank,
            )  # fmt: skip
            if rank == 0:
                handles[f"residual of {part}, in u"] = line
    largest = max(float(np.abs(fit.residual).max()) for fit in shown)
    limit = max(1.3 * largest, 4.0)
    if largest > 4 * _LINEAR:
        panel.set_yscale("symlog", linthresh=_LINEAR)
        powers = _LINEAR * 10.0 ** np.arange(np.ceil(np.log10(limit / _LINEAR)))
        panel.yaxis.set_major_locator(FixedLocator([*-powers[::-1], 0.0, *powers]))
        panel.yaxis.set_major_formatter(FuncFormatter(lambda value, _: f"{value:g}".replace("-", "−")))
        panel.yaxis.set_minor_locator(FixedLocator([]))
    panel.set_ylim(-limit, limit)
    panel.axhspan(-NORMAL_95, NORMAL_95, color=colours.quiet, alpha=0.5, linewidth=0, zorder=1)
    panel.axhline(0, color=colours.ink, linewidth=0.8, zorder=1.5)
    panel.set_ylabel("data less law (u)")
    return handles
