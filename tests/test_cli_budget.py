"""``whichcore budget``: tables, comparison, draws, pictures, and what it refuses."""

import json
import math
import re

import pytest
from click.testing import CliRunner

from whichcore.cli.root import root
from whichcore.wording import amount, finely, measured
from whichcore.workflow import demo_folder

DEMO = demo_folder()
A = ("--specimen", str(DEMO / "bin-a.toml"), "--sweep", str(DEMO / "bin-a.csv"))
D = (str(DEMO / "bin-d.toml"), str(DEMO / "bin-d.csv"))
LOWEST = "1k"


@pytest.fixture
def run(tmp_path):
    runner = CliRunner(env={"WHICHCORE_HOME": str(tmp_path / "home"), "COLUMNS": None})
    return lambda *words: runner.invoke(root, ["budget", *words])


def _json(done, code=0):
    assert done.exit_code == code, done.output
    return json.loads(done.stdout)


def test_a_table_says_value_interval_lines_and_remedy(run):
    done = run(*A, "--at", LOWEST, "--of", "impedance")
    assert done.exit_code == 0
    assert re.search(r"\|Z\| = 4\d\d\.\d+ ± \d\.\d+ mΩ \(standard uncertainty, [\d.]+ %\)\.", done.stdout)
    assert "95 % interval:" in done.stdout
    assert "What would shrink each:" in done.stdout
    assert re.search(r"The largest line is .+\. Were it halved, u would\s+fall from", done.stdout)
    assert re.search(r"\n\d+ others together|all together", done.stdout)


def test_json_adds_up(run):
    report = _json(run(*A, "--of", "permeability", "--of", "loss-tangent", "--of", "inductance", "--json"))
    assert report["format"] == "whichcore-budget/1"
    assert len(report["budgets"]) == 5 * 3  # μ′, μ″, tan δ, L, R at the lowest, middle, highest frequency
    for budget in report["budgets"]:
        lines = budget["lines"]
        assert sum(line["share"] for line in lines) == pytest.approx(1)
        total = sum(line["standard_uncertainty"] ** 2 for line in lines) ** 0.5
        assert total == pytest.approx(budget["standard_uncertainty"])
        assert [line["share"] for line in lines] == sorted((x["share"] for x in lines), reverse=True)
        assert budget["interval"][0] < budget["value"] < budget["interval"][1]
        assert budget["monte_carlo"] is None


def test_loss_tangent_is_the_quotient(run):
    report = _json(run(*A, "--at", LOWEST, "--of", "permeability", "--of", "loss-tangent", "--json"))
    real, imag, tangent = (budget["value"] for budget in report["budgets"])
    assert tangent == pytest.approx(imag / real)


def test_draws_stand_beside_the_interval(run):
    words = (*A, "--at", LOWEST, "--monte-carlo", "20000", "--seed", "7")
    report = _json(run(*words, "--json"))
    for budget in report["budgets"]:
        drawn = budget["monte_carlo"]
        half = (budget["interval"][1] - budget["interval"][0]) / 2
        # far from resonance: agreement within the bound that is said aloud
        assert drawn["interval"] == pytest.approx(budget["interval"], abs=0.1 * half)
        assert not drawn["disagrees"]
    assert _json(run(*words, "--json")) == report
    assert "By 20000 draws:" in run(*words).stdout


def _capacitive(tmp_path):
    """Return the options for 40 turns close below their self-resonance."""
    specimen, sweep = tmp_path / "wound.toml", tmp_path / "wound.csv"
    specimen.write_text(
        '[core]\nshape = "ring"\nouter_diameter = "25 mm"\ninner_diameter = "15 mm"\nheight = "10 mm"\n'
        '[winding]\nturns = 40\ncapacitance = "20 pF"\n',
        encoding="utf-8",
    )
    sweep.write_text(
        "frequency_hz,impedance_real_ohm,impedance_imag_ohm,u_real_ohm,u_imag_ohm\n5.4e5,20000,60000,10,10\n",
        encoding="utf-8",
    )
    return "--specimen", str(specimen), "--sweep", str(sweep)


def test_where_the_first_order_fails_it_says_so(run, tmp_path):
    done = run(*_capacitive(tmp_path), "--monte-carlo", "50000")
    assert done.exit_code == 0
    assert "differ by more than a tenth of the half width" in " ".join(done.stdout.split())


def test_two_specimens_on_one_calibration(run):
    report = _json(run(*A, "--at", LOWEST, "--of", "impedance", "--against", *D, "--json"))
    size, phase = report["comparisons"]
    assert size["ratio"]["value"] == pytest.approx(size["first"] / size["second"])
    assert size["ratio"]["standard_uncertainty"] < size["ratio_uncertainty_without_cancelling"]
    assert {row["name"] for row in size["cancelled"]} >= {"resistance of the load", "inductance of the short"}
    assert phase["ratio"] is None
    assert report["same_specimen"] is False
    done = run(*A, "--at", LOWEST, "--of", "impedance", "--against", *D)
    assert "Shared, and so subtracted before squaring:" in done.stdout


def test_the_same_core_twice(run):
    again = (str(DEMO / "bin-a.toml"), str(DEMO / "bin-a.csv"))
    report = _json(run(*A, "--at", LOWEST, "--against", *again, "--json"))
    assert report["same_specimen"] is True
    real = report["comparisons"][0]
    assert real["difference"]["value"] == 0
    # only the scatter is left, and μ′ hangs on the dimensions
    assert [line["ids"] for line in real["difference"]["lines"]] == [["scatter"]]
    assert (
        real["difference"]["standard_uncertainty"] < 0.1 * real["difference_uncertainty_without_cancelling"]
    )


def test_pictures(run, tmp_path):
    done = run(*A, "--at", LOWEST, "--figures", str(tmp_path / "p"))
    assert done.exit_code == 0
    names = {path.name for path in (tmp_path / "p").iterdir()}
    stems = [f"bin-a-budget-mu-{part}{at}" for part in ("real", "imag") for at in ("", "-1000Hz")]
    assert names == {f"{stem}.{end}" for stem in stems for end in ("png", "svg")}
    assert "coating thickness of the core" in (tmp_path / "p" / "bin-a-budget-mu-real.svg").read_text("utf-8")


@pytest.mark.parametrize(
    ("told", "expected"),
    [
        (measured(7.1383e-5, 7.5e-8, "H"), "71.383 ± 0.075 µH"),
        (measured(-609.0, 26.0, ""), "−609 ± 26"),
        (measured(-0.4, 110.0, ""), "0 ± 110"),
        (measured(89.65, 0.033, "°"), "89.650 ± 0.033 °"),
        (measured(5.0, 0.0, "Ω"), "5 (uncertainty not known) Ω"),
        (finely(-559.0, 50.0, ""), "−559.0"),
        (finely(7.1e-5, 1.6e-7, "H"), "71.000 µH"),
        (finely(1.0, 0.0, ""), "1.000"),
        (amount(7.0, ""), "7.00"),
        (amount(424.0, "°"), "424 °"),
        (amount(1.3e-7, "H"), "130 nH"),
    ],
)
def test_numbers_are_said_with_their_unit(told, expected):
    # analytic: two digits of u, three of a half width, a prefix for H and Ω alone
    assert told == expected


# --- bad input ----------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("words", "code", "told"),
    [
        (
            ("--at", "10k"),
            3,
            r"not one of the measured frequencies; got 10000 Hz; allowed: nearest: 9850.0 Hz",
        ),
        (("--at", "-1k"), 3, "--at"),
        (("--at", "ten"), 3, "--at"),
        (("--at", "nan"), 3, "--at"),
        (("--of", "reluctance"), 2, "loss-tangent"),
        (("--monte-carlo", "10"), 2, "1000"),
        (("--monte-carlo", "100000000"), 2, "1000000"),
        (("--against", "only-one.toml"), 2, "against"),
        (("--against", "none.toml", "none.csv"), 3, "none.toml"),
    ],
)
def test_wrong_words(run, words, code, told):
    done = run(*A, *words)
    assert done.exit_code == code
    assert len(done.stderr.strip().splitlines()) == 1
    assert re.search(told, done.stderr)


def _files(tmp_path, specimen, rows, head="frequency_hz,impedance_real_ohm,impedance_imag_ohm"):
    (tmp_path / "s.toml").write_text(specimen, encoding="utf-8")
    (tmp_path / "s.csv").write_text("\n".join([head, *rows, ""]), encoding="utf-8")
    return "--specimen", str(tmp_path / "s.toml"), "--sweep", str(tmp_path / "s.csv")


RING = (
    '[core]\nshape = "ring"\nouter_diameter = "25 mm"\ninner_diameter = "15 mm"\nheight = "10 mm"\n'
    "[winding]\nturns = 10\n"
)
ROD = (
    '[core]\nshape = "rod"\ndiameter = "8 mm"\nlength = "80 mm"\nempty_coil_inductance = "10 uH"\n'
    "[winding]\nturns = 10\n"
)
WITH_U = "frequency_hz,impedance_real_ohm,impedance_imag_ohm,u_real_ohm,u_imag_ohm"


def test_a_rod_is_refused_for_permeability_alone(run, tmp_path):
    words = _files(tmp_path, ROD, ["1e3,0.1,5,0.01,0.01"], WITH_U)
    assert "a rod shows its shape" in run(*words).stderr
    assert _json(run(*words, "--of", "impedance", "--json"))["budgets"][0]["lines"][0]["ids"] == ["scatter"]


@pytest.mark.parametrize(
    ("rows", "told"),
    [([], "not one row"), (["1e3,nan,5"], "nan"), (["1e3,1"], "s.csv"), (["1e3,0,0,0,0"], "s.csv")],
)
def test_a_damaged_sweep(run, tmp_path, rows, told):
    done = run(*_files(tmp_path, RING, rows), "--json")
    assert "error" in _json(done, 3)
    assert told in done.stdout


def test_an_estimated_scatter_is_said(run, tmp_path):
    rows = [f"{f:g},0.5,{f / 1e3:g}" for f in (1e3, 2e3, 3e3, 5e3, 8e3, 1e4)]
    done = run(*_files(tmp_path, RING, rows), "--of", "impedance", "--at", "1k")
    assert done.exit_code == 0
    assert "the line of the scatter is an estimate" in done.stderr
    report = _json(run(*_files(tmp_path, RING, rows), "--of", "impedance", "--at", "1k", "--json"))
    assert report["scatter_estimated"] is True


def test_one_point_has_one_budget(run, tmp_path):
    report = _json(run(*_files(tmp_path, RING, ["1e4,0.5,70,0.1,0.1"], WITH_U), "--json"))
    assert [budget["quantity"] for budget in report["budgets"]] == ["mu-real", "mu-imag"]


def test_no_uncertainty_at_all_is_said_and_estimated(run, tmp_path):
    words = (*_files(tmp_path, RING, ["1e4,0.5,70,0,0"], WITH_U), "--of", "impedance")
    done = run(*words, "--figures", str(tmp_path / "p"))
    assert done.exit_code == 0
    assert "no uncertainty is stated; the scatter is estimated" in " ".join(done.stderr.split())
    assert "the line of the scatter is an estimate" in done.stderr
    report = _json(run(*words, "--json"))
    assert report["scatter_estimated"] is True
    # practice: 1 % of |Z| for a curve too short to show its scatter
    assert report["budgets"][0]["standard_uncertainty"] == pytest.approx(0.01 * math.hypot(0.5, 70), rel=1e-6)


def test_a_sweep_of_another_core_is_doubted(run):
    done = run("--specimen", str(DEMO / "bin-d.toml"), "--sweep", str(DEMO / "bin-a.csv"), "--at", LOWEST)
    assert "bin-a.csv says it is of bin-a.toml, and not of bin-d.toml" in done.stderr


def test_a_comparison_at_a_frequency_the_other_lacks(run, tmp_path):
    words = _files(tmp_path, RING, ["1e4,0.5,70,0.1,0.1"], WITH_U)
    done = run(*A, "--at", LOWEST, "--against", words[1], words[3])
    assert done.exit_code == 3
    assert "not one of the measured frequencies" in done.stderr
