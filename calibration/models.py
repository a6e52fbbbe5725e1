"""The error models by name."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
from numpy.typing import NDArray

from whichcore.calibration.checks import require
from whichcore.calibration.error_model import ErrorModel
from whichcore.calibration.open_short import OpenShort
from whichcore.calibration.open_short_load import OpenShortLoad
from whichcore.calibration.ratio import Ratio

MODELS: Mapping[str, type[ErrorModel]] = {model.kind: model for model in (Ratio, OpenShort, OpenShortLoad)}


def model_from_dict(data: Mapping[str, NDArray[np.generic]]) -> ErrorModel:
    """Rebuild any model from its arrays; raises CalibrationError where the kind is not known."""
    kind = str(data.get("kind", "none"))
    require(
        kind in MODELS,
        "unknown kind of calibration",
        where="calibration",
        got=kind,
        allowed=", ".join(MODELS),
        next_step="calibrate anew",
    )
    return MODELS[kind].from_dict(data)
