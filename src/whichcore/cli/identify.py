"""``whichcore identify``."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click

from whichcore.cli.identify_text import verdict_page
from whichcore.cli.options import dark_option, library_option, reporting, store_option
from whichcore.cli.session import Session
from whichcore.errors import UsageError
from whichcore.files import make_folder
from whichcore.files.readings_file import load_readings
from whichcore.libraries import library_to_identify
from whichcore.workflow import Identification, Request, identify_files, write_pictures


@click.command()
@click.option(
    "--specimen",
    required=True,
    metavar="FILE",
    help="Specimen file (TOML): dimensions of the core, its winding and what else is known of it.",
)
@click.option(
    "--sweep",
    metavar="FILE",
    help="Impedance over frequency: a sweep file (CSV), or a one-port Touchstone file (.s1p).",
)
@click.option(
    "--reading",
    "readings",
    metavar="TEXT",
    multiple=True,
    help='A single reading off a meter, "152 uH @ 10 kHz" or "830 ohm @ 1 MHz", with its standard '
    'uncertainty if it is known: "152 uH ± 2 uH @ 10 kHz". May be given again; a second one at the same '
    'frequency, warm or driven harder, is read as such: "163 uH @ 10 kHz, 45 degC", "158 uH @ 10 kHz, 2 mT".',
)
@click.option(
    "--readings-file",
    metavar="FILE",
    help="File with one reading on each line, as whichcore by-hand meter writes it; beside or instead of "
    "--reading.",
)
@click.option(
    "--second-sweep",
    metavar="FILE",
    help="The same winding swept again, some 20 K warmer or at several times the level; its file states the "
    "temperature or the flux density.",
)
@library_option
@click.option(
    "--surface-resistance",
    metavar="TEXT",
    help='Resistance between two probe tips a few millimetres apart on the bare core, "12 kohm" or '
    '"> 20 Mohm". Takes the place of that in the specimen file.',
)
@click.option(
    "--sold-as",
    metavar="TEXT",
    help='What the part was sold for or marked as: an application ("power", "interference suppression", '
    '"inductor/filter", "signal"), a class, or id or name of a material. Labels are taken as wrong now and '
    "then.",
)
@click.option(
    "--parts",
    metavar="FILE",
    help="List of the parts the shop knows, with size and material (CSV). [default: parts.csv in your own "
    "library folder, if it is there]",
)
@click.option(
    "--figures",
    metavar="DIR",
    help="Write pictures of impedance, permeability, what decided, what no gap changes, and candidates into "
    "this folder (SVG and PNG). Pictures of the same names are replaced.",
)
@dark_option
@click.option(
    "--keep",
    is_flag=True,
    help="Keep the core, its sweep and the verdict among the records (whichcore records).",
)
@store_option
@reporting
@click.pass_obj
def command(
    session: Session,
    /,
    libraries: tuple[str, ...],
    figures: str | None,
    dark: bool,
    keep: bool,
    address: str | None,
    **asked: Any,
) -> None:
    """Say which material a wound core is most likely made of, how sure that is, and what to measure next.

    It needs a sweep, a reading, or both. The answer is a probability for each reference material and for
    none of them; a material is named from 80 % on, else a group that the data cannot tell apart, else a
    class.
    """
    request = _request(**asked)
    case = identify_files(request, library_to_identify(libraries))
    for text in reversed(case.doubts):
        session.warn(text, first=True)
    for text in case.verdict.warnings:
        session.warn(text)
    if figures is not None:
        _draw(session, case, Path(figures), request.specimen.stem, dark)
    if keep or address is not None:
        _keep(session, request, case, libraries, address)
    session.deliver(case.verdict.to_dict, lambda: verdict_page(case))


def _request(*, specimen: str, sweep: str | None, readings: tuple[str, ...], **beside: str | None) -> Request:
    if (listed := _path(beside["readings_file"])) is not None:
        readings += load_readings(listed)
    if sweep is None and not readings:
        raise UsageError(
            "there is nothing to identify the core from",
            where="whichcore identify",
            got="no sweep and no reading",
            allowed="--sweep FILE, --reading TEXT, --readings-file FILE, or several",
            next_step='measure the inductance and give it: --reading "152 uH @ 10 kHz"',
        )
    return Request(
        Path(specimen),
        _path(sweep),
        readings,
        beside["surface_resistance"],
        second_sweep=_path(beside["second_sweep"]),
        sold_as=beside["sold_as"],
        parts=_path(beside["parts"]),
    )


def _keep(
    session: Session, request: Request, case: Identification, libraries: tuple[str, ...], address: str | None
) -> None:
    from whichcore.records import keep_case, open_store  # noqa: PLC0415 - the database is loaded only to keep
    from whichcore.records.keep import Origin  # noqa: PLC0415

    with open_store(address) as store:
        kept = keep_case(store, request, case, Origin(settings={"libraries": list(libraries)}))
        session.note(f"kept: verdict {kept[-1][:8]} of core {kept[0][:8]}, in {store.address}")


def _path(name: str | None) -> Path | None:
    return None if name is None else Path(name)


def _draw(session: Session, case: Identification, folder: Path, stem: str, dark: bool) -> None:
    make_folder(folder)
    for path in write_pictures(case, folder / stem, stem, dark=dark):
        session.note(f"written: {path}")
