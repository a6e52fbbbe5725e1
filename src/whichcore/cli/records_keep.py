"""``whichcore records keep``."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click

from whichcore.cli.options import library_option, reporting, store_option
from whichcore.cli.records_options import correcting_options, told
from whichcore.cli.session import Session
from whichcore.cli.show import Grid, Lines, page
from whichcore.errors import UsageError
from whichcore.libraries import library_to_identify
from whichcore.records import Record, Store, keep_calibration, keep_case, keep_core, open_store
from whichcore.records.keep import Origin
from whichcore.workflow import Request, identify_files

FORMAT = "whichcore-records-kept/1"


@click.command()
@click.option("--specimen", metavar="FILE", help="Specimen file of the core.")
@click.option("--sweep", metavar="FILE", help="Its sweep.")
@click.option("--reading", "readings", metavar="TEXT", multiple=True, help='Such as "152 uH @ 10 kHz".')
@click.option("--calibration", metavar="FILE", help="Calibration file to keep, alone or before its sweep.")
@click.option("--tag", "tags", metavar="NAME", multiple=True, help="Tag for the core. May be given again.")
@library_option
@correcting_options
@store_option
@reporting
@click.pass_obj
def command(
    session: Session,
    /,
    address: str | None,
    libraries: tuple[str, ...],
    tags: tuple[str, ...],
    corrects: str | None,
    reason: str | None,
    **files: Any,
) -> None:
    """Keep a core, its sweep, and the verdict that follows from both; a calibration too.

    The same file is kept once. With --corrects the last thing kept, the verdict if there is one, takes the
    place of an older record of its kind.
    """
    request, calibration = _request(**files)
    if reason is not None and not corrects:
        raise UsageError(
            "a reason belongs to a correction",
            where="--reason",
            got=reason,
            next_step="name the older record with --corrects, or leave the reason out",
        )
    with open_store(address) as store:
        old = store.find(corrects).id if corrects else ""
        origin = Origin(old, reason or "")
        made: list[str] = []
        if calibration is not None:
            last = origin if request is None else None
            made.append(keep_calibration(store, calibration, last))
        if request is not None:
            made += _keep(store, request, libraries, origin)
            core = made[0 if calibration is None else 1]
            for tag in tags:
                store.tag(core, tag)
        kept, place = [store.find(one) for one in made], store.address
    session.deliver(
        lambda: {"format": FORMAT, "records": [record.to_dict() for record in kept]},
        lambda: _text(kept, place),
    )


def _request(
    specimen: str | None, sweep: str | None, readings: tuple[str, ...], calibration: str | None
) -> tuple[Request | None, Path | None]:
    if specimen is None and (sweep or readings):
        raise UsageError("a sweep or reading belongs to a core", where="--specimen", got="none")
    if specimen is None and calibration is None:
        raise UsageError(
            "there is nothing to keep", where="whichcore records keep", allowed="--specimen, --calibration"
        )
    request = None
    if specimen is not None:
        request = Request(Path(specimen), None if sweep is None else Path(sweep), readings)
    return request, None if calibration is None else Path(calibration)


def _keep(store: Store, request: Request, libraries: tuple[str, ...], origin: Origin) -> list[str]:
    """Keep what a request speaks of, its verdict last; only the last may correct something."""
    if request.sweep is None and not request.readings:
        return [keep_core(store, request.specimen, origin)]
    case = identify_files(request, library_to_identify(libraries))
    origin = Origin(origin.corrects, origin.reason, {"libraries": list(libraries)})
    return list(keep_case(store, request, case, origin))


def _text(kept: list[Record], place: str) -> str:
    rows = tuple((record.short_id, record.kind.value, record.title, told(record)) for record in kept)
    return page([Grid(("id", "kind", "title", "what"), rows), Lines((f"Kept in {place}.",))])
