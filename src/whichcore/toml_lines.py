"""The lines on which the keys of a TOML file stand: tomllib does not tell."""

from __future__ import annotations

import re

_TABLE = re.compile(r"\s*\[+\s*([^\]]+?)\s*\]+")
_KEY = re.compile(r"\s*([A-Za-z0-9_\-.\"']+(?:\s*\.\s*[A-Za-z0-9_\-\"']+)*)\s*=")


class TomlLines:
    """Where things stand in a file.

    Parameters
    ----------
    text : str
        The whole file.
    """

    def __init__(self, text: str) -> None:
        self._text = text.split("\n")
        self._keys = _key_lines(self._text)

    def line(self, *keys: str) -> int | None:
        """Return the line of a key, or of the table it belongs to when the key itself is not there."""
        for end in range(len(keys), 0, -1):
            if (number := self._keys.get(".".join(keys[:end]))) is not None:
                return number
        return None

    def line_of(self, value: str, *keys: str) -> int | None:
        """Return the line of one text of a key, such as a command of a list; else that of the key."""
        begin = self.line(*keys)
        if begin is None or not value:
            return begin
        for number in range(begin, len(self._text) + 1):
            if value in self._text[number - 1]:
                return number
            if number > begin and _KEY.match(self._text[number - 1]):
                break  # the next key
        return begin


def _key_lines(lines: list[str]) -> dict[str, int]:
    """Find the line of every table header and key; a dotted key counts for each of its parts."""
    found: dict[str, int] = {}
    table: list[str] = []
    for number, line in enumerate(lines, start=1):
        if header := _TABLE.fullmatch(line.split("#")[0].rstrip()):
            table = _parts(header[1])
            found.setdefault(".".join(table), number)
        elif key := _KEY.match(line):
            full = table + _parts(key[1])
            for end in range(len(table) + 1, len(full) + 1):
                found.setdefault(".".join(full[:end]), number)
    return found


def _parts(dotted: str) -> list[str]:
    return [part.strip().strip("\"'") for part in dotted.split(".")]
