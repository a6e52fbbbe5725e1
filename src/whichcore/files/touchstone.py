"""One-port Touchstone files (``.s1p``), after the open Touchstone File Format Specification, version 1.1.

The option line is ``# <frequency unit> <parameter> <format> R <ohm>``, by default ``# GHz S MA R 50``; text
after ``!`` is comment; one port has one row of three numbers per frequency. In version 1 files Z and Y are
normalised to the reference resistance R: z = Z/R, y = Y·R (IBIS Open Forum, from memory).
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from whichcore.analysis.impedance import estimate_scatter
from whichcore.analysis.types import ComplexArray, FloatArray, ImpedanceSweep
from whichcore.errors import InputError
from whichcore.files.csv_table import parse_number
from whichcore.files.text import read_text, write_text
from whichcore.files.warn import warn

_FREQUENCY_UNITS = {"HZ": 1.0, "KHZ": 1e3, "MHZ": 1e6, "GHZ": 1e9}
_PARAMETERS = ("S", "Y", "Z")
_FORMATS = ("MA", "DB", "RI")


@dataclass(frozen=True, slots=True)
class TouchstoneOptions:
    """The option line.

    Attributes
    ----------
    frequency_unit : str
        HZ, KHZ, MHZ or GHZ.
    parameter : str
        S, Y or Z.
    number_format : str
        MA (magnitude, degrees), DB (20 lg of magnitude, degrees) or RI (real, imaginary).
    reference_ohm : float
    """

    frequency_unit: str = "GHZ"
    parameter: str = "S"
    number_format: str = "MA"
    reference_ohm: float = 50.0

    def __post_init__(self) -> None:
        checks = (
            ("frequency unit", self.frequency_unit, tuple(_FREQUENCY_UNITS)),
            ("parameter", self.parameter, _PARAMETERS),
            ("number format", self.number_format, _FORMATS),
        )
        for name, value, allowed in checks:
            if value not in allowed:
                raise InputError(
                    f"this {name} of a Touchstone file is not read here",
                    got=value,
                    allowed=", ".join(allowed),
                )
        if not 0 < self.reference_ohm < math.inf:
            raise InputError(
                "the reference resistance must be positive", got=f"{self.reference_ohm:g}", allowed="> 0 ohm"
            )


def read_touchstone(path: str | Path) -> ImpedanceSweep:
    """Read a one-port Touchstone file as a sweep.

    Parameters
    ----------
    path : str or Path

    Returns
    -------
    ImpedanceSweep
        Such a file states no uncertainty: the scatter is estimated from the curve and a warning says so.

    Raises
    ------
    InputError
        No readable file, version 2, more than one port, a bad option line or number, frequencies that do
        not rise, an ideal open (S = 1, Y = 0) where Z is infinite.
    """
    place = Path(path)
    return touchstone_of(read_text(place), place)


def touchstone_of(text: str, place: Path) -> ImpedanceSweep:
    """Read the text of a one-port Touchstone file; see :func:`read_touchstone`."""
    options, notes, rows = _split(text, place)
    frequency = np.array([row[0] for _, row in rows]) * _FREQUENCY_UNITS[options.frequency_unit]
    lines = [line for line, _ in rows]
    _check_frequencies(frequency, lines, place)
    pairs = np.array([row[1:] for _, row in rows])
    impedance = _impedance(_complex(pairs, options.number_format), options)
    if (bad := np.flatnonzero(~np.isfinite(impedance))).size:
        raise InputError(
            "the impedance at this point is infinite",
            where=f"{place}, line {lines[bad[0]]}",
            got=f"{pairs[bad[0]][0]:g} {pairs[bad[0]][1]:g}",
            next_step="remove the point: an open says nothing of a core",
        )
    warn(f"{place}: a Touchstone file states no uncertainty; the scatter is estimated from the curve itself")
    return ImpedanceSweep(
        frequency_hz=frequency,
        impedance_ohm=impedance,
        scatter=estimate_scatter(frequency, impedance),
        scatter_estimated=True,
        notes=notes,
    )


def write_touchstone(
    path: str | Path, sweep: ImpedanceSweep, options: TouchstoneOptions | None = None
) -> None:
    """Write a sweep as a one-port Touchstone file, whole or not at all.

    Parameters
    ----------
    path : str or Path
        Ends in ``.s1p``.
    sweep : ImpedanceSweep
    options : TouchstoneOptions, optional
        ``# HZ S RI R 50`` when not given.

    Raises
    ------
    InputError
        Another ending, a value that S or Y cannot express, or a file that cannot be written.
    """
    place = Path(path)
    if place.suffix.lower() != ".s1p":
        raise InputError("a one-port Touchstone file ends in .s1p", where=str(place), next_step="rename it")
    chosen = options or TouchstoneOptions("HZ", "S", "RI", 50.0)
    values = _parameter(sweep.impedance_ohm, chosen)
    pairs = _pairs(values, chosen.number_format)
    if not np.all(np.isfinite(pairs)):
        raise InputError(
            f"a point cannot be written as {chosen.parameter} in {chosen.number_format}",
            where=str(place),
            next_step="write it as Z in RI",
        )
    if sweep.sources:
        names = ", ".join(source.id for source in sweep.sources)
        warn(f"{place}: a Touchstone file carries no error sources; left out: {names}")
    if not sweep.scatter_estimated:
        warn(f"{place}: a Touchstone file carries no uncertainty; it is left out")
    reference = f"{chosen.reference_ohm!r}".removesuffix(".0")
    head = f"# {chosen.frequency_unit} {chosen.parameter} {chosen.number_format} R {reference}\n"
    scale = _FREQUENCY_UNITS[chosen.frequency_unit]
    rows = zip((sweep.frequency_hz / scale).tolist(), pairs.tolist(), strict=True)
    write_text(place, _comments(sweep) + head + "".join(f"{f!r} {a!r} {b!r}\n" for f, (a, b) in rows))


def _comments(sweep: ImpedanceSweep) -> str:
    return "".join(
        f"! {key}: {line}\n" for key, value in sweep.notes.items() for line in value.splitlines() if line
    )


def _split(text: str, place: Path) -> tuple[TouchstoneOptions, dict[str, str], list[tuple[int, list[float]]]]:
    """Split a file into options, comments of the form ``key: value``, and rows with their lines."""
    options: TouchstoneOptions | None = None
    notes: dict[str, str] = {}
    rows: list[tuple[int, list[float]]] = []
    for number, line in enumerate(text.split("\n"), start=1):
        content, mark, comment = (part.strip() for part in line.partition("!"))
        where = f"{place}, line {number}"
        if mark and ":" in comment:
            key, _, value = comment.partition(":")
            notes[key.strip()] = value.strip()
        if content.startswith("["):
            raise InputError(
                "Touchstone version 2 is not read here",
                where=where,
                got=content,
                next_step="save it as version 1.1",
            )
        if content.startswith("#"):
            # the specification has every option line after the first ignored
            options = options or _options(content, where)
        elif content:
            rows.append((number, _row(content, where)))
    if not rows:
        raise InputError("there is not one row of numbers in the file", where=str(place))
    return options or TouchstoneOptions(), notes, rows


def _options(line: str, where: str) -> TouchstoneOptions:
    words = line.removeprefix("#").upper().split()
    found: dict[str, str] = {}
    reference = 50.0
    while words:
        word = words.pop(0)
        if word == "R":
            reference = parse_number(words.pop(0) if words else "", f"{where}, R")
        elif word in _FREQUENCY_UNITS:
            found["frequency_unit"] = word
        elif word in _FORMATS:
            found["number_format"] = word
        elif re.fullmatch("[A-Z]", word):
            found["parameter"] = word
        else:
            raise InputError(
                "this word does not belong into an option line",
                where=where,
                got=word,
                allowed="# Hz|kHz|MHz|GHz S|Y|Z MA|DB|RI R <ohm>",
            )
    try:
        return TouchstoneOptions(**found, reference_ohm=reference)
    except InputError as error:
        raise InputError(error.what, where=where, got=error.got, allowed=error.allowed) from None


def _row(content: str, where: str) -> list[float]:
    cells = content.split()
    if len(cells) != 3:
        raise InputError(
            "a row of a one-port file has three numbers",
            where=where,
            got=f"{len(cells)} cells",
            allowed="frequency and two numbers",
            next_step="a file of more ports (.s2p) cannot be used" if len(cells) > 3 else "complete the row",
        )
    return [parse_number(cell, where) for cell in cells]


def _check_frequencies(frequency: FloatArray, lines: list[int], place: Path) -> None:
    bad = np.flatnonzero((frequency <= 0) | np.concatenate([[False], np.diff(frequency) <= 0]))
    if bad.size:
        raise InputError(
            "the frequencies must be positive and rise from row to row",
            where=f"{place}, line {lines[bad[0]]}",
            got=f"{frequency[bad[0]]:g} Hz",
            next_step="sort the rows and keep each frequency once",
        )


def _complex(pairs: FloatArray, number_format: str) -> ComplexArray:
    first, second = pairs[:, 0], pairs[:, 1]
    if number_format == "RI":
        return np.asarray(first + 1j * second)
    magnitude = first if number_format == "MA" else 10 ** (first / 20)
    return np.asarray(magnitude * np.exp(1j * np.deg2rad(second)))


def _pairs(values: ComplexArray, number_format: str) -> FloatArray:
    if number_format == "RI":
        return np.stack([values.real, values.imag], axis=-1)
    with np.errstate(divide="ignore"):
        magnitude = np.abs(values) if number_format == "MA" else 20 * np.log10(np.abs(values))
    return np.stack([magnitude, np.rad2deg(np.angle(values))], axis=-1)


def _impedance(values: ComplexArray, options: TouchstoneOptions) -> ComplexArray:
    """Z from z = Z/R, y = Y·R or S = (Z − R)/(Z + R)."""
    with np.errstate(divide="ignore", invalid="ignore"):
        if options.parameter == "Z":
            normalised = values
        elif options.parameter == "Y":
            normalised = 1 / values
        else:
            normalised = (1 + values) / (1 - values)
        return np.asarray(normalised * options.reference_ohm)


def _parameter(impedance: ComplexArray, options: TouchstoneOptions) -> ComplexArray:
    """Inverse of :func:`_impedance`."""
    normalised = impedance / options.reference_ohm
    with np.errstate(divide="ignore", invalid="ignore"):
        if options.parameter == "Z":
            return np.asarray(normalised)
        if options.parameter == "Y":
            return np.asarray(1 / normalised)
        return np.asarray((normalised - 1) / (normalised + 1))
