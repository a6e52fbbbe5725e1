"""A board on a serial line through the commands: calibrated, swept, pulled out midway, plugged in again."""

import json
import os
from importlib.resources import files

import pytest
import serial
from click.testing import CliRunner

from test_cli_faults import BENCH, after_two_points, rows, sweep_words, the_line
from whichcore.cli.root import root
from whichcore.files import load_sweep
from whichcore.rig.virtual import Fronts, VirtualBench, WoundCore, core

pytestmark = [
    pytest.mark.soak,
    pytest.mark.skipif(os.name != "posix", reason="pseudo-terminals are POSIX"),
]
BAND = ("--from", "50k", "--to", "500k", "--points-per-decade", "3")
STEP_HZ = 25e6 / 2**28  # analytic: clock over the size of the tuning word
FRONTS = Fronts(source="serial-answering", digitizer_line="hislip")
POINTS, BEFORE = 4, 2


def run(*words):
    return CliRunner().invoke(root, [str(word) for word in words])


def describe(folder, virtual):
    text = BENCH.format(source=virtual.source, digitizer=virtual.digitizer)
    text = text.replace('"quick-source.toml"', '"serial-answering"')
    text = text.replace('"quick-digitizer.toml"', '"scpi-digitizer"')
    (folder / "bench.toml").write_text(text, encoding="utf-8")


@pytest.fixture
def place(tmp_path, monkeypatch):
    monkeypatch.setenv("WHICHCORE_HOME", str(tmp_path / "home"))
    (tmp_path / "ring.toml").write_text(WoundCore(core("bin-h"), 10).specimen_toml())
    return tmp_path


def calibrated(folder, virtual, monkeypatch):
    describe(folder, virtual)
    monkeypatch.setattr("whichcore.cli.at_bench.TerminalOperator.fit", lambda _, name: virtual.fit(name))
    done = run("calibrate", "--bench", folder / "bench.toml", *BAND, "--json")
    assert done.exit_code == 0, done.output
    virtual.fit("core", core="bin-h", turns=10)


def test_a_board_is_pulled_out_and_plugged_in_again(place, monkeypatch):
    with VirtualBench(seed=4, fronts=FRONTS) as virtual:
        calibrated(place, virtual, monkeypatch)
        with monkeypatch.context() as patch:
            after_two_points(patch, lambda: virtual.fault("cut", on="source", value=3))
            done = run(*sweep_words(place))
        assert done.exit_code == 4, done.output  # the contract
        assert "serial port" in the_line(done)
        assert "switch it off by hand" in done.stderr  # nobody can any more
        kept = rows(place)
        assert len(kept) == BEFORE
        done = run(*sweep_words(place))
        assert done.exit_code == 4
        assert "there is no such serial port" in the_line(done)
        assert rows(place) == kept
    with VirtualBench(seed=4, fronts=FRONTS) as virtual:  # the port has another number now
        describe(place, virtual)
        virtual.fit("core", core="bin-h", turns=10)
        done = run(*sweep_words(place))
        assert done.exit_code == 0, done.output
        assert rows(place)[:BEFORE] == kept
        assert len(rows(place)) == POINTS
        assert not virtual.state()["output"]
    for frequency in load_sweep(place / "out.csv").frequency_hz:
        assert frequency / STEP_HZ == pytest.approx(round(frequency / STEP_HZ), abs=1e-4)


def test_a_port_that_another_program_holds(place, monkeypatch):
    with VirtualBench(seed=4, fronts=FRONTS) as virtual:
        describe(place, virtual)
        port = virtual.source.removeprefix("ASRL").removesuffix("::INSTR")
        with serial.Serial(port, 115200, exclusive=True):
            done = run("doctor", "--bench", place / "bench.toml", "--json")
        assert done.exit_code == 4
        bad = [one for one in json.loads(done.stdout)["findings"] if one["status"] == "bad"]
        assert "another program holds the serial port" in bad[0]["found"]
        assert "close that program" in bad[0]["next"]


def test_a_board_that_stays_on_is_told_by_the_command(place, monkeypatch):
    fronts = Fronts(source="serial-mute")
    with VirtualBench(seed=4, fronts=fronts) as virtual:
        describe(place, virtual)
        text = (place / "bench.toml").read_text().replace("serial-answering", "serial-mute")
        (place / "bench.toml").write_text(text)
        monkeypatch.setattr("whichcore.cli.at_bench.TerminalOperator.fit", lambda _, name: virtual.fit(name))
        done = run("doctor", "--bench", place / "bench.toml")
        assert done.exit_code == 0, done.output
        assert done.stderr.count("stays on at 1 V peak to peak; pull its cable") == 1
        assert virtual.state()["output"]


def test_the_tables_come_with_the_package():
    for name in ("serial-answering", "serial-mute"):
        assert (files("whichcore.rig.tables") / f"{name}.toml").is_file()
