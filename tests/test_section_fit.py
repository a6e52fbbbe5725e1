"""Section of the specimen against section of the reference."""

from dataclasses import replace

import numpy as np
import pytest

from identification import FREQUENCY, grade, grades, relaxation, ring, wound
from whichcore.analysis.identify import identify
from whichcore.analysis.materials import MaterialClass
from whichcore.analysis.section import mnzn_dielectric, section_effect
from whichcore.analysis.section_fit import corrected_permeability, log_factor

SMALL, LARGE = (2e-3, 2e-3), (8e-3, 12e-3)
BASE = grade("a", 2300, 1.8e6, frequency=np.geomspace(1e3, 1e6, 60))


def test_a_small_section_feels_nothing():
    assert np.max(np.abs(log_factor(BASE.frequency_hz, BASE.permeability, (0.2e-3, 0.2e-3)))) < 1e-3


def test_the_correction_is_the_ratio_of_the_two_effects():
    material = replace(BASE, section_m=SMALL)
    epsilon, sigma = mnzn_dielectric(BASE.frequency_hz)
    both = [section_effect(BASE.frequency_hz, BASE.permeability, s, sigma, epsilon) for s in (LARGE, SMALL)]
    found = corrected_permeability(material, LARGE) / BASE.permeability
    assert found == pytest.approx(both[0] / both[1])
    assert abs(found[-1] - 1) > 0.2


@pytest.mark.parametrize(
    ("material", "sides"),
    [
        (BASE, LARGE),
        (replace(BASE, section_m=SMALL), None),
        (replace(BASE, section_m=SMALL, material_class=MaterialClass.NIZN), LARGE),
        (replace(BASE, section_m=SMALL, material_class=MaterialClass.ALLOY_POWDER), LARGE),
    ],
)
def test_without_both_sections_or_the_class_it_is_used_as_it_stands(material, sides):
    assert corrected_permeability(material, sides) is material.permeability


def test_equal_sections_need_no_correction():
    material = replace(BASE, section_m=LARGE)
    assert corrected_permeability(material, LARGE) == pytest.approx(BASE.permeability)


def test_a_thick_ring_of_a_known_grade_is_named_through_its_section():
    """The core shows the grade times the effect of its own 5 mm × 10 mm."""
    shape = grade("a", 2300, 1.8e6, section_m=(1e-3, 1e-3))
    other = grade("b", 2300, 0.9e6, section_m=(1e-3, 1e-3))
    epsilon, sigma = mnzn_dielectric(np.clip(FREQUENCY, 1e3, 1e6))
    mu = relaxation(2300, 1.8e6)
    seen = mu * section_effect(FREQUENCY, mu, (5e-3, 10e-3), sigma, epsilon)
    verdict = identify(ring(), sweep=wound(seen), library=grades(shape, other))
    assert verdict.materials == ("a",)
    assert not any("section" in warning for warning in verdict.warnings)


def test_references_without_section_are_used_with_one_warning():
    library = grades(grade("a", 2300, 1.8e6), grade("b", 800, 8e6))
    verdict = identify(ring(), sweep=wound(relaxation(2300, 1.8e6)), library=library)
    assert sum("section" in warning for warning in verdict.warnings) == 1
    nickel = grades(grade("c", 2300, 1.8e6, material_class=MaterialClass.NIZN))
    verdict = identify(ring(), sweep=wound(relaxation(2300, 1.8e6)), library=nickel)
    assert not any("section" in warning for warning in verdict.warnings)
