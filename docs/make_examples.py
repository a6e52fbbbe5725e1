"""Make the walked examples: cut their data, draw their pictures, write in what the commands print.

Run ``python docs/make_examples.py`` after a change of the identification, of what ``identify`` prints or of
the pictures. A test compares pages and pictures with what the program says. The data are those of the
invented workshop; the one sweep made here is one of the demonstration's, ended where a slow bench would.
"""

from __future__ import annotations

import importlib.util
import sys
import tempfile
import warnings
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from types import ModuleType
from typing import Any

from whichcore import figures
from whichcore.errors import WhichcoreWarning
from whichcore.libraries import library_for
from whichcore.workflow import (
    Identification,
    Request,
    demo_folder,
    demo_library,
    identify_files,
)

HERE = Path(__file__).resolve().parent
EXAMPLES = HERE / "examples"
SLOW_BENCH = EXAMPLES / "bin-b-to-100-khz.csv"
SLOW_BENCH_HZ = 100e3


@dataclass(frozen=True, slots=True)
class Example:
    """A page: its picture, and what is identified for it; files of the demonstration unless told."""

    page: str
    picture: str
    title: str
    specimen: str
    sweep: Path | None = None
    readings: tuple[str, ...] = ()
    surface_resistance: str | None = None

    def identify(self) -> Identification:
        """Identify what the page is about."""
        folder = demo_folder()
        request = Request(
            folder / self.specimen,
            None if self.sweep is None else folder / self.sweep,
            self.readings,
            self.surface_resistance,
        )
        with warnings.catch_warnings():
            # the command says these on the error stream
            warnings.simplefilter("ignore", WhichcoreWarning)
            return identify_files(request, library_for([str(demo_library()), "shipped"]))


EXAMPLES_SHOWN = (
    Example("clear", "decision", "Bin B, swept to 3 MHz", "bin-b.toml", Path("bin-b.csv")),
    Example("equivalents", "decision", "Bin B, swept to 100 kHz", "bin-b.toml", SLOW_BENCH),
    Example("none-of-these", "decision", "Bin F", "bin-f.toml", Path("bin-f.csv")),
    Example("cracked", "gap-invariant", "Bin D", "bin-d.toml", Path("bin-d.csv")),
    Example(
        "resistance-against-curve", "decision", "Bin A, probed on the solder", "bin-a.toml",
        Path("bin-a.csv"), (), "3 ohm",
    ),
    Example(
        "single-reading", "candidates", "Bin G, one reading", "bin-g.toml", None,
        ("220.9 uH ± 2.2 uH @ 10 kHz",),
    ),
)  # fmt: skip


def slow_bench_sweep() -> str:
    """Return the sweep of bin B as a bench that ends at 100 kHz would have written it."""
    kept = []
    for line in (demo_folder() / "bin-b.csv").read_text(encoding="utf-8").splitlines():
        number = line.split(",")[0]
        if not number[:1].isdigit() or float(number) <= SLOW_BENCH_HZ:
            kept.append(line)
    return "\n".join(kept) + "\n"


def draw(example: Example, folder: Path) -> list[Path]:
    """Draw the picture of a page for a light and for a dark page."""
    case = example.identify()
    written = []
    for suffix, dark in (("", False), ("-dark", True)):
        figure = _figure(example.picture, case, example.title, dark)
        written += figures.save(figure, folder / f"{example.page}{suffix}", ("svg",))
    return written


def _figure(name: str, case: Identification, title: str, dark: bool) -> Any:
    drawing = {
        "decision": figures.decision_figure,
        "gap-invariant": figures.gap_invariant_figure,
        "candidates": figures.candidates_figure,
    }[name]
    return drawing(case.verdict, case.names, title, dark=dark)


def printed(example: Example) -> Iterator[Any]:
    """Do what a page says; yield its output blocks with what was really printed."""
    walk = _walk()
    with tempfile.TemporaryDirectory() as place:
        data = Path(place) / "docs" / "examples"
        data.mkdir(parents=True)
        (data / SLOW_BENCH.name).write_text(slow_bench_sweep(), encoding="utf-8", newline="\n")
        yield from list(walk.walk(Path(place), EXAMPLES / f"{example.page}.md"))


def _walk() -> ModuleType:
    name = "walk_tutorial"
    if name not in sys.modules:
        spec = importlib.util.spec_from_file_location(name, HERE / f"{name}.py")
        if spec is None or spec.loader is None:
            raise FileNotFoundError(name)
        sys.modules[name] = importlib.util.module_from_spec(spec)
        spec.loader.exec_module(sys.modules[name])
    return sys.modules[name]


def main() -> None:
    """Write the data, the pictures and the outputs of all pages."""
    SLOW_BENCH.write_text(slow_bench_sweep(), encoding="utf-8", newline="\n")
    for example in EXAMPLES_SHOWN:
        draw(example, EXAMPLES)
        page = EXAMPLES / f"{example.page}.md"
        text = page.read_text(encoding="utf-8")
        for step in reversed(list(printed(example))):
            text = text[: step.start] + _walk().without_place(step.printed) + text[step.end :]
        page.write_text(text, encoding="utf-8", newline="\n")


if __name__ == "__main__":
    main()
