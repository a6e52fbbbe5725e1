"""A core that still holds flux is below the Curie temperature of its material."""

from dataclasses import replace

import numpy as np
import pytest
from scipy.stats import norm

from identification import HEIGHT, INNER, OUTER, TURNS, grade, grades, relaxation, ring, wound
from whichcore import identify
from whichcore.analysis.class_properties import class_properties
from whichcore.analysis.curie import MISTAKEN, STATED_SPREAD_K, StillMagnetic, curie_evidence
from whichcore.analysis.materials import MaterialClass
from whichcore.analysis.types import Reading, ReadingKind

COOL = grade("cool", 850, 3e6, material_class=MaterialClass.NIZN, curie_temperature_c=140.0)
HOT = grade("hot", 850, 3e6, material_class=MaterialClass.NIZN, curie_temperature_c=350.0)
UNSTATED = grade("unstated", 850, 3e6, material_class=MaterialClass.NIZN)
CORE = 1.05 * relaxation(850, 3e6)


def judged(temperature_c):
    swept = replace(wound(CORE), temperature_c=temperature_c)
    verdict = identify(ring(), sweep=swept, library=grades(COOL, HOT))
    return verdict, {one.material: one.probability for one in verdict.candidates}


def test_a_grade_whose_curie_temperature_lies_below_the_core_is_out():
    _, room = judged(25.0)
    verdict, hot = judged(300.0)
    assert room["cool"] == pytest.approx(room["hot"])
    assert hot["cool"] < 0.01
    assert hot["hot"] > 0.5
    (shift,) = [one for one in verdict.evidence if one.name == "temperature of the core"]
    assert shift.materials_before["cool"] > 0.3
    assert shift.materials_after["cool"] < 0.01


@pytest.mark.parametrize("temperature_c", [None, 25.0, 100.0])
def test_at_temperatures_of_the_bench_nothing_is_told(temperature_c):
    assert curie_evidence(temperature_c, (), (COOL, HOT, UNSTATED)) == ()
    verdict, _ = judged(temperature_c)
    assert verdict.evidence == ()


@pytest.mark.parametrize("temperature_c", [120.0, 140.0, 155.0, 300.0])
def test_the_share_that_is_still_magnetic(temperature_c):
    """Analytic: a normal law about the stated value, or that of the class from its least value on."""
    found = StillMagnetic(temperature_c)
    of_class = class_properties(MaterialClass.NIZN).quantities["curie_temperature"]
    of_these = norm.cdf((of_class.typical - np.array([temperature_c, of_class.low])) / of_class.spread)
    for value, below in (
        (found.log_likelihood(COOL), norm.cdf((140 - temperature_c) / STATED_SPREAD_K)),
        (found.log_likelihood(UNSTATED), of_these[0] / of_these[1]),
        (found.class_log_likelihood(MaterialClass.NIZN), of_these[0] / of_these[1]),
    ):
        assert np.exp(value) == pytest.approx(MISTAKEN + (1 - MISTAKEN) * below, rel=1e-9)


def test_what_is_not_known_is_not_held_against_a_class():
    assert "curie_temperature" not in class_properties(MaterialClass.OTHER).quantities
    assert StillMagnetic(900.0).class_log_likelihood(MaterialClass.OTHER) == pytest.approx(0)


@pytest.mark.parametrize(("second", "out"), [(900, True), (300, False)])
def test_a_second_temperature_counts_where_the_core_kept_its_permeability(second, out):
    """Read at 25 and 300 °C: above 140 °C "cool" would have lost it; at a third of it the core may have."""
    unit = 2e-7 * TURNS**2 * HEIGHT * np.log(OUTER / INNER)
    readings = [
        Reading(ReadingKind.INDUCTANCE, mu * unit, 1e4, temperature_c=t)
        for mu, t in ((850, 25), (second, 300))
    ]
    verdict = identify(ring(), readings=readings, library=grades(COOL, HOT))
    of = {one.material: one.probability for one in verdict.candidates}
    assert (of["cool"] < 0.01 * of["hot"]) is out
    assert verdict.initial_permeability.value == pytest.approx(850, rel=0.02)


def test_a_temperature_that_no_class_stands_is_said():
    verdict, _ = judged(900.0)
    assert any("temperature of the core fits no class of material" in note for note in verdict.warnings)
    assert StillMagnetic(300.0).plausible
