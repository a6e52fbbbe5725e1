"""Candidates whose section rings within the band, worked out from their curves instead of given up.

Where the section of a specimen rings, its effect is no small motion any more that a few common columns could
carry. For the candidates that explain the followed points best the curve is therefore worked out anew: for a
few permittivities the material's own permeability is taken from the reference's, and shown in the section of
the specimen. Each of these curves is judged on the whole band.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from functools import cache, lru_cache

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
    """Works curves out for the section of one specimen.

    What sections do to a curve hangs on that curve, on both sections and on the band, and on nothing that was
    measured: it is kept for the next specimen of the same kind (`_effects`, `_motions`).

    Parameters
    ----------
    observation : Observation
        Without a section nothing rings.
    """

    def __init__(self, observation: Observation) -> None:
        self._observation = observation

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
        own, frequency = self._observation.section_m, np.exp(x[at]).tobytes()
        rows = np.exp(-np.where(np.isnan(table.log_reluctivity), 0, table.log_reluctivity)[:, at])
        curves = [row.tobytes() for row in rows]
        effects = np.stack([_effects(frequency, curve, own, reference_m or SECTION_M) for curve in curves])
        slopes = _motions(frequency, curves[0], own, reference_m)
        weight = np.exp(-0.5 * np.square(PERMITTIVITIES))
        for k, share in enumerate(weight / weight.sum()):
            shown = np.asarray(table.log_reluctivity - _between(x[at], effects[:, k], x))
            columns = _columns(self._observation, x[at], slopes[k], effects[0, k])
            yield RingingCurves(CurveTable(table.start, shown), float(share), columns)


@cache
def _spreads() -> tuple[float, float]:
    """Return the standard deviations of ln permittivity and ln conductivity."""
    known = class_properties(MaterialClass.MNZN).quantities
    permittivity, conductivity = (
        float(known[name].spread * np.log(10)) for name in ("relative_permittivity", "resistivity")
    )
    return permittivity, conductivity


@lru_cache(maxsize=512)
def _effects(frequency: bytes, curve: bytes, own: Sides, reference: Sides) -> ComplexArray:
    """Return the effect (Z, G) on ln μ of one curve (G) under each of PERMITTIVITIES."""
    return _effect(frequency, curve, (own, reference), [(z, 0.0, 0.0) for z in PERMITTIVITIES])


@lru_cache(maxsize=64)
def _motions(frequency: bytes, curve: bytes, own: Sides, known: Sides | None) -> ComplexArray:
    """Return three motions (Z, 3, G) of the effect on one curve, under each of PERMITTIVITIES.

    By permittivity within its step, by conductivity, and by the section of the reference.
    """
    # a step of a normal law is a box: its standard deviation is the step over the root of twelve
    within = _STEP / np.sqrt(12)
    moves = ((within, 0.0), (-within, 0.0), (0.0, 1.0), (0.0, -1.0))
    reference = known or SECTION_M
    spread = 1.0 if known else float(np.exp(SECTION_SPREAD))
    larger = (reference[0] * spread, reference[1] * spread)
    settings = [(z, *move) for move in moves for z in PERMITTIVITIES]
    moved = _effect(frequency, curve, (own, reference), settings).reshape(4, len(PERMITTIVITIES), -1)
    by_section = _effects(frequency, curve, own, larger) - _effects(frequency, curve, own, reference)
    return np.stack([(moved[0] - moved[1]) / 2, (moved[2] - moved[3]) / 2, by_section], axis=1)


def _effect(
    frequency: bytes,
    curve: bytes,
    sections_m: tuple[Sides, Sides],
    settings: Sequence[tuple[float, float, float]],
) -> ComplexArray:
    """Return ln of what the own section shows over what the reference showed, (N, G).

    Under N settings of permittivity, of its place within its step, and of conductivity, each in standard
    deviations.
    """
    frequency_hz, (own, reference) = np.frombuffer(frequency), sections_m
    (permittivity, conductivity), (z, within, sigma) = _spreads(), np.array(settings).T[:, :, None]
    dielectric: Dielectric = np.exp(permittivity * z + permittivity * within), np.exp(conductivity * sigma)
    curves = np.broadcast_to(np.frombuffer(curve, dtype=np.complex128), (len(settings), frequency_hz.size))
    inner = inner_permeability(frequency_hz, curves, reference, dielectric, _ITERATIONS)[0]
    effect: ComplexArray = np.log(inner / curves) + log_section_factor(frequency_hz, inner, own, dielectric)
    return np.asarray(
        effect / np.maximum(1.0, np.abs(effect.real) / (3 * LARGEST_EFFECT)), dtype=np.complex128
    )


def _coarse(x: FloatArray) -> NDArray[np.int_]:
    dense = np.flatnonzero(x >= x[-1] - _DENSE_SPAN)[::-_DENSE][::-1]
    return np.concatenate([np.arange(0, dense[0], _SPARSE), dense])


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
