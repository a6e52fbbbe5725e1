"""What all pages see at once: the bench's present work, and who drives it."""

from __future__ import annotations

import asyncio
import contextlib
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

from starlette.websockets import WebSocket, WebSocketDisconnect

from whichcore.web.child import Child, Refused

MOST_WAITING = 2000  # events a page that does not read them is behind by before it is let go
Waiting = asyncio.Queue[dict[str, Any] | None]  # what a page is to be told; None lets it go


@dataclass
class Work:
    """One calibration or sweep at the bench.

    Attributes
    ----------
    number : int
    what : str
        ``calibrate`` or ``sweep``.
    driver : str
        Page that started it.
    running : bool
    about : mapping
        Bench, name and core, so that others know what they are watching, and the mark of the page that asked.
    events : list of mapping
        All of it, for pages that come later.
    """

    number: int
    what: str
    driver: str
    running: bool = True
    about: Mapping[str, str] = field(default_factory=dict)
    events: list[dict[str, Any]] = field(default_factory=list)

    def shown(self, page: str, there: bool) -> dict[str, Any]:
        """Return what a page is told of it; ``there`` tells whether the driver's page is open."""
        return {
            "number": self.number,
            "what": self.what,
            "running": self.running,
            "mine": self.driver == page,
            "there": there,
            "about": dict(self.about),
            "events": self.events,
        }


class Hub:
    """Every open page, the bench's child process, and the rule that one page drives.

    Parameters
    ----------
    module : str
        Of the child process at the bench.
    """

    def __init__(self, module: str) -> None:
        self.bench = Child(module, self._told, self._ended)
        self._pages: dict[Waiting, str] = {}
        self._work: Work | None = None
        self._count = 0
        self._starting = asyncio.Lock()

    @property
    def work(self) -> Work | None:
        """The present or the last work."""
        return self._work

    async def start(self, what: str, page: str, args: Mapping[str, Any]) -> dict[str, Any]:
        """Begin a calibration or a sweep.

        Raises
        ------
        Refused
            Other work is going on, or the bench refuses.
        """
        async with self._starting:
            if self._work is not None and self._work.running:
                raise Refused(_busy(self._work, page))
            self._count += 1
            before, self._work = self._work, Work(self._count, what, page, about=_about(args))
            try:
                answer = await self.bench.ask(what, args)
            except Refused:
                self._work = before
                raise
            begun = {"type": "begun", "work": self._work.number, "what": what, "about": self._work.about}
            self._tell_all(begun, driver=page)
            return answer

    async def drive(self, call: str, page: str, args: Mapping[str, Any]) -> dict[str, Any]:
        """Pass on what the driving page says; anyone may stop.

        Raises
        ------
        Refused
            Another page drives, and is open.
        """
        if call != "stop" and self._work is not None and self._work.running and self._work.driver != page:
            if self._open(self._work.driver):
                raise Refused(_busy(self._work, page))
            self._work.driver = page  # its page is closed: who answers now goes on with it
            self._tell_driver(page)
        return await self.bench.ask(call, args)

    async def join(self, socket: WebSocket, page: str, before: str = "") -> None:
        """Serve one page until it goes: everything so far, then what is new.

        Parameters
        ----------
        socket : WebSocket
        page : str
            Its name, made anew with each document.
        before : str
            Name that the document before it had in the same tab: what that one drove is now this one's,
            unless that one is still open, as when the tab was doubled.
        """
        queue: Waiting = asyncio.Queue(MOST_WAITING)
        await socket.accept()
        self._pages[queue] = page
        work = self._work
        if work is not None and work.driver == before and not self._open(before):
            work.driver = page
        shown = None if work is None else work.shown(page, self._open(work.driver))
        queue.put_nowait({"type": "hello", "work": shown})
        self._tell_driver(page)
        sender = asyncio.create_task(self._send(socket, queue))
        try:
            while True:
                await socket.receive_text()  # pages only listen here; a message keeps the line open
        except (WebSocketDisconnect, KeyError, RuntimeError):
            pass
        finally:
            self._pages.pop(queue, None)
            self._tell_driver(page)
            sender.cancel()
            with contextlib.suppress(asyncio.CancelledError):
                await sender

    async def _send(self, socket: WebSocket, queue: Waiting) -> None:
        with contextlib.suppress(WebSocketDisconnect, RuntimeError, ConnectionError):
            while (message := await queue.get()) is not None:
                await socket.send_json(message)
            await socket.close()

    def _open(self, page: str) -> bool:
        return page in self._pages.values()

    def _tell_driver(self, page: str) -> None:
        """Tell everyone whose the work is and whether that page is open, where this one came or went."""
        work = self._work
        if work is not None and work.running and work.driver == page:
            message = {"type": "driver", "work": work.number, "there": self._open(page)}
            self._tell_all(message, driver=page)

    def _told(self, event: dict[str, Any]) -> None:
        """Note an event of the bench and hand it on."""
        if self._work is not None:
            self._work.events.append(event)
            if event["type"] in {"finished", "failed", "stopped"}:
                self._work.running = False
        self._tell_all({"type": "event", "work": self._count, "event": event})

    def _ended(self) -> None:
        """Tell that the bench's process has gone."""
        if self._work is not None and self._work.running:
            error = {
                "code": "instrument",
                "what": "what drove the bench has ended; nobody can say whether the output is off",
                "where": "bench",
                "got": "no answer",
                "allowed": "",
                "next": "switch the output off by hand; start the same sweep again, it goes on where it was",
            }
            self._told({"type": "failed", "error": error})

    def _tell_all(self, message: dict[str, Any], driver: str | None = None) -> None:
        for queue, page in list(self._pages.items()):
            try:
                queue.put_nowait(message if driver is None else {**message, "mine": page == driver})
            except asyncio.QueueFull:
                self._pages.pop(queue, None)
                while not queue.empty():
                    queue.get_nowait()
                queue.put_nowait(None)  # it comes again and is told everything anew


def _about(args: Mapping[str, Any]) -> dict[str, str]:
    return {name: str(args[name])[:200] for name in ("bench", "name", "core", "mark") if args.get(name)}


def _busy(work: Work, page: str) -> dict[str, str]:
    mine = work.driver == page
    return {
        "code": "busy",
        "what": f"a {work.what.replace('calibrate', 'calibration')} is running",
        "where": "bench",
        "got": "this page" if mine else "another page",
        "allowed": "one at a time",
        "next": "wait for its end, or stop it",
    }
