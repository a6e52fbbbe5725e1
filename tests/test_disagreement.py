"""Measurements of one winding that cannot both be right are said aloud; those that can are not."""

import re
from dataclasses import replace

import numpy as np
import pytest

from identification import FREQUENCY, L0, grade, grades, relaxation, ring, wound
from whichcore.analysis.disagreement import disagreements
from whichcore.analysis.identify import identify
from whichcore.analysis.materials import MaterialClass
from whichcore.analysis.permeability import permeability
from whichcore.analysis.reading_permeability import permeability_of_reading
from whichcore.analysis.second_condition import SecondReading, TemperatureFactor
from whichcore.analysis.types import ImpedanceSweep, Reading, ReadingKind, Wiring
from whichcore.analysis.warming import rise_per_kelvin

MU = relaxation(850, 4e6)
LIBRARY = grades(grade("n", 850, 4e6, material_class=MaterialClass.NIZN), grade("m", 2300, 1.8e6))


def inductance(level, frequency_hz=1e4, **more):
    return Reading(ReadingKind.INDUCTANCE, level * L0, frequency_hz, **more)


def size(ohm, frequency_hz):
    return Reading(ReadingKind.IMPEDANCE_MAGNITUDE, ohm, frequency_hz)


def told(readings, sweep=None, specimen=None):
    specimen = ring() if specimen is None else specimen
    measured = None if sweep is None else (sweep, permeability(sweep, specimen))
    return disagreements(specimen, measured, [(r, permeability_of_reading(r, specimen)) for r in readings])


# ------------------------------------------------------------------------------------------ reading and sweep


def test_a_reading_against_the_sweep_is_told_once_with_both_numbers_and_the_ratio():
    verdict = identify(ring(), sweep=wound(MU), readings=[inductance(850 * 3.4)], library=LIBRARY)
    # analytic: L = μ L0, 86.8 µH of 850 on this ring; a reading of 3.4 times as much is 295 µH
    level_h = 850 * L0
    assert level_h == pytest.approx(86.8e-6, rel=1e-3)
    said = [w for w in verdict.warnings if "the sweep has there" in w]
    assert len(said) == 1
    assert said[0].startswith("the reading of 295 µH at 10 kHz is 3.")
    assert "times the 8" in said[0]
    for word in ("turns", "units", "level", "one core"):
        assert word in said[0]


@pytest.mark.parametrize("frequency", [1e3, 1e4, 137e3, 1e6, 2.9e6])
def test_a_meter_on_the_same_winding_agrees_with_its_sweep(frequency):
    sweep = wound(MU, noise=1e-3)
    z = np.interp(frequency, FREQUENCY, sweep.impedance_ohm)
    reading = Reading(ReadingKind.INDUCTANCE, z.imag / (2 * np.pi * frequency), frequency)
    assert told([reading, size(abs(z), frequency)], sweep) == ()
    # a fifth more of either is beyond three times 2 %
    assert len(told([replace(reading, value=1.2 * reading.value)], sweep)) == 1
    assert len(told([size(1.2 * abs(z), frequency)], sweep)) == 1
    assert told([replace(reading, value=1.04 * reading.value)], sweep) == ()  # no more than level may make


def test_a_loose_reading_or_one_outside_the_band_accuses_nobody():
    sweep = wound(MU)
    assert told([inductance(1700, standard_uncertainty=0.3 * 1700 * L0)], sweep) == ()
    assert told([inductance(1700, 100.0)], sweep) == ()


def test_the_sweep_of_two_windings_is_held_against_a_reading_of_the_first():
    specimen = replace(ring(), winding=replace(ring().winding, secondary_turns=3))
    z = 2j * np.pi * FREQUENCY * L0 * 0.3 * MU  # analytic: mutual impedance, N2 over N1 of the own one
    scatter = (1e-3 * np.abs(z))[:, None, None] ** 2 * np.eye(2)
    sweep = ImpedanceSweep(FREQUENCY, z, scatter, wiring=Wiring.TWO_WINDINGS)
    assert told([inductance(850)], sweep, specimen) == ()
    # the stray inductance of the winding is put back: 0.1 µH of 86.8 µH
    said = told([inductance(850 / 0.3)], sweep, specimen)
    assert re.search(r"is 3\.33 times the 86\.[89] µH that the sweep has there", said[0])


def test_an_inductor_against_a_capacitor_is_told():
    sweep = wound(MU)
    turned = replace(sweep, impedance_ohm=sweep.impedance_ohm.conj())
    assert "the sweep shows a capacitor there" in told([inductance(850)], turned)[0]


# ----------------------------------------------------------------------------------------------- two readings


def test_two_readings_of_one_thing_that_differ_are_told():
    said = told([inductance(850), inductance(1700)])
    assert len(said) == 1
    assert said[0].startswith("the reading of 174 µH at 10 kHz is 2 times that of 86.8 µH at 10 kHz: check")
    assert told([inductance(850), inductance(890)]) == ()
    assert told([size(5.45, 10e3), size(5.45 * 1.04, 10.4e3)]) == ()  # |Z| goes with the frequency
    assert len(told([size(5.45, 10e3), size(8.0, 10.4e3)])) == 1


def test_a_reactance_above_the_whole_impedance_is_told_and_less_is_loss():
    reactance = 2 * np.pi * 1e4 * 850 * L0
    assert told([inductance(850), size(1.5 * reactance, 1e4)]) == ()
    for order in (1, -1):
        said = told([inductance(850), size(reactance / 2, 1e4)][::order])
        assert "alone is 5.46 ohm, 2 times the reading of 2.73 ohm" in said[0]


def test_a_permeability_that_rises_with_frequency_is_told():
    said = told([inductance(1700, 1e5), inductance(850)])
    assert len(said) == 1
    assert "rises by a factor of 2 with frequency" in said[0]
    assert told([inductance(850), inductance(1200, 1e5)]) == ()  # a resonance lifts it by less than a half
    assert told([inductance(1700), inductance(850, 1e5)]) == ()  # it may fall at will
    loose = inductance(1700, 1e5, standard_uncertainty=0.4 * 1700 * L0)
    assert told([inductance(850), loose]) == ()


def test_readings_that_contradict_the_sweep_are_not_held_against_each_other_too():
    assert len(told([inductance(850), inductance(2550, 1e5)], wound(MU))) == 1


# ------------------------------------------------------------------------------------------------ temperature


def test_a_change_with_temperature_that_no_material_has_is_told():
    # less than 2 K apart the two are one condition, and a meter repeats within 0.3 %
    one, two = inductance(850, temperature_c=25.0), inductance(911, temperature_c=26.0)
    said = told([one, two])
    assert len(said) == 1
    assert "86.8 µH at 10 kHz, 25 °C, and 93.1 µH at 10 kHz, 26 °C, differ by 6.9 % per kelvin" in said[0]
    assert told([one, inductance(862, temperature_c=26.0)]) == ()
    verdict = identify(ring(), readings=[one, inductance(1000, temperature_c=28.0)], library=LIBRARY)
    assert any("permeability by 5.4 % per kelvin" in w for w in verdict.warnings)  # analytic: ln(1000/850)/3


def test_no_usual_law_of_a_class_comes_near_the_limit():
    for initial, name in ((2000, MaterialClass.NIZN), (600, MaterialClass.MGZN), (10000, MaterialClass.MNZN)):
        mean, spread = rise_per_kelvin(name, initial)
        step = 20.0
        rise = 1 - np.exp(-(mean + 3 * spread) * step)
        assert TemperatureFactor(SecondReading(initial, rise, 0.004, step)).notes == ()
        assert TemperatureFactor(SecondReading(initial, -rise, 0.004, step)).notes == ()


def test_a_meter_in_parallel_mode_is_asked_for():
    """Its inductance is |Z|²/(ωX), larger than the series one by the loss."""
    sweep = wound(relaxation(2300, 1.8e6), noise=1e-3)
    z = np.interp(1e6, FREQUENCY, sweep.impedance_ohm)
    parallel = abs(z) ** 2 / (2 * np.pi * 1e6 * z.imag)
    said = told([Reading(ReadingKind.INDUCTANCE, parallel, 1e6)], sweep)
    # analytic: 1 + (f/fc)², the loss squared over μ′ squared, copper apart
    assert float(re.search(r"is (\S+) times", said[0])[1]) == pytest.approx(1 + (1 / 1.8) ** 2, rel=0.02)
    assert "series circuit and not the parallel one" in said[0]


def test_a_winding_that_resonates_is_asked_for_where_the_permeability_seems_to_rise():
    """Sixty turns and 40 pF that nobody stated: 3 mH resonate a little above 400 kHz."""
    l0 = 36 * L0
    readings = []
    for f in (1e4, 3.5e5):
        s = 2j * np.pi * f
        z = 1 / (1 / (0.3 + s * l0 * relaxation(850, 4e6, f)) + s * 40e-12)
        readings.append(Reading(ReadingKind.INDUCTANCE, z.imag / (2 * np.pi * f), f))
    winding = replace(ring().winding, turns=60, wire_length_m=2.2, capacitance_f=1e-12)
    said = told(readings, specimen=ring(winding=winding))
    assert len(said) == 1
    assert "the permeability rises" in said[0]
    assert "whether the winding resonates near there" in said[0]


def test_two_readings_that_contradict_each_other_are_to_be_cleared_first():
    readings = [inductance(850), inductance(1700)]
    verdict = identify(ring(), readings=readings, library=grades(grade("a", 850, 5e6)))
    assert verdict.next_steps[0].action == "check-measurements"
    assert verdict.next_measurement.startswith("Repeat the measurement that is wrong")
    sound = identify(ring(), readings=[inductance(850)], library=grades(grade("a", 850, 5e6)))
    assert all(step.action != "check-measurements" for step in sound.next_steps)
