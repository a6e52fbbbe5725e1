"""What goes into the store, what comes out of it, and what can be asked."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import UTC, datetime
from enum import StrEnum

Value = str | int | float | bool | None


class Kind(StrEnum):
    """Kinds of record."""

    CORE = "core"
    CALIBRATION = "calibration"
    VERIFICATION = "verification"
    SWEEP_BEGUN = "sweep-begun"
    SWEEP = "sweep"
    CAPTURE = "capture"
    MATERIAL = "material"
    VERDICT = "verdict"


@dataclass(frozen=True, slots=True)
class UsedMaterial:
    """A material in a verdict.

    Attributes
    ----------
    record_id : str
        Of the material's record.
    material : str
        Id of the material.
    probability : float
    named : bool
        True when the verdict names it.
    """

    record_id: str
    material: str
    probability: float
    named: bool


@dataclass(frozen=True, slots=True)
class NewRecord:
    """A record to be added.

    Attributes
    ----------
    kind : Kind
    title : str
    payload : bytes
        The file it came from, byte for byte.
    payload_name : str
        Ending that tells the format, such as ``.csv``.
    columns : mapping of str to value
        Of the kind's own table; ids of other records among them.
    settings : mapping
        Snapshot of what it was made with.
    corrects, reason : str
        Id of the record it takes the place of, and why; empty for none.
    materials : tuple of UsedMaterial
        Of a verdict.
    """

    kind: Kind
    title: str
    payload: bytes
    payload_name: str
    columns: Mapping[str, Value] = field(default_factory=dict)
    settings: Mapping[str, object] = field(default_factory=dict)
    corrects: str = ""
    reason: str = ""
    materials: tuple[UsedMaterial, ...] = ()


@dataclass(frozen=True, slots=True)
class Record:
    """A record without its payload.

    Attributes
    ----------
    id : str
        32 hexadecimal digits; any beginning that is unique names it.
    kind : Kind
    created_at : str
        ISO 8601, UTC.
    title, payload_name, sha256, program : str
        The last is the version of the program that kept it.
    size : int
        Of the payload, bytes.
    columns : mapping of str to value
    settings : mapping
    corrects, reason : str
    corrected_by : tuple of str
        Records that take its place, the oldest first.
    tags : tuple of str
    """

    id: str
    kind: Kind
    created_at: str
    title: str
    payload_name: str
    sha256: str
    size: int
    program: str
    columns: Mapping[str, Value]
    settings: Mapping[str, object]
    corrects: str = ""
    reason: str = ""
    corrected_by: tuple[str, ...] = ()
    tags: tuple[str, ...] = ()

    @property
    def short_id(self) -> str:
        """The digits shown."""
        return self.id[:8]

    def to_dict(self) -> dict[str, object]:
        """Return the fields of JSON; null where it corrects nothing."""
        return {
            "id": self.id,
            "kind": self.kind.value,
            "created_at": self.created_at,
            "title": self.title,
            "tags": list(self.tags),
            "columns": dict(self.columns),
            "settings": dict(self.settings),
            "corrects": self.corrects or None,
            "reason": self.reason or None,
            "corrected_by": list(self.corrected_by),
            "sha256": self.sha256,
            "size": self.size,
            "program": self.program,
        }


@dataclass(frozen=True, slots=True)
class Question:
    """What is looked for; everything stated must hold.

    Attributes
    ----------
    text : str
        Part of the title, or the beginning of the id; capitals are equal to small letters.
    kind : Kind or None
    without : tuple of Kind
        Kinds left out, where no kind is stated.
    tag, material, material_class : str
        The material is one that a verdict names; the class that of a verdict or material.
    since, until : str
        ISO 8601 dates or times, UTC; the second is included.
    permeability : (float, float) or None
        Range of the initial permeability of a verdict.
    about : str
        Id of a core: everything that belongs to it.
    calibration : str
        Label of a calibration, as a sweep file names it.
    journal : str
        Path of the journal of a sweep that was begun.
    unfinished : bool
        True: sweeps that were begun and not yet taken in.
    corrected : bool
        True: records that another one corrects are shown too.
    before : str
        Id of a record: those that follow it in the list, for its next page.
    most : int
    """

    text: str = ""
    kind: Kind | None = None
    without: tuple[Kind, ...] = ()
    tag: str = ""
    material: str = ""
    material_class: str = ""
    since: str = ""
    until: str = ""
    permeability: tuple[float, float] | None = None
    about: str = ""
    calibration: str = ""
    journal: str = ""
    unfinished: bool = False
    corrected: bool = False
    before: str = ""
    most: int = 50


def now() -> str:
    """Return the time, ISO 8601, UTC, to the microsecond."""
    return datetime.now(UTC).isoformat(timespec="microseconds")
