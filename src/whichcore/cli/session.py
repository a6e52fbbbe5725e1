"""One run of a command: how its result, its warnings and its error leave the program."""

from __future__ import annotations

import contextlib
import errno
import json
import os
import sys
import threading
import traceback
import warnings
from collections.abc import Callable, Iterator, Mapping, Sequence
from typing import Any, TextIO

import click

from whichcore.cli import interrupt
from whichcore.cli.usage import usage_error
from whichcore.errors import Cancelled, InputError, WhichcoreError, WhichcoreWarning


def clean(text: str) -> str:
    """Return text without control characters: a name out of a file cannot steer the terminal."""
    return "".join(sign if sign.isprintable() or sign == "\n" else "\ufffd" for sign in text)


class OutputClosed(Exception):  # noqa: N818 - not a fault
    """Whoever read the output stopped reading."""


class Session:
    """What one run was asked for, and the warnings it met.

    Parameters
    ----------
    words : sequence of str
        The command line; ``--json`` and ``--debug`` among them hold even where it is called wrongly.
    """

    def __init__(self, words: Sequence[str] = ()) -> None:
        self.json = "--json" in words
        self.debug = "--debug" in words
        self.warnings: list[str] = []
        #: Fields that go into the JSON object of an error beside it.
        self.beside_error: dict[str, Any] = {}

    def warn(self, text: str, *, first: bool = False) -> None:
        """Keep a warning, once; the first before all there are."""
        if text not in self.warnings:
            self.warnings.insert(0 if first else len(self.warnings), text)

    def deliver(self, report: Callable[[], Mapping[str, Any]], text: Callable[[], str]) -> None:
        """Print the result: the report as one JSON object with every warning in it, or the text."""
        interrupt.check()
        if self.json:
            click.echo(_json({**report(), "warnings": self.warnings}))
        else:
            click.echo(text())

    def note(self, text: str) -> None:
        """Print a line beside the result, on stderr."""
        click.echo(clean(text), err=True)

    def run(self, work: Callable[[], object]) -> int:
        """Do the work and return the exit code; whatever goes wrong becomes one line."""
        try:
            with self._collecting():
                code = work()
            sys.stdout.flush()
            for text in self.warnings:
                self.note(f"warning: {text}")
        except (Exception, KeyboardInterrupt) as error:  # noqa: BLE001 - the last line of defence
            if isinstance(error, OutputClosed) or (isinstance(error, OSError) and is_closed_pipe(error)):
                return _end_quietly()
            # a wish to stop that comes now would cut the line short
            with interrupt.gently(threading.Event()):
                return self._fail(error, _as_ours(error))
        return code if isinstance(code, int) else 0

    @contextlib.contextmanager
    def _collecting(self) -> Iterator[None]:
        """Collect the warnings that are meant for the user; others are for developers."""
        with warnings.catch_warnings():
            warnings.simplefilter("always", WhichcoreWarning)
            show = warnings.showwarning

            def collect(
                message: Warning | str,
                category: type[Warning],
                filename: str,
                lineno: int,
                file: TextIO | None = None,
                line: str | None = None,
            ) -> None:
                if issubclass(category, WhichcoreWarning):
                    self.warn(str(message))
                elif self.debug:
                    show(message, category, filename, lineno, file, line)

            warnings.showwarning = collect
            yield

    def _fail(self, cause: BaseException, error: WhichcoreError) -> int:
        try:
            if self.debug:
                self.note("".join(traceback.format_exception(cause)).rstrip())
            for text in self.warnings:
                self.note(f"warning: {text}")
            if self.json:
                click.echo(_json({"error": error.to_dict(), **self.beside_error}))
            sys.stdout.flush()
            self.note(f"whichcore: {error.one_line()}")
        except OSError as second:
            if not is_closed_pipe(second):
                return error.exit_code
            _end_quietly()
        return error.exit_code


def _json(report: Mapping[str, Any]) -> str:
    return json.dumps(report, ensure_ascii=False, allow_nan=False, indent=2)


def is_closed_pipe(error: OSError) -> bool:
    """Tell whether the reader of the output has gone."""
    # Windows calls a closed pipe an invalid argument
    return error.errno == errno.EPIPE or (os.name == "nt" and error.errno == errno.EINVAL)


def _end_quietly() -> int:
    """Let whoever reads the output stop reading: what is still in the buffers goes nowhere."""
    for stream in (sys.stdout, sys.stderr):
        with contextlib.suppress(OSError, ValueError):
            nowhere = os.open(os.devnull, os.O_WRONLY)
            os.dup2(nowhere, stream.fileno())
            os.close(nowhere)
    return 0


def _as_ours(error: BaseException) -> WhichcoreError:
    match error:
        case WhichcoreError():
            return error
        case click.ClickException():
            return usage_error(error)
        case KeyboardInterrupt() | click.Abort():
            return Cancelled("stopped; every finished file is whole")
        case OSError():
            return _system_fault(error)
    return _internal(error)


def _system_fault(error: OSError) -> WhichcoreError:
    return InputError(
        "the system refused to read or write",
        where=str(error.filename or "output"),
        got=error.strerror or str(error),
        next_step="check that the place exists, may be used and has room",
    )


def _internal(error: BaseException) -> WhichcoreError:
    return WhichcoreError(
        "something unforeseen went wrong",
        got=f"{type(error).__name__}: {error}",
        next_step="run it again with --debug and report what it prints",
    )
