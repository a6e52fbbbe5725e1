"""What the commands at the bench share: options, hands, progress."""

from __future__ import annotations

import sys
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import Any, TypeVar

import click
from rich.console import Console
from rich.progress import BarColumn, Progress, TaskID, TextColumn, TimeElapsedColumn

from whichcore.analysis.specimen import Specimen
from whichcore.bench import BenchSettings, OpenBench, load_bench, open_bench
from whichcore.cli import interrupt
from whichcore.errors import Cancelled, UsageError
from whichcore.files import Dimension, parse_prefixed
from whichcore.measure.hands import CAUTION, what_to_fit
from whichcore.rig.instruments import Operator
from whichcore.rig.virtual.cores import core as core_on_the_bench

F = TypeVar("F", bound=Callable[..., Any])

bench_option = click.option(
    "--bench",
    "bench_file",
    metavar="FILE",
    help="Bench file, or the word virtual for the bench inside the program. Without it: WHICHCORE_BENCH, "
    "./bench.toml, or that in your configuration folder.",
)
core_option = click.option(
    "--core",
    metavar="NAME",
    help="On the virtual bench: the core that its hands wind and fit, such as bin-h "
    "(docs/reference/virtual-bench.md); the turns are those of the specimen file.",
)


def band_options(defaults: bool) -> Callable[[F], F]:
    """Add ``--from``, ``--to`` and ``--points-per-decade``; without defaults they narrow what there is."""
    start, stop, points = ("1k", "3M", 12) if defaults else (None, None, None)

    def decorate(function: F) -> F:
        for option in (
            click.option(
                "--points-per-decade", type=click.IntRange(1, 200), default=points, show_default=defaults,
                metavar="N", help="How dense the frequencies are, in equal ratios.",
            ),
            click.option(
                "--to", "to_text", metavar="FREQUENCY", default=stop, show_default=defaults,
                help="Highest frequency, such as 3M or 3MHz.",
            ),
            click.option(
                "--from", "from_text", metavar="FREQUENCY", default=start, show_default=defaults,
                help="Lowest frequency, such as 1k or 1kHz.",
            ),
        ):  # fmt: skip
            function = option(function)
        return function

    return decorate


def hertz(text: str | None, option: str) -> float | None:
    """Read a frequency; raises InputError."""
    return None if text is None else parse_prefixed(text, Dimension.FREQUENCY, where=option)


class TerminalOperator:
    """Asks the person at the terminal."""

    def __init__(self) -> None:
        self._warned = False

    def fit(self, name: str) -> None:
        """Wait until the person says that a fixture is in place; raises Cancelled where nobody answers."""
        if not self._warned:
            click.echo(CAUTION, err=True)
            self._warned = True
        click.echo(f"Now {what_to_fit(name)}, then press Enter.", err=True)
        with interrupt.at_once():
            line = sys.stdin.readline()
        if not line:
            raise Cancelled(
                "nobody is there to fit it",
                where=name,
                got="the end of the input",
                next_step="run it from a terminal, and press Enter when it is in place",
            )


def fit_core(opened: OpenBench, specimen: Specimen, core: str | None) -> None:
    """Let the hands of the virtual bench wind and fit a core; a person has fitted one already.

    Raises
    ------
    UsageError
        A core named on another bench, or none on the virtual one.
    InputError
        The virtual bench has no core of this name.
    """
    if opened.virtual is None:
        if core is not None:
            raise UsageError("only the virtual bench has hands", where="--core", got=core)
        return
    if core is None:
        raise UsageError(
            "the virtual bench has to be told what to fit",
            where="--core",
            allowed="--core bin-h and its like",
            next_step="see docs/reference/virtual-bench.md",
        )
    core_on_the_bench(core)  # a name nobody knows is refused before the bench is asked
    winding: dict[str, Any] = {"turns": specimen.winding.turns}
    if specimen.winding.secondary_turns is not None:
        winding["secondary_turns"] = specimen.winding.secondary_turns
    opened.virtual.fit("core", core=core, **winding)


@contextmanager
def at_bench(bench_file: str | None) -> Iterator[tuple[BenchSettings, OpenBench, Operator, threading.Event]]:
    """Open the bench; inside, the first wish to stop sets the event."""
    settings = load_bench(bench_file)
    cancel = threading.Event()
    with open_bench(settings) as opened, interrupt.gently(cancel):
        yield settings, opened, opened.operator or TerminalOperator(), cancel


class Bar:
    """A bar of progress on stderr, for a terminal alone."""

    def __init__(self) -> None:
        columns = (TextColumn("{task.description}", markup=False), BarColumn(), TimeElapsedColumn())
        self._progress = Progress(
            *columns, console=Console(stderr=True), transient=True, disable=not sys.stderr.isatty()
        )
        self._task: TaskID | None = None

    def __enter__(self) -> Bar:
        self._progress.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._progress.stop()

    def show(self, text: str, share: float) -> None:
        """Show how far it is."""
        if self._task is None:
            self._task = self._progress.add_task(text, total=1.0)
        self._progress.update(self._task, description=text, completed=share)
