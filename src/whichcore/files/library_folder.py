"""Library folders: the shipped one, the user's own, and any other the user names."""

from __future__ import annotations

import os
from importlib.resources import as_file, files
from pathlib import Path

import platformdirs

from whichcore.analysis.material_sense import check_material
from whichcore.analysis.materials import Library, Material, Problem
from whichcore.errors import InputError
from whichcore.files.material_file import load_material

#: Environment variable that moves everything the program keeps for the user.
HOME_VARIABLE = "WHICHCORE_HOME"


def home_folder() -> Path:
    """Return the folder of the user's data: ``WHICHCORE_HOME``, else what the platform intends.

    The folder is not made here.
    """
    stated = os.environ.get(HOME_VARIABLE, "").strip()
    if stated:
        return Path(stated).expanduser()
    return platformdirs.user_data_path("whichcore", appauthor=False)


def user_library_folder() -> Path:
    """Return the folder of the user's own materials; it need not exist yet."""
    return home_folder() / "library"


def shipped_library() -> Library:
    """Return the materials that come with the program."""
    with as_file(files("whichcore.analysis.library")) as folder:
        return load_library_folder(folder)


def load_library_folder(path: str | Path) -> Library:
    """Load every material of a folder.

    Parameters
    ----------
    path : str or Path
        Each ``*.toml`` directly in it is one material.

    Returns
    -------
    Library
        The usable materials in order of their file names, and a problem for each of the others, those whose
        curve no material can have among them; of materials with equal ids none is used.

    Raises
    ------
    InputError
        The folder is missing, no folder, or unreadable.
    """
    folder = Path(path)
    loaded: list[tuple[Path, Material]] = []
    problems: list[Problem] = []
    for file in _material_files(folder):
        try:
            material = load_material(file)
            check_material(material, str(file))
            loaded.append((file, material))
        except InputError as error:
            problems.append(_problem(file, error))
    by_id: dict[str, list[Path]] = {}
    for file, material in loaded:
        by_id.setdefault(material.id, []).append(file)
    for material_id, places in by_id.items():
        if len(places) > 1:
            names = ", ".join(place.name for place in places)
            what = f"{len(places)} materials carry the id {material_id} ({names}); none of them is used"
            problems.append(Problem(where=str(folder), what=what))
    return Library(
        materials=tuple(material for _, material in loaded if len(by_id[material.id]) == 1),
        problems=tuple(problems),
    )


def _material_files(folder: Path) -> list[Path]:
    try:
        found = sorted(item for item in folder.iterdir() if item.suffix.lower() == ".toml")
    except FileNotFoundError:
        raise InputError(
            "there is no such library folder",
            where=str(folder),
            next_step="check the name, or make the folder",
        ) from None
    except NotADirectoryError:
        raise InputError(
            "a library is a folder, this is a file", where=str(folder), next_step="name the folder it lies in"
        ) from None
    except OSError as error:
        raise InputError("the library folder cannot be read", where=str(folder), got=str(error)) from None
    return [item for item in found if not item.name.startswith(".")]


def _problem(file: Path, error: InputError) -> Problem:
    where = error.where or str(file)
    bare = InputError(error.what, got=error.got, allowed=error.allowed, next_step=error.next_step)
    return Problem(where=where, what=bare.one_line())
