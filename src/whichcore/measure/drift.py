"""Has the bench moved while it was calibrated? One part, measured before and after."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from scipy.stats import chi2

from whichcore.analysis.types import ComplexArray, Distribution, FloatArray, PhasorPair, Scope
from whichcore.calibration.covariance import of_form
from whichcore.calibration.error_model import ErrorModel
from whichcore.calibration.perturbation import Perturbation
from whichcore.errors import CalibrationError
from whichcore.wording import in_percent

CHANCE = 0.001  # of calling a bench that stands still a drifting one, at any of the frequencies
LARGEST = 0.02  # of V_A/V_B, beyond which something was moved rather than warmed; practice


@dataclass(frozen=True, slots=True)
class Drift:
    """Change of ln(V_A/V_B) of one part between the beginning and the end.

    Attributes
    ----------
    part : str
    frequency_hz : float array (K,)
    change : complex array (K,)
        Relative change of the magnitude, and of the phase in rad.
    size : float array (K,)
        Its distance from zero in units of its own uncertainty (Mahalanobis, two components).
    """

    part: str
    frequency_hz: FloatArray
    change: ComplexArray
    size: FloatArray

    @property
    def limit(self) -> float:
        """What ``size`` stays below at all frequencies in 999 of 1000 calibrations that do not drift."""
        return float(np.sqrt(chi2.isf(CHANCE / self.size.size, 2)))

    @property
    def significant(self) -> bool:
        """Whether it is more than chance."""
        return bool(self.size.max() > self.limit)

    def to_dict(self) -> dict[str, Any]:
        """Return it as it stands in the header of a calibration."""
        worst = int(np.argmax(self.size))
        return {
            "part": self.part,
            "frequency_hz": self.frequency_hz.tolist(),
            "gain": self.change.real.tolist(),
            "phase_rad": self.change.imag.tolist(),
            "in_own_uncertainty": self.size.tolist(),
            "worst_hz": float(self.frequency_hz[worst]),
            "worst_change": float(abs(self.change[worst])),
            "limit": self.limit,
            "significant": self.significant,
        }


def drift_between(part: str, before: PhasorPair, after: PhasorPair) -> Drift:
    """Compare two readings of one part.

    Parameters
    ----------
    part : str
    before, after : PhasorPair
        The latter at some of the frequencies of the former; ranges tied where they differ.

    Returns
    -------
    Drift
        The uncertainty is that of both readings. What the converter bends alike in both is in it too, so a
        small drift is passed over rather than a standing bench called drifting.
    """
    places = np.searchsorted(before.frequency_hz, after.frequency_hz)
    first = PhasorPair(
        before.frequency_hz[places],
        before.voltage_a_v[places],
        before.voltage_b_v[places],
        before.covariance[places],
    )
    change = np.log((after.voltage_a_v / after.voltage_b_v) / (first.voltage_a_v / first.voltage_b_v))
    spread = sum(
        of_form(1 / pair.voltage_a_v, -1 / pair.voltage_b_v, pair.covariance) for pair in (first, after)
    )
    parts = np.stack([change.real, change.imag], axis=-1)
    size = np.sqrt(np.einsum("ki,kij,kj->k", parts, np.linalg.inv(np.asarray(spread)), parts))
    return Drift(part, after.frequency_hz, np.asarray(change), np.asarray(size))


def with_drift(model: ErrorModel, drift: Drift) -> ErrorModel:
    """Return the calibration with a drift that is more than chance among its errors.

    The bench stood somewhere between both readings while each of the others was taken, and goes on to move:
    half of the calibration may be off by the whole change. Each component of V_A/V_B is taken as lying evenly
    within ± its largest change, u = a/√3 (JCGM 100:2008, 4.3.7; from memory), common to all frequencies and
    to every specimen.

    Raises
    ------
    CalibrationError
        A change too large for warming up: something was moved.
    """
    worst = float(np.abs(drift.change).max())
    if not drift.significant:
        return model
    if worst > LARGEST:
        raise CalibrationError(
            f"the bench moved while it was calibrated: the {drift.part} reads differently at the end",
            where=f"{drift.part}, {drift.frequency_hz[np.abs(drift.change).argmax()]:g} Hz",
            got=f"{in_percent(worst)} of V_A/V_B, {drift.size.max():.3g} of its uncertainty",
            allowed=in_percent(LARGEST),
            next_step="let the instruments warm up, tighten cables and clips, and calibrate again",
        )
    only_a = model.matrix * np.array([1.0, 0.0])
    errors = [
        Perturbation(
            f"calibration {model.calibration_id}: drift of the {name}",
            Scope.SPECIMENS,
            factor * float(np.abs(part).max()) / np.sqrt(3) * only_a,
            Distribution.RECTANGULAR,
        )
        for name, factor, part in (("gain", 1.0, drift.change.real), ("phase", 1j, drift.change.imag))
    ]
    return replace(model, perturbations=(*model.perturbations, *errors))
