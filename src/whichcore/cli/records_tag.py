"""``whichcore records tag``."""

from __future__ import annotations

import click

from whichcore.cli.options import reporting, store_option
from whichcore.cli.session import Session
from whichcore.cli.show import Lines, page
from whichcore.records import open_store

FORMAT = "whichcore-record/1"


@click.command()
@click.argument("record_id", metavar="ID")
@click.argument("name", metavar="NAME")
@click.option("--off", is_flag=True, help="Take the tag off instead.")
@store_option
@reporting
@click.pass_obj
def command(session: Session, /, record_id: str, name: str, off: bool, address: str | None) -> None:
    """Put the tag NAME on the record ID: a drawer, a customer, an order."""
    with open_store(address, make=False) as store:
        store.tag(record_id, name, off=off)
        record = store.find(record_id)
    tags = ", ".join(record.tags) or "none"
    session.deliver(
        lambda: {"format": FORMAT, **record.to_dict()},
        lambda: page([Lines((f"{record.short_id}, {record.title}: tags {tags}",))]),
    )
