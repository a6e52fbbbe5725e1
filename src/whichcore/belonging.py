"""Whether a sweep and a specimen file are of one core, by what both say of themselves."""

from __future__ import annotations

import re
from pathlib import Path, PurePosixPath, PureWindowsPath

from whichcore.analysis.specimen import Specimen
from whichcore.analysis.types import ImpedanceSweep

#: Files that the records hand out are named after the record, not after the core.
_OF_RECORD = re.compile(r"core-[0-9a-f]{8,32}")
#: Header line in which `whichcore join` says to which turns the sweep is referred.
_IDEAL_TURNS = re.compile(r"referred to an ideal winding of (\d+) turns")


def names_differ(sweep: ImpedanceSweep, specimen: Specimen, file: Path) -> tuple[str, str] | None:
    """Return the two names where a sweep says that it is of another core than a specimen file.

    Parameters
    ----------
    sweep : ImpedanceSweep
        Its header line ``specimen`` holds the name of a core or of a specimen file.
    specimen : Specimen
    file : Path
        Where it was read from.

    Returns
    -------
    (str, str) or None
        Of the sweep and of the specimen. None where they agree in the name or the file, folders, endings,
        capitals and punctuation aside; or where one of them has no name.
    """
    said = sweep.notes.get("specimen", "").strip()
    own = specimen.name or file.stem
    if not _key(said) or _OF_RECORD.fullmatch(own):
        return None
    return None if _names(said) & (_names(own) | _names(file.name)) else (said, own)


def _names(text: str) -> set[str]:
    """Return what a text may mean: a name, or the file of a path, with and without its ending."""
    last = PureWindowsPath(PurePosixPath(text).name).name
    return {_key(text), _key(last), _key(last.removesuffix(".toml"))} - {""}


def _key(text: str) -> str:
    return "".join(letter for letter in text.casefold() if letter.isalnum())


def belonging_doubts(sweep: ImpedanceSweep, specimen: Specimen, file: Path, title: str) -> tuple[str, ...]:
    """Return what speaks against a sweep being of the core of a specimen file, one sentence each.

    Parameters
    ----------
    sweep : ImpedanceSweep
    specimen : Specimen
    file : Path
        The specimen's.
    title : str
        What the sweep is called: ``the sweep``.
    """
    told = []
    names = names_differ(sweep, specimen, file)
    if names is not None:
        told.append(
            f"{title} says that it is of {names[0]}, and the specimen file is that of {names[1]}: they may "
            "be of different cores, and the verdict then holds for neither; give the two files of one core, "
            "or correct the header line specimen"
        )
    turns, stated = _turns(sweep), specimen.winding.turns
    if turns is not None and turns != stated:
        told.append(
            f"{title} says that it was taken with {turns} turns, and the specimen file states {stated}: "
            "correct the one that is wrong, or give the two files that belong together"
        )
    return tuple(told)


def _turns(sweep: ImpedanceSweep) -> int | None:
    """Return the turns that the header of a sweep states, where it does."""
    plain = sweep.notes.get("turns", "").strip()
    if plain.isascii() and plain.isdigit():
        return int(plain)
    joined = _IDEAL_TURNS.search(sweep.notes.get("joined", ""))
    return int(joined[1]) if joined else None
