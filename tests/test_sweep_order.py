"""In which order points are taken, and what is made of a core or bench that changes meanwhile."""

import itertools
from dataclasses import replace

import numpy as np
import pytest

from instant_bench import Instant, Waits
from test_rig_sweep import Circuit, correct, ferrite, make_bench, make_plan, of, run
from whichcore.analysis.flux_density import inner_edge_factor
from whichcore.analysis.permeability import permeability
from whichcore.analysis.trial import Fault, try_data
from whichcore.analysis.types import ImpedanceSweep
from whichcore.errors import Cancelled, WhichcoreWarning
from whichcore.files import load_specimen, load_sweep
from whichcore.measure import CalibrationPlan, SweepRequest, calibrate, run_sweep
from whichcore.measure.sweep_run import drifts
from whichcore.rig.events import NotReachable, PointDone, RangesTied
from whichcore.rig.sweep.level import DriveRule, FluxRule, LevelMemory, LevelSeen, predicted_level_vpp
from whichcore.rig.sweep.plan import PointOrder, RecordRule, log_grid
from whichcore.rig.sweep.run import sweep

GRID = log_grid(5e4, 1e6, 3)
SHORT = RecordRule(2000, 40)


class Lab(Instant):
    """An instant bench, calibrated, with a power ring of ten turns."""

    def __init__(self, folder):
        super().__init__()
        plan = CalibrationPlan(GRID, most_takes=1, tie_frequencies=1, record=SHORT)
        *_, self.stored = calibrate(self.settings, self.bench, self, plan, self.cancel)
        self.folder = folder
        self.wind("bin-h", 10)

    def specimen(self):
        path = self.folder / "ring.toml"
        path.write_text(self.table.hands.item.specimen_toml())
        return load_specimen(path)

    def request(self, name, **changed):
        specimen = self.specimen()
        usual = {"level": FluxRule(0.5e-3, specimen), "most_takes": 2, "record": SHORT}
        return SweepRequest(specimen, self.folder / name, GRID, **(usual | changed))

    def swept(self, request, cancel=None):
        return run_sweep(self.settings, self.bench, self.stored, request, cancel or self.cancel)


@pytest.fixture
def lab(tmp_path):
    """One for each test: what noise it draws hangs on no other test."""
    lab = Lab(tmp_path)
    lab.hands(temperature_c=25.0, remanence_t=0.0, disturbed_s=-1e6)
    return lab


def first_visits(events):
    return [point for point in of(events, PointDone) if not point.revisit]


class TestOrder:
    @pytest.mark.parametrize("count", [1, 2, 3, 8, 13])
    def test_every_place_once_and_back_to_the_start(self, count):
        places = PointOrder.INTERLEAVED.places(count)
        assert sorted(places) == list(range(count)) == list(PointOrder.RISING.places(count))
        assert places[0] == 0
        assert places[-1] == min(1, count - 1)
        # analytic: what grows evenly with time is the same in the mean of two neighbours everywhere
        when = np.argsort(places)
        assert set(when[:-1] + when[1:]) <= {count - 1, count}

    def test_an_interleaved_sweep_measures_the_same(self):
        bench, circuit = make_bench()
        plan = make_plan(order=PointOrder.INTERLEAVED)
        points = first_visits(run(plan, bench, correct=correct))
        assert [point.index for point in points] == [0, 2, 4, 6, 5, 3, 1]
        for point in points:
            u = np.sqrt(np.trace(point.corrected.scatter[0]) / 2)
            assert abs(point.corrected.impedance_ohm[0] - ferrite(point.frequency_hz)) < 5 * u
        assert circuit.on is False

    def test_going_on_keeps_the_order(self):
        bench, _ = make_bench()
        plan = make_plan(order=PointOrder.INTERLEAVED)
        done = [plan.frequency_hz[i] for i in (0, 2, 4, 6, 5)]
        points = first_visits(run(plan, bench, correct=correct, done=done))
        assert [point.index for point in points] == [3, 1]

    @pytest.mark.parametrize(
        "name", [pytest.param(name, marks=pytest.mark.soak) for name in ("bin-h", "bin-m")] + ["bin-k"]
    )
    def test_the_flux_density_is_never_passed_on_the_way_back(self, tmp_path, name):
        """The bench's own account of every change, between two records as well."""
        lab = Instant()
        item = lab.wind(name)
        path = tmp_path / "ring.toml"
        path.write_text(item.specimen_toml())
        specimen = load_specimen(path)
        highest = []
        remember = lab.table._remember_field
        lab.table._remember_field = lambda b: (highest.append(b), remember(b))
        limit = 0.5e-3
        plan = make_plan(
            frequency_hz=log_grid(1e5, 3e6, 4), level=FluxRule(limit, specimen), order=PointOrder.INTERLEAVED,
            record=SHORT, most_takes=1,
        )  # fmt: skip
        events = list(sweep(plan, lab.bench, lab.cancel, correct=correct))
        assert len(first_visits(events)) >= 6
        # the caliper of the workshop is off by some tenths of a per cent, gain and shunt by some per cent
        assert max(highest) * inner_edge_factor(specimen) < 1.05 * limit
        assert max(highest) * inner_edge_factor(specimen) > 0.6 * limit

    def test_the_level_sets_out_from_the_neighbour_below(self):
        memory = LevelMemory()
        assert memory.below(1e4) is None
        seen = [LevelSeen(f, f / 1e4, 1e-3, complex(1, f), 0.01) for f in (1e4, 4e4, 2e4)]
        for item in seen:
            memory.keep(item)
        assert memory.below(3e4) == seen[2]
        assert memory.below(4e4) == seen[1]
        assert memory.below(0.9e4) is None

    def test_prediction_towards_lower_frequencies_allows_for_a_resonance(self, lab):
        rule, seen = FluxRule(1e-3, lab.specimen()), LevelSeen(40e3, 1.0, 1e-3, 60j)
        # analytic: 0.85 of the level at which μ rising as 1/f² would reach the limit at 10 kHz
        wanted = 0.85 * abs(60 + 15j) / abs(60 + 60j) / 16
        assert predicted_level_vpp(rule, seen, 10e3, 60.0) == pytest.approx(wanted, rel=1e-12)


class TestDrift:
    def test_a_core_that_warms_is_not_taken_for_dispersion(self):
        """It gains a permille with each record: neighbours' means rise along a rising sweep and no other."""
        tilt, plan = {}, make_plan(frequency_hz=log_grid(2e4, 2e5, 12), target_relative=0.5)
        for order in PointOrder:
            circuit = Circuit(noise_codes=0.6)
            bench, _ = make_bench(circuit)
            circuit.impedance = lambda f, c=circuit: ferrite(f) * (1 + 1e-3 * c.records)
            points = sorted(
                first_visits(run(replace(plan, order=order), bench, correct=correct)), key=lambda p: p.index
            )
            ratio = np.array([abs(p.corrected.impedance_ohm[0] / ferrite(p.frequency_hz)) for p in points])
            pairs = (ratio[:-1] + ratio[1:]) / 2
            tilt[order] = np.polyfit(np.linspace(0, 1, pairs.size), pairs, 1)[0]
        # analytic: one to two records a point over 12 of them, noise of some permille
        assert tilt[PointOrder.RISING] > 0.01
        assert abs(tilt[PointOrder.INTERLEAVED]) < 0.005

    def test_a_drift_is_told_written_down_and_counted(self, lab):
        start = lab.digitizer.records
        lab.digitizer.hook = lambda n: lab.hands(temperature_c=25 + 0.5 * (n - start))
        request = lab.request("warm.csv", level=DriveRule(1.0), order=PointOrder.INTERLEAVED)
        with pytest.warns(WhichcoreWarning, match="counted as an error"):
            events = list(lab.swept(request))
        read = load_sweep(request.out)
        assert float(read.notes["drift_relative"]) == pytest.approx(events[-1].drift, rel=1e-5)
        trial = try_data(read, request.specimen, permeability(read, request.specimen))
        (finding,) = [item for item in trial.findings if item.fault is Fault.DRIFT]
        assert finding.failed
        sizes = [np.abs(source.sensitivity).max() / 2300 for source in finding.sources]
        assert max(sizes) == pytest.approx(events[-1].drift, rel=0.3)

    def test_a_small_but_certain_drift_is_an_error_and_no_fault(self, lab):
        request = lab.request("still.csv", level=DriveRule(1.0))
        list(lab.swept(request))
        read = load_sweep(request.out)
        for size, u, counted in ((0.006, 0.001, True), (0.006, 0.003, False)):
            notes = {"drift_relative": f"{size}", "u_drift_relative": f"{u}"}
            told = replace(read, notes=read.notes | notes)
            trial = try_data(told, request.specimen, permeability(told, request.specimen))
            (finding,) = [item for item in trial.findings if item.fault is Fault.DRIFT]
            assert finding.passed
            assert bool(finding.sources) is counted
            assert ("counted as an error" in finding.sentence) is counted

    def test_two_readings_at_rest_differ_by_chance_alone(self):
        """analytic: |ΔZ|²/u² of two parts is 2 in the mean, and passes 3.72² in one case of a thousand."""
        ratios = []
        plan = make_plan(frequency_hz=(2e4, 5e4), level=DriveRule(1.0), target_relative=1e-3, most_takes=4)
        for seed in range(20):
            bench, _ = make_bench()
            bench.digitizer.rng = np.random.default_rng(seed)
            finished = run(plan, bench, correct=correct)[-1]
            ratios.append(finished.drift / finished.u_drift)
        assert 1.0 < np.mean(np.square(ratios)) < 3.5
        assert not any(drifts(ratio, 1.0, 0.0) for ratio in ratios)

    @pytest.mark.soak
    def test_so_they_do_on_a_bent_converter(self):
        """As above, with the virtual bench's bow, ripple, hum and gains."""
        ratios = []
        plan = make_plan(
            frequency_hz=(2e4, 5e4), level=DriveRule(1.0), record=SHORT, target_relative=1e-3, most_takes=4
        )
        for seed in range(25):
            lab = Instant(seed=seed)
            lab.wind("bin-h")
            *_, finished = sweep(plan, lab.bench, lab.cancel, correct=correct)
            ratios.append(finished.drift / finished.u_drift)
        assert 1.0 < np.mean(np.square(ratios)) < 3.5
        assert sum(drifts(ratio, 1.0, 0.0) for ratio in ratios) <= 1

    def test_what_counts_as_drift(self):
        assert drifts(0.03, 0.005, 0.01)
        assert not drifts(0.03, 0.01, 0.01)
        assert not drifts(0.03, 0.001, 0.05)
        assert not drifts(None, None, 0.0)

    def test_a_drift_of_five_permille_is_found_on_a_bench_of_eight_bits(self):
        """The converter bends both readings alike: it hides the size of Z, not its change."""
        lab = Instant()
        lab.wind("bin-h")
        plan = make_plan(
            frequency_hz=(2e4, 5e4), level=DriveRule(1.0), record=SHORT, target_relative=1e-3, most_takes=8
        )
        events = []
        for event in sweep(plan, lab.bench, lab.cancel, correct=correct):
            events.append(event)
            if isinstance(event, PointDone) and event.index == 1:
                lab.hands(temperature_c=26.25)
        # the bench's own data: 0.4 % of χ per kelvin
        assert events[-1].drift == pytest.approx(0.005, abs=3.72 * events[-1].u_drift)
        assert drifts(events[-1].drift, events[-1].u_drift, plan.target_relative)
        assert of(events, PointDone)[0].relative_uncertainty > 2 * events[-1].u_drift


def stopped_after_two(events, seen, cancel):
    for event in events:
        seen.append(event)
        if len(of(seen, PointDone)) == 2:
            cancel.set()


class TestFirstAgain:
    def earlier(self, plan, factor=1.0):
        z = factor * ferrite(plan.frequency_hz[0])
        scatter = np.eye(2)[None] * (0.002 * abs(z)) ** 2
        return ImpedanceSweep(np.array([plan.frequency_hz[0]]), np.array([z]), scatter)

    @pytest.mark.parametrize("order", list(PointOrder))
    def test_a_sweep_taken_up_again_visits_the_first_point_of_all(self, order):
        bench, circuit = make_bench()
        plan = make_plan(order=order)
        done = plan.frequency_hz[:3]
        events = run(plan, bench, correct=correct, done=done, first=self.earlier(plan, 1.04))
        last = of(events, PointDone)[-1]
        assert (last.revisit, last.index, last.frequency_hz) == (True, 0, plan.frequency_hz[0])
        assert events[-1].drift == pytest.approx(0.04, abs=0.02)  # analytic: what was changed
        assert events[-1].u_drift > 0.002
        assert circuit.on is False

    def test_a_sweep_that_only_lacks_its_end_gets_it(self):
        bench, _ = make_bench()
        plan = make_plan()
        events = run(plan, bench, correct=correct, done=plan.frequency_hz, first=self.earlier(plan))
        assert [point.revisit for point in of(events, PointDone)] == [True]
        assert events[-1].measured == 0

    def test_a_first_point_that_is_no_longer_there(self):
        circuit = Circuit(impedance=lambda f: np.inf if f < 2e4 else ferrite(f))
        bench, _ = make_bench(circuit)
        plan = make_plan()
        events = run(plan, bench, correct=correct, done=plan.frequency_hz[:1], first=self.earlier(plan))
        assert of(events, NotReachable)[-1].reason.startswith("at the end")
        assert events[-1].drift is None

    def test_through_the_journal(self, lab):
        request = lab.request("resumed.csv", level=DriveRule(1.0), order=PointOrder.INTERLEAVED)
        cancel, seen = Waits(lab.clock), []
        with pytest.raises(Cancelled):
            stopped_after_two(lab.swept(request, cancel), seen, cancel)
        lab.hands(temperature_c=45.0)
        with pytest.warns(WhichcoreWarning, match="first frequency read"):
            rest = list(lab.swept(request))
        read = load_sweep(request.out)
        assert np.array_equal(read.frequency_hz, GRID)
        assert of(rest, PointDone)[-1].revisit
        # the bench's own data: 20 K at 0.4 % of χ per kelvin; all of Z but the copper
        assert float(read.notes["drift_relative"]) == pytest.approx(0.08, abs=0.015)
        # once it is written down nothing is left to do
        assert of(list(lab.swept(request)), PointDone) == []


@pytest.mark.parametrize("order", list(PointOrder))
def test_a_change_of_ranges_is_tied_in_both_orders(order):
    bench, _ = make_bench()
    plan = make_plan(frequency_hz=log_grid(1e3, 1e6, 4), level=DriveRule(0.4), order=order)
    events = run(plan, bench)
    labels = [point.range_label for point in first_visits(events)]
    assert len(of(events, RangesTied)) == sum(a != b for a, b in itertools.pairwise(labels)) > 2
