"""Draw the schematics of the hardware notes, each for a light and for a dark page.

Run ``python hardware-notes/draw_schematics.py`` after a change of a drawing. A test draws them
again and compares.
"""

from __future__ import annotations

from pathlib import Path

from schematics import details, wirings
from schematics.sheet import Picture, Sheet

from whichcore.figures.style import DARK, LIGHT

IMAGES = Path(__file__).resolve().parent / "images"
PICTURES: tuple[Picture, ...] = (*wirings.PICTURES, *details.PICTURES)


def drawn() -> dict[str, str]:
    """Return every drawing as SVG, by file name."""
    files = {}
    for suffix, colours in (("", LIGHT), ("-dark", DARK)):
        for picture in PICTURES:
            sheet = Sheet(colours)
            picture.draw(sheet)
            files[f"{picture.name}{suffix}.svg"] = sheet.svg(picture)
    return files


def main() -> None:
    """Write every drawing."""
    for name, text in drawn().items():
        (IMAGES / name).write_text(text, encoding="utf-8", newline="\n")


if __name__ == "__main__":
    main()
