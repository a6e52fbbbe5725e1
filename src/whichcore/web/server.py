"""Starting the server, and saying where it is."""

from __future__ import annotations

import asyncio
import contextlib
import logging
import secrets
import signal
import socket
from collections.abc import Callable

import uvicorn

from whichcore.errors import Cancelled, InputError
from whichcore.web.app import make_app
from whichcore.web.guard import Guarded, loopback_hosts

LOOPBACK = frozenset({"127.0.0.1", "localhost", "::1"})
USUAL_PORT = 8130


def serve(host: str, port: int | None, ready: Callable[[str], None]) -> None:
    """Serve the page until stopped; then the output is off and every child process has ended.

    Parameters
    ----------
    host : str
        Address to listen on. Any but those of this machine itself asks for a token.
    port : int or None
        None: 8130, or a free one where that is taken.
    ready : callable
        Called with the address to open.

    Raises
    ------
    InputError
        The address cannot be listened on.
    Cancelled
        It was stopped: the only end there is.
    """
    listening = _listen(host, port)
    bound = listening.getsockname()[1]
    local = host in LOOPBACK
    token = "" if local else secrets.token_urlsafe(24)
    name = "127.0.0.1" if local else host
    hosts = loopback_hosts(bound) if local else loopback_hosts(bound) | _names(host, bound)
    shown = f"[{name}]" if ":" in name else name
    address = f"http://{shown}:{bound}/" + (f"?token={token}" if token else "")
    config = uvicorn.Config(
        make_app(Guarded(hosts, token)),
        log_level="error",
        access_log=False,
        ws="websockets-sansio",
        lifespan="on",
        timeout_graceful_shutdown=3,
    )
    server = _Server(config)
    asyncio.run(server.run_until_stopped(listening, lambda: ready(address)))
    raise Cancelled("the page is closed; the output is off, and every finished point is kept")


class _Server(uvicorn.Server):
    """A server that leaves the signals to us: each of them only asks for the end."""

    async def run_until_stopped(self, listening: socket.socket, ready: Callable[[], None]) -> None:
        loop = asyncio.get_running_loop()
        for name in ("SIGINT", "SIGTERM", "SIGHUP"):
            number = getattr(signal, name, None)
            if number is not None:
                with contextlib.suppress(NotImplementedError):
                    loop.add_signal_handler(number, self._end)
        serving = asyncio.create_task(self.serve(sockets=[listening]))
        while not self.started and not serving.done():
            await asyncio.sleep(0.01)
        if self.started:
            ready()
        await serving

    def _end(self) -> None:
        self.should_exit = True
        # a question that the end cuts off is no fault to be told of
        logging.getLogger("uvicorn.error").setLevel(logging.CRITICAL)

    @contextlib.contextmanager
    def capture_signals(self):  # type: ignore[no-untyped-def]
        """Leave the signals alone."""
        yield


def _listen(host: str, port: int | None) -> socket.socket:
    family = socket.AF_INET6 if ":" in host else socket.AF_INET
    choices = (port,) if port is not None else (USUAL_PORT, 0)
    for chosen in choices:
        listening = socket.socket(family, socket.SOCK_STREAM)
        listening.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        try:
            listening.bind((host, chosen))
            listening.listen(128)
        except (OSError, OverflowError) as error:
            listening.close()
            reason = getattr(error, "strerror", None) or str(error)
            continue
        listening.setblocking(False)
        return listening
    raise InputError(
        "this address cannot be listened on",
        where="--host, --port",
        got=f"{host}, port {'not stated' if port is None else port}: {reason}",
        next_step="choose another port, or leave it out"
        if port is not None
        else "choose an address of this machine, or leave it out",
    )


def _names(host: str, port: int) -> frozenset[str]:
    names = {socket.gethostname(), host}
    if host in {"0.0.0.0", "::"}:  # noqa: S104 - what the user asked for, with a token
        with contextlib.suppress(OSError):
            names |= {str(info[4][0]) for info in socket.getaddrinfo(socket.gethostname(), None)}
    return frozenset(f"[{name}]:{port}" if ":" in name else f"{name}:{port}" for name in names)
