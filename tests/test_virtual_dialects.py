"""The virtual instruments speak what the exchanges of each family say, in their order."""

import math
import re

import numpy as np
import pytest

from exchange_files import families, load_exchanges
from whichcore.rig.virtual.bench import Bench, Hands
from whichcore.rig.virtual.dialects import DIGITIZERS, SOURCES
from whichcore.rig.virtual.dialects.dds_board import AnsweringBoard, MuteBoard
from whichcore.rig.virtual.dialects.scope import with_unit
from whichcore.rig.virtual.dialects.separate import engineering
from whichcore.rig.virtual.faults import Fault, FaultKind
from whichcore.rig.virtual.fixtures import fixture
from whichcore.rig.virtual.line import converse
from whichcore.rig.virtual.scpi import ScpiError

NUMBER = re.compile(r"[-+]?\d+(?:\.\d+)?(?:[eE][-+]?\d+)?")
OWN = ("PREamble", "BSWV?", "OFST?", "YZEro", "YOFf")  # answers whose numbers are the bench's own


class Clock:
    """Time that passes by a millisecond at each look, so that nobody waits."""

    def __init__(self):
        self.now = 0.0

    def __call__(self):
        self.now += 1e-3
        return self.now


@pytest.fixture
def bench():
    return Bench(Hands(item=fixture("load")), seed=5, clock=Clock())


def maker(family):
    return {**SOURCES, **DIGITIZERS}[family]


def said(instrument, line):
    return converse(instrument, line.encode() + b"\n").data


@pytest.mark.parametrize("family", families())
def test_the_exchanges_of_a_family(bench, family):
    """Same words, same form of each answer, same head and end of each block."""
    instrument = maker(family)(bench)
    asked = 0
    for sent, answer in load_exchanges(family).rows:
        got = said(instrument, sent)
        if "FOR" in sent.upper() or sent == "FRTR":
            bench._clock.now += 1.0  # the record fills
        if answer is None:
            assert got == b"", sent
            continue
        asked += 1
        if isinstance(answer, bytes):
            assert_same_block(got, answer, sent)
        elif any(own in sent for own in OWN):
            assert NUMBER.sub("#", got.decode().strip()) == NUMBER.sub("#", answer), sent
        else:
            assert alike(got.decode().strip(), answer), (sent, got, answer)
    assert asked > 4


def alike(got, wanted):
    """The same text, numbers of the same value."""
    same_text = NUMBER.sub("#", got) == NUMBER.sub("#", wanted)
    pairs = zip(NUMBER.findall(got), NUMBER.findall(wanted), strict=True) if same_text else [("1", "2")]
    return all(math.isclose(float(a), float(b), rel_tol=1e-6) for a, b in pairs)


def assert_same_block(got, wanted, sent):
    (before, head, data, trailer), (before_w, head_w, data_w, trailer_w) = map(parts, (got, wanted))
    assert alike(before, before_w), sent
    assert (head, len(data), trailer) == (head_w, len(data_w), trailer_w), sent


def parts(answer):
    """Text before, head, data, what is behind: by the length the block states."""
    at = answer.index(b"#")
    digits = int(answer[at + 1 : at + 2])
    begin = at + 2 + digits
    end = begin + int(answer[at + 2 : begin])
    return answer[:at].decode(), answer[at:begin], answer[begin:end], answer[end:]


SCALED = {
    "ten-field-preamble": lambda data, step: (np.frombuffer(data, np.uint8) - 127.0) * step,
    "separate-scaling": lambda data, step: np.frombuffer(data, ">i2") / 256 * step,
    "prefixed-reply": lambda data, step: np.frombuffer(data, np.int8) * step,
    "volts-block": lambda data, _: np.frombuffer(data, "<f4"),
    "inline-header": lambda data, step: np.frombuffer(data, ">i2") * step,
}
STEP_V = 8e-3  # computed: 1.6 V in 200 steps; what follows holds for 250 as well


@pytest.mark.parametrize("family", sorted(SCALED))
def test_every_scope_hands_out_the_same_tone(bench, family):
    """An open, 0.4 V of emf at 10 kHz: what each family's words say in volts (analytic: half of it peak)."""
    bench.change(hands=Hands(item=fixture("open")))
    SOURCES["scpi-source"](bench).execute("OUTP:LOAD INF;:FREQ 1e4;VOLT 0.4;:OUTP ON")
    bench.now()
    bench._clock.now += 1.0
    scope = DIGITIZERS[family](bench)
    block = None
    for sent, answer in load_exchanges(family).rows:
        if isinstance(answer, bytes):
            bench._clock.now += 1.0
        got = said(scope, re.sub(r"(STOP|NP,)( ?)16", r"\g<1>\g<2>10000", sent))
        if isinstance(answer, bytes) and block is None:
            block = parts(got)[2]
    volts = SCALED[family](block, STEP_V)
    volts = volts - volts.mean()
    # analytic: a sine of 0.2 V peak has 0.2/√2 rms; the bench's gains are off by up to a per cent and a half
    assert np.sqrt(np.mean(volts**2)) == pytest.approx(0.2 / math.sqrt(2), rel=0.03)


@pytest.mark.parametrize("family", sorted(SCALED))
def test_a_reset_scope_is_as_new(bench, family):
    scope = DIGITIZERS[family](bench)
    new = bench.digitizer
    scope.set_full_scale(0, 0.1)
    scope.set_division_s(3.1e-5)
    assert scope.division_s == 2e-5  # the nearest of 1, 2, 5 by its logarithm
    assert bench.digitizer != new
    bench.faults.add(Fault(FaultKind.RESET, times=1))
    said(scope, "*CLS")
    assert bench.digitizer == new
    with pytest.raises(ScpiError):
        scope.set_full_scale(0, 41.0)
    with pytest.raises(ScpiError):
        scope.codes(0)


def test_a_lost_trigger_is_never_complete(bench):
    scope = DIGITIZERS["ten-field-preamble"](bench)
    bench.faults.add(Fault(FaultKind.TRIGGER_LOST))
    for line in (":SINGle", ":TFORce"):
        assert said(scope, line) == b""
    bench._clock.now += 100.0
    assert said(scope, ":TRIGger:STATus?") == b"WAIT\n"
    bench.faults.clear()
    said(scope, ":TFORce")
    bench._clock.now += 100.0
    assert said(scope, ":TRIGger:STATus?") == b"STOP\n"


def test_swapped_bytes_headers_and_cuts(bench):
    scope = DIGITIZERS["inline-header"](bench)
    bench.faults.add(Fault(FaultKind.HEADER_ON))
    assert said(scope, ":TIMebase:SCALe?") == b":TIMEBASE:SCALE 1.000E-03\n"
    bench.faults.clear()
    for line in (":SINGle", ":FORCe"):
        said(scope, line)
    bench._clock.now += 100.0
    straight = parts(said(scope, ":ACQuire1:MEMory?"))[2]
    bench.faults.add(Fault(FaultKind.BYTE_ORDER))
    swapped = parts(said(scope, ":ACQuire1:MEMory?"))[2]
    assert np.array_equal(np.frombuffer(straight, ">i2"), np.frombuffer(swapped, "<i2"))
    assert straight != swapped
    bench.faults.clear()
    bench.faults.add(Fault(FaultKind.CUT, value=5))
    first = converse(scope, b":TIMebase:SCALe?\n")
    assert (first.data, first.hang_up) == (b"1.000", True)
    assert not converse(scope, b":TIMebase:SCALe?\n").hang_up


@pytest.mark.parametrize(
    ("text", "units", "value"),
    [("0.2V", "V", 0.2), ("14K", "", 14e3), ("2.5MV", "V", 2.5e-3), ("1e-6S", "S", 1e-6), ("3", "V", 3.0)],
)
def test_numbers_with_units(text, units, value):
    assert with_unit(text, units) == pytest.approx(value)  # analytic


def test_numbers_with_wrong_units():
    for text in ("", "V", "1Q"):
        with pytest.raises(ScpiError):
            with_unit(text, "V")
    assert [engineering(v) for v in (0.0, 1.0, 0.2, 5e6)] == ["0.0E+0", "1.0E0", "200.0000E-3", "5.0000E+6"]


def test_the_board_that_answers(bench):
    board = AnsweringBoard(bench)
    assert said(board, "?") == b"?\r\nDDS board, 28 bit, 1.0\r\n"
    assert said(board, "F1000") == b"F1000\r\nok\r\n"
    step = 25e6 / 2**28  # analytic
    assert bench.source.frequency_hz == pytest.approx(round(1000 / step) * step, rel=1e-12)
    for line in ("A123", "O1"):
        assert said(board, line).endswith(b"ok\r\n")
    assert (bench.source.level_vpp, bench.source.on) == (1.23, True)
    for wrong in ("A1.5", "A301", "F9e9", "Q", "F9000000"):
        assert said(board, wrong) == f"{wrong}\r\nerror\r\n".encode()


def test_the_board_that_says_nothing(bench):
    board = MuteBoard(bench)
    assert bench.source.on
    assert said(board, "W10737418") == b""
    assert bench.source.frequency_hz == pytest.approx(1e6, rel=1e-7)  # computed: 10737418 · 25 MHz/2^28
    assert said(board, "nonsense") == b""
