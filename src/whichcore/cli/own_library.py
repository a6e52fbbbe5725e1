"""What the commands that write a material share."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any, TypeVar

import click

from whichcore.analysis.material_sense import check_material
from whichcore.analysis.materials import Material
from whichcore.cli.library_show import FORMAT
from whichcore.cli.material_report import CLASSES, report, span
from whichcore.cli.session import Session
from whichcore.cli.show import Lines, page
from whichcore.errors import InputError
from whichcore.files import shipped_library, user_library_folder, write_material
from whichcore.wording import plain

F = TypeVar("F", bound=Callable[..., Any])


def label_options(function: F) -> F:
    """Add the options that name a new material."""
    options = (
        click.option("--id", "material_id", metavar="ID", required=True, help="Id, such as mnzn-workshop-1."),
        click.option("--name", metavar="TEXT", required=True, help="Name for people."),
        click.option(
            "--class", "material_class", type=click.Choice(CLASSES), required=True, help="Class of material."
        ),
        click.option(
            "--tolerance",
            metavar="TEXT",
            default="25 %",
            show_default=True,
            help="Spread of the permeability from core to core of this grade, two standard deviations.",
        ),
        click.option("--licence", metavar="TEXT", default="own data", show_default=True, help="Licence."),
        click.option(
            "--to", "folder", metavar="DIR", help="Library folder to write into, instead of your own."
        ),
    )
    for option in reversed(options):
        function = option(function)
    return function


def store(material: Material, folder: str | None) -> Path:
    """Write a new material into the user's library or another folder; nothing is overwritten.

    Raises
    ------
    InputError
        The id is taken there or by a shipped material, no material can have such a curve, or the file cannot
        be written.
    """
    if any(shipped.id == material.id for shipped in shipped_library().materials):
        raise InputError(
            "a shipped material has this id; of two materials with one id neither would be used",
            where="--id",
            got=material.id,
            next_step="choose another id",
        )
    check_material(material)
    return write_material(user_library_folder() if folder is None else Path(folder), material)


def delivered(session: Session, material: Material, file: Path, notes: Sequence[str]) -> None:
    """Report a material that was written."""
    session.deliver(
        lambda: {
            "format": FORMAT,
            "file": str(file),
            "material": report(material),
            "notes": list(notes),
        },
        lambda: page(
            [
                Lines(
                    (
                        f"{material.name} ({material.id}, {material.material_class.value}): "
                        f"μi {plain(material.initial_permeability, 4)}, {material.frequency_hz.size} points, "
                        f"{span(material)}.",
                        *(f"  {note}" for note in notes),
                        f"Written: {file}",
                    )
                )
            ]
        ),
    )
