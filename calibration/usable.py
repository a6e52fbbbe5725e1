"""The frequencies at which a set of standards can be solved; few that it cannot are left out, by name."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from whichcore.analysis.types import FloatArray, PhasorPair
from whichcore.calibration.least_squares import (
    Alike,
    Equation,
    alike,
    check_distinct,
    equations_of,
    reference_impedance,
)
from whichcore.calibration.mistaken import refuse_mistaken
from whichcore.calibration.setup import Measured, Setup, stated
from whichcore.calibration.shunt import RangeFactor
from whichcore.calibration.standards import Homogeneous

USUAL_OHM = 50.0  # between an open and a short with their leads; practice
MOST_LEFT_OUT = 0.1  # of the frequencies: more is no coincidence but a wrong part; practice


@dataclass(frozen=True, slots=True)
class Usable:
    """Standards, set-up and equations at the frequencies that can be solved.

    Attributes
    ----------
    standards : tuple of Measured
    setup : Setup
    parts : tuple of Homogeneous
    z0 : float array (F,)
    equations : tuple of Equation
    details : mapping of str to array
        ``left_out_hz`` and ``left_out_why`` where points were left out; empty otherwise.
    """

    standards: tuple[Measured, ...]
    setup: Setup
    parts: tuple[Homogeneous, ...]
    z0: FloatArray
    equations: tuple[Equation, ...]
    details: dict[str, NDArray[np.generic]]


def usable(standards: Sequence[Measured], setup: Setup, needed: int) -> Usable:
    """Check the standards and leave out the few frequencies at which they are too alike.

    Raises
    ------
    CalibrationError, InputError
        Readings that are none, standards mistaken for each other, or alike at more than a tenth of the
        frequencies.
    """
    found = _solvable(standards, setup, needed)
    # an open and a short alone differ most beside any impedance: a usual one is taken
    refuse_mistaken(
        standards, found.parts, setup, found.z0 if needed > 2 else np.full_like(found.z0, USUAL_OHM)
    )
    faults = alike(found.equations, needed)
    bad = np.any([item.bad for item in faults], axis=0)
    if not bad.any():
        return found
    if bad.mean() > MOST_LEFT_OUT:
        check_distinct(found.equations, needed, setup.frequency_hz)
    keep = ~bad
    thinned = [replace(item, pair=_pair(item.pair, keep)) for item in standards]
    rest = _solvable(thinned, _setup(setup, keep), needed)
    places = np.flatnonzero(bad)
    details: dict[str, NDArray[np.generic]] = {
        "left_out_hz": setup.frequency_hz[places],
        "left_out_why": np.array([_why(point, faults) for point in places.tolist()], dtype=str),
    }
    return replace(rest, details=details)


def _solvable(standards: Sequence[Measured], setup: Setup, needed: int) -> Usable:
    parts = stated(standards, setup)
    z0 = reference_impedance(parts, needed)
    return Usable(tuple(standards), setup, parts, z0, equations_of(standards, parts, z0), {})


def _why(point: int, faults: Sequence[Alike]) -> str:
    return "; ".join(f"{item.what}, {item.pairs[point][0]}" for item in faults if item.bad[point])


def _pair(pair: PhasorPair, keep: NDArray[np.bool_]) -> PhasorPair:
    labels = pair.range_labels
    return PhasorPair(
        pair.frequency_hz[keep],
        pair.voltage_a_v[keep],
        pair.voltage_b_v[keep],
        pair.covariance[keep],
        None if labels is None else tuple(np.array(labels)[keep].tolist()),
    )


def _setup(setup: Setup, keep: NDArray[np.bool_]) -> Setup:
    tie = setup.channels
    if tie is not None:
        tie = RangeFactor(tie.ratio[keep], tie.u_gain[keep], tie.u_phase_rad[keep])
    return replace(setup, frequency_hz=setup.frequency_hz[keep], channels=tie)
