"""How good a point is, and how many more records it needs."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from whichcore.analysis.takes import average_phasors
from whichcore.analysis.types import ImpedanceSweep, PhasorPair, Phasors

GROWTH = 4  # at most so many times as many takes before looking again
CONVERTER_SHARE = 0.9  # of the variance: more takes are of no use


def averaged(takes: Sequence[Phasors]) -> Phasors:
    """Average takes after turning them by the phase of the larger channel: that of a dead one is noise."""
    sizes = np.mean([np.abs(take.phasor_vpk) for take in takes], axis=0)
    return average_phasors(takes, reference=int(np.argmax(sizes)))


def pair_of(phasors: Phasors, frequency_hz: float, label: str) -> PhasorPair:
    """Return the phasors as a sweep of one point at the planned frequency."""
    return PhasorPair(
        frequency_hz=np.array([frequency_hz]),
        voltage_a_v=phasors.phasor_vpk[:1],
        voltage_b_v=phasors.phasor_vpk[1:],
        covariance=phasors.covariance_v2[np.newaxis],
        range_labels=(label,),
    )


def relative_uncertainty(phasors: Phasors, corrected: ImpedanceSweep | None) -> float:
    """Return the standard uncertainty of a component of Z over |Z|, of chance alone.

    Without correction: of the voltages, √(λ/(|V_A|² + |V_B|²)) with λ the largest eigenvalue of their
    covariance, which is defined for an open and a short as well.
    """
    if corrected is not None:
        per_component = math.sqrt(max(float(np.trace(corrected.scatter[0])) / 2, 0.0))
        return per_component / max(abs(complex(corrected.impedance_ohm[0])), 1e-300)
    largest = float(np.linalg.eigvalsh(phasors.covariance_v2)[-1])
    return math.sqrt(max(largest, 0.0)) / max(float(np.linalg.norm(phasors.phasor_vpk)), 1e-300)


def more_takes(phasors: Phasors, reached: float, target: float, most: int) -> int:
    """Return how many takes to have before looking again; as many as there are when that is all.

    Parameters
    ----------
    phasors : Phasors
        Average of ``phasors.takes`` records.
    reached, target : float
        Relative uncertainties.
    most : int
    """
    share = float(np.trace(phasors.systematic_v2) / max(float(np.trace(phasors.covariance_v2)), 1e-300))
    if reached <= target or share > CONVERTER_SHARE:
        return phasors.takes
    wanted = math.ceil(phasors.takes * min((reached / target) ** 2, GROWTH))
    return min(max(wanted, phasors.takes + 1), most)
