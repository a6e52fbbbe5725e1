"""Curves over frequency with their intervals: impedance, permeability, reference curves.

A value that a scale cannot show is never left out in silence: values of zero or below turn the axis into a
linear one near zero and get an open marker, values that are not numbers get a cross on the lower edge.
"""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
from matplotlib.artist import Artist
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from whichcore.analysis.materials import Material
from whichcore.analysis.types import ComplexArray, FloatArray, ImpedanceSweep, PermeabilitySpectrum
from whichcore.analysis.uncertainty import point_covariance
from whichcore.analysis.verdict import Candidate, Verdict
from whichcore.errors import AnalysisError
from whichcore.figures.style import (
    BLUE,
    NORMAL_95,
    ORANGE,
    PURPLE,
    Theme,
    finish_frequency_axis,
    legend_row,
    log_axis,
    theme,
    two_panels,
)
from whichcore.wording import percent, quantity

INTERVAL = "its 95 % interval"
CURVES_SHOWN = 3
CURVE_LEAST = 0.001  # a less probable candidate is drawn only when it is the best one
CANDIDATE_COLOURS = (BLUE, PURPLE, ORANGE)
CANDIDATE_DASHES = ((0, (6, 2)), (0, (6, 2, 1.2, 2)), (0, (1.5, 1.5)))
CANDIDATE_MARKERS = ("s", "^", "D")


def impedance_figure(
    sweep: ImpedanceSweep, title: str, *, dark: bool = False, width_in: float = 7.0
) -> Figure:
    """Draw |Z| and phase over frequency with their 95 % bands.

    Parameters
    ----------
    sweep : ImpedanceSweep
    title : str
    dark : bool
        For a dark page.
    width_in : float
        Width in inches; 4 suits a phone.

    Raises
    ------
    AnalysisError
        The sweep holds no points.
    """
    _require_points(sweep.frequency_hz)
    z = np.where(np.isfinite(sweep.impedance_ohm), sweep.impedance_ohm, np.nan)
    u_magnitude, u_phase = _polar_uncertainty(z, point_covariance(sweep.scatter, sweep.sources))
    figure, (top, bottom) = two_panels(title, theme(dark), width_in)
    log_axis(top, np.abs(z), "|Z| (Ω)", u_magnitude)
    handles = measured_band(top, sweep.frequency_hz, np.abs(z), u_magnitude, theme(dark))
    handles = {_with_width(text, u_magnitude / np.abs(z)): handle for text, handle in handles.items()}
    phase = np.where(np.abs(z) > 0, np.degrees(np.angle(z)), np.nan)
    measured_band(bottom, sweep.frequency_hz, phase, np.degrees(u_phase), theme(dark))
    bottom.set_ylabel("phase of Z (°)")
    finish_frequency_axis(bottom, sweep.frequency_hz)
    legend_row(figure, handles, theme(dark), width_in)
    return figure


def permeability_figure(
    spectrum: PermeabilitySpectrum,
    verdict: Verdict,
    names: Mapping[str, str],
    title: str,
    *,
    dark: bool = False,
    width_in: float = 7.0,
) -> Figure:
    """Draw μ′ and μ″ with their 95 % bands and the curves of the best candidates.

    Parameters
    ----------
    spectrum : PermeabilitySpectrum
    verdict : Verdict
        Its best candidates that carry a fitted curve are drawn, three at most, not beyond their own span;
        of those less probable than 0.1 % only the very best, to show how far off it is.
    names : mapping of str to str
        Names of materials by id; an id without a name stands for itself.
    title : str
    dark : bool
        For a dark page.
    width_in : float
        Width in inches; 4 suits a phone.

    Raises
    ------
    AnalysisError
        The spectrum holds no points, or a candidate's curve is not on its frequencies.
    """
    _require_points(spectrum.frequency_hz)
    colours = theme(dark)
    shown = _candidates_with_curve(verdict, spectrum.frequency_hz.size)
    covariance = point_covariance(spectrum.scatter, spectrum.sources)
    figure, panels = two_panels(title, colours, width_in)
    handles: dict[str, Artist] = {}
    for axis, (panel, label) in enumerate(zip(panels, ("μ′ (relative)", "μ″ (relative)"), strict=True)):
        value = _part(spectrum.permeability, axis)
        u = np.sqrt(covariance[:, axis, axis])
        curves = [_part(candidate.fitted, axis) for candidate in shown if candidate.fitted is not None]
        log_axis(panel, np.concatenate([value, *curves]), label, u)
        for rank, curve in enumerate(curves):
            name = names.get(shown[rank].material, shown[rank].material)
            text = f"{rank + 1}: {name}, {percent(shown[rank].probability)}"
            handles[text] = candidate_line(panel, spectrum.frequency_hz, curve, rank, colours)
        handles = measured_band(panel, spectrum.frequency_hz, value, u, colours) | handles
    finish_frequency_axis(panels[1], spectrum.frequency_hz)
    legend_row(figure, handles, colours, width_in)
    return figure


def material_figure(material: Material, *, dark: bool = False, width_in: float = 7.0) -> Figure:
    """Draw the reference curve of a material, μ′ and μ″ over its own span.

    Parameters
    ----------
    material : Material
    dark : bool
        For a dark page.
    width_in : float
        Width in inches; 4 suits a phone.
    """
    colours = theme(dark)
    figure, panels = two_panels(f"{material.name} ({material.material_class})", colours, width_in)
    spread = 100 * material.tolerance
    handles: dict[str, Artist] = {}
    for axis, (panel, label) in enumerate(zip(panels, ("μ′ (relative)", "μ″ (relative)"), strict=True)):
        value = _part(material.permeability, axis)
        log_axis(panel, value, label, np.zeros_like(value))
        (handles["reference curve"],) = panel.plot(
            material.frequency_hz, value, color=BLUE, linewidth=1.8, zorder=2.5
        )
    handles[f"initial permeability {material.initial_permeability:g}, ± {spread:g} %"] = panels[0].axhline(
        material.initial_permeability, color=colours.ink, linewidth=1.0, linestyle=(0, (6, 3)), zorder=2
    )
    if material.flux_density_t is not None:
        panels[0].set_title(
            f"taken at {quantity(material.flux_density_t, 'T')} peak", fontsize=9, color=colours.ink
        )
    finish_frequency_axis(panels[1], material.frequency_hz)
    legend_row(figure, handles, colours, width_in)
    return figure


def _require_points(frequency_hz: FloatArray) -> None:
    if np.size(frequency_hz) == 0:
        raise AnalysisError(
            "there is nothing to draw", where="frequency_hz", got="no points", allowed="at least one point"
        )


def _polar_uncertainty(z: ComplexArray, covariance: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return the standard uncertainties (F,) of |Z| in Ω and of its phase in rad.

    First order, JCGM 100:2008 equation (13): gradients (R, X)/|Z| and (−X, R)/|Z|². At Z = 0 neither exists:
    NaN.
    """
    size = np.where(np.abs(z) > 0, np.abs(z), np.nan)
    radial = np.stack([z.real, z.imag], axis=-1) / size[:, np.newaxis]
    across = np.stack([-z.imag, z.real], axis=-1) / size[:, np.newaxis] ** 2
    variances = [np.einsum("fi,fij,fj->f", g, covariance, g) for g in (radial, across)]
    return np.sqrt(variances[0]), np.sqrt(variances[1])


def _part(permeability: ComplexArray, axis: int) -> FloatArray:
    """Return μ′ (axis 0) or μ″ (axis 1), loss positive; a complex NaN may carry a number in one part."""
    part = permeability.real if axis == 0 else -permeability.imag
    return np.where(np.isfinite(permeability), part, np.nan)


def _candidates_with_curve(verdict: Verdict, points: int) -> list[Candidate]:
    shown: list[Candidate] = []
    for candidate in verdict.candidates:
        if candidate.fitted is None or not np.isfinite(candidate.fitted).any():
            continue
        if candidate.probability < (CURVE_LEAST if shown else np.finfo(float).tiny):
            continue
        if candidate.fitted.shape != (points,):
            raise AnalysisError(
                "the curve of a candidate must lie on the frequencies of the spectrum",
                where=candidate.material,
                got=f"shape {candidate.fitted.shape}",
                allowed=f"({points},)",
            )
        shown.append(candidate)
    return shown[:CURVES_SHOWN]


def measured_band(
    panel: Axes, frequency_hz: FloatArray, value: FloatArray, u: FloatArray, colours: Theme
) -> dict[str, Artist]:
    """Draw values, their band and the marks of what the scale cannot carry; return legend entries."""
    half = NORMAL_95 * u
    low, high = value - half, value + half
    if panel.get_yscale() == "log":
        low = np.maximum(low, np.finfo(float).tiny)  # the band runs off the lower edge; the limits are set
    band = panel.fill_between(
        frequency_hz, low, high, color=colours.quiet, alpha=0.75, linewidth=0, zorder=1.5
    )
    (line,) = panel.plot(
        frequency_hz, value, color=colours.ink, linewidth=0.9, marker="o", markersize=2.6, zorder=3
    )
    handles: dict[str, Artist] = {"measured": line, INTERVAL: band}
    below = value <= 0
    if panel.get_yscale() == "symlog" and below.any():
        (handles["measured, zero or below"],) = panel.plot(
            frequency_hz[below], value[below], linestyle="", marker="o", markersize=5.5, zorder=3.1,
            markerfacecolor=colours.paper, markeredgecolor=colours.ink, markeredgewidth=1.1,
        )  # fmt: skip
    missing = ~np.isfinite(value)
    if missing.any():
        (handles["no value"],) = panel.plot(
            frequency_hz[missing], np.full(missing.sum(), 0.03), linestyle="", marker="x", markersize=6,
            color=colours.ink, transform=panel.get_xaxis_transform(), zorder=4,
        )  # fmt: skip
    return handles


def _with_width(text: str, relative_u: FloatArray) -> str:
    """Say in the legend how wide a band is that may be thinner than its line."""
    widths = 100 * NORMAL_95 * relative_u[np.isfinite(relative_u)]
    if text != INTERVAL or widths.size == 0:
        return text
    return f"{text}, ±{widths.min():.2g} to ±{widths.max():.2g} % of |Z|"


def candidate_line(
    panel: Axes, frequency_hz: FloatArray, curve: FloatArray, rank: int, colours: Theme
) -> Artist:
    """Draw the curve of a candidate in the style of its rank."""
    every = max(1, frequency_hz.size // 9)
    (line,) = panel.plot(
        frequency_hz,
        curve,
        color=CANDIDATE_COLOURS[rank],
        linestyle=CANDIDATE_DASHES[rank],
        linewidth=1.8,
        marker=CANDIDATE_MARKERS[rank],
        markersize=5.5,
        markeredgecolor=colours.ink,
        markeredgewidth=0.6,
        markevery=(rank * every // CURVES_SHOWN, every),  # marks of two curves do not cover each other
        zorder=2.5 - 0.1 * rank,
    )
    return line
