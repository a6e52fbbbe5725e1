"""Where reference materials come from: folders, and the reserved words shipped, user and open."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from os import PathLike
from pathlib import Path

from whichcore.analysis.materials import Library, merge
from whichcore.errors import LibraryError
from whichcore.files import load_library_folder, shipped_library, user_library_folder
from whichcore.files.text import path_of
from whichcore.files.warn import warn
from whichcore.open_collection import open_collection


def _user_library() -> Library:
    folder = user_library_folder()
    return load_library_folder(folder) if folder.is_dir() else Library(())


RESERVED: dict[str, Callable[[], Library]] = {
    "shipped": shipped_library,
    "user": _user_library,
    "open": open_collection,
}


def load_library(*dirs: str | PathLike[str]) -> Library:
    """Load reference materials.

    Parameters
    ----------
    *dirs : str or path
        Library folders, or the reserved words ``shipped``, ``user`` and ``open``; none means shipped and
        user.

    Returns
    -------
    Library
        The good materials; whatever could not be used is listed in ``problems``. Of two materials with equal
        ids neither is used.

    Raises
    ------
    UsageError
        Something that is no path.
    InputError
        A folder does not exist or cannot be read.
    LibraryError
        The open collection is asked for and not installed.
    """
    chosen = list(dict.fromkeys(str(path_of(name, "load_library")) for name in dirs)) or ["shipped", "user"]
    return merge([_load(name) for name in chosen])


def _load(name: str) -> Library:
    return RESERVED[name]() if name in RESERVED else load_library_folder(Path(name))


def library_for(names: Sequence[str]) -> Library:
    """Load the libraries asked for, and warn of materials that could not be used.

    Raises
    ------
    InputError
        A folder cannot be read.
    LibraryError
        The open collection is asked for and not installed, or not one material could be used.
    """
    library = load_library(*names)
    # what the screening of the open collection refuses is its ordinary work, with a report of its own
    refused = len(library.problems) if "open" not in names else 0
    command = " ".join(["whichcore library check", *(f'"{name}"' for name in names)])
    if refused and not library.materials:
        raise LibraryError(
            "the library holds no usable material",
            where=", ".join(names) or "library",
            got=f"{refused} refused",
            next_step=f"see the reasons with: {command}",
        )
    if refused:
        materials = "material" if refused == 1 else "materials"
        warn(f"{refused} reference {materials} could not be used; see why with: {command}")
    return library


def library_to_identify(names: Sequence[str]) -> Library:
    """Load the libraries asked for as `library_for` does, where at least one material is needed.

    Raises
    ------
    InputError
        A folder cannot be read.
    LibraryError
        The open collection is asked for and not installed, or there is not one material to use.
    """
    library = library_for(names)
    if not library.materials:
        raise LibraryError(
            "the library holds no material",
            where=", ".join(names),
            got="no material file",
            allowed="a TOML file and a CSV file for each material",
            next_step="name another folder, or leave --library out: shipped and user are the default",
        )
    return library
