"""Drivers against ordered exchanges of command and reply over a real socket, with nothing left over."""

import os
import socket
import subprocess
import sys
import threading
import time
from importlib.resources import files

import numpy as np
import pytest

from scripted import CLOSE, SILENCE, quick
from whichcore.errors import Cancelled, InputError, InstrumentError
from whichcore.rig.drivers.scpi_digitizer import ChannelSettings, ScpiDigitizer
from whichcore.rig.drivers.scpi_source import ScpiSource
from whichcore.rig.instruments import SourceLimits
from whichcore.rig.lines.address_lock import AddressLock
from whichcore.rig.lines.block import BlockFormat
from whichcore.rig.lines.link import Link, LinkSettings
from whichcore.rig.tables.command_table import load_table, shipped_tables

IDN = ("*IDN?", "Workshop,Generator,1,0.1")
OK = ("SYSTem:ERRor?", '0,"No error"')
SOURCE_PREPARE = [
    ("SOURce:FUNCtion:SHAPe SINusoid", None),
    ("UNIT:VOLTage VPP", None),
    ("OUTPut:LOAD INFinity", None),
    OK,
]
DIGITIZER_PREPARE = [
    ("FORMat:DATA INTeger,8", None),
    *[
        (command, None)
        for c in "12"
        for command in (f"INPut{c}:COUPling DC", f"INPut{c}:ATTenuation 1", f"SENSe:VOLTage{c}:OFFSet 0")
    ],
    OK,
]
OFF = ("OUTPut:STATe OFF", None)


@pytest.fixture(autouse=True)
def quick_tables(monkeypatch):
    """Silence of a tenth of a second is enough on a loop-back line."""
    monkeypatch.setattr("whichcore.rig.lines.link.SILENCE_S", 0.2)


def make_source(server, **more):
    return ScpiSource(quick(load_table("scpi-source")), server.address, **more)


def make_digitizer(server, **more):
    return ScpiDigitizer(quick(load_table("scpi-digitizer")), server.address, **more)


def block(codes, *, says=None, trailer=b"\n"):
    data = np.asarray(codes, dtype=np.int8).tobytes()
    length = str(len(data) if says is None else says).encode()
    return b"#" + str(len(length)).encode() + length + data + trailer


def test_source_exchanges(script):
    server = script(
        [
            IDN,
            OK,
            *SOURCE_PREPARE,
            ("SOURce:FREQuency 10000", None),
            OK,
            ("SOURce:VOLTage 0.25", None),
            OK,
            ("SOURce:VOLTage:OFFSet 0.01", None),
            OK,
            ("OUTPut:STATe ON", None),
            OK,
            ("OUTPut:STATe?", "1"),
            ("OUTPut:STATe OFF", None),
            ("OUTPut:STATe?", "0"),
        ]
    )
    source = make_source(server)
    source.frequency_hz = 10e3
    source.frequency_hz = 10e3  # nothing is sent twice
    source.level_vpp = 0.25
    source.offset_v = 0.01
    source.output_on()
    assert source.output_is_on() is True
    source.output_off()
    assert (source.frequency_hz, source.level_vpp, source.offset_v) == (10e3, 0.25, 0.01)
    assert source.identity == IDN[1]
    source.close()


def test_a_display_for_50_ohm_is_told_half(script, tmp_path):
    text = load_text("scpi-source").replace('setting = "open"', "setting = 50.0")
    text = text.replace("OUTPut:LOAD INFinity", "OUTPut:LOAD 50")
    (tmp_path / "own.toml").write_text(text, encoding="utf-8")
    prepare = [*SOURCE_PREPARE[:2], ("OUTPut:LOAD 50", None), OK]
    server = script([IDN, OK, *prepare, ("SOURce:VOLTage 0.5", None), OK])
    source = ScpiSource(load_table(tmp_path / "own.toml"), server.address)
    source.level_vpp = 1.0  # analytic: 50/(50 + 50) of the open-circuit voltage
    source.close()


def load_text(name):
    return (files("whichcore.rig.tables") / f"{name}.toml").read_text(encoding="utf-8")


@pytest.mark.parametrize(
    ("name", "value"),
    [("frequency_hz", 31e6), ("frequency_hz", 0.0), ("level_vpp", 21.0), ("level_vpp", float("nan"))],
)
def test_nothing_is_sent_outside_the_limits(script, name, value):
    source = make_source(script())
    with pytest.raises(InputError, match="limits"):
        setattr(source, name, value)


def test_narrower_limits_hold(script):
    source = make_source(script(), limits=SourceLimits((1e3, 1e6), (0.01, 2.0)))
    with pytest.raises(InputError, match=r"0.01 to 2 V"):
        source.level_vpp = 3.0


def test_digitizer_exchanges_and_scaling(script):
    codes = [[-100, 0, 100, 127] * 8, [1, 2, 3, -128] * 8]
    server = script(
        [
            IDN,
            OK,
            *DIGITIZER_PREPARE,
            ("SENSe:SWEep:TINTerval 1e-06", None),
            ("SENSe:SWEep:TINTerval?", "1.024E-06"),
            OK,
            ("SENSe:SWEep:POINts 32", None),
            OK,
            ("SENSe:VOLTage1:RANGe 1.6", None),
            ("SENSe:VOLTage1:RANGe?", "1.6E+00"),
            OK,
            ("SENSe:VOLTage2:RANGe 40", None),
            ("SENSe:VOLTage2:RANGe?", "40"),
            OK,
            ("INITiate", None),
            ("*OPC?", "1"),
            ("SENSe:VOLTage1:SCALe?", "6.25E-03"),
            ("SENSe:VOLTage1:ZERO?", "1E-3"),
            ("TRACe:DATA? CHANnel1", block(codes[0])),
            ("SENSe:VOLTage2:SCALe?", "0.15625"),
            ("SENSe:VOLTage2:ZERO?", "0"),
            ("TRACe:DATA? CHANnel2", block(codes[1])),
            OK,
            # the scale is not asked again as long as no range changes
            ("INITiate", None),
            ("*OPC?", "1"),
            ("TRACe:DATA? CHANnel1", block(codes[1])),
            ("TRACe:DATA? CHANnel2", block(codes[0])),
            OK,
        ]
    )
    digitizer = make_digitizer(server)
    assert digitizer.set_interval(1e-6) == 1.024e-6  # computed: what the script answers
    digitizer.set_points(32)
    digitizer.set_range(0, 1.6)
    capture = digitizer.acquire(100e3, 2.5, threading.Event())
    assert capture.samples.dtype == np.int8
    assert capture.samples.tolist() == codes
    assert capture.volts_per_code == (6.25e-3, 0.15625)  # computed: what the script answers
    assert capture.offset_v == (1e-3, 0.0)
    assert (capture.interval_s, capture.start_time_s, capture.frequency_hz) == (1.024e-6, 2.5, 100e3)
    assert capture.range_labels == ("1.6V", "40V")
    assert capture.clip_codes == ((-128, 127), (-128, 127))
    assert digitizer.acquire(100e3, 0.0, threading.Event()).samples.tolist() == codes[::-1]
    digitizer.close()


def ready_digitizer(*exchanges, then=None):
    first = [IDN, OK, *DIGITIZER_PREPARE]
    for c in "12":
        first += [
            (f"SENSe:VOLTage{c}:RANGe 40", None),
            (f"SENSe:VOLTage{c}:RANGe?", "40"),
            OK,
        ]
    setting = [
        ("SENSe:SWEep:TINTerval 1e-06", None),
        ("SENSe:SWEep:TINTerval?", "1E-06"),
        OK,
        ("SENSe:SWEep:POINts 32", None),
        OK,
    ]
    scripts = [[*first, *setting, ("INITiate", None), ("*OPC?", "1"), *exchanges]]
    return scripts + ([then] if then is not None else [])


def acquire(digitizer):
    assert digitizer.ranges_vpp == (40, 40)
    digitizer.set_interval(1e-6)
    digitizer.set_points(32)
    return digitizer.acquire(100e3, 0.0, threading.Event())


ABORT = ("ABORt", None)  # SCPI-1999, volume 2, 24 (from memory): the trigger system goes idle
AGAIN = [IDN, ABORT, OK, OK]
ASK_A = "TRACe:DATA? CHANnel1"
SCALE_A = [("SENSe:VOLTage1:SCALe?", "6.25E-03"), ("SENSe:VOLTage1:ZERO?", "0")]


@pytest.mark.parametrize(
    ("reply", "what"),
    [
        (block([0] * 16, says=32, trailer=b""), "stopped|closed"),
        (block([0] * 16, trailer=b"\n"), "another length"),
        (block([0] * 40, says=32), "does not end where it says"),
        (block([0] * 40), "another length"),
        (b"\x00\x01\x02\n", "no block"),
        (b"#0abc\n", "does not state its length"),
        (b"#2ab\n", "length of the block cannot be read"),
        (block([0] * 20, says=32, trailer=b"HANGUP"), "stopped|closed"),
        (CLOSE, "closed the connection"),
        (SILENCE, "no answer in time"),
    ],
)
def test_a_broken_block_is_one_error_and_the_next_command_works(script, reply, what):
    server = script(*ready_digitizer(*SCALE_A, (ASK_A, reply), then=list(AGAIN)))
    digitizer = make_digitizer(server)
    with pytest.raises(InstrumentError, match=what) as caught:
        acquire(digitizer)
    error = caught.value
    assert server.address in error.where
    assert ASK_A in error.where
    assert error.next_step
    assert "\n" not in error.one_line()
    server._stop.set()
    digitizer.check_errors()  # a new connection, asked who it is, its queue emptied
    digitizer.close()


def test_a_long_record_cut_short_says_so_before_the_deadline(script):
    head = b"#532768" + bytes(20_000) + b"HANGUP"
    server = script([("DATA?", head)])
    link = Link(server.address, LinkSettings(timeout_s=30, block_timeout_s=30))
    link.open()
    with pytest.raises(InstrumentError, match=r"closed the connection after 20006 of 32768 bytes"):
        link.ask_block("DATA?", BlockFormat(), 32768)
    assert not link.is_open


def test_a_line_that_drips_meets_the_deadline():
    """Each byte comes within the patience for silence; only a deadline for the whole ends it."""
    with socket.create_server(("127.0.0.1", 0)) as listener:
        stop = threading.Event()

        def drip():
            connection, _ = listener.accept()
            with connection:
                connection.recv(100)
                while not stop.wait(0.02):
                    try:
                        connection.sendall(b"x")
                    except OSError:
                        return

        thread = threading.Thread(target=drip, daemon=True)
        thread.start()
        address = f"TCPIP::127.0.0.1::{listener.getsockname()[1]}::SOCKET"
        link = Link(address, LinkSettings(timeout_s=0.3))
        link.open()
        with pytest.raises(InstrumentError, match="did not end in time"):
            link.ask("*IDN?")
        stop.set()
        thread.join(5)


def test_closed_port():
    with socket.create_server(("127.0.0.1", 0)) as listener:
        port = listener.getsockname()[1]
    source = ScpiSource(load_table("scpi-source"), f"TCPIP::127.0.0.1::{port}::SOCKET")
    with pytest.raises(InstrumentError) as caught:
        source.frequency_hz = 1e3
    assert f"::{port}::" in caught.value.where
    assert caught.value.next_step
    with pytest.raises(InstrumentError):
        source.output_off()


@pytest.mark.parametrize(
    "address", ["nonsense", "TCPIP::no.such.host.invalid::1::SOCKET", "ASRL/dev/none::INSTR"]
)
def test_an_address_that_leads_nowhere(address):
    source = ScpiSource(quick(load_table("scpi-source")), address)
    with pytest.raises(InstrumentError) as caught:
        _ = source.identity
    assert address in caught.value.where


def test_wrong_identity(script, tmp_path):
    text = load_text("scpi-source").replace("'^[^,]+,[^,]+,[^,]*,.*$'", "'Oven'")
    (tmp_path / "own.toml").write_text(text, encoding="utf-8")
    server = script([IDN], [("*IDN?", "Oven,1"), OK])
    source = ScpiSource(load_table(tmp_path / "own.toml"), server.address)
    with pytest.raises(InstrumentError, match="another instrument") as caught:
        _ = source.identity
    assert "Workshop" in caught.value.got
    assert "Oven" in caught.value.allowed
    assert source.identity == "Oven,1"  # once the right one is connected
    source.close()


def test_silent_instrument(script):
    server = script([("*IDN?", SILENCE)])
    with pytest.raises(InstrumentError, match="no answer in time"):
        _ = make_source(server).identity


def test_an_error_in_the_queue_is_raised_and_the_queue_emptied(script):
    server = script(
        [
            IDN,
            OK,
            *SOURCE_PREPARE,
            ("SOURce:FREQuency 1000", None),
            ("SYSTem:ERRor?", '-222,"Data out of range"'),
            ("SYSTem:ERRor?", '-113,"Undefined header"'),
            OK,
            # the connection is still in step: nothing is opened anew, and the value counts as not set
            ("SOURce:FREQuency 1000", None),
            OK,
        ]
    )
    source = make_source(server)
    with pytest.raises(InstrumentError, match="reports an error") as caught:
        source.frequency_hz = 1e3
    assert caught.value.got == '-222,"Data out of range"; -113,"Undefined header"'
    assert source.frequency_hz is None
    source.frequency_hz = 1e3
    source.close()


def test_old_errors_are_read_at_the_start_and_kept(script):
    server = script([IDN, ("SYSTem:ERRor?", '-410,"Query INTERRUPTED"'), OK, OK])
    source = make_source(server)
    source.check_errors()
    assert source.old_errors == ('-410,"Query INTERRUPTED"',)
    source.close()


def test_an_endless_queue_ends(script):
    bad = ("SYSTem:ERRor?", '-100,"Command error"')
    server = script([IDN, *[bad] * 30, ("*CLS", None), bad])
    with pytest.raises(InstrumentError, match="does not become empty"):
        make_source(server).check_errors()


@pytest.mark.parametrize("answer", ["abc", "", "9.91E37", "1,2"])
def test_an_answer_that_is_no_number(script, answer):
    server = script(
        [
            IDN,
            OK,
            *DIGITIZER_PREPARE,
            ("SENSe:SWEep:TINTerval 1e-06", None),
            ("SENSe:SWEep:TINTerval?", answer),
        ]
    )
    digitizer = make_digitizer(server)
    with pytest.raises(InstrumentError, match="not what was asked for"):
        digitizer.set_interval(1e-6)
    digitizer.close()


def test_an_answer_of_several_lines_is_refused_in_one(script):
    server = script([IDN, OK, ("OUTPut:STATe?", b"OUTPut:STATe?\n0\n")])
    source = make_source(server)
    with pytest.raises(InstrumentError, match="several lines where one was expected") as caught:
        source.output_is_on()
    assert "\n" not in caught.value.one_line()
    source.close()


def test_output_off_is_tried_on_a_new_connection(script):
    server = script(
        [IDN, OK, *SOURCE_PREPARE, ("OUTPut:STATe ON", None), ("SYSTem:ERRor?", CLOSE)],
        [IDN, OK, ("OUTPut:STATe OFF", None), ("OUTPut:STATe?", "0")],
    )
    source = make_source(server)
    with pytest.raises(InstrumentError):
        source.output_on()
    source.output_off()
    source.close()


def test_a_source_that_answers_no_more_is_told_to_switch_off(script):
    """The third connection asks nothing: the command may still be heard, where answers are lost."""
    server = script(
        [IDN, OK, OFF, ("OUTPut:STATe?", CLOSE)],
        [("*IDN?", CLOSE)],
        [OFF],
    )
    source = ScpiSource(quick(load_table("scpi-source")), server.address)
    with pytest.raises(InstrumentError, match=r"\*IDN\?"):
        source.output_off()
    wait_for(lambda: not server.left[2])


def test_nothing_is_told_to_whom_nobody_has_asked_who_it_is(script):
    server = script([("*IDN?", CLOSE)], [("*IDN?", CLOSE)])
    source = ScpiSource(quick(load_table("scpi-source")), server.address)
    with pytest.raises(InstrumentError, match="does not answer"):
        source.output_off()
    assert server.faults == []


def wait_for(done):
    """Give the server's thread a moment to take what was sent."""
    for _ in range(6000):  # a minute
        if done():
            return
        time.sleep(0.01)
    raise AssertionError("it did not come")


def test_an_output_that_stays_on_is_told(script):
    stays = [("OUTPut:STATe OFF", None), ("OUTPut:STATe?", "1")]
    server = script([IDN, OK, *stays, *stays])
    source = make_source(server)
    with pytest.raises(InstrumentError, match="stays on") as caught:
        source.output_off()
    assert "by hand" in caught.value.next_step
    source.close()


def test_cancel_while_the_record_fills(script):
    scripts = ready_digitizer()
    scripts[0] = [*scripts[0][:-1], ABORT]  # *OPC? is not asked any more
    server = script(scripts[0])
    digitizer = make_digitizer(server)
    assert digitizer.ranges_vpp == (40, 40)
    digitizer.set_interval(1e-6)
    digitizer.set_points(32)
    cancel = threading.Event()
    cancel.set()
    with pytest.raises(Cancelled):
        digitizer.acquire(100e3, 0.0, cancel)
    digitizer.close()


def test_windows_big_endian_words_and_an_inline_header(script, tmp_path):
    text = load_text("scpi-digitizer")
    for old, new in {
        'ask = "TRACe:DATA? CHANnel{channel}"': 'ask = "WAV? {channel},{first},{last}"',
        'before = "" ': 'before = "*" ',
        'dtype = "int8"': 'dtype = "int16"',
        'byte_order = "little"': 'byte_order = "big"',
        "window_points = 0 ": "window_points = 20 ",
        'formula = "linear"': 'formula = "reference"',
        'zero = { ask = "SENSe:VOLTage{channel}:ZERO?", reply = "number" }': (
            'origin = { ask = "PRE? {channel}", field = 1 }\n'
            'reference = { ask = "PRE? {channel}", field = 2 }'
        ),
    }.items():
        assert old in text
        text = text.replace(old, new)
    (tmp_path / "own.toml").write_text(text, encoding="utf-8")
    codes = (np.arange(-16, 16) * 1000).astype(">i2")
    parts = [b"WF DAT2," + b"#240" + codes[:20].tobytes() + b"\n", b"C1#224" + codes[20:].tobytes() + b"\n"]
    scripts = ready_digitizer(
        *[
            exchange
            for c in "12"
            for exchange in (
                (f"SENSe:VOLTage{c}:SCALe?", "C1:VDIV 2.00E-03V"),
                (f"PRE? {c}", "0,0.5,7"),  # asked once for both of its numbers
                (f"WAV? {c},1,20", parts[0]),
                (f"WAV? {c},21,32", parts[1]),
            )
        ],
        OK,
    )
    server = script(*scripts)
    digitizer = ScpiDigitizer(load_table(tmp_path / "own.toml"), server.address)
    capture = acquire(digitizer)
    assert capture.samples.dtype == np.dtype("int16").newbyteorder("=")
    assert capture.samples[0].tolist() == codes.tolist()
    # analytic: (code − 7)·2 mV + 0.5 V
    assert capture.volts_per_code[0] == 2e-3
    assert capture.offset_v[0] == pytest.approx(0.5 - 14e-3, rel=1e-12)
    digitizer.close()


def test_probe_ratio_and_swapped_channels(script):
    prepare = [("FORMat:DATA INTeger,8", None)]
    for c, ratio in (("2", "10"), ("1", "1")):
        prepare += [
            (f"INPut{c}:COUPling AC", None),
            (f"INPut{c}:ATTenuation {ratio}", None),
            (f"SENSe:VOLTage{c}:OFFSet 0", None),
        ]
    server = script(
        [IDN, OK, *prepare, OK, ("SENSe:VOLTage2:RANGe 400", None), ("SENSe:VOLTage2:RANGe?", "400"), OK]
    )
    digitizer = make_digitizer(server, settings=ChannelSettings(("2", "1"), "AC", (10.0, 1.0)))
    assert digitizer.limits.ranges_vpp[0][0] == pytest.approx(0.8)  # analytic: ten times 0.08 V
    assert digitizer.set_range(0, 400.0) == 400
    digitizer.close()
    with pytest.raises(InputError, match="no such channel"):
        make_digitizer(server, settings=ChannelSettings(("1", "3")))


def test_consecutive_writes_are_not_delayed(script):
    server = script([("A", None), ("B", None), ("C?", "1")])
    link = Link(server.address, LinkSettings())
    link.open()
    assert link._socket().getsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY)
    link.write("A")
    link.write("B")
    assert link.ask("C?") == "1"
    link.close()
    link.close()
    with pytest.raises(InstrumentError, match="does not answer"):
        link.write("D")


class TestTables:
    def test_every_shipped_table_loads(self):
        assert {"scpi-digitizer", "scpi-source"} <= set(shipped_tables())
        for name in shipped_tables():
            load_table(name)

    @pytest.mark.parametrize(
        ("old", "new", "what"),
        [
            ('kind = "source"', 'kind = "oven"', "does not fit"),
            ("settle_s", "setle_s", "did you mean settle_s"),
            ("{frequency_hz:.10g}", "{frequency:.10g}", "no such field"),
            ("{frequency_hz:.10g}", "{frequency_hz.__class__}", "no such field"),
            ("{frequency_hz:.10g}", "{frequency_hz!r}", "not the format"),
            ("{frequency_hz:.10g}", "{frequency_hz", "braces"),
            ("'^[^,]+,[^,]+,[^,]*,.*$'", "'('", "regular expression"),
            ("[1e-3, 30e6]", "[30e6, 1e-3]", "lowest, highest"),
            ("timeout_s = 5.0", "timeout_s = true", "number of"),
            ('level = "SOURce:VOLTage {level_vpp:.6g}"\n', "", "key is missing"),
            ('format = "whichcore-instrument 1"', 'format = "2"', "format"),
            ("[errors]", "[errors", "TOML"),
        ],
    )
    def test_faults_name_their_key(self, tmp_path, old, new, what):
        text = load_text("scpi-source")
        assert old in text
        path = tmp_path / "own.toml"
        path.write_text(text.replace(old, new), encoding="utf-8")
        with pytest.raises(InputError, match=what) as caught:
            load_table(path)
        assert "own.toml" in caught.value.where

    @pytest.mark.parametrize(
        ("old", "new", "what"),
        [
            ('formula = "linear"', 'formula = "code*scale"', "linear"),
            ('dtype = "int8"', 'dtype = "object"', "int8"),
            ("0.08, 0.16", "0.16, 0.08", "rising"),
            ("zero = {", "nought = {", "key is missing"),
        ],
    )
    def test_faults_of_a_digitizer(self, tmp_path, old, new, what):
        path = tmp_path / "own.toml"
        text = load_text("scpi-digitizer")
        assert old in text
        path.write_text(text.replace(old, new), encoding="utf-8")
        with pytest.raises(InputError, match=what):
            load_table(path)

    def test_unknown_name(self, tmp_path):
        with pytest.raises(InputError, match="scpi-source"):
            load_table("scpi-oven")
        with pytest.raises(InputError, match="cannot be read"):
            load_table(tmp_path / "none.toml")


class TestLock:
    def test_one_program_at_a_time(self, tmp_path):
        lock = AddressLock(tmp_path / "locks", "TCPIP::127.0.0.1::1::SOCKET")
        with lock:
            with pytest.raises(InstrumentError, match="another program") as caught:
                AddressLock(tmp_path / "locks", "tcpip::127.0.0.1::1::socket").acquire()
            assert str(os.getpid()) in caught.value.got
            with AddressLock(tmp_path / "locks", "TCPIP::127.0.0.1::2::SOCKET"):
                pass
        with AddressLock(tmp_path / "locks", "TCPIP::127.0.0.1::1::SOCKET"):
            pass

    def test_a_killed_program_lets_go(self, tmp_path):
        code = (
            "import sys, time, pathlib; from whichcore.rig.lines.address_lock import AddressLock\n"
            "AddressLock(pathlib.Path(sys.argv[1]), 'A').acquire(); print('held', flush=True); time.sleep(60)"
        )
        with subprocess.Popen(
            [sys.executable, "-c", code, str(tmp_path)], stdout=subprocess.PIPE, text=True
        ) as child:
            assert child.stdout.readline() == "held\n"
            with pytest.raises(InstrumentError, match=f"process {child.pid}"):
                AddressLock(tmp_path, "A").acquire()
            child.kill()
            child.wait()
        with AddressLock(tmp_path, "A"):
            pass

    def test_a_folder_that_cannot_be(self, tmp_path):
        (tmp_path / "file").write_text("", encoding="utf-8")
        with pytest.raises(InstrumentError, match="reserved"):
            AddressLock(tmp_path / "file", "A").acquire()
