"""From a question to a condition of the database."""

from __future__ import annotations

from sqlalchemy import ColumnElement, Connection, and_, exists, or_, select, true
from sqlalchemy import text as sql

from whichcore.records.rows import Kind, Question
from whichcore.records.schema import KIND_TABLES, RECORD, TAG, USED_MATERIAL

SHORTEST_INDEXED = 3  # letters
RARE = 500  # records with a text; more of them are met sooner by looking through the newest
VERDICT, MATERIAL = KIND_TABLES[Kind.VERDICT], KIND_TABLES[Kind.MATERIAL]
CALIBRATION = KIND_TABLES[Kind.CALIBRATION]
SWEEP, BEGUN, CAPTURE = (KIND_TABLES[kind] for kind in (Kind.SWEEP, Kind.SWEEP_BEGUN, Kind.CAPTURE))


def answering(connection: Connection, question: Question) -> ColumnElement[bool]:
    """Return the condition on ``record`` that every answer fulfils.

    Parameters
    ----------
    connection : Connection
        Asked for the few records that hold a rare text, where its database keeps an index of titles.
    question : Question
    """
    parts: list[ColumnElement[bool]] = [true()]
    if text := question.text.strip():
        parts.append(
            _titled(connection, text)
            if not _is_hexadecimal(text)
            else or_(_titled(connection, text), RECORD.c.id.between(text.lower(), text.lower() + "g"))
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
    parts += _of_the_bench(question)
    return and_(*parts)


def _of_the_bench(question: Question) -> list[ColumnElement[bool]]:
    parts: list[ColumnElement[bool]] = []
    if question.calibration:
        parts.append(
            RECORD.c.id.in_(select(CALIBRATION.c.id).where(CALIBRATION.c.label == question.calibration))
        )
    if question.journal:
        parts.append(RECORD.c.id.in_(select(BEGUN.c.id).where(BEGUN.c.journal == question.journal)))
    if question.unfinished:
        parts += [RECORD.c.kind == Kind.SWEEP_BEGUN.value, ~exists().where(SWEEP.c.begun_id == RECORD.c.id)]
    return parts


def _is_hexadecimal(text: str) -> bool:
    return set(text.lower()) <= set("0123456789abcdef")


def _titled(connection: Connection, text: str) -> ColumnElement[bool]:
    """Return the condition that a title holds a text.

    A rare text is looked up in the index of three letters; a frequent one is soon met from the newest on.
    """
    like = RECORD.c.title.icontains(text, autoescape=True)
    if connection.dialect.name != "sqlite" or len(text) < SHORTEST_INDEXED or not _has_index(connection):
        return like
    asked = sql("SELECT record_id FROM record_title WHERE record_title MATCH :text LIMIT :most")
    phrase = '"' + text.replace('"', '""') + '"'
    found = connection.execute(asked, {"text": phrase, "most": RARE + 1}).scalars().all()
    return RECORD.c.id.in_(found) if len(found) <= RARE else like


def _has_index(connection: Connection) -> bool:
    known = sql("SELECT 1 FROM sqlite_master WHERE name = 'record_title'")
    return connection.execute(known).scalar() is not None


def after(question: Question) -> ColumnElement[bool]:
    """Return the condition that a record follows the one the page begins behind, in the order of the list.

    The bound of the time stands alone, outside of the ``or``: so the index of times begins there, however far
    down the page is.
    """
    if not question.before:
        return true()
    last = RECORD.alias()
    at = select(last.c.created_at).where(last.c.id == question.before).scalar_subquery()
    return and_(RECORD.c.created_at <= at, or_(RECORD.c.created_at < at, RECORD.c.id > question.before))


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
