"""``whichcore library screening``."""

from __future__ import annotations

import csv
import io
from collections.abc import Sequence
from dataclasses import fields

import click

from whichcore.cli.options import reporting
from whichcore.cli.session import Session
from whichcore.cli.show import Grid, Lines, page
from whichcore.errors import UsageError
from whichcore.open_collection import ScreeningRow, screening_report
from whichcore.wording import in_percent, quantity

FORMAT = "whichcore-screening/1"


@click.command()
@click.option("--csv", "as_csv", is_flag=True, help="Print the table as CSV.")
@reporting
@click.pass_obj
def command(session: Session, /, as_csv: bool) -> None:
    """Say which curves of the open collection were accepted, which refused, and why.

    The collection is an optional part of the installation; nothing of it is used unless it passed.
    """
    if as_csv and session.json:
        raise UsageError(
            "one table has one format", where="whichcore library screening", got="--csv and --json"
        )
    rows = screening_report()
    if as_csv:
        click.echo(_csv(rows), nl=False)
        return
    session.deliver(lambda: {"format": FORMAT, "curves": [_record(row) for row in rows]}, lambda: _text(rows))


def _record(row: ScreeningRow) -> dict[str, object]:
    found = {field.name: getattr(row, field.name) for field in fields(row)}
    found["class"] = found.pop("material_class").value
    return {"accepted": row.reason is None, **found}


def _csv(rows: Sequence[ScreeningRow]) -> str:
    out = io.StringIO()
    records = [_record(row) for row in rows]
    writer = csv.DictWriter(out, list(records[0]), lineterminator="\n")
    writer.writeheader()
    writer.writerows(records)
    return out.getvalue()


def _text(rows: Sequence[ScreeningRow]) -> str:
    accepted = sum(row.reason is None for row in rows)
    table = tuple(
        (row.id, row.family, row.material_class.value, _span(row), _residual(row), row.reason or "accepted")
        for row in rows
    )
    heads = ("id", "family", "class", "span", "residual", "outcome")
    return page(
        [
            Grid(heads, table, frozenset({"residual"})),
            Lines(
                (
                    f"{accepted} of {len(rows)} curves accepted.",
                    "residual: relative misfit to a causal curve, rms. Details with --csv or --json.",
                )
            ),
        ]
    )


def _span(row: ScreeningRow) -> str:
    if row.low_hz is None or row.high_hz is None:
        return ""
    return f"{quantity(row.low_hz, 'Hz')} to {quantity(row.high_hz, 'Hz')}"


def _residual(row: ScreeningRow) -> str:
    return "" if row.residual_rms is None else in_percent(row.residual_rms)
