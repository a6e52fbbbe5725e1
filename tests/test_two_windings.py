"""Two windings of one core: capacitance found, turns checked, one curve; the truth comes from circuits."""

import shutil
import subprocess
import warnings
from dataclasses import replace

import numpy as np
import pytest

from whichcore.analysis.contradiction import contradiction
from whichcore.analysis.curve_difference import interpolation
from whichcore.analysis.joined import Joined, as_one_sweep, join
from whichcore.analysis.overlap_fit import Wound
from whichcore.analysis.permeability import permeability
from whichcore.analysis.specimen import Ring, Specimen, Winding
from whichcore.analysis.two_windings import solve_overlap
from whichcore.analysis.types import ErrorSource, ImpedanceSweep, Scope, Wiring
from whichcore.analysis.uncertainty import point_covariance
from whichcore.analysis.winding import TYPICAL_CAPACITANCE_F, TYPICAL_CAPACITANCE_UNCERTAINTY_F
from whichcore.errors import AnalysisError
from whichcore.rig.virtual import WoundCore, core, cores
from wound_sweeps import bench_sweep, card, drawn_sweep, in_process_bench, wound_port

pytestmark = pytest.mark.filterwarnings("ignore:.*no uncertainty is stated")

LOW = np.geomspace(1e3, 2e5, 30)
SHARED = np.append(LOW[LOW > 6e4], np.geomspace(2.3e5, 3e6, 15))
OWN = np.geomspace(6e4, 3e6, 22)


def _pair(name, rng, turns=(25, 4), stated=None, farad=(5e-12, 2e-12), high=SHARED, **errors):
    parts = []
    for count, said, capacitance, grid in zip(turns, stated or turns, farad, (LOW, high), strict=True):
        item = WoundCore(core(name), count)
        sweep = drawn_sweep(wound_port(item, capacitance), grid, rng, **errors)
        parts.append(Wound(sweep, card(item, turns=said)))
    return parts


# ------------------------------------------------------------------------------------------ capacitance


@pytest.mark.parametrize("high", [SHARED, OWN], ids=["one grid", "two grids"])
@pytest.mark.parametrize("name", sorted(cores()))
def test_the_capacitance_of_the_circuit_is_found(name, high):
    many, few = _pair(name, np.random.default_rng(5), high=high)
    overlap = solve_overlap(many, few)
    for found, truth in zip(overlap.windings, (5e-12, 2e-12), strict=True):
        assert abs(found.capacitance_f - truth) <= 2 * found.u_capacitance_f
        assert found.u_capacitance_f <= found.u_expected_f
    assert contradiction(overlap, many, few) is None


def test_the_found_capacitance_is_known_better_where_the_core_lets_it():
    overlap = solve_overlap(*_pair("bin-n", np.random.default_rng(1)))
    assert overlap.windings[0].u_capacitance_f < 0.1 * overlap.windings[0].u_expected_f
    # a powder core of μ 60 bends too little for it: nothing is claimed
    overlap = solve_overlap(*_pair("bin-l", np.random.default_rng(1)))
    assert overlap.windings[0].u_capacitance_f > 0.9 * overlap.windings[0].u_expected_f


def _coverage(draws, names):
    rng, inside = np.random.default_rng(8), np.zeros(2, dtype=int)
    for index in range(draws):
        # of 25 and of 4 turns the prior is the same: 3.2 pF ± 2.4 pF; a circuit has no less than nothing
        farad = np.maximum(rng.normal(TYPICAL_CAPACITANCE_F, TYPICAL_CAPACITANCE_UNCERTAINTY_F, 2), 0.1e-12)
        overlap = solve_overlap(*_pair(names[index % len(names)], rng, farad=tuple(farad)))
        for k, found in enumerate(overlap.windings):
            inside[k] += abs(found.capacitance_f - farad[k]) <= 2 * found.u_capacitance_f
    return inside / draws


def test_two_standard_uncertainties_hold_the_capacitance_in_most_draws():
    # 95.4 % (analytic); 30 draws scatter by 3.8 %: three of those below
    assert np.all(_coverage(30, ["bin-h", "bin-n"]) >= 0.84)


@pytest.mark.soak
def test_two_standard_uncertainties_hold_the_capacitance_of_every_core():
    covered = _coverage(400, sorted(cores()))
    assert np.all(covered >= 0.92)
    assert np.all(covered <= 0.995)


# ------------------------------------------------------------------------------------------ turns

MISCOUNTED = [
    ((25, 4), (26, 4)),
    ((25, 4), (25, 5)),
    ((30, 5), (29, 5)),
    ((20, 3), (20, 4)),
    ((40, 5), (41, 5)),
    ((20, 4), (18, 4)),
]


@pytest.mark.parametrize(("turns", "stated"), MISCOUNTED)
@pytest.mark.parametrize("name", ["bin-h", "bin-k", "bin-l", "bin-n"])
def test_a_miscounted_turn_is_found_and_named(name, turns, stated):
    many, few = _pair(name, np.random.default_rng(11), turns=turns, stated=stated)
    overlap = solve_overlap(many, few)
    best = overlap.turns[0]
    assert (best.many, best.few) == ((turns[0],), (turns[1],))
    assert best.probability > 0.9
    with pytest.raises(AnalysisError, match="turns stated") as caught:
        join(overlap, many, few)
    assert f"{turns[0]} and {turns[1]} would agree" in caught.value.allowed


def test_turns_and_another_cause_sum_to_one_and_a_coarse_overlap_doubts():
    many, few = _pair("bin-h", np.random.default_rng(3), turns=(40, 5), noise=0.03, gain=0.03)
    overlap = solve_overlap(many, few)
    assert sum(t.probability for t in overlap.turns) + overlap.other_probability == pytest.approx(1)
    assert sum(t.by_overlap for t in overlap.turns) == pytest.approx(1)
    # 41 turns differ by 5 % (analytic), as much as this overlap leaves open: nothing is confirmed by it
    assert overlap.seen_probability < 0.7
    assert overlap.stated_probability > overlap.seen_probability
    assert solve_overlap(*_pair("bin-h", np.random.default_rng(3), turns=(40, 5))).seen_probability > 0.99


def test_both_miscounted_in_one_ratio_is_not_claimed_to_be_seen():
    # 24:4 and 12:2 are the same ratio (analytic), so that 24 and 4 fit whatever the truth of those two is
    many, few = _pair("bin-h", np.random.default_rng(3), turns=(12, 2), stated=(24, 4))
    assert contradiction(solve_overlap(many, few), many, few) is None


# ------------------------------------------------------------------------------------------ contradictions


def test_another_piece_is_not_taken_for_turns_and_the_suspect_is_named():
    rng = np.random.default_rng(4)
    many, few = _pair("bin-h", rng)
    other = replace(few, sweep=replace(few.sweep, impedance_ohm=few.sweep.impedance_ohm * 1.12))
    overlap = solve_overlap(many, other)
    assert overlap.other_probability > 0.5
    reason = contradiction(overlap, many, other)
    assert reason is not None
    assert reason.next_step.startswith("piece")
    warm = replace(other, sweep=replace(other.sweep, temperature_c=60.0))
    cold = replace(many, sweep=replace(many.sweep, temperature_c=20.0))
    assert contradiction(overlap, cold, warm).next_step.startswith("temperature: 20 °C and 60 °C")


def test_a_level_apart_explains_what_a_level_can_explain():
    many, few = _pair("bin-h", np.random.default_rng(4))
    # Rayleigh's law: the loss rises by 4/3π of the level (memory)
    raise_by = 1 + 0.02 * (1 - 4j / (3 * np.pi))
    raised = replace(few.sweep, impedance_ohm=few.sweep.impedance_ohm * raise_by)
    here = replace(many, sweep=replace(many.sweep, flux_density_t=np.full(LOW.size, 1e-4)))
    there = replace(few, sweep=replace(raised, flux_density_t=np.full(SHARED.size, 5e-3)))
    equal = replace(few, sweep=replace(raised, flux_density_t=np.full(SHARED.size, 1e-4)))
    assert solve_overlap(here, there).p_value > 0.01
    assert solve_overlap(here, equal).p_value < 0.01
    high = replace(there, sweep=replace(there.sweep, impedance_ohm=there.sweep.impedance_ohm * 1.15))
    reason = contradiction(solve_overlap(here, high), here, high)
    assert reason.next_step.startswith("level: 100 µT and 5 mT")


def _u(spectrum):
    covariance = point_covariance(spectrum.scatter, spectrum.sources)
    return np.sqrt(np.diagonal(covariance, axis1=1, axis2=2))


def _refused(match, many, few):
    with pytest.raises(AnalysisError, match=match):
        solve_overlap(many, few)


def test_what_is_no_pair_of_windings_is_refused():
    many, few = _pair("bin-h", np.random.default_rng(4))
    apart = replace(few.sweep, frequency_hz=few.sweep.frequency_hz * 10)
    _refused("do not overlap enough", many, replace(few, sweep=apart))
    _refused("exchanged", few, many)
    _refused("same turns", many, replace(few, specimen=many.specimen))
    other = replace(few.specimen, core=replace(few.specimen.core, height_m=12e-3))
    with pytest.raises(AnalysisError) as caught:
        solve_overlap(many, replace(few, specimen=other))
    assert caught.value.got == "height_m 0.01008 and 0.012"
    _refused("serves at low", many, replace(few, sweep=replace(few.sweep, wiring=Wiring.TWO_WINDINGS)))
    sweep, wound = as_one_sweep(join(solve_overlap(many, few), many, few), few.specimen, 25)
    _refused("ideal already", Wound(sweep, wound), few)
    bad = few.sweep.impedance_ohm.copy()
    bad[3] = np.nan
    _refused("finite", many, replace(few, sweep=replace(few.sweep, impedance_ohm=bad)))


def test_points_at_the_self_resonance_of_the_many_turns_are_left_out_and_told():
    item = WoundCore(core("bin-n"), 60)
    grid = np.geomspace(1e3, 3e6, 45)
    rng = np.random.default_rng(2)
    many = Wound(drawn_sweep(wound_port(item, 9e-12), grid, rng), card(item))
    few_item = WoundCore(core("bin-n"), 4)
    few = Wound(drawn_sweep(wound_port(few_item, 2e-12), grid[grid > 2e4], rng), card(few_item))
    overlap = solve_overlap(many, few)
    assert overlap.left_out_hz.size > 5
    assert "self-resonance" in overlap.notes[0]
    assert abs(overlap.windings[0].capacitance_f - 9e-12) <= 2 * overlap.windings[0].u_capacitance_f
    np.testing.assert_allclose(join(overlap, many, few).spectrum.frequency_hz, grid)


# ------------------------------------------------------------------------------------------ one curve


def test_the_cubic_meets_measured_points_and_bends_like_a_cubic():
    grid = np.geomspace(1e3, 1e5, 13)
    weights = interpolation(grid, np.array([grid[4], 2.3e4, grid[-1]]))
    assert np.array_equal(weights[0], np.eye(13)[4])
    assert np.array_equal(weights[2], np.eye(13)[12])
    x = np.log(grid)
    assert weights[1] @ (x**3 - 2 * x) == pytest.approx(np.log(2.3e4) ** 3 - 2 * np.log(2.3e4), rel=1e-12)


def _turned(part, factor):
    return replace(part, sweep=replace(part.sweep, impedance_ohm=part.sweep.impedance_ohm * factor))


@pytest.mark.parametrize("high", [SHARED, OWN], ids=["one grid", "two grids"])
def test_sensitivities_of_the_joined_curve_are_those_of_finite_steps(high):
    # a hundredth of each standard uncertainty, put into the data; what the overlap then solves is in it
    step = 0.01

    def run(farad=(5e-12, 2e-12), factors=(1.0, 1.0)):
        parts = _pair("bin-h", np.random.default_rng(13), farad=farad, high=high)
        many, few = (_turned(part, factor) for part, factor in zip(parts, factors, strict=True))
        return join(solve_overlap(many, few), many, few).spectrum

    plain = run()
    named = {s.id: s.sensitivity for s in plain.sources}
    spread = TYPICAL_CAPACITANCE_UNCERTAINTY_F * step
    # a winding with less than stated was stated too large
    moved = {
        "many/gain": run(factors=(1 + 2e-3 * step, 1.0)),
        "few/phase": run(factors=(1.0, 1 + 1e-3j * step)),
        "many/winding:capacitance": run(farad=(5e-12 - spread, 2e-12)),
        "few/winding:capacitance": run(farad=(5e-12, 2e-12 - spread)),
    }
    for name, other in moved.items():
        change = (other.permeability - plain.permeability) / step
        largest = np.max(np.abs(named[name]))
        # first order, and the noise is a share of a Z that moves: some percent of the largest
        np.testing.assert_allclose(change, named[name], atol=0.05 * largest, err_msg=name)
    # the overlap has taken most of the many turns' capacitance out: at 183 kHz it would be 1.6 % of μ
    assert np.max(np.abs(named["many/winding:capacitance"][plain.frequency_hz < 2e5])) < 0.006 * 2300


@pytest.mark.soak
def test_joined_errors_are_those_of_many_joined_measurements():
    rng, draws = np.random.default_rng(12), 150
    truth, stated, found = None, None, []
    for _ in range(draws):
        farad = rng.normal(TYPICAL_CAPACITANCE_F, 0.5 * TYPICAL_CAPACITANCE_UNCERTAINTY_F, 2)
        many, few = _pair("bin-h", rng, farad=tuple(farad))
        joined = join(solve_overlap(many, few), many, few).spectrum
        found.append(joined.permeability)
        shape = [
            s for s in joined.sources if not s.id.startswith(("dimension:", "few/winding", "many/winding"))
        ]
        stated = point_covariance(joined.scatter, shape)
        truth = joined
    # scatter and common errors are drawn anew each time; what the windings keep of theirs is less than half
    spread = np.std(np.real(found), axis=0)
    low = truth.frequency_hz < 2e4
    ratio = spread[low] / np.sqrt(stated[low, 0, 0])
    # a standard deviation of 150 draws is known to 6 % (analytic: 1/√(2·149))
    np.testing.assert_allclose(ratio, 1.0, atol=0.2)


def test_the_joined_curve_holds_the_true_permeability_and_its_sources_keep_their_names():
    many, few = _pair("bin-h", np.random.default_rng(21), high=OWN)
    frozen = [
        replace(p, sweep=replace(p.sweep, sources=(*p.sweep.sources, _shared(p.sweep)))) for p in (many, few)
    ]
    joined = join(solve_overlap(*frozen), *frozen)
    item = WoundCore(core("bin-h"), 4)
    s = 2j * np.pi * joined.spectrum.frequency_hz
    # the body of the circuit has its own size, so that the stated dimensions are off by some per mil
    truth = item.core.impedance_port(4).impedance(s) / (s * item.core.body.air_inductance(4))
    off = joined.spectrum.permeability - truth
    u = _u(joined.spectrum)
    assert np.all(abs(off.real) <= 3 * u[:, 0])
    assert np.all(abs(off.imag) <= 3 * u[:, 1])
    ids = {source.id for source in joined.spectrum.sources}
    assert {"standard load", "dimension:height", "many/gain", "few/gain", "few/winding:capacitance"} <= ids
    (kept,) = [source for source in joined.spectrum.sources if source.id == "standard load"]
    # it is the same share of Z in both, so that it moves nothing in the overlap and the whole curve alike
    np.testing.assert_allclose(kept.sensitivity / joined.spectrum.permeability, 1e-3, rtol=0.03)
    assert kept.scope is Scope.SPECIMENS
    for step in joined.steps:
        assert step.largest < 3


def _shared(sweep):
    return ErrorSource("standard load", Scope.SPECIMENS, 1e-3 * sweep.impedance_ohm)


def test_what_was_joined_is_measured_as_one_without_counting_a_source_twice():
    many, few = _pair("bin-h", np.random.default_rng(6))
    joined = join(solve_overlap(many, few), many, few).spectrum
    sweep, wound = as_one_sweep(Joined(joined, ()), few.specimen, 25)
    again = permeability(sweep, wound)
    np.testing.assert_allclose(again.permeability, joined.permeability, rtol=1e-12)
    np.testing.assert_allclose(
        point_covariance(again.scatter, again.sources),
        point_covariance(joined.scatter, joined.sources),
        rtol=1e-9, atol=1e-12,
    )  # fmt: skip
    assert sorted(s.id for s in again.sources) == sorted(s.id for s in joined.sources)
    assert not [s.id for s in sweep.sources if s.id.startswith(("dimension:", "winding:"))]


# ------------------------------------------------------------------------------------------ bench, ngspice


@pytest.mark.soak
@pytest.mark.parametrize(
    ("wiring", "turns"),
    [(Wiring.SHUNT_AT_GROUND, (25, None)), (Wiring.TWO_WINDINGS, (20, 20))],
)
def test_the_in_process_bench_joins(wiring, turns):
    bench = in_process_bench().InProcessBench(seed=9)
    low, high = np.geomspace(1e4, 2.2e5, 8), np.array([1.4e5, 2.2e5, 4.7e5, 1e6, 3e6])
    grid = np.append(low[low > 5e4], high[high > 2.3e5])
    items = WoundCore(core("bin-h"), *turns), WoundCore(core("bin-h"), 5)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        many = Wound(bench_sweep(bench, items[0], wiring, low), card(items[0]))
        few = Wound(bench_sweep(bench, items[1], Wiring.SHUNT_AT_GROUND, grid), card(items[1]))
    overlap = solve_overlap(many, few)
    assert contradiction(overlap, many, few) is None
    assert (overlap.turns[0].many, overlap.turns[0].few) == (many.counts, few.counts)
    joined = join(overlap, many, few).spectrum
    own = in_process_bench()
    truth = np.array(
        [
            own.true_permeability(items[0], f, np.array([b]))[0]
            for f, b in zip(joined.frequency_hz, joined.flux_density_t, strict=True)
        ]
    )
    off, u = joined.permeability - truth, _u(joined)
    assert np.all(abs(off.real) <= 2.5 * u[:, 0])
    assert np.all(abs(off.imag) <= 2.5 * u[:, 1])
    if wiring is Wiring.SHUNT_AT_GROUND:
        true_farad = items[0].capacitance_f(25)
        assert abs(overlap.windings[0].capacitance_f - true_farad) <= 2 * overlap.windings[0].u_capacitance_f


def _spice_impedance(folder, turns, farad, frequency_hz):
    """Z of L0N² + a relaxation of χ 2000 at 3 MHz, 60 mΩ and a capacitor across, by an AC analysis."""
    air = 1.0217e-9 * turns**2
    lines = [
        "wound core",
        "I1 0 a ac 1",
        f"Cw a 0 {farad}",
        "Rw a b 0.06",
        f"L0 b c {air}",
        f"L1 c 0 {air * 2000}",
        f"R1 c 0 {2 * np.pi * 3e6 * air * 2000}",
    ]
    rows = []
    for value in frequency_hz:
        deck = "\n".join(
            [*lines, f".ac lin 1 {value:.12g} {value:.12g}", ".print ac vr(a) vi(a)", ".end", ""]
        )
        (folder / "deck.cir").write_text(deck, encoding="utf-8")
        done = subprocess.run(
            ["ngspice", "-b", str(folder / "deck.cir")], capture_output=True, text=True, check=False
        )
        row = [line.split() for line in done.stdout.splitlines() if line.startswith("0\t")]
        rows.append(complex(float(row[0][2].rstrip(",")), float(row[0][3].rstrip(","))))
    return np.array(rows)


@pytest.mark.skipif(
    shutil.which("ngspice") is None, reason="ngspice is not installed (apt-get install ngspice)"
)
def test_the_capacitances_of_two_ngspice_circuits_are_found(tmp_path):
    low, high = np.geomspace(2e4, 3e5, 8), np.geomspace(8e4, 2e6, 8)
    grid = np.append(low[low > 8e4], high[high > 3.2e5])
    parts = []
    for turns, farad, frequency in ((30, 8e-12, low), (5, 2e-12, grid)):
        z = _spice_impedance(tmp_path, turns, farad, frequency)
        scatter = (1e-4 * abs(z))[:, None, None] ** 2 * np.eye(2)
        wound = Winding(turns, wire_diameter_m=0.4e-3, lead_length_m=0.01, dc_resistance_ohm=0.06)
        parts.append(Wound(ImpedanceSweep(frequency, z, scatter), Specimen(Ring(25e-3, 15e-3, 10e-3), wound)))
    overlap = solve_overlap(*parts)
    found = overlap.windings[0]
    assert abs(found.capacitance_f - 8e-12) <= 2 * found.u_capacitance_f
    assert found.u_capacitance_f < 0.5e-12
    assert overlap.turns[0].probability > 0.99
