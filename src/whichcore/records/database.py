"""The way to the database: connections, schema, and what can go wrong with either."""

from __future__ import annotations

import contextlib
import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager
from importlib.resources import as_file, files
from typing import Any

from alembic import command
from alembic.config import Config
from alembic.runtime.migration import MigrationContext
from alembic.script import ScriptDirectory
from sqlalchemy import URL, Connection, Engine, create_engine, event, inspect, text
from sqlalchemy.exc import DBAPIError, NoSuchModuleError, SQLAlchemyError

from whichcore.errors import RecordError
from whichcore.records.address import shown

BUSY_S = 10.0
_MIGRATION_LOCK = 7_426_901  # any number: programs that bring the same database up to date take turns by it


def engine_of(url: URL) -> Engine:
    """Return the engine of an address; nothing is opened yet.

    Raises
    ------
    RecordError
        The driver of the database is not installed.
    """
    options: dict[str, Any] = {}
    if url.drivername == "sqlite":
        options["connect_args"] = {"timeout": BUSY_S}
    else:
        options["connect_args"] = {"connect_timeout": int(BUSY_S)}
    try:
        engine = create_engine(url, pool_pre_ping=True, **options)
    except (ImportError, NoSuchModuleError):
        raise RecordError(
            "the driver of this database is not installed",
            where=shown(url),
            next_step="pip install 'whichcore[postgresql]'",
        ) from None
    if url.drivername == "sqlite":
        event.listen(engine, "connect", _on_connect)
        event.listen(engine, "begin", _on_begin)
    return engine


def _on_connect(connection: Any, _record: object) -> None:
    # the driver would begin transactions where it sees fit, and leave table changes outside
    connection.isolation_level = None
    cursor = connection.cursor()
    for setting in ("synchronous=FULL", "foreign_keys=ON"):
        cursor.execute(f"PRAGMA {setting}")
    cursor.close()


def _on_begin(connection: Connection) -> None:
    writes = connection.get_execution_options().get("writes", False)
    connection.exec_driver_sql("BEGIN IMMEDIATE" if writes else "BEGIN")


@contextmanager
def transaction(engine: Engine, *, writes: bool = False) -> Iterator[Connection]:
    """Give a connection inside one transaction; all of it is kept, or nothing.

    Raises
    ------
    RecordError
        Whatever the database or the way to it says.
    """
    try:
        with engine.connect().execution_options(writes=writes) as connection, connection.begin():
            yield connection
    except SQLAlchemyError as error:
        raise _ours(error, engine.url) from error


_KNOWN_FAULTS = (
    ("database is locked", "another program holds the store", "close it, or wait and try again"),
    ("disk is full", "the disk is full; nothing was changed", "make room, then do the same again"),
    ("readonly database", "the store must not be written to", "change its permissions or choose another"),
    ("attempt to write a readonly", "the store must not be written to", "change its permissions"),
    ("unable to open", "the store cannot be opened", "check its folder and permissions"),
    ("not a database", "this is not a store of records", "name another file, or move this one away"),
    ("malformed", "the store is damaged", "restore a copy, or export what can still be read"),
    ("records are only added to", "records are only added to", "add a correction"),
    ("does not exist", "there is no such database", "make it first: createdb NAME"),
    ("connection", "the database cannot be reached", "check that it runs, its address, and the password"),
    ("password", "the database refuses the user", "check user and password in the address"),
)


def _ours(error: SQLAlchemyError, url: URL) -> RecordError:
    said = str(error.orig if isinstance(error, DBAPIError) else error).strip()
    for part, what, next_step in _KNOWN_FAULTS:
        if part in said:
            return RecordError(what, where=shown(url), got=said.splitlines()[0], next_step=next_step)
    return RecordError(
        "the store cannot do this", where=shown(url), got=said.splitlines()[0] if said else repr(error)
    )


@contextmanager
def _steps() -> Iterator[Config]:
    with as_file(files("whichcore.records.migrations")) as folder:
        config = Config()
        config.set_main_option("script_location", str(folder).replace("%", "%%"))
        yield config


def bring_up_to_date(engine: Engine, revision: str = "head") -> None:
    """Make the tables of an empty database, or change those of an older program.

    Parameters
    ----------
    engine : Engine
    revision : str
        ``head``, or an older one for tests.

    Raises
    ------
    RecordError
        The database belongs to a newer program or to something else, or cannot be changed.
    """
    with _steps() as config:
        known = ScriptDirectory.from_config(config)
        wanted = known.get_current_head() if revision == "head" else revision
        with transaction(engine) as connection:
            # a glance without a lock, which may fall into the middle of what another program makes
            if MigrationContext.configure(connection).get_current_revision() == wanted:
                return
        with transaction(engine, writes=True) as connection:
            if connection.dialect.name == "postgresql":
                connection.execute(text("SELECT pg_advisory_xact_lock(:key)"), {"key": _MIGRATION_LOCK})
            if _revision(connection, known) != wanted:
                config.attributes["connection"] = connection
                command.upgrade(config, revision)
        if engine.dialect.name == "sqlite":
            _let_readers_read(engine)


def _let_readers_read(engine: Engine) -> None:
    """Let programs read a file while another writes to it; this stays with the file.

    Where another program is at work in it just now, the next one to open it does this.
    """
    raw = engine.raw_connection()
    try:
        with contextlib.suppress(sqlite3.OperationalError):
            raw.cursor().execute("PRAGMA journal_mode=WAL")
    finally:
        raw.close()


def _revision(connection: Connection, known: ScriptDirectory) -> str | None:
    """Return the revision of a database, None for an empty one."""
    found = MigrationContext.configure(connection).get_current_revision()
    place = shown(connection.engine.url)
    if found is None and inspect(connection).get_table_names():
        raise RecordError(
            "this database holds something else", where=place, next_step="name an empty or a new one"
        )
    if found is not None and found not in {step.revision for step in known.walk_revisions()}:
        raise RecordError(
            "the store was written by a newer program",
            where=place,
            got=f"schema {found}",
            allowed=f"up to schema {known.get_current_head()}",
            next_step="update whichcore",
        )
    return found
