"""Where the page's files lie: below the user's data folder, under names of the program's own."""

from __future__ import annotations

import hashlib
import re
from pathlib import Path

from whichcore.files import home_folder, make_folder
from whichcore.files.text import write_text


def work_folder() -> Path:
    """Return the folder of specimens and journals."""
    return home_folder() / "page"


def uploads_folder() -> Path:
    """Return the folder of uploaded files."""
    return work_folder() / "uploads"


def sweeps_folder() -> Path:
    """Return the folder of journals."""
    return work_folder() / "sweeps"


def specimen_file(text: str, name: str) -> Path:
    """Write a specimen down as it was typed, under a name of our own making.

    Another text is another file: a sweep that runs reads its own again.
    """
    folder = work_folder() / "specimens" / hashlib.sha256(str(text).encode()).hexdigest()[:16]
    make_folder(folder)
    place = folder / f"{safe_name(name)}.toml"
    write_text(place, str(text))
    return place


def safe_name(name: str) -> str:
    """Return a name as the stem of a file: letters, digits and dashes of it."""
    return re.sub(r"[^\w-]+", "-", str(name)).strip("-")[:40] or "core"
