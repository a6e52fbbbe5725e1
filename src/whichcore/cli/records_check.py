"""``whichcore records check``."""

from __future__ import annotations

import click

from whichcore.cli.options import reporting, store_option
from whichcore.cli.session import Session
from whichcore.cli.show import Lines, page
from whichcore.records import Question, open_store, unfinished_sweeps

FORMAT = "whichcore-records-check/1"


@click.command()
@store_option
@reporting
@click.pass_obj
def command(session: Session, /, address: str | None) -> int:
    """Read every record, hold it against its checksum, and name sweeps that never came to their end.

    The exit code is 6 where a record is damaged.
    """
    with open_store(address, make=False) as store:
        damaged = tuple(store.damaged())
        waiting = unfinished_sweeps(store)
        count, place = store.count(Question(corrected=True), most=10**9), store.address
    lines = [f"{count} records in {place}; {len(damaged)} damaged."]
    lines += [f"damaged: {r.short_id}, {r.kind.value}, {r.title}" for r in damaged]
    lines += [f"not finished: {r.short_id}, journal {r.columns['journal']}" for r in waiting]
    session.deliver(
        lambda: {
            "format": FORMAT,
            "count": count,
            "damaged": [record.to_dict() for record in damaged],
            "unfinished": [record.to_dict() for record in waiting],
        },
        lambda: page([Lines(tuple(lines))]),
    )
    return 6 if damaged else 0
