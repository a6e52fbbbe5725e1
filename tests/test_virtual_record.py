"""What the channels of the virtual bench do to a voltage: each fault does what it says and is as large."""

import math
from dataclasses import replace

import numpy as np
import pytest

from whichcore.analysis.phasor import fit_phasors
from whichcore.analysis.types import FlagKind, Wiring
from whichcore.rig.virtual import (
    Drive,
    Sampling,
    Setup,
    WoundCore,
    capture_in_process,
    core,
    fixture,
    operate,
)
from whichcore.rig.virtual.bench import Bench, Hands, SourceFront
from whichcore.rig.virtual.electronics import electronics
from whichcore.rig.virtual.faults import Fault, FaultKind
from whichcore.rig.virtual.record import (
    ChannelSettings,
    RangeData,
    Room,
    channel_settings,
    convert,
    first_stretch,
    with_inputs,
)
from whichcore.rig.virtual.setup import node_voltages

DATA = electronics()
TIED = Setup(Wiring.SHUNT_AT_GROUND, fixture("open"), tied=True)
# a channel whose converter is ideal but for its steps
IDEAL = replace(DATA.digitizer.channels[0], zero_steps=0.0, bow_steps=0.0, ripple_steps=0.0)


class Clock:
    """Time that passes only when told."""

    def __init__(self):
        self.now = 1000.0

    def __call__(self):
        return self.now


def shown(setup, frequency_hz, channels, emf_vpk=0.1):
    """Return V_A/V_B as an eight-bit record shows it, averaged over many records."""
    rng = np.random.default_rng(7)
    sampling = Sampling(20000, 2e-8)
    takes = [
        fit_phasors(capture_in_process(setup, Drive(frequency_hz, emf_vpk), channels, sampling, rng))
        for _ in range(8)
    ]
    return np.mean([take.phasor_vpk[0] / take.phasor_vpk[1] for take in takes])


def test_delay_gain_and_bandwidth_do_what_they_say():
    row = RangeData(1.0, 1.02, 5e-9, 20e6, 4e-12, 0.0)
    h = row.response(2j * np.pi * np.array([1e3, 2e6, 20e6]))
    assert abs(h[0]) == pytest.approx(1.02, rel=1e-6)  # analytic
    assert np.angle(h[1]) == pytest.approx(-2 * math.pi * 2e6 * 5e-9 - math.atan(0.1), rel=1e-9)  # analytic
    assert abs(h[2]) == pytest.approx(1.02 / math.sqrt(2), rel=1e-9)  # analytic: 3 dB


def test_two_channels_on_one_node_differ_by_their_ranges():
    channels = (channel_settings(0, 0.4), channel_settings(1, 0.4))
    for f in (1.0e5, 3.0e6):
        gains = 0.9931 / 1.0081 * (1 + 1j * f / 47e6) / (1 + 1j * f / 48e6)
        delays = np.exp(-2j * math.pi * f * (3.2e-9 - 3.5e-9))
        # analytic, from the table of ranges; the converter's ripple leaves some 0.3 % of a tone of 80 steps
        assert shown(TIED, f, channels) == pytest.approx(gains * delays, abs=4e-3)
    turned = np.angle(shown(TIED, 3e6, channels)) - np.angle(shown(TIED, 1e5, channels))
    # analytic: 0.3 ns of delay less 3 MHz (1/47 − 1/48 MHz) rad ahead; non-linearity does not turn phases
    assert turned == pytest.approx(2 * math.pi * 2.9e6 * 0.3e-9 + 2.9 * (1 / 47 - 1 / 48), abs=5e-4)


def test_ranges_differ_in_their_capacitance():
    setup = Setup(Wiring.SHUNT_AT_GROUND, fixture("resistor"))
    small, large = (
        with_inputs(setup, (channel_settings(0, 1.6), channel_settings(1, v))) for v in (0.08, 40.0)
    )
    f = np.array([3e6])
    change = node_voltages(small, f, 1.0)[1] / node_voltages(large, f, 1.0)[1] - 1
    # analytic: 1.5 pF more across the shunt of 10 Ω (in parallel with 260 Ω of the rest)
    source = 1 / (1 / (10.007 + 2j * math.pi * 3e6 * 5.2e-9) + 1 / (50 + 200.31 + 0.022))
    assert abs(change[0]) == pytest.approx(abs(2j * math.pi * 3e6 * 1.5e-12 * source), rel=0.02)


def test_steps_and_noise_have_the_stated_size():
    quiet = ChannelSettings(IDEAL, replace(IDEAL.ranges[8], floor_vrms=0.0))
    volts = np.linspace(-1, 1, 5001) * 0.25
    rng = np.random.default_rng(1)
    codes = np.array([convert(np.full(40000, v), quiet, rng).mean() for v in (0.3 * 0.16, 0.8 * 0.16)])
    # analytic: a step of 40 V/250; noise of 0.32 steps leaves a ripple of e^{−2π²·0.32²}/π = 0.042 steps
    assert codes == pytest.approx([0.3, 0.8], abs=0.05)
    assert quiet.noise_steps() == pytest.approx(0.32)
    noisy = convert(
        np.zeros(200000), replace(quiet, range_data=replace(IDEAL.ranges[8], floor_vrms=0.48)), rng
    )
    # analytic: 0.32 and 3.0 steps of noise and 1/12 of rounding; 4 standard deviations of 200,000 values
    assert np.std(noisy.astype(float)) == pytest.approx(
        math.sqrt(0.32**2 + 3.0**2 + 1 / 12), rel=4 / math.sqrt(4e5)
    )
    assert set(np.diff(np.unique(convert(volts * 100, quiet, rng)))) == {1}


def test_rails_and_offset():
    settings = ChannelSettings(IDEAL, IDEAL.ranges[2], offset_v=0.1)
    rng = np.random.default_rng(2)
    low, middle, high = (convert(np.full(100, v), settings, rng).mean() for v in (-9.0, 0.1, 9.0))
    assert (low, high) == (-128, 127)
    assert abs(middle) < 0.3  # the offset is the voltage at code 0


def test_nonlinearity_is_as_large_as_stated():
    channel = DATA.digitizer.channels[0]
    codes = np.arange(-128.0, 128.0)
    # analytic: a bow of x² − 1/3 has an rms of √(4/45), a ripple of √(1/2)
    expected = math.hypot(0.42 * math.sqrt(4 / 45), 0.22 / math.sqrt(2))
    assert channel.nonlinearity_rms() == pytest.approx(expected, rel=0.05)
    settings = ChannelSettings(replace(channel, zero_steps=0.0), replace(channel.ranges[8], floor_vrms=0.0))
    rng = np.random.default_rng(3)
    found = [convert(np.full(4000, c * settings.step_v), settings, rng).mean() - c for c in codes[8:-8:10]]
    # what a ramp shows is the stated curve, give or take the ripple of rounding and 0.4/√4000 of noise
    assert np.max(np.abs(found - channel.nonlinearity(codes[8:-8:10]))) < 0.08


def test_clocks_of_source_and_digitizer_differ():
    channels = (channel_settings(0, 0.4), channel_settings(1, 0.4))
    capture = capture_in_process(
        TIED, Drive(1e5, 0.15), channels, Sampling(100000, 1e-7), np.random.default_rng(4)
    )
    # analytic: (1 + 11.3 ppm)(1 − 7.9 ppm), found to 0.03 ppm in 10 ms
    assert fit_phasors(capture).frequency_hz / 1e5 - 1 == pytest.approx(3.4e-6, abs=0.1e-6)


def test_ratio_is_found_through_everything():
    channels = (channel_settings(0, 0.16), channel_settings(1, 0.16))
    setup = Setup(Wiring.SPECIMEN_AT_GROUND, WoundCore(core("bin-l"), 20), shunt_ohm=10.0)
    f, emf = 3e5, 0.25
    jw = 2j * math.pi * f
    state = operate(with_inputs(setup, channels), np.array([f]), emf)
    truth = state.probe_v[0, 0] / state.probe_v[1, 0] * channels[0].response(jw) / channels[1].response(jw)
    assert shown(setup, f, channels, emf) == pytest.approx(truth, rel=0.01)  # converter: 0.3 of 60 steps


def test_source_has_harmonics_and_mains_hums():
    channels = (channel_settings(0, 0.4), channel_settings(1, 0.4))
    stretch = first_stretch(TIED, Drive(1e5, 1.0), 0.0, 0.0)
    assert abs(stretch.harmonics[2][0] / stretch.operating.probe_v[0, 0]) == pytest.approx(
        10 ** (-66 / 20), rel=1e-3
    )  # analytic
    time_s = np.arange(4000) / 4000 / 49.98
    hum = Room(0.0).hum(time_s, 0)
    assert np.std(hum) == pytest.approx(2.1e-4 * math.sqrt((1 + 0.09) / 2), rel=1e-3)  # analytic
    assert channels[0].direct_gain() == pytest.approx(0.9931)


def test_coupling_capacitor_and_probe():
    direct = channel_settings(0, 0.4)
    coupled = replace(direct, alternating=True)
    corner = 2j * math.pi * 1.6
    assert coupled.response(corner) / direct.response(corner) == pytest.approx((1 + 1j) / 2)  # analytic
    assert coupled.direct_gain() == 0
    probe = replace(direct, probe_ratio=10)
    assert probe.direct_gain() / direct.direct_gain() == pytest.approx(0.1011)
    assert probe.input_ohm == 10 * direct.input_ohm
    assert probe.input_farad < direct.input_farad / 4


def test_display_load_and_pad():
    assert SourceFront(load_ohm=math.inf).display_share == 1.0
    assert SourceFront(load_ohm=50.0).display_share == 0.5
    f = np.array([1e4])
    plain, padded = (node_voltages(replace(TIED, pad_db=db), f, 1.0)[0] for db in (0.0, 20.0))
    assert abs(padded / plain)[0] == pytest.approx(10 ** (-20.02 / 20), rel=1e-9)  # 0.02 dB of error


# --- the bench over time, by a clock that stands ---


def bench_with_core(**hands):
    clock = Clock()
    item = WoundCore(core("bin-h"), 10)
    bench = Bench(Hands(item=item, **hands), seed=5, clock=clock)
    bench.change(source=SourceFront(1e4, 1.0, load_ohm=math.inf, on=True))
    clock.now += 1.0
    return bench, clock


def test_a_record_takes_its_true_time():
    bench, clock = bench_with_core()
    assert bench.start()
    assert not bench.start()  # one at a time
    assert bench.codes(0) is None
    clock.now += 0.99999 * 10_000 * 1e-6
    assert bench.running()
    assert bench.codes(0) is None
    clock.now += 1.1e-5 * 10_000 * 1e-6
    assert not bench.running()
    assert bench.codes(0).shape == (10_000,)
    assert np.array_equal(bench.codes(0), bench.codes(0))  # handed out again, not measured again


def test_records_start_anywhere_in_the_period():
    bench, clock = bench_with_core()
    phases = []
    for k in range(12):
        bench.start()
        clock.now += 0.0123 + 0.37e-4 * k
        codes = bench.codes(0)[:1000].astype(float)
        time_s = np.arange(1000) * 1e-6
        phases.append(np.angle(np.sum(codes * np.exp(-2j * np.pi * 1e4 * time_s))))
    assert np.ptp(phases) > 2.0


def test_output_settles_after_the_relay():
    bench, clock = bench_with_core()
    bench.change(source=replace(bench.source, on=False))
    clock.now += 1.0
    bench.change(source=replace(bench.source, on=True))
    bench.start()
    clock.now += 0.02
    codes = bench.codes(0).astype(float)
    before, after = codes[:3900], codes[4100:]  # 4 ms of relay at 1 µs
    assert np.std(before) < 1.0
    assert np.std(after) > 5.0


def test_changes_within_a_record_show():
    bench, clock = bench_with_core()
    bench.start()
    clock.now += 0.005
    bench.change(source=replace(bench.source, level_vpp=2.0))
    clock.now += 0.02
    codes = bench.codes(0).astype(float)
    halves = [np.std(codes[:4900]), np.std(codes[5100:])]
    # twice the drive; the level adds some percent, noise and hum some
    assert halves[1] / halves[0] == pytest.approx(2.0, rel=0.1)


def fault_record(kind, channel=1):
    bench, clock = bench_with_core()
    bench.faults.add(Fault(kind, channel=channel, value=1000.0))
    bench.refresh()
    clock.now += 1.0
    bench.start()
    clock.now += 1.0
    return bench, [bench.codes(k).astype(float) for k in (0, 1)]


def test_faults_of_the_bench():
    bench, good = fault_record(FaultKind.SLOW)  # a fault of the line leaves the record alone
    assert np.std(good[0]) > 1.5 * np.std(good[1])
    _, unplugged = fault_record(FaultKind.UNPLUGGED, channel=1)
    assert np.std(unplugged[0]) < np.std(good[0]) / 3
    assert np.std(unplugged[1]) == pytest.approx(np.std(good[1]), rel=0.2)
    _, swapped = fault_record(FaultKind.SWAPPED)
    assert np.std(swapped[1]) == pytest.approx(np.std(good[0]), rel=0.1)
    _, clipped = fault_record(FaultKind.CLIPPED, channel=1)
    assert clipped[0].max() == 127
    assert clipped[0].min() == -128
    doubled, _ = fault_record(FaultKind.DISPLAY_LOAD)
    assert doubled.state()["emf_vpp"] == pytest.approx(2 * bench.state()["emf_vpp"])


def test_a_source_off_by_a_thousandth():
    bench, _ = bench_with_core()
    usual = bench._stretches[-1].drive.frequency_hz
    bench.faults.add(Fault(FaultKind.FREQUENCY_OFF, on="source", value=1000.0))
    bench.refresh()
    assert bench._stretches[-1].drive.frequency_hz / usual - 1 == pytest.approx(1e-3, rel=2e-5)


def test_remanence_goes_by_a_slow_decay_and_comes_by_a_sharp_one():
    def driven(levels):
        clock = Clock()
        item = WoundCore(core("bin-n"), 40)  # soft: 5 × 1.5 A/m are reached from a few volts
        bench = Bench(Hands(item=item, remanence_t=0.2), seed=6, clock=clock)
        for level in levels:
            clock.now += 1.0
            bench.change(source=SourceFront(1e3, level, load_ohm=math.inf, on=True))
        return bench.hands.remanence_t

    slow = [4.0 * 0.7**k for k in range(16)]
    assert driven(slow) == 0.0
    assert driven([4.0, 0.02, 0.01]) == pytest.approx(0.6 * 0.3)
    assert driven([0.02, 0.01, 0.005]) == 0.2  # too little to neutralise
    assert driven([4.0]) == 0.2  # not yet


def test_clipped_record_is_flagged_by_the_fit():
    channels = (channel_settings(0, 0.08), channel_settings(1, 0.08))
    capture = capture_in_process(
        TIED, Drive(1e5, 0.5), channels, Sampling(5000, 1e-7), np.random.default_rng(8)
    )
    assert fit_phasors(capture).has(FlagKind.CLIPPED)
