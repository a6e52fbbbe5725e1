"""A name that rests on a reference of unknown section has a rival: its section kin."""

import numpy as np
import pytest
from scipy.special import logsumexp

from identification import FREQUENCY, grade, grades, relaxation, ring, wound
from test_section_prior import FREQUENCY as SWEPT
from test_section_prior import USUAL, shown
from whichcore import identify
from whichcore.analysis import identify as judging
from whichcore.analysis.candidate_cube import Branches
from whichcore.analysis.kin import NEAR_KIN_SHARE
from whichcore.analysis.materials import MaterialClass
from whichcore.analysis.other_section import section_kin_probability
from whichcore.analysis.posterior import _Judged as Judged
from whichcore.analysis.posterior import _sheared_kin as sheared_kin
from whichcore.analysis.priors import gap_nodes
from whichcore.analysis.section_prior import SAME_SECTION
from whichcore.analysis.specimen import Crack, Pair
from whichcore.analysis.types import Resistance
from whichcore.analysis.verdict import VerdictKind

SMALL = (1.5e-3, 2.5e-3)
#: Frequencies beyond those of any sweep here.
AWAY = np.geomspace(2e7, 3e8, 40)


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
    # analytic: 0.79 listed and half of them on another section, 0.21 unlisted and 0.64 of them such kin
    listed, kin = 0.79 * 0.5, 0.21 * 0.64
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


def test_the_shares_are_those_of_the_suppositions(monkeypatch):
    """Independent: judged once more with every reference taken on another section for certain."""
    curves = judging._reduce(ring(), sweep(), (), library()).curves
    with monkeypatch.context() as context:
        context.setattr("whichcore.analysis.posterior.SAME_SECTION", 1e-300)
        certain = judging._reduce(ring(), sweep(), (), library()).curves.log_evidence
    other = np.exp(certain + np.log(1 - SAME_SECTION) - curves.log_evidence)
    assert curves.on_other_section == pytest.approx(other, rel=1e-6)
    assert curves.on_other_section[0] > 0.99
    kin = certain + np.log(NEAR_KIN_SHARE / 3)
    assert curves.section_kin == pytest.approx(np.exp(kin - curves.unlisted), rel=1e-6)
    assert logsumexp(kin) <= curves.unlisted
    stated = judging._reduce(ring(), sweep(), (), library(SMALL)).curves
    assert (stated.on_other_section == 0).all()
    assert (stated.section_kin == 0).all()


def test_what_speaks_on_the_class_alone_leaves_the_odds_of_name_and_kin():
    """Analytic: both are MnZn, so that a probe that speaks for MnZn speaks for both alike."""
    as_seen = 1.2 * shown(relaxation(2300, 1.8e6, SWEPT), USUAL)
    nickel = grade("n", 2300, 1.8e6, frequency=SWEPT, permeability=as_seen, material_class=MaterialClass.NIZN)
    both = grades(*library().materials, nickel)

    def told(**known):
        specimen = ring(**known)
        curves = judging._reduce(specimen, sweep(), (), both).curves
        verdict = identify(specimen, sweep=sweep(), library=both)
        kin = section_kin_probability(curves, verdict.unlisted_classes, both.materials[0], 0)
        own = next(c.probability for c in verdict.candidates if c.material == "a")
        return verdict, own / kin, kin

    _, odds, kin = told()
    probed, with_probe, left = told(surface_resistance=Resistance(10e3))
    assert with_probe == pytest.approx(odds, rel=1e-6)
    assert left > 1.5 * kin
    assert any(f"conductivity ({left:.2f}) would" in warning for warning in probed.warnings)


def test_where_the_section_does_little_near_kin_are_not_section_kin():
    """To 300 kHz the section of this ring moves μ by some per cent: a right name is as sure as without."""
    low = FREQUENCY[FREQUENCY < 3e5]
    own = grades(grade("a", 2300, 1.8e6), grade("b", 2300, 1.0e6))
    verdict = identify(ring(), sweep=wound(1.05 * relaxation(2300, 1.8e6, low), low), library=own)
    assert verdict.materials == ("a",)
    assert verdict.probability > 0.9
    assert not any("another section" in warning for warning in verdict.warnings)
    assert own_reference(verdict) == []


def test_a_silent_reference_gains_nothing_from_the_kin_of_another():
    silent = grade(
        "silent", 300, 2e7, frequency=np.geomspace(2e7, 3e8, 40), material_class=MaterialClass.NIZN
    )
    verdict = identify(ring(), sweep=sweep(), library=grades(*library().materials, silent))
    assert (verdict.kind, verdict.material_class) == (VerdictKind.CLASS, "MnZn")
    assert {c.material: c.probability for c in verdict.candidates}["silent"] < 1e-3


def test_a_silent_reference_first_asks_for_no_core_of_it():
    silent = grade("silent", 2300, 1.8e6, frequency=AWAY)
    verdict = identify(ring(), sweep=wound(relaxation(4500, 0.9e6)), library=grades(silent))
    assert verdict.candidates[0].points_used == 0
    assert own_reference(verdict) == []


def test_silent_references_lend_none_of_these_no_class():
    """A core of very low permeability: the references of its class fit badly, three others are silent."""
    listed = [
        grade(f"n{k}", 100 + 60 * k, 3e7, frequency=SWEPT, material_class=MaterialClass.NIZN)
        for k in range(17)
    ]
    away = [
        grade(f"m{k}", 2300, 1.8e6, frequency=np.geomspace(2e7, 3e8, 40), section_m=USUAL, swept=True)
        for k in range(3)
    ]
    high = FREQUENCY[FREQUENCY > 1e5]
    core = wound(relaxation(10, 3e8, high), high)
    alone, beside = (identify(ring(), sweep=core, library=grades(*x)) for x in (listed, [*listed, *away]))
    assert beside.unlisted_classes["MnZn"] / beside.unlisted_probability == pytest.approx(
        alone.unlisted_classes["MnZn"] / alone.unlisted_probability, abs=0.01
    )


@pytest.mark.parametrize("crack", [Crack.SEEN, None])
def test_a_cracked_core_whose_section_rings_is_judged_as_cracked(crack):
    whole = shown(relaxation(2300, 1.8e6, SWEPT), USUAL)
    core = wound(1 / (1 / whole + 1.5e-4), SWEPT)
    verdict = identify(ring(crack=crack), sweep=core, library=library())
    assert verdict.candidates[0].material == "a"
    if crack:
        listed = 1 - verdict.unlisted_probability
        assert verdict.gapped_probability == pytest.approx(listed, abs=1e-9)


def test_sheared_kin_stand_against_a_core_that_may_be_whole_and_no_other():
    pair = Pair(1230.0, 2.514e7)
    for specimen, stand in ((ring(), True), (ring(crack=Crack.SEEN), False), (ring(core=pair), False)):
        branches = Branches(gap_nodes(specimen, 0.06), ((10, 1.0),))
        judged = [Judged(-7.0, 0.5, 0.0, None)]
        assert np.isfinite(sheared_kin(judged, branches)[0]) == stand
    # analytic: half of the evidence is that of a gap, which holds 0.03 of the prior
    whole = Branches(gap_nodes(ring(), 0.06), ((10, 1.0),))
    assert sheared_kin(judged, whole)[0] == pytest.approx(-7 + np.log(0.5 / 0.03))


def test_below_the_frequencies_of_the_section_no_other_reference_is_asked_for():
    low = FREQUENCY[FREQUENCY < 3e4]
    case = judging._reduce(ring(), wound(relaxation(2300, 1.8e6, low), low), (), library())
    assert (case.curves.on_other_section == 0).all()
