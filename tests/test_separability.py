"""Which materials a measurement could tell apart: distances, groups, remedies, the command, and the truth."""

import json
from dataclasses import replace

import numpy as np
import pytest
from click.testing import CliRunner
from scipy.stats import norm

from identification import L0, grade, grades, ring, wound
from whichcore import identify
from whichcore.analysis.forecast import StatedNoise
from whichcore.analysis.materials import MaterialClass
from whichcore.analysis.separability import (
    SEPARABLE_CHI2,
    Shared,
    confusion,
    squared_distance_of,
    squared_distances,
)
from whichcore.analysis.separable import Separation, separation_of
from whichcore.analysis.separating import remedies_of
from whichcore.cli.root import root
from whichcore.errors import AnalysisError
from whichcore.files import write_material

FREQUENCY = np.geomspace(1e3, 3e6, 36)


def _nizn(name, level, corner_hz, **changes):
    keys = {"material_class": MaterialClass.NIZN, "tolerance": 0.2} | changes
    return grade(name, level, corner_hz, **keys)


# --------------------------------------------------------------------------------------------- the distance


def test_the_distance_is_bhattacharyyas():
    """Independent code: the same by dense matrices and determinants."""
    rng = np.random.default_rng(3)
    difference, shared = rng.normal(size=(4, 20)), (rng.normal(size=(20, 5)), 2 * rng.normal(size=(20, 3)))
    own = rng.normal(size=(4, 20, 2)), 0.3 * rng.normal(size=(4, 20, 2))
    found = squared_distances(difference, (Shared(shared[0]), Shared(shared[1])), own)
    for j, d in enumerate(difference):
        one, other = (np.eye(20) + c @ c.T + u[j] @ u[j].T for c, u in zip(shared, own, strict=True))
        mean = (one + other) / 2
        log_det = [np.linalg.slogdet(m)[1] for m in (mean, one, other)]
        b = d @ np.linalg.inv(mean) @ d / 8 + log_det[0] / 2 - (log_det[1] + log_det[2]) / 4
        assert found[j] == pytest.approx(8 * b, rel=1e-9)


def test_with_equal_covariances_it_is_the_distance_of_the_means():
    """Analytic; and the wrong one wins Φ(−d/2) of the time, counted over 20,000 draws (σ = 0.25 %)."""
    rng = np.random.default_rng(5)
    columns = rng.normal(size=(6, 2))
    covariance = np.eye(6) + columns @ columns.T
    means = np.zeros(6), np.array([1.0, -0.5, 0.8, 0.2, 0.0, 1.0])
    common = Shared(columns)
    d2 = squared_distances((means[1] - means[0])[None], (common, common))[0]
    inverse = np.linalg.inv(covariance)
    assert d2 == pytest.approx(means[1] @ inverse @ means[1], rel=1e-12)
    data = rng.multivariate_normal(means[0], covariance, 20_000)
    chi2 = [np.einsum("ni,ij,nj->n", data - m, inverse, data - m) for m in means]
    assert np.mean(chi2[1] < chi2[0]) == pytest.approx(confusion(np.array(d2)), abs=0.0075)


def test_distance_and_confusion_are_one_number():
    d2 = np.array([0.0, 1.0, SEPARABLE_CHI2, 30.0])
    np.testing.assert_allclose(squared_distance_of(confusion(d2)), d2, atol=1e-12, rtol=1e-9)
    assert confusion(np.array(SEPARABLE_CHI2)) == pytest.approx(norm.cdf(-1))  # independent code
    assert confusion(np.array(-1.0)) == 0.5


# ------------------------------------------------------------------------------------------------- forecast


def test_equal_levels_apart_by_their_tolerance_alone():
    """Analytic: far below any dispersion two grades differ in ln μi; d² = ln²r/(σ² + 3 %² + geometry²)."""
    low = np.geomspace(1e3, 3e4, 16)
    pair = grades(_nizn("a", 100, 3e8), _nizn("b", 140, 3e8))
    exact = ring(dimension_uncertainties_m={"height_m": 1e-7})
    found = separation_of(pair, low, StatedNoise(exact, 0.005)).squared_distance[0, 1]
    ideal = np.log(1.4) ** 2 / (0.1**2 + 0.03**2)
    # the deviation has several shares of amplitude, 0.42 to 2.38 times 3 %; its mean over the band is less
    assert 0.75 * ideal < found < 1.05 * ideal


def test_what_a_core_may_do_anyway_is_no_difference():
    """A level and corner moved as Snoek's law lets them go is another core of the grade."""
    near = grades(_nizn("a", 800, 1e6), _nizn("b", 880, 1e6 / 1.1))
    far = grades(_nizn("a", 800, 1e6), _nizn("b", 880, 1e6 * 1.1**6))
    found = [separation_of(pair, FREQUENCY, StatedNoise(ring())).confusion[0, 1] for pair in (near, far)]
    assert found[0] > 0.3
    assert found[1] < 0.05


def test_equal_within_the_band_is_a_group_and_a_wider_band_splits_it():
    pair = grades(_nizn("a", 100, 2e7), _nizn("b", 100, 1e8))
    narrow, wide = np.geomspace(1e3, 1e5, 21), np.geomspace(1e3, 3e7, 45)
    forecast = StatedNoise(ring())
    found = separation_of(pair, narrow, forecast)
    assert found.groups() == [(0, 1)]
    assert separation_of(pair, wide, forecast).groups() == [(0,), (1,)]
    (remedy,) = remedies_of(found, narrow, forecast)
    assert "a band up to 1 MHz" in remedy.told
    assert not any("down to" in text for text in remedy.told)


def test_a_probe_tells_classes_of_equal_curves_apart():
    pair = grades(_nizn("a", 800, 1e6), replace(_nizn("b", 800, 1e6), material_class=MaterialClass.MNZN))
    forecast = StatedNoise(ring())
    (remedy,) = remedies_of(separation_of(pair, FREQUENCY, forecast), FREQUENCY, forecast)
    assert "resistance between two probe tips (NiZn from MnZn)" in remedy.told
    assert not any("mass" in text or "down to" in text for text in remedy.told)


def test_less_noise_tells_apart_what_only_noise_hides():
    pair = grades(_nizn("a", 100, 2e7), _nizn("b", 100, 1e8))
    noisy = StatedNoise(ring(), 0.3)
    found = separation_of(pair, FREQUENCY, noisy)
    (remedy,) = remedies_of(found, FREQUENCY, noisy)
    assert "less noise" in remedy.told
    assert separation_of(pair, FREQUENCY, StatedNoise(ring())).groups() == [(0,), (1,)]


def test_curves_without_a_common_band_are_not_compared():
    short = np.geomspace(1e3, 1e4, 20)
    three = grades(
        _nizn("a", 800, 1e6),
        _nizn("b", 800, 1e6, frequency=short),
        _nizn("c", 800, 1e6, frequency=np.geomspace(1e5, 1e7, 20)),
        _nizn("d", 800, 1e6, frequency=np.geomspace(1e7, 1e8, 20)),
    )
    found = separation_of(three, FREQUENCY, StatedNoise(ring()))
    assert np.isnan(found.confusion[1, 2])
    assert found.squared_distance[1, 2] == np.inf
    assert found.points[3] == 0
    assert np.isfinite(found.confusion[0, [0, 1, 2]]).all()


def test_a_chain_is_cut_and_its_neighbours_are_named():
    """Computed: 1 to 2 and 2 to 3 lie below the limit, 1 to 3 beyond it."""
    three = tuple(_nizn(name, level, 1e6) for name, level in (("a", 100), ("b", 120), ("c", 150)))
    d2 = np.array([[0, 2.0, 9.0], [2.0, 0, 3.0], [9.0, 3.0, 0]])
    found = Separation(three, confusion(d2), np.full(3, 10))
    assert found.groups() == [(0, 1), (2,)]
    assert found.beside((0, 1)) == (2,)
    assert found.beside((2,)) == (1,)


def test_it_is_symmetric_and_the_order_does_not_matter():
    materials = [_nizn("a", 300, 3e6), _nizn("b", 800, 1e6), _nizn("c", 1000, 1e6, curve_deviation=0.3)]
    one = separation_of(grades(*materials), FREQUENCY, StatedNoise(ring())).confusion
    other = separation_of(grades(*materials[::-1]), FREQUENCY, StatedNoise(ring())).confusion
    np.testing.assert_allclose(one, one.T, rtol=1e-12)
    np.testing.assert_allclose(one, other[::-1, ::-1], rtol=1e-9)


def test_one_material_and_a_rod():
    from whichcore.analysis.specimen import Rod  # noqa: PLC0415 - the one place it is used

    lone = separation_of(grades(_nizn("a", 800, 1e6)), FREQUENCY, StatedNoise(ring()))
    assert lone.groups() == [(0,)]
    with pytest.raises(AnalysisError):
        separation_of(grades(_nizn("a", 800, 1e6)), FREQUENCY, StatedNoise(ring(core=Rod(8e-3, 40e-3, 5e-6))))


# ---------------------------------------------------------------------------------------------- the command


@pytest.fixture(autouse=True)
def _home(tmp_path, monkeypatch):
    monkeypatch.setenv("WHICHCORE_HOME", str(tmp_path / "home"))
    monkeypatch.delenv("WHICHCORE_BENCH", raising=False)
    monkeypatch.delenv("COLUMNS", raising=False)
    monkeypatch.chdir(tmp_path)


@pytest.fixture
def folder(tmp_path):
    place = tmp_path / "lib"
    for material in (_nizn("a", 100, 2e7), _nizn("b", 100, 1e8), _nizn("c", 900, 1e6)):
        write_material(place, material)
    return place


def _run(*words):
    return CliRunner().invoke(root, ["library", "separable", *map(str, words)])


def _refuse_nan(word):
    raise AssertionError(f"{word} in the JSON")


def test_the_command_names_groups_and_what_would_split_them(folder):
    done = _run("--library", folder, "--to", "100k")
    assert done.exit_code == 0, done.stderr
    told = " ".join(done.stdout.split())
    assert "NiZn 100" in told
    assert "a, b" in told
    assert "1 of 3 materials stands alone, 1 group holds 2" in told
    assert "no bench is known" in done.stderr
    found = json.loads(_run("--library", folder, "--to", "100k", "--json").stdout, parse_constant=_refuse_nan)
    assert [group["materials"] for group in found["groups"]] == [["a", "b"]]
    assert found["alone"] == ["c"]
    assert found["pairs"][0]["mistaken"] > 0.159
    assert json.loads(_run("--library", folder, "--to", "60M", "--json").stdout)["groups"] == []


def test_the_command_with_the_virtual_bench(folder):
    done = _run("--library", folder, "--bench", "virtual", "--json")
    assert done.exit_code == 0, done.stderr
    found = json.loads(done.stdout, parse_constant=_refuse_nan)
    assert found["bench"] == "the virtual bench"
    assert found["to_hz"] <= 3e6
    assert not any("no bench" in text for text in found["warnings"])


@pytest.mark.parametrize(
    ("words", "code", "told"),
    [
        (["--from", "1M", "--to", "1k"], 3, "a band rises"),
        (["--from", "0"], 3, "must be positive"),
        (["--from", "nan"], 3, "--from"),
        (["--specimen", "none.toml"], 3, "no such file"),
        (["--bench", "none.toml"], 3, "none.toml"),
        (["--bench", "virtual", "--from", "1G", "--to", "2G"], 3, "not known at these frequencies"),
        (["--calibration", "none.npz", "--bench", "virtual"], 5, "none.npz"),
    ],
)
def test_what_is_wrong_is_one_line(folder, words, code, told):
    done = _run("--library", folder, *words)
    assert (done.exit_code, done.stdout) == (code, "")
    assert done.stderr.count("\n") == 1
    assert told in done.stderr


def test_an_empty_library_is_one_line(tmp_path):
    (tmp_path / "empty").mkdir()
    done = _run("--library", tmp_path / "empty")
    assert (done.exit_code, done.stderr.count("\n")) == (3, 1)


# ------------------------------------------------------------------------------------------------ the truth


def _core(rng, level, corner_hz, sigma):
    """A wound core of a grade, by circuit and another law of deviation than the judge's: five cosines."""
    scale = sigma * rng.normal()
    move = -(1 + 0.4 * rng.normal()) * scale + 0.1 * rng.normal()
    mu = 1 + (level * np.exp(scale) - 1) / (1 + 1j * FREQUENCY / (corner_hz * np.exp(move)))
    x, angle = np.log(FREQUENCY), -np.angle(mu)
    rate, phase = rng.normal(size=(2, 5, 1)) / 1.2, rng.uniform(0, 2 * np.pi, (2, 5, 1))
    one, other = np.sqrt(2 / 5) * np.cos(rate * x + phase).sum(axis=1)
    mu = mu * np.exp(0.03 * one - 0.03j * np.hypot(angle, 0.15) * other)
    assert L0 > 0
    return wound(mu, FREQUENCY, seed=int(rng.integers(2**31)))


@pytest.mark.soak
@pytest.mark.parametrize(("level", "corner_hz"), [(800, 1.15e6), (1000, 1e6), (1300, 1e6)])
def test_identification_mistakes_them_as_often_as_stated(level, corner_hz):
    """Simulation of both members of a pair: stated 30, 9 and 0.2 in 100.

    Tolerance: three standard deviations of the count, and a third of the statement, as the core's law is
    another than the judge's.
    """
    rng, draws = np.random.default_rng(8), 120
    pair = grades(_nizn("a", 800, 1e6), _nizn("b", level, corner_hz))
    stated = float(separation_of(pair, FREQUENCY, StatedNoise(ring())).confusion[0, 1])
    wrong = 0
    for turn in range(draws):
        truth = ((800, 1e6), (level, corner_hz))[turn % 2]
        verdict = identify(ring(), sweep=_core(rng, *truth, 0.1), library=pair)
        wrong += verdict.candidates[0].material != "ab"[turn % 2]
    spread = np.sqrt(max(stated, 0.005) * (1 - stated) / draws)
    assert wrong / draws == pytest.approx(stated, abs=3 * spread + stated / 3)
