"""The known shunt and the tie between the two channels: what a model knows without measuring a standard."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from whichcore.analysis.types import (
    ComplexArray,
    ErrorSource,
    FloatArray,
    PhasorPair,
    Scope,
    Wiring,
)
from whichcore.calibration.checks import require
from whichcore.calibration.standards import Term, Toleranced, check_value, jomega, nominal, scale_terms


@dataclass(frozen=True, slots=True)
class Shunt:
    """Current-sensing resistor.

    Attributes
    ----------
    resistance_ohm, inductance_h : float or Toleranced
        The resistor and its own series inductance.
    capacitance_f : float or Toleranced
        From node B to ground: input of channel B, cable, strays. With the shunt at ground and with two
        windings it lies across the shunt, with the specimen at ground across the specimen.
    name : str
    """

    resistance_ohm: float | Toleranced
    inductance_h: float | Toleranced = 0.0
    capacitance_f: float | Toleranced = 0.0
    name: str = "shunt"

    def __post_init__(self) -> None:
        check_value(self.name, "resistance", self.resistance_ohm, positive=True)
        check_value(self.name, "inductance", self.inductance_h)
        check_value(self.name, "capacitance", self.capacitance_f)

    def impedance(self, frequency_hz: FloatArray) -> ComplexArray:
        """Return R + jωL, complex array (F,), Ω, without the capacitance."""
        return np.asarray(nominal(self.resistance_ohm) + jomega(frequency_hz) * nominal(self.inductance_h))

    def matrix(self, wiring: Wiring, frequency_hz: FloatArray) -> ComplexArray:
        """Return M, complex array (F, 2, 2), for equal channels.

        shunt at ground:    Z = (V_A − V_B)/(V_B y),              y = 1/(R + jωL) + jωC
        specimen at ground: Z = V_B/((V_A − V_B)/(R + jωL) − jωC V_B)
        two windings:       Zm = V_A/(V_B y), A on the secondary
        """
        series = 1 / self.impedance(frequency_hz)
        return _assemble(wiring, series, jomega(frequency_hz) * nominal(self.capacitance_f))

    def terms(self, wiring: Wiring, frequency_hz: FloatArray) -> list[tuple[Term, ComplexArray]]:
        """Return each uncertain value as a term (carrying id and shape) with its change of M."""
        jw = jomega(frequency_hz)
        slope = -1 / self.impedance(frequency_hz) ** 2
        terms = scale_terms(
            self.name,
            frequency_hz,
            {
                "resistance": (self.resistance_ohm, 0.0, slope),
                "inductance": (self.inductance_h, 0.0, slope * jw),
                "capacitance": (self.capacitance_f, jw, 0.0),
            },
        )
        # the terms carry (change of jωC, change of 1/(R + jωL)); M is linear in both but for its constants
        constant = _assemble(wiring, np.zeros_like(jw), np.zeros_like(jw))
        return [(term, _assemble(wiring, term.dq, term.dp) - constant) for term in terms]


def _assemble(wiring: Wiring, series: ComplexArray, stray: ComplexArray) -> ComplexArray:
    """Write M from the shunt's series admittance and the stray admittance of node B."""
    matrix = np.zeros((*series.shape, 2, 2), dtype=complex)
    if wiring is Wiring.SPECIMEN_AT_GROUND:
        matrix[:, 0, 1] = 1
        matrix[:, 1, 0] = series
        matrix[:, 1, 1] = -series - stray
        return matrix
    matrix[:, 0, 0] = 1
    matrix[:, 0, 1] = -1 if wiring is Wiring.SHUNT_AT_GROUND else 0
    matrix[:, 1, 1] = series + stray
    return matrix


@dataclass(frozen=True, slots=True)
class RangeFactor:
    """Ratio of two readings of V_A/V_B that should agree, measured with both channels on one node.

    Attributes
    ----------
    ratio : complex array (F,)
        V_A/V_B as this pair reads it over V_A/V_B as the reference reads it; readings are divided by it.
    u_gain, u_phase_rad : float array (F,)
        Relative standard uncertainty of the magnitude and of the angle, each common to all points on the
        same range pair; zero where the pair is the reference itself.
    """

    ratio: ComplexArray
    u_gain: FloatArray
    u_phase_rad: FloatArray

    def __post_init__(self) -> None:
        shapes = {np.shape(self.ratio), np.shape(self.u_gain), np.shape(self.u_phase_rad)}
        usable = len(shapes) == 1 and bool(np.all(np.isfinite(self.ratio)) and np.all(self.ratio != 0))
        certain = bool(np.all(np.isfinite(self.u_gain)) and np.all(np.isfinite(self.u_phase_rad)))
        require(
            usable and certain and bool(np.all(self.u_gain >= 0) and np.all(self.u_phase_rad >= 0)),
            "a range factor must be finite and not zero, its uncertainties not negative, all of one length",
            where="range factor",
            next_step="measure it again with both channels on one node",
        )

    def apply(self, pair: PhasorPair) -> PhasorPair:
        """Return the pair with channel A divided by the factor, covariance turned and scaled with it."""
        require(
            self.ratio.shape == pair.voltage_a_v.shape,
            "the range factor has another number of points than the readings",
            where="range factor",
            got=str(self.ratio.size),
            allowed=str(pair.voltage_a_v.size),
        )
        inverse = 1 / self.ratio
        turn = np.zeros((inverse.size, 4, 4))
        turn[:, 0, 0] = turn[:, 1, 1] = inverse.real
        turn[:, 1, 0], turn[:, 0, 1] = inverse.imag, -inverse.imag
        turn[:, 2, 2] = turn[:, 3, 3] = 1
        return replace(
            pair,
            voltage_a_v=pair.voltage_a_v * inverse,
            covariance=turn @ pair.covariance @ np.swapaxes(turn, 1, 2),
        )

    def sources(self, slope: ComplexArray) -> list[ErrorSource]:
        """Return gain and phase as sources of scope ``range``; ``slope`` (F,) is ∂Z/∂ln V_A."""
        return [
            ErrorSource("range factor: gain", Scope.RANGE, slope * self.u_gain),
            ErrorSource("range factor: phase", Scope.RANGE, 1j * slope * self.u_phase_rad),
        ]
