"""Formulas of what a wire has beside its resistance: inductance of leads, capacitance between turns."""

from __future__ import annotations

import numpy as np
from scipy import constants


def loop_inductance_h(radius_m: float, wire_radius_m: float) -> float:
    """Return the inductance of a round loop without the field inside the wire, H: μ0 R [ln(8R/a) − 2].

    For a ≪ R (Grover, *Inductance Calculations*, 1946; from memory).
    """
    return float(constants.mu_0 * radius_m * (np.log(8 * radius_m / wire_radius_m) - 2))


def pair_inductance_h(length_m: float, spacing_m: float, wire_radius_m: float) -> float:
    """Return the inductance of two parallel wires, without the field inside them, H.

    (μ0/π) l arcosh(D/2a) for the pair of length l, exact for current on the surface (from memory).
    """
    return float(constants.mu_0 / np.pi * length_m * np.arccosh(spacing_m / (2 * wire_radius_m)))


def lead_inductance_h(lead_length_m: float, wire_radius_m: float) -> tuple[float, float]:
    """Return the least and the largest inductance of two leads of given length together, H.

    Twisted (enamelled wires touching, D = 2.2 a) is the least, one open circle the largest.
    """
    least = pair_inductance_h(lead_length_m / 2, 2.2 * wire_radius_m, wire_radius_m)
    return least, loop_inductance_h(lead_length_m / (2 * np.pi), wire_radius_m)


def turn_to_turn_capacitance_f(
    length_m: float,
    copper_diameter_m: float,
    overall_diameter_m: float,
    relative_permittivity: float = 3.5,
) -> float:
    """Return the capacitance between two touching turns of enamelled wire, F.

    Parameters
    ----------
    length_m : float
        Length of one turn, m.
    copper_diameter_m, overall_diameter_m : float
        Without and with enamel, m.
    relative_permittivity : float
        Of the enamel.

    Returns
    -------
    float
        A. Massarini and M. K. Kazimierczuk, IEEE Trans. Power Electron. 12(4), 671 (1997), the form with the
        angle θ* = arccos(1 − ln(D_o/D_c)/ε_r) where enamel and air path swap, from memory:
        ε0 l [ε_r θ*/ln(D_o/D_c) + cot(θ*/2) − cot(π/12)].
    """
    enamel = np.log(overall_diameter_m / copper_diameter_m)
    angle = np.arccos(1 - enamel / relative_permittivity)
    air = 1 / np.tan(angle / 2) - 1 / np.tan(np.pi / 12)
    return float(constants.epsilon_0 * length_m * (relative_permittivity * angle / enamel + air))


def layer_capacitance_ratio(turns: int) -> float:
    """Return the capacitance of a single tight layer on a conducting core over that of two turns.

    Massarini & Kazimierczuk (as above), from memory: with C_tc = 2 C_tt, C(2) = 2, C(3) = 1.5 and
    C(n) = 1 + ½C(n−2)/(½ + C(n−2)), which tends to (1 + √3)/2 = 1.366.
    """
    if turns < 2:
        return 0.0
    value = 2.0 if turns % 2 == 0 else 1.5
    for _ in range(4 if turns % 2 == 0 else 5, turns + 1, 2):
        value = 1 + value / 2 / (value + 0.5)
    return value
