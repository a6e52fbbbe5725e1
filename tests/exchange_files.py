"""The exchanges of each family, as both sides of the line are checked against them."""

import tomllib
from collections import namedtuple
from pathlib import Path

import numpy as np

FOLDER = Path(__file__).parent / "exchanges"
Exchanges = namedtuple("Exchanges", "family, kind, table, drive, expect, rows")


def families(kind=None):
    """Return the names of all families, or of those of one kind."""
    names = sorted(path.stem for path in FOLDER.glob("*.toml"))
    return [name for name in names if kind is None or load_exchanges(name).kind == kind]


def load_exchanges(family):
    """Return a family's exchanges; rows are (sent, answer), the answer text, bytes, or None for no answer."""
    data = tomllib.loads((FOLDER / f"{family}.toml").read_text(encoding="utf-8"))
    assert data["format"] == "whichcore-exchanges 1"
    assert data["source"]
    rows = [(row[0], _answer(row[1]) if len(row) > 1 else None) for row in data["exchanges"]["rows"]]
    return Exchanges(data["family"], data["kind"], data["table"], data["drive"], data.get("expect", {}), rows)


def _answer(said):
    if isinstance(said, str):
        return said
    order = "<" if said.get("byte_order", "little") == "little" else ">"
    codes = np.tile(np.array(said["codes"]), said.get("repeat", 1))
    data = codes.astype(np.dtype(said["dtype"]).newbyteorder(order)).tobytes()
    before, trailer = said.get("before", ""), said["trailer"]
    return before.encode("ascii") + said["head"].encode("ascii") + data + trailer.encode("ascii")
