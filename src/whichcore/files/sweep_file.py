"""Sweep files: one impedance curve as CSV."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import TypeVar

import numpy as np

from whichcore.analysis.impedance import estimate_scatter, straying
from whichcore.analysis.types import Distribution, ErrorSource, FloatArray, ImpedanceSweep, Scope
from whichcore.errors import InputError
from whichcore.files.csv_table import Table, check_columns, frequency_order, parse_table, warn_if_sorted
from whichcore.files.sweep_layout import (
    BASE_COLUMNS,
    DISTRIBUTION_KEY,
    EXTRA_COLUMNS,
    FORMAT,
    SCOPE_KEYS,
    UNCERTAINTY_COLUMNS,
    SourceColumn,
    SweepLayout,
    SweepPoint,
    row_of,
)
from whichcore.files.text import did_you_mean, path_of, read_text, write_text
from whichcore.files.touchstone import read_touchstone
from whichcore.files.units import Dimension, parse_quantity
from whichcore.files.warn import warn
from whichcore.wording import in_percent, plain

WIRINGS = ("shunt-at-ground", "specimen-at-ground", "two-windings")
#: Largest resistance or reactance taken for a measured one, Ω.
LARGEST_OHM = 1e15
#: Header line of a sweep whose points were taken in another order than that of frequency, on purpose.
ORDER_KEY = "order"
_OWN_KEYS = {"format", "temperature", "drive_vrms", "wiring", DISTRIBUTION_KEY, *SCOPE_KEYS}
_Parsed = TypeVar("_Parsed")


def load_sweep(path: str | Path) -> ImpedanceSweep:
    """Read a sweep file, or a one-port Touchstone file by its ending ``.s1p``.

    Parameters
    ----------
    path : str or Path

    Returns
    -------
    ImpedanceSweep
        Points in rising order of frequency. Without ``u_`` columns, or where all of them are zero, the
        scatter is estimated from the curve, ``scatter_estimated`` is set and a warning says so. A zero at
        some points only is replaced there, with a warning.

    Raises
    ------
    UsageError
        It is no path.
    InputError
        The file cannot be read, or something in it is wrong; the error names line and column.
    """
    place = path_of(path, "load_sweep")
    if place.suffix.lower() == ".s1p":
        return read_touchstone(place)
    text = read_text(place)
    table = parse_table(text, place)
    if "format" in table.header and not text.endswith("\n"):
        warn(f"{place}: the last line has no line end; it may be cut off in the middle of a number")
    return sweep_of(table)


def load_core_sweep(path: str | Path) -> ImpedanceSweep:
    """Read the sweep of a wound core as `load_sweep` does; no point of one is without impedance.

    Raises
    ------
    UsageError
        It is no path.
    InputError
        As `load_sweep`; or an impedance is zero.
    """
    sweep = load_sweep(path)
    if (zero := np.flatnonzero(sweep.impedance_ohm == 0)).size:
        raise InputError(
            "the impedance is zero, which no wound core has",
            where=f"{path}, {sweep.frequency_hz[zero[0]]:g} Hz",
            got=f"0 Ω at {zero.size} of {sweep.impedance_ohm.size} points",
            next_step="remove the rows, or measure these points again",
        )
    return sweep


def sweep_of(table: Table) -> ImpedanceSweep:
    """Turn the table of a sweep file into a sweep.

    Raises
    ------
    InputError
        Another format version, wrong columns, wrong header lines, wrong values.
    """
    layout = layout_of(table)
    _, order = frequency_order(table)
    if ORDER_KEY not in table.header:
        warn_if_sorted(table, order)
    sweep = _assemble(table, layout, order)
    if not layout.uncertainty:
        warn(f"{table.path}: no u_real_ohm, u_imag_ohm; the scatter is estimated from the curve itself")
        return _estimated(sweep)
    return _as_it_strays(_without_zeros(sweep, table), table)


def _estimated(sweep: ImpedanceSweep) -> ImpedanceSweep:
    scatter = estimate_scatter(sweep.frequency_hz, sweep.impedance_ohm)
    return replace(sweep, scatter=scatter, scatter_estimated=True)


def _without_zeros(sweep: ImpedanceSweep, table: Table) -> ImpedanceSweep:
    """Put an estimate where a file states an uncertainty of zero: no bench measures without any.

    What is stated of the other part of a point stays.
    A zero beside an error source that the points share is a scatter too small to be written, and stays.
    """
    variance = np.diagonal(sweep.scatter, axis1=1, axis2=2)
    shared = np.zeros_like(variance)
    for source in sweep.sources:
        shared += np.stack([source.sensitivity.real**2, source.sensitivity.imag**2], axis=1)
    silent = (variance == 0) & (shared == 0)
    if not silent.any():
        return sweep
    columns = [name for name, zeros in zip(UNCERTAINTY_COLUMNS, silent.T, strict=False) if zeros.any()]
    zero = f"{table.path}: {', '.join(columns)} {'is' if len(columns) == 1 else 'are'} 0"
    if silent.all():
        warn(f"{zero}: no uncertainty is stated; the scatter is estimated from the curve itself")
        return _estimated(sweep)
    points = silent.any(axis=1)
    place = "" if points.all() else f" at {points.sum()} of {points.size} frequencies"
    warn(
        f"{zero}{place}: no uncertainty is stated there; it is estimated from the scatter of the curve, and "
        "what is stated stays"
    )
    guess = estimate_scatter(sweep.frequency_hz, sweep.impedance_ohm)
    own = np.eye(2, dtype=bool) & silent[:, np.newaxis, :]
    return replace(sweep, scatter=np.where(own, guess, sweep.scatter))


def _as_it_strays(sweep: ImpedanceSweep, table: Table) -> ImpedanceSweep:
    """Widen a scatter that the curve itself contradicts: points that stray by far more than is stated."""
    variance = np.diagonal(sweep.scatter, axis1=1, axis2=2).copy()
    for source in sweep.sources:
        variance += np.stack([source.sensitivity.real**2, source.sensitivity.imag**2], axis=1)
    found = straying(sweep.frequency_hz, sweep.impedance_ohm, variance)
    if found is None:
        return sweep
    seen, times = found
    factor = "over 1000" if times > 1000 else plain(times, 2)
    warn(
        f"{table.path}: the points stray by {in_percent(seen)} of |Z| from a smooth course, {factor} times "
        "what u_real_ohm, u_imag_ohm state: that is taken instead; correct these columns, or leave them out"
    )
    guess = estimate_scatter(sweep.frequency_hz, sweep.impedance_ohm)
    wider = np.diagonal(guess, axis1=1, axis2=2) > np.diagonal(sweep.scatter, axis1=1, axis2=2)
    both = np.logical_and(wider[:, 0], wider[:, 1]).reshape(-1, 1, 1)
    own = np.eye(2, dtype=bool) & wider[:, np.newaxis, :]
    return replace(sweep, scatter=np.where(both | own, guess, sweep.scatter))


def points_of(table: Table, layout: SweepLayout) -> tuple[SweepPoint, ...]:
    """Return the points of a table in the order of its rows.

    Raises
    ------
    InputError
        As :func:`sweep_of`.
    """
    frequency_order(table)
    sweep = _assemble(table, layout, np.arange(len(table.rows)))
    points = [_point(sweep, index) for index in range(len(table.rows))]
    return tuple(points if layout.uncertainty else [replace(point, covariance=None) for point in points])


def _assemble(table: Table, layout: SweepLayout, order: np.ndarray) -> ImpedanceSweep:
    """Take the rows of a table in an order; without stated uncertainties the scatter is left zero."""
    real, imag = table.numbers(BASE_COLUMNS[1]), table.numbers(BASE_COLUMNS[2])
    _check_sizes(table)
    scatter = _stated_scatter(table) if layout.uncertainty else np.zeros((len(order), 2, 2))
    labels = _labels(table) if layout.range_labels else []
    return ImpedanceSweep(
        frequency_hz=table.numbers(BASE_COLUMNS[0])[order],
        impedance_ohm=(real + 1j * imag)[order],
        scatter=scatter[order],
        sources=tuple(_source(table, column, order) for column in layout.sources),
        flux_density_t=_not_negative(table, "flux_density_t")[order] if layout.flux_density else None,
        range_labels=tuple(labels[index] for index in order) if layout.range_labels else None,
        time_s=_not_negative(table, "time_s")[order] if layout.time else None,
        temperature_c=_from_header(table, "temperature", _temperature),
        drive_vrms=_from_header(table, "drive_vrms", _drive),
        wiring=_from_header(table, "wiring", _wiring),
        notes={key: value for key, value in table.header.items() if key not in _OWN_KEYS},
    )


def _check_sizes(table: Table) -> None:
    """Refuse ohms no bench can have read: their squares would overflow."""
    for name in [column for column in table.columns if column.endswith("_ohm")]:
        size = np.abs(table.numbers(name))
        if (huge := np.flatnonzero(size > LARGEST_OHM)).size:
            raise InputError(
                "this cannot be",
                where=table.where(table.lines[huge[0]], name),
                got=f"{size[huge[0]]:g} Ω",
                allowed=f"up to {LARGEST_OHM:g} Ω",
                next_step="correct the row",
            )


def layout_of(table: Table) -> SweepLayout:
    """Read from header and column names what a sweep file holds.

    The header is kept whole but for the keys that the layout writes itself.

    Raises
    ------
    InputError
        Another format version, a missing, unknown or unpaired column, a scope of no source.
    """
    if (version := table.header.get("format", FORMAT)) != FORMAT:
        raise InputError(
            "this format version cannot be read",
            where=table.where_of("format"),
            got=version,
            allowed=FORMAT,
            next_step="read it with a newer version of the program",
        )
    ids = _source_ids(table)
    pairs = [f"s_{part}_{name}_ohm" for name in ids for part in ("real", "imag")]
    with_uncertainty = any(column in table.columns for column in UNCERTAINTY_COLUMNS)
    needed = (*BASE_COLUMNS, *(UNCERTAINTY_COLUMNS[:2] if with_uncertainty else ()), *pairs)
    known = (*BASE_COLUMNS, *UNCERTAINTY_COLUMNS, *EXTRA_COLUMNS, *pairs)
    check_columns(table, needed, known)
    return SweepLayout(
        header={k: v for k, v in table.header.items() if k not in {"format", DISTRIBUTION_KEY, *SCOPE_KEYS}},
        sources=_source_columns(table, ids),
        uncertainty="u_real_ohm" in table.columns,
        flux_density="flux_density_t" in table.columns,
        range_labels="range" in table.columns,
        time="time_s" in table.columns,
    )


def write_sweep(path: str | Path, sweep: ImpedanceSweep) -> None:
    """Write a sweep file, whole or not at all; reading it gives the same sweep again.

    A scatter that was estimated from the curve is not written: it would come back as a stated one.

    Raises
    ------
    InputError
        The file cannot be written, or the sweep holds what the format cannot.
    """
    columns = tuple(SourceColumn(item.id, item.scope, item.distribution) for item in sweep.sources)
    layout = SweepLayout(
        header=_header_of(sweep),
        sources=columns,
        uncertainty=not sweep.scatter_estimated,
        flux_density=sweep.flux_density_t is not None,
        range_labels=sweep.range_labels is not None,
        time=sweep.time_s is not None,
    )
    rows = [row_of(layout, _point(sweep, index)) for index in range(len(sweep.frequency_hz))]
    write_text(Path(path), layout.head() + "".join(f"{row}\n" for row in rows))


def _point(sweep: ImpedanceSweep, index: int) -> SweepPoint:
    return SweepPoint(
        frequency_hz=float(sweep.frequency_hz[index]),
        impedance_ohm=complex(sweep.impedance_ohm[index]),
        covariance=sweep.scatter[index],
        sensitivities={source.id: complex(source.sensitivity[index]) for source in sweep.sources},
        flux_density_t=None if sweep.flux_density_t is None else float(sweep.flux_density_t[index]),
        range_label=None if sweep.range_labels is None else sweep.range_labels[index],
        time_s=None if sweep.time_s is None else float(sweep.time_s[index]),
    )


def _header_of(sweep: ImpedanceSweep) -> dict[str, str]:
    header: dict[str, str] = {}
    if sweep.wiring is not None:
        header["wiring"] = sweep.wiring
    if sweep.temperature_c is not None:
        header["temperature"] = f"{sweep.temperature_c!r} degC"
    if sweep.drive_vrms is not None:
        header["drive_vrms"] = f"{sweep.drive_vrms!r} V"
    return header | sweep.notes


def _source_ids(table: Table) -> list[str]:
    """Names of the sources in the order of their columns."""
    names: list[str] = []
    for column in table.columns:
        for start in ("s_real_", "s_imag_"):
            if column.startswith(start) and column.endswith("_ohm") and len(column) > len(start) + 4:
                name = column[len(start) : -4]
                names += [name] if name not in names else []
    return names


def _source_columns(table: Table, ids: list[str]) -> tuple[SourceColumn, ...]:
    scopes: dict[str, Scope] = {}
    for key, scope in SCOPE_KEYS.items():
        for name in _listed(table, key):
            _check_source(table, key, name, ids)
            if name in scopes:
                raise InputError("a source has two scopes", where=table.where_of(key), got=name)
            scopes[name] = scope
    if Scope.RANGE in scopes.values() and "range" not in table.columns:
        raise InputError(
            "a source is common to a range, but there is no range column",
            where=table.where_of("common_to_range"),
            next_step="add the column range",
        )
    shapes = dict(_distribution(table, pair, ids) for pair in _listed(table, DISTRIBUTION_KEY))
    return tuple(
        SourceColumn(name, scopes.get(name, Scope.SWEEP), shapes.get(name, Distribution.NORMAL))
        for name in ids
    )


def _listed(table: Table, key: str) -> list[str]:
    return [name.strip() for name in table.header.get(key, "").split(",") if name.strip()]


def _check_source(table: Table, key: str, name: str, ids: list[str]) -> None:
    if name not in ids:
        raise InputError(
            "there are no columns of this error source",
            where=table.where_of(key),
            got=name,
            allowed=", ".join(ids) or "no source columns in this file",
            next_step=did_you_mean(name, ids, "remove it from the header line"),
        )


def _distribution(table: Table, pair: str, ids: list[str]) -> tuple[str, Distribution]:
    name, _, shape = (part.strip() for part in pair.rpartition("="))
    _check_source(table, DISTRIBUTION_KEY, name, ids)
    try:
        return name, Distribution(shape)
    except ValueError:
        raise InputError(
            "unknown distribution",
            where=table.where_of(DISTRIBUTION_KEY),
            got=pair,
            allowed=", ".join(item.value for item in Distribution),
            next_step="name one of them, or remove the source from the header line",
        ) from None


def _source(table: Table, column: SourceColumn, order: np.ndarray) -> ErrorSource:
    real, imag = (table.numbers(f"s_{part}_{column.id}_ohm")[order] for part in ("real", "imag"))
    return ErrorSource(column.id, column.scope, real + 1j * imag, column.distribution)


def _stated_scatter(table: Table) -> FloatArray:
    u_real, u_imag = _not_negative(table, "u_real_ohm"), _not_negative(table, "u_imag_ohm")
    correlation = np.zeros_like(u_real)
    if "correlation" in table.columns:
        correlation = table.numbers("correlation")
        if (outside := np.flatnonzero(np.abs(correlation) > 1)).size:
            raise InputError(
                "a correlation lies between -1 and 1",
                where=table.where(table.lines[outside[0]], "correlation"),
                got=f"{correlation[outside[0]]:g}",
                allowed="-1 to 1",
                next_step="correct or remove the row",
            )
    shared = correlation * u_real * u_imag
    rows = np.stack([np.stack([u_real**2, shared], -1), np.stack([shared, u_imag**2], -1)], -2)
    return np.asarray(rows, dtype=np.float64)


def _not_negative(table: Table, column: str) -> FloatArray:
    values = table.numbers(column)
    if (negative := np.flatnonzero(values < 0)).size:
        raise InputError(
            "this cannot be negative",
            where=table.where(table.lines[negative[0]], column),
            got=f"{values[negative[0]]:g}",
            allowed=">= 0",
            next_step="correct or remove the row",
        )
    return values


def _labels(table: Table) -> list[str]:
    labels = table.cells("range")
    for label, line in zip(labels, table.lines, strict=True):
        if not label:
            raise InputError(
                "the range label is empty", where=table.where(line, "range"), next_step="name it"
            )
    return labels


def _from_header(table: Table, key: str, parse: Callable[[str, str], _Parsed]) -> _Parsed | None:
    return parse(table.header[key], table.where_of(key)) if table.header.get(key) else None


def _temperature(text: str, where: str) -> float:
    return parse_quantity(text, Dimension.TEMPERATURE, where=where)


def _drive(text: str, where: str) -> float:
    """Volts rms; the key names the unit, so that a plain number is clear as well."""
    with_unit = text if any(char.isalpha() and char not in "eE" for char in text) else f"{text} V"
    value = parse_quantity(with_unit, Dimension.VOLTAGE, where=where)
    if value < 0:
        raise InputError("a drive level cannot be negative", where=where, got=text, allowed=">= 0 V")
    return value


def _wiring(text: str, where: str) -> str:
    if text not in WIRINGS:
        raise InputError(
            "unknown wiring",
            where=where,
            got=text,
            allowed=", ".join(WIRINGS),
            next_step=did_you_mean(text, WIRINGS, "remove the line when the wiring is not known"),
        )
    return text
