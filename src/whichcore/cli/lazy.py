"""Groups that know the names of their commands without importing them."""

from __future__ import annotations

import difflib
import sys
from collections.abc import Mapping
from importlib import import_module
from typing import Any

import click

from whichcore.cli.session import OutputClosed, Session, is_closed_pipe
from whichcore.errors import UsageError


class LazyGroup(click.Group):
    """A group whose commands live in modules of their own, imported on use.

    Parameters
    ----------
    name : str
    entries : mapping of str to (str, str)
        Name of a command: its module, whose attribute ``command`` it is, and its line in the list.
    """

    def __init__(self, name: str, entries: Mapping[str, tuple[str, str]], **more: Any) -> None:
        super().__init__(name, invoke_without_command=True, callback=_show_help, **more)
        self.entries = entries

    def list_commands(self, ctx: click.Context) -> list[str]:  # noqa: ARG002 - as click calls it
        """Return the names in the order of the list."""
        return list(self.entries)

    def get_command(
        self,
        ctx: click.Context,  # noqa: ARG002 - as click calls it
        cmd_name: str,
    ) -> click.Command | None:
        """Import a command; None for an unknown one."""
        if cmd_name not in self.entries:
            return None
        command: click.Command = import_module(self.entries[cmd_name][0]).command
        return command

    def format_commands(
        self,
        ctx: click.Context,  # noqa: ARG002 - as click calls it
        formatter: click.HelpFormatter,
    ) -> None:
        """List the commands from what the group knows, importing none."""
        with formatter.section("Commands"):
            formatter.write_dl([(name, line) for name, (_, line) in self.entries.items()])

    def resolve_command(
        self, ctx: click.Context, args: list[str]
    ) -> tuple[str | None, click.Command | None, list[str]]:
        """Find the command, or name the one that may have been meant."""
        name = args[0]
        if name not in self.entries and not name.startswith("-"):
            near = difflib.get_close_matches(name, self.entries, n=1)
            raise UsageError(
                "there is no such command",
                where=ctx.command_path,
                got=name,
                allowed=", ".join(self.entries),
                next_step=f"did you mean {near[0]}?" if near else f"see {ctx.command_path} --help",
            )
        found, command, rest = super().resolve_command(ctx, args)
        if command is not None:
            _refuse_twice(click.Context(command, info_name=found, parent=ctx), rest)
        return found, command, rest


class RootGroup(LazyGroup):
    """The group of all commands; every way out of it is an exit code of the contract."""

    def main(self, args: Any = None, *more: Any, **named: Any) -> Any:
        """Run the command line and leave with its exit code.

        Raises
        ------
        SystemExit
            Always.
        """
        words = sys.argv[1:] if args is None else list(args)
        session = Session(words)
        named |= {"standalone_mode": False, "obj": session}
        call = super().main
        raise SystemExit(session.run(lambda: call(words, *more, **named)))

    def invoke(self, ctx: click.Context) -> Any:
        """Run the command; an interrupt keeps to one line, a closed pipe to none."""
        try:
            return super().invoke(ctx)
        except (KeyboardInterrupt, EOFError) as error:
            # click would print an empty line of its own first
            raise click.Abort from error
        except OSError as error:
            # click would leave with a code of its own
            if is_closed_pipe(error):
                raise OutputClosed from error
            raise


def _refuse_twice(ctx: click.Context, args: list[str]) -> None:
    """Refuse an option of one value that was given twice: click would take the last in silence."""
    try:
        _, _, given = ctx.command.make_parser(ctx).parse_args(list(args))
    except click.UsageError as error:
        # click leaves out whose option lacks its value
        error.ctx = error.ctx or ctx
        raise
    single = [
        param for param in given if isinstance(param, click.Option) and not (param.multiple or param.is_flag)
    ]
    for place, param in enumerate(single):
        if param in single[:place]:
            raise UsageError(
                "this option may be given once",
                where=f"{ctx.command_path} {param.opts[-1]}",
                got="it twice or more often",
                next_step="leave all but one out",
            )


def _show_help() -> None:
    ctx = click.get_current_context()
    if ctx.invoked_subcommand is None:
        click.echo(ctx.get_help())
