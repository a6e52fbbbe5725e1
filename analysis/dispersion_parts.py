"""Walls and spins of a ferrite need not move together from core to core.

The corner shift and the level of a candidate move its whole curve. A real core may have more of its
permeability in the early part of its dispersion (domain walls) and less in the late one (spins), and the two
corners may part. Both are small motions of a known shape, so they enter as two common columns over all points
of a spectrum (derived here). With x = ln f, λ the logarithm of the reluctivity and h(x) rising from 0 before
the dispersion to 1 behind its loss peak:

- corners that part by κ move λ by −κ λ′(x) (h − ½), λ′ taken from the smoothed data;
- a late part stronger by ε moves ln|μ| by ε h, and with it the loss angle by −(π/2) ε h′, which Bode's
  relation between gain and phase of a causal response asks for (from memory: the phase is about π/2 times
  the slope of the logarithm of the gain).
"""

from __future__ import annotations

import numpy as np

from whichcore.analysis.class_properties import class_properties
from whichcore.analysis.materials import Material
from whichcore.analysis.observation import Observation, RowKind
from whichcore.analysis.types import ComplexArray, FloatArray

#: Width, in ln f, over which the data are smoothed for slope and angle. Practice.
_WIDTH = 0.4
#: Loss angle, rad, at which the late part of a dispersion is reached: that of a relaxation at its loss peak.
_LATE = np.pi / 4
#: Fewer spectrum points carry no shape.
_FEWEST = 8


def has_parts(material: Material) -> bool:
    """Tell whether the class of a material states how far the parts of its dispersion move apart."""
    return "part_corner" in class_properties(material.material_class).quantities


def part_columns(observation: Observation, material: Material, scale: float = 1.0) -> FloatArray:
    """Columns of corners that part and of strengths that part, of one standard deviation each.

    Parameters
    ----------
    observation : Observation
    material : Material
        Its class states the standard deviations (``part_corner`` in ln f, ``part_strength`` in ln|μ|).
    scale : float
        Factor on both: a core that keeps closely to its curve keeps its parts together too.

    Returns
    -------
    float array (P, 2, 2)
        Zero at readings, and throughout where the spectrum has too few points to carry a shape.
    """
    out = np.zeros((observation.frequency_hz.size, 2, 2))
    spectrum = observation.kind == RowKind.SPECTRUM
    if spectrum.sum() < _FEWEST:
        return out
    known = class_properties(material.material_class).quantities
    x, rows = observation.log_frequency[spectrum], observation.log_reluctivity[spectrum]
    smooth, slope = _local_line(x, rows)
    reached = np.clip(np.maximum.accumulate(np.abs(smooth.imag)) / _LATE, 0, 1)
    progress, rate = (part.real for part in _local_line(x, reached.astype(np.complex128)))
    corner = scale * known["part_corner"].typical * slope * (progress - 0.5)
    strength = -scale * known["part_strength"].typical * (progress + 1j * np.pi / 2 * rate)
    for k, column in enumerate((corner, strength)):
        out[spectrum, 0, k], out[spectrum, 1, k] = column.real, column.imag
    return out


def _local_line(x: FloatArray, values: ComplexArray) -> tuple[ComplexArray, ComplexArray]:
    """Smooth values over x by a Gaussian window, and return the means and the local slopes, (P,) each."""
    weight = np.exp(-0.5 * ((x[:, None] - x) / _WIDTH) ** 2)
    weight /= weight.sum(axis=1, keepdims=True)
    centred = x - weight @ x[:, None]
    spread = np.maximum((weight * centred**2).sum(axis=1), 1e-6)
    return np.asarray(weight @ values), np.asarray((weight * centred) @ values / spread)
