"""Typed access to one table of a TOML file; every fault names its key, and no key goes unread."""

from __future__ import annotations

import difflib
import itertools
import math
from collections.abc import Iterable
from typing import Any

from whichcore.errors import InputError
from whichcore.rig.template import Query, Template

_MISSING = object()


class TableReader:
    """A table of a file.

    Parameters
    ----------
    data : dict
    name : str
        File, then dotted table.
    """

    def __init__(self, data: dict[str, Any], name: str, path: str = "") -> None:
        self.name = name
        self._data = data
        self._path = path
        self._read: set[str] = set()

    def __contains__(self, key: str) -> bool:
        return key in self._data

    def place(self, key: str) -> str:
        """Return file and dotted key."""
        return f"{self.name}, {self._path}{key}"

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
            raise self._wrong(key, value, f"[{key}]")
        return TableReader(value, self.name, f"{self._path}{key}.")

    def text(self, key: str, default: object = _MISSING) -> str:
        """Return a text."""
        value = self.raw(key, default)
        if not isinstance(value, str):
            raise self._wrong(key, value, "text in quotes")
        return value

    def texts(self, key: str) -> tuple[str, ...]:
        """Return a list of two texts or more."""
        value = self.raw(key)
        if not isinstance(value, list) or len(value) < 2 or not all(isinstance(item, str) for item in value):
            raise self._wrong(key, value, 'a list such as ["1", "2"]')
        return tuple(value)

    def choice(self, key: str, options: tuple[str, ...], default: object = _MISSING) -> str:
        """Return one of the words allowed."""
        value = self.raw(key, default)
        if value not in options:
            raise self._wrong(key, value, ", ".join(options))
        return str(value)

    def number(self, key: str, default: object = _MISSING, *, least: float) -> float:
        """Return a finite number not below the least."""
        value = self.raw(key, default)
        if not _is_number(value) or value < least:
            raise self._wrong(key, value, f"a number of {least:g} or more")
        return float(value)

    def whole(self, key: str, default: object = _MISSING, *, least: int) -> int:
        """Return a whole number not below the least."""
        value = self.raw(key, default)
        if not isinstance(value, int) or isinstance(value, bool) or value < least:
            raise self._wrong(key, value, f"a whole number of {least} or more")
        return value

    def span(self, key: str, default: object = _MISSING, *, positive: bool = False) -> tuple[float, float]:
        """Return lowest and highest of a pair."""
        value = self.raw(key, default)
        good = (
            isinstance(value, (list, tuple)) and len(value) == 2 and all(_is_number(item) for item in value)
        )
        if not good or value[0] > value[1] or (positive and value[0] <= 0):
            raise self._wrong(key, value, "[lowest, highest]" + (", above 0" if positive else ""))
        return float(value[0]), float(value[1])

    def ascending(self, key: str) -> tuple[float, ...]:
        """Return positive numbers in rising order, one or more."""
        value = self.raw(key)
        good = isinstance(value, list) and value and all(_is_number(item) and item > 0 for item in value)
        if not good or any(b <= a for a, b in itertools.pairwise(value)):
            raise self._wrong(key, value, "positive numbers in rising order")
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

    def query(self, key: str, fields: Iterable[str]) -> Query:
        """Return a question."""
        part = self.table(key)
        query = Query(
            ask=part.template("ask", fields),
            reply=part.choice("reply", ("number", "switch", "text"), "number"),
            field=part.whole("field", -1, least=-1),
            factor=part.number("factor", 1.0, least=-math.inf),
        )
        part.finish()
        return query

    def number_or_query(self, key: str, fields: Iterable[str]) -> Query | float:
        """Return a number stated in the table, or the question that gives it."""
        if _is_number(self.raw(key)):
            return float(self.raw(key))
        return self.query(key, fields)

    def _wrong(self, key: str, value: object, allowed: str) -> InputError:
        return InputError("this value does not fit", where=self.place(key), got=f"{value!r}", allowed=allowed)


def _is_number(value: object) -> bool:
    return isinstance(value, (int, float)) and not isinstance(value, bool) and math.isfinite(value)
