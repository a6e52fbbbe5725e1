"""``whichcore plan``: table, JSON, narrow terminals, ways out."""

import json
import math
import re

import pytest
from click.testing import CliRunner

from whichcore.bench import load_bench
from whichcore.cli.plan import plan_bench
from whichcore.cli.root import root

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
