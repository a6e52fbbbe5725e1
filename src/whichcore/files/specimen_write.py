"""Writing a specimen file anew, with the core of another and a winding of its own."""

from __future__ import annotations

import json
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from whichcore.files.text import create_text
from whichcore.files.toml_file import TomlFile


def write_joined_specimen(path: str | Path, like: str | Path, turns: int) -> None:
    """Write the specimen of a joined sweep: the core of another file, an ideal winding.

    Parameters
    ----------
    path : str or Path
        Nothing is overwritten.
    like : str or Path
        A specimen file that was read without fault. Its core is taken over word for word, but for the
        temperature, which stands in the sweep.
    turns : int

    Raises
    ------
    InputError
        The file is there already or cannot be written; the other cannot be read.
    """
    source = TomlFile(Path(like))
    core = {key: value for key, value in source.data["core"].items() if key != "temperature"}
    head = f"name = {_value(source.data['name'])}\n\n" if "name" in source.data else ""
    text = f"{head}[core]\n{_lines(core)}\n[winding]\n"
    create_text(Path(path), text + _lines({"turns": turns, "ideal": True}))


def _lines(table: Mapping[str, Any]) -> str:
    return "".join(f"{key} = {_value(value)}\n" for key, value in table.items())


def _value(value: object) -> str:
    """Return a text, number or truth value as TOML; whatever else a core may not hold was refused before."""
    return json.dumps(value, ensure_ascii=False).replace("\x7f", "\\u007f")
