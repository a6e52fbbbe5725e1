"""The data on trial: a sweep, its specimen, the spectrum that follows from them, and what is fitted to it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.linalg import cho_factor, cho_solve

from whichcore.analysis.permeability import air_inductance_h, winding_seen
from whichcore.analysis.specimen import Specimen
from whichcore.analysis.types import (
    ComplexArray,
    ErrorSource,
    FloatArray,
    ImpedanceSweep,
    PermeabilitySpectrum,
    Wiring,
)
from whichcore.analysis.uncertainty import common_columns, independent_covariance, point_covariance
from whichcore.analysis.winding import WindingModel


@dataclass(frozen=True, slots=True)
class TriedData:
    """What the tests look at.

    Attributes
    ----------
    sweep : ImpedanceSweep
    specimen : Specimen
    spectrum : PermeabilitySpectrum
    winding : WindingModel
        What was taken off.
    air_h : float
        Inductance of the winding were the core of permeability 1.
    u : float array (F, 2)
        Standard uncertainty of μ′ and μ″, everything included.
    """

    sweep: ImpedanceSweep
    specimen: Specimen
    spectrum: PermeabilitySpectrum
    winding: WindingModel
    air_h: float
    u: FloatArray

    @classmethod
    def of(cls, sweep: ImpedanceSweep, specimen: Specimen, spectrum: PermeabilitySpectrum) -> TriedData:
        """Collect what follows from the three."""
        covariance = point_covariance(spectrum.scatter, spectrum.sources)
        return cls(
            sweep,
            specimen,
            spectrum,
            winding_seen(sweep, specimen),
            air_inductance_h(specimen, sweep.wiring == Wiring.TWO_WINDINGS),
            np.sqrt(np.stack([covariance[:, 0, 0], covariance[:, 1, 1]], axis=1)),
        )

    @property
    def frequency_hz(self) -> FloatArray:
        """Frequencies, (F,)."""
        return self.spectrum.frequency_hz

    @property
    def mu(self) -> ComplexArray:
        """Permeability μ′ − jμ″, (F,)."""
        return self.spectrum.permeability

    @property
    def loss(self) -> FloatArray:
        """Loss μ″, positive, (F,)."""
        return np.asarray(-self.mu.imag)

    @property
    def omega(self) -> FloatArray:
        """Angular frequency, rad/s, (F,)."""
        return np.asarray(2 * np.pi * self.frequency_hz)

    @property
    def states_uncertainty(self) -> NDArray[np.bool_]:
        """Points at which the sweep itself states an uncertainty of the loss, (F,)."""
        found = self.sweep.scatter[:, 0, 0] > 0
        for source in self.sweep.sources:
            found = found | (source.sensitivity.real != 0)
        return np.asarray(found, dtype=np.bool_)

    def sources_named(self, *ids: str) -> tuple[ErrorSource, ...]:
        """Return the sources of these ids that there are."""
        return tuple(source for source in self.spectrum.sources if source.id in ids)


@dataclass(frozen=True, slots=True)
class Line:
    """Weighted least-squares fit: parameters (p,), their covariance (p, p), and χ² per degree of freedom."""

    value: FloatArray
    covariance: FloatArray
    reduced_chi_squared: float

    def scaled_uncertainty(self, index: int) -> float:
        """Return the standard uncertainty of a parameter, raised where the fit misses the data."""
        return float(np.sqrt(self.covariance[index, index] * max(1.0, self.reduced_chi_squared)))


def fit_line(design: FloatArray, values: FloatArray, variance: FloatArray, columns: FloatArray) -> Line:
    """Fit a linear law by generalised least squares.

    Parameters
    ----------
    design : float array (n, p)
    values, variance : float array (n,)
    columns : float array (n, K)
        Effect of the causes that points share.

    Notes
    -----
    β = (XᵀV⁻¹X)⁻¹XᵀV⁻¹y, cov β = (XᵀV⁻¹X)⁻¹ with V = diag(variance) + J Jᵀ (Aitken; from memory). The
    variance is held above 10⁻¹² of the values squared, so that exact data can be solved.
    """
    floor = 1e-12 * max(float(np.mean(values**2)), 1e-300)
    whole = np.diag(np.maximum(variance, floor)) + columns @ columns.T
    factor = cho_factor(whole)
    covariance = np.linalg.inv(design.T @ cho_solve(factor, design))
    value = covariance @ design.T @ cho_solve(factor, values)
    left = values - design @ value
    freedom = max(1, values.size - design.shape[1])
    return Line(value, covariance, float(left @ cho_solve(factor, left)) / freedom)


def relative_rows(data: TriedData, without: tuple[str, ...] = ()) -> tuple[FloatArray, FloatArray]:
    """Return independent variance (F, 2) and common columns (F, 2, K) of δμ/|μ|, some sources left out."""
    sources = tuple(source for source in data.spectrum.sources if source.id not in without)
    size = np.abs(data.mu)
    own = independent_covariance(data.spectrum.scatter, sources)
    variance = np.stack([own[:, 0, 0], own[:, 1, 1]], axis=1) / size[:, None] ** 2
    matrix = common_columns(sources, data.spectrum.range_labels, points=size.size).matrix
    columns = np.stack([matrix[: size.size], matrix[size.size :]], axis=1) / size[:, None, None]
    return variance, columns


def smooth_part(x: FloatArray, values: FloatArray, width: float) -> FloatArray:
    """Return values (F,) averaged over a Gaussian of this width in x."""
    weight = np.exp(-0.5 * ((x[:, None] - x) / width) ** 2)
    return np.asarray(weight @ values / weight.sum(axis=1))


def level_times_corner(frequency_hz: FloatArray, mu: ComplexArray, level: float) -> tuple[float, bool]:
    """Return the product of level and corner of a curve, and whether the curve shows the corner.

    Parameters
    ----------
    frequency_hz : float array (F,)
        Ascending.
    mu : complex array (F,)
    level : float
        Permeability at low frequency.

    Returns
    -------
    product_hz : float
        (level − 1)·f where |μ| has fallen to 0.7 of its first value; :func:`unfallen_product` where it has
        not.
    fallen : bool
    """
    size = smooth_part(np.log(frequency_hz), np.abs(mu), 0.1)
    at = np.flatnonzero(size < 0.7 * size[0])
    if at.size:
        return (level - 1) * float(frequency_hz[at[0]]), True
    return unfallen_product(level, float(frequency_hz[-1])), False


def unfallen_product(level: float, frequency_hz: float) -> float:
    """Return half of the least that level × corner can be, Hz, where nothing has fallen up to a frequency."""
    return (level - 1) * frequency_hz / 2
