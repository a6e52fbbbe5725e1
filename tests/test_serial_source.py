"""Sources on a serial line: their tables, what is sent and understood, and every way the port fails."""

import os
import threading
import warnings
from contextlib import contextmanager
from dataclasses import replace
from importlib.resources import files

import pytest

from whichcore.errors import InputError, InstrumentError, WhichcoreWarning
from whichcore.rig.doctor import Status
from whichcore.rig.drivers.serial_source import SerialSource
from whichcore.rig.instruments import SourceLimits
from whichcore.rig.tables.command_table import load_table
from whichcore.rig.trials.serial import look_at_serial, try_serial_table
from whichcore.rig.virtual.bench import Bench, Hands
from whichcore.rig.virtual.dialects.dds_board import AnsweringBoard, MuteBoard
from whichcore.rig.virtual.faults import Fault, FaultKind
from whichcore.rig.virtual.fixtures import fixture
from whichcore.rig.virtual.serial_port import SerialServer

pytestmark = pytest.mark.skipif(os.name != "posix", reason="pseudo-terminals are POSIX")
STEP_HZ = 25e6 / 2**28  # analytic: clock over the size of the tuning word


class Heard:
    """What a board was told, in order."""

    def __init__(self, board):
        self.lines, self._execute = [], board.execute
        board.execute = self

    def __call__(self, line):
        self.lines.append(line)
        return self._execute(line)


@contextmanager
def board_on_a_port(kind):
    bench = Bench(Hands(item=fixture("load")), seed=5)
    board = kind(bench)
    heard = Heard(board)
    server = SerialServer(board)
    thread = threading.Thread(target=server.serve_forever, args=(0.02,))
    thread.start()
    try:
        yield bench, server, heard.lines
    finally:
        server.shutdown()
        server.server_close()
        thread.join(5)


def quick(name):
    table = load_table(name)
    return replace(table, line=replace(table.line, timeout_s=0.6, command_pause_s=0.0), settle_s=0.0)


@pytest.fixture
def answering():
    with board_on_a_port(AnsweringBoard) as (bench, server, heard):
        source = SerialSource(quick("serial-answering"), server.address)
        yield bench, source, heard, server
        source.close()


def test_an_exchange_in_order(answering):
    bench, source, heard, _ = answering
    assert source.identity == "DDS board, 28 bit, 1.0"
    source.frequency_hz = 1e4
    source.level_vpp = 0.519
    source.output_on()
    assert bench.source.on
    source.level_vpp = 0.515  # the same step: nothing to be said
    source.output_off()
    assert heard == ["?", "F9999.983", "A51", "O1", "O0"]  # computed: the nearest word, the step below
    assert not bench.source.on
    assert source.output_is_on() is None


def test_what_was_really_set_is_reported(answering):
    bench, source, _, _ = answering
    source.frequency_hz = 1e4
    word = round(1e4 / STEP_HZ)
    assert source.frequency_hz == pytest.approx(word * STEP_HZ, rel=1e-14)  # analytic
    assert bench.source.frequency_hz == pytest.approx(source.frequency_hz, rel=1e-12)
    assert source.nearest_hz(1e4) == source.frequency_hz
    source.level_vpp = 0.519
    assert source.level_vpp == pytest.approx(0.51)  # never above what was asked
    assert bench.source.level_vpp == pytest.approx(0.51)


def test_limits_and_coarse_steps(answering):
    _, source, heard, _ = answering
    for name, value in (("frequency_hz", 9e6), ("level_vpp", 3.1), ("level_vpp", 0.01), ("offset_v", 0.1)):
        with pytest.raises(InputError, match="outside the limits"):
            setattr(source, name, value)
    with pytest.raises(InputError, match=r"too coarse.*in steps of 0\.09313 Hz"):
        source.frequency_hz = 17.1
    assert "F" not in "".join(heard)
    narrow = SerialSource(source._table, source.address, SourceLimits((1e3, 1e5), (0.1, 1.0)))
    with pytest.raises(InputError, match="outside the limits"):
        narrow.level_vpp = 2.0


def test_a_board_that_says_nothing_stays_on_and_this_is_told():
    with board_on_a_port(MuteBoard) as (bench, server, heard):
        source = SerialSource(quick("serial-mute"), server.address)
        assert "says nothing" in source.identity
        assert source.limits.level_vpp == (1.0, 1.0)
        source.frequency_hz = 1e6
        source.level_vpp = 1.0
        source.output_on()
        with pytest.warns(WhichcoreWarning, match="cannot be switched off.*stays on at 1 V.*pull its cable"):
            source.output_off()
        with warnings.catch_warnings():
            warnings.simplefilter("error")
            source.output_off()  # told once
        while not heard:
            threading.Event().wait(0.01)
        assert heard == ["W10737418"]  # computed: 1 MHz · 2^28/25 MHz
        assert bench.source.on
        source.close()


def test_a_board_without_a_switch_goes_to_its_lowest_level(answering):
    bench, source, heard, server = answering
    table = replace(source._table, output_on=(), output_off=())
    stuck = SerialSource(table, server.address)
    stuck.level_vpp = 2.0
    with pytest.warns(WhichcoreWarning, match=r"stays on at 0\.02 V"):
        stuck.output_off()
    assert heard[-1] == "A2"
    assert bench.source.level_vpp == pytest.approx(0.02)
    stuck.close()


@pytest.mark.parametrize(
    ("fault", "changes", "told"),
    [
        ("silent", {}, "the board does not answer.*check baud_rate"),
        pytest.param("slow", {}, "the board does not answer", marks=pytest.mark.soak),
        ("wrong-identity", {}, "another instrument answers on this port.*Kettle"),
        ("endless-errors", {}, "the board does not take the command.*'error'"),
        (None, {"echo": False}, "sends the command back.*set echo = true"),
        ("echo", {}, "sends the command back.*twice"),
    ],
)
def test_each_fault_is_one_line_and_the_next_command_goes_on(answering, fault, changes, told):
    bench, source, _, server = answering
    if fault:
        bench.faults.add(Fault(FaultKind(fault), on="source", value=0.9))
    if changes:
        table = replace(source._table, identify=None, answers=replace(source._table.answers, **changes))
        source = SerialSource(table, server.address)
    with pytest.raises(InstrumentError, match=told) as raised:
        source.frequency_hz = 2e4
    assert "; next: " in raised.value.one_line()
    assert source.frequency_hz is None  # nobody knows what the board took
    bench.faults.clear()
    source.close()
    if changes:
        return
    threading.Event().wait(0.9 if fault == "slow" else 0.0)
    source.frequency_hz = 3e4
    assert source.frequency_hz == pytest.approx(3e4, rel=1e-5)


@pytest.mark.parametrize("after", [0, 1, 3, 9])
def test_a_port_that_vanishes(answering, after):
    bench, source, _, _ = answering
    source.level_vpp = 1.0
    bench.faults.add(Fault(FaultKind.CUT, on="source", value=after))
    with pytest.raises(InstrumentError, match=r"the serial port has gone|does not answer") as raised:
        source.frequency_hz = 1e5
    assert "; next: " in raised.value.one_line()
    with pytest.raises(InstrumentError, match="there is no such serial port"):
        source.output_off()


def test_a_reset_board_is_set_again_after_a_fault(answering):
    bench, source, _, _ = answering
    source.frequency_hz, source.level_vpp = 1e4, 1.0
    bench.faults.add(Fault(FaultKind.SILENT, on="source", times=1))
    with pytest.raises(InstrumentError):
        source.output_on()
    assert (source.frequency_hz, source.level_vpp) == (None, None)


def test_the_ends_of_the_band_are_not_passed(answering):
    """The nearest word to 8 MHz lies 7 mHz above it, which the board refuses (computed)."""
    _, source, _, _ = answering
    assert source._table.frequency.nearest(8e6)[0] > 8e6
    source.frequency_hz = 8e6
    assert source.frequency_hz == pytest.approx(8e6, abs=STEP_HZ)
    assert source.frequency_hz < 8e6


def line_of(text, section, key):
    lines = text.splitlines()
    begin = next(k for k, line in enumerate(lines) if line.startswith(f"[{section}]"))
    return next(k for k in range(begin, len(lines)) if lines[k].startswith(f"{key} =")) + 1


@pytest.mark.parametrize(
    ("old", "new", "check", "key"),
    [
        ("'(?i)dds'", "'kettle'", "answers", "identify.pattern"),
        ("echo = true ", "echo = false ", "answers", "answers.echo"),
        ("'^ok$'", "'^done$'", "output off", "answers.good"),
        ('"F{', '"Q{', "frequency 931.323 Hz", "frequency.command"),
        ('"A{', '"B{', "level 3 V", "level.command"),
        ('"O1"', '"X1"', "output on", "actions.output_on"),
        ('"O0"', '"X0"', "output off", "answers.good"),
    ],
)
def test_a_trial_names_the_line_that_is_wrong(tmp_path, old, new, check, key):
    text = (files("whichcore.rig.tables") / "serial-answering.toml").read_text(encoding="utf-8")
    assert old in text
    path = tmp_path / "board.toml"
    path.write_text(text.replace(old, new), encoding="utf-8")
    number = line_of(text, *key.split("."))
    with board_on_a_port(AnsweringBoard) as (bench, server, _):
        findings = list(try_serial_table(load_table(path), server.address))
        assert not bench.source.on
    bad = [one for one in findings if one.status is Status.BAD]
    assert [one.check for one in bad] == [check]
    assert bad[0] is findings[-1]
    assert bad[0].place == f"{path}, line {number}, {key}"
    assert bad[0].sent
    assert bad[0].remedy


def test_a_trial_of_a_sound_table_goes_through():
    with board_on_a_port(AnsweringBoard) as (bench, server, heard):
        findings = list(try_serial_table(load_table("serial-answering"), server.address))
        assert {one.status for one in findings} == {Status.GOOD}
        assert heard[-2:] == ["O1", "O0"]
        assert heard[-3] == "A2"  # it is switched on at its lowest level
        assert not bench.source.on
    mute = list(look_at_serial(load_table("serial-mute")))
    assert [one.check for one in mute if one.status is Status.DOUBTFUL] == ["answers", "identity", "output"]
    assert all(one.remedy and one.place for one in mute[1:])


def test_an_address_that_is_no_port():
    with pytest.raises(InstrumentError, match="not the address of a serial port"):
        SerialSource(load_table("serial-mute"), "TCPIP::127.0.0.1::1::SOCKET")


HEAD = 'format = "whichcore-instrument 1"\nkind = "serial-source"\ntitle = "a board"\n'
GOOD = (
    HEAD
    + "[link]\nbaud_rate = 9600\n[limits]\nfrequency_hz = [1.0, 1e6]\nlevel_vpp = [0.1, 2.0]\n"
    + "[load]\noutput_ohm = 50.0\nsetting = 50.0\n"
    + '[frequency]\ncommand = "F{frequency_hz:.0f}"\nstep_hz = 1.0\n'
    + '[level]\ncommand = "V{level_vpp:.2f}"\n'
)


@pytest.mark.parametrize(
    ("old", "new", "told"),
    [
        ("baud_rate = 9600", "", "link.baud_rate"),
        ("baud_rate = 9600", "baud_rate = 9600\nparity = 1", "unknown key"),
        ("F{frequency_hz:.0f}", "F{hertz}", "no such field here"),
        ("F{frequency_hz:.0f}", "F{word:d}", None),
        ("step_hz = 1.0", "step_hz = 1.0\nbits = 28", "step of a tuning word"),
        ("step_hz = 1.0", "bits = 65\nclock_hz = 1e6", "step of a tuning word"),
        ('"V{level_vpp:.2f}"', '"A{code:d}"', "volts of one step"),
        ('"V{level_vpp:.2f}"', '"A{code:d}"\nstep_vpp = 0.3', "less than one step"),
        ("[load]", '[answers]\ngood = "("\n[load]', "not a regular expression"),
        ("[load]", "[answers]\necho = 1\n[load]", "true or false"),
        ("[load]", '[actions]\noutput = "x"\n[load]', "unknown key"),
        ("level_vpp = [0.1, 2.0]", "", "level_vpp"),
    ],
)  # fmt: skip
def test_faults_of_a_table_name_their_key(tmp_path, old, new, told):
    path = tmp_path / "board.toml"
    assert old in GOOD
    path.write_text(GOOD.replace(old, new), encoding="utf-8")
    if told is None:
        load_table(path)
        return
    with pytest.raises(InputError, match=told) as raised:
        load_table(path)
    assert "board.toml" in raised.value.where


def test_a_level_into_a_load(tmp_path):
    """Told for 50 Ω, a level command says half of the open-circuit voltage (analytic)."""
    path = tmp_path / "board.toml"
    path.write_text(GOOD, encoding="utf-8")
    table = load_table(path)
    assert table.display_share == 0.5
    fixed = GOOD.replace('command = "V{level_vpp:.2f}"', "fixed_vpp = 0.5").replace(
        "level_vpp = [0.1, 2.0]\n", ""
    )
    path.write_text(fixed, encoding="utf-8")
    assert load_table(path).limits.level_vpp == (1.0, 1.0)
