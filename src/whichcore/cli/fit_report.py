"""Fitted laws as JSON."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from whichcore.analysis.materials import Material
from whichcore.analysis.model_comparison import ModelComparison
from whichcore.analysis.model_fit import FittedParameter, ModelFit
from whichcore.cli.material_report import report

FORMAT = "whichcore-fit/1"


@dataclass(frozen=True, slots=True)
class Written:
    """A derived material, its TOML file, and what was said of it."""

    material: Material
    file: Path
    notes: Sequence[str]


def fit_report(title: str, found: ModelComparison, written: Written | None) -> dict[str, Any]:
    """Return everything found, as the JSON of the command."""
    return {
        "format": FORMAT,
        "specimen": title,
        "preferred": None if found.preferred is None else found.preferred.law.name,
        "cannot_be_told_apart": [fit.law.name for fit in found.alike] if len(found.alike) > 1 else [],
        "fits": [
            _fit(fit, share if found.describes else None)
            for fit, share in zip(found.fits, found.probability, strict=True)
        ],
        "refused": found.refused,
        "exported": None if written is None else _exported(written),
    }


def _exported(written: Written) -> dict[str, Any]:
    return {"file": str(written.file), "material": report(written.material), "notes": list(written.notes)}


def _fit(fit: ModelFit, probability: float | None) -> dict[str, Any]:
    return {
        "model": fit.law.name,
        "probability": probability,
        "chi_squared": fit.chi_squared,
        "degrees_of_freedom": fit.degrees_of_freedom,
        "meets_data": fit.meets_data,
        "describes_data": fit.describes_data,
        "deviation": fit.deviation,
        "aic": fit.aic,
        "bic": fit.bic,
        "log_evidence": fit.log_evidence,
        "parameters": [_parameter(item) for item in fit.parameters],
        "correlation": [
            [float(cell) if np.isfinite(cell) else None for cell in row] for row in fit.correlation
        ],
        "derived": [_parameter(item) for item in fit.derived],
        "missed_hz": [list(band) for band in fit.missed],
        "curve": {
            "frequency_hz": fit.frequency_hz.tolist(),
            "mu_real": fit.permeability.real.tolist(),
            "mu_imag": (-fit.permeability.imag).tolist(),
        },
        "residual": {"real": fit.residual[:, 0].tolist(), "imag": fit.residual[:, 1].tolist()},
    }


def _parameter(item: FittedParameter) -> dict[str, Any]:
    return {
        "name": item.name,
        "symbol": item.symbol,
        "unit": item.unit,
        "value": item.value,
        "standard_uncertainty": item.standard_uncertainty,
        "interval": [item.low, item.high],
        "reason": item.reason or None,
        "other_solutions": list(item.also),
    }
