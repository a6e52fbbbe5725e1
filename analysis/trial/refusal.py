"""Sweeps that no passive inductor can have given: refused, since no doubt counted as an error mends them."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from whichcore.analysis.trial.data import TriedData
from whichcore.analysis.types import ImpedanceSweep
from whichcore.analysis.uncertainty import point_covariance
from whichcore.errors import AnalysisError
from whichcore.wording import hertz

#: Standard uncertainties beyond which a part of the impedance counts as negative. More than half of the
#: points are never beyond two by chance.
BEYOND = 2.0
#: A loss that is negative by no more than this share of μ may be a small error of the phase, rad: then μ′
#: still stands, and the test of the loss lowers what is claimed. Practice.
SMALL_PHASE = 0.2


def require_core(data: TriedData) -> None:
    """Refuse a sweep that is capacitive, or gives power out, at more than half of its frequencies.

    A sweep that begins inductive and turns capacitive went through a resonance, and one whose loss is larger
    than its negative reactance may have begun above that of the material: neither is refused. Nor is one
    whose loss is negative by no more than a small error of the phase makes it, or that has a positive
    resistance at its terminals: then only what was taken off for the winding is too much.

    Parameters
    ----------
    data : TriedData
        Of a closed core.

    Raises
    ------
    AnalysisError
        The reactance of the core is negative beyond two standard uncertainties at more than half of the
        frequencies, or its loss and the resistance that was swept both are.
    """
    stated = data.states_uncertainty
    reactance = data.mu.real
    capacitive = stated & (reactance < -BEYOND * data.u[:, 0]) & (-reactance > np.abs(data.mu.imag))
    if capacitive[0]:
        _require_few(
            data,
            capacitive,
            "the reactance of the core is negative, as that of a capacitance",
            "check the polarity of both channels and the sign of the reactance or phase, then calibrate "
            "again",
        )
    if (-data.loss <= SMALL_PHASE * np.abs(data.mu)).all():
        return
    _require_few(
        data,
        stated & (data.loss < -BEYOND * data.u[:, 1]) & _active(data.sweep),
        "the loss of the core is negative, so that it would give power out",
        "check the polarity of both channels and the sign of the resistance or phase, then calibrate again",
    )


def _active(sweep: ImpedanceSweep) -> NDArray[np.bool_]:
    """Return the points whose resistance as it was swept is negative beyond its uncertainty, (F,)."""
    u = np.sqrt(point_covariance(sweep.scatter, sweep.sources)[:, 0, 0])
    return np.asarray(sweep.impedance_ohm.real < -BEYOND * u)


def _require_few(data: TriedData, wrong: NDArray[np.bool_], what: str, next_step: str) -> None:
    count, points = int(wrong.sum()), wrong.size
    if 2 * count <= points:
        return
    f = data.frequency_hz[wrong]
    raise AnalysisError(
        what,
        where=f"sweep from {hertz(float(f[0]))} to {hertz(float(f[-1]))}",
        got=f"at {count} of {points} frequencies",
        allowed=f"half of them at most, beyond {BEYOND:g} standard uncertainties",
        next_step=next_step,
    )
