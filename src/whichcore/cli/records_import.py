"""``whichcore records import``."""

from __future__ import annotations

from pathlib import Path

import click

from whichcore.cli.options import reporting, store_option
from whichcore.cli.session import Session
from whichcore.cli.show import Lines, page
from whichcore.records import import_records, open_store

FORMAT = "whichcore-records-carried/1"


@click.command()
@click.argument("folder", metavar="DIR")
@store_option
@reporting
@click.pass_obj
def command(session: Session, /, folder: str, address: str | None) -> None:
    """Take in the folder DIR that whichcore records export has written: all of its records, or none."""
    with open_store(address) as store:
        told = import_records(store, Path(folder))
        place = store.address
    session.deliver(
        lambda: {"format": FORMAT, "records": told.records, "known": told.known},
        lambda: page(
            [Lines((f"{told.records} records taken into {place}; {told.known} were there already.",))]
        ),
    )
