"""``whichcore library add``."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import click
from click.core import ParameterSource

from whichcore.analysis.materials import Material, MaterialClass
from whichcore.analysis.own_parts import part_of
from whichcore.belonging import belonging_doubts, turns_doubts
from whichcore.cli.options import reporting
from whichcore.cli.own_library import delivered, label_options, store
from whichcore.cli.session import Session
from whichcore.errors import UsageError
from whichcore.files import (
    Dimension,
    load_library_folder,
    load_specimen,
    load_sweep,
    parse_quantity,
    user_library_folder,
)
from whichcore.files.parts_file import note_part
from whichcore.known_core import GradeLabel, data_doubts, material_of_core
from whichcore.known_lot import KnownCore, material_of_cores
from whichcore.provenance import known_already, measured_text, refuse_twice


@click.command()
@click.option(
    "--specimen",
    "specimens",
    metavar="FILE",
    required=True,
    multiple=True,
    help="Specimen file of the known core (TOML). May be given again, one for each sweep in their order; one "
    "serves all sweeps of cores of one size.",
)
@click.option(
    "--sweep",
    "sweeps",
    metavar="FILE",
    required=True,
    multiple=True,
    help="Its sweep (CSV, or Touchstone .s1p). May be given again, one for each core of the grade.",
)
@label_options
@click.option(
    "--part",
    metavar="TEXT",
    help="Name of the part in the house: the size of each core is noted under it in parts.csv beside the "
    "material, as evidence for cores of that size.",
)
@click.option("--source", metavar="TEXT", help="Where it comes from; what was measured is written behind it.")
@reporting
@click.pass_obj
def command(
    session: Session,
    /,
    specimens: tuple[str, ...],
    sweeps: tuple[str, ...],
    folder: str | None,
    part: str | None,
    **said: str,
) -> None:
    """Make the sweep of a core whose grade you know a reference of your own.

    The winding is taken off; what remains is the permeability of the core, with its section, so that cores
    of other sizes can be compared with it. Take a whole, closed core: a gap would be part of the curve.

    With sweeps of several cores the curve is their mean, and their spread says how closely further cores
    will follow it: the tolerance, where --tolerance does not state it, and the deviation from the curve.
    What the bench itself adds to the spread is taken off, and few cores make it wider.
    """
    cores = _cores(specimens, sweeps)
    for text in _not_of_it(specimens, cores):
        session.warn(text)
    said_where = click.get_current_context().get_parameter_source("tolerance")
    stated = said_where is not ParameterSource.DEFAULT
    tolerance = parse_quantity(said["tolerance"], Dimension.RATIO, where="--tolerance")
    label = GradeLabel(
        id=said["material_id"],
        name=said["name"],
        material_class=MaterialClass(said["material_class"]),
        tolerance=tolerance,
        source="; ".join(filter(None, [said["source"], _measured(specimens, sweeps, cores)])),
        licence=said["licence"],
    )
    for text in known_already([Path(name) for name in sweeps], _own(folder), label.material_class):
        session.warn(text)
    material, notes = _material(cores, label, tolerance if stated else None)
    for core in cores:
        for text in data_doubts(core.specimen, core.sweep, core.name):
            session.warn(f"{core.name}: {text}")
    file = store(material, folder)
    if part is not None:
        notes = (*notes, *_noted(cores, part, material, file.parent / "parts.csv"))
    delivered(session, material, file, notes)


def _not_of_it(specimens: Sequence[str], cores: Sequence[KnownCore]) -> list[str]:
    """Return what speaks against sweeps being of their specimen files; one for all names only one of them."""
    if len(specimens) < len(cores):
        return [text for core in cores for text in turns_doubts(core.sweep, core.specimen, core.name)]
    return [
        text
        for card, core in zip(specimens, cores, strict=True)
        for text in belonging_doubts(core.sweep, core.specimen, Path(card), core.name)
    ]


def _own(folder: str | None) -> list[Material]:
    """Return what the user's library and the folder written into hold already."""
    places = dict.fromkeys([user_library_folder(), Path(folder) if folder else user_library_folder()])
    return [m for place in places if place.is_dir() for m in load_library_folder(place).materials]


def _noted(cores: Sequence[KnownCore], name: str, material: Material, file: Path) -> list[str]:
    """Note the size of each core in the parts list."""
    parts = [part_of(core.specimen, material.id, name) for core in cores]
    sized = [part for part in parts if part is not None]
    for part in sized:
        note_part(file, part)
    return [f"{len(sized)} of {len(cores)} cores noted by size as {name} in {file.name}"]


def _cores(specimens: Sequence[str], sweeps: Sequence[str]) -> list[KnownCore]:
    if len(specimens) not in {1, len(sweeps)}:
        raise UsageError(
            "each sweep needs its specimen file",
            where="whichcore library add",
            got=f"{len(specimens)} specimen files, {len(sweeps)} sweeps",
            allowed="one specimen file for each sweep, in the same order, or one for all",
            next_step="give --specimen once for each --sweep",
        )
    refuse_twice([Path(name) for name in sweeps])
    loaded = {name: load_specimen(name) for name in dict.fromkeys(specimens)}
    return [
        KnownCore(loaded[card], load_sweep(name), Path(name).name)
        for card, name in zip(_for_each(specimens, sweeps), sweeps, strict=True)
    ]


def _for_each(specimens: Sequence[str], sweeps: Sequence[str]) -> Sequence[str]:
    return specimens if len(specimens) == len(sweeps) else [specimens[0]] * len(sweeps)


def _measured(specimens: Sequence[str], sweeps: Sequence[str], cores: Sequence[KnownCore]) -> str:
    told = [
        measured_text(Path(card), Path(name), core.sweep, core.specimen.winding.turns)
        for card, name, core in zip(_for_each(specimens, sweeps), sweeps, cores, strict=True)
    ]
    of = f" of {len(cores)} cores" if len(cores) > 1 else ""
    return f"own measurement{of}: {', '.join(told)}"


def _material(
    cores: Sequence[KnownCore], label: GradeLabel, stated: float | None
) -> tuple[Material, tuple[str, ...]]:
    if len(cores) == 1:
        return material_of_core(cores[0].specimen, cores[0].sweep, label)
    return material_of_cores(cores, label, stated)
