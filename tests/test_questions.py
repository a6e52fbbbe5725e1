"""What the data alone cannot tell is asked wherever a sweep is tried, and refused nowhere."""

import json
from dataclasses import replace

import numpy as np
import pytest
from click.testing import CliRunner

from identification import relaxation, ring, wound
from test_known_lot import CARD
from whichcore.cli.root import root
from whichcore.files import load_sweep, write_sweep
from whichcore.known_core import data_doubts

#: A band of a sound card, which may as well be kHz of a bench.
SOUND = np.geomspace(25, 15e3, 60)
ASKED = "is the frequency column in kHz?"


@pytest.fixture(autouse=True)
def _home(tmp_path, monkeypatch):
    monkeypatch.setenv("WHICHCORE_HOME", str(tmp_path / "home"))


@pytest.fixture
def files(tmp_path):
    (tmp_path / "ring.toml").write_text(CARD, encoding="utf-8")
    for name, level in (("ribbon", 80_000), ("low", 2000)):
        mu = relaxation(level, 2e4, SOUND)
        write_sweep(tmp_path / f"{name}.csv", wound(mu, SOUND, noise=0.002))
    return tmp_path


def _run(*words):
    done = CliRunner().invoke(root, [str(word) for word in words])
    assert done.exit_code == 0, done.stderr
    return done


def test_a_known_core_is_asked_about_and_not_refused(files):
    told = data_doubts(ring(), load_sweep(files / "ribbon.csv"), "ribbon.csv")
    assert sum(ASKED in text for text in told) == 1
    assert not any(ASKED in text for text in data_doubts(ring(), load_sweep(files / "low.csv"), "low.csv"))
    label = ("--id", "mine", "--name", "Mine", "--class", "nanocrystalline")
    done = _run("library", "add", "--specimen", files / "ring.toml", "--sweep", files / "ribbon.csv", *label)
    assert f"warning: ribbon.csv: the sweep runs from 25 Hz to 15 kHz: {ASKED}" in " ".join(
        done.stderr.split()
    )


def test_a_sweep_that_was_taken_on_a_bench_is_in_hertz(files):
    taken = replace(load_sweep(files / "ribbon.csv"), notes={"bench": "sound card"})
    assert not any(ASKED in text for text in data_doubts(ring(), taken, "ribbon.csv"))


@pytest.mark.parametrize(("name", "count"), [("ribbon", 1), ("low", 0)])
def test_fit_asks(files, name, count):
    files_of = ("--specimen", files / "ring.toml", "--sweep", files / f"{name}.csv", "--model", "relaxation")
    told = json.loads(_run("fit", *files_of, "--json").stdout)["warnings"]
    assert sum(ASKED in text for text in told) == count
