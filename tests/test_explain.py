"""Which band decided: the parts add up to the whole, and a planted difference is found where it is."""

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest
from scipy.special import logsumexp
from scipy.stats import multivariate_normal

from identification import FREQUENCY, grade, grades, relaxation, ring, wound
from whichcore.analysis import explain
from whichcore.analysis.class_evidence import ClassEvidence
from whichcore.analysis.explain import DECIDING_SHARE, deciding_band
from whichcore.analysis.identify import identify
from whichcore.analysis.linear_candidate import unexplained
from whichcore.analysis.materials import MaterialClass
from whichcore.analysis.near_kin import whole_or_cracked
from whichcore.analysis.open_running import family_running
from whichcore.analysis.reach import whole
from whichcore.analysis.specimen import Crack
from whichcore.analysis.types import Reading, ReadingKind
from whichcore.analysis.unlisted import OpenAlternative
from whichcore.analysis.verdict import VerdictKind

WIDE = np.geomspace(1e2, 3e7, 200)


def bumped(part, height, centre_hz=5e5, width=0.35):
    """A relaxation whose μ′ or μ″ alone is changed around one frequency."""
    mu = relaxation(2300, 1.8e6, WIDE)
    change = 1 + height * np.exp(-0.5 * (np.log(WIDE / centre_hz) / width) ** 2)
    return mu.real * change + 1j * mu.imag if part == "μ′" else mu.real + 1j * mu.imag * change


def knowledge_of(monkeypatch, sweep, library, specimen=None):
    """Return what a verdict was explained from, with the verdict."""
    seen = []

    def spy(knowledge, turns, **how):
        seen.append((knowledge, turns))
        return explain.decided_by(knowledge, turns, **how)

    monkeypatch.setattr("whichcore.analysis.identify.decided_by", spy)
    verdict = identify(specimen or ring(), sweep=sweep, library=library)
    return seen[0], verdict


# --- the parts add up ---------------------------------------------------------------------------------------


def test_the_parts_add_up_to_the_log_odds_of_dense_normals(monkeypatch):
    """Against scipy's density of the whole curve at once, mixed over the amplitudes of deviation."""
    library = grades(grade("a", 2300, 1.8e6), grade("b", 2300, 2.6e6))
    (known, turns), verdict = knowledge_of(monkeypatch, wound(relaxation(2300, 1.9e6)), library)
    densities = []
    for index in (0, 1):
        judged = explain._Judged.of(known, index, turns)
        parts = []
        for share, linear in judged.linear:
            size = linear.columns.shape[0]
            covariance = np.eye(size) + linear.columns @ linear.columns.T
            residual = linear.residual(known.observation)
            parts.append(share + multivariate_normal(np.zeros(size), covariance).logpdf(residual))
        densities.append(logsumexp(parts))
    ids = [material.id for material in library.materials]
    first, second = (
        densities[ids.index(name)] for name in (verdict.decided_by.first, verdict.decided_by.second)
    )
    # independent code: scipy.stats; only rounding may differ
    assert verdict.decided_by.total == pytest.approx(first - second, abs=1e-6)


@pytest.mark.parametrize("corner", [1.5e6, 1.9e6, 2.3e6])
def test_the_whole_is_about_the_evidence_that_judged(monkeypatch, corner):
    """Linearised around one explanation, against the judge, who integrates over shift, gap and turns."""
    library = grades(grade("a", 2300, 1.8e6), grade("b", 2300, 2.6e6), grade("c", 1700, 2.2e6))
    (known, _), verdict = knowledge_of(monkeypatch, wound(relaxation(2300, corner)), library)
    ids = [material.id for material in library.materials]
    evidence = known.evidence.log_evidence
    judged = evidence[ids.index(verdict.decided_by.first)] - evidence[ids.index(verdict.decided_by.second)]
    # tolerance: the branches left out (gap, turns) and the curvature over the corner
    assert verdict.decided_by.total == pytest.approx(judged, rel=0.1, abs=0.5)
    assert verdict.decided_by.judged == pytest.approx(judged)


@pytest.mark.parametrize("level", [3500, 4000, 5000])
def test_a_reference_that_fits_only_with_a_crack_is_set_against_its_whole_core_too(monkeypatch, level):
    """A cracked core of it looks as the measured one: only the rarity of cracks tells the two."""
    # one relaxation behind a gap is another of lower level and higher corner (analytic)
    library = grades(grade("a", 2300, 1.8e6), grade("b", level, 1.8e6 * 2300 / level))
    sweep = wound(relaxation(2300, 1.8e6), noise=0.003)
    (known, _), verdict = knowledge_of(monkeypatch, sweep, library)
    decided = verdict.decided_by
    assert (decided.first, decided.second) == ("a", "b")
    assert known.evidence.explanations[1].gap_ratio > 0
    # tolerance: what is linearised, as for two whole candidates
    assert decided.total == pytest.approx(decided.judged, rel=0.1, abs=0.8)
    assert "b would need a cracked or gapped core" in decided.sentence
    assert "no part of it alone" not in decided.sentence


def test_a_core_with_a_crack_for_certain_is_not_set_against_a_whole_one(monkeypatch):
    cracked = 1 / (1 / relaxation(5000, 9e5) + 1 / 6000)
    library = grades(grade("a", 5000, 9e5), grade("d", 2300, 1.2e6))
    (known, turns), _ = knowledge_of(
        monkeypatch, wound(cracked, noise=0.003), library, ring(crack=Crack.SEEN)
    )
    material, best = library.materials[0], known.evidence.explanations[0]
    ((log_prior, explained),) = whole_or_cracked(
        material, best, known.observation, turns, known.evidence.gaps
    )
    assert (log_prior, explained.gap_ratio) == (pytest.approx(0), best.gap_ratio)
    # computed: 60.180 mm of path of a ring 25/15/10 (IEC 60205); practice: a crack of 5 µm, spread one in ln,
    # whose pieces end 1.6 of it away
    assert explained.law.median * 60.180e-3 == pytest.approx(5e-6, rel=0.01)
    assert explained.law.log_sd == pytest.approx(1.0, abs=0.12)


# --- the band -----------------------------------------------------------------------------------------------


def test_the_band_is_the_narrowest_that_holds_the_share():
    frequency = np.geomspace(1e3, 1e6, 7)
    assert deciding_band(frequency, np.array([0.0, 0, 1, 8, 1, 0, 0])) == (3, 3)  # analytic: 8 of 10
    assert deciding_band(frequency, np.array([0.0, 0, 3, 4, 3, 0, 0])) == (2, 4)  # analytic: 7 is too little
    # analytic: what is lost within the band counts; five and four less one are 8 of 8 + 2
    assert deciding_band(frequency, np.array([1.0, 5, -1, 4, 1, 0, 0])) == (1, 3)
    even = np.ones(10)
    first, last = deciding_band(np.geomspace(1, 1e9, 10), even)
    assert last - first + 1 == 10 * DECIDING_SHARE  # analytic


@pytest.mark.parametrize("part", ["μ′", "μ″"])
def test_a_planted_difference_is_found_where_it_is(part):
    # taken on the section of the specimen: that of another one would widen what decides
    same = (5e-3, 10e-3)
    curve = bumped(part, 0.4 if part == "μ″" else 0.3)
    library = grades(
        grade("plain", 2300, 1.8e6, section_m=same),
        grade("bumped", 2300, 1.8e6, frequency=WIDE, permeability=curve, section_m=same),
    )
    verdict = identify(ring(), sweep=wound(relaxation(2300, 1.8e6), noise=0.003), library=library)
    decided = verdict.decided_by
    assert (decided.first, decided.second) == ("plain", "bumped")
    assert decided.part == part
    low, high = decided.band_hz
    # the bump ends a factor 2.4 from its centre; the candidate moves level and corner to meet it, which
    # takes it off within a correlation length of the smooth deviation (a factor 3.3) on either side
    assert 5e5 / (2.4 * 3.3) < low < 5e5 < high < 5e5 * 2.4 * 3.3
    assert abs(decided.misfit[1]) > max(0.08, 3 * abs(decided.misfit[0]))
    assert decided.sentence.startswith(f"{part} between ")
    assert "bumped lies" in decided.sentence
    assert f"% too {'high' if decided.misfit[1] > 0 else 'low'} at" in decided.sentence


def test_a_candidate_that_lies_too_low_is_said_to():
    library = grades(
        grade("plain", 2300, 1.8e6),
        grade("dented", 2300, 1.8e6, frequency=WIDE, permeability=bumped("μ″", -0.5)),
    )
    verdict = identify(ring(), sweep=wound(relaxation(2300, 1.8e6), noise=0.003), library=library)
    assert "dented lies" in verdict.decided_by.sentence
    assert "% too low" in verdict.decided_by.sentence


def test_a_level_out_of_tolerance_is_said_to_be_the_reason():
    library = grades(grade("near", 2300, 1.8e6, tolerance=0.1), grade("far", 3300, 1.8e6, tolerance=0.1))
    low = FREQUENCY[FREQUENCY < 2e5]
    verdict = identify(ring(), sweep=wound(relaxation(2350, 1.8e6, low), low), library=library)
    assert verdict.decided_by.first == "near"
    assert "far would need × 0." in verdict.decided_by.sentence


def test_equal_curves_decide_nothing():
    library = grades(grade("one", 2300, 1.8e6), grade("two", 2300, 1.8e6))
    decided = identify(ring(), sweep=wound(relaxation(2300, 1.8e6)), library=library).decided_by
    assert decided.band_hz is None
    assert decided.total == pytest.approx(0.0, abs=1e-6)  # analytic
    assert "does not tell" in decided.sentence
    assert decided.to_dict()["band_hz"] is None


class ForNickel(ClassEvidence):
    """Evidence that makes nickel-zinc e⁵ times as likely."""

    name = "a word of the maker"

    def class_log_likelihood(self, material_class):
        return 5.0 * (material_class is MaterialClass.NIZN)


def test_where_other_evidence_outweighs_the_curve_it_is_said():
    library = grades(
        grade("manganese", 800, 8e6, tolerance=0.3),
        grade("nickel", 800, 5.6e6, tolerance=0.3, material_class=MaterialClass.NIZN),
    )
    sweep = wound(relaxation(800, 8e6), noise=0.003)
    plain = identify(ring(), sweep=sweep, library=library).decided_by
    assert plain.first == "manganese"
    told = ForNickel()
    decided = identify(ring(), sweep=sweep, library=library, evidence=[told]).decided_by
    assert decided.first == "nickel"
    assert decided.total == pytest.approx(-plain.total)
    assert decided.band_hz == plain.band_hz
    assert decided.sentence.startswith("The curve alone is for manganese")
    assert decided.to_dict()["log_odds"] == decided.judged == pytest.approx(-plain.judged)


def test_none_of_these_is_set_against_the_nearest_reference():
    odd = 1 + 400 / (1 + 1j * FREQUENCY / 4e4) ** 0.5
    verdict = identify(ring(), sweep=wound(odd), library=grades(grade("a", 400, 1.5e7), grade("b", 500, 9e6)))
    assert verdict.kind is VerdictKind.UNLISTED
    assert verdict.decided_by.second is None
    assert verdict.decided_by.total > 3
    assert "against every reference" in verdict.decided_by.sentence


@pytest.mark.parametrize(("corner", "power", "levels"), [(4e4, 0.5, (400, 500)), (2e4, 0.6, (400,))])
def test_none_of_these_adds_up_to_what_was_judged(monkeypatch, corner, power, levels):
    """The whole family runs along: a few members, chosen by the curve, told up to nine less of it."""
    odd = 1 + 400 / (1 + 1j * FREQUENCY / corner) ** power
    # loose references have no kin of their own beside the family
    library = grades(*(grade(f"g{level}", level, 6e9 / level, curve_deviation=0.1) for level in levels))
    (known, _), verdict = knowledge_of(monkeypatch, wound(odd, noise=0.003), library)
    assert verdict.kind is VerdictKind.UNLISTED
    decided = verdict.decided_by
    nearest = [material.id for material in library.materials].index(decided.first)
    judged = known.evidence.unlisted - known.evidence.log_evidence[nearest]
    assert decided.judged == pytest.approx(judged)
    # tolerance: far kin and what is linearised, as for two candidates
    assert decided.total == pytest.approx(judged, rel=0.1, abs=0.7)


def test_the_family_running_along_is_the_family_judged(monkeypatch):
    """Over the whole band the running density is that of the evidence, up to what turns rows to μ′ and μ″."""
    library = grades(grade("a", 2300, 1.8e6), grade("b", 500, 4e6))
    (known, _), _ = knowledge_of(monkeypatch, wound(relaxation(900, 5e6), noise=0.01), library)
    observation = known.observation
    points = np.arange(observation.frequency_hz.size)
    turned = explain._to_parts(observation, points)
    size = np.log(np.abs(np.linalg.det(turned))).sum() + points.size * np.log(2 * np.pi)
    judged = OpenAlternative(observation, []).log_evidence(whole(observation))
    for running in family_running(observation, points, turned):
        # independent code: the judge sums over stretches by Woodbury; it bounds the level at 4 σ
        assert running[-1] + size == pytest.approx(judged, abs=0.05)


def test_a_band_is_named_only_where_the_points_show_half_of_what_was_judged():
    assert explain._shown(6.0, 6.8)
    assert explain._shown(3.5, 6.8)
    assert not explain._shown(1.95, 6.8)  # ln odds of 900 to 1, where the picture would end at 7 to 1
    assert not explain._shown(-5.0, 6.8)
    assert not explain._shown(0.9, 0.9)


def test_a_level_that_decided_is_no_band_of_one_point():
    """Two grades of one shape and two levels: the first point tells them apart, and so would any other."""
    library = grades(grade("near", 2300, 1.8e6, tolerance=0.2), grade("far", 1960, 2.1e6, tolerance=0.2))
    low = FREQUENCY[FREQUENCY < 1e5]
    decided = identify(ring(), sweep=wound(relaxation(2330, 1.8e6, low), low), library=library).decided_by
    assert decided.first == "near"
    assert decided.band_hz is None
    assert decided.to_dict()["band_hz"] is None
    assert decided.sentence.startswith("The level of μ′ decided, not its course: far would need × 1.1")
    assert "near × 1.0" in decided.sentence
    assert "(usual: ± 20 %)" in decided.sentence


class Spied:
    """As much of what a verdict was explained from as a sentence takes."""

    def __init__(self, names, gap=0.0, gapped=0.2):
        self.library = grades(*(grade(name, 2300, 1.8e6) for name in names))
        self.observation = SimpleNamespace(temperature_c=None)
        self.evidence = SimpleNamespace(
            explanations={0: unexplained(self.library.materials[0], 10)}, stated_turns=10,
            gapped=np.full(len(names), gapped),
        )  # fmt: skip
        self.evidence.explanations[0] = replace(self.evidence.explanations[0], gap_ratio=gap)


def test_a_curve_that_is_for_the_nearest_reference_is_said_to_be():
    """Of many references each has little beforehand: none of these can win against a curve that fits one."""
    many = Spied(["a", *(f"g{k}" for k in range(100))])
    told = explain._against_all(many, 0, -1.5)
    assert told.startswith("The curve alone is for a, the nearest reference (4.5 to 1)")
    assert "likelier than any single one of 101 references" in told
    assert "does not tell a, the nearest reference, from none" in explain._against_all(many, 0, 0.3)
    assert "beforehand" not in explain._against_all(Spied(["a"]), 0, -1.5)
    against = explain._against_all(Spied(["a"], gap=1e-4), 0, 2.0)
    assert "is against a, the nearest reference (7.4 to 1)" in against
    assert against.endswith("it would need a cracked or gapped core.")
    halves = explain._against_all(Spied(["a"], gap=1e-4, gapped=1.0), 0, 2.0)
    assert halves.endswith("(7.4 to 1).")  # a core of two halves has its joints in any case


def test_without_a_curve_there_is_nothing_to_explain():
    library = grades(grade("a", 2300, 1.8e6), grade("b", 2300, 2.6e6))
    verdict = identify(ring(), readings=[Reading(ReadingKind.INDUCTANCE, 2.3e-4, 1e4)], library=library)
    assert verdict.decided_by is None
    assert verdict.to_dict()["decided_by"] is None
    one = identify(ring(), sweep=wound(relaxation(2300, 1.8e6)), library=grades(grade("a", 2300, 1.8e6)))
    assert one.decided_by is None
