"""Reference curves as a forecast sees them: at the points of a sweep, moved and gapped, in one section."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from whichcore.analysis.class_properties import class_properties
from whichcore.analysis.curve_table import GRID_STEP, SHIFTS, filled, library_table
from whichcore.analysis.forecast import Forecast
from whichcore.analysis.geometry import core_geometry
from whichcore.analysis.materials import Library, Material
from whichcore.analysis.priors import GapNode, gap_nodes, level_centre, spreads
from whichcore.analysis.types import ComplexArray, FloatArray

#: Corner shifts tried for a material to mimic another, in steps of the grid.
TRIED = SHIFTS[2:-2:3]
#: Ends of curves are rounded inwards to this step in ln f, so that few sets of points arise.
_END_STEP = np.log(10) / 2


def nearest_shift(corner: float) -> int:
    """Return which of the corner shifts tried is nearest to one in ln f."""
    return int(np.abs(TRIED * GRID_STEP - corner).argmin())


@dataclass(frozen=True, slots=True)
class Curves:
    """All curves at the points of the sweep, at the corner shifts tried, in the section of the specimen.

    Attributes
    ----------
    rows : complex array (M, S, P)
        λ, gap included; 0 where silent.
    level, slope : complex array (M, S, P)
        Derivative of λ by θ and by the corner in ln f.
    speaks : bool array (M, P)
    corner : float array (M,), level_mean : float array (M,)
        Centres of the priors: of the corner shift in ln f, and of θ.
    gap : GapNode
    """

    materials: tuple[Material, ...]
    frequency_hz: FloatArray
    section_m: tuple[float, float] | None
    rows: ComplexArray
    level: ComplexArray
    slope: ComplexArray
    speaks: NDArray[np.bool_]
    corner: FloatArray
    level_mean: FloatArray
    spreads: FloatArray
    gap: GapNode

    def at_rest(self, index: int) -> ComplexArray:
        """Return λ (P,) of a core at the centre of the priors of a material."""
        s = nearest_shift(self.corner[index])
        back = self.corner[index] - TRIED[s] * GRID_STEP
        return np.asarray(
            self.rows[index, s] + self.level_mean[index] * self.level[index, s] + back * self.slope[index, s]
        )


def curves_of(library: Library, frequency_hz: FloatArray, forecast: Forecast) -> Curves:
    """Work out the curves of a library at the points of a sweep.

    Raises
    ------
    AnalysisError
        The core is a rod.
    """
    geometry = core_geometry(forecast.specimen)
    low, high = float(frequency_hz.min()), float(frequency_hz.max())
    table = library_table(library, low, high, geometry.section_m)
    values = filled(table.shifted(np.log(frequency_hz), TRIED))
    materials = library.materials
    gap = next(
        (n for n in gap_nodes(forecast.specimen, geometry.effective.length_m) if n.probability > 0.3),
        GapNode(1.0, 0.0, 0.0),
    )
    # where a shift carries the end of a curve into the band, the nearest shift that still speaks stands in
    core = np.exp(np.where(np.isnan(values), 0, values))
    rows = np.log(core + gap.median)
    level = np.asarray(core / (core + gap.median), dtype=np.complex128)
    step = float(TRIED[1] - TRIED[0]) * GRID_STEP
    slope = np.asarray(np.gradient(rows, step, axis=1), dtype=np.complex128)
    centre = np.array([level_centre(m) for m in materials])
    exponent = np.array([class_properties(m.material_class).corner_exponent for m in materials])
    return Curves(
        materials, frequency_hz, geometry.section_m, rows, level, slope, _speaks(materials, frequency_hz),
        -exponent * centre, -centre, np.array([spreads(m) for m in materials]), gap,
    )  # fmt: skip


def _speaks(materials: Sequence[Material], frequency_hz: FloatArray) -> NDArray[np.bool_]:
    """Tell where each curve speaks, its ends rounded inwards to half decades of the band."""
    x, start = np.log(frequency_hz), float(np.log(frequency_hz[0]))
    out = np.empty((len(materials), x.size), dtype=bool)
    for row, material in zip(out, materials, strict=True):
        low, high = (np.log(material.frequency_hz[end]) - start for end in (0, -1))
        low = low if low <= 1e-9 else _END_STEP * np.ceil(low / _END_STEP - 1e-9)
        if high < x[-1] - start - 1e-9:
            high = _END_STEP * np.floor(high / _END_STEP + 1e-9)
        row[:] = (x - start >= low - 1e-9) & (x - start <= high + 1e-9)
    return out
