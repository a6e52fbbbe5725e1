"""A calibration and sweeps with all tones at once, on a card whose circuit is solved by nodal analysis."""

import importlib.util
import math
import re
import sys
import threading
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from test_virtual_spice import Deck, _ngspice  # noqa: F401 - the fixture that asks for ngspice
from whichcore.analysis.flux_density import inner_edge_factor
from whichcore.analysis.multitone import tones_at
from whichcore.analysis.multitone_fit import read_tones, tone_reader
from whichcore.analysis.multitone_phases import low_peak_wave
from whichcore.analysis.permeability import permeability
from whichcore.analysis.types import Wiring
from whichcore.analysis.uncertainty import point_covariance
from whichcore.bench import load_bench
from whichcore.errors import Cancelled, InputError, InstrumentError, WhichcoreWarning
from whichcore.files import load_specimen, load_sweep
from whichcore.measure import CalibrationPlan, StoredCalibration, SweepRequest, calibrate, run_sweep
from whichcore.measure.tones_said import take_line
from whichcore.measure.verify import VerificationPlan, verify
from whichcore.rig.events import (
    Finished,
    LevelChanged,
    NotReachable,
    PointDone,
    Started,
    TakeDone,
    TonesPlayed,
)
from whichcore.rig.multitone.rule import Tilt, ToneRule, samples_of, take_device, tone_grid
from whichcore.rig.multitone.run import multitone_sweep
from whichcore.rig.sweep.level import DriveRule, FluxRule
from whichcore.rig.sweep.plan import SweepPlan
from whichcore.rig.virtual import fixture, impedance_of

PATH = Path(__file__).parents[1] / "benchmarks" / "in_process_card.py"
TAKE_S = 0.25
LIMIT_T = 0.25e-3


def _loaded():
    spec = importlib.util.spec_from_file_location("in_process_card", PATH)
    module = sys.modules["in_process_card"] = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


cards = _loaded()
SETTINGS = replace(load_bench("virtual"), level_vpp=2.0)


def new_card(name="load", **changed):
    return cards.InProcessCard(cards.set_up(fixture(name)), **changed)


GRID = tone_grid(new_card(), TAKE_S, (1e3, 40e3), 10, 50.0)
RULE = ToneRule(samples_of(96e3, TAKE_S), Tilt.EVEN)


def events(card, rule=RULE, plan=None, **more):
    plan = plan or SweepPlan(GRID, DriveRule(2.0), revisit_first=False, most_takes=8)
    cancel = more.pop("cancel", threading.Event())
    return list(multitone_sweep(plan, rule, cards.bench_of(card), cancel, **more))


def only(kind, told):
    return [event for event in told if isinstance(event, kind)]


@pytest.fixture(scope="module")
def stored():
    """A calibration with every standard of the virtual bench, by tones."""
    card = new_card()
    hands = cards.CardHands(card)
    plan = CalibrationPlan(GRID, tones=RULE)
    told = list(calibrate(SETTINGS, cards.bench_of(card), hands, plan, threading.Event()))
    assert hands.asked[:2] == ["tied", "open"]
    return told[-1]


def wound(card, folder, name="bin-h", turns=20):
    item = cards.CardHands(card).wind(name, turns)
    place = folder / f"{name}.toml"
    place.write_text(item.specimen_toml())
    return item, load_specimen(place)


def swept(card, stored, request, **changed):
    return list(
        run_sweep(SETTINGS, cards.bench_of(card), stored, request, changed.get("cancel", threading.Event()))
    )


def off(sweep, truth):
    """Deviation over stated standard uncertainty of both components, (2F,)."""
    error = sweep.impedance_ohm - truth
    spread = point_covariance(sweep.scatter, sweep.sources)
    return np.concatenate([error.real / np.sqrt(spread[:, 0, 0]), error.imag / np.sqrt(spread[:, 1, 1])])


def test_the_calibration_is_a_usual_one_and_says_how_it_was_taken(stored):
    assert isinstance(stored, StoredCalibration)
    assert stored.model.kind == "open-short-load"
    np.testing.assert_array_equal(stored.model.frequency_hz, GRID)
    assert stored.header["samples_of_a_take"] == RULE.samples
    # the card's inputs differ by 1.3 % and 40 ns: the tied channels have to say so
    ratio = stored.ranges.factor(["2V/2V"] * len(GRID), np.array(GRID)).ratio
    truth = np.exp(2j * np.pi * np.array(GRID) * 40e-9) / 1.013
    np.testing.assert_allclose(ratio, truth, atol=3e-6)


@pytest.mark.parametrize("tilt", list(Tilt))
def test_a_core_is_measured_within_what_is_stated(stored, tmp_path, tilt):
    card = new_card()
    item, specimen = wound(card, tmp_path)
    out = tmp_path / "core.csv"
    rule = FluxRule(LIMIT_T, specimen)
    told = swept(card, stored, SweepRequest(specimen, out, GRID, rule, tones=ToneRule(RULE.samples, tilt)))
    sweep = load_sweep(out)
    np.testing.assert_array_equal(sweep.frequency_hz, GRID)
    score = off(sweep, impedance_of(item, sweep.frequency_hz))
    # 36 numbers, some errors common to all of them: nearly all within 2 u, none beyond 4
    assert np.mean(abs(score) < 2) > 0.8
    assert abs(score).max() < 4
    played = only(TonesPlayed, told)[0]
    heights = np.array([abs(p.phasors.phasor_vpk).min() for p in only(PointDone, told) if not p.revisit])
    flux = np.array(played.flux_density_t)
    if tilt is Tilt.FLUX:
        assert flux.max() < 1.1 * flux.min()
    if tilt is Tilt.MATCHED:
        assert heights.max() < 1.15 * heights.min()
    # the sum over all tones at the inner edge, worst phases, by the circuit itself
    assert card.flux_t * inner_edge_factor(specimen) < LIMIT_T
    assert played.total_flux_density_t == pytest.approx(0.85 * LIMIT_T, rel=0.05)
    assert played.total_flux_density_t == pytest.approx(card.flux_t * inner_edge_factor(specimen), rel=0.02)
    assert played.rms_flux_density_t == pytest.approx(math.sqrt(np.sum(flux**2) / 2), rel=1e-12)
    assert played.limited_by == "the flux density"
    assert only(Finished, told)[0].drift < 4 * only(Finished, told)[0].u_drift
    header = sweep.notes
    assert header["tones"].startswith(f"{len(GRID)} at once in {RULE.samples} samples; ")
    # the level a point belongs to is what the core was driven to, by all tones together
    np.testing.assert_allclose(sweep.flux_density_t, played.total_flux_density_t, rtol=1e-6)


@pytest.mark.parametrize(("noise_vrms", "points"), [(1e-4, 18), (1e-3, 8)])
def test_tones_near_the_noise_end_the_search_for_a_level(stored, tmp_path, noise_vrms, points):
    card = new_card(noise_vrms=noise_vrms)
    item, specimen = wound(card, tmp_path)
    request = SweepRequest(
        specimen, tmp_path / "a.csv", GRID, FluxRule(LIMIT_T, specimen), tones=ToneRule(RULE.samples)
    )
    told = swept(card, stored, request)
    assert card.takes < 16 + 8
    sweep = load_sweep(request.out)
    assert len(sweep.frequency_hz) >= points
    assert len(sweep.frequency_hz) + len(only(NotReachable, told)) >= len(GRID)
    score = off(sweep, impedance_of(item, sweep.frequency_hz))
    assert abs(score).max() < 4
    assert card.flux_t * inner_edge_factor(specimen) < LIMIT_T


def test_a_source_that_does_not_go_low_enough_is_one_line(stored, tmp_path):
    card = new_card(lowest_vpp=0.3)
    _, specimen = wound(card, tmp_path)
    request = SweepRequest(specimen, tmp_path / "a.csv", GRID, FluxRule(LIMIT_T, specimen), tones=RULE)
    with pytest.raises(InstrumentError, match=r"0.25 mT in total\); allowed: 0.3 V and more; next: put a"):
        swept(card, stored, request)
    assert card.takes == 1


def test_two_windings_go_the_same_way(tmp_path):
    settings, card = replace(SETTINGS, wiring=Wiring.TWO_WINDINGS), new_card()
    card.setup = cards.set_up(fixture("load"), Wiring.TWO_WINDINGS)
    bench = cards.bench_of(card)
    plan = CalibrationPlan(GRID, tones=RULE)
    *_, tied = calibrate(settings, bench, cards.CardHands(card), plan, threading.Event())
    item = cards.WoundCore(cards.core("bin-h"), 20, 20)
    card.setup = cards.set_up(item, Wiring.TWO_WINDINGS)
    place = tmp_path / "core.toml"
    place.write_text(item.specimen_toml())
    specimen = load_specimen(place)
    request = SweepRequest(specimen, tmp_path / "a.csv", GRID, FluxRule(LIMIT_T, specimen), tones=RULE)
    list(run_sweep(settings, bench, tied, request, threading.Event()))
    found = permeability(load_sweep(request.out), specimen)
    s = 2j * np.pi * np.array(GRID)
    truth = item.core_port().impedance(s) / (s * item.core.body.air_inductance(20))
    u = np.sqrt(np.trace(point_covariance(found.scatter, found.sources), axis1=1, axis2=2))
    assert (abs(found.permeability - truth) < 2 * u).all()
    assert abs(found.permeability / truth - 1).max() < 0.01
    assert card.flux_t * inner_edge_factor(specimen) < LIMIT_T


def test_a_level_in_volts_tells_the_flux_density_too(stored, tmp_path):
    card = new_card()
    _, specimen = wound(card, tmp_path)
    request = SweepRequest(specimen, tmp_path / "a.csv", GRID, DriveRule(0.05), tones=ToneRule(RULE.samples))
    told = swept(card, stored, request)
    played = only(TonesPlayed, told)[0]
    assert played.level_vpp == pytest.approx(0.05)
    assert played.limited_by == "the level"
    total = played.total_flux_density_t
    # the circuit's own flux voltage over ωNA, summed over the tones; the last wave is the one of the points
    assert total == pytest.approx(card.last_flux_t * inner_edge_factor(specimen), rel=0.02)
    np.testing.assert_allclose(load_sweep(request.out).flux_density_t, total, rtol=1e-6)


@pytest.mark.parametrize("name", ["resistor", "coil", "capacitor", "load"])
def test_known_parts_come_out_as_the_circuit_has_them(stored, name):
    card = new_card(name)
    told = events(card, correct=stored.correction)
    points = only(PointDone, told)
    assert len(points) == len(GRID)
    truth = impedance_of(fixture(name), np.array(GRID))
    score = [off(point.corrected, z)[k] for point, z in zip(points, truth, strict=True) for k in range(2)]
    assert np.mean(np.abs(score) < 2) > 0.8
    assert np.max(np.abs(score)) < 4
    # independent of what is stated: values of the virtual bench's own file, within 0.5 %
    z = np.array([complex(point.corrected.impedance_ohm[0]) for point in points])
    assert abs(z / truth - 1).max() < 5e-3


def test_a_known_part_verifies_by_tones(stored, tmp_path, monkeypatch):
    monkeypatch.setenv("WHICHCORE_HOME", str(tmp_path))
    card = new_card()
    plan = VerificationPlan(("kilohm",), GRID, tones=RULE)
    work = (stored, plan)
    found = list(verify(SETTINGS, cards.bench_of(card), cards.CardHands(card), work, threading.Event()))[-1]
    assert found.passed


@pytest.mark.usefixtures("_ngspice")
@pytest.mark.parametrize("wiring", [Wiring.SHUNT_AT_GROUND, Wiring.SPECIMEN_AT_GROUND])
def test_both_nodes_agree_with_ngspice(tmp_path, wiring):
    # independent code: ngspice's AC solution of the netlist written out of the same parts
    card = new_card(noise_vrms=1e-7)
    card.setup = cards.set_up(fixture("coil"), wiring)
    cards.CardHands(card).wind("bin-h", 20)
    deck = Deck()
    deck.network(card.setup.network(), "ac 1")
    step = 1 / TAKE_S
    count = round((GRID[-1] - GRID[0]) / step) + 1
    out = deck.run(tmp_path, f".ac lin {count} {GRID[0]!r} {GRID[-1]!r}", card.setup.probes)
    at = np.round((np.array(GRID) - GRID[0]) / step).astype(int)
    np.testing.assert_allclose(out["frequency"].real[at], GRID, rtol=1e-9)
    a, b = (out[f"v({node})"][at] for node in card.setup.probes)
    input_ratio = np.exp(2j * np.pi * np.array(GRID) * 40e-9) / 1.013  # of the card, not of the circuit
    points = only(PointDone, events(card))
    read = np.array([p.phasors.phasor_vpk[0] / p.phasors.phasor_vpk[1] for p in points]) / input_ratio
    u = np.array([p.relative_uncertainty for p in points])
    assert abs(read / (a / b) - 1).max() < 2e-6
    assert u.max() < 1e-6


def test_what_all_at_once_costs_is_told():
    card = new_card()
    told = events(card)
    assert [type(event) for event in told[:3]] == [Started, LevelChanged, TonesPlayed]
    played, n = only(TonesPlayed, told)[0], len(GRID)
    assert played.tones == n == len(only(PointDone, told))
    # analytic: n equal tones of a wave of peak P have P √2/(crest √n) each, a tone alone has P
    share = math.sqrt(2 / n) / played.crest
    assert played.share_of_single == pytest.approx(share, rel=1e-6)
    assert played.noise_against_single == pytest.approx(played.crest / math.sqrt(2), rel=1e-6)
    assert played.level_vpp == pytest.approx(0.98 * 2.0)
    assert (played.products.second, played.products.third) == (0, 0)
    assert played.flux_density_t is None is played.total_flux_density_t is None
    assert card.takes == 1


def test_one_tone_goes_the_same_way(stored):
    card = new_card("resistor")
    plan = SweepPlan(GRID[4:5], DriveRule(1.0))
    told = events(card, plan=plan, correct=stored.correction)
    point = only(PointDone, told)[0]
    assert complex(point.corrected.impedance_ohm[0]).real == pytest.approx(
        200.31, rel=1e-3
    )  # electronics.toml
    assert only(TonesPlayed, told)[0].crest == pytest.approx(math.sqrt(2), rel=1e-3)
    assert only(TonesPlayed, told)[0].level_vpp == pytest.approx(1.0)
    assert point.level_vpp == pytest.approx(1.0, rel=1e-3)


def test_hum_and_a_delay_that_changes_do_no_harm(stored):
    with_hum, without = (
        np.array([complex(p.corrected.impedance_ohm[0]) for p in only(PointDone, events(card, correct=fix))])
        for card, fix in ((new_card("resistor", hum_vpk=hum), stored.correction) for hum in (0.02, 0.0))
    )
    assert with_hum.size == len(GRID)
    assert abs(with_hum / without - 1).max() < 2e-5


def test_a_bent_input_is_seen():
    straight, bent = (only(TonesPlayed, events(new_card(cube=cube)))[0] for cube in ((0.0, 0.0), (3e-3, 0.0)))
    assert bent.odd > 1e-9 > 10 * abs(straight.odd)
    assert bent.odd > 5 * bent.u_odd


def test_takes_are_averaged_until_the_target():
    card = new_card(noise_vrms=6e-3)
    plan = SweepPlan(GRID, DriveRule(2.0), target_relative=3e-4, most_takes=32, revisit_first=False)
    told = events(card, plan=plan)
    points = only(PointDone, told)
    assert card.takes == points[0].phasors.takes > 4
    counted = [(event.takes, event.wanted) for event in only(TakeDone, told)]
    assert [takes for takes, _ in counted] == list(range(1, card.takes + 1))
    assert counted[-1] == (card.takes, card.takes)
    assert all(p.target_reached for p in points)
    few = only(PointDone, events(new_card(noise_vrms=6e-3), plan=replace(plan, most_takes=2)))
    assert few[0].phasors.takes == 2
    assert not any(p.target_reached for p in few)


def test_what_is_known_is_told_after_each_take():
    """Every tone with its uncertainty so far; final once, and by themselves, at the end."""
    plan = SweepPlan(GRID, DriveRule(2.0), target_relative=3e-4, most_takes=32, revisit_first=False)
    told = events(new_card(noise_vrms=6e-3), plan=plan)
    takes, points = only(TakeDone, told), only(PointDone, told)
    assert [p.frequency_hz for p in points] == list(GRID)  # once each
    for take in takes:
        assert [p.frequency_hz for p in take.points] == list(GRID)
        assert {p.phasors.takes for p in take.points} == {take.takes}
        u = np.array([p.relative_uncertainty for p in take.points])
        assert take.least_sure is take.points[int(u.argmax())]
        assert take.good == int((u <= 3e-4).sum())
    first, last = (np.array([p.relative_uncertainty for p in take.points]) for take in (takes[0], takes[-1]))
    # analytic: independent takes, so by the root of their number; the takes' scatter may raise it a little
    assert np.median(first / last) == pytest.approx(math.sqrt(takes[-1].takes), rel=0.15)
    assert [p.relative_uncertainty for p in points] == list(last)
    # what was told early holds as it was stated: within four standard uncertainties of the end, both voltages
    # over their size, their common factor left out (as a drift without correction is told)
    early, late = (np.array([p.phasors.phasor_vpk for p in some]) for some in (takes[0].points, points))
    sizes = np.linalg.norm(early, axis=1) * np.linalg.norm(late, axis=1)
    moved = np.abs(early[:, 0] * late[:, 1] - late[:, 0] * early[:, 1]) / sizes
    assert np.all(moved < 4 * math.sqrt(2) * first)
    assert takes[0].good < takes[-1].good == len(GRID)


def test_what_an_earlier_run_has_is_not_told_after_takes():
    plan = SweepPlan(GRID, DriveRule(2.0), target_relative=3e-4, most_takes=4, revisit_first=False)
    card = new_card(noise_vrms=6e-3)
    told = list(multitone_sweep(plan, RULE, cards.bench_of(card), threading.Event(), done=GRID[:-2]))
    assert [p.frequency_hz for p in only(PointDone, told)] == list(GRID[-2:])
    assert all([p.frequency_hz for p in t.points] == list(GRID[-2:]) for t in only(TakeDone, told))


def test_a_take_in_one_line():
    plan = SweepPlan(GRID, DriveRule(2.0), target_relative=3e-4, most_takes=3, revisit_first=False)
    line = take_line(only(TakeDone, events(new_card(noise_vrms=6e-3), plan=plan))[0])
    assert re.fullmatch(
        rf"take 1 of 3: \d+ of {len(GRID)} points good enough, \S+ % open at \S+ k?Hz", line
    ), line
    assert take_line(TakeDone(2, 5)) == "take 2 of 5"


def test_a_clipped_input_lowers_the_level(stored):
    card = new_card("open", in_vpk=0.3)
    told = events(card)
    levels = [event.to_vpp for event in only(LevelChanged, told)]
    assert levels[0] > 1.9
    assert 0.3 < levels[-1] < 0.6
    assert only(TonesPlayed, told)[0].limited_by.startswith("input")
    assert len(only(PointDone, told)) == len(GRID)
    with pytest.raises(InstrumentError, match="no level was found"):
        events(new_card("open", in_vpk=1e-6))


def test_a_core_that_is_not_there_is_one_clear_line(stored, tmp_path):
    card = new_card()
    _, specimen = wound(card, tmp_path)
    card.setup = cards.set_up(fixture("open"))
    request = SweepRequest(specimen, tmp_path / "a.csv", GRID, FluxRule(LIMIT_T, specimen), tones=RULE)
    with pytest.raises(InstrumentError) as found:
        swept(card, stored, request)
    assert "\n" not in found.value.one_line()
    assert "lowest points" in found.value.one_line()


def test_what_cannot_be_is_refused(stored, tmp_path):
    card = new_card()
    _, specimen = wound(card, tmp_path)
    with pytest.raises(InputError, match="needs the impedance"):
        events(card, plan=SweepPlan(GRID, FluxRule(LIMIT_T, specimen)))
    with pytest.raises(InputError, match="whole periods"):
        events(card, plan=SweepPlan((1000.5,), DriveRule(1.0)))
    with pytest.raises(InputError, match="flux density is that of a core"):
        events(card, rule=ToneRule(RULE.samples, Tilt.FLUX))
    with pytest.raises(InstrumentError, match="one clock") as found:
        events(new_card(clock=20e-6))
    assert float(found.value.got.split()[3]) == pytest.approx(20, rel=0.1)
    with pytest.raises(InputError, match=r"up to 43200 Hz"):
        tone_grid(card, TAKE_S, (1e3, 3e6), 10, None)
    with pytest.raises(InputError, match=r"0.05 s to 60 s"):
        samples_of(96e3, 0.01)
    bench = replace(cards.bench_of(card), digitizer=object(), source=cards.CardSource(card))
    bench.digitizer.__class__  # noqa: B018
    with pytest.raises(InputError, match="one tone at a time"):
        take_device(replace(bench, digitizer=_Scope()))


@pytest.mark.parametrize("slipping", [1, 2])
def test_samples_lost_without_a_word_cost_one_take(monkeypatch, slipping):
    """One sample lost in the middle of a take looks like two clocks; a second take in a row is believed."""
    card, heard = new_card(), []
    take = card.take

    def losing(*words):
        heard.append(capture := take(*words))
        if len(heard) > slipping:
            return capture
        middle = capture.samples.shape[1] // 2
        codes = np.concatenate([capture.samples[:, :middle], np.roll(capture.samples[:, middle:], -1, 1)], 1)
        return replace(capture, samples=codes)

    monkeypatch.setattr(card, "take", losing)
    if slipping == 1:
        plain = only(PointDone, events(new_card()))
        with pytest.warns(WhichcoreWarning, match="a take was thrown away: .* one clock"):
            told = only(PointDone, events(card))
        for point, other in zip(told, plain, strict=True):
            a, b = (p.phasors.phasor_vpk[0] / p.phasors.phasor_vpk[1] for p in (point, other))
            u = np.sqrt(np.trace(point.phasors.covariance_v2)) / abs(point.phasors.phasor_vpk[1])
            assert abs(a - b) < 6 * (1 + abs(a)) * u
    else:
        with pytest.raises(InstrumentError, match="one clock"):
            events(card)
    assert len(heard) >= 2


class _Scope:
    identity = "a scope"


def test_the_tied_channels_have_to_read_one_node():
    card = new_card()

    class Wrong(cards.CardHands):
        def fit(self, name):
            super().fit("load" if name == "tied" else name)

    plan = CalibrationPlan(GRID, tones=RULE)
    with pytest.raises(InstrumentError, match="do not read one node"):
        list(calibrate(SETTINGS, cards.bench_of(card), Wrong(card), plan, threading.Event()))


def test_a_sweep_that_was_stopped_goes_on_where_it_was(stored, tmp_path):
    card = new_card()
    item, specimen = wound(card, tmp_path)
    request = SweepRequest(specimen, tmp_path / "a.csv", GRID, FluxRule(LIMIT_T, specimen), tones=RULE)
    running = run_sweep(SETTINGS, cards.bench_of(card), stored, request, threading.Event())
    for event in running:
        if isinstance(event, PointDone) and event.index == 6:
            running.close()
            break
    assert len(load_sweep(request.out).frequency_hz) == 7
    told = swept(card, stored, request)
    assert only(Started, told)[0].skipped == 7
    sweep = load_sweep(request.out)
    np.testing.assert_array_equal(sweep.frequency_hz, GRID)
    assert abs(off(sweep, impedance_of(item, sweep.frequency_hz))).max() < 4
    for other in (None, ToneRule(RULE.samples, Tilt.MATCHED)):
        with pytest.raises(InputError, match="another sweep"):
            swept(card, stored, replace(request, tones=other))


def test_a_wish_to_stop_is_seen_between_takes(stored, tmp_path):
    card = new_card()
    cancel = threading.Event()
    taken = card.take

    def take(*args):
        record = taken(*args)
        cancel.set()
        return record

    card.take = take
    with pytest.raises(Cancelled):
        events(card, rule=ToneRule(RULE.samples, Tilt.MATCHED), cancel=cancel)
    assert card.takes == 1


def test_a_fault_of_one_tone_spares_the_others(stored):
    """A tone drowned in a line that comes from elsewhere: the others are measured."""
    grid = tuple(sorted([*GRID, 36_004.0]))
    plan = SweepPlan(grid, DriveRule(2.0), revisit_first=False, mains_hz=None)
    card = new_card(hum_vpk=0.3, hum_hz=36_006.7)
    told = events(card, plan=plan)
    assert card.takes == 1  # no takes are spent on what they cannot better
    lost = only(NotReachable, told)
    assert [item.frequency_hz for item in lost] == [36_004.0]
    assert "drifts or is modulated" in lost[0].reason
    assert len(only(PointDone, told)) == len(GRID)


def test_the_bound_is_met_by_the_circuit_too():
    card = new_card("resistor", noise_vrms=1e-3)
    tones = tones_at(96e3, RULE.samples, GRID)
    wave, reader = low_peak_wave(tones, np.ones(len(GRID))), tone_reader(tones)
    found = [
        read_tones(card.take(wave.samples, 0, 0.0, threading.Event()), reader).phasor_vpk for _ in range(40)
    ]
    v = np.array(found)
    ratio = v[:, :, 0] / v[:, :, 1]
    spread = np.std(ratio, axis=0, ddof=1) / math.sqrt(2) / abs(ratio.mean(axis=0))
    size = np.abs(v).mean(axis=0)
    # memory, values.md §6 (Kay 1993, ch. 3): var(r)/r² = 1/Nη1 + 1/Nη2, η = A²/2σ²
    bound = np.sqrt(np.sum(2 * 1e-3**2 / (RULE.samples * size**2), axis=1))
    assert np.sqrt(np.mean((spread / bound) ** 2)) == pytest.approx(math.sqrt(1 + 9 / 128), abs=0.08)
