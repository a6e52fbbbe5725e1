"""Every number that the pages of the hardware notes work out, in the words in which they say it.

A test looks for each of them on its page. To change a number change a part in ``example.py``, run the test,
and write what it asks for.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import replace

from arithmetic import (
    angular,
    behind_pi,
    bias_t,
    clamp_current_a,
    corner_hz,
    crosstalk_error,
    decibel,
    loop_share,
    low_pass,
    matched_pi_ohm,
    parallel_ohm,
    phase_mrad,
    resonance_hz,
    shunt_power_w,
    string_clamp,
    strip_inductance_h,
    wire_inductance_h,
)
from example import (
    AREA_M2,
    BLOCKING_F,
    CARD_OHM,
    CARD_SHUNT_OHM,
    CARD_TOP_HZ,
    CHOKE_MU,
    CHOKE_TURNS,
    DIODE_A,
    DIODE_EMISSION,
    EARTH_H,
    EARTH_OHM,
    FORWARD_V,
    HIGHEST_VPP,
    LEAK_OHM,
    LENGTH_M,
    NODE_F,
    OUTPUT_OHM,
    PADS,
    PROTECT_OHM,
    RAIL_V,
    RING,
    SCOPE_F,
    SCREEN_OHM,
    SHUNTS_OHM,
    UNITY_GAIN_HZ,
    generator_bench,
    inductance_h,
    point,
)

from whichcore.analysis.permeability import air_inductance_h
from whichcore.analysis.plan_band import SECOND_WINDING_TO_HZ, wire_for
from whichcore.analysis.plan_point import (
    INITIAL_FLUX_T,
    amplification,
    core_voltage_vpk,
    ferrite_permeability,
)
from whichcore.analysis.stray import lead_inductance_h
from whichcore.analysis.wire import resistance_per_metre_ohm
from whichcore.wording import quantity

TOP_HZ = 3e6
PEAK_V = HIGHEST_VPP / 2
AROUND_OHM = OUTPUT_OHM + 10.0  # source and shunt


def claims() -> dict[str, tuple[str, ...]]:
    """Return the claims of each page, by its name."""
    return {
        "README": (f"up to some {SECOND_WINDING_TO_HZ / 1e3:g} kHz",),
        "wirings": tuple(_wirings()),
        "shunt-and-pad": (*_shunt(), *_pad()),
        "protection-and-buffer": (*_blocking(), *_choke(), *_inputs(), *_drive(), *_crosstalk()),
        "fixtures": (*_fixtures(), *_clip()),
        "winding": tuple(_winding()),
        "probes-and-grounds": tuple(_probes()),
        "parts": (
            f"20 turns make [{1e3 * _choke_h():.2f} mH]",
            f"in parallel {quantity(parallel_ohm(100, 100), 'Ω')}: ",
            f"back to back [{quantity(1 / (2 / 220e-6), 'F')}]",
        ),
        "first-hour": (
            f"{_step_mv(1):.2f} mV at 80 mV full scale",
            "60 Ω over 10 Ω",
        ),
    }


def _wirings() -> Iterator[str]:
    core = 1j * angular(1e3) * inductance_h(10, 100.0) + _copper_ohm()
    by_wiring = list(amplification(core, 10.0).values())
    yield (
        f"each error of it comes out {by_wiring[0]:.0f} times in the impedance; with the specimen at ground "
        f"it is {by_wiring[1]:.2f} times"
    )
    yield f"up to some {SECOND_WINDING_TO_HZ / 1e3:g} kHz"
    yield f"70 pF are {100 * angular(1e5) * SCOPE_F * 1e3:.1f} % of the admittance of 1 kΩ at 100 kHz"
    yield f"1 MΩ across a transfer impedance of 1 kΩ is {1e3 * 1e3 / LEAK_OHM:.0f} mrad"
    bare, buffered = (CARD_SHUNT_OHM / (ohm + CARD_SHUNT_OHM) for ohm in (CARD_OHM, LEAK_OHM))
    yield f"beside a shunt of 100 Ω takes {100 * bare:.2f} % of the current"
    yield f"With 1 MΩ it is {100 * buffered:.2f} %"


def _copper_ohm() -> float:
    return 0.45 * resistance_per_metre_ohm(0.4e-3)


# ------------------------------------------------------------------------------------------ shunt and pad


def _shunt() -> Iterator[str]:
    for ohm in SHUNTS_OHM:
        cells = (
            quantity(shunt_power_w(PEAK_V, OUTPUT_OHM, ohm), "W"),
            quantity(shunt_power_w(0.5, OUTPUT_OHM, ohm), "W"),
            f"{1e3 * angular(TOP_HZ) * 5e-9 / ohm:.2g} mrad",
            f"{1e3 * angular(TOP_HZ) * SCOPE_F * ohm:.{3 if ohm > 50 else 2}g} mrad",
        )
        yield " | ".join(cells)
    most = shunt_power_w(PEAK_V, OUTPUT_OHM, OUTPUT_OHM)
    yield f"No shunt gets more than {quantity(most, 'W')} from it, at 50 Ω"
    yield f"turns the phase of 10 Ω at 100 kHz by {1e3 * angular(1e5) * 1e-6 / 10:.0f} mrad"
    hot = shunt_power_w(PEAK_V, OUTPUT_OHM, 10.0)
    rise = 200 * hot
    yield (
        f"The {quantity(hot, 'W')} of the worst case warm a chip on a board by {rise:.0f} K at 200 "
        "K/W (practice), "
        f"which is {100 * 25e-6 * rise:.2f} %"
    )
    yield f"at 1 V p-p the heat is {200 * shunt_power_w(0.5, OUTPUT_OHM, 10.0):.2f} K"
    yield f"four of 39.2 Ω are {39.2 / 4:.1f} Ω"
    yield f"the phase of 10 Ω at 3 MHz is open by {1e3 * angular(TOP_HZ) * 2e-9 / 10:.1f} mrad"
    yield f"10 mm of wire of 1 mm are {quantity(wire_inductance_h(10e-3, 0.5e-3), 'H', 2)}"


def _pad() -> Iterator[str]:
    for db, (series, side) in PADS.items():
        exact = matched_pi_ohm(db, 50.0)
        share, output = behind_pi(series, side, OUTPUT_OHM)
        yield (
            f"| {db} dB | {series:g} Ω | {side:g} Ω | {exact[0]:.4g} Ω, {exact[1]:.4g} Ω | "
            f"{decibel(share):.2f} dB | "
            f"{output:.2f} Ω |"
        )
    series, side = PADS[20]
    load = parallel_ohm(side, series + side)
    power = (PEAK_V * load / (load + OUTPUT_OHM)) ** 2 / side / 2
    yield f"the resistor next to the generator takes {quantity(power, 'W')} in the pad of 20 dB"
    bench = generator_bench()
    strong, weak = (quantity(point(bench, 1e3, mu).emf_vpp, "V") for mu in (10_000.0, 2300.0))
    yield (
        f"the generator must give {strong} peak to peak, output open, for a permeability of 10 000 at "
        "1 kHz, and "
        f"{weak} for 2300"
    )
    yield (
        f"at 3 MHz the same ring needs {quantity(point(bench, TOP_HZ, 10_000.0).emf_vpp, 'V')} peak "
        "to peak for "
        "0.25 mT"
    )


# ---------------------------------------------------------------------------------- protection and buffer


def _blocking() -> Iterator[str]:
    bias, left = (bias_t(a, 10, LENGTH_M, 1e4) for a in (10e-3 / AROUND_OHM, 1e-6))
    yield (
        "10 mV behind 60 Ω bias a ring of permeability 10 000 with ten turns (25/15/10 mm) by "
        f"{1e3 * bias:.2f} mT"
    )
    yield f"1 µA (practice) makes {1e6 * left:.1f} µT"
    yield f"make {quantity(1 / (2 / 220e-6), 'F')} for either polarity"
    corner = corner_hz(AROUND_OHM, BLOCKING_F)
    loss = decibel(abs(1 / (1 - 1j * corner / 1e3)))
    yield (
        f"With 60 Ω around it the corner is at {corner:.0f} Hz; at 1 kHz the level is lower by {loss:.4f} dB"
    )
    many = inductance_h(40, 1e4)
    yield (
        f"40 turns on the ring at permeability 10 000 are {quantity(many, 'H')} and meet 110 µF at "
        f"{resonance_hz(many, BLOCKING_F):.0f} Hz"
    )
    yield (
        f"10 µF would meet them at {resonance_hz(many, 10e-6):.0f} Hz; its corner is at "
        f"{corner_hz(AROUND_OHM, 10e-6):.0f} Hz"
    )
    yield f"60 Ω times 110 µF are {quantity(AROUND_OHM * BLOCKING_F, 's')}"


def _choke_h() -> float:
    return inductance_h(CHOKE_TURNS, CHOKE_MU)


def _choke() -> Iterator[str]:
    def share(hertz: float, choke_h: float) -> float:
        return abs(loop_share(hertz, SCREEN_OHM, EARTH_OHM, EARTH_H, choke_h))

    bare, choked = share(1e3, 0.0), share(1e3, _choke_h())
    yield (
        f"With {quantity(SCREEN_OHM, 'Ω')} of screen, {EARTH_OHM:g} Ω and {quantity(EARTH_H, 'H')} of "
        "loop (practice), "
        f"the second way takes {100 * bare:.0f} % at 1 kHz"
    )
    yield f"Along 20 mΩ of the scope's screens that adds {100 * bare * SCREEN_OHM / 10:.3f} % of V_B"
    yield f"of permeability 2300 they make {1e3 * _choke_h():.2f} mH"
    yield f"The second way then takes {100 * choked:.2f} % at 1 kHz, {bare / choked:.0f} times less"
    hum = share(50, 0.0) / share(50, _choke_h())
    yield f"At 50 Hz the choke is {angular(50) * _choke_h():.1f} Ω only, and the hum falls {hum:.1f} times"


def _inputs() -> Iterator[str]:
    yield f"clips at some {math.sqrt(2):.1f} V peak"
    current = clamp_current_a(PEAK_V, RAIL_V, FORWARD_V, PROTECT_OHM)
    power = current**2 * PROTECT_OHM
    yield (
        f"{PEAK_V:g} V peak of a generator by mistake push {quantity(current, 'A')} into a rail, "
        f"{1e3 * power:.0f} mW in the resistor"
    )
    yield f"{100 * CARD_SHUNT_OHM / (LEAK_OHM + CARD_SHUNT_OHM):.2f} % of the current of 100 Ω"
    yield (
        f"{quantity(current, 'A')} from the clamp must go somewhere: put 1 kΩ across each rail, it takes "
        f"{quantity(RAIL_V / 1e3, 'A')}"
    )
    yield f"5 nA of leakage (practice) are {5e-9 * PROTECT_OHM * 1e6:.0f} µV in 1 kΩ"
    low, middle, high = (string_clamp(v, PROTECT_OHM, DIODE_A, DIODE_EMISSION, 2) for v in (0.1, 0.5, 1.0))
    yield (
        f"at 0.1 V peak they take {100 * (1 - low[0]):.3f} %, at 0.5 V {100 * (1 - middle[0]):.3f} % "
        "and at 1 V "
        f"{100 * (1 - high[0]):.1f} %, with a third harmonic of {100 * high[1]:.1f} %"
    )
    yield f"At {CARD_TOP_HZ / 1e3:.1f} kHz (0.45 of a rate of 192 kHz)"
    node = corner_hz(PROTECT_OHM, NODE_F)
    first, other = (phase_mrad(low_pass(CARD_TOP_HZ, corner)) for corner in (node, node / 0.9))
    yield f"(practice) | {first:.1f} mrad | 10 %: {first - other:.1f} mrad |"
    first, other = (phase_mrad(low_pass(CARD_TOP_HZ, k * UNITY_GAIN_HZ)) for k in (1.0, 1.2))
    yield f"| follower of 10 MHz | {first:.1f} mrad | 20 %: {first - other:.1f} mrad |"
    across = 1e3 * angular(1e6) * 4e-12
    yield f"a diode pair of 4 pF at node B is {10 * across:.2f} mrad at 1 MHz beside a shunt of 10 Ω, but "
    yield f"{1e3 * across:.0f} mrad beside 1 kΩ with the specimen at ground"


def _drive() -> Iterator[str]:
    current = math.sqrt(2) / (OUTPUT_OHM + CARD_SHUNT_OHM)
    yield (
        f"{math.sqrt(2):.2f} V peak (1 V rms) into a short behind a shunt of 100 Ω are "
        f"{quantity(current, 'A', 2)}, "
        f"{10 * current / LENGTH_M:.1f} A/m in ten turns on the ring"
    )


def _crosstalk() -> Iterator[str]:
    small, large = (100 * crosstalk_error(-80.0, (1e3 + ohm) / ohm) for ohm in (10.0, 100.0))
    yield f"beside a core of 1 kΩ it is {small:.2f} % with a shunt of 10 Ω, {large:.2f} % with 100 Ω"


# ------------------------------------------------------------------------------- fixtures, winding, probes


def _fixtures() -> Iterator[str]:
    yield f"0.5 pF at 3 MHz: {100 * angular(TOP_HZ) * 0.5e-12 * 1e3:.2f} % of 1 kΩ"
    strip, wire = strip_inductance_h(10e-3, 5e-3, 0.1e-3), wire_inductance_h(10e-3, 0.5e-3)
    copper = 10e-3 * resistance_per_metre_ohm(1e-3)
    yield (
        f"straight across: {1e9 * strip:.1f} nH (a wire of 1 mm: {1e9 * wire:.1f} nH, {1e3 * copper:.2f} mΩ)"
    )
    doubt = angular(TOP_HZ) * 2e-9
    yield f"2 nH at 3 MHz: {1e3 * doubt:.0f} mΩ, {100 * doubt:.1f} % of 1 Ω"
    turn, across = 1e3 * angular(TOP_HZ) * 5e-9 / 50, 1e3 * angular(TOP_HZ) * 0.4e-12 * 50
    yield f"5 nH at 3 MHz: {turn:.1f} mrad; 0.4 pF: {across:.2f} mrad"
    yield f"The load takes {quantity(shunt_power_w(PEAK_V, OUTPUT_OHM, 50.0), 'W')} at 20 V p-p and 50 Ω"
    low, high = (1 / (angular(f) * 1e-9) for f in (1e3, TOP_HZ))
    yield f"The capacitor is {quantity(low, 'Ω')} at 1 kHz and {high:.0f} Ω at 3 MHz"


def _clip() -> Iterator[str]:
    low, middle, high = (angular(f) * inductance_h(1, 2300.0) for f in (1e3, 1e4, 1e5))
    yield f"is {1e3 * low:.1f} mΩ at 1 kHz, {middle:.3f} Ω at 10 kHz and {high:.2f} Ω at 100 kHz"
    yield f"in series with it would read {2 * 20e-3 / low:.1f} times the core at 1 kHz"
    yield f"40 mm of 4 mm are {1e9 * _rod_h():.0f} nH"
    yield f"where 20 mΩ are {100 * 20e-3 / 10:.1f} % of 10 Ω"
    volts = (quantity(core_voltage_vpk(f, 1, AREA_M2, INITIAL_FLUX_T), "V", 2) for f in (1e3, 1e5, 1e6))
    yield "is {} at 1 kHz, {} at 100 kHz and {} at 1 MHz".format(*volts)
    yield f"with 80 mV full scale steps by {_step_mv(1):.2f} mV"


def _rod_h() -> float:
    return wire_inductance_h(40e-3, 2e-3)


def _step_mv(probe_ratio: float) -> float:
    return 1e3 * generator_bench().step_v * probe_ratio


def _winding() -> Iterator[str]:
    coats = [replace(RING, core=replace(RING.core, coating_thickness_m=t)) for t in (0.1e-3, 0.2e-3, 0.3e-3)]
    off = [100 * (air_inductance_h(RING) / air_inductance_h(core) - 1) for core in coats]
    yield "of a ring 25/15/10 mm wrong by {:.0f}, {:.0f} or {:.0f} %".format(*off)
    shift = [
        100 * angular(f) ** 2 * 5e-12 * inductance_h(10, 1.0) * abs(ferrite_permeability(2300.0, f))
        for f in (1e6, TOP_HZ)
    ]
    yield f"shifts the impedance by {shift[0]:.0f} % at 1 MHz and by {shift[1]:.0f} % at 3 MHz"
    yield f"{1e3 * (wire_for(RING, 40) or 0.0):.1f} mm for 40 turns on this ring"
    yield f"0.45 m of 0.4 mm wire are {1e3 * _copper_ohm():.0f} mΩ"
    yield (
        f"One more or less at ten is {100 * (1.1**2 - 1):.0f} or {100 * (1 - 0.9**2):.0f} % of the "
        "permeability"
    )
    twisted, open_loop = lead_inductance_h(0.1, 0.2e-3)
    three = inductance_h(3, 100.0)
    yield (
        f"of 0.4 mm wire are {1e9 * twisted:.0f} nH twisted and up to {1e9 * open_loop:.0f} nH as an "
        "open loop"
    )
    yield (
        f"Three turns on permeability 100 are {1e6 * three:.2f} µH: {100 * twisted / three:.1f} against "
        f"{100 * open_loop / three:.1f} %"
    )


def _probes() -> Iterator[str]:
    current = PEAK_V / OUTPUT_OHM
    yield f"20 V peak to peak behind 50 Ω are {current:g} A peak into a short"
    yield f"and {PEAK_V * current / 2:.0f} W that the generator takes by itself"
    yield f"{_step_mv(10):.1f} mV instead of {_step_mv(1):.2f} mV at 80 mV full scale"
    yield f"100 mm of wire, is some {1e6 * wire_inductance_h(0.1, 0.25e-3):.2f} µH"
