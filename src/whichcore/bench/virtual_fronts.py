"""``--bench virtual:WORD+WORD``: which languages the virtual bench speaks, and over which lines."""

from __future__ import annotations

from dataclasses import replace

from whichcore.errors import InputError
from whichcore.files.text import did_you_mean
from whichcore.rig.tables.command_table import DigitizerTable, load_table
from whichcore.rig.virtual.dialects import DIGITIZERS, SOURCES
from whichcore.rig.virtual.electronics import electronics
from whichcore.rig.virtual.front import LINES, SERIAL_LINE, line_of
from whichcore.rig.virtual.process import Fronts

VIRTUAL = "virtual"
SEPARATOR, BETWEEN = ":", "+"


def is_virtual(name: str) -> bool:
    """Tell whether a name of a bench means the one inside the program."""
    return name == VIRTUAL or name.startswith(VIRTUAL + SEPARATOR)


def virtual_digitizer(name: str) -> DigitizerTable:
    """Return a shipped table as it fits the virtual scope: its ranges, and no relays to wait for."""
    table = load_table(name)
    if not isinstance(table, DigitizerTable):
        raise AssertionError("a language of a scope without its table")  # pragma: no cover - a test holds it
    there = {row.full_scale_vpp for row in electronics().digitizer.channels[0].ranges}
    a, b = (tuple(full for full in row if full in there) for row in table.limits.ranges_vpp)
    return replace(table, limits=replace(table.limits, ranges_vpp=(a, b)), settle_s=0.0)


def fronts_of(name: str) -> Fronts:
    """Read the words behind ``virtual:``: a digitizer, a source, a line; each once, in any order.

    Raises
    ------
    InputError
        A word that is none of these, or two of one kind.
    """
    words = name.partition(SEPARATOR)[2].split(BETWEEN) if SEPARATOR in name else []
    kinds = {"digitizer": DIGITIZERS, "source": SOURCES, "line": LINES}
    found: dict[str, str] = {}
    for word in words:
        kind = next((kind for kind, names in kinds.items() if word in names), None)
        if kind is None or kind in found:
            known = [one for names in kinds.values() for one in names]
            raise InputError(
                "the virtual bench has no such instrument or line"
                if kind is None
                else f"two words for the {kind} of the virtual bench",
                where="--bench",
                got=name,
                allowed=f"{VIRTUAL}, or {VIRTUAL}{SEPARATOR} and of each kind one, with {BETWEEN} between: "
                + "; ".join(", ".join(names) for names in kinds.values()),
                next_step=did_you_mean(word, known, "leave it out for the usual one"),
            )
        found[kind] = word
    line, source = found.get("line"), found.get("source")
    board = line_of(source or "", None) == SERIAL_LINE
    return Fronts(source, found.get("digitizer"), None if board else line, line)
