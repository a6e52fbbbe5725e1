"""What instruments of the five families do wrong: one clear line each, and the connection works again."""

import threading

import numpy as np
import pytest

from exchange_files import families, load_exchanges
from scripted import Peer, quick
from whichcore.errors import InputError, InstrumentError
from whichcore.rig.drivers.scpi_digitizer import ScpiDigitizer
from whichcore.rig.drivers.scpi_source import ScpiSource
from whichcore.rig.lines.block import BlockFormat, read_block
from whichcore.rig.tables.command_table import load_table
from whichcore.rig.trials.record_sense import misread, roughness


@pytest.fixture(autouse=True)
def short_silence(monkeypatch):
    """A fifth of a second is enough on a loop-back line."""
    monkeypatch.setattr("whichcore.rig.lines.link.SILENCE_S", 0.1)


@pytest.fixture
def peer():
    peers = []

    def make(answers):
        peers.append(Peer(answers))
        return peers[-1]

    yield make
    for each in peers:
        each.close()


def answers_of(family):
    """Return the answers of a family by their question, the last one of each."""
    return {sent: answer for sent, answer in load_exchanges(family).rows if answer is not None}


def scope(family, address):
    return ScpiDigitizer(quick(load_table(family)), address)


def measure(digitizer, family):
    """Set and take a record as the exchanges do."""
    drive = load_exchanges(family).drive
    digitizer.set_interval(drive["interval_s"])
    digitizer.set_points(drive["points"])
    for channel in range(2):
        digitizer.set_range(channel, drive["ranges_vpp"][channel])
    return digitizer.acquire(312500.0, 0.0, threading.Event())


def block_question(family):
    return next(sent for sent, answer in load_exchanges(family).rows if isinstance(answer, bytes))


def fails(family, peer, question, answer, what):
    """Measure with one answer wrong; then with the right one, and nothing else done about it."""
    right = answers_of(family)
    server = peer({**right, question: answer})
    digitizer = scope(family, server.address)
    with pytest.raises(InstrumentError, match=what) as caught:
        measure(digitizer, family)
    line = caught.value.one_line()
    assert server.address in line
    assert "next: " in line
    assert "\n" not in line
    server.answers[question] = right[question]
    assert measure(digitizer, family).samples.shape == (2, 16)
    digitizer.close()
    return caught.value


SCOPES = families("digitizer")


class TestBlocks:
    @pytest.mark.parametrize("family", SCOPES)
    def test_short(self, peer, family):
        question = block_question(family)
        fails(family, peer, question, answers_of(family)[question][:-9], "stopped after|another length")

    @pytest.mark.parametrize("family", SCOPES)
    def test_long(self, peer, family):
        """Three bytes too many in front of the end: they are not taken for the end."""
        question = block_question(family)
        right = answers_of(family)[question]
        fails(family, peer, question, right[:-2] + b"*\x15\x07" + right[-2:], "does not end where it says")

    @pytest.mark.parametrize("family", SCOPES)
    def test_states_another_length(self, peer, family):
        question = block_question(family)
        right = answers_of(family)[question]
        place = right.index(b"#")
        digits = int(right[place + 1 : place + 2])
        length = int(right[place + 2 : place + 2 + digits])
        wrong = right[: place + 2] + str(length + 4).zfill(digits).encode() + right[place + 2 + digits :]
        error = fails(family, peer, question, wrong, "another length than asked for")
        assert error.got == f"{length + 4} bytes"
        assert error.allowed == f"{length} bytes"

    @pytest.mark.parametrize("family", SCOPES)
    def test_a_digit_too_many(self, peer, family):
        """The length then swallows a byte of the data: it is no number, or another one."""
        question = block_question(family)
        right = answers_of(family)[question]
        place = right.index(b"#") + 1
        more = b"9" if right[place : place + 1] == b"8" else str(int(right[place : place + 1]) - 1).encode()
        wrong = right[:place] + more + right[place + 1 :]
        fails(family, peer, question, wrong, "cannot be read|another length")

    @pytest.mark.parametrize("family", SCOPES)
    def test_rubbish_behind(self, peer, family):
        question = block_question(family)
        fails(
            family,
            peer,
            question,
            answers_of(family)[question] + b"1\n",
            "nobody asked for|several lines|not what was asked|no block|another",
        )

    def test_header_on(self, peer):
        """Numbers are found behind the name of their question; a block is not."""
        right = answers_of("separate-scaling")
        named = {
            question: f":{question.rstrip('?').upper()} {answer}"
            for question, answer in right.items()
            if isinstance(answer, str) and ":" in question
        }
        server = peer({**right, **named})
        digitizer = scope("separate-scaling", server.address)
        capture = measure(digitizer, "separate-scaling")
        assert capture.volts_per_code[0] == pytest.approx(7.8125e-5)  # computed: what the file answers last
        digitizer.close()
        error = fails("separate-scaling", peer, "CURVe?", b":CURVE " + right["CURVe?"], "headers are on")
        assert error.got == "':CURVE #'"
        assert "does not obey 'HEADer OFF'" in error.next_step
        error = fails("separate-scaling", peer, "CURVe?", b":CURSOR " + right["CURVe?"], "no block of data")
        assert "':'" in error.got  # another name: who knows what was answered

    def test_bytes_in_the_other_order(self, peer):
        """Eight bits in the upper half of a word: the other way round they are no multiples of 256."""
        right = answers_of("separate-scaling")["CURVe?"]
        data = np.frombuffer(right[4:-1], dtype=">i2").astype("<i2").tobytes()
        error = fails(
            "separate-scaling", peer, "CURVe?", right[:4] + data + b"\n", "no multiples of the step"
        )
        assert "byte_order" in error.next_step

    def test_marks_for_missing_values(self, peer):
        """SCPI-1999, volume 1, 7.2.1.5: not a number is 9.91E37 (memory)."""
        right = answers_of("volts-block")["CHANnel1:DATA?"]
        data = np.frombuffer(right[7:-1], dtype="<f4").copy()
        data[3] = 9.91e37
        wrong = right[:7] + data.tobytes() + b"\n"
        fails("volts-block", peer, "CHANnel1:DATA?", wrong, "marks for missing values")


class TestAnswers:
    @pytest.mark.parametrize(
        ("family", "question", "answer", "what"),
        [
            # one field of the ten is missing: those behind it would be taken for others
            ("ten-field-preamble", ":WAVeform:PREamble?", "0,2,60000,1,2e-07,-6e-03,0,8e-03,0", "not 9"),
            ("ten-field-preamble", ":CHANnel1:PROBe?", "1.000000e+01", "another probe ratio"),
            ("ten-field-preamble", ":CHANnel1:SCALe?", "5.000000e-01", "another range"),
            ("ten-field-preamble", ":TRIGger:STATus?", "FAIL", "not what was asked for"),
            ("ten-field-preamble", ":CHANnel2:SCALe?", ":CHANnel2:SCALe?", "sends back what it is sent"),
            (
                "ten-field-preamble",
                ":WAVeform:PREamble?",
                "0,2,60000,1,4.000000e-07,-6e-03,0,8e-03,0,127",
                "another sample interval than was set",
            ),
            ("separate-scaling", "WFMOutpre:YMUlt?", "0.0", "no usable scale"),
            ("separate-scaling", "HORizontal:SAMPLERate?", "0", "other than 0"),
            # mega is not to be taken for one
            ("prefixed-reply", "SARA?", "SARA 5.00ZSa/s", "one of the units"),
            ("prefixed-reply", "C1:OFST?", "C1:OFST 0.00E+00A", "one of the units"),
            ("prefixed-reply", "C1:ATTN?", "C1:ATTN 10", "another probe ratio"),
            ("prefixed-reply", "C1:WF? DAT2", b"C1:WF DAT2,OFF\n", "stopped after|no block"),
            ("volts-block", "CHANnel1:DATA:HEADer?", "-1.2E-03,1.2E-03,6000,1", "another length"),
            ("volts-block", "CHANnel1:DATA:HEADer?", "-1.2E-03,1.1998E-03,12000", "not 3"),
            ("volts-block", "CHANnel1:DATA:HEADer?", "-2.4E-03,2.4E-03,12000,1", "another sample interval"),
        ],
    )
    def test_a_wrong_answer(self, peer, family, question, answer, what):
        fails(family, peer, question, answer, what)

    def test_a_prefix_that_is_stated_counts(self, peer):
        server = peer({**answers_of("prefixed-reply"), "SARA?": "SARA 5.00MSa/s"})
        digitizer = scope("prefixed-reply", server.address)
        assert measure(digitizer, "prefixed-reply").interval_s == pytest.approx(2e-7)  # computed: 1/5 MHz
        digitizer.close()

    @pytest.mark.parametrize("name", ["Vertical Scale", "Sampling Period", "Memory Length"])
    def test_a_header_without_a_field(self, peer, name):
        question = ":ACQuire1:MEMory?"
        right = answers_of("inline-header")[question]
        wrong = right.replace(name.encode(), b"Something", 1)
        fails("inline-header", peer, question, wrong, f"allowed: a value behind {name}")

    def test_a_record_that_is_never_complete(self, peer):
        right = answers_of("ten-field-preamble")
        server = peer({**right, ":TRIGger:STATus?": "WAIT"})
        digitizer = scope("ten-field-preamble", server.address)
        with pytest.raises(InstrumentError, match="no trigger has come") as caught:
            measure(digitizer, "ten-field-preamble")
        assert "'WAIT'" in caught.value.got
        assert "trigger's source and level, and whether it obeys ':TFORce'" in caught.value.next_step
        assert server.said.count(":TFORce") >= 2  # not once only: it may have come too early
        digitizer.check_errors()
        assert server.said[-2] == ":STOP"
        server.answers[":TRIGger:STATus?"] = "STOP"
        assert measure(digitizer, "ten-field-preamble").samples.shape == (2, 16)
        digitizer.close()

    def test_a_record_that_was_triggered_and_never_ends(self, peer):
        server = peer({**answers_of("ten-field-preamble"), ":TRIGger:STATus?": "RUN"})
        digitizer = scope("ten-field-preamble", server.address)
        with pytest.raises(InstrumentError, match="the record is not complete; got 'RUN'"):
            measure(digitizer, "ten-field-preamble")
        digitizer.close()

    def test_bytes_that_nobody_asked_for(self, peer):
        server = peer({**answers_of("ten-field-preamble"), ":SINGle": "WARNING: calibration is due"})
        digitizer = scope("ten-field-preamble", server.address)
        with pytest.raises(InstrumentError, match="nobody asked for") as caught:
            measure(digitizer, "ten-field-preamble")
        assert "calibration is due" in caught.value.got
        digitizer.close()

    def test_a_new_connection_is_brought_in_order(self, peer):
        """After a failure: what is under way is stopped, then the header is switched off again."""
        right = answers_of("separate-scaling")
        server = peer({**right, "BUSY?": "what?"})
        digitizer = scope("separate-scaling", server.address)
        with pytest.raises(InstrumentError, match="not what was asked for"):
            measure(digitizer, "separate-scaling")
        before = len(server.said)
        digitizer.check_errors()
        assert server.said[before : before + 3] == ["*IDN?", "ACQuire:STATE STOP", "HEADer OFF"]
        digitizer.close()


class TestWindows:
    def test_a_record_in_windows(self, peer, tmp_path):
        """Two questions of ten and six points; each says which."""
        text = table_text("ten-field-preamble").replace("window_points = 250000", "window_points = 10")
        (tmp_path / "own.toml").write_text(text, encoding="utf-8")
        answers = answers_of("ten-field-preamble")
        codes = np.arange(100, 116, dtype=np.uint8).tobytes()
        part = [b"#9000000010" + codes[:10] + b"\n", b"#9000000006" + codes[10:] + b"\n"]
        answers[":WAVeform:DATA?"] = lambda count: part[(count - 1) % 2]
        server = peer(answers)
        digitizer = ScpiDigitizer(quick(load_table(tmp_path / "own.toml")), server.address)
        digitizer.set_interval(2e-7)
        digitizer.set_points(16)
        digitizer.set_range(0, 1.6)
        digitizer.set_range(1, 4.0)
        capture = digitizer.acquire(312500.0, 0.0, threading.Event())
        assert capture.samples[0].tolist() == list(range(100, 116))
        windows = [said for said in server.said if said.startswith((":WAVeform:STAR", ":WAVeform:STOP"))]
        assert windows[:4] == [f":WAVeform:{word}" for word in ("STARt 1", "STOP 10", "STARt 11", "STOP 16")]
        digitizer.close()


class TestSources:
    @pytest.mark.parametrize(
        ("family", "question", "answer", "what"),
        [
            ("one-line-source", ":OUTPut1:LOAD?", "5.0E+01", "not set for the load"),
            ("one-line-source", ":SOURce1:FREQuency?", "1.001E+04", "another frequency"),
            ("one-line-source", ":SOURce1:VOLTage?", "1.25E-01", "another level"),
            ("keyed-source", "C1:OUTP?", "C1:OUTP OFF,LOAD,50,PLRT,NOR", "not set for the load"),
            ("keyed-source", "C1:BSWV?", "C1:BSWV WVTP,SINE,FRQ,10kHZ,AMP,0.25V", "one of the units"),
            ("keyed-source", "C1:BSWV?", "C1:BSWV WVTP,SINE,AMP,0.25V", "a value behind FRQ"),
        ],
    )
    def test_what_was_set_is_not_what_is_there(self, peer, family, question, answer, what):
        right = answers_of(family)
        server = peer({**right, question: answer})
        source = ScpiSource(quick(load_table(family)), server.address)

        def drive():
            source.frequency_hz = 10e3
            source.level_vpp = 0.25

        with pytest.raises(InstrumentError, match=what) as caught:
            drive()
        assert "next: " in caught.value.one_line()
        server.answers = right
        drive()
        assert (source.frequency_hz, source.level_vpp) == (10e3, 0.25)
        source.close()

    def test_a_setup_line_leaves_an_output_that_is_on_alone(self, peer):
        server = peer(answers_of("one-line-source"))
        source = ScpiSource(quick(load_table("one-line-source")), server.address)
        source.frequency_hz = 10e3
        source.level_vpp = 0.25
        source.output_on()
        server.said.clear()
        source.offset_v = 0.01
        assert source.output_is_on() is False  # the peer's last answer: it has been heard
        assert ":OUTPut1 OFF" not in server.said
        source.close()


def table_text(name):
    from importlib.resources import files  # noqa: PLC0415

    return (files("whichcore.rig.tables") / f"{name}.toml").read_text(encoding="utf-8")


class TestTables:
    @pytest.mark.parametrize(
        ("name", "old", "new", "what", "line"),
        [
            (
                "ten-field-preamble",
                "memory_points = 60000 ",
                "# ",
                "needs the length of the memory",
                "timebase",
            ),
            (
                "ten-field-preamble",
                "points = [16, 60000]",
                "points = [16, 60001]",
                "does not fit",
                "limits.points",
            ),
            ("ten-field-preamble", "steps = [1, 2, 5]", "steps = [2, 5]", "does not fit", "timebase.steps"),
            ("ten-field-preamble", "[timebase]", "[timebas]", "no such field", "actions.interval"),
            (
                "ten-field-preamble",
                "yes = '^STOP$'",
                "yes = '('",
                "regular expression",
                "queries.complete.yes",
            ),
            ("ten-field-preamble", "yes = '^STOP$', ", "", "means yes is missing", "queries.complete.yes"),
            ("volts-block", "[record] ", "[recod] ", "unknown key", "recod"),
            ("volts-block", "last = {", "# last = {", "says nothing alone", "record.first"),
            ("inline-header", "memory_points = 10000 ", "# ", "needs the length", "timebase"),
            (
                "inline-header",
                "interval = { header",
                "interval = 3.0 # ",
                "a number says nothing",
                "record.interval",
            ),
            ("one-line-source", "confirm = { ask", "confirm = { reply = 'text', ask", "", ""),
            (
                "one-line-source",
                ", yes = '(?i)^(INF|9\\.9E\\+?37)'",
                "",
                "confirms the load is missing",
                "load.confirm",
            ),
        ],
    )
    def test_faults_name_their_line(self, tmp_path, name, old, new, what, line):
        text = table_text(name)
        assert old in text
        text = text.replace(old, new, 1)
        path = tmp_path / "own.toml"
        path.write_text(text, encoding="utf-8")
        if not what:
            load_table(path)
            return
        with pytest.raises(InputError, match=what) as caught:
            load_table(path)
        assert caught.value.where.startswith(f"{path}, line ")
        assert caught.value.where.endswith(f", {line}")


class TestConverters:
    @pytest.mark.parametrize(
        "name",
        [
            "scpi-digitizer",
            "ten-field-preamble",
            "separate-scaling",
            "prefixed-reply",
            "volts-block",
            "inline-header",
        ],
    )
    def test_a_plan_counts_on_eight_bits(self, name):
        """Whatever the codes are wrapped in: bytes, the upper half of words, words, volts."""
        form = load_table(name).waveform
        assert form.steps == 256  # computed: 2⁸
        assert form.bend_steps == pytest.approx(
            0.21 if name == "scpi-digitizer" else 0.3
        )  # as the tables state

    def test_without_ends_the_type_counts(self, tmp_path):
        text = table_text("separate-scaling")
        for key in ("clip_codes", "step_codes"):
            text = text.replace(f"{key} =", f"# {key} =")
        path = tmp_path / "own.toml"
        path.write_text(text.replace("nonlinearity_steps", "nonlinearity_codes"), encoding="utf-8")
        assert load_table(path).waveform.steps == 65536  # computed: 2¹⁶


class TestBlockRules:
    """IEEE 488.2-1992, 8.7.9 (definite length) and 8.7.10 (indefinite length); from memory."""

    def read(self, answer, expected, **form):
        left = bytearray(answer)

        def take(count):
            assert count <= len(left), "more was read than came"
            data = bytes(left[:count])
            del left[:count]
            return data

        block = read_block(take, BlockFormat(**form), expected, "here")
        assert not left
        return bytes(block.data)

    @pytest.mark.parametrize("digits", range(1, 10))
    def test_any_number_of_digits(self, digits):
        """The digit says how many digits follow; leading zeros are allowed."""
        assert self.read(b"#%d" % digits + b"3".zfill(digits) + b"a\n#\n", 3) == b"a\n#"

    def test_nothing_in_it(self):
        assert self.read(b"#10\n", 0) == b""

    def test_indefinite_length(self):
        """#0, data, line feed with the end of the message; line feeds in the data are data."""
        assert self.read(b"#0a\nb\n", 3, indefinite=True) == b"a\nb"
        with pytest.raises(InstrumentError, match="does not state its length"):
            self.read(b"#0a\nb\n", 3)

    @pytest.mark.parametrize(
        ("answer", "form", "what"),
        [
            (b"#A", {}, "no block"),  # the digit is decimal
            (b"#2 3", {}, "cannot be read"),
            (b"#2-3", {}, "cannot be read"),
            (b"X", {}, "no block"),
            (b"#9000000003abc\n", {"digits": 1}, "another number of digits"),
            (b"#13abc\r", {}, "does not end"),
            (b"C1:X", {"before": "C1:W"}, "no block"),
        ],
    )
    def test_what_is_none(self, answer, form, what):
        with pytest.raises((InstrumentError, AssertionError), match=what):
            self.read(answer, 3, **form)


class TestSense:
    def test_roughness(self):
        """Analytic: 1 for white noise, √2 sin(π/k) for a sine of k samples a period."""
        noise = np.random.default_rng(4).standard_normal(100_000)
        assert roughness(noise) == pytest.approx(1.0, abs=0.01)
        sine = np.sin(2 * np.pi * np.arange(9000) / 9)
        assert roughness(sine) == pytest.approx(np.sqrt(2) * np.sin(np.pi / 9), rel=1e-3)
        assert np.isnan(roughness(np.zeros(10)))

    @pytest.mark.parametrize("dtype", ["int16", "uint16", "float32"])
    def test_the_other_byte_order(self, dtype):
        wave = 9000 * np.sin(2 * np.pi * np.arange(4000) / 200) + (20000 if dtype == "uint16" else 0)
        codes = wave.astype(dtype)
        assert misread(codes) is None
        assert misread(codes.byteswap()) == ("byte_order", "the other one")

    def test_the_other_sign(self):
        codes = (100 * np.sin(2 * np.pi * np.arange(4000) / 200) + 127).astype(np.uint8)
        assert misread(codes) is None
        assert misread(codes.view(np.int8)) == ("dtype", "uint8")

    def test_noise_says_nothing(self):
        noise = np.random.default_rng(4).integers(-3, 3, 4000)
        assert misread(noise.astype(np.int16)) is None
        assert misread(np.zeros(100, np.int8)) is None
