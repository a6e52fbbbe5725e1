"""Each reason for refusing a curve, on synthetic curves that are good but for one fault."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from whichcore.analysis.materials import MaterialClass
from whichcore.analysis.screening import (
    COPPER_OF_MODULUS,
    COPPER_SHARE,
    MOST_POINTS,
    CleanCurve,
    RawCurve,
    Reason,
    Refusal,
    screen,
    screen_curve,
)

STATIC = 2300.0
CORNER_HZ = 2.2e6  # Snoek product 5 GHz, the middle of the MnZn window


def law(frequency_hz, static=STATIC, corner_hz=CORNER_HZ):
    return 1 + (static - 1) / (1 + 1j * frequency_hz / corner_hz)


def raw(curve=None, frequency_hz=None, **changes):
    frequency_hz = np.geomspace(1e4, 3e7, 70) if frequency_hz is None else frequency_hz
    curve = law(frequency_hz) if curve is None else curve
    good = RawCurve(
        "grade", "maker", MaterialClass.MNZN, STATIC, frequency_hz, curve.real, frequency_hz, -curve.imag
    )
    return replace(good, **changes)


def refusal(curve):
    outcome = screen_curve(curve)
    assert isinstance(outcome, Refusal), outcome.notes
    return outcome


def accepted(curve):
    outcome = screen_curve(curve)
    assert isinstance(outcome, CleanCurve), outcome.detail
    return outcome


def test_good_curve_passes_unchanged():
    clean = accepted(raw())
    assert clean.notes == ()
    # analytic: the law itself; its own points are kept, so only rounding is left
    assert clean.permeability == pytest.approx(law(clean.frequency_hz), rel=1e-9)
    # analytic: the loss of a relaxation peaks at its corner; half a grid step of 12 %
    assert clean.corner_hz == pytest.approx(CORNER_HZ, rel=0.06)


def test_parts_on_different_grids_meet_on_the_common_span():
    f, g = np.geomspace(1e4, 2e7, 90), np.geomspace(3e4, 3e7, 61)
    clean = accepted(raw(real_hz=f, real=law(f).real, imag_hz=g, imag=-law(g).imag))
    assert clean.frequency_hz[0] == pytest.approx(3e4)
    assert clean.frequency_hz[-1] == pytest.approx(2e7)
    # analytic: the law; 0.2 % is a monotone cubic across 10 % of frequency
    assert np.abs(clean.permeability / law(clean.frequency_hz) - 1).max() < 2e-3


def test_thinning_keeps_the_shape():
    dense = np.geomspace(1e3, 3e7, 1601)  # μ′ passes zero at 96 MHz, where no relative error is fair
    resonant = 1 + 2299 * 2e6**2 / (2e6**2 - dense**2 + 1j * dense * 8e5)  # quality 2.5
    clean = accepted(raw(resonant, dense))
    assert clean.frequency_hz.size == MOST_POINTS
    back = np.interp(np.log(dense), np.log(clean.frequency_hz), clean.permeability)
    # computed: chord error (Δ ln f)²/8 · Q² of a line of quality 2.5 on 30 points a decade: 0.5 %
    assert np.sqrt(np.mean(np.abs(back / resonant - 1) ** 2)) < 0.005


def test_unsorted_points_are_sorted_and_equal_ones_averaged():
    good = raw()
    order = np.random.default_rng(1).permutation(good.real_hz.size)
    doubled = np.append(good.imag_hz, good.imag_hz[3])
    mixed = replace(
        good,
        real_hz=good.real_hz[order],
        real=good.real[order],
        imag_hz=doubled,
        imag=np.append(good.imag, good.imag[3]),
    )
    assert accepted(mixed).permeability == pytest.approx(accepted(good).permeability, rel=1e-12)


def test_two_values_at_one_frequency_are_refused():
    good = raw()
    doubled = replace(
        good, imag_hz=np.append(good.imag_hz, good.imag_hz[30]), imag=np.append(good.imag, 3 * good.imag[30])
    )
    assert refusal(doubled).reason is Reason.AMBIGUOUS


def test_values_that_are_no_numbers_are_refused():
    good = raw()
    assert (
        refusal(replace(good, real=np.where(good.real_hz > 1e6, np.nan, good.real))).reason is Reason.BROKEN
    )


@pytest.mark.parametrize("points", [0, 1, 10])
def test_too_few_points(points):
    f = np.geomspace(1e5, 1e7, points)
    good = raw()
    assert refusal(replace(good, imag_hz=f, imag=-law(f).imag)).reason is Reason.TOO_FEW_POINTS


def test_too_few_points_a_decade():
    # 26 points on nine decades are 2.9 a decade
    f = np.geomspace(1, 1e9, 26)
    assert refusal(raw(frequency_hz=f)).reason is Reason.TOO_FEW_POINTS


def test_parts_that_do_not_overlap():
    low, high = np.geomspace(1e3, 1e6, 40), np.geomspace(5e5, 1e8, 40)
    apart = raw(real_hz=low, real=law(low).real, imag_hz=high, imag=-law(high).imag)
    assert refusal(apart).reason is Reason.NO_OVERLAP


def test_negative_tail_is_cut_and_said():
    good = raw()
    broken = np.where(good.imag_hz > 1.5e7, -5.0, good.imag)
    clean = accepted(replace(good, imag=broken))
    assert clean.frequency_hz[-1] < 1.5e7
    assert any("cut above" in note for note in clean.notes)


def test_noise_below_zero_at_the_low_end_is_cut_and_said():
    good = raw()
    broken = np.where(good.imag_hz < 2e4, -1.0, good.imag)
    clean = accepted(replace(good, imag=broken))
    assert clean.frequency_hz[0] >= 2e4
    assert any("cut below" in note for note in clean.notes)


def test_negative_ends_that_leave_less_than_a_decade_are_refused():
    good = raw()
    outside = (good.imag_hz < 1e6) | (good.imag_hz > 6e6)
    assert refusal(replace(good, imag=np.where(outside, -1.0, good.imag))).reason is Reason.BROKEN


@pytest.mark.parametrize("factor", [0.75, 1.3, 30.0])
def test_label_off_by_more_than_its_tolerance(factor):
    assert refusal(raw(declared_permeability=STATIC * factor)).reason is Reason.LABEL


@pytest.mark.parametrize("factor", [0.85, 1.2, None])
def test_label_within_its_tolerance(factor):
    # practice: ±25 % for the initial permeability of a grade
    accepted(raw(declared_permeability=factor and STATIC * factor))


def test_kilohertz_stored_as_hertz():
    good = raw()
    thousandth = replace(good, real_hz=good.real_hz / 1000, imag_hz=good.imag_hz / 1000)
    assert refusal(thousandth).reason is Reason.UNIT
    accepted(replace(thousandth, material_class=MaterialClass.NANOCRYSTALLINE))


@pytest.mark.parametrize("factor", [0.05, 0.2, 10.0])
def test_a_corner_off_by_less_than_the_unit_is_no_reason(factor):
    """Eddy-, wall- and section-limited curves break the law rightly."""
    f = np.geomspace(1e4, 3e7, 70) * factor
    accepted(raw(law(f, corner_hz=CORNER_HZ * factor), f))


def test_a_ripple_is_not_taken_for_the_corner():
    """Else a low-loss curve with a ripple at its quiet end would be refused for its unit."""
    good = raw(law(np.geomspace(1e3, 1e6, 60)), np.geomspace(1e3, 1e6, 60))
    ripple = good.imag.copy()
    ripple[5] *= 1.5
    assert accepted(replace(good, imag=ripple)).corner_hz is None


def test_curve_that_ends_before_its_corner_is_noted():
    f = np.geomspace(1e4, 1e6, 50)
    clean = accepted(raw(frequency_hz=f))
    assert clean.corner_hz is None
    assert "corner not seen" in clean.notes


def test_curve_that_shows_no_dispersion_is_refused():
    f = np.geomspace(1e3, 1e5, 50)  # analytic: loss tangent 0.045 at 100 kHz
    assert refusal(raw(frequency_hz=f)).reason is Reason.NO_DISPERSION


def test_winding_is_cut_and_said():
    f = np.geomspace(1e3, 3e7, 90)
    copper = 0.05 * STATIC * 1e3 / f
    clean = accepted(raw(law(f) - 1j * copper, f))
    loss = (STATIC - 1) * (f / CORNER_HZ) / (1 + (f / CORNER_HZ) ** 2)
    clear = (copper < COPPER_SHARE * (loss + copper)) | (copper < COPPER_OF_MODULUS * np.abs(law(f)))
    # analytic: where the residue put in falls below a fifth of μ″ or 0.3 % of |μ|; one grid step of 12 %
    assert clean.frequency_hz[0] == pytest.approx(f[clear][0], rel=0.13)
    assert any("winding" in note for note in clean.notes)


def test_small_winding_residue_stays():
    f = np.geomspace(1e3, 3e7, 90)
    clean = accepted(raw(law(f) - 1j * 0.002 * STATIC * 1e3 / f, f))
    assert clean.frequency_hz[0] == pytest.approx(1e3)


def test_winding_up_to_the_loss_peak_is_refused():
    f = np.geomspace(1e4, 3e7, 90)
    assert refusal(raw(law(f) - 1j * 60 * STATIC * 1e4 / f, f)).reason is Reason.WINDING


def test_winding_that_leaves_a_decade_but_not_the_flank_is_refused():
    f = np.geomspace(1e4, 3e8, 120)
    outcome = refusal(raw(law(f) - 260j * 1e6 / f, f))
    assert outcome.reason is Reason.WINDING
    assert "near its loss peak" in outcome.detail


def test_rise_of_the_first_points_alone_is_not_taken_for_winding():
    f = np.geomspace(3e5, 3e8, 90)
    copper = 0.3 * -law(f[:1]).imag * f[0] / f  # 23 % of μ″ at the first point, below a fifth from ×1.1 on
    clean = accepted(raw(law(f) - 1j * copper, f))
    assert clean.frequency_hz[0] == pytest.approx(3e5)
    assert clean.notes == ()


def test_false_pairing_is_refused():
    good = raw()
    paired = replace(good, imag=-law(good.imag_hz, corner_hz=1e6).imag)
    assert refusal(paired).reason is Reason.NOT_CAUSAL


def test_acausal_tail_is_cut_and_said():
    good = raw()
    clean = accepted(replace(good, real=np.where(good.real_hz > 1.5e7, -400.0, good.real)))
    assert clean.frequency_hz[-1] < 1.5e7
    assert clean.corner_hz is not None
    assert any("not causal" in note for note in clean.notes)


def family(*curves, name="maker"):
    return [replace(curve, id=f"{name}-{index}", family=name) for index, curve in enumerate(curves)]


def graded(static, factor=1.0, **changes):
    f = np.geomspace(1e4, 3e7, 70)
    curve = factor * law(f, static, 5e9 / static)
    return raw(curve, f, **{"declared_permeability": static * factor, **changes})


def test_scaled_copy_is_refused_and_the_original_kept():
    result = screen(family(graded(1800), graded(2300, 1.1, declared_permeability=2300.0), graded(2300)))
    assert [curve.id for curve in result.accepted] == ["maker-0", "maker-2"]
    (copy,) = result.refused
    assert (copy.id, copy.reason) == ("maker-1", Reason.COPY)
    assert "1.1 times" in copy.detail  # analytic: the factor put in
    assert "maker-2" in copy.detail


def test_copy_over_part_of_the_span_is_found():
    short = graded(2300)
    short = replace(short, real_hz=short.real_hz[:50], real=short.real[:50])
    result = screen(family(short, graded(2300), graded(1500), graded(3000)))
    assert [item.reason for item in result.refused] == [Reason.COPY]


def test_similar_grades_are_not_copies():
    # a corner 4 % higher at the same permeability: less than two lots of one grade differ by
    f = np.geomspace(1e4, 3e7, 70)
    result = screen(family(raw(law(f), f), raw(law(f, corner_hz=1.04 * CORNER_HZ), f)))
    assert len(result.accepted) == 2


def test_family_falls_when_more_than_a_third_fails():
    wrong = graded(2300, declared_permeability=5000.0)
    trusted = screen(family(graded(1500), graded(2300), wrong))  # exactly a third
    assert [item.reason for item in trusted.refused] == [Reason.LABEL]
    fallen = screen(
        family(graded(1500), graded(2300), graded(3000), wrong, wrong) + family(graded(2000), name="other")
    )
    assert [curve.id for curve in fallen.accepted] == ["other-0"]
    reasons = [item.reason for item in fallen.refused]
    assert reasons == [Reason.FAMILY] * 3 + [Reason.LABEL] * 2
    assert "2 of the 5" in fallen.refused[0].detail


def test_every_curve_has_exactly_one_outcome():
    curves = family(graded(1500), graded(2300), graded(2300, declared_permeability=9000.0), graded(1500))
    result = screen(curves)
    names = [item.id for item in (*result.accepted, *result.refused)]
    assert sorted(names) == [curve.id for curve in curves]


def test_nothing_to_screen():
    assert screen([]).accepted == ()
