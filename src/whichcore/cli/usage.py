"""A command called wrongly, told like every other error."""

from __future__ import annotations

import click

from whichcore.errors import UsageError


def usage_error(error: click.ClickException) -> UsageError:
    """Turn an error of the parser into one of ours.

    Parameters
    ----------
    error : click.ClickException
    """
    context = getattr(error, "ctx", None)
    command = context.command_path if context is not None else "whichcore"
    step = f"see {command} --help"
    if isinstance(error, click.NoSuchOption):
        nearest = ", ".join(error.possibilities or ())
        step = f"did you mean {nearest}? {step}" if nearest else step
        return UsageError("there is no such option", where=command, got=error.option_name, next_step=step)
    if isinstance(error, click.MissingParameter):
        return UsageError("something needed is missing", where=command, allowed=_name(error), next_step=step)
    if isinstance(error, click.BadParameter):
        where = f"{command} {_name(error)}".rstrip()
        return UsageError(_plain(error), where=where, next_step=step)
    return UsageError(_plain(error), where=command, next_step=step)


def _name(error: click.BadParameter) -> str:
    if error.param is None:
        return str(error.param_hint or "")
    if isinstance(error.param, click.Option):
        return error.param.opts[-1]
    return error.param.make_metavar(error.ctx) if error.ctx is not None else str(error.param.name)


def _plain(error: click.ClickException) -> str:
    text = " ".join(error.message.split()).rstrip(".")
    return f"{text[:1].lower()}{text[1:]}" if text else "the command was called wrongly"
