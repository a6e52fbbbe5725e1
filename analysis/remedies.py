"""What the ids of error sources mean in plain words, and what would shrink each; table ``remedies.csv``.

A pattern is an id with ``{part}`` for whatever stands there; the first pattern that fits counts. In a name
``{first}`` and ``{last}`` are what stood at the first and last ``{part}``, and ``{part}`` the first.
"""

from __future__ import annotations

import csv
import re
from dataclasses import dataclass
from functools import cache
from importlib.resources import files

UNKNOWN_REMEDY = "not a source of this program: whoever named it in the sweep file knows what shrinks it"


@dataclass(frozen=True, slots=True)
class Remedy:
    """A cause of error in plain words.

    Attributes
    ----------
    name : str
        Two ids of one cause, as both columns of a standard's frozen noise, share the name.
    remedy : str
        What would shrink it.
    known : bool
        False for an id that fits no pattern; its name is then the id itself.
    """

    name: str
    remedy: str
    known: bool = True


@cache
def _table() -> tuple[tuple[re.Pattern[str], str, str], ...]:
    text = files("whichcore.analysis").joinpath("remedies.csv").read_text(encoding="utf-8")
    return tuple(
        (
            re.compile("(.+)".join(re.escape(piece) for piece in row["pattern"].split("{part}"))),
            row["name"],
            row["remedy"],
        )
        for row in csv.DictReader(text.splitlines())
    )


def remedy_of(source_id: str) -> Remedy:
    """Return what an id of an error source means and what would shrink it.

    In a comparison an id stands behind the name of the specimen that owns it and a slash.
    """
    owner, slash, own_id = source_id.partition("/")
    if slash and not _looked_up(source_id).known:
        found = remedy_of(own_id)
        return Remedy(f"{found.name} ({owner})", found.remedy, found.known)
    return _looked_up(source_id)


def _looked_up(source_id: str) -> Remedy:
    # the two columns of a 2×2 covariance carry a number behind their name, with a comma or without
    plain = re.sub(r"(: noise of .+?),? [12]$", r"\1", source_id)
    for pattern, name, remedy in _table():
        found = pattern.fullmatch(plain)
        if found:
            parts = [part.replace("_", " ") for part in found.groups()] or [""]
            return Remedy(name.format(part=parts[0], first=parts[0], last=parts[-1]), remedy)
    return Remedy(source_id, UNKNOWN_REMEDY, known=False)
