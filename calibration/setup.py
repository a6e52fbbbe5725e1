"""What a calibration starts from: the bench, the standards read on it, and their refusals."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from whichcore.analysis.types import FloatArray, PhasorPair, Wiring
from whichcore.calibration.archive import digest
from whichcore.calibration.checks import check_grid, check_pair, require
from whichcore.calibration.fingerprint import Fingerprint
from whichcore.calibration.shunt import RangeFactor, Shunt
from whichcore.calibration.standards import Homogeneous, Plane, Short, Standard
from whichcore.errors import CalibrationError


@dataclass(frozen=True, slots=True)
class Measured:
    """A standard and the two voltages read with it."""

    standard: Standard
    pair: PhasorPair


@dataclass(frozen=True, slots=True)
class Setup:
    """The bench a calibration is taken on.

    Attributes
    ----------
    fingerprint : Fingerprint
    frequency_hz : float array (F,)
        Grid of the calibration, strictly increasing.
    shunt : Shunt or None
        Needed by the models that take the shunt as known.
    channels : RangeFactor or None
        V_A/V_B with both channels on one node; None means equal channels, without uncertainty.
    calibration_id : str
        Names this calibration in the ids of its sources; made from the data where left empty.
    """

    fingerprint: Fingerprint
    frequency_hz: FloatArray
    shunt: Shunt | None = None
    channels: RangeFactor | None = None
    calibration_id: str = ""


def calibration_name(setup: Setup, standards: Sequence[Measured]) -> str:
    """Return the id the user gave, or one made from the data: equal data, equal id."""
    if setup.calibration_id:
        return setup.calibration_id
    arrays: list[NDArray[np.generic]] = [setup.frequency_hz]
    for item in standards:
        arrays += [item.pair.voltage_a_v, item.pair.voltage_b_v, item.pair.covariance]
    names = [item.standard.name for item in standards]
    return digest([*names, *setup.fingerprint.to_dict().values()], arrays)


def check_standards(standards: Sequence[Measured], setup: Setup) -> None:
    """Refuse equal names, another grid, or readings that are no readings."""
    names = [item.standard.name for item in standards]
    twice = sorted({name for name in names if names.count(name) > 1})
    require(
        not twice,
        "two standards carry one name",
        where="standards",
        got=", ".join(twice),
        next_step="name each part, as they stand in the error budget by name",
    )
    for item in standards:
        name = item.standard.name
        if not np.array_equal(item.pair.frequency_hz, setup.frequency_hz):
            raise CalibrationError(
                "a standard was not measured at the frequencies of the calibration",
                where=name,
                got=f"{item.pair.frequency_hz.size} points",
                allowed=f"the same {setup.frequency_hz.size} points for every standard",
                next_step="measure all standards with one plan",
            )
        check_pair(item.pair, name)


def stated(standards: Sequence[Measured], setup: Setup) -> tuple[Homogeneous, ...]:
    """Check the standards and return what each is at the frequencies of the calibration."""
    check_grid(setup.frequency_hz)
    check_standards(standards, setup)
    parts = []
    for item in standards:
        part = item.standard.homogeneous(setup.frequency_hz)
        definite = np.isfinite(part.p) & np.isfinite(part.q) & ((part.p != 0) | (part.q != 0))
        if not definite.all():
            first = setup.frequency_hz[np.flatnonzero(~definite)[0]]
            raise CalibrationError(
                "a standard has no definite impedance", where=f"{item.standard.name}, {first:g} Hz"
            )
        parts.append(part)
    return tuple(parts)


def refuse_two_windings(setup: Setup, kind: str) -> None:
    """Refuse the wiring whose reading no standard at the terminals stands for."""
    require(
        setup.fingerprint.wiring is not Wiring.TWO_WINDINGS,
        "two windings read a transfer impedance, which no open, short or load at the terminals stands for",
        where="wiring",
        got=f"{setup.fingerprint.wiring} with {kind}",
        allowed=f"{Wiring.TWO_WINDINGS} with ratio",
        next_step="use the ratio model, or another wiring",
    )


def plane_of(standards: Sequence[Measured]) -> Plane:
    """Return the one plane all shorts state."""
    planes = {item.standard.plane for item in standards if isinstance(item.standard, Short)}
    require(
        len(planes) < 2,
        "two shorts state different planes",
        where="standards",
        got=", ".join(sorted(planes)),
        next_step="use shorts of one plane",
    )
    return planes.pop() if planes else "terminals"
