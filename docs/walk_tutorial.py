"""Walk through docs/tutorial.md and other pages: save their files, run their commands, write the output in.

Run ``python docs/walk_tutorial.py`` after a change that alters what a command prints; a test compares the
pages with what the commands print. A walk takes place in a folder of its own, with a copy of the
demonstration's files.
"""

from __future__ import annotations

import os
import re
import shlex
import shutil
import subprocess
import tempfile
from collections.abc import Iterator
from contextlib import chdir
from dataclasses import dataclass
from pathlib import Path

from click.testing import CliRunner

from whichcore.cli.root import root

HERE = Path(__file__).resolve().parent
PAGE = HERE / "tutorial.md"
PAGES = (PAGE, HERE / "how-to" / "read-a-budget.md", HERE / "how-to" / "fit-a-model.md")
DEMO_BINS = Path("src") / "whichcore" / "demo_bins"
BLOCK = re.compile(r"(?:<!-- (?P<mark>[^>]+) -->\n)?```(?P<language>\w*)\n(?P<body>.*?)```\n", re.DOTALL)


@dataclass(frozen=True, slots=True)
class Step:
    """One fenced block of the page and, for an output block, what the commands before it print."""

    mark: str
    body: str
    start: int
    end: int
    printed: str = ""


def blocks(text: str) -> Iterator[Step]:
    """Yield the fenced blocks of a page; a comment in the line above a block is its mark."""
    for found in BLOCK.finditer(text):
        mark = found["mark"] or ("commands" if found["language"] == "sh" else "")
        yield Step(mark, found["body"], found.start("body"), found.end("body"))


def walk(folder: Path, page: Path = PAGE) -> Iterator[Step]:
    """Do what a page says in an empty folder; yield each output block with what was really printed.

    Raises
    ------
    ValueError
        A block that is neither a file, nor commands, nor output.
    RuntimeError
        A command failed.
    """
    shutil.copytree(HERE.parent / DEMO_BINS, folder / DEMO_BINS)
    last = ""
    for step in blocks(page.read_text(encoding="utf-8")):
        if step.mark.startswith("file: "):
            (folder / step.mark.removeprefix("file: ")).write_text(step.body, encoding="utf-8")
        elif step.mark == "commands":
            for line in step.body.splitlines():
                last = run(line, folder)
        elif step.mark == "output":
            yield Step(step.mark, step.body, step.start, step.end, printed=last)
        elif step.mark != "not run":
            raise ValueError(f"a block of {page.name} has no purpose: {step.body[:60]!r}")


def run(line: str, folder: Path) -> str:
    """Run one command line in a folder and return its standard output."""
    words = shlex.split(line)
    if words[0] != "whichcore":
        return subprocess.run(words, cwd=folder, check=True, capture_output=True, text=True).stdout  # noqa: S603
    runner = CliRunner(env={"WHICHCORE_HOME": str(folder / "home"), "COLUMNS": None})
    with chdir(folder):
        done = runner.invoke(root, words[1:])
    if done.exit_code != 0:
        raise RuntimeError(f"{line}\n{done.stderr}")
    return "\n".join(row.rstrip() for row in done.stdout.splitlines()) + "\n"


def without_place(printed: str) -> str:
    """Take away where the clone lies, and the line break that a long path brings."""
    return re.sub(
        rf"(\n *)?{re.escape(str(HERE.parent) + os.sep)}", lambda found: " " * bool(found[1]), printed
    )


def main() -> None:
    """Write what the commands print into the output blocks of every page."""
    for page in PAGES:
        text = page.read_text(encoding="utf-8")
        with tempfile.TemporaryDirectory() as place:
            steps = list(walk(Path(place), page))
        for step in reversed(steps):
            text = text[: step.start] + without_place(step.printed) + text[step.end :]
        page.write_text(text, encoding="utf-8", newline="\n")


if __name__ == "__main__":
    main()
