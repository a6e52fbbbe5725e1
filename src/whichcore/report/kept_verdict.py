"""A verdict out of its JSON, as far as it holds it: earlier versions kept no curves and no odds."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np

from whichcore.analysis.materials import Material
from whichcore.analysis.trial.finding import Fault, Finding
from whichcore.analysis.verdict import (
    FORMAT,
    Candidate,
    DecidedBy,
    EvidenceShift,
    InitialPermeability,
    NextStep,
    PermeabilityRange,
    SharedUse,
    Verdict,
    VerdictKind,
)
from whichcore.errors import RecordError
from whichcore.records.explanation import KEY, explained

_NOT_KEPT = (float("nan"), float("nan"))


def verdict_of(kept: Mapping[str, Any], materials: Mapping[str, Material]) -> Verdict:
    """Return the verdict that a JSON object tells.

    Parameters
    ----------
    kept : mapping
        As :meth:`Verdict.to_dict` gives it; with how it explains the data, where that is kept.
    materials : mapping of str to Material
        Those kept with it: they tell the class of a candidate where nothing else does.

    Raises
    ------
    RecordError
        Another format, or something that belongs to it is missing.
    """
    if kept.get("format") != FORMAT:
        raise RecordError(
            "this verdict cannot be read",
            where="record",
            got=f"format {kept.get('format')}",
            allowed=FORMAT,
            next_step="print it with a newer version of the program",
        )
    try:
        verdict = _verdict(kept, materials)
        return explained(verdict, kept[KEY]) if KEY in kept else verdict
    except (KeyError, TypeError, ValueError, AttributeError) as error:
        raise RecordError("this verdict cannot be read", where="record", got=repr(error)) from None


def _verdict(kept: Mapping[str, Any], materials: Mapping[str, Material]) -> Verdict:
    answer, found, use = kept["verdict"], kept["permeability_range"], kept["use"]
    return Verdict(
        kind=VerdictKind(answer["kind"]),
        materials=tuple(answer["materials"]),
        material_class=answer["class"],
        probability=float(answer["probability"]),
        candidates=tuple(
            Candidate(
                one["material"],
                str(materials[one["material"]].material_class) if one["material"] in materials else "",
                float(one["probability"]),
            )
            for one in kept["candidates"]
        ),
        unlisted_probability=float(kept["unlisted_probability"]),
        unlisted_classes=kept["unlisted_classes"],
        initial_permeability=InitialPermeability(**kept["initial_permeability"]),
        warnings=tuple(kept["warnings"]),
        next_measurement=kept["next_measurement"],
        gapped_probability=float(kept["gapped_probability"]),
        other_turns_probability=float(kept["other_turns_probability"]),
        permeability_range=PermeabilityRange(**found) if found else None,
        use=SharedUse(**use) if use else None,
        evidence=tuple(_shift(one) for one in kept["evidence"]),
        next_steps=tuple(NextStep(**one) for one in kept["next_steps"]),
        decided_by=_decided(kept["decided_by"]),
        trial=tuple(Finding(Fault(one["test"]), one["passed"], one["sentence"]) for one in kept["trial"]),
        void=bool(kept.get("void", False)),
    )


def _shift(one: Mapping[str, Any]) -> EvidenceShift:
    classes, materials = one["classes"], one["materials"]
    return EvidenceShift(
        one["name"], classes["before"], classes["after"], materials["before"], materials["after"]
    )


def _decided(one: Mapping[str, Any] | None) -> DecidedBy | None:
    if one is None:
        return None
    band = one["band_hz"]
    return DecidedBy(
        first=one["first"],
        second=one["second"],
        frequency_hz=np.empty(0),
        log_odds=np.empty((0, 2)),
        judged=float(one["log_odds"]),
        band_hz=None if band is None else (float(band[0]), float(band[1])),
        part=one["part"],
        misfit=_NOT_KEPT,
        sentence=one["sentence"],
    )
