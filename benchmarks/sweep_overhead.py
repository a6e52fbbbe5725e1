"""What the sweep costs beyond its own commands, and reading a record beyond its own bytes.

Run ``python benchmarks/sweep_overhead.py``. Two ratios are gates, each the median of nine:

- a sweep on the virtual bench (record times and waits included) over a bare script that sends the very same
  commands, waits as long for records and for the source to settle, and analyses nothing: at most 1.15;
- a record of one million points of two channels, through the driver, over the same bytes through a bare
  socket: at most 2.

The bare script is a recording of what the sweep sent, so both wait the same: for a record from its start, for
the source from when it was told, whatever is done meanwhile. The processor time of both is
printed beside them: on a busy machine the waits stretch by chance, the processor time hardly.
"""

from __future__ import annotations

import argparse
import platform
import socket
import statistics
import sys
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager
from typing import Any, BinaryIO
from unittest.mock import patch

import numpy as np

from whichcore.analysis.types import Wiring
from whichcore.rig.drivers.scpi_digitizer import ScpiDigitizer
from whichcore.rig.drivers.scpi_source import ScpiSource
from whichcore.rig.instruments import Bench
from whichcore.rig.lines.block import BlockFormat
from whichcore.rig.lines.link import Link, LinkSettings
from whichcore.rig.sweep.level import DriveRule
from whichcore.rig.sweep.plan import SweepPlan, log_grid
from whichcore.rig.sweep.run import sweep
from whichcore.rig.sweep.settling import Settling
from whichcore.rig.tables.command_table import load_table
from whichcore.rig.virtual.process import VirtualBench

RUNS = 9
SWEEP_GATE, BLOCK_GATE = 1.15, 2.0
POINTS = 1_000_000
SETTLE_S = 0.02  # as the example of docs/reference/bench-file.md waits
Step = tuple[str, str, str, int]


class Recorder:
    """Notes every message of every link, and every wait, in the order they come."""

    def __init__(self) -> None:
        self.steps: list[Step] = []

    @contextmanager
    def listening(self) -> Iterator[threading.Event]:
        """Listen to all links; the event handed out notes the waits on it."""
        steps, settling_now = self.steps, [False]

        class Waits(threading.Event):
            def wait(self, timeout: float | None = None) -> bool:
                if not settling_now[0]:  # of that one the commands before it leave what they leave
                    steps.append(("wait", "", repr(timeout), 0))
                return super().wait(timeout)

        def sent(name: str) -> Callable[..., Any]:
            original = getattr(Link, name)

            def method(link: Link, message: str, *more: Any) -> Any:
                steps.append((name, link.address, message, more[1] if name == "ask_block" else 0))
                return original(link, message, *more)

            return method

        def settling(kind: str, original: Callable[..., None]) -> Callable[..., None]:
            def method(source: Settling, *seconds: float) -> None:
                steps.append((kind, "", repr(*seconds) if seconds else "", 0))
                settling_now[0] = True
                original(source, *seconds)
                settling_now[0] = False

            return method

        with ExitStack() as patches:
            for name in ("write", "ask", "ask_block"):
                patches.enter_context(patch.object(Link, name, sent(name)))
            patches.enter_context(patch.object(Settling, "begin", settling("settle", Settling.begin)))
            patches.enter_context(patch.object(Settling, "wait", settling("settled", Settling.wait)))
            yield Waits()


def bare(steps: list[Step]) -> float:
    """Send the same again over plain sockets and return the time it takes, s."""
    lines: dict[str, Any] = {}
    for _, address, _, _ in steps:
        if address and address not in lines:
            host, port = address.split("::")[1:3]
            line = socket.create_connection((host, int(port)))
            line.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
            lines[address] = (line, line.makefile("rb"))
    begun = time.perf_counter()
    settled = begun
    for kind, address, message, size in steps:
        if kind == "wait":
            time.sleep(float(message))
        elif kind == "settle":
            settled = max(settled, time.perf_counter() + float(message))
        elif kind == "settled":
            time.sleep(max(settled - time.perf_counter(), 0.0))
        else:
            _send(*lines[address], kind, message, size)
    taken = time.perf_counter() - begun
    for line, reader in lines.values():
        reader.close()
        line.close()
    return taken


def _send(line: socket.socket, reader: BinaryIO, kind: str, message: str, size: int) -> None:
    line.sendall(f"{message}\n".encode())
    if kind == "ask":
        reader.readline()
    elif kind == "ask_block":
        reader.read(len(f"#{len(str(size))}{size}") + size + 1)


def sweep_ratio(points_per_decade: int, runs: int) -> tuple[float, float, float, float]:
    """Return the median ratio, both median times, and the processor time beyond that of the bare, s."""
    grid = log_grid(1e3, 3e6, points_per_decade)
    plan = SweepPlan(grid, DriveRule(1.0), target_relative=3e-4, settle_s=SETTLE_S)
    ours, theirs, busy = [], [], []
    with VirtualBench(seed=1) as virtual:
        virtual.do(fit="resistor")
        for _ in range(runs + 1):
            recorder = Recorder()
            source = ScpiSource(load_table("scpi-source"), virtual.source)
            digitizer = ScpiDigitizer(load_table("scpi-digitizer"), virtual.digitizer)
            bench = Bench(source, digitizer, Wiring.SHUNT_AT_GROUND, 10.0)
            with recorder.listening() as cancel:
                begun, idle = time.perf_counter(), time.process_time()
                for _event in sweep(plan, bench, cancel):
                    pass
                ours.append(time.perf_counter() - begun)
            busy.append(time.process_time() - idle)
            source.close()
            digitizer.close()
            idle = time.process_time()
            theirs.append(bare(recorder.steps))
            busy[-1] -= time.process_time() - idle
    # the first run imports and warms up
    ratios = [a / b for a, b in zip(ours[1:], theirs[1:], strict=True)]
    middle = statistics.median
    return middle(ratios), middle(ours[1:]), middle(theirs[1:]), middle(busy[1:])


def block_ratio(runs: int) -> tuple[float, float, float]:
    """Return the median ratio and both median times, s, for two blocks of a million bytes."""
    payload = np.random.default_rng(1).integers(-128, 128, POINTS, dtype=np.int8).tobytes()
    message = f"#{len(str(POINTS))}{POINTS}".encode() + payload + b"\n"
    with socket.create_server(("127.0.0.1", 0)) as listener:
        threading.Thread(target=_serve, args=(listener, message), daemon=True).start()
        port = listener.getsockname()[1]
        link = Link(f"TCPIP::127.0.0.1::{port}::SOCKET", LinkSettings())
        link.open()
        plain = socket.create_connection(("127.0.0.1", port))
        ours = [_timed(lambda: link.ask_block("DATA?", BlockFormat(), POINTS)) for _ in range(runs + 1)]
        theirs = [_timed(lambda: _raw(plain, len(message))) for _ in range(runs + 1)]
        link.close()
        plain.close()
    a, b = statistics.median(ours[1:]), statistics.median(theirs[1:])
    return a / b, a, b


def _serve(listener: socket.socket, message: bytes) -> None:
    def talk(connection: socket.socket) -> None:
        with connection, connection.makefile("rb") as lines:
            while lines.readline():
                connection.sendall(message)

    for _ in range(2):
        connection, _ = listener.accept()
        threading.Thread(target=talk, args=(connection,), daemon=True).start()


def _raw(line: socket.socket, size: int) -> None:
    line.sendall(b"DATA?\n")
    data = bytearray(size)
    view, got = memoryview(data), 0
    while got < size:
        got += line.recv_into(view[got:])


def _timed(action: Callable[[], object]) -> float:
    begun = time.perf_counter()
    for _ in range(2):
        action()
    return time.perf_counter() - begun


def main() -> int:
    """Print both ratios; the exit code is 1 when a gate does not hold."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--quick", action="store_true", help="one run of a coarse sweep: a smoke test")
    quick = parser.parse_args().quick
    runs = 1 if quick else RUNS
    print(f"{platform.machine()}, {platform.system()}, Python {platform.python_version()}, median of {runs}")
    ratio, ours, theirs, busy = sweep_ratio(2 if quick else 10, runs)
    print(f"sweep {ours:.3f} s, its bare commands {theirs:.3f} s: ratio {ratio:.3f} (at most {SWEEP_GATE})")
    print(f"processor time beyond that of the bare commands {busy * 1e3:.0f} ms")
    block, mine, plain = block_ratio(runs)
    times = f"{mine * 1e3:.2f} ms, bare bytes {plain * 1e3:.2f} ms"
    print(f"2 × 1 Mpt {times}: ratio {block:.2f} (at most {BLOCK_GATE})")
    return int(ratio > SWEEP_GATE or block > BLOCK_GATE)


if __name__ == "__main__":
    sys.exit(main())
