"""A calibration between its frequencies: unchanged at its own, honest between them, refused beyond.

The readings come from the circuit written down in ``test_error_model``, at the wanted frequencies themselves.
"""

from __future__ import annotations

import warnings
from dataclasses import replace

import numpy as np
import pytest

from test_error_model import CASES, GROUND, SHUNT, as_vector, noisy, source, specimen
from whichcore.analysis.types import ErrorSource, ImpedanceSweep, Scope
from whichcore.calibration.fingerprint import Fingerprint
from whichcore.calibration.models import model_from_dict
from whichcore.calibration.open_short_load import OpenShortLoad
from whichcore.calibration.quality import quality
from whichcore.calibration.ratio import Ratio
from whichcore.calibration.setup import Setup
from whichcore.calibration.standards import Known, Load, Open
from whichcore.errors import CalibrationError, InputError, WhichcoreWarning
from whichcore.measure.calibration_file import StoredCalibration
from whichcore.measure.channel_ranges import ChannelRanges

OWN = np.geomspace(1e3, 3e6, 36)  # ten a decade, as a bench is calibrated
THIRDS = [OWN[:-1] ** (1 - t) * OWN[1:] ** t for t in (1 / 3, 2 / 3)]
DENSE = np.sort(np.concatenate([OWN, *THIRDS]))
BETWEEN = ~np.isin(DENSE, OWN)

every_case = pytest.mark.parametrize("case", CASES.values(), ids=CASES.keys())


def parts_seen():
    """Return impedances from far below the leads to far above: the amplified ends show errors of M."""
    return {
        "a tenth of an ohm": 0.1 + 0 * DENSE,
        "a coil": specimen(DENSE),
        "hundred ohms": 100.0 + 0 * DENSE,
        "a kilohm, reactive": 1e3j + 0 * DENSE,
    }


def added(sweep: ImpedanceSweep):
    """Return the standard uncertainty the interpolation states, both components together."""
    found = [abs(s.sensitivity) ** 2 for s in sweep.sources if "interpolation" in s.id]
    return np.sqrt(sum(found, np.zeros(sweep.frequency_hz.size)))


# -- at calibrated frequencies -------------------------------------------------------------------------------


@every_case
def test_calibrated_frequencies_stay_as_they_are_bit_for_bit(case):
    model = case.solve(OWN, noise=noisy(np.random.default_rng(1)))
    dense = model.on(DENSE)
    np.testing.assert_array_equal(dense.matrix[~BETWEEN], model.matrix)
    np.testing.assert_array_equal(dense.condition[~BETWEEN], model.condition)
    np.testing.assert_array_equal(dense.details["interpolated"], BETWEEN)
    own = {item.id: item for item in dense.perturbations}
    for item in model.perturbations:
        np.testing.assert_array_equal(own.pop(item.id).matrix[~BETWEEN], item.matrix)
    for item in own.values():  # what is left are the errors of the interpolation, none at calibrated points
        assert "interpolation of" in item.id
        assert item.scope is Scope.SPECIMENS
        assert not item.matrix[~BETWEEN].any()


@every_case
def test_its_own_frequencies_all_or_some_are_no_interpolation(case):
    model = case.solve(OWN)
    assert model.on(OWN) is model
    some = model.on(OWN[3:30:4])
    np.testing.assert_array_equal(some.matrix, model.matrix[3:30:4])
    assert [item.id for item in some.perturbations] == [item.id for item in model.perturbations]
    assert "interpolated" not in some.details


@every_case
def test_an_interpolated_model_survives_storage_and_corrects(case):
    dense = case.solve(OWN).on(DENSE)
    back = model_from_dict(dense.to_dict())
    pair = case.bench.read(specimen(DENSE), 1.0, DENSE)
    np.testing.assert_array_equal(back.correct(pair).impedance_ohm, dense.correct(pair).impedance_ohm)
    np.testing.assert_array_equal(back.details["interpolated"], BETWEEN)


# -- between them --------------------------------------------------------------------------------------------


@pytest.mark.parametrize("per_decade", [5, 10, 20])
@every_case
def test_the_true_error_lies_inside_the_stated_one(case, per_decade):
    """Analytic: the circuit's own voltages between the calibrated frequencies, no noise.

    The stated term is the next of the polynomial; the true error must not pass twice that in any component
    and not be an excuse: nowhere a hundred times the largest true error of the band.
    """
    own = np.geomspace(1e3, 3e6, round(per_decade * np.log10(3000)) + 1)
    model = case.solve(own)
    wanted = np.sort(np.concatenate([own[:-1] ** (1 - t) * own[1:] ** t for t in (0.1, 0.35, 0.5, 0.8)]))
    dense = model.on(wanted)
    for z in (0.1 + 0 * wanted, specimen(wanted), 100.0 + 0 * wanted, 1e3j + 0 * wanted):
        swept = dense.correct(case.bench.read(z, 1.0, wanted))
        error, stated = abs(swept.impedance_ohm - z), added(swept) / np.sqrt(2)  # both phases are stated
        rounding = 1e-11 * (abs(z) + 10.0)  # of the fit, on the scale of the shunt
        assert np.all(error < 2 * stated + rounding)
        assert stated.max() < 100 * error.max() + rounding[0]
        seen = error > 100 * rounding
        assert not seen.any() or np.median(error[seen] / stated[seen]) > 0.05


def test_ten_points_a_decade_are_enough_for_a_usual_bench():
    """Computed: |error|/|Z| of a coil with 36 frequencies to 3 MHz stays below 2e-4, by both statements."""
    for name in ("open-short-load, shunt at ground", "open-short-load, specimen at ground"):
        case = CASES[name]
        swept = case.solve(OWN).on(DENSE).correct(case.bench.read(specimen(DENSE), 1.0, DENSE))
        assert np.max(abs(swept.impedance_ohm / specimen(DENSE) - 1)) < 2e-4
        assert np.max(added(swept) / abs(specimen(DENSE))) < 3e-4


@every_case
def test_errors_of_the_standards_follow_as_if_calibrated_there(case):
    """A tolerance moves Z between the points as a calibration taken right there would have it."""
    between, there = case.solve(OWN).on(DENSE), case.solve(DENSE)
    for z in parts_seen().values():
        pair = case.bench.read(z, 1.0, DENSE)
        ours, theirs = between.correct(pair), there.correct(pair)
        for item in theirs.sources:
            off = abs(source(ours, item.id).sensitivity - item.sensitivity)
            # second order, an error of an error; or less than a millionth of what is measured
            assert np.all(off < 0.03 * abs(item.sensitivity) + 1e-6 * abs(z)), item.id


@pytest.mark.parametrize(
    "name",
    [
        "open-short, specimen at ground",
        "open-short-load, shunt at ground",
        pytest.param("open-short, shunt at ground", marks=pytest.mark.soak),
        pytest.param("open-short-load, specimen at ground", marks=pytest.mark.soak),
        pytest.param("five standards", marks=pytest.mark.soak),
    ],
)
def test_frozen_noise_is_never_stated_too_small(name):
    """Monte Carlo over 120 calibrations: pointwise, and for means and steps of new points.

    The stated covariance, blind to what new points have in common, must exceed the true one in each of these
    directions. A sample variance of 120 draws has a relative standard deviation of √(2/120) = 0.13; four
    of them are allowed for.
    """
    case, draws = CASES[name], 120
    z = specimen(DENSE)
    pair = case.bench.read(z, 1.0, DENSE)
    errors, stated = [], np.zeros((DENSE.size, 2, 2))
    for seed in range(draws):
        swept = case.solve(OWN, noise=noisy(np.random.default_rng(seed))).on(DENSE).correct(pair)
        errors.append(as_vector(swept.impedance_ohm - z)[BETWEEN])
        columns = np.stack([as_vector(s.sensitivity) for s in swept.sources if "noise of" in s.id], axis=-1)
        stated += columns @ np.swapaxes(columns, 1, 2) / draws
    lower = np.linalg.inv(np.linalg.cholesky(stated[BETWEEN]))
    white = np.einsum("fij,dfj->dfi", lower, np.array(errors) - np.mean(errors, axis=0))
    limit = 1 + 4 * np.sqrt(2 / draws)
    pointwise = np.linalg.eigvalsh(np.einsum("dfi,dfj->fij", white, white) / draws)
    assert pointwise.max() < limit
    assert np.median(pointwise[:, 1]) > 0.1  # and it is not blown up beyond reason
    count = white.shape[1]
    alternating = np.where(np.arange(count) % 2, 1.0, -1.0)
    shapes = [np.ones(count), alternating, np.arange(count) < 6, np.arange(count) - count / 2]
    for shape in shapes:
        direction = shape / np.linalg.norm(shape)
        for part in range(2):
            assert np.var(white[:, :, part] @ direction) < limit


def test_a_known_part_lends_its_shared_noise_between_the_points_too():
    """A source that a known curve shares by point keeps id and scope, and its size within a small factor."""
    f = OWN
    curve = ImpedanceSweep(
        f,
        np.full(f.size, 20.0 + 0j),
        np.zeros((f.size, 2, 2)),
        (
            ErrorSource(
                "calibration old: noise of load, 1", Scope.SPECIMENS_POINT, np.full(f.size, 0.02 + 0j)
            ),
        ),
    )
    case = replace(CASES["open-short-load, shunt at ground"], standards=(Open(), Load(50.0), Known(curve)))
    dense = case.solve(f).on(DENSE)
    swept = dense.correct(case.bench.read(20.0, 1.0, DENSE))
    size = abs(source(swept, "calibration old: noise of load, 1").sensitivity)
    assert source(swept, "calibration old: noise of load, 1").scope is Scope.SPECIMENS_POINT
    np.testing.assert_allclose(size[~BETWEEN], 0.02, rtol=1e-6)  # analytic: Z is the known part
    # analytic: √(Σ|w| (1 + 2 Σ|w|)) = 2.1 with the cubic's Σ|w| = 1.25 in the middle of an interval: two new
    # points in each, and the calibrated one; up to 3 in the last, whose points four new ones lean on
    assert np.all((size[BETWEEN] > 0.02) & (size[BETWEEN] < 0.06))
    assert np.median(size[BETWEEN]) < 0.02 * 2.15


def test_the_phase_of_the_fit_at_each_frequency_does_not_matter():
    """Only ratios of M mean anything: another factor at each frequency gives the same Z and uncertainty."""
    case = CASES["open-short-load, shunt at ground"]
    model = case.solve(OWN, noise=noisy(np.random.default_rng(3), size=1e-6))
    rng = np.random.default_rng(4)
    turn = (rng.normal(size=OWN.size) + 1j * rng.normal(size=OWN.size))[:, None, None]
    changed = tuple(
        # an error along M moves no impedance, whatever its size
        replace(item, matrix=turn * (item.matrix + rng.normal() * model.matrix))
        for item in model.perturbations
    )
    turned = replace(model, matrix=turn * model.matrix, perturbations=changed)
    pair = case.bench.read(specimen(DENSE), 1.0, DENSE)
    one, two = model.on(DENSE).correct(pair), turned.on(DENSE).correct(pair)
    np.testing.assert_allclose(one.impedance_ohm, two.impedance_ohm, rtol=1e-9)
    for s, t in zip(one.sources, two.sources, strict=True):
        if s.scope is Scope.SPECIMENS:
            np.testing.assert_allclose(abs(t.sensitivity), abs(s.sensitivity), rtol=1e-5, atol=1e-12)


# -- refusals ------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("wanted", [999.0, 3.0001e6, 1e9])
def test_outside_the_band_is_refused(wanted):
    model = CASES["open-short-load, shunt at ground"].solve(OWN)
    with pytest.raises(CalibrationError, match=r"Hz: .*outside the calibration.*nothing is stretched"):
        model.on(np.array(sorted([2e3, wanted])))


@pytest.mark.parametrize("bad", [[], [2e3, 2e3], [3e3, 2e3], [0.0], [-1e3], [np.nan], [np.inf], [[2e3]]])
def test_a_grid_that_is_none_is_refused(bad):
    with pytest.raises(InputError, match="positive and strictly increasing"):
        CASES["ratio, shunt at ground"].solve(OWN).on(np.array(bad))


def test_points_too_far_apart_are_refused_and_named():
    model = CASES["ratio, shunt at ground"].solve(np.array([1e3, 1.5e3, 2e3, 3e3, 7e3, 9e3, 1.2e4]))
    model.on(np.array([1.2e3, 2.5e3, 8e3]))
    with pytest.raises(
        CalibrationError, match=r"^5000 Hz: .*too far apart; got a ratio of 2.33; allowed: up to 2"
    ):
        model.on(np.array([1.2e3, 5e3]))
    with pytest.raises(CalibrationError, match="too few frequencies"):
        CASES["ratio, shunt at ground"].solve(np.array([1e3, 1.5e3, 2e3, 3e3])).on(np.array([1.7e3]))


def test_a_bend_too_sharp_for_the_points_is_refused_with_a_density_that_would_do():
    """Analytic: a resonance of Q 30 at 300 kHz between channel A and the node, ten points a decade."""

    def model(f):
        bend = 1 + 0.3 / (1 + 30j * (f / 3e5 - 3e5 / f))
        plain = Ratio.solve((), Setup(Fingerprint(GROUND), f, shunt=SHUNT))
        return replace(plain, matrix=plain.matrix * np.stack([bend, np.ones_like(bend)], axis=-1)[:, None, :])

    with pytest.raises(CalibrationError, match=r"bends or scatters.*points per decade or more") as caught:
        model(OWN).on(DENSE)
    advice, told = 10.0, caught.value
    for _ in range(4):  # the law of the fourth power holds once the polynomial converges: a few rounds
        better = float(told.next_step.split("calibrate at ")[1].split()[0])
        assert better > advice
        advice = better
        finer = np.geomspace(1e3, 3e6, int(np.ceil(advice * np.log10(3000))) + 1)
        try:
            model(finer).on(np.sqrt(finer[1:] * finer[:-1]))
            break
        except CalibrationError as error:
            told = error
    assert advice < 100
    away = DENSE[DENSE < 5e4]
    model(OWN).on(away)  # far from the resonance the same calibration serves


def test_one_bad_point_is_no_bend_of_the_bench():
    """A calibration that scatters by more than a hundredth at one point is not read beside it."""
    model = CASES["ratio, shunt at ground"].solve(OWN)
    matrix = model.matrix.copy()
    matrix[20, 0] *= 1.1
    with pytest.raises(CalibrationError, match="bends or scatters"):
        replace(model, matrix=matrix).on(DENSE)


# -- as a sweep uses it --------------------------------------------------------------------------------------


def stored():
    law = np.zeros((1, 4))
    ranges = ChannelRanges(np.ones(1), np.ones(1), law, law, np.zeros((1, 1)), np.zeros((1, 1)))
    return StoredCalibration(CASES["open-short-load, shunt at ground"].solve(OWN), ranges, {})


def test_more_points_than_the_calibration_has_lie_between_its_own():
    kept = stored()
    assert kept.grid(None, None, None) == tuple(OWN)
    assert set(kept.grid(None, None, 5)) < set(OWN)
    assert kept.grid(None, None, 10) == tuple(OWN)  # its own density is no reason to leave its points
    dense = kept.grid(2e3, 2e6, 20)
    assert (dense[0], dense[-1]) == (2e3, 2e6)
    assert len(dense) == 61  # three decades and both ends
    np.testing.assert_allclose(np.diff(np.log10(dense)), 0.05, rtol=1e-3)
    with pytest.raises(CalibrationError, match="leaves that of the calibration"):
        kept.grid(2e3, 4e6, 20)
    twice = kept.grid(None, None, 20)
    assert set(OWN) <= set(twice)  # calibrated frequencies are taken where they agree


def test_reading_between_the_points_is_said_once_with_what_it_adds():
    kept = stored()
    with pytest.warns(
        WhichcoreWarning, match=r"of 61 frequencies lie between.* adds up to .* % of \|Z\|"
    ) as told:
        at = kept.at(kept.grid(2e3, 2e6, 20))
    assert len(told) == 1
    share = float(str(told[0].message).split("up to ")[1].split(" %")[0])
    assert 1e-4 < share < 1.0  # computed above: 3e-4 of one ohm at 3 MHz
    assert any("interpolation" in item.id for item in at.correction.model.perturbations)
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        assert kept.at(kept.grid(None, None, None)).model is kept.model


def test_the_quality_of_an_interpolated_model_is_that_of_its_neighbours():
    case = CASES["five standards"]
    model = case.solve(OWN, noise=noisy(np.random.default_rng(7)))
    dense = quality(model.on(DENSE))
    assert [row.misfit_max for row in dense.rows] == [row.misfit_max for row in quality(model).rows]
    assert isinstance(model, OpenShortLoad)
