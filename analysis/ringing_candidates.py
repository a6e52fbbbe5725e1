"""Candidates whose section rings within the band, worked out from their curves instead of given up.

Where the section of a specimen rings, its effect is no small motion any more that a few common columns could
carry. For the candidates that explain the followed points best the curve is therefore worked out anew: for a
few permittivities the material's own permeability is taken from the reference's, and shown in the section of
the specimen. Each of these curves is judged on the whole band.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from whichcore.analysis.class_properties import class_properties
from whichcore.analysis.curve_table import GRID_STEP, CurveTable
from whichcore.analysis.materials import MaterialClass
from whichcore.analysis.observation import Observation, RowKind, deviation_basis
from whichcore.analysis.section_prior import (
    LARGEST_EFFECT,
    Dielectric,
    Sides,
    inner_permeability,
    log_section_factor,
)
from whichcore.analysis.types import ComplexArray, FloatArray

#: Permittivity over that of the table in standard deviations of its logarithm: a normal law in steps of two
#: thirds, the likeliest first. Between two steps it is linearised, as conductivity and the section of the
#: reference are throughout.
_STEP = 2 / 3
PERMITTIVITIES = _STEP * np.array([0, -1, 1, -2, 2, -3, 3])
#: Section that references of unknown section were taken on, m, and standard deviation of the logarithm of its
#: sides. Practice, no source.
SECTION_M, SECTION_SPREAD = (2.8e-3, 4.5e-3), 0.4
#: Candidates worked out: those this near to the best on the followed points, in ln, and at most so many.
NEAR, MOST = 12.0, 24
#: Share of the effect, in ln μ, that a model with one dielectric table for all grades misses, and its
#: correlation length in ln f. Practice.
MISSED, _LENGTH = 0.10, 0.4
#: Grid steps at which the effect is worked out: dense over the last factor of twenty in frequency.
_DENSE, _SPARSE, _DENSE_SPAN = 2, 12, 3.0
#: The section of a reference acts little: few steps suffice.
_ITERATIONS = 6


@dataclass(frozen=True, slots=True)
class RingingCurves:
    """Curves of some materials under one permittivity.

    Attributes
    ----------
    table : CurveTable
        A row for each material.
    share : float
        Of this permittivity.
    columns : float array (P, 2, K)
        What permittivity within its step, conductivity, section of the reference and the model itself leave
        open, taken from the first material.
    """

    table: CurveTable
    share: float
    columns: FloatArray


class Ringing:
    """Works curves out for the section of one specimen; what was worked out once is known.

    Parameters
    ----------
    observation : Observation
        Without a section nothing rings.
    """

    def __init__(self, observation: Observation) -> None:
        self._observation = observation
        known = class_properties(MaterialClass.MNZN).quantities
        #: Standard deviations of ln permittivity and ln conductivity.
        self._spreads = [known[name].spread * np.log(10) for name in ("relative_permittivity", "resistivity")]
        self._known: dict[tuple[bytes, Sides, bytes], ComplexArray] = {}

    def curves(self, table: CurveTable, reference_m: Sides | None) -> Iterator[RingingCurves]:
        """Yield curves as the section of the specimen would show them, for each of PERMITTIVITIES.

        Parameters
        ----------
        table : CurveTable
            Curves as they stand, of the best candidate first.
        reference_m : (float, float) or None
            Section that the curves were taken on, when known.
        """
        if self._observation.section_m is None:
            return
        x = np.asarray(table.start + GRID_STEP * np.arange(table.log_reluctivity.shape[1]), dtype=np.float64)
        at = _coarse(x)
        curves = np.exp(-np.where(np.isnan(table.log_reluctivity), 0, table.log_reluctivity)[:, at])
        weight = np.exp(-0.5 * np.square(PERMITTIVITIES))
        for z, share in zip(PERMITTIVITIES, weight / weight.sum(), strict=True):
            effect, slopes = self._effects(np.exp(x[at]), curves, reference_m, z)
            shown = np.asarray(table.log_reluctivity - _between(x[at], effect, x))
            columns = _columns(self._observation, x[at], slopes, effect[0])
            yield RingingCurves(CurveTable(table.start, shown), float(share), columns)

    def _effects(
        self, frequency_hz: FloatArray, curves: ComplexArray, known: Sides | None, z: float
    ) -> tuple[ComplexArray, ComplexArray]:
        """Return the effect (M, G) on ln μ of each curve, and three motions (3, G) of that of the first."""
        permittivity, conductivity = self._spreads
        # a step of a normal law is a box: its standard deviation is the step over the root of twelve
        within = permittivity * _STEP / np.sqrt(12)
        moves = np.zeros((curves.shape[0] + 4, 2))
        moves[-4:] = [(within, 0), (-within, 0), (0, conductivity), (0, -conductivity)]
        dielectric = (
            np.exp(permittivity * z + moves[:, :1]),
            np.exp(moves[:, 1:]),
        )
        rows = np.concatenate([curves, np.repeat(curves[:1], 4, axis=0)])
        reference = known or SECTION_M
        effect = self._effect(frequency_hz, rows, reference, dielectric)
        spread = 1.0 if known else float(np.exp(SECTION_SPREAD))
        larger = (reference[0] * spread, reference[1] * spread)
        first = dielectric[0][:1], dielectric[1][:1]
        by_section = self._effect(frequency_hz, curves[:1], larger, first) - effect[:1]
        slopes = np.stack([(effect[-4] - effect[-3]) / 2, (effect[-2] - effect[-1]) / 2, by_section[0]])
        return effect[:-4], slopes

    def _effect(
        self, frequency_hz: FloatArray, curves: ComplexArray, reference: Sides, dielectric: Dielectric
    ) -> ComplexArray:
        """Return ln of what the own section shows over what the reference showed, (M, G)."""
        pairs = np.concatenate(dielectric, axis=1)
        keys = [
            (curve.tobytes(), reference, pair.tobytes()) for curve, pair in zip(curves, pairs, strict=True)
        ]
        new = [m for m, key in enumerate(keys) if key not in self._known]
        if new:
            own = self._observation.section_m or reference
            rows = _effect(
                frequency_hz, curves[new], (own, reference), (dielectric[0][new], dielectric[1][new])
            )
            self._known.update(zip((keys[m] for m in new), rows, strict=True))
        return np.stack([self._known[key] for key in keys])


def _coarse(x: FloatArray) -> NDArray[np.int_]:
    dense = np.flatnonzero(x >= x[-1] - _DENSE_SPAN)[::-_DENSE][::-1]
    return np.concatenate([np.arange(0, dense[0], _SPARSE), dense])


def _effect(
    frequency_hz: FloatArray, curves: ComplexArray, sections_m: tuple[Sides, Sides], dielectric: Dielectric
) -> ComplexArray:
    """Return ln of what the own section shows over what the reference showed, (M, G)."""
    own, reference = sections_m
    inner = inner_permeability(frequency_hz, curves, reference, dielectric, _ITERATIONS)[0]
    effect: ComplexArray = np.log(inner / curves) + log_section_factor(frequency_hz, inner, own, dielectric)
    return np.asarray(
        effect / np.maximum(1.0, np.abs(effect.real) / (3 * LARGEST_EFFECT)), dtype=np.complex128
    )


def _between(grid: FloatArray, values: ComplexArray, x: FloatArray) -> ComplexArray:
    out: ComplexArray = np.empty((values.shape[0], x.size), dtype=np.complex128)
    for row, value in zip(out, values, strict=True):
        row.real, row.imag = np.interp(x, grid, value.real), np.interp(x, grid, np.unwrap(value.imag))
    return out


def _columns(
    observation: Observation, grid: FloatArray, slopes: ComplexArray, effect: ComplexArray
) -> FloatArray:
    spectrum = observation.kind == RowKind.SPECTRUM
    x = observation.log_frequency[spectrum]
    size = MISSED * np.minimum(np.abs(_between(grid, effect[None], x)[0]), LARGEST_EFFECT)
    missed = size[:, None] * deviation_basis(x, _LENGTH)
    missed = missed[:, np.abs(missed).max(axis=0) > 1e-3]
    own, more = slopes.shape[0], missed.shape[1]
    out = np.zeros((observation.frequency_hz.size, 2, own + 2 * more))
    moved = _between(grid, slopes, x).T
    out[spectrum, 0, :own], out[spectrum, 1, :own] = -moved.real, -moved.imag
    out[spectrum, 0, own : own + more] = out[spectrum, 1, own + more :] = missed
    return out
