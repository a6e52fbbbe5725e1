"""``whichcore library check``."""

from __future__ import annotations

from collections.abc import Sequence

import click

from whichcore.analysis.materials import Library
from whichcore.cli.options import reporting
from whichcore.cli.session import Session
from whichcore.cli.show import Lines, page
from whichcore.errors import LibraryError
from whichcore.libraries import load_library

FORMAT = "whichcore-check/1"


@click.command()
@click.argument("folders", metavar="[DIR]...", nargs=-1)
@reporting
@click.pass_obj
def command(session: Session, /, folders: tuple[str, ...]) -> None:
    """Check libraries and say what could not be used, and why.

    DIR is a folder, or one of the words shipped, user, open; without it shipped and user are checked. The
    exit code is 0 if anything is usable and 3 if nothing is.
    """
    library = load_library(*folders)
    if library.materials:
        session.deliver(lambda: _report(library), lambda: _text(library))
        return
    session.beside_error = _report(library)
    if library.problems and not session.json:
        click.echo(_text(library))
    raise LibraryError(
        "nothing in the library is usable",
        where=", ".join(folders) or "library",
        got=f"{len(library.problems)} refused",
        allowed="at least one material",
        next_step="correct what is listed" if library.problems else "add one with: whichcore library add",
    )


def _report(library: Library) -> dict[str, object]:
    return {
        "format": FORMAT,
        "usable": [material.id for material in library.materials],
        "problems": [{"where": problem.where, "what": problem.what} for problem in library.problems],
    }


def _text(library: Library) -> str:
    usable, refused = len(library.materials), len(library.problems)
    told: Sequence[str] = [f"{problem.where}: {problem.what}" for problem in library.problems]
    return page([Lines((f"{usable} usable, {refused} refused.", *told))])
