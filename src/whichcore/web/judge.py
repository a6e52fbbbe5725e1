"""The child process that judges, ``python -m whichcore.web.judge``: verdicts, reports, whatever computes."""

from __future__ import annotations

import re
import signal
import tempfile
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from whichcore.analysis.verdict import Candidate, Verdict
from whichcore.errors import InputError
from whichcore.files import make_folder
from whichcore.files.text import write_bytes
from whichcore.libraries import library_for
from whichcore.records import Kind, Store, keep_core, keep_verdict, open_store
from whichcore.records.keep import Origin
from whichcore.verdict_words import (
    UNLISTED_MEANS,
    evidence_sentence,
    kind_of_core,
    measured_sentence,
    verdict_sentence,
)
from whichcore.web.curves import permeability_curve
from whichcore.web.folders import safe_name, specimen_file
from whichcore.web.messages import Answering
from whichcore.web.planner import advise
from whichcore.web.report_call import make_report
from whichcore.wording import percent
from whichcore.workflow import Identification, Request, identify_files

SHOWN = 6


def main() -> None:
    """Answer until the input closes."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    Answering({"judge.identify": identify, "judge.plan": advise, "judge.report": make_report}).run()


@dataclass(frozen=True, slots=True)
class Case:
    """What a page asks to be judged.

    Attributes
    ----------
    core, sweep, second_sweep : str
        Ids of records; the last two may be empty.
    specimen, name : str
        As typed, instead of a record of the core.
    readings : sequence of str
    surface_resistance, sold_as : str or None
    keep : bool
    """

    core: str = ""
    sweep: str = ""
    specimen: str = ""
    name: str = ""
    readings: Sequence[str] = ()
    surface_resistance: str | None = None
    sold_as: str | None = None
    second_sweep: str = ""
    keep: bool = True


def identify(**asked: Any) -> dict[str, Any]:
    """Identify a core from its records, or from a specimen as typed and readings; keep the verdict."""
    given = Case(**asked)
    readings = tuple(text.strip() for text in given.readings if text.strip())
    if not given.sweep and not readings:
        raise InputError(
            "there is nothing to judge by", where="page", next_step="sweep the core, or type a reading"
        )
    with open_store() as store, tempfile.TemporaryDirectory() as folder:
        core = given.core or keep_core(store, specimen_file(given.specimen, given.name))
        place = Path(folder)
        request = Request(
            _file(store, core, Kind.CORE, place),
            _file(store, given.sweep, Kind.SWEEP, place) if given.sweep else None,
            readings,
            given.surface_resistance or None,
            _file(store, given.second_sweep, Kind.SWEEP, place / "second") if given.second_sweep else None,
            given.sold_as or None,
        )
        case = identify_files(request, library_for(()))
        evidence = {
            "readings": list(readings),
            "surface_resistance": given.surface_resistance,
            "sold_as": given.sold_as,
            "second_sweep": given.second_sweep,
        }
        origin = Origin(settings=evidence)
        record = keep_verdict(store, case, core, given.sweep, origin) if given.keep else ""
    return {"record": record, "core": core, **told(case)}


def told(case: Identification) -> dict[str, Any]:
    """Return a verdict in words, numbers and curves."""
    verdict = case.verdict
    return {
        "sentence": verdict_sentence(verdict, case.names),
        "measured": measured_sentence(verdict.initial_permeability),
        "kind_of_core": kind_of_core(verdict),
        "why": "" if verdict.decided_by is None else named(verdict.decided_by.sentence, case.names),
        "evidence": [evidence_sentence(shift) for shift in verdict.evidence],
        "candidates": [_candidate(one, case.names) for one in verdict.candidates[:SHOWN]],
        "unlisted": percent(verdict.unlisted_probability),
        "unlisted_means": UNLISTED_MEANS,
        "unlisted_probability": verdict.unlisted_probability,
        "gapped": percent(verdict.gapped_probability),
        "other_turns": percent(verdict.other_turns_probability),
        "next_steps": [named(step.sentence, case.names) for step in verdict.next_steps],
        "next": named(verdict.next_measurement, case.names),
        "verdict": verdict.to_dict(),
        "curves": _curves(verdict, case.names),
    }


def named(sentence: str, names: Mapping[str, str]) -> str:
    """Return a sentence with the names of materials in place of their ids."""
    return re.sub(r"[\w.-]*\w", lambda found: names.get(found[0], found[0]), sentence)


def _candidate(candidate: Candidate, names: Mapping[str, str]) -> dict[str, Any]:
    return {
        "material": candidate.material,
        "name": names[candidate.material],
        "class": candidate.material_class,
        "probability": candidate.probability,
        "percent": percent(candidate.probability),
        "scale": candidate.scale,
        "corner_shift": candidate.corner_shift,
        "gap_ratio": candidate.gap_ratio,
        "turns": candidate.turns,
        "points_used": candidate.points_used,
        "points_total": candidate.points_total,
    }


def _curves(verdict: Verdict, names: Mapping[str, str]) -> dict[str, Any] | None:
    if verdict.spectrum is None:
        return None
    decided = verdict.decided_by
    shown = [one for one in verdict.candidates[:3] if one.fitted is not None]
    return {
        "measured": permeability_curve(verdict.spectrum),
        "candidates": [
            {
                "material": one.material,
                "name": names[one.material],
                "mu_real": _numbers(one.fitted.real),
                "mu_imag": _numbers(-one.fitted.imag),
            }
            for one in shown
            if one.fitted is not None
        ],
        "band_hz": None if decided is None or decided.band_hz is None else list(decided.band_hz),
        "part": "" if decided is None else decided.part,
        "second": None if decided is None else decided.second,
    }


def _numbers(values: np.ndarray) -> list[float | None]:
    return [float(value) if np.isfinite(value) else None for value in values]


def _file(store: Store, record: str, kind: Kind, folder: Path) -> Path:
    """Write the file of a record into a folder, to be read like any other."""
    found = store.find(record)
    if found.kind is not kind:
        raise InputError(f"this record is no {kind.value}", where="page", got=found.kind.value)
    place = folder / f"{safe_name(found.title)}{found.payload_name}"
    make_folder(folder)
    write_bytes(place, store.payload(found.id))
    return place


if __name__ == "__main__":
    main()
