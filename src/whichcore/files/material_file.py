"""Material files: properties in TOML, the reference curve beside it in CSV."""

from __future__ import annotations

import json
import re
from collections.abc import Callable
from pathlib import Path
from typing import Annotated, Any

import numpy as np
from pydantic import BaseModel, BeforeValidator, ConfigDict, Field, ValidationError

from whichcore.analysis.materials import Material, MaterialClass
from whichcore.analysis.types import ComplexArray, FloatArray
from whichcore.errors import InputError
from whichcore.files.csv_table import (
    Table,
    check_columns,
    csv_line,
    frequency_order,
    parse_table,
    warn_if_sorted,
)
from whichcore.files.text import create_text, did_you_mean, read_text
from whichcore.files.toml_file import Faults, TomlFile, checked, plain_number, positive_quantity, quantity
from whichcore.files.units import Dimension, normalise, parse_quantity

CURVE_COLUMNS = ("frequency_hz", "mu_real", "mu_imag")
#: Largest |μ| of a reference curve.
LARGEST_PERMEABILITY = 1e7
_ID = re.compile(r"[A-Za-z0-9][A-Za-z0-9._-]{0,79}", re.ASCII)
_BASE_UNITS = {
    "resistivity": ("resistivity_ohm_m", "ohm m"),
    "density": ("density_kg_m3", "kg/m3"),
    "curie_temperature": ("curie_temperature_c", "degC"),
    "temperature": ("temperature_c", "degC"),
    "flux_density": ("flux_density_t", "T"),
}


def _text(value: object) -> str:
    if not isinstance(value, str) or not value.strip():
        raise InputError("text in quotes was expected", got=f"{value}", allowed="one or more characters")
    return value


def _id(value: object) -> str:
    if not isinstance(value, str) or not _ID.fullmatch(value):
        raise InputError(
            "this is no id of a material",
            got=f"{value}",
            allowed="letters without accents, digits, - _ and ., up to 80, a letter or digit first",
        )
    return value


def _class(value: object) -> MaterialClass:
    allowed = [item.value for item in MaterialClass]
    if value not in allowed:
        raise InputError(
            "unknown class of material",
            got=f"{value}",
            allowed=", ".join(allowed),
            next_step=did_you_mean(str(value), allowed, "write other"),
        )
    return MaterialClass(value)


def _curve_name(value: object) -> str:
    name = _text(value)
    if Path(name).name != name or "\\" in name or name in {".", ".."}:
        raise InputError(
            "the curve lies beside its TOML file: a plain file name was expected",
            got=name,
            allowed="such as mnzn-2300.csv",
        )
    return name


def _section(value: object) -> tuple[float, float]:
    parts = normalise(_text(value)).replace("×", "x").split(" x ")
    if len(parts) != 2:
        raise InputError("a section has two sides", got=f"{value}", allowed='"4 mm x 6 mm"')
    first, second = (parse_quantity(part, Dimension.LENGTH) for part in parts)
    if min(first, second) <= 0:
        raise InputError("the sides of a section are positive", got=f"{value}", allowed='"4 mm x 6 mm"')
    return first, second


def _applications(value: object) -> tuple[str, ...]:
    if not isinstance(value, list) or not all(isinstance(item, str) and item.strip() for item in value):
        raise InputError("a list of words was expected", got=f"{value}", allowed='["power", "suppression"]')
    return tuple(value)


def _yes_or_no(value: object) -> bool:
    if not isinstance(value, bool):
        raise InputError("true or false was expected", got=f"{value}", allowed="true, false")
    return value


def _validated(parse: Callable[[object], Any]) -> BeforeValidator:
    return BeforeValidator(checked(parse))


class MaterialTable(BaseModel):
    """Keys of a material file."""

    model_config = ConfigDict(extra="forbid")

    id: Annotated[str, _validated(_id)]
    name: Annotated[str, _validated(_text)]
    material_class: Annotated[MaterialClass, _validated(_class)] = Field(alias="class")
    initial_permeability: Annotated[float, BeforeValidator(plain_number(0.5, 1e7))]
    tolerance: Annotated[float, BeforeValidator(positive_quantity(Dimension.RATIO))]
    curve: Annotated[str, _validated(_curve_name)]
    source: Annotated[str, _validated(_text)]
    licence: Annotated[str, _validated(_text)]
    curve_deviation: Annotated[float | None, BeforeValidator(positive_quantity(Dimension.RATIO))] = None
    resistivity: Annotated[float | None, BeforeValidator(positive_quantity(Dimension.RESISTIVITY))] = None
    relative_permittivity: Annotated[float | None, BeforeValidator(plain_number(0.5, 1e9))] = None
    density: Annotated[float | None, BeforeValidator(positive_quantity(Dimension.DENSITY))] = None
    curie_temperature: Annotated[float | None, BeforeValidator(quantity(Dimension.TEMPERATURE))] = None
    section: Annotated[tuple[float, float] | None, _validated(_section)] = None
    temperature: Annotated[float | None, BeforeValidator(quantity(Dimension.TEMPERATURE))] = None
    flux_density: Annotated[float | None, BeforeValidator(positive_quantity(Dimension.FLUX_DENSITY))] = None
    applications: Annotated[tuple[str, ...], _validated(_applications)] = ()
    swept: Annotated[bool, _validated(_yes_or_no)] = False


_KNOWN = [field.alias or name for name, field in MaterialTable.model_fields.items()]


def load_material(path: str | Path) -> Material:
    """Read a material: its TOML file and the curve that it names.

    Parameters
    ----------
    path : str or Path
        The TOML file; the CSV lies in the same folder.

    Returns
    -------
    Material

    Raises
    ------
    InputError
        All faults of the TOML file in one error, or the first fault of the curve.
    """
    file = TomlFile(Path(path))
    table = _checked_table(file)
    frequency, permeability = _curve_beside(file, table.curve)
    optional = {"curve_deviation": table.curve_deviation} if table.curve_deviation is not None else {}
    return Material(
        id=table.id,
        name=table.name,
        material_class=table.material_class,
        initial_permeability=table.initial_permeability,
        tolerance=table.tolerance,
        frequency_hz=frequency,
        permeability=permeability,
        source=table.source,
        licence=table.licence,
        resistivity_ohm_m=table.resistivity,
        relative_permittivity=table.relative_permittivity,
        density_kg_m3=table.density,
        curie_temperature_c=table.curie_temperature,
        section_m=table.section,
        temperature_c=table.temperature,
        flux_density_t=table.flux_density,
        applications=table.applications,
        swept=table.swept,
        **optional,
    )


def _checked_table(file: TomlFile) -> MaterialTable:
    faults = Faults(file)
    try:
        return MaterialTable.model_validate(file.data)
    except ValidationError as error:
        faults.add_invalid(error, _KNOWN)
        faults.raise_if_any()
        raise AssertionError("a fault was lost") from error  # pragma: no cover - raise_if_any has raised


def _curve_beside(file: TomlFile, name: str) -> tuple[FloatArray, ComplexArray]:
    curve = file.path.parent / name
    if not curve.exists():
        raise InputError(
            "the curve of the material is missing",
            where=file.where("curve"),
            got=name,
            next_step="put it into the folder of the TOML file",
        )
    return load_curve(curve)


def load_curve(path: str | Path) -> tuple[FloatArray, ComplexArray]:
    """Read a reference curve ``frequency_hz,mu_real,mu_imag`` with the loss μ″ = mu_imag positive.

    Returns
    -------
    float array (F,)
        Hz, strictly rising.
    complex array (F,)
        μ = μ′ − jμ″.

    Raises
    ------
    InputError
        Not such a table, fewer than two points, or a negative loss.
    """
    place = Path(path)
    table = parse_table(read_text(place), place)
    check_columns(table, CURVE_COLUMNS, CURVE_COLUMNS)
    frequency, order = frequency_order(table)
    warn_if_sorted(table, order)
    if len(frequency) < 2:
        raise InputError("a curve has at least two points", where=str(place), got="1 point")
    real, loss = table.numbers("mu_real"), table.numbers("mu_imag")
    _check_loss(table, loss)
    _check_size(table, np.hypot(real, loss))
    return frequency, (real - 1j * loss)[order]


def _check_loss(table: Table, loss: FloatArray) -> None:
    negative = np.flatnonzero(loss < 0)
    if not negative.size:
        return
    if np.all(loss <= 0):
        step = (
            "every loss is negative, so the file follows the other sign convention: turn the sign of mu_imag"
        )
    else:
        step = (
            "a passive core has no negative loss: remove the points that are broken, or the residue in them"
        )
    raise InputError(
        "the loss mu_imag (μ″ of μ = μ′ − jμ″) is negative",
        where=table.where(table.lines[negative[0]], "mu_imag"),
        got=f"{loss[negative[0]]:g}",
        allowed=">= 0",
        next_step=step,
    )


def _check_size(table: Table, size: FloatArray) -> None:
    """Refuse what has no logarithm, and what no material reaches."""
    wrong = np.flatnonzero((size == 0) | (size > LARGEST_PERMEABILITY))
    if wrong.size:
        raise InputError(
            "no material has such a permeability",
            where=table.where(table.lines[wrong[0]], "mu_real"),
            got=f"|μ| = {size[wrong[0]]:g}",
            allowed=f"above 0, up to {LARGEST_PERMEABILITY:g}",
            next_step="correct or remove the row",
        )


def write_material(folder: str | Path, material: Material) -> Path:
    """Write a material into a library folder as ``<id>.toml`` and ``<id>.csv``; nothing is overwritten.

    Parameters
    ----------
    folder : str or Path
        Made when it is missing.
    material : Material

    Returns
    -------
    Path
        The TOML file.

    Raises
    ------
    InputError
        One of the files is there already, cannot be written, or could not be read back.
    """
    place = Path(folder)
    if not _ID.fullmatch(material.id):
        raise InputError("this is no id of a material", where="id", got=material.id, allowed=_ID.pattern)
    curve = _curve_text(material)
    properties = _properties_text(material)
    target, curve_path = place / f"{material.id}.toml", place / f"{material.id}.csv"
    if target.exists():
        raise InputError(
            "the library has a material of this id already; it is not overwritten",
            where=str(target),
            next_step="choose another id, or move the old file away",
        )
    _checked_table(TomlFile(target, properties))
    try:
        place.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise InputError("the library folder cannot be made", where=str(place), got=str(error)) from None
    create_text(curve_path, curve)
    try:
        # the TOML file comes last: a library never shows a material whose curve is not there yet
        create_text(target, properties)
    except InputError:
        curve_path.unlink(missing_ok=True)
        raise
    return target


def _curve_text(material: Material) -> str:
    loss = 0.0 - material.permeability.imag
    size = np.abs(material.permeability)
    if np.any(loss < 0) or not np.all((size > 0) & (size <= LARGEST_PERMEABILITY)):
        raise InputError(
            "the curve has a negative loss, or a value that is zero or not finite",
            where=f"material {material.id}",
            next_step="correct the curve before it is written",
        )
    columns = (material.frequency_hz.tolist(), material.permeability.real.tolist(), loss.tolist())
    rows = [csv_line([repr(value) for value in row]) for row in zip(*columns, strict=True)]
    return "".join(f"{line}\n" for line in [csv_line(CURVE_COLUMNS), *rows])


def _properties_text(material: Material) -> str:
    lines = [
        f"id = {_quoted(material.id)}",
        f"name = {_quoted(material.name)}",
        f"class = {_quoted(material.material_class.value)}",
        f"initial_permeability = {float(material.initial_permeability)!r}",
        f"tolerance = {_quoted(_percent(material.tolerance))}",
        f"curve_deviation = {_quoted(_percent(material.curve_deviation))}",
        f"curve = {_quoted(material.id + '.csv')}",
        f"source = {_quoted(material.source)}",
        f"licence = {_quoted(material.licence)}",
    ]
    for key, (field, unit) in _BASE_UNITS.items():
        if (value := getattr(material, field)) is not None:
            lines.append(f"{key} = {_quoted(f'{float(value)!r} {unit}')}")
    if material.relative_permittivity is not None:
        lines.append(f"relative_permittivity = {float(material.relative_permittivity)!r}")
    if material.section_m is not None:
        first, second = material.section_m
        lines.append(f"section = {_quoted(f'{float(first)!r} m x {float(second)!r} m')}")
    if material.swept:
        lines.append("swept = true")
    if material.applications:
        lines.append(f"applications = [{', '.join(_quoted(word) for word in material.applications)}]")
    return "".join(f"{line}\n" for line in lines)


def _quoted(text: str) -> str:
    """Return a TOML basic string; its escapes are those of JSON, and the delete character besides."""
    return json.dumps(text, ensure_ascii=False).replace("\x7f", "\\u007f")


def _percent(ratio: float) -> str:
    # twelve digits keep 0.07 from becoming 7.000000000000001 %
    return f"{ratio * 100:.12g} %"
