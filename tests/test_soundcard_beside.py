"""The inputs of a sound card beside a generator on its own line: two clocks and no trigger."""

import threading

import numpy as np
import pytest

from test_virtual_dialects import Clock
from whichcore.analysis.types import Wiring
from whichcore.errors import InputError, InstrumentError
from whichcore.rig.doctor import Status, examine
from whichcore.rig.drivers.scpi_source import ScpiSource
from whichcore.rig.events import NotReachable, PointDone
from whichcore.rig.instruments import Bench
from whichcore.rig.multitone.rule import take_device
from whichcore.rig.soundcard.card import CardSettings, SoundCard
from whichcore.rig.soundcard.instruments import SoundDigitizer
from whichcore.rig.soundcard.process import Played, StreamSettings
from whichcore.rig.sweep.level import DriveRule
from whichcore.rig.sweep.plan import RecordRule, SweepPlan
from whichcore.rig.sweep.run import sweep
from whichcore.rig.tables.command_table import load_table
from whichcore.rig.virtual.bench import Bench as Circuit
from whichcore.rig.virtual.bench import Hands
from whichcore.rig.virtual.cores import core
from whichcore.rig.virtual.dialects import SOURCES
from whichcore.rig.virtual.fixtures import WoundCore, fixture, impedance_of
from whichcore.rig.virtual.server import InstrumentServer
from whichcore.rig.virtual.setup import Setup, node_voltages

RATE, FULL_VPK, SHUNT = 96_000.0, 2.0, 100.0
PPM = 83e-6  # by which the card runs slow: its own clock, and a bad one
STEP = 2.0**-23
NEVER = threading.Event()


class Host:
    """An audio process that hears the circuit behind a generator, sampled by its own clock."""

    def __init__(self, circuit, setup):
        self.circuit, self.setup, self.alive = circuit, setup, True
        self.rng, self.played = np.random.default_rng(3), 0

    def play(self, output, _cancel):
        assert not output.any(), "the output of the card is silent"
        self.played += 1
        front, count = self.circuit.source, len(output)
        times = (np.arange(count) + self.rng.uniform(0, 1e5)) / RATE * (1 + PPM)
        emf_vpk = front.level_vpp / 2 if front.on else 0.0
        f = np.array([front.frequency_hz])
        record = [
            np.real(complex(v[0]) * np.exp(2j * np.pi * f * times)) / FULL_VPK
            for v in node_voltages(self.setup, f, emf_vpk)
        ]
        noisy = np.array(record) + 1e-5 * self.rng.standard_normal((2, count))
        return Played((np.round(noisy / STEP) * STEP).astype(np.float32), ())

    def close(self):
        self.alive = False


@pytest.fixture
def bench():
    item = WoundCore(core("bin-h"), turns=30)
    circuit = Circuit(Hands(item=item), seed=5, clock=Clock())
    server = InstrumentServer(SOURCES["scpi-source"](circuit))
    threading.Thread(target=server.serve_forever, args=(0.01,), daemon=True).start()
    host = Host(circuit, Setup(Wiring.SHUNT_AT_GROUND, item, shunt_ohm=SHUNT))
    stream = StreamSettings("host: card", "host: card", RATE)
    settings = CardSettings(stream, full_scale_in_vpk=(FULL_VPK, FULL_VPK), lead_in_s=0.01)
    card = SoundCard(settings, start=lambda _stream: host)
    source = ScpiSource(load_table("scpi-source"), server.address)
    digitizer = SoundDigitizer(card, None)
    yield Bench(source, digitizer, Wiring.SHUNT_AT_GROUND, SHUNT), host, item
    source.close()
    digitizer.close()
    server.shutdown()
    server.server_close()


def test_a_sweep_finds_the_impedance_of_the_circuit(bench):
    """Z = Zs (V_A − V_B)/V_B against the circuit's own, within what the points state of their voltages."""
    instruments, host, item = bench
    plan = SweepPlan(
        (1000.0, 4470.0, 20_000.0), DriveRule(0.5), record=RecordRule(samples=9600), target_relative=1e-3
    )
    points = [e for e in sweep(plan, instruments, NEVER) if isinstance(e, PointDone) and not e.revisit]
    assert [point.frequency_hz for point in points] == list(plan.frequency_hz)
    for point in points:
        a, b = point.phasors.phasor_vpk
        # analytic: the card sees the tone by as much too high as it runs slow
        assert point.phasors.frequency_hz / point.frequency_hz - 1 == pytest.approx(PPM, abs=3e-6)
        truth = node_voltages(host.setup, np.array([point.frequency_hz]), 0.25)
        ratio = complex(truth[0][0] / truth[1][0])
        u = point.relative_uncertainty * abs(ratio)
        assert abs(a / b - ratio) < 4 * u + 1e-6 * abs(ratio)
    z = SHUNT * (points[0].phasors.phasor_vpk[0] / points[0].phasors.phasor_vpk[1] - 1)
    wanted = complex(impedance_of(item, np.array([1000.0]))[0])
    assert z == pytest.approx(wanted, rel=0.02)  # inputs and the shunt's own inductance are left out here
    assert not host.circuit.source.on


def test_beyond_its_rate_a_point_is_told_as_not_to_be_had(bench):
    instruments, _, _ = bench
    plan = SweepPlan((1000.0, 60_000.0), DriveRule(0.5), record=RecordRule(samples=9600))
    missed = [event for event in sweep(plan, instruments, NEVER) if isinstance(event, NotReachable)]
    assert [event.frequency_hz for event in missed] == [60_000.0]
    assert "too slow for this frequency" in missed[0].reason


def test_doctor_finds_the_bench_fit(bench):
    instruments, host, _ = bench

    class Operator:
        def fit(self, name):
            host.setup = Setup(Wiring.SHUNT_AT_GROUND, fixture(name), shunt_ohm=SHUNT)

    findings = {item.check: item for item in examine(instruments, Operator(), NEVER)}
    assert [item for item in findings.values() if item.status is Status.BAD] == []
    assert findings["voltages, short"].status is findings["voltages, open"].status is Status.GOOD
    assert findings["frequency, short"].found.startswith("+83")  # analytic: the clock of the card


def test_tones_all_at_once_need_the_card_as_the_source(bench):
    instruments, _, _ = bench
    with pytest.raises(InputError, match="plays one tone at a time"):
        take_device(instruments)


def test_a_muted_input_is_told(bench, monkeypatch):
    instruments, host, _ = bench
    monkeypatch.setattr(host, "play", lambda output, _: Played(np.zeros((2, len(output)), "f4"), ()))
    with pytest.raises(InstrumentError, match="every sample of both inputs is exactly zero"):
        instruments.digitizer.acquire(1000.0, 0.0, NEVER)


def test_it_waits_for_no_echo_of_its_own(bench):
    """No ping, one take for each record: nothing it plays comes back."""
    instruments, host, _ = bench
    instruments.source.frequency_hz = 1000.0
    instruments.source.level_vpp = 0.5
    instruments.source.output_on()
    instruments.digitizer.set_points(4800)
    capture = instruments.digitizer.acquire(1000.0, 2.5, NEVER)
    assert (capture.samples.shape, capture.start_time_s, host.played) == ((2, 4800), 2.5, 1)
