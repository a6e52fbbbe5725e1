"""Tones above half the sample rate: where they fold, when that may be used, and that they read the same."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from instant_bench import Instant
from test_rig_sweep import Circuit, SimDigitizer, correct, make_bench, make_plan, of, run
from whichcore.analysis.alias import fold, obstacle
from whichcore.analysis.phasor import fit_phasors
from whichcore.analysis.types import Capture, FlagKind, Phasors
from whichcore.errors import AnalysisError, InputError
from whichcore.rig.events import NotReachable, PointDone
from whichcore.rig.instruments import DigitizerLimits
from whichcore.rig.sweep.level import DriveRule
from whichcore.rig.sweep.plan import RecordRule, log_grid, points_for
from whichcore.rig.sweep.run import sweep
from whichcore.rig.sweep.timing import Clocks, set_timing
from whichcore.rig.tables.command_table import load_table
from whichcore.rig.virtual.faults import Fault, FaultKind

N = 4000
RULE = RecordRule(N, 40)


class TestFold:
    @given(st.floats(0.01, 40.0))
    def test_where_a_sampled_tone_appears(self, cycles):
        """independent code: numpy's transform of the samples themselves."""
        wave = np.cos(2 * np.pi * cycles * np.arange(N) + 0.3) * np.hanning(N)
        peak = np.argmax(np.abs(np.fft.rfft(wave))) / N
        assert fold(cycles) == pytest.approx(peak, abs=1.5 / N)

    def test_ends(self):
        assert [fold(c) for c in (0.0, 0.25, 0.5, 0.75, 1.0, 3.2)] == pytest.approx(
            [0, 0.25, 0.5, 0.25, 0, 0.2]  # analytic
        )

    @pytest.mark.parametrize(
        ("cycles", "ppm", "told"),
        [
            (0.1, 1000, ""),
            (0.3, 1000, ""),
            (1 / 3, 1000, "harmonic 2"),  # analytic: 2/3 folds onto 1/3
            (0.25, 1000, "harmonic 3"),
            (0.2, 1000, "harmonic 4"),
            (1 / 6, 1000, "harmonic 5"),
            (1 / 7, 1000, ""),  # the sixth, which is let pass
            (0.45, 1000, ""),
            (1.27, 1000, ""),
            (2.0, 1000, "multiple of half"),
            (2.5, 1000, "multiple of half"),
            (2.499, 10, ""),
            (2.499, 1000, "multiple of half"),  # the clocks may move it there
            (24.9, 1000, ""),
            (25.1, 1000, "1e+03 ppm"),  # analytic: 16 samples turn by 0.4 at 25 cycles and 1000 ppm
            (75.3, 20, ""),
        ],
    )
    def test_what_is_in_the_way(self, cycles, ppm, told):
        found = obstacle(1e6, cycles / 1e6, 20_000, ppm * 1e-6)
        assert (told in found) if told else not found

    @given(st.floats(0.42, 8.0), st.floats(-3e-4, 3e-4))
    def test_nothing_in_the_way_means_the_fit_finds_the_tone(self, cycles, offset):
        """A tone with 2nd to 5th harmonic on a clock that is off; analytic: what was put in comes out."""
        if obstacle(1e6, cycles / 1e6, N, 3e-4):
            return
        t = np.arange(N) * cycles * (1 + offset)
        rng = np.random.default_rng(7)
        clean = np.cos(2 * np.pi * t + 0.4) + sum(3e-4 * np.cos(2 * np.pi * k * t) for k in range(2, 6))
        samples = np.stack([clean, 0.5 * clean]) + rng.normal(0, 1e-3, (2, N))
        found = fit_phasors(Capture(samples, cycles / 1e6), 1e6, mains_hz=None, allow_aliased=True)
        assert found.frequency_hz == pytest.approx(1e6 * (1 + offset), abs=6 * found.frequency_uncertainty_hz)
        ratio = found.phasor_vpk[0] / found.phasor_vpk[1]
        # six standard deviations of the bound 1/Nη1 + 1/Nη2 (Kay 1993, ch. 3; memory)
        assert abs(ratio / 2 - 1) < 6 * math.sqrt(2e-6 / N * (1 + 4))


class Stepped(SimDigitizer):
    """Has only some sample intervals, like real ones."""

    def __init__(self, circuit, every, bandwidth_hz=None):
        super().__init__(circuit)
        self.every = np.array(every)
        self.limits = DigitizerLimits(
            (16, 1_000_000), (every[0], every[-1]), self.limits.ranges_vpp, bandwidth_hz
        )
        self.asked = []

    def set_interval(self, interval_s):
        self.asked.append(interval_s)
        self.interval_s = float(self.every[np.argmin(np.abs(self.every - interval_s))])
        return self.interval_s


EVERY = (4e-7, 1e-6, 2e-6, 4e-6, 1e-5)


class TestTiming:
    def test_the_usual_case_asks_once(self):
        digitizer = Stepped(Circuit(), EVERY)
        timing = set_timing(digitizer, RULE, 5e3, Clocks())
        assert (timing.interval_s, timing.folded) == (2e-6, False)  # analytic: 40 periods in 4000 samples
        assert len(digitizer.asked) == 1
        assert digitizer.points == timing.points

    def test_a_harmonic_on_the_tone_is_re_timed(self):
        digitizer = Stepped(Circuit(), EVERY)
        # 100 kHz at 2 µs is 0.2 cycles, where the fourth harmonic folds onto the tone
        timing = set_timing(digitizer, RecordRule(N, 800), 100e3, Clocks())
        assert timing.interval_s == 1e-6
        assert not timing.folded

    def test_too_slow_without_a_bandwidth(self):
        with pytest.raises(AnalysisError, match=r"bandwidth_hz.*command table"):
            set_timing(Stepped(Circuit(), EVERY), RULE, 1.7e6, Clocks())
        with pytest.raises(AnalysisError, match="follow up to 1e\\+06 Hz only"):
            set_timing(Stepped(Circuit(), EVERY, 1e6), RULE, 1.7e6, Clocks())

    def test_with_one_it_folds(self):
        timing = set_timing(Stepped(Circuit(), EVERY, 5e6), RULE, 1.7e6, Clocks())
        assert (timing.interval_s, timing.folded) == (4e-7, True)
        periods = round(timing.points * fold(1.7e6 * 4e-7))
        assert math.gcd(periods, timing.points) == 1

    def test_a_round_ratio_is_refused_with_every_reason_once(self):
        with pytest.raises(AnalysisError, match="folds onto a multiple of half the sample rate") as caught:
            set_timing(Stepped(Circuit(), EVERY, 50e6), RULE, 10e6, Clocks())
        assert caught.value.one_line().count("multiple of half") == 1
        assert "beside it" in caught.value.next_step

    def test_clocks_too_far_apart_to_know_where_it_folds(self):
        slow = Stepped(Circuit(), (1e-5,), 50e6)
        with pytest.raises(AnalysisError, match=r"clocks may differ by 1e\+03 ppm"):
            set_timing(slow, RULE, 5.6234e6, Clocks())
        # a frequency read in the ordinary way has told how far they are apart
        assert set_timing(slow, RULE, 5.6234e6, Clocks(19e-6, 1.2e-5)).folded

    def test_what_a_reading_tells_of_the_clocks(self):
        def seen(u):
            zero, two = np.zeros((4, 4)), np.zeros(2)
            parts = (two + 0j, zero, zero, two, 0.0, two, {}, two, (), 1, N)
            return Clocks().seen(Phasors(1e5 * (1 + 2e-5), u, 0.0, *parts), 1e5)

        assert seen(0.01).offset == pytest.approx(2e-5, rel=1e-6)
        assert seen(0.01).uncertainty == pytest.approx(3e-7 + 1e-5)
        assert seen(1.0) == Clocks()
        assert seen(0.0) == Clocks()

    def test_records_of_folded_tones_hold_whole_periods(self):
        limits = DigitizerLimits((16, 1_000_000), (4e-7, 1.0), ((1.0,), (1.0,)), 1e7)
        points = points_for(RULE, limits, 4e-7, 3.1234e6)
        place = fold(3.1234e6 * 4e-7) * points
        assert abs(place - round(place)) < 0.05
        assert math.gcd(points, round(place)) == 1


class TestSweep:
    def test_a_slow_digitizer_reads_what_a_fast_one_reads(self):
        """2.5 MS/s against 500 MS/s on the virtual bench, to 4.9 MHz; a clock 19 ppm beside the other."""
        grid, found = log_grid(7e5, 4.9e6, 5), {}
        for name, limits in (("fast", {}), ("slow", {"fastest_s": 4e-7, "bandwidth_hz": 48e6})):
            lab = Instant(seed=3, **limits)
            lab.wind("bin-h")
            plan = make_plan(frequency_hz=grid, level=DriveRule(2.0), record=RULE, most_takes=4)
            events = list(sweep(plan, lab.bench, lab.cancel, correct=correct))
            points = {p.frequency_hz: p for p in of(events, PointDone) if not p.revisit}
            assert len(points) == len(grid)
            found[name] = points
        for f in grid:
            fast, slow = (found[name][f] for name in ("fast", "slow"))
            u = math.sqrt(sum(np.trace(p.corrected.scatter[0]) for p in (fast, slow)) / 2)
            z = [complex(p.corrected.impedance_ohm[0]) for p in (fast, slow)]
            assert abs(z[0] - z[1]) < 2 * u
            # the converter bends both alike: what chance leaves is far less
            own = math.hypot(
                *(
                    math.sqrt(np.trace(p.phasors.covariance_v2 - p.phasors.systematic_v2))
                    / np.min(np.abs(p.phasors.phasor_vpk))
                    for p in (fast, slow)
                )
            )
            assert abs(z[0] - z[1]) < 5 * own * (abs(z[0]) + 10)
            assert not fast.phasors.has(FlagKind.ALIASED)
            assert slow.phasors.has(FlagKind.ALIASED) == (f > 1.25e6)

    def test_the_flag_is_no_fault_but_a_collision_is(self):
        """A record whose harmonic folds onto the tone is not believed, should the timing ever give one."""
        circuit = Circuit()
        digitizer = SimDigitizer(circuit)
        digitizer.set_interval = lambda _: setattr(digitizer, "interval_s", 2e-6) or 2.01e-6
        bench, _ = make_bench(circuit, digitizer=digitizer)
        (missed,) = of(run(make_plan(frequency_hz=(100e3,)), bench, correct=correct), NotReachable)
        assert "harmonic 4 folds onto the tone" in missed.reason

    @pytest.mark.parametrize(("ppm", "there"), [(800.0, True), (5000.0, False)])
    def test_a_source_that_is_off(self, ppm, there):
        lab = Instant(seed=2, fastest_s=4e-7, bandwidth_hz=48e6)
        lab.wind("bin-h")
        lab.table.faults.add(Fault(FaultKind.FREQUENCY_OFF, on="source", value=ppm))
        plan = make_plan(frequency_hz=(1.7e6, 2.3e6), level=DriveRule(2.0), record=RULE, revisit_first=False)
        events = list(sweep(plan, lab.bench, lab.cancel, correct=correct))
        assert len(of(events, PointDone)) == (2 if there else 0)
        if not there:
            assert all("no tone stands out" in event.reason for event in of(events, NotReachable))

    def test_an_ordinary_tone_tells_the_clocks_and_leads_far_beyond(self):
        """56 periods a sample, clocks 703 ppm apart: 16 samples turn by 0.63, or by −0.37: who knows."""
        lab = Instant(seed=2, fastest_s=1e-5, bandwidth_hz=48e6)
        lab.wind("bin-h")
        lab.table.faults.add(Fault(FaultKind.FREQUENCY_OFF, on="source", value=700.0))
        plan = make_plan(
            frequency_hz=(2.3e4, 5.6234e6), level=DriveRule(2.0), record=RULE, revisit_first=False
        )
        for point in of(list(sweep(plan, lab.bench, lab.cancel, correct=correct)), PointDone):
            # the bench's own clocks: 711.3 ppm of the source, −7.9 ppm of the digitizer
            off = point.phasors.frequency_hz / point.frequency_hz - 1
            assert off == pytest.approx(1.0007113 * (1 - 7.9e-6) - 1, abs=1e-6)
            last = point
        assert last.phasors.has(FlagKind.ALIASED)

    def test_a_digitizer_that_states_no_bandwidth_is_too_slow(self):
        lab = Instant(fastest_s=4e-7)
        lab.wind("bin-h")
        plan = make_plan(frequency_hz=(0.45e6, 1.7e6), level=DriveRule(2.0), record=RULE, revisit_first=False)
        events = list(sweep(plan, lab.bench, lab.cancel, correct=correct))
        assert [p.frequency_hz for p in of(events, PointDone)] == [0.45e6]
        assert "too slow" in of(events, NotReachable)[0].reason


def test_the_bandwidth_comes_from_the_command_table(tmp_path):
    table = load_table("scpi-digitizer")
    assert table.limits.bandwidth_hz is None
    from whichcore.rig.tables.command_table import _text  # noqa: PLC0415

    text = _text("scpi-digitizer")
    assert "[limits]\n" in text
    path = tmp_path / "slow.toml"
    path.write_text(text.replace("[limits]\n", "[limits]\nbandwidth_hz = 60e6\n"))
    assert load_table(path).limits.bandwidth_hz == 60e6
    path.write_text(text.replace("[limits]\n", "[limits]\nbandwidth_hz = 0\n"))
    with pytest.raises(InputError, match="bandwidth_hz"):
        load_table(path)
