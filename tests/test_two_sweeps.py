"""Two sweeps side by side: what both share cancels, what is their own adds."""

import numpy as np
import pytest

from whichcore.analysis.two_sweeps import sweep_difference
from whichcore.analysis.types import ErrorSource, ImpedanceSweep, Scope
from whichcore.errors import AnalysisError

FREQUENCY = np.array([1e4, 1e5, 1e6])
Z = np.array([1 + 30j, 5 + 200j, 300 + 900j])


def sweep(z, scatter=0.0, frequency=FREQUENCY, **sources):
    """A sweep with relative scatter, and sources as (scope, relative change)."""
    covariance = (scatter * np.abs(z))[:, None, None] ** 2 * np.eye(2)
    made = tuple(ErrorSource(name, scope, change * z) for name, (scope, change) in sources.items())
    return ImpedanceSweep(frequency, z, covariance, made)


def test_own_scatter_adds_and_the_ratio_is_that_of_the_impedances():
    found = sweep_difference(sweep(1.1 * Z, 0.003), sweep(Z, 0.004))
    np.testing.assert_allclose(found.ratio, 1.1)
    # analytic: round scatter turns into itself; 3 and 4 per mille are 5
    np.testing.assert_allclose(found.u_relative, 0.005, rtol=1e-12)
    np.testing.assert_allclose(found.u_angle_rad, 0.005, rtol=1e-12)
    # analytic: ln 1.1 over 1.96 standard uncertainties
    np.testing.assert_allclose(found.share, np.log(1.1) / (1.96 * 0.005), rtol=1e-12)


@pytest.mark.parametrize(
    ("scopes", "left"),
    [
        ((Scope.SPECIMENS, Scope.SPECIMENS), 0.0),  # one calibration: gone
        ((Scope.SPECIMENS_POINT, Scope.SPECIMENS_POINT), 0.0),  # its noise at this frequency: gone, too
        ((Scope.SPECIMENS, Scope.SWEEP), np.hypot(0.02, 0.02)),
        ((Scope.SWEEP, Scope.SWEEP), np.hypot(0.02, 0.02)),  # the same name, but another draw
    ],
)
def test_a_shared_cause_cancels_and_any_other_adds(scopes, left):
    first, second = (
        sweep(k * Z, 0.001, shunt=(scope, 0.02)) for k, scope in zip((1.2, 1), scopes, strict=True)
    )
    found = sweep_difference(first, second)
    np.testing.assert_allclose(found.u_relative, np.sqrt(2 * 0.001**2 + left**2), rtol=1e-12)
    np.testing.assert_allclose(found.u_angle_rad, np.sqrt(2) * 0.001, rtol=1e-12)


def test_a_cause_of_the_angle_alone_is_one_of_the_angle_alone():
    found = sweep_difference(sweep(Z, 0.001, delay=(Scope.SWEEP, 0.03j)), sweep(Z, 0.001))
    np.testing.assert_allclose(found.u_relative, np.sqrt(2) * 0.001, rtol=1e-12)
    np.testing.assert_allclose(found.u_angle_rad, np.sqrt(2 * 0.001**2 + 0.03**2), rtol=1e-12)


def test_uneven_scatter_is_that_of_draws():
    """Monte Carlo of 20,000 pairs: a standard deviation of so many is known to 0.5 %; four of that."""
    covariance = np.array([[4e-4, 3e-4], [3e-4, 9e-4]])
    one = ImpedanceSweep(FREQUENCY[:1], np.array([0.3 + 1.1j]), covariance[None])
    found = sweep_difference(one, one)
    rng = np.random.default_rng(7)
    draws = rng.multivariate_normal((0.3, 1.1), covariance, (2, 20_000)) @ np.array([1, 1j])
    log = np.log(draws[0] / draws[1])
    assert found.u_relative[0] == pytest.approx(log.real.std(), rel=0.02)
    assert found.u_angle_rad[0] == pytest.approx(log.imag.std(), rel=0.02)


def test_common_frequencies_alone_are_compared():
    other = np.array([9e3, 1e5 * (1 + 1e-8), 1e6 * (1 + 1e-3)])
    found = sweep_difference(sweep(Z, 0.01), sweep(2 * Z, 0.01, other))
    np.testing.assert_array_equal(found.frequency_hz, [1e5])
    np.testing.assert_allclose(found.ratio, 0.5)


def test_nothing_in_common_or_nothing_known_is_one_line():
    with pytest.raises(AnalysisError, match="no frequency in common"):
        sweep_difference(sweep(Z, 0.01), sweep(Z, 0.01, 3 * FREQUENCY))
    with pytest.raises(AnalysisError, match="no uncertainty"):
        sweep_difference(sweep(Z), sweep(Z))


@pytest.mark.parametrize("points", [np.array([True, False, True]), np.array([0, 2]), slice(0, 3, 2)])
def test_a_sweep_at_some_points_keeps_what_is_stated_of_each(points):
    f = np.array([1e3, 2e3, 3e3])
    scatter = np.arange(12.0).reshape(3, 2, 2)
    whole = ImpedanceSweep(
        f, f * 1j, scatter, (ErrorSource("s", Scope.SWEEP, f + 0j),), f / 1e6, ("a", "b", "c"), f / 1e3,
        temperature_c=23.0, notes={"bench": "x"},
    )  # fmt: skip
    some = whole.at(points)
    assert some.frequency_hz.tolist() == [1e3, 3e3]
    assert some.impedance_ohm.tolist() == [1e3j, 3e3j]
    assert some.scatter.tolist() == scatter[[0, 2]].tolist()
    assert some.sources[0].sensitivity.tolist() == [1e3, 3e3]
    assert (some.flux_density_t.tolist(), some.time_s.tolist()) == ([1e-3, 3e-3], [1.0, 3.0])
    assert some.range_labels == ("a", "c")
    assert (some.temperature_c, some.notes) == (23.0, {"bench": "x"})
    bare = ImpedanceSweep(f, f * 1j, scatter).at(points)
    assert (bare.flux_density_t, bare.time_s, bare.range_labels) == (None, None, None)
