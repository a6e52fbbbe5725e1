"""What a sweep file holds besides its numbers: header lines, and which columns stand in which order."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np

from whichcore.analysis.types import Distribution, FloatArray, Scope
from whichcore.errors import InputError
from whichcore.files.csv_table import COMMENT, csv_line

FORMAT = "whichcore-sweep 1"
BASE_COLUMNS = ("frequency_hz", "impedance_real_ohm", "impedance_imag_ohm")
UNCERTAINTY_COLUMNS = ("u_real_ohm", "u_imag_ohm", "correlation")
EXTRA_COLUMNS = ("flux_density_t", "range", "time_s")
#: Header line that lists the sources of a scope; a source on none of them is common to the sweep.
SCOPE_KEYS = {
    "independent_per_point": Scope.POINT,
    "common_to_range": Scope.RANGE,
    "common_across_specimens": Scope.SPECIMENS,
    "common_across_specimens_per_point": Scope.SPECIMENS_POINT,
}
DISTRIBUTION_KEY = "distribution"
_RESERVED = {"format", DISTRIBUTION_KEY, COMMENT, *SCOPE_KEYS}


@dataclass(frozen=True, slots=True)
class SourceColumn:
    """A named error source with a pair of columns of its own."""

    id: str
    scope: Scope = Scope.SWEEP
    distribution: Distribution = Distribution.NORMAL


@dataclass(frozen=True, slots=True)
class SweepLayout:
    """The head of a sweep file.

    Attributes
    ----------
    header : mapping of str to str
        Header lines besides those the layout writes itself; ``comment`` holds lines without a key.
    sources : tuple of SourceColumn
    uncertainty, flux_density, range_labels, time : bool
        Which of the optional columns there are.
    """

    header: Mapping[str, str] = field(default_factory=dict)
    sources: tuple[SourceColumn, ...] = ()
    uncertainty: bool = True
    flux_density: bool = False
    range_labels: bool = False
    time: bool = False

    @property
    def columns(self) -> tuple[str, ...]:
        """Names of the columns in order."""
        optional = (self.flux_density, self.range_labels, self.time)
        extra = tuple(name for name, there in zip(EXTRA_COLUMNS, optional, strict=True) if there)
        pairs = tuple(f"s_{part}_{source.id}_ohm" for source in self.sources for part in ("real", "imag"))
        return BASE_COLUMNS + (UNCERTAINTY_COLUMNS if self.uncertainty else ()) + extra + pairs

    def head(self) -> str:
        """Return every line above the first point.

        Raises
        ------
        InputError
            A key, value or source id that could not be read back.
        """
        ids = [source.id for source in self.sources]
        for name in ids:
            _check_id(name, ids)
        lines = [f"# format: {FORMAT}"]
        for key, value in self.header.items():
            lines += _header_lines(key, value)
        for key, scope in SCOPE_KEYS.items():
            if members := [source.id for source in self.sources if source.scope is scope]:
                lines.append(f"# {key}: {', '.join(members)}")
        shapes = [source for source in self.sources if source.distribution is not Distribution.NORMAL]
        if shapes:
            pairs = (f"{source.id}={source.distribution.value}" for source in shapes)
            lines.append(f"# {DISTRIBUTION_KEY}: {', '.join(pairs)}")
        return "".join(f"{line}\n" for line in [*lines, csv_line(self.columns)])


@dataclass(frozen=True, slots=True)
class SweepPoint:
    """One finished point of a sweep.

    Attributes
    ----------
    frequency_hz : float
    impedance_ohm : complex
    covariance : float array (2, 2) or None
        Scatter of real and imaginary part, Ω².
    sensitivities : mapping of str to complex
        Source id to Ω per standard uncertainty of the source.
    flux_density_t : float or None
    range_label : str or None
    time_s : float or None
    """

    frequency_hz: float
    impedance_ohm: complex
    covariance: FloatArray | None = None
    sensitivities: Mapping[str, complex] = field(default_factory=dict)
    flux_density_t: float | None = None
    range_label: str | None = None
    time_s: float | None = None


def row_of(layout: SweepLayout, point: SweepPoint) -> str:
    """Return the line of a point, without line end; numbers in full so that they read back exactly.

    Raises
    ------
    InputError
        A value the layout asks for is missing, superfluous or not finite.
    """
    cells: list[str] = []
    numbers = [point.frequency_hz, point.impedance_ohm.real, point.impedance_ohm.imag]
    if layout.uncertainty:
        numbers += _uncertainty_cells(point)
    cells += [_cell(value) for value in numbers]
    if layout.flux_density:
        cells.append(_cell(point.flux_density_t))
    if layout.range_labels:
        cells.append(_label(point.range_label))
    if layout.time:
        cells.append(_cell(point.time_s))
    if set(point.sensitivities) != {source.id for source in layout.sources}:
        raise InputError(
            "the error sources of a point are not those of the file",
            where="sweep point",
            got=", ".join(sorted(point.sensitivities)),
            allowed=", ".join(source.id for source in layout.sources),
        )
    for source in layout.sources:
        value = point.sensitivities[source.id]
        cells += [_cell(value.real), _cell(value.imag)]
    return csv_line(cells)


def _uncertainty_cells(point: SweepPoint) -> list[float]:
    if point.covariance is None:
        raise InputError("a point has no covariance though the file holds some", where="sweep point")
    (real, shared), (_, imag) = np.asarray(point.covariance, dtype=np.float64).tolist()
    if real < 0 or imag < 0:
        raise InputError("a variance is negative", where="sweep point", got=f"{min(real, imag):g}")
    u_real, u_imag = math.sqrt(real), math.sqrt(imag)
    product = u_real * u_imag
    correlation = shared / product if product else 0.0
    if abs(correlation) > 1 + 1e-9:
        raise InputError("a covariance is no covariance", where="sweep point", got=f"{correlation:g}")
    # only the last digits of a full correlation are cut here
    return [u_real, u_imag, max(-1.0, min(1.0, correlation))]


def _cell(value: float | None) -> str:
    if value is None or not math.isfinite(value):
        raise InputError("a value of the point is missing or not finite", where="sweep point", got=f"{value}")
    return repr(float(value))


def _label(label: str | None) -> str:
    if not label or label != label.strip() or any(ord(char) < 32 for char in label):
        raise InputError("a range label is one line of text", where="sweep point", got=repr(label))
    return label


def _check_id(name: str, ids: list[str]) -> None:
    bad = not name or name != name.strip() or any(char in ",;=\"'" or not char.isprintable() for char in name)
    if bad or ids.count(name) > 1:
        raise InputError(
            "this cannot be the id of an error source in a file",
            where="error source",
            got=name,
            allowed="one line without , ; = or quotes, each id once",
        )


def _header_lines(key: str, value: str) -> list[str]:
    if key == COMMENT:
        return [f"# {line}" for line in value.split("\n") if line.strip()]
    text = f"{key}{value}"
    if key in _RESERVED or ":" in key or key != key.strip() or not key or not text.isprintable():
        raise InputError(
            "this cannot be a header line",
            where="sweep header",
            got=f"{key}: {value}",
            allowed="one line each, no colon in the key, no key the file format sets itself",
        )
    return [f"# {key}: {value.strip()}"]
