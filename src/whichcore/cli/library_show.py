"""``whichcore library show``."""

from __future__ import annotations

from pathlib import Path

import click

from whichcore.analysis.materials import Material
from whichcore.cli.material_report import fields, report
from whichcore.cli.options import dark_option, library_option, reporting
from whichcore.cli.session import Session
from whichcore.cli.show import Heading, Lines, page
from whichcore.errors import InputError
from whichcore.files import make_folder
from whichcore.libraries import library_for

FORMAT = "whichcore-material/1"


@click.command()
@click.argument("material_id", metavar="ID")
@library_option
@click.option(
    "--figure", metavar="FILE", help="Draw the curve into this file, .svg or .png. An older one is replaced."
)
@dark_option
@reporting
@click.pass_obj
def command(
    session: Session, material_id: str, libraries: tuple[str, ...], figure: str | None, dark: bool
) -> None:
    """Show everything known of one material, given by its ID."""
    material = library_for(libraries)[material_id]
    if figure is not None:
        session.note(f"written: {_draw(material, Path(figure), dark)}")
    session.deliver(
        lambda: {"format": FORMAT, "material": report(material)},
        lambda: page([Heading(material.name), Lines(fields(material))]),
    )


def _draw(material: Material, file: Path, dark: bool) -> Path:
    from whichcore import figures  # noqa: PLC0415 - matplotlib is loaded only when a picture is wanted

    wanted = file.suffix.lower().lstrip(".")
    if wanted not in figures.FORMATS:
        raise InputError(
            "the ending of the file says the format of the picture",
            where="--figure",
            got=str(file),
            allowed=", ".join(f".{ending}" for ending in figures.FORMATS),
        )
    make_folder(file.parent)
    drawn = figures.material_figure(material, dark=dark)
    return figures.save(drawn, file.with_suffix(""), [wanted])[0]
