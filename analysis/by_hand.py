"""Heights and shifts read off a screen, as phasors with what the eye leaves open."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from whichcore.analysis.types import PhasorPair

READING_ERROR_DIVISIONS = 0.1
"""Half-width within which a distance on a screen is read, divisions; practice, no source."""


@dataclass(frozen=True, slots=True)
class ScreenReading:
    """What was read at one frequency; uncertainties are standard ones.

    Attributes
    ----------
    frequency_hz : float
    a_vpk, u_a_vpk, b_vpk, u_b_vpk : float
        Peak values of both channels.
    lead_rad, u_lead_rad : float
        By how much A leads B.
    """

    frequency_hz: float
    a_vpk: float
    u_a_vpk: float
    b_vpk: float
    u_b_vpk: float
    lead_rad: float
    u_lead_rad: float


def eye_uncertainty(per_division: float, divisions: float = READING_ERROR_DIVISIONS) -> float:
    """Return the standard uncertainty of a distance read within ± so many divisions, evenly.

    a/√3 (JCGM 100:2008, 4.3.7; from memory).
    """
    return divisions * per_division / math.sqrt(3)


def pair_of_readings(readings: Sequence[ScreenReading]) -> PhasorPair:
    """Return the readings as phasors; B has phase zero, so what was read of the angle lies on A.

    Parameters
    ----------
    readings : sequence of ScreenReading
        In rising order of frequency.
    """
    rows = np.array([[r.a_vpk, r.u_a_vpk, r.b_vpk, r.u_b_vpk, r.lead_rad, r.u_lead_rad] for r in readings])
    a, u_a, b, u_b, lead, u_lead = rows.T
    along = np.stack([np.cos(lead), np.sin(lead)], axis=-1)
    across = np.stack([-np.sin(lead), np.cos(lead)], axis=-1)
    covariance = np.zeros((len(readings), 4, 4))
    for u, way in ((u_a, along), (a * u_lead, across)):
        covariance[:, :2, :2] += u[:, None, None] ** 2 * way[:, :, None] * way[:, None, :]
    covariance[:, 2, 2] = u_b**2
    return PhasorPair(
        frequency_hz=np.array([r.frequency_hz for r in readings]),
        voltage_a_v=a * np.exp(1j * lead),
        voltage_b_v=b.astype(complex),
        covariance=covariance,
    )
