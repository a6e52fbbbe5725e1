"""Lines to the instruments: HiSLIP, serial ports, sockets; each driver over each, each way a line ends."""

import os
import select
import socket
import struct
import sys
import threading
import time
from contextlib import contextmanager

import numpy as np
import pytest
import pyvisa
import serial

from whichcore.errors import InputError, InstrumentError
from whichcore.rig.drivers.scpi_digitizer import ScpiDigitizer
from whichcore.rig.drivers.scpi_source import ScpiSource
from whichcore.rig.lines.block import BlockFormat
from whichcore.rig.lines.link import Link, LinkSettings
from whichcore.rig.lines.serial_wire import port_of
from whichcore.rig.tables.command_table import load_table
from whichcore.rig.virtual.bench import Bench, Hands
from whichcore.rig.virtual.digitizer import VirtualDigitizer
from whichcore.rig.virtual.faults import Fault, FaultKind
from whichcore.rig.virtual.fixtures import fixture
from whichcore.rig.virtual.front import LINES
from whichcore.rig.virtual.hislip import HEADER, FatalCode, HislipServer, Kind
from whichcore.rig.virtual.source import VirtualSource

PATIENCE_S = 60.0
KINDS = sorted(LINES) if os.name == "posix" else ["hislip", "socket"]
QUICK = LinkSettings(timeout_s=2.0, block_timeout_s=0.5, baud_rate=115200)


@contextmanager
def serving(instrument, kind):
    server = LINES[kind](instrument)
    thread = threading.Thread(target=server.serve_forever, args=(0.02,))
    thread.start()
    try:
        yield server
    finally:
        instrument._bench.closing.set()
        server.shutdown()
        server.server_close()
        thread.join(PATIENCE_S)
        assert not thread.is_alive()


@pytest.fixture
def bench():
    return Bench(Hands(item=fixture("load")), seed=5)


@pytest.fixture(autouse=True)
def short_silence(monkeypatch):
    """Silence of a third of a second is enough on a line of this machine."""
    monkeypatch.setattr("whichcore.rig.lines.link.SILENCE_S", 0.3)


@pytest.mark.parametrize("kind", KINDS)
def test_the_drivers_over_every_line(bench, kind):
    with serving(VirtualSource(bench), kind) as one, serving(VirtualDigitizer(bench), kind) as other:
        source = ScpiSource(load_table("scpi-source"), one.address)
        digitizer = ScpiDigitizer(load_table("scpi-digitizer"), other.address)
        source.frequency_hz, source.level_vpp = 1e5, 0.5
        source.output_on()
        assert bench.source.on
        digitizer.set_interval(1e-7)
        digitizer.set_points(4000)
        for channel in range(2):
            digitizer.set_range(channel, 0.8)
        threading.Event().wait(0.01)  # the relay of the source
        capture = digitizer.acquire(1e5, 0.0, threading.Event())
        assert capture.samples.shape == (2, 4000)
        assert np.ptp(capture.samples[0]) > 50
        source.output_off()
        assert not bench.source.on
        source.close()
        digitizer.close()


# --- HiSLIP ---


def message(kind, control=0, parameter=0, payload=b""):
    return HEADER.pack(b"HS", kind, control, parameter, len(payload)) + payload


def read_message(line):
    head = line.recv(HEADER.size, socket.MSG_WAITALL)
    prologue, kind, control, parameter, size = HEADER.unpack(head)
    assert prologue == b"HS"
    return kind, control, parameter, line.recv(size, socket.MSG_WAITALL) if size else b""


def read_answer(line):
    parts = [read_message(line)]
    while parts[-1][0] == Kind.DATA:
        parts.append(read_message(line))
    return parts


def dial(server):
    return socket.create_connection(server.server_address, PATIENCE_S)


def test_hislip_by_raw_sockets(bench):
    """Bytes by IVI-6.1 (memory): prologue HS, 16 bytes of header, both channels, an answer in two parts."""
    with serving(VirtualSource(bench), "hislip") as server, dial(server) as sync, dial(server) as other:
        sync.sendall(message(Kind.INITIALIZE, 0, 0x0100 << 16 | 0x7878, b"hislip0"))
        kind, control, parameter, _ = read_message(sync)
        assert (kind, control, parameter >> 16) == (Kind.INITIALIZE_RESPONSE, 0, 0x0100)
        other.sendall(message(Kind.ASYNC_INITIALIZE, 0, parameter & 0xFFFF))
        assert read_message(other)[0] == Kind.ASYNC_INITIALIZE_RESPONSE
        other.sendall(message(Kind.ASYNC_MAX_MESSAGE_SIZE, 0, 0, struct.pack("!Q", HEADER.size + 10)))
        assert read_message(other)[0] == Kind.ASYNC_MAX_MESSAGE_SIZE_RESPONSE
        sync.sendall(
            message(Kind.DATA, 0, 0xFFFFFF00, b"*ID") + message(Kind.DATA_END, 0, 0xFFFFFF02, b"N?\n")
        )
        parts = read_answer(sync)
        assert parts[-1][0] == Kind.DATA_END
        assert {part[2] for part in parts} == {0xFFFFFF02}  # that of the message it answers
        assert b"".join(part[3] for part in parts) == b"Workshop,Virtual Source,0001,1.0\n"
        assert len(parts) == 4  # computed: 33 bytes, ten at a time
        sync.sendall(message(Kind.DATA, 0, 0xFFFFFF04, b"FREQ "))
        other.sendall(message(Kind.ASYNC_DEVICE_CLEAR))
        assert read_message(other)[0] == Kind.ASYNC_DEVICE_CLEAR_ACKNOWLEDGE
        sync.sendall(message(Kind.DATA_END, 0, 0xFFFFFF06, b"OUTP?\n"))  # not heard: it is being cleared
        sync.sendall(message(Kind.DEVICE_CLEAR_COMPLETE))
        assert read_message(sync)[0] == Kind.DEVICE_CLEAR_ACKNOWLEDGE
        sync.sendall(message(Kind.DATA_END, 0, 0xFFFFFF00, b"FREQ?\n"))
        assert b"".join(part[3] for part in read_answer(sync)) == b"1.000000000000E+03\n"
        sync.sendall(message(99))
        assert read_message(sync)[:2] == (Kind.ERROR, 1)


@pytest.mark.parametrize(
    ("first", "code"),
    [
        (message(Kind.DATA_END, 0, 0, b"*IDN?"), FatalCode.BAD_INITIALIZATION),
        (message(Kind.ASYNC_INITIALIZE, 0, 77), FatalCode.BAD_INITIALIZATION),
        (b"XX" + bytes(14), FatalCode.POOR_HEADER),
        (message(Kind.INITIALIZE) + message(Kind.DATA_END, 0, 0, b"*IDN?"), FatalCode.NOT_BOTH_CHANNELS),
    ],
)
def test_hislip_refuses_what_is_out_of_order(bench, first, code):
    with serving(VirtualSource(bench), "hislip") as server, dial(server) as line:
        line.sendall(first)
        told = read_message(line)
        if told[0] == Kind.INITIALIZE_RESPONSE:
            told = read_message(line)
        assert told[:2] == (Kind.FATAL_ERROR, code)
        assert line.recv(1) == b""


def test_hislip_by_an_independent_client(bench):
    """pyvisa-py speaks to it: query, status, device clear, locks, small messages (independent code)."""
    with serving(VirtualSource(bench), "hislip") as server:
        manager = pyvisa.ResourceManager("@py")
        first, second = (manager.open_resource(server.address) for _ in range(2))
        try:
            assert first.query("*IDN?").startswith("Workshop,Virtual Source")
            first.clear()  # nothing is under way: this client does not drop what comes before the end of it
            assert first.query("OUTP?").strip() == "0"
            assert first.read_stb() == 0
            one, two = (one.visalib.sessions[one.session].interface for one in (first, second))
            assert one.async_lock_request(0.1) == "success"
            assert two.async_lock_request(0.05) == "failure"
            assert (two.async_lock_info(), one.async_lock_request(0.05)) == (1, "error")
            second.timeout = 100
            second.write("FREQ 4321")
            assert float(first.query("FREQ?")) == 1000  # the second waits until the lock is free
            assert one.async_lock_release() == "success"
            second.timeout = 5000
            assert float(second.query("FREQ?")) == 4321
            one.max_msg_size = HEADER.size + 4
            assert first.query("*IDN?").strip() == "Workshop,Virtual Source,0001,1.0"
        finally:
            first.close()
            second.close()


def test_a_client_that_goes_takes_its_lock_along(bench):
    with serving(VirtualSource(bench), "hislip") as server:
        manager = pyvisa.ResourceManager("@py")
        first = manager.open_resource(server.address)
        assert first.visalib.sessions[first.session].interface.async_lock_request(0.1) == "success"
        first.close()
        second = manager.open_resource(server.address)
        assert second.visalib.sessions[second.session].interface.async_lock_request(5.0) == "success"
        second.close()
        assert isinstance(server, HislipServer)


# --- every way a line ends ---


def recorded(link):
    link.write("SENS:SWE:POIN 1000;:INIT")
    assert link.ask("*OPC?") == "1"


@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize("after", [0, 1, 2, 4, 6, 7, 500, 1005, 1006])
def test_a_cable_out_at_every_place_of_a_block(bench, kind, after):
    """Nothing, in the head, behind it, in the data, before the end, before the trailer: one line, closed."""
    with serving(VirtualDigitizer(bench), kind) as server:
        link = Link(server.address, QUICK)
        link.open()
        recorded(link)
        bench.faults.add(Fault(FaultKind.CUT, value=after))
        with pytest.raises(InstrumentError) as raised:
            link.ask_block("TRAC:DATA? CHAN1", BlockFormat(), 1000)
        assert not link.is_open
        line = raised.value.one_line()
        assert "TRAC:DATA? CHAN1" in line
        assert "; next: " in line
        assert raised.value.__cause__ is None or not isinstance(raised.value.__cause__, AssertionError)


@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize(
    "fault",
    [
        "short-block",
        *(
            pytest.param(kind, marks=pytest.mark.soak)
            for kind in ("long-block", "wrong-digits", "silent", "dead-mid-block")
        ),
    ],
)
def test_a_broken_block_over_every_line(bench, kind, fault):
    with serving(VirtualDigitizer(bench), kind) as server:
        link = Link(server.address, QUICK)
        link.open()
        recorded(link)
        bench.faults.add(Fault(FaultKind(fault), times=1))
        with pytest.raises(InstrumentError):
            link.ask_block("TRAC:DATA? CHAN1", BlockFormat(), 1000)
        assert not link.is_open
        if kind == "serial" and fault == "dead-mid-block":
            return  # a port that has vanished does not come back
        link.open()
        assert link.ask("*IDN?").startswith("Workshop,Virtual Digitizer")
        assert len(link.ask_block("TRAC:DATA? CHAN1", BlockFormat(), 1000).data) == 1000
        link.close()


# --- serial ports ---

posix = pytest.mark.skipif(os.name != "posix", reason="pseudo-terminals are POSIX")


def test_ports_of_addresses(monkeypatch):
    assert port_of("ASRL/dev/ttyUSB0::INSTR") == "/dev/ttyUSB0"
    assert port_of("TCPIP::1.2.3.4::5025::SOCKET") is None
    assert port_of("asrl/dev/ttyACM1") == "/dev/ttyACM1"
    monkeypatch.setattr(sys, "platform", "win32")
    assert port_of("ASRL3::INSTR") == "COM3"


@posix
def test_a_port_is_opened_by_one_program_alone(bench):
    with serving(VirtualSource(bench), "serial") as server:
        first, second = Link(server.address, QUICK), Link(server.address, QUICK)
        first.open()
        with pytest.raises(InstrumentError, match=r"another program holds the serial port.*close that"):
            second.open()
        first.close()
        second.open()
        assert second.ask("OUTP?") == "0"
        second.close()


@posix
def test_ports_that_cannot_be_opened(tmp_path, monkeypatch):
    with pytest.raises(InstrumentError, match=r"there is no such serial port.*plug the cable in"):
        Link(f"ASRL{tmp_path}/none::INSTR", QUICK).open()
    (tmp_path / "file").touch()
    with pytest.raises(InstrumentError, match="the serial port cannot be used"):
        Link(f"ASRL{tmp_path}/file::INSTR", QUICK).open()
    monkeypatch.setattr("serial.Serial", refuse_permission)
    with pytest.raises(InstrumentError, match=r"may not open.*usermod -aG \w+ \$USER.*udev rule"):
        Link("ASRL/dev/null::INSTR", QUICK).open()


def refuse_permission(*_, **__):
    raise serial.SerialException(13, "could not open port /dev/null: [Errno 13] Permission denied")


@posix
def test_what_an_earlier_program_asked_for_is_dropped(bench):
    with serving(VirtualSource(bench), "serial") as server:
        handle = os.open(server.port, os.O_RDWR | os.O_NOCTTY)
        os.write(handle, b"*IDN?\n")
        until = time.monotonic() + PATIENCE_S
        while not select.select([handle], [], [], 0.01)[0] and time.monotonic() < until:
            pass
        os.close(handle)
        link = Link(server.address, QUICK)
        link.open()
        assert link.ask("OUTP?") == "0"
        link.close()


@posix
def test_a_port_that_vanishes_between_two_commands(bench):
    with serving(VirtualSource(bench), "serial") as server:
        link = Link(server.address, QUICK)
        link.open()
        assert link.ask("OUTP?") == "0"
    with pytest.raises(InstrumentError, match=r"does not answer.*; next: "):
        link.ask("OUTP?")
    assert not link.is_open
    with pytest.raises(InstrumentError, match="there is no such serial port"):
        link.open()


def test_a_system_without_pseudo_terminals_says_so(bench, monkeypatch):
    monkeypatch.setitem(sys.modules, "pty", None)
    with pytest.raises(InputError, match=r"no pseudo-terminals.*use a socket or hislip"):
        LINES["serial"](VirtualSource(bench))
