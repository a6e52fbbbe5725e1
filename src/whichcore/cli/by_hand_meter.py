"""``whichcore by-hand meter``."""

from __future__ import annotations

import shlex
from pathlib import Path

import click

from whichcore.cli.options import reporting
from whichcore.cli.session import Session
from whichcore.files.meter_accuracy import with_meter_accuracy
from whichcore.files.text import create_text

FORMAT = "whichcore-meter-readings/1"


@click.command()
@click.option(
    "--reading",
    "readings",
    metavar="TEXT",
    multiple=True,
    required=True,
    help='What the meter shows, with all its digits: "152.0 uH @ 10 kHz" or "830 ohm @ 1 MHz". May be given '
    "again.",
)
@click.option(
    "--accuracy",
    required=True,
    metavar="TEXT",
    help='What its manual says for this range and frequency: "2 % + 3 digits", "0.5 % of 200 uH + 2 digits".',
)
@click.option(
    "--out", metavar="FILE", help="File to write the readings to, for whichcore identify --readings-file."
)
@reporting
@click.pass_obj
def command(session: Session, /, readings: tuple[str, ...], accuracy: str, out: str | None) -> None:
    """Give meter readings the standard uncertainty that the meter's manual implies.

    The last digit typed is what a digit is worth, so type every digit the meter shows. The lines printed are
    what whichcore identify takes with --reading.
    """
    lines = [with_meter_accuracy(text, accuracy, where=f'--reading "{text}"') for text in readings]
    if len(lines) > 1:
        session.warn(
            "what a meter is off by is largely the same in all its readings; identify takes their errors for "
            "independent, so several readings of one meter make it no surer than its accuracy"
        )
    if out is not None:
        create_text(Path(out), "".join(f"{line}\n" for line in lines))
        session.note(f"written: {out}")
    told = " ".join(f"--reading {shlex.quote(line)}" for line in lines)
    session.deliver(
        lambda: {"format": FORMAT, "readings": lines, "file": out},
        lambda: "\n".join([*lines, "", f"Next: whichcore identify --specimen FILE {told}"]),
    )
