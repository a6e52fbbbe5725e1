"""The open collection of curves: read from the installed extra, screened, never copied."""

from __future__ import annotations

import importlib
import re
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from importlib import metadata
from typing import Any

import numpy as np

from whichcore.analysis.materials import Library, Material, MaterialClass, Problem
from whichcore.analysis.screening import CleanCurve, RawCurve, Screening, screen
from whichcore.errors import LibraryError

RELEASE = "1.7.35"
TOLERANCE = 0.25

_MODULE = "PyOpenMagnetics"
_INSTALL = 'pip install "whichcore[curves]"'
_ROOM_TEMPERATURE_C = 25.0
_CLASSES = {
    "MnZn": MaterialClass.MNZN,
    "NiZn": MaterialClass.NIZN,
    "MgZn": MaterialClass.MGZN,
    "carbonylIron": MaterialClass.CARBONYL_POWDER,
}
_CLASSES_BY_KIND = {
    "powder": MaterialClass.ALLOY_POWDER,
    "nanocrystalline": MaterialClass.NANOCRYSTALLINE,
    "amorphous": MaterialClass.AMORPHOUS,
}
_SPELLING = str.maketrans(dict(zip("äöüß", ("ae", "oe", "ue", "ss"), strict=True)))
_APPLICATIONS = {
    "power": "power",
    "interferenceSuppression": "interference suppression",
    "signalProcessing": "signal",
}


@dataclass(frozen=True, slots=True)
class ScreeningRow:
    """What became of one curve of the collection.

    Attributes
    ----------
    id, family : str
    material_class : MaterialClass
    reason : str or None
        Why it was refused; None for an accepted curve.
    detail : str
        The refusal in numbers, or the notes of an accepted curve.
    low_hz, high_hz, corner_hz, residual_rms : float or None
        Span, loss peak and causality residual of an accepted curve.
    """

    id: str
    family: str
    material_class: MaterialClass
    reason: str | None
    detail: str
    low_hz: float | None = None
    high_hz: float | None = None
    corner_hz: float | None = None
    residual_rms: float | None = None


@cache
def open_collection() -> Library:
    """Return the curves that pass the screening as materials, the others as problems.

    Returns
    -------
    Library

    Raises
    ------
    LibraryError
        The extra is not installed, cannot run on this machine, or is of another release.
    """
    entries, screening = _screened()
    return Library(
        materials=tuple(_material(entries[curve.id], curve) for curve in screening.accepted),
        problems=tuple(
            Problem(where=refusal.id, what=f"{refusal.reason}: {refusal.detail}")
            for refusal in screening.refused
        ),
    )


def screening_report() -> tuple[ScreeningRow, ...]:
    """Return one row for every curve of the collection, by family and id.

    Raises
    ------
    LibraryError
        As for `open_collection`.
    """
    entries, screening = _screened()
    accepted = [
        ScreeningRow(
            curve.id,
            curve.family,
            _class_of(entries[curve.id]),
            None,
            "; ".join(curve.notes),
            float(curve.frequency_hz[0]),
            float(curve.frequency_hz[-1]),
            curve.corner_hz,
            curve.residual_rms,
        )
        for curve in screening.accepted
    ]
    refused = [
        ScreeningRow(item.id, item.family, _class_of(entries[item.id]), item.reason.value, item.detail)
        for item in screening.refused
    ]
    return tuple(sorted(accepted + refused, key=lambda row: (row.family, row.id)))


Entry = Mapping[str, Any]


@cache
def _screened() -> tuple[dict[str, Entry], Screening]:
    entries = _entries()
    return entries, screen(_raw(name, entry) for name, entry in entries.items())


def _entries() -> dict[str, Entry]:
    """Read every material that carries a complex permeability, by id."""
    module = _module()
    found = (module.find_core_material_by_name(name) for name in module.get_core_material_names())
    curves = [entry for entry in found if (entry.get("permeability") or {}).get("complex")]
    return {_id_of(entry): entry for entry in curves}


def _module() -> Any:
    try:
        release = metadata.version(_MODULE)
    except metadata.PackageNotFoundError as error:
        raise LibraryError(
            "the open collection is not installed", where="library open", next_step=_INSTALL
        ) from error
    if release != RELEASE:
        raise LibraryError(
            "the open collection was screened in another release",
            where="library open",
            got=release,
            allowed=RELEASE,
            next_step=_INSTALL,
        )
    try:
        return importlib.import_module(_MODULE)
    except (ImportError, OSError) as error:
        raise LibraryError(
            "the open collection does not run on this machine",
            where="library open",
            got=type(error).__name__,  # its text names the package; --debug shows it
            allowed="64-bit Linux or Windows on an x86 processor",
            next_step=f"{_INSTALL} on such a machine, or use the shipped library",
        ) from error


def _family_of(entry: Entry) -> str:
    return str((entry.get("manufacturerInfo") or {}).get("name") or "unknown")


def _grade_of(entry: Entry) -> str:
    """Return the grade's name, without the family's in front of it."""
    name, first = str(entry["name"]), _family_of(entry).split()[0]
    return name.removeprefix(f"{first} ")


def _id_of(entry: Entry) -> str:
    text = f"{_family_of(entry).split()[0]} {_grade_of(entry)}".lower()
    plain = text.translate(_SPELLING)
    return "open-" + re.sub(r"[^a-z0-9]+", "-", plain).strip("-")


def _class_of(entry: Entry) -> MaterialClass:
    composition, kind = str(entry.get("materialComposition")), str(entry.get("material"))
    return _CLASSES.get(composition) or _CLASSES_BY_KIND.get(kind, MaterialClass.OTHER)


def _raw(curve_id: str, entry: Entry) -> RawCurve:
    parts = entry["permeability"]["complex"]
    columns = [
        np.array([point[key] for point in parts[part] or ()], dtype=np.float64)
        for part in ("real", "imaginary")
        for key in ("frequency", "value")
    ]
    return RawCurve(
        curve_id,
        _family_of(entry),
        _class_of(entry),
        _at_room_temperature(entry["permeability"].get("initial")),
        *columns,
    )


def _at_room_temperature(points: Any) -> float | None:
    """Return the value stated nearest to 25 °C; a point without temperature counts as 25 °C."""
    listed = [points] if isinstance(points, Mapping) else list(points or ())
    usable = [point for point in listed if (point.get("value") or 0) > 0]

    def distance(point: Entry) -> float:
        temperature = point.get("temperature")
        return 0.0 if temperature is None else abs(temperature - _ROOM_TEMPERATURE_C)

    return float(min(usable, key=distance)["value"]) if usable else None


def _positive(value: float | None) -> float | None:
    return float(value) if value and value > 0 else None


def _material(entry: Entry, curve: CleanCurve) -> Material:
    family, grade = _family_of(entry), _grade_of(entry)
    declared = _at_room_temperature(entry["permeability"].get("initial"))
    curie = entry.get("curieTemperature")
    return Material(
        id=curve.id,
        name=f"{family} {grade}",
        material_class=_class_of(entry),
        initial_permeability=declared or float(curve.permeability[0].real),
        tolerance=TOLERANCE,
        frequency_hz=curve.frequency_hz,
        permeability=curve.permeability,
        source="; ".join((f"open collection, release {RELEASE}, source family {family}", *curve.notes)),
        licence="MIT",
        resistivity_ohm_m=_at_room_temperature(entry.get("resistivity")),
        density_kg_m3=_positive(entry.get("density")),
        curie_temperature_c=float(curie) if curie is not None else None,
        applications=tuple(_APPLICATIONS.get(item, item) for item in entry.get("application") or ()),
    )
