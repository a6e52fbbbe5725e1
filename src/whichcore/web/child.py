"""A child process that answers questions; see :mod:`whichcore.web.messages`."""

from __future__ import annotations

import asyncio
import contextlib
import json
import sys
from collections.abc import Callable, Mapping
from typing import Any

from whichcore.web.messages import LONGEST_LINE

Told = Callable[[dict[str, Any]], None]
PATIENCE_S = 10.0


class Refused(Exception):  # noqa: N818 - an answer, not a fault
    """The answer to a question is an error; ``fields`` are those of the error contract."""

    def __init__(self, fields: Mapping[str, str]) -> None:
        self.fields = dict(fields)
        super().__init__(self.fields.get("what", ""))


class Child:
    """One child process, started when it is first asked and again after it died.

    Parameters
    ----------
    module : str
        Run as ``python -m module``.
    told : callable or None
        Called with each event.
    ended : callable or None
        Called when the process has gone, unasked.
    """

    def __init__(
        self, module: str, told: Told | None = None, ended: Callable[[], None] | None = None
    ) -> None:
        self._module, self._told, self._ended = module, told, ended
        self._process: asyncio.subprocess.Process | None = None
        self._reader: asyncio.Task[None] | None = None
        self._waiting: dict[int, asyncio.Future[dict[str, Any]]] = {}
        self._count = 0
        self._starting = asyncio.Lock()

    @property
    def pid(self) -> int | None:
        """Of the process, while it runs."""
        return None if self._process is None else self._process.pid

    async def ask(self, call: str, args: Mapping[str, Any] | None = None) -> dict[str, Any]:
        """Ask, and return the answer with ``result`` and ``warnings``.

        Raises
        ------
        Refused
            The answer is an error, or the process died over it.
        """
        await self._start()
        self._count += 1
        number = self._count
        answer: asyncio.Future[dict[str, Any]] = asyncio.get_running_loop().create_future()
        self._waiting[number] = answer
        line = json.dumps({"id": number, "call": call, "args": dict(args or {})}, ensure_ascii=False)
        try:
            process = self._process
            if process is None or process.stdin is None:
                raise ConnectionError
            process.stdin.write(line.encode() + b"\n")
            await process.stdin.drain()
            message = await answer
        except (ConnectionError, OSError):
            raise Refused(_gone(self._module)) from None
        finally:
            self._waiting.pop(number, None)
        if "error" in message:
            raise Refused(message["error"])
        return message

    async def stop(self) -> None:
        """Close its input and wait for its end; one that does not end is killed."""
        process, self._process = self._process, None
        if process is None:
            return
        if process.stdin is not None:
            process.stdin.close()
        try:
            await asyncio.wait_for(process.wait(), PATIENCE_S)
        except TimeoutError:
            with contextlib.suppress(ProcessLookupError):
                process.kill()
            await process.wait()
        if self._reader is not None:
            await self._reader

    async def _start(self) -> None:
        async with self._starting:
            if self._process is not None:
                return
            process = await asyncio.create_subprocess_exec(
                sys.executable,
                "-m",
                self._module,
                stdin=asyncio.subprocess.PIPE,
                stdout=asyncio.subprocess.PIPE,
                limit=LONGEST_LINE,
                # Ctrl-C at the terminal is the server's to pass on, by closing the input
                start_new_session=True,
            )
            assert process.stdout is not None  # noqa: S101 - asked for above
            first = await process.stdout.readline()
            if not first:
                await process.wait()
                raise Refused(_gone(self._module))
            self._process = process
            self._reader = asyncio.create_task(self._read(process))

    async def _read(self, process: asyncio.subprocess.Process) -> None:
        assert process.stdout is not None  # noqa: S101 - asked for at the start
        while line := await process.stdout.readline():
            message = json.loads(line)
            if "event" in message and self._told is not None:
                self._told(message["event"])
            answer = self._waiting.get(message.get("id", 0))
            if answer is not None and not answer.done():
                answer.set_result(message)
        await process.wait()
        unasked = self._process is process
        if unasked:
            self._process = None
        for answer in self._waiting.values():
            if not answer.done():
                answer.set_exception(ConnectionError())
        if unasked and self._ended is not None:
            self._ended()


def _gone(module: str) -> dict[str, str]:
    return {
        "code": "internal",
        "what": "a part of the program has ended",
        "where": module,
        "got": "no answer",
        "allowed": "",
        "next": "try again; it is started anew",
    }
