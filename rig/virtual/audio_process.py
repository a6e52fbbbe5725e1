"""Starting a JACK server with the virtual circuit on it, from another process; for tests."""

from __future__ import annotations

import json
import os
import queue
import shutil
import subprocess
import sys
import tempfile
import threading
import time
from contextlib import suppress
from pathlib import Path
from types import TracebackType
from typing import Any, Self

from whichcore.errors import InstrumentError

READY_S = 30.0
END_S = 15.0  # a server that ran free while a client left takes ten seconds
NAMES = tuple(
    f"whichcore-{k}" for k in range(6)
)  # a machine holds eight servers; a dead one's place is its name's
PERIODS = {48_000: 4096, 96_000: 8192, 192_000: 8192}  # long ones: a busy machine has to keep up in real time


def _mark(server: str) -> tuple[int, int] | None:
    """Return what tells one socket of a server from the next; None where there is none."""
    try:
        found = (Path("/dev/shm") / f"jack_{server}_{os.getuid()}_0").stat()  # noqa: S108 - the server's own place
    except OSError:
        return None
    return found.st_ino, found.st_mtime_ns


def jack_is_here() -> bool:
    """Tell whether there is a JACK server to start."""
    return shutil.which("jackd") is not None


class VirtualAudio:
    """A JACK server and the circuit; a context manager.

    Several do not disturb each other: each server has a name of its own, and programs find it by the
    variables in :attr:`environment`. On a server that runs free (freewheel) one program is served well; when
    it leaves, the next waits ten seconds, unless :meth:`calm` came first.

    Attributes
    ----------
    server : str
    environment : dict of str to str
        For the programs that shall use it.
    address : str
        Of the card.

    Parameters
    ----------
    rate_hz : int
    freewheel : bool
        As fast as it goes instead of in real time.
    wiring : str
    seed : int or None

    Raises
    ------
    InstrumentError
        It does not start.
    """

    address = "JACK Audio Connection Kit: system"

    def __init__(
        self,
        rate_hz: int = 96_000,
        *,
        freewheel: bool = True,
        wiring: str = "shunt-at-ground",
        seed: int | None = None,
    ) -> None:
        self._log = tempfile.TemporaryFile()  # noqa: SIM115 - closed with the bench
        self._circuit: subprocess.Popen[bytes] | None = None
        self._lines: queue.Queue[str | None] = queue.Queue()
        self._serve(rate_hz)
        try:
            command = [sys.executable, "-m", "whichcore.rig.virtual.audio", "--server", self.server]
            command += ["--wiring", wiring, "--server-process", f"{self._jackd.pid}"]
            command += [*(() if seed is None else ("--seed", f"{seed}"))]
            self._circuit = self._start(command)
            threading.Thread(target=self._read, args=(self._circuit,), daemon=True).start()
            self.rate_hz = float(self._next("start")["rate_hz"])
            if freewheel:
                self.do(freewheel=True)
        except BaseException:
            self.close()
            raise

    def _serve(self, rate_hz: int) -> None:
        """Start a server under the first name that nobody else's has; raises InstrumentError."""
        options = [
            "-d",
            "dummy",
            "-r",
            f"{rate_hz}",
            "-p",
            f"{PERIODS.get(rate_hz, 8192)}",
            "-C",
            "0",
            "-P",
            "0",
        ]
        for name in NAMES:
            self.server = name
            self.environment = {
                "JACK_DEFAULT_SERVER": name,
                "JACK_NO_START_SERVER": "1",
                "JACK_NO_AUDIO_RESERVATION": "1",
            }
            before = _mark(name)
            self._jackd = self._start(["jackd", "-S", "--no-realtime", "--name", name, *options])
            if self._is_up(before):
                return
            self._jackd.kill()
            self._jackd.wait(END_S)
            if self._jackd.stdin is not None:
                self._jackd.stdin.close()
        error = self._gone(f"no server starts under any of {len(NAMES)} names")
        self._log.close()
        raise error

    def _is_up(self, before: tuple[int, int] | None) -> bool:
        """Wait for the server's socket, a new one; False where it ends instead."""
        until = time.monotonic() + READY_S
        while _mark(self.server) in {None, before}:
            if self._jackd.poll() is not None or time.monotonic() > until:
                return False
            time.sleep(0.01)
        time.sleep(0.05)  # a second server of the name gives up only after it has looked
        return self._jackd.poll() is None

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def do(self, **command: Any) -> dict[str, Any]:
        """Send one command of the hands; raises InstrumentError."""
        circuit = self._circuit
        if circuit is None or circuit.stdin is None:
            raise self._gone("it is closed")
        try:
            circuit.stdin.write(json.dumps(command).encode() + b"\n")
            circuit.stdin.flush()
        except (OSError, ValueError):
            raise self._gone("it does not listen") from None
        answer = self._next(json.dumps(command))
        if not answer.get("ok"):
            told = answer["error"]
            raise InstrumentError(
                told["what"],
                where=f"virtual audio, {told['where']}",
                got=told["got"],
                allowed=told["allowed"],
            )
        return answer

    def fit(self, name: str, **details: Any) -> None:
        """Put a fixture in place, or ``fit("core", core="bin-h", turns=30)``; an Operator."""
        self.do(fit=name, **details)

    def fault(self, kind: str, value: float = 0.0) -> None:
        """Switch a fault on."""
        self.do(fault={"kind": kind, "value": value})

    def clear_faults(self) -> None:
        """Switch every fault off."""
        self.do(fault=None)

    def calm(self) -> None:
        """Go on in real time: before a program leaves a server that runs free."""
        self.do(freewheel=False)

    def state(self) -> dict[str, Any]:
        """Return what an onlooker sees."""
        return self.do(state=True)

    def kill_server(self) -> None:
        """Let the server die without a word, as it may."""
        self._jackd.kill()
        self._jackd.wait(END_S)

    def close(self) -> None:
        """End circuit and server."""
        for process in (self._circuit, self._jackd):
            if process is None:
                continue
            if process.stdin is not None:
                with suppress(OSError):
                    process.stdin.close()
            if process is self._jackd and process.poll() is None:
                process.terminate()
            try:
                process.wait(END_S)
            except subprocess.TimeoutExpired:
                process.kill()
                process.wait(END_S)
            if process.stdout is not None:
                process.stdout.close()
        self._log.close()

    def _start(self, command: list[str]) -> subprocess.Popen[bytes]:
        return subprocess.Popen(  # noqa: S603 - our own module, and the server by its name
            command,
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE if command[0] == sys.executable else self._log,
            stderr=self._log,
            env=os.environ | self.environment,
        )

    def _read(self, circuit: subprocess.Popen[bytes]) -> None:
        for line in circuit.stdout or ():
            self._lines.put(line.decode())
        self._lines.put(None)

    def _next(self, what: str) -> dict[str, Any]:
        try:
            line = self._lines.get(timeout=READY_S)
        except queue.Empty:
            raise self._gone(f"no answer within {READY_S:g} s to: {what}") from None
        if line is None:
            raise self._gone(f"it ended; asked for: {what}")
        answer: dict[str, Any] = json.loads(line)
        return answer

    def _gone(self, what: str) -> InstrumentError:
        self._log.seek(0)
        last = self._log.read().decode("utf-8", "replace").strip().splitlines()[-3:]
        return InstrumentError(what, where="virtual audio", got=" | ".join(last))
