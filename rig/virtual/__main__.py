"""The virtual bench as a process of its own.

Prints one JSON line with the addresses when it is ready, does what each line of standard input asks for and
answers with a line, and ends when standard input closes.
"""

from __future__ import annotations

import json
import signal
import sys
import threading
from pathlib import Path

import click

from whichcore.analysis.types import Wiring
from whichcore.errors import InputError
from whichcore.rig.virtual.bench import Bench, Hands
from whichcore.rig.virtual.cores import Core, cores, read_cores
from whichcore.rig.virtual.dialects import DIGITIZERS, SOURCES, USUAL_DIGITIZER, USUAL_SOURCE
from whichcore.rig.virtual.front import LINES, line_of
from whichcore.rig.virtual.hands import Operator
from whichcore.rig.virtual.scpi import Instrument


@click.command()
@click.option("--wiring", type=click.Choice([w.value for w in Wiring]), default=Wiring.SHUNT_AT_GROUND.value)
@click.option("--seed", type=int, default=None, help="Of noise and phases.")
@click.option(
    "--cores",
    "more",
    metavar="FILE",
    multiple=True,
    help="More cores for the shelf, in the form of cores.toml. Can be given again.",
)
@click.option(
    "--source",
    type=click.Choice(list(SOURCES)),
    default=USUAL_SOURCE,
    help="Language of the source, by the name of the command table that speaks it.",
)
@click.option(
    "--digitizer", type=click.Choice(list(DIGITIZERS)), default=USUAL_DIGITIZER, help="Of the digitizer."
)
@click.option("--source-line", type=click.Choice(list(LINES)), default=None, help="Where the source hangs.")
@click.option(
    "--digitizer-line", type=click.Choice(list(LINES)), default=None, help="Where the digitizer hangs."
)
def main(wiring: str, seed: int | None, more: tuple[str, ...], **said: str | None) -> None:
    """Serve a virtual source and digitizer on free ports of this machine."""
    bench = Bench(Hands(wiring=Wiring(wiring)), seed)
    instruments: dict[str, Instrument] = {
        "source": SOURCES[said["source"] or USUAL_SOURCE](bench),
        "digitizer": DIGITIZERS[said["digitizer"] or USUAL_DIGITIZER](bench),
    }
    try:
        shelf = _shelf(more)
        servers = {
            name: LINES[line_of(said[name] or "", said[f"{name}_line"])](instrument)
            for name, instrument in instruments.items()
        }
    except InputError as error:
        sys.stderr.write(f"virtual bench: {error.one_line()}\n")
        sys.exit(error.exit_code)
    # Ctrl-C goes to every process of a terminal; whoever started the bench still has to switch it off
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    for server in servers.values():
        threading.Thread(target=server.serve_forever, daemon=True).start()
    ready = {"ready": True, **{name: server.address for name, server in servers.items()}}
    ready |= {f"{name}_table": said[name] for name in servers}
    _say(json.dumps(ready))
    operator = Operator(bench, instruments, shelf)
    for line in sys.stdin:
        if line.strip():
            _say(operator.answer(line))
    bench.closing.set()
    for server in servers.values():
        server.shutdown()
        server.server_close()


def _shelf(more: tuple[str, ...]) -> dict[str, Core]:
    """Return the workshop's cores and those of the files; raises InputError, also for an id in two files."""
    shelf = dict(cores())
    for name in more:
        found = read_cores(Path(name))
        twice = sorted(set(found) & set(shelf))
        if twice:
            raise InputError("an id stands in two files of cores", where=name, got=", ".join(twice))
        shelf |= found
    return shelf


def _say(line: str) -> None:
    sys.stdout.write(line + "\n")
    sys.stdout.flush()


if __name__ == "__main__":
    main()
