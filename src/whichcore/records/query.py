"""From a question to a condition of the database."""

from __future__ import annotations

from sqlalchemy import ColumnElement, and_, exists, or_, select, true

from whichcore.records.rows import Kind, Question
from whichcore.records.schema import KIND_TABLES, RECORD, TAG, USED_MATERIAL

VERDICT, MATERIAL = KIND_TABLES[Kind.VERDICT], KIND_TABLES[Kind.MATERIAL]
SWEEP, BEGUN, CAPTURE = (KIND_TABLES[kind] for kind in (Kind.SWEEP, Kind.SWEEP_BEGUN, Kind.CAPTURE))


def answering(question: Question) -> ColumnElement[bool]:
    """Return the condition on ``record`` that every answer fulfils."""
    parts: list[ColumnElement[bool]] = [true()]
    if question.text:
        text = question.text.strip()
        parts.append(
            or_(
                RECORD.c.title.icontains(text, autoescape=True),
                RECORD.c.id.startswith(text.lower(), autoescape=True),
            )
        )
    if question.kind is not None:
        parts.append(RECORD.c.kind == question.kind.value)
    elif question.without:
        parts.append(RECORD.c.kind.not_in([kind.value for kind in question.without]))
    if question.since:
        parts.append(RECORD.c.created_at >= question.since)
    if question.until:
        # '~' sorts behind every sign of a time: a day alone means all of it
        parts.append(RECORD.c.created_at <= question.until + "~")
    if not question.corrected:
        later = RECORD.alias()
        parts.append(~exists().where(later.c.corrects == RECORD.c.id))
    parts += _of_verdicts(question)
    if question.tag:
        parts.append(_tagged(question.tag))
    if question.about:
        parts.append(_about(question.about))
    return and_(*parts)


def _of_verdicts(question: Question) -> list[ColumnElement[bool]]:
    parts: list[ColumnElement[bool]] = []
    if question.material:
        named = select(USED_MATERIAL.c.verdict_id).where(
            USED_MATERIAL.c.material == question.material, USED_MATERIAL.c.named.is_(True)
        )
        parts.append(RECORD.c.id.in_(named))
    if question.material_class:
        parts.append(
            or_(
                *(
                    RECORD.c.id.in_(
                        select(table.c.id).where(table.c.material_class == question.material_class)
                    )
                    for table in (VERDICT, MATERIAL)
                )
            )
        )
    if question.permeability is not None:
        low, high = question.permeability
        parts.append(
            RECORD.c.id.in_(select(VERDICT.c.id).where(VERDICT.c.initial_permeability.between(low, high)))
        )
    return parts


def tag_stands() -> ColumnElement[bool]:
    """Return the condition on ``tag`` that it is the last word on its name, and puts it on."""
    later = TAG.alias()
    same_time = and_(later.c.created_at == TAG.c.created_at, later.c.id > TAG.c.id)
    newer = exists().where(
        later.c.record_id == TAG.c.record_id,
        later.c.name == TAG.c.name,
        or_(later.c.created_at > TAG.c.created_at, same_time),
    )
    return and_(TAG.c.taken_off.is_(False), ~newer)


def _tagged(name: str) -> ColumnElement[bool]:
    return RECORD.c.id.in_(select(TAG.c.record_id).where(TAG.c.name == name, tag_stands()))


def _about(core: str) -> ColumnElement[bool]:
    """Return the condition that a record is a core, or belongs to it."""
    sweeps = select(SWEEP.c.id).where(SWEEP.c.core_id == core)
    return or_(
        RECORD.c.id == core,
        RECORD.c.id.in_(sweeps),
        *(RECORD.c.id.in_(select(table.c.id).where(table.c.core_id == core)) for table in (VERDICT, BEGUN)),
        RECORD.c.id.in_(select(CAPTURE.c.id).where(CAPTURE.c.sweep_id.in_(sweeps))),
    )
