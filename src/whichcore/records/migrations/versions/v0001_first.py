"""The first schema: records, what is peculiar to each kind, materials of a verdict, tags; nothing changes."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0001"
down_revision = None
branch_labels = None
depends_on = None

ID = sa.String(32)
RECORD_ID = "record.id"
OTHERS = (
    "core",
    "calibration",
    "verification",
    "sweep_begun",
    "sweep",
    "capture",
    "material",
    "verdict",
    "used_material",
    "tag",
)


def upgrade() -> None:
    """Make the tables, and refuse every change of a row in them."""
    _records()
    _bench()
    _cores()
    _verdicts()
    for table in ("record", *OTHERS):
        _only_added_to(table)
    _title_index()


def _own() -> sa.Column[str]:
    return sa.Column("id", ID, sa.ForeignKey(RECORD_ID), primary_key=True)


def _refers(name: str, *, nullable: bool = True) -> sa.Column[str]:
    return sa.Column(name, ID, sa.ForeignKey(RECORD_ID), nullable=nullable, index=True)


def _records() -> None:
    op.create_table(
        "record",
        sa.Column("id", ID, primary_key=True),
        sa.Column("kind", sa.String(16), nullable=False),
        sa.Column("created_at", sa.String(32), nullable=False, index=True),
        sa.Column("title", sa.Text, nullable=False),
        sa.Column("payload", sa.LargeBinary, nullable=False),
        sa.Column("payload_name", sa.String(16), nullable=False),
        sa.Column("size", sa.BigInteger, nullable=False),
        sa.Column("sha256", sa.String(64), nullable=False),
        sa.Column("program", sa.String(32), nullable=False),
        sa.Column("settings", sa.Text, nullable=False),
        _refers("corrects"),
        sa.Column("reason", sa.Text, nullable=False),
    )
    op.create_index("ix_record_kind_created_at", "record", ["kind", "created_at"])
    op.create_index("ix_record_sha256_kind", "record", ["sha256", "kind"])
    op.create_table(
        "tag",
        sa.Column("id", ID, primary_key=True),
        sa.Column("record_id", ID, sa.ForeignKey(RECORD_ID), nullable=False, index=True),
        sa.Column("name", sa.String(64), nullable=False, index=True),
        sa.Column("created_at", sa.String(32), nullable=False),
        sa.Column("taken_off", sa.Boolean, nullable=False),
    )


def _bench() -> None:
    op.create_table(
        "calibration",
        _own(),
        sa.Column("label", sa.String(64), nullable=False, index=True),
        sa.Column("wiring", sa.String(32), nullable=False),
        sa.Column("error_model", sa.String(32), nullable=False),
        sa.Column("from_hz", sa.Float, nullable=False),
        sa.Column("to_hz", sa.Float, nullable=False),
    )
    op.create_table(
        "verification",
        _own(),
        _refers("calibration_id"),
        sa.Column("part", sa.Text, nullable=False),
        sa.Column("passed", sa.Boolean, nullable=False),
        sa.Column("share", sa.Float, nullable=False),
    )


def _cores() -> None:
    op.create_table(
        "core",
        _own(),
        sa.Column("shape", sa.String(16), nullable=False),
        sa.Column("turns", sa.Integer, nullable=False),
        sa.Column("length_m", sa.Float),
        sa.Column("area_m2", sa.Float),
    )
    op.create_table(
        "sweep_begun",
        _own(),
        _refers("core_id"),
        sa.Column("journal", sa.Text, nullable=False),
        sa.Column("machine", sa.Text, nullable=False),
    )
    op.create_table(
        "sweep",
        _own(),
        _refers("begun_id"),
        _refers("core_id"),
        _refers("calibration_id"),
        sa.Column("wiring", sa.String(32)),
        sa.Column("from_hz", sa.Float, nullable=False),
        sa.Column("to_hz", sa.Float, nullable=False),
        sa.Column("points", sa.Integer, nullable=False),
        sa.Column("temperature_c", sa.Float),
        sa.Column("flux_density_t", sa.Float),
        sa.Column("measured_at", sa.String(40)),
    )
    op.create_table("capture", _own(), _refers("sweep_id"), sa.Column("frequency_hz", sa.Float))


def _verdicts() -> None:
    op.create_table(
        "material",
        _own(),
        sa.Column("material", sa.String(128), nullable=False, index=True),
        sa.Column("material_class", sa.String(32), nullable=False),
        sa.Column("initial_permeability", sa.Float, nullable=False),
    )
    op.create_table(
        "verdict",
        _own(),
        _refers("core_id", nullable=False),
        _refers("sweep_id"),
        sa.Column("verdict_kind", sa.String(16), nullable=False),
        sa.Column("named", sa.Text, nullable=False),
        sa.Column("material_class", sa.String(32), index=True),
        sa.Column("probability", sa.Float, nullable=False),
        sa.Column("initial_permeability", sa.Float, index=True),
        sa.Column("u_initial_permeability", sa.Float),
    )
    op.create_table(
        "used_material",
        sa.Column("verdict_id", ID, sa.ForeignKey(RECORD_ID), primary_key=True),
        sa.Column("material", sa.String(128), primary_key=True),
        sa.Column("record_id", ID, sa.ForeignKey(RECORD_ID), nullable=False),
        sa.Column("probability", sa.Float, nullable=False),
        sa.Column("named", sa.Boolean, nullable=False),
    )
    op.create_index("ix_used_material_material_named", "used_material", ["material", "named"])


def _title_index() -> None:
    """Index every three letters of the titles, where the database can; without it a search takes longer."""
    if op.get_bind().dialect.name == "sqlite":
        steps = (
            "CREATE VIRTUAL TABLE record_title USING fts5(record_id UNINDEXED, title, tokenize='trigram')",
            "CREATE TRIGGER record_title_added AFTER INSERT ON record BEGIN "
            "INSERT INTO record_title (record_id, title) VALUES (NEW.id, NEW.title); END",
        )
    else:
        steps = (
            "CREATE EXTENSION IF NOT EXISTS pg_trgm",
            "CREATE INDEX ix_record_title ON record USING gin (title gin_trgm_ops)",
        )
    try:
        with op.get_bind().begin_nested():
            for step in steps:
                op.execute(step)
    except sa.exc.DBAPIError:
        return  # an old SQLite, or a user who may not add extensions


def _only_added_to(table: str) -> None:
    """Let the database itself refuse to change or remove a row."""
    if op.get_bind().dialect.name == "sqlite":
        for change in ("UPDATE", "DELETE"):
            op.execute(
                f"CREATE TRIGGER {table}_no_{change.lower()} BEFORE {change} ON {table} "
                "BEGIN SELECT RAISE(ABORT, 'records are only added to'); END"
            )
        return
    if table == "record":
        op.execute(
            "CREATE FUNCTION records_are_only_added_to() RETURNS trigger LANGUAGE plpgsql AS "
            "$$ BEGIN RAISE EXCEPTION 'records are only added to'; END $$"
        )
    op.execute(
        f"CREATE TRIGGER {table}_no_change BEFORE UPDATE OR DELETE ON {table} "
        "FOR EACH STATEMENT EXECUTE FUNCTION records_are_only_added_to()"
    )
