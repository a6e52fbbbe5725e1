"""Everything a report tells of one core, wherever it comes from."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from whichcore.analysis.materials import Material
from whichcore.analysis.specimen import Specimen
from whichcore.analysis.types import ImpedanceSweep
from whichcore.analysis.verdict import Verdict
from whichcore.measure import StoredCalibration


@dataclass(frozen=True, slots=True)
class UsedFile:
    """A file the verdict rests on.

    Attributes
    ----------
    role, name, sha256 : str
        The checksum by FIPS 180-4, whole.
    record : str
        Id of its record; empty where it is not kept.
    """

    role: str
    name: str
    sha256: str
    record: str = ""


@dataclass(frozen=True, slots=True)
class Dossier:
    """What is known of one core.

    Attributes
    ----------
    name : str
    specimen : Specimen
    sweep : ImpedanceSweep or None
    verdict : Verdict
    fitted : bool
        True where the candidates carry the curves fitted to this core; False where they carry, if any, those
        of the references as they stand, because the record was kept by a version that kept no fitted ones.
    materials : tuple of Material
        Reference materials weighed, the most probable first, as many as are worth a line.
    names : mapping of str to str
        Names of materials by id.
    calibration : StoredCalibration or None
    files : tuple of UsedFile
    given : mapping of str to str
        Other evidence, as the user gave it.
    warnings : tuple of str
    judged_at : str
        ISO 8601, UTC.
    program : str
        Version that judged.
    record : str
        Id of the verdict's record; empty where it is not kept.
    """

    name: str
    specimen: Specimen
    sweep: ImpedanceSweep | None
    verdict: Verdict
    fitted: bool
    materials: tuple[Material, ...]
    names: Mapping[str, str]
    calibration: StoredCalibration | None
    files: tuple[UsedFile, ...]
    given: Mapping[str, str]
    warnings: tuple[str, ...]
    judged_at: str
    program: str
    record: str = ""
