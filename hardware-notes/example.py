"""The rig that the notes speak of: the parts they propose, and one ring."""

from __future__ import annotations

from dataclasses import replace

from whichcore.analysis.geometry import core_geometry
from whichcore.analysis.permeability import air_inductance_h
from whichcore.analysis.plan_point import PlanBench, PlanPoint, plan_point
from whichcore.analysis.specimen import Ring, Specimen, Winding

RING = Specimen(
    Ring(25e-3, 15e-3, 10e-3),
    Winding(10, wire_diameter_m=0.4e-3, lead_length_m=0.1),
    temperature_c=23.0,
    name="ring 25/15/10 mm",
)
LENGTH_M = core_geometry(RING).effective.length_m
AREA_M2 = core_geometry(RING).effective.area_m2

OUTPUT_OHM = 50.0
LOWEST_VPP, HIGHEST_VPP = 10e-3, 20.0  # open circuit, of the generator; practice
SHUNTS_OHM = (1.0, 10.0, 100.0)
PADS = {20: (249.0, 61.9), 40: (2490.0, 51.1)}  # dB: series, both shunts, Ω; nearest of the E96 row
BLOCKING_F = 110e-6  # two of 220 µF back to back
SCOPE_F = 70e-12  # input and cable
SCREEN_OHM, EARTH_OHM, EARTH_H = 20e-3, 0.1, 2e-6  # practice: a metre of cable, a few metres of mains lead
CHOKE_TURNS, CHOKE_MU = 20, 2300.0
PROTECT_OHM, LEAK_OHM, NODE_F = 1e3, 1e6, 15e-12  # in front of the follower
RAIL_V, FORWARD_V = 5.0, 0.6
UNITY_GAIN_HZ = 10e6  # of the amplifier in the follower
DIODE_A, DIODE_EMISSION = 4e-9, 1.9  # a common small silicon diode, from memory
CARD_OHM, CARD_SHUNT_OHM = 10e3, 100.0  # practice: input of a sound card
CARD_TOP_HZ = 0.45 * 192e3


def inductance_h(turns: int, permeability: float) -> float:
    """Return the inductance of the ring without any stray."""
    return permeability * air_inductance_h(replace(RING, winding=replace(RING.winding, turns=turns)))


def generator_bench() -> PlanBench:
    """Return generator and scope as the planner knows them; the scope is the virtual one."""
    return PlanBench(
        shunt_ohm=10.0, output_ohm=OUTPUT_OHM, level_vpp=(LOWEST_VPP, HIGHEST_VPP), frequency_hz=(1e-3, 30e6),
        smallest_range_vpp=0.08,
    )  # fmt: skip


def sound_bench() -> PlanBench:
    """Return a sound card behind 50 Ω, 1 V rms, as the planner knows it; 16 bits that count (practice)."""
    return replace(
        generator_bench(), shunt_ohm=CARD_SHUNT_OHM, level_vpp=(1e-3, 2.83), frequency_hz=(20.0, CARD_TOP_HZ),
        smallest_range_vpp=2.83, steps=2**16,
    )  # fmt: skip


def point(bench: PlanBench, frequency_hz: float, permeability: float) -> PlanPoint:
    """Return the planner's point of the ring."""
    return plan_point(RING, bench, frequency_hz, permeability)
