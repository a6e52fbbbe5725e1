"""Write docs/reference/commands.md from the help texts of the command line.

Run it after a change of a command; a test compares the file with what this prints.
"""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import click

from whichcore.cli.root import root

TARGET = Path(__file__).resolve().parent / "reference" / "commands.md"
WIDTH = 92
HEAD = """# Commands

This page is made from the help texts by `docs/make_command_reference.py`; change the help, not this page.

Results go to standard output; warnings, progress and errors go to standard error. An error is one line that
says what is wrong, where, what was given, what is allowed and what to do next. With `--json` the result is
one JSON object with every warning in its `warnings`, and an error is
`{"error": {"code", "what", "where", "got", "allowed", "next"}}`.

| exit code | meaning |
|---|---|
| 0 | done, whatever the verdict; also when the reader of the output stops reading |
| 2 | called wrongly |
| 3 | a file or a value is wrong, or the data cannot carry the answer |
| 4 | instrument |
| 5 | calibration missing, unfit or refused |
| 6 | records |
| 70 | a fault of the program |
| 130 | stopped by Ctrl-C, SIGTERM or SIGHUP |

`WHICHCORE_HOME` moves the folder of what the program keeps for you, your own library among it.
"""


def contexts(command: click.Command, parent: click.Context | None = None) -> Iterator[click.Context]:
    """Yield the context of a command and of every command below it."""
    settings = {**command.context_settings, "terminal_width": WIDTH}
    context = click.Context(command, parent=parent, info_name=command.name, **settings)
    yield context
    if isinstance(command, click.Group):
        for name in command.list_commands(context):
            below = command.get_command(context, name)
            assert below is not None, name  # noqa: S101
            below.name = name
            yield from contexts(below, context)


def text() -> str:
    """Return the whole page."""
    parts = [HEAD]
    for context in contexts(root):
        body = context.get_help().rstrip()
        parts.append(f"\n## {context.command_path}\n\n```text\n{body}\n```\n")
    return "".join(parts)


if __name__ == "__main__":
    TARGET.write_text(text(), encoding="utf-8")
