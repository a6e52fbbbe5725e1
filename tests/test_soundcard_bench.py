"""A sound card in the bench file, and the commands on a bench that has one."""

import ctypes.util
import json
import os
from pathlib import Path

import pytest
from click.testing import CliRunner

from test_soundcard_jack import BENCH
from whichcore.analysis.types import Wiring
from whichcore.bench import load_bench, open_bench
from whichcore.cli.calibrate import _round_down
from whichcore.cli.root import root
from whichcore.errors import InputError, WhichcoreWarning
from whichcore.measure.bench_accuracy import reading_noise
from whichcore.measure.plan_bench import plan_bench
from whichcore.rig.virtual.audio_process import VirtualAudio, jack_is_here
from whichcore.rig.virtual.cores import core
from whichcore.rig.virtual.fixtures import WoundCore

SOUND = """
wiring = "shunt-at-ground"
[source]
driver = "sound"
address = "plain host: card one: line"
{source}
[digitizer]
driver = "sound"
address = "plain host: card one: line"
{digitizer}
[shunt]
resistance = "10 ohm"
"""


@pytest.fixture
def write(tmp_path, monkeypatch):
    monkeypatch.setenv("WHICHCORE_HOME", str(tmp_path / "home"))
    monkeypatch.setenv("PYTHONPATH", str(Path(__file__).parent / "audio_host"), prepend=os.pathsep)
    monkeypatch.delenv("WHICHCORE_TEST_HOST", raising=False)

    def make(source="", digitizer="", text=SOUND):
        path = tmp_path / "bench.toml"
        path.write_text(text.format(source=source, digitizer=digitizer), encoding="utf-8")
        return path

    return make


def test_a_card_is_read_with_what_is_usual(write):
    settings = load_bench(write())
    card = settings.sound
    assert settings.wiring is Wiring.SHUNT_AT_GROUND
    assert card.stream.rate_hz == 48_000
    assert (card.stream.input_channels, card.stream.output_channels) == ((1, 2), (1,))
    assert not card.scale_known
    assert settings.level_vpp == 2.0  # analytic: twice the nominal peak of 1 V


def test_a_card_is_read_as_it_is_stated(write):
    source = (
        'sample_rate = "96 kHz"\nchannels = [2]\nfull_scale = "1.5 V"\noutput_resistance = "75 ohm"\n'
        'limits.highest_frequency = "20 kHz"'
    )
    digitizer = 'channels = [3, 4]\nfull_scale = ["2 V", "1.9 V"]\nlead_in = "0.2 s"'
    settings = load_bench(write(source, digitizer))
    card = settings.sound
    assert (card.stream.input_channels, card.stream.output_channels) == ((3, 4), (2,))
    assert (card.full_scale_out_vpk, card.full_scale_in_vpk) == (1.5, (2.0, 1.9))
    assert (card.output_ohm, card.lead_in_s) == (75.0, 0.2)
    assert settings.source_limits.frequency_hz[1] == 20e3
    assert settings.source_limits.level_vpp[1] == 3.0


@pytest.mark.parametrize(
    ("source", "digitizer", "message"),
    [
        ('sample_rate = "2 MHz"', "", r"line 6, source.sample_rate: no sound card has this rate"),
        ("channels = [0]", "", r"source.channels: one or two output channels.*got \[0\]"),
        ("channels = [1, 1]", "", r"one or two output channels"),
        ('full_scale = "0 V"', "", r"source.full_scale"),
        ('table = "own.toml"', "", r"source.table: a sound card has none; got own.toml"),
        ('limits.highest_frequency = "30 kHz"', "", r"beyond the instrument; got 30000 Hz; allowed: 1 to"),
        ("", 'full_scale = ["2 V"]', r"digitizer.full_scale: one peak voltage, or one for each"),
        ("", 'full_scale = "-2 V"', r"a full scale is above 0 V"),
        ("", "probe_ratios = [1, 10]", r"digitizer.probe_ratios: a sound card has none"),
        ("", 'coupling = "AC"', r"digitizer.coupling: a sound card has none"),
        ("", 'channels = ["left", "right"]', r"digitizer.channels: the inputs of a sound card are counted"),
        ("", 'lead_in = "0 s"', r"digitizer.lead_in"),
        ("", 'sample_rate = "48 kHz"', r"digitizer.sample_rate"),
    ],
)  # fmt: skip
def test_a_fault_of_the_file_is_one_line_with_its_place(write, source, digitizer, message):
    with pytest.raises(InputError, match=message) as caught:
        load_bench(write(source, digitizer))
    assert "\n" not in caught.value.one_line()


def test_a_card_beside_another_digitizer_is_refused_with_the_reason(write):
    head, tail = SOUND.split("[digitizer]")
    other = tail.replace('"sound"', '"scpi-digitizer"', 1)
    with pytest.raises(
        InputError, match=r"digitizer.driver: a sound card sounds only while its own"
    ) as caught:
        load_bench(write(text=f"{head}[digitizer]{other}"))
    assert "or take another source; the card's inputs go with any" in caught.value.one_line()


BESIDE = SOUND.replace('"sound"', '"{table}"', 1).replace(
    "plain host: card one: line", "TCPIP::h::1::SOCKET", 1
)


class TestBesideAnotherSource:
    @pytest.mark.parametrize("table", ["scpi-source", "one-line-source", "serial-answering"])
    def test_it_is_read(self, write, table):
        text = BESIDE.replace("{table}", table)
        settings = load_bench(write("", 'sample_rate = "96 kHz"\nfull_scale = "2 V"', text))
        assert settings.sound is None
        assert settings.recorder.stream.rate_hz == 96_000
        assert settings.recorder.in_vpk == (2.0, 2.0)
        assert settings.source_limits.frequency_hz[1] == pytest.approx(38_400)  # analytic: 0.4 of the rate
        planned = plan_bench(settings)
        assert planned.smallest_range_vpp == 4.0  # analytic: twice the peak
        assert reading_noise(settings, planned).ranges_vpp == ((4.0,), (4.0,))

    @pytest.mark.parametrize(
        ("source", "digitizer", "message"),
        [
            ("", "", r"digitizer.full_scale: beside another source a sound card needs its full scale"),
            ('sample_rate = "96 kHz"', 'full_scale = "2 V"', r"source.sample_rate"),
            ("", 'full_scale = "2 V"\ncoupling = "AC"', r"digitizer.coupling: a sound card has none"),
            ('limits.highest_frequency = "1 GHz"', 'full_scale = "2 V"', r"beyond the instrument"),
        ],
    )
    def test_a_fault_is_one_line(self, write, source, digitizer, message):
        with pytest.raises(InputError, match=message) as caught:
            load_bench(write(source, digitizer, BESIDE.replace("{table}", "scpi-source")))
        assert "\n" not in caught.value.one_line()


def test_a_scale_that_is_not_stated_is_warned_of(write):
    settings = load_bench(write())
    with pytest.warns(WhichcoreWarning, match="full scale of the sound card is not stated"):
        _look(settings, known=False)
    _look(load_bench(write('full_scale = "1 V"', 'full_scale = "1 V"')), known=True)


def _look(settings, *, known):
    with open_bench(settings) as opened:
        assert opened.bench.scale_known is known
        assert opened.bench.source.identity == "plain host: card one: line, 48000 Hz"


def test_a_plan_knows_what_a_card_can_do(write):
    settings = load_bench(
        write('full_scale = "1.5 V"\nsample_rate = "96 kHz"', 'full_scale = ["2 V", "1.9 V"]')
    )
    bench = plan_bench(settings)
    # analytic: 0.4 of the rate, twice the peaks
    assert bench.frequency_hz == (1.0, 38.4e3)
    assert (bench.level_vpp[1], bench.smallest_range_vpp, bench.output_ohm) == (3.0, 3.8, 50.0)
    noise = reading_noise(settings, bench)
    assert noise.ranges_vpp == ((4.0,), (3.8,))


def test_a_band_nobody_asked_for_ends_where_the_card_does():
    assert [_round_down(f) for f in (38_400.0, 19_200.0, 76_800.0, 20_000.0)] == [38e3, 19e3, 76e3, 20e3]


# --- the commands, on a JACK server in real time ------------------------------------------------------------


@pytest.mark.soak
@pytest.mark.skipif(
    not (jack_is_here() and ctypes.util.find_library("portaudio")),
    reason="needs jackd2 and libportaudio2 (apt install)",
)
def test_doctor_calibrate_and_sweep_on_a_sound_card(tmp_path, monkeypatch):
    with VirtualAudio(48_000, freewheel=False, seed=5) as audio:
        for name, value in audio.environment.items():
            monkeypatch.setenv(name, value)
        monkeypatch.setenv("WHICHCORE_HOME", str(tmp_path / "home"))
        monkeypatch.setattr("whichcore.cli.at_bench.TerminalOperator", lambda: audio)
        bench, specimen = tmp_path / "bench.toml", tmp_path / "ring.toml"
        bench.write_text(BENCH.format(rate=48), encoding="utf-8")
        specimen.write_text(WoundCore(core("bin-h"), 30).specimen_toml(), encoding="utf-8")

        def run(*words):
            return CliRunner().invoke(root, [*words, "--bench", str(bench), "--json"])

        doctor = run("doctor")
        assert doctor.exit_code == 0, doctor.output
        assert json.loads(doctor.stdout)["fit"]
        done = run("calibrate", "--from", "1k", "--points-per-decade", "2")
        assert done.exit_code == 0, done.output
        assert json.loads(done.stdout)["to_hz"] == 19e3  # analytic: 0.4 of the rate, two digits
        audio.fit("core", core="bin-h", turns=30)
        swept = run("sweep", "--specimen", str(specimen), "--out", str(tmp_path / "ring.csv"))
        assert swept.exit_code == 0, swept.output
        told = json.loads(swept.stdout)
        assert told["points"] == 4
        audio.fault("dead", 2.0)
        sick = run("doctor")
        assert sick.exit_code == 4  # the contract: instrument
        assert "input B is dead" in sick.output
