"""Whether a sweep and a specimen file are of one core, by what both say of themselves."""

from __future__ import annotations

import re
import unicodedata
from pathlib import Path, PurePosixPath, PureWindowsPath

from whichcore.analysis.specimen import Specimen
from whichcore.analysis.types import ImpedanceSweep

#: Files that the records hand out are named after the record, not after the core.
_OF_RECORD = re.compile(r"core-[0-9a-f]{8,32}")
#: Header line in which `whichcore join` says to which turns the sweep is referred.
_IDEAL_TURNS = re.compile(r"referred to an ideal winding of (\d+) turns")
#: Headers that name no core.
_NAMELESS = frozenset(
    {"", "unknown", "unnamed", "none", "test", "dut", "deviceundertest", "specimen", "sample", "core"}
)
#: A word of letters, or a number; one decimal sign belongs to it, and more than one are punctuation.
_WORD = re.compile(r"(?<![\d.,])\d+[.,]\d+(?![.,]?\d)|\d+|[^\W\d_]+")


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
        capitals and punctuation aside, or one holds all words of the other; where one of them has no name;
        and where the specimen has none but its file's, unless the sweep names a specimen file.
    """
    said, own = (_composed(text) for text in (sweep.notes.get("specimen", ""), specimen.name or file.stem))
    if _key(said) in _NAMELESS or _OF_RECORD.fullmatch(own):
        return None
    if _agree(said, own, file):
        return None
    unnamed = own == _composed(file.stem)
    return None if unnamed and not _names_file(said, file) else (said, own)


def _agree(said: str, own: str, file: Path) -> bool:
    if _names(said) & (_names(own) | _names(file.name)):
        return True
    one, other = _words(said), _words(own)
    return _holds(one, other) or _holds(other, one)


def _names_file(said: str, file: Path) -> bool:
    """See whether a text is the name of a file: by its ending, or since such a specimen file lies beside."""
    if said.casefold().endswith(".toml"):
        return True
    return any(_key(other.stem) == _key(said) for other in file.parent.glob("*.toml"))


def _names(text: str) -> set[str]:
    """Return what a text may mean: a name, or the file of a path, with and without its ending."""
    last = PureWindowsPath(PurePosixPath(text).name).name
    return {_key(text), _key(last), _key(last.removesuffix(".toml"))} - {""}


def _holds(words: list[str], others: list[str]) -> bool:
    """See whether some words hold all others one behind the other."""
    count = len(others)
    return any(words[k : k + count] == others for k in range(len(words) - count + 1))


def _key(text: str) -> str:
    """Return a text without capitals, blanks and punctuation, but what keeps two numbers apart."""
    key = ""
    for word in _words(text):
        key += " " * (key[-1:].isdecimal() and word[0].isdecimal()) + word
    return key


def _words(text: str) -> list[str]:
    """Return words and numbers of a text, a decimal sign as part of its number."""
    return [word.replace(",", ".") for word in _WORD.findall(_composed(text).casefold())]


def _composed(text: str) -> str:
    # file systems give an umlaut as two characters
    return unicodedata.normalize("NFC", text).strip()


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
    names = names_differ(sweep, specimen, file)
    if names is None:
        return turns_doubts(sweep, specimen, title)
    told = (
        f"{title} says that it is of {names[0]}, and the specimen file is that of {names[1]}: they may be of "
        "different cores, and turns and dimensions are those of the specimen file; check that the two belong "
        "together, or correct the header line specimen"
    )
    return (told, *turns_doubts(sweep, specimen, title))


def turns_doubts(sweep: ImpedanceSweep, specimen: Specimen, title: str) -> tuple[str, ...]:
    """Return in a sentence where the header of a sweep states other turns than a specimen file; else nothing.

    Parameters
    ----------
    sweep : ImpedanceSweep
    specimen : Specimen
        Of this core, or of one like it.
    title : str
        What the sweep is called: ``the sweep``.
    """
    turns, stated = _turns(sweep), specimen.winding.turns
    if turns is None or turns == stated:
        return ()
    return (
        f"{title} says that it was taken with {turns} turns, and the specimen file states {stated}: "
        "correct the one that is wrong, or give the two files that belong together",
    )


def _turns(sweep: ImpedanceSweep) -> int | None:
    """Return the turns that the header of a sweep states, where it does."""
    plain = sweep.notes.get("turns", "").strip()
    if plain.isascii() and plain.isdigit():
        return int(plain)
    joined = _IDEAL_TURNS.search(sweep.notes.get("joined", ""))
    return int(joined[1]) if joined else None
