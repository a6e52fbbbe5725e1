"""``whichcore join``: what it prints and writes, and that identify takes it as one measurement."""

import json
from dataclasses import replace

import numpy as np
import pytest
from click.testing import CliRunner

from whichcore.analysis.joined import join
from whichcore.analysis.overlap_fit import Wound
from whichcore.analysis.permeability import permeability
from whichcore.analysis.two_windings import solve_overlap
from whichcore.analysis.uncertainty import point_covariance
from whichcore.cli.root import root
from whichcore.files import load_specimen, load_sweep, write_sweep
from whichcore.rig.virtual import WoundCore, core
from wound_sweeps import drawn_sweep, wound_port


@pytest.fixture
def bench(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    rng = np.random.default_rng(21)
    low = np.geomspace(1e3, 2e5, 24)
    high = np.append(low[low > 6e4], np.geomspace(2.4e5, 3e6, 12))
    for name, turns, grid, farad in (("many", 25, low, 5e-12), ("few", 4, high, 2e-12)):
        item = WoundCore(core("bin-h"), turns)
        sweep = drawn_sweep(wound_port(item, farad), grid, rng)
        write_sweep(f"{name}.csv", replace(sweep, wiring="shunt-at-ground", temperature_c=25.0))
        (tmp_path / f"{name}.toml").write_text('name = "bin 8"\n' + item.specimen_toml(), encoding="utf-8")
    return tmp_path


def _run(*words, few="few"):
    parts = ("--many-specimen", "many.toml", "--many-sweep", "many.csv")
    return CliRunner().invoke(
        root, ["join", *parts, "--few-specimen", f"{few}.toml", "--few-sweep", f"{few}.csv", *words]
    )


def test_it_prints_what_was_found(bench):
    done = _run()
    assert done.exit_code == 0, done.stderr
    text = " ".join(done.stdout.split())
    assert text.startswith("bin 8: 25 and 4 turns joined")
    assert "C_w found" in text
    assert "Turns confirmed" in text
    assert "same ratio" in text
    assert text.count("Step at") == 2
    assert "same level" in done.stderr


def test_the_report_holds_what_was_found(bench):
    report = json.loads(_run("--json").stdout)
    assert report["format"] == "whichcore-join/1"
    many = report["windings"][0]
    assert abs(many["capacitance_f"] - 5e-12) <= 2 * many["u_capacitance_f"]
    assert report["turns"][0]["many"] == [25]
    assert report["overlap"]["points"] == 6
    assert len(report["steps"]) == 2


def test_what_is_written_is_taken_as_one_measurement(bench):
    assert _run("--out", "both").exit_code == 0
    sweep, specimen = load_sweep("both/joined.csv"), load_specimen("both/joined.toml")
    again = permeability(sweep, specimen)
    parts = [Wound(load_sweep(f"{n}.csv"), load_specimen(f"{n}.toml")) for n in ("many", "few")]
    wanted = join(solve_overlap(*parts), *parts).spectrum
    np.testing.assert_allclose(again.permeability, wanted.permeability, rtol=1e-12)
    np.testing.assert_allclose(
        point_covariance(again.scatter, again.sources),
        point_covariance(wanted.scatter, wanted.sources),
        rtol=1e-9,
        atol=1e-9,
    )
    assert sorted(s.id for s in again.sources) == sorted(s.id for s in wanted.sources)
    assert "25 turns shunt-at-ground and 4 turns" in sweep.notes["joined"]
    assert specimen.name == "bin 8"
    assert sweep.temperature_c == 25.0
    done = CliRunner().invoke(
        root, ["identify", "--specimen", "both/joined.toml", "--sweep", "both/joined.csv", "--json"]
    )
    verdict = json.loads(done.stdout)
    value = verdict["initial_permeability"]
    # the circuit's low-frequency permeability: 1 + Σχ of cores.toml (computed)
    assert (
        abs(value["value"] - (1 + core("bin-h").static_susceptibility)) <= 2 * value["standard_uncertainty"]
    )
    assert not [w for w in verdict["warnings"] if "winding" in w or "leads" in w or "turn" in w]


def test_nothing_is_overwritten(bench):
    assert _run("--out", "both").exit_code == 0
    before = (bench / "both" / "joined.csv").read_bytes()
    done = _run("--out", "both")
    assert done.exit_code == 3
    assert "not overwritten" in done.stderr
    assert (bench / "both" / "joined.csv").read_bytes() == before


def test_a_miscounted_turn_ends_it_with_the_count_that_would_agree(bench):
    text = (bench / "few.toml").read_text(encoding="utf-8")
    (bench / "wrong.toml").write_text(text.replace("turns = 4", "turns = 5"), encoding="utf-8")
    (bench / "wrong.csv").write_bytes((bench / "few.csv").read_bytes())
    done = _run("--out", "both", few="wrong")
    assert done.exit_code == 3
    assert "25 and 4 would agree" in done.stderr
    assert not (bench / "both").exists()
    report = json.loads(_run("--json", few="wrong").stdout)
    assert report["error"]["where"] == "winding.turns"
    assert report["turns"][0]["few"] == [4]


@pytest.mark.parametrize(
    ("old", "new", "told"),
    [
        ("10.08 mm", "12.08 mm", "height_m"),
        ("turns = 4", "turns = 25", "same turns"),
        ("turns = 4", "turns = 40", "exchanged"),
        ("turns = 4", "turns = 0", "turns"),
    ],
)
def test_what_is_no_pair_gives_one_line(bench, old, new, told):
    text = (bench / "few.toml").read_text(encoding="utf-8")
    (bench / "other.toml").write_text(text.replace(old, new), encoding="utf-8")
    (bench / "other.csv").write_bytes((bench / "few.csv").read_bytes())
    done = _run(few="other")
    assert done.exit_code == 3
    assert told in done.stderr
    assert len([line for line in done.stderr.splitlines() if line.startswith("whichcore:")]) == 1


def test_an_ideal_winding_states_nothing_else(bench):
    assert _run("--out", "both").exit_code == 0
    text = (bench / "both" / "joined.toml").read_text(encoding="utf-8")
    (bench / "more.toml").write_text(text + 'capacitance = "3 pF"\n', encoding="utf-8")
    done = CliRunner().invoke(root, ["identify", "--specimen", "more.toml", "--sweep", "both/joined.csv"])
    assert done.exit_code == 3
    assert "ideal winding has turns and nothing else" in done.stderr
