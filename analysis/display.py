"""How results show themselves in a notebook: small tables of HTML, as plain text made.

Names come out of files, so everything is escaped; nothing here draws or imports anything but text.
"""

from __future__ import annotations

from collections.abc import Sequence
from html import escape

import numpy as np

from whichcore.analysis.materials import Library
from whichcore.analysis.types import (
    ComplexArray,
    ErrorSource,
    FloatArray,
    ImpedanceSweep,
    PermeabilitySpectrum,
)
from whichcore.analysis.uncertainty import point_covariance
from whichcore.analysis.verdict import Candidate, Verdict
from whichcore.wording import hertz, percent, printable, with_uncertainty

ROWS_SHOWN = 10
Rows = Sequence[Sequence[str]]


def sweep_html(sweep: ImpedanceSweep) -> str:
    """Return a sweep as a table of at most ``ROWS_SHOWN`` points."""
    rows = _points(sweep.frequency_hz, sweep.impedance_ohm, sweep.scatter, sweep.sources)
    told = [*_band(sweep.frequency_hz, len(sweep.sources)), *_conditions(sweep.temperature_c, sweep.wiring)]
    return _table("Impedance", told, ("frequency", "R ± u (Ω)", "X ± u (Ω)"), rows)


def spectrum_html(spectrum: PermeabilitySpectrum) -> str:
    """Return a spectrum as a table of at most ``ROWS_SHOWN`` points."""
    mu = spectrum.permeability.conj()
    turned = [
        ErrorSource(one.id, one.scope, one.sensitivity.conj(), one.distribution) for one in spectrum.sources
    ]
    rows = _points(spectrum.frequency_hz, mu, spectrum.scatter, turned)
    told = [*_band(spectrum.frequency_hz, len(spectrum.sources)), *_conditions(spectrum.temperature_c, None)]
    return _table("Permeability", told, ("frequency", "μ′ ± u", "μ″ ± u"), rows)


def verdict_html(verdict: Verdict) -> str:
    """Return a verdict as a table of its best candidates."""
    measured = verdict.initial_permeability
    value = with_uncertainty(measured.value, measured.standard_uncertainty)
    told_value = f"μ′ = {value}" if measured.determined else "μ′: not determined"
    named = ", ".join(verdict.materials) or verdict.material_class or "no material"
    told = [
        f"{verdict.kind.value}: {named}, {percent(verdict.probability)}",
        f"measured {told_value} at {hertz(measured.frequency_hz)}",
        f"none of the references: {percent(verdict.unlisted_probability)}",
        *(f"warning: {text}" for text in verdict.warnings),
        f"next: {verdict.next_measurement}",
    ]
    shown = verdict.candidates[:ROWS_SHOWN]
    rows = [_candidate(one) for one in shown]
    heads = ("material", "class", "probability", "scale", "corner")
    return _table("Verdict", told, heads, [*rows, *_rest(len(verdict.candidates), len(heads))])


def library_html(library: Library) -> str:
    """Return a library as a table of its first materials."""
    rows = [
        (one.id, one.name, str(one.material_class), f"{one.initial_permeability:g}", one.licence)
        for one in library.materials[:ROWS_SHOWN]
    ]
    told = [f"{len(library.materials)} materials"]
    if library.problems:
        told.append(f"{len(library.problems)} could not be used; see problems")
    heads = ("id", "name", "class", "μi", "licence")
    return _table("Library", told, heads, [*rows, *_rest(len(library.materials), len(heads))])


def _candidate(one: Candidate) -> tuple[str, ...]:
    ratios = ("not known" if ratio is None else f"{ratio:.2f}" for ratio in (one.scale, one.corner_shift))
    return (one.material, one.material_class, percent(one.probability), *ratios)


def _points(
    frequency_hz: FloatArray, values: ComplexArray, scatter: FloatArray, sources: Sequence[ErrorSource]
) -> Rows:
    count = min(ROWS_SHOWN, frequency_hz.size)
    places = np.unique(np.linspace(0, max(frequency_hz.size - 1, 0), count).round().astype(int))
    if not places.size:
        return []
    u = np.sqrt(np.diagonal(point_covariance(scatter, tuple(sources)), axis1=1, axis2=2))
    return [
        (
            hertz(float(frequency_hz[at]), 4),
            with_uncertainty(float(values[at].real), float(u[at, 0])),
            with_uncertainty(float(values[at].imag), float(u[at, 1])),
        )
        for at in places
    ]


def _band(frequency_hz: FloatArray, sources: int) -> list[str]:
    if not frequency_hz.size:
        return ["no points"]
    low, high = (hertz(float(frequency_hz[end])) for end in (0, -1))
    shown = min(ROWS_SHOWN, frequency_hz.size)
    return [
        f"{frequency_hz.size} points, {low} to {high}, {shown} shown",
        f"u: standard uncertainty, scatter and {sources} named sources",
    ]


def _conditions(temperature_c: float | None, wiring: str | None) -> list[str]:
    told = [] if temperature_c is None else [f"{temperature_c:g} °C"]
    return told if wiring is None else [*told, wiring]


def _rest(there: int, columns: int) -> Rows:
    return [(f"and {there - ROWS_SHOWN} more", *[""] * (columns - 1))] if there > ROWS_SHOWN else []


def _table(title: str, told: Sequence[str], heads: Sequence[str], rows: Rows) -> str:
    head = "".join(f'<th scope="col">{_text(text)}</th>' for text in heads)
    body = "".join(f"<tr>{''.join(f'<td>{_text(cell)}</td>' for cell in row)}</tr>" for row in rows)
    lines = "<br>".join(_text(text) for text in told if text)
    return (
        f"<table><caption><strong>{_text(title)}</strong><br>{lines}</caption>"
        f"<thead><tr>{head}</tr></thead><tbody>{body}</tbody></table>"
    )


def _text(text: str) -> str:
    return escape(printable(text))
