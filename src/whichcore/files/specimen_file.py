"""Specimen files: the core and its winding, in TOML."""

from __future__ import annotations

import math
from pathlib import Path
from typing import Any

from pydantic import ValidationError

from whichcore.analysis.specimen import Core, Ring, Specimen, Winding, require_one_piece
from whichcore.errors import InputError
from whichcore.files.specimen_tables import (
    HOURS_KEY,
    SHAPES,
    CoreTable,
    EffectiveTable,
    Shape,
    WindingTable,
)
from whichcore.files.specimen_uncertainty import dimension_uncertainties
from whichcore.files.text import did_you_mean, nearest, path_of
from whichcore.files.toml_file import Faults, TomlFile
from whichcore.files.warn import warn

_TABLES = ("name", "core", "winding")
_WINDING_FIELDS = {
    "turns": "turns",
    "secondary_turns": "secondary_turns",
    "wire_diameter": "wire_diameter_m",
    "wire_length": "wire_length_m",
    "lead_length": "lead_length_m",
    "dc_resistance": "dc_resistance_ohm",
    "capacitance": "capacitance_f",
    "ideal": "ideal",
}


def load_specimen(path: str | Path) -> Specimen:
    """Read a specimen file.

    Parameters
    ----------
    path : str or Path
        TOML with the tables ``[core]`` and ``[winding]``; the keys are listed in the reference of file
        formats.

    Returns
    -------
    Specimen
        SI units. Dimensions for which no uncertainty is stated get a default one, and a warning says so.

    Raises
    ------
    UsageError
        It is no path.
    InputError
        All faults of the file in one error: the first in its fields, the others in its next step.
    """
    return _specimen_of(TomlFile(path_of(path, "load_specimen")))


def specimen_from_text(text: str, place: Path) -> Specimen:
    """Read a specimen from the text of its file; see :func:`load_specimen`.

    Parameters
    ----------
    text : str
    place : Path
        What errors call it.

    Raises
    ------
    InputError
        As :func:`load_specimen`; or it is no text.
    """
    if not isinstance(text, str):  # it may come from a page, which can send anything
        raise InputError("text was expected", where=str(place), got=type(text).__name__)
    return _specimen_of(TomlFile(place, text))


def _specimen_of(file: TomlFile) -> Specimen:
    faults = Faults(file)
    name = _top_level(file, faults)
    winding = _winding(file, faults)
    known = _core(file, faults)
    faults.raise_if_any()
    if winding is None or known is None:  # pragma: no cover - each None has put a fault on the list
        raise AssertionError("a fault was lost")
    table, core, uncertainties = known
    return Specimen(
        core=core,
        winding=winding,
        dimension_uncertainties_m=uncertainties,
        gap_m=table.gap,
        crack=table.crack,
        mass_kg=table.mass,
        surface_resistance=table.surface_resistance,
        winding_leakage=table.winding_leakage,
        temperature_c=table.temperature,
        hours_since_heat_or_magnetisation=getattr(table, HOURS_KEY),
        # bool is a number: a case with a wall of 0 mm is a case as well
        encased=table.case is not None and table.case is not False,
        name=name,
    )


def _top_level(file: TomlFile, faults: Faults) -> str:
    for key in [key for key in file.data if key not in _TABLES]:
        meant = nearest(key, _TABLES)
        if meant in {"core", "winding"}:
            # a misspelt table is one fault: an empty one in its place is not complained of again
            file.data.setdefault(meant, {})
        step = did_you_mean(key, _TABLES, "put it under [core] or [winding]")
        error = InputError("unknown key", got=key, allowed=", ".join(_TABLES), next_step=step)
        faults.add(error, key)
    name = file.data.get("name", file.path.stem)
    if not isinstance(name, str):
        faults.add(
            InputError("text in quotes was expected", got=f"{name}", allowed='"bin 7, piece 1"'), "name"
        )
        return ""
    return name


def _winding(file: TomlFile, faults: Faults) -> Winding | None:
    data = file.table("winding", faults)
    if not data and len(faults):
        return None
    try:
        table = WindingTable.model_validate(data)
    except ValidationError as error:
        faults.add_invalid(error, WindingTable.model_fields, "winding")
        return None
    values = {_WINDING_FIELDS[key]: value for key, value in table if value is not None}
    try:
        return Winding(**values)
    except InputError as error:
        fields = {field: key for key, field in _WINDING_FIELDS.items()}
        faults.add(_without_place(error), "winding", fields.get(error.where, error.where))
        return None


def _core(file: TomlFile, faults: Faults) -> tuple[CoreTable, Core, dict[str, float]] | None:
    data = file.table("core", faults)
    shape = _shape(data, faults) if data or not len(faults) else None
    if shape is None:
        return None
    uncertainty_texts = {key[2:]: value for key, value in data.items() if key.startswith("u_")}
    plain = {key: value for key, value in data.items() if not key.startswith("u_")}
    before = len(faults)
    table = _core_table(shape, plain, uncertainty_texts, faults)
    if table is None:
        return None
    _check_case(shape, table, faults)
    stated = {key: value for key, value in table if value is not None}
    core = _build(shape, stated, faults)
    if core is not None and table.crack is not None:
        try:
            require_one_piece(core, table.gap, table.crack)
        except InputError as error:
            faults.add(_without_place(error), "core", "crack")
    uncertainties = dimension_uncertainties(shape, stated, uncertainty_texts, faults)
    if core is None or len(faults) > before:
        return None
    if table.case is True and isinstance(core, Ring) and core.coating_thickness_m == 0:
        warn(
            f"{file.where('core', 'case')}: the thickness of the case is not known, so the whole outside "
            'counts as core; give its wall, case = "0.5 mm", or μ comes out too low'
        )
    return table, core, uncertainties


def _shape(data: dict[str, Any], faults: Faults) -> Shape | None:
    name = data.get("shape")
    if isinstance(name, str) and name in SHAPES:
        return SHAPES[name]
    allowed = ", ".join(SHAPES)
    if name is None:
        faults.add(InputError("the key is missing", allowed=allowed, next_step="add shape"), "core", "shape")
    else:
        step = did_you_mean(str(name), SHAPES, "take the nearest shape, or effective with c1 and c2")
        faults.add(
            InputError("unknown shape", got=f"{name}", allowed=allowed, next_step=step), "core", "shape"
        )
    return None


def _core_table(
    shape: Shape, plain: dict[str, Any], uncertainty_texts: dict[str, Any], faults: Faults
) -> CoreTable | None:
    uncertain = shape.uncertain_keys
    known = [*shape.table.model_fields, *(f"u_{key}" for key in uncertain)]
    for key in uncertainty_texts:
        if key not in uncertain:
            step = did_you_mean(f"u_{key}", known, "remove it or correct its name")
            faults.add(
                InputError("unknown key", got=f"u_{key}", allowed=", ".join(known), next_step=step),
                "core",
                f"u_{key}",
            )
    try:
        return shape.table.model_validate(plain)
    except ValidationError as error:
        faults.add_invalid(error, known, "core")
        return None


def _check_case(shape: Shape, table: CoreTable, faults: Faults) -> None:
    if table.case is None or isinstance(table.case, bool):
        return
    if "coating_thickness" not in shape.lengths:
        faults.add(
            InputError("the wall of a case counts for rings and sleeves only", allowed="true, false"),
            "core",
            "case",
        )
    elif getattr(table, "coating_thickness", None) is not None:
        faults.add(
            InputError(
                "a case with its wall and a coating are both stated",
                allowed="one of them",
                next_step="write case = true and the whole thickness on one face as coating_thickness",
            ),
            "core",
            "case",
        )


def _build(shape: Shape, stated: dict[str, Any], faults: Faults) -> Core | None:
    if issubclass(shape.table, EffectiveTable):
        values = _core_constants(stated, faults)
    else:
        keys = [*shape.lengths, *shape.others]
        values = {shape.field_of(key): stated[key] for key in keys if key in stated}
        case = stated.get("case")
        if case is not None and not isinstance(case, bool):
            values["coating_thickness_m"] = case
    if values is None:
        return None
    try:
        core: Core = shape.core(**values)
    except InputError as error:
        key = shape.key_of(error.where)
        faults.add(_without_place(error), "core", "case" if key not in stated else key)
        return None
    return core


def _without_place(error: InputError) -> InputError:
    """Return the error without its ``where``: the file knows the place better than the core's field."""
    return InputError(error.what, got=error.got, allowed=error.allowed, next_step=error.next_step)


def _core_constants(stated: dict[str, Any], faults: Faults) -> dict[str, Any] | None:
    """Return C1 and C2, given or from l_e and A_e: C1 = l_e/A_e, C2 = l_e/A_e² (IEC 60205, from memory)."""
    constants: list[str] = [key for key in ("c1", "c2") if key in stated]
    lengths: list[str] = [key for key in ("effective_length", "effective_area") if key in stated]
    if sorted((len(constants), len(lengths))) != [0, 2]:
        faults.add(
            InputError(
                "the core constants are not stated once and completely",
                got=", ".join(constants + lengths) or "none of them",
                allowed="c1 and c2, or effective_length and effective_area",
            ),
            "core",
            (constants + lengths or ["c1"])[0],
        )
        return None
    if constants:
        c1, c2 = stated["c1"], stated["c2"]
    else:
        c1 = stated["effective_length"] / stated["effective_area"]
        c2 = c1 / stated["effective_area"]
    # l_e = C1²/C2 beyond these bounds is a slip of a unit, not a core
    if not 1e-4 < c1 * c1 / c2 < math.pi * 10:
        faults.add(
            InputError(
                "the effective length that follows from C1 and C2 is no core's",
                got=f"{c1 * c1 / c2 * 1e3:.3g} mm",
                allowed="0.1 mm to 31 m",
                next_step="check the units of c1 (1/mm) and c2 (1/mm3)",
            ),
            "core",
            "c2" if constants else "effective_length",
        )
        return None
    values = {"c1_per_m": c1, "c2_per_m3": c2}
    return values | ({"joints": stated["joints"]} if "joints" in stated else {})
