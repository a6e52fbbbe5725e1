"""Intervals of fitted parameters: from the curvature of χ² where that is honest, else from its profile.

The profile of a parameter is χ² minimised over all others. Its 95 % interval ends where the profile has
risen by 3.84 (chi-squared, one degree of freedom); an interval open to one side ends at 2.71, which leaves
5 % beyond that one end (S. S. Wilks, Ann. Math. Stat. 9, 60 (1938); from memory).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from functools import cached_property

import numpy as np
from scipy.optimize import brentq

from whichcore.analysis.dispersion_models import Parameter
from whichcore.analysis.types import FloatArray

NORMAL_95 = 1.959964  # normal distribution, 97.5 %; memory
LOOSE = 1.0  # standard uncertainty of a logarithm from which on "±" says nothing
_TWO_SIDED, _ONE_SIDED = 3.8415, 2.7055  # chi-squared, one degree of freedom, 95 % and 90 %; memory
_PARABOLIC = 0.25  # relative departure from a parabola that still passes for one
_SKEWED = 1.3
_HELD = 1.1
_LONGEST_STEP = 1.5
_AT_BOUND = 1e-3
_RELATIVE_LIMIT = 1e-12


@dataclass(frozen=True, slots=True)
class Interval:
    """95 % interval of what is fitted; an open end is None, no error bar is None, with its reason."""

    standard_uncertainty: float | None
    low: float | None
    high: float | None
    reason: str = ""


@dataclass(frozen=True)
class Surface:
    """χ² around its minimum.

    Attributes
    ----------
    best : float array (k,)
    parameters : tuple of Parameter
    jacobian : float array (2F, k)
    chi_squared : callable (k,) -> float
    refit : callable (index, value, start) -> (k,)
        Best fit with one parameter held.
    """

    best: FloatArray
    parameters: tuple[Parameter, ...]
    jacobian: FloatArray = field(repr=False)
    chi_squared: Callable[[FloatArray], float] = field(repr=False)
    refit: Callable[[int, float, FloatArray], FloatArray] = field(repr=False)

    @cached_property
    def least(self) -> float:
        """χ² at the best fit."""
        return self.chi_squared(self.best)

    def at_bound(self, index: int) -> str:
        """Return ``low`` or ``high`` where the best fit lies on a bound, else nothing."""
        return _nearest(self.parameters[index], float(self.best[index]))

    def at_limits(self, place: FloatArray, held: int) -> bool:
        """Tell whether another parameter lies at the end of what is tried (a bound without a meaning)."""
        return any(
            parameter.logarithmic and _nearest(parameter, float(place[index]))
            for index, parameter in enumerate(self.parameters)
            if index != held
        )

    @cached_property
    def inside(self) -> list[int]:
        """The parameters that are not on a bound."""
        return [index for index in range(self.best.size) if not self.at_bound(index)]

    @cached_property
    def covariance(self) -> FloatArray:
        """Covariance (k, k) from the curvature, those on a bound held; infinite where it is singular."""
        inside = self.inside
        whole = np.zeros((self.best.size, self.best.size))
        if inside:
            part = self.jacobian[:, inside]
            scale = np.maximum(np.linalg.norm(part, axis=0), np.finfo(float).tiny)
            value, vector = np.linalg.eigh((part / scale).T @ (part / scale))
            weak = value < _RELATIVE_LIMIT * value[-1]
            inverse = np.where(weak, 1 / np.finfo(float).eps, 1 / np.where(weak, 1.0, value))
            found = (vector * inverse) @ vector.T / np.outer(scale, scale)
            whole[np.ix_(inside, inside)] = found
        return whole

    @cached_property
    def bounded_covariance(self) -> FloatArray:
        """The same with a flat density between the bounds taken for a normal one of equal variance."""
        information = self.jacobian.T @ self.jacobian + np.diag(12 / self._widths**2)
        return np.asarray(np.linalg.inv(information), np.float64)

    @cached_property
    def log_volume(self) -> float:
        """Ln of the share of the prior volume that the data leave (Laplace): the price of parameters."""
        _, log_det = np.linalg.slogdet(2 * np.pi * self.bounded_covariance)
        finite = np.isfinite(self._widths)
        return float(0.5 * log_det - np.log(self._widths[finite]).sum())

    @property
    def correlation(self) -> FloatArray:
        """Correlation coefficients (k, k) of what is fitted; NaN for a parameter on a bound."""
        u = np.sqrt(np.diag(self.covariance))
        with np.errstate(invalid="ignore"):
            return np.asarray(np.where(np.outer(u, u) > 0, self.covariance / np.outer(u, u), np.nan))

    @property
    def _widths(self) -> FloatArray:
        return np.array([high - low for low, high in (p.bounds for p in self.parameters)])


def _nearest(parameter: Parameter, inner: float) -> str:
    low, high = parameter.bounds
    near = _AT_BOUND * (high - low)
    if not np.isfinite(near):
        return ""
    return "low" if inner - low < near else "high" if high - inner < near else ""


def interval_of(surface: Surface, index: int) -> Interval:
    """Return the interval of one parameter, with the reason where it has no plain error bar."""
    u = float(np.sqrt(surface.covariance[index, index]))
    best = float(surface.best[index])
    if not surface.at_bound(index) and _parabolic(surface, index, u):
        return Interval(u, best - NORMAL_95 * u, best + NORMAL_95 * u)
    low, high = (_crossing(surface, index, side, _TWO_SIDED) for side in (-1, 1))
    if low is not None and high is not None:
        return _closed(best, low, high)
    if low is None and high is None:
        return Interval(None, None, None, "not constrained by these data")
    return _one_sided(surface, index, open_above=high is None)


def _closed(best: float, low: float, high: float) -> Interval:
    below, above = best - low, high - best
    u = (high - low) / (2 * NORMAL_95)
    skewed = max(below, above) > _SKEWED * min(below, above)
    if u > LOOSE:
        return Interval(None, low, high, "known within a wide interval only")
    return Interval(u, low, high, "skewed: take the interval" if skewed else "")


def _one_sided(surface: Surface, index: int, *, open_above: bool) -> Interval:
    parameter = surface.parameters[index]
    end = _crossing(surface, index, -1 if open_above else 1, _ONE_SIDED)
    if end is None:
        return Interval(None, None, None, "not constrained by these data")
    reason = f"the data only say {'above' if open_above else 'below'}"
    if surface.at_bound(index) and not parameter.logarithmic:
        low, high = parameter.bounds
        reason = f"at its bound {parameter.outside(low if not open_above else high):.4g}: {reason}"
    return Interval(None, end, None, reason) if open_above else Interval(None, None, end, reason)


def _parabolic(surface: Surface, index: int, u: float) -> bool:
    """Tell whether χ² rises as a parabola along the ridge, out to both ends of the interval."""
    if not 0 < u < LOOSE and surface.parameters[index].logarithmic:
        return False
    if np.sqrt(surface.bounded_covariance[index, index]) > _HELD * u:
        return False  # a parameter held on its bound is what makes this one look well known
    direction = surface.covariance[:, index] / u
    for sign in (-1, 1):
        place = surface.best + sign * NORMAL_95 * direction
        if any(not low <= x <= high for x, (low, high) in zip(place, _bounds(surface), strict=True)):
            return False
        rise = surface.chi_squared(place) - surface.least
        if abs(rise - _TWO_SIDED) > _PARABOLIC * _TWO_SIDED:
            return False
    return True


def _bounds(surface: Surface) -> list[tuple[float, float]]:
    return [parameter.bounds for parameter in surface.parameters]


def _crossing(surface: Surface, index: int, side: int, rise: float) -> float | None:
    """Return where the profile has risen by so much on one side; None where it never does.

    A rise that comes only when another parameter reaches the end of what is tried is none of the data's.
    """
    best, (low, high) = float(surface.best[index]), surface.parameters[index].bounds
    end = low if side < 0 else high
    u = float(np.sqrt(surface.covariance[index, index]))
    step = min(max(u, 1e-4), 1.0) if u > 0 else 0.02 * abs(high - low)
    ridge = surface.bounded_covariance[:, index] / surface.bounded_covariance[index, index]
    at, start = best, surface.best
    while at != end:
        before = at
        at = max(at + side * step, end) if side < 0 else min(at + side * step, end)
        # in logarithms a ridge is nearly straight: the others are moved along it before they are refined
        start = surface.refit(index, at, start + (at - before) * ridge)
        if surface.chi_squared(start) - surface.least > rise:
            root = _root(surface, index, (before, at), start, rise)
            there = surface.refit(index, root, start + (root - at) * ridge)
            return None if surface.at_limits(there, index) else root
        step = min(1.6 * step, _LONGEST_STEP)
    return None


def _root(
    surface: Surface, index: int, between: tuple[float, float], start: FloatArray, rise: float
) -> float:
    """Return where between two places the profile has risen by ``rise``, to 2 % of their distance."""

    def excess(at: float) -> float:
        # the root of the rise is nearly straight, so that few steps lead there
        risen = surface.chi_squared(surface.refit(index, at, start)) - surface.least
        return float(np.sqrt(max(risen, 0.0)) - np.sqrt(rise))

    inner, outer = between
    if excess(inner) > 0:  # the walk fell into a better valley on its way
        return inner
    if excess(outer) < 0:
        return outer
    return float(brentq(excess, inner, outer, xtol=0.02 * abs(outer - inner), rtol=1e-6))
