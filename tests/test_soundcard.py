"""The sound card without one: its worker on a host that misbehaves, its card on the virtual circuit."""

import os
import signal
import subprocess
import sys
import threading
import time
from pathlib import Path

import numpy as np
import pytest

from whichcore.analysis.phasor import fit_phasors
from whichcore.analysis.types import FlagKind, Wiring
from whichcore.errors import Cancelled, InputError, InstrumentError
from whichcore.rig.doctor import Status
from whichcore.rig.instruments import Bench
from whichcore.rig.soundcard.card import HIGHEST_SHARE, CardSettings, SoundCard
from whichcore.rig.soundcard.choice import choose
from whichcore.rig.soundcard.instruments import SoundDigitizer, SoundSource
from whichcore.rig.soundcard.process import Played, StreamSettings, Worker
from whichcore.rig.soundcard.self_test import examine_card
from whichcore.rig.soundcard.signals import PING_SHARE, delay_frames, faded, ping, repeated, sine
from whichcore.rig.virtual.audio import AudioBench, AudioHands, audio_network
from whichcore.rig.virtual.audio_card import card_data
from whichcore.rig.virtual.fixtures import fixture

RATE = 48_000.0
STREAM = StreamSettings("plain host: card one: line", "plain host: card one: line", RATE)
HOST = Path(__file__).parent / "audio_host"
NEVER = threading.Event()


# --- the card on the virtual circuit, in this process -------------------------------------------------------


class InProcess:
    """Plays into the virtual circuit as the worker plays into a host."""

    def __init__(self, bench):
        self.bench, self.alive, self.played, self.drop_outs = bench, True, [], 0

    def play(self, output, cancel):
        if cancel.is_set():
            raise Cancelled("stopped")
        self.played.append(output[:, 0])
        blocks = [self.bench.step(block) for block in np.array_split(output[:, 0].astype(float), 4)]
        record = np.concatenate(blocks, axis=1).astype(np.float32)
        self.drop_outs -= 1
        return Played(record, ("input overflow",) if self.drop_outs >= 0 else ())

    def close(self):
        self.alive = False


@pytest.fixture
def circuit():
    return AudioBench(RATE, AudioHands(item=fixture("load")), seed=1)


@pytest.fixture
def inside(circuit):
    return InProcess(circuit)


@pytest.fixture
def card(inside):
    data = card_data()
    scales = (data.inputs[0].vpk, data.inputs[1].vpk)
    settings = CardSettings(STREAM, data.output_vpk, scales, output_ohm=data.output_ohm)
    return SoundCard(settings, start=lambda _: inside)


def _truth(bench, frequency_hz):
    """Voltages of A and B per volt of emf, by the nodal analysis."""
    network, probes = audio_network(bench.hands)
    voltages = network.solve(np.array([2j * np.pi * frequency_hz]), 1.0).voltages
    return np.array([voltages[node][0] for node in probes])


def test_a_take_holds_one_period_of_both_inputs(card, circuit):
    count, cycles = 4800, 74
    drive = 0.5 * np.sin(2 * np.pi * cycles * np.arange(count) / count)
    capture = card.take(drive, 500, 1.5, NEVER)
    assert capture.samples.shape == (2, count)
    assert capture.start_time_s == 1.5
    volts = capture.samples * np.array(capture.volts_per_code)[:, None]
    lines = 2 * np.fft.rfft(volts) / count
    a, b = lines[:, cycles]
    truth = _truth(circuit, cycles * RATE / count) * 0.5 * card_data().output_vpk
    # independent: nodal analysis; the coupling capacitors turn A against B by (1.1 − 0.9) Hz/740 Hz, 3e-4
    assert abs(a) == pytest.approx(abs(truth[0]), rel=1e-5)
    assert a / b == pytest.approx(truth[0] / truth[1], rel=4e-4)
    others = np.delete(np.abs(lines), [0, cycles], axis=1)
    assert np.max(others) < 1e-6  # nothing leaks: the record is one whole period


def test_the_delay_is_measured_from_the_data_and_waited_for(card, inside, circuit):
    circuit.do({"fault": {"kind": "late", "value": 5e3}})
    capture = card.take(np.full(2000, 0.25) * sine(0.05, 2000), 0, 0.0, NEVER)
    # analytic: the fault, and half the width of the converters' filter
    assert card.delay_s == pytest.approx((5000 + 32) / RATE, abs=0.5 / RATE)
    lines = np.abs(np.fft.rfft(capture.samples))
    assert np.all(np.delete(lines, [0, 100], axis=1).max(axis=1) < 1e-3 * lines[:, 100])
    assert len(inside.played) == 2  # a ping, and the take


def test_no_take_begins_or_ends_with_a_jump_and_none_is_louder_than_asked(card, inside):
    card.take(0.8 * np.cos(2 * np.pi * 10 * np.arange(1000) / 1000), 100, 0.0, NEVER)
    for played in inside.played:
        assert np.max(np.abs(played)) <= 0.8 + 1e-6
        assert abs(played[0]) < 1e-3
        assert abs(played[-1]) < 1e-3


def test_the_ping_makes_no_more_flux_than_the_drive():
    # analytic: the integral of a sine of peak 1 at 0.4 of the rate, the highest a sweep plays
    flux = np.cumsum(PING_SHARE * ping())
    assert np.max(np.abs(flux)) < 1 / (2 * np.pi * HIGHEST_SHARE)


def test_drop_outs_void_a_take_and_it_is_taken_again(card, inside):
    card.open()
    inside.drop_outs = 2
    capture = card.take(0.1 * sine(0.1, 1000), 0, 0.0, NEVER)
    assert card.retaken == 2
    assert np.isfinite(capture.samples).all()
    inside.drop_outs = 100
    with pytest.raises(InstrumentError, match=r"drop-outs spoilt every attempt.*input overflow in 4 takes"):
        card.take(0.1 * sine(0.1, 1000), 0, 0.0, NEVER)


@pytest.mark.parametrize("drive", [np.array([]), np.array([1.01]), np.array([np.nan]), np.zeros((2, 3))])
def test_a_drive_that_cannot_be_played_is_refused(card, inside, drive):
    with pytest.raises(InputError, match="cannot be played"):
        card.take(drive, 0, 0.0, NEVER)
    assert not inside.played


def test_exact_zeros_are_a_missing_permission(card, circuit):
    circuit.card.faults["no permission"] = 0.0
    with pytest.raises(InstrumentError, match=r"exactly zero.*privacy settings"):
        card.take(0.1 * sine(0.1, 1000), 0, 0.0, NEVER)


def test_steps_of_the_converter_enter_the_capture(card):
    capture = card.take(0.1 * sine(0.1, 1000), 0, 0.0, NEVER)
    assert capture.step_codes == (2.0**-23, 2.0**-23)  # analytic: 24 bit


def test_stepped_records_read_the_circuit(card, circuit):
    source = SoundSource(card)
    digitizer = SoundDigitizer(card, source)
    source.level_vpp, source.frequency_hz = 1.0, 1234.5
    source.output_on()
    digitizer.set_points(9000)
    phasors = fit_phasors(digitizer.acquire(1234.5, 0.0, NEVER))
    truth = _truth(circuit, 1234.5) * 0.5
    assert phasors.usable
    # independent: nodal analysis; couplings as above
    assert np.abs(phasors.phasor_vpk) == pytest.approx(np.abs(truth), rel=1e-5)
    source.output_off()
    quiet = digitizer.acquire(1234.5, 0.0, NEVER)
    assert np.max(np.abs(quiet.samples)) < 1e-5
    assert np.abs(phasors.frequency_hz / 1234.5 - 1) < 1e-7  # one clock


def test_a_low_tone_gets_a_longer_record(card):
    source = SoundSource(card)
    source.level_vpp, source.frequency_hz = 0.1, 60.0
    source.output_on()
    digitizer = SoundDigitizer(card, source)
    digitizer.set_points(20_000)
    capture = digitizer.acquire(60.0, 0.0, NEVER)
    assert capture.samples.shape[1] >= 40 * RATE / 60  # practice: the sweep's 40 periods
    assert not fit_phasors(capture).has(FlagKind.FEW_PERIODS)


@pytest.mark.parametrize(
    ("name", "value", "message"),
    [
        ("frequency_hz", 60e3, r"cannot do this; got 60000 Hz; allowed: 1 to 19200 Hz"),
        ("level_vpp", 4.0, r"got 4 V; allowed: 3.046e-05 to 3.046 V"),
        ("offset_v", 0.1, r"offset_v.*allowed: 0 to 0 V"),
    ],
)
def test_what_an_output_cannot_do_is_one_line(card, name, value, message):
    with pytest.raises(InputError, match=message):
        setattr(SoundSource(card), name, value)


def test_what_the_inputs_cannot_do_is_one_line(card):
    digitizer = SoundDigitizer(card, SoundSource(card))
    with pytest.raises(InputError, match="one range"):
        digitizer.set_range(0, 1.0)
    with pytest.raises(InputError, match="points"):
        digitizer.set_points(3)


# --- signals ------------------------------------------------------------------------------------------------


def test_a_delay_is_found_in_noise_and_none_in_noise_alone():
    rng = np.random.default_rng(5)
    record = 0.02 * rng.normal(size=30_000)
    assert delay_frames(record, ping()) is None
    record[12_345 : 12_345 + 4096] -= 0.02 * ping()
    assert delay_frames(record, ping()) == 12_345
    assert delay_frames(np.zeros(10), ping()) is None
    assert delay_frames(np.zeros(9000), ping()) is None


def test_a_lead_in_is_in_step_with_its_period():
    period = np.arange(5.0)
    assert repeated(period, 3, 4).tolist() == [2, 3, 4, 0, 1, 2, 3, 4, 0, 1, 2, 3]
    assert np.all(faded(np.ones(10), 4, 3)[4:7] == 1)


# --- the self-test, with each fault -------------------------------------------------------------------------


class Hands:
    def __init__(self, circuit):
        self.circuit = circuit

    def fit(self, name):
        self.circuit.do({"fit": name})


def _findings(card, circuit, wiring=Wiring.SHUNT_AT_GROUND):
    source = SoundSource(card)
    circuit.do({"wiring": wiring.value})
    bench = Bench(source, SoundDigitizer(card, source), wiring, 10.0)
    return {finding.check: finding for finding in examine_card(bench, Hands(circuit), NEVER)}


@pytest.mark.parametrize("wiring", list(Wiring))
def test_a_healthy_card_passes_its_self_test(card, circuit, wiring):
    found = _findings(card, circuit, wiring)
    assert {finding.status for finding in found.values()} <= {Status.GOOD, Status.SKIPPED}
    assert len(found) == (10 if wiring is Wiring.TWO_WINDINGS else 12)


@pytest.mark.parametrize(
    ("fault", "check", "status", "remedy"),
    [
        pytest.param(
            ("resampled", 0.0), "tones up to the end", Status.BAD, "resamples", marks=pytest.mark.soak
        ),
        (("resampled", 0.0), "images", Status.BAD, "resamples"),
        (("automatic gain", 0.0), "levels", Status.BAD, "automatic gain"),
        (("no permission", 0.0), "silence", Status.BAD, "privacy"),
        (("swapped", 0.0), "channels apart, open", Status.BAD, "swapped"),
        pytest.param(
            ("dead", 1.0), "both inputs hear", Status.BAD, "input A is dead", marks=pytest.mark.soak
        ),
        (("dead", 2.0), "both inputs hear", Status.BAD, "input B is dead"),
        (("crosstalk", 0.005), "channels apart, open", Status.DOUBTFUL, "crosstalk"),
        (("hot", 2.0), "clipping", Status.BAD, "lower the recording level"),
        pytest.param(("hot", 1.3), "scale", Status.BAD, "measure full_scale", marks=pytest.mark.soak),
        (("noisy", 1e-3), "silence", Status.DOUBTFUL, "line inputs"),
        (("clock", 3.0), "one clock", Status.BAD, "one and the same device"),
        pytest.param(("late", 20_000.0), "delay", Status.GOOD, "", marks=pytest.mark.soak),
    ],
)
def test_each_fault_of_a_card_is_found(card, circuit, fault, check, status, remedy):
    circuit.do({"fault": {"kind": fault[0], "value": fault[1]}})
    found = _findings(card, circuit)
    assert found[check].status is status
    assert remedy in found[check].remedy
    if fault[0] == "late":
        assert "417.3 ms" in found[check].found  # analytic: 20 032 frames


def test_a_scale_that_is_not_stated_is_said_to_be_so(inside, circuit):
    card = SoundCard(CardSettings(STREAM, output_ohm=card_data().output_ohm), start=lambda _: inside)
    found = _findings(card, circuit)
    assert found["scale"].status is Status.DOUBTFUL
    assert found["channels apart, open"].status is Status.GOOD


# --- the worker against a host ------------------------------------------------------------------------------


@pytest.fixture
def host(monkeypatch):
    """Put the host without hardware in the place of PortAudio, for the worker's process."""

    def behave(fault=""):
        monkeypatch.setenv("PYTHONPATH", str(HOST), prepend=os.pathsep)
        monkeypatch.setenv("WHICHCORE_TEST_HOST", fault)

    behave()
    return behave


def test_the_worker_plays_records_stops_and_ends(host):
    worker = Worker(STREAM)
    signal_ = (0.5 * sine(0.01, 3000)).astype(np.float32)
    played = worker.play(signal_[:, None], NEVER)
    assert played.flags == ()
    assert played.record[0, 256:] == pytest.approx(signal_[:-256], abs=1e-7)  # analytic: late by one period
    worker.play(np.full((500, 1), 0.5, dtype=np.float32), NEVER)
    time.sleep(0.05)
    assert not worker.play(np.zeros((1000, 1), dtype=np.float32), NEVER).record.any()  # silence in between
    cancel = threading.Event()
    threading.Timer(0.1, cancel.set).start()
    with pytest.raises(Cancelled, match="output is silent"):
        worker.play(np.tile(signal_, 200)[:, None], cancel)
    again = worker.play(signal_[:, None], NEVER)  # the next take is whole again
    assert again.record[0, 256:] == pytest.approx(signal_[:-256], abs=1e-7)
    worker.close()
    worker.close()
    assert not worker.alive
    with pytest.raises(InstrumentError, match="ended by itself"):
        worker.play(signal_[:, None], NEVER)


@pytest.mark.parametrize(
    ("fault", "stream", "message"),
    [
        ("rate", STREAM, r"refuses the sample rate; got 48000 Hz; next: set sample_rate"),
        ("busy", STREAM, r"busy or gone; next: close other programs"),
        pytest.param(
            "odd", STREAM, r"cannot be opened; got .*Unanticipated host error", marks=pytest.mark.soak
        ),
        ("no library", STREAM, r"cannot be spoken to; got no PortAudio library; next: on Debian"),
        (
            "",
            StreamSettings("plain host: card three", "plain host: card one", RATE),
            r"no such input; got card thr",
        ),
        (
            "",
            StreamSettings("other host: headset", "other host: headset", RATE),
            r"no such input channel; got 2",
        ),
    ],
)
def test_a_card_that_cannot_be_opened_is_one_line(host, fault, stream, message):
    host(fault)
    with pytest.raises(InstrumentError, match=message) as caught:
        Worker(stream)
    assert "\n" not in caught.value.one_line()


def test_drop_outs_of_a_host_come_back_as_flags(host):
    host("drop-outs:3")
    worker = Worker(STREAM)
    output = np.full((3000, 1), 0.1, dtype=np.float32)
    assert worker.play(output, NEVER).flags == ("input overflow",)
    assert worker.play(output, NEVER).flags == ()
    worker.close()


@pytest.mark.parametrize(
    ("fault", "message"),
    [("stall", r"audio server stopped.*same command continues"), ("die", "ended by itself")],
)
def test_a_host_that_dies_under_a_take_is_one_line_and_the_worker_is_gone(host, fault, message):
    host(fault)
    worker = Worker(STREAM, stall_s=0.5)
    with pytest.raises(InstrumentError, match=message):
        worker.play(np.full((96_000, 1), 0.1, dtype=np.float32), NEVER)
    assert not worker.alive


@pytest.mark.soak
def test_a_host_that_never_calls_is_one_line(host):
    host("silent")
    with pytest.raises(InstrumentError, match="does not call"):
        Worker(STREAM)


@pytest.mark.soak
def test_a_card_starts_its_process_again_after_it_was_lost(host):
    card = SoundCard(CardSettings(STREAM))
    card.take(0.1 * sine(0.1, 1000), 0, 0.0, NEVER)
    lost = card._worker
    lost.kill()
    drive = 0.1 * sine(0.1, 1000)
    capture = card.take(drive, 0, 0.0, NEVER)
    assert card._worker is not lost
    assert np.abs(np.fft.rfft(capture.samples[0])) == pytest.approx(np.abs(np.fft.rfft(drive)), abs=1e-4)
    card.close()


@pytest.mark.soak
def test_the_worker_ends_when_its_parent_is_killed(host):
    script = (
        "import sys, threading, numpy as np\n"
        "from whichcore.rig.soundcard.process import StreamSettings, Worker\n"
        f"worker = Worker(StreamSettings({STREAM.input!r}, {STREAM.output!r}, {RATE}))\n"
        "print(worker.process_id, flush=True)\n"
        "worker.play(np.full((9_600_000, 1), 0.1, dtype=np.float32), threading.Event())\n"
    )
    parent = subprocess.Popen([sys.executable, "-c", script], stdout=subprocess.PIPE, text=True)
    worker = int(parent.stdout.readline())
    time.sleep(0.3)
    parent.send_signal(signal.SIGKILL)
    parent.wait()
    parent.stdout.close()
    for _ in range(1200):  # a minute
        if not _runs(worker):
            break
        time.sleep(0.05)
    assert not _runs(worker)


def _runs(process_id):
    try:
        return "Z" not in Path(f"/proc/{process_id}/stat").read_text().rsplit(")", 1)[1].split()[0]
    except OSError:
        return False


# --- choosing a device --------------------------------------------------------------------------------------

HOSTS = [{"name": "plain host"}, {"name": "other host"}]
DEVICES = [
    {"name": "line", "hostapi": 0, "max_input_channels": 2, "max_output_channels": 0},
    {"name": "line out", "hostapi": 0, "max_input_channels": 0, "max_output_channels": 2},
    {"name": "line", "hostapi": 1, "max_input_channels": 2, "max_output_channels": 2},
    {"name": "line two", "hostapi": 1, "max_input_channels": 2, "max_output_channels": 2},
]


@pytest.mark.parametrize(
    ("address", "side", "place"),
    [
        ("plain host: line", "input", 0),
        ("PLAIN: Line", "output", 1),
        ("other host: line", "input", 2),
        ("other host: two", "output", 3),
    ],
)
def test_a_device_is_chosen_by_name_and_host(address, side, place):
    assert choose(address, side, HOSTS, DEVICES) == place


@pytest.mark.parametrize(
    ("address", "message"),
    [
        ("line", "named by its host interface"),
        ("third host: line", r"no such host interface.*plain host, other host"),
        ("host: line", "no such host interface"),
        ("plain host: speaker", r"no such input; got speaker; allowed: line"),
        ("other host: lin", "several inputs"),
    ],
)
def test_a_name_that_fits_none_or_several_is_refused(address, message):
    with pytest.raises(InstrumentError, match=message):
        choose(address, "input", HOSTS, DEVICES)


def test_the_list_of_cards_is_printed(host):
    result = subprocess.run(
        [sys.executable, "-m", "whichcore.rig.soundcard"],
        capture_output=True,
        text=True,
        check=True,
        env=os.environ,
    )
    assert "other host: headset  (1 in, 2 out)" in result.stdout
