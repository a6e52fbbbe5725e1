"""The tables of the store: one row of ``record`` for each record, one of its kind's table beside it."""

from __future__ import annotations

from typing import Any

from sqlalchemy import (
    BigInteger,
    Boolean,
    Column,
    Float,
    ForeignKey,
    Index,
    Integer,
    LargeBinary,
    MetaData,
    String,
    Table,
    Text,
)

from whichcore.records.rows import Kind

METADATA = MetaData()
ID = String(32)


def _refers(name: str, *, needed: bool = False) -> Column[str]:
    return Column(name, ID, ForeignKey("record.id"), nullable=not needed, index=True)


RECORD = Table(
    "record",
    METADATA,
    Column("id", ID, primary_key=True),
    Column("kind", String(16), nullable=False),
    Column("created_at", String(32), nullable=False, index=True),
    Column("title", Text, nullable=False),
    Column("payload", LargeBinary, nullable=False),
    Column("payload_name", String(16), nullable=False),
    Column("size", BigInteger, nullable=False),
    Column("sha256", String(64), nullable=False),
    Column("program", String(32), nullable=False),
    Column("settings", Text, nullable=False),
    _refers("corrects"),
    Column("reason", Text, nullable=False),
    Index("ix_record_kind_created_at", "kind", "created_at"),
    Index("ix_record_sha256_kind", "sha256", "kind"),
)


def _of_kind(kind: Kind, *columns: Column[Any]) -> Table:
    own = Column("id", ID, ForeignKey("record.id"), primary_key=True)
    return Table(kind.value.replace("-", "_"), METADATA, own, *columns)


KIND_TABLES: dict[Kind, Table] = {
    Kind.CORE: _of_kind(
        Kind.CORE,
        Column("shape", String(16), nullable=False),
        Column("turns", Integer, nullable=False),
        Column("length_m", Float),
        Column("area_m2", Float),
    ),
    Kind.CALIBRATION: _of_kind(
        Kind.CALIBRATION,
        Column("label", String(64), nullable=False, index=True),
        Column("wiring", String(32), nullable=False),
        Column("error_model", String(32), nullable=False),
        Column("from_hz", Float, nullable=False),
        Column("to_hz", Float, nullable=False),
    ),
    Kind.VERIFICATION: _of_kind(
        Kind.VERIFICATION,
        _refers("calibration_id"),
        Column("part", Text, nullable=False),
        Column("passed", Boolean, nullable=False),
        Column("share", Float, nullable=False),
    ),
    Kind.SWEEP_BEGUN: _of_kind(
        Kind.SWEEP_BEGUN,
        _refers("core_id"),
        Column("journal", Text, nullable=False),
        Column("machine", Text, nullable=False),
    ),
    Kind.SWEEP: _of_kind(
        Kind.SWEEP,
        _refers("begun_id"),
        _refers("core_id"),
        _refers("calibration_id"),
        Column("wiring", String(32)),
        Column("from_hz", Float, nullable=False),
        Column("to_hz", Float, nullable=False),
        Column("points", Integer, nullable=False),
        Column("temperature_c", Float),
        Column("flux_density_t", Float),
        Column("measured_at", String(40)),
    ),
    Kind.CAPTURE: _of_kind(
        Kind.CAPTURE,
        _refers("sweep_id"),
        Column("frequency_hz", Float),
    ),
    Kind.MATERIAL: _of_kind(
        Kind.MATERIAL,
        Column("material", String(128), nullable=False, index=True),
        Column("material_class", String(32), nullable=False),
        Column("initial_permeability", Float, nullable=False),
    ),
    Kind.VERDICT: _of_kind(
        Kind.VERDICT,
        _refers("core_id", needed=True),
        _refers("sweep_id"),
        Column("verdict_kind", String(16), nullable=False),
        Column("named", Text, nullable=False),
        Column("material_class", String(32), index=True),
        Column("probability", Float, nullable=False),
        Column("initial_permeability", Float, index=True),
        Column("u_initial_permeability", Float),
    ),
}

USED_MATERIAL = Table(
    "used_material",
    METADATA,
    Column("verdict_id", ID, ForeignKey("record.id"), primary_key=True),
    Column("material", String(128), primary_key=True),
    Column("record_id", ID, ForeignKey("record.id"), nullable=False),
    Column("probability", Float, nullable=False),
    Column("named", Boolean, nullable=False),
    Index("ix_used_material_material_named", "material", "named"),
)

TAG = Table(
    "tag",
    METADATA,
    Column("id", ID, primary_key=True),
    Column("record_id", ID, ForeignKey("record.id"), nullable=False, index=True),
    Column("name", String(64), nullable=False, index=True),
    Column("created_at", String(32), nullable=False),
    Column("taken_off", Boolean, nullable=False),
)
