"""From the files of a measurement to records of them."""

from __future__ import annotations

import io
import json
import platform
import tempfile
from collections.abc import Mapping
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from whichcore.analysis.geometry import core_geometry
from whichcore.analysis.materials import Material
from whichcore.analysis.specimen import Rod, Specimen
from whichcore.analysis.types import Capture, ImpedanceSweep
from whichcore.calibration.verify import Verification
from whichcore.files import load_specimen, load_sweep, write_material
from whichcore.files.text import read_bytes
from whichcore.measure.calibration_file import load_calibration
from whichcore.records.explanation import KEY, explanation_of
from whichcore.records.rows import Kind, NewRecord, Question, Record, UsedMaterial, Value
from whichcore.records.store import Store
from whichcore.workflow import Identification, Request

MOST_UNFINISHED = 1000
NEGLIGIBLE = 1e-3  # probability below which a material is not written down with a verdict
Settings = Mapping[str, object]


@dataclass(frozen=True, slots=True)
class Origin:
    """What a record is made from, and of what it takes the place.

    Attributes
    ----------
    corrects, reason : str
        Id of the record it corrects, and why; empty for none.
    settings : mapping
        Snapshot of what it was made with.
    """

    corrects: str = ""
    reason: str = ""
    settings: Settings | None = None


def keep_core(store: Store, path: Path, origin: Origin | None = None) -> str:
    """Keep a specimen file; the same file is kept once.

    Returns
    -------
    str
        Id of the record.

    Raises
    ------
    InputError
        The file is wrong.
    RecordError
    """
    specimen = load_specimen(path)
    columns: dict[str, Value] = {
        "shape": type(specimen.core).__name__.lower(),
        "turns": specimen.winding.turns,
        **_size(specimen),
    }
    return _add(store, _from_file(Kind.CORE, path, specimen.name or path.stem, columns), origin)


def _size(specimen: Specimen) -> dict[str, Value]:
    if isinstance(specimen.core, Rod):
        return {}
    effective = core_geometry(specimen).effective
    return {"length_m": float(effective.length_m), "area_m2": float(effective.area_m2)}


def keep_calibration(store: Store, path: Path, origin: Origin | None = None) -> str:
    """Keep a calibration file; the same file is kept once."""
    stored = load_calibration(path)
    frequency = stored.model.frequency_hz
    columns: dict[str, Value] = {
        "label": stored.model.calibration_id,
        "wiring": str(stored.model.fingerprint.wiring),
        "error_model": stored.model.kind,
        "from_hz": float(frequency[0]),
        "to_hz": float(frequency[-1]),
    }
    title = f"{stored.header.get('bench', 'bench')}, {stored.header.get('started', '')}"
    return _add(store, _from_file(Kind.CALIBRATION, path, title, columns), origin)


def keep_verification(
    store: Store, verification: Verification, report: Mapping[str, object], calibration_id: str = ""
) -> str:
    """Keep the check of a calibration.

    Parameters
    ----------
    store : Store
    verification : Verification
    report : mapping
        As the command prints it with ``--json``.
    calibration_id : str
        Id of the calibration's record; empty where it is not kept.
    """
    payload = json.dumps(report, ensure_ascii=False, allow_nan=False, indent=2).encode()
    columns: dict[str, Value] = {
        "calibration_id": calibration_id or None,
        "part": verification.part,
        "passed": bool(verification.passed),
        "share": float(verification.share.max()),
    }
    return store.add(NewRecord(Kind.VERIFICATION, verification.part, payload, ".json", columns))


def begin_sweep(store: Store, journal: Path, core_id: str = "", settings: Settings | None = None) -> str:
    """Write down that a sweep is running, and where its journal is.

    A journal that is taken up again keeps the record it has, until it has come to its end.
    """
    place = str(journal.absolute())
    for record in store.search(Question(journal=place, unfinished=True)):
        if record.columns["machine"] == platform.node():
            return record.id
    columns: dict[str, Value] = {"core_id": core_id or None, "journal": place, "machine": platform.node()}
    payload = json.dumps({"journal": place, "machine": platform.node()}).encode()
    return store.add(
        NewRecord(Kind.SWEEP_BEGUN, journal.stem, payload, ".json", columns, settings=settings or {})
    )


def finish_sweep(store: Store, begun_id: str) -> str:
    """Take in the journal of a sweep that has come to its end."""
    begun = store.find(begun_id)
    return keep_sweep(
        store,
        Path(str(begun.columns["journal"])),
        core_id=str(begun.columns["core_id"] or ""),
        begun_id=begun.id,
        origin=Origin(settings=begun.settings),
    )


def keep_sweep(
    store: Store, path: Path, *, core_id: str = "", begun_id: str = "", origin: Origin | None = None
) -> str:
    """Keep a sweep file; the same file is kept once.

    Raises
    ------
    InputError
        The file is wrong.
    RecordError
    """
    sweep = load_sweep(path)
    columns = _columns_of(sweep) | {
        "core_id": core_id or None,
        "begun_id": begun_id or None,
        "calibration_id": _calibration(store, sweep),
    }
    title = sweep.notes.get("specimen") or path.stem
    return _add(store, _from_file(Kind.SWEEP, path, title, columns), origin)


def _columns_of(sweep: ImpedanceSweep) -> dict[str, Value]:
    flux = sweep.flux_density_t
    return {
        "wiring": None if sweep.wiring is None else str(sweep.wiring),
        "from_hz": float(sweep.frequency_hz[0]),
        "to_hz": float(sweep.frequency_hz[-1]),
        "points": int(sweep.frequency_hz.size),
        "temperature_c": sweep.temperature_c,
        "flux_density_t": None if flux is None or not np.isfinite(flux).any() else float(np.nanmax(flux)),
        "measured_at": sweep.notes.get("started"),
    }


def _calibration(store: Store, sweep: ImpedanceSweep) -> str | None:
    label = sweep.notes.get("calibration")
    if not label:
        return None
    found = store.search(Question(kind=Kind.CALIBRATION, calibration=label, most=1))
    return found[0].id if found else None


def keep_verdict(
    store: Store,
    case: Identification,
    core_id: str,
    sweep_id: str = "",
    origin: Origin | None = None,
) -> str:
    """Keep a verdict with the materials it weighed, and with how it explains the data.

    Parameters
    ----------
    store : Store
    case : Identification
    core_id, sweep_id : str
        Records of the core and, where there was one, of its sweep.
    origin : Origin or None
        Its settings hold the other evidence, as the user gave it.
    """
    verdict, given = case.verdict, origin or Origin()
    by_id = {material.id: material for material in case.library.materials}
    used = tuple(
        UsedMaterial(
            _keep_material(store, by_id[candidate.material]),
            candidate.material,
            candidate.probability,
            candidate.material in verdict.materials,
        )
        for candidate in verdict.candidates
        if candidate.probability >= NEGLIGIBLE or candidate.material in verdict.materials
    )
    initial = verdict.initial_permeability
    columns: dict[str, Value] = {
        "core_id": core_id,
        "sweep_id": sweep_id or None,
        "verdict_kind": verdict.kind.value,
        "named": ", ".join(verdict.materials),
        "material_class": verdict.material_class,
        "probability": verdict.probability,
        "initial_permeability": initial.value,
        "u_initial_permeability": initial.standard_uncertainty,
    }
    told = verdict.to_dict() | {KEY: explanation_of(verdict, case.names)}
    payload = json.dumps(told, ensure_ascii=False, allow_nan=False, indent=2).encode()
    title = case.specimen.name or store.find(core_id).title
    new = NewRecord(Kind.VERDICT, title, payload, ".json", columns, given.settings or {}, materials=used)
    return store.add(replace(new, corrects=given.corrects, reason=given.reason))


def keep_case(
    store: Store, request: Request, case: Identification, origin: Origin | None = None
) -> tuple[str, ...]:
    """Keep what an identification was made from, and its verdict.

    Returns
    -------
    tuple of str
        Ids: the core, its sweep where there is one, the verdict last, which is what ``origin`` belongs to.
    """
    given = origin or Origin()
    core = keep_core(store, request.specimen)
    sweep = "" if request.sweep is None else keep_sweep(store, request.sweep, core_id=core)
    second = "" if request.second_sweep is None else keep_sweep(store, request.second_sweep, core_id=core)
    evidence = {
        "readings": list(request.readings),
        "surface_resistance": request.surface_resistance,
        "sold_as": request.sold_as,
        "second_sweep": second,
    }
    settings = {**evidence, **(given.settings or {})}
    verdict = keep_verdict(store, case, core, sweep, replace(given, settings=settings))
    return tuple(one for one in (core, sweep, verdict) if one)


def _keep_material(store: Store, material: Material) -> str:
    with tempfile.TemporaryDirectory() as folder:
        toml = write_material(folder, material)
        files = {
            path.suffix[1:]: path.read_text(encoding="utf-8") for path in (toml, toml.with_suffix(".csv"))
        }
    columns: dict[str, Value] = {
        "material": material.id,
        "material_class": material.material_class.value,
        "initial_permeability": material.initial_permeability,
    }
    payload = json.dumps(files, ensure_ascii=False).encode()
    return store.add(NewRecord(Kind.MATERIAL, material.name, payload, ".json", columns), once=True)


def keep_capture(store: Store, capture: Capture, sweep_id: str = "") -> str:
    """Keep raw voltages as plain arrays (NPZ), without anything that could be run."""
    frequency, labels = capture.frequency_hz, capture.range_labels or ()
    title = " ".join(["raw record", *([] if frequency is None else [f"at {frequency:g} Hz"]), *labels])
    buffer = io.BytesIO()
    np.savez_compressed(
        buffer,
        samples=capture.samples,
        interval_s=capture.interval_s,
        volts_per_code=np.array(capture.volts_per_code),
        offset_v=np.array(capture.offset_v),
        frequency_hz=np.nan if frequency is None else frequency,
        range_labels=np.array(labels, dtype=str),
    )
    columns: dict[str, Value] = {"sweep_id": sweep_id or None, "frequency_hz": frequency}
    return store.add(NewRecord(Kind.CAPTURE, title, buffer.getvalue(), ".npz", columns))


def unfinished_sweeps(store: Store) -> tuple[Record, ...]:
    """Return the sweeps that were begun and not yet taken in, the newest first."""
    return store.search(Question(unfinished=True, most=MOST_UNFINISHED))


def _add(store: Store, new: NewRecord, origin: Origin | None) -> str:
    """Add a record made from a file; the same file is kept once, unless it corrects something."""
    given = origin or Origin()
    whole = replace(new, settings=given.settings or {}, corrects=given.corrects, reason=given.reason)
    return store.add(whole, once=not given.corrects)


def _from_file(kind: Kind, path: Path, title: str, columns: Mapping[str, Value]) -> NewRecord:
    return NewRecord(kind, title, read_bytes(path), path.suffix.lower(), columns)
