"""The dossier of a core that is judged now, from its files."""

from __future__ import annotations

import hashlib
import warnings
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from datetime import UTC, datetime
from importlib.metadata import version
from pathlib import Path

from whichcore.analysis.materials import Library, Material
from whichcore.errors import WhichcoreWarning
from whichcore.files.text import read_bytes
from whichcore.measure import StoredCalibration
from whichcore.measure.calibration_file import load_calibration
from whichcore.report.dossier import Dossier, UsedFile
from whichcore.workflow import Identification, Request, identify_files

#: Least probability of a material that is worth a line among those used.
LEAST = 1e-3


def dossier_of_files(
    request: Request, library: Library, calibration: Path | None = None, judged_at: datetime | None = None
) -> Dossier:
    """Judge a core and gather what the verdict rests on.

    Parameters
    ----------
    request : Request
    library : Library
    calibration : Path or None
        File of the calibration that the sweep was corrected with.
    judged_at : datetime or None
        None: now. Equal inputs at equal times make equal reports.

    Raises
    ------
    InputError, AnalysisError, LibraryError
        As :func:`whichcore.workflow.identify_files`.
    CalibrationError
        The calibration file has changed.
    """
    with gathered() as told:
        case = identify_files(request, library)
        stored = None if calibration is None else load_calibration(calibration)
    told += [text for text in calibration_doubts(case, stored) if text not in told]
    time = (judged_at or datetime.now(UTC)).astimezone(UTC)
    return Dossier(
        name=case.specimen.name or request.specimen.stem,
        specimen=case.specimen,
        sweep=case.sweep,
        verdict=case.verdict,
        fitted=True,
        materials=_used(case, library),
        names=case.names,
        calibration=stored,
        files=tuple(_files(request, calibration)),
        given=_given(request),
        warnings=tuple(dict.fromkeys([*case.doubts, *told, *case.verdict.warnings])),
        judged_at=time.isoformat(timespec="seconds"),
        program=version("whichcore"),
    )


def _used(case: Identification, library: Library) -> tuple[Material, ...]:
    named = case.verdict.materials
    return tuple(
        library[one.material]
        for one in case.verdict.candidates
        if one.probability >= LEAST or one.material in named
    )


@contextmanager
def gathered() -> Iterator[list[str]]:
    """Collect the warnings meant for the user, so that they come first in the report."""
    told: list[str] = []
    with warnings.catch_warnings(record=True) as caught:
        warnings.simplefilter("always", WhichcoreWarning)
        yield told
    for one in caught:
        if isinstance(one.message, WhichcoreWarning):
            told.append(str(one.message))
        else:
            warnings.warn_explicit(one.message, one.category, one.filename, one.lineno)


def calibration_doubts(case: Identification, stored: StoredCalibration | None) -> list[str]:
    """Say where the calibration given is not the one the sweep was corrected with."""
    if stored is None:
        return []
    if case.sweep is None:
        return ["a calibration was given, but no sweep that it belongs to"]
    used = case.sweep.notes.get("calibration")
    given = stored.model.calibration_id
    if used is None:
        return [f"the sweep does not say which calibration it was corrected with; {given} was given"]
    if used != given:
        return [f"the calibration given, {given}, is not the one the sweep was corrected with, {used}"]
    return []


def _files(request: Request, calibration: Path | None) -> Iterator[UsedFile]:
    named: Mapping[str, Path | None] = {
        "specimen": request.specimen,
        "sweep": request.sweep,
        "second sweep": request.second_sweep,
        "calibration": calibration,
        "parts list": request.parts,
    }
    for role, path in named.items():
        if path is not None:
            yield UsedFile(role, path.name, hashlib.sha256(read_bytes(path)).hexdigest())


def _given(request: Request) -> dict[str, str]:
    told = {
        "readings": "; ".join(request.readings),
        "surface resistance": request.surface_resistance or "",
        "sold as": request.sold_as or "",
    }
    return {key: text for key, text in told.items() if text}
