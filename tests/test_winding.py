"""Resistance, stray inductance and capacitance of a winding, with what is not known of them."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy import constants, integrate

from whichcore.analysis.specimen import EffectiveCore, Ring, Rod, Specimen, TwoHole, Winding
from whichcore.analysis.stray import (
    layer_capacitance_ratio,
    lead_inductance_h,
    loop_inductance_h,
    pair_inductance_h,
    turn_to_turn_capacitance_f,
)
from whichcore.analysis.types import Distribution
from whichcore.analysis.winding import (
    CAPACITANCE,
    PROXIMITY,
    RESISTANCE,
    STRAY_INDUCTANCE,
    stray_inductance,
    turn_length_m,
    winding_capacitance,
    winding_model,
    winding_resistance,
)
from whichcore.analysis.wire import awg_diameter_m
from whichcore.errors import AnalysisError, InputError

RING = Ring(25e-3, 15e-3, 10e-3)
FREQUENCY = np.array([1e3, 1e5, 1e7])


def sizes(element) -> dict[str, np.ndarray]:
    return {error.id: error.change for error in element.errors}


def test_turn_length():
    # analytic: perimeter 2(10 + 5) mm
    assert turn_length_m(RING) == pytest.approx(30e-3)
    assert turn_length_m(Ring(25e-3, 15e-3, 10e-3, stack=2), 1e-3) == pytest.approx(54e-3)
    # analytic: square of side 5 mm has C1/C2 = 25 mm²
    assert turn_length_m(EffectiveCore(1000.0, 1000.0 / 25e-6)) == pytest.approx(20e-3)
    two_hole = TwoHole(14e-3, 8e-3, 14e-3, 4e-3, 6e-3)
    assert turn_length_m(two_hole) == pytest.approx(2 * (14e-3 + 2e-3))
    one_leg = TwoHole(14e-3, 8e-3, 14e-3, 4e-3, 6e-3, wound_holes=1)
    assert turn_length_m(one_leg) == pytest.approx(2 * (14e-3 + 2e-3))
    assert turn_length_m(Rod(10e-3, 50e-3, 1e-6)) == pytest.approx(np.pi * 10e-3)


def test_dc_reading_comes_first():
    winding = Winding(10, wire_diameter_m=0.4e-3, wire_length_m=0.45, dc_resistance_ohm=0.062)
    element = winding_resistance(winding, RING, FREQUENCY, 20.0)
    assert element.value[0] == pytest.approx(0.062, rel=1e-4)
    assert sizes(element)[RESISTANCE][0] == pytest.approx(0.01 * 0.062, rel=1e-3)


def test_resistance_from_wire_data():
    # computed elsewhere: 52.962 mΩ/m for gauge 22 at 20 °C
    winding = Winding(10, wire_diameter_m=awg_diameter_m(22), wire_length_m=0.5)
    element = winding_resistance(winding, RING, np.array([10.0]), 20.0)
    assert element.value[0] == pytest.approx(0.5 * 52.962e-3, rel=1e-5)
    assert element.notes[0] == "winding resistance 26.5 mΩ computed from 0.5 m of wire"
    long = Winding(4000, wire_diameter_m=awg_diameter_m(22), wire_length_m=1234.0)
    notes = winding_resistance(long, RING, np.array([10.0]), 20.0).notes
    # computed elsewhere: 1234 m of 52.962 mΩ/m
    assert notes == ("winding resistance 65.4 Ω computed from 1230 m of wire",)


def test_diameter_follows_from_the_reading():
    # the same wire told by diameter or by resistance has the same skin effect
    told = Winding(10, wire_diameter_m=0.5e-3, wire_length_m=0.5)
    direct = winding_resistance(told, RING, FREQUENCY, 20.0)
    by_reading = Winding(10, dc_resistance_ohm=0.5 * 4 * 1.7241e-8 / (np.pi * 0.25e-6), wire_length_m=0.5)
    derived = winding_resistance(by_reading, RING, FREQUENCY, 20.0)
    assert derived.value == pytest.approx(direct.value, rel=1e-9)


def test_unstated_temperature_adds_to_the_uncertainty():
    winding = Winding(10, dc_resistance_ohm=0.062)
    stated = sizes(winding_resistance(winding, RING, FREQUENCY, 20.0))[RESISTANCE]
    unstated = sizes(winding_resistance(winding, RING, FREQUENCY))[RESISTANCE]
    # analytic: 1 % and 5 K · 0.393 %/K in quadrature; skin effect differs by the temperature alone
    assert unstated[0] / stated[0] == pytest.approx(np.hypot(1, 1.965), rel=1e-3)


def test_proximity_grows_and_spans_the_tight_layer():
    tight = Winding(94, wire_diameter_m=0.45e-3)  # 42.3 mm of copper on 47 mm of inner edge: one layer
    element = winding_resistance(tight, RING, FREQUENCY, 20.0)
    spread = sizes(element)[PROXIMITY]
    assert np.all(np.diff(spread / element.value) > 0)
    assert spread[0] / element.value[0] < 1e-3
    # a tight layer has about twice to three times the resistance of its lone wire: practice
    assert 1 < spread[-1] / element.value[-1] < 2.5


def test_unknown_wire_is_not_guessed_into_the_result():
    element = winding_resistance(Winding(10), RING, FREQUENCY)
    assert np.all(element.value == 0)
    # computed: 10 turns of 30 mm and four diameters, 50 mm of leads, 0.4 mm wire at 23 °C:
    # 4·1.7241e-8·1.01179·0.366/(π·0.16e-6) = 50.81 mΩ
    assert sizes(element)[RESISTANCE][0] == pytest.approx(50.81e-3, abs=0.005e-3)
    assert "dc_resistance" in element.notes[0]


def test_loop_against_neumann():
    # independent: Neumann's integral of a filament on the axis and one on the surface of the wire, above it
    radius, wire = 20e-3, 0.2e-3

    def integrand(angle: float) -> float:
        return float(np.cos(angle) / np.hypot(2 * radius * np.sin(angle / 2), wire))

    half = radius**2 * integrate.quad(integrand, 0, np.pi, points=[0.01, 0.1], limit=400)[0]
    # the closed form leaves out terms of (a/R)² ln: 1e-4 of it
    assert loop_inductance_h(radius, wire) == pytest.approx(constants.mu_0 * half, rel=2e-4)


def test_pair_far_apart():
    # analytic: arcosh(D/2a) → ln(D/a) for D ≫ a
    far = pair_inductance_h(1.0, 0.5, 0.5e-3)
    assert far == pytest.approx(constants.mu_0 / np.pi * np.log(1000), rel=1e-4)


def test_leads_lie_between_pair_and_circle():
    least, largest = lead_inductance_h(0.1, 0.25e-3)
    assert 0 < least < largest
    stated = stray_inductance(Winding(2, lead_length_m=0.1, wire_diameter_m=0.5e-3), RING, FREQUENCY)
    inside = constants.mu_0 / (8 * np.pi) * (2 * turn_length_m(RING, 0.5e-3) + 0.1)
    assert stated.value[0] == pytest.approx((least + largest) / 2 + inside, rel=1e-3)
    assert sizes(stated)[STRAY_INDUCTANCE][0] == pytest.approx((largest - least) / np.sqrt(12))
    assert stated.errors[0].distribution is Distribution.RECTANGULAR


def test_field_leaves_the_copper():
    # analytic: the inside of the copper loses its inductance as 1/√f
    stated = stray_inductance(Winding(2, lead_length_m=0.1, wire_diameter_m=0.5e-3), RING, FREQUENCY)
    assert np.all(np.diff(stated.value) < 0)


def test_unstated_leads_take_nothing_off():
    element = stray_inductance(Winding(1), RING, FREQUENCY)
    assert element.value == pytest.approx(np.zeros(3))
    assert sizes(element)[STRAY_INDUCTANCE][0] > 10e-9
    assert "lead_length" in element.notes[0]


def test_a_winding_goes_once_round_the_ring():
    # analytic: a loop of 10 mm mean radius with the area of the section, 10 mm · 5 mm
    element = stray_inductance(Winding(10), RING, FREQUENCY)
    expected = constants.mu_0 * 10e-3 * (np.log(8 * 10e-3 / np.sqrt(50e-6 / np.pi)) - 2)
    assert element.value[0] == pytest.approx(expected)
    assert 5e-9 < expected < 15e-9


def test_turn_to_turn_capacitance():
    # computed elsewhere: 0.50/0.56 mm wire, ε_r 3.5, 40 mm turn: 4.230 pF; layer on a conductor 5.778 pF
    pair = turn_to_turn_capacitance_f(40e-3, 0.5e-3, 0.56e-3)
    assert 1e12 * pair == pytest.approx(4.230, abs=0.0005)
    assert 1e12 * pair * layer_capacitance_ratio(40) == pytest.approx(5.778, abs=0.0005)


def test_turn_to_turn_capacitance_against_the_field_lines():
    # independent: the integral the closed form stands for. At angle θ either the two enamels, ln(Do/Dc)/ε,
    # or the air path, 1 − cos θ, limits the flux; the larger of the two counts, up to 30° on either side
    length, copper, overall, permittivity = 40e-3, 0.5e-3, 0.56e-3, 3.5
    enamel = np.log(overall / copper) / permittivity

    def line(angle: float) -> float:
        return float(0.5 / max(enamel, 1 - np.cos(angle)))

    crossing = np.arccos(1 - enamel)
    total = 2 * integrate.quad(line, 0, np.pi / 6, points=[crossing])[0]
    found = turn_to_turn_capacitance_f(length, copper, overall, permittivity)
    assert found == pytest.approx(constants.epsilon_0 * length * total, rel=1e-9)


def test_layer_ladder():
    # analytic: nodes of the network solved outright, C_tt between neighbours, 2 C_tt from each to the core
    for turns in (2, 3, 6, 9):
        nodes = turns + 1  # the last is the core, floating
        matrix = np.zeros((nodes, nodes))
        links = [(k, k + 1, 1.0) for k in range(turns - 1)] + [(k, turns, 2.0) for k in range(turns)]
        for a, b, size in links:
            matrix[[a, b], [a, b]] += size
            matrix[[a, b], [b, a]] -= size
        across = np.zeros(nodes)
        across[0], across[turns - 1] = 1.0, -1.0
        potential = np.linalg.pinv(matrix) @ across
        solved = 1 / (potential[0] - potential[turns - 1])
        assert layer_capacitance_ratio(turns) == pytest.approx(solved, rel=1e-9)
    assert layer_capacitance_ratio(1) == 0
    assert layer_capacitance_ratio(60) == pytest.approx((1 + np.sqrt(3)) / 2, rel=1e-9)


def test_capacitance_stated_and_estimated():
    stated = winding_capacitance(Winding(10, capacitance_f=5e-12), RING, FREQUENCY)
    assert stated.value == pytest.approx(5e-12)
    assert sizes(stated)[CAPACITANCE] == pytest.approx(1e-12)
    assert stated.notes == ()
    estimated = winding_capacitance(Winding(10), RING, FREQUENCY)
    low, high = estimated.value[0] + np.array([-1, 3]) * sizes(estimated)[CAPACITANCE][0]
    # practice: 1 to 10 pF for 10 to 30 turns
    assert low < 1e-12
    assert high > 10e-12
    assert "estimated" in estimated.notes[0]


def test_capacitance_of_one_turn_and_of_many():
    one = winding_capacitance(Winding(1), RING, FREQUENCY)
    assert np.all(one.value == 0)
    assert sizes(one)[CAPACITANCE][0] > 0
    many = winding_capacitance(Winding(90), RING, FREQUENCY)
    assert many.value[0] == pytest.approx(3 * winding_capacitance(Winding(30), RING, FREQUENCY).value[0])


def test_capacitance_of_a_tight_layer():
    # 75 turns of 0.5/0.566 mm fill 42 of the 47 mm of the inner edge
    element = winding_capacitance(Winding(75, wire_diameter_m=0.5e-3), RING, FREQUENCY)
    pair = turn_to_turn_capacitance_f(turn_length_m(RING, 0.566e-3), 0.5e-3, 0.566e-3)
    spread = np.sqrt(3) * sizes(element)[CAPACITANCE][0]
    assert element.value[0] + spread == pytest.approx(pair * layer_capacitance_ratio(75))
    assert element.value[0] - spread == pytest.approx(pair / 74)


def test_thick_tight_wire_falls_back():
    # 3 mm wire is not in the enamel table: the estimate of practice, not an extrapolation
    element = winding_capacitance(Winding(14, wire_diameter_m=3e-3), RING, FREQUENCY)
    assert element.value[0] == pytest.approx(3.2e-12)


def test_model_uses_the_specimens_temperature():
    winding = Winding(10, wire_diameter_m=0.5e-3, wire_length_m=0.5)
    cold = winding_model(Specimen(RING, winding, temperature_c=20.0), FREQUENCY)
    warm = winding_model(Specimen(RING, winding, temperature_c=20.0), FREQUENCY, 80.0)
    # memory: 0.00393/K over 60 K
    assert warm.resistance_ohm.value[0] / cold.resistance_ohm.value[0] == pytest.approx(1.2358, abs=1e-4)
    assert np.all(cold.conductance_s == 0)
    assert len(cold.notes) == 3


def test_model_refuses_dc():
    with pytest.raises(AnalysisError, match="frequency"):
        winding_model(Specimen(RING, Winding(10)), np.array([0.0, 1e3]))


def test_an_ideal_winding_takes_nothing_off_and_states_nothing_else():
    model = winding_model(Specimen(RING, Winding(20, ideal=True)), FREQUENCY)
    for element in (model.resistance_ohm, model.inductance_h, model.capacitance_f):
        assert not np.any(element.value)
        assert element.errors == ()
    assert model.notes == ()
    for more in ({"capacitance_f": 5e-12}, {"secondary_turns": 3}, {"lead_length_m": 0.05}):
        with pytest.raises(InputError, match="ideal winding"):
            Winding(20, ideal=True, **more)


@pytest.mark.parametrize(
    ("winding", "core", "what"),
    [
        # analytic: nine turns flat round 5 mm by 10 mm are 270 mm; 10 wires side by side fill 10 d²
        ({"wire_length_m": 0.032}, {}, "take 270 mm of wire at least, and 32 mm are stated"),
        ({"wire_diameter_m": 40e-3}, {}, "40 mm wire do not go through a hole of 15 mm, which takes 4.7 mm"),
        ({}, {"outer_diameter_m": 0.25}, "16.7 times the inner one"),
    ],
)
def test_what_cannot_be_wound_is_told(winding, core, what):
    """A unit that slipped by ten or a thousand."""
    ring = replace(Ring(25e-3, 15e-3, 10e-3), **core)
    plain = Winding(10, wire_diameter_m=0.4e-3, wire_length_m=0.32 if not core else None)
    notes = winding_model(Specimen(ring, replace(plain, **winding), {}), [1e4]).notes
    assert [note for note in notes if what in note]
    sound = winding_model(Specimen(Ring(25e-3, 15e-3, 10e-3), plain, {}), [1e4]).notes
    assert not any("check" in note for note in sound)
