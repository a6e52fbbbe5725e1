"""Walls and spins of a ferrite need not move together from core to core.

The corner shift and the level of a candidate move its whole curve. In a real core the corners of the early
part of its dispersion (domain walls) and of the late one (spins) may also part. That is a small motion of a
known shape, so it enters as one common column over all points of a spectrum (derived here). With x = ln f, λ
the logarithm of the reluctivity and h(x) rising from 0 before the dispersion to 1 behind its loss peak,
corners that part by κ move λ by −κ λ′(x) (h − ½), λ′ taken from the smoothed data.

A second column, for a late part stronger than usual, was tried and left out. It explains cores with
separately scaled terms better still, but together with a small gap it imitates a lower level: a whole virtual
core was called cracked.
"""

from __future__ import annotations

import numpy as np

from whichcore.analysis.class_properties import class_properties
from whichcore.analysis.materials import Material
from whichcore.analysis.observation import Observation, RowKind, local_line
from whichcore.analysis.types import FloatArray

#: Width, in ln f, over which the data are smoothed for slope and angle. Practice.
_WIDTH = 0.4
#: Loss angle, rad, at which the late part of a dispersion is reached. Practice; of π/12 to π/2 the one that
#: explains parted corners of two relaxations best (computed).
_LATE = np.pi / 3
#: Fewer spectrum points carry no shape.
_FEWEST = 8


def has_parts(material: Material) -> bool:
    """Tell whether the class of a material states how far the parts of its dispersion move apart."""
    return "part_corner" in class_properties(material.material_class).quantities


def part_columns(observation: Observation, material: Material, scale: float = 1.0) -> FloatArray:
    """Column of corners that part by one standard deviation.

    Parameters
    ----------
    observation : Observation
    material : Material
        Its class states the standard deviation (``part_corner``, in ln f).
    scale : float
        Factor on it: a core that keeps closely to its curve keeps its parts together too.

    Returns
    -------
    float array (P, 2, 1)
        Zero at readings, and throughout where the spectrum has too few points to carry a shape.
    """
    out = np.zeros((observation.frequency_hz.size, 2, 1))
    spectrum = observation.kind == RowKind.SPECTRUM
    if spectrum.sum() < _FEWEST:
        return out
    known = class_properties(material.material_class).quantities
    x, rows = observation.log_frequency[spectrum], observation.log_reluctivity[spectrum]
    _, smooth, slope = local_line(x, rows, _WIDTH)
    reached = np.clip(np.maximum.accumulate(np.abs(smooth.imag)) / _LATE, 0, 1)
    progress = local_line(x, reached, _WIDTH).mean
    column = scale * known["part_corner"].typical * slope * (progress - 0.5)
    out[spectrum, 0, 0], out[spectrum, 1, 0] = column.real, column.imag
    return out
