"""The sweep on a simulated bench in this process: an 8-bit digitizer, a 50 Ω source, a shunt of 10 Ω."""

import itertools
import math
import subprocess
import sys
import threading
from dataclasses import dataclass, field, replace
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from whichcore.analysis.specimen import Ring, Specimen, Winding
from whichcore.analysis.types import Capture, ImpedanceSweep, Wiring
from whichcore.errors import Cancelled, InputError, InstrumentError, WhichcoreWarning
from whichcore.measure.record import one_record
from whichcore.rig.doctor import DoctorPlan, Status, examine
from whichcore.rig.events import (
    Finished,
    LevelChanged,
    NotReachable,
    OutputFoundOn,
    PointDone,
    RangeChanged,
    RangesTied,
    Started,
)
from whichcore.rig.instruments import Bench, DigitizerLimits, SourceLimits
from whichcore.rig.sweep import settling
from whichcore.rig.sweep.level import (
    DriveRule,
    FluxRule,
    LevelSeen,
    ZeroFieldRule,
    predicted_level_vpp,
    rounded_down,
)
from whichcore.rig.sweep.plan import (
    DemagnetiseRule,
    PointOrder,
    RecordRule,
    SweepPlan,
    interval_wanted,
    log_grid,
    points_for,
)
from whichcore.rig.sweep.point import OutOfReachError, Place, Station
from whichcore.rig.sweep.ranging import FILL_WANTED, FULLEST, Seen, better_range
from whichcore.rig.sweep.run import sweep

SHUNT = 10.0
RANGES = (0.08, 0.16, 0.4, 0.8, 1.6, 4.0, 8.0, 16.0, 40.0)
SPECIMEN = Specimen(Ring(25e-3, 15e-3, 10e-3), Winding(10, wire_diameter_m=0.4e-3, wire_length_m=0.45))
AREA = 48.927e-6  # computed (IEC 60205 formulas), the ring 25/15/10 mm
EDGE = 60.180e-3 / (math.pi * 15e-3)  # computed: l_e over the inner circumference
AIR = 102.17e-9  # computed: 10² times 1.0217 nH


def ferrite(f):
    """Z of the winding with μ = 2300/(1 + jf/1 MHz) and the copper of 62 mΩ."""
    return 2j * np.pi * f * AIR * 2300 / (1 + 1j * f / 1e6) + 0.062


@dataclass
class Circuit:
    """What hangs on the bench, and everything the simulated instruments were told."""

    impedance: object = ferrite
    wiring: Wiring = Wiring.SHUNT_AT_GROUND
    output_ohm: float = 50.0
    noise_codes: float = 0.5
    dc_v: float = 0.0
    frequency_hz: float = 1e3
    level_vpp: float = 0.0
    on: bool = False
    highest_flux_t: float = 0.0
    records: int = 0
    log: list = field(default_factory=list)

    def voltages(self):
        """Peak phasors of A and B."""
        z = self.impedance(self.frequency_hz)
        emf = self.level_vpp / 2 * self.on
        if math.isinf(abs(z)):
            return (emf, 0j) if self.wiring is Wiring.SHUNT_AT_GROUND else (emf, emf)
        current = emf / (self.output_ohm + SHUNT + z)
        core = abs(current * (z - 0.062))
        flux = core / (2 * np.pi * self.frequency_hz * 10 * AREA) * EDGE
        self.highest_flux_t = max(self.highest_flux_t, flux)
        b = current * (SHUNT if self.wiring is Wiring.SHUNT_AT_GROUND else z)
        return current * (SHUNT + z), b


class SimSource:
    def __init__(self, circuit, lowest_vpp=1e-3):
        self.circuit = circuit
        self.limits = SourceLimits((1.0, 30e6), (lowest_vpp, 20.0))
        self.identity, self.output_ohm, self.settle_s, self.offset_v = "simulated source", 50.0, 0.0, None
        self.fails_to_switch_off = False

    @property
    def frequency_hz(self):
        return self.circuit.frequency_hz

    @frequency_hz.setter
    def frequency_hz(self, value):
        self.circuit.frequency_hz = value

    @property
    def level_vpp(self):
        return self.circuit.level_vpp

    @level_vpp.setter
    def level_vpp(self, value):
        self.circuit.log.append(("level", value))
        self.circuit.level_vpp = value

    def output_is_on(self):
        return self.circuit.on

    def output_on(self):
        self.circuit.log.append("on")
        self.circuit.on = True

    def output_off(self):
        self.circuit.log.append("off")
        if self.fails_to_switch_off and self.circuit.records:
            raise InstrumentError("dead", where="source")
        self.circuit.on = False

    def check_errors(self):
        pass


class SimDigitizer:
    def __init__(self, circuit, fastest_s=2e-9, ranges=RANGES):
        self.circuit = circuit
        self.limits = DigitizerLimits((16, 1_000_000), (fastest_s, 1.0), (ranges, ranges))
        self.identity = "simulated digitizer"
        self.ranges_vpp = [ranges[-1], ranges[-1]]
        self.rng = np.random.default_rng(20240)
        self.hook = lambda _: None
        self.zero_codes = 0.0

    def set_range(self, channel, range_vpp):
        assert range_vpp in self.limits.ranges_vpp[channel]
        self.ranges_vpp[channel] = range_vpp
        return range_vpp

    def set_interval(self, interval_s):
        self.interval_s = interval_s
        return interval_s

    def set_points(self, points):
        self.points = points

    def acquire(self, frequency_hz, start_time_s, cancel):
        if cancel.is_set():
            raise Cancelled("stopped")
        self.circuit.records += 1
        self.hook(self.circuit.records)
        t = np.arange(self.points) * self.interval_s
        turn = np.exp(1j * (2 * np.pi * self.circuit.frequency_hz * t + self.rng.uniform(0, 2 * np.pi)))
        scale = [full / 256 for full in self.ranges_vpp]
        codes = [
            (np.real(v * turn) + self.circuit.dc_v * self.circuit.on) / s
            + self.zero_codes
            + self.rng.normal(0, self.circuit.noise_codes, t.size)
            for v, s in zip(self.circuit.voltages(), scale, strict=True)
        ]
        return Capture(
            samples=np.clip(np.rint(codes), -128, 127).astype(np.int8),
            interval_s=self.interval_s,
            volts_per_code=tuple(scale),
            start_time_s=start_time_s,
            range_labels=tuple(f"{full:g}V" for full in self.ranges_vpp),
            frequency_hz=frequency_hz,
        )

    def check_errors(self):
        pass


def correct(pair):
    """Z = R_s (V_A − V_B)/V_B, first-order covariance; written out apart from the calibration's own code."""
    a, b = pair.voltage_a_v, pair.voltage_b_v
    z = SHUNT * (a - b) / b
    scatter = []
    for i in range(z.size):
        da, db = SHUNT / b[i], -SHUNT * a[i] / b[i] ** 2
        j = np.array([[da.real, -da.imag, db.real, -db.imag], [da.imag, da.real, db.imag, db.real]])
        scatter.append(j @ pair.covariance[i] @ j.T)
    return ImpedanceSweep(pair.frequency_hz, z, np.array(scatter))


def make_bench(circuit=None, **parts):
    circuit = circuit or Circuit()
    source = parts.get("source") or SimSource(circuit)
    digitizer = parts.get("digitizer") or SimDigitizer(circuit)
    return Bench(source, digitizer, circuit.wiring, SHUNT), circuit


def make_plan(**changes):
    settings = {
        "frequency_hz": log_grid(10e3, 1e6, 3),
        "level": DriveRule(0.5),
        "record": RecordRule(2000, 40),
        "settle_periods": 0.0,
        "target_relative": 0.01,
        "most_takes": 16,
    }
    return SweepPlan(**(settings | changes))


def run(plan, bench, **more):
    return list(sweep(plan, bench, threading.Event(), **more))


def of(events, kind):
    return [event for event in events if isinstance(event, kind)]


class TestSweep:
    def test_impedance_of_every_point(self):
        bench, circuit = make_bench()
        events = run(make_plan(), bench, correct=correct)
        points = [point for point in of(events, PointDone) if not point.revisit]
        assert [point.frequency_hz for point in points] == list(make_plan().frequency_hz)
        off = []
        for point in points:
            z, truth = point.corrected.impedance_ohm[0], ferrite(point.frequency_hz)
            u = math.sqrt(np.trace(point.corrected.scatter[0]) / 2)
            off += [(z - truth).real / u, (z - truth).imag / u]
            assert point.relative_uncertainty <= 0.01
            assert point.target_reached
        # analytic: normal deviates; 14 of them pass 4 with a chance below 1e-3
        assert np.abs(off).max() < 4
        assert np.mean(np.square(off)) == pytest.approx(1, abs=0.9)
        assert isinstance(events[0], Started)
        assert isinstance(events[-1], Finished)
        assert (events[0].points, events[0].skipped) == (7, 0)
        assert (events[-1].measured, events[-1].not_reachable) == (7, 0)
        assert circuit.on is False

    def test_the_output_goes_off_first_and_that_is_said(self):
        bench, circuit = make_bench()
        circuit.on = True
        events = run(make_plan(), bench)
        assert isinstance(events[0], OutputFoundOn)
        assert circuit.log[0] == "off"
        assert circuit.log[-1] == "off"
        assert of(run(make_plan(), bench), OutputFoundOn) == []

    def test_pairs_are_raw_and_turned(self):
        bench, circuit = make_bench()
        point = of(run(make_plan(), bench), PointDone)[2]
        circuit.on, circuit.frequency_hz, circuit.level_vpp = True, point.frequency_hz, 0.5
        a, b = circuit.voltages()
        assert point.corrected is None
        assert abs(point.pair.voltage_a_v[0]) == pytest.approx(abs(a), rel=0.01)
        assert point.pair.voltage_a_v[0] / point.pair.voltage_b_v[0] == pytest.approx(a / b, rel=0.02)
        assert point.pair.range_labels == (point.range_label,)

    def test_resume_leaves_out_what_is_done(self):
        bench, _ = make_bench()
        plan = make_plan()
        events = run(plan, bench, done=plan.frequency_hz[:3])
        assert (events[0].points, events[0].skipped) == (4, 3)
        measured = [point for point in of(events, PointDone) if not point.revisit]
        assert [(p.index, p.frequency_hz) for p in measured] == list(enumerate(plan.frequency_hz))[3:]
        assert of(run(plan, bench, done=plan.frequency_hz), PointDone) == []

    def test_drift_of_the_first_frequency(self):
        bench, circuit = make_bench()

        def warm(record):
            if record == last:
                circuit.impedance = lambda f: 1.05 * ferrite(f)

        last = 0
        plan = make_plan()
        steady = run(plan, bench, correct=correct)
        assert steady[-1].drift < 4 * steady[-1].u_drift
        last = circuit.records + 8
        bench.digitizer.hook = warm
        drifted = run(plan, bench, correct=correct)
        assert of(drifted, PointDone)[-1].revisit
        assert drifted[-1].drift == pytest.approx(0.05, abs=0.02)  # analytic: what was done to the core

    def test_drift_of_an_open(self):
        bench, _ = make_bench(Circuit(impedance=lambda _: math.inf))
        assert run(make_plan(), bench)[-1].drift < 1e-3

    def test_drift_of_the_voltages(self):
        circuit = Circuit(impedance=lambda _: 50 + 0j)
        bench, _ = make_bench(circuit)
        last = len(make_plan().frequency_hz) + 4
        bench.digitizer.hook = lambda n: setattr(
            circuit, "impedance", lambda _: (50 if n < last else 60) + 0j
        )
        drift = run(make_plan(), bench)[-1].drift
        # analytic: V_A/V_B goes from 6 to 7, the sine of the angle between (6, 1) and (7, 1)
        assert drift == pytest.approx(1 / math.sqrt(37 * 50), rel=0.1)

    def test_no_second_visit_unless_wanted(self):
        bench, _ = make_bench()
        events = run(make_plan(revisit_first=False), bench)
        assert not any(point.revisit for point in of(events, PointDone))
        assert events[-1].drift is None

    def test_averaging_to_the_target_and_no_further(self):
        bench, _ = make_bench(Circuit(noise_codes=3.0))
        coarse = of(run(make_plan(target_relative=0.2), bench, correct=correct), PointDone)
        fine = of(run(make_plan(target_relative=0.003, most_takes=64), bench, correct=correct), PointDone)
        assert all(point.phasors.takes == 1 for point in coarse)
        assert all(point.target_reached for point in coarse)
        assert any(1 < point.phasors.takes < 64 for point in fine)
        for point in fine:
            assert point.target_reached == (point.relative_uncertainty <= 0.003)
            assert point.target_reached or point.phasors.takes == 64
        bound = of(run(make_plan(target_relative=1e-5, most_takes=5), bench, correct=correct), PointDone)
        assert all(point.phasors.takes == 5 and not point.target_reached for point in bound)

    def test_more_takes_do_not_help_against_the_steps(self):
        bench, _ = make_bench(Circuit(noise_codes=0.0))
        points = of(run(make_plan(target_relative=1e-7, most_takes=64), bench, correct=correct), PointDone)
        assert all(point.phasors.takes < 64 and not point.target_reached for point in points)


class TestRanges:
    def test_both_ways_without_hunting(self):
        bench, _ = make_bench()
        # |Z| from 1.5 Ω to 1.5 kΩ: A rises, B falls
        events = run(make_plan(frequency_hz=log_grid(1e3, 1e6, 6), level=DriveRule(0.4)), bench)
        changes = of(events, RangeChanged)
        after_first = changes[next(i for i, c in enumerate(changes) if c.frequency_hz > 1e3) :]
        assert {(c.channel, c.to_vpp > c.from_vpp) for c in after_first if c.frequency_hz < 1e6} >= {
            (0, True),
            (1, False),
        }
        for channel in range(2):
            ups = [c.to_vpp > c.from_vpp for c in after_first if c.channel == channel]
            assert all(ups) or not any(ups)
        for point in of(events, PointDone):
            for c, full in enumerate(float(part[:-1]) for part in point.range_label.split("/")):
                assert abs(point.phasors.phasor_vpk[c]) * 2 <= FULLEST * full

    def test_a_change_between_points_is_tied(self):
        bench, _ = make_bench()
        events = run(make_plan(frequency_hz=log_grid(1e3, 1e6, 6), level=DriveRule(0.4)), bench)
        points = [point for point in of(events, PointDone) if not point.revisit]
        labels = [point.range_label for point in points]
        ties = of(events, RangesTied)
        assert len(ties) == sum(a != b for a, b in itertools.pairwise(labels)) > 1
        for tie in ties:
            before, after = (p.voltage_a_v[0] / p.voltage_b_v[0] for p in (tie.before, tie.after))
            assert tie.before.range_labels != tie.after.range_labels
            assert before == pytest.approx(after, rel=0.05)
            assert tie.before.frequency_hz[0] == tie.after.frequency_hz[0] == tie.frequency_hz
        untied = run(
            make_plan(frequency_hz=log_grid(1e3, 1e6, 6), level=DriveRule(0.4), tie_ranges=False), bench
        )
        assert of(untied, RangesTied) == []

    def test_a_jump_that_clips_is_tied_at_the_frequency_before(self):
        steps = {10e3: 1.0, 20e3: 800.0, 40e3: 800.0}
        bench, _ = make_bench(Circuit(impedance=lambda f: steps[f] + 0j))
        events = run(make_plan(frequency_hz=tuple(steps), level=DriveRule(0.3)), bench)
        (tie,) = [tie for tie in of(events, RangesTied) if tie.frequency_hz == 10e3]
        assert tie.before.range_labels[0] != tie.after.range_labels[0]
        place = [type(event) for event in events].index(RangesTied)
        assert events[place + 1].frequency_hz == 20e3
        assert abs(events[place + 1].phasors.phasor_vpk[0]) == pytest.approx(0.15 * 810 / 860, rel=0.01)
        assert tie.before.voltage_a_v[0] / tie.before.voltage_b_v[0] == pytest.approx(1.1, rel=0.02)
        assert tie.after.voltage_a_v[0] / tie.after.voltage_b_v[0] == pytest.approx(1.1, rel=0.05)

    def test_ranges_that_clip_or_lose_the_voltage_tie_nothing(self):
        steps = {10e3: 1.0, 20e3: 800.0, 40e3: 800.0}
        bench, _ = make_bench(Circuit(impedance=lambda f: steps[f] + 0j))
        # 41 mV of B at 10 kHz clip in the 80 mV range of 20 kHz, 235 mV of A there in the 160 mV of 10 kHz
        events = run(make_plan(frequency_hz=tuple(steps), level=DriveRule(0.5)), bench)
        points = [point for point in of(events, PointDone) if not point.revisit]
        assert points[0].range_label != points[1].range_label
        assert of(events, RangesTied) == []
        # what was tried for a tie does not stay: the next point is measured as if nothing had been
        assert abs(points[2].phasors.phasor_vpk[0]) == pytest.approx(0.25 * 810 / 860, rel=0.01)

    def test_clipped_in_the_widest_range(self):
        circuit = Circuit()
        bench, _ = make_bench(circuit, digitizer=SimDigitizer(circuit, ranges=(0.08, 0.16)))
        events = run(make_plan(), bench, correct=correct)
        missed = of(events, NotReachable)
        assert len(missed) == events[-1].not_reachable > 0
        assert all("clipped in its widest range" in event.reason for event in missed)
        assert circuit.on is False

    @given(st.sampled_from(RANGES), st.floats(0, 60))
    def test_a_choice_stays(self, now, height):
        chosen = better_range(RANGES, now, Seen(height, clipped=False))
        assert better_range(RANGES, chosen, Seen(height, clipped=False)) == chosen
        assert height <= FULLEST * chosen or chosen == RANGES[-1]
        narrower = [full for full in RANGES if full < chosen]
        assert not narrower or height > FILL_WANTED * narrower[-1]

    @given(st.sampled_from(RANGES))
    def test_clipped_goes_up(self, now):
        chosen = better_range(RANGES, now, Seen(now, clipped=True))
        assert chosen > now or now == RANGES[-1]

    def test_the_band_in_which_nothing_changes(self):
        # analytic: 0.7·0.8 V < height <= 0.92·0.8 V stays on 0.8 V, and on 1.6 V
        for now in (0.8, 1.6):
            assert better_range(RANGES, now, Seen(0.65, clipped=False)) == now
        assert better_range(RANGES, 1.6, Seen(0.5, clipped=False)) == 0.8
        assert better_range(RANGES, 0.8, Seen(0.75, clipped=False)) == 1.6


class TestLevel:
    LIMIT = 0.25e-3

    def test_the_limit_is_kept_and_used(self):
        bench, circuit = make_bench()
        plan = make_plan(
            frequency_hz=log_grid(1e3, 1e6, 4), level=FluxRule(self.LIMIT, SPECIMEN), target_relative=0.1
        )
        events = run(plan, bench, correct=correct)
        points = of(events, PointDone)
        assert len(points) == 14
        for point in points:
            assert point.flux_density_t <= self.LIMIT
            assert point.flux_density_t >= 0.6 * self.LIMIT
        # the bench's own account of every record, ranges and levels searched included
        assert circuit.highest_flux_t <= 1.02 * self.LIMIT
        assert of(events, LevelChanged)[0].from_vpp is None
        # ties and the second visit go back to levels that were told already
        told = {event.to_vpp for event in of(events, LevelChanged)}
        assert told == {value for name, value in (x for x in circuit.log if x[0] == "level")}

    def test_flux_density_is_what_the_circuit_has(self):
        bench, circuit = make_bench()
        plan = make_plan(
            frequency_hz=(10e3, 100e3), level=FluxRule(self.LIMIT, SPECIMEN), revisit_first=False
        )
        for point in of(run(plan, bench, correct=correct), PointDone):
            circuit.on, circuit.highest_flux_t = True, 0.0
            circuit.frequency_hz, circuit.level_vpp = point.frequency_hz, point.level_vpp
            circuit.voltages()
            # the circuit's copper is 62 mΩ, the winding's own model has 62 mΩ of another wire data
            assert point.flux_density_t == pytest.approx(circuit.highest_flux_t, rel=0.02)

    def test_the_source_does_not_go_low_enough(self):
        circuit = Circuit()
        bench, _ = make_bench(circuit, source=SimSource(circuit, lowest_vpp=1.0))
        plan = make_plan(frequency_hz=(1e3, 2e3), level=FluxRule(self.LIMIT, SPECIMEN))
        events = run(plan, bench, correct=correct)
        first, second = of(events, NotReachable)
        assert "pad" in first.reason
        assert "0.25 mT" in first.reason
        assert first.flux_density_t > self.LIMIT
        assert first.level_vpp == 1.0
        assert second.frequency_hz == 2e3
        assert {value for name, value in (x for x in circuit.log if x[0] == "level")} == {1.0}

    def test_the_highest_level_is_a_bound(self):
        bench, circuit = make_bench()
        plan = make_plan(frequency_hz=(1e6, 2e6), level=FluxRule(self.LIMIT, SPECIMEN), highest_level_vpp=0.5)
        points = of(run(plan, bench, correct=correct), PointDone)
        assert max(value for name, value in (x for x in circuit.log if x[0] == "level")) == 0.5
        assert all(point.flux_density_t < 0.6 * self.LIMIT for point in points)

    def test_a_signal_lost_in_the_steps_is_not_reachable(self):
        bench, _ = make_bench()
        plan = make_plan(
            frequency_hz=(10e3, 20e3), level=FluxRule(1e-7, SPECIMEN), most_takes=4, target_relative=0.5
        )
        events = run(plan, bench, correct=correct)
        assert of(events, PointDone) == []
        assert all("B ≤ 0.0001 mT" in event.reason for event in of(events, NotReachable))
        # a standard is read all the same: there a small voltage is the answer
        open_bench, _ = make_bench(Circuit(impedance=lambda _: math.inf))
        points = of(run(make_plan(), open_bench), PointDone)
        assert len(points) == 8
        assert all(abs(point.pair.voltage_b_v[0]) < 1e-3 for point in points)

    def test_an_open_has_no_impedance(self):
        bench, _ = make_bench(Circuit(impedance=lambda _: math.inf))
        events = run(make_plan(), bench, correct=correct)
        assert of(events, PointDone) == []
        assert events[-1].not_reachable == 7

    def test_flux_needs_a_correction(self):
        bench, circuit = make_bench()
        with pytest.raises(InputError, match="needs the impedance"):
            run(make_plan(level=FluxRule(1e-3, SPECIMEN)), bench)
        assert circuit.log == []

    def test_prediction_for_a_pure_inductor(self):
        # analytic: B = L I/(N A) at constant L; the level goes with |60 + jωL|
        seen = LevelSeen(10e3, 1.0, 1e-3, 15j)
        rule = FluxRule(1e-3, SPECIMEN)
        assert predicted_level_vpp(rule, seen, 40e3, 60.0) == pytest.approx(
            0.85 * abs(60 + 60j) / abs(60 + 15j), rel=1e-12
        )

    def test_safe_level(self):
        # analytic: 0.85 of ωNA·0.25 mT/edge, all of it on the winding; computed: 7.69 mV peak at 10 kHz, mean
        level = FluxRule(0.25e-3, SPECIMEN).safe_level_vpp(10e3)
        assert level == pytest.approx(2 * 0.85 * 7.685e-3 / EDGE, rel=1e-3)

    @given(st.floats(1e-4, 50))
    def test_rounding_never_raises(self, level):
        rounded = rounded_down(level)
        assert 0.99 * level <= rounded <= level * (1 + 1e-9)


def cancelled_after(index, bench, seen):
    cancel = threading.Event()
    for event in sweep(make_plan(), bench, cancel):
        seen.append(event)
        if isinstance(event, PointDone) and event.index == index:
            cancel.set()


class TestWaysOut:
    def test_cancel_between_points(self):
        bench, circuit = make_bench()
        seen = []
        with pytest.raises(Cancelled, match="stopped") as caught:
            cancelled_after(2, bench, seen)
        assert caught.value.next_step
        assert len(of(seen, PointDone)) == 3
        assert circuit.on is False
        assert circuit.log[-1] == "off"

    def test_cancel_inside_a_wait(self):
        bench, circuit = make_bench()
        cancel = threading.Event()
        timer = threading.Timer(0.05, cancel.set)
        timer.start()
        # an hour of settling: only a wait that looks up can end this test
        with pytest.raises(Cancelled):
            list(sweep(make_plan(settle_s=3600.0), bench, cancel))
        timer.join()
        assert circuit.on is False

    def test_whoever_stops_asking(self):
        bench, circuit = make_bench()
        events = sweep(make_plan(), bench, threading.Event())
        while not isinstance(next(events), PointDone):
            pass
        assert circuit.on is True
        events.close()
        assert circuit.on is False

    @pytest.mark.parametrize("fault", [InstrumentError("dead", where="digitizer"), KeyboardInterrupt()])
    def test_a_fault_in_the_middle(self, fault):
        bench, circuit = make_bench()

        def hook(record):
            if record == 6:
                raise fault

        bench.digitizer.hook = hook
        with pytest.raises(type(fault)):
            run(make_plan(), bench)
        assert circuit.on is False

    def test_an_output_that_cannot_be_switched_off_is_told(self):
        bench, circuit = make_bench()
        bench.source.fails_to_switch_off = True

        def hook(record):
            if record == 6:
                raise InstrumentError("dead", where="digitizer")

        bench.digitizer.hook = hook
        with (
            pytest.warns(WhichcoreWarning, match="by hand"),
            pytest.raises(InstrumentError, match="digitizer"),
        ):
            run(make_plan(), bench)
        circuit.records = 0
        bench.digitizer.hook = lambda _: None
        with pytest.warns(WhichcoreWarning, match="by hand"), pytest.raises(Cancelled):
            cancelled_after(0, bench, [])

    def test_an_output_that_stays_on_at_the_end_is_an_error(self):
        bench, _ = make_bench()
        bench.source.fails_to_switch_off = True
        with pytest.raises(InstrumentError, match="dead"):
            run(make_plan(), bench)


class TestPlan:
    def test_grid(self):
        assert log_grid(1e3, 1e6, 1) == (1e3, 1e4, 1e5, 1e6)  # analytic
        grid = log_grid(1e3, 3e6, 10)
        assert (grid[0], grid[-1]) == (1e3, 3e6)
        ratios = np.diff(np.log10(grid))
        assert ratios.max() <= 0.1 + 1e-9  # analytic: ten steps to a decade at least
        assert np.ptp(ratios) < 1e-5
        assert all(f == float(f"{f:.6g}") for f in grid)

    @pytest.mark.parametrize(
        "ends", [(0, 1e3, 3), (1e3, 1e3, 3), (1e4, 1e3, 3), (1, 2, 0), (1, 1.001, 10**7)]
    )
    def test_no_grid(self, ends):
        with pytest.raises(InputError):
            log_grid(*ends)

    @pytest.mark.parametrize(
        "change",
        [
            {"frequency_hz": ()},
            {"frequency_hz": (2e3, 1e3)},
            {"frequency_hz": (math.nan,)},
            {"target_relative": 0.0},
            {"most_takes": 0},
            {"settle_s": -1.0},
            {"highest_level_vpp": 0.0},
            {"record": RecordRule(8, 4)},
            {"zero_field": ZeroFieldRule()},
            {"zero_field": ZeroFieldRule(1e-3), "level": FluxRule(2e-3, SPECIMEN)},
        ],
    )
    def test_refused(self, change):
        with pytest.raises(InputError, match="cannot be carried out"):
            make_plan(**change)

    def test_the_fingerprint_follows_everything(self):
        plan = make_plan()
        base = plan.fingerprint(Wiring.SHUNT_AT_GROUND, 10.0)
        assert base == make_plan().fingerprint(Wiring.SHUNT_AT_GROUND, 10.0)
        changed = {
            "frequency_hz": (1e3, 2e3),
            "level": DriveRule(0.51),
            "record": RecordRule(2001, 40),
            "target_relative": 0.02,
            "most_takes": 17,
            "settle_s": 0.1,
            "settle_periods": 1.0,
            "highest_level_vpp": 1.0,
            "offset_v": 0.01,
            "mains_hz": 60.0,
            "temperature_c": 25.0,
            "revisit_first": False,
            "tie_ranges": False,
            "order": PointOrder.INTERLEAVED,
            "zero_field": ZeroFieldRule(),
            "demagnetise": DemagnetiseRule(SPECIMEN, 14.0, "stated"),
        }
        assert set(changed) == set(SweepPlan.__slots__)
        by_flux = replace(plan, level=FluxRule(0.25e-3, SPECIMEN))
        others = [
            replace(by_flux if key == "zero_field" else plan, **{key: value})
            for key, value in changed.items()
        ]
        others += [by_flux, replace(by_flux, zero_field=ZeroFieldRule(levels=3))]
        others += [replace(plan, demagnetise=DemagnetiseRule(SPECIMEN, 14.0, "stated", rest_s=1.0))]
        thinner = replace(SPECIMEN, winding=Winding(9))
        others += [replace(plan, level=FluxRule(0.5, core)) for core in (SPECIMEN, thinner)]
        names = [base, *(other.fingerprint(Wiring.SHUNT_AT_GROUND, 10.0) for other in others)]
        names += [plan.fingerprint(Wiring.SPECIMEN_AT_GROUND, 10.0)]
        names += [plan.fingerprint(Wiring.SHUNT_AT_GROUND, 100.0)]
        assert len(set(names)) == len(names)

    def test_record(self):
        limits = DigitizerLimits((16, 1_000_000), (2e-9, 1.0), (RANGES, RANGES))
        rule = RecordRule(20_000, 40)
        assert interval_wanted(rule, limits, 1e3) == pytest.approx(2e-6)  # analytic: 40 ms in 20,000 samples
        assert interval_wanted(rule, limits, 3e6) == 2e-9  # the fastest there is
        points = points_for(rule, limits, 2e-6, 1e3)
        periods = round(points * 2e-6 * 1e3)
        assert 19_900 < points <= 20_000
        assert math.gcd(points, periods) == 1

    def test_a_digitizer_too_slow(self):
        circuit = Circuit()
        bench, _ = make_bench(circuit, digitizer=SimDigitizer(circuit, fastest_s=1e-6))
        events = run(make_plan(frequency_hz=(100e3, 500e3)), bench)
        assert [p.frequency_hz for p in of(events, PointDone) if not p.revisit] == [100e3]
        (missed,) = of(events, NotReachable)
        assert "too slow" in missed.reason


class Hands:
    def __init__(self, circuit):
        self.circuit = circuit

    def fit(self, name):
        self.circuit.impedance = {"short": lambda _: 0j, "open": lambda _: math.inf}[name]


class TestDoctor:
    def findings(self, circuit, **parts):
        bench, _ = make_bench(circuit, **parts)
        plan = DoctorPlan(record=RecordRule(2000, 40))
        found = list(examine(bench, Hands(circuit), threading.Event(), plan))
        assert circuit.on is False
        return {finding.check: finding for finding in found}

    @pytest.mark.parametrize("wiring", [Wiring.SHUNT_AT_GROUND, Wiring.SPECIMEN_AT_GROUND])
    def test_a_good_bench(self, wiring):
        findings = self.findings(Circuit(wiring=wiring))
        assert {finding.status for finding in findings.values()} == {Status.GOOD}
        assert not any(finding.remedy for finding in findings.values())
        assert {"source answers", "output switches", "voltages, short", "voltages, open"} <= set(findings)

    def test_load_setting(self):
        class Doubled(SimSource):
            @property
            def level_vpp(self):
                return self.circuit.level_vpp / 2

            @level_vpp.setter
            def level_vpp(self, value):
                self.circuit.level_vpp = 2 * value

        circuit = Circuit()
        finding = self.findings(circuit, source=Doubled(circuit))["voltages, open"]
        assert finding.status is Status.BAD
        assert "2 times as high" in finding.remedy
        assert "50 ohm" in finding.remedy

    def test_swapped_channels(self):
        class Swapped(Circuit):
            def voltages(self):
                return super().voltages()[::-1]

        finding = self.findings(Swapped())["voltages, open"]
        assert finding.status is Status.BAD
        assert "swapped" in finding.remedy

    def test_probe_ratio(self):
        class Tenth(Circuit):
            def voltages(self):
                a, b = super().voltages()
                return a / 10, b

        finding = self.findings(Tenth())["voltages, short"]
        assert "channel A is off by ten" in finding.remedy

    def test_no_tone(self):
        class Dead(Circuit):
            def voltages(self):
                return 0j, 0j

        assert self.findings(Dead())["frequency, short"].status is Status.BAD

    def test_offset_and_noise(self):
        findings = self.findings(Circuit(dc_v=0.03, noise_codes=8.0))
        assert findings["offset, short"].status is Status.DOUBTFUL
        assert findings["noise of A, short"].status is Status.DOUBTFUL

    def test_the_zero_of_the_digitizer_is_not_the_offset_of_the_source(self):
        circuit = Circuit()
        digitizer = SimDigitizer(circuit)
        digitizer.zero_codes = 4.0
        findings = self.findings(circuit, digitizer=digitizer)
        assert findings["offset, open"].status is Status.GOOD

    def test_clipping(self):
        circuit = Circuit()
        findings = self.findings(circuit, digitizer=SimDigitizer(circuit, ranges=(0.08,)))
        assert findings["clipping, short"].status is Status.BAD

    def test_an_output_left_on_or_that_does_not_switch(self):
        assert self.findings(Circuit(on=True))["output at the start"].status is Status.DOUBTFUL

        class Stuck(SimSource):
            def output_on(self):
                pass

        circuit = Circuit()
        assert self.findings(circuit, source=Stuck(circuit))["output switches"].status is Status.BAD

    def test_an_instrument_that_does_not_answer_ends_it(self):
        class Silent(SimDigitizer):
            @property
            def identity(self):
                raise InstrumentError("no answer", where="digitizer", next_step="plug it in")

            @identity.setter
            def identity(self, value):
                pass

        circuit = Circuit()
        findings = self.findings(circuit, digitizer=Silent(circuit))
        assert list(findings) == ["source answers", "source error queue", "digitizer answers"]
        assert findings["digitizer answers"].remedy == "plug it in"


HOUR = 3600.0


class Unhurried(threading.Event):
    """Notes how long it waits, and is the clock, which stands still between the waits."""

    def __init__(self, log):
        super().__init__()
        self.log, self.now = log, 0.0

    def monotonic(self):
        return self.now

    def wait(self, timeout=None):
        self.log.append(("wait", timeout))
        self.now += timeout
        return self.is_set()


class ToldSource(SimSource):
    @property
    def frequency_hz(self):
        return self.circuit.frequency_hz

    @frequency_hz.setter
    def frequency_hz(self, value):
        self.circuit.log.append(("frequency", value))
        self.circuit.frequency_hz = value


class ToldDigitizer(SimDigitizer):
    def set_interval(self, interval_s):
        self.circuit.log.append("interval")
        return super().set_interval(interval_s)

    def acquire(self, frequency_hz, start_time_s, cancel):
        self.circuit.log.append("record")
        return super().acquire(frequency_hz, start_time_s, cancel)


class TestSettling:
    @pytest.fixture
    def told(self, monkeypatch):
        """A bench that notes what it is told, and its clock, which is the event to cancel with as well."""
        circuit = Circuit()
        clock = Unhurried(circuit.log)
        monkeypatch.setattr(settling, "time", clock)
        bench, _ = make_bench(circuit, source=ToldSource(circuit), digitizer=ToldDigitizer(circuit))
        return bench, clock

    @pytest.fixture
    def log_of(self, told):
        bench, clock = told

        def log_of(**changes):
            plan = make_plan(**{"settle_s": HOUR, "target_relative": 1e-3} | changes)
            list(sweep(plan, bench, clock, correct=correct))
            return [step if isinstance(step, tuple) else (step,) for step in clock.log]

        return log_of

    @pytest.mark.parametrize("order", PointOrder)
    @pytest.mark.parametrize("level", [DriveRule(0.5), FluxRule(0.25e-3, SPECIMEN)])
    def test_no_record_before_the_source_has_settled_and_no_wait_without_a_change(self, log_of, order, level):
        unsettled, waits = True, []
        for what, *value in log_of(order=order, level=level):
            if what == "wait" and value[0] > 0:
                assert unsettled
                waits += value
                unsettled = False
            unsettled = unsettled or what in {"frequency", "level", "on"}
            assert not (what == "record" and unsettled)
        assert len(waits) >= 8  # seven points, and the first once more
        assert set(waits) == {HOUR}

    def test_the_record_is_set_while_the_source_settles(self, log_of):
        words = [what for what, *_ in log_of()]
        told = [i for i, what in enumerate(words) if what == "frequency"]
        assert len(told) == 8
        for i in told:
            later = words[i:]
            assert later.index("interval") < later.index("wait") < later.index("record")

    def test_a_level_that_falls_has_settled_before_the_frequency_falls(self, log_of):
        log = log_of(order=PointOrder.INTERLEAVED, level=FluxRule(0.25e-3, SPECIMEN))
        level, frequency, fallen, waited, fell = 0.0, 0.0, False, True, 0
        for what, *value in log:
            if what == "level":
                fallen, waited, level = value[0] < level, False, value[0]
            elif what == "wait":
                waited = True
            elif what == "frequency":
                fell += fallen and value[0] < frequency
                assert waited or not fallen or value[0] > frequency
                fallen, frequency = False, value[0]
        assert fell > 0

    def test_a_record_by_itself_waits_too(self, told):
        bench, clock = told
        one_record(bench, clock)
        words = [step if isinstance(step, str) else step[0] for step in clock.log]
        waits = [step[1] for step in clock.log if step[0] == "wait"]
        assert waits[0] == pytest.approx(10 / 10e3)  # ten periods of 10 kHz
        assert words.index("on") < words.index("wait") < words.index("record")
        assert words[-1] == "off"
        clock.set()
        with pytest.raises(Cancelled):
            one_record(bench, clock)
        assert bench.source.output_is_on() is False

    def test_a_level_that_falls_at_one_frequency_is_waited_for_once(self, told):
        bench, clock = told
        station = Station(make_plan(settle_s=HOUR), bench, clock, None, 0.0)
        station.prepare()
        ranges = (RANGES[-1], RANGES[-1])
        for level_vpp in (1.0, 0.5):
            station.go(Place(10e3, level_vpp, ranges))
            station.record(10e3)
        assert [step[1] for step in clock.log if step[0] == "wait"] == [HOUR, HOUR]

    def test_a_frequency_that_was_refused_is_refused_again(self):
        circuit = Circuit()
        bench, _ = make_bench(circuit, digitizer=SimDigitizer(circuit, fastest_s=1e-6))
        station = Station(make_plan(), bench, threading.Event(), None, 0.0)
        station.prepare()
        ranges = (RANGES[-1], RANGES[-1])
        station.go(Place(10e3, 1.0, ranges))
        station.record(10e3)
        for _ in range(2):
            with pytest.raises(OutOfReachError):
                station.go(Place(900e3, 1.0, ranges))


@pytest.mark.soak
def test_the_benchmark_runs():
    """A smoke of it: one run prints both ratios; whether the gates hold is not asked here."""
    script = Path(__file__).parents[1] / "benchmarks" / "sweep_overhead.py"
    done = subprocess.run(
        [sys.executable, str(script), "--quick"], capture_output=True, text=True, timeout=120, check=False
    )
    assert done.returncode in {0, 1}, done.stderr
    assert done.stdout.count("ratio") == 2
