"""TOML files read whole, with the line of each key at hand and all faults gathered before one is raised."""

from __future__ import annotations

import re
import tomllib
from collections.abc import Callable, Iterable
from pathlib import Path
from typing import Any

from pydantic import ValidationError
from pydantic_core import PydanticCustomError

from whichcore.errors import InputError
from whichcore.files.text import did_you_mean, nearest, read_text
from whichcore.files.units import Dimension, parse_quantity
from whichcore.toml_lines import TomlLines


class TomlFile:
    """A parsed TOML file.

    Parameters
    ----------
    path : Path
    text : str, optional
        What is to stand in the file, where it has not been written yet.

    Attributes
    ----------
    path : Path
    data : dict
        As tomllib gives it.

    Raises
    ------
    InputError
        The file cannot be read or is not TOML.
    """

    def __init__(self, path: Path, text: str | None = None) -> None:
        self.path = path
        text = read_text(path) if text is None else text
        try:
            self.data: dict[str, Any] = tomllib.loads(text)
        except tomllib.TOMLDecodeError as error:
            raise _syntax_error(path, str(error), text) from None
        except RecursionError:
            raise InputError("the file is nested too deeply", where=str(path)) from None
        self._lines = TomlLines(text)

    def line(self, *keys: str) -> int | None:
        """Return the line of a key, or of the table it belongs to when the key itself is not there."""
        return self._lines.line(*keys)

    def where(self, *keys: str) -> str:
        """Return the place of a key as it stands in errors: file, line, dotted key."""
        number = self.line(*keys)
        parts = [str(self.path), f"line {number}" if number else "", ".".join(keys)]
        return ", ".join(part for part in parts if part)

    def table(self, name: str, faults: Faults) -> dict[str, Any]:
        """Return a table of the file; a missing one is a fault and comes back empty."""
        table = self.data.get(name)
        if isinstance(table, dict):
            return table
        what = "the table is missing" if table is None else "this must be a table"
        faults.add(InputError(what, allowed=f"[{name}]"), name)
        return {}


def _syntax_error(path: Path, message: str, text: str) -> InputError:
    place = re.search(r"\(at line (\d+), column \d+\)", message)
    number = int(place[1]) if place else text.rstrip("\n").count("\n") + 1
    lines = text.split("\n")
    got = lines[number - 1].strip() if number <= len(lines) else ""
    return InputError(
        f"this is not TOML: {message.split(' (at ', maxsplit=1)[0][:200]}",
        where=f"{path}, line {number}",
        got=got[:120],
        next_step='write key = "25.0 mm" with the value in quotes, each key once',
    )


class Faults:
    """Every fault found in one file; raised together, the first by line in front.

    Parameters
    ----------
    file : TomlFile
        Gives each fault its place.
    """

    def __init__(self, file: TomlFile) -> None:
        self._file = file
        self._found: list[tuple[tuple[str, ...], InputError]] = []

    def __len__(self) -> int:
        return len(self._found)

    def place(self, *keys: str) -> str:
        """Return the place of a key in the file, for a warning."""
        return self._file.where(*keys)

    def add(self, error: InputError, *keys: str) -> None:
        """Note a fault at a key; a key already at fault gets no second one."""
        if keys not in [known for known, _ in self._found]:
            self._found.append((keys, error))

    def add_invalid(self, error: ValidationError, known: Iterable[str], *table: str) -> None:
        """Note everything a pydantic model found wrong with a table that has the known keys."""
        options = list(known)
        items: list[dict[str, Any]] = [dict(item) for item in error.errors(include_url=False)]
        meant = {nearest(item["loc"][0], options) for item in items if item["type"] == "extra_forbidden"}
        for item in items:
            keys = (*table, str(item["loc"][0])) if item["loc"] else table
            # a misspelt key is one fault, not two
            if not (item["type"] == "missing" and keys[-1] in meant):
                self.add(_as_input_error(item, keys[-1], options), *keys)

    def raise_if_any(self) -> None:
        """Raise one InputError: the first fault in its fields, the number and text of the others behind."""
        if not self._found:
            return
        places = [
            (self._file.line(*keys) or 0, self._file.where(*keys), fault) for keys, fault in self._found
        ]
        places.sort(key=lambda place: place[0])
        _, where, first = places[0]
        others = [
            f"{where.removeprefix(f'{self._file.path}, ')}: {_shortly(fault)}"
            for _, where, fault in places[1:]
        ]
        steps = [first.next_step] if first.next_step else []
        if others:
            count = f"{len(others)} more fault{'s' if len(others) > 1 else ''} in this file"
            steps.append(f"{count}: {' | '.join(others)}")
        raise InputError(
            first.what, where=where, got=first.got, allowed=first.allowed, next_step="; ".join(steps)
        )


def _shortly(fault: InputError) -> str:
    """Return a fault without its list of allowed values where the next step says more."""
    allowed = "" if fault.next_step else fault.allowed
    return InputError(fault.what, got=fault.got, allowed=allowed, next_step=fault.next_step).one_line()


def _as_input_error(item: dict[str, Any], key: str, known: list[str]) -> InputError:
    kind = item["type"]
    if kind == "whichcore":
        context = item["ctx"]
        return InputError(
            context["what"], got=context["got"], allowed=context["allowed"], next_step=context["next_step"]
        )
    if kind == "missing":
        return InputError("the key is missing", next_step=f"add {key}")
    if kind == "extra_forbidden":
        return InputError(
            "unknown key",
            got=key,
            allowed=", ".join(known),
            next_step=did_you_mean(key, known, "remove it or correct its name"),
        )
    return InputError(str(item["msg"]), got=repr(item.get("input")))


def checked(parse: Callable[[object], Any]) -> Callable[[object], Any]:
    """Turn a parser that raises InputError into one that pydantic can gather faults from."""

    def check(value: object) -> Any:
        try:
            return parse(value)
        except InputError as error:
            fields = {
                "what": error.what,
                "got": error.got,
                "allowed": error.allowed,
                "next_step": error.next_step,
            }
            raise PydanticCustomError("whichcore", "{what}", fields) from None

    return check


def quantity(dimension: Dimension) -> Callable[[object], Any]:
    """Return a validator for a value with a unit."""
    return checked(lambda value: parse_quantity(value, dimension))


def positive_quantity(dimension: Dimension) -> Callable[[object], Any]:
    """Return a validator for a value with a unit that cannot be zero."""

    def parse(value: object) -> float:
        number = parse_quantity(value, dimension)
        if number <= 0:
            raise InputError(f"this {dimension.value} must be positive", got=f"{value}", allowed="> 0")
        return number

    return checked(parse)


def plain_number(low: float, high: float) -> Callable[[object], Any]:
    """Return a validator for a dimensionless number strictly above ``low`` and up to ``high``."""

    def parse(value: object) -> float:
        if isinstance(value, bool) or not isinstance(value, (int, float)) or not low < value <= high:
            raise InputError(
                "a plain number without unit or quotes was expected",
                got=repr(value) if isinstance(value, str) else f"{value}",
                allowed=f"above {low:g}, up to {high:g}",
            )
        return float(value)

    return checked(parse)


def whole_number(low: int, high: int) -> Callable[[object], Any]:
    """Return a validator for a count."""

    def parse(value: object) -> int:
        good = isinstance(value, (int, float)) and not isinstance(value, bool)
        if not good or not low <= value <= high or value != int(value):  # type: ignore[operator,call-overload]
            raise InputError(
                "a whole number without unit or quotes was expected",
                got=repr(value) if isinstance(value, str) else f"{value}",
                allowed=f"{low}, {low + 1}, … {high}",
            )
        return int(value)  # type: ignore[call-overload, no-any-return]

    return checked(parse)
