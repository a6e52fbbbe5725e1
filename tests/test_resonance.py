"""Loss of low-loss cores from a resonance with a known capacitor; the truth comes from circuits."""

import json
import os
import shutil
import subprocess
import warnings
from dataclasses import replace

import numpy as np
import pytest
from click.testing import CliRunner

from whichcore.analysis.budget import budget_at
from whichcore.analysis.comparison import compare, shared_by_specimen
from whichcore.analysis.functional import LOSS_TANGENT, real_curve
from whichcore.analysis.permeability import permeability
from whichcore.analysis.remedies import remedy_of
from whichcore.analysis.resonance import (
    CAPACITANCE,
    CAPACITOR_LOSS,
    Connection,
    KnownCapacitor,
    capacitance_for,
    direct_at,
    flux_density_t,
    resonance,
)
from whichcore.analysis.specimen import EffectiveCore, Specimen, Winding
from whichcore.analysis.types import ErrorSource, ImpedanceSweep, Scope, Wiring
from whichcore.cli.root import root
from whichcore.errors import AnalysisError, InputError
from whichcore.files import write_sweep
from whichcore.rig.virtual import WoundCore, core
from whichcore.rig.virtual.fixtures import Fixture
from whichcore.rig.virtual.oneport import Capacitor, Resistor, parallel, series
from wound_sweeps import bench_sweep, card, drawn_sweep, in_process_bench, wound_port

ITEM = WoundCore(core("bin-l"), 60)
FARAD = ITEM.capacitance_f(60)
LOSS = 2e-4  # of the capacitor; a polypropylene one (practice)
JOINED = {Connection.SERIES: series, Connection.PARALLEL: parallel}


def _true_loss(frequency_hz):
    s = np.array([2j * np.pi * frequency_hz])
    mu = ITEM.core.impedance_port(60).impedance(s)[0] / (s[0] * ITEM.core.body.air_inductance(60))
    return -mu.imag / mu.real


def _near(frequency_hz, loss=LOSS):
    """A capacitor of tan δ ``loss`` that makes the winding resonate there: its value and its circuit."""
    omega = 2 * np.pi * frequency_hz
    z = wound_port(ITEM, FARAD).impedance(np.array([1j * omega]))[0]
    farad = 1 / (omega * z.imag)
    return farad, series(Resistor(loss / (omega * farad)), Capacitor(farad))


def _case(connection, frequency_hz, rng, stated=None, loss=LOSS, **errors):
    farad, part = _near(frequency_hz, loss)
    port = JOINED[connection](wound_port(ITEM, FARAD), part)
    sweep = drawn_sweep(port, frequency_hz * np.linspace(0.95, 1.05, 11), rng, **errors)
    return resonance(sweep, card(ITEM), stated or KnownCapacitor(farad, 0.01, LOSS, 1e-4), connection)


def _direct(rng, **errors):
    return drawn_sweep(wound_port(ITEM, FARAD), np.geomspace(3e3, 3e5, 25), rng, **errors)


def _loss(found):
    curve = real_curve(LOSS_TANGENT, found.spectrum)
    return float(curve.value[0]), float(np.sqrt(curve.variance[0])), curve


ROUGH = {"noise": 1e-3, "gain": 3e-3, "phase": 3e-3}


# ------------------------------------------------------------------------------------------ truth


@pytest.mark.parametrize("frequency_hz", [1e4, 3e4])
@pytest.mark.parametrize("connection", Connection)
def test_the_loss_is_found_where_the_direct_way_does_not_see_it(connection, frequency_hz):
    rng = np.random.default_rng(4)
    found = _case(connection, frequency_hz, rng, **ROUGH)
    value, u, curve = _loss(found)
    truth = _true_loss(found.frequency_hz)
    assert truth < 2.5e-3
    assert abs(value - truth) <= 2 * u
    direct = direct_at(_direct(rng, **ROUGH), found.frequency_hz)
    other = real_curve(LOSS_TANGENT, permeability(direct, card(ITEM)))
    u_direct = float(np.sqrt(other.variance[0]))
    assert u < u_direct / 5
    # what the direct way is off by: as much as the loss itself
    assert abs(float(other.value[0]) - truth) > 0.5 * truth
    assert found.frequency_hz == pytest.approx(frequency_hz, rel=1e-3)
    shared = compare(
        shared_by_specimen(curve, {s.id for s in found.winding.sources}),
        shared_by_specimen(other, {s.id for s in direct.sources}),
        found.frequency_hz,
    )
    # copper is one cause in both and cancels: the difference is known better than the parts in squares
    assert shared.difference.standard_uncertainty < shared.u_difference_apart
    assert abs(shared.difference.value) <= 3 * shared.difference.standard_uncertainty


def test_a_common_phase_error_hardly_counts_at_the_crossing():
    frequency_hz = 1e4
    quiet = {"noise": 1e-7, "gain": 1e-9, "phase": 1e-9}
    farad, part = _near(frequency_hz)
    for connection, join in JOINED.items():
        port = join(wound_port(ITEM, FARAD), part)
        sweep = drawn_sweep(
            port, frequency_hz * np.linspace(0.95, 1.05, 11), np.random.default_rng(0), **quiet
        )
        known = KnownCapacitor(farad, 0.0, LOSS, 0.0)
        plain = resonance(sweep, card(ITEM), known, connection)
        turned = replace(sweep, impedance_ohm=sweep.impedance_ohm * np.exp(0.01j))
        moved = resonance(turned, card(ITEM), known, connection)
        # directly 10 mrad would be 1e-2; here 1e-2 of ω, twice over Q, moves R by second order and L's scale
        assert abs(moved.loss_tangent - plain.loss_tangent) < 3e-5
        assert plain.loss_tangent == pytest.approx(_true_loss(plain.frequency_hz), abs=2e-5)


@pytest.mark.parametrize("connection", Connection)
def test_two_standard_uncertainties_hold_in_most_of_two_hundred_draws(connection):
    rng, inside, draws = np.random.default_rng(17), 0, 200
    known, (farad, part) = card(ITEM), _near(1e4)
    port = JOINED[connection](wound_port(ITEM, FARAD), part)
    for _ in range(draws):
        # stated values drawn about the true ones as the tolerances say: rectangular
        stated = KnownCapacitor(
            farad * (1 + rng.uniform(-0.01, 0.01)), 0.01, LOSS + rng.uniform(-1e-4, 1e-4), 1e-4
        )
        copper = known.winding.dc_resistance_ohm * (1 + 0.01 * rng.normal())
        wound = replace(known, winding=replace(known.winding, dc_resistance_ohm=copper))
        sweep = drawn_sweep(port, 1e4 * np.linspace(0.95, 1.05, 11), rng, **ROUGH)
        value, u, _ = _loss(resonance(sweep, wound, stated, connection))
        inside += abs(value - _true_loss(1e4)) <= 2 * u
    # 95.4 % (analytic, normal), more where the copper's skin effect is stated wider than it is
    assert 0.91 <= inside / draws <= 1.0


def test_a_capacitor_of_more_loss_than_stated_is_taken_for_the_core():
    rng = np.random.default_rng(1)
    value, _, _ = _loss(_case(Connection.SERIES, 1e4, rng, loss=3 * LOSS, noise=1e-6))
    assert value - _true_loss(1e4) == pytest.approx(2 * LOSS, rel=0.05)  # analytic: tan δ_c beside tan δ


@pytest.mark.parametrize("connection", Connection)
def test_sensitivities_are_those_of_finite_steps(connection):
    # analytic: first order; a step of 1e-4 of each tolerance
    quiet = {"noise": 1e-6, "gain": 1e-6, "phase": 1e-6}
    farad, _ = _near(2e4)
    known = KnownCapacitor(farad, 0.02, LOSS, 1e-4)

    def run(stated):
        return _case(connection, 2e4, np.random.default_rng(3), stated=stated, **quiet)

    _, _, curve = _loss(run(known))
    named = {s.id: float(s.sensitivity[0].real) for s in curve.sources}
    more = run(replace(known, capacitance_f=farad * (1 + 1e-4 * 0.02 / np.sqrt(3))))
    assert 1e4 * (more.loss_tangent - float(curve.value[0])) == pytest.approx(named[CAPACITANCE], rel=0.01)
    lossy = run(replace(known, loss_tangent=LOSS + 1e-4 * 1e-4 / np.sqrt(3)))
    assert 1e4 * (lossy.loss_tangent - float(curve.value[0])) == pytest.approx(
        named[CAPACITOR_LOSS], rel=0.01
    )


def test_sources_keep_their_names_and_what_is_own_to_a_point_is_lessened():
    farad, part = _near(2e4)
    sweep = drawn_sweep(
        series(wound_port(ITEM, FARAD), part), 2e4 * np.linspace(0.95, 1.05, 11), np.random.default_rng(2)
    )
    frozen = ErrorSource("frozen", Scope.SPECIMENS_POINT, np.full(11, 1e-3 + 0j))
    label = ErrorSource("gain of the range", Scope.RANGE, np.full(11, 1e-3 + 0j))
    ranges = tuple("A" if k < 5 else "B" for k in range(11))
    sweep = replace(sweep, sources=(*sweep.sources, frozen, label), range_labels=ranges)
    known = KnownCapacitor(farad, 0.01, LOSS, 1e-4)
    found = resonance(sweep, card(ITEM), known, Connection.SERIES)
    sources = {s.id: s for s in found.winding.sources}
    assert {"gain", "phase", "frozen", "gain of the range", "gain of the range [B]"} <= set(sources)
    # 11 equal draws through a cubic: less than one, more than a mean of eleven (analytic)
    assert 1e-3 / np.sqrt(11) < abs(sources["frozen"].sensitivity[0]) < 0.8e-3
    total = sum(sources[k].sensitivity[0] for k in ("gain of the range", "gain of the range [B]"))
    assert total == pytest.approx(1e-3)  # analytic: the weights add up to one
    for name in (CAPACITANCE, CAPACITOR_LOSS):
        assert remedy_of(name).known


# ------------------------------------------------------------------------------------------ outside

OHM, HENRY, COLLEGE_FARAD = 40.0, 3e-3, 5e-6


def _textbook(frequency_hz):
    omega = 2 * np.pi * np.asarray(frequency_hz)
    return OHM + 1j * omega * HENRY + 1 / (1j * omega * COLLEGE_FARAD)


def test_the_worked_example_of_a_textbook():
    """OpenStax College Physics, 23.12, Examples 23.12 and 23.13 (memory): 40.0 Ω, 3.00 mH, 5.00 µF."""
    assert abs(_textbook(60.0)) == pytest.approx(531, abs=0.5)  # memory: 531 Ω at 60.0 Hz
    assert abs(_textbook(10e3)) == pytest.approx(190, abs=0.5)  # memory: 190 Ω at 10.0 kHz
    grid = np.geomspace(1.1e3, 1.5e3, 9)
    sweep = ImpedanceSweep(grid, _textbook(grid), np.zeros((9, 2, 2)))
    # a core whose winding has these 3 mH: L0 μ = 3 mH, loss and copper of 40 Ω are one here
    wound = Specimen(EffectiveCore(1e3, 1e8), Winding(100, dc_resistance_ohm=1e-6, capacitance_f=1e-15))
    found = resonance(sweep, wound, KnownCapacitor(COLLEGE_FARAD, 0.0, 0.0, 0.0), Connection.SERIES)
    assert found.frequency_hz == pytest.approx(1.30e3, abs=5)  # memory: 1.30 kHz
    assert 120 / found.terminal_ohm == pytest.approx(3.00, abs=5e-3)  # memory: 3.00 A rms at 120 V
    assert found.inductance_h == pytest.approx(HENRY, rel=1e-6)  # analytic: 1/(ω0² C)
    assert found.quality == pytest.approx(np.sqrt(HENRY / COLLEGE_FARAD) / OHM, rel=1e-6)  # Q = ω0 L/R
    alone = ImpedanceSweep(grid, OHM + 2j * np.pi * grid * HENRY, np.zeros((9, 2, 2)))
    assert capacitance_for(alone, found.frequency_hz, Connection.SERIES) == pytest.approx(5e-6, rel=1e-6)


def _spice(folder, lines, frequencies_hz):
    deck = folder / "deck.cir"
    rows = []
    for value in frequencies_hz:
        text = "\n".join(
            [
                "circuit",
                "I1 0 a ac 1",
                *lines,
                f".ac lin 1 {value:.12g} {value:.12g}",
                ".options numdgt=12",
                ".print ac vr(a) vi(a)",
                ".end",
                "",
            ]
        )
        deck.write_text(text, encoding="utf-8")
        done = subprocess.run(["ngspice", "-b", str(deck)], capture_output=True, text=True, check=False)
        (row,) = [line.split() for line in done.stdout.splitlines() if line.startswith("0\t")]
        rows.append(complex(float(row[2].rstrip(",")), float(row[3].rstrip(","))))
    return np.array(rows)


@pytest.mark.parametrize("connection", Connection)
def test_the_loss_of_an_ngspice_circuit_is_found(tmp_path, connection):
    if shutil.which("ngspice") is None:
        missing = "ngspice is not installed (apt-get install ngspice)"
        pytest.fail(missing) if os.environ.get("WHICHCORE_NO_SKIP") else pytest.skip(missing)
    # 300 µH with 1 kΩ-per-ωL·1000 of loss across, 80 mΩ of copper, 10 nF with 0.2 Ω: independent code
    omega = 2 * np.pi / (2 * np.pi) / np.sqrt(300e-6 * 10e-9)
    high = omega * 300e-6 / 1e-3
    core_lines = ["L1 c {end} 300u", f"R1 c {{end}} {high}"]
    if connection is Connection.SERIES:
        lines = ["Cc a b 10n", "Rc b w 0.2", "Rw w c 0.08", *[x.format(end=0) for x in core_lines]]
    else:
        lines = ["Cc a b 10n", "Rc b 0 0.2", "Rw a c 0.08", *[x.format(end=0) for x in core_lines]]
    f0 = omega / 2 / np.pi
    grid = f0 * np.linspace(0.96, 1.04, 9)
    z = _spice(tmp_path, lines, grid)
    sweep = ImpedanceSweep(grid, z, (1e-6 * np.abs(z))[:, None, None] ** 2 * np.eye(2))
    # wire so thick in the statement that its skin effect is nil would be false: 0.05 mm, dc resistance stated
    winding = Winding(50, None, 0.05e-3, 1.0, 1e-6, 0.08, 1e-18)
    found = resonance(
        sweep,
        Specimen(EffectiveCore(1e3, 1e8), winding),
        KnownCapacitor(10e-9, 0.0, 0.2 * omega * 10e-9, 0.0),
        connection,
    )
    assert found.frequency_hz == pytest.approx(f0, rel=1e-4)
    assert found.loss_tangent == pytest.approx(1e-3, abs=5e-6)  # analytic: ωL/R of the parallel circuit


@pytest.mark.soak
def test_the_in_process_bench_sees_by_resonance_what_it_does_not_see_directly():
    bench = in_process_bench().InProcessBench(seed=5, shunt_ohm=100.0)
    # the fixture is the circuit at small signal: level has no part in it
    farad, part = _near(1e4)
    grid = 1e4 * np.array([0.97, 0.985, 0.995, 1.0, 1.005, 1.015, 1.03])
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        both = Fixture("both", parallel(wound_port(ITEM, FARAD), part))
        sweep = bench_sweep(bench, both, Wiring.SHUNT_AT_GROUND, grid, emf_vpk=1.0)
        found = resonance(sweep, card(ITEM), KnownCapacitor(farad, 0.01, LOSS, 1e-4), Connection.PARALLEL)
        alone = Fixture("alone", wound_port(ITEM, FARAD))
        # each way on the wiring and shunt that suit it: kilohms there, fifteen ohms here
        other_bench = in_process_bench().InProcessBench(seed=6, shunt_ohm=10.0)
        direct = bench_sweep(other_bench, alone, Wiring.SPECIMEN_AT_GROUND, grid[:4], emf_vpk=1.0)
    value, u, _ = _loss(found)
    truth = _true_loss(found.frequency_hz)
    assert abs(value - truth) <= 2 * u
    other = real_curve(LOSS_TANGENT, permeability(direct_at(direct, grid[3]), card(ITEM)))
    assert u < float(np.sqrt(other.variance[0])) / 3
    assert abs(float(other.value[0]) - truth) > abs(value - truth)


# ------------------------------------------------------------------------------------------ level, refusals


def test_the_level_is_q_times_higher_in_series():
    rng = np.random.default_rng(4)
    in_series, in_parallel = (_case(connection, 1e4, rng, noise=1e-6) for connection in Connection)
    ratio = flux_density_t(in_series, card(ITEM), 1e-3) / flux_density_t(in_parallel, card(ITEM), 1e-3)
    # |Z_w| over R: Q of winding and capacitor together, to 1/2Q² (analytic)
    assert ratio == pytest.approx(in_series.quality, rel=2e-3)
    # B = √2 V/(ω N A_e), A_e of 26.95/14.7/11.15 mm under 0.3 mm of coat (computed, rectangle less its coat)
    area = (26.35e-3 - 15.3e-3) / 2 * 10.55e-3
    b = np.sqrt(2) * 1e-3 / (2 * np.pi * 1e4 * 60 * area)
    assert flux_density_t(in_parallel, card(ITEM), 1e-3) == pytest.approx(b, rel=0.05)


def _refused(match, sweep, connection=Connection.SERIES):
    with pytest.raises(AnalysisError, match=match):
        resonance(sweep, card(ITEM), KnownCapacitor(1e-7, 0.01, LOSS, 1e-4), connection)


def test_what_holds_no_resonance_is_refused():
    rng = np.random.default_rng(1)
    _, part = _near(1e4)
    port = series(wound_port(ITEM, FARAD), part)
    good = drawn_sweep(port, 1e4 * np.linspace(0.95, 1.05, 11), rng)
    _refused("check --connection", good, Connection.PARALLEL)
    _refused("X does not rise", drawn_sweep(port, 1e4 * np.linspace(1.05, 1.2, 9), rng))
    _refused("too few points", drawn_sweep(port, 1e4 * np.array([0.5, 0.9, 1.05, 1.9]), rng))
    _refused("two-windings", replace(good, wiring=Wiring.TWO_WINDINGS))
    twice = replace(
        good,
        frequency_hz=np.concatenate([good.frequency_hz, 2 * good.frequency_hz]),
        impedance_ohm=np.tile(good.impedance_ohm, 2),
        scatter=np.tile(good.scatter, (2, 1, 1)),
        sources=(),
    )
    _refused("several frequencies", twice)
    bad = good.impedance_ohm.copy()
    bad[2] = np.nan
    _refused("finite", replace(good, impedance_ohm=bad))
    with pytest.raises(AnalysisError, match="does not reach"):
        direct_at(good, 2e4)
    with pytest.raises(AnalysisError, match="no inductor"):
        capacitance_for(
            replace(good, impedance_ohm=-good.impedance_ohm.conj() * 0 - 5j), 1e4, Connection.SERIES
        )


@pytest.mark.parametrize(
    "values",
    [(0.0, 0.01, 0.0, 0.0), (np.inf, 0, 0, 0), (1e-8, -1, 0, 0), (1e-8, 0, np.nan, 0), (1e-8, 0, 0, 2)],
)
def test_an_impossible_capacitor_is_refused(values):
    with pytest.raises(InputError):
        KnownCapacitor(*values)


def test_points_off_the_curve_widen_the_scatter_and_it_is_said():
    rng = np.random.default_rng(1)
    _, part = _near(1e4)
    sweep = drawn_sweep(series(wound_port(ITEM, FARAD), part), 1e4 * np.linspace(0.95, 1.05, 11), rng)
    rough = replace(sweep, scatter=sweep.scatter / 400)
    found = resonance(rough, card(ITEM), KnownCapacitor(1e-7, 0.01, LOSS, 1e-4), Connection.SERIES)
    assert "times what they state" in found.notes[0]


# ------------------------------------------------------------------------------------------ command


@pytest.fixture
def bench(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    rng = np.random.default_rng(4)
    for frequency_hz, name in ((1e4, "low"), (3e4, "high")):
        farad, part = _near(frequency_hz)
        port = series(wound_port(ITEM, FARAD), part)
        grid = frequency_hz * np.linspace(0.95, 1.05, 11)
        write_sweep(tmp_path / f"{name}.csv", drawn_sweep(port, grid, rng, **ROUGH))
        (tmp_path / f"{name}.farad").write_text(f"{farad:.6g} F")
    write_sweep(tmp_path / "direct.csv", _direct(rng, **ROUGH))
    (tmp_path / "ring.toml").write_text(ITEM.specimen_toml())
    return tmp_path


def _run(*words):
    return CliRunner().invoke(
        root, ["resonance", "--specimen", "ring.toml", "--connection", "series", *words]
    )


def _one(bench, name="low"):
    farad = (bench / f"{name}.farad").read_text()
    return ("--sweep", f"{name}.csv", "--capacitance", farad)


def test_the_command_prints_result_budget_comparison_and_level(bench):
    words = ("--loss-tangent", "2e-4", "--loss-tangent-tolerance", "1e-4")
    done = _run(*_one(bench), *words, "--direct", "direct.csv", "--voltage", "1 mV")
    assert done.exit_code == 0, done.stderr
    text = " ".join(done.stdout.split())
    assert "tan δ of the core: 0.000" in text
    assert "Directly at 10" in text
    assert "they agree" in text
    assert "What would shrink each" in text
    assert "250 µT is reached at" in text
    assert "taken off" in text


def test_two_capacitors_give_two_frequencies(bench):
    done = _run(*_one(bench), *_one(bench, "high"), "--loss-tangent", "2e-4", "--json")
    report = json.loads(done.stdout)
    assert [round(item["frequency_hz"], -3) for item in report["resonances"]] == [10e3, 30e3]
    for item in report["resonances"]:
        assert abs(item["loss_tangent"] - _true_loss(item["frequency_hz"])) <= 2 * item["u_loss_tangent"]
        assert item["budget"][0]["u"] >= item["budget"][-1]["u"]
    table = _run(*_one(bench), *_one(bench, "high"), "--loss-tangent", "2e-4").stdout
    assert "frequency" in table


def test_the_capacitor_to_take(bench):
    done = _run("--direct", "direct.csv", "--want", "10k", "--json")
    wanted = json.loads(done.stdout)["wanted"]
    assert wanted["capacitance_f"] == pytest.approx(_near(1e4)[0], rel=0.01)
    assert "1.5 µF gives" in " ".join(_run("--direct", "direct.csv", "--want", "10k").stdout.split())
    by_resonance = _run(*_one(bench), "--loss-tangent", "2e-4", "--want", "12k", "--json")
    assert json.loads(by_resonance.stdout)["wanted"]["capacitance_f"] == pytest.approx(
        _near(12e3)[0], rel=0.02
    )


@pytest.mark.parametrize(
    ("words", "code", "told"),
    [
        ((), 2, "nothing to do"),
        (("--want", "10k"), 2, "inductance of the winding is not known"),
        (("--sweep", "low.csv", "--capacitance", "1u"), 2, "--loss-tangent"),
        (("--sweep", "low.csv", "--loss-tangent", "0"), 2, "--capacitance"),
        (("--sweep", "low.csv", "--capacitance", "1u", "--loss-tangent", "nan"), 3, "share"),
        (("--sweep", "low.csv", "--capacitance", "-1u", "--loss-tangent", "0"), 3, "cannot be"),
        (("--sweep", "direct.csv", "--capacitance", "1u", "--loss-tangent", "0"), 3, "does not rise"),
        (("--sweep", "none.csv", "--capacitance", "1u", "--loss-tangent", "0"), 3, "no such file"),
        (
            ("--sweep", "low.csv", "--capacitance", "1u", "--loss-tangent", "0", "--voltage", "0"),
            3,
            "positive",
        ),
        (("--direct", "direct.csv", "--want", "100M"), 3, "does not reach"),
    ],
)
def test_what_is_wrong_gives_one_line(bench, words, code, told):
    done = _run(*words)
    assert done.exit_code == code
    assert told in done.stderr
    assert len([line for line in done.stderr.splitlines() if line.startswith("whichcore:")]) == 1


def test_the_budget_adds_up(bench):
    report = json.loads(_run(*_one(bench), "--loss-tangent", "2e-4", "--json").stdout)["resonances"][0]
    total = sum(line["u"] ** 2 for line in report["budget"])
    assert np.sqrt(total) == pytest.approx(report["u_loss_tangent"], rel=1e-9)
    found = _case(Connection.SERIES, 1e4, np.random.default_rng(4), **ROUGH)
    curve = real_curve(LOSS_TANGENT, found.spectrum)
    assert budget_at(curve, found.frequency_hz).value == pytest.approx(found.loss_tangent)
