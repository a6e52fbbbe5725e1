"""The rows of identification: whitening, deviation, readings."""

from dataclasses import replace

import numpy as np
import pytest

from identification import relaxation
from whichcore.analysis.observation import (
    CORE_DEVIATION,
    RowKind,
    _course,
    deviation_basis,
    deviation_columns,
    log_reluctivity,
    observe,
    reading_rows,
)
from whichcore.analysis.reading_permeability import ReadingPermeability
from whichcore.analysis.types import ErrorSource, PermeabilitySpectrum, ReadingKind, Scope
from whichcore.errors import AnalysisError

FREQUENCY = np.geomspace(1e4, 3e6, 60)
MU = relaxation(2300, 1.8e6, FREQUENCY)


def spectrum(noise=0.01, sources=(), mu=MU):
    scatter = (noise * np.abs(mu))[:, None, None] ** 2 * np.eye(2)
    return PermeabilitySpectrum(FREQUENCY, mu, scatter, sources)


def reading(kind, value, frequency_hz=1e4, common=()):
    return ReadingPermeability(kind, frequency_hz, value, 0.01 * value, common)


def test_logarithm_of_reluctivity():
    mu = np.array([100 - 0j, 100 - 100j, -1j, -50 - 1j, 100 + 1j])
    found = log_reluctivity(mu)
    assert np.exp(-found) == pytest.approx(mu)
    # a passive core turns from 0 to π; a trace of negative loss stays near 0 and does not jump to 2π
    assert np.all(np.diff(found.imag[:4]) > 0)
    assert found.imag[4] == pytest.approx(-0.01, abs=1e-4)


def test_whitened_noise_has_unit_variance():
    rng = np.random.default_rng(2)
    noise = 0.01
    seen = []
    for _ in range(300):
        draw = MU + noise * np.abs(MU) * (rng.normal(size=60) + 1j * rng.normal(size=60))
        exact = observe(spectrum(noise), [])
        seen.append(exact.whiten(log_reluctivity(draw) - log_reluctivity(MU)))
    # roughness of 0.3 % is added to the noise of 1 %: 1/(1 + 0.09)
    assert np.var(seen) == pytest.approx(1 / 1.09, rel=0.03)


def test_common_sources_become_columns():
    source = ErrorSource("dimension:height", Scope.SWEEP, 0.02 * MU)
    point = ErrorSource("jitter", Scope.POINT, 0.05j * MU)
    plain, both = observe(spectrum(), []), observe(spectrum(sources=(source, point)), [])
    assert both.common.shape == (60, 2, 1)
    # analytic: a relative change of μ is the opposite change of ln ν, real part only
    assert both.common[:, 0, 0] == pytest.approx(-0.02)
    assert both.common[:, 1, 0] == pytest.approx(0, abs=1e-12)
    assert np.all(both.whitener[:, 1, 1] < 0.25 * plain.whitener[:, 1, 1])


def test_a_source_shared_by_sweep_and_reading_keeps_one_column():
    source = ErrorSource("dimension:height", Scope.SWEEP, 0.02 * MU)
    shared = reading(ReadingKind.INDUCTANCE, 2300.0, common=(("dimension:height", 46.0), ("other", 1.0)))
    observation = observe(spectrum(sources=(source,)), [shared])
    assert observation.common.shape == (61, 2, 2)
    assert observation.spectrum_points == 60
    assert observation.reading_points == 1
    assert observation.common[-1, 0, 0] == pytest.approx(-0.02)


@pytest.mark.parametrize("length", [0.5, 1.2])
def test_deviation_is_the_stated_gaussian_process(length):
    """Covariance exp(−Δ²/2ℓ²) between points; of μ′ with the stated amplitude where there is little loss."""
    observation = observe(spectrum(), [])
    x = np.log(FREQUENCY)
    basis = deviation_basis(x, length)
    expected = np.exp(-0.5 * ((x[:, None] - x) / length) ** 2)
    assert np.max(np.abs(basis @ basis.T - expected)) < 2e-3
    columns = deviation_columns(observation, CORE_DEVIATION, length)
    level = columns[np.abs(observation.log_reluctivity.imag) < 0.05, 0]
    assert level.shape[0] > 20
    assert np.sqrt(np.diag(level @ level.T)) == pytest.approx(CORE_DEVIATION, rel=1e-2)


def test_deviation_is_one_of_the_two_components_each_by_itself():
    """What a column does to λ is what the logarithm of μ′(1 + a) − jμ″(1 + b) says, a and b small."""
    observation = observe(spectrum(), [])
    columns = deviation_columns(observation, 1e-3, 1.2, flat=1e-3)
    half = columns.shape[2] // 2
    basis = deviation_basis(np.log(FREQUENCY), 1.2)
    weight = np.random.default_rng(3).normal(size=(2, half))
    lossy = np.abs(observation.log_reluctivity.imag) > 0.5
    assert lossy.sum() > 10
    a, b = 1e-3 * weight @ basis.T
    for part, changed in enumerate((MU.real * (1 + a) + 1j * MU.imag, MU.real + 1j * MU.imag * (1 + b))):
        expected = (-np.log(changed / MU))[lossy]
        found = (columns[:, :, part * half : (part + 1) * half] @ weight[part])[lossy]
        # the loss angle is smoothed, and μ″ keeps a small share of its own: a tenth of the largest change
        largest = np.abs(expected).max()
        assert np.max(np.abs(found[:, 0] + 1j * found[:, 1] - expected)) < 0.1 * largest


def test_a_larger_deviation_grows_where_the_dispersion_is():
    observation = observe(spectrum(), [])
    columns = deviation_columns(observation, 0.3, 1.0)
    # what is left of the deviation of a component is its share in |μ|: added up, cos²δ + sin²δ = 1
    half = columns.shape[2] // 2
    size = sum(np.sqrt((part**2).sum(axis=1)) for part in (columns[:, 0, :half], columns[:, 0, half:]))
    assert size[0] == pytest.approx(CORE_DEVIATION, rel=0.05)
    assert size[-1] == pytest.approx(0.3, rel=0.05)
    assert np.all(np.diff(size) > -1e-3 * 0.3)  # the ripple of the bumps


def test_rows_of_readings():
    observation = observe(
        None, [reading(ReadingKind.INDUCTANCE, 2000.0), reading(ReadingKind.IMPEDANCE_MAGNITUDE, 2000.0, 1e6)]
    )
    assert list(observation.kind) == [RowKind.INVERSE_REAL, RowKind.INVERSE_MAGNITUDE]
    predicted = log_reluctivity(np.array([2000 - 500j, 1200 - 1600j]))
    rows = reading_rows(predicted, observation)
    # analytic: −ln μ′ and −ln|μ|
    assert rows.real == pytest.approx([-np.log(2000), -np.log(2000)])
    assert np.all(rows.imag == 0)
    beyond = reading_rows(log_reluctivity(np.array([-100 - 50j, 1 - 1j])), observation)
    assert beyond.real[0] > 20


def test_zero_permeability_is_refused():
    mu = MU.copy()
    mu[3] = 0
    scatter = np.tile(np.eye(2), (60, 1, 1))
    with pytest.raises(AnalysisError, match="zero"):
        observe(PermeabilitySpectrum(FREQUENCY, mu, scatter), [])


def test_the_course_kept_for_the_next_deviation_is_that_of_its_own_data():
    base = observe(spectrum(), [])
    stretched = np.geomspace(1e4, 3e8, 60)
    turned = base.log_reluctivity.real + 1.2j * base.log_reluctivity.imag
    cases = [base, replace(base, frequency_hz=stretched), replace(base, log_reluctivity=turned)]
    kept = [deviation_columns(case, 0.1, 1.2) for case in cases]
    sizes = [(columns**2).sum(axis=2) for columns in kept]
    for other in sizes[1:]:
        # analytic: the bumps add up to one, so that what differs is the course
        assert np.abs(other - sizes[0]).max() > 0.05 * sizes[0].max()
    for case, columns in zip(cases, kept, strict=True):
        _course.cache_clear()
        assert np.array_equal(deviation_columns(case, 0.1, 1.2), columns)
