"""The pictures of a report: each with what it shows in words and in numbers."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from whichcore.analysis.types import FloatArray
from whichcore.analysis.uncertainty import point_covariance
from whichcore.analysis.verdict import Candidate, DecidedBy, Verdict
from whichcore.errors import AnalysisError
from whichcore.report.document import Picture, Sheet
from whichcore.report.dossier import Dossier
from whichcore.wording import fixed, listed, quantity, with_uncertainty

if TYPE_CHECKING:
    from matplotlib.figure import Figure

#: Rows of a table beside a picture, at most; the file has every point.
MOST_ROWS = 12
_CURVES = 3  # as the picture draws them
_LEAST = 0.001


def permeability_picture(dossier: Dossier) -> Picture:
    """Return μ′ and μ″ with their intervals and the best candidates."""
    verdict = dossier.verdict
    spectrum = verdict.spectrum
    if spectrum is None:
        raise _no_curve()
    drawn = _drawn(verdict)
    names = [dossier.names.get(one.material, one.material) for one in drawn]
    f = spectrum.frequency_hz
    alt = (
        f"μ′ above and μ″ below over frequency from {quantity(f[0], 'Hz')} to {quantity(f[-1], 'Hz')}, "
        f"{counted(f.size)} with 95 % intervals; "
    ) + (f"curves of {listed(names, 'and')}." if names else "no candidate has a curve.")

    def draw(dark: bool, width_in: float) -> Figure:
        from whichcore import figures  # noqa: PLC0415 - matplotlib is loaded only when a picture is wanted

        title = "Permeability and the best candidates"
        return figures.permeability_figure(
            spectrum, verdict, dossier.names, title, dark=dark, width_in=width_in
        )

    return Picture(
        "permeability", "Permeability and the best candidates", alt, draw, _permeabilities(dossier, drawn)
    )


def _drawn(verdict: Verdict) -> list[Candidate]:
    with_curve = [one for one in verdict.candidates if one.fitted is not None]
    return [one for rank, one in enumerate(with_curve[:_CURVES]) if rank == 0 or one.probability >= _LEAST]


def _permeabilities(dossier: Dossier, drawn: list[Candidate]) -> Sheet:
    spectrum = dossier.verdict.spectrum
    if spectrum is None:
        raise _no_curve()
    u = np.sqrt(np.diagonal(point_covariance(spectrum.scatter, spectrum.sources), axis1=1, axis2=2))
    places = spread(spectrum.frequency_hz)
    mu = spectrum.permeability
    first = drawn[0].fitted if drawn else None
    heads: tuple[str, ...] = ("frequency", "μ′ ± u", "μ″ ± u")
    if first is not None:
        heads += ("μ′ of 1", "μ″ of 1")
    rows = tuple(
        (
            quantity(spectrum.frequency_hz[at], "Hz", 4),
            with_uncertainty(mu[at].real, u[at, 0]),
            with_uncertainty(-mu[at].imag, u[at, 1]),
            *(() if first is None else (_known(first[at].real), _known(-first[at].imag))),
        )
        for at in places
    )
    title = "Values, u the standard uncertainty"
    if drawn:
        title += f"; 1: {dossier.names.get(drawn[0].material, drawn[0].material)}"
    title = _title(title, len(places), spectrum.frequency_hz.size)
    return Sheet(title, heads, rows, frozenset(heads))


def counted(points: int) -> str:
    """Return a number of points as a sentence has it."""
    return f"{points} point{'' if points == 1 else 's'}"


def _title(text: str, shown: int, there: int) -> str:
    return text if shown == there else f"{text}; {shown} of {there} points"


def _known(value: float) -> str:
    return f"{value:z.4g}".replace("-", "−") if np.isfinite(value) else "no value"


def spread(frequency_hz: FloatArray) -> NDArray[np.intp]:
    """Return places of at most ``MOST_ROWS`` points, about evenly spread, both ends among them."""
    count = min(MOST_ROWS, frequency_hz.size)
    return np.unique(np.linspace(0, frequency_hz.size - 1, count).round().astype(np.intp))


def decision_picture(dossier: Dossier, decided: DecidedBy) -> Picture:
    """Return measured over the first two candidates, and the odds as they run up."""
    verdict = dossier.verdict
    band = decided.band_hz
    where = (
        "no band of it decides"
        if band is None
        else f"the band that decided, {quantity(band[0], 'Hz')} to {quantity(band[1], 'Hz')}, is marked"
    )
    rivals = [dossier.names.get(name, name) for name in (decided.first, decided.second) if name is not None]
    alt = f"Above, measured over {listed(rivals, 'and')} in percent; below, the odds running up; {where}."

    def draw(dark: bool, width_in: float) -> Figure:
        from whichcore import figures  # noqa: PLC0415 - matplotlib is loaded only when a picture is wanted

        return figures.decision_figure(verdict, dossier.names, "What decided", dark=dark, width_in=width_in)

    return Picture("decision", "What decided", alt, draw, _odds(decided, rivals))


def _odds(decided: DecidedBy, rivals: list[str]) -> Sheet:
    f = decided.frequency_hz
    running = np.cumsum(decided.log_odds, axis=0) / np.log(10)
    places = spread(f)
    rows = tuple(
        (
            quantity(f[at], "Hz", 4),
            *(fixed(value, 2, signed=True) for value in (running[at].sum(), *running[at])),
        )
        for at in places
    )
    over = f"{rivals[0]} over {rivals[1]}" if len(rivals) > 1 else f"none of these over {rivals[0]}"
    heads = ("up to", "log₁₀ of odds", "of that by μ′", "of that by μ″")
    return Sheet(_title(f"Running odds, {over}", len(places), f.size), heads, rows, frozenset(heads))


def _no_curve() -> AnalysisError:
    return AnalysisError("there is no curve to show", where="report", got="no sweep", allowed="a sweep")
