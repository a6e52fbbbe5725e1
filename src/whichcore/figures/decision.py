"""Why this one and not the next: measured over each candidate, the running odds, and what no gap changes."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
from matplotlib.artist import Artist
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.patches import Patch

from whichcore.analysis.types import ComplexArray, FloatArray, PermeabilitySpectrum
from whichcore.analysis.uncertainty import point_covariance, propagate
from whichcore.analysis.verdict import Candidate, DecidedBy, Verdict
from whichcore.errors import AnalysisError
from whichcore.figures.curves import candidate_line, measured_band
from whichcore.figures.style import (
    NORMAL_95,
    VERMILION,
    Theme,
    finish_frequency_axis,
    legend_row,
    log_axis,
    theme,
    two_panels,
)
from whichcore.wording import percent

#: Least half width and greatest ends of the scale of the upper panel, %.
_LEAST, _ENDS = 8.0, (20.0, 400.0)
#: A ratio whose 95 % interval is wider than this, either way, is marked and not drawn: it says nothing.
_TELLING = 0.5


def decision_figure(
    verdict: Verdict, names: Mapping[str, str], title: str, *, dark: bool = False, width_in: float = 7.0
) -> Figure:
    """Draw measured over the first two candidates, and below it the odds as they run up along the curve.

    Parameters
    ----------
    verdict : Verdict
        With ``decided_by`` and a spectrum.
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
        The verdict rests on no sweep, or on one point of it.
    """
    spectrum, decided = verdict.spectrum, verdict.decided_by
    if spectrum is None or decided is None:
        raise _nothing()
    if decided.frequency_hz.size < 2:
        raise AnalysisError(
            "there is nothing to draw: odds run up along a curve",
            where="decision",
            got="one point",
            allowed="two points that both candidates speak on",
        )
    colours = theme(dark)
    figure, (top, bottom) = two_panels(title, colours, width_in)
    shown = _rivals(verdict, decided)
    handles = _ratios(top, spectrum, decided, (shown, names), colours)
    handles |= _odds(bottom, decided, colours)
    if decided.band_hz is not None:
        low, high = (decided.band_hz[0] / 1.03, decided.band_hz[1] * 1.03)
        for panel in (top, bottom):
            panel.axvspan(low, high, color=VERMILION, alpha=0.16, linewidth=0, zorder=0.5)
            for edge in (low, high):
                panel.axvline(edge, color=VERMILION, linewidth=0.8, linestyle=(0, (4, 2)), zorder=0.6)
        handles["band that decided (80 % of the log odds)"] = Patch(facecolor=VERMILION, alpha=0.3)
    finish_frequency_axis(bottom, spectrum.frequency_hz)
    # a long legend must not squeeze the panels
    figure.set_figheight(figure.get_figheight() + 0.18 * len(handles))
    legend_row(figure, handles, colours, width_in)
    return figure


def gap_invariant_figure(
    verdict: Verdict, names: Mapping[str, str], title: str, *, dark: bool = False, width_in: float = 7.0
) -> Figure:
    """Draw μ″/(μ′² + μ″²), which no gap or crack changes, and below it μ′, which they do.

    A candidate whose upper curve fits while its lower one, drawn as the whole core would be, lies above the
    measured values is the right grade with a gap.

    Parameters
    ----------
    verdict : Verdict
        With a spectrum.
    names : mapping of str to str
    title : str
    dark : bool
        For a dark page.
    width_in : float
        Width in inches; 4 suits a phone.

    Raises
    ------
    AnalysisError
        The verdict rests on no sweep.
    """
    spectrum = verdict.spectrum
    if spectrum is None:
        raise _nothing()
    colours = theme(dark)
    figure, panels = two_panels(title, colours, width_in)
    shown = [c for c in verdict.candidates if c.fitted is not None][:2]
    whole = [_without_gap(candidate, verdict.stated_turns) for candidate in shown]
    reluctivity = _inverse(spectrum.permeability)
    covariance = point_covariance(*propagate(spectrum.scatter, spectrum.sources, -(reluctivity**2)))
    plain = point_covariance(spectrum.scatter, spectrum.sources)
    rows = (
        (
            panels[0],
            "μ″/(μ′² + μ″²)",
            reluctivity.imag,
            covariance[:, 1, 1],
            [_inverse(w).imag for w in whole],
        ),
        (panels[1], "μ′ (relative)", spectrum.permeability.real, plain[:, 0, 0], [w.real for w in whole]),
    )
    handles: dict[str, Artist] = {}
    for panel, label, value, variance, curves in rows:
        u = np.sqrt(variance)
        log_axis(panel, np.concatenate([value, *curves]), label, u)
        for rank, curve in enumerate(curves):
            line = candidate_line(panel, spectrum.frequency_hz, curve, rank, colours)
            handles[f"{_label(shown[rank], rank, names)}, without gap"] = line
        handles = measured_band(panel, spectrum.frequency_hz, value, u, colours) | handles
    finish_frequency_axis(panels[1], spectrum.frequency_hz)
    legend_row(figure, handles, colours, width_in)
    return figure


def _nothing() -> AnalysisError:
    return AnalysisError(
        "there is nothing to draw: the verdict rests on no curve",
        where="decision",
        got="no sweep",
        allowed="a verdict on a sweep",
    )


def _without_gap(candidate: Candidate, stated_turns: int) -> ComplexArray:
    """Take the gap off a fitted curve, 1/μ = 1/μe − g, as the turns that were stated show the core.

    A fitted curve is what these would be read as: with another turn count n the gap is g (N/n)² in it.
    """
    fitted = candidate.fitted
    if fitted is None:
        raise _nothing()
    ratio = stated_turns / candidate.turns if stated_turns and candidate.turns else 1.0
    return _inverse(_inverse(fitted) - candidate.gap_ratio * ratio**2)


def _inverse(values: ComplexArray) -> ComplexArray:
    """Return 1/z; NaN stays NaN."""
    known = np.isfinite(values)
    return np.divide(1, values, out=np.full_like(values, complex(np.nan, np.nan)), where=known)


def _rivals(verdict: Verdict, decided: DecidedBy) -> list[Candidate]:
    by_id = {candidate.material: candidate for candidate in verdict.candidates}
    return [by_id[name] for name in (decided.first, decided.second) if name is not None]


def _label(candidate: Candidate, rank: int, names: Mapping[str, str]) -> str:
    name = names.get(candidate.material, candidate.material)
    return f"{rank + 1}: {name}, {percent(candidate.probability)}"


def _size(permeability: ComplexArray, part: str) -> FloatArray:
    return {"μ′": permeability.real, "μ″": -permeability.imag}.get(part, np.abs(permeability))


def _ratios(
    panel: Axes,
    spectrum: PermeabilitySpectrum,
    decided: DecidedBy,
    rivals: tuple[list[Candidate], Mapping[str, str]],
    colours: Theme,
) -> dict[str, Artist]:
    """Draw measured over each candidate in percent, with the 95 % band of the measurement about 100."""
    symbol = decided.part if decided.part in {"μ′", "μ″"} else "|μ|"
    measured = _size(spectrum.permeability, decided.part)
    f, half = spectrum.frequency_hz, NORMAL_95 * _relative(spectrum, decided.part)
    curves = [
        100 * measured / _size(candidate.fitted, decided.part)
        for candidate in rivals[0]
        if candidate.fitted is not None
    ]
    telling = half <= _TELLING
    curves = [np.where(telling, curve, np.nan) for curve in curves]
    low, high = _scale(f, curves, decided)
    handles: dict[str, Artist] = {
        "95 % interval of the measurement": panel.fill_between(
            f, 100 * (1 - half), 100 * (1 + half), where=telling.tolist(), color=colours.quiet, alpha=0.6,
            linewidth=0, zorder=1,
        )
    }  # fmt: skip
    panel.axhline(100, color=colours.ink, linewidth=0.9, zorder=1.5)
    for rank, curve in enumerate(curves):
        handles[_label(rivals[0][rank], rank, rivals[1])] = candidate_line(panel, f, curve, rank, colours)
    for curve in curves:
        for beyond, edge, marker in ((curve > high, high, "^"), (curve < low, low, "v")):
            if beyond.any():
                handles["beyond the scale"] = _marks(panel, f[beyond], edge, marker, colours)
    if not telling.all():
        text = f"interval wider than ±{100 * _TELLING:g} %, not drawn"
        handles[text] = _marks(panel, f[~telling], 100.0, "|", colours)
    panel.set_ylim(low, high)
    panel.set_ylabel(f"{symbol}, measured\n/ candidate (%)")
    return handles


def _marks(panel: Axes, frequency_hz: FloatArray, height: float, marker: str, colours: Theme) -> Artist:
    (marks,) = panel.plot(
        frequency_hz, np.full(frequency_hz.size, height), linestyle="", marker=marker, markersize=4.5,
        color=colours.ink, clip_on=False, zorder=4,
    )  # fmt: skip
    return marks


def _relative(spectrum: PermeabilitySpectrum, part: str) -> FloatArray:
    """Relative standard uncertainty of the part shown, (F,); NaN where it is not positive."""
    mu = spectrum.permeability
    gradient = {"μ′": np.ones_like(mu), "μ″": np.full_like(mu, -1j)}.get(part, mu / np.abs(mu))
    covariance = point_covariance(spectrum.scatter, spectrum.sources)
    g = np.stack([gradient.real, gradient.imag], axis=1)
    size = _size(mu, part)
    u = np.sqrt(np.einsum("fi,fij,fj->f", g, covariance, g))
    return np.asarray(u / np.where(size > 0, size, np.nan))


def _scale(f: FloatArray, curves: list[FloatArray], decided: DecidedBy) -> tuple[float, float]:
    """Return the ends of the scale: they hold the curves in the deciding band, or else most of them."""
    inside = np.ones(f.size, dtype=bool)
    if decided.band_hz is not None:
        inside = (f >= decided.band_hz[0] / 1.3) & (f <= decided.band_hz[1] * 1.3)
    values = np.concatenate([curve[inside] for curve in curves])
    values = values[np.isfinite(values)]
    if values.size == 0:
        return 100 - _LEAST, 100 + _LEAST
    low, high = np.percentile(values, [2, 98])
    margin = 0.15 * (high - low)
    return (
        max(min(low - margin, 100 - _LEAST), _ENDS[0]),
        min(max(high + margin, 100 + _LEAST), _ENDS[1]),
    )


def _odds(panel: Axes, decided: DecidedBy, colours: Theme) -> dict[str, Artist]:
    """Draw the running log odds, whole and by part."""
    f = decided.frequency_hz
    whole = np.cumsum(decided.log_odds.sum(axis=1)) / np.log(10)
    parts = np.cumsum(decided.log_odds, axis=0) / np.log(10)
    panel.axhline(0, color=colours.ink, linewidth=0.9, zorder=1.5)
    handles: dict[str, Artist] = {}
    (handles["odds up to here"],) = panel.plot(f, whole, color=colours.ink, linewidth=2.0, zorder=3)
    for part, values, dash in zip(("μ′", "μ″"), parts.T, ((0, (5, 2)), (0, (1.5, 1.5))), strict=True):
        (handles[f"of that by {part}"],) = panel.plot(
            f, values, color=colours.ink, linewidth=1.1, linestyle=dash, zorder=2.5
        )
    if decided.band_hz is None:
        handles["odds as judged: no band decided"] = _marks(
            panel, f[-1:], decided.judged / float(np.log(10)), "D", colours
        )
    panel.margins(y=0.12)
    sides = "1 over 2" if decided.second is not None else "none over 1"
    panel.set_ylabel(f"log₁₀ of odds,\n{sides}")
    return handles
