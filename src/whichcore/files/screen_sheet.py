"""A sheet of what was read off a screen: header lines for the bench, one row for each frequency."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path

from whichcore.analysis.by_hand import ScreenReading
from whichcore.analysis.secondary_input import SecondaryLoad
from whichcore.analysis.types import Wiring
from whichcore.calibration.shunt import Shunt
from whichcore.calibration.standards import Toleranced
from whichcore.errors import InputError
from whichcore.files.csv_table import COMMENT, Table, check_columns, parse_table
from whichcore.files.screen_value import Eye, parse_height, parse_shift
from whichcore.files.text import did_you_mean, read_text
from whichcore.files.units import Dimension, normalise, parse_quantity

FORMAT = "whichcore-screen 1"
COLUMNS = ("frequency", "a", "b", "shift", "leads", "a_scale", "b_scale", "time_scale")
NEEDED = ("frequency", "a", "b", "shift")
A_LEADS, B_LEADS = "A leads", "B leads"
WIRINGS = (Wiring.SHUNT_AT_GROUND, Wiring.SPECIMEN_AT_GROUND, Wiring.TWO_WINDINGS)
_SHUNT_KEYS = {
    "shunt": Dimension.RESISTANCE,
    "shunt_inductance": Dimension.INDUCTANCE,
    "shunt_capacitance": Dimension.CAPACITANCE,
}
LOAD_KEYS = {"input_resistance": Dimension.RESISTANCE, "input_capacitance": Dimension.CAPACITANCE}
_TOLERANCED = {**_SHUNT_KEYS, **LOAD_KEYS}
KEYS = (
    "format",
    "wiring",
    *(name for key in _TOLERANCED for name in (key, f"{key}_tolerance")),
    "gain_tolerance",
    "delay_tolerance",
    "positive_shift",
    "reading_error",
    "temperature",
    "specimen",
    COMMENT,
)


@dataclass(frozen=True, slots=True)
class SheetRow:
    """One row: what was read, where it stands, and the vertical settings of both channels."""

    reading: ScreenReading
    where: str
    label: str


@dataclass(frozen=True, slots=True)
class SheetHead:
    """What holds for the whole sheet.

    Attributes
    ----------
    wiring : Wiring
    shunt : Shunt
    gain_half_width, delay_half_width_s : float
        Within which V_A/V_B is right, evenly.
    positive_shift : str
        Which channel leads where the shift is positive; empty where a column says it.
    eye : Eye
    temperature_c : float or None
    specimen : str
    load : SecondaryLoad or None
        What channel A hangs on the second winding; None where there is one winding.
    """

    wiring: Wiring
    shunt: Shunt
    gain_half_width: float
    delay_half_width_s: float
    positive_shift: str
    eye: Eye
    temperature_c: float | None
    specimen: str
    load: SecondaryLoad | None = None


@dataclass(frozen=True, slots=True)
class ScreenSheet:
    """A sheet, its rows in rising order of frequency."""

    path: Path
    head: SheetHead
    rows: tuple[SheetRow, ...]


def load_screen_sheet(path: str | Path) -> ScreenSheet:
    """Read a sheet.

    Raises
    ------
    InputError
        The first fault with its line; how many more rows are at fault is said.
    """
    place = Path(path)
    table = parse_table(read_text(place), place)
    check_columns(table, NEEDED, COLUMNS)
    head = read_head(table.header, place, table.header_lines)
    if not head.positive_shift and "leads" not in table.columns:
        raise InputError(
            "the sheet does not say which channel leads",
            where=str(place),
            allowed=f"# positive_shift: {A_LEADS} (or {B_LEADS}), or a column leads with A or B",
            next_step="A leads where its peak stands left of that of B",
        )
    rows, faults = [], []
    for number in range(len(table.rows)):
        try:
            rows.append(_row(table, number, head))
        except InputError as error:
            faults.append(error)
    raise_together(faults)
    rows.sort(key=lambda row: row.reading.frequency_hz)
    for one, two in pairwise(rows):
        if one.reading.frequency_hz == two.reading.frequency_hz:
            raise InputError(
                "a frequency stands twice",
                where=two.where,
                got=f"{two.reading.frequency_hz:g} Hz, also in {one.where}",
                next_step="keep one row",
            )
    return ScreenSheet(place, head, tuple(rows))


def raise_together(faults: list[InputError]) -> None:
    """Raise the first of several faults; the others are counted and named behind it."""
    if not faults:
        return
    first, *others = faults
    steps = [first.next_step] if first.next_step else []
    if others:
        count = f"{len(others)} more row{'s' * (len(others) > 1)} at fault"
        steps.append(f"{count}: {' | '.join(f'{e.where}: {e.what}' for e in others[:5])}")
    raise InputError(
        first.what, where=first.where, got=first.got, allowed=first.allowed, next_step="; ".join(steps)
    )


def _check_keys(header: Mapping[str, str], path: Path, where: Callable[[str], str]) -> None:
    """Refuse unknown header lines, another format, and missing ones."""
    for key in header:
        if key not in KEYS:
            raise InputError(
                "unknown header line",
                where=where(key),
                got=key,
                allowed=", ".join(KEYS[:-1]),
                next_step=did_you_mean(key, KEYS, "remove it or correct its name"),
            )
    if header.get("format", FORMAT) != FORMAT:
        raise InputError(
            "this is no sheet of this version",
            where=where("format"),
            got=header["format"],
            allowed=FORMAT,
        )
    for key, example in _MUST.items():
        if key not in header:
            raise InputError(
                f"the header line {key} is missing",
                where=str(path),
                allowed=f"# {key}: {example}",
                next_step="add it above the line of column names",
            )


def read_head(header: Mapping[str, str], path: Path, lines: Mapping[str, int] | None = None) -> SheetHead:
    """Read the header lines of a sheet; raises InputError for what is unknown, missing or wrong."""
    numbers = lines or {}

    def where(key: str) -> str:
        return f"{path}, line {numbers[key]}, {key}" if key in numbers else f"{path}, {key}"

    _check_keys(header, path, where)
    wiring = Wiring(_one_of(header["wiring"], WIRINGS, where("wiring")))
    return SheetHead(
        wiring=wiring,
        shunt=Shunt(
            resistance_ohm=_toleranced(header, "shunt", where),
            inductance_h=_toleranced(header, "shunt_inductance", where),
            capacitance_f=_toleranced(header, "shunt_capacitance", where),
        ),
        gain_half_width=parse_quantity(
            header["gain_tolerance"], Dimension.RATIO, where=where("gain_tolerance")
        ),
        delay_half_width_s=parse_quantity(
            header["delay_tolerance"], Dimension.TIME, where=where("delay_tolerance")
        ),
        positive_shift=_one_of(header["positive_shift"], (A_LEADS, B_LEADS), where("positive_shift"))
        if "positive_shift" in header
        else "",
        eye=_eye(header.get("reading_error"), where("reading_error")),
        temperature_c=parse_quantity(header["temperature"], Dimension.TEMPERATURE, where=where("temperature"))
        if "temperature" in header
        else None,
        specimen=header.get("specimen", ""),
        load=_load(header, wiring, where),
    )


def _load(header: Mapping[str, str], wiring: Wiring, where: Callable[[str], str]) -> SecondaryLoad | None:
    """Return what channel A loads the second winding with: required there, and without meaning elsewhere."""
    for key, example in (("input_resistance", "10 Mohm"), ("input_capacitance", "15 pF")):
        needed = wiring is Wiring.TWO_WINDINGS
        if needed and key not in header:
            raise InputError(
                f"two windings need what channel A loads the second one with: {key} is missing",
                where=where("wiring"),
                allowed=f"# {key}: {example}",
                next_step="add it with its tolerance: at the tip of the probe, or of input and cable",
            )
        if not needed and key in header:
            raise InputError(
                "the load of a second winding, and there is one winding",
                where=where(key),
                got=header[key],
                next_step=f"remove it, or write wiring: {Wiring.TWO_WINDINGS}",
            )
    if wiring is not Wiring.TWO_WINDINGS:
        return None
    resistance, capacitance = (_toleranced(header, key, where) for key in LOAD_KEYS)
    return SecondaryLoad(
        capacitance_f=capacitance.value,
        u_capacitance_f=capacitance.standard_uncertainty,
        resistance_ohm=resistance.value,
        u_resistance=resistance.standard_uncertainty / resistance.value,
    )


_MUST = {
    "wiring": f"{WIRINGS[0]} (or {WIRINGS[1]}, {WIRINGS[2]})",
    "shunt": "10 ohm",
    "shunt_tolerance": "1 %",
    "gain_tolerance": "3 %",
    "delay_tolerance": "3 ns",
}


def _one_of(text: str, options: tuple[str, ...], where: str) -> str:
    found = [option for option in options if option.casefold() == text.strip().casefold()]
    if not found:
        raise InputError(
            "no such choice",
            where=where,
            got=text,
            allowed=", ".join(options),
            next_step=did_you_mean(text, options),
        )
    return found[0]


def _toleranced(header: Mapping[str, str], key: str, place: Callable[[str], str]) -> Toleranced:
    """Return a value with what its tolerance says: it lies within ± that, evenly."""
    dimension, name = _TOLERANCED[key], f"{key}_tolerance"
    if key not in header:
        if name in header:
            raise InputError(
                "a tolerance of a value that is not stated", where=place(name), next_step=f"add {key}"
            )
        return Toleranced(0.0)
    value = parse_quantity(header[key], dimension, where=place(key))
    if dimension is Dimension.RESISTANCE and value <= 0:
        what = "a shunt" if key == "shunt" else "an input's resistance"
        raise InputError(f"{what} is above zero", where=place(key), got=header[key], allowed="> 0 ohm")
    if name not in header:
        return Toleranced(value)
    text = header[name]
    if normalise(text).endswith("%"):
        return Toleranced.within(value, value * parse_quantity(text, Dimension.RATIO, where=place(name)))
    return Toleranced.within(value, parse_quantity(text, dimension, where=place(name)))


def _eye(text: str | None, where: str) -> Eye:
    if text is None:
        return Eye()
    number, _, unit = text.strip().partition(" ")
    try:
        divisions = float(number)
    except ValueError:
        divisions = math.nan
    if unit != "div" or not 0 < divisions < 5:
        raise InputError(
            "how well the eye reads is stated in divisions, half-width",
            where=where,
            got=text,
            allowed='such as "0.1 div"',
        )
    return Eye(divisions)


def _row(table: Table, number: int, head: SheetHead) -> SheetRow:
    cells = dict(zip(table.columns, table.rows[number], strict=True))
    return read_row(cells, head, f"{table.path}, line {table.lines[number]}")


def read_row(cells: Mapping[str, str], head: SheetHead, where: str) -> SheetRow:
    """Read the cells of one row; raises InputError naming the column."""
    frequency_hz = parse_quantity(cells["frequency"], Dimension.FREQUENCY, where=f"{where}, frequency")
    a, u_a = parse_height(cells["a"], cells.get("a_scale", ""), head.eye, where=f"{where}, a")
    b, u_b = parse_height(cells["b"], cells.get("b_scale", ""), head.eye, where=f"{where}, b")
    lead, u_lead = parse_shift(
        cells["shift"], cells.get("time_scale", ""), frequency_hz, head.eye, where=f"{where}, shift"
    )
    reading = ScreenReading(frequency_hz, a, u_a, b, u_b, lead * _sign(cells, head, lead, where), u_lead)
    scales = [cells.get("a_scale", ""), cells.get("b_scale", "")]
    label = "/".join("".join(text.split()) for text in scales) if all(scales) else ""
    return SheetRow(reading, where, label)


def _sign(cells: Mapping[str, str], head: SheetHead, lead: float, where: str) -> float:
    said = cells.get("leads", "").strip().upper()
    if not said and head.positive_shift:
        return 1.0 if head.positive_shift == A_LEADS else -1.0
    if said not in {"A", "B"}:
        raise InputError(
            "which channel leads is not said",
            where=f"{where}, leads",
            got=cells.get("leads", "") or "an empty cell",
            allowed="A or B: the one whose peak stands further left",
        )
    if lead < 0:
        raise InputError(
            "a negative shift where the column leads tells the sign",
            where=f"{where}, shift",
            got=cells["shift"],
            allowed=">= 0",
        )
    return 1.0 if said == "A" else -1.0
