"""The bench page's server as a process of its own, and a client that asks like a browser."""

import contextlib
import json
import os
import subprocess
import sys

import httpx
from websockets.sync.client import connect

ENTRY = "from whichcore.cli import main; main()"


@contextlib.contextmanager
def page_server(home, *words, port="0"):
    """Yield (address, process) of a server that keeps its data in ``home``."""
    process = subprocess.Popen(
        [sys.executable, "-c", ENTRY, "serve", "--no-open", "--json", "--port", port, *words],
        stdout=subprocess.PIPE,
        text=True,
        env={**os.environ, "WHICHCORE_HOME": str(home), "OPENBLAS_NUM_THREADS": "1"},
        cwd=home,
    )
    try:
        yield json.loads(process.stdout.readline())["address"], process
    finally:
        process.terminate()
        process.wait(timeout=60)
        process.stdout.close()


class Page:
    """One open page; each request has a connection of its own, closed after it."""

    def __init__(self, address, name="first"):
        self.address = address
        self._headers = {"Origin": address.rstrip("/"), "X-Page": name}

    def request(self, method, path, **more):
        return httpx.request(
            method,
            self.address.rstrip("/") + path,
            headers=self._headers,
            timeout=60,
            trust_env=False,
            **more,
        )

    def ask(self, call, **args):
        """Return the answer's result; the fields of its error where it is one."""
        answer = self.request("POST", f"/ask/{call}", json=args).json()
        return answer.get("result", answer.get("error"))


def live(address, name, before=""):
    """Open the line on which a page hears what goes on."""
    place = f"{address.replace('http', 'ws')}live?page={name}&before={before}"
    return connect(place, origin=address.rstrip("/"))


def hello(line):
    """Return what a page is told of the bench's work as it comes."""
    return json.loads(line.recv(timeout=30))["work"]
