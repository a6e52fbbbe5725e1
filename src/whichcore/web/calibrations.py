"""A calibration as the page has it, just made or at hand."""

from __future__ import annotations

from typing import Any

from whichcore.measure import StoredCalibration
from whichcore.measure.calibration_file import OLD_DAYS


def calibration_fields(stored: StoredCalibration) -> dict[str, Any]:
    """Return what it is, how far it reaches, and how old it is."""
    model, age_days = stored.model, stored.age_days()
    return {
        "error_model": model.kind,
        "wiring": str(model.fingerprint.wiring),
        "standards": list(model.standards),
        "from_hz": float(model.frequency_hz[0]),
        "to_hz": float(model.frequency_hz[-1]),
        "points": int(model.frequency_hz.size),
        "started": stored.header.get("started"),
        "age_days": age_days,
        "old": age_days > OLD_DAYS,
        "drift": stored.header.get("drift"),
    }
