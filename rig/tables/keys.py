"""Which key of a command table a message comes from."""

from __future__ import annotations

from collections.abc import Iterator

from whichcore.rig.tables.command_table import CommandTable, DigitizerTable, SourceTable
from whichcore.rig.tables.template import Query, Template


def key_of(table: CommandTable, template: Template | None) -> str:
    """Return the dotted key under which a template stands; empty where it is in no table."""
    for key, item in _all(table):
        if item is template and template is not None:
            return key
    return ""


def _all(table: CommandTable) -> Iterator[tuple[str, Template | None]]:
    for name, templates in table.actions.items():
        for template in templates:
            yield (name if "." in name else f"actions.{name}"), template
    for name, query in table.queries.items():
        yield f"queries.{name}", query.ask
    if table.errors is not None:
        yield "errors.ask", table.errors.ask
        yield "errors.first", table.errors.first
    if isinstance(table, SourceTable) and table.load_check is not None:
        yield "load.confirm", table.load_check.ask
    if isinstance(table, DigitizerTable):
        yield from _of_digitizer(table)


def _of_digitizer(table: DigitizerTable) -> Iterator[tuple[str, Template | None]]:
    for key, item in table.scaling.items():
        if isinstance(item, Query):
            yield f"scaling.{key}", item.ask
    form = table.waveform
    if form is None:
        return
    yield "waveform.ask", form.ask
    for name, templates in (("select", form.select), ("window", form.window)):
        for template in templates:
            yield f"waveform.{name}", template
    for key, query in form.check.items():
        yield f"record.{key}", query.ask
    if isinstance(form.step, Query):
        yield "waveform.step_codes", form.step.ask
