"""The child process at the desk: ``python -m whichcore.web.desk``. Records, libraries, plans, uploads.

Everything here is quick; what computes for seconds is the judge's.
"""

from __future__ import annotations

import signal
import tomllib
from dataclasses import dataclass
from importlib.metadata import version
from pathlib import Path
from typing import Any

import numpy as np

from whichcore.analysis.coercive import coercive_fields
from whichcore.analysis.geometry import core_geometry
from whichcore.analysis.materials import Material, MaterialClass
from whichcore.analysis.permeability import air_inductance_h, permeability
from whichcore.analysis.specimen import Rod
from whichcore.bench import find_bench, load_bench
from whichcore.errors import InputError, WhichcoreError
from whichcore.files import load_specimen, make_folder
from whichcore.files.specimen_file import specimen_from_text
from whichcore.files.text import create_bytes, decode
from whichcore.libraries import library_for
from whichcore.measure.bench_accuracy import kept
from whichcore.measure.hands import CAUTION
from whichcore.records import Kind, Question, Record, Store, compare_sweeps, open_store, unfinished_sweeps
from whichcore.records.compare import kept_sweep
from whichcore.rig.virtual.cores import cores
from whichcore.web.calibrations import calibration_fields
from whichcore.web.curves import impedance_curve, permeability_curve
from whichcore.web.folders import sweeps_folder, uploads_folder
from whichcore.web.messages import Answering
from whichcore.web.tracing import save_traced, trace_curves

MOST_RECORDS = 200


def main() -> None:
    """Answer until the input closes."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    Answering(
        {
            "state": state,
            "core.check": check_core,
            "core.read": read_core,
            "bench.calibrations": calibrations,
            "records.search": search,
            "records.show": show,
            "records.sweep": sweep_data,
            "records.swept": swept,
            "records.compare": compare,
            "records.tag": tag,
            "records.file": file_of,
            "library.list": list_library,
            "library.show": show_material,
            "library.trace": trace_curves,
            "library.save": save_traced,
            "upload": upload,
        }
    ).run()


# --- the bench and the core --------------------------------------------------------------------------------


def state() -> dict[str, Any]:
    """Tell what there is to work with."""
    return {
        "version": version("whichcore"),
        "benches": {"virtual": {"there": True, "tones": False}, "own": _own_bench()},
        "virtual_cores": [
            {"id": core.id, "title": core.title, "card": dict(core.card)} for core in cores().values()
        ],
        "unfinished": _unfinished(),
        "caution": CAUTION,
        "classes": [item.value for item in MaterialClass],
        "coercive": {known.value: list(span) for known, span in coercive_fields().items()},
    }


def _own_bench() -> dict[str, Any]:
    try:
        found = find_bench(None)
        if found is None:
            return {"there": False, "why": "the bench named is the virtual one"}
        settings = load_bench(None)
    except WhichcoreError as error:
        return {"there": False, "why": error.one_line()}
    return {
        "there": True,
        "name": settings.path.name,
        "wiring": str(settings.wiring),
        "tones": settings.sound is not None,
    }


def _unfinished() -> list[dict[str, Any]]:
    with open_store() as store:
        return [
            {
                **record.to_dict(),
                "journal": Path(str(record.columns["journal"])).name,
                "settings": dict(record.settings),
                **_core_of(store, str(record.columns["core_id"] or "")),
            }
            for record in unfinished_sweeps(store)
            if Path(str(record.columns["journal"])).parent == sweeps_folder()
            and Path(str(record.columns["journal"])).is_file()
        ]


def _core_of(store: Store, core: str) -> dict[str, Any]:
    """Return a kept core as it was typed."""
    if not core:
        return {"name": "", "specimen": ""}
    text = decode(store.payload(core), Path(f"record {core[:8]}"))
    return {"name": store.find(core).title, "specimen": text}


def calibrations(bench: str) -> dict[str, Any]:
    """Return the newest calibration of each wiring of a bench, and how old it is."""
    if bench not in {"virtual", "own"}:
        raise InputError("there is no such bench", where="bench", got=str(bench), allowed="virtual, own")
    settings = load_bench("virtual" if bench == "virtual" else None)
    return {
        "wiring": str(settings.wiring),
        "calibrations": [calibration_fields(item.stored) for item in kept(settings)],
    }


def read_core(specimen: str) -> dict[str, Any]:
    """Return the keys of a specimen file, for the fields of the page; it is checked before."""
    specimen_from_text(specimen, Path("specimen"))
    table = tomllib.loads(specimen)
    return {
        "name": str(table.get("name", "")),
        "core": {key: _typed(value) for key, value in table["core"].items()},
        "winding": {key: _typed(value) for key, value in table.get("winding", {}).items()},
    }


def _typed(value: object) -> object:
    return value if isinstance(value, str | bool | int | float) else str(value)


def check_core(specimen: str) -> dict[str, Any]:
    """Read a specimen as it is typed, and tell what follows from its dimensions."""
    wound = specimen_from_text(specimen, Path("specimen"))
    if isinstance(wound.core, Rod):
        return {"shape": "rod", "turns": wound.winding.turns}
    geometry = core_geometry(wound)
    return {
        "shape": type(wound.core).__name__.lower(),
        "turns": wound.winding.turns,
        "length_m": float(geometry.effective.length_m),
        "area_m2": float(geometry.effective.area_m2),
        "air_inductance_h": air_inductance_h(wound),
    }


# --- records -----------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class SearchForm:
    """What a page searches by; dates are ISO 8601."""

    text: str = ""
    kind: str = ""
    tag: str = ""
    material: str = ""
    material_class: str = ""
    since: str = ""
    until: str = ""
    most: int = 50
    before: str = ""


def search(**asked: Any) -> dict[str, Any]:
    """Search the records."""
    given = SearchForm(**asked)
    question = Question(
        text=given.text,
        kind=Kind(given.kind) if given.kind else None,
        without=(Kind.MATERIAL, Kind.SWEEP_BEGUN),
        tag=given.tag,
        material=given.material,
        material_class=given.material_class,
        since=given.since,
        until=given.until,
        most=min(int(given.most), MOST_RECORDS),
        before=given.before,
    )
    with open_store() as store:
        return {
            "count": store.count(question),
            "records": [record.to_dict() for record in store.search(question)],
        }


def show(record: str) -> dict[str, Any]:
    """Return one record with what belongs to the same core, and what a verdict says."""
    with open_store() as store:
        found = store.find(record)
        core = found.id if found.kind is Kind.CORE else str(found.columns.get("core_id") or "")
        beside = store.search(Question(about=core, corrected=True, most=1000)) if core else ()
        return {
            **found.to_dict(),
            "text": _text(store, found),
            "beside": [other.to_dict() for other in beside if other.id != found.id],
        }


def _text(store: Store, record: Record) -> str | None:
    if record.kind not in {Kind.CORE, Kind.VERDICT}:
        return None
    return decode(store.payload(record.id), Path(f"record {record.short_id}"))


def sweep_data(record: str, core: str = "") -> dict[str, Any]:
    """Return the curves of a kept sweep; of its permeability, too, where its core is known."""
    with open_store() as store:
        found, sweep = kept_sweep(store, record)
        owner = core or str(found.columns["core_id"] or "")
        text = decode(store.payload(owner), Path("specimen")) if owner else ""
    told: dict[str, Any] = {**found.to_dict(), **impedance_curve(sweep)}
    if text:
        told["permeability"] = permeability_curve(
            permeability(sweep, specimen_from_text(text, Path(f"record {owner[:8]}")))
        )
    return told


def swept(journal: str) -> dict[str, str] | None:
    """Return the records of the sweep that a journal has become, and of its core; None while it is none."""
    place = str((sweeps_folder() / journal).absolute())
    with open_store() as store:
        for begun in store.search(Question(journal=place)):
            core = str(begun.columns["core_id"] or "")
            for sweep in store.search(Question(kind=Kind.SWEEP, about=core, most=1000)):
                if sweep.columns["begun_id"] == begun.id:
                    return {"record": sweep.id, "core": core}
    return None


def compare(first: str, second: str) -> dict[str, Any]:
    """Return two sweeps and how they differ."""
    with open_store() as store:
        both = compare_sweeps(store, first, second)
    difference = both.difference
    return {
        "first": {**both.first.to_dict(), **impedance_curve(both.first_sweep)},
        "second": {**both.second.to_dict(), **impedance_curve(both.second_sweep)},
        "frequency_hz": difference.frequency_hz.tolist(),
        "share": difference.share.tolist(),
        "ratio_size": np.abs(difference.ratio).tolist(),
        "ratio_angle_rad": np.angle(difference.ratio).tolist(),
        "u_ratio_size": (np.abs(difference.ratio) * difference.u_relative).tolist(),
        "u_ratio_angle_rad": difference.u_angle_rad.tolist(),
    }


def tag(record: str, name: str, off: bool = False) -> dict[str, Any]:
    """Put a tag on a record, or take it off."""
    with open_store() as store:
        store.tag(record, name, off=bool(off))
        return store.find(record).to_dict()


def file_of(record: str) -> dict[str, str]:
    """Return the file of a record."""
    with open_store() as store:
        found = store.find(record)
        return {
            "name": f"{found.kind.value}-{found.short_id}{found.payload_name}",
            "content": store.payload(found.id).hex(),
        }


# --- materials ---------------------------------------------------------------------------------------------


def list_library(libraries: list[str] | None = None) -> dict[str, Any]:
    """Return the reference materials without their curves."""
    library = library_for(_libraries(libraries))
    return {
        "materials": [_material(material) for material in library.materials],
        "problems": [f"{problem.where}: {problem.what}" for problem in library.problems],
    }


def show_material(material: str, libraries: list[str] | None = None) -> dict[str, Any]:
    """Return one material with its curve."""
    found = library_for(_libraries(libraries))[str(material)]
    return {
        **_material(found),
        "frequency_hz": found.frequency_hz.tolist(),
        "mu_real": found.permeability.real.tolist(),
        "mu_imag": (-found.permeability.imag).tolist(),
    }


def _libraries(named: list[str] | None) -> tuple[str, ...]:
    """Return the names of libraries; a page names none by their folder."""
    allowed = ("shipped", "user", "open")
    names = tuple(named or ())
    if not set(names) <= set(allowed):
        raise InputError(
            "there is no such library", where="library", got=str(names), allowed=", ".join(allowed)
        )
    return names


def _material(material: Material) -> dict[str, Any]:
    return {
        "id": material.id,
        "name": material.name,
        "class": material.material_class.value,
        "initial_permeability": material.initial_permeability,
        "tolerance": material.tolerance,
        "from_hz": float(material.frequency_hz[0]),
        "to_hz": float(material.frequency_hz[-1]),
        "source": material.source,
        "licence": material.licence,
        "applications": list(material.applications),
    }


# --- uploads -----------------------------------------------------------------------------------------------


def upload(name: str, content: str) -> dict[str, Any]:
    """Keep an uploaded file under the name the server gave it; a specimen is checked at once."""
    folder = uploads_folder()
    make_folder(folder)
    place = folder / Path(name).name
    create_bytes(place, bytes.fromhex(content))
    told: dict[str, Any] = {"upload": place.name}
    if place.suffix == ".toml":
        try:
            load_specimen(place)
        except WhichcoreError:
            place.unlink(missing_ok=True)
            raise
        told["specimen"] = decode(place.read_bytes(), place)
    return told


if __name__ == "__main__":
    main()
