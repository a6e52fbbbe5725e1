"""Budgets of |Z|, phase, L, R, μ′, μ″ and tan δ; comparisons; plain names of sources; pictures."""

from __future__ import annotations

from dataclasses import replace

import GTC
import numpy as np
import pytest
from GTC import reporting
from scipy.constants import mu_0
from scipy.optimize import approx_fprime

from whichcore.analysis.budget import budget_at, share_curves
from whichcore.analysis.comparison import compare, shared_by_specimen
from whichcore.analysis.functional import (
    FUNCTIONALS,
    INDUCTANCE,
    LOSS_TANGENT,
    MAGNITUDE,
    MU_IMAG,
    MU_REAL,
    PHASE,
    RESISTANCE,
    real_curve,
)
from whichcore.analysis.geometry import core_geometry
from whichcore.analysis.permeability import air_inductance_h, permeability, winding_seen
from whichcore.analysis.remedies import UNKNOWN_REMEDY, remedy_of
from whichcore.analysis.specimen import EffectiveCore, Ring, Rod, Specimen, TwoHole, Winding
from whichcore.analysis.types import Distribution, ErrorSource, ImpedanceSweep, PhasorPair, Scope, Wiring
from whichcore.analysis.uncertainty import SCATTER, multivariate_type_a, propagate_function
from whichcore.analysis.winding import winding_model
from whichcore.calibration.fingerprint import Fingerprint
from whichcore.calibration.open_short import OpenShort
from whichcore.calibration.open_short_load import OpenShortLoad
from whichcore.calibration.ratio import Ratio
from whichcore.calibration.setup import Measured, Setup
from whichcore.calibration.shunt import RangeFactor, Shunt
from whichcore.calibration.standards import Capacitor, Known, Load, Open, Short, Toleranced
from whichcore.errors import AnalysisError
from whichcore.figures import bars_figure, shares_figure
from whichcore.files import load_specimen, load_sweep
from whichcore.measure.correction import LOAD_SOURCES, RANGE_SOURCES, file_id
from whichcore.workflow import demo_bins, demo_folder

ALL = [functional for several in FUNCTIONALS.values() for functional in several]
RING = Ring(outer_diameter_m=25e-3, inner_diameter_m=15e-3, height_m=10e-3)
WINDING = Winding(
    turns=10,
    wire_diameter_m=0.4e-3,
    wire_length_m=0.45,
    lead_length_m=0.04,
    dc_resistance_ohm=62e-3,
    capacitance_f=5e-12,
)
SPECIMEN = Specimen(
    RING, WINDING, dimension_uncertainties_m={"outer_diameter_m": 1e-5, "height_m": 1e-5}, name="r"
)
FREQUENCY = np.array([1e4, 1e5, 1e6])


def _source(name, *sensitivity, scope=Scope.SWEEP, shape=Distribution.NORMAL):
    return ErrorSource(name, scope, np.array(sensitivity, dtype=complex), shape)


def _sweep(seed=0):
    """Return a sweep of μ about 2300, each point correlated, with every scope."""
    omega = 2 * np.pi * FREQUENCY
    core = 1j * omega * air_inductance_h(SPECIMEN) * np.array([2300 - 8j, 2290 - 60j, 1900 - 700j])
    z = 1 / (1 / (core + 0.062) + 1j * omega * 5e-12)
    size = np.abs(z)[:, None, None]
    draws = np.random.default_rng(seed).normal(size=(3, 2))
    scatter = size**2 * np.array([[4e-6, 1e-6], [1e-6, 2e-6]])
    noise = np.einsum("fij,fj->fi", np.linalg.cholesky(scatter), draws)
    return ImpedanceSweep(
        FREQUENCY,
        z + noise[:, 0] + 1j * noise[:, 1],
        scatter,
        (
            _source("load_resistance", *(1e-3 * z), scope=Scope.SPECIMENS),
            _source("load_inductance", *(2e-4j * z), scope=Scope.SPECIMENS, shape=Distribution.RECTANGULAR),
            _source("range factor: gain", *(5e-4 * z), scope=Scope.RANGE),
            _source("jitter", *(3e-4j * z), scope=Scope.POINT),
        ),
    )


# --- real functions of a complex quantity -------------------------------------------------------------------


@pytest.mark.parametrize("functional", ALL, ids=lambda item: item.id)
def test_gradients_are_those_of_the_values(functional):
    # independent code: scipy's finite differences
    for z in (3 + 4j, 2300 - 8j, -700 - 900j, 0.2 - 5j):
        f = np.array([1e5])

        def value(parts, f=f):
            return functional.value(np.array([complex(*parts)]), f)[0]

        step = 1e-7 * min(abs(z.real), abs(z.imag))
        expected = approx_fprime(np.array([z.real, z.imag]), value, step)
        found = functional.gradient(np.array([z]), f)[0]
        size = np.hypot(*expected)
        # forward differences over 1e-7 of the smaller part leave as much of the gradient, and rounding 1e-8
        assert [found.real, found.imag] == pytest.approx(expected, abs=1e-5 * size)


def test_values_of_plain_numbers():
    # analytic: a triangle of sides 3, 4 and 5
    z, f = np.array([3 + 4j]), np.array([1 / (2 * np.pi)])
    assert MAGNITUDE.value(z, f)[0] == pytest.approx(5)
    assert PHASE.value(z, f)[0] == pytest.approx(np.degrees(np.arctan2(4, 3)))
    assert INDUCTANCE.value(z, f)[0] == pytest.approx(4)
    assert RESISTANCE.value(z, f)[0] == 3
    mu = np.array([200 - 5j])
    assert (MU_REAL.value(mu, f)[0], MU_IMAG.value(mu, f)[0]) == (200, 5)
    assert LOSS_TANGENT.value(mu, f)[0] == pytest.approx(0.025)


# GUM example H.2, JCGM 100:2008 table H.2 (read through libraries that quote it): V, mA, rad
H2 = np.array(
    [
        [5.007, 19.663e-3, 1.0456],
        [4.994, 19.639e-3, 1.0438],
        [5.005, 19.640e-3, 1.0468],
        [4.990, 19.685e-3, 1.0428],
        [4.999, 19.678e-3, 1.0433],
    ]
)


def test_budgets_of_gum_h2():
    def parts(means):
        size = means[0] / means[1]
        return np.array([size * np.cos(means[2]), size * np.sin(means[2])])

    z = propagate_function(parts, multivariate_type_a(H2))
    f = 1 / (2 * np.pi)  # so that L = X
    sweep = ImpedanceSweep(np.array([f]), np.array([complex(*z.value)]), z.covariance[None])
    found = {item.id: budget_at(real_curve(item, sweep), f) for item in (RESISTANCE, INDUCTANCE, MAGNITUDE)}
    # published: JCGM 100:2008 table H.3; values to three decimals
    assert found["resistance"].value == pytest.approx(127.732, abs=0.0005)
    assert found["inductance"].value == pytest.approx(219.847, abs=0.0005)
    assert found["impedance-magnitude"].value == pytest.approx(254.260, abs=0.0005)
    assert found["resistance"].standard_uncertainty == pytest.approx(0.071, abs=0.0005)
    # published 0.295 is cut, full arithmetic gives 0.2956 (computed); see test_uncertainty.py
    assert found["inductance"].standard_uncertainty == pytest.approx(0.2956, abs=0.00005)
    # |Z| out of R and X and their correlation of −0.588: without it u would be 0.26
    assert found["impedance-magnitude"].standard_uncertainty == pytest.approx(0.236, abs=0.0005)
    assert [line.ids for line in found["resistance"].lines] == [(SCATTER,)]


def test_phase_of_gum_h2():
    # published: JCGM 100:2008 table H.2 (memory): φ = 1.044 46 rad, u 0.000 75
    def parts(means):
        return means[0] / means[1] * np.array([np.cos(means[2]), np.sin(means[2])])

    z = propagate_function(parts, multivariate_type_a(H2))
    sweep = ImpedanceSweep(np.array([1e3]), np.array([complex(*z.value)]), z.covariance[None])
    found = budget_at(real_curve(PHASE, sweep), 1e3)
    assert np.radians(found.value) == pytest.approx(1.04446, abs=5e-6)
    assert np.radians(found.standard_uncertainty) == pytest.approx(0.00075, abs=5e-6)


# --- against independent code -------------------------------------------------------------------------------


def _gtc_budget(sweep, at, functional):
    """Return value, u and squares by id from GTC, the whole chain Z → μ → quantity written anew."""
    f, z0 = sweep.frequency_hz[at], sweep.impedance_ohm[at]
    one = {source.id: GTC.ureal(0, 1, label=source.id) for source in sweep.sources}
    values, vectors = np.linalg.eigh(sweep.scatter[at])
    z = GTC.constant(complex(z0))
    for k in range(2):
        column = vectors[:, k] * np.sqrt(values[k])
        z = z + complex(*column) * GTC.ureal(0, 1, label=f"scatter{k}")
    for source in sweep.sources:
        z = z + complex(source.sensitivity[at]) * one[source.id]
    quantity = z
    if functional.of_permeability:
        quantity = _gtc_permeability(z, f, sweep)
    result = {
        "mu-real": lambda q: q.real,
        "mu-imag": lambda q: -q.imag,
        "impedance-magnitude": lambda q: (q.real**2 + q.imag**2) ** 0.5,
        "impedance-phase": lambda q: GTC.atan2(q.imag, q.real) * (180 / np.pi),
        "inductance": lambda q: q.imag / (2 * np.pi * f),
        "resistance": lambda q: q.real,
        "loss-tangent": lambda q: -q.imag / q.real,
    }[functional.id](quantity)
    squares = {}
    for item in reporting.budget(result, trim=0):
        name = SCATTER if item.label.startswith("scatter") else item.label
        squares[name] = squares.get(name, 0.0) + item.u**2
    return GTC.value(result), GTC.uncertainty(result), squares


def _gtc_permeability(z, f, sweep):
    point = replace(sweep, frequency_hz=np.array([f]), impedance_ohm=np.ones(1, dtype=complex), sources=())
    model = winding_seen(point, SPECIMEN)
    jw = 2j * np.pi * f

    def element(part):
        total = GTC.constant(part.value[0])
        for error in part.errors:
            total = total + error.change[0] * GTC.ureal(0, 1, label=error.id)
        return total

    inner = 1 / (1 / z - jw * element(model.capacitance_f))
    core = inner - element(model.resistance_ohm) - jw * element(model.inductance_h)
    # the integral over the section of a ring, analytic: L0 = μ0 N² h ln(d1/d2)/2π
    outer, height = (
        GTC.ureal(0, 1, label="dimension:outer_diameter"),
        GTC.ureal(0, 1, label="dimension:height"),
    )
    d1, h = 25e-3 + 1e-5 * outer, 10e-3 + 1e-5 * height
    air = mu_0 * 100 * h * GTC.log(d1 / 15e-3) / (2 * np.pi)
    return core / (jw * air)


@pytest.mark.parametrize("functional", ALL, ids=lambda item: item.id)
@pytest.mark.parametrize("at", [0, 1, 2])
def test_shares_equal_those_of_gtc(functional, at):
    # independent code: GTC's automatic differentiation and its budget of the same complex problem
    sweep = _sweep()
    spectrum = permeability(sweep, SPECIMEN)
    curve = real_curve(functional, spectrum if functional.of_permeability else sweep)
    found = budget_at(curve, FREQUENCY[at])
    value, u, squares = _gtc_budget(sweep, at, functional)
    assert found.value == pytest.approx(value, rel=1e-9)
    assert found.standard_uncertainty == pytest.approx(u, rel=1e-6)
    ours = {line.ids[0]: line.share for line in found.lines}
    theirs = {name: square / u**2 for name, square in squares.items()}
    assert {name for name, share in theirs.items() if share > 1e-12} <= set(ours)
    for name, share in ours.items():
        # the geometry takes its response over ± u, a few 1e-7 of a share off the derivative at 10 µm
        assert share == pytest.approx(theirs[name], abs=1e-6), name


# --- what a budget adds up to -------------------------------------------------------------------------------


def _simple(amounts, shape=Distribution.NORMAL):
    sources = tuple(_source(name, amount, shape=shape) for name, amount in amounts.items())
    return ImpedanceSweep(np.array([1e3]), np.array([10 + 1j]), np.zeros((1, 2, 2)), sources)


def test_lines_add_up_and_say_what_is_left():
    found = budget_at(real_curve(RESISTANCE, _simple({"a": 3.0, "b": 4.0, "c": 0.0})), 1e3)
    assert found.standard_uncertainty == pytest.approx(5)  # analytic: 3, 4, 5
    assert [(line.ids, line.share) for line in found.lines] == [
        (("b",), pytest.approx(0.64)),
        (("a",), pytest.approx(0.36)),
    ]
    assert found.left(found.lines[0], 0.0) == pytest.approx(3)
    assert found.left(found.lines[0], 0.5) == pytest.approx(np.sqrt(9 + 4))


def test_small_lines_share_a_row_and_lose_nothing():
    amounts = {"big": 10.0} | {f"s{k}": 0.1 for k in range(20)}
    found = budget_at(real_curve(RESISTANCE, _simple(amounts)), 1e3)
    shown, rest = found.split()
    assert [line.ids for line in shown] == [("big",)]
    assert len(rest) == 20
    assert sum(line.share for line in (*shown, *rest)) == pytest.approx(1)


def test_a_lone_small_line_is_shown():
    found = budget_at(real_curve(RESISTANCE, _simple({"big": 10.0, "small": 0.01})), 1e3)
    assert len(found.split()[0]) == 2
    assert found.split()[1] == ()


def test_one_flat_source_is_convolved():
    curve = real_curve(RESISTANCE, _simple({"only": 1.0}, Distribution.RECTANGULAR))
    found = budget_at(curve, 1e3)
    assert found.convolved
    # analytic: 95 % of a rectangle of half width √3; the grid of 4096 cells resolves half a cell of 2√3
    assert found.half_width == pytest.approx(0.95 * np.sqrt(3), abs=np.sqrt(3) / 4096)


def test_both_columns_of_frozen_noise_are_one_line():
    names = (
        "calibration k: noise of open, 1",
        "calibration k: noise of open, 2",
        "calibration k: noise of load 2",
    )
    found = budget_at(real_curve(RESISTANCE, _simple(dict.fromkeys(names, 1.0))), 1e3)
    assert [len(line.ids) for line in found.lines] == [2, 1]
    assert found.lines[0].share == pytest.approx(2 / 3)


def test_nothing_contributes():
    found = budget_at(real_curve(RESISTANCE, _simple({})), 1e3)
    assert (found.standard_uncertainty, found.half_width, found.lines) == (0, 0, ())
    with pytest.raises(AnalysisError, match="nothing to draw"):
        bars_figure(found, "x")
    with pytest.raises(AnalysisError, match="nothing to draw"):
        shares_figure(real_curve(RESISTANCE, _simple({})), "x")


def test_shares_over_frequency_are_the_budgets():
    curve = real_curve(MU_IMAG, permeability(_sweep(), SPECIMEN))
    shares = {item.name: item.share for item in share_curves(curve)}
    assert sum(shares.values()) == pytest.approx(np.ones(3))
    for at, hertz in enumerate(FREQUENCY):
        for line in budget_at(curve, hertz).lines:
            assert shares[line.cause.name][at] == pytest.approx(line.share)


@pytest.mark.parametrize(
    ("functional", "z"), [(PHASE, 0j), (MAGNITUDE, complex("nan")), (RESISTANCE, complex("inf"))]
)
def test_no_value_no_budget(functional, z):
    sweep = replace(_simple({"a": 1.0}), impedance_ohm=np.array([z]))
    with pytest.raises(AnalysisError, match=r"1000 Hz: .* has no value"):
        real_curve(functional, sweep)


def test_no_points_no_budget():
    empty = ImpedanceSweep(np.zeros(0), np.zeros(0, dtype=complex), np.zeros((0, 2, 2)))
    with pytest.raises(AnalysisError, match="needs a measured point"):
        real_curve(RESISTANCE, empty)


def test_a_permeability_has_no_magnitude_of_impedance():
    with pytest.raises(AnalysisError, match="not one of such a curve"):
        real_curve(MAGNITUDE, permeability(_sweep(), SPECIMEN))


def test_the_nearest_frequency_is_named():
    with pytest.raises(AnalysisError, match=r"nearest: 100000\.0 Hz"):
        budget_at(real_curve(MAGNITUDE, _sweep()), 1.2e5)


# --- comparisons --------------------------------------------------------------------------------------------


def _twice(functional):
    curves = []
    for seed in (1, 2):
        sweep = _sweep(seed)
        # ranges and jitter are left out: they are drawn anew for each sweep
        sweep = replace(sweep, sources=sweep.sources[:2])
        curve = real_curve(functional, permeability(sweep, SPECIMEN))
        curves.append(shared_by_specimen(curve, {source.id for source in sweep.sources}))
    return curves


def test_the_same_core_twice_differs_by_scatter_alone():
    first, second = _twice(MU_REAL)
    for at, hertz in enumerate(FREQUENCY):
        found = compare(first, second, hertz)
        scatter = np.sqrt(first.scatter[at, 0, 0] + second.scatter[at, 0, 0])
        # what is left beside the scatter: the sensitivities of two noisy curves differ by 0.2 % of 0.3 %
        assert found.difference.standard_uncertainty == pytest.approx(scatter, rel=1e-3)
        assert abs(found.difference.value) < 3 * scatter
        assert found.ratio.value == pytest.approx(1, abs=3 * found.ratio.standard_uncertainty)
        assert {row.name for row in found.cancelled} >= {"resistance of the load", "height of the core"}


def test_a_dominant_shared_error_cancels():
    sweep = _sweep()
    big = (_source("load_resistance", *(0.05 * sweep.impedance_ohm), scope=Scope.SPECIMENS),)
    curves = [real_curve(MAGNITUDE, replace(_sweep(seed), sources=big)) for seed in (1, 2)]
    found = compare(*curves, 1e5)
    each = np.sqrt(curves[0].variance[1])
    assert found.difference.standard_uncertainty < each / 10
    assert found.u_difference_apart == pytest.approx(np.sqrt(2) * each, rel=0.01)  # analytic


def test_a_relative_error_leaves_the_ratio_alone():
    # analytic: a gain error common to both drops out of a/b and stays in a − b with (a − b)/a of its size
    first = _simple({})
    first = replace(first, sources=(_source("gain", 0.1, scope=Scope.SPECIMENS),))
    second = replace(first, impedance_ohm=np.array([4 + 1j]), sources=(
        _source("gain", 0.04, scope=Scope.SPECIMENS), _source("own", 0.02)))  # fmt: skip
    found = compare(real_curve(RESISTANCE, first), real_curve(RESISTANCE, second), 1e3)
    assert found.ratio.value == pytest.approx(2.5)
    assert found.ratio.standard_uncertainty == pytest.approx(10 / 4**2 * 0.02)
    assert found.difference.standard_uncertainty == pytest.approx(np.hypot(0.06, 0.02))
    assert found.u_ratio_apart == pytest.approx(2.5 * np.sqrt(0.01**2 + 0.01**2 + 0.005**2))
    assert found.difference.lines[1].cause.name.endswith("own (second)")
    (row,) = found.cancelled
    assert (row.first, row.second, row.left) == pytest.approx((0.1, 0.04, 0.06))


def test_what_belongs_to_one_sweep_does_not_cancel():
    sweeps = [replace(_simple({"a": 1.0})) for _ in range(2)]
    found = compare(*(real_curve(RESISTANCE, sweep) for sweep in sweeps), 1e3)
    assert found.difference.standard_uncertainty == pytest.approx(np.sqrt(2))  # analytic
    assert found.cancelled == ()


def test_a_phase_goes_round_and_has_no_ratio():
    first, second = (
        ImpedanceSweep(np.array([1e3]), np.array([z]), 1e-4 * np.eye(2)[None]) for z in (-5 + 0.1j, -5 - 0.1j)
    )
    found = compare(real_curve(PHASE, first), real_curve(PHASE, second), 1e3)
    # analytic: 2 atan(0.1/5) short of the half turn, from both sides
    assert found.difference.value == pytest.approx(-2 * np.degrees(np.arctan2(0.1, 5)))
    assert found.ratio is None


def test_no_ratio_to_what_may_be_zero():
    first = replace(_simple({"a": 1.0}), impedance_ohm=np.array([1.9 + 1j]))
    assert compare(real_curve(RESISTANCE, first), real_curve(RESISTANCE, first), 1e3).ratio is None


# --- plain names and remedies -------------------------------------------------------------------------------


def _tolerance(value):
    return Toleranced.within(value, 0.01 * value)


def _reading(z):
    """Return what a 10 Ω shunt at ground reads, noisy."""
    z = np.broadcast_to(np.asarray(z, dtype=complex), FREQUENCY.shape)
    b = 10 / (10 + z + 1)
    a = (10 + z) / (10 + z + 1)
    return PhasorPair(FREQUENCY, a, b, np.broadcast_to(1e-12 * np.eye(4), (3, 4, 4)).copy())


def _setup(wiring=Wiring.SHUNT_AT_GROUND):
    shunt = Shunt(_tolerance(10.0), _tolerance(5e-9), _tolerance(70e-12), name="shunt 10 ohm")
    factor = RangeFactor(np.ones(3, dtype=complex), np.full(3, 1e-4), np.full(3, 1e-4))
    return Setup(Fingerprint(wiring), FREQUENCY, shunt, factor, calibration_id="monday")


def _calibration_ids():
    """Yield every id that the error models give to a sweep, with all standards toleranced."""
    jw = 2j * np.pi * FREQUENCY
    opened = Measured(Open(_tolerance(1e-12)), _reading(1 / (jw * 1e-12)))
    short = Measured(Short(_tolerance(1e-3), _tolerance(5e-9)), _reading(1e-3 + jw * 5e-9))
    load = Measured(
        Load(_tolerance(50.0), _tolerance(5e-9), _tolerance(1e-12), name="load 50 ohm"),
        _reading(1 / (1 / (50 + jw * 5e-9) + jw * 1e-12)),
    )
    part = Capacitor(_tolerance(1e-9), _tolerance(1e-4), _tolerance(0.01), _tolerance(5e-9), name="C1")
    made = part.homogeneous(FREQUENCY)
    known = Known(replace(_sweep(), range_labels=("a", "a", "b")), name="our ring")
    models = [
        Ratio.solve([], _setup()),
        OpenShort.solve([opened, short], _setup()),
        OpenShortLoad.solve([opened, short, load, Measured(part, _reading(made.p / made.q))], _setup()),
        OpenShortLoad.solve([opened, short, Measured(known, _reading(_sweep().impedance_ohm))], _setup()),
    ]
    for model in models:
        for item in model.perturbations:
            yield item.id
            yield file_id(item.id)


def _specimen_ids():
    """Yield every id that windings and shapes give."""
    cores = (
        Ring(25e-3, 15e-3, 10e-3, edge_radius_m=5e-4, coating_thickness_m=2e-4),
        TwoHole(14e-3, 7e-3, 14e-3, 4e-3, 6e-3,
                wound_holes=1),
        EffectiveCore(c1_per_m=1000.0, c2_per_m3=2.5e7),
    )  # fmt: skip
    for core in cores:
        lengths = [name for name in core.__slots__ if name.endswith(("_m", "_per_m", "_per_m3"))]
        stated = {name: 1e-3 * getattr(core, name) for name in lengths if getattr(core, name)}
        specimen = Specimen(core, Winding(10), dimension_uncertainties_m=stated)
        yield from (name for name, _ in core_geometry(specimen).relative_sources)
        for winding in (WINDING, Winding(10)):
            model = winding_model(replace(specimen, winding=winding), FREQUENCY)
            for element in (model.resistance_ohm, model.inductance_h, model.capacitance_f):
                yield from (error.id for error in element.errors)


def _demo_ids():
    for item in demo_bins():
        if item.request.sweep is not None:
            yield from (source.id for source in load_sweep(item.request.sweep).sources)


def test_every_source_of_the_program_has_a_name_and_a_remedy():
    ids = {SCATTER, *RANGE_SOURCES, *(name for name, *_ in LOAD_SOURCES)}
    ids |= {*_calibration_ids(), *_specimen_ids(), *_demo_ids()}
    assert len(ids) > 50
    unknown = sorted(name for name in ids if not remedy_of(name).known and not _by_the_user(name))
    assert unknown == []


def _by_the_user(name):
    """The invented sweep above names two sources itself; a known part passes such names on."""
    return name == "jitter"


@pytest.mark.parametrize(
    ("source_id", "name"),
    [
        ("calibration monday: noise of open, 1", "noise frozen into the calibration: open"),
        ("calibration monday: noise of load 50 ohm 2", "noise frozen into the calibration: load 50 ohm"),
        ("standard load 50 ohm: resistance", "resistance of the standard load 50 ohm"),
        ("standard C1: loss tangent", "loss of the standard C1"),
        ("shunt 10 ohm: inductance", "inductance of shunt 10 ohm"),
        ("dimension:outer_diameter", "outer diameter of the core"),
        ("dimension:c1", "core constant C1"),
        ("first/dimension:height", "height of the core (first)"),
        ("first/many/winding:capacitance", "winding capacitance (many) (first)"),
        ("calibration 3f: drift of the gain", "drift of the gain while it was calibrated"),
        ("winding:proximity", "alternating-current resistance of the copper beyond that of a lone wire"),
        ("load_resistance", "resistance of the load"),
    ],
)
def test_plain_names(source_id, name):
    assert remedy_of(source_id).name == name


def test_an_unknown_source_keeps_its_id():
    found = remedy_of("moon phase")
    assert (found.name, found.remedy, found.known) == ("moon phase", UNKNOWN_REMEDY, False)


# --- pictures -----------------------------------------------------------------------------------------------


def _demo_curve(functional, name="a"):
    specimen = load_specimen(demo_folder() / f"bin-{name}.toml")
    sweep = load_sweep(demo_folder() / f"bin-{name}.csv")
    return real_curve(functional, permeability(sweep, specimen) if functional.of_permeability else sweep)


@pytest.mark.parametrize("functional", ALL, ids=lambda item: item.id)
@pytest.mark.parametrize("dark", [False, True])
def test_the_stack_fills_the_panel(functional, dark):
    figure = shares_figure(_demo_curve(functional), "a", dark=dark, width_in=4.0)
    bottom = figure.axes[1]
    layers = bottom.collections
    assert 2 <= len(layers) <= 5
    hatches = [layer.get_hatch() for layer in layers]
    assert len(set(hatches)) == len(hatches)  # readable without colour
    tops = np.max([layer.get_paths()[0].vertices[:, 1].max() for layer in layers])
    assert tops == pytest.approx(100)
    figure.canvas.draw()  # every label and the legend can be laid out without a warning


def test_one_point_has_a_picture():
    figure = shares_figure(real_curve(RESISTANCE, _simple({"a": 3.0, "b": 4.0})), "one")
    (top,) = figure.axes[0].lines
    assert top.get_ydata() == pytest.approx([50])  # analytic: 5 of 10 Ω
    figure.canvas.draw()


def test_bars_are_as_long_as_the_shares():
    curve = _demo_curve(MU_REAL)
    found = budget_at(curve, curve.frequency_hz[20])
    figure = bars_figure(found, "bin a")
    widths = [bar.get_width() for bar in figure.axes[0].patches]
    shown, rest = found.split()
    assert widths == pytest.approx([100 * line.share for line in shown] + [100 * sum(x.share for x in rest)])
    assert sum(widths) == pytest.approx(100)


def test_a_rod_has_an_impedance_and_no_permeability():
    rod = Specimen(Rod(8e-3, 80e-3, 1e-5), Winding(10))
    assert budget_at(real_curve(MAGNITUDE, _sweep()), 1e5).lines
    with pytest.raises(AnalysisError, match="a rod shows its shape"):
        permeability(_sweep(), rod)
