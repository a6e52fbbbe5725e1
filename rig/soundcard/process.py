"""The worker from outside: started, asked, watched, and killed when the host below it has died."""

from __future__ import annotations

import json
import queue
import subprocess
import sys
import threading
import time
from collections import deque
from contextlib import suppress
from dataclasses import asdict, dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from whichcore.errors import Cancelled, InstrumentError

READY_S = 30.0
STALL_S = 3.0  # without a call of the host: ten periods of the longest buffer there is
END_S = 3.0
LOOK_S = 0.05


@dataclass(frozen=True, slots=True)
class StreamSettings:
    """What the worker opens.

    Attributes
    ----------
    input, output : str
        Addresses, ``HOST INTERFACE: DEVICE``.
    rate_hz : float
    input_channels : (int, int)
        Of A and B, counted from 1.
    output_channels : tuple of int
        Counted from 1.
    """

    input: str
    output: str
    rate_hz: float
    input_channels: tuple[int, int] = (1, 2)
    output_channels: tuple[int, ...] = (1,)


@dataclass(frozen=True, slots=True)
class Played:
    """What came back from a take.

    Attributes
    ----------
    record : float32 array (2, M)
        A and B, in shares of the full scale, from the first frame played on.
    flags : tuple of str
        Drop-outs that the host told of.
    """

    record: NDArray[np.float32]
    flags: tuple[str, ...]


class Worker:
    """The audio process.

    Parameters
    ----------
    settings : StreamSettings
    stall_s : float
        Longest time without a call of the host.

    Raises
    ------
    InstrumentError
        The card cannot be opened.
    """

    def __init__(self, settings: StreamSettings, stall_s: float = STALL_S) -> None:
        self._settings, self._stall_s, self._takes = settings, stall_s, 0
        command = [sys.executable, "-m", "whichcore.rig.soundcard.worker", json.dumps(asdict(settings))]
        self._process = subprocess.Popen(  # noqa: S603 - our own interpreter and module
            command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.PIPE
        )
        self._answers: queue.Queue[tuple[dict[str, Any], bytes] | None] = queue.Queue()
        self._said: deque[str] = deque(maxlen=5)
        self._threads = [threading.Thread(target=work, daemon=True) for work in (self._read, self._overhear)]
        for thread in self._threads:
            thread.start()
        try:
            self.rate_hz = float(self._next(READY_S)[0]["rate_hz"])
        except BaseException:
            self.kill()
            raise

    @property
    def alive(self) -> bool:
        """False once it has ended or was killed."""
        return self._process.poll() is None

    @property
    def process_id(self) -> int:
        """Of the system."""
        return self._process.pid

    def play(self, output: NDArray[np.float32], cancel: threading.Event) -> Played:
        """Play frames and record as many.

        Parameters
        ----------
        output : float32 array (M, output channels)
        cancel : threading.Event

        Raises
        ------
        InstrumentError
            The host has died, or the worker; it is killed then.
        Cancelled
            After the output has faded out.
        """
        frames = np.ascontiguousarray(output, dtype=np.float32)
        self._takes += 1
        self._ask({"play": len(frames), "take": self._takes}, frames.tobytes())
        asked_to_stop = False
        heard = time.monotonic()
        while True:
            answer = self._look()
            if answer is not None:
                heard = time.monotonic()
                head, payload = answer
                if "done" in head:
                    break
                if head["age_s"] > self._stall_s:
                    raise self._stalled(head["age_s"])
            elif time.monotonic() - heard > self._stall_s:
                raise self._stalled(time.monotonic() - heard)
            if cancel.is_set() and not asked_to_stop:
                self._ask({"stop": self._takes})
                asked_to_stop = True
        if asked_to_stop:
            raise Cancelled("the take was stopped; the output is silent")
        record = np.frombuffer(payload, dtype=np.float32).reshape(-1, 2)
        return Played(np.ascontiguousarray(record.T), tuple(head["flags"]))

    def close(self) -> None:
        """End it as it wants to be ended, else kill it; doing it twice does no harm."""
        stdin = self._process.stdin
        if stdin is not None:
            with suppress(OSError, ValueError):
                stdin.close()
        with suppress(subprocess.TimeoutExpired):
            self._process.wait(END_S)
        self.kill()

    def kill(self) -> None:
        """End it at once; the host silences what it leaves behind."""
        if self._process.poll() is None:
            self._process.kill()
        self._process.wait(END_S)
        for thread in self._threads:
            thread.join(END_S)
        for pipe in (self._process.stdin, self._process.stdout, self._process.stderr):
            if pipe is not None:
                with suppress(OSError, ValueError):
                    pipe.close()

    def _ask(self, head: dict[str, Any], payload: bytes = b"") -> None:
        stdin = self._process.stdin
        try:
            if stdin is None:  # pragma: no cover - it was opened as a pipe
                raise OSError
            stdin.write(json.dumps(head).encode() + b"\n" + payload)
            stdin.flush()
        except (OSError, ValueError):
            raise self._gone() from None

    def _look(self) -> tuple[dict[str, Any], bytes] | None:
        try:
            return self._next(LOOK_S)
        except queue.Empty:
            return None

    def _next(self, patience_s: float) -> tuple[dict[str, Any], bytes]:
        """Return the next answer; raises InstrumentError for an error, queue.Empty for none in time."""
        try:
            answer = self._answers.get(timeout=patience_s)
        except queue.Empty:
            if patience_s == READY_S:
                raise self._stalled(patience_s) from None
            raise
        if answer is None:
            raise self._gone()
        told = answer[0].get("error")
        if told is not None:
            self.kill()
            raise InstrumentError(
                told["what"],
                where=told["where"],
                got=told["got"],
                allowed=told["allowed"],
                next_step=told["next"],
            )
        return answer

    def _read(self) -> None:
        pipe = self._process.stdout
        if pipe is not None:
            with suppress(OSError, ValueError):
                while line := pipe.readline():
                    head = json.loads(line)
                    self._answers.put((head, pipe.read(int(head.get("bytes", 0)))))
        self._answers.put(None)

    def _overhear(self) -> None:
        pipe = self._process.stderr
        if pipe is not None:
            with suppress(OSError, ValueError):
                for line in pipe:
                    self._said.append(line.decode("utf-8", "replace").strip())

    def _stalled(self, age_s: float) -> InstrumentError:
        self.kill()
        return InstrumentError(
            "the audio server stopped",
            where=self._settings.output,
            got=f"no call for {age_s:.1f} s; the audio process was ended",
            next_step="restart the audio server or plug the card in again; the same command continues",
        )

    def _gone(self) -> InstrumentError:
        self.kill()
        return InstrumentError(
            "the audio process ended by itself",
            where=self._settings.output,
            got=self._said[-1] if self._said else f"exit code {self._process.returncode}",
            next_step="see that the card is connected and its server runs; the same command continues",
        )
