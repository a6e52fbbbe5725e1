"""``whichcore report``."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click

from whichcore.cli.options import library_option, reporting, store_option
from whichcore.cli.session import Session
from whichcore.errors import UsageError
from whichcore.files.text import write_bytes
from whichcore.libraries import library_to_identify
from whichcore.report import FORMS, Dossier, dossier_of_files, report_of, written
from whichcore.workflow import Request

FORMAT = "whichcore-report-written/1"
_JUDGED_BY = (
    "specimen",
    "sweep",
    "second_sweep",
    "readings",
    "surface_resistance",
    "sold_as",
    "parts",
    "calibration",
)


@click.command()
@click.option(
    "--out", required=True, metavar="FILE", help="Report to write: report.html or report.pdf. Replaced."
)
@click.option(
    "--record", metavar="ID", help="Print this kept verdict as it was given, instead of judging files."
)
@click.option("--specimen", metavar="FILE", help="Specimen file of a core to judge now.")
@click.option("--sweep", metavar="FILE", help="Its sweep.")
@click.option("--reading", "readings", metavar="TEXT", multiple=True, help='Such as "152 uH @ 10 kHz".')
@click.option("--second-sweep", metavar="FILE", help="The same winding, warmer or at another level.")
@click.option("--surface-resistance", metavar="TEXT", help='Between two probe tips, such as "> 20 Mohm".')
@click.option("--sold-as", metavar="TEXT", help="What the part was sold for or marked as.")
@click.option("--parts", metavar="FILE", help="List of the parts the shop knows (CSV).")
@click.option("--calibration", metavar="FILE", help="Calibration file that the sweep was corrected with.")
@library_option
@store_option
@reporting
@click.pass_obj
def command(session: Session, /, out: str, record: str | None, address: str | None, **asked: Any) -> None:
    """Write the report of one core: one page that needs nothing else (.html), or a file to print (.pdf).

    Warnings come first, then the verdict, what it rests on, what speaks against it, the error budget, the
    conditions, and every file with its checksum. With --record a kept verdict is printed, never a new one.
    """
    place, form = _place(out)
    dossier = _kept(record, address, asked) if record is not None else _judged(asked, address)
    for text in dossier.warnings:
        session.warn(text)
    write_bytes(place, written(report_of(dossier), form))
    told = {"format": FORMAT, "file": str(place), "form": form, "record": dossier.record or None}
    session.deliver(lambda: told, lambda: f"Written: {place}")


def _place(out: str) -> tuple[Path, str]:
    place = Path(out)
    form = place.suffix.lower().removeprefix(".")
    if form not in FORMS:
        raise UsageError(
            "the ending tells no kind of report",
            where="--out",
            got=out,
            allowed=", ".join(f".{one}" for one in FORMS),
            next_step="name it report.html or report.pdf",
        )
    return place, form


def _kept(record: str, address: str | None, asked: dict[str, Any]) -> Dossier:
    given = [name for name in (*_JUDGED_BY, "libraries") if asked[name]]
    if given:
        raise UsageError(
            "a kept verdict is printed as it was given",
            where=f"--{given[0].removesuffix('s') if given[0] == 'readings' else given[0].replace('_', '-')}",
            got="a record as well",
            allowed="--record, or files to judge",
            next_step="leave one of the two out",
        )
    from whichcore.records import open_store  # noqa: PLC0415 - the database is loaded only for records
    from whichcore.report.from_record import dossier_of_record  # noqa: PLC0415

    with open_store(address, make=False) as store:
        return dossier_of_record(store, record)


def _judged(asked: dict[str, Any], address: str | None) -> Dossier:
    if address is not None:
        raise UsageError(
            "a store is of use with a record alone", where="--records", got=address, allowed="with --record"
        )
    if asked["specimen"] is None or not (asked["sweep"] or asked["readings"]):
        raise UsageError(
            "there is nothing to report",
            where="whichcore report",
            got="no record, and no specimen with a sweep or reading",
            allowed="--record ID, or --specimen FILE with --sweep FILE or --reading TEXT",
        )
    request = Request(
        Path(asked["specimen"]),
        _path(asked["sweep"]),
        asked["readings"],
        asked["surface_resistance"],
        _path(asked["second_sweep"]),
        asked["sold_as"],
        _path(asked["parts"]),
    )
    return dossier_of_files(request, library_to_identify(asked["libraries"]), _path(asked["calibration"]))


def _path(name: str | None) -> Path | None:
    return None if name is None else Path(name)
