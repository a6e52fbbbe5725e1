"""Is what hangs on the bench what it should be? Told from size and phase, before time is lost."""

from __future__ import annotations

import cmath
import math
from dataclasses import dataclass

import numpy as np

from whichcore.analysis.permeability import air_inductance_h
from whichcore.analysis.specimen import Specimen
from whichcore.analysis.types import FloatArray, ImpedanceSweep, PhasorPair, Wiring
from whichcore.calibration.setup import Setup
from whichcore.calibration.standards import Load, Open, Short, Standard
from whichcore.errors import AnalysisError, CalibrationError, InstrumentError

FARTHEST = 0.25  # sine of the angle between (p/z0, q) seen and stated: a load off by a half, an open at 4 z0
MIDDLE_OHM = 50.0  # z0: parts an open, a short and usual loads best
PASSIVE_SHARE = 0.05  # of |Z| that R may lie below zero
NEAR = 0.1  # the same sine, of what would explain it
FAR_SHUNT = 20.0  # a shunt further off is another fault
SIGMAS = 5.0
HIGHEST_MU = 1e6  # practice: ten times the best tape


@dataclass(frozen=True, slots=True)
class FixtureCheck:
    """Compares each point of a standard with what is written on it, by the known shunt alone.

    Attributes
    ----------
    standard : Standard
    setup : Setup
        With the shunt.
    """

    standard: Standard
    setup: Setup

    def check(self, pair: PhasorPair) -> None:
        """Raise CalibrationError where a point is far off.

        Parameters
        ----------
        pair : PhasorPair
            One point, ranges tied.
        """
        f = pair.frequency_hz
        stated = self.standard.homogeneous(f)
        p, q = self._seen(pair, self.setup.fingerprint.wiring)
        if _apart(p, q, stated.p[0], stated.q[0]) <= FARTHEST:
            return
        raise CalibrationError(
            f"this is not the {self.standard.name}",
            where=f"{self.standard.name}, {f[0]:g} Hz",
            got=_told(p, q),
            allowed=_told(complex(stated.p[0]), complex(stated.q[0])),
            next_step=self._remedy(pair, complex(stated.p[0]), complex(stated.q[0])),
        )

    def _seen(self, pair: PhasorPair, wiring: Wiring) -> tuple[complex, complex]:
        shunt = self.setup.shunt
        if shunt is None:  # pragma: no cover - every bench file has one
            raise AssertionError("a bench without a shunt")
        (a, b), (c, d) = shunt.matrix(wiring, pair.frequency_hz)[0]
        v_a, v_b = pair.voltage_a_v[0], pair.voltage_b_v[0]
        return complex(a * v_a + b * v_b), complex(c * v_a + d * v_b)

    def _remedy(self, pair: PhasorPair, p: complex, q: complex) -> str:
        """Name all that would explain it: another fixture or shunt, swapped cables, the other wiring."""
        wiring, name = self.setup.fingerprint.wiring, self.standard.name
        seen = self._seen(pair, wiring)
        causes = []
        for what, model in (("an open", Open()), ("a short", Short())):
            part = model.homogeneous(pair.frequency_hz)
            if _apart(*seen, complex(part.p[0]), complex(part.q[0])) <= NEAR:
                causes.append(f"it looks like {what}: fit the {name}, check its contacts")
        if isinstance(self.standard, Load) and _is_resistor(*seen):
            share = abs(p / q / (seen[0] / seen[1]))
            if 1 / FAR_SHUNT < share < FAR_SHUNT:
                causes.append(f"if the {name} is right, the shunt is {share:.3g} times what bench.toml says")
        swapped = PhasorPair(pair.frequency_hz, pair.voltage_b_v, pair.voltage_a_v, pair.covariance)
        if _apart(*self._seen(swapped, wiring), p, q) <= NEAR:
            causes.append("channels A and B look swapped: change the cables, or channels in bench.toml")
        causes += [
            f"it would fit the wiring {other}: correct bench.toml, or the cables"
            for other in (Wiring.SHUNT_AT_GROUND, Wiring.SPECIMEN_AT_GROUND)
            if other is not wiring and _apart(*self._seen(pair, other), p, q) <= NEAR
        ]
        return " - or ".join(causes) or f"fit the {name}; check contacts, and shunt and wiring in bench.toml"


def check_core(point: ImpedanceSweep, specimen: Specimen, wiring: Wiring) -> None:
    """Refuse a first point that no core gives: not passive, capacitive, a short, beyond any material.

    Parameters
    ----------
    point : ImpedanceSweep
        One point, corrected.
    specimen : Specimen
    wiring : Wiring

    Raises
    ------
    InstrumentError
        Naming what it looks like.
    """
    z, f = complex(point.impedance_ohm[0]), float(point.frequency_hz[0])
    u_real, u_imag = _uncertainty(point)
    where = f"{f:g} Hz"
    got = _told(z, 1.0)
    if z.real < -PASSIVE_SHARE * abs(z) - SIGMAS * u_real:
        raise InstrumentError(
            "the specimen gives power out, which no core does",
            where=where,
            got=got,
            allowed="a resistance above zero",
            next_step="channels swapped, or another wiring than in bench.toml: run whichcore doctor",
        )
    if z.imag < -SIGMAS * u_imag:
        raise InstrumentError(
            "the specimen is no inductor at its lowest frequency",
            where=where,
            got=got,
            allowed="an inductive reactance",
            next_step="an open instead of a core? check the contacts; or begin below the resonance",
        )
    empty = _empty_reactance(specimen, f, wiring)
    if empty is None:
        return
    if z.imag + SIGMAS * u_imag < empty:
        raise InstrumentError(
            "the reactance is below that of the winding without a core",
            where=where,
            got=got,
            allowed=f"more than {empty:.3g} ohm",
            next_step="a short instead of a core? check turns and dimensions in the specimen file",
        )
    if z.imag - SIGMAS * u_imag > HIGHEST_MU * empty:
        raise InstrumentError(
            "no material has such a permeability",
            where=where,
            got=f"{got}, a permeability of {z.imag / empty:.3g}",
            allowed=f"up to {HIGHEST_MU:g}",
            next_step="an open instead of a core? check contacts, turns, shunt and wiring",
        )


def _empty_reactance(specimen: Specimen, frequency_hz: float, wiring: Wiring) -> float | None:
    try:
        air_h = air_inductance_h(specimen, wiring is Wiring.TWO_WINDINGS)
    except AnalysisError:
        if wiring is Wiring.TWO_WINDINGS:
            raise
        return None  # a rod has none
    return 2 * math.pi * frequency_hz * air_h


def _uncertainty(point: ImpedanceSweep) -> FloatArray:
    variance = np.diag(point.scatter[0]).copy()
    for source in point.sources:
        s = source.sensitivity[0]
        variance += np.array([s.real**2, s.imag**2])
    return np.asarray(np.sqrt(variance))


def _apart(p: complex, q: complex, other_p: complex, other_q: complex) -> float:
    """Return the sine of the angle between two (p/z0, q)."""
    a, b = np.array([p / MIDDLE_OHM, q]), np.array([other_p / MIDDLE_OHM, other_q])
    size = float(np.linalg.norm(a) * np.linalg.norm(b))
    return 1.0 if size == 0 else float(abs(a[0] * b[1] - a[1] * b[0]) / size)


def _is_resistor(p: complex, q: complex) -> bool:
    return q != 0 and abs(cmath.phase(p / q)) < 0.3


def _told(p: complex, q: complex) -> str:
    if abs(q) * 1e6 < abs(p):
        return "more than 1 Mohm"
    z = p / q
    return f"{abs(z):.3g} ohm at {math.degrees(cmath.phase(z)):.0f}°"
