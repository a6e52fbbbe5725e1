"""Another grade close to a reference is told from a core of it by the detail of its curve."""

from dataclasses import replace

import numpy as np
import pytest
from scipy.special import logsumexp
from scipy.stats import multivariate_normal

from identification import FREQUENCY, grade, grades, relaxation, ring, wound
from whichcore import identify
from whichcore.analysis import identify as judging
from whichcore.analysis.kin import (
    FAMILY_KIN_SHARE,
    KIN_SHARE,
    NEAR_KIN_SHARE,
    SECTIONLESS_ODDS,
    SHEARED_KIN_SHARE,
    kin_odds,
    with_kin,
)
from whichcore.analysis.materials import MaterialClass
from whichcore.analysis.near_kin import TOO_FAR, near_kin_evidence, of_near_kin, of_reference
from whichcore.analysis.specimen import Crack
from whichcore.analysis.types import Reading, ReadingKind
from whichcore.analysis.verdict import VerdictKind

SAME = (5e-3, 10e-3)
TRUTH = relaxation(2300, 1.8e6)
LIBRARY = grades(
    grade("own", 2300, 1.8e6, section_m=SAME, swept=True),
    grade("lower", 900, 4e6, section_m=SAME, swept=True),
)


@pytest.fixture
def told(monkeypatch):
    """Kin (far, near, sheared, family) of each verdict and their odds, as they are joined."""
    joined = []

    def spy(alternative, kin, classes, odds):
        joined.append((kin, odds.tolist()))
        return with_kin(alternative, kin, classes, odds)

    monkeypatch.setattr("whichcore.analysis.posterior.with_kin", spy)
    return joined


def waved(height, length, seed=3):
    """The curve of another grade: the same but for a wave of a correlation length in ln f, of μ′ and μ″."""
    rng = np.random.default_rng(seed)
    x = np.log(FREQUENCY)
    covariance = np.exp(-0.5 * ((x[:, None] - x) / length) ** 2) + 1e-9 * np.eye(x.size)
    waves = height * (np.linalg.cholesky(covariance) @ rng.normal(size=(x.size, 2))).T
    return TRUTH.real * (1 + waves[0]) + 1j * TRUTH.imag * (1 + waves[1])


def case_of(permeability, library=LIBRARY):
    """The data of a core, reduced, with what the curves say."""
    return judging._reduce(ring(), wound(permeability, noise=0.003), (), library)


PLAIN = np.array([-1e6, -2e6])


def near(case):
    """Log evidence of the near kin of both materials, those without detail being as in PLAIN."""
    curves = case.curves
    return near_kin_evidence(
        case.library.materials, curves.log_evidence, curves.explanations, case.observation, 10, PLAIN
    )


def gain(case, index=0):
    """How much more likely near kin of a material are than its own cores, in ln."""
    return near(case)[index] - case.curves.log_evidence[index]


def test_the_density_is_that_of_the_whole_curve_at_once():
    """Independent: scipy's density of a dense covariance, mixed over the shares."""
    case = case_of(waved(0.02, 0.4))
    material, explained = case.library.materials[0], case.curves.explanations[0]

    def dense(weighed):
        parts = []
        for share, linear in weighed:
            covariance = np.eye(linear.columns.shape[0]) + linear.columns @ linear.columns.T
            residual = linear.residual(case.observation)
            parts.append(share + multivariate_normal(np.zeros(residual.size), covariance).logpdf(residual))
        return logsumexp(parts)

    kin, own = (dense(of(material, explained, case.observation, 10)) for of in (of_near_kin, of_reference))
    assert gain(case) == pytest.approx(kin - own, abs=1e-6)


@pytest.mark.parametrize("scale", [0.85, 1.0, 1.2])
def test_a_core_of_the_grade_is_less_likely_near_kin(scale):
    assert gain(case_of(scale * TRUTH)) < -2


@pytest.mark.parametrize("length", [0.25, 0.4])
def test_another_grade_of_nearly_the_same_curve_is(length):
    """Two in a hundred of detail that no core of the grade shows: as far apart as sold grades are."""
    assert gain(case_of(waved(0.02, length))) > 3


def test_a_smooth_deviation_as_cores_have_it_makes_no_kin():
    assert gain(case_of(waved(0.03, 1.5))) < 0


def test_a_near_grade_that_is_missing_is_not_named():
    missing = identify(ring(), sweep=wound(waved(0.03, 0.3), noise=0.003), library=LIBRARY)
    own = identify(ring(), sweep=wound(TRUTH, noise=0.003), library=LIBRARY)
    assert (own.kind, own.materials) == (VerdictKind.MATERIAL, ("own",))
    assert own.unlisted_probability < 0.05
    assert missing.kind is VerdictKind.UNLISTED
    assert missing.material_class == "MnZn"
    assert missing.decided_by.second is None
    assert missing.decided_by.judged > 0
    # the points show what the judge found: by near kin, which no member of the open family stands for
    assert missing.decided_by.total > 0.5 * missing.decided_by.judged


@pytest.mark.parametrize(("changes", "kin"), [({"curve_deviation": 0.2}, 0), ({"swept": False}, 1)])
def test_a_reference_that_shows_no_detail_has_wide_kin_alone(changes, kin):
    """One read off a figure for all that is known; one that stands for many grades has none."""
    plain = replace(LIBRARY.materials[0], **changes)
    close = grade("close", 2350, 1.85e6, section_m=SAME, swept=True)
    case = case_of(TRUTH, grades(plain, close))
    assert len(of_near_kin(plain, case.curves.explanations[0], case.observation, 10)) == kin
    found = near(case)
    assert found[0] == PLAIN[0]
    assert abs(found[1] - case.curves.log_evidence[1]) < 20


def test_a_reading_says_nothing_of_detail(told):
    """Kin near and far are then the same, so that their shares do not matter."""
    reading = Reading(ReadingKind.INDUCTANCE, 2.35e-4, 1e4, 0.02 * 2.35e-4)
    identify(ring(), readings=[reading], library=LIBRARY)
    (((far, near, sheared, family), _),) = told
    assert np.isfinite(far).all()
    assert (near == far).all()
    assert (family == far).all()
    assert np.isfinite(sheared).all()


def test_what_is_far_behind_is_not_looked_at():
    case = case_of(TRUTH)
    ahead, behind = case.curves.log_evidence
    assert ahead - behind > TOO_FAR
    assert gain(case, 1) == -np.inf


def test_shares_of_kin_add_up():
    """Where all say the same, so does their sum (analytic), and each class has its share."""
    same, other = np.full(3, -7.0), np.array([-7.0, -np.inf, -np.inf])
    kin = KIN_SHARE + NEAR_KIN_SHARE + SHEARED_KIN_SHARE + FAMILY_KIN_SHARE
    classes, speak = ["MnZn", "MnZn", "NiZn"], np.ones(3, dtype=bool)
    found = with_kin((-7.0, {"MnZn": 0.5, "NiZn": 0.5}), (same,) * 4, classes, speak)
    assert found.log_evidence == pytest.approx(-7)
    assert found.of_family == pytest.approx(-7 + np.log(1 - kin))
    assert found.classes["MnZn"] == pytest.approx(0.5 * (1 - kin) + kin * 2 / 3)
    near = with_kin((-7.0, {"MnZn": 1.0}), (same, other, same, same), ["MnZn"] * 3, speak)
    assert near.log_evidence == pytest.approx(-7 + np.log(1 - NEAR_KIN_SHARE * 2 / 3))
    sheared = with_kin((-7.0, {"MnZn": 1.0}), (same, same, other, same), ["MnZn"] * 3, speak)
    assert sheared.log_evidence == pytest.approx(-7 + np.log(1 - SHEARED_KIN_SHARE * 2 / 3))
    family = with_kin((-7.0, {"MnZn": 1.0}), (same, same, same, other), ["MnZn"] * 3, speak)
    assert family.log_evidence == pytest.approx(-7 + np.log(1 - FAMILY_KIN_SHARE * 2 / 3))


def test_a_silent_reference_has_no_kin_and_its_share_is_the_familys():
    kin = KIN_SHARE + NEAR_KIN_SHARE + SHEARED_KIN_SHARE + FAMILY_KIN_SHARE
    likely = np.array([-7.0, -7.0, 50.0])
    found = with_kin(
        (-7.0, {"MnZn": 1.0}), (likely,) * 4, ["MnZn", "MnZn", "NiZn"], np.array([True, True, False])
    )
    assert found.log_evidence == pytest.approx(-7)
    assert found.of_family == pytest.approx(-7 + np.log(1 - kin * 2 / 3))
    assert found.classes["NiZn"] < 1e-200


def test_kin_are_likelier_where_a_section_does_nothing():
    """And there are none of a reference that is loose, or says nothing of the data."""
    of = [
        grade(n, 900, 4e6, material_class=c)
        for n, c in (("a", MaterialClass.MNZN), ("b", MaterialClass.NIZN))
    ]
    loose = grade("c", 900, 4e6, curve_deviation=0.2)
    speaks = np.array([True, True, True, False])
    assert kin_odds([*of, loose, of[0]], speaks).tolist() == [1, SECTIONLESS_ODDS, 0, 0]
    same, classes = (np.full(2, -7.0),) * 4, ["MnZn", "NiZn"]
    kin = KIN_SHARE + NEAR_KIN_SHARE + SHEARED_KIN_SHARE + FAMILY_KIN_SHARE
    found = with_kin((-7.0, {"MnZn": 1.0}), same, classes, np.array([1.0, 3.0]))
    # analytic: half of the kin of one material, three halves of that of the other, and the family
    assert found.log_evidence == pytest.approx(-7 + np.log(kin / 2 + 3 * kin / 2 + 1 - kin))
    assert found.classes["NiZn"] == pytest.approx(1.5 * kin / (1 + kin))


@pytest.mark.parametrize("reading", [True, False])
def test_kin_are_all_as_likely_where_readings_speak_alone(reading, told):
    """They tell nothing of what a core deviates by, of whatever class."""
    library = grades(grade("a", 2300, 1.8e6), grade("b", 900, 4e6, material_class=MaterialClass.NIZN))
    seen = Reading(ReadingKind.INDUCTANCE, 2.35e-4, 1e4, 0.02 * 2.35e-4)
    judging._reduce(ring(), None if reading else wound(TRUTH), [seen] * reading, library)
    assert [odds for _, odds in told] == [[1, 1] if reading else [1, SECTIONLESS_ODDS]]


def test_a_loose_reference_has_no_kin(told):
    """It stands for many grades as it is: no kin of any sort with 5.1 % of deviation, all with 5 %."""
    firm, loose = (grade(f"d{d}", 2300, 1.8e6, curve_deviation=d) for d in (0.05, 0.051))
    curves = case_of(1.1 * TRUTH, grades(firm, loose)).curves
    ((kin, odds),) = told
    assert odds == [1, 0]
    assert np.isfinite([of[0] for of in kin]).all()
    assert curves.section_kin[0] > 0.1
    assert curves.section_kin[1] == 0


@pytest.mark.parametrize("reading", [True, False])
def test_beside_loose_references_alone_none_of_these_is_the_family(reading):
    """A library of generic grades: what is not in it is weighed by the open family and nothing else."""
    library = grades(*(grade(f"g{mu}", mu, 4e9 / mu, curve_deviation=0.2) for mu in (1000, 2300)))
    seen = Reading(ReadingKind.INDUCTANCE, 20e-6, 1e4, 0.4e-6)
    case = judging._reduce(ring(), None if reading else wound(TRUTH), [seen] * reading, library)
    assert case.curves.unlisted == pytest.approx(case.curves.of_family)
    assert case.curves.section_kin.tolist() == [0, 0]


@pytest.mark.parametrize("changes", [{"crack": Crack.SEEN}, {"gap_m": 31e-6}])
def test_kin_are_cracked_where_the_core_is(changes, told):
    """A core of two relaxations behind a gap is no such core whole: kin judged whole would be 60 behind."""

    def two(frequency):
        return 1 + 1500 / (1 + 1j * frequency / 0.2e6) + 800 / (1 + 1j * frequency / 6e6)

    wide = np.geomspace(1e2, 3e7, 160)
    library = grades(grade("own", 2301, 0.2e6, frequency=wide, permeability=two(wide)))
    core = wound(1 / (1 / two(FREQUENCY) + 5e-4), noise=0.003)
    curves = judging._reduce(ring(**changes), core, (), library).curves
    (((far, *_), _),) = told
    # a deviation of 20 % that was not needed costs some e^-20 in evidence at this noise, and no more
    assert -30 < far[0] - curves.log_evidence[0] < -10
