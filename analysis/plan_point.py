"""What one winding, one frequency and one permeability mean on a bench: impedance, voltages, levels.

Peak values; the flux density is the largest over the section (the inner edge of a ring), as the level of a
sweep is kept.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from whichcore.analysis.geometry import core_geometry
from whichcore.analysis.permeability import air_inductance_h
from whichcore.analysis.specimen import Specimen
from whichcore.analysis.types import Wiring
from whichcore.analysis.winding import ElementError, winding_model

SNOEK_PRODUCT_HZ = 7.47e9
"""(μi − 1) f_r of a ferrite of 0.40 T (J. L. Snoek, Physica 14, 207 (1948), from memory)."""

EIGHT_BITS = 256

INITIAL_FLUX_T = 0.25e-3
"""Peak, at or below 10 kHz: what defines initial permeability in practice (IEC 60401-3, from memory)."""


@dataclass(frozen=True, slots=True)
class PlanBench:
    """What the planner knows of a bench.

    Attributes
    ----------
    shunt_ohm, output_ohm : float
        Shunt, and resistance of the source.
    level_vpp : (float, float)
        Lowest and highest level of the source, V peak to peak, open circuit.
    frequency_hz : (float, float)
        Of the source.
    smallest_range_vpp : float
        Most sensitive range of the digitizer.
    steps : int
        Of the converter over a range.
    flux_density_t : float
        Flux density wanted, largest over the section, T peak.
    """

    shunt_ohm: float
    output_ohm: float
    level_vpp: tuple[float, float]
    frequency_hz: tuple[float, float]
    smallest_range_vpp: float
    steps: int = EIGHT_BITS
    flux_density_t: float = INITIAL_FLUX_T

    @property
    def step_v(self) -> float:
        """Finest step of the converter, V."""
        return self.smallest_range_vpp / self.steps


@dataclass(frozen=True, slots=True)
class PlanPoint:
    """A wound core of one permeability at one frequency, driven to the flux density wanted.

    Attributes
    ----------
    frequency_hz, initial_permeability : float
    impedance_ohm : complex
        At the terminals.
    amplification : mapping of Wiring to float
        Relative error of Z over that of the ratio V_A/V_B, |r|/|r − 1|, of the two one-winding wirings.
    core_voltage_vpk : float
        Induced in the winding, ω N A_e B whatever the permeability is.
    emf_vpp : float
        Of the source, open circuit, before any pad.
    signal_vpk : mapping of Wiring to float
        The smaller of the two channels' voltages.
    highest_flux_t : float
        At the highest level of the source.
    field_a_per_m : float
        Peak, mean path, at the highest level of the source.
    copper_share : float
        R_w/(ω L0 μ′): what the copper adds to tan δ.
    capacitance_shift : float
        ω C_w |Z1|, by which the winding capacitance changes |Z|.
    capacitance_doubt, stray_doubt : float
        Relative change of Z for one standard uncertainty of winding capacitance and of stray inductance.
    """

    frequency_hz: float
    initial_permeability: float
    impedance_ohm: complex
    amplification: dict[Wiring, float]
    core_voltage_vpk: float
    emf_vpp: float
    signal_vpk: dict[Wiring, float]
    highest_flux_t: float
    field_a_per_m: float
    copper_share: float
    capacitance_shift: float
    capacitance_doubt: float
    stray_doubt: float


def core_voltage_vpk(frequency_hz: float, turns: int, area_m2: float, flux_density_t: float) -> float:
    """Return the peak voltage of a winding for a peak flux density, mean over the section: ω N A_e B."""
    return 2 * math.pi * frequency_hz * turns * area_m2 * flux_density_t


def amplification(impedance_ohm: complex, shunt_ohm: float) -> dict[Wiring, float]:
    """Return |r|/|r − 1|, r = V_A/V_B, by which a relative error of r comes out in Z.

    With the shunt at ground r − 1 = Z/R, with the specimen at ground R/Z (analytic).
    """
    total = abs(impedance_ohm + shunt_ohm)
    return {
        Wiring.SHUNT_AT_GROUND: total / abs(impedance_ohm),
        Wiring.SPECIMEN_AT_GROUND: total / shunt_ohm,
    }


def ferrite_permeability(initial: float, frequency_hz: float) -> complex:
    """Return a plain relaxation, 1 + χ/(1 + jf/f_r), with its corner by Snoek's law for 0.40 T."""
    susceptibility = initial - 1
    return 1 + susceptibility / (1 + 1j * frequency_hz * susceptibility / SNOEK_PRODUCT_HZ)


def plan_point(specimen: Specimen, bench: PlanBench, frequency_hz: float, initial: float) -> PlanPoint:
    """Work out one point.

    Parameters
    ----------
    specimen : Specimen
        With the winding to be judged; a closed core.
    bench : PlanBench
    frequency_hz : float
    initial : float
        Initial permeability expected.

    Raises
    ------
    AnalysisError
        The core is a rod, or the geometry does not hold.
    """
    geometry, air = core_geometry(specimen), air_inductance_h(specimen)
    omega, mu = 2 * math.pi * frequency_hz, ferrite_permeability(initial, frequency_hz)
    model = winding_model(specimen, np.array([frequency_hz]))
    copper = float(model.resistance_ohm.value[0]) or _doubt(model.resistance_ohm.errors)
    core = 1j * omega * air * mu
    inner = core + copper + 1j * omega * float(model.inductance_h.value[0])
    capacitance = float(model.capacitance_f.value[0])
    z = 1 / (1 / inner + 1j * omega * capacitance)
    mean_t = bench.flux_density_t / geometry.peak_to_mean_flux
    voltage = core_voltage_vpk(frequency_hz, specimen.winding.turns, geometry.effective.area_m2, mean_t)
    terminal = voltage * abs(inner / core)
    current = terminal / abs(z)
    emf_vpp = 2 * current * abs(z + bench.shunt_ohm + bench.output_ohm)
    across, whole = current * bench.shunt_ohm, current * abs(z + bench.shunt_ohm)
    reach = bench.level_vpp[1] / emf_vpp
    turns = specimen.winding.turns
    return PlanPoint(
        frequency_hz=frequency_hz,
        initial_permeability=initial,
        impedance_ohm=z,
        amplification=amplification(z, bench.shunt_ohm),
        core_voltage_vpk=voltage,
        emf_vpp=emf_vpp,
        signal_vpk={
            Wiring.SHUNT_AT_GROUND: min(whole, across),
            Wiring.SPECIMEN_AT_GROUND: min(whole, terminal),
            Wiring.TWO_WINDINGS: min(voltage, across),
        },
        highest_flux_t=bench.flux_density_t * reach,
        field_a_per_m=turns * voltage / abs(core) * reach / geometry.effective.length_m,
        copper_share=copper / (omega * air * mu.real),
        capacitance_shift=omega * capacitance * abs(inner),
        capacitance_doubt=omega * _doubt(model.capacitance_f.errors) * abs(inner),
        stray_doubt=omega * _doubt(model.inductance_h.errors) / abs(core),
    )


def _doubt(errors: tuple[ElementError, ...]) -> float:
    return float(np.hypot.reduce([error.change[0] for error in errors])) if errors else 0.0
