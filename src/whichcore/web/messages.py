"""What server and children say to each other: one JSON object a line.

A question is ``{"id": 1, "call": "records.search", "args": {…}}``, its answer ``{"id": 1, "result": …}`` or
``{"id": 1, "error": {…}}`` with the fields of the error contract. A child may tell more at any time:
``{"event": {…}}``. Its first line is ``{"ready": true}``; it ends when its input closes.
"""

from __future__ import annotations

import contextlib
import json
import os
import sys
import threading
import warnings
from collections.abc import Callable, Iterator, Mapping
from typing import Any, TextIO

from whichcore.errors import InputError, WhichcoreError, WhichcoreWarning

Call = Callable[..., Any]
LONGEST_LINE = 64 * 1024 * 1024


class Answering:
    """The child's side: reads questions from its input, and answers on its output.

    Parameters
    ----------
    calls : mapping of str to callable
        Each takes the arguments of the question by name and returns what JSON can say.
    """

    def __init__(self, calls: Mapping[str, Call]) -> None:
        self._calls = dict(calls)
        self._out = _private_output()
        self._lock = threading.Lock()

    def tell(self, event: Mapping[str, Any]) -> None:
        """Send an event; any thread may."""
        self._send({"event": event})

    def run(self) -> None:
        """Answer until the input closes."""
        self._send({"ready": True})
        for line in sys.stdin:
            self._send(self._answer(line))

    def _answer(self, line: str) -> dict[str, Any]:
        number = None
        try:
            question = json.loads(line)
            number, name = question["id"], question["call"]
            call = self._calls.get(name)
            if call is None:
                raise InputError("there is no such call", where="page", got=str(name))
            with collected() as said:
                result = call(**question.get("args", {}))
        except Exception as error:  # noqa: BLE001 - whatever goes wrong is answered, and the child goes on
            return {"id": number, "error": as_error(error)}
        return {"id": number, "result": result, "warnings": said}

    def _send(self, message: Mapping[str, Any]) -> None:
        text = json.dumps(message, ensure_ascii=False, allow_nan=False)
        with self._lock, contextlib.suppress(BrokenPipeError):
            self._out.write(text + "\n")
            self._out.flush()


def as_error(error: BaseException) -> dict[str, str]:
    """Return an error as the fields of the contract."""
    if isinstance(error, WhichcoreError):
        return error.to_dict()
    if isinstance(error, TypeError | KeyError | ValueError):
        return InputError("this cannot be understood", where="page", got=str(error)[:200]).to_dict()
    return WhichcoreError(
        "something unforeseen went wrong", got=f"{type(error).__name__}: {error}"[:300]
    ).to_dict()


@contextlib.contextmanager
def collected() -> Iterator[list[str]]:
    """Collect what the user should know, while inside."""
    said: list[str] = []
    with warnings.catch_warnings(record=True) as caught:
        warnings.simplefilter("always", WhichcoreWarning)
        try:
            yield said
        finally:
            said += dict.fromkeys(
                str(warning.message) for warning in caught if issubclass(warning.category, WhichcoreWarning)
            )


def _private_output() -> TextIO:
    """Return what was the standard output, and let everything else that prints go to the error output."""
    out = os.fdopen(os.dup(sys.stdout.fileno()), "w", encoding="utf-8", newline="\n")
    os.dup2(sys.stderr.fileno(), sys.stdout.fileno())
    return out
