"""The virtual circuit behind a sound card: its modes, its steps from sample to sample, its faults."""

import numpy as np
import pytest

from whichcore.analysis.types import Wiring
from whichcore.errors import InputError
from whichcore.rig.virtual.audio import AudioBench, AudioHands, audio_network
from whichcore.rig.virtual.audio_card import VirtualCard, card_data, parse_audio_fault
from whichcore.rig.virtual.audio_modes import HALF_WIDTH, ModalFilter, modes_of
from whichcore.rig.virtual.cores import core
from whichcore.rig.virtual.fixtures import WoundCore, fixture
from whichcore.rig.virtual.oneport import Scaled

RATE = 96_000.0
CORES = ("bin-h", "bin-i", "bin-j", "bin-k", "bin-l", "bin-m", "bin-n")
FIXTURES = ("short", "load", "coil", "capacitor")


def _tone(samples, frequency_hz, rate_hz=RATE):
    """Phasors of rows of samples, by least squares."""
    angle = 2 * np.pi * frequency_hz / rate_hz * np.arange(samples.shape[-1])
    basis = np.stack([np.cos(angle), -np.sin(angle)], axis=1)
    parts = np.linalg.lstsq(basis, samples.T, rcond=None)[0]
    return parts[0] + 1j * parts[1]


@pytest.mark.parametrize(
    ("wiring", "item"),
    [(wiring, item) for wiring in Wiring for item in (*CORES, *FIXTURES)
     if item in CORES or wiring is not Wiring.TWO_WINDINGS],
)  # fmt: skip
def test_modes_are_the_nodal_analysis(wiring, item):
    part = WoundCore(core(item), 30, 10) if item in CORES else fixture(item)
    network, probes = audio_network(AudioHands(wiring, part))
    modes = modes_of(network, probes)
    s = 2j * np.pi * np.geomspace(25.0, 80e3, 17)
    voltages = network.solve(s, 1.0).voltages
    truth = np.array([voltages[node] for node in probes])
    # independent: nodal analysis at each frequency; 1e-7 of the larger voltage, rounding of both
    assert np.max(np.abs(modes.response(s) - truth) / np.abs(truth).max(axis=0)) < 1e-7
    assert np.all(modes.poles.real < 0)


@pytest.mark.parametrize("frequency_hz", [100.0, 1e3, 10e3, 40e3])
def test_the_steps_follow_the_modes(frequency_hz):
    network, probes = audio_network(AudioHands(item=WoundCore(core("bin-h"), 30)))
    modes = modes_of(network, probes)
    walk = ModalFilter(modes, RATE)
    count = 9600
    played = np.cos(2 * np.pi * frequency_hz / RATE * np.arange(2 * count))
    heard = np.concatenate([walk(block) for block in np.split(played, 25)], axis=1)[:, count:]
    turned = np.exp(2j * np.pi * frequency_hz / RATE * (count - HALF_WIDTH))
    truth = modes.response(np.array([2j * np.pi * frequency_hz]))[:, 0]
    # computed: the filter's own ripple, 1e-5 up to 0.42 of the rate as its module states
    assert _tone(heard, frequency_hz) / turned == pytest.approx(truth, rel=1e-5)


def test_the_state_is_carried_over_blocks_of_any_length():
    modes = modes_of(*audio_network(AudioHands(item=WoundCore(core("bin-k"), 30))))
    played = np.random.default_rng(3).normal(size=5000)
    whole = ModalFilter(modes, RATE)(played)
    pieces = ModalFilter(modes, RATE)
    parts = [pieces(block) for block in np.split(played, [1, 40, 41, 1700, 4096])]
    assert np.concatenate(parts, axis=1) == pytest.approx(whole, abs=1e-12)


def test_a_part_without_elements_is_refused():
    network, probes = audio_network(AudioHands(item=fixture("load")))
    odd = type(network)(network.source_node, Scaled(network.source, 2j), network.branches)
    with pytest.raises(InputError, match="no circuit in the time domain"):
        modes_of(odd, probes)


def test_the_card_is_the_one_of_its_data():
    bench = AudioBench(RATE, AudioHands(item=fixture("load")), seed=1)
    played = 0.5 * np.cos(2 * np.pi * 5e3 / RATE * np.arange(9600))
    heard = bench.step(played)[:, 4800:]
    network, probes = audio_network(bench.hands)
    node = network.solve(np.array([2j * np.pi * 5e3]), 0.5 * card_data().output_vpk).voltages
    for row, name, data in zip(_tone(heard, 5e3), probes, card_data().inputs, strict=True):
        # independent: nodal analysis; the coupling capacitors take (1 Hz/5 kHz)², 4e-8
        assert abs(row) == pytest.approx(abs(node[name][0]) / data.vpk, rel=1e-5)
    assert np.all(heard % card_data().step == 0)


@pytest.mark.parametrize(
    ("kind", "value", "message"),
    [("broken", 0.0, "no such fault"), ("dead", 3.0, "out of reach"), ("crosstalk", -1.0, "out of reach")],
)
def test_a_fault_that_is_none_is_refused(kind, value, message):
    with pytest.raises(InputError, match=message):
        parse_audio_fault(kind, value)


def test_faults_do_what_they_are_called():
    volts = np.stack([np.cos(2 * np.pi * 6e3 / RATE * np.arange(9600)), np.zeros(9600)])

    def heard(kind, value=0.0):
        card = VirtualCard(RATE, seed=2)
        card.set(*parse_audio_fault(kind, value))
        return card.read(volts)

    scale = 1 / card_data().inputs[0].vpk
    assert not heard("no permission").any()
    assert np.ptp(heard("dead", 1.0)[0]) < 1e-5
    assert np.ptp(heard("swapped")[1]) == pytest.approx(2 * scale, rel=1e-2)
    assert np.ptp(heard("crosstalk", 0.1)[1]) == pytest.approx(0.2 * scale, rel=1e-2)
    assert np.max(heard("hot", 10.0)) == 1.0 - card_data().step
    assert np.argmax(np.abs(heard("late", 1000.0)[0]) > 0.1) == pytest.approx(1000, abs=2)
    assert np.std(heard("noisy", 1e-3)[1]) == pytest.approx(1e-3, rel=0.05)
    # computed: the phase gains 2π · 6 kHz · 500 ppm · 4800 samples
    fast = heard("clock", 500.0)[0]
    gained = np.angle(_tone(fast[-480:], 6e3) / _tone(fast[4320:4800], 6e3))
    assert gained == pytest.approx(2 * np.pi * 6e3 * 500e-6 * 4800 / RATE, rel=1e-2)
