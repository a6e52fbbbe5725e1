"""``whichcore library coverage``."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Any

import click

from whichcore.analysis.library_coverage import DECADES_HZ, ClassCoverage, coverage_of
from whichcore.cli.options import dark_option, library_option, reporting
from whichcore.cli.session import Session
from whichcore.cli.show import Grid, Heading, Lines, page
from whichcore.errors import LibraryError
from whichcore.files import make_folder
from whichcore.libraries import library_for
from whichcore.wording import listed, plain, quantity

FORMAT = "whichcore-coverage/1"


@click.command()
@click.option(
    "--figures",
    metavar="DIR",
    help="Draw permeability over corner frequency, and the curves over frequency, into this folder (SVG and "
    "PNG). Pictures of the same names are replaced.",
)
@library_option
@dark_option
@reporting
@click.pass_obj
def command(session: Session, /, figures: str | None, libraries: tuple[str, ...], dark: bool) -> None:
    """Show which permeabilities, corner frequencies and bands the reference materials cover, and the holes.

    A hole is a stretch of permeability, usual in its class, that no reference holds within its tolerance: a
    core from it can only be given to its class, or to none of these.
    """
    coverage = coverage_of(library_for(libraries))
    if not any(item.places for item in coverage):
        raise LibraryError(
            "the library holds no material to draw a map of",
            where=", ".join(libraries) or "library",
            next_step="add one with: whichcore library add",
        )
    drawn = _draw(coverage, Path(figures), dark) if figures is not None else []
    for path in drawn:
        session.note(f"written: {path}")
    session.deliver(
        lambda: {
            "format": FORMAT,
            "classes": [_report(item) for item in coverage],
            "pictures": [str(path) for path in drawn],
        },
        lambda: page([Heading(_title(coverage)), _grid(coverage), Lines(_holes(coverage))]),
    )


def _title(coverage: Sequence[ClassCoverage]) -> str:
    count = sum(len(item.places) for item in coverage)
    classes = sum(bool(item.places) for item in coverage)
    materials = f"{count} reference material{'s' * (count != 1)}"
    return f"{materials} of {classes} class{'es' * (classes != 1)}: what they cover"


def _draw(coverage: Sequence[ClassCoverage], folder: Path, dark: bool) -> list[Path]:
    from whichcore import figures  # noqa: PLC0415 - matplotlib is loaded only when a picture is wanted

    make_folder(folder)
    drawn = figures.coverage_figure(coverage, _title(coverage), dark=dark)
    return figures.save(drawn, folder / "library-coverage")


def _report(item: ClassCoverage) -> dict[str, Any]:
    return {
        "class": item.material_class.value,
        "usual_permeability": None if item.usual is None else list(item.usual),
        "materials": [
            {
                "id": place.material.id,
                "initial_permeability": place.material.initial_permeability,
                "tolerance": place.material.tolerance,
                "corner_hz": place.corner_hz if place.corner_seen else None,
                "low_hz": float(place.material.frequency_hz[0]),
                "high_hz": float(place.material.frequency_hz[-1]),
            }
            for place in item.places
        ],
        "holes": [{"low": hole.low, "high": hole.high} for hole in item.holes],
        "decades": [
            {"from_hz": low, "to_hz": high, "curves": count}
            for (low, high), count in zip(DECADES_HZ, item.across, strict=True)
        ],
        "band_missing_hz": [list(part) for part in item.band_missing],
    }


def _grid(coverage: Sequence[ClassCoverage]) -> Grid:
    heads = ("class", "references", "μi", "corner", *(f"to {quantity(high, 'Hz')}" for _, high in DECADES_HZ))
    rows = tuple(
        (
            item.material_class.value,
            f"{len(item.places)}",
            _span([place.material.initial_permeability for place in item.places], plain),
            _corner(item),
            *(f"{count}" for count in item.across),
        )
        for item in coverage
        if item.places
    )
    return Grid(heads, rows, frozenset(heads) - {"class", "μi", "corner"})


def _corner(item: ClassCoverage) -> str:
    seen = [place.corner_hz for place in item.places if place.corner_seen]
    beyond = len(item.places) - len(seen)
    if not seen:
        return "beyond the curves"
    text = _span(seen, lambda hz: quantity(hz, "Hz"))
    return f"{text}, {beyond} beyond" if beyond else text


def _span(values: Sequence[float], write: Any) -> str:
    low, high = write(min(values)), write(max(values))
    return low if low == high else f"{low} to {high}"


def _holes(coverage: Sequence[ClassCoverage]) -> tuple[str, ...]:
    lines = [
        "Corner: where μ″ has grown to μ′. Under each decade stand the curves that reach across it.",
    ]
    for item in coverage:
        name = item.material_class.value
        if not item.places:
            low, high = item.usual or (0.0, 0.0)
            lines.append(f"Hole: nothing of {name} at all; usual are {plain(low)} to {plain(high)}.")
            continue
        if item.holes:
            gaps = listed([f"between {plain(hole.low)} and {plain(hole.high)}" for hole in item.holes], "and")
            lines.append(f"Hole: nothing of {name} {gaps}.")
        lines += [
            f"Hole: from {quantity(low, 'Hz')} to {quantity(high, 'Hz')} fewer than half of the {name} "
            "curves speak."
            for low, high in item.band_missing
        ]
    if len(lines) == 1:
        lines.append("No holes: every usual permeability lies within the tolerance of a reference.")
    return tuple(lines)
