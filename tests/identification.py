"""Helpers of the identification tests: specimens and impedances from formulas of their own."""

import numpy as np

from whichcore.analysis.materials import Library, Material, MaterialClass
from whichcore.analysis.specimen import Ring, Specimen, Winding
from whichcore.analysis.types import ImpedanceSweep

FREQUENCY = np.geomspace(1e3, 3e6, 120)
OUTER, INNER, HEIGHT, TURNS = 25e-3, 15e-3, 10e-3, 10
#: Air-core inductance of the ring, μ0 N² h ln(d1/d2)/2π (OpenStax University Physics 2, §14.2), H.
L0 = 2e-7 * TURNS**2 * HEIGHT * np.log(OUTER / INNER)


def relaxation(level, corner_hz, frequency=FREQUENCY):
    return 1 + (level - 1) / (1 + 1j * frequency / corner_hz)


def grade(name, level, corner_hz, **changes):
    frequency = changes.pop("frequency", np.geomspace(1e2, 3e7, 160))
    keys = dict(  # noqa: C408 - keyword arguments of a dataclass
        id=name,
        name=name,
        material_class=MaterialClass.MNZN,
        initial_permeability=level,
        tolerance=0.25,
        frequency_hz=frequency,
        permeability=relaxation(level, corner_hz, frequency),
        source="analytic relaxation",
        licence="MIT",
    )
    return Material(**(keys | changes))


def grades(*materials):
    return Library(tuple(materials))


def ring(**changes):
    uncertainty = {"outer_diameter_m": 0.05e-3, "inner_diameter_m": 0.05e-3, "height_m": 0.05e-3}
    winding = Winding(TURNS, wire_diameter_m=0.4e-3, wire_length_m=0.4, capacitance_f=3e-12)
    keys = dict(  # noqa: C408 - keyword arguments of a dataclass
        core=Ring(OUTER, INNER, HEIGHT), winding=winding, dimension_uncertainties_m=uncertainty
    )
    return Specimen(**(keys | changes))


def wound(permeability, frequency=FREQUENCY, turns=TURNS, noise=0.01, seed=3, capacitance=3e-12):
    """Impedance of copper and core in series under a winding capacitance, with relative noise."""
    s = 2j * np.pi * frequency
    l0 = L0 * (turns / TURNS) ** 2
    z = 1 / (1 / (0.053 + s * l0 * permeability) + s * capacitance)
    rng = np.random.default_rng(seed)
    z = z * (1 + 0j) + noise * np.abs(z) * (rng.normal(size=z.size) + 1j * rng.normal(size=z.size))
    scatter = (max(noise, 1e-4) * np.abs(z))[:, None, None] ** 2 * np.eye(2)
    return ImpedanceSweep(frequency, z, scatter)
