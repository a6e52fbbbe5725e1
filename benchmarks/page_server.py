"""The page's server against a bare Starlette application: resident memory and time to the first answer.

Both run under the same server library, each in a process of its own, started in turn. Gates: 2 times, each.

"""

from __future__ import annotations

import json
import os
import statistics
import subprocess
import sys
import tempfile
import time
import urllib.request
from pathlib import Path

LARGEST_RATIO = 2.0
REPEATS = 5
BARE = """
import json, socket, sys
import uvicorn
from starlette.applications import Starlette
from starlette.responses import PlainTextResponse
from starlette.routing import Route
app = Starlette(routes=[Route("/", lambda request: PlainTextResponse("here"))])
listening = socket.socket()
listening.bind(("127.0.0.1", 0))
listening.listen()
config = uvicorn.Config(app, log_level="error", access_log=False, ws="websockets-sansio")
print(json.dumps({"address": f"http://127.0.0.1:{listening.getsockname()[1]}/"}), flush=True)
uvicorn.Server(config).run(sockets=[listening])
"""
OURS = "from whichcore.cli import main; main()"


def started(words: list[str], home: str) -> tuple[float, float]:
    """Return seconds to the first answer, and the resident memory after it, MB."""
    begin = time.perf_counter()
    environment = {**os.environ, "WHICHCORE_HOME": home}
    with subprocess.Popen(
        [sys.executable, "-c", *words], stdout=subprocess.PIPE, text=True, env=environment
    ) as process:
        if process.stdout is None:  # pragma: no cover - asked for above
            raise RuntimeError("no output")
        address = json.loads(process.stdout.readline())["address"]
        with urllib.request.urlopen(address, timeout=30) as answer:  # noqa: S310 - our own server
            answer.read()
        seconds = time.perf_counter() - begin
        status = Path(f"/proc/{process.pid}/status").read_text(encoding="ascii")
        resident = next(line for line in status.splitlines() if line.startswith("VmRSS"))
        process.terminate()
    return seconds, int(resident.split()[1]) / 1024


def main() -> int:
    """Print both, and 1 where a ratio is beyond its gate."""
    found: dict[str, list[tuple[float, float]]] = {"bare": [], "page": []}
    with tempfile.TemporaryDirectory() as home:
        for _ in range(REPEATS):
            found["bare"].append(started([BARE], home))
            found["page"].append(started([OURS, "serve", "--no-open", "--json", "--port", "0"], home))
    worst = 0.0
    for place, what, unit in ((0, "first answer", "s"), (1, "resident memory", "MB")):
        bare, page = (statistics.median(run[place] for run in found[name]) for name in ("bare", "page"))
        worst = max(worst, page / bare)
        print(f"{what}: bare {bare:.2f} {unit}, page {page:.2f} {unit}, ratio {page / bare:.2f}")
    print(f"worst ratio {worst:.2f}, allowed {LARGEST_RATIO:g}")
    return int(worst > LARGEST_RATIO)


if __name__ == "__main__":
    sys.exit(main())
