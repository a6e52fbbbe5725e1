"""Which part was on the bench? Told by the known shunt alone, before anything is solved.

Three standards solve whatever they are called: with open and short exchanged the equations hold as well and
every impedance comes out wrong. The plain shunt is far from exact, but near enough to tell parts apart.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from whichcore.analysis.types import ComplexArray, FloatArray
from whichcore.calibration.checks import require
from whichcore.calibration.setup import Measured, Setup
from whichcore.calibration.standards import Homogeneous

FAR = 0.25  # sine of the angle between (p/z0, q) seen and stated: a load off by a half; practice
NEARER = 0.5  # share of that distance at which another part explains the reading better; practice
COMMON = 0.5  # share of the frequencies: leads and strays may deceive at some


def refuse_mistaken(
    standards: Sequence[Measured], parts: Sequence[Homogeneous], setup: Setup, z0: FloatArray
) -> None:
    """Refuse readings that look like another of the standards; nothing is said without a known shunt.

    Parameters
    ----------
    standards : sequence of Measured
    parts : sequence of Homogeneous
        What each is stated to be.
    setup : Setup
    z0 : float array (F,)
        Impedance beside which the parts differ most, Ω.

    Raises
    ------
    CalibrationError
        Naming what each mistaken standard looks like.
    """
    if setup.shunt is None:
        return
    matrix = setup.shunt.matrix(setup.fingerprint.wiring, setup.frequency_hz)
    names = [item.standard.name for item in standards]
    told = []
    for index, item in enumerate(standards):
        read = np.stack([item.pair.voltage_a_v, item.pair.voltage_b_v], axis=-1)
        seen = np.einsum("fij,fj->fi", matrix, read)
        apart = np.stack([_apart(seen[:, 0] / z0, seen[:, 1], part.p / z0, part.q) for part in parts])
        other = int(np.argmin(np.median(apart, axis=1)))
        mistaken = (apart[index] > FAR) & (apart[other] < NEARER * apart[index])
        if mistaken.mean() > COMMON:
            told.append(f"the {names[index]} reads like the {names[other]}")
    require(
        not told,
        "a standard reads like another one",
        where="standards",
        got=", ".join(told),
        allowed="each near its own value by the shunt alone",
        next_step="fit each part when it is asked for; if they were right, check the shunt in bench.toml",
    )


def _apart(p: ComplexArray, q: ComplexArray, other_p: ComplexArray, other_q: ComplexArray) -> FloatArray:
    size = np.hypot(abs(p), abs(q)) * np.hypot(abs(other_p), abs(other_q))
    return np.asarray(abs(p * other_q - other_p * q) / np.where(size > 0, size, 1.0))
