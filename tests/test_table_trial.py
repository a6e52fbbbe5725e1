"""Tables with one fault each, tried against instruments that are right: the line that is wrong is named."""

import json
import threading
import tomllib
from collections import namedtuple
from importlib.resources import files
from pathlib import Path

import pytest
from click.testing import CliRunner

from exchange_files import families
from test_virtual_dialects import Clock
from whichcore.cli.root import root
from whichcore.rig.doctor import Status
from whichcore.rig.tables.command_table import load_table
from whichcore.rig.trials.table import look_at, try_table
from whichcore.rig.virtual.bench import Bench, Hands
from whichcore.rig.virtual.dialects import DIGITIZERS, SOURCES
from whichcore.rig.virtual.fixtures import fixture
from whichcore.rig.virtual.server import InstrumentServer
from whichcore.rig.virtual.source import VirtualSource

FEW = {  # records as short as the virtual scopes take them: nobody waits
    "ten-field-preamble": [("60000", "600")],
    "separate-scaling": [("10000", "1000")],
    "prefixed-reply": [("14000", "1400"), ("14K", "1.4K")],
    "volts-block": [("12000", "1200")],
    "inline-header": [("10000", "1000"), ("factor = 1e-3", "factor = 1e-2")],
}


@pytest.fixture(autouse=True)
def short_silence(monkeypatch):
    monkeypatch.setattr("whichcore.rig.lines.link.SILENCE_S", 0.1)


@pytest.fixture
def serve():
    """Serve an instrument of a family; the source of its bench is on, 1 V at 1 kHz."""
    servers = []

    def make(family):
        bench = Bench(Hands(item=fixture("load")), seed=5, clock=Clock())
        if family in DIGITIZERS:
            VirtualSource(bench).execute("OUTP:LOAD INF;:FREQ 1000;VOLT 1;:OUTP ON")
        servers.append(InstrumentServer({**SOURCES, **DIGITIZERS}[family](bench)))
        threading.Thread(target=servers[-1].serve_forever, args=(0.01,), daemon=True).start()
        return servers[-1].address

    yield make
    for server in servers:
        server.shutdown()
        server.server_close()


def own_table(folder, family, *changes):
    text = (files("whichcore.rig.tables") / f"{family}.toml").read_text(encoding="utf-8")
    quick = [("timeout_s = 5.0", "timeout_s = 1.0"), ("settle_s = 0.1", "settle_s = 0.0")]
    for old, new in (*FEW.get(family, ()), *quick, *changes):
        assert old in text or (old, new) in quick, old
        text = text.replace(old, new)
    path = folder / "own.toml"
    path.write_text(text, encoding="utf-8")
    return path


def trial(path, address):
    return list(try_table(load_table(path), address, threading.Event()))


@pytest.mark.parametrize(
    "family",
    [pytest.param(name, marks=[] if name == "one-line-source" else pytest.mark.soak) for name in families()],
)
def test_a_table_that_is_right(tmp_path, serve, family):
    findings = trial(own_table(tmp_path, family), serve(family))
    assert [item for item in findings if item.status is Status.BAD] == []
    seen = {item.check: item for item in findings}
    assert "Workshop" in seen["answers"].found.title()
    assert "own.toml" in seen["answers"].expected
    assert seen["identity"].status is Status.DOUBTFUL  # the shipped patterns take any instrument
    if family in DIGITIZERS:
        for name in "12":
            assert seen[f"bytes of channel {name}"].found.startswith("smooth")
        assert seen["scale"].status is seen["zero"].status is Status.GOOD
    else:
        assert seen["output off at the end"].found == "off"


Case = namedtuple("Case", "family, old, new, check, line, key, told")
TEXT = (Path(__file__).parent / "table_trial_cases.toml").read_text(encoding="utf-8")
CASES = [
    pytest.param(Case(**row), marks=[] if quick else pytest.mark.soak, id=f"{row['family']}-{row['key']}")
    for row in tomllib.loads(TEXT)["case"]
    for quick in [row.pop("quick", False)]
]


@pytest.mark.parametrize("case", CASES)
def test_the_line_that_is_wrong(tmp_path, serve, case):
    path = own_table(tmp_path, case.family, (case.old, case.new))
    failed = [item for item in trial(path, serve(case.family)) if item.status is Status.BAD]
    assert case.check in [item.check for item in failed], failed
    finding = next(item for item in failed if item.check == case.check)
    lines = path.read_text(encoding="utf-8").split("\n")
    number = max(n for n, text in enumerate(lines, start=1) if case.line in text)
    assert finding.place == f"{path}, line {number}, {case.key}"
    assert finding.remedy
    assert case.told in " ".join((finding.found, finding.expected, finding.came, finding.remedy))


def test_an_instrument_that_is_not_there(tmp_path):
    findings = trial(own_table(tmp_path, "one-line-source"), "TCPIP::127.0.0.1::1::SOCKET")
    assert findings[-1].check == "answers"
    assert findings[-1].status is Status.BAD
    assert ", link" in findings[-1].place


@pytest.mark.soak
def test_without_a_signal_nothing_is_said_of_the_bytes(tmp_path):
    bench = Bench(Hands(item=fixture("load")), seed=5, clock=Clock())
    server = InstrumentServer(DIGITIZERS["separate-scaling"](bench))
    threading.Thread(target=server.serve_forever, args=(0.01,), daemon=True).start()
    findings = {item.check: item for item in trial(own_table(tmp_path, "separate-scaling"), server.address)}
    server.shutdown()
    server.server_close()
    assert findings["bytes of channel 2"].status is Status.SKIPPED
    assert "1 kHz" in findings["bytes of channel 2"].remedy


def test_the_highest_level_is_tried_only_where_the_output_is_seen_to_be_off(tmp_path, serve):
    checks = [item.check for item in trial(own_table(tmp_path, "one-line-source"), serve("one-line-source"))]
    assert "level 20 V" not in checks
    assert checks[-1] == "output off at the end"


def test_what_a_table_leaves_out_is_told(tmp_path):
    path = own_table(tmp_path, "keyed-source", ("frequency = { ask", "# "), ("level = { ask", "# "))
    doubts = {item.check: item for item in look_at(load_table(path)) if item.status is Status.DOUBTFUL}
    assert set(doubts) == {"identity", "error queue"}
    assert doubts["error queue"].place.endswith(", queries")


class TestCommand:
    @pytest.fixture(autouse=True)
    def home(self, tmp_path, monkeypatch):
        monkeypatch.setenv("WHICHCORE_HOME", str(tmp_path / "home"))

    def run(self, *words):
        return CliRunner().invoke(root, ["doctor", *map(str, words)])

    def test_a_wrong_line(self, tmp_path, serve):
        path = own_table(tmp_path, "one-line-source", (":OUTPut1 ON", ":OUTPut1 ONN"))
        address = serve("one-line-source")
        done = self.run("--table", path, "--address", address, "--json")
        assert done.exit_code == 4
        report = json.loads(done.stdout)
        assert report["format"] == "whichcore-doctor/1"
        assert report["fit"] is False
        bad = next(item for item in report["findings"] if item["status"] == "bad")
        assert bad["sent"] == ":OUTPut1 ONN"
        assert bad["came"].startswith("-224")
        assert "actions.output_on" in bad["place"]
        told = self.run("--table", path, "--address", address)
        assert "steps failed; the first is the one to correct" in told.stdout
        assert "Caution" in told.stderr

    def test_a_right_one(self, tmp_path, serve):
        done = self.run("--table", own_table(tmp_path, "keyed-source"), "--address", serve("keyed-source"))
        assert done.exit_code == 0
        assert "The table works." in done.stdout

    def test_the_file_alone(self, tmp_path):
        done = self.run("--table", "volts-block")
        assert done.exit_code == 0
        assert "add --address to try it" in done.stdout
        path = own_table(tmp_path, "volts-block", ("timeout_s = 1.0", "timeout_s = true"))
        done = self.run("--table", path)
        assert done.exit_code == 3
        lines = path.read_text(encoding="utf-8").split("\n")
        number = next(n for n, text in enumerate(lines, start=1) if text.startswith("timeout_s"))
        assert f"own.toml, line {number}, link.timeout_s" in done.stderr

    @pytest.mark.parametrize(
        ("words", "code"),
        [
            (("--address", "TCPIP::127.0.0.1::1::SOCKET"), 2),
            (("--table", "volts-block", "--bench", "virtual"), 2),
            (("--table", "no-such-table"), 3),
        ],
    )
    def test_what_is_refused(self, words, code):
        done = self.run(*words)
        assert done.exit_code == code
        assert len(done.stderr.strip().splitlines()) == 1
