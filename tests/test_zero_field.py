"""From a few small levels to zero field: the line, what it leaves open, and the sweep that uses it."""

import math
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from instant_bench import Instant
from test_rig_sweep import SPECIMEN, correct, make_bench, make_plan, of, run
from whichcore.analysis.permeability import permeability
from whichcore.analysis.trial import Fault, try_data
from whichcore.analysis.types import ErrorSource, ImpedanceSweep, Scope, Wiring
from whichcore.analysis.uncertainty import point_covariance
from whichcore.analysis.zero_field import EXTRAPOLATION, to_zero_field
from whichcore.errors import AnalysisError, InputError
from whichcore.files import load_specimen, load_sweep
from whichcore.measure import CalibrationPlan, SweepRequest, calibrate, run_sweep
from whichcore.rig.events import LevelChanged, NotReachable, PointDone
from whichcore.rig.sweep.level import DriveRule, FluxRule, ZeroFieldRule
from whichcore.rig.sweep.plan import PointOrder, RecordRule
from whichcore.rig.sweep.run import sweep
from whichcore.rig.virtual import impedance_of

U = 0.02
FLUX = (0.9e-3, 4.8e-3)


def reading(z, u=U, sources=(), label=None):
    labels = None if label is None else (label,)
    return ImpedanceSweep(
        np.array([1e4]), np.array([z]), np.eye(2)[None] * u**2, tuple(sources), range_labels=labels
    )


def source(value, name="s", scope=Scope.SWEEP):
    return ErrorSource(name, scope, np.array([complex(value)]))


class TestLine:
    @given(
        st.complex_numbers(min_magnitude=1, max_magnitude=1e3),
        st.complex_numbers(max_magnitude=50),
        st.sampled_from([FLUX, (5e-3, 2e-3, 1e-3)]),
    )
    def test_a_line_is_followed_to_its_end(self, z, growth, flux):
        at_zero = to_zero_field([reading(z * (1 + growth * b)) for b in flux], flux)
        assert at_zero.impedance_ohm[0] == pytest.approx(z, rel=1e-9)  # analytic
        assert at_zero.flux_density_t[0] == 0

    def test_uncertainty_of_two_levels(self):
        a, b = FLUX
        at_zero = to_zero_field([reading(10j), reading(10j)], FLUX)
        # analytic: Z0 = (b Z_a − a Z_b)/(b − a)
        assert at_zero.scatter[0] == pytest.approx(np.eye(2) * U**2 * (a**2 + b**2) / (b - a) ** 2, rel=1e-9)

    @pytest.mark.parametrize("flux", [FLUX, (1e-3, 2.2e-3, 5e-3)])
    def test_scatter_against_monte_carlo(self, flux):
        rng = np.random.default_rng(11)
        us = np.linspace(3 * U, U, len(flux))
        draws = []
        for _ in range(1500):
            noise = [complex(*rng.normal(0, u, 2)) for u in us]
            found = to_zero_field([reading(10j + n, u) for n, u in zip(noise, us, strict=True)], flux)
            draws.append(found.impedance_ohm[0])
        stated = to_zero_field([reading(10j, u) for u in us], flux).scatter[0]
        # computed: 1500 draws, a standard deviation known to 1.8 %
        assert np.std(np.real(draws)) == pytest.approx(math.sqrt(stated[0, 0]), rel=0.07)
        assert np.std(np.imag(draws)) == pytest.approx(math.sqrt(stated[1, 1]), rel=0.07)

    def test_the_most_certain_reading_counts_most(self):
        flux = (1e-3, 3e-3, 5e-3)
        readings = [reading(10j, 1e-4), reading(11j, 10.0), reading(10j, 1e-4)]
        assert to_zero_field(readings, flux).impedance_ohm[0] == pytest.approx(10j, abs=1e-6)

    @pytest.mark.parametrize("flux", [(1e-3,), (1e-3, 4e-3), (0.0, 5e-3), (1e-3, 1e-3)])
    def test_what_leads_nowhere_is_refused(self, flux):
        with pytest.raises(AnalysisError, match="do not lead to zero field"):
            to_zero_field([reading(10j) for _ in flux], flux)

    def test_as_many_readings_as_levels(self):
        with pytest.raises(AnalysisError, match="do not lead"):
            to_zero_field([reading(10j)], FLUX)


class TestSources:
    def test_a_common_error_is_carried_through_the_line(self):
        readings = [reading(10j, sources=[source(0.1)]), reading(10j, sources=[source(0.1)])]
        own, _ = to_zero_field(readings, FLUX).sources
        # analytic: an error of all readings alike is one of the end alike
        assert own.sensitivity[0] == pytest.approx(0.1)

    def test_an_error_of_a_range_is_independent_between_ranges(self):
        a, b = FLUX
        weights = np.array([b, -a]) / (b - a)
        for labels, wanted in ((("r", "r"), abs(weights.sum())), (("r", "q"), np.linalg.norm(weights))):
            readings = [reading(10j, sources=[source(0.1, scope=Scope.RANGE)], label=x) for x in labels]
            at_zero = to_zero_field(readings, FLUX)
            # analytic: same draw for one pair, two draws for two
            assert abs(at_zero.sources[0].sensitivity[0]) == pytest.approx(0.1 * wanted)
            assert at_zero.range_labels == (" & ".join(dict.fromkeys(labels)),)

    @pytest.mark.parametrize("growth", [3.0, 14.0, 30.0])
    def test_the_bend_of_rayleighs_law_is_within_what_is_allowed_for_it(self, growth):
        """μ = μi + νH, even in H and so not in B: the line's error and the source agree (analytic)."""
        h = np.array([0.16, 0.9])  # of a field at which B is some 5 mT
        x = growth * 5e-3 * h
        mu, flux = 1 + x, 5e-3 * h * (1 + x)
        found = to_zero_field([reading(1j * m, 1e-9) for m in mu], flux)
        error = abs(found.impedance_ohm[0] - 1j)
        allowed = abs(found.sources[-1].sensitivity[0])
        assert found.sources[-1].id == EXTRAPOLATION
        assert found.sources[-1].scope is Scope.SWEEP
        assert 0.4 * allowed < error < 1.3 * allowed

    def test_a_bend_that_three_levels_show_is_allowed_for(self):
        flux = (1e-3, 2.3e-3, 5e-3)
        bent = [reading(10j * (1 + 2 * b + 4e3 * b**2), 1e-5) for b in flux]
        found = to_zero_field(bent, flux)
        error, allowed = abs(found.impedance_ohm[0] - 10j), abs(found.sources[-1].sensitivity[0])
        assert error == pytest.approx(allowed, rel=0.05)
        # in noise as large as the bend nothing is seen of it
        noisy = to_zero_field([replace(item, scatter=item.scatter * 1e8) for item in bent], flux)
        assert abs(noisy.sources[-1].sensitivity[0]) < 0.5 * allowed


class TestRule:
    def test_levels(self):
        # analytic: equal ratios down to 1/5.4
        assert ZeroFieldRule(levels=2).shares == pytest.approx((1 / 5.4,))
        assert ZeroFieldRule(levels=3).shares == pytest.approx((5.4**-0.5, 1 / 5.4))

    @pytest.mark.parametrize("change", [{"flux_density_t": 6e-3}, {"levels": 1}, {"beyond_relative": 2.0}])
    def test_limits(self, change):
        with pytest.raises(InputError):
            ZeroFieldRule(**change)


def instant(folder, name, turns=10, seed=1, wiring=Wiring.SHUNT_AT_GROUND):
    lab = Instant(wiring, seed)
    item = lab.wind(name, turns)
    path = folder / f"{name}-{turns}.toml"
    path.write_text(item.specimen_toml())
    return lab, item, load_specimen(path)


class TestSweep:
    def test_only_where_it_is_needed_and_told(self, tmp_path):
        lab, _, specimen = instant(tmp_path, "bin-h")
        plan = make_plan(
            frequency_hz=(3e3, 200e3), level=FluxRule(0.25e-3, specimen), record=RecordRule(2000, 40),
            zero_field=ZeroFieldRule(beyond_relative=0.05), most_takes=4, revisit_first=False,
        )  # fmt: skip
        events = list(sweep(plan, lab.bench, lab.cancel, correct=correct))
        low, high = of(events, PointDone)
        assert low.flux_density_t == 0
        assert low.from_flux_t[0] <= 5e-3
        assert low.from_flux_t[0] > 5 * low.from_flux_t[1]
        assert " & " in low.range_label or low.range_label.count("/") == 1
        assert high.from_flux_t == ()
        assert 0.1e-3 < high.flux_density_t <= 0.25e-3
        assert EXTRAPOLATION in [item.id for item in low.corrected.sources]
        # never driven harder in silence
        levels = [event.to_vpp for event in of(events, LevelChanged) if event.frequency_hz == 3e3]
        assert low.level_vpp in levels

    def test_without_the_rule_the_point_is_not_reachable(self, tmp_path):
        lab, _, specimen = instant(tmp_path, "bin-h")
        plan = make_plan(
            frequency_hz=(2e3,), level=FluxRule(0.1e-3, specimen), record=RecordRule(1000, 40), most_takes=2
        )
        (missed,) = of(list(sweep(plan, lab.bench, lab.cancel, correct=correct)), NotReachable)
        assert "(B ≤ 0.1 mT)" in missed.reason
        assert missed.flux_density_t <= 0.1e-3

    def test_neither_way(self, tmp_path):
        """A source that hardly goes down: 0.25 mT are passed, and a fifth of 5 mT as well."""
        lab = Instant(level_vpp=(0.2, 20.0))
        path = tmp_path / "ring.toml"
        path.write_text(lab.wind("bin-h").specimen_toml())
        plan = make_plan(
            frequency_hz=(2e3, 4e3), level=FluxRule(0.25e-3, load_specimen(path)),
            record=RecordRule(2000, 40), zero_field=ZeroFieldRule(), revisit_first=False,
        )  # fmt: skip
        missed = of(list(sweep(plan, lab.bench, lab.cancel, correct=correct)), NotReachable)
        assert len(missed) == 2
        assert all("at larger levels" in event.reason for event in missed)
        assert all("0.25 mT" in event.reason for event in missed)

    def test_the_better_of_both_is_kept(self):
        """On a bench without bend or noise worth a word the plain point is better, and stays."""
        bench, _ = make_bench()
        plan = make_plan(
            frequency_hz=(1e5, 2e5), level=FluxRule(1e-3, SPECIMEN), most_takes=1,
            zero_field=ZeroFieldRule(beyond_relative=0),
        )  # fmt: skip
        points = of(run(plan, bench, correct=correct), PointDone)
        assert len(points) == 3
        for point in points:
            assert (point.flux_density_t == 0) == bool(point.from_flux_t)

    def test_a_journal_at_zero_field(self, tmp_path):
        lab, item, specimen = instant(tmp_path, "bin-h")
        grid, record = (5e3, 3e4), RecordRule(2000, 40)
        *_, stored = calibrate(
            lab.settings, lab.bench, lab,
            CalibrationPlan(grid, most_takes=1, tie_frequencies=1, record=record), lab.cancel,
        )  # fmt: skip
        lab.wind("bin-h")
        request = SweepRequest(
            specimen, tmp_path / "zero.csv", grid, FluxRule(0.25e-3, specimen), most_takes=2, record=record,
            order=PointOrder.INTERLEAVED, zero_field=ZeroFieldRule(levels=2, beyond_relative=0.01),
        )  # fmt: skip
        list(run_sweep(lab.settings, lab.bench, stored, request, lab.cancel))
        read = load_sweep(request.out)
        assert np.all(read.flux_density_t == 0)
        (own,) = [item for item in read.sources if item.id == EXTRAPOLATION]
        assert np.all(np.abs(own.sensitivity) > 0)
        assert "0.005 T" in read.notes["zero_field"]
        truth = impedance_of(item, read.frequency_hz)
        u = np.sqrt(np.trace(point_covariance(read.scatter, read.sources), axis1=1, axis2=2))
        assert np.all(np.abs(read.impedance_ohm - truth) < 3 * u)
        trial = try_data(read, specimen, permeability(read, specimen))
        (level,) = [finding for finding in trial.findings if finding.fault is Fault.LEVEL]
        assert level.passed
        # taken up again there is nothing left to do
        again = list(run_sweep(lab.settings, lab.bench, stored, request, lab.cancel))
        assert of(again, PointDone) == []


WINDINGS = {"bin-h": (6, 12, 25), "bin-k": (3, 6, 12), "bin-n": (2, 4, 6), "bin-o": (4, 8, 16)}


@pytest.mark.soak
def test_the_zero_field_limit_lies_within_the_stated_interval(tmp_path):
    """The virtual cores' own limit, of four cores and three windings each, over a bench calibrated for each.

    95 % intervals of both parts hold it 93 times in 100 at least, and nearly always: the bend of an 8-bit
    converter is most of the uncertainty, and enters by its bound.
    """
    grid, record = (3e3, 1e4, 3e4, 1e5), RecordRule(4000, 40)
    plan = CalibrationPlan(grid, most_takes=2, tie_frequencies=2, record=record)
    inside = []
    for seed, (name, windings) in enumerate(WINDINGS.items()):
        lab = Instant(seed=seed)
        *_, stored = calibrate(lab.settings, lab.bench, lab, plan, lab.cancel)
        for k, turns in enumerate(windings):
            item = lab.wind(name, turns)
            path = tmp_path / "ring.toml"
            path.write_text(item.specimen_toml())
            specimen, rule = (
                load_specimen(path),
                ZeroFieldRule(levels=2 + (seed + k) % 2, beyond_relative=1e-6),
            )
            request = SweepRequest(
                specimen, tmp_path / f"{name}-{turns}.csv", grid, FluxRule(0.25e-3, specimen), most_takes=4,
                record=record, zero_field=rule,
            )  # fmt: skip
            list(run_sweep(lab.settings, lab.bench, stored, request, lab.cancel))
            read = load_sweep(request.out)
            covariance = point_covariance(read.scatter, read.sources)
            off = read.impedance_ohm - impedance_of(item, read.frequency_hz)
            for part, values in enumerate((off.real, off.imag)):
                held = np.abs(values) < 1.96 * np.sqrt(covariance[:, part, part])
                inside += held[read.flux_density_t == 0].tolist()
    assert len(inside) > 70
    assert np.mean(inside) >= 0.93, (np.mean(inside), len(inside))


def test_a_fixed_drive_knows_no_zero_field():
    with pytest.raises(InputError, match="zero_field"):
        make_plan(level=DriveRule(0.5), zero_field=ZeroFieldRule())
