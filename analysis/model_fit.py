"""A law of dispersion fitted to a permeability spectrum, under the whole covariance of the spectrum.

Strengths, frequencies and dampings are fitted in their logarithms, inside bounds that keep the law passive,
from several starts. Uncertainties come from the curvature at the best fit where χ² is a parabola out to the
95 % interval, from the profile of χ² where it is not. A parameter without an error bar carries the reason.

A law that misses the data beyond their uncertainty (χ² of a probability below ``MISSES``) is fitted again
with a smooth relative deviation of curve from law admitted, of the amplitude that makes the data most
likely. Its uncertainties are wider by what the misfit asks for.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.stats import chi2

from whichcore.analysis.dispersion_models import Derived, Law, Parameter
from whichcore.analysis.model_interval import LOOSE, NORMAL_95, Interval, Surface, interval_of
from whichcore.analysis.model_search import (
    Nuisance,
    Problem,
    log_likelihood,
    search,
    solve,
    valleys,
    with_whitening,
)
from whichcore.analysis.types import ComplexArray, FloatArray, PermeabilitySpectrum
from whichcore.analysis.whitening import Whitening

MISSES = 0.01
DESCRIBES = 0.3
_NO_USE = "the law does not describe these data"
_AMPLITUDES = np.geomspace(5e-4, 0.5, 11)
_PATIENCE = 4
_MISSED_UNITS = 3.0
_AS_WELL = 3.8415  # chi-squared, 95 %, one degree of freedom; memory
_STEP = 1e-4
#: Relative distance from which on two values are told as two: they are printed with four digits.
_TOLD_APART = 1e-3
_NO_NUISANCE = Nuisance()


@dataclass(frozen=True, slots=True)
class FittedParameter:
    """One parameter, or one quantity that follows from them.

    Attributes
    ----------
    name, symbol, unit : str
    value : float
    standard_uncertainty : float or None
        None where an error bar would mislead; ``reason`` says why.
    low, high : float or None
        Ends of the 95 % interval; None where it is open.
    reason : str
        Empty where there is a plain error bar.
    also : tuple of float
        Values of other solutions that fit as well and lie outside the interval.
    """

    name: str
    symbol: str
    unit: str
    value: float
    standard_uncertainty: float | None
    low: float | None
    high: float | None
    reason: str = ""
    also: tuple[float, ...] = ()


@dataclass(frozen=True, slots=True)
class ModelFit:
    """One law fitted.

    Attributes
    ----------
    law : Law
    parameters, derived : tuple of FittedParameter
    correlation : float array (k, k)
        Of what is fitted (logarithms, mostly); NaN for a parameter at its bound.
    chi_squared : float
        Under the covariance of the measurement alone.
    degrees_of_freedom : int
    deviation : float
        Smooth relative deviation admitted, one standard deviation; 0 where the law meets the data.
    log_likelihood, log_evidence : float
        With the deviation admitted. The evidence is Laplace's, under a flat density of what is fitted
        between its bounds; see :mod:`whichcore.analysis.model_comparison`.
    frequency_hz : float array (F,)
    permeability : complex array (F,)
        The law alone.
    residual : float array (F, 2)
        Data less law of real and imaginary part in units of the scatter, common errors of the measurement
        taken out at their most likely.
    missed : tuple of (float, float)
        Bands, Hz, in which the residual is beyond three units.
    """

    law: Law
    parameters: tuple[FittedParameter, ...]
    derived: tuple[FittedParameter, ...]
    correlation: FloatArray
    chi_squared: float
    degrees_of_freedom: int
    deviation: float
    log_likelihood: float
    log_evidence: float
    frequency_hz: FloatArray
    permeability: ComplexArray
    residual: FloatArray
    missed: tuple[tuple[float, float], ...]

    @property
    def reduced(self) -> float:
        """χ² per degree of freedom."""
        return self.chi_squared / self.degrees_of_freedom

    @property
    def meets_data(self) -> bool:
        """Whether the law follows the data within their uncertainty."""
        return self.deviation == 0

    @property
    def describes_data(self) -> bool:
        """Whether the law has the look of the curve at all."""
        return self.deviation < DESCRIBES

    @property
    def aic(self) -> float:
        """−2 ln L + 2k (H. Akaike, IEEE Trans. Autom. Control 19, 716 (1974); from memory)."""
        return -2 * self.log_likelihood + 2 * self._free

    @property
    def bic(self) -> float:
        """−2 ln L + k ln n (G. Schwarz, Ann. Stat. 6, 461 (1978); from memory), n = 2F."""
        return -2 * self.log_likelihood + self._free * float(np.log(2 * self.frequency_hz.size))

    @property
    def _free(self) -> int:
        return len(self.parameters) + (self.deviation > 0)


def fit_law(
    spectrum: PermeabilitySpectrum,
    law: Law,
    nuisance: Nuisance = _NO_NUISANCE,
    further: tuple[Derived, ...] = (),
) -> ModelFit:
    """Fit one law to a spectrum.

    Parameters
    ----------
    spectrum : PermeabilitySpectrum
    law : Law
    nuisance : Nuisance
    further : tuple of Derived
        Quantities wanted beside those of the law.

    Returns
    -------
    ModelFit

    Raises
    ------
    InputError
        A value is not finite, or a scatter not positive.
    AnalysisError
        Too few points for the parameters, or no loss at all.
    """
    problem, bottoms = search(spectrum, law, nuisance)
    # the common sensitivities follow the model, which in turn moves a little: twice is enough
    for _ in range(2):
        problem = with_whitening(problem, bottoms[0], nuisance, 0.0)
        bottoms = valleys(problem, bottoms)
    measured = problem.whiten
    chi_squared = problem.chi_squared(bottoms[0])
    freedom = 2 * spectrum.frequency_hz.size - bottoms[0].size
    amplitude = 0.0
    if chi2.sf(chi_squared, freedom) < MISSES:
        problem, bottoms, amplitude = _with_deviation(problem, bottoms, nuisance)
    return _result(problem, bottoms, amplitude, _Plain(chi_squared, freedom, measured), further)


@dataclass(frozen=True, slots=True)
class _Plain:
    """The fit under the covariance of the measurement alone."""

    chi_squared: float
    degrees_of_freedom: int
    whiten: Whitening


def _with_deviation(
    problem: Problem, bottoms: tuple[FloatArray, ...], nuisance: Nuisance
) -> tuple[Problem, tuple[FloatArray, ...], float]:
    """Fit again with the smooth deviation that makes the data most likely.

    The law is fitted anew under each amplitude, from small to large: with parameter values of a fit that
    knows of no deviation, the misfit and so the amplitude would come out too large.
    """
    best: tuple[float, float, Problem, FloatArray] | None = None
    place, since = bottoms[0], 0
    for amplitude in _AMPLITUDES.tolist():
        trial = with_whitening(problem, place, nuisance, amplitude)
        place = solve(trial, place, fine=False)
        likelihood = log_likelihood(trial, place)
        if best is None or likelihood > best[0]:
            best, since = (likelihood, amplitude, trial, place), 0
        since += 1
        if since > _PATIENCE:
            break
    assert best is not None  # noqa: S101 - there are amplitudes
    _, amplitude, chosen, place = best
    return chosen, valleys(chosen, [place, *bottoms]), amplitude


def _result(
    problem: Problem,
    bottoms: tuple[FloatArray, ...],
    amplitude: float,
    plain: _Plain,
    further: tuple[Derived, ...],
) -> ModelFit:
    best, others = bottoms[0], _as_good(problem, bottoms)
    told = amplitude < DESCRIBES
    surface = _surface(problem, best)
    values = problem.values(best)
    law_values = values[: values.size - problem.has_copper]
    residual = plain.whiten.left(problem.spectrum.permeability - problem.model(best))
    frequency = problem.spectrum.frequency_hz
    beyond = np.abs(residual).max(axis=1) > _MISSED_UNITS
    likelihood = log_likelihood(problem, best)
    return ModelFit(
        law=problem.law,
        parameters=tuple(
            _said(parameter, index, surface, others) if told else _bare(parameter, surface.best[index])
            for index, parameter in enumerate(problem.parameters)
        ),
        derived=tuple(
            _follows(item, problem, surface, others) for item in (*problem.law.derived, *further) if told
        ),
        correlation=surface.correlation,
        chi_squared=plain.chi_squared,
        degrees_of_freedom=plain.degrees_of_freedom,
        deviation=amplitude,
        log_likelihood=likelihood,
        log_evidence=likelihood + surface.log_volume,
        frequency_hz=frequency,
        permeability=problem.law.permeability(frequency, law_values),
        residual=residual,
        missed=() if amplitude == 0 else _missed(frequency, beyond),
    )


def _surface(problem: Problem, place: FloatArray) -> Surface:
    return Surface(
        place,
        problem.parameters,
        problem.jacobian(place),
        problem.chi_squared,
        lambda index, at, start: solve(problem, _placed(start, index, at), index, fine=False),
    )


def _as_good(problem: Problem, bottoms: tuple[FloatArray, ...]) -> tuple[FloatArray, ...]:
    """Return the other bottoms that the 95 % interval of a profile would hold."""
    least = problem.chi_squared(bottoms[0])
    return tuple(other for other in bottoms[1:] if problem.chi_squared(other) - least < _AS_WELL)


def _placed(start: FloatArray, index: int, at: float) -> FloatArray:
    moved = start.copy()
    moved[index] = at
    return moved


def _said(
    parameter: Parameter, index: int, surface: Surface, others: tuple[FloatArray, ...]
) -> FittedParameter:
    interval = interval_of(surface, index)
    value = parameter.outside(float(surface.best[index]))
    low, high = (None if end is None else parameter.outside(end) for end in (interval.low, interval.high))
    also = _apart(
        parameter.outside(float(other[index])) for other in others if _outside(float(other[index]), interval)
    )
    also = tuple(v for v in also if not any(end is not None and _alike(v, end) for end in (low, high)))
    slope = value if parameter.logarithmic else 1.0
    u = None if interval.standard_uncertainty is None else slope * interval.standard_uncertainty
    found = FittedParameter(
        parameter.name, parameter.symbol, parameter.unit, value, u, low, high, interval.reason
    )
    return _with_others(found, also)


def _bare(parameter: Parameter, inner: float) -> FittedParameter:
    value = parameter.outside(float(inner))
    return FittedParameter(parameter.name, parameter.symbol, parameter.unit, value, None, None, None, _NO_USE)


def _outside(value: float, interval: Interval) -> bool:
    below = interval.low is not None and value < interval.low
    return below or (interval.high is not None and value > interval.high)


def _alike(one: float, other: float) -> bool:
    """Tell whether two values are one to the digits that are told."""
    return abs(one - other) <= _TOLD_APART * abs(other)


def _apart(values: Iterable[float]) -> tuple[float, ...]:
    """Return values without those that are another one to the digits that are told."""
    kept: list[float] = []
    for value in values:
        if not any(_alike(value, one) for one in kept):
            kept.append(value)
    return tuple(kept)


def _with_others(found: FittedParameter, also: tuple[float, ...]) -> FittedParameter:
    """Take the error bar away where another solution, outside it, fits as well."""
    if not also:
        return found
    return replace(found, standard_uncertainty=None, also=also, reason="another solution fits as well")


def _follows(
    item: Derived, problem: Problem, surface: Surface, others: tuple[FloatArray, ...]
) -> FittedParameter:
    """Carry the covariance of what is fitted to the logarithm of a quantity (JCGM 102:2011, 6.2.1)."""

    def logarithm(inner: FloatArray) -> float:
        return float(np.log(item.formula(problem.values(inner)[: inner.size - problem.has_copper])))

    best = surface.best
    centre = logarithm(best)
    value = float(np.exp(centre))
    slopes = np.array([_slope(logarithm, best, index) for index in range(best.size)])
    u = float(np.sqrt(max(slopes @ surface.bounded_covariance @ slopes, 0.0)))
    if u > LOOSE:
        why = "not constrained by these data"
        return FittedParameter(item.name, item.symbol, item.unit, value, None, None, None, why)
    low, high = np.exp([centre - NORMAL_95 * u, centre + NORMAL_95 * u]).tolist()
    there = [float(np.exp(logarithm(other))) for other in others]
    also = _apart(
        other for other in there if not (low <= other <= high or _alike(other, low) or _alike(other, high))
    )
    return _with_others(FittedParameter(item.name, item.symbol, item.unit, value, value * u, low, high), also)


def _slope(function: Callable[[FloatArray], float], at: FloatArray, index: int) -> float:
    step = _STEP
    return (
        function(_placed(at, index, at[index] + step)) - function(_placed(at, index, at[index] - step))
    ) / (2 * step)


def _missed(frequency_hz: FloatArray, beyond: NDArray[np.bool_]) -> tuple[tuple[float, float], ...]:
    """Return the bands in which points lie beyond; a single good point does not end a band."""
    bands: list[tuple[int, int]] = []
    for index in np.flatnonzero(beyond).tolist():
        if bands and index - bands[-1][1] <= 2:
            bands[-1] = (bands[-1][0], index)
        else:
            bands.append((index, index))
    return tuple((float(frequency_hz[a]), float(frequency_hz[b])) for a, b in bands)
