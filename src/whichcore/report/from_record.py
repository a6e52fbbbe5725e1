"""The dossier of a kept verdict: printed as it was given, never judged again."""

from __future__ import annotations

import json
import tempfile
from collections.abc import Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np

from whichcore.analysis.materials import Material
from whichcore.analysis.specimen import Specimen
from whichcore.analysis.types import ComplexArray, FloatArray, ImpedanceSweep
from whichcore.analysis.verdict import Verdict
from whichcore.errors import RecordError, WhichcoreError
from whichcore.files.material_file import load_material
from whichcore.files.specimen_file import specimen_from_text
from whichcore.files.text import decode, write_bytes, write_text
from whichcore.libraries import library_for
from whichcore.measure import StoredCalibration
from whichcore.measure.calibration_file import load_calibration
from whichcore.records import Kind, Record, Store
from whichcore.records.compare import kept_sweep
from whichcore.records.explanation import KEY, names_of
from whichcore.records.rows import UsedMaterial
from whichcore.report.dossier import Dossier, UsedFile
from whichcore.report.from_files import gathered
from whichcore.report.kept_verdict import verdict_of
from whichcore.report.spectrum import tried_spectrum
from whichcore.workflow import probed_specimen


def dossier_of_record(store: Store, record_id: str) -> Dossier:
    """Gather what is kept of a verdict.

    Parameters
    ----------
    store : Store
    record_id : str
        Id of a verdict, or its beginning.

    Raises
    ------
    RecordError
        There is no such record, it is no verdict, it is damaged, or its format is newer than the program.
    """
    record = store.find(record_id)
    if record.kind is not Kind.VERDICT:
        raise RecordError(
            "a report is made of a verdict",
            where="id",
            got=f"{record.short_id}, a {record.kind.value}",
            allowed="verdict",
            next_step="see whichcore records list --kind verdict",
        )
    with gathered() as told:
        core = store.find(str(record.columns["core_id"]))
        specimen = _specimen(store, core, record.settings)
        beside = [core]
        sweep = None
        if record.columns["sweep_id"]:
            sweep_record, sweep = kept_sweep(store, str(record.columns["sweep_id"]))
            beside.append(sweep_record)
        stored, kept_calibration = _calibration(store, beside[-1], told)
    beside += kept_calibration
    second = record.settings.get("second_sweep")
    if second:
        beside.append(store.find(str(second)))
    used = store.materials_of(record.id)
    materials = [_material(store, one) for one in used]
    kept = _object(store, record)
    verdict = verdict_of(kept, {one.id: one for one in materials})
    doubts = _corrections([record, *beside])
    return Dossier(
        name=record.title,
        specimen=specimen,
        sweep=sweep,
        verdict=_with_curves(verdict, specimen, sweep, () if KEY in kept else materials),
        fitted=KEY in kept,
        materials=tuple(materials),
        names=names_of(kept[KEY]) if KEY in kept else _names(verdict, materials),
        calibration=stored,
        files=tuple(_file(one) for one in [*beside, record]),
        given=_given(record),
        warnings=tuple(dict.fromkeys([*doubts, *told, *verdict.warnings])),
        judged_at=record.created_at[:19] + "+00:00",
        program=record.program,
        record=record.id,
    )


def _object(store: Store, record: Record) -> Mapping[str, Any]:
    """Return the JSON object that a record is."""
    try:
        found = json.loads(decode(store.payload(record.id), Path(f"record {record.short_id}")))
    except ValueError:
        found = None
    if not isinstance(found, dict):
        raise RecordError(
            "this record cannot be read", where=f"record {record.short_id}", got="no JSON object"
        )
    return found


def _specimen(store: Store, core: Record, given: Mapping[str, object]) -> Specimen:
    """Return the core as it was judged, with the surface resistance given beside its file."""
    place = Path(f"record {core.short_id}.toml")
    specimen = specimen_from_text(decode(store.payload(core.id), place), place)
    readings, surface = given.get("readings"), given.get("surface_resistance")
    texts = tuple(map(str, readings)) if isinstance(readings, list) else ()
    return probed_specimen(specimen, texts, str(surface) if surface else None)


def _calibration(
    store: Store, sweep: Record, told: list[str]
) -> tuple[StoredCalibration | None, list[Record]]:
    """Return the calibration of a sweep, where it is kept and can be read."""
    kept = sweep.columns.get("calibration_id")
    if not kept:
        return None, []
    record = store.find(str(kept))
    try:
        with tempfile.TemporaryDirectory() as folder:
            path = Path(folder) / f"{record.short_id}{record.payload_name}"
            write_bytes(path, store.payload(record.id))
            return load_calibration(path), [record]
    except WhichcoreError as error:
        told.append(f"the kept calibration {record.short_id} cannot be read: {error.what}")
        return None, [record]


def _material(store: Store, used: UsedMaterial) -> Material:
    files = _object(store, store.find(used.record_id))
    if not {"toml", "csv"} <= set(files):
        raise RecordError(
            "this is no material", where=f"record {used.record_id[:8]}", got=", ".join(files) or "nothing"
        )
    with tempfile.TemporaryDirectory() as folder:
        toml = Path(folder) / f"{used.material}.toml"
        write_text(toml, str(files["toml"]))
        write_text(toml.with_suffix(".csv"), str(files["csv"]))
        return load_material(toml)


def _names(verdict: Verdict, materials: Sequence[Material]) -> dict[str, str]:
    """Return the names kept; one too improbable to be kept goes by the name it has here, or its id."""
    here = {one.id: one.name for one in library_for(()).materials}
    names = {one.material: here.get(one.material, one.material) for one in verdict.candidates}
    return names | {one.id: one.name for one in materials}


def _with_curves(
    verdict: Verdict, specimen: Specimen, sweep: ImpedanceSweep | None, materials: Sequence[Material]
) -> Verdict:
    """Give the verdict the measured spectrum, and candidates of these references their curves as they are."""
    spectrum = tried_spectrum(sweep, specimen)
    if spectrum is None:
        return verdict
    for one in verdict.candidates:
        if one.fitted is not None and one.fitted.shape != spectrum.frequency_hz.shape:
            raise RecordError(
                "the curves kept with a verdict do not belong to its sweep",
                where=f"candidate {one.material}",
                got=f"{one.fitted.size} points",
                allowed=str(spectrum.frequency_hz.size),
            )
    by_id = {one.id: one for one in materials}
    candidates = tuple(
        replace(one, fitted=_read(by_id[one.material], spectrum.frequency_hz))
        if one.material in by_id
        else one
        for one in verdict.candidates
    )
    return replace(verdict, spectrum=spectrum, candidates=candidates)


def _read(material: Material, frequency_hz: FloatArray) -> ComplexArray:
    """Read a reference curve at frequencies, straight over log f; NaN outside its own span."""
    own, wanted = np.log(material.frequency_hz), np.log(frequency_hz)
    curve = np.interp(wanted, own, material.permeability)
    return np.asarray(np.where((wanted >= own[0]) & (wanted <= own[-1]), curve, np.nan))


def _corrections(records: Sequence[Record]) -> list[str]:
    return [
        f"the {one.kind.value} {one.short_id} was corrected later, "
        f"by {', '.join(by[:8] for by in one.corrected_by)}"
        for one in records
        if one.corrected_by
    ]


def _file(record: Record) -> UsedFile:
    return UsedFile(record.kind.value, f"{record.title} ({record.payload_name})", record.sha256, record.id)


def _given(record: Record) -> dict[str, str]:
    settings = record.settings
    readings = settings.get("readings")
    libraries = settings.get("libraries")
    told = {
        "readings": "; ".join(map(str, readings)) if isinstance(readings, list) else "",
        "surface resistance": str(settings.get("surface_resistance") or ""),
        "sold as": str(settings.get("sold_as") or ""),
        "libraries": ", ".join(map(str, libraries)) if isinstance(libraries, list) else "",
        "corrects": f"{record.corrects[:8]}: {record.reason}" if record.corrects else "",
    }
    return {key: text for key, text in told.items() if text}
