"""``doctor``, ``calibrate`` and ``sweep`` as commands: results, exit codes, signals."""

import json
import signal
import subprocess
import sys
import time

import numpy as np
import pytest
from click.testing import CliRunner

from whichcore.analysis.permeability import permeability
from whichcore.analysis.types import ImpedanceSweep
from whichcore.cli.root import root
from whichcore.files import load_specimen, load_sweep
from whichcore.rig.virtual import VirtualBench, WoundCore, core, impedance_of

BENCH = """\
wiring = "shunt-at-ground"
settle = "5 ms"
[source]
driver = "scpi-source"
address = "{source}"
[digitizer]
driver = "scpi-digitizer"
address = "{digitizer}"
[shunt]
resistance = "10 ohm"
tolerance = "0.2 %"
inductance = "5 nH"
[standards.open]
capacitance = "1 pF"
[standards.short]
inductance = "3.5 nH"
[standards.load]
resistance = "50 ohm"
tolerance = "0.1 %"
[limits]
level_vpp = "1 V"
"""
BAND = ("--from", "20k", "--to", "2M", "--points-per-decade", "3")


def run(*words):
    return CliRunner().invoke(root, [str(word) for word in words])


@pytest.fixture(scope="module")
def place(tmp_path_factory):
    """A bench of its own process, described by a file, and calibrated by the command."""
    folder = tmp_path_factory.mktemp("bench")
    with VirtualBench(seed=3) as virtual, pytest.MonkeyPatch.context() as patch:
        patch.setenv("WHICHCORE_HOME", str(folder / "home"))
        (folder / "bench.toml").write_text(BENCH.format(source=virtual.source, digitizer=virtual.digitizer))
        (folder / "ring.toml").write_text(WoundCore(core("bin-h"), 10).specimen_toml())
        patch.setattr("whichcore.cli.at_bench.TerminalOperator.fit", lambda _, name: virtual.fit(name))
        done = run("calibrate", "--bench", folder / "bench.toml", *BAND, "--json")
        assert done.exit_code == 0, done.output
        assert json.loads(done.stdout)["points"] == 7
        yield folder, virtual


@pytest.fixture
def bench(place):
    folder, virtual = place
    virtual.clear_faults()
    virtual.fit("core", core="bin-h", turns=10)
    return folder, virtual


def sweep_words(folder, out):
    files = ("--bench", folder / "bench.toml", "--specimen", folder / "ring.toml", "--out", folder / out)
    return ("sweep", *files, "--flux-density", "0.5 mT")


def test_doctor_finds_a_sound_bench_and_a_swapped_one(bench):
    folder, virtual = bench
    done = run("doctor", "--bench", folder / "bench.toml", "--json", "--figures", folder / "pictures")
    found = json.loads(done.stdout)
    assert done.exit_code == 0
    assert found["fit"] is True
    assert {item["status"] for item in found["findings"]} <= {"good", "skipped"}
    assert sorted(path.name for path in (folder / "pictures").iterdir()) == ["record.png", "record.svg"]
    virtual.fault("swapped")
    done = run("doctor", "--bench", folder / "bench.toml")
    assert done.exit_code == 4  # the contract
    assert "swapped" in done.stdout
    assert not virtual.state()["output"]


def test_a_sweep_prints_what_it_is_and_goes_on_as_nothing(bench):
    folder, virtual = bench
    done = run(*sweep_words(folder, "ring.csv"), "--json")
    assert done.exit_code == 0, done.output
    told = json.loads(done.stdout)
    assert told["points"] == len(load_sweep(folder / "ring.csv").frequency_hz) == 7
    assert not virtual.state()["output"]
    truth = np.array([impedance_of(WoundCore(core("bin-h"), 10), np.array([2e4]))[0]])
    own = permeability(
        ImpedanceSweep(np.array([2e4]), truth, np.zeros((1, 2, 2))), load_specimen(folder / "ring.toml")
    )
    mu = own.permeability[0].real  # computed: the circuit's own impedance through the same winding model
    assert abs(told["permeability"]["value"] - mu) < 3 * told["permeability"]["standard_uncertainty"] < 500
    again = run(*sweep_words(folder, "ring.csv"))
    assert again.exit_code == 0
    assert "7 points from 20 kHz to 2 MHz" in again.stdout
    assert "whichcore identify" in again.stdout


@pytest.mark.parametrize(
    ("words", "code", "told"),
    [
        (("--from", "1k"), 5, "band"),
        (("--calibration", "nowhere.npz"), 5, "no such calibration"),
        (("--core", "bin-h"), 2, "only the virtual bench"),
        (("--drive", "1 V"), 2, "both"),
        (("--flux-density", "1 V"), 3, "flux density"),
    ],
)
def test_a_sweep_that_cannot_be_is_one_line(bench, words, code, told):
    folder, virtual = bench
    usual = sweep_words(folder, "no.csv")
    if "--flux-density" in words:
        usual = usual[: usual.index("--flux-density")]
    done = run(*usual, *words)
    assert done.exit_code == code
    assert told in done.stderr
    assert done.stderr.count("\n") == 1
    assert not (folder / "no.csv").exists()
    assert not virtual.state()["output"]


@pytest.mark.parametrize(
    ("fault", "told"),
    [
        ({"kind": "dead-mid-block"}, "connection after 9996 of 19999 bytes"),
        ({"kind": "swapped"}, "channels swapped"),
        ({"kind": "unplugged", "channel": 2}, "none of the lowest points"),
    ],
)
def test_a_fault_is_one_line_and_code_4(bench, fault, told):
    folder, virtual = bench
    virtual.do(fault=fault)
    done = run(*sweep_words(folder, "fault.csv"), "--json")
    assert done.exit_code == 4, done.output
    error = json.loads(done.stdout)["error"]
    assert error["code"] == "instrument"
    assert error["next"]
    lines = [line for line in done.stderr.splitlines() if line.startswith("whichcore: ")]
    assert len(lines) == 1
    assert told in lines[0]
    virtual.clear_faults()
    assert not virtual.state()["output"]
    (folder / "fault.csv").unlink(missing_ok=True)


@pytest.mark.parametrize(("fixture", "told"), [("short", "a short instead"), ("open", "an open instead")])
def test_no_core_at_the_terminals_is_code_4(bench, fixture, told):
    folder, virtual = bench
    virtual.fit(fixture)
    done = run(*sweep_words(folder, f"{fixture}.csv"))
    assert done.exit_code == 4
    assert told in done.stderr
    assert not virtual.state()["output"]


@pytest.mark.soak
def test_a_wrong_shunt_in_the_file_is_code_5(bench):
    folder, _ = bench
    text = (folder / "bench.toml").read_text().replace('"10 ohm"', '"1 ohm"')
    (folder / "wrong.toml").write_text(text)
    done = run("calibrate", "--bench", folder / "wrong.toml", *BAND)
    assert done.exit_code == 5
    assert "the shunt is 9.9" in done.stderr  # computed: 10.007 over 1, read with unequal channels
    words = sweep_words(folder, "other.csv")
    done = run(*(folder / "wrong.toml" if word == folder / "bench.toml" else word for word in words))
    assert done.exit_code == 5
    assert "no calibration for this set-up" in done.stderr


def test_a_closed_port_is_code_4(bench):
    folder, _ = bench
    text = (folder / "bench.toml").read_text()
    address = next(line for line in text.splitlines() if "address" in line)
    (folder / "closed.toml").write_text(text.replace(address, 'address = "TCPIP::127.0.0.1::9::SOCKET"'))
    done = run("calibrate", "--bench", folder / "closed.toml", *BAND)
    assert done.exit_code == 4
    assert done.stderr.count("\n") == 1


def test_nobody_at_the_terminal_ends_it(bench, monkeypatch):
    folder, virtual = bench
    monkeypatch.undo()
    words = [sys.executable, "-c", "from whichcore.cli import main; main()", "calibrate"]
    done = subprocess.run(
        [*words, "--bench", folder / "bench.toml"],
        stdin=subprocess.DEVNULL, capture_output=True, text=True, timeout=60, check=False,
    )  # fmt: skip
    assert done.returncode == 130
    assert (
        "both channels on the node of channel A, with nothing at the terminals, then press Enter"
        in done.stderr
    )
    assert "nobody is there" in done.stderr
    assert not virtual.state()["output"]


def started(folder, out):
    words = [
        sys.executable,
        "-c",
        "from whichcore.cli import main; main()",
        *map(str, sweep_words(folder, out)),
    ]
    return subprocess.Popen(
        words,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        # what runs in the background, or under nohup, ignores some signals; here they are what is tested
        preexec_fn=hear_signals,  # noqa: PLW1509 - no threads here yet
    )


def hear_signals():
    for number in (signal.SIGINT, signal.SIGTERM, signal.SIGHUP):
        signal.signal(number, signal.SIG_DFL)


def rows(path):
    if not path.exists():
        return []
    return [line for line in path.read_text().split("\n")[:-1] if line and line[0].isdigit()]


@pytest.mark.parametrize(
    "number",
    [
        signal.SIGTERM,
        pytest.param(signal.SIGINT, marks=pytest.mark.soak),
        pytest.param(signal.SIGHUP, marks=pytest.mark.soak),
    ],
)
def test_a_signal_leaves_the_output_off_and_the_journal_whole(bench, number):
    folder, virtual = bench
    out = folder / f"signal-{int(number)}.csv"
    process = started(folder, out)
    while len(rows(out)) < 2 and process.poll() is None:
        time.sleep(0.02)
    process.send_signal(number)
    _, err = process.communicate(timeout=120)
    assert process.returncode == 130, err  # the contract
    assert len(err.strip().splitlines()) == 1
    assert not virtual.state()["output"]
    kept = rows(out)
    assert 2 <= len(kept) < 7
    assert out.read_bytes().endswith(b"\n")
    assert run(*sweep_words(folder, out.name)).exit_code == 0
    assert rows(out)[: len(kept)] == kept
    assert len(rows(out)) == 7


def test_a_sweep_is_kept_from_its_beginning_on(bench, tmp_path):
    folder, virtual = bench
    words = (*sweep_words(folder, "kept.csv"), "--keep", "--records", tmp_path / "store.sqlite")
    virtual.fault("silent", on="digitizer")
    stopped = run(*words)
    assert stopped.exit_code == 4, stopped.output
    listed = ("records", "list", "--all", "--json", "--records", tmp_path / "store.sqlite")
    assert [one["kind"] for one in json.loads(run(*listed).stdout)["records"]] == ["sweep-begun", "core"]
    assert "not finished" in run("records", "check", "--records", tmp_path / "store.sqlite").stdout
    virtual.clear_faults()
    done = run(*words)
    assert done.exit_code == 0, done.output
    kinds = [one["kind"] for one in json.loads(run(*listed).stdout)["records"]]
    assert kinds == ["sweep", "sweep-begun", "core"]
    assert "kept: sweep" in done.stderr
    assert "not finished" not in run("records", "check", "--records", tmp_path / "store.sqlite").stdout


def test_a_core_that_the_virtual_bench_has_not_is_code_3(place, tmp_path):
    words = ("--specimen", place[0] / "ring.toml", "--out", tmp_path / "x.csv", "--core", "bin-zz")
    done = run("sweep", "--bench", "virtual", *words)
    assert done.exit_code == 3
    assert "bin-h" in done.stderr
    assert done.stderr.count("\n") == 1
