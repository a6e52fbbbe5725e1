"""Several sweeps of one grade become one reference; two references become one."""

import json
from dataclasses import replace

import numpy as np
import pytest
from click.testing import CliRunner

from identification import grade, ring, wound
from whichcore import load_library
from whichcore.analysis.materials import MaterialClass
from whichcore.analysis.merged_material import merged
from whichcore.cli.root import root
from whichcore.errors import InputError
from whichcore.files import write_material, write_sweep
from whichcore.known_core import GradeLabel
from whichcore.known_lot import KnownCore, material_of_cores, most_apart, most_deviation

FREQUENCY = np.geomspace(1e3, 3e6, 60)
LABEL = GradeLabel("mine", "Mine", MaterialClass.NIZN, 0.2, "own", "own data")
CARD = """
[core]
shape = "ring"
outer_diameter = "25.0 mm"
inner_diameter = "15.0 mm"
height = "10.0 mm"
dimension_uncertainty = "0.05 mm"
[winding]
turns = 10
wire_diameter = "0.4 mm"
wire_length = "0.4 m"
"""


@pytest.fixture(autouse=True)
def _home(tmp_path, monkeypatch):
    monkeypatch.setenv("WHICHCORE_HOME", str(tmp_path / "home"))
    monkeypatch.delenv("COLUMNS", raising=False)


def _sweep(scale, seed, corner=1e6, noise=0.002):
    mu = 1 + (800 * scale - 1) / (1 + 1j * FREQUENCY * scale / corner)
    return wound(mu, FREQUENCY, noise=noise, seed=seed)


def _cores(scales, **changes):
    return [KnownCore(ring(**changes), _sweep(s, k), f"c{k}.csv") for k, s in enumerate(scales)]


# ----------------------------------------------------------------------------------------------------- a lot


def test_the_curve_is_the_mean_and_the_spread_becomes_the_tolerance():
    material, notes = material_of_cores(_cores([0.94, 1.0, 1.0638]), LABEL, None)
    # analytic: the geometric mean of the levels is 800; 0.1 % for the noise of three cores, thrice
    assert material.initial_permeability == pytest.approx(800, rel=0.004)
    assert 0.1 < material.tolerance < 0.25  # three cores of 6 % narrow the usual 25 %, no more
    assert material.section_m == pytest.approx((5e-3, 10e-3))  # analytic, see the ring
    told = " ".join(notes)
    assert (
        "3 cores scatter by 6.2 %" in told
    )  # analytic: ln 1.0638 = 0.0618, standard deviation of ±0.0618, 0
    assert "widened for only 3 cores" in told
    assert "deviate by" in told


def test_a_stated_tolerance_is_kept_and_contradicted():
    cores = _cores([0.7, 0.8, 1.0, 1.25, 1.4])
    material, notes = material_of_cores(cores, LABEL, 0.05)
    assert material.tolerance == 0.05
    assert any("narrower than what the cores show" in note for note in notes)
    assert not any("narrower" in note for note in material_of_cores(cores, LABEL, 0.5)[1])


def test_equal_cores_say_that_no_spread_can_be_seen():
    # dimensions known to 0.5 mm hide any spread
    loose = {"outer_diameter_m": 0.5e-3, "inner_diameter_m": 0.5e-3, "height_m": 0.5e-3}
    notes = material_of_cores(_cores([1.0, 1.001], dimension_uncertainties_m=loose), LABEL, None)[1]
    assert any("no spread of the grade itself can be seen" in note for note in notes)


def test_manganese_zinc_of_two_sizes_is_refused_and_nickel_zinc_states_no_section():
    flat = _cores([1.0], core=replace(ring().core, height_m=5e-3))[0]
    # half of the height has half of the impedance, but for the copper, 53 mΩ
    impedance = (flat.sweep.impedance_ohm + 0.053) / 2
    half = replace(flat.sweep, impedance_ohm=impedance, scatter=flat.sweep.scatter / 4)
    cores = [*_cores([1.0, 1.0]), replace(flat, sweep=half)]
    with pytest.raises(InputError, match="different sections") as caught:
        material_of_cores(cores, replace(LABEL, material_class=MaterialClass.MNZN), None)
    assert "5 x 5 mm" in caught.value.got
    material, notes = material_of_cores(cores, LABEL, None)
    assert material.section_m is None
    assert any("differ in section" in note for note in notes)


def test_temperatures_far_apart_are_told():
    cores = [
        replace(core, specimen=ring(temperature_c=t))
        for core, t in zip(_cores([1, 1]), (20.0, 31.0), strict=True)
    ]
    material, notes = material_of_cores(cores, LABEL, None)
    assert material.temperature_c == pytest.approx(25.5)
    assert any("between 20 and 31 °C" in note for note in notes)


def test_cores_of_two_grades_make_no_reference():
    # analytic: of two cores of 25 % one in 2000 lies 3.48·√2·12.5 % apart in ln, a factor of 1.85; the bench
    # adds less than a hundredth
    assert material_of_cores(_cores([1.0, 1.8]), LABEL, None)[0]
    with pytest.raises(InputError, match="two grades") as caught:
        material_of_cores(_cores([1.0, 1.9]), LABEL, None)
    assert caught.value.got.endswith("times the level of the others")
    assert caught.value.allowed.startswith("a factor of 1.8")
    assert "the worst of 2 cores" in caught.value.allowed
    with pytest.raises(InputError, match="two grades") as caught:
        material_of_cores(_cores([1.0, 1.02, 0.55, 0.98]), LABEL, None)
    assert caught.value.where == "c2.csv"  # the odd one of many is named
    assert material_of_cores(_cores([1.0, 1.9]), LABEL, 0.4)[0]  # a wide tolerance stated allows more


@pytest.mark.parametrize("count", [2, 3, 5, 10, 20])
def test_fair_lots_are_refused_once_in_a_thousand_at_most(count):
    sd, lots = 0.125, 100_000
    level = np.sort(np.random.default_rng(count).normal(0, sd, (lots, count)), axis=1)
    # the odd one out is the least or the greatest; the middle is that of the others
    worst = np.maximum(
        np.median(level[:, 1:], axis=1) - level[:, 0], level[:, -1] - np.median(level[:, :-1], axis=1)
    )
    refused = (worst > most_apart(count, sd)).sum()
    # 100 expected at most, plus five standard deviations of a count; and not so wide that nothing is refused
    assert 5 <= refused <= 100 + 5 * np.sqrt(100)


def test_fair_lots_deviate_beyond_the_limit_once_in_a_thousand_at_most():
    for freedom in (1.0, 2.5, 12.0):
        # analytic: χ² with so many degrees of freedom, of cores that deviate by 3 %
        variance = 0.03**2 * np.random.default_rng(8).chisquare(freedom, 100_000) / freedom
        assert (np.sqrt(variance) > most_deviation(freedom)).sum() <= 100 + 5 * np.sqrt(100)
    assert most_deviation(1.0) == pytest.approx(0.03 * 3.2905, rel=1e-4)  # analytic: two-sided 1 in 1000
    assert most_deviation(1e6) == 0.06  # no narrower than two references
    assert most_deviation(0.0) == np.inf


def test_cores_of_one_level_and_two_shapes_make_no_reference():
    tight = {"outer_diameter_m": 1e-6, "inner_diameter_m": 1e-6, "height_m": 1e-6}
    cores = _cores([1.0, 1.0], dimension_uncertainties_m=tight)
    spread_out = 1 + 799 / (1 + (1j * FREQUENCY / 1e6) ** 0.6)
    other = KnownCore(cores[0].specimen, wound(spread_out, FREQUENCY, noise=0.002, seed=9), "c9.csv")
    assert material_of_cores(cores, LABEL, None)[0]
    with pytest.raises(InputError, match="beside level and corner") as caught:
        material_of_cores([cores[0], other], LABEL, None)
    assert caught.value.where == "c0.csv and c9.csv"


# ------------------------------------------------------------------------------------------ the command add


def _files(folder, scales):
    (folder / "ring.toml").write_text(CARD, encoding="utf-8")
    words = ["--specimen", str(folder / "ring.toml")]
    for k, scale in enumerate(scales):
        sweep = _sweep(scale, k)
        sweep = replace(sweep, notes={"bench": "shelf", "calibration": "c-7", "started": f"2026-11-0{k + 1}"})
        write_sweep(folder / f"core{k}.csv", sweep)
        words += ["--sweep", str(folder / f"core{k}.csv")]
    return words


def _add(words, *more):
    label = ["--id", "lot", "--name", "Lot", "--class", "NiZn"]
    return CliRunner().invoke(root, ["library", "add", *words, *label, *more])


def test_add_joins_several_sweeps_and_keeps_where_they_came_from(tmp_path):
    words = _files(tmp_path, [0.95, 1.0, 1.05])
    done = _add(words, "--source", "bin 7")
    assert done.exit_code == 0, done.stderr
    assert "3 cores scatter by" in " ".join(done.stdout.split())
    own = load_library("user")["lot"]
    assert own.source.startswith("bin 7; own measurement of 3 cores: core0.csv on ring.toml, 10 turns (bench")
    for part in ("shelf", "calibration c-7", "started 2026-11-03", "sha256 "):
        assert part in own.source
    found = json.loads(CliRunner().invoke(root, ["identify", *words[:4], "--json"]).stdout)
    assert found["candidates"][0]["material"] == "lot"


@pytest.mark.parametrize(
    ("change", "code", "told"),
    [
        (lambda words: [*words, *words[:2]], 2, "2 specimen files, 3 sweeps"),
        (lambda words: [*words, *words[2:4]], 3, "one and the same"),
        (lambda words: words[:2], 2, "--sweep"),
        (lambda words: [*words, "--sweep", "none.csv"], 3, "no such file"),
    ],
)
def test_add_refuses_a_wrong_list_and_leaves_nothing(tmp_path, change, code, told):
    done = _add(change(_files(tmp_path, [0.95, 1.0, 1.05])))
    assert (done.exit_code, done.stdout) == (code, "")
    assert told in done.stderr
    assert not (tmp_path / "home").exists()


def test_a_sweep_makes_references_of_one_class_only(tmp_path):
    words = _files(tmp_path, [0.95, 1.0, 1.05])
    assert _add(words).exit_code == 0
    again = [*words[:2], "--sweep", str(tmp_path / "core1.csv"), "--name", "Again"]
    done = CliRunner().invoke(root, ["library", "add", *again, "--id", "again", "--class", "MnZn"])
    assert (done.exit_code, done.stdout) == (3, "")
    assert "a core has one class; got MnZn, and lot is NiZn" in done.stderr
    assert not list((tmp_path / "home").rglob("again*"))
    # as what it was it may stand twice, and that is told
    done = CliRunner().invoke(root, ["library", "add", *again, "--id", "again", "--class", "NiZn"])
    assert done.exit_code == 0, done.stderr
    assert "warning: core1.csv made the reference lot before" in done.stderr


# ------------------------------------------------------------------------------------------ two references


def _grades(ratio=1.1, **changes):
    first = grade("a", 800, 1e6, material_class=MaterialClass.NIZN, tolerance=0.2, curve_deviation=0.03)
    second = grade(
        "b", 800 * ratio, 1e6, **({"material_class": MaterialClass.NIZN, "tolerance": 0.2} | changes)
    )
    return first, second


def test_the_joint_reference_holds_both_spreads_and_their_difference():
    joint = merged(*_grades(1.1))
    # analytic: geometric mean; law of total variance with a difference of ln 1.1
    assert joint.material.initial_permeability == pytest.approx(800 * np.sqrt(1.1))
    assert joint.material.tolerance == pytest.approx(2 * np.hypot(0.1, np.log(1.1) / 2))
    assert joint.level_ratio == pytest.approx(1.1)
    # analytic: relaxations of one corner differ in shape by the 1 in 1 + χ/(1 + jx) alone
    assert joint.curve_difference < 0.002
    assert joint.material.curve_deviation == pytest.approx(0.03, rel=0.01)
    at = np.interp(1e6, joint.material.frequency_hz, joint.material.permeability.real)
    assert at == pytest.approx(
        1 + (800 * np.sqrt(1.1) - 1) / 2, rel=0.01
    )  # analytic: half of χ at the corner


def test_beyond_the_common_band_the_longer_curve_goes_on_without_a_step():
    short = np.geomspace(1e4, 1e6, 41)
    joint = merged(*_grades(1.1, frequency=short)).material
    assert (joint.frequency_hz[0], joint.frequency_hz[-1]) == (pytest.approx(1e2), pytest.approx(3e7))
    level = np.log(np.abs(joint.permeability))
    truth = np.log(np.abs(1 + 799 / (1 + 1j * joint.frequency_hz / 1e6)))
    assert np.ptp(level - truth) < 0.005  # analytic: the same shape everywhere, one level beside it


def test_curves_that_differ_widen_the_deviation():
    first, _ = _grades()
    near = replace(grade("b", 800, 1.04e6), material_class=MaterialClass.NIZN)
    joint = merged(first, near)
    assert 0.02 < joint.curve_difference < 0.06  # analytic: at most ln 1.04 in the angle and the size
    assert joint.material.curve_deviation == pytest.approx(np.hypot(0.03, joint.curve_difference / 2))


@pytest.mark.parametrize(
    ("change", "told"),
    [
        ({"material_class": MaterialClass.MNZN}, "two classes"),
        ({"frequency": np.geomspace(4e7, 1e8, 20)}, "no band in common"),
        ({"permeability": 1 + 879 / (1 + 1j * np.geomspace(1e2, 3e7, 160) / 1.6e6)}, "curves contradict"),
    ],
)
def test_what_is_not_one_grade_is_refused(change, told):
    first, second = _grades()
    frequency = change.get("frequency")
    if frequency is not None:
        change = {"frequency_hz": frequency, "permeability": 1 + 879 / (1 + 1j * frequency / 1e6)}
    with pytest.raises(InputError, match=told):
        merged(first, replace(second, **change))


def test_contradicting_levels_are_refused_with_how_much():
    with pytest.raises(InputError, match="levels contradict") as caught:
        merged(*_grades(1.5))
    assert "50 % apart" in caught.value.got  # analytic
    assert "33 %" in caught.value.allowed  # analytic: exp(2·√2·0.1) − 1 = 0.327
    with pytest.raises(InputError, match="itself"):
        merged(_grades()[0], _grades()[0])


def test_the_command_merge_writes_a_third_and_keeps_both(tmp_path):
    folder = tmp_path / "lib"
    for material in _grades(1.1, frequency=np.geomspace(1e4, 1e6, 41)):
        write_material(folder, material)
    words = ["library", "merge", "a", "b", "--id", "ab", "--library", str(folder), "--to", str(folder)]
    done = CliRunner().invoke(root, words)
    assert done.exit_code == 0, done.stderr
    told = " ".join(done.stdout.split())
    assert "the level of b is 110 % of that of a" in told
    assert "above 1 MHz the curve is that of a alone" in told
    found = load_library(folder)
    assert {m.id for m in found.materials} == {"a", "b", "ab"}
    assert found["ab"].source.startswith("joined from a (analytic relaxation) and b (")
    again = CliRunner().invoke(root, words)
    assert again.exit_code == 3
    assert "not overwritten" in again.stderr
    assert CliRunner().invoke(root, [*words[:3], "nothing", *words[4:]]).exit_code == 3
