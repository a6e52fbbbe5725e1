"""A peer over a real socket that answers exactly what its script says, and tells what was left over."""

import socket
import threading
from collections import namedtuple
from contextlib import suppress
from dataclasses import replace

from whichcore.rig.lines.link import LinkSettings

CLOSE = object()
SILENCE = object()
Late = namedtuple("Late", "after_s, reply")


def quick(table):
    """Return a table that does not wait for what will not come; its ends of messages stay."""
    link = table.link
    short = LinkSettings(
        link.write_terminator,
        link.read_terminator,
        timeout_s=0.3,
        block_timeout_s=0.5,
        baud_rate=link.baud_rate,
    )
    return replace(table, link=short, settle_s=0.0)


class ScriptServer:
    """Answers exactly the commands of its script, one connection after the other.

    A script is a list of (command, reply); a reply of None sends nothing, CLOSE hangs up, SILENCE says
    nothing and keeps the line, bytes are sent as they are. Each script is for one connection.
    """

    def __init__(self, *connections):
        self.left = [list(script) for script in connections]
        self.faults = []
        self._listener = socket.create_server(("127.0.0.1", 0))
        self.address = f"TCPIP::127.0.0.1::{self._listener.getsockname()[1]}::SOCKET"
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._serve, daemon=True)
        self._thread.start()

    def _serve(self):
        for script in self.left:
            try:
                connection, _ = self._listener.accept()
            except OSError:
                return
            with connection, connection.makefile("rb") as lines, suppress(ConnectionError):
                self._talk(script, connection, lines)

    def _talk(self, script, connection, lines):
        while line := lines.readline():
            command = line.decode().rstrip("\n")
            if not script or script[0][0] != command:
                self.faults.append((command, script[:1]))
                return
            _, reply = script.pop(0)
            if reply is CLOSE:
                connection.shutdown(socket.SHUT_RDWR)
                return
            if reply is SILENCE:
                self._stop.wait(5)
                return
            if isinstance(reply, Late):
                self._stop.wait(reply.after_s)
                reply = reply.reply
            if reply is not None:
                connection.sendall(reply if isinstance(reply, bytes) else f"{reply}\n".encode())
                if isinstance(reply, bytes) and reply.endswith(b"HANGUP"):
                    return

    def finish(self):
        """Fail unless every exchange has taken place."""
        self._stop.set()
        self._listener.close()
        self._thread.join(60)
        assert self.faults == []
        assert [len(script) for script in self.left] == [0] * len(self.left), self.left


class Peer:
    """Answers by what is asked, in any order: a text, bytes, or a callable given how often it was asked.

    What has no answer is taken in silence. ``said`` is everything that came.
    """

    def __init__(self, answers):
        self.answers, self.said = dict(answers), []
        self._listener = socket.create_server(("127.0.0.1", 0))
        self.address = f"TCPIP::127.0.0.1::{self._listener.getsockname()[1]}::SOCKET"
        self._thread = threading.Thread(target=self._serve, daemon=True)
        self._thread.start()

    def _serve(self):
        while True:
            try:
                connection, _ = self._listener.accept()
            except OSError:
                return
            with connection, connection.makefile("rb") as lines, suppress(ConnectionError):
                while line := lines.readline():
                    self._answer(connection, line.decode().rstrip("\n"))

    def _answer(self, connection, command):
        self.said.append(command)
        reply = self.answers.get(command)
        if callable(reply):
            reply = reply(self.said.count(command))
        if reply is not None:
            connection.sendall(reply if isinstance(reply, bytes) else f"{reply}\n".encode())

    def close(self):
        """Take no more connections."""
        self._listener.close()
