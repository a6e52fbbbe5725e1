"""A name that rests on a reference of unknown section has a rival: its section kin."""

import numpy as np
import pytest
from scipy.special import logsumexp

from identification import FREQUENCY, grade, grades, relaxation, ring, wound
from test_section_prior import FREQUENCY as SWEPT
from test_section_prior import USUAL, shown
from whichcore import identify
from whichcore.analysis import identify as judging
from whichcore.analysis.kin import NEAR_KIN_SHARE
from whichcore.analysis.section_prior import SAME_SECTION
from whichcore.analysis.verdict import VerdictKind

SMALL = (1.5e-3, 2.5e-3)


def library(section_m=None):
    """Grades swept on small rings, where their section shows little; said or not."""
    corners = {"a": (2300, 1.8e6), "b": (2300, 1.0e6), "c": (5500, 0.6e6)}
    return grades(
        *(
            grade(
                name, level, corner, frequency=SWEPT, section_m=section_m,
                permeability=shown(relaxation(level, corner, SWEPT), SMALL),
            )
            for name, (level, corner) in corners.items()
        )
    )  # fmt: skip


def sweep():
    """A core of "a" whose own section rings within the band."""
    return wound(shown(relaxation(2300, 1.8e6, SWEPT), USUAL), SWEPT)


def own_reference(verdict):
    return [step for step in verdict.next_steps if step.action == "own-reference"]


def test_a_name_that_rests_on_another_section_is_held_open_and_why():
    verdict = identify(ring(), sweep=sweep(), library=library())
    first = verdict.candidates[0]
    assert first.material == "a"
    # analytic: 5/6 listed and half of them on another section, 1/6 unlisted and 0.85 of them such kin
    listed, kin = 5 / 6 * 0.5, 1 / 6 * 0.85
    assert first.probability == pytest.approx(listed / (listed + kin), abs=0.01)
    assert (verdict.kind, verdict.material_class) == (VerdictKind.CLASS, "MnZn")
    assert any("a fits only as taken on another section" in warning for warning in verdict.warnings)
    (step,) = own_reference(verdict)
    assert "known core of a" in step.sentence
    p = np.array([listed, kin]) / (listed + kin)
    assert step.gain_bits == pytest.approx(-(p * np.log2(p)).sum(), abs=0.02)  # Shannon's entropy of the two


def test_a_reference_that_states_its_section_is_named():
    verdict = identify(ring(), sweep=sweep(), library=library(SMALL))
    assert verdict.materials == ("a",)
    assert not any("another section" in warning for warning in verdict.warnings)
    assert own_reference(verdict) == []


def test_a_core_that_its_reference_shows_as_it_is_rests_on_no_other_section():
    verdict = identify(ring(), sweep=wound(relaxation(2300, 1.8e6)), library=grades(grade("a", 2300, 1.8e6)))
    assert verdict.materials == ("a",)
    assert not any("another section" in warning for warning in verdict.warnings)


def test_the_shares_are_those_of_the_suppositions():
    """Independent: from the log evidences of both and of none of these, by the definitions."""
    case = judging._reduce(ring(), sweep(), (), library())
    curves = case.curves
    assert curves.on_other_section[0] > 0.99
    other = curves.log_evidence + np.log(curves.on_other_section)
    kin = other - np.log(1 - SAME_SECTION) + np.log(NEAR_KIN_SHARE / 3)
    assert curves.section_kin == pytest.approx(np.exp(kin - curves.unlisted), rel=1e-9)
    assert logsumexp(kin) <= curves.unlisted
    stated = judging._reduce(ring(), sweep(), (), library(SMALL)).curves
    assert (stated.on_other_section == 0).all()
    assert (stated.section_kin == 0).all()


def test_below_the_frequencies_of_the_section_no_other_reference_is_asked_for():
    low = FREQUENCY[FREQUENCY < 3e4]
    case = judging._reduce(ring(), wound(relaxation(2300, 1.8e6, low), low), (), library())
    assert (case.curves.on_other_section == 0).all()
