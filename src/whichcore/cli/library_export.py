"""``whichcore library export``."""

from __future__ import annotations

from pathlib import Path

import click

from whichcore.cli.options import library_option, reporting
from whichcore.cli.own_library import delivered
from whichcore.cli.session import Session
from whichcore.files import write_material
from whichcore.libraries import library_for


@click.command()
@click.argument("material_id", metavar="ID")
@click.option(
    "--to", "folder", metavar="DIR", required=True, help="Folder to write into; it is made if missing."
)
@library_option
@reporting
@click.pass_obj
def command(session: Session, /, material_id: str, folder: str, libraries: tuple[str, ...]) -> None:
    """Write the material ID into a folder, as a TOML file and its curve; nothing is overwritten.

    The folder is then a library of its own, to hand on or to use with --library.
    """
    material = library_for(libraries)[material_id]
    delivered(session, material, write_material(Path(folder), material), ())
