"""Figures of a measurement and its verdict: readable in colour, in grey and by colour-blind eyes.

Only this module and its style import matplotlib; import it when a picture is asked for. Figures are plain
``Figure`` objects, so nothing is kept in a global state. Colours are those of Okabe & Ito, "Color Universal
Design" (2008) [published]; every colour has a line style, a marker or a hatch of its own beside it.

A value that a scale cannot show is never left out in silence: values of zero or below turn the axis into a
linear one near zero and get an open marker, values that are not numbers get a cross on the lower edge.
"""

from __future__ import annotations

import os
import warnings
from collections.abc import Mapping, Sequence
from contextlib import suppress
from pathlib import Path

import matplotlib as mpl
import numpy as np
from matplotlib.artist import Artist
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.patches import Patch

from whichcore.analysis.materials import Material
from whichcore.analysis.types import (
    Capture,
    ComplexArray,
    FloatArray,
    ImpedanceSweep,
    PermeabilitySpectrum,
    Phasors,
)
from whichcore.analysis.uncertainty import point_covariance
from whichcore.analysis.verdict import Candidate, Verdict
from whichcore.errors import AnalysisError, InputError
from whichcore.figure_style import (
    NORMAL_95,
    Theme,
    dress,
    finish_frequency_axis,
    legend_row,
    log_axis,
    theme,
    two_panels,
    wrapped,
)
from whichcore.wording import percent, quantity

FORMATS = ("svg", "png")
INTERVAL = "its 95 % interval"
CURVES_SHOWN = 3
CURVE_LEAST = 0.001  # a less probable candidate is drawn only when it is the best one
BARS_SHOWN = 8

# Okabe & Ito 2008 [published]; chosen so that their lightness differs too
BLUE, PURPLE, ORANGE, VERMILION = "#0072B2", "#CC79A7", "#E69F00", "#D55E00"
CANDIDATE_COLOURS = (BLUE, PURPLE, ORANGE)
CANDIDATE_DASHES = ((0, (6, 2)), (0, (6, 2, 1.2, 2)), (0, (1.5, 1.5)))
CANDIDATE_MARKERS = ("s", "^", "D")


# --- the figures --------------------------------------------------------------------------------------------


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
    handles = _measured(top, sweep.frequency_hz, np.abs(z), u_magnitude, theme(dark))
    handles = {_with_width(text, u_magnitude / np.abs(z)): handle for text, handle in handles.items()}
    phase = np.where(np.abs(z) > 0, np.degrees(np.angle(z)), np.nan)
    _measured(bottom, sweep.frequency_hz, phase, np.degrees(u_phase), theme(dark))
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
            handles[text] = _candidate(panel, spectrum.frequency_hz, curve, rank, colours)
        handles = _measured(panel, spectrum.frequency_hz, value, u, colours) | handles
    finish_frequency_axis(panels[1], spectrum.frequency_hz)
    legend_row(figure, handles, colours, width_in)
    return figure


def candidates_figure(
    verdict: Verdict, names: Mapping[str, str], title: str, *, dark: bool = False, width_in: float = 7.0
) -> Figure:
    """Draw the probabilities as bars: the best candidates, all the others together, and none of these.

    Parameters
    ----------
    verdict : Verdict
    names : mapping of str to str
        Names of materials by id; an id without a name stands for itself.
    title : str
    dark : bool
        For a dark page.
    width_in : float
        Width in inches; 4 suits a phone.
    """
    colours = theme(dark)
    rows = _bar_rows(verdict, names)
    heading = wrapped(title, width_in, size=11.0)
    lines = [wrapped(label, width_in, size=9.0) for label, _, _ in rows]
    heights = [0.36 + 0.16 * (text.count("\n") + 1) for text in lines]
    named = any(kind == "named" for _, _, kind in rows)
    others = 0.75 + 0.2 * (heading.count("\n") + 1) + 0.45 * named
    figure = Figure(figsize=(width_in, sum(heights) + others), layout="constrained", facecolor=colours.paper)
    figure.suptitle(heading, x=0.01, ha="left", color=colours.ink, fontsize=11, parse_math=False)
    panel = figure.add_subplot()
    foot = 0.0
    for (_, probability, kind), text, height in zip(rows, lines, heights, strict=True):
        foot += height
        _bar(panel, foot - 0.14, 100 * probability, kind, colours)
        panel.text(0.5, foot - 0.29, text, va="bottom", color=colours.ink, fontsize=9, parse_math=False)
    panel.set_ylim(foot + 0.1, 0)
    panel.set_xlim(0, 100)
    panel.set_yticks([])
    panel.set_xlabel("probability (%)")
    dress(panel, colours)
    if named:
        kinds = {"named": "named by the verdict", "other": "not named"}
        legend_row(figure, {text: _patch(kind, colours) for kind, text in kinds.items()}, colours, width_in)
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


def save(figure: Figure, stem: Path, formats: Sequence[str] = FORMATS) -> list[Path]:
    """Write a figure next to ``stem``, whole or not at all; equal figures give equal bytes.

    Parameters
    ----------
    figure : Figure
    stem : Path
        Path without the ending.
    formats : sequence of str
        ``svg`` (with real text) and ``png`` (150 dots per inch).

    Returns
    -------
    list of Path
        The files written.

    Raises
    ------
    InputError
        An unknown format, or a place that cannot be written.
    """
    for wanted in formats:
        if wanted not in FORMATS:
            raise InputError(
                "unknown picture format", where=str(stem), got=wanted, allowed=", ".join(FORMATS)
            )
    return [_save_one(figure, stem.with_name(f"{stem.name}.{wanted}"), wanted) for wanted in formats]


def _save_one(figure: Figure, path: Path, wanted: str) -> Path:
    metadata = {"Date": None, "Creator": "whichcore"} if wanted == "svg" else {"Software": "whichcore"}
    temporary = path.with_name(f".{path.name}.{os.getpid()}.part")
    try:
        with (
            temporary.open("wb") as file,
            mpl.rc_context({"svg.fonttype": "none", "svg.hashsalt": "whichcore"}),
            warnings.catch_warnings(),
        ):
            # a name in a script the font lacks stays real text in the SVG
            warnings.filterwarnings("ignore", message="Glyph .* missing from font")
            figure.savefig(file, format=wanted, dpi=150, metadata=metadata)
        temporary.replace(path)
    except OSError as error:
        raise InputError(
            "the picture cannot be written",
            where=str(path),
            got=error.strerror or str(error),
            next_step="choose a folder that exists and may be written",
        ) from error
    finally:
        with suppress(OSError):
            temporary.unlink(missing_ok=True)
    return path


# --- what is drawn ------------------------------------------------------------------------------------------


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


def _measured(
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


def _candidate(panel: Axes, frequency_hz: FloatArray, curve: FloatArray, rank: int, colours: Theme) -> Artist:
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


def _bar_rows(verdict: Verdict, names: Mapping[str, str]) -> list[tuple[str, float, str]]:
    """Return label, probability and kind of each bar, the best first and what is not on any list last."""
    ranked = sorted(verdict.candidates, key=lambda candidate: -candidate.probability)
    best, rest = ranked[:BARS_SHOWN], ranked[BARS_SHOWN:]
    rows = [
        (
            f"{rank}: {names.get(candidate.material, candidate.material)}, {percent(candidate.probability)}",
            candidate.probability,
            "named" if candidate.material in verdict.materials else "other",
        )
        for rank, candidate in enumerate(best, start=1)
    ]
    if rest:
        together = sum(candidate.probability for candidate in rest)
        rows.append((f"the other {len(rest)} together, {percent(together)}", together, "rest"))
    none = verdict.unlisted_probability
    rows.append((f"none of these, {percent(none)}", none, "none"))
    return rows


# fill, hatch
BAR_STYLES = {
    "named": (BLUE, ""),
    "other": (None, "///"),
    "rest": (None, "..."),
    "none": (VERMILION, "xxx"),
}


def _patch(kind: str, colours: Theme) -> Patch:
    fill, hatch = BAR_STYLES[kind]
    return Patch(facecolor=fill or colours.quiet, hatch=hatch, edgecolor=colours.ink, linewidth=0.8)


def _bar(panel: Axes, middle: float, width: float, kind: str, colours: Theme) -> None:
    fill, hatch = BAR_STYLES[kind]
    panel.barh(
        middle, width, height=0.24, color=fill or colours.quiet, hatch=hatch, edgecolor=colours.ink,
        linewidth=0.8,
    )  # fmt: skip


def record_figure(
    capture: Capture, phasors: Phasors, *, dark: bool = False, width_in: float = 7.0, periods: float = 3.0
) -> Figure:
    """Draw a raw record: both voltages with the fitted tone, folded into one period, and what is left over.

    Parameters
    ----------
    capture : Capture
    phasors : Phasors
        The fit of this very record.
    dark : bool
        For a dark page.
    width_in : float
        Width in inches; 4 suits a phone.
    periods : float
        How much of the record the upper panels show.
    """
    colours = theme(dark)
    time_s = np.arange(capture.samples.shape[1]) * capture.interval_s
    middle_s = phasors.reference_time_s - capture.start_time_s
    turn = np.exp(2j * np.pi * phasors.frequency_hz * (time_s - middle_s))
    shown = time_s <= periods / phasors.frequency_hz
    figure = Figure(figsize=(width_in, 0.95 * width_in), layout="constrained", facecolor=colours.paper)
    title = f"Raw record at {quantity(phasors.frequency_hz, 'Hz', 6)}, {capture.samples.shape[1]} samples"
    figure.suptitle(wrapped(title, width_in, size=11.0), x=0.01, ha="left", color=colours.ink, fontsize=11)
    panels = figure.subplots(4, 1, height_ratios=(2, 1, 2, 1))
    handles: dict[str, Artist] = {}
    for c, name in enumerate("AB"):
        volts = capture.samples[c] * capture.volts_per_code[c] + capture.offset_v[c]
        fit = np.real(phasors.phasor_vpk[c] * turn) + phasors.dc_v[c]
        upper, lower = panels[2 * c], panels[2 * c + 1]
        (handles["samples"],) = upper.plot(
            1e6 * time_s[shown], 1e3 * volts[shown], ".", color=colours.ink, markersize=2.2, zorder=2
        )
        (handles["fitted tone"],) = upper.plot(
            1e6 * time_s[shown], 1e3 * fit[shown], color=BLUE, linewidth=1.2, zorder=3
        )
        (handles["left over, whole record, by place in the period"],) = lower.plot(
            np.degrees(np.angle(turn)),
            1e3 * (volts - fit),
            ".",
            color=VERMILION,
            markersize=1.2,
            rasterized=True,
        )
        step = capture.volts_per_code[c] * 1e3
        upper.set_ylabel(f"{name} (mV)")
        upper.set_xlabel("time (µs)")
        lower.set_ylabel("rest (mV)")
        lower.set_xlabel(f"place in the period (°); one step of the converter is {step:.3g} mV")
        lower.set_xlim(-180, 180)
        lower.set_xticks(range(-180, 181, 60))
        for panel in (upper, lower):
            dress(panel, colours)
    legend_row(figure, handles, colours, width_in)
    return figure
