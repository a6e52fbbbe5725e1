"""The next measurement: what is chosen, what it claims to bring, and that it brings it on average."""

import csv
import math
from dataclasses import replace
from importlib import resources

import numpy as np
import pytest

from identification import FREQUENCY, grade, grades, relaxation, ring, wound
from whichcore.analysis.advise import MENDED_BY, PAYS_BITS
from whichcore.analysis.class_properties import class_properties
from whichcore.analysis.geometry import core_geometry
from whichcore.analysis.identify import identify
from whichcore.analysis.information import entropy_bits
from whichcore.analysis.materials import MaterialClass
from whichcore.analysis.planned import costs
from whichcore.analysis.trial import Fault
from whichcore.analysis.types import Reading, ReadingKind, Resistance
from whichcore.analysis.verdict import VerdictKind

WIDE = np.geomspace(1e2, 3e7, 200)
#: Sides of the section of the ring that is judged.
SAME = (5e-3, 10e-3)


def entropy(verdict):
    listed = [candidate.probability for candidate in verdict.candidates]
    return float(entropy_bits(np.array([*listed, verdict.unlisted_probability])))


def gain(verdict, action):
    return next((step.gain_bits for step in verdict.next_steps if step.action == action), 0.0)


def reading(permeability, relative=0.01, frequency_hz=1e4):
    l0 = core_geometry(ring()).effective.inductance_factor_h * ring().winding.turns ** 2
    return Reading(ReadingKind.INDUCTANCE, permeability * l0, frequency_hz, relative * permeability * l0)


# --- what is chosen -----------------------------------------------------------------------------------------


def twins():
    """Two grades that are one up to 3 MHz: the second has a resonance of its own at 9 MHz."""
    x = WIDE / 9e6
    high = 120 / (1 - x**2 + 0.25j * x) - 120 / (1 + 0.25j * x)
    one = relaxation(900, 6e6, WIDE)
    two = one + high * (WIDE > 3.2e6)
    return grades(
        grade("one", 900, 6e6, frequency=WIDE, permeability=one, material_class=MaterialClass.NIZN),
        grade("two", 900, 6e6, frequency=WIDE, permeability=two, material_class=MaterialClass.NIZN),
    )


def test_twins_that_part_above_the_band_ask_for_a_wider_band():
    sweep = wound(relaxation(900, 6e6))
    verdict = identify(ring(), sweep=sweep, library=twins())
    assert verdict.kind is VerdictKind.GROUP
    assert verdict.next_steps[0].action == "wider-up"
    assert "a wider band" in verdict.next_measurement
    assert "10 MHz" in verdict.next_measurement
    # they differ by tens of per cent up there: what there is to tell between the two is told
    assert verdict.next_steps[0].gain_bits > 0.6 * entropy(verdict)
    assert gain(verdict, "wider-down") < PAYS_BITS
    assert gain(verdict, "resistance-probe") < 0.05


def test_two_classes_of_one_level_ask_for_the_probe():
    library = grades(
        grade("manganese", 1500, 2e6), grade("nickel", 1500, 2.2e6, material_class=MaterialClass.NIZN)
    )
    verdict = identify(ring(), readings=[reading(1500)], library=library)
    assert verdict.next_steps[0].action == "resistance-probe"
    assert "two probe tips" in verdict.next_measurement
    known = identify(ring(surface_resistance=Resistance(8e3)), readings=[reading(1500)], library=library)
    assert gain(known, "resistance-probe") == 0.0
    encased = identify(ring(encased=True), readings=[reading(1500)], library=library)
    assert {"resistance-probe", "weigh"}.isdisjoint(step.action for step in encased.next_steps)


def test_a_sure_answer_asks_for_nothing():
    verdict = identify(
        ring(),
        sweep=wound(relaxation(2300, 1.8e6)),
        library=grades(grade("a", 2300, 1.8e6), grade("b", 700, 9e6)),
    )
    assert verdict.kind is VerdictKind.MATERIAL
    assert all(step.gain_bits < PAYS_BITS for step in verdict.next_steps)
    assert verdict.next_measurement.startswith("Nothing more is needed")


def test_equal_curves_say_that_nothing_pays():
    library = grades(grade("one", 2300, 1.8e6), grade("two", 2300, 1.8e6))
    verdict = identify(ring(), sweep=wound(relaxation(2300, 1.8e6)), library=library)
    assert verdict.kind is VerdictKind.GROUP
    for action in ("wider-up", "wider-down", "fewer-turns", "average", "another-core"):
        assert gain(verdict, action) < 0.1, action
    assert verdict.next_measurement.startswith("Nothing that is still possible pays")


def test_a_noisy_sweep_gains_by_averaging_and_a_clean_one_does_not():
    library = grades(grade("one", 2300, 1.8e6), grade("two", 2300, 2.2e6))
    noisy, clean = (
        identify(ring(), sweep=wound(relaxation(2300, 1.95e6), noise=noise, seed=2), library=library)
        for noise in (0.15, 0.001)
    )
    assert gain(noisy, "average") > 0.03
    assert gain(clean, "average") < 0.002  # the roughness of the references does not fall with averages


def test_a_capacitance_that_hides_the_top_is_met_by_fewer_turns():
    """Forty turns and a capacitance known to some tens of per cent leave little of the curve above 1 MHz."""
    library = grades(grade("one", 2300, 1.8e6), grade("two", 2300, 2.3e6))
    winding = replace(ring().winding, turns=40, capacitance_f=25e-12, wire_length_m=1.6)
    sweep = wound(relaxation(2300, 2.0e6), turns=40, capacitance=25e-12)
    verdict = identify(ring(winding=winding), sweep=sweep, library=library)
    assert gain(verdict, "fewer-turns") > gain(verdict, "more-turns")


def test_each_step_states_a_cost_and_a_sentence_without_empty_places():
    library = grades(grade("one", 2300, 1.8e6), grade("two", 2300, 2.6e6), grade("c", 2000, 2e6))
    low = FREQUENCY < 1e5
    sweep = wound(relaxation(2300, 1.8e6))
    sweep = replace(
        sweep,
        frequency_hz=sweep.frequency_hz[low],
        impedance_ohm=sweep.impedance_ohm[low],
        scatter=sweep.scatter[low],
    )
    verdict = identify(ring(), sweep=sweep, library=library)
    told = {step.action for step in verdict.next_steps}
    assert {"wider-up", "wider-down", "fewer-turns", "more-turns", "average", "another-core"} <= told
    assert {"resistance-probe", "weigh", "warm", "wait", "second-level"} <= told
    for step in verdict.next_steps:
        assert step.minutes == costs()[step.action].minutes > 0
        assert math.isfinite(step.gain_bits)
        assert 0 <= step.gain_bits <= entropy(verdict) + 1e-9
        assert "{" not in step.sentence
    worth = [step.gain_bits / step.minutes for step in verdict.next_steps if step.gain_bits >= PAYS_BITS]
    assert worth == sorted(worth, reverse=True)
    assert verdict.to_dict()["next_steps"][0]["action"] == verdict.next_steps[0].action


def test_every_number_of_the_tables_says_where_it_is_from():
    for name in ("next_steps.csv", "after_effect.csv"):
        text = (resources.files("whichcore.analysis") / name).read_text("utf-8")
        for row in csv.DictReader(text.splitlines()):
            assert row["source"].split(":")[0].split(";")[0] in {"practice", "memory"}, row
            assert None not in row
    text = (resources.files("whichcore.analysis") / "after_effect.csv").read_text("utf-8")
    assert {row["class"] for row in csv.DictReader(text.splitlines())} == set(MaterialClass)


# --- what mends the data comes first ------------------------------------------------------------------------

LIBRARY = grades(grade("a", 2300, 1.8e6), grade("b", 700, 9e6))


def swapped(sweep):
    return replace(sweep, impedance_ohm=sweep.impedance_ohm.imag + 1j * sweep.impedance_ohm.real)


def in_kilohertz(sweep):
    return replace(sweep, frequency_hz=sweep.frequency_hz / 1e3)


def drifting(sweep):
    time = np.linspace(0, 600, sweep.frequency_hz.size)
    notes = {"drift_relative": "0.05", "u_drift_relative": "0.004"}
    return replace(sweep, time_s=time, notes=notes)


def driven_hard(sweep):
    return replace(sweep, flux_density_t=np.full(sweep.frequency_hz.size, 4e-3))


def out_of_phase(sweep):
    return replace(sweep, impedance_ohm=sweep.impedance_ohm * np.exp(0.03j))


def through_copper(sweep):
    return replace(sweep, impedance_ohm=sweep.impedance_ohm + 0.2)


def stepped(sweep):
    upper = sweep.frequency_hz > 3e4
    labels = tuple(np.where(upper, "b", "a"))
    return replace(sweep, impedance_ohm=sweep.impedance_ohm * np.where(upper, 1.1, 1), range_labels=labels)


@pytest.mark.parametrize(
    ("plant", "action"),
    [
        (swapped, "exchange-columns"),
        (in_kilohertz, "check-units"),
        (drifting, "rest-and-repeat"),
        (driven_hard, "lower-level"),
        (out_of_phase, "calibrate-again"),
        (stepped, "calibrate-again"),
        (through_copper, "four-wire-resistance"),
    ],
)
def test_what_mends_the_data_stands_first(plant, action):
    verdict = identify(ring(), sweep=plant(wound(relaxation(2300, 1.8e6), noise=0.003)), library=LIBRARY)
    assert verdict.next_steps[0].action == action
    assert verdict.next_measurement.startswith(verdict.next_steps[0].sentence)
    assert verdict.next_measurement.endswith("until then all the rest stands on data in doubt.")
    assert len({step.action for step in verdict.next_steps}) == len(verdict.next_steps)


def too_much_taken_off(sweep, ohm):
    """As a resistance measured with two wires makes the loss: `wound` has 53 mΩ."""
    return identify(
        ring(winding=replace(ring().winding, dc_resistance_ohm=0.053 + ohm)), sweep=sweep, library=LIBRARY
    )


@pytest.mark.parametrize("ohm", [0.02, 0.05, 0.2])
@pytest.mark.parametrize(("level", "corner"), [(125, 5e7), (850, 6e6)])
def test_copper_that_makes_the_loss_negative_is_mended_before_the_bench(level, corner, ohm):
    verdict = too_much_taken_off(wound(relaxation(level, corner), noise=0.002), ohm)
    failed = {item.fault for item in verdict.trial if item.failed}
    assert {Fault.COPPER, Fault.NEGATIVE_LOSS} <= failed
    assert verdict.next_steps[0].action == "four-wire-resistance"
    assert "with four wires" in next(f for f in verdict.trial if f.fault is Fault.NEGATIVE_LOSS).sentence


def test_copper_is_asked_for_before_a_winding_beyond_its_resonance():
    verdict = too_much_taken_off(wound(relaxation(800, 8e6), noise=0.002, capacitance=300e-12), 0.2)
    failed = {item.fault for item in verdict.trial if item.failed}
    assert {Fault.COPPER, Fault.SELF_RESONANCE} <= failed
    assert verdict.next_steps[0].action == "four-wire-resistance"


def test_a_loss_negative_at_the_low_end_alone_asks_for_the_resistance_first():
    """With too few points for the test of copper itself."""
    frequency = np.geomspace(1e3, 3e6, 8)
    law = relaxation(850, 6e6, frequency)
    verdict = too_much_taken_off(wound(law, frequency, noise=0.002), 0.05)
    passed = {item.fault: item.passed for item in verdict.trial}
    assert passed[Fault.NEGATIVE_LOSS] is False
    assert passed[Fault.COPPER] is None
    assert verdict.next_steps[0].action == "four-wire-resistance"
    assert verdict.next_steps[1].action == "calibrate-again"


def barely_driven(sweep):
    flux = np.full(sweep.frequency_hz.size, 1e-4)
    flux[:3] = 1.1e-3
    return replace(sweep, flux_density_t=flux)


def barely_drifting(sweep):
    time = np.linspace(0, 600, sweep.frequency_hz.size)
    notes = {"drift_relative": "0.012", "u_drift_relative": "0.001"}
    return replace(sweep, time_s=time, notes=notes)


@pytest.mark.parametrize(
    ("plant", "fault", "action"),
    [
        (barely_driven, Fault.LEVEL, "lower-level"),
        (barely_drifting, Fault.DRIFT, "rest-and-repeat"),
    ],
)
def test_a_fault_that_moves_the_curve_by_a_per_cent_keeps_nothing_waiting(plant, fault, action):
    verdict = identify(ring(), sweep=plant(wound(relaxation(2300, 1.8e6), noise=0.003)), library=LIBRARY)
    assert [item.fault for item in verdict.trial if item.failed] == [fault]
    assert verdict.materials == ("a",)
    assert verdict.next_steps[-1].action == action
    assert "data in doubt" not in verdict.next_measurement


def test_a_winding_beyond_its_resonance_asks_for_fewer_turns_first():
    sweep = wound(relaxation(800, 8e6), noise=0.003, capacitance=300e-12)
    verdict = identify(ring(), sweep=sweep, library=LIBRARY)
    assert verdict.next_steps[0].action == "top-with-fewer-turns"
    assert verdict.next_measurement.startswith("Sweep the upper part of the band again with fewer turns")


def test_where_nothing_of_the_data_is_left_no_other_step_is_listed():
    verdict = identify(ring(), sweep=swapped(wound(relaxation(2300, 1.8e6), noise=0.003)), library=LIBRARY)
    assert any(item.voids for item in verdict.trial)
    assert {step.action for step in verdict.next_steps} <= set(MENDED_BY.values())


def test_a_slip_of_the_unit_of_a_reading_is_checked_first():
    l0 = core_geometry(ring()).effective.inductance_factor_h * ring().winding.turns ** 2
    slip = Reading(ReadingKind.INDUCTANCE, 2300e3 * l0, 1e4)
    verdict = identify(ring(), readings=[slip], library=LIBRARY)
    assert verdict.next_measurement.startswith("Check the units")


def test_flux_beside_the_core_does_not_stand_before_what_tells_more():
    """A bias of known size: it is proposed, but last, and nothing more is never said to be needed."""
    low = grades(grade("a", 6, 3e8), grade("b", 40, 8e7))
    verdict = identify(ring(), sweep=wound(relaxation(6, 3e8), noise=0.003), library=low)
    assert [item.fault.value for item in verdict.trial if item.failed] == ["leakage flux"]
    assert verdict.next_steps[-1].action == "empty-winding"
    assert "Nothing more is needed" not in verdict.next_measurement


# --- what it claims to bring, it brings on average ----------------------------------------------------------

GRADES = (("a", 2300, 1.8e6), ("b", 2300, 2.6e6), ("c", 2000, 2.0e6), ("d", 2700, 1.5e6), ("e", 1800, 3.4e6))


def core_of(level, corner, frequency, rng):
    """Draw a core of a grade as the judge believes cores to be: level, corner, smooth deviation."""
    scale = np.exp(0.125 * rng.normal())
    corner = corner * scale ** -(1 + 0.5 * rng.normal()) * np.exp(0.1 * rng.normal())
    x = np.log(frequency)
    covariance = 0.03**2 * np.exp(-0.5 * ((x[:, None] - x) / 1.2) ** 2) + 1e-10 * np.eye(x.size)
    size, angle = np.linalg.cholesky(covariance) @ rng.normal(size=(x.size, 2)).T[..., None]
    mu = relaxation(scale * level, corner, frequency)
    return np.abs(mu) * np.exp(size[:, 0] + 1j * np.angle(mu) * np.exp(angle[:, 0]))


def of_wider_bands(top_hz, cores, section_m):
    """Stated gain of a band four times as wide and fall of the entropy in it, of drawn cores."""
    rng = np.random.default_rng(11)
    library = grades(*(grade(*item, section_m=section_m) for item in GRADES))
    low = np.geomspace(1e3, top_hz, 50)
    frequency = np.r_[low, np.geomspace(top_hz, 4 * top_hz, 15)[1:]]
    stated, fell = [], []
    for seed in range(cores):
        _, level, corner = GRADES[rng.integers(len(GRADES))]
        whole = wound(core_of(level, corner, frequency, rng), frequency, seed=seed)
        part = replace(
            whole,
            frequency_hz=low,
            impedance_ohm=whole.impedance_ohm[: low.size],
            scatter=whole.scatter[: low.size],
        )
        before, after = (identify(ring(), sweep=sweep, library=library) for sweep in (part, whole))
        stated.append(gain(before, "wider-up"))
        fell.append(entropy(before) - entropy(after))
    return np.array(stated), np.array(fell)


@pytest.mark.soak
@pytest.mark.parametrize(("top_hz", "section_m"), [(1e5, None), (1e5, SAME), (3e5, SAME)])
def test_a_wider_band_brings_what_was_stated(top_hz, section_m):
    """Stated gain and mean fall of the entropy agree within three standard errors and within a factor 1.5.

    The factor: the gain is worked out for the usual amplitude of deviation and the most likely parameters,
    the judge integrates both, and it knows the usual spreads of level and corner only as its own priors.
    """
    cores = 40
    stated, fell = of_wider_bands(top_hz, cores, section_m)
    error = float(np.std(fell - stated)) / math.sqrt(cores)
    assert abs(np.mean(fell) - np.mean(stated)) < 3 * error
    assert np.mean(stated) / 1.5 < np.mean(fell) < 1.5 * np.mean(stated)
    # cores of which more was promised gained more
    order = np.argsort(stated)
    assert np.mean(fell[order[cores // 2 :]]) > np.mean(fell[order[: cores // 2]])


@pytest.mark.soak
def test_a_band_that_brings_an_unknown_section_in_brings_less_than_stated():
    """Section kin come in with the section, which is not foreseen: by no more than a fifth of a bit."""
    stated, fell = of_wider_bands(3e5, 40, None)
    assert -0.05 < np.mean(stated) - np.mean(fell) < 0.2


@pytest.mark.soak
def test_a_probe_brings_what_was_stated():
    """Readings drawn by the law of the class, judged anew; within three standard errors."""
    rng = np.random.default_rng(4)
    classes = (MaterialClass.MNZN, MaterialClass.NIZN, MaterialClass.ALLOY_POWDER)
    library = grades(*(grade(name.value, 300, 9e6, material_class=name) for name in classes))
    before = identify(ring(), readings=[reading(300)], library=library)
    fell = []
    for _ in range(60):
        listed = np.array([candidate.probability for candidate in before.candidates])
        name = before.candidates[rng.choice(listed.size, p=listed / listed.sum())].material
        p = class_properties(name)
        kind = rng.random()
        value = Resistance(10 ** rng.normal(p.probe_log10_ohm, p.probe_log10_sd))
        if kind < p.probe_over_range_share or value.value_ohm > 20e6:
            value = Resistance(20e6, over_range=True)
        elif kind > 1 - p.probe_spoiled_share:
            value = Resistance(10 ** rng.uniform(2, 7.3))
        after = identify(ring(surface_resistance=value), readings=[reading(300)], library=library)
        fell.append(entropy(before) - entropy(after))
    error = np.std(fell) / math.sqrt(len(fell))
    assert abs(np.mean(fell) - gain(before, "resistance-probe")) < 3 * error
