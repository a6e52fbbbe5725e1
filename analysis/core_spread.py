"""Several cores of one grade: their mean curve, and how far the cores lie apart.

A core k of a grade shows λ_k(x) = λ̄(x − κ_k) + a_k + d_k(x) over x = ln f, with λ = −ln μ: a level, a corner
and a smooth deviation of its own. Levels and corners are aligned by weighted least squares, the curve is the
weighted mean of what is aligned, and the scatter of a, κ and d between the cores is the spread of the grade,
less what the bench itself contributes. A few cores say little about a spread: it is joined with what is
believed before any core is seen (see `whichcore.analysis.small_sample`).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.interpolate import PchipInterpolator

from whichcore.analysis.observation import CORE_DEVIATION, CROSS_SHARE, FULL_ACTIVITY, log_reluctivity
from whichcore.analysis.small_sample import ONE_SIGMA, TWO_SIGMA, Believed, Sample
from whichcore.analysis.types import ComplexArray, ErrorSource, FloatArray, PermeabilitySpectrum, Scope
from whichcore.analysis.uncertainty import (
    ACROSS_SPECIMENS,
    common_columns,
    independent_covariance,
    propagate,
)
from whichcore.errors import AnalysisError

#: Spread believed before any core is seen: two standard deviations of the level, one of the deviation, and
#: the number of cores that such a belief weighs. Practice.
USUAL_TOLERANCE, BELIEF_WEIGHT = 0.25, 4.0
#: Correlation length of the deviation in ln f, as the judge of identification has it. Practice.
DEVIATION_LENGTH = 1.2
#: Standard deviation of a corner in ln f that keeps it in place where no dispersion shows it. Practice.
_CORNER_HOLD = 0.3
#: Part of the full activity from which on a point shows the dispersion. Practice.
_ACTIVE = 0.5
_ROUNDS = 4
_NEAR = 1e-9


@dataclass(frozen=True, slots=True)
class CornerLaw:
    """How the corner goes with the level: ln(corner) = −p ln(level) + ε.

    Attributes
    ----------
    exponent, uncertainty : float
        p and its standard uncertainty, Student's factor for the few cores included.
    spread : float
        Standard deviation of ε, that of the bench included.
    """

    exponent: float
    uncertainty: float
    spread: float


@dataclass(frozen=True, slots=True)
class CoreSpread:
    """Mean curve of K cores and their spread.

    Attributes
    ----------
    frequency_hz : float array (F,)
        Within the span that all cores share.
    permeability : complex array (F,)
    u_loss : float array (F,)
        Standard uncertainty of μ″ of the mean by the scatter and the sources that the cores do not share.
    log_level : float array (K,)
        ln of each core's level over the mean's.
    log_corner : float array (K,)
        ln of each core's corner over the mean's.
    level, deviation : Sample
        Spread of ln(level), one standard deviation; smooth deviation in the dispersion. The latter holds no
        core where the band shows no dispersion.
    corner : CornerLaw or None
        None for fewer than three cores or where the band shows no dispersion.
    """

    frequency_hz: FloatArray
    permeability: ComplexArray
    u_loss: FloatArray
    log_level: FloatArray
    log_corner: FloatArray
    level: Sample
    deviation: Sample
    corner: CornerLaw | None

    @property
    def tolerance(self) -> float:
        """Half width that holds 95 % of further cores, as two standard deviations of a material."""
        believed = Believed.holding(TWO_SIGMA, USUAL_TOLERANCE, BELIEF_WEIGHT)
        return believed.half_width(TWO_SIGMA, self.level, self.log_level.size)

    @property
    def curve_deviation(self) -> float:
        """Standard deviation of a further core from the mean curve, in its dispersion."""
        believed = Believed.holding(ONE_SIGMA, CORE_DEVIATION, BELIEF_WEIGHT)
        return believed.half_width(ONE_SIGMA, self.deviation, self.log_level.size)


def spread_of(
    spectra: Sequence[PermeabilitySpectrum], shared_scopes: frozenset[Scope] = ACROSS_SPECIMENS
) -> CoreSpread:
    """Align several cores of one grade and measure their spread.

    Parameters
    ----------
    spectra : sequence of PermeabilitySpectrum (K)
        Two or more.
    shared_scopes : set of Scope
        Sources that shift all cores alike: they make no spread, and are not taken off it. RANGE belongs here
        too where all sweeps were taken with one calibration.

    Raises
    ------
    AnalysisError
        Fewer than two cores, spans that do not overlap, or fewer than three points in common.
    """
    frequency = _common_grid(spectra)
    cores = [_core_rows(s, frequency, shared_scopes) for s in spectra]
    mean, fits = _align(np.log(frequency), cores)
    level, corner = np.array([fit.parameters for fit in fits]).T
    bench = np.mean([np.diag(fit.covariance) for fit in fits], axis=0)
    active = _activity(np.log(frequency), mean) > _ACTIVE
    count = len(cores)
    return CoreSpread(
        frequency_hz=frequency,
        permeability=np.asarray(np.exp(-mean)),
        u_loss=_loss_uncertainty(mean, cores),
        log_level=-level,
        log_corner=corner,
        level=Sample(float(level @ level) / (count - 1), count - 1, float(bench[0])),
        deviation=_deviation(np.log(frequency), mean, fits, active),
        corner=_corner_law(-level, corner) if active.any() and count > 2 else None,
    )


# ----------------------------------------------------------------------------- one grid for all cores


def _common_grid(spectra: Sequence[PermeabilitySpectrum]) -> FloatArray:
    """Return the points of the sparsest core within the span of all of them."""
    if len(spectra) < 2:
        raise AnalysisError(
            "one core has no spread", where="cores", got=f"{len(spectra)}", allowed="2 or more"
        )
    low = max(float(s.frequency_hz[0]) for s in spectra)
    high = min(float(s.frequency_hz[-1]) for s in spectra)
    inside = [
        s.frequency_hz[(s.frequency_hz >= low * (1 - _NEAR)) & (s.frequency_hz <= high * (1 + _NEAR))]
        for s in spectra
    ]
    least = min(inside, key=lambda points: points.size)
    if low >= high or least.size < 3:
        spans = ", ".join(f"{s.frequency_hz[0]:g} to {s.frequency_hz[-1]:g} Hz" for s in spectra)
        raise AnalysisError(
            "the sweeps have too little of the band in common",
            where="sweeps",
            got=spans,
            allowed="three frequencies or more within the span of all of them",
            next_step="sweep all cores over one band",
        )
    return np.asarray(np.clip(least, low, high))


@dataclass(frozen=True, slots=True)
class _Rows:
    """λ of one core on the common grid, its own covariance (F, 2, 2), its common columns (2F, J)."""

    log_reluctivity: ComplexArray
    own: FloatArray
    columns: FloatArray

    def covariance(self) -> FloatArray:
        """Return all of it, (2F, 2F), real parts first."""
        points = self.own.shape[0]
        out = self.columns @ self.columns.T
        at = np.arange(points)
        for i in range(2):
            for j in range(2):
                out[at + i * points, at + j * points] += self.own[:, i, j]
        return np.asarray(out)


def _core_rows(spectrum: PermeabilitySpectrum, grid: FloatArray, shared: frozenset[Scope]) -> _Rows:
    own_sources = [s for s in spectrum.sources if s.scope not in shared]
    scatter, sources = propagate(spectrum.scatter, own_sources, -1 / spectrum.permeability)
    x, at = np.log(spectrum.frequency_hz), np.log(grid)
    near = np.abs(at[:, None] - x).argmin(axis=1)
    rows = log_reluctivity(spectrum.permeability)
    parts = PchipInterpolator(x, np.stack([rows.real, rows.imag], axis=1))(np.clip(at, x[0], x[-1]))
    labels = spectrum.range_labels
    taken = [ErrorSource(s.id, s.scope, s.sensitivity[near], s.distribution) for s in sources]
    columns = common_columns(taken, None if labels is None else [labels[i] for i in near], points=at.size)
    return _Rows(
        parts[:, 0] + 1j * parts[:, 1], independent_covariance(scatter, sources)[near], columns.matrix
    )


# ------------------------------------------------------------------------------------------ alignment


@dataclass(frozen=True, slots=True)
class _Fit:
    """Level (in λ) and corner of one core, with what is left, (2F,), and the law by which both came about."""

    parameters: FloatArray
    left: FloatArray
    covariance: FloatArray
    remainder: FloatArray
    rows: _Rows


def _align(x: FloatArray, cores: Sequence[_Rows]) -> tuple[ComplexArray, list[_Fit]]:
    mean = np.asarray(np.mean([core.log_reluctivity for core in cores], axis=0))
    fits = [_fit(x, mean, core) for core in cores]
    for _ in range(_ROUNDS):
        centre = np.mean([fit.parameters for fit in fits], axis=0)
        slope = np.gradient(mean, x)
        aligned = [
            core.log_reluctivity - (fit.parameters[0] - centre[0]) + (fit.parameters[1] - centre[1]) * slope
            for core, fit in zip(cores, fits, strict=True)
        ]
        mean = _weighted_mean(aligned, cores)
        fits = [_fit(x, mean, core) for core in cores]
    centre = np.mean([fit.parameters for fit in fits], axis=0)
    return mean, [
        _Fit(fit.parameters - centre, fit.left, fit.covariance, fit.remainder, fit.rows) for fit in fits
    ]


def _weighted_mean(aligned: Sequence[ComplexArray], cores: Sequence[_Rows]) -> ComplexArray:
    """Mean of the aligned curves, each part weighed by its own noise beside the usual deviation."""
    parts = []
    for i, values in enumerate((np.real(aligned), np.imag(aligned))):
        noise = np.array([core.own[:, i, i] for core in cores])
        size = CORE_DEVIATION if i == 0 else _angle_size(np.mean(np.imag(aligned), axis=0), CORE_DEVIATION)
        weight = 1 / (noise + np.square(size))
        parts.append((weight * values).sum(axis=0) / weight.sum(axis=0))
    return np.asarray(parts[0] + 1j * parts[1])


def _angle_size(angle: FloatArray, deviation: float) -> FloatArray:
    """Return how far a relative deviation moves the loss angle, rad: see `whichcore.analysis.observation`."""
    return np.asarray(deviation * np.hypot(angle, CROSS_SHARE))


def _fit(x: FloatArray, mean: ComplexArray, core: _Rows) -> _Fit:
    """Fit level and corner of one core against the mean, each part weighed by noise and deviation."""
    slope = np.gradient(mean, x)
    design = np.stack([np.r_[np.ones(x.size), np.zeros(x.size)], -np.r_[slope.real, slope.imag]], axis=1)
    size = np.r_[np.full(x.size, CORE_DEVIATION), _angle_size(mean.imag, CORE_DEVIATION)]
    noise = np.r_[core.own[:, 0, 0], core.own[:, 1, 1]]
    weight = 1 / (size**2 + noise)
    hold = np.diag([0.0, 1 / _CORNER_HOLD**2])
    gain = np.linalg.solve(design.T @ (weight[:, None] * design) + hold, design.T * weight)
    difference = core.log_reluctivity - mean
    rows = np.r_[difference.real, difference.imag]
    parameters = gain @ rows
    covariance = gain @ core.covariance() @ gain.T
    remainder = np.eye(rows.size) - design @ gain
    return _Fit(parameters, rows - design @ parameters, covariance, remainder, core)


# ------------------------------------------------------------------------------------------- the spread


def _activity(x: FloatArray, mean: ComplexArray) -> FloatArray:
    """How far each point is into the dispersion, 0 to 1, as `whichcore.analysis.observation` has it."""
    slope = np.gradient(mean.real, x)
    return np.asarray(np.clip((slope**2 + mean.imag**2) / FULL_ACTIVITY**2, 0, 1))


def _deviation(x: FloatArray, mean: ComplexArray, fits: Sequence[_Fit], active: NDArray[np.bool_]) -> Sample:
    """Mean square of the relative deviation in the dispersion, the bench's part of it, degrees of freedom.

    What fitting level and corner takes out of a smooth deviation is given back: the share that is left of a
    deviation of unit size follows from the same projection.
    """
    if not active.any():
        return Sample(0.0, 0.0, 0.0)
    size = np.r_[np.ones(x.size), _angle_size(mean.imag, 1.0)]
    used = np.tile(active, 2)
    count = len(fits)
    smooth = np.exp(-0.5 * ((x[:, None] - x) / DEVIATION_LENGTH) ** 2)
    unit = np.kron(np.eye(2), smooth) * np.outer(size, size)

    def share(covariance: FloatArray, fit: _Fit) -> float:
        left = np.einsum("ij,jk,ik->i", fit.remainder, covariance, fit.remainder, optimize=True)
        return float(np.mean((left / size**2)[used]))

    kept = float(np.mean([share(unit, fit) for fit in fits]))
    bench = float(np.mean([share(fit.rows.covariance(), fit) for fit in fits]))
    left = np.array([fit.left / size for fit in fits])[:, used]
    observed = float(((left - left.mean(axis=0)) ** 2).mean(axis=1).sum() / (count - 1))
    stretches = max(1.0, 2 * float(np.ptp(x[active])) / DEVIATION_LENGTH * kept)
    return Sample(observed / kept, (count - 1) * stretches, bench / kept)


def _corner_law(log_level: FloatArray, log_corner: FloatArray) -> CornerLaw:
    """Regress the corner on the level through their common mean."""
    freedom = log_level.size - 2
    square = float(log_level @ log_level)
    exponent = -float(log_level @ log_corner) / square if square > 0 else 0.0
    left = log_corner + exponent * log_level
    variance = float(left @ left) / freedom
    # Student's 68 % factor (JCGM 100:2008, G.3): two or three cores more than two say little
    uncertainty = Sample.student(freedom) * np.sqrt(variance / square) if square > 0 else np.inf
    return CornerLaw(exponent, float(uncertainty), float(np.sqrt(variance)))


def _loss_uncertainty(mean: ComplexArray, cores: Sequence[_Rows]) -> FloatArray:
    """Return the standard uncertainty of μ″ = |μ| sin δ of the mean, (F,)."""
    points = mean.size
    whole = np.sum([core.covariance() for core in cores], axis=0) / len(cores) ** 2
    at = np.arange(points)
    size, angle = np.exp(-mean.real), mean.imag
    d_real, d_angle = -size * np.sin(angle), size * np.cos(angle)
    variance = (
        d_real**2 * whole[at, at]
        + d_angle**2 * whole[at + points, at + points]
        + 2 * d_real * d_angle * whole[at, at + points]
    )
    return np.asarray(np.sqrt(np.maximum(variance, 0.0)))
