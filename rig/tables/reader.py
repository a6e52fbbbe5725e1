"""Typed access to one table of a TOML file; every fault names its key, and no key goes unread."""

from __future__ import annotations

import difflib
import itertools
import math
import re
from collections.abc import Iterable
from typing import Any

from whichcore.errors import InputError
from whichcore.rig.tables.template import Query, Template
from whichcore.toml_lines import TomlLines

_MISSING = object()


class TableReader:
    """A table of a file.

    Parameters
    ----------
    data : dict
    name : str
        Of the file.
    lines : TomlLines
        Of the file.
    path : str
        Dotted table with a dot behind it.
    """

    def __init__(self, data: dict[str, Any], name: str, lines: TomlLines, path: str = "") -> None:
        self.name = name
        self._lines = lines
        self._data = data
        self._path = path
        self._read: set[str] = set()

    def __contains__(self, key: str) -> bool:
        return key in self._data

    def place(self, key: str) -> str:
        """Return file, line and dotted key."""
        return place_in(self.name, self._lines, f"{self._path}{key}")

    def raw(self, key: str, default: object = _MISSING) -> Any:
        """Return a value as it stands; raises InputError where it is missing and has no default."""
        self._read.add(key)
        value = self._data.get(key, default)
        if value is _MISSING:
            raise InputError("the key is missing", where=self.place(key), next_step=f"add {key}")
        return value

    def finish(self, known: Iterable[str] = ()) -> None:
        """Refuse keys that nobody has read."""
        options = sorted({*self._read, *known})
        for key in self._data:
            if key not in options:
                near = difflib.get_close_matches(key, options, n=1, cutoff=0.5)
                raise InputError(
                    "unknown key",
                    where=self.place(key),
                    allowed=", ".join(options),
                    next_step=f"did you mean {near[0]}?" if near else "remove it or correct its name",
                )

    def table(self, key: str, *, required: bool = True) -> TableReader:
        """Return a table of this table; an optional one that is missing is empty."""
        value = self.raw(key) if required else self.raw(key, {})
        if not isinstance(value, dict):
            raise self.wrong(key, value, f"[{key}]")
        return TableReader(value, self.name, self._lines, f"{self._path}{key}.")

    def text(self, key: str, default: object = _MISSING) -> str:
        """Return a text."""
        value = self.raw(key, default)
        if not isinstance(value, str):
            raise self.wrong(key, value, "text in quotes")
        return value

    def texts(self, key: str) -> tuple[str, ...]:
        """Return a list of two texts or more."""
        value = self.raw(key)
        if not isinstance(value, list) or len(value) < 2 or not all(isinstance(item, str) for item in value):
            raise self.wrong(key, value, 'a list such as ["1", "2"]')
        return tuple(value)

    def choice(self, key: str, options: tuple[str, ...], default: object = _MISSING) -> str:
        """Return one of the words allowed."""
        value = self.raw(key, default)
        if value not in options:
            raise self.wrong(key, value, ", ".join(options))
        return str(value)

    def number(self, key: str, default: object = _MISSING, *, least: float) -> float:
        """Return a finite number not below the least."""
        value = self.raw(key, default)
        if not _is_number(value) or value < least:
            raise self.wrong(key, value, f"a number of {least:g} or more")
        return float(value)

    def whole(self, key: str, default: object = _MISSING, *, least: int) -> int:
        """Return a whole number not below the least."""
        value = self.raw(key, default)
        if not isinstance(value, int) or isinstance(value, bool) or value < least:
            raise self.wrong(key, value, f"a whole number of {least} or more")
        return value

    def span(self, key: str, default: object = _MISSING, *, positive: bool = False) -> tuple[float, float]:
        """Return lowest and highest of a pair."""
        value = self.raw(key, default)
        good = (
            isinstance(value, (list, tuple)) and len(value) == 2 and all(_is_number(item) for item in value)
        )
        if not good or value[0] > value[1] or (positive and value[0] <= 0):
            raise self.wrong(key, value, "[lowest, highest]" + (", above 0" if positive else ""))
        return float(value[0]), float(value[1])

    def ascending(self, key: str) -> tuple[float, ...]:
        """Return positive numbers in rising order, one or more."""
        value = self.raw(key)
        good = isinstance(value, list) and value and all(_is_number(item) and item > 0 for item in value)
        if not good or any(b <= a for a, b in itertools.pairwise(value)):
            raise self.wrong(key, value, "positive numbers in rising order")
        return tuple(float(item) for item in value)

    def template(self, key: str, fields: Iterable[str]) -> Template:
        """Return one command."""
        return Template.parse(self.raw(key), fields, self.place(key))

    def templates(self, key: str, fields: Iterable[str]) -> tuple[Template, ...]:
        """Return a command or a list of them."""
        value = self.raw(key)
        return tuple(
            Template.parse(item, fields, self.place(key))
            for item in (value if isinstance(value, list) else [value])
        )

    def pattern(self, key: str, default: object = _MISSING) -> str:
        """Return a regular expression."""
        text = self.text(key, default)
        try:
            re.compile(text)
        except re.error as error:
            raise InputError(
                f"this is not a regular expression: {error}", where=self.place(key), got=text
            ) from None
        return text

    def query(self, key: str, fields: Iterable[str]) -> Query:
        """Return a question."""
        part = self.table(key)
        return part.query_here(part.template("ask", fields))

    def query_here(self, ask: Template | None, name: str = "") -> Query:
        """Return this table as a question, or as a value of a header by its name."""
        query = Query(
            ask=ask,
            reply=self.choice("reply", ("number", "switch", "text"), "number"),
            field=self.whole("field", -1, least=-1),
            fields=self.whole("fields", 0, least=0),
            name=name or self.text("name", ""),
            factor=self.number("factor", 1.0, least=-math.inf),
            inverse=self.flag("inverse"),
            units=self.numbers("units"),
            yes=self.pattern("yes", ""),
            no=self.pattern("no", ""),
            bit=self.whole("bit", -1, least=-1),
        )
        if query.no and not query.yes:
            raise InputError("the answer that means yes is missing", where=self.place("yes"))
        self.finish()
        return query

    def number_or_query(self, key: str, fields: Iterable[str]) -> Query | float:
        """Return a number stated in the table, the question that gives it, or its name in a header."""
        if _is_number(self.raw(key)):
            return float(self.raw(key))
        part = self.table(key)
        if "header" in part:
            return part.query_here(None, part.text("header"))
        return part.query_here(part.template("ask", fields))

    def flag(self, key: str) -> bool:
        """Return true or false; false where it is missing."""
        value = self.raw(key, default=False)
        if not isinstance(value, bool):
            raise self.wrong(key, value, "true, false")
        return value

    def numbers(self, key: str) -> dict[str, float]:
        """Return a table of numbers; empty where it is missing."""
        value = self.raw(key, {})
        if not isinstance(value, dict) or not all(_is_number(item) for item in value.values()):
            raise self.wrong(key, value, '{ "MSa/s" = 1e6 }')
        return {name: float(item) for name, item in value.items()}

    def words(self, key: str) -> dict[str, str]:
        """Return a table of texts; empty where it is missing."""
        value = self.raw(key, {})
        if not isinstance(value, dict) or not all(isinstance(item, str) for item in value.values()):
            raise self.wrong(key, value, '{ DC = "DC" }')
        return dict(value)

    def wrong(self, key: str, value: object, allowed: str) -> InputError:
        """Return the error for a value that does not fit."""
        return InputError("this value does not fit", where=self.place(key), got=f"{value!r}", allowed=allowed)


def _is_number(value: object) -> bool:
    return isinstance(value, (int, float)) and not isinstance(value, bool) and math.isfinite(value)


def place_in(name: str, lines: TomlLines, key: str, value: str = "") -> str:
    """Return the place of a dotted key in a file, or of one text of it: file, line, key."""
    number = lines.line_of(value, *key.split("."))
    return f"{name}, line {number}, {key}" if number is not None else f"{name}, {key}"
