"""``whichcore doctor``."""

from __future__ import annotations

import threading
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Any

import click

from whichcore.cli import interrupt
from whichcore.cli.at_bench import Bar, at_bench, bench_option
from whichcore.cli.options import dark_option, reporting
from whichcore.cli.session import Session
from whichcore.cli.show import Grid, Lines, page
from whichcore.errors import InstrumentError, UsageError
from whichcore.files import home_folder, make_folder
from whichcore.measure.hands import CAUTION
from whichcore.measure.record import one_record
from whichcore.rig.doctor import Finding, Status, examine
from whichcore.rig.lines.address_lock import AddressLock
from whichcore.rig.soundcard.instruments import SoundSource
from whichcore.rig.soundcard.self_test import examine_card
from whichcore.rig.tables.command_table import load_table
from whichcore.rig.tables.serial_table import SerialTable
from whichcore.rig.trials.serial import look_at_serial, try_serial_table
from whichcore.rig.trials.table import look_at, try_table

FORMAT = "whichcore-doctor/1"


@click.command()
@bench_option
@click.option(
    "--figures",
    metavar="DIR",
    help="Take one more record with what is at the terminals, and draw it with its fit and what is left over "
    "into this folder (SVG and PNG).",
)
@click.option(
    "--table",
    "table_name",
    metavar="FILE",
    help="Try a command table instead of a bench: a file ending in .toml, or the name of a shipped one. Each "
    "step that fails names the line of the file, what was sent, and what came.",
)
@click.option(
    "--address",
    metavar="ADDRESS",
    help="With --table: the instrument to try it against, such as TCPIP::192.168.7.21::5025::SOCKET. Without "
    "it the file alone is read.",
)
@dark_option
@reporting
@click.pass_obj
def command(
    session: Session,
    /,
    bench_file: str | None,
    figures: str | None,
    table_name: str | None,
    address: str | None,
    dark: bool,
) -> int:
    """Check a bench from the cable to the wiring.

    Do both instruments answer, does the output switch, are frequency, level, wiring, noise and offset what
    they should be? It asks for a short and for an open. The exit code is 4 where a check came out bad.

    A sound card is tested for what hosts do in silence: resampling, automatic gain, a microphone without
    permission, swapped or dead channels, crosstalk, clipping, two clocks.
    """
    if table_name is not None or address is not None:
        return _try_table(session, table_name, address, others=bench_file is not None or figures is not None)
    findings: list[Finding] = []
    with at_bench(bench_file) as (_, opened, operator, cancel), Bar() as bar:
        check = examine_card if isinstance(opened.bench.source, SoundSource) else examine
        for finding in check(opened.bench, operator, cancel):
            findings.append(finding)
            bar.show(finding.check, min(len(findings) / 18, 1.0))
        if figures is not None and not _bad(findings):
            make_folder(Path(figures))
            from whichcore import figures as drawing  # noqa: PLC0415 - matplotlib only for a picture

            capture, phasors = one_record(opened.bench, cancel)
            drawn = drawing.record_figure(capture, phasors, dark=dark)
            for path in drawing.save(drawn, Path(figures) / "record"):
                session.note(f"written: {path}")
    session.deliver(lambda: _report(findings), lambda: _text(findings))
    return InstrumentError.exit_code if _bad(findings) else 0


def _try_table(session: Session, name: str | None, address: str | None, *, others: bool) -> int:
    if name is None:
        raise UsageError("an address is tried with a table", where="--address", next_step="add --table FILE")
    if others:
        raise UsageError(
            "a table is tried alone", where="--table", next_step="leave --bench and --figures out"
        )
    findings: list[Finding] = []
    with Bar() as bar:
        for finding in _trial(session, name, address):
            findings.append(finding)
            bar.show(finding.check, min(len(findings) / 16, 1.0))
    bad = len(_bad(findings))
    verdict = "The table reads well; add --address to try it." if address is None else "The table works."
    if bad:
        verdict = f"{bad} of {len(findings)} steps failed; the first is the one to correct."
    session.deliver(lambda: _report(findings), lambda: _text(findings, verdict))
    return InstrumentError.exit_code if bad else 0


def _trial(session: Session, name: str, address: str | None) -> Iterator[Finding]:
    table = load_table(name)
    if address is None:
        yield from look_at_serial(table) if isinstance(table, SerialTable) else look_at(table)
        return
    session.note(CAUTION)
    cancel = threading.Event()
    with AddressLock(home_folder() / "locks", address), interrupt.gently(cancel):
        if isinstance(table, SerialTable):
            yield from try_serial_table(table, address)
        else:
            yield from try_table(table, address, cancel)


def _bad(findings: Sequence[Finding]) -> list[Finding]:
    return [item for item in findings if item.status is Status.BAD]


def _report(findings: Sequence[Finding]) -> dict[str, Any]:
    return {
        "format": FORMAT,
        "fit": not _bad(findings),
        "findings": [
            {
                "check": item.check,
                "status": item.status.value,
                "found": item.found,
                "expected": item.expected,
                "next": item.remedy,
                "place": item.place,
                "sent": item.sent,
                "came": item.came,
            }
            for item in findings
        ],
    }


def _text(findings: Sequence[Finding], verdict: str = "") -> str:
    rows = tuple((item.check, item.status.value, item.found, item.expected) for item in findings)
    remedies = tuple(f"{item.check}: {_told(item)}" for item in findings if item.remedy)
    bad = len(_bad(findings))
    if not verdict:
        verdict = f"{bad} of {len(findings)} checks came out bad." if bad else "The bench is fit to measure."
    grid = Grid(("check", "status", "found", "expected"), rows)
    return page([grid, *([Lines(remedies)] if remedies else []), Lines((verdict,))])


def _told(item: Finding) -> str:
    """Return where it is, what was said, and what to do."""
    parts = [item.place]
    if item.sent:
        parts.append(f"sent {item.sent!r}, {'came ' + repr(item.came) if item.came else 'nothing came'}")
    return "; ".join([*(part for part in parts if part), item.remedy])
