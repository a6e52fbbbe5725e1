"""The drivers with the tables of each family, against the virtual instruments that speak its language."""

import math
import threading
from contextlib import contextmanager
from dataclasses import replace

import numpy as np
import pytest

from whichcore.analysis.phasor import fit_phasors
from whichcore.analysis.types import FlagKind
from whichcore.bench.virtual_fronts import virtual_digitizer
from whichcore.errors import Cancelled, InstrumentError
from whichcore.rig.drivers.scpi_digitizer import ScpiDigitizer
from whichcore.rig.drivers.scpi_source import ScpiSource
from whichcore.rig.tables.command_table import load_table
from whichcore.rig.virtual.bench import Bench, Hands
from whichcore.rig.virtual.dialects import DIGITIZERS, SOURCES
from whichcore.rig.virtual.faults import Fault, FaultKind
from whichcore.rig.virtual.fixtures import fixture
from whichcore.rig.virtual.server import InstrumentServer

FAMILIES = sorted(set(DIGITIZERS) - {"scpi-digitizer"})
GENERATORS = ("keyed-source", "one-line-source", "scpi-source")
soak = pytest.mark.soak
SOME = [
    pytest.param(family, marks=() if family == "inline-header" else soak) for family in FAMILIES
]  # every one of them is tried, one of them each time


@contextmanager
def served(bench, maker):
    server = InstrumentServer(maker(bench))
    thread = threading.Thread(target=server.serve_forever, args=(0.02,))
    thread.start()
    try:
        yield server.address
    finally:
        bench.faults.clear()
        bench.closing.set()
        server.shutdown()
        server.server_close()
        thread.join(60)


@pytest.fixture
def bench(monkeypatch):
    monkeypatch.setattr("whichcore.rig.lines.link.SILENCE_S", 0.3)
    bench = Bench(Hands(item=fixture("open")), seed=5)
    source = SOURCES["scpi-source"](bench)
    source.execute("OUTP:LOAD INF;:FREQ 1e5;VOLT 0.5;:OUTP ON")
    return bench


def quick(table):
    """Return a table that waits for less, and knows its own maker only, as an adapted one should."""
    return replace(
        table,
        identity=r"(?i)^(\*IDN )?workshop,",
        link=replace(table.link, timeout_s=1.0, block_timeout_s=1.0),
    )


def scope(family, address):
    return ScpiDigitizer(quick(virtual_digitizer(family)), address)


def record(digitizer, points=4000):
    digitizer.set_interval(1e-7)
    digitizer.set_points(points)
    for channel in range(2):
        digitizer.set_range(channel, 0.8)
    return digitizer.acquire(1e5, 0.0, threading.Event())


@pytest.mark.parametrize("family", FAMILIES)
def test_a_record_of_each_family(bench, family):
    with served(bench, DIGITIZERS[family]) as address:
        digitizer = scope(family, address)
        capture = record(digitizer)
        assert capture.samples.shape == (2, 4000)
        found = fit_phasors(capture, 1e5)
        # analytic: an open takes nothing; gains of source and range are off by up to 1.5 %
        assert abs(found.phasor_vpk[0]) == pytest.approx(0.25, rel=0.03)
        assert abs(found.phasor_vpk[1]) < 2e-3
        assert capture.interval_s == pytest.approx(1e-7, rel=0.3)  # the nearest of its times per division
        assert np.ptp(capture.samples[0].astype(float)) > 0
        digitizer.confirm()
        digitizer.close()


@pytest.mark.parametrize("family", SOME)
def test_a_probe_of_ten_is_scaled_back(bench, family):
    """What is told to the scope scales what it shows: ten times as much with the cable left as it is."""
    with served(bench, DIGITIZERS[family]) as address:
        digitizer = ScpiDigitizer(
            quick(virtual_digitizer(family)),
            address,
            replace(ScpiDigitizer(virtual_digitizer(family), address)._settings, probe_ratios=(10.0, 1.0)),
        )
        digitizer.set_interval(1e-7)
        digitizer.set_points(4000)
        digitizer.set_range(0, 8.0)
        digitizer.set_range(1, 0.8)
        found = fit_phasors(digitizer.acquire(1e5, 0.0, threading.Event()), 1e5)
        assert abs(found.phasor_vpk[0]) == pytest.approx(2.5, rel=0.03)  # analytic: ten times 0.25 V
        digitizer.close()


SILENT = "no answer in time"
FAULTS = [
    ("silent", "ten-field-preamble", SILENT),
    pytest.param("slow", "separate-scaling", SILENT, marks=soak),
    pytest.param("wrong-identity", "prefixed-reply", "another instrument", marks=soak),
    pytest.param("error-in-queue", "volts-block", "reports an error", marks=soak),
    pytest.param("endless-errors", "inline-header", "does not become empty", marks=soak),
    pytest.param("dead-mid-block", "prefixed-reply", "closed the connection", marks=soak),
    ("short-block", "inline-header", "stopped after|length|another number"),
    pytest.param("long-block", "volts-block", "does not end where it says|nobody asked for", marks=soak),
    pytest.param("wrong-digits", "separate-scaling", "length|digits|does not end", marks=soak),
    ("byte-order", "separate-scaling", "no multiples"),
    ("header-on", "ten-field-preamble", "headers are on"),
    ("echo", "prefixed-reply", "sends back|nobody asked for"),
    pytest.param("trigger-lost", "ten-field-preamble", "no trigger has come", marks=soak),
    ("trigger-lost", "prefixed-reply", "no trigger has come"),
]


def faulty(bench, kind):
    if kind == "error-in-queue":
        return None
    fault = Fault(FaultKind(kind), value=1.6)
    bench.faults.add(fault)
    return fault


@pytest.mark.parametrize(
    ("kind", "family", "told"),
    [
        *FAULTS,
        *(
            pytest.param(kind, family, r"\w", marks=soak)
            for kind in ("silent", "echo", "short-block", "long-block", "dead-mid-block", "trigger-lost")
            for family in FAMILIES
        ),
    ],
)
def test_a_fault_is_one_line_and_the_same_driver_goes_on(bench, kind, family, told):
    with served(bench, DIGITIZERS[family]) as address:
        digitizer = scope(family, address)
        good = record(digitizer)
        if kind == "wrong-identity":
            digitizer.close()  # who is there is asked on a new connection
        if kind == "error-in-queue":
            poke(address, b"NONSENSE:COMMAND 1\n")
        faulty(bench, kind)
        with pytest.raises(InstrumentError, match=told) as raised:
            record(digitizer, 3000)
        line = raised.value.one_line()
        assert "\n" not in line
        assert "; next: " in line
        bench.faults.clear()
        again = record(digitizer)
        assert again.samples.shape == good.samples.shape
        assert again.volts_per_code == good.volts_per_code
        digitizer.close()


def poke(address, line):
    import socket  # noqa: PLC0415 - one test

    _, host, port, _ = [part for part in address.split("::") if part]
    with socket.create_connection((host, int(port)), 5) as other:
        other.sendall(line + b"*IDN?\n")
        other.recv(100)


def test_volts_in_the_other_byte_order_are_no_tone(bench):
    """Numbers of any size are no fault of the line; what they are not is a tone that could be measured."""
    with served(bench, DIGITIZERS["volts-block"]) as address:
        digitizer = scope("volts-block", address)
        record(digitizer)
        faulty(bench, "byte-order")
        found = fit_phasors(record(digitizer), 1e5)
        assert found.has(FlagKind.CLIPPED) or found.has(FlagKind.FREQUENCY_NOT_FOUND)
        digitizer.close()


@pytest.mark.parametrize("family", SOME)
def test_settings_that_are_lost_are_seen(bench, family):
    with served(bench, DIGITIZERS[family]) as address:
        digitizer = scope(family, address)
        record(digitizer)
        bench.faults.add(Fault(FaultKind.RESET, times=1))
        with pytest.raises(InstrumentError, match=r"no longer set as it was.*in place of.*the same command"):
            digitizer.confirm()
        record(digitizer)
        digitizer.confirm()
        digitizer.close()


@pytest.mark.parametrize("name", GENERATORS)
def test_generators_set_what_they_are_told_and_notice_a_reset(bench, name):
    with served(bench, SOURCES[name]) as address:
        source = ScpiSource(quick(load_table(name)), address)
        source.output_off()
        assert not bench.source.on
        source.frequency_hz, source.level_vpp, source.offset_v = 2.5e4, 0.4, 0.01
        source.output_on()
        front = bench.source
        assert front.on
        assert front.frequency_hz == pytest.approx(2.5e4, rel=1e-9)
        # analytic: told for an open output, the display says the open-circuit voltage
        assert (front.level_vpp / front.display_share, front.offset_v / front.display_share) == pytest.approx(
            (0.4, 0.01)
        )
        assert math.isinf(front.load_ohm)
        source.confirm()
        bench.faults.add(Fault(FaultKind.RESET, on="source", times=1))
        with pytest.raises(InstrumentError, match="the output is off, though it was switched on"):
            source.confirm()
        source.level_vpp = 0.3
        assert bench.source.level_vpp / bench.source.display_share == pytest.approx(0.3)
        source.output_off()
        source.close()


def test_a_record_that_waits_for_its_trigger_can_be_stopped(bench):
    with served(bench, DIGITIZERS["ten-field-preamble"]) as address:
        digitizer = scope("ten-field-preamble", address)
        record(digitizer)
        bench.faults.add(Fault(FaultKind.TRIGGER_LOST))
        cancel = threading.Event()
        cancel.set()
        with pytest.raises(Cancelled):
            digitizer.acquire(1e5, 0.0, cancel)
        digitizer.close()
