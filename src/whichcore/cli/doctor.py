"""``whichcore doctor``."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Any

import click

from whichcore.cli.at_bench import Bar, at_bench, bench_option
from whichcore.cli.options import dark_option, reporting
from whichcore.cli.session import Session
from whichcore.cli.show import Grid, Lines, page
from whichcore.errors import InstrumentError
from whichcore.files import make_folder
from whichcore.measure.record import one_record
from whichcore.rig.doctor import Finding, Status, examine

FORMAT = "whichcore-doctor/1"


@click.command()
@bench_option
@click.option(
    "--figures",
    metavar="DIR",
    help="Take one more record with what is at the terminals, and draw it with its fit and what is left over "
    "into this folder (SVG and PNG).",
)
@dark_option
@reporting
@click.pass_obj
def command(session: Session, /, bench_file: str | None, figures: str | None, dark: bool) -> int:
    """Check a bench from the cable to the wiring.

    Do both instruments answer, does the output switch, are frequency, level, wiring, noise and offset what
    they should be? It asks for a short and for an open. The exit code is 4 where a check came out bad.
    """
    findings: list[Finding] = []
    with at_bench(bench_file) as (_, opened, operator, cancel), Bar() as bar:
        for finding in examine(opened.bench, operator, cancel):
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
            }
            for item in findings
        ],
    }


def _text(findings: Sequence[Finding]) -> str:
    rows = tuple((item.check, item.status.value, item.found, item.expected) for item in findings)
    remedies = tuple(f"{item.check}: {item.remedy}" for item in findings if item.remedy)
    bad = len(_bad(findings))
    verdict = "The bench is fit to measure." if not bad else f"{bad} of {len(findings)} checks came out bad."
    grid = Grid(("check", "status", "found", "expected"), rows)
    return page([grid, *([Lines(remedies)] if remedies else []), Lines((verdict,))])
