"""Truth, ceiling and scores of the identification benchmark, each against something of its own kind."""

import importlib.util
import sys
from pathlib import Path

import numpy as np
import pytest
from scipy.integrate import quad
from scipy.stats import norm

from identification import grade
from whichcore.analysis.materials import Library, Material, MaterialClass


def _load(name):
    path = Path(__file__).parents[1] / "benchmarks" / f"{name}.py"
    spec = importlib.util.spec_from_file_location(name, path)
    module = importlib.util.module_from_spec(spec)
    sys.modules[name] = module  # one benchmark imports the other
    spec.loader.exec_module(module)
    return module


cores = _load("invented_cores")
known_law = _load("known_law")
scores = _load("verdict_scores")
tables = _load("identify_report")
low_field = _load("low_field_loss")


def _grade(name, level, corner_hz):
    frequency = np.geomspace(1e3, 1e7, 60)
    return Material(
        id=name,
        name=name,
        material_class=MaterialClass.MNZN,
        initial_permeability=level,
        tolerance=0.25,
        frequency_hz=frequency,
        permeability=1 + (level - 1) / (1 + 1j * frequency / corner_hz),
        source="analytic relaxation",
        licence="MIT",
    )


GRADES = Library(
    (_grade("test-a", 2300, 1.5e6), _grade("test-b", 2300, 2.2e6), _grade("test-c", 5000, 0.6e6))
).materials


class TestTruth:
    def test_a_flat_section_is_a_slab(self):
        """A strip a hundred times as wide as thick: tan(kd/2)/(kd/2) (values of the dimensional effect)."""
        mu = np.full(cores.FREQUENCY.size, 2000 - 20j)
        strip = cores.section_factor(mu, (3e-3, 0.3), (1.0, 1.0))
        f5, omega = cores.FREQUENCY / 1e5, 2 * np.pi * cores.FREQUENCY
        epsilon = 1.11e5 * f5**-0.15 * 8.854e-12 - 1j * (0.1 + 0.2 * f5**0.7) / omega
        half = omega * np.sqrt(4e-7 * np.pi * mu * epsilon) * 1.5e-3
        expected = np.tan(half) / half
        below = np.abs(half) < 1
        assert below.sum() > 100
        # 30 odd terms along the wide side leave 1 − Σ 8/π²n² = 0.7 % of the effect out (analytic); the two
        # short edges add as much again at this ratio of the sides
        assert np.abs((strip - expected) / np.maximum(np.abs(expected - 1), 1e-6))[below].max() < 0.02

    def test_a_section_taken_off_and_put_on_again(self):
        mu = cores.extended(GRADES[0], cores.FREQUENCY)
        inner = cores.of_the_material(mu, (4e-3, 5e-3), (1.0, 1.0))
        back = inner * cores.section_factor(inner, (4e-3, 5e-3), (1.0, 1.0))
        assert np.abs(inner / mu - 1).max() > 0.05
        assert np.allclose(back, mu, rtol=2e-3)  # the stopping rule of the iteration is 1e-3

    def test_deviation_has_the_stated_rms(self):
        x = np.log(cores.FREQUENCY)
        rng = np.random.default_rng(5)
        values = np.array([cores.smooth(rng, x, 0.03) for _ in range(4000)])
        # five normal amplitudes of mean square 1/2 over 2.5 (analytic); 4000 draws leave some 2 %
        assert np.sqrt((values**2).mean()) == pytest.approx(0.03, rel=0.03)

    def test_a_crack_lowers_the_level(self):
        """1/μe = 1/μ + g/l (analytic)."""
        whole, cracked = (
            cores.draw(np.random.default_rng(8), GRADES, 2, law)
            for law in (cores.Law(), cores.Law(cracked=True))
        )
        assert whole.gap_m == 0
        assert 2e-6 <= cracked.gap_m <= 20e-6
        assert cracked.inductance_10k_h < whole.inductance_10k_h
        length = np.pi * 10e-3 / np.log(25 / 15)  # analytic, nominal ring
        ratio = 1 / (1 + 5000 * cracked.gap_m / length)
        # scale, dimensions and deviation of the core move the product μ g/l by some 40 % at 3σ
        assert cracked.inductance_10k_h / whole.inductance_10k_h == pytest.approx(ratio, rel=0.4)

    def test_separate_terms_keep_the_curve_when_nothing_moves(self, monkeypatch):
        monkeypatch.setattr(cores, "TOLERANCE", 0.0)
        monkeypatch.setattr(cores, "CORNER_SPREAD", 0.0)
        mu = cores.separately_scaled(np.random.default_rng(1), GRADES[0], 1.0)
        assert np.allclose(mu, cores.extended(GRADES[0], cores.FREQUENCY), rtol=1e-9)


class TestKnownLaw:
    def test_density_of_a_wave_by_quadrature(self):
        """Normal amplitude times cosine of random phase, by quadrature over the phase (independent code)."""

        def one(x):
            return quad(lambda a: norm.pdf(x / np.cos(a)) / np.cos(a) * 2 / np.pi, 0, np.pi / 2)[0]

        def both(r):
            return 2 * norm.pdf(r) / (2 * np.pi * r)

        def ours(x, r):
            amplitude = np.full(9, 0.5)
            amplitude[:3] = x, r * 0.6, r * 0.8
            return known_law._wave_prior(amplitude[None])[0]

        for x, r in ((0.1, 0.3), (1.3, 0.3), (0.1, 2.0), (2.5, 1.0)):
            expected = np.log(one(x) * both(r)) - np.log(one(0.5) * both(0.5))
            assert ours(x, r) - ours(0.5, 0.5) == pytest.approx(expected, abs=1e-6)

    def test_the_grade_drawn_comes_out(self):
        """Pure relaxations differ by level and corner alone, so that near ones stay in some doubt."""
        law = known_law.KnownLaw(GRADES, cores.Law())
        for seed, truth in enumerate((0, 1, 2)):
            core = cores.draw(np.random.default_rng(seed), GRADES, truth, cores.Law())
            posterior, samples = law.posterior(core, np.random.default_rng(0))
            assert posterior.sum() == pytest.approx(1, abs=1e-12)
            assert posterior.argmax() == truth
            assert posterior[truth] > 0.6
            assert samples > 5

    def test_grades_of_one_curve_share_the_probability(self):
        """Two equal curves are told by nothing: a half each, but for the scatter of the sampling."""
        twins = (GRADES[0], _grade("test-twin", 2300, 1.5e6))
        core = cores.draw(np.random.default_rng(3), twins, 0, cores.Law())
        halves = [
            known_law.KnownLaw(twins, cores.Law()).posterior(core, np.random.default_rng(k))[0][0]
            for k in range(20)
        ]
        assert np.mean(halves) == pytest.approx(0.5, abs=0.08)

    def test_a_reading_is_weighed_by_its_level(self):
        law = known_law.KnownLaw(GRADES, cores.Law())
        spread = np.sqrt(
            0.125**2 + 0.0294**2 + 0.03**2 + 0.02**2
        )  # computed: 2.94 % from three 1 % dimensions
        low, high = GRADES[0].permeability[0].real, GRADES[2].permeability[0].real
        posterior = law.posterior_of_reading(3000.0, 0.02)
        expected = 0.5 * (np.log(3000 / high) ** 2 - np.log(3000 / low) ** 2) / spread**2
        assert np.log(posterior[0] / posterior[2]) == pytest.approx(expected, rel=0.01)


def _row(**changes):
    row = {
        "protocol": "random",
        "by": "judge",
        "seed": 1,
        "k": 0,
        "rank": 0,
        "first": 0.9,
        "own": 0.9,
        "truth": "open-x-1",
        "class": "MnZn",
        "said class": "MnZn",
        "inside": True,
        "kind": "material",
        "unlisted": 0.0,
        "gapped": 0.0,
        "gap": 0.0,
        "twin": 0.2,
        "nearest": 3,
        "match": 1,
        "seconds": 1.0,
    }
    return row | changes


class TestScores:
    def test_calibration_error_by_hand(self):
        """Ten verdicts of 0.9, of which nine are right, and ten of 0.6 all right: (0 + 0.4)/2 (analytic)."""
        probability = np.repeat([0.9, 0.6], 10)
        hit = np.array([True] * 9 + [False] + [True] * 10)
        assert scores.calibration_error(probability, hit, bins=2) == pytest.approx(0.2)

    def test_a_perfect_judge_scores_by_chance_alone(self):
        """Mean of |share − ½| over bins of 50: √(2/π)·½/√50 = 0.056 (analytic, normal limit)."""
        found = scores.perfect_judge_error(np.full(500, 0.5), np.random.default_rng(2))
        assert found == pytest.approx(0.0564, rel=0.04)

    def test_the_interval_is_over_grades(self):
        """Thirty verdicts on each of two grades, one always right: the interval spans all there is."""
        rows = [_row(truth=name, rank=rank) for name, rank in (("a", 0), ("b", 1)) for _ in range(30)]
        assert scores.over_grades(rows, scores.first) == (0.0, 1.0)

    def test_gates_are_missed_where_they_should_be(self):
        good = [_row(k=k, first=0.95 + 0.0001 * k) for k in range(100)]
        assert tables.missed_gates(tables.report([_row(k=k, first=1.0) for k in range(20)])) == []
        wrong = [row | {"rank": 4} for row in good]
        missed = tables.missed_gates(tables.report(wrong))
        assert [text.split(" ")[1] for text in missed] == ["first", "within", "calibration"]
        for name in tables.MISSING:
            left = [_row(protocol=name, rank=95, first=0.9, k=k) for k in range(10)]
            assert len(tables.missed_gates(tables.report(left))) == 2
        honest = [row | {"kind": "unlisted", "first": 0.1} for row in left]
        assert tables.missed_gates(tables.report(honest)) == []
        beside = [row | {"protocol": "left-out"} for row in left]
        table = tables.report(beside)["left-out"]
        assert table["wrong name above 0.8"] == 1.0
        assert tables.missed_gates({"left-out": table}) == []

    def test_as_good_as_the_known_law_is_enough(self):
        judged = [_row(k=k, rank=int(k % 5 == 0), first=0.8) for k in range(50)]
        known = [row | {"by": "known law", "samples": 50.0} for row in judged]
        missed = tables.missed_gates(tables.report([*judged, *known]))
        assert missed == []
        ahead = [row | {"rank": 0} for row in known]
        assert any("first" in text for text in tables.missed_gates(tables.report([*judged, *ahead])))


class TestLowFieldLoss:
    @pytest.mark.parametrize("exponent", [1.0, 1.5, 2.0])
    def test_the_limit_of_a_made_up_loss(self, exponent):
        """P = π f B² (y0 + y1 B^m)/μ0 gives y0 back (analytic)."""
        flux = np.geomspace(8e-3, 27e-3, 8)
        loss = np.pi * 2e5 * flux**2 * (1e-5 + 4e-6 * (flux / 8e-3) ** exponent) / (4e-7 * np.pi)
        assert low_field.limit(flux, loss, 2e5) == pytest.approx(1e-5, rel=1e-6)

    def test_a_larger_section_shows_more_loss_and_the_same_one_the_same(self):
        material = grade("a", 2300, 1.8e6, frequency=np.geomspace(1e4, 1e6, 80))
        plain, same, larger = (
            -mu.imag / np.abs(mu) ** 2
            for mu in (
                material.permeability,
                low_field.shown(material, low_field.SECTION_M),
                low_field.shown(material, (5e-3, 10e-3)),
            )
        )
        low = material.frequency_hz < 5e5
        # analytic: off and on again; six steps of the iteration leave some 1e-4
        np.testing.assert_allclose(same[low], plain[low], rtol=2e-3)
        assert (larger[low] > plain[low]).all()
