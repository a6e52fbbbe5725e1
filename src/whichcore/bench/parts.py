"""The shunt and the standards of a bench file, as the calibration takes them."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from pydantic import ValidationError

from whichcore.bench.tables import (
    STANDARDS,
    CapacitorTable,
    DigitizerTable,
    KnownTable,
    LoadTable,
    OpenTable,
    ShortTable,
    ShuntTable,
    Table,
)
from whichcore.calibration.shunt import Shunt
from whichcore.calibration.standards import Capacitor, Known, Load, Open, Short, Standard, Toleranced
from whichcore.errors import InputError
from whichcore.files import load_sweep
from whichcore.files.text import did_you_mean
from whichcore.files.toml_file import Faults, TomlFile
from whichcore.files.units import Dimension, normalise, parse_quantity

_DIMENSIONS = {
    "resistance": Dimension.RESISTANCE,
    "series_resistance": Dimension.RESISTANCE,
    "inductance": Dimension.INDUCTANCE,
    "capacitance": Dimension.CAPACITANCE,
}


@dataclass(frozen=True, slots=True)
class ChannelInput:
    """What hangs on a node where a channel is connected to it: its input, cable or probe.

    Attributes
    ----------
    resistance_ohm, capacitance_f : Toleranced or None
        None where the bench file does not say it.
    """

    resistance_ohm: Toleranced | None = None
    capacitance_f: Toleranced | None = None


class _Part:
    """A table of a part, with its place in the file."""

    def __init__(self, table: Table, faults: Faults, *place: str) -> None:
        self.table, self._faults, self._place = table, faults, place

    def value(self, key: str, tolerance_key: str = "") -> Toleranced:
        """Return a value with what its tolerance says: it lies within ± that, evenly (JCGM 100, 4.3.7)."""
        name = tolerance_key or f"{key}_tolerance"
        return self.within(getattr(self.table, key), _DIMENSIONS[key], name)

    def within(self, value: float, dimension: Dimension, name: str) -> Toleranced:
        """Return a value with the tolerance under a name."""
        text = getattr(self.table, name)
        if text is None:
            return Toleranced(value)
        try:
            return Toleranced.within(value, half_width(text, value, dimension))
        except InputError as error:
            self.fault(
                InputError(error.what, got=error.got, allowed=error.allowed, next_step=error.next_step), name
            )
            return Toleranced(value)

    def fault(self, error: InputError, name: str) -> None:
        """Note a fault at a key."""
        self._faults.add(error, *self._place, name)


def half_width(text: str, value: float, dimension: Dimension) -> float:
    """Return what a tolerance allows, a share of the value or in its unit; raises InputError."""
    if normalise(text).endswith(("%", "ppm")):
        if value == 0:
            raise InputError(
                "a share of nothing is nothing",
                got=text,
                next_step="state the value, or a tolerance in its unit",
            )
        return parse_quantity(text, Dimension.RATIO) * value
    return parse_quantity(text, dimension)


def read_inputs(table: DigitizerTable | None, faults: Faults) -> tuple[ChannelInput, ChannelInput]:
    """Return what both channels of a digitizer load their nodes with; faults are noted."""
    if table is None:
        return ChannelInput(), ChannelInput()
    part = _Part(table, faults, "digitizer")
    ohm = _of_each(part, "input_resistance", table.input_resistance, Dimension.RESISTANCE)
    farad = _of_each(part, "input_capacitance", table.input_capacitance, Dimension.CAPACITANCE)
    return ChannelInput(ohm[0], farad[0]), ChannelInput(ohm[1], farad[1])


def _of_each(
    part: _Part, key: str, values: tuple[float, float] | None, dimension: Dimension
) -> tuple[Toleranced | None, Toleranced | None]:
    name = f"{key}_tolerance"
    if values is None:
        if getattr(part.table, name) is not None:
            part.fault(InputError("a tolerance of a value that is not stated", next_step=f"add {key}"), name)
        return None, None
    return part.within(values[0], dimension, name), part.within(values[1], dimension, name)


def read_shunt(file: TomlFile, faults: Faults, input_b: ChannelInput) -> Shunt | None:
    """Return the shunt; None where a fault was found.

    Parameters
    ----------
    file : TomlFile
    faults : Faults
    input_b : ChannelInput
        Of channel B: its capacitance is that of the shunt's node where the file states none there.
    """
    data = file.table("shunt", faults)
    if not data and len(faults):
        return None
    try:
        table = ShuntTable.model_validate(data)
    except ValidationError as error:
        faults.add_invalid(error, ShuntTable.model_fields, "shunt")
        return None
    part = _Part(table, faults, "shunt")
    own = table.capacitance is not None
    if not own and table.capacitance_tolerance is not None:
        part.fault(
            InputError("a tolerance of a value that is not stated", next_step="add capacitance"),
            "capacitance_tolerance",
        )
    return Shunt(
        resistance_ohm=part.value("resistance", "tolerance"),
        inductance_h=part.value("inductance"),
        capacitance_f=part.value("capacitance") if own else input_b.capacitance_f or Toleranced(0.0),
        name=table.name,
    )


def read_standards(file: TomlFile, faults: Faults) -> dict[str, Standard]:
    """Return the standards by name; faults are noted."""
    tables = file.data.get("standards", {})
    if not isinstance(tables, dict):
        faults.add(InputError("this must be a table", allowed="[standards.open]"), "standards")
        return {}
    found = {name: _standard(file, name, data, faults) for name, data in tables.items()}
    return {name: standard for name, standard in found.items() if standard is not None}


def _standard(file: TomlFile, name: str, data: Any, faults: Faults) -> Standard | None:
    place = ("standards", name)
    if not isinstance(data, dict):
        faults.add(InputError("this must be a table", allowed=f"[standards.{name}]"), *place)
        return None
    # a standard called load is a load, unless it says otherwise
    kind = data.get("kind", name)
    if kind not in STANDARDS:
        step = did_you_mean(str(kind), STANDARDS, 'add kind = "load" or another')
        error = InputError(
            "no such kind of standard", got=f"{kind}", allowed=", ".join(STANDARDS), next_step=step
        )
        faults.add(error, *place, "kind")
        return None
    model = STANDARDS[kind]
    try:
        table = model.model_validate({"kind": kind} | data)
    except ValidationError as error:
        faults.add_invalid(error, model.model_fields, *place)
        return None
    try:
        return _BUILDERS[kind](table, _Part(table, faults, *place), name, file.path)
    except InputError as error:
        what = f"{error.where}: {error.what}" if error.where not in {"", name} else error.what
        faults.add(InputError(what, got=error.got, allowed=error.allowed, next_step=error.next_step), *place)
        return None


def _open(_table: OpenTable, part: _Part, name: str, _path: Path) -> Open:
    return Open(part.value("capacitance", "tolerance"), name=name)


def _short(table: ShortTable, part: _Part, name: str, _path: Path) -> Short:
    return Short(
        resistance_ohm=part.value("resistance"),
        inductance_h=part.value("inductance", "tolerance"),
        plane=table.plane,
        name=name,
    )


def _load(_table: LoadTable, part: _Part, name: str, _path: Path) -> Load:
    return Load(
        resistance_ohm=part.value("resistance", "tolerance"),
        inductance_h=part.value("inductance"),
        capacitance_f=part.value("capacitance"),
        name=name,
    )


def _capacitor(table: CapacitorTable, part: _Part, name: str, _path: Path) -> Capacitor:
    return Capacitor(
        capacitance_f=part.value("capacitance", "tolerance"),
        loss_tangent=table.loss_tangent,
        series_resistance_ohm=part.value("series_resistance"),
        inductance_h=part.value("inductance"),
        name=name,
    )


def _known(table: KnownTable, _part: _Part, name: str, path: Path) -> Known:
    return Known(load_sweep(path.parent / table.sweep), name=name)


_BUILDERS: dict[str, Callable[[Any, _Part, str, Path], Standard]] = {
    "open": _open,
    "short": _short,
    "load": _load,
    "capacitor": _capacitor,
    "known": _known,
}
