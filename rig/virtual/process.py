"""Starting the virtual bench and working it by hand, from another process."""

from __future__ import annotations

import json
import os
import queue
import subprocess
import sys
import threading
from contextlib import suppress
from dataclasses import asdict, dataclass
from os import PathLike
from pathlib import Path
from types import TracebackType
from typing import Any, Self

from whichcore.errors import InstrumentError
from whichcore.rig.virtual.cores import read_cores

READY_S = 30.0
ANSWER_S = 30.0
END_S = 10.0


@dataclass(frozen=True, slots=True)
class Fronts:
    """Languages of the instruments and the lines they hang on; None for the usual.

    Attributes
    ----------
    source, digitizer : str or None
        Name of the command table that speaks the language.
    source_line, digitizer_line : str or None
        ``socket``, ``hislip``, ``serial``.
    """

    source: str | None = None
    digitizer: str | None = None
    source_line: str | None = None
    digitizer_line: str | None = None

    def options(self) -> list[str]:
        """Return the words of the command line."""
        said = asdict(self).items()
        return [word for key, value in said if value for word in (f"--{key.replace('_', '-')}", value)]


class VirtualBench:
    """A virtual bench in a process of its own; a context manager.

    Attributes
    ----------
    source, digitizer : str
        VISA resource strings of the two instruments.

    Parameters
    ----------
    wiring : str
        One of the wirings.
    seed : int or None
        Of noise and phases.
    cores : path or None
        File of more cores for its shelf, in the form of cores.toml.
    fronts : Fronts
        Languages and lines.

    Raises
    ------
    InstrumentError
        The process does not start.
    InputError
        The file of cores is wrong.
    """

    def __init__(
        self,
        wiring: str = "shunt-at-ground",
        seed: int | None = None,
        cores: str | PathLike[str] | None = None,
        fronts: Fronts | None = None,
    ) -> None:
        command = [sys.executable, "-m", "whichcore.rig.virtual", "--wiring", wiring]
        command += (fronts or Fronts()).options()
        if seed is not None:
            command += ["--seed", str(seed)]
        if cores is not None:
            read_cores(Path(cores))  # the process would only end; here its fault can be told
            command += ["--cores", os.fspath(cores)]
        self._lines: queue.Queue[str | None] = queue.Queue()
        self._process = subprocess.Popen(  # noqa: S603 - our own interpreter and module
            command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True, encoding="utf-8"
        )
        self._reader = threading.Thread(target=self._read, daemon=True)
        self._reader.start()
        try:
            ready = self._next(READY_S, "start")
        except InstrumentError:
            self.close()
            raise
        self.source: str = ready["source"]
        self.digitizer: str = ready["digitizer"]

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.close()

    def do(self, **command: Any) -> dict[str, Any]:
        """Send one command of the hands and return the state of the bench.

        Raises
        ------
        InstrumentError
            The bench refuses, or is gone.
        """
        stream = self._process.stdin
        if stream is None or stream.closed:
            raise self._gone("the bench is closed")
        try:
            stream.write(json.dumps(command) + "\n")
            stream.flush()
        except OSError as error:
            raise self._gone("the bench does not listen") from error
        answer = self._next(ANSWER_S, json.dumps(command))
        if not answer.get("ok"):
            told = answer["error"]
            raise InstrumentError(
                told["what"],
                where=f"virtual bench, {told['where']}",
                got=told["got"],
                allowed=told["allowed"],
                next_step=told["next"],
            )
        return answer

    def fit(self, what: str, **details: Any) -> dict[str, Any]:
        """Put a fixture between the terminals, or ``fit("core", core="bin-h", turns=10)``."""
        return self.do(fit=what, **details)

    def fault(self, kind: str, **details: Any) -> dict[str, Any]:
        """Switch a fault on; ``on="source"``, ``channel=``, ``value=``, ``times=`` where they apply."""
        return self.do(fault={"kind": kind, **details})

    def clear_faults(self) -> dict[str, Any]:
        """Switch every fault off."""
        return self.do(fault=None)

    def state(self) -> dict[str, Any]:
        """Return what an onlooker sees."""
        return self.do(state=True)

    def close(self) -> int:
        """Close the bench's standard input, wait for its end and return its exit code."""
        process = self._process
        if process.stdin is not None:
            with suppress(OSError):  # what could not be flushed into a dead bench
                process.stdin.close()
        try:
            code = process.wait(END_S)
        except subprocess.TimeoutExpired:
            process.kill()
            code = process.wait(END_S)
        self._reader.join(END_S)
        if process.stdout is not None:
            process.stdout.close()
        return code

    def _read(self) -> None:
        stream = self._process.stdout
        for line in stream or ():
            self._lines.put(line)
        self._lines.put(None)

    def _next(self, patience_s: float, what: str) -> dict[str, Any]:
        try:
            line = self._lines.get(timeout=patience_s)
        except queue.Empty:
            raise self._gone(f"no answer within {patience_s:g} s to: {what}") from None
        if line is None:
            self._lines.put(None)
            raise self._gone(f"it ended; asked for: {what}")
        answer: dict[str, Any] = json.loads(line)
        return answer

    def _gone(self, what: str) -> InstrumentError:
        return InstrumentError(what, where="virtual bench", next_step="start it again")
