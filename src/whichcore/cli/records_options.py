"""What the commands on records share."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, TypeVar

import click

from whichcore.records import Kind, Record
from whichcore.wording import percent, quantity

F = TypeVar("F", bound=Callable[..., Any])


def correcting_options(function: F) -> F:
    """Add ``--corrects`` and ``--reason``."""
    corrects = click.option(
        "--corrects", metavar="ID", help="The record that this one takes the place of; the old one stays."
    )
    reason = click.option(
        "--reason", metavar="TEXT", help="Why the old record was wrong; needed with --corrects."
    )
    return corrects(reason(function))


def when(record: Record) -> str:
    """Return the time of a record to the minute, UTC."""
    return record.created_at[:16].replace("T", " ")


def told(record: Record) -> str:
    """Return what is peculiar to a record, in a few words."""
    return _TOLD[record.kind](record) if record.kind in _TOLD else ""


def _of_verdict(record: Record) -> str:
    kind, material_class, mu = (
        record.columns[key] for key in ("verdict_kind", "material_class", "initial_permeability")
    )
    what = record.columns["named"] or (material_class if kind == "class" else kind)
    shown = "not known" if mu is None else f"{mu:.4g}"
    return f"{what}, {percent(float(str(record.columns['probability'])))}, μi {shown}"


def _band(record: Record) -> str:
    low, high = (quantity(float(str(record.columns[key])), "Hz") for key in ("from_hz", "to_hz"))
    return f"{low} to {high}"


_TOLD: dict[Kind, Callable[[Record], str]] = {
    Kind.VERDICT: _of_verdict,
    Kind.SWEEP: lambda r: f"{r.columns['points']} points, {_band(r)}",
    Kind.CORE: lambda r: f"{r.columns['shape']}, {r.columns['turns']} turns",
    Kind.CALIBRATION: lambda r: f"{r.columns['error_model']}, {r.columns['wiring']}, {_band(r)}",
    Kind.MATERIAL: lambda r: f"{r.columns['material']}, {r.columns['material_class']}",
    Kind.VERIFICATION: lambda r: "passed" if r.columns["passed"] else "not passed",
    Kind.SWEEP_BEGUN: lambda r: f"journal {r.columns['journal']}",
}
