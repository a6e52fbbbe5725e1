"""Standards: what impedance each states, its sensitivities and its refusals."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from whichcore.analysis.types import Distribution, ErrorSource, ImpedanceSweep, Scope
from whichcore.calibration.covariance import columns
from whichcore.calibration.standards import Capacitor, Known, Load, Open, Short, Toleranced
from whichcore.errors import CalibrationError, InputError

GRID = np.geomspace(1e3, 1e7, 200)
JW = 2j * np.pi * GRID

ALL = [
    Open(Toleranced(0.3e-12, 1e-13)),
    Short(Toleranced(2e-3, 1e-4), Toleranced(4e-9, 1e-9)),
    Load(Toleranced(47.0, 0.1), Toleranced(6e-9, 1e-9), Toleranced(2e-12, 5e-13)),
    Capacitor(
        Toleranced(1e-9, 1e-11), Toleranced(3e-4, 1e-4), Toleranced(0.05, 0.01), Toleranced(5e-9, 1e-9)
    ),
]
UNCERTAIN = [
    "capacitance_f",
    "resistance_ohm",
    "inductance_h",
    "loss_tangent",
    "series_resistance_ohm",
]


def test_load_is_the_circuit_it_states():
    h = ALL[2].homogeneous(GRID)
    series = 47.0 + JW * 6e-9
    np.testing.assert_allclose(h.p / h.q, 1 / (1 / series + JW * 2e-12), rtol=1e-13)  # analytic


def test_capacitor_is_the_circuit_it_states():
    h = ALL[3].homogeneous(GRID)
    w = JW.imag
    expected = 1 / (JW * 1e-9) + 3e-4 / (w * 1e-9) + 0.05 + JW * 5e-9  # analytic
    np.testing.assert_allclose(h.p / h.q, expected, rtol=1e-12)


def test_open_and_short_keep_their_zero():
    opened, shorted = Open().homogeneous(GRID), Short().homogeneous(GRID)
    assert np.all(opened.q == 0)
    assert np.all(opened.p == 1)
    assert np.all(shorted.p == 0)
    assert np.all(shorted.q == 1)
    stray = ALL[0].homogeneous(GRID)
    np.testing.assert_allclose(stray.q / stray.p, JW * 0.3e-12, rtol=1e-13)  # analytic
    link = ALL[1].homogeneous(GRID)
    np.testing.assert_allclose(link.p / link.q, 2e-3 + JW * 4e-9, rtol=1e-13)  # analytic


def test_inductance_of_a_load_turns_its_phase():
    """Computed: 5 nH in 50 Ω are 1.9e-3 rad at 3 MHz."""
    h = Load(50.0, 5e-9).homogeneous(np.array([3e6]))
    assert np.angle(h.p / h.q)[0] == pytest.approx(1.9e-3, abs=0.5e-4)


@pytest.mark.parametrize("standard", ALL, ids=lambda s: s.name)
def test_terms_are_the_derivatives(standard):
    """Analytic: central difference over a hundredth of the uncertainty; p and q are at most quadratic."""
    before = standard.homogeneous(GRID)
    labels = {term.id: term for term in before.terms}
    fields = [name for name in UNCERTAIN if hasattr(standard, name)]
    assert len(labels) == len(fields)
    for name in fields:
        value = getattr(standard, name)
        step = 0.01 * value.standard_uncertainty
        up, down = (
            replace(standard, **{name: replace(value, value=value.value + sign * step)}).homogeneous(GRID)
            for sign in (1, -1)
        )
        label = name.removesuffix("_f").removesuffix("_h").removesuffix("_ohm").replace("_", " ")
        term = labels[f"standard {standard.name}: {label}"]
        scale_p, scale_q = np.max(abs(before.p)), np.max(abs(before.q))
        np.testing.assert_allclose((up.p - down.p) / 0.02, term.dp, rtol=1e-6, atol=1e-12 * scale_p)
        np.testing.assert_allclose((up.q - down.q) / 0.02, term.dq, rtol=1e-6, atol=1e-12 * scale_q)
        assert term.scope is Scope.SPECIMENS


def test_plain_numbers_carry_no_terms():
    for standard in (Open(1e-12), Short(1e-3), Load(50.0, 1e-9, 1e-12), Capacitor(1e-9, 1e-4)):
        assert standard.homogeneous(GRID).terms == ()


def test_tolerance_limits_are_rectangular():
    """Memory: half-width over √3, JCGM 100:2008, 4.3.7."""
    value = Toleranced.within(50.0, 0.5)
    assert value.distribution is Distribution.RECTANGULAR
    assert value.standard_uncertainty**2 * 3 == pytest.approx(0.25, rel=1e-12)


@pytest.mark.parametrize(
    ("make", "named"),
    [
        (lambda: Load(0.0), "load: the resistance .* above zero"),
        (lambda: Load(50.0, -1e-9), "load: the inductance .* not negative"),
        (lambda: Open(float("nan")), "open: the capacitance"),
        (lambda: Capacitor(0.0, name="C7"), "C7: the capacitance"),
        (lambda: Short(Toleranced(-1e-3)), "short: the resistance"),
        (lambda: Short(plane="somewhere"), "states its plane"),
        (lambda: Short(1e-3, plane="empty winding"), "zero by definition"),
        (lambda: Short(0.0, Toleranced(0.0, 1e-9), plane="empty winding"), "zero by definition"),
        (lambda: Toleranced(1.0, -0.1), "not negative"),
        (lambda: Toleranced(float("inf")), "finite"),
    ],
)
def test_nonsense_is_refused(make, named):
    with pytest.raises(InputError, match=named):
        make()


def known_sweep():
    z = 20.0 + JW * 30e-6
    scatter = np.array([[4.0, 1.0], [1.0, 9.0]]) * 1e-4 * np.ones((200, 1, 1))
    one = np.full(200, 0.01 + 0.02j)
    sources = (
        ErrorSource("fixture", Scope.SPECIMENS, one),
        ErrorSource("calibration 1: noise", Scope.SPECIMENS_POINT, 2 * one),
        ErrorSource("drift", Scope.SWEEP, 3 * one, Distribution.RECTANGULAR),
        ErrorSource("steps", Scope.POINT, 4 * one),
        ErrorSource("gain", Scope.RANGE, 5 * one),
    )
    labels = ("low",) * 80 + ("high",) * 120
    return ImpedanceSweep(GRID, z, scatter, sources, range_labels=labels)


def test_known_part_keeps_what_is_shared_and_owns_the_rest():
    h = Known(known_sweep(), name="old core").homogeneous(GRID)
    np.testing.assert_array_equal(h.p / h.q, known_sweep().impedance_ohm)
    found = {term.id: term for term in h.terms}
    owner = "standard old core: "
    assert {name: term.scope for name, term in found.items()} == {
        owner + "scatter 1": Scope.SPECIMENS_POINT,
        owner + "scatter 2": Scope.SPECIMENS_POINT,
        "fixture": Scope.SPECIMENS,
        "calibration 1: noise": Scope.SPECIMENS_POINT,
        owner + "drift": Scope.SPECIMENS,
        owner + "steps": Scope.SPECIMENS_POINT,
        owner + "gain (low)": Scope.SPECIMENS,
        owner + "gain (high)": Scope.SPECIMENS,
    }
    assert found[owner + "drift"].distribution is Distribution.RECTANGULAR
    low, high = found[owner + "gain (low)"].dp, found[owner + "gain (high)"].dp
    assert np.all(low[80:] == 0)
    np.testing.assert_array_equal(low + high, np.full(200, 0.05 + 0.1j))


def test_known_part_is_not_stretched_to_other_frequencies():
    with pytest.raises(CalibrationError, match=r"old core: .*nothing is interpolated"):
        Known(known_sweep(), name="old core").homogeneous(GRID * 1.01)


def test_columns_rebuild_a_covariance_even_a_singular_one():
    """Analytic: the sum of the columns' outer products is the matrix."""
    rng = np.random.default_rng(2)
    factor = rng.normal(size=(200, 2, 2))
    factor[::4, :, 1] = 0  # one direction only
    factor[1::4, 0, :] = 0  # imaginary part only
    covariance = factor @ np.swapaxes(factor, 1, 2)
    rebuilt = sum(
        np.einsum("fi,fj->fij", v, v)
        for c in columns(covariance)
        for v in (np.stack([c.real, c.imag], axis=-1),)
    )
    np.testing.assert_allclose(rebuilt, covariance, atol=1e-12)
