"""Twenty grades of the open collection, wound by a circuit of its own, and named among all of them.

The curves come from an open data set (PyPI: pyopenmagnetics 1.7.35, MIT, transcribed from makers' data). The
impedance is computed by nodal analysis of a ladder with numpy's solver, not by the judge's forward model.
"""

import numpy as np
import pytest

import whichcore
from whichcore.analysis.specimen import Ring, Specimen, Winding
from whichcore.analysis.types import ImpedanceSweep

FREQUENCY = np.geomspace(1e4, 3e6, 40)
#: Screened grades whose loss peak lies in the band, spread over families and levels.
GRADES = 20


def nodal_impedance(mu, frequency):
    """Impedance seen at node 1: copper on to node 2, core to ground, winding capacitance across both."""
    w = 2j * np.pi * frequency
    # published: OpenStax University Physics 2, §14.2, L = μ0 N² h ln(R2/R1)/2π
    l0 = 2e-7 * 144 * 7.8e-3 * np.log(37.6 / 19.6)
    g_copper, y_core, y_winding = 1 / 0.05, 1 / (w * l0 * mu), w * 2.5e-12
    z = np.empty(frequency.size, dtype=complex)
    for k in range(frequency.size):
        y = np.array([[g_copper + y_winding[k], -g_copper], [-g_copper, g_copper + y_core[k]]])
        z[k] = np.linalg.solve(y, np.array([1.0, 0.0]))[0]
    return z


def specimen():
    ring = Ring(outer_diameter_m=37.6e-3, inner_diameter_m=19.6e-3, height_m=7.8e-3)
    winding = Winding(turns=12, dc_resistance_ohm=0.05, capacitance_f=2.5e-12, lead_length_m=0.01)
    u = {"outer_diameter_m": 0.1e-3, "inner_diameter_m": 0.1e-3, "height_m": 0.05e-3}
    return Specimen(ring, winding, dimension_uncertainties_m=u)


@pytest.mark.soak
def test_twenty_grades_are_named():
    library = whichcore.load_library("open")
    wanted = [
        m
        for m in library.materials
        if m.frequency_hz[0] <= 1e5
        and m.frequency_hz[-1] >= 3e6
        and 2e5 < m.frequency_hz[np.argmax(-m.permeability.imag)] < 3e6
    ]
    chosen = wanted[:: max(1, len(wanted) // GRADES)][:GRADES]
    assert len(chosen) == GRADES
    rng = np.random.default_rng(20)
    named, within = 0, 0
    for material in chosen:
        x = np.log(material.frequency_hz)
        at = np.log(np.clip(FREQUENCY, *material.frequency_hz[[0, -1]]))
        mu = np.interp(at, x, material.permeability.real) + 1j * np.interp(at, x, material.permeability.imag)
        scale = np.exp(0.125 * rng.normal())
        z = nodal_impedance(scale * mu, FREQUENCY)
        z = z + 0.003 * np.abs(z) * (rng.normal(size=z.size) + 1j * rng.normal(size=z.size))
        scatter = (0.003 * np.abs(z))[:, None, None] ** 2 * np.eye(2)
        verdict = whichcore.identify(specimen(), sweep=ImpedanceSweep(FREQUENCY, z, scatter), library=library)
        ranking = [c.material for c in verdict.candidates]
        named += ranking[0] == material.id
        within += material.id in ranking[:3]
    assert named >= 18
    assert within == GRADES
