"""``whichcore records list``."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime
from typing import Any

import click

from whichcore.cli.options import reporting, store_option
from whichcore.cli.records_options import told, when
from whichcore.cli.session import Session
from whichcore.cli.show import Grid, Lines, page
from whichcore.errors import UsageError
from whichcore.records import Kind, Question, Record, open_store
from whichcore.records.store import MOST_COUNTED

FORMAT = "whichcore-records-list/1"


@click.command()
@click.argument("words", nargs=-1, metavar="[TEXT]...")
@click.option("--kind", type=click.Choice([kind.value for kind in Kind]), help="Only records of this kind.")
@click.option("--tag", metavar="NAME", help="Only records that carry this tag.")
@click.option("--core", metavar="ID", help="Only a core and what belongs to it.")
@click.option("--material", metavar="ID", help="Only verdicts that name this material.")
@click.option("--class", "material_class", metavar="CLASS", help="Only verdicts and materials of this class.")
@click.option(
    "--permeability", metavar="LOW..HIGH", help="Only verdicts with an initial permeability in between."
)
@click.option("--since", metavar="DATE", help="Only records of this day and later, such as 2026-03-01 (UTC).")
@click.option("--until", metavar="DATE", help="Only records of this day and earlier.")
@click.option("--all", "everything", is_flag=True, help="Show materials and beginnings of sweeps, too.")
@click.option("--corrected", is_flag=True, help="Show records that another one corrects, too.")
@click.option("--most", type=click.IntRange(1, 10_000), default=50, show_default=True, help="Show so many.")
@click.option("--before", metavar="ID", help="The next page: the records that follow this one.")
@store_option
@reporting
@click.pass_obj
def command(session: Session, /, words: tuple[str, ...], address: str | None, **asked: Any) -> None:
    """Search the records, the newest first; TEXT is part of a title or the beginning of an id.

    Everything asked for must hold. Materials, which are kept with the verdicts they took part in, are listed
    with --all or --kind material.
    """
    with open_store(address, make=False) as store:
        for name in ("core", "before"):
            asked[name] = store.find(asked[name]).id if asked[name] else ""
        question = _question(" ".join(words), **asked)
        found, count = store.search(question), store.count(question)
        place = store.address
    session.deliver(lambda: _report(found, count), lambda: _text(found, count, question, place))


def _question(text: str, **asked: Any) -> Question:
    return Question(
        text=text,
        kind=None if asked["kind"] is None else Kind(asked["kind"]),
        without=() if asked["everything"] else (Kind.MATERIAL, Kind.SWEEP_BEGUN),
        tag=asked["tag"] or "",
        material=asked["material"] or "",
        material_class=asked["material_class"] or "",
        since=_day(asked["since"], "--since"),
        until=_day(asked["until"], "--until"),
        permeability=_range(asked["permeability"]),
        about=asked["core"],
        before=asked["before"],
        corrected=asked["corrected"],
        most=asked["most"],
    )


def _day(text: str | None, option: str) -> str:
    if text is None:
        return ""
    try:
        datetime.fromisoformat(text)
    except ValueError:
        raise UsageError(
            "this is no date", where=option, got=text, allowed="YYYY-MM-DD, or YYYY-MM-DDTHH:MM"
        ) from None
    return text


def _range(text: str | None) -> tuple[float, float] | None:
    if text is None:
        return None
    low, dots, high = text.partition("..")
    try:
        ends = (float(low), float(high))
    except ValueError:
        ends = (1.0, 0.0)
    if not dots or not ends[0] <= ends[1]:
        raise UsageError(
            "this is no range", where="--permeability", got=text, allowed="two rising numbers: 2000..2500"
        )
    return ends


def _report(found: Sequence[Record], count: int) -> dict[str, object]:
    return {"format": FORMAT, "count": count, "records": [record.to_dict() for record in found]}


def _text(found: Sequence[Record], count: int, question: Question, place: str) -> str:
    total = f"{count} or more" if count >= MOST_COUNTED else str(count)
    shown = (
        f"{len(found)} of {total} records" if len(found) < count else f"{count} record{'s' * (count != 1)}"
    )
    last = Lines((f"{shown} in {place}.",))
    if not found:
        return page([last])
    rows = tuple(
        (record.short_id, when(record), record.kind.value, record.title, told(record), ", ".join(record.tags))
        for record in found
    )
    blocks: list[Grid | Lines] = [Grid(("id", "kept (UTC)", "kind", "title", "what", "tags"), rows), last]
    if len(found) == question.most and count > len(found):
        blocks.append(Lines((f"More: --before {found[-1].short_id}",)))
    return page(blocks)
