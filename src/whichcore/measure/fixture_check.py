"""Is what hangs on the bench what it should be? Told from size and phase, before time is lost."""

from __future__ import annotations

import cmath
import math
from dataclasses import dataclass

import numpy as np

from whichcore.analysis.permeability import air_inductance_h
from whichcore.analysis.specimen import Specimen
from whichcore.analysis.types import ComplexArray, FloatArray, ImpedanceSweep, PhasorPair, Wiring
from whichcore.analysis.winding import winding_model
from whichcore.calibration.covariance import of_form
from whichcore.calibration.setup import Setup
from whichcore.calibration.standards import Load, Open, Short, Standard, nominal
from whichcore.errors import AnalysisError, CalibrationError, InstrumentError
from whichcore.wording import fixed

FARTHEST = 0.25  # sine of the angle between (p/z0, q) seen and stated: a load off by a half, an open at 4 z0
MIDDLE_OHM = 50.0  # z0 of an open and a short; other parts take their own size, within what a bench can read
LOWEST_OHM, HIGHEST_OHM = 1.0, 1e5
MOST_CONTACT_OHM = 0.15  # practice: half a metre of lead each way and clean clips stay below 0.1 ohm
EMPTY_WITHIN = (
    3.0  # a winding on a former leaks by some tens of per cent; the weakest powder core has 4 times
)
PASSIVE_SHARE = 0.05  # of |Z| that R may lie below zero
NEAR = 0.1  # the same sine, of what would explain it
FAR_SHUNT = 20.0  # a shunt further off is another fault
SIGMAS = 5.0
SIGMAS_SHORT = (
    2.0  # a core has many times the reactance of its empty winding: it does not come near by chance
)
HIGHEST_MU = 1e6  # practice: ten times the best tape
Ratio = tuple[complex, complex]  # (p, q): an impedance p/q, an open having q = 0


@dataclass(frozen=True, slots=True)
class FixtureCheck:
    """Compares each point of a standard with what is written on it, by the known shunt alone.

    Attributes
    ----------
    standard : Standard
    setup : Setup
        With the shunt.
    others : tuple of Standard
        What else lies on the bench: a wrong part is named where it looks like one of them.
    """

    standard: Standard
    setup: Setup
    others: tuple[Standard, ...] = ()

    def check(self, pair: PhasorPair) -> None:
        """Raise CalibrationError where a point is far off, and the reading is good enough to say so.

        Parameters
        ----------
        pair : PhasorPair
            One point of the calibration's frequencies, ranges tied.
        """
        stated = _stated(self.standard, self.setup, pair)
        seen = self._seen(pair, self.setup.fingerprint.wiring)
        z0 = _beside(self.standard, stated)
        if _apart(seen, stated, z0) - SIGMAS * self._u_apart(pair, stated, z0) <= FARTHEST:
            return
        raise CalibrationError(
            f"this is not the {self.standard.name}",
            where=f"{self.standard.name}, {pair.frequency_hz[0]:g} Hz",
            got=_told(*seen),
            allowed=_told(*stated),
            next_step=self._remedy(pair, stated, z0),
        )

    def contact(self, pair: PhasorPair) -> str:
        """Return what is wrong with the contact of a short, or an empty text.

        A link across the terminals is read with its leads. More resistance than leads have comes from a
        contact; three standards believe it, and it would be taken off every specimen.
        """
        if not isinstance(self.standard, Short):
            return ""
        p, q = self._seen(pair, self.setup.fingerprint.wiring)
        spread = of_form(*self._slopes(pair, (p / q, 1.0 + 0j)), pair.covariance)
        u = float(np.sqrt(np.trace(spread[0]))) / abs(q)
        more = (p / q).real - nominal(self.standard.resistance_ohm)
        if more - SIGMAS * u <= MOST_CONTACT_OHM:
            return ""
        return (
            f"the {self.standard.name} reads {more:.2g} ohm above its label, leads and contacts included; "
            f"good ones stay below {MOST_CONTACT_OHM:g} ohm"
        )

    def _seen(self, pair: PhasorPair, wiring: Wiring) -> Ratio:
        (a, b), (c, d) = self._matrix(pair, wiring)
        v_a, v_b = pair.voltage_a_v[0], pair.voltage_b_v[0]
        return complex(a * v_a + b * v_b), complex(c * v_a + d * v_b)

    def _matrix(self, pair: PhasorPair, wiring: Wiring) -> ComplexArray:
        shunt = self.setup.shunt
        if shunt is None:  # pragma: no cover - every bench file has one
            raise AssertionError("a bench without a shunt")
        return np.asarray(shunt.matrix(wiring, pair.frequency_hz)[0])

    def _slopes(self, pair: PhasorPair, stated: Ratio) -> tuple[ComplexArray, ComplexArray]:
        """Return the derivatives of p q_0 − q p_0 by the two voltages."""
        (a, b), (c, d) = self._matrix(pair, self.setup.fingerprint.wiring)
        p, q = stated
        return np.array([a * q - c * p]), np.array([b * q - d * p])

    def _u_apart(self, pair: PhasorPair, stated: Ratio, z0: float) -> float:
        """Return the standard uncertainty of the distance, from the noise of the reading."""
        spread = of_form(*self._slopes(pair, stated), pair.covariance)
        seen = self._seen(pair, self.setup.fingerprint.wiring)
        size = _norm(seen, z0) * _norm(stated, z0) * z0
        return float(np.sqrt(np.trace(spread[0]))) / size if size else 0.0

    def _remedy(self, pair: PhasorPair, stated: Ratio, z0: float) -> str:
        """Name all that would explain it: another fixture or shunt, swapped cables, the other wiring."""
        wiring, name = self.setup.fingerprint.wiring, self.standard.name
        seen = self._seen(pair, wiring)
        causes = [
            f"it looks like {what}: fit the {name}, check its contacts"
            for what in self._looks_like(pair, seen)[:1]
        ]
        if isinstance(self.standard, Load) and _is_resistor(*seen):
            share = abs(stated[0] / stated[1] / (seen[0] / seen[1]))
            if 1 / FAR_SHUNT < share < FAR_SHUNT:
                causes.append(f"if the {name} is right, the shunt is {share:.3g} times what bench.toml says")
        swapped = PhasorPair(pair.frequency_hz, pair.voltage_b_v, pair.voltage_a_v, pair.covariance)
        if _apart(self._seen(swapped, wiring), stated, z0) <= NEAR:
            causes.append("channels A and B look swapped: change the cables, or channels in bench.toml")
        causes += [
            f"it would fit the wiring {other}: correct bench.toml, or the cables"
            for other in (Wiring.SHUNT_AT_GROUND, Wiring.SPECIMEN_AT_GROUND)
            if other is not wiring and _apart(self._seen(pair, other), stated, z0) <= NEAR
        ]
        return " - or ".join(causes) or f"fit the {name}; check contacts, and shunt and wiring in bench.toml"

    def _looks_like(self, pair: PhasorPair, seen: Ratio) -> list[str]:
        """Return what reads like this, the likest first."""
        found = []
        for what, model in (("an open", Open()), ("a short", Short())):
            part = model.homogeneous(pair.frequency_hz)
            found.append((_apart(seen, (complex(part.p[0]), complex(part.q[0])), MIDDLE_OHM), what))
        for other in self.others:
            if other.name != self.standard.name and not isinstance(other, Open | Short):
                stated = _stated(other, self.setup, pair)
                found.append((_apart(seen, stated, _beside(other, stated)), f"the {other.name}"))
        return [what for distance, what in sorted(found) if distance <= NEAR]


def check_empty(point: ImpedanceSweep, specimen: Specimen, name: str) -> None:
    """Refuse what is not the winding without its core, by a calibration at the terminals.

    Parameters
    ----------
    point : ImpedanceSweep
        One point, corrected.
    specimen : Specimen
    name : str
        Of the standard.

    Raises
    ------
    CalibrationError
        Its reactance is a third or three times that of the winding in air, or further off.
    """
    f = float(point.frequency_hz[0])
    z = complex(point.impedance_ohm[0])
    model = winding_model(specimen, point.frequency_hz)
    expected = 2 * math.pi * f * (air_inductance_h(specimen) + float(np.ravel(model.inductance_h.value)[0]))
    slack = SIGMAS * float(_uncertainty(point)[1])
    low, high = expected / EMPTY_WITHIN, expected * EMPTY_WITHIN
    if low - slack <= z.imag <= high + slack:
        return
    cause = "a core is still in it, or it has other turns" if z.imag > high else "a short, or other turns"
    if z.imag < 0:
        cause = "an open: check the contacts of the winding"
    raise CalibrationError(
        f"this is not the {name}",
        where=f"{name}, {f:g} Hz",
        got=f"a reactance of {z.imag:.3g} ohm",
        allowed=f"{low:.3g} to {high:.3g} ohm for {specimen.winding.turns} turns without a core",
        next_step=f"{cause}; fit the same winding on a former of plastic or wood",
    )


def check_passive(point: ImpedanceSweep) -> None:
    """Refuse a point that gives power out; raises InstrumentError."""
    z, f = complex(point.impedance_ohm[0]), float(point.frequency_hz[0])
    u_real, _ = _uncertainty(point)
    where, got = f"{f:g} Hz", _told(z, 1.0)
    if z.real < -PASSIVE_SHARE * abs(z) - SIGMAS * u_real:
        raise InstrumentError(
            "the specimen gives power out, which no core does",
            where=where,
            got=got,
            allowed="a resistance above zero",
            next_step="channels swapped, or another wiring than in bench.toml: run whichcore doctor",
        )


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
    check_passive(point)
    z, f = complex(point.impedance_ohm[0]), float(point.frequency_hz[0])
    _, u_imag = _uncertainty(point)
    where = f"{f:g} Hz"
    got = _told(z, 1.0)
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
    if z.imag + SIGMAS_SHORT * u_imag < empty:
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


def _stated(standard: Standard, setup: Setup, pair: PhasorPair) -> Ratio:
    """Return (p, q) of a standard at the frequency of a point; a curve knows the whole grid alone."""
    part = standard.homogeneous(setup.frequency_hz)
    place = int(np.argmin(np.abs(setup.frequency_hz - pair.frequency_hz[0])))
    return complex(part.p[place]), complex(part.q[place])


def _beside(standard: Standard, stated: Ratio) -> float:
    """Return the impedance beside which a part is best told from an open and from a short, Ω."""
    if isinstance(standard, Open | Short) or 0 in stated:
        return MIDDLE_OHM
    return min(max(abs(stated[0] / stated[1]), LOWEST_OHM), HIGHEST_OHM)


def _norm(ratio: Ratio, z0: float) -> float:
    return math.hypot(abs(ratio[0]) / z0, abs(ratio[1]))


def _apart(one: Ratio, two: Ratio, z0: float) -> float:
    """Return the sine of the angle between two (p/z0, q)."""
    size = _norm(one, z0) * _norm(two, z0)
    return 1.0 if size == 0 else abs(one[0] * two[1] - one[1] * two[0]) / z0 / size


def _is_resistor(p: complex, q: complex) -> bool:
    return q != 0 and abs(cmath.phase(p / q)) < 0.3


def _told(p: complex, q: complex) -> str:
    if abs(q) * 1e6 < abs(p):
        return "more than 1 Mohm"
    z = p / q
    return f"{abs(z):.3g} ohm at {fixed(math.degrees(cmath.phase(z)), 0)}°"
