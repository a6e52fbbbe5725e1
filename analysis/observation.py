"""The data of one specimen as rows for identification: the complex logarithm of the reluctivity ν = 1/μ.

λ = ln ν = −ln|μ| + jδ, with δ the loss angle. In λ a scale of the permeability, a wrong turn count and an
error of the geometry are all additive, and a relative deviation of a core from its curve has a covariance
that does not depend on the data (one proportional to the data would pull every level downwards: Peelle's
puzzle of data evaluation, from memory). A gap of ratio g adds to the reluctivity, 1/μe = 1/μ + g, and is
linearised.

A spectrum point gives two rows, Re λ and Im λ. A reading gives one row, −ln μ′ (inductance) or −ln|μ|
(impedance magnitude).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from enum import IntEnum
from functools import lru_cache
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from whichcore.analysis.reading_permeability import ReadingPermeability
from whichcore.analysis.types import ComplexArray, FloatArray, PermeabilitySpectrum, ReadingKind
from whichcore.analysis.uncertainty import common_columns, independent_covariance, propagate
from whichcore.errors import AnalysisError

#: Scatter of a reference curve around its own smooth course (digitising, printing), relative. Practice.
CURVE_ROUGHNESS = 0.003
#: Part of a deviation of ln|μ| that goes into the loss angle, in rad, whatever the angle is. Practice.
CROSS_SHARE = 0.15
#: Smooth relative deviation between cores of one grade, where the spectrum is flat. Practice.
CORE_DEVIATION = 0.03
#: How much more the small loss below the dispersion deviates than the loss near its peak. Practice.
LOW_LOSS_FACTOR = 4.0
#: Loss angle in rad, or slope of ln|μ| over ln f, from which the dispersion counts as fully there. Practice.
FULL_ACTIVITY = 0.3
#: Least share of a core in its reluctivity behind a gap.
_LEAST_SHARE = 0.02
#: Cosine of the loss angle below which a curve is said to show no inductance, and the row it then predicts.
_LEAST_COSINE, _NO_INDUCTANCE = 1e-3, 25.0


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
    log_reluctivity : complex array (P,)
        Measured λ; real for readings.
    whitener : float array (P, 2, 2)
        Inverse Cholesky factor of each point's own covariance; the second row of a reading is zero.
    common : float array (P, 2, K)
        Effect of each common source on the real and imaginary part of λ.
    section_m : (float, float) or None
        Sides of the specimen's magnetic section, when known.
    source_ids : tuple of str (K)
        Source of each column of ``common``.
    temperature_c : float or None
        Of the core, when known.
    """

    frequency_hz: FloatArray
    kind: NDArray[np.int_]
    log_reluctivity: ComplexArray
    whitener: FloatArray
    common: FloatArray
    section_m: tuple[float, float] | None = None
    source_ids: tuple[str, ...] = ()
    temperature_c: float | None = None

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

    def at(self, points: NDArray[np.int_]) -> Observation:
        """Return some of the points, rising; the common sources stay as they are."""
        return replace(
            self,
            frequency_hz=self.frequency_hz[points],
            kind=self.kind[points],
            log_reluctivity=self.log_reluctivity[points],
            whitener=self.whitener[points],
            common=self.common[points],
        )

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


def observe(
    spectrum: PermeabilitySpectrum | None,
    readings: Sequence[ReadingPermeability],
    section_m: tuple[float, float] | None = None,
    temperature_c: float | None = None,
) -> Observation:
    """Join a spectrum and readings into one observation.

    Parameters
    ----------
    spectrum : PermeabilitySpectrum or None
    readings : sequence of ReadingPermeability
    section_m : (float, float) or None
        Sides of the specimen's magnetic section.
    temperature_c : float or None
        Of the core.

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
        log_reluctivity=np.concatenate([part.log_reluctivity for part in parts]),
        whitener=np.concatenate([part.whitener for part in parts]),
        common=np.concatenate([part.columns_for(ids) for part in parts]),
        section_m=section_m,
        source_ids=tuple(ids),
        temperature_c=temperature_c,
    )


@dataclass(frozen=True, slots=True)
class _Rows:
    frequency_hz: FloatArray
    kind: NDArray[np.int_]
    log_reluctivity: ComplexArray
    whitener: FloatArray
    common: FloatArray
    ids: tuple[str, ...]

    def columns_for(self, ids: Sequence[str]) -> FloatArray:
        out = np.zeros((self.frequency_hz.size, 2, len(ids)))
        for k, source in enumerate(self.ids):
            out[:, :, ids.index(source)] = self.common[:, :, k]
        return out


def _spectrum_rows(spectrum: PermeabilitySpectrum) -> _Rows:
    mu, points = spectrum.permeability, spectrum.permeability.size
    if not np.all(np.abs(mu) > 0):
        raise AnalysisError(
            "the permeability is zero at a frequency: that is no core",
            where=f"{spectrum.frequency_hz[np.argmin(np.abs(mu))]:g} Hz",
            got="0",
            next_step="leave the point out, or check the turns and the fixture correction",
        )
    scatter, sources = propagate(spectrum.scatter, spectrum.sources, -1 / mu)
    covariance = independent_covariance(scatter, sources) + CURVE_ROUGHNESS**2 * np.eye(2)
    common = common_columns(sources, spectrum.range_labels, points=points)
    return _Rows(
        frequency_hz=spectrum.frequency_hz,
        kind=np.full(points, RowKind.SPECTRUM),
        log_reluctivity=log_reluctivity(mu),
        whitener=np.linalg.inv(np.linalg.cholesky(covariance)),
        common=np.stack([common.matrix[:points], common.matrix[points:]], axis=1),
        ids=common.ids,
    )


def some_points(observation: Observation, at: NDArray[np.int_]) -> Observation:
    """Return some points of an observation, in the order asked for."""
    return replace(
        observation,
        frequency_hz=observation.frequency_hz[at],
        kind=observation.kind[at],
        log_reluctivity=observation.log_reluctivity[at],
        whitener=observation.whitener[at],
        common=observation.common[at],
    )


def log_reluctivity(permeability: ComplexArray) -> ComplexArray:
    """Return λ = −ln μ with the loss angle between −π/2 and 3π/2, so that no passive core wraps round."""
    angle = -np.angle(permeability)
    return np.asarray(
        -np.log(np.abs(permeability)) + 1j * np.where(angle < -np.pi / 2, angle + 2 * np.pi, angle)
    )


def _reading_rows(reading: ReadingPermeability) -> _Rows:
    if not reading.permeability > 0:
        raise AnalysisError(
            "the reading gives no positive permeability: that is no core",
            where=f"reading at {reading.frequency_hz:g} Hz",
            got=f"{reading.permeability:.4g}",
            next_step="check the reading, the turns and the frequency (is it below the self-resonance?)",
        )
    mu = reading.permeability
    whitener = np.zeros((1, 2, 2))
    whitener[0, 0, 0] = 1 / np.hypot(reading.own_uncertainty / mu, CURVE_ROUGHNESS)
    common = np.zeros((1, 2, len(reading.common)))
    common[0, 0] = [-change / mu for _, change in reading.common]
    inductance = reading.kind == ReadingKind.INDUCTANCE
    return _Rows(
        frequency_hz=np.array([reading.frequency_hz]),
        kind=np.array([RowKind.INVERSE_REAL if inductance else RowKind.INVERSE_MAGNITUDE]),
        log_reluctivity=np.array([-np.log(mu)], dtype=np.complex128),
        whitener=whitener,
        common=common,
        ids=tuple(name for name, _ in reading.common),
    )


def reading_rows(predicted: ComplexArray, observation: Observation) -> ComplexArray:
    """Turn predicted λ (..., P) at the readings into the rows the readings are compared with."""
    out = predicted.copy()
    for point in np.flatnonzero(observation.kind != RowKind.SPECTRUM):
        size, angle = predicted[..., point].real, predicted[..., point].imag
        if observation.kind[point] == RowKind.INVERSE_REAL:
            cosine = np.cos(angle)
            # beyond its resonance a curve shows no inductance: nothing measurable comes near that row
            size = np.where(
                cosine > _LEAST_COSINE, size - np.log(np.maximum(cosine, _LEAST_COSINE)), _NO_INDUCTANCE
            )
        out[..., point] = size
    return out


def behind_gap(observation: Observation, gap_ratio: float) -> tuple[Observation, FloatArray]:
    """Return the core behind a gap, and its share in what is measured.

    Parameters
    ----------
    observation : Observation
    gap_ratio : float
        g in 1/μe = 1/μ + g.

    Returns
    -------
    (Observation, float array (P, 1, 1))
        λ of the core alone, and |μe/μ|, at most one; both from the smoothed data.
    """
    if gap_ratio <= 0:
        return observation, np.ones((observation.frequency_hz.size, 1, 1))
    smooth = local_line(observation.log_frequency, observation.log_reluctivity, 0.25).mean
    whole = np.exp(smooth)
    # where the gap takes all of it the core cannot be seen; the branch then fails by its level
    core = np.maximum(whole.real - gap_ratio, _LEAST_SHARE * np.abs(whole)) + 1j * whole.imag
    share = np.minimum(np.abs(core / whole), 1.0)
    return replace(observation, log_reluctivity=np.asarray(np.log(core))), share[:, None, None]


def deviation_columns(
    observation: Observation, amplitude: float, length: float, flat: float = CORE_DEVIATION
) -> FloatArray:
    """Columns of a smooth relative deviation of the core from its reference curve.

    μ′ and μ″ deviate each by itself: with μ = |μ| exp(−jδ) and relative deviations a of μ′ and b of μ″,
    −δλ = a cos²δ + b sin²δ + j (a − b) sin δ cos δ (derived here, first order). Where a curve rings, its
    loss angle turns within a few points, and the deviation of ln|μ| and of the angle with it.

    Both a and b are Gaussian processes over ln f with squared-exponential covariance, written as white noise
    smoothed by Gaussian bumps: bumps of width ℓ/√2 at a distance of 0.8 ℓ give the covariance exp(−Δ²/2ℓ²)
    with a ripple below 10⁻⁴ (Fourier series of the sum over the bumps).

    Parameters
    ----------
    observation : Observation
    amplitude : float
        Standard deviation, relative.
    length : float
        Correlation length ℓ in ln f.
    flat : float
        Least deviation in the flat part below the dispersion, relative: of the level, and with
        LOW_LOSS_FACTOR of the small loss.

    Returns
    -------
    float array (P, 2, 2 R)
        R columns for μ′ and R for μ″.
    """
    basis = deviation_basis(observation.log_frequency, length)
    sizes = _deviation_sizes(observation, amplitude, flat)
    columns = sizes[:, :, :, None] * basis[:, None, None, :]
    return np.asarray(columns.reshape(basis.shape[0], 2, -1))


def deviation_basis(x: FloatArray, length: float) -> FloatArray:
    """Return the bumps (P, R) whose products are exp(−Δ²/2ℓ²) over x = ln f."""
    width, distance = length / np.sqrt(2), 0.8 * length
    reach = 3 * width
    centres = np.arange(x.min() - reach, x.max() + reach + distance, distance)
    norm = np.sqrt(distance / (width * np.sqrt(np.pi)))
    return np.asarray(norm * np.exp(-0.5 * ((x[:, None] - centres) / width) ** 2))


def _deviation_sizes(observation: Observation, amplitude: float, flat: float) -> FloatArray:
    """Return what one standard deviation of μ′ and of μ″ does to the two parts of λ, (P, 2, 2).

    Below its dispersion a spectrum is flat whatever the material, so that there only the usual spread between
    cores of a grade remains of a larger deviation of the level. The small loss angle there varies much more
    from core to core than the loss near its peak.
    """
    angle, active = course(observation)
    level = np.maximum(flat, amplitude * active)
    loss = amplitude * active + min(1.0, LOW_LOSS_FACTOR * max(amplitude, flat)) * (1 - active)
    cosine, sine = np.cos(angle), np.sin(angle)
    own = np.copysign(np.hypot(loss * sine * cosine, CROSS_SHARE * level), sine * cosine)
    return -np.stack(
        [
            np.stack([level * cosine**2, loss * sine**2], axis=1),
            np.stack([level * sine * cosine, -own], axis=1),
        ],
        axis=1,
    )


def course(observation: Observation) -> tuple[FloatArray, FloatArray]:
    """Return the loss angle of each point and how far it is into the dispersion, 0 to 1, (P,) each.

    The angle is taken by local lines of a quarter in ln f, so that scatter does not pass for loss. The place
    in the dispersion comes from it and from the slope of ln|μ|.
    """
    return _course(observation.log_frequency.tobytes(), observation.log_reluctivity.tobytes())


@lru_cache(maxsize=16)
def _course(log_frequency: bytes, rows: bytes) -> tuple[FloatArray, FloatArray]:
    """Kept for the next deviation of the same data."""
    x, values = np.frombuffer(log_frequency), np.frombuffer(rows, dtype=np.complex128)
    line = local_line(x, values.imag, 0.25)
    angle = np.asarray(line.mean + line.slope * (x - line.centre))
    slope = local_line(x, values.real, 0.4).slope
    return angle, np.asarray(np.clip((slope**2 + angle**2) / FULL_ACTIVITY**2, 0, 1))


class LocalLine(NamedTuple):
    """Line through the neighbours of each point: their mean place, mean value and slope, (P,) each."""

    centre: FloatArray
    mean: Any
    slope: Any


def local_line(x: FloatArray, values: NDArray[Any], width: float) -> LocalLine:
    """Fit a line around each point by a Gaussian window.

    Parameters
    ----------
    x, values : float array (P,), float or complex array (P,)
    width : float
        Standard deviation of the window.
    """
    weight = np.exp(-0.5 * ((x[:, None] - x) / width) ** 2)
    weight /= weight.sum(axis=1, keepdims=True)
    centre = weight @ x
    centred = x - centre[:, None]
    spread = np.maximum((weight * centred**2).sum(axis=1), 1e-6)
    return LocalLine(centre, weight @ values, (weight * centred) @ values / spread)
