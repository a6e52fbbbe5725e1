"""The store: records in, records out."""

from __future__ import annotations

import hashlib
import json
import uuid
from collections.abc import Iterator, Sequence
from contextlib import AbstractContextManager
from importlib.metadata import version
from pathlib import Path
from types import TracebackType
from typing import Any, Self

from sqlalchemy import URL, Connection, Row, func, insert, select

from whichcore.errors import RecordError
from whichcore.files import make_folder
from whichcore.records.address import own_store, shown, store_address
from whichcore.records.database import bring_up_to_date, engine_of, transaction
from whichcore.records.query import after, answering, tag_stands
from whichcore.records.rows import Kind, NewRecord, Question, Record, UsedMaterial, now
from whichcore.records.schema import KIND_TABLES, RECORD, TAG, USED_MATERIAL

_HEAD = [column for column in RECORD.columns if column.name != "payload"]
LONGEST_TAG = 64
MOST_COUNTED = 1000  # a screen needs no more than "1000 or more"


def open_store(stated: str | None = None, *, make: bool = True) -> Store:
    """Open the store.

    Parameters
    ----------
    stated : str or None
        A path or URL; see :func:`whichcore.records.address.store_address`.
    make : bool
        Make it where there is none; the user's own is always made.

    Raises
    ------
    RecordError
        It cannot be reached, belongs to a newer program, or is none.
    """
    url = store_address(stated)
    if (
        not make
        and url != own_store()
        and url.drivername == "sqlite"
        and not Path(str(url.database)).exists()
    ):
        raise RecordError(
            "there is no store of records here",
            where=shown(url),
            next_step="check the name, or keep something in it first: whichcore records keep",
        )
    return Store(url)


class Store:
    """An open store; a context manager. Any number of programs may use one at the same time.

    Parameters
    ----------
    url : URL
    """

    def __init__(self, url: URL) -> None:
        if url.drivername == "sqlite":
            make_folder(Path(str(url.database)).absolute().parent)
        self._engine = engine_of(url)
        try:
            bring_up_to_date(self._engine)
        except BaseException:
            self._engine.dispose()
            raise

    @property
    def address(self) -> str:
        """Where it is, fit for a screen."""
        return shown(self._engine.url)

    def close(self) -> None:
        """Let the database go; doing it twice does no harm."""
        self._engine.dispose()

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    # --- in -------------------------------------------------------------------------------------------

    def add(self, record: NewRecord, *, once: bool = False) -> str:
        """Keep a record; it is on the disk when this returns.

        Parameters
        ----------
        record : NewRecord
        once : bool
            Return the id of one of the same kind and content where there is one.

        Returns
        -------
        str
            Its id.

        Raises
        ------
        RecordError
            A record it refers to is not there, or the store cannot be written.
        """
        checksum = hashlib.sha256(record.payload).hexdigest()
        with transaction(self._engine, writes=True) as connection:
            if once and (there := _same(connection, record.kind, checksum)):
                return there
            made = uuid.uuid4().hex
            row = {
                "id": made,
                "kind": record.kind.value,
                "created_at": now(),
                "title": record.title,
                "payload": record.payload,
                "payload_name": record.payload_name,
                "size": len(record.payload),
                "sha256": checksum,
                "program": version("whichcore"),
                "settings": json.dumps(record.settings, ensure_ascii=False, allow_nan=False, sort_keys=True),
                "corrects": record.corrects or None,
                "reason": record.reason,
            }
            if record.corrects:
                _check_correction(connection, record)
            write_row(connection, row, record.columns, record.materials)
        return made

    def tag(self, record_id: str, name: str, *, off: bool = False) -> None:
        """Put a tag on a record, or take it off; both stay written down.

        Raises
        ------
        RecordError
            The name is empty or too long, or there is no such record.
        """
        clean = " ".join(name.split())
        if not 0 < len(clean) <= LONGEST_TAG or not clean.isprintable():
            raise RecordError(
                "this is no tag", where="tag", got=name or "nothing", allowed=f"1 to {LONGEST_TAG} characters"
            )
        whole = self.find(record_id).id
        row = {
            "id": uuid.uuid4().hex,
            "record_id": whole,
            "name": clean,
            "created_at": now(),
            "taken_off": off,
        }
        with transaction(self._engine, writes=True) as connection:
            connection.execute(insert(TAG), row)

    # --- out ------------------------------------------------------------------------------------------

    def find(self, record_id: str) -> Record:
        """Return the record that an id, or the beginning of one, names.

        Raises
        ------
        RecordError
            None, or more than one.
        """
        start = record_id.strip().lower()
        if not start or not set(start) <= set("0123456789abcdef"):
            raise RecordError(
                "this is no id of a record",
                where="id",
                got=record_id,
                allowed="hexadecimal digits",
                next_step="see whichcore records list",
            )
        with transaction(self._engine) as connection:
            rows = connection.execute(
                select(*_HEAD).where(RECORD.c.id.startswith(start, autoescape=True)).limit(2)
            ).all()
            if len(rows) != 1:
                raise RecordError(
                    "there is no such record" if not rows else "more than one record begins like this",
                    where="id",
                    got=record_id,
                    next_step="see whichcore records list" if not rows else "give more of its digits",
                )
            return _records(connection, rows)[0]

    def payload(self, record_id: str) -> bytes:
        """Return the file of a record, byte for byte.

        Raises
        ------
        RecordError
            There is no such record, or its checksum does not fit any more.
        """
        record = self.find(record_id)
        with transaction(self._engine) as connection:
            found = connection.execute(select(RECORD.c.payload).where(RECORD.c.id == record.id)).scalar_one()
        # a damaged file may hold text where bytes belong
        data = found.encode() if isinstance(found, str) else bytes(found)
        if hashlib.sha256(data).hexdigest() != record.sha256:
            raise RecordError(
                "the record is damaged: its checksum does not fit",
                where=f"{self.address}, record {record.short_id}",
                got=hashlib.sha256(data).hexdigest()[:16],
                allowed=record.sha256[:16],
                next_step="take it from a copy of the store",
            )
        return data

    def search(self, question: Question | None = None) -> tuple[Record, ...]:
        """Return the records that answer a question, the newest first."""
        asked = question or Question()
        with transaction(self._engine) as connection:
            statement = (
                select(*_HEAD)
                .where(answering(connection, asked), after(asked))
                .order_by(RECORD.c.created_at.desc(), RECORD.c.id)
                .limit(asked.most)
            )
            return _records(connection, connection.execute(statement).all())

    def count(self, question: Question | None = None, most: int = MOST_COUNTED) -> int:
        """Return how many records answer a question, however many are shown; ``most`` for that and more."""
        with transaction(self._engine) as connection:
            found = select(RECORD.c.id).where(answering(connection, question or Question())).limit(most)
            statement = select(func.count()).select_from(found.subquery())
            return int(connection.execute(statement).scalar_one())

    def materials_of(self, verdict_id: str) -> tuple[UsedMaterial, ...]:
        """Return the materials of a verdict, the most probable first."""
        statement = (
            select(USED_MATERIAL)
            .where(USED_MATERIAL.c.verdict_id == self.find(verdict_id).id)
            .order_by(USED_MATERIAL.c.probability.desc(), USED_MATERIAL.c.material)
        )
        with transaction(self._engine) as connection:
            return tuple(
                UsedMaterial(row.record_id, row.material, row.probability, bool(row.named))
                for row in connection.execute(statement)
            )

    def damaged(self) -> Iterator[Record]:
        """Read every record and yield those whose checksum does not fit."""
        with transaction(self._engine) as connection:
            ids = connection.execute(select(RECORD.c.id).order_by(RECORD.c.created_at)).scalars().all()
        for record_id in ids:
            try:
                self.payload(record_id)
            except RecordError as error:
                if "checksum" not in error.what:
                    raise
                yield self.find(record_id)

    def transaction(self, *, writes: bool = False) -> AbstractContextManager[Connection]:
        """Return a transaction for what works on whole tables: carrying records elsewhere."""
        return transaction(self._engine, writes=writes)


def write_row(
    connection: Connection, row: dict[str, Any], columns: Any, materials: Sequence[UsedMaterial]
) -> None:
    """Insert a record with what belongs to it."""
    table = KIND_TABLES[Kind(row["kind"])]
    unknown = set(columns) - {column.name for column in table.columns}
    if unknown:  # pragma: no cover - a slip in this package, not in what the user gave
        raise AssertionError(f"{table.name} has no columns {unknown}")
    connection.execute(insert(RECORD), row)
    connection.execute(insert(table), {"id": row["id"], **columns})
    if materials:
        connection.execute(
            insert(USED_MATERIAL),
            [
                {
                    "verdict_id": row["id"],
                    "material": used.material,
                    "record_id": used.record_id,
                    "probability": used.probability,
                    "named": used.named,
                }
                for used in materials
            ],
        )


def _same(connection: Connection, kind: Kind, checksum: str) -> str | None:
    statement = (
        select(RECORD.c.id)
        .where(RECORD.c.sha256 == checksum, RECORD.c.kind == kind.value)
        .order_by(RECORD.c.created_at)
        .limit(1)
    )
    return connection.execute(statement).scalar()


def _check_correction(connection: Connection, record: NewRecord) -> None:
    kind = connection.execute(select(RECORD.c.kind).where(RECORD.c.id == record.corrects)).scalar()
    if kind is None or kind != record.kind.value:
        raise RecordError(
            "a correction takes the place of a record of its own kind",
            where="corrects",
            got=f"{record.corrects[:8]} ({kind or 'not there'})",
            allowed=f"a {record.kind.value}",
        )
    if not record.reason.strip():
        raise RecordError("a correction says why", where="reason", got="nothing")


def _records(connection: Connection, rows: Sequence[Row[Any]]) -> tuple[Record, ...]:
    ids = [row.id for row in rows]
    details = _details(connection, rows)
    corrected: dict[str, list[str]] = {}
    later = (
        select(RECORD.c.corrects, RECORD.c.id)
        .where(RECORD.c.corrects.in_(ids))
        .order_by(RECORD.c.created_at, RECORD.c.id)
    )
    for old, new in connection.execute(later):
        corrected.setdefault(old, []).append(new)
    tags = _tags(connection, ids)
    return tuple(
        Record(
            id=row.id,
            kind=Kind(row.kind),
            created_at=row.created_at,
            title=row.title,
            payload_name=row.payload_name,
            sha256=row.sha256,
            size=row.size,
            program=row.program,
            columns=details[row.id],
            settings=json.loads(row.settings),
            corrects=row.corrects or "",
            reason=row.reason,
            corrected_by=tuple(corrected.get(row.id, ())),
            tags=tags.get(row.id, ()),
        )
        for row in rows
    )


def _details(connection: Connection, rows: Sequence[Row[Any]]) -> dict[str, dict[str, Any]]:
    found: dict[str, dict[str, Any]] = {}
    for kind in {row.kind for row in rows}:
        table = KIND_TABLES[Kind(kind)]
        wanted = [row.id for row in rows if row.kind == kind]
        for detail in connection.execute(select(table).where(table.c.id.in_(wanted))).mappings():
            found[detail["id"]] = {key: value for key, value in detail.items() if key != "id"}
    return found


def _tags(connection: Connection, ids: Sequence[str]) -> dict[str, tuple[str, ...]]:
    statement = (
        select(TAG.c.record_id, TAG.c.name)
        .where(TAG.c.record_id.in_(ids), tag_stands())
        .order_by(TAG.c.record_id, TAG.c.name)
    )
    found: dict[str, list[str]] = {}
    for record_id, name in connection.execute(statement):
        found.setdefault(record_id, []).append(name)
    return {record_id: tuple(names) for record_id, names in found.items()}
