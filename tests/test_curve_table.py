"""Reference curves between their own points."""

import numpy as np
import pytest

from identification import grade, grades, relaxation, ring, wound
from whichcore.analysis.curve_table import tabulate
from whichcore.analysis.identify import identify
from whichcore.analysis.verdict import VerdictKind

AT = np.geomspace(2e3, 2e7, 400)
#: Five points a decade, as many as a hand-traced sheet gives.
SPARSE = np.geomspace(1e3, 3e7, 23)


def between(permeability):
    """Return λ of a sparse curve at the frequencies AT."""
    table = tabulate([(SPARSE, permeability)], float(AT[0]), float(AT[-1]))
    return table.shifted(np.log(AT), np.array([0]))[0, 0]


@pytest.mark.parametrize("corner_hz", [1e5, 7e5, 5e6])
def test_a_relaxation_comes_back_from_five_points_a_decade(corner_hz):
    error = between(relaxation(2300, corner_hz, SPARSE)) + np.log(relaxation(2300, corner_hz, AT))
    # computed here: 0.15 %; from μ′ and μ″ themselves it was 0.4 %
    assert np.abs(error).max() < 2e-3


def test_a_small_loss_keeps_its_power_law():
    """Analytic: far below its corner the loss angle of a relaxation is f/f_c, up to (0.04)²/8 of the grid."""
    low = AT < 1e5
    angle = between(relaxation(2300, 2e8, SPARSE)).imag
    np.testing.assert_allclose(angle[low], AT[low] / 2e8, rtol=5e-4)


def test_a_curve_without_loss_at_some_points_is_read_all_the_same():
    curve = relaxation(2300, 1.8e6, SPARSE)
    curve[:3] = curve[:3].real
    assert np.all(np.isfinite(between(curve)))


def test_a_hand_traced_reference_names_its_own_material():
    sparse = grade("sparse", 2300, 1.8e6, frequency=np.geomspace(1e2, 3e7, 24))
    other = grade("other", 2300, 0.6e6)
    sweep = wound(relaxation(2300, 1.8e6), noise=0.002)
    verdict = identify(ring(), sweep=sweep, library=grades(sparse, other))
    assert verdict.kind is VerdictKind.MATERIAL
    assert verdict.materials == ("sparse",)
