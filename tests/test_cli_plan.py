"""``whichcore plan``: table, JSON, narrow terminals, ways out."""

import json
import math
import re

import numpy as np
import pytest
from click.testing import CliRunner

from whichcore.analysis.types import Wiring
from whichcore.bench import load_bench
from whichcore.calibration.fingerprint import Fingerprint
from whichcore.calibration.ratio import Ratio
from whichcore.calibration.setup import Setup
from whichcore.calibration.shunt import Shunt
from whichcore.calibration.standards import Toleranced
from whichcore.cli.root import root
from whichcore.measure import StoredCalibration, save_calibration
from whichcore.measure.channel_ranges import ChannelRanges
from whichcore.measure.plan_bench import plan_bench

CARD = """[core]
shape = "ring"
outer_diameter = "25.0 mm"
inner_diameter = "15.0 mm"
height = "10.0 mm"
dimension_uncertainty = "0.03 mm"
[winding]
turns = 10
lead_length = "50 mm"
"""


@pytest.fixture
def card(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    monkeypatch.delenv("WHICHCORE_BENCH", raising=False)
    monkeypatch.setenv("WHICHCORE_HOME", str(tmp_path / "home"))
    path = tmp_path / "ring.toml"
    path.write_text(CARD, encoding="utf-8")
    return path


def _run(*words, **more):
    return CliRunner().invoke(root, ["plan", *map(str, words)], **more)


def test_the_table_names_bands_wirings_and_what_cannot_be_had(card):
    done = _run("--specimen", card, "--bench", "virtual", "--expected-permeability", "2300")
    assert done.exit_code == 0
    assert done.stderr == ""
    assert done.stdout.startswith("ring: plan for an initial permeability of 1610 to 2990\n")
    assert "Turns: 40 and 5." in done.stdout
    row = next(line for line in done.stdout.splitlines() if line.startswith("1 MHz to 3 MHz "))
    assert "shunt-at-ground" in row
    assert "cannot: a core cannot be neutralised here" in " ".join(done.stdout.split())


def test_the_core_voltage_belongs_to_the_flux_density_beside_it(card):
    words = ("--specimen", card, "--bench", "virtual", "--expected-permeability", "2300")
    band = json.loads(_run(*words, "--json").stdout)["bands"][0]
    assert band["flux_density_t"] > 0.25e-3
    # ω N A_e B with A_e = 48.927 mm² and the mean at 1/1.28 of the inner edge (computed)
    volts = 2 * math.pi * 1e3 * band["turns"] * 48.927e-6 * band["flux_density_t"] / 1.277
    row = next(line for line in _run(*words).stdout.splitlines() if line.startswith("1 kHz to 10 kHz "))
    shown = re.search(r"([\d.]+) mVpk to", row)
    assert float(shown[1]) * 1e-3 == pytest.approx(volts, rel=5e-3)


def test_json_holds_numbers_and_reasons(card):
    done = _run("--specimen", card, "--bench", "virtual", "--json")
    report = json.loads(done.stdout)
    assert report["format"] == "whichcore-plan/1"
    assert report["initial_permeability"] == [50.0, 15000.0]
    assert [(b["from_hz"], b["to_hz"]) for b in report["bands"]] == [
        (1e3, 1e4),
        (1e4, 1e5),
        (1e5, 3e5),
        (3e5, 1e6),
        (1e6, 3e6),
    ]
    point = report["bands"][0]["points"][0]
    assert set(point["amplification"]) == {"shunt-at-ground", "specimen-at-ground"}
    assert {"reason", "text", "source", "cannot"} == set(report["bands"][0]["remarks"][0])
    assert report["warnings"] == []


def test_a_narrow_terminal_gets_blocks_of_lines(card, monkeypatch):
    monkeypatch.setenv("COLUMNS", "60")
    done = _run("--specimen", card, "--bench", "virtual")
    assert max(map(len, done.stdout.splitlines())) <= 60
    assert "  wiring: " in done.stdout


@pytest.mark.parametrize(
    ("words", "code", "told"),
    [
        ([], 3, "no bench is described"),
        (["--bench", "nowhere.toml"], 3, "no such bench file"),
        (["--bench", "virtual", "--expected-permeability", "0.5"], 3, "above 1"),
        (["--bench", "virtual", "--expected-permeability", "many"], 2, "not a valid float"),
    ],
)
def test_refusals_are_one_line(card, words, code, told):
    done = _run("--specimen", card, *words)
    assert (done.exit_code, done.stdout) == (code, "")
    assert done.stderr.count("\n") == 1
    assert told in done.stderr


def test_the_bench_file_sets_the_limits(tmp_path):
    # the example's own numbers: docs/reference/bench-file.md
    path = tmp_path / "bench.toml"
    path.write_text(
        """wiring = "shunt-at-ground"
[source]
driver = "scpi-source"
address = "TCPIP::127.0.0.1::1::SOCKET"
limits.highest_level_vpp = "5 V"
limits.highest_frequency = "1 MHz"
[digitizer]
driver = "scpi-digitizer"
address = "TCPIP::127.0.0.1::2::SOCKET"
channels = [1, 2]
probe_ratios = [10, 1]
[shunt]
resistance = "100 ohm"
[limits]
level_vpp = "2 V"
flux_density = "0.5 mT"
""",
        encoding="utf-8",
    )
    found = plan_bench(load_bench(path))
    assert found.shunt_ohm == 100.0
    assert found.level_vpp[1] == 2.0
    assert found.frequency_hz[1] == 1e6
    assert found.flux_density_t == 0.5e-3
    assert (found.smallest_range_vpp, found.steps) == (pytest.approx(0.8), 256)


# ---------------------------------------------------------------------------------------------- accuracy


@pytest.fixture
def home(tmp_path, monkeypatch):
    folder = tmp_path / "home"
    monkeypatch.setenv("WHICHCORE_HOME", str(folder))
    return folder


def _stored(wiring="shunt-at-ground", *, shunt="shunt 10 ohm, 10 ohm", started="2026-03-01T10:00:00+00:00"):
    """Return a calibration as one is kept: the known shunt alone, ranges tied to one part in a thousand."""
    mark = Fingerprint(Wiring(wiring), shunt=shunt)
    grid = np.geomspace(1e3, 3e6, 36)
    model = Ratio.solve((), Setup(mark, grid, Shunt(Toleranced.within(10.0, 0.02), name="shunt 10 ohm")))
    full = np.array([0.08, 0.8, 8.0])
    ranges = ChannelRanges(
        full, full, np.zeros((3, 4)), np.zeros((3, 4)), np.full((3, 3), 1e-3), np.full((3, 3), 1e-4)
    )
    return StoredCalibration(model, ranges, {"bench": "virtual", "started": started})


def _plan(card, *words):
    return _run("--specimen", card, "--bench", "virtual", "--expected-permeability", "2300", *words)


def test_without_a_calibration_the_plan_rests_on_the_bench_file_and_says_so(card, home):
    done = _plan(card)
    assert done.exit_code == 0
    assert "not calibrated yet: from what the bench file states" in done.stdout
    band = json.loads(_plan(card, "--json").stdout)["bands"][0]
    assert band["expected"]["calibrated"] is False
    point = band["expected"]["points"][0]
    assert set(point) == {
        "frequency_hz", "initial_permeability", "u_total", "u_real", "u_loss_tangent",
        "lowest_loss_tangent", "cause_real", "cause_loss", "reach",
    }  # fmt: skip
    assert 0 < point["u_real"] < 0.2
    assert band["second_winding"]["wiring"] == "two-windings"


def test_the_newest_kept_calibration_of_the_bench_is_used(card, home):
    save_calibration(_stored())
    other = _stored(started="2026-04-02T10:00:00+00:00")
    save_calibration(other, home / "calibrations" / "virtual-shunt-at-ground-0000ffff.npz")
    save_calibration(
        _stored(started="2026-05-02T10:00:00+00:00", shunt="another, 10 ohm"),
        home / "calibrations" / "virtual-shunt-at-ground-1111ffff.npz",
    )
    report = json.loads(_plan(card, "--json").stdout)
    origins = {band["expected"]["origin"] for band in report["bands"]}
    assert origins == {"calibration of 2026-04-02, virtual-shunt-at-ground-0000ffff.npz"}
    assert report["bands"][0]["expected"]["calibrated"] is True


def test_a_damaged_kept_calibration_is_told_and_left_out(card, home):
    (home / "calibrations").mkdir(parents=True)
    (home / "calibrations" / "virtual-shunt-at-ground-0000ffff.npz").write_bytes(b"PK no zip")
    report = json.loads(_plan(card, "--json").stdout)
    assert any("a kept calibration is left out" in text for text in report["warnings"])
    assert report["bands"][0]["expected"]["calibrated"] is False


def test_calibrations_named_are_used_or_refused(card, home, tmp_path):
    good = save_calibration(_stored(), tmp_path / "one.npz")
    two = save_calibration(_stored("two-windings"), tmp_path / "two.npz")
    report = json.loads(_plan(card, "--calibration", good, "--calibration", two, "--json").stdout)
    assert report["bands"][0]["expected"]["origin"] == "calibration of 2026-03-01, one.npz"
    assert report["bands"][0]["second_winding"]["origin"] == "calibration of 2026-03-01, two.npz"
    foreign = save_calibration(_stored(shunt="shunt 10 ohm, 100 ohm"), tmp_path / "foreign.npz")
    for words, code, told in (
        (["--calibration", good, "--calibration", good], 3, "two calibrations of one wiring"),
        (["--calibration", foreign], 5, "does not speak for the bench"),
        (["--calibration", tmp_path / "missing.npz"], 5, "no such calibration"),
    ):
        done = _plan(card, *words)
        assert (done.exit_code, done.stdout) == (code, "")
        assert done.stderr.count("\n") == 1
        assert told in done.stderr


@pytest.mark.soak
def test_the_pictures_are_drawn_where_asked(card, home, tmp_path):
    done = _plan(card, "--picture", tmp_path / "map.svg", "--figures", tmp_path / "all", "--dark")
    assert done.exit_code == 0, done.stderr
    names = {path.name for path in (tmp_path / "all").iterdir()}
    assert names == {
        f"accuracy-{part}.{kind}" for part in ("size", "angle", "core") for kind in ("svg", "png")
    }
    svg = (tmp_path / "map.svg").read_text(encoding="utf-8")
    assert "specimen-at-ground" in svg
    assert "#14181d" in svg.lower()
    assert done.stdout.count("drawn:") == 7
    wrong = _plan(card, "--picture", tmp_path / "map.pdf")
    assert (wrong.exit_code, wrong.stderr.count("\n")) == (3, 1)
    assert "unknown picture format" in wrong.stderr
