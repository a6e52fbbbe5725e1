"""Laws of dispersion fitted: published parameters recovered, an independent fit, coverage, reasons."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy.optimize import least_squares
from scipy.stats import binom, chi2

from whichcore.analysis import dispersion
from whichcore.analysis.causality import check_causality, check_passivity
from whichcore.analysis.dispersion_models import LAWS, Span, skin_size_m
from whichcore.analysis.model_comparison import compare_laws
from whichcore.analysis.model_fit import fit_law
from whichcore.analysis.model_search import Nuisance
from whichcore.analysis.types import ErrorSource, PermeabilitySpectrum, Scope
from whichcore.analysis.uncertainty import common_columns
from whichcore.analysis.whitening import follow_model, whitening
from whichcore.errors import AnalysisError, InputError

# T. Tsutaoka, J. Appl. Phys. 93, 2789 (2003), sintered samples: memory. K_d, K_s, f_d, β, f_s, α
MNZN = np.array([3282, 1438, 2.5e6, 9.3e6, 6.3e6, 1.28])
NIZN = np.array([485, 1130, 2.8e6, 3.5e6, 1100e6, 161])
WALL_SPIN = LAWS["wall-and-spin"]
TRUTHS = {
    "relaxation": [2300.0, 1.4e6],
    "cole-cole": [900.0, 2.0e6, 0.2],
    "wall-and-spin": MNZN,
    "ribbon": [30_000.0, 80e3],
    "sphere": [100.0, 5e6],
}


def spectrum(mu, f, seed=None, *, noise=0.01, scale=0.01):
    """Return a spectrum with independent noise and one common error of the scale, both of known size."""
    draw = np.random.default_rng(seed)
    sigma = noise * np.abs(mu)
    noisy = mu
    if seed is not None:
        scatter = sigma * (draw.normal(size=f.size) + 1j * draw.normal(size=f.size))
        noisy = mu * (1 + scale * draw.normal()) + scatter
    covariance = np.zeros((f.size, 2, 2))
    covariance[:, 0, 0] = covariance[:, 1, 1] = sigma**2
    sources = (ErrorSource("dimension:height", Scope.SWEEP, -noisy * scale),) if scale else ()
    return PermeabilitySpectrum(f, noisy, covariance, sources)


def made(name, f, values=None):
    return LAWS[name].permeability(f, np.array(TRUTHS[name] if values is None else values, dtype=float))


def found(fit):
    return {item.symbol: item for item in (*fit.parameters, *fit.derived)}


# --- the laws -----------------------------------------------------------------------------------------------


def test_the_models_are_the_laws_of_their_check_points():
    # computed from parameters that are memory; the half digit is argued in test_dispersion.py
    got = WALL_SPIN.permeability(np.array([0.1e6, 1e6, 3e6, 10e6]), MNZN)
    expected = np.array([4654.6 - 508.5j, 2354.8 - 1973.2j, 928.5 - 1578.5j, -31.8 - 571.0j])
    assert np.abs((got - expected).real).max() <= 0.055
    assert np.abs((got - expected).imag).max() <= 0.055


@pytest.mark.parametrize(
    ("name", "metal", "f", "expected", "half_digit"),
    [
        # computed: ribbon 1.15 µΩ·m, 20 µm; sphere 1e-7 Ω·m, 2.5 µm; digits as in test_dispersion.py
        ("ribbon", (30_000, 1.15e-6, 20e-6), [1e5, 1e6], [19989 - 12259j, 4661 - 4657j], 0.55),
        ("sphere", (100, 1e-7, 2.5e-6), [1e7, 1e8], [99.69 - 4.91j, 78.04 - 35.06j], 0.0055),
    ],
)
def test_a_size_and_its_skin_frequency_are_one(name, metal, f, expected, half_digit):
    mu, rho, size = metal
    # analytic: δ(f_w) = size, so f_w = ρ/(π μ0 μ size²)
    skin = rho / (np.pi * 4e-7 * np.pi * mu * size**2)
    values = np.array([mu, skin])
    got = LAWS[name].permeability(np.array(f), values)
    assert np.abs((got - np.array(expected)).real).max() <= half_digit
    assert np.abs((got - np.array(expected)).imag).max() <= half_digit
    assert skin_size_m(LAWS[name], rho).formula(values) == pytest.approx(size, rel=1e-6)


@pytest.mark.parametrize("name", LAWS)
def test_every_law_is_causal_and_passive(name):
    f = np.geomspace(1e3, 1e9, 120)
    mu = made(name, f)
    assert check_passivity(mu).passive
    assert check_causality(f, mu).residual_rms < 0.006  # the limit of a well-read curve, causality.py


# --- whitening ----------------------------------------------------------------------------------------------


def test_whitening_is_the_dense_covariance():
    # independent code: numpy's dense inverse and determinant
    f = np.geomspace(1e4, 1e7, 9)
    data = spectrum(made("relaxation", f), f, 3)
    tilted = data.scatter.copy()
    tilted[:, 0, 1] = tilted[:, 1, 0] = 0.4 * data.scatter[:, 0, 0]
    ramp = ErrorSource("ramp", Scope.RANGE, (3 - 2j) * np.arange(9.0))
    data = replace(data, scatter=tilted, sources=(*data.sources, ramp), range_labels=("a",) * 4 + ("b",) * 5)
    dense = np.zeros((18, 18))
    for i in range(9):
        dense[np.ix_([i, 9 + i], [i, 9 + i])] = tilted[i]
    columns = common_columns(data.sources, data.range_labels, 9).matrix
    dense += columns @ columns.T
    r = np.random.default_rng(5).normal(size=9) + 1j * np.random.default_rng(6).normal(size=9)
    stacked = np.concatenate([r.real, r.imag])
    white = whitening(data)
    assert np.sum(white(r) ** 2) == pytest.approx(stacked @ np.linalg.solve(dense, stacked), rel=1e-9)
    assert white.log_determinant == pytest.approx(np.linalg.slogdet(dense)[1], rel=1e-9)


def test_common_sensitivities_follow_the_model_only_where_they_came_from_the_data():
    f = np.geomspace(1e4, 1e7, 200)
    truth = made("relaxation", f)
    data = spectrum(truth, f, 4, noise=0.05)
    copper = ErrorSource("winding:resistance", Scope.SWEEP, -1j * 1e6 / f)
    followed = follow_model(replace(data, sources=(*data.sources, copper)), truth)
    assert np.allclose(followed.sources[0].sensitivity, -0.01 * truth)
    assert np.array_equal(followed.sources[1].sensitivity, copper.sensitivity)


def test_a_common_scale_does_not_pull_the_level_down():
    # analytic: sensitivities left at the noisy data pull the level down by f²χ², here 0.03² · 400 · …: tens
    # of per cent, ten times the scale error itself; the mean of 20 draws must lie within its own scatter
    f = np.geomspace(1e4, 3e7, 200)
    levels = [
        fit_law(spectrum(made("relaxation", f), f, seed, noise=0.03, scale=0.03), LAWS["relaxation"])
        .parameters[0]
        .value
        for seed in range(20)
    ]
    assert np.mean(levels) == pytest.approx(2300, rel=3 * 0.03 / np.sqrt(20))


# --- recovery -----------------------------------------------------------------------------------------------


@pytest.mark.parametrize("name", LAWS)
def test_a_law_finds_its_own_parameters_again(name):
    f = np.geomspace(1e4, 1e8, 60)
    fit = fit_law(spectrum(made(name, f), f, noise=1e-4, scale=0), LAWS[name])
    assert [item.value for item in fit.parameters] == pytest.approx(list(TRUTHS[name]), rel=1e-4)
    assert fit.chi_squared < 1e-3
    assert fit.meets_data


@pytest.mark.parametrize(
    ("truth", "high_hz", "symbols"),
    [
        (MNZN, 1e8, ("K_d", "K_s", "f_d", "β", "f_s", "α")),
        # α of 161 is a relaxation: neither f_s nor α is in the curve, their quotient is
        (NIZN, 1e8, ("K_d", "K_s", "f_d", "β")),
    ],
)
def test_published_parameters_come_back_within_their_uncertainty(truth, high_hz, symbols):
    f = np.geomspace(1e4, high_hz, 80)
    got = found(fit_law(spectrum(made("wall-and-spin", f, truth), f, 1), WALL_SPIN))
    known = dict(zip(("K_d", "K_s", "f_d", "β", "f_s", "α"), truth, strict=True))
    for symbol in symbols:
        item = got[symbol]
        assert item.standard_uncertainty is not None
        assert abs(item.value - known[symbol]) < 3 * item.standard_uncertainty
    corner = got["f_s/α"]
    assert abs(corner.value - truth[4] / truth[5]) < 3 * corner.standard_uncertainty
    if truth is NIZN:
        for symbol in ("f_s", "α"):
            assert got[symbol].standard_uncertainty is None
            assert got[symbol].high is None
            assert got[symbol].low < known[symbol]
            assert got[symbol].reason


def test_two_readings_of_one_curve_are_both_told():
    # up to 3 MHz walls and spins of the manganese-zinc row can change parts
    f = np.geomspace(1e3, 3e6, 100)
    got = found(fit_law(spectrum(made("wall-and-spin", f), f, 1), WALL_SPIN))["K_d"]
    assert got.standard_uncertainty is None
    assert "another solution" in got.reason
    assert min(abs(value / 3282 - 1) for value in (got.value, *got.also)) < 0.1
    assert max(abs(value / 3282 - 1) for value in (got.value, *got.also)) > 0.4


@pytest.mark.parametrize("name", LAWS)
def test_values_and_covariance_agree_with_another_least_squares(name):
    # independent code: scipy's Levenberg–Marquardt on a residual whitened by a dense Cholesky factor
    f = np.geomspace(1e4, 1e8, 50)
    truth = np.array(TRUTHS[name], dtype=float)
    data = spectrum(made(name, f), f, 11)
    fit = fit_law(data, LAWS[name])
    values = np.array([item.value for item in fit.parameters])
    dense = np.diag(np.concatenate([data.scatter[:, 0, 0], data.scatter[:, 1, 1]]))
    model = LAWS[name].permeability(f, values)
    column = 0.01 * np.concatenate([model.real, model.imag])
    factor = np.linalg.inv(np.linalg.cholesky(dense + np.outer(column, column)))

    def residual(relative):
        left = data.permeability - LAWS[name].permeability(f, truth * relative)
        return factor @ np.concatenate([left.real, left.imag])

    other = least_squares(residual, np.ones(truth.size), method="lm", xtol=1e-12, ftol=1e-12)
    u = np.sqrt(np.diag(np.linalg.inv(other.jac.T @ other.jac))) * truth
    # 2 %: of a standard uncertainty for the value; logarithm against value for the uncertainty
    assert np.abs(values - truth * other.x).max() <= 0.02 * u.max() or np.all(
        np.abs(values - truth * other.x) <= 0.02 * u
    )
    assert [item.standard_uncertainty for item in fit.parameters] == pytest.approx(
        list(u), rel=0.02 + u.max() / values.max()
    )


# --- what is not known --------------------------------------------------------------------------------------


def test_a_corner_beyond_the_band_is_open_above():
    f = np.geomspace(1e3, 1e5, 40)
    mu = made("relaxation", f, [800.0, 2e8])
    fit = fit_law(spectrum(mu, f, 2), LAWS["relaxation"])
    corner = found(fit)["f_r"]
    assert (corner.standard_uncertainty, corner.high) == (None, None)
    assert corner.reason == "the data only say above"
    assert 1e6 < corner.low < 2e8
    assert found(fit)["K"].standard_uncertainty == pytest.approx(8, rel=0.1)  # analytic: 1 % of 800


def test_a_spread_at_its_bound_says_so():
    f = np.geomspace(1e4, 1e8, 60)
    data = spectrum(made("relaxation", f), f, noise=0.01)
    spread = found(fit_law(data, LAWS["cole-cole"]))["a"]
    assert spread.standard_uncertainty is None
    assert spread.reason.startswith("at its bound 0")
    assert 0 < spread.high < 0.02


def test_a_law_that_misses_the_data_admits_it():
    f = np.geomspace(1e4, 1e8, 80)
    data = spectrum(made("cole-cole", f), f, 7)
    fit = fit_law(data, LAWS["relaxation"])
    assert not fit.meets_data
    assert fit.reduced > 10
    assert 0.01 < fit.deviation < 0.2
    assert fit.missed
    exact = fit_law(spectrum(made("relaxation", f), f, 7), LAWS["relaxation"])
    assert exact.meets_data
    assert exact.missed == ()
    assert found(fit)["f_r"].standard_uncertainty > 5 * found(exact)["f_r"].standard_uncertainty


def test_a_free_level_leaves_the_corner_alone():
    # up to 10 MHz only: where the curve comes near 1, its shape alone tells the level
    f = np.geomspace(1e4, 1e7, 60)
    data = spectrum(made("relaxation", f), f, 3)
    tied, free = (
        found(fit_law(data, LAWS["relaxation"], Nuisance(free_level=level))) for level in (False, True)
    )
    assert free["f_r"].value == pytest.approx(tied["f_r"].value, rel=1e-3)
    assert free["K"].standard_uncertainty is None or free["K"].standard_uncertainty > 0.3 * free["K"].value


def test_a_copper_residue_is_found():
    f = np.geomspace(1e3, 1e7, 80)
    l0 = 1e-7
    mu = made("relaxation", f, [500.0, 3e6]) - 1j * 0.02 / (2 * np.pi * f * l0)
    fit = fit_law(spectrum(mu, f, 3, noise=0.003), LAWS["relaxation"], Nuisance(copper_l0_h=l0))
    residue = found(fit)["R"]
    assert abs(residue.value - 0.02) < 3 * residue.standard_uncertainty
    assert residue.standard_uncertainty < 0.002
    assert not fit_law(spectrum(mu, f, 3, noise=0.003), LAWS["relaxation"]).meets_data


@pytest.mark.parametrize("name", ["relaxation", "ribbon", "sphere", "cole-cole"])
def test_the_law_that_made_the_data_is_preferred(name):
    f = np.geomspace(1e4, 3e7, 60)
    compared = compare_laws(
        spectrum(made(name, f), f, 5), [law for law in LAWS.values() if law is not WALL_SPIN], Nuisance()
    )
    assert compared.fits[0].law.name == name
    assert compared.preferred is not None
    assert sum(compared.probability) == pytest.approx(1)


def test_laws_are_untellable_far_below_the_corner():
    f = np.geomspace(1e3, 1e5, 30)
    two = [LAWS["ribbon"], LAWS["sphere"]]
    compared = compare_laws(spectrum(made("relaxation", f, [800.0, 2e7]), f, 5), two, Nuisance())
    assert compared.preferred is None
    assert len(compared.alike) == 2


# --- bad input ----------------------------------------------------------------------------------------------


@pytest.mark.parametrize("points", [1, 2])
def test_too_few_points(points):
    f = np.array([1e5, 1e6])[:points]
    with pytest.raises(AnalysisError, match="too few points") as caught:
        fit_law(spectrum(made("relaxation", f), f), LAWS["relaxation"])
    assert "3 points or more" in str(caught.value)


def test_laws_the_points_cannot_carry_are_left_out():
    f = np.geomspace(1e5, 1e7, 5)
    compared = compare_laws(spectrum(made("relaxation", f), f, 1), list(LAWS.values()), Nuisance())
    assert set(compared.refused) == {"wall-and-spin"}
    assert "too few points" in compared.refused["wall-and-spin"]


def test_no_loss_at_all():
    f = np.geomspace(1e5, 1e7, 9)
    with pytest.raises(AnalysisError, match="no loss at any point"):
        fit_law(spectrum(made("relaxation", f).conj(), f), LAWS["relaxation"])


@pytest.mark.parametrize("bad", [np.nan, np.inf, 0.0])
def test_a_value_that_is_none(bad):
    f = np.geomspace(1e5, 1e7, 9)
    mu = made("relaxation", f)
    data = spectrum(mu, f)
    mu = mu.copy()
    mu[4] = bad
    with pytest.raises(InputError, match="zero or not finite"):
        fit_law(replace(data, permeability=mu), LAWS["relaxation"])


def test_a_scatter_that_is_none():
    f = np.geomspace(1e5, 1e7, 9)
    data = spectrum(made("relaxation", f), f)
    with pytest.raises(InputError, match="no positive covariance"):
        fit_law(replace(data, scatter=np.zeros((9, 2, 2))), LAWS["relaxation"])


@pytest.mark.parametrize(("name", "rho"), [("ribbon", -1.0), ("ribbon", np.nan), ("relaxation", 1e-6)])
def test_a_size_needs_a_metal(name, rho):
    with pytest.raises(InputError, match="resistivity of a metal"):
        skin_size_m(LAWS[name], rho)


def test_bounds_hold_the_law_passive():
    for law in LAWS.values():
        for parameter in law.parameters(Span(1e3, 1e6, 100.0)):
            assert parameter.low >= 0
            assert parameter.low > 0 or parameter.name == "spread"
    assert dispersion.GYROMAGNETIC_HZ_PER_T > 0


# --- coverage -----------------------------------------------------------------------------------------------


@pytest.mark.soak
@pytest.mark.parametrize(
    ("name", "draws"),
    [("relaxation", 500), ("cole-cole", 500), ("ribbon", 500), ("sphere", 500), ("wall-and-spin", 100)],
)
def test_intervals_hold_the_truth(name, draws):
    """Count how often the 95 % interval of each parameter holds the truth, and how far off it is in u."""
    f = np.geomspace(1e4, 1e8, 40)
    mu = made(name, f)
    off = np.full((draws, len(TRUTHS[name])), np.nan)
    held = np.zeros(off.shape[1])
    for seed in range(draws):
        fit = fit_law(spectrum(mu, f, seed), LAWS[name])
        for index, (item, truth) in enumerate(zip(fit.parameters, TRUTHS[name], strict=True)):
            low = -np.inf if item.low is None else item.low
            high = np.inf if item.high is None else item.high
            held[index] += low <= truth <= high
            if item.standard_uncertainty is not None:
                off[seed, index] = (item.value - truth) / item.standard_uncertainty
    share = held / draws
    # analytic: parameters of one draw are correlated, so their mean scatters by up to √(0.95·0.05/draws),
    # 1.0 % for 500 draws: the limits are three of that. A single parameter is held by its binomial count
    assert share.mean() == pytest.approx(0.95, abs=3 * np.sqrt(0.95 * 0.05 / draws))
    assert np.all(held >= binom.ppf(0.001, draws, 0.95))
    # analytic: the squares add up to χ² of as many degrees as draws; 500 of them tell a u off by a tenth, for
    # which a count of what lies inside needs a thousand
    known = np.isfinite(off).sum(axis=0)
    assert np.all(known >= 0.9 * draws)
    squares = np.nansum(off**2, axis=0)
    assert np.all((squares > chi2.ppf(0.001, known)) & (squares < chi2.ppf(0.999, known))), squares / known


def test_solutions_that_are_one_to_the_digits_told_are_one():
    """Two relaxations under the law of walls and spins: in a flat valley bottoms are no solutions."""
    frequency = np.geomspace(1e3, 3e6, 71)
    mu = 1 + 300 / (1 + 1j * frequency / 3e6) + 550 / (1 + 1j * frequency / 8e6)
    rng = np.random.default_rng(11)
    noise = 0.003 * np.abs(mu)
    mu = mu + noise * (rng.normal(size=71) + 1j * rng.normal(size=71))
    spectrum = PermeabilitySpectrum(frequency, mu, noise[:, None, None] ** 2 * np.eye(2))
    fit = fit_law(spectrum, LAWS["wall-and-spin"], Nuisance())
    for item in (*fit.parameters, *fit.derived):
        told = [f"{value:.4g}" for value in item.also]
        assert len(told) == len(set(told)), item
        assert not set(told) & {f"{end:.4g}" for end in (item.low, item.high) if end is not None}, item
