"""A digitizer that repeats the command in its answers: one line says so, by driver and by trial."""

import threading

import pytest

from exchange_files import load_exchanges
from scripted import quick
from test_table_trial import own_table
from test_virtual_dialects import Clock
from whichcore.errors import InstrumentError
from whichcore.rig.doctor import Status
from whichcore.rig.drivers.headers import without_header
from whichcore.rig.drivers.scpi_digitizer import ScpiDigitizer
from whichcore.rig.tables.command_table import load_table
from whichcore.rig.trials.table import try_table
from whichcore.rig.virtual.bench import Bench, Hands
from whichcore.rig.virtual.dialects import DIGITIZERS
from whichcore.rig.virtual.faults import Fault, FaultKind
from whichcore.rig.virtual.fixtures import fixture
from whichcore.rig.virtual.server import InstrumentServer
from whichcore.rig.virtual.source import VirtualSource

REPEATS = ["scpi-digitizer", "ten-field-preamble", "separate-scaling", "volts-block", "inline-header"]


@pytest.fixture
def served():
    """Return a function that serves a family's scope and gives its bench and address; 1 V at 1 kHz is on."""
    servers = []

    def make(family):
        bench = Bench(Hands(item=fixture("load")), seed=5, clock=Clock())
        VirtualSource(bench).execute("OUTP:LOAD INF;:FREQ 1000;VOLT 1;:OUTP ON")
        servers.append(InstrumentServer(DIGITIZERS[family](bench)))
        threading.Thread(target=servers[-1].serve_forever, args=(0.01,), daemon=True).start()
        return bench, servers[-1].address

    yield make
    for server in servers:
        server.shutdown()
        server.server_close()


def measure(digitizer, range_vpp=1.6):
    digitizer.set_interval(1e-5)
    digitizer.set_points(500)
    for channel in range(2):
        digitizer.set_range(channel, range_vpp)
    return digitizer.acquire(1e3, 0.0, threading.Event())


@pytest.mark.parametrize("family", REPEATS)
def test_the_driver_says_so_and_goes_on_once_they_are_off(tmp_path, served, family):
    bench, address = served(family)
    digitizer = ScpiDigitizer(quick(load_table(own_table(tmp_path, family))), address)
    good = measure(digitizer)
    bench.faults.add(Fault(FaultKind.HEADER_ON))
    with pytest.raises(InstrumentError) as caught:
        measure(digitizer, range_vpp=4.0)
    line = caught.value.one_line()
    assert "it repeats the command in its answers: headers are on; got" in line
    assert "; next: " in line
    assert "headers_off" in caught.value.next_step
    bench.faults.clear()
    assert measure(digitizer).volts_per_code == good.volts_per_code
    digitizer.close()


def test_where_answers_always_have_names_nothing_is_said(tmp_path, served):
    bench, address = served("prefixed-reply")
    digitizer = ScpiDigitizer(quick(load_table(own_table(tmp_path, "prefixed-reply"))), address)
    bench.faults.add(Fault(FaultKind.HEADER_ON))
    assert measure(digitizer).samples.shape == (2, 500)
    digitizer.close()


@pytest.mark.parametrize("family", REPEATS)
def test_the_trial_says_so(tmp_path, served, family):
    bench, address = served(family)
    bench.faults.add(Fault(FaultKind.HEADER_ON))
    path = own_table(tmp_path, family)
    bad = [
        item for item in try_table(load_table(path), address, threading.Event()) if item.status is Status.BAD
    ]
    assert bad[0].found.startswith("it repeats the command in its answers: headers are on; ")
    assert "headers off" in bad[0].remedy
    assert bad[0].came.startswith(":")
    key = "actions.headers_off" if family == "separate-scaling" else "actions"
    assert bad[0].place.endswith(f", {key}")
    assert f"{path}, line " in bad[0].place


def test_a_strict_identity_is_seen_behind_its_name(tmp_path, served):
    """Nothing is told to an instrument before it is known; so the header must not hide who it is."""
    _, address = served("prefixed-reply")
    identity = next(
        row for row in own_table(tmp_path, "prefixed-reply").read_text().splitlines() if "identity =" in row
    )
    path = own_table(tmp_path, "prefixed-reply", (identity, "identity = '^WORKSHOP,'"))
    digitizer = ScpiDigitizer(quick(load_table(path)), address)
    assert digitizer.identity.startswith("WORKSHOP,SCOPE")
    digitizer.close()


def test_the_command_is_sent_on_each_connection_before_anything_is_asked(tmp_path):
    rows = [sent for sent, _ in load_exchanges("separate-scaling").rows]
    assert rows[:3] == ["*IDN?", "HEADer OFF", "*ESR?"]  # what the family's exchanges say
    assert load_table("separate-scaling").actions["headers_off"][0].text == rows[1]


@pytest.mark.parametrize(
    ("question", "answer", "bare"),
    [
        # IEEE 488.2-1992, 8.4: a header, a space, the data; SCPI-1999, volume 1, 6.2.1: forms (memory)
        ("ACQuire:STATE?", ":ACQUIRE:STATE 1", "1"),
        (":ACQuire1:STATe?", ":ACQ:STAT 1", "1"),
        ("SYST:ERR?", ':SYSTEM:ERROR:NEXT 0,"No error"', '0,"No error"'),
        ("*IDN?", "*IDN Works,Scope", "Works,Scope"),
        ("CH2:SCAle?", ":CH2:SCALE 200.0E-3", "200.0E-3"),
        ("CH2:SCAle?", ":CH1:SCALE 200.0E-3", None),
        ("BUSY?", "BUS 1", "1"),
        ("BUSY?", "BU 1", None),
        ("BUSY?", "BUSY", None),
        ("BUSY?", "1", None),
        ("SYST:ERR?", '0,"SYST:ERR 1"', None),
        ("TRIGger:STATus?", "STOP", None),
    ],
)
def test_what_counts_as_the_name_of_a_question(question, answer, bare):
    assert without_header(question, answer) == (answer if bare is None else bare)
