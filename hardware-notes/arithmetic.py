"""The arithmetic behind the hardware notes: one function for each law, SI units.

What the program itself knows (voltages of a short, levels for a flux density, leads, wire) is taken from it.
"""

from __future__ import annotations

import cmath
import math

import numpy as np
from scipy import constants, optimize

THERMAL_V = constants.k * 300.0 / constants.e  # at 300 K


def angular(frequency_hz: float) -> float:
    """Return ω."""
    return 2 * math.pi * frequency_hz


def parallel_ohm(*resistances_ohm: float) -> float:
    """Return resistances side by side."""
    return 1 / sum(1 / value for value in resistances_ohm)


# ------------------------------------------------------------------------------------------ shunt and pad


def shunt_power_w(emf_vpk: float, output_ohm: float, shunt_ohm: float) -> float:
    """Return the mean power in a shunt with a short fitted: (E/(R_o + R_s))² R_s/2."""
    return (emf_vpk / (output_ohm + shunt_ohm)) ** 2 * shunt_ohm / 2


def matched_pi_ohm(loss_db: float, impedance_ohm: float) -> tuple[float, float]:
    """Return the series and the two shunt resistors of a matched pad: Z0 (k² − 1)/2k and Z0 (k + 1)/(k − 1).

    k is the ratio of voltages (handbook formula, from memory; the test derives it by nodal analysis).
    """
    k = 10 ** (loss_db / 20)
    return impedance_ohm * (k * k - 1) / (2 * k), impedance_ohm * (k + 1) / (k - 1)


def behind_pi(series_ohm: float, shunt_ohm: float, output_ohm: float) -> tuple[float, float]:
    """Return emf over emf of the source, and source resistance, seen behind a pad of three resistors."""
    first = parallel_ohm(output_ohm, shunt_ohm)
    share = first / output_ohm  # of the emf, at the first node with nothing behind it
    inner = first + series_ohm
    return share * shunt_ohm / (inner + shunt_ohm), parallel_ohm(inner, shunt_ohm)


def decibel(ratio: float) -> float:
    """Return the loss of a ratio of voltages."""
    return -20 * math.log10(ratio)


# ------------------------------------------------------------------------- blocking capacitor and choke


def corner_hz(resistance_ohm: float, capacitance_f: float) -> float:
    """Return 1/(2πRC)."""
    return 1 / (2 * math.pi * resistance_ohm * capacitance_f)


def resonance_hz(inductance_h: float, capacitance_f: float) -> float:
    """Return 1/(2π√LC)."""
    return 1 / (2 * math.pi * math.sqrt(inductance_h * capacitance_f))


def bias_t(current_a: float, turns: int, length_m: float, permeability: float) -> float:
    """Return the flux density of a direct current: μ0 μ N I/l."""
    return constants.mu_0 * permeability * turns * current_a / length_m


def loop_share(
    frequency_hz: float, screen_ohm: float, loop_ohm: float, loop_h: float, choke_h: float
) -> complex:
    """Return the share of the return current that goes through earth instead of the screen of the cable.

    The choke is in inner conductor and screen alike, fully coupled, so it stands only in the way of the
    difference of both currents: R_s/(R_s + R_l + jω(L_l + L_c)) (analytic).
    """
    return screen_ohm / complex(screen_ohm + loop_ohm, angular(frequency_hz) * (loop_h + choke_h))


# ------------------------------------------------------------------------------------- sound card inputs


def low_pass(frequency_hz: float, corner: float) -> complex:
    """Return the response of one pole."""
    return 1 / (1 + 1j * frequency_hz / corner)


def phase_mrad(response: complex) -> float:
    """Return by how much a response lags."""
    return -1e3 * cmath.phase(response)


def clamp_current_a(voltage_v: float, rail_v: float, forward_v: float, series_ohm: float) -> float:
    """Return the current into a rail from a voltage beyond it."""
    return max(0.0, voltage_v - rail_v - forward_v) / series_ohm


def string_clamp(
    emf_vpk: float, series_ohm: float, saturation_a: float, emission: float, in_string: int
) -> tuple[float, float]:
    """Return fundamental and third harmonic, over the emf, behind two antiparallel strings of diodes.

    The voltage v at each moment solves (e − v)/R = 2 I_s sinh(v/(m n V_T)), m diodes in a string; the
    harmonics are those of one period.
    """
    phase = 2 * np.pi * (np.arange(256) + 0.5) / 256
    slope = in_string * emission * THERMAL_V

    def voltage(emf: float) -> float:
        def excess(v: float) -> float:
            return (emf - v) / series_ohm - 2 * saturation_a * math.sinh(v / slope)

        return float(optimize.brentq(excess, -abs(emf), abs(emf), xtol=1e-15))

    wave = np.array([voltage(emf_vpk * math.sin(x)) for x in phase])
    first, third = (2 * float(np.mean(wave * np.sin(k * phase))) for k in (1, 3))
    return first / emf_vpk, abs(third) / emf_vpk


def crosstalk_error(level_db: float, ratio: float) -> float:
    """Return the relative error of V_B where a share of V_A leaks into it; ``ratio`` is V_A/V_B."""
    return float(10 ** (level_db / 20) * ratio)


# ---------------------------------------------------------------------------------------------- fixtures


def wire_inductance_h(length_m: float, radius_m: float) -> float:
    """Return the inductance of a straight round wire, current on its surface: μ0 l/2π (ln 2l/a − 1).

    Grover, *Inductance Calculations*, 1946; from memory. The return path is not counted.
    """
    return constants.mu_0 * length_m / (2 * math.pi) * (math.log(2 * length_m / radius_m) - 1)


def strip_inductance_h(length_m: float, width_m: float, thickness_m: float) -> float:
    """Return the inductance of a straight strip: μ0 l/2π (ln 2l/(w + t) + 1/2).

    Grover, *Inductance Calculations*, 1946; from memory. The return path is not counted.
    """
    return (
        constants.mu_0 * length_m / (2 * math.pi) * (math.log(2 * length_m / (width_m + thickness_m)) + 0.5)
    )


# ------------------------------------------------------------------------------------------ node voltages


def nodes_vpk(
    emf_vpk: float, output_ohm: float, shunt_ohm: float, part_ohm: complex, *, shunt_at_ground: bool
) -> tuple[float, float]:
    """Return the peak voltages of A and B with a part fitted, by the divider of three resistances."""
    current = emf_vpk / (output_ohm + shunt_ohm + part_ohm)
    below = shunt_ohm if shunt_at_ground else part_ohm
    return abs(current * (shunt_ohm + part_ohm)), abs(current * below)
