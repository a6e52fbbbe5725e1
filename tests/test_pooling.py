"""Dense sweeps: averaged for the comparison, never for what is reported."""

import numpy as np
import pytest

from identification import FREQUENCY, grade, grades, relaxation, ring, wound
from whichcore.analysis.identify import identify
from whichcore.analysis.pooling import pooled
from whichcore.analysis.types import ErrorSource, PermeabilitySpectrum, Scope
from whichcore.analysis.verdict import VerdictKind

DENSE = np.geomspace(1e3, 3e6, 3000)


def spectrum(frequency, sources=(), labels=None):
    scatter = np.broadcast_to(4.0 * np.eye(2), (frequency.size, 2, 2))
    return PermeabilitySpectrum(
        frequency, relaxation(2300, 1.8e6, frequency), scatter, sources, range_labels=labels
    )


class TestPooled:
    def test_a_sparse_spectrum_is_left_alone(self):
        # 120 points over 3.48 decades are 34 to the decade
        plain = spectrum(FREQUENCY)
        assert pooled(plain) is plain

    def test_means_stay_on_the_curve(self):
        few = pooled(spectrum(DENSE))
        # analytic: 40 to the decade over log10(3000) = 3.477 decades are 140 groups
        assert few.frequency_hz.size == 140
        assert np.all(np.diff(few.frequency_hz) > 0)
        # analytic: a quadratic mean over a group of 2.5 % of a decade errs by less than (0.0576)²/24 of μ
        np.testing.assert_allclose(few.permeability, relaxation(2300, 1.8e6, few.frequency_hz), rtol=1.4e-4)

    def test_the_covariance_is_that_of_a_mean(self):
        point = ErrorSource("reading", Scope.POINT, np.full(4, 3.0 + 0j))
        common = ErrorSource("load", Scope.SWEEP, np.array([1.0, 2, 3, 4]) + 0j)
        few = pooled(spectrum(np.array([1000.0, 1001, 1002, 1003]), (point, common)))
        # analytic: (4 + 3²)/4 and 4/4; the mean sensitivity 2.5
        np.testing.assert_allclose(few.scatter[0], np.diag([13 / 4, 1.0]))
        assert [source.id for source in few.sources] == ["load"]
        assert few.sources[0].sensitivity[0] == pytest.approx(2.5)

    def test_ranges_are_not_mixed(self):
        few = pooled(spectrum(np.array([1000.0, 1001, 1002, 1003]), labels=("a", "a", "b", "b")))
        assert few.range_labels == ("a", "b")


class TestVerdict:
    def test_a_dense_sweep_of_a_coarse_reference_still_names_it(self):
        """Between its own points a curve is off by more than thousands of points would forgive."""
        coarse = grade("coarse", 2300, 1.8e6, frequency=np.geomspace(1e2, 3e7, 40))
        other = grade("other", 2300, 0.6e6)
        sweep = wound(relaxation(2300, 1.8e6, DENSE), DENSE, noise=0.002)
        verdict = identify(ring(), sweep=sweep, library=grades(coarse, other))
        assert verdict.kind is VerdictKind.MATERIAL
        assert verdict.materials == ("coarse",)
        assert verdict.spectrum.frequency_hz.size == DENSE.size
        assert verdict.initial_permeability.frequency_hz == DENSE[0]
        assert verdict.candidates[0].fitted.shape == DENSE.shape
        assert any("were averaged into 140" in warning for warning in verdict.warnings)
