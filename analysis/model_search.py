"""The search for the best fit of a law: what is minimised, where it starts, how a valley is followed down."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import lmfit
import numpy as np
from scipy.optimize import nnls

from whichcore.analysis.dispersion_models import Law, Parameter, Span
from whichcore.analysis.types import ComplexArray, FloatArray, PermeabilitySpectrum
from whichcore.analysis.whitening import Whitening, follow_model, smooth_columns, whitening
from whichcore.errors import AnalysisError, InputError

DEVIATION_LENGTH = 1.0
_HOPELESS = 50.0  # χ² above half as much again as the least from which a valley is given up
_SAME = 0.05  # difference of logarithms below which two bottoms are one
_GRID_POINTS = 40
_MARGIN = 0.01
_STEP = 1e-4
_FINE, _COARSE = (1e-10, 150), (1e-7, 60)  # relative change that ends a search, evaluations at most


@dataclass(frozen=True, slots=True)
class Nuisance:
    """What is fitted beside the law.

    Attributes
    ----------
    free_level : bool
        The level is not tied to the geometry: only the shape of the curve counts.
    copper_l0_h : float or None
        Air-core inductance L0 of the winding, where a winding resistance more or less than was taken off,
        R/(jωL0), may remain; None: it may not.
    """

    free_level: bool = False
    copper_l0_h: float | None = None


COPPER = Parameter("copper_residue", "R", "Ω", -np.inf, np.inf, logarithmic=False)
_FREE_LEVEL = 1.0  # standard deviation of ln(level), where the level is free: a factor of 2.7 either way


@dataclass(frozen=True, slots=True)
class Problem:
    """What is minimised: data, law, parameters and whitening."""

    law: Law
    spectrum: PermeabilitySpectrum
    parameters: tuple[Parameter, ...]
    whiten: Whitening
    copper_l0_h: float = np.nan

    @property
    def has_copper(self) -> bool:
        """Whether a copper residue is fitted, the last of the parameters."""
        return self.parameters[-1].name == COPPER.name

    @property
    def _copper_size(self) -> float:
        """R that makes up the whole of μ at the lowest frequency, Ω."""
        lowest = 2 * np.pi * self.spectrum.frequency_hz[0] * self.copper_l0_h
        return float(lowest * np.abs(self.spectrum.permeability[0]))

    def values(self, inner: FloatArray) -> FloatArray:
        """Return parameter values from what is fitted, (k,)."""
        return np.array([p.outside(float(x)) for p, x in zip(self.parameters, inner, strict=True)])

    def model(self, inner: FloatArray) -> ComplexArray:
        """Return the law with the copper residue on it, (F,)."""
        values = self.values(inner)
        frequency = self.spectrum.frequency_hz
        if not self.has_copper:
            return self.law.permeability(frequency, values)
        residue = values[-1] / (2j * np.pi * frequency * self.copper_l0_h)
        return np.asarray(self.law.permeability(frequency, values[:-1]) + residue)

    def residual(self, inner: FloatArray) -> FloatArray:
        """Return whitened data less model, (2F,)."""
        return self.whiten(self.spectrum.permeability - self.model(inner))

    def chi_squared(self, inner: FloatArray) -> float:
        """Return rᵀV⁻¹r."""
        return float(np.sum(self.residual(inner) ** 2))

    def jacobian(self, inner: FloatArray) -> FloatArray:
        """Return d(residual)/d(inner) by central differences, (2F, k)."""
        columns = []
        for index, parameter in enumerate(self.parameters):
            step = _STEP if parameter.name != COPPER.name else _STEP * self._copper_size
            low, high = parameter.bounds
            up, down = inner.copy(), inner.copy()
            up[index], down[index] = min(inner[index] + step, high), max(inner[index] - step, low)
            columns.append((self.residual(up) - self.residual(down)) / (up[index] - down[index]))
        return np.stack(columns, axis=1)


def require_fittable(spectrum: PermeabilitySpectrum, count: int, law: Law) -> None:
    """Refuse spectra that cannot carry ``count`` parameters of a law."""
    mu = spectrum.permeability
    points = spectrum.frequency_hz.size
    if not (np.isfinite(mu).all() and np.isfinite(spectrum.frequency_hz).all() and (np.abs(mu) > 0).all()):
        raise InputError(
            "a permeability is zero or not finite", where="permeability", allowed="finite, not 0"
        )
    if points <= count:
        raise AnalysisError(
            "too few points for the parameters of the law",
            where=law.name,
            got=f"{points} {'point' if points == 1 else 'points'}, {count} parameters",
            allowed=f"{count + 1} points or more",
            next_step="sweep more points, or fit a law with fewer parameters",
        )
    if not (mu.imag < 0).any():
        raise AnalysisError(
            "the core shows no loss at any point, so there is no dispersion to fit",
            where="μ″",
            got=f"{-mu.imag.min():.3g} to {-mu.imag.max():.3g}" if mu.imag.max() > 0 else "0 everywhere",
            allowed="a positive loss somewhere",
            next_step="check the sign of the imaginary part, and the dc resistance stated of the winding",
        )


def search(
    spectrum: PermeabilitySpectrum, law: Law, nuisance: Nuisance
) -> tuple[Problem, tuple[FloatArray, ...]]:
    """Return the problem under the points' own scatter, and the bottoms of its valleys, deepest first.

    Raises
    ------
    InputError
        A value is not finite, or a scatter not positive.
    AnalysisError
        Too few points for the parameters, or no loss at all.
    """
    copper = nuisance.copper_l0_h is not None
    size = float(np.max(np.abs(spectrum.permeability), initial=0.0))
    require_fittable(spectrum, len(law.strengths) + law.shape_count + copper, law)
    span = Span(float(spectrum.frequency_hz[0]), float(spectrum.frequency_hz[-1]), size)
    parameters = law.parameters(span) + ((COPPER,) if copper else ())
    whole = whitening(spectrum)
    own = Whitening(whole.inverse_blocks, np.zeros((2 * spectrum.frequency_hz.size, 0)), np.zeros(0), 0.0)
    problem = Problem(law, spectrum, parameters, own, nuisance.copper_l0_h or np.nan)
    return problem, valleys(problem, [solve(problem, start, fine=False) for start in _starts(problem, span)])


def valleys(problem: Problem, starts: Sequence[FloatArray]) -> tuple[FloatArray, ...]:
    """Follow each start down and return the different places reached, deepest first."""
    reached = sorted(
        (problem.chi_squared(inner), tuple(inner)) for inner in (solve(problem, start) for start in starts)
    )
    kept: list[FloatArray] = []
    for depth, place in reached:
        if depth > 1.5 * reached[0][0] + _HOPELESS:
            break
        inner = np.array(place)
        if all(np.abs(inner - other).max() > _SAME for other in kept):
            kept.append(inner)
    return tuple(kept)


def _starts(problem: Problem, span: Span) -> list[FloatArray]:
    """Return the best place of each group of shapes, the strengths solved for in each (linear, ≥ 0).

    Points are weighted by 1/|μ|: a start must have the look of the whole curve, however fine its noise.
    """
    law, spectrum = problem.law, problem.spectrum
    some = np.unique(np.linspace(0, spectrum.frequency_hz.size - 1, _GRID_POINTS).astype(int))
    f, mu = spectrum.frequency_hz[some], spectrum.permeability[some]
    weight = 1 / np.abs(mu)
    target = _stacked((mu - law.offset) * weight)

    def matched(shape: tuple[float, ...]) -> tuple[float, tuple[float, ...]]:
        columns = np.stack([_stacked(column * weight) for column in law.basis(f, shape)], axis=1)
        strengths, misfit = nnls(columns, target)
        return float(misfit), (*strengths.tolist(), *shape)

    best = [min(map(matched, group)) for group in law.grid(span)]
    return [_inside(problem.parameters, values) for _, values in best]


def _stacked(values: ComplexArray) -> FloatArray:
    return np.concatenate([values.real, values.imag])


def _inside(parameters: tuple[Parameter, ...], values: tuple[float, ...]) -> FloatArray:
    """Return starting values a little inside the bounds; a copper residue starts at none."""
    inner = []
    for parameter, value in zip(parameters, (*values, 0.0), strict=False):
        low, high = parameter.bounds
        if np.isfinite(low):
            margin = 0.02 * (high - low)
            at = parameter.inside(max(value, np.finfo(float).tiny)) if parameter.logarithmic else value
            inner.append(min(max(at, low + margin), high - margin))
        else:
            inner.append(value)
    return np.array(inner)


def solve(problem: Problem, start: FloatArray, fixed: int | None = None, *, fine: bool = True) -> FloatArray:
    """Return the best fit from a start, one parameter held where asked."""
    variables = lmfit.Parameters()
    for index, parameter in enumerate(problem.parameters):
        low, high = parameter.bounds
        # a search that begins on a bound hardly leaves it
        margin = _MARGIN * (high - low) if index != fixed and np.isfinite(high) else 0.0
        value = float(np.clip(start[index], low + margin, high - margin))
        variables.add(f"p{index}", value=value, min=low, max=high, vary=index != fixed)

    def residual(given: lmfit.Parameters) -> FloatArray:
        return problem.residual(np.array([given[name].value for name in given]))

    if all(not variables[name].vary for name in variables):
        return start
    tolerance, evaluations = _FINE if fine else _COARSE
    with np.errstate(invalid="ignore"):  # of its own error bars, which are not used
        done = lmfit.minimize(
            residual, variables, method="least_squares", x_scale="jac", xtol=tolerance, ftol=tolerance,
            gtol=tolerance, max_nfev=evaluations * start.size, calc_covar=False,
        )  # fmt: skip
    return np.array([done.params[name].value for name in done.params])


def with_whitening(problem: Problem, inner: FloatArray, nuisance: Nuisance, amplitude: float) -> Problem:
    """Return the problem under the whole covariance, its common part following the model."""
    model = problem.model(inner)
    extra = np.zeros((model.size, 2, 0))
    if amplitude > 0:
        extra = amplitude * smooth_columns(problem.spectrum.frequency_hz, model, DEVIATION_LENGTH)
    if nuisance.free_level:
        level = _FREE_LEVEL * np.stack([model.real, model.imag], axis=1)[:, :, np.newaxis]
        extra = np.concatenate([extra, level], axis=2)
    followed = follow_model(problem.spectrum, model)
    return replace(problem, whiten=whitening(followed, extra))


def log_likelihood(problem: Problem, inner: FloatArray) -> float:
    """Return ln L of the data, but for the constant of their number."""
    return -0.5 * (problem.chi_squared(inner) + problem.whiten.log_determinant)
