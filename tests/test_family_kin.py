"""Unlisted grades that a reference explains as its farthest cores, or as the next grade of its family."""

from dataclasses import replace

import numpy as np
import pytest
from scipy.integrate import quad
from scipy.special import logsumexp
from scipy.stats import norm

from identification import FREQUENCY, grade, grades, relaxation, ring, wound
from whichcore import identify
from whichcore.analysis import identify as judging
from whichcore.analysis.curve_table import GRID_STEP
from whichcore.analysis.family_kin import (
    CORNER_SPREAD,
    OTHER_SHAPE,
    STEP,
    STEP_SPREAD,
    family_kin_evidence,
    wide_kin_evidence,
)
from whichcore.analysis.materials import MaterialClass
from whichcore.analysis.near_kin import of_near_kin, of_reference
from whichcore.analysis.verdict import VerdictKind

SAME = (5e-3, 10e-3)
LIBRARY = grades(grade("own", 2300, 1.8e6, section_m=SAME), grade("lower", 900, 4e6, section_m=SAME))


def core(scale=1.0, corner=1.0):
    """The permeability of a core of the first grade, its level and corner multiplied."""
    return relaxation(2300 * scale, 1.8e6 * corner)


def waved(height, seed=5):
    """The first grade with smooth waves of its own on both parts, as no formula of the judge makes them."""
    x = np.log(FREQUENCY / FREQUENCY[0]) / np.log(FREQUENCY[-1] / FREQUENCY[0])
    phases = np.random.default_rng(seed).uniform(0, 2 * np.pi, size=(2, 3))
    waves = [sum(np.cos(np.pi * k * x + phase[k - 1]) for k in (1, 2, 3)) for phase in phases]
    one, other = (height * wave / np.std(wave) for wave in waves)
    return core().real * (1 + one) + 1j * core().imag * (1 + other)


def case_of(permeability, library=LIBRARY):
    return judging._reduce(ring(), wound(permeability, noise=0.003), (), library)


def wide_gain(case, index=0):
    of = case.curves
    return (
        wide_kin_evidence(case.library.materials, of.log_evidence, of.explanations)[index]
        - of.log_evidence[index]
    )


def family_gain(case, index=0):
    of = case.curves
    kin = family_kin_evidence(case.library.materials, of.log_evidence, of.explanations, case.observation)
    return kin[index] - of.log_evidence[index]


@pytest.mark.parametrize("height", [0.005, 0.03, 0.05, 0.08])
def test_wide_kin_are_the_reference_at_its_widest_amplitude(height):
    """Independent of the search that finds the share of an amplitude: rows around the best explanation."""
    case = case_of(waved(height))
    material, explained = LIBRARY.materials[0], case.curves.explanations[0]

    ((share, wide),) = of_near_kin(material, explained, case.observation, 10)
    of = case.observation
    own = [a + rows.log_density(of) for a, rows in of_reference(material, explained, of, 10)]
    assert share == pytest.approx(np.log(0.2))  # a fifth of near kin, the rest are far ones
    assert wide_gain(case) == pytest.approx(wide.log_density(of) - logsumexp(own), abs=0.3)


def test_the_farther_the_curve_the_likelier_wide_kin():
    gains = [wide_gain(case_of(waved(height))) for height in (0.005, 0.05, 0.15)]
    assert gains == sorted(gains)
    assert gains[0] < -3
    assert gains[-1] == pytest.approx(np.log(5), abs=0.1)  # the widest of amplitudes has a share of 0.2


def test_the_next_grade_of_a_family_is_likelier_kin_than_a_core_of_the_reference():
    """Of higher permeability: what is lower, of a higher corner, looks as a crack does too."""
    assert family_gain(case_of(core(1.4, 1 / 1.4))) > 1
    assert family_gain(case_of(core())) < -3


def test_a_core_whose_level_moves_without_its_corner_is_no_next_grade():
    """A grade of higher permeability has the lower corner: Snoek's product; a core of this one need not."""
    assert family_gain(case_of(core(1.3, 1.0))) < family_gain(case_of(core(1.3, 1 / 1.3))) - 1


@pytest.mark.parametrize("material_class", [MaterialClass.MNZN, MaterialClass.NIZN])
@pytest.mark.parametrize(
    ("level", "level_sd", "shift"), [(0.0, 0.03, 0.0), (0.3, 0.04, 8.0), (-0.25, 0.1, -3.0)]
)
def test_the_gain_is_that_of_two_integrals(material_class, level, level_sd, shift):
    """Independent: scipy's quadrature; exponents of the design, 1 ± 0.5 and 1 ± 0.4."""
    case = case_of(core())
    material = replace(LIBRARY.materials[0], material_class=material_class)
    explained = replace(
        case.curves.explanations[0], level=level, level_sd=level_sd, shift_steps=shift, widest=0.2
    )
    spread = 0.5 if material_class is MaterialClass.MNZN else 0.4
    own_sd = 0.25 / 2
    of_level = 1 / (1 / level_sd**2 - 1 / own_sd**2)
    middle, corner = level * of_level / level_sd**2, GRID_STEP * shift

    def own(theta):
        return norm.pdf(theta, 0, own_sd) * norm.pdf(corner, theta, np.hypot(0.1, spread * theta))

    def kin(theta):
        apart = 0.5 * sum(norm.pdf(theta, side * STEP, STEP_SPREAD) for side in (-1, 1))
        return apart * norm.pdf(corner, theta, CORNER_SPREAD)

    wholes = [
        quad(
            lambda x, of=of: norm.pdf(x, middle, of_level**0.5) * of(x), -1, 1, points=[-0.3, 0, 0.3, middle]
        )[0]
        for of in (kin, own)
    ]
    kin_of = family_kin_evidence((material,), np.zeros(1), {0: explained}, case.observation)
    # of the widest amplitude as often as cores are: the shape says nothing
    assert kin_of[0] == pytest.approx(np.log(wholes[0] / wholes[1]), abs=1e-3)
    wide = replace(explained, widest=1.0)  # five times as often as cores are, 0.2 of them
    farther = family_kin_evidence((material,), np.zeros(1), {0: wide}, case.observation)
    assert farther[0] - kin_of[0] == pytest.approx(np.log(1 - OTHER_SHAPE + 5 * OTHER_SHAPE))


def test_a_level_that_the_data_do_not_tell_is_no_sign_of_a_family():
    case = case_of(core())
    vague = replace(case.curves.explanations[0], level=0.0, level_sd=0.2, shift_steps=0.0, widest=0.2)
    gain = family_kin_evidence(LIBRARY.materials[:1], np.zeros(1), {0: vague}, case.observation)[0]
    assert -4 < gain < 0


def test_a_level_that_is_told_without_any_spread_is_no_fault():
    case = case_of(core())
    told = [
        replace(case.curves.explanations[0], level=0.3, level_sd=sd, shift_steps=8.0) for sd in (0.0, 0.005)
    ]
    gains = [
        family_kin_evidence(LIBRARY.materials[:1], np.zeros(1), {0: one}, case.observation)[0] for one in told
    ]
    assert np.isfinite(gains).all()
    assert gains[0] == gains[1]


def test_materials_without_an_explanation_have_neither():
    case = case_of(core())
    of = case.curves
    assert 1 not in of.explanations or of.log_evidence[1] < of.log_evidence[0] - 20
    nobody = {}
    assert wide_kin_evidence(LIBRARY.materials, of.log_evidence, nobody).tolist() == [-np.inf, -np.inf]
    kin = family_kin_evidence(LIBRARY.materials, of.log_evidence, nobody, case.observation)
    assert kin.tolist() == [-np.inf, -np.inf]


def test_the_next_grade_of_a_family_is_not_named_as_the_reference():
    """The reference explains both, one of them at the end of its tolerance and with another shape."""
    x = np.log(FREQUENCY / FREQUENCY[0])
    shape = 1 + 0.05 * np.cos(np.pi * x / x[-1] * 2)
    other = core(1.4, 1 / 1.4)
    missing = identify(ring(), sweep=wound(other.real * shape + 1j * other.imag / shape), library=LIBRARY)
    own = identify(ring(), sweep=wound(core(0.95, 1.0)), library=LIBRARY)
    assert own.kind is VerdictKind.MATERIAL
    assert missing.kind in {VerdictKind.CLASS, VerdictKind.UNLISTED}
    # it was named at 0.98 before there were kin of this sort
    assert missing.candidates[0].probability < 0.7
    assert missing.material_class == "MnZn"
