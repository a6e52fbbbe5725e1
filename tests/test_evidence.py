"""Evidence on the class: surface resistance and density."""

import numpy as np
import pytest

from identification import grade, ring
from whichcore.analysis.evidence import Density, evidence_of_specimen
from whichcore.analysis.materials import MaterialClass
from whichcore.analysis.probe import SurfaceResistance
from whichcore.analysis.specimen import EffectiveCore, Ring
from whichcore.analysis.types import Resistance

MNZN = grade("m", 2300, 1.8e6)
NIZN = grade("n", 800, 8e6, material_class=MaterialClass.NIZN)
POWDER = grade("p", 75, 5e7, material_class=MaterialClass.ALLOY_POWDER)


def odds(evidence, first, second):
    return evidence.log_likelihood(first) - evidence.log_likelihood(second)


@pytest.mark.parametrize("value", [1e3, 5e3, 30e3])
def test_kilohms_speak_for_manganese_zinc(value):
    # practice, no source: about a kilohm to some tens of kilohms speaks for MnZn
    assert odds(SurfaceResistance(Resistance(value)), MNZN, NIZN) > np.log(5)


def test_off_the_scale_speaks_for_nickel_zinc_but_a_coat_can_fool():
    # practice, no source: off the scale speaks for NiZn, or for an insulating coat
    evidence = SurfaceResistance(Resistance(20e6, over_range=True))
    assert np.log(2) < odds(evidence, NIZN, MNZN) < np.log(20)


def test_a_probe_reading_is_a_density_over_decades():
    decades = np.linspace(-6, 16, 8000)
    for material in (MNZN, NIZN, POWDER):
        density = [
            np.exp(SurfaceResistance(Resistance(float(10**d))).log_likelihood(material)) for d in decades
        ]
        beyond = np.exp(SurfaceResistance(Resistance(1e16, over_range=True)).log_likelihood(material))
        # analytic: what is read and what is off every scale add up to one; the thin tail and the share of
        # spoiled readings keep the sum near it
        assert np.trapezoid(density, decades) + beyond == pytest.approx(1, abs=0.02)


def test_over_range_falls_with_the_limit():
    for material in (MNZN, NIZN, POWDER):
        values = [
            SurfaceResistance(Resistance(float(r), over_range=True)).log_likelihood(material)
            for r in np.geomspace(1e3, 1e11, 30)
        ]
        assert np.all(np.diff(values) <= 1e-12)


def test_density_tells_powder_from_ferrite_not_the_ferrites():
    evidence = Density(4850.0, 120.0)
    assert odds(evidence, MNZN, POWDER) > np.log(10)
    assert abs(odds(evidence, MNZN, NIZN)) < np.log(5)


def test_an_impossible_density_excludes_nothing_alone():
    assert np.isfinite(Density(2.0e4, 100.0).log_likelihood(MNZN))


def test_a_density_of_no_solid_fits_no_class():
    """Milligrams for grams: 4.8 kg/m³ is that of a gas under pressure."""
    assert not Density(4.8, 0.1).plausible
    assert not Density(4.8e6, 1e5).plausible
    assert all(Density(value, 100.0).plausible for value in (2.5e3, 4.8e3, 8.0e3))


def test_density_of_a_bare_ring():
    volume = np.pi / 4 * (25e-3**2 - 15e-3**2) * 10e-3  # analytic
    (evidence,) = evidence_of_specimen(ring(mass_kg=4800 * volume))
    assert evidence.value_kg_m3 == pytest.approx(4800, rel=1e-3)
    assert 0.02 < evidence.standard_uncertainty_kg_m3 / 4800 < 0.06


def test_a_coat_is_weighed_with_the_ring():
    coat = 0.3e-3
    bare = np.pi / 4 * ((25e-3 - 2 * coat) ** 2 - (15e-3 + 2 * coat) ** 2) * (10e-3 - 2 * coat)
    gross = np.pi / 4 * (25e-3**2 - 15e-3**2) * 10e-3
    mass = 4800 * bare + 1300 * (gross - bare)
    (evidence,) = evidence_of_specimen(
        ring(core=Ring(25e-3, 15e-3, 10e-3, coating_thickness_m=coat), mass_kg=mass)
    )
    assert evidence.value_kg_m3 == pytest.approx(4800, rel=2e-3)


def test_no_volume_no_density():
    specimen = ring(core=EffectiveCore(1230.0, 2.5e7), dimension_uncertainties_m={}, mass_kg=0.02)
    assert evidence_of_specimen(specimen) == ()
