"""The virtual bench as instruments on a line: its language by raw socket, its faults, its process."""

import json
import math
import socket
import subprocess
import sys
import threading
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from whichcore.analysis.phasor import fit_phasors
from whichcore.analysis.types import Capture, Wiring
from whichcore.errors import InputError, InstrumentError
from whichcore.rig.drivers.scpi_digitizer import ScpiDigitizer
from whichcore.rig.drivers.scpi_source import ScpiSource
from whichcore.rig.tables.command_table import load_table
from whichcore.rig.virtual import Setup, VirtualBench, WoundCore, core, cores, operate
from whichcore.rig.virtual.bench import Bench, Hands
from whichcore.rig.virtual.digitizer import VirtualDigitizer
from whichcore.rig.virtual.electronics import electronics
from whichcore.rig.virtual.faults import FaultKind, parse_fault
from whichcore.rig.virtual.fixtures import fixture
from whichcore.rig.virtual.hands import COMMANDS, Operator
from whichcore.rig.virtual.record import channel_settings, with_inputs
from whichcore.rig.virtual.scpi import ERRORS, compile_header
from whichcore.rig.virtual.server import InstrumentServer
from whichcore.rig.virtual.source import VirtualSource

PATIENCE_S = 60.0
NO_ERROR = '0,"No error"'


class Line:
    """A raw socket to an instrument."""

    def __init__(self, address):
        _, host, port, _ = [part for part in address.split("::") if part]
        self.socket = socket.create_connection((host, int(port)), PATIENCE_S)
        self.file = self.socket.makefile("rb")

    def write(self, text):
        self.socket.sendall(text.encode() + b"\n")

    def ask(self, text):
        self.write(text)
        return self.file.readline().decode().rstrip("\n")

    def block(self, text):
        self.write(text)
        assert self.file.read(1) == b"#"
        data = self.file.read(int(self.file.read(int(self.file.read(1)))))
        assert self.file.read(1) == b"\n"
        return np.frombuffer(data, dtype=np.int8)

    def close(self):
        self.file.close()
        self.socket.close()


@pytest.fixture
def served():
    """Both instruments of a bench behind sockets of this process."""
    bench = Bench(Hands(item=WoundCore(core("bin-h"), 10)), seed=11)
    instruments = {"source": VirtualSource(bench), "digitizer": VirtualDigitizer(bench)}
    servers = [InstrumentServer(one) for one in instruments.values()]
    threads = [threading.Thread(target=server.serve_forever, args=(0.02,)) for server in servers]
    for thread in threads:
        thread.start()
    lines = [Line(server.address) for server in servers]
    yield (*lines, Operator(bench, instruments), bench)
    for line in lines:
        line.close()
    bench.closing.set()
    for server, thread in zip(servers, threads, strict=True):
        server.shutdown()
        server.server_close()
        thread.join(PATIENCE_S)


# --- language ---


def test_short_and_long_forms_and_optional_nodes(served):
    source, digitizer, _, _ = served
    for text in ("FREQ 2.5e3", "frequency 2500", "SOUR:FREQ 2500", ":SOURce:FREQuency:CW 2500"):
        source.write("FREQ 1")
        source.write(text)
        assert float(source.ask("SOURCE:FREQ?")) == 2500
    digitizer.write("SENS:VOLT2:RANG 1")
    assert float(digitizer.ask("SENSe:VOLTage2:DC:RANGe:UPPer?")) == 1.6
    assert digitizer.ask("VOLT2:RANG?;:SENS:VOLT1:RANG?").count(";") == 1
    assert source.ask("SYST:ERR?") == NO_ERROR
    assert digitizer.ask("SYSTem:ERRor:NEXT?") == NO_ERROR


def test_compound_messages_keep_the_path(served):
    source, _, _, _ = served
    assert float(source.ask("SOUR:VOLT 0.2;VOLT:OFFS 0.05;:SOUR:VOLT:OFFS?")) == 0.05
    assert source.ask("*IDN?;:OUTP?").endswith(";0")
    source.write("UNIT:VOLT VPP;FREQ 1;*IDN?")  # FREQ is not below UNIT; the message ends there
    assert source.ask("SYST:ERR?").startswith('-113,"Undefined header; UNIT:FREQ"')


def test_unknown_and_wrong(served):
    source, digitizer, _, _ = served
    wrong = {
        "FREQUEN 1": -113,
        "FREQ": -109,
        "FREQ 1,2": -108,
        "FREQ abc": -104,
        "FREQ 1e9": -222,
        "FUNC SQU": -224,
        "VOLT 99": -222,
        "OUTP MAYBE": -224,
    }
    for text, number in wrong.items():
        source.write(text)
        answer = source.ask("SYST:ERR?")
        assert answer.startswith(f'{number},"{ERRORS[number]}'), text
    digitizer.write("SENS:VOLT3:RANG 1")
    assert digitizer.ask("SYST:ERR?").startswith("-114")
    digitizer.write("TRAC:DATA? CHAN1")  # no record yet: an error, and no answer
    assert digitizer.ask("SYST:ERR?").startswith("-230")


def test_error_queue_is_in_order_and_bounded(served):
    source, _, _, _ = served
    source.write("FREQ abc")
    for _ in range(20):
        source.write("NONSENSE")
    assert source.ask("SYST:ERR?").startswith("-104")
    rest = [source.ask("SYST:ERR?") for _ in range(16)]
    assert rest[-2].startswith("-350")
    assert rest[-1] == NO_ERROR
    source.write("NONSENSE;*IDN?")
    source.write("*CLS")
    assert source.ask("SYST:ERR?") == NO_ERROR


def test_display_load_changes_what_the_figures_mean(served):
    source, _, _, bench = served
    source.write("*RST;OUTP:LOAD 50;:VOLT 1;:OUTP ON")
    assert source.ask("OUTP?") == "1"
    assert bench.state()["emf_vpp"] == pytest.approx(2.0 * 1.006)  # analytic: half of it stays in 50 Ω
    source.write("OUTP:LOAD INF")
    assert float(source.ask("VOLT?")) == pytest.approx(2.0)  # the emf has not changed, the figure has
    assert bench.state()["emf_vpp"] == pytest.approx(2.0 * 1.006)
    assert float(source.ask("OUTP:LOAD?")) > 1e37
    source.write("VOLT 20;VOLT:OFFS 1")
    assert source.ask("SYST:ERR?").startswith("-221")


def test_real_settings_are_told(served):
    _, digitizer, _, _ = served
    digitizer.write("SENS:SWE:TINT 1.3e-7;POIN 300")
    assert float(digitizer.ask("SENS:SWE:TINT?")) == 1e-7
    assert digitizer.ask("SENS:SWE:POIN?") == "300"
    assert digitizer.ask("SENS:SWE:POIN? MAX") == "1000000"
    digitizer.write("INP1:ATT 10;:SENS:VOLT1:RANG 4")
    assert float(digitizer.ask("SENS:VOLT1:RANG?")) == 4.0
    assert float(digitizer.ask("SENS:VOLT1:SCAL?")) == pytest.approx(4.0 / 250)
    digitizer.write("SENS:VOLT1:OFFS 0.5;:INP1:COUP AC")
    assert float(digitizer.ask("SENS:VOLT1:ZERO?")) == 0.5
    assert digitizer.ask("INP1:COUP?;ATT?") == "AC;1.000000E+01"
    digitizer.write("*RST")
    assert digitizer.ask("SENS:SWE:POIN?;:INP1:COUP?") == "10000;DC"


def test_a_record_by_raw_socket(served):
    source, digitizer, _, bench = served
    source.write("OUTP:LOAD INF;:FREQ 1e5;VOLT 0.4;:OUTP ON")
    assert source.ask("*OPC?") == "1"
    bench.closing.wait(0.02)  # the relay of the source
    digitizer.write("SENS:SWE:POIN 20000;TINT 1e-7;:SENS:VOLT1:RANG 0.4;:SENS:VOLT2:RANG 0.08;:FORM INT,8")
    digitizer.write("INIT")
    assert digitizer.ask("*OPC?") == "1"
    codes = np.array([digitizer.block(f"TRACe:DATA? CHANnel{k}") for k in (1, 2)])
    assert codes.shape == (2, 20000)
    steps = [float(digitizer.ask(f"SENS:VOLT{k}:SCAL?")) for k in (1, 2)]
    found = fit_phasors(Capture(codes, 1e-7, (steps[0], steps[1]), frequency_hz=1e5))
    channels = (channel_settings(0, 0.4), channel_settings(1, 0.08))
    setup = with_inputs(Setup(Wiring.SHUNT_AT_GROUND, WoundCore(core("bin-h"), 10)), channels)
    state = operate(setup, np.array([1e5]), 0.2 * 1.006)
    gains = [channel.response(2j * math.pi * 1e5) for channel in channels]
    expected = np.abs(state.probe_v[:, 0] * gains)
    # computed: the same circuit in this process; the converter's error is some 0.3 of 120 and 20 steps
    assert np.abs(found.phasor_vpk) == pytest.approx(expected, rel=0.02)
    assert digitizer.ask("SYST:ERR?") == NO_ERROR


def test_nothing_is_changed_while_a_record_runs():
    now = [0.0]
    bench = Bench(seed=1, clock=lambda: now[0])
    digitizer = VirtualDigitizer(bench)
    for text, number in (("INIT", None), ("INIT", -213), ("SENS:SWE:POIN 300", -221), ("VOLT1:RANG 1", -221)):
        assert digitizer.execute(text) == []
        answer = digitizer.execute("SYST:ERR?")[0]
        assert answer == NO_ERROR if number is None else answer.startswith(f"{number},")
    digitizer.execute("ABOR;:SENS:SWE:POIN 300")
    assert digitizer.execute("SYST:ERR?;:SENS:SWE:POIN?") == [NO_ERROR, "300"]


def test_driving_the_core_too_hard_is_an_error(served):
    source, _, operator, bench = served
    operator.answer('{"fit": "core", "core": "bin-n", "turns": 20}')
    source.write("OUTP:LOAD INF;:FREQ 0.01;VOLT 20;:OUTP ON")
    answer = source.ask("SYST:ERR?")
    assert answer.startswith("-200")
    assert "saturation" in answer
    assert not bench.source.on  # the old setting stays


def test_two_connections_share_an_instrument(served):
    source, _, _, _ = served
    second = Line(f"TCPIP::127.0.0.1::{source.socket.getpeername()[1]}::SOCKET")
    source.write("FREQ 4321")
    source.ask("*OPC?")
    assert float(second.ask("FREQ?")) == 4321
    second.close()


@settings(max_examples=200, deadline=None)
@given(st.text(max_size=40))
def test_nonsense_never_breaks_an_instrument(text):
    faults_bench = _QUIET
    answers = faults_bench.execute(text)
    assert all(isinstance(one, str) for one in answers)
    faults_bench.execute("*CLS")
    assert faults_bench.execute("SYST:ERR?") == [NO_ERROR]


_QUIET = VirtualSource(Bench(seed=1))


@given(st.booleans(), st.booleans(), st.booleans())
def test_every_spelling_of_a_header(long, upper, optional):
    text = "sense:" if optional else ""
    text += "voltage2:range" if long else "volt2:rang"
    match = compile_header("[SENSe:]VOLTage#[:DC]:RANGe[:UPPer]").fullmatch(text.upper() if upper else text)
    assert match is not None
    assert match.groups() == ("2",)
    assert compile_header("[SENSe:]VOLTage#:RANGe").fullmatch("VOLTA2:RANG") is None


# --- faults of the line ---


def test_identity_and_queue(served):
    source, _, operator, _ = served
    operator.answer('{"fault": {"kind": "wrong-identity", "on": "source"}}')
    assert "Kettle" in source.ask("*IDN?")
    operator.answer('{"fault": {"kind": "error-in-queue", "on": "source"}}')
    assert source.ask("SYST:ERR?") == '-240,"Hardware error"'
    assert source.ask("SYST:ERR?") == NO_ERROR
    operator.answer('{"fault": {"kind": "endless-errors", "on": "source"}}')
    source.write("*CLS")
    assert source.ask("SYST:ERR?").startswith("-240")
    operator.answer('{"fault": null}')
    assert source.ask("SYST:ERR?;*IDN?").startswith(NO_ERROR + ";Workshop")


def test_silent_echo_and_slow(served, monkeypatch):
    source, _, operator, _ = served
    operator.answer('{"fault": {"kind": "silent", "on": "source", "times": 1}}')
    source.write("FREQ?")  # never answered: the next answer belongs to the next question
    assert source.ask("OUTP?") == "0"
    operator.answer('{"fault": {"kind": "echo", "on": "source"}}')
    assert source.ask("OUTP?") == "OUTP?"
    assert source.file.readline() == b"0\n"
    operator.answer('{"fault": null}')
    slept = []
    monkeypatch.setattr("whichcore.rig.virtual.line.time.sleep", slept.append)
    operator.answer('{"fault": {"kind": "slow", "on": "source", "value": 3.5}}')
    assert source.ask("OUTP?") == "0"
    assert slept == [3.5]


def recorded(digitizer):
    digitizer.write("SENS:SWE:POIN 1000;:INIT")
    assert digitizer.ask("*OPC?") == "1"
    digitizer.write("TRAC:DATA? CHAN1")


@pytest.mark.parametrize(
    ("kind", "received"),
    [
        ("dead-mid-block", 6 + 1000 // 2 - 3),
        ("short-block", 6 + 1000 - 3 + 1),
        ("long-block", 6 + 1000 + 3 + 1),
        ("wrong-digits", 6 + 1000 + 1),
    ],
)
def test_broken_blocks(served, kind, received):
    _, digitizer, operator, _ = served
    operator.answer(json.dumps({"fault": {"kind": kind, "times": 1}}))
    recorded(digitizer)
    digitizer.socket.shutdown(socket.SHUT_WR)
    data = digitizer.file.read()
    assert len(data) == received
    head = b"#31000" if kind == "wrong-digits" else b"#41000"
    assert data.startswith(head[:2])


def test_faults_are_read_strictly():
    assert parse_fault({"kind": "slow"}).value == 1.0
    assert parse_fault({"kind": "frequency-off"}).value == 1000.0
    slow = {"kind": "slow"}
    wrongs = [{"kind": "kettle"}, {}, {"kind": "unplugged", "channel": 3}]
    wrongs += [{**slow, "on": "kettle"}, {**slow, "value": "1"}, {**slow, "times": 1.5}, {**slow, "x": 1}]
    for wrong in wrongs:
        with pytest.raises(InputError):
            parse_fault(wrong)
    assert len(FaultKind) == 23


# --- hands and process ---


def test_what_hands_can_do(served):
    _, _, operator, bench = served

    def do(**command):
        return json.loads(operator.answer(json.dumps(command)))

    assert do(fit="empty")["error"]["what"] == "no winding to empty"
    assert do(fit="core", core="bin-m", turns=3, secondary_turns=3)["item"] == "bin-m"
    assert do(wiring="two-windings")["wiring"] == "two-windings"
    assert do(fit="empty")["item"] == "bin-m"
    assert bench.hands.item.core.static_susceptibility == 0
    assert do(fit="tied")["tied"]
    assert not do(fit="short")["tied"]
    assert do(fit="core", core="bin-m")["error"]["what"] == "two windings were wired, and the core has one"
    assert do(temperature=45)["temperature_c"] == 45
    assert do(remanence_t=0.1)["remanence_t"] == 0.1
    for good in ({"shunt_ohm": 1}, {"pad_db": 20}, {"blocking_farad": 1e-4}, {"probe": 10, "channel": 2},
                 {"age_s": 86400}, {"state": True}):  # fmt: skip
        assert do(**good)["ok"], good
    assert bench.hands.probe_ratios == (1, 10)
    for wrong in ({"shunt_ohm": 2}, {"wiring": "x"}, {"probe": 3, "channel": 1}, {"temperature": "hot"},
                  {"fit": "core", "core": "bin-z"}, {"fit": "core", "core": "bin-h", "turns": 1.5}, {},
                  {"fit": "short", "turns": 3}, {"fit": "open", "wiring": "x"}, {"fault": 3}):  # fmt: skip
        answer = do(**wrong)
        assert not answer["ok"], wrong
        assert answer["error"]["code"] == "input"
    assert not json.loads(operator.answer("{"))["ok"]
    assert not json.loads(operator.answer("3"))["ok"]


def test_the_process_serves_the_drivers_and_ends_with_its_input():
    """A record through the real drivers, fixtures changed by hand in between."""
    with VirtualBench("specimen-at-ground", seed=2) as bench:
        source = ScpiSource(load_table("scpi-source"), bench.source)
        digitizer = ScpiDigitizer(load_table("scpi-digitizer"), bench.digitizer)
        ratios = {}
        try:
            source.frequency_hz = 1e5
            source.level_vpp = 0.4
            for what in ("load", "resistor"):
                assert bench.fit(what)["item"] == what
                source.output_on()
                ratios[what] = _ratio(digitizer)
        finally:
            source.output_off()
            source.close()
            digitizer.close()
        assert not bench.state()["output"]
        with pytest.raises(InstrumentError, match="kettle"):
            bench.fit("kettle")
        process = bench._process
    assert process.returncode == 0
    # computed: V_A/V_B is 1 + shunt/part times the ratio of the ranges' gains, the leads with the part; the
    # converters' bow of half a step in 70 is within 5 in 1000
    for what, ohm in (("load", 49.985 + 0.022), ("resistor", 200.31 + 0.022)):
        assert abs(ratios[what]) == pytest.approx(1.0043 / 0.9968 * (1 + 10.007 / ohm), rel=0.005), what


def _ratio(digitizer):
    digitizer.set_points(20000)
    digitizer.set_interval(1e-7)
    for channel in (0, 1):
        digitizer.set_range(channel, 0.8)
    for _ in range(2):  # the first begins before the relay of the source has closed
        capture = digitizer.acquire(1e5, 0.0, threading.Event())
        threading.Event().wait(0.01)
    found = fit_phasors(capture)
    return found.phasor_vpk[0] / found.phasor_vpk[1]


def test_ready_line_and_end():
    process = subprocess.Popen(
        [sys.executable, "-m", "whichcore.rig.virtual", "--seed", "1"],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
    )
    ready = json.loads(process.stdout.readline())
    assert ready["ready"] is True
    assert ready["source"].startswith("TCPIP::127.0.0.1::")
    assert (ready["source_table"], ready["digitizer_table"]) == ("scpi-source", "scpi-digitizer")
    line = Line(ready["digitizer"])  # an open connection does not keep it alive
    out, _ = process.communicate('{"state": true}\n\n{"fit": "short"}\n', timeout=PATIENCE_S)
    answers = [json.loads(text) for text in out.splitlines()]
    assert [answer["item"] for answer in answers] == ["open", "short"]
    assert process.returncode == 0
    line.close()


MORE = """\
[shelf-a]
title = "an invented ring"
body = { outer_mm = 25.0, inner_mm = 15.0, height_mm = 10.0 }
card = { shape = "ring", outer_diameter = "25.0 mm" }
relaxations = [[1438.0, 5e6]]
"""


def test_the_process_takes_more_cores(tmp_path):
    path = tmp_path / "more.toml"
    path.write_text(MORE, encoding="utf-8")
    with VirtualBench(seed=1, cores=path) as bench:
        assert bench.fit("core", core="shelf-a", turns=7)["item"] == "shelf-a"
        assert bench.fit("core", core="bin-h")["item"] == "bin-h"
        with pytest.raises(InstrumentError, match="shelf-a"):  # named among those there are
            bench.fit("core", core="shelf-b")
    with VirtualBench(seed=1) as bench, pytest.raises(InstrumentError, match="no such core"):
        bench.fit("core", core="shelf-a")


def test_a_wrong_file_of_cores_ends_the_process_with_one_line(tmp_path):
    path = tmp_path / "more.toml"
    path.write_text(MORE.replace("5e6", "-5e6"), encoding="utf-8")
    with pytest.raises(InputError, match="row 1, Hz"):
        VirtualBench(cores=path)
    path.with_name("good.toml").write_text(MORE, encoding="utf-8")
    good = path.with_name("good.toml")
    for names, told in (([path], "row 1, Hz"), ([good, good], "two files"), ([tmp_path / "no"], "cannot be")):
        words = [word for name in names for word in ("--cores", name)]
        done = subprocess.run(
            [sys.executable, "-m", "whichcore.rig.virtual", *words],
            stdin=subprocess.DEVNULL,
            capture_output=True,
            text=True,
            check=False,
        )
        assert done.returncode == 3
        assert done.stdout == ""
        assert done.stderr.count("\n") == 1
        assert told in done.stderr


def test_a_dead_or_closed_bench_says_so():
    bench = VirtualBench(seed=1)
    bench._process.kill()
    bench._process.wait(PATIENCE_S)
    with pytest.raises(InstrumentError, match=r"does not listen|ended"):
        bench.state()
    assert bench.close() != 0
    with pytest.raises(InstrumentError, match="closed"):
        bench.state()


def test_a_bench_that_does_not_start(monkeypatch):
    monkeypatch.setattr(sys, "executable", "/bin/false" if sys.platform != "win32" else sys.executable)
    with pytest.raises(InstrumentError, match="ended"):
        VirtualBench("no-such-wiring")


def test_fixture_names_are_those_of_the_data():
    for name in electronics().fixtures:
        assert fixture(name).name == name


def test_the_page_names_everything_and_its_example_runs():
    page = (Path(__file__).resolve().parent.parent / "docs/reference/virtual-bench.md").read_text("utf-8")
    for name in (*FaultKind, *COMMANDS, *electronics().fixtures, *cores()):
        assert name in page, name
    example = page.split("```python")[-1].split("```")[0]
    scope = {}
    exec(example, scope)  # noqa: S102 - our own page
    assert scope["truth"].shape == (3,)
    assert scope["capture"].samples.shape == (2, 20_000)
