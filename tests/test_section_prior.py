"""What an unknown section may do to a core, where it rings, and what a gap leaves of a deviation."""

from dataclasses import replace

import numpy as np
import pytest
from scipy.constants import epsilon_0, mu_0

from identification import grade, grades, relaxation, ring, wound
from whichcore import identify
from whichcore.analysis.class_properties import class_properties
from whichcore.analysis.curve_table import GRID_STEP, tabulate
from whichcore.analysis.materials import MaterialClass
from whichcore.analysis.observation import Observation, behind_gap, deviation_basis, observe
from whichcore.analysis.ringing import AMPLITUDE, LENGTH, log_evidence_of_ringing
from whichcore.analysis.ringing_candidates import PERMITTIVITIES, SECTION_M, Ringing, _effects, _motions
from whichcore.analysis.section import mnzn_dielectric, wave_number_per_m
from whichcore.analysis.section_prior import (
    NOTEWORTHY_DOUBT,
    inner_permeability,
    log_section_factor,
    section_matters,
    section_prior,
    section_prior_of,
)
from whichcore.analysis.types import PermeabilitySpectrum

FREQUENCY = np.geomspace(1e3, 3e6, 60)
NOMINAL = np.ones((1, 1)), np.ones((1, 1))
THIN, USUAL, THICK = (0.1e-3, 0.1e-3), (5e-3, 10e-3), (10e-3, 20e-3)


def observation(mu, sides, noise: float = 0.01) -> Observation:
    scatter = (noise * np.abs(mu))[:, None, None] ** 2 * np.eye(2)
    return observe(PermeabilitySpectrum(FREQUENCY, mu, scatter), [], sides)


def shown(mu, sides):
    return mu * np.exp(log_section_factor(FREQUENCY, mu[None], sides, NOMINAL)[0])


def double_sine_series(mu, sides, permittivity: float = 1.0):
    """Mean field over a rectangle, term by term: the same physics as `section`, summed otherwise."""
    epsilon, sigma = mnzn_dielectric(np.clip(FREQUENCY, 1e3, 1e6))
    omega = 2 * np.pi * FREQUENCY
    k2 = omega**2 * mu_0 * mu * (epsilon_0 * permittivity * epsilon - 1j * sigma / omega)
    odd = np.arange(1, 160, 2)
    m, n = odd[:, None], odd
    modes = (m * np.pi / sides[0]) ** 2 + (n * np.pi / sides[1]) ** 2
    weight = 64 / (np.pi**4 * (m * n) ** 2)
    k2 = k2[:, None, None]
    return 1 + (weight * k2 / (modes - k2)).sum(axis=(1, 2))


def test_the_permeability_inside_comes_back_from_what_the_section_shows():
    mu = relaxation(2300, 1.8e6, FREQUENCY)
    low = FREQUENCY < 7e5
    inner, ringing = inner_permeability(FREQUENCY, shown(mu, USUAL)[None], USUAL, NOMINAL)
    # analytic: the inverse of a function; the iteration is stopped at a part in a thousand
    assert inner[0][low] == pytest.approx(mu[low], rel=2e-3)
    assert not ringing[0][low].any()


def test_without_a_stated_section_nothing_is_supposed_of_it():
    known = observation(relaxation(2300, 1.8e6, FREQUENCY), None)
    prior = section_prior(known, None)
    assert not section_matters(known)
    assert not prior.mean.any()
    assert prior.columns.shape == (FREQUENCY.size, 2, 0)


def test_a_thin_core_misses_the_effect_that_its_reference_had():
    known = observation(relaxation(2300, 1.8e6, FREQUENCY), THIN)
    own, other = section_prior(known, THIN), section_prior(known, None)
    assert np.abs(own.columns).max(initial=0.0) < 1e-3
    # analytic: below resonance a section raises |μ|, so that the core has more reluctivity than the curve
    assert other.mean.real[FREQUENCY.searchsorted(5e5)] > 0.001


def test_a_reference_of_the_same_section_is_not_doubted():
    known = observation(shown(relaxation(2300, 1.8e6, FREQUENCY), USUAL), USUAL)
    prior = section_prior(known, USUAL)
    followed = prior.followed
    # analytic: what the section does to the core it did to the reference, whatever the dielectric
    principal = np.sqrt((prior.columns[:followed] ** 2).sum(axis=2))
    assert followed > 40
    # the last points before the section rings keep a rest of the iteration
    assert principal[: followed - 3].max() < 1e-4
    assert np.sqrt((section_prior(known, None).columns[:followed] ** 2).sum(axis=2)).max() > 0.05


def test_the_mean_has_the_sign_of_the_effect_and_the_doubt_holds_the_truth():
    mu = relaxation(2300, 1.8e6, FREQUENCY)
    reference, core = (shown(mu, sides) for sides in ((2e-3, 3.5e-3), USUAL))
    prior = section_prior(observation(core, USUAL), None)
    at = np.flatnonzero(FREQUENCY > 3e5)[0]
    truth = np.log(reference[at] / core[at])
    size = np.sqrt((prior.columns[at] ** 2).sum(axis=1))
    assert prior.mean[at].real < 0
    assert abs(truth.real - prior.mean[at].real) < size[0]


def test_a_thick_core_is_followed_only_below_its_resonance():
    prior = section_prior(observation(shown(relaxation(2300, 1.8e6, FREQUENCY), THICK), THICK), None)
    hidden = FREQUENCY[np.isnan(prior.mean)]
    epsilon, sigma = mnzn_dielectric(1e6)
    k = abs(wave_number_per_m(1e6, 2300 / (1 + 1 / 1.8), sigma, epsilon))
    # analytic: a bar resonates at k = π√(1/a² + 1/b²); a wave of k at 1 MHz does so about here
    resonance = 1e6 * np.pi * np.hypot(1 / THICK[0], 1 / THICK[1]) / k
    assert hidden.size
    assert 0.3 * resonance < hidden.min() < resonance
    assert not prior.columns[np.isnan(prior.mean)].any()


def test_curves_worked_out_agree_with_the_section_summed_term_by_term():
    mu = relaxation(2300, 1.8e6, FREQUENCY)
    known = observation(mu, THICK)
    table = tabulate([(FREQUENCY, mu)], FREQUENCY[0], FREQUENCY[-1])
    spread = class_properties(MaterialClass.MNZN).quantities["relative_permittivity"].spread * np.log(10)
    found = list(Ringing(known).curves(table, THIN))
    assert sum(curves.share for curves in found) == pytest.approx(1)
    x = np.log(FREQUENCY)
    for z, curves in zip(PERMITTIVITIES, found, strict=True):
        at = curves.table.start + GRID_STEP * np.arange(curves.table.log_reluctivity.shape[1])
        row = curves.table.log_reluctivity[0]
        speaks = ~np.isnan(row)
        rows = np.interp(x, at[speaks], row[speaks].real)
        # independent code: the series above; 5 % for the straight lines between the points worked out
        truth = -np.log(np.abs(mu * double_sine_series(mu, THICK, float(np.exp(spread * z)))))
        assert np.median(np.abs(rows - truth)) < 0.005
        assert np.quantile(np.abs(rows - truth), 0.9) < 0.05


def test_the_section_of_the_reference_is_taken_off_before_that_of_the_core_is_put_on():
    mu = relaxation(2300, 1.8e6, FREQUENCY)
    table = tabulate([(FREQUENCY, shown(mu, SECTION_M))], FREQUENCY[0], FREQUENCY[-1])
    known = observation(mu, SECTION_M)
    middle = next(Ringing(known).curves(table, SECTION_M)).table.log_reluctivity[0]
    # analytic: the same section off and on again, but for the rest that six steps leave
    speaks = ~np.isnan(middle)
    assert middle[speaks] == pytest.approx(table.log_reluctivity[0][speaks], abs=3e-4)


def test_curves_kept_for_the_next_specimen_are_those_of_its_own_section_reference_band_and_material():
    mu = relaxation(2300, 1.8e6, FREQUENCY)
    base = {"mu": mu, "own": THICK, "reference": THIN, "top": FREQUENCY[-1]}
    changes = [
        {},
        {"mu": 1.1 * mu},
        {"own": USUAL},
        {"reference": USUAL},
        {"reference": None},
        {"top": 2.9e6},
    ]
    kept, fresh = [], []
    for found in (kept, fresh):
        for change in changes:
            if found is fresh:
                _effects.cache_clear()
                _motions.cache_clear()
            found.append(_worked_out(**(base | change)))
    for one, other in zip(kept, fresh, strict=True):
        assert all(np.array_equal(a, b, equal_nan=True) for a, b in zip(one, other, strict=True))
    # columns too differ where only they can: a section supposed and one known to be the same
    supposed, stated = (_worked_out(**(base | {"reference": sides})) for sides in (None, SECTION_M))
    assert not any(np.array_equal(a, b) for a, b in zip(supposed[1::2], stated[1::2], strict=True))


def _worked_out(mu, own, reference, top):
    table = tabulate([(FREQUENCY, mu)], FREQUENCY[0], top)
    curves = Ringing(observation(mu, own)).curves(table, reference)
    return [part for one in curves for part in (one.table.log_reluctivity, one.columns)]


def test_ringing_points_are_worth_what_a_dense_covariance_says():
    known = observation(shown(relaxation(2300, 1.8e6, FREQUENCY), THICK), THICK)
    cut = 45
    rest = known.log_reluctivity[cut:] - known.log_reluctivity[cut - 5 : cut].mean()
    basis = deviation_basis(known.log_frequency[cut:], LENGTH)
    whitener = known.whitener[cut:]
    residual = known.at(np.arange(cut, 60)).whiten(rest)
    block = np.zeros((30, 30))
    block[:15, :15] = block[15:, 15:] = AMPLITUDE**2 * basis @ basis.T
    whole = np.zeros((30, 30))
    for i in range(15):
        whole[[i, i, i + 15], [i, i + 15, i + 15]] = whitener[i][[0, 0, 1], [0, 1, 1]]
        whole[i + 15, i] = whitener[i][1, 0]
    covariance = np.eye(30) + whole @ block @ whole.T
    _, log_det = np.linalg.slogdet(covariance)
    # analytic: the normal law, without its constant
    expected = -0.5 * (residual @ np.linalg.solve(covariance, residual) + log_det)
    assert log_evidence_of_ringing(known, cut) == pytest.approx(expected)
    assert log_evidence_of_ringing(known, 60) == 0.0


@pytest.mark.parametrize("ratio", [1e-4, 4e-4])
def test_a_gap_leaves_of_a_deviation_the_share_of_the_core(ratio):
    core = relaxation(2300, 1.8e6, FREQUENCY)
    behind, share = behind_gap(observation(1 / (1 / core + ratio), USUAL), ratio)
    moved = 1 / (1 / (core * 1.001) + ratio)
    change = np.abs(np.log(moved * (1 / core + ratio))) / np.log(1.001)
    low = slice(5, 40)
    # analytic: d ln μe / d ln μ = μe/μ; the smoothing of the data costs a percent
    assert share[low, 0, 0] == pytest.approx(change[low], rel=0.02)
    assert np.exp(-behind.log_reluctivity)[low] == pytest.approx(core[low], rel=0.03)


def test_without_a_gap_the_whole_deviation_is_seen():
    known = observation(relaxation(2300, 1.8e6, FREQUENCY), USUAL)
    behind, share = behind_gap(known, 0.0)
    assert behind is known
    assert (share == 1).all()


def test_a_gap_wider_than_the_data_allow_leaves_next_to_nothing():
    known = replace(observation(relaxation(2300, 1.8e6, FREQUENCY), USUAL))
    behind, share = behind_gap(known, 1.0)
    assert np.isfinite(behind.log_reluctivity).all()
    assert share.max() <= 1


def test_references_that_all_state_another_section_are_judged_and_the_right_one_named():
    """No reference follows the core over the whole band as it stands: all are worked out for its section."""
    small, names = (1.5e-3, 2.5e-3), {"a": (2300, 1.8e6), "b": (2300, 1.2e6), "c": (5500, 0.6e6)}
    library = grades(
        *(
            grade(
                name, level, corner, frequency=FREQUENCY, section_m=small,
                permeability=shown(relaxation(level, corner, FREQUENCY), small),
            )
            for name, (level, corner) in names.items()
        )
    )  # fmt: skip
    sweep = wound(shown(relaxation(2300, 1.8e6, FREQUENCY), USUAL), FREQUENCY)
    verdict = identify(ring(), sweep=sweep, library=library)
    first = verdict.candidates[0]
    assert first.points_used < FREQUENCY.size
    assert first.material == "a"
    assert first.probability > 0.9


@pytest.mark.parametrize(("sides", "doubted"), [(USUAL, False), ((2e-3, 4e-3), True)])
def test_a_reference_taken_on_the_section_of_the_core_shows_the_core_as_it_is(sides, doubted):
    seen = observation(shown(relaxation(10_000, 3e5, FREQUENCY), USUAL), USUAL)
    prior = section_prior_of(grade("a", 10_000, 3e5, section_m=sides), seen, other_section=False)
    assert bool(np.abs(prior.columns).max(initial=0.0) > NOTEWORTHY_DOUBT) is doubted
    assert (prior.followed < FREQUENCY.size) is doubted
