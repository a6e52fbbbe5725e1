"""``whichcore library list``."""

from __future__ import annotations

from collections.abc import Sequence

import click

from whichcore.analysis.materials import Library, Material
from whichcore.cli.material_report import CLASSES, report, span
from whichcore.cli.options import library_option, reporting
from whichcore.cli.session import Session
from whichcore.cli.show import Grid, Lines, page
from whichcore.libraries import library_for

FORMAT = "whichcore-library/1"
_SOURCE_LETTERS = 40


@click.command()
@click.option("--class", "wanted", type=click.Choice(CLASSES), help="Only materials of this class.")
@library_option
@reporting
@click.pass_obj
def command(session: Session, /, wanted: str | None, libraries: tuple[str, ...]) -> None:
    """List the reference materials: id, name, class, initial permeability, span of the curve, source."""
    library = library_for(libraries)
    materials = [m for m in library.materials if wanted in {None, m.material_class.value}]
    materials.sort(key=lambda m: (m.material_class.value, m.initial_permeability, m.id))
    session.deliver(lambda: _report(materials, library), lambda: _text(materials))


def _report(materials: Sequence[Material], library: Library) -> dict[str, object]:
    return {
        "format": FORMAT,
        "materials": [report(material) for material in materials],
        "problems": [{"where": problem.where, "what": problem.what} for problem in library.problems],
    }


def _text(materials: Sequence[Material]) -> str:
    rows = tuple(
        (m.id, m.name, m.material_class.value, f"{m.initial_permeability:g}", span(m), _short(m.source))
        for m in materials
    )
    count = f"{len(rows)} material{'s' * (len(rows) != 1)}."
    if not rows:
        return page([Lines((count,))])
    heads = ("id", "name", "class", "μi", "span", "source")
    return page([Grid(heads, rows, frozenset({"μi"})), Lines((count,))])


def _short(source: str) -> str:
    return source if len(source) <= _SOURCE_LETTERS else f"{source[: _SOURCE_LETTERS - 1].rstrip()}…"
