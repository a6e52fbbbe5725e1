"""``whichcore records show``."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import click

from whichcore.cli.options import reporting, store_option
from whichcore.cli.records_options import told, when
from whichcore.cli.session import Session
from whichcore.cli.show import Grid, Heading, Lines, page
from whichcore.files.text import create_bytes
from whichcore.records import Kind, Question, Record, Store, open_store
from whichcore.records.rows import UsedMaterial
from whichcore.wording import percent

FORMAT = "whichcore-record/1"


@click.command()
@click.argument("record_id", metavar="ID")
@click.option(
    "--file", "target", metavar="FILE", help="Write the kept file, byte for byte, to this new name."
)
@store_option
@reporting
@click.pass_obj
def command(session: Session, /, record_id: str, target: str | None, address: str | None) -> None:
    """Show the record ID (its first digits are enough), what belongs to it, and the file it was kept from."""
    with open_store(address, make=False) as store:
        record = store.find(record_id)
        if target is not None:
            create_bytes(Path(target), store.payload(record.id))
            session.note(f"written: {target}")
        used = store.materials_of(record.id) if record.kind is Kind.VERDICT else ()
        core = record.id if record.kind is Kind.CORE else str(record.columns.get("core_id") or "")
        beside = _beside(store, record, core)
    session.deliver(lambda: _report(record, beside, used), lambda: _text(record, beside, used))


def _beside(store: Store, record: Record, core: str) -> tuple[Record, ...]:
    if not core:
        return ()
    found = store.search(Question(about=core, corrected=True, most=1000))
    return tuple(other for other in found if other.id != record.id)


def _report(record: Record, beside: Sequence[Record], used: Sequence[UsedMaterial]) -> dict[str, object]:
    return {
        "format": FORMAT,
        **record.to_dict(),
        "beside": [other.to_dict() for other in beside],
        "materials": [
            {
                "material": one.material,
                "probability": one.probability,
                "named": one.named,
                "record": one.record_id,
            }
            for one in used
        ],
    }


def _text(record: Record, beside: Sequence[Record], used: Sequence[UsedMaterial]) -> str:
    lines = [
        f"id: {record.id}",
        f"kept: {when(record)} UTC, by version {record.program}",
        f"file: {record.size} bytes ({record.payload_name}), sha256 {record.sha256[:16]}…",
    ]
    if record.tags:
        lines.append(f"tags: {', '.join(record.tags)}")
    if record.corrects:
        lines.append(f"corrects {record.corrects[:8]}: {record.reason}")
    if record.corrected_by:
        lines.append(f"corrected by {', '.join(other[:8] for other in record.corrected_by)}")
    lines += [f"{key}: {value}" for key, value in record.settings.items() if value not in (None, [], "")]
    blocks: list[Heading | Lines | Grid] = [
        Heading(f"{record.title}: {record.kind.value}" + (f", {told(record)}" if told(record) else "")),
        Lines(tuple(lines)),
    ]
    if used:
        rows = tuple((one.material, percent(one.probability), "named" if one.named else "") for one in used)
        blocks.append(Grid(("material", "probability", ""), rows, frozenset({"probability"})))
    if beside:
        others = tuple((o.short_id, when(o), o.kind.value, told(o)) for o in beside)
        blocks += [Heading("Of the same core"), Grid(("id", "kept (UTC)", "kind", "what"), others)]
    return page(blocks)
