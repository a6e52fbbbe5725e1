"""``whichcore records export``."""

from __future__ import annotations

from pathlib import Path

import click

from whichcore.cli.options import reporting, store_option
from whichcore.cli.session import Session
from whichcore.cli.show import Lines, page
from whichcore.errors import UsageError
from whichcore.records import Question, export_records, open_store

FORMAT = "whichcore-records-carried/1"


@click.command()
@click.argument("ids", nargs=-1, metavar="[ID]...")
@click.option("--to", "folder", metavar="DIR", required=True, help="New folder to write into.")
@click.option("--all", "everything", is_flag=True, help="Every record of the store.")
@store_option
@reporting
@click.pass_obj
def command(
    session: Session, /, ids: tuple[str, ...], folder: str, everything: bool, address: str | None
) -> None:
    """Write each record ID and all it refers to into a folder: the files as they were kept, and an index.

    A core brings everything measured on it. Sweeps lie there once more as Touchstone files for other
    programs. whichcore records import takes the folder into another store without loss.
    """
    if bool(ids) is everything:
        raise UsageError("say which records to export", where="ID or --all", allowed="either of them")
    with open_store(address, make=False) as store:
        wanted = {
            record.id
            for one in ids
            for record in store.search(Question(about=store.find(one).id, most=10**6))
        }
        wanted |= {store.find(one).id for one in ids}
        if everything:
            wanted = {record.id for record in store.search(Question(corrected=True, most=10**9))}
        told = export_records(store, sorted(wanted), Path(folder))
    lines = [f"{told.records} records written into {folder}."]
    if told.without_touchstone:
        lines.append(f"No Touchstone file can be made of: {', '.join(told.without_touchstone)}.")
    session.deliver(
        lambda: {
            "format": FORMAT,
            "records": told.records,
            "folder": folder,
            "without_touchstone": list(told.without_touchstone),
        },
        lambda: page([Lines(tuple(lines))]),
    )
