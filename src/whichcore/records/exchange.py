"""Carrying records elsewhere and back: a folder with one index and the files themselves.

``records.json`` holds every row of the records carried, of their materials and tags; beside it lies each
payload under a name of its own, and each sweep once more as a Touchstone file for other programs. Read back
into another store nothing is lost and nothing is new: ids, times and checksums stay.
"""

from __future__ import annotations

import hashlib
import json
import warnings
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from sqlalchemy import Connection, Table, insert, select

from whichcore.errors import RecordError, WhichcoreError, WhichcoreWarning
from whichcore.files import make_folder, write_touchstone
from whichcore.files.text import create_bytes, read_bytes
from whichcore.records.compare import kept_sweep
from whichcore.records.rows import Kind
from whichcore.records.schema import KIND_TABLES, RECORD, TAG, USED_MATERIAL
from whichcore.records.store import Store

FORMAT = "whichcore-records 1"
INDEX = "records.json"


@dataclass(frozen=True, slots=True)
class Carried:
    """How many records were carried, were there already, and which sweeps have no Touchstone file."""

    records: int
    known: int = 0
    without_touchstone: tuple[str, ...] = ()


def export_records(store: Store, ids: Sequence[str], folder: Path) -> Carried:
    """Write records, and everything they refer to, into a folder that does not exist or is empty.

    Raises
    ------
    RecordError
        The folder holds something, or a record is damaged.
    InputError
        The folder cannot be written.
    """
    if folder.exists() and any(folder.iterdir()):
        raise RecordError(
            "the folder is not empty; nothing in it is overwritten",
            where=str(folder),
            next_step="name a new folder",
        )
    make_folder(folder)
    with store.transaction() as connection:
        wanted = _with_references(connection, ids)
        rows = {table.name: _rows(connection, table, wanted) for table in _tables()}
    missing = []
    for row in rows["record"]:
        row["file"] = f"{row['kind']}-{row['id'][:12]}{row['payload_name']}"
        create_bytes(folder / row["file"], store.payload(row["id"]))
        if row["kind"] == Kind.SWEEP.value and not _touchstone(store, row, folder):
            missing.append(row["id"][:8])
    index = json.dumps({"format": FORMAT, **rows}, ensure_ascii=False, allow_nan=False, indent=1)
    create_bytes(folder / INDEX, index.encode())  # last: a folder with an index is whole
    return Carried(len(rows["record"]), without_touchstone=tuple(missing))


def _touchstone(store: Store, row: Mapping[str, Any], folder: Path) -> bool:
    if row["payload_name"] == ".s1p":
        return True
    try:
        _, sweep = kept_sweep(store, row["id"])
        # what such a file cannot carry stands in the sweep file beside it
        with warnings.catch_warnings():
            warnings.simplefilter("ignore", WhichcoreWarning)
            write_touchstone(folder / f"{row['kind']}-{row['id'][:12]}.s1p", sweep)
    except WhichcoreError:
        return False
    return True


def import_records(store: Store, folder: Path) -> Carried:
    """Take in the records of a folder; those that are there already are left alone.

    Raises
    ------
    InputError
        There is no such folder, or a file is missing.
    RecordError
        It is no folder of records, a file was changed, or an id is taken by something else. Nothing is
        taken in then.
    """
    index = _index(folder)
    payloads = {row["id"]: _payload(folder, row) for row in index["record"]}
    with store.transaction(writes=True) as connection:
        known = _known(connection, index["record"])
        fresh = [row for row in index["record"] if row["id"] not in known]
        for row in _in_order(fresh, known):
            values = {key: value for key, value in row.items() if key != "file"}
            connection.execute(insert(RECORD), {**values, "payload": payloads[row["id"]]})
        ids = {row["id"] for row in fresh}
        for table in KIND_TABLES.values():
            _insert(connection, table, [row for row in index[table.name] if row["id"] in ids])
        _insert(connection, USED_MATERIAL, [r for r in index[USED_MATERIAL.name] if r["verdict_id"] in ids])
        tags = set(connection.execute(select(TAG.c.id)).scalars())
        _insert(connection, TAG, [row for row in index[TAG.name] if row["id"] not in tags])
    return Carried(len(fresh), len(known))


def _tables() -> tuple[Table, ...]:
    return (RECORD, *KIND_TABLES.values(), USED_MATERIAL, TAG)


def _with_references(connection: Connection, ids: Iterable[str]) -> set[str]:
    """Return the ids with those of everything they refer to, however far."""
    wanted: set[str] = set()
    new = set(ids)
    while new:
        wanted |= new
        found = set(
            connection.execute(
                select(RECORD.c.corrects).where(RECORD.c.id.in_(new), RECORD.c.corrects.is_not(None))
            ).scalars()
        )
        found |= set(
            connection.execute(
                select(USED_MATERIAL.c.record_id).where(USED_MATERIAL.c.verdict_id.in_(new))
            ).scalars()
        )
        for table in KIND_TABLES.values():
            for column in (c for c in table.columns if c.foreign_keys and c.name != "id"):
                found |= set(
                    connection.execute(
                        select(column).where(table.c.id.in_(new), column.is_not(None))
                    ).scalars()
                )
        new = found - wanted
    return wanted


def _rows(connection: Connection, table: Table, wanted: set[str]) -> list[dict[str, Any]]:
    owner = {USED_MATERIAL.name: "verdict_id", TAG.name: "record_id"}.get(table.name, "id")
    columns = [column for column in table.columns if column.name != "payload"]
    statement = select(*columns).where(table.c[owner].in_(wanted)).order_by(*table.primary_key.columns)
    return [dict(row) for row in connection.execute(statement).mappings()]


def _insert(connection: Connection, table: Table, rows: Sequence[Mapping[str, Any]]) -> None:
    if rows:
        connection.execute(insert(table), list(rows))


def _index(folder: Path) -> dict[str, Any]:
    place = folder / INDEX
    try:
        index = json.loads(read_bytes(place))
        found = index["format"]
        tables = {table.name: list(index[table.name]) for table in _tables()}
    except (ValueError, KeyError, TypeError) as error:
        raise RecordError(
            "this is no index of records", where=str(place), got=f"{type(error).__name__}: {error}"
        ) from None
    if found != FORMAT:
        raise RecordError(
            "this format of records is not known",
            where=str(place),
            got=str(found),
            allowed=FORMAT,
            next_step="update whichcore",
        )
    for table in _tables():
        names = {column.name for column in table.columns} - {"payload"} | (
            {"file"} if table is RECORD else set()
        )
        for row in tables[table.name]:
            if not isinstance(row, dict) or set(row) != names:
                raise RecordError(
                    "a row does not fit its table", where=f"{place}, {table.name}", got=str(row)[:80]
                )
    return tables


def _payload(folder: Path, row: Mapping[str, Any]) -> bytes:
    name = str(row["file"])
    if Path(name).name != name:
        raise RecordError("a file of records lies beside its index", where=str(folder / INDEX), got=name)
    data = read_bytes(folder / name)
    if hashlib.sha256(data).hexdigest() != row["sha256"]:
        raise RecordError(
            "the file was changed: its checksum does not fit",
            where=str(folder / name),
            allowed=str(row["sha256"])[:16],
            got=hashlib.sha256(data).hexdigest()[:16],
            next_step="export it again",
        )
    return data


def _known(connection: Connection, rows: Sequence[Mapping[str, Any]]) -> set[str]:
    sums = {row["id"]: row["sha256"] for row in rows}
    found = connection.execute(select(RECORD.c.id, RECORD.c.sha256).where(RECORD.c.id.in_(list(sums)))).all()
    for record_id, checksum in found:
        if sums[record_id] != checksum:
            raise RecordError(
                "two different records carry one id",
                where="import",
                got=record_id,
                next_step="one of the two stores was changed by hand; check both",
            )
    return {record_id for record_id, _ in found}


def _in_order(rows: Sequence[dict[str, Any]], known: set[str]) -> list[dict[str, Any]]:
    """Return the rows so that each comes after the one it corrects."""
    left, placed, done = list(rows), list[dict[str, Any]](), set(known)
    while left:
        ready = [row for row in left if row["corrects"] is None or row["corrects"] in done]
        if not ready:
            raise RecordError("a record corrects one that is not there", where="import", got=left[0]["id"])
        placed += ready
        done |= {row["id"] for row in ready}
        left = [row for row in left if row["id"] not in done]
    return placed
