"""A known core becomes reference material."""

from dataclasses import replace

import numpy as np
import pytest

from whichcore.analysis.materials import MaterialClass
from whichcore.analysis.permeability import impedance_of
from whichcore.analysis.specimen import Crack, Pair, Ring, Rod, Specimen, Winding
from whichcore.analysis.types import ImpedanceSweep
from whichcore.errors import AnalysisError, InputError
from whichcore.files import load_material, write_material
from whichcore.known_core import GradeLabel, material_of_core

LABEL = GradeLabel("mine", "Mine", MaterialClass.NIZN, 0.2, "own", "own data")
FREQUENCY = np.geomspace(1e4, 3e6, 25)
CURVE = 1 + 799 / (1 + 1j * FREQUENCY / 6e6)
RING = Ring(25e-3, 15e-3, 10e-3)


def _specimen(core=RING, **more):
    return Specimen(core, Winding(8, wire_diameter_m=0.4e-3, wire_length_m=0.3), **more)


def _sweep(specimen, curve=CURVE, relative=1e-4):
    z = impedance_of(curve, FREQUENCY, specimen)
    scatter = (relative * np.abs(z))[:, None, None] ** 2 * np.eye(2)
    return ImpedanceSweep(FREQUENCY, z, scatter, flux_density_t=np.full(FREQUENCY.size, 2e-4))


def test_the_curve_is_that_of_the_core():
    """Analytic: impedance of a known permeability and back is the identity."""
    specimen = _specimen(mass_kg=15e-3, temperature_c=22.0)
    material, notes = material_of_core(specimen, _sweep(specimen), LABEL)
    np.testing.assert_allclose(material.permeability, CURVE, rtol=1e-9)
    assert material.initial_permeability == pytest.approx(CURVE[0].real, rel=1e-9)
    assert material.section_m == pytest.approx((5e-3, 10e-3))  # analytic: half the difference, the height
    # analytic: π/4 (25² − 15²) 10 mm³ = 3141.59 mm³
    assert material.density_kg_m3 == pytest.approx(15e-3 / 3.14159265e-6, rel=1e-6)
    assert (material.tolerance, material.temperature_c, material.flux_density_t) == (0.2, 22.0, 2e-4)
    assert notes == ()


def test_it_survives_the_library(tmp_path):
    specimen = _specimen()
    material, _ = material_of_core(specimen, _sweep(specimen), LABEL)
    again = load_material(write_material(tmp_path, material))
    np.testing.assert_array_equal(again.permeability, material.permeability)
    assert again.section_m == material.section_m


def test_the_noise_of_the_sweep_is_not_kept():
    """The smooth course lies nearer to the truth (known) than the points that were swept."""
    specimen, rng = _specimen(), np.random.default_rng(5)
    noise = 0.01 * (rng.normal(size=FREQUENCY.size) + 1j * rng.normal(size=FREQUENCY.size))
    swept = _sweep(specimen, relative=0.01)
    noisy = replace(swept, impedance_ohm=swept.impedance_ohm * (1 + noise))
    material, notes = material_of_core(specimen, noisy, LABEL)
    truth = np.interp(material.frequency_hz, FREQUENCY, CURVE)
    assert (material.curve_deviation, material.swept) == (0.03, True)  # practice, CORE_TO_CORE
    assert np.sqrt(np.mean(abs(material.permeability / truth - 1) ** 2)) < 0.6 * np.sqrt(2) * 0.01
    assert any("smooth course" in note for note in notes)


def test_a_cracked_core_makes_no_reference():
    specimen = _specimen(crack=Crack.SEEN)
    with pytest.raises(InputError, match="a cracked core makes no reference"):
        material_of_core(specimen, _sweep(specimen), LABEL)
    looked = _specimen(crack=Crack.NOT_SEEN)
    assert material_of_core(looked, _sweep(looked), LABEL)[0].id == "mine"


def test_points_of_negative_loss_within_the_noise_are_left_out_and_told():
    curve = CURVE.copy()
    curve[:2] = curve[:2].real + 0.02j
    specimen = _specimen()
    material, notes = material_of_core(specimen, _sweep(specimen, curve), LABEL)
    assert material.frequency_hz.size == FREQUENCY.size - 2
    assert "2 of 25 points" in notes[0]


def test_negative_loss_beyond_the_noise_is_refused():
    curve = CURVE.copy()
    curve[3] = curve[3].real + 5j
    specimen = _specimen()
    with pytest.raises(AnalysisError, match="negative beyond its uncertainty") as caught:
        material_of_core(specimen, _sweep(specimen, curve), LABEL)
    assert f"{FREQUENCY[3]:g} Hz" in caught.value.where


def test_a_coat_keeps_the_mass_from_being_a_density():
    specimen = _specimen(Ring(25e-3, 15e-3, 10e-3, coating_thickness_m=2e-4), mass_kg=15e-3)
    assert material_of_core(specimen, _sweep(specimen), LABEL)[0].density_kg_m3 is None


def test_gapped_cores_and_rods_are_refused_and_joints_are_told():
    sweep = _sweep(_specimen())
    with pytest.raises(InputError, match="gapped core"):
        material_of_core(_specimen(gap_m=1e-4), sweep, LABEL)
    with pytest.raises(InputError, match="rod hides"):
        material_of_core(_specimen(Rod(8e-3, 40e-3, 5e-6)), sweep, LABEL)
    pair = _specimen(Pair(1200.0, 2e7))
    assert "2 joints" in material_of_core(pair, _sweep(pair), LABEL)[1][0]
