"""The data of one specimen as rows for identification, in terms of the reluctivity ν = 1/μ.

A gap of ratio g = gap/length adds to the reluctivity, 1/μe = 1/μ + g, and a scale s of the permeability
divides it. Every candidate therefore predicts a row as u·ν_ref + g·e with u = 1/s: affine in both level
parameters, which can so be integrated in closed form. A spectrum point gives two rows, Re ν (e = 1) and
Im ν (e = 0). A reading gives one row: 1/μ′ (inductance) or 1/|μ| (impedance magnitude), with e = 1; both
scale exactly with u, and the gap term is exact while the loss is small.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from enum import IntEnum

import numpy as np
from numpy.typing import NDArray

from whichcore.analysis.permeability import ReadingPermeability
from whichcore.analysis.types import ComplexArray, FloatArray, PermeabilitySpectrum, ReadingKind
from whichcore.analysis.uncertainty import common_columns, independent_covariance, propagate

#: Scatter of a reference curve around its own smooth course (digitising, printing), relative. Practice.
CURVE_ROUGHNESS = 0.003
#: Share of |ν| that a smooth deviation moves either component by, beside the component itself. Practice.
CROSS_SHARE = 0.15


class RowKind(IntEnum):
    """What a point of the data is."""

    SPECTRUM = 0
    INVERSE_REAL = 1
    INVERSE_MAGNITUDE = 2


@dataclass(frozen=True, slots=True)
class Observation:
    """Data of one specimen, one entry per frequency point or reading.

    Attributes
    ----------
    frequency_hz : float array (P,)
    kind : int array (P,)
        A RowKind each.
    reluctivity : complex array (P,)
        Measured ν; real for readings.
    whitener : float array (P, 2, 2)
        Inverse Cholesky factor of each point's own covariance; the second row of a reading is zero.
    common : float array (P, 2, K)
        Effect of each common source on the real and imaginary part of ν.
    """

    frequency_hz: FloatArray
    kind: NDArray[np.int_]
    reluctivity: ComplexArray
    whitener: FloatArray
    common: FloatArray

    @property
    def log_frequency(self) -> FloatArray:
        """ln(f / Hz), shape (P,)."""
        return np.log(self.frequency_hz)

    @property
    def reading_points(self) -> int:
        """Number of readings; they stand behind the spectrum points."""
        return int((self.kind != RowKind.SPECTRUM).sum())

    @property
    def spectrum_points(self) -> int:
        """Number of spectrum points."""
        return self.kind.size - self.reading_points

    def whiten(self, values: ComplexArray) -> FloatArray:
        """Whiten complex rows (..., P) to real rows (..., 2P), real parts first."""
        w = self.whitener
        first = w[:, 0, 0] * values.real
        second = w[:, 1, 0] * values.real + w[:, 1, 1] * values.imag
        return np.concatenate([first, second], axis=-1)

    def whiten_columns(self, columns: FloatArray) -> FloatArray:
        """Whiten columns (P, 2, K) to (2P, K)."""
        whitened = self.whitener @ columns
        return np.concatenate([whitened[:, 0], whitened[:, 1]], axis=0)

    def gap_row(self) -> FloatArray:
        """Whitened effect of a unit gap ratio, shape (2P,)."""
        return self.whiten(np.ones(self.frequency_hz.size, dtype=np.complex128))


def observe(spectrum: PermeabilitySpectrum | None, readings: Sequence[ReadingPermeability]) -> Observation:
    """Join a spectrum and readings into one observation.

    Parameters
    ----------
    spectrum : PermeabilitySpectrum or None
    readings : sequence of ReadingPermeability

    Returns
    -------
    Observation
        Spectrum points first, then the readings; a common source of equal id keeps one column.
    """
    parts = [_spectrum_rows(spectrum)] if spectrum is not None else []
    parts += [_reading_rows(reading) for reading in readings]
    ids = sorted({source for part in parts for source in part.ids})
    return Observation(
        frequency_hz=np.concatenate([part.frequency_hz for part in parts]),
        kind=np.concatenate([part.kind for part in parts]),
        reluctivity=np.concatenate([part.reluctivity for part in parts]),
        whitener=np.concatenate([part.whitener for part in parts]),
        common=np.concatenate([part.columns_for(ids) for part in parts]),
    )


@dataclass(frozen=True, slots=True)
class _Rows:
    frequency_hz: FloatArray
    kind: NDArray[np.int_]
    reluctivity: ComplexArray
    whitener: FloatArray
    common: FloatArray
    ids: tuple[str, ...]

    def columns_for(self, ids: Sequence[str]) -> FloatArray:
        out = np.zeros((self.frequency_hz.size, 2, len(ids)))
        for k, source in enumerate(self.ids):
            out[:, :, ids.index(source)] = self.common[:, :, k]
        return out


def _spectrum_rows(spectrum: PermeabilitySpectrum) -> _Rows:
    nu = 1 / spectrum.permeability
    scatter, sources = propagate(spectrum.scatter, spectrum.sources, -(nu**2))
    covariance = independent_covariance(scatter, sources) + _roughness(nu)
    common = common_columns(sources, spectrum.range_labels, points=nu.size)
    points = nu.size
    return _Rows(
        frequency_hz=spectrum.frequency_hz,
        kind=np.full(points, RowKind.SPECTRUM),
        reluctivity=nu,
        whitener=np.linalg.inv(np.linalg.cholesky(covariance)),
        common=np.stack([common.matrix[:points], common.matrix[points:]], axis=1),
        ids=common.ids,
    )


def _roughness(nu: ComplexArray) -> FloatArray:
    return np.asarray((CURVE_ROUGHNESS * np.abs(nu)) ** 2)[:, None, None] * np.eye(2)


def _reading_rows(reading: ReadingPermeability) -> _Rows:
    nu = 1 / reading.permeability
    sensitivity = -(nu**2)
    scatter = abs(sensitivity) * np.hypot(reading.own_uncertainty, CURVE_ROUGHNESS / nu)
    whitener = np.zeros((1, 2, 2))
    whitener[0, 0, 0] = 1 / scatter
    common = np.zeros((1, 2, len(reading.common)))
    common[0, 0] = [sensitivity * change for _, change in reading.common]
    kind = RowKind.INVERSE_REAL if reading.kind == ReadingKind.INDUCTANCE else RowKind.INVERSE_MAGNITUDE
    return _Rows(
        frequency_hz=np.array([reading.frequency_hz]),
        kind=np.array([kind]),
        reluctivity=np.array([nu], dtype=np.complex128),
        whitener=whitener,
        common=common,
        ids=tuple(name for name, _ in reading.common),
    )


def reading_rows(reluctivity: ComplexArray, observation: Observation) -> ComplexArray:
    """Turn predicted reluctivity (..., P) at the readings into the rows the readings are compared with."""
    out = reluctivity.copy()
    for point in np.flatnonzero(observation.kind != RowKind.SPECTRUM):
        nu = reluctivity[..., point]
        if observation.kind[point] == RowKind.INVERSE_MAGNITUDE:
            out[..., point] = np.abs(nu)
        else:  # 1/Re(1/ν)
            out[..., point] = np.abs(nu) ** 2 / nu.real
    return out


def deviation_columns(observation: Observation, amplitude: float, length: float) -> FloatArray:
    """Columns of a smooth relative deviation of the core from its reference curve.

    The deviation of each component is a Gaussian process over ln f with squared-exponential covariance,
    written as white noise smoothed by Gaussian bumps: bumps of width ℓ/√2 at a distance of 0.8 ℓ give the
    covariance exp(−Δ²/2ℓ²) with a ripple below 10⁻⁴ (Fourier series of the sum over the bumps).

    Parameters
    ----------
    observation : Observation
    amplitude : float
        Standard deviation, relative.
    length : float
        Correlation length ℓ in ln f.

    Returns
    -------
    float array (P, 2, 2 R)
        R columns for the real and R for the imaginary part of ν.
    """
    x = observation.log_frequency
    width, distance = length / np.sqrt(2), 0.8 * length
    reach = 3 * width
    centres = np.arange(x.min() - reach, x.max() + reach + distance, distance)
    norm = np.sqrt(distance / (width * np.sqrt(np.pi)))
    basis = amplitude * norm * np.exp(-0.5 * ((x[:, None] - centres) / width) ** 2)
    size = _component_size(observation)
    columns = np.zeros((x.size, 2, 2 * centres.size))
    columns[:, 0, : centres.size] = size[:, :1] * basis
    columns[:, 1, centres.size :] = size[:, 1:] * basis
    return columns


def _component_size(observation: Observation) -> FloatArray:
    """Size (P, 2) of the two components of ν, smoothed so that scatter does not pass for signal."""
    x = observation.log_frequency
    weight = np.exp(-0.5 * ((x[:, None] - x) / 0.25) ** 2)
    weight /= weight.sum(axis=1, keepdims=True)
    relative = observation.reluctivity / np.abs(observation.reluctivity)
    smooth = np.stack([weight @ relative.real, weight @ relative.imag], axis=1)
    return np.asarray(np.abs(observation.reluctivity)[:, None] * np.hypot(smooth, CROSS_SHARE))
