"""A known part against its statement: how far off it is, and whether that is more than chance.

The part is measured as a specimen. With (p, q) what the calibration makes of the reading and (p_s, q_s) what
is stated of the part, e = p q_s − q p_s is zero where both are right; an open is no special case. e moves
with the noise of the reading, with every error of the calibration, and with every value of the part that is
not known exactly. A cause that both share, such as the resistance of a load that the calibration was made
with, carries one id and is counted once with both effects, which then cancel as far as they do.

The rule. Each component at each frequency has a limit of its own, and all of them together are passed by a
sound part on a sound bench but for the chance stated. Points share most of their causes, and a maker's
tolerance ends where a normal distribution does not, so these limits follow from no table. They are drawn: all
causes from their stated distributions, many times over; the limits of all components are set at one and the
same tail probability, as small as it takes for only that share of the draws to pass any of them. (The least
p-value with resampling: Westfall and Young, Resampling-Based Multiple Testing, 1993; from memory.)

A limit on the distance from zero in units of uncertainty, the same for all, would let a part pass at twice
its tolerance: noise reaches out to four standard deviations in one of many points, an even distribution ends
at the root of three.

First order in all errors: readings so noisy that products of errors count fail somewhat more often (7 instead
of 5 in 100 were seen at a noise of 0.4 % of the smaller voltage).
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from whichcore.analysis.types import ComplexArray, Distribution, ErrorSource, FloatArray, PhasorPair, Scope
from whichcore.analysis.uncertainty import merge_sources, point_covariance
from whichcore.calibration.checks import check_pair, positions, require
from whichcore.calibration.covariance import of_form
from whichcore.calibration.error_model import ErrorModel
from whichcore.calibration.shunt import RangeFactor
from whichcore.calibration.standards import Homogeneous, Open, Short, Standard

CHANCE = 0.01  # of failing a sound part on a sound bench
DRAWS = 40_000
Unit = Literal["relative", "ohm", "siemens"]


@dataclass(frozen=True, slots=True)
class Verification:
    """A known part against its statement.

    Attributes
    ----------
    part : str
    used : bool
        Whether the calibration was made with it: then it checks repeatability alone.
    unit : "relative", "ohm" or "siemens"
        Of the deviation: Z/Z_s − 1; Z − Z_s of a short; Y − Y_s of an open.
    frequency_hz : float array (F,)
    stated_ohm : complex array (F,)
        Z_s; infinite for an ideal open.
    deviation : complex array (F,)
    covariance : float array (F, 2, 2)
        Of its real and imaginary part, bench and part together.
    allowed : float array (F, 2)
        What the size of each component of the deviation is held against.
    chance : float
        Of a false alarm.
    """

    part: str
    used: bool
    unit: Unit
    frequency_hz: FloatArray
    stated_ohm: ComplexArray
    deviation: ComplexArray
    covariance: FloatArray
    allowed: FloatArray
    chance: float

    @property
    def passed(self) -> bool:
        """Whether no point is beyond the limit."""
        return bool(self.share.max() <= 1)

    @property
    def share(self) -> FloatArray:
        """Of what is allowed at each frequency, the worse of both components, float array (F,)."""
        parts = np.abs(np.stack([self.deviation.real, self.deviation.imag], axis=-1))
        return np.asarray((parts / self.allowed).max(axis=1))

    @property
    def worst(self) -> int:
        """Index of the point that is furthest off."""
        return int(np.argmax(self.share))

    @property
    def u(self) -> FloatArray:
        """Standard uncertainty of real and imaginary part, float array (F, 2)."""
        return np.asarray(np.sqrt(np.diagonal(self.covariance, axis1=1, axis2=2)))


def verify(
    model: ErrorModel,
    part: Standard,
    pair: PhasorPair,
    factor: RangeFactor,
    *,
    chance: float = CHANCE,
    draws: int = DRAWS,
) -> Verification:
    """Compare a reading of a known part with its statement.

    Parameters
    ----------
    model : ErrorModel
    part : Standard
    pair : PhasorPair
        At frequencies of the calibration.
    factor : RangeFactor
        Ties the ranges of the reading to those of the calibration.
    chance : float
        Of failing a sound part on a sound bench.
    draws : int
        On which the limit rests.

    Raises
    ------
    CalibrationError
        A calibration of another plane, or other frequencies.
    AnalysisError
        The reading has no bound in the unit of the part.
    """
    require(
        model.plane == "terminals",
        "a known part hangs at the terminals, and this calibration calls an empty winding zero",
        where=part.name,
        got=model.plane,
        allowed="terminals",
        next_step="verify with the calibration made at the terminals",
    )
    check_pair(pair, part.name)
    comparison = _Comparison.of(model, part, pair, factor)
    sources = comparison.sources()
    drawn = _drawn(comparison.scatter(), sources, pair.range_labels, draws)
    with np.errstate(divide="ignore", invalid="ignore"):
        stated = np.where(comparison.stated.q != 0, comparison.stated.p / comparison.stated.q, np.inf)
    return Verification(
        part=part.name,
        used=part.name in model.standards,
        unit=comparison.unit,
        frequency_hz=np.asarray(pair.frequency_hz, dtype=float),
        stated_ohm=np.asarray(stated, dtype=np.complex128),
        deviation=comparison.deviation,
        covariance=point_covariance(comparison.scatter(), sources),
        allowed=_limits(np.stack([drawn.real, drawn.imag], axis=-1), chance),
        chance=chance,
    )


@dataclass(frozen=True, slots=True)
class _Comparison:
    """e = p q_s − q p_s times ``weight``, and how it moves; arrays (F,)."""

    model: ErrorModel
    where: NDArray[np.intp]
    pair: PhasorPair
    factor: RangeFactor
    stated: Homogeneous
    unit: Unit
    weight: ComplexArray

    @classmethod
    def of(cls, model: ErrorModel, part: Standard, pair: PhasorPair, factor: RangeFactor) -> _Comparison:
        where = positions(pair.frequency_hz, model.frequency_hz)
        stated = _taken(part.homogeneous(model.frequency_hz), where)
        even = factor.apply(pair)
        unit: Unit = "siemens" if isinstance(part, Open) else "ohm" if isinstance(part, Short) else "relative"
        p, q = _apply(model.matrix[where], even)
        scale = {"relative": stated.p * q, "ohm": stated.q * q, "siemens": -stated.p * p}[unit]
        require(
            bool(np.all(scale != 0)),
            "the part reads as nothing it could be",
            where=part.name,
            got="an open where it is none" if np.any(q == 0) else "a short where it is none",
            next_step="check what is at the terminals, and its contacts",
        )
        return cls(model, where, even, factor, stated, unit, 1 / scale)

    @property
    def deviation(self) -> ComplexArray:
        """The deviation in its unit."""
        p, q = _apply(self.model.matrix[self.where], self.pair)
        return np.asarray(self.weight * (p * self.stated.q - q * self.stated.p))

    def scatter(self) -> FloatArray:
        """Return the covariance from the noise of the reading, float array (F, 2, 2)."""
        return of_form(*self._slopes(), self.pair.covariance)

    def sources(self) -> tuple[ErrorSource, ...]:
        """Return every cause with its effect; those of one id are added before anything is squared."""
        bench = []
        for item in self.model.perturbations:
            dp, dq = _apply(item.matrix[self.where], self.pair)
            effect = self.weight * (dp * self.stated.q - dq * self.stated.p)
            bench.append(ErrorSource(item.id, item.scope, effect, item.distribution))
        p, q = _apply(self.model.matrix[self.where], self.pair)
        own = [
            ErrorSource(t.id, t.scope, self.weight * (p * t.dq - q * t.dp), t.distribution)
            for t in self.stated.terms
        ]
        ranges = self.factor.sources(self._slopes()[0] * self.pair.voltage_a_v)
        return merge_sources(bench, own, ranges)

    def _slopes(self) -> tuple[ComplexArray, ComplexArray]:
        """Return the derivatives of the deviation by the two voltages."""
        matrix, w, stated = self.model.matrix[self.where], self.weight, self.stated
        return (
            w * (matrix[:, 0, 0] * stated.q - matrix[:, 1, 0] * stated.p),
            w * (matrix[:, 0, 1] * stated.q - matrix[:, 1, 1] * stated.p),
        )


def _apply(matrix: ComplexArray, pair: PhasorPair) -> tuple[ComplexArray, ComplexArray]:
    a, b = pair.voltage_a_v, pair.voltage_b_v
    return matrix[:, 0, 0] * a + matrix[:, 0, 1] * b, matrix[:, 1, 0] * a + matrix[:, 1, 1] * b


def _taken(stated: Homogeneous, where: NDArray[np.intp]) -> Homogeneous:
    terms = tuple(type(t)(t.id, t.scope, t.dp[where], t.dq[where], t.distribution) for t in stated.terms)
    return Homogeneous(stated.p[where], stated.q[where], terms)


def _limits(drawn: FloatArray, chance: float) -> FloatArray:
    """Return a limit for the size of each component, float array (F, 2), from draws (N, F, 2)."""
    sizes = np.abs(drawn.reshape(drawn.shape[0], -1))
    order = np.sort(sizes, axis=0)
    count = sizes.shape[0]
    ranks = np.stack([np.searchsorted(column, size) for column, size in zip(order.T, sizes.T, strict=True)])
    beyond = np.sort(count - 1 - ranks.max(axis=0))  # draws beyond the worst component of each draw
    # as many draws as may lie beyond a limit, so that no more than the share asked for passes any of them
    most = int(beyond[int(chance * count)])
    limits = order[count - 1 - most]
    # a deviation that nothing can move, as that of a part without tolerance on a bench without noise
    return np.maximum(np.reshape(limits, drawn.shape[1:]), np.finfo(float).eps)


def _drawn(
    scatter: FloatArray, sources: Iterable[ErrorSource], labels: tuple[str, ...] | None, draws: int
) -> ComplexArray:
    """Draw deviations of a sound part on a sound bench, complex array (N, F); always the same ones."""
    rng = np.random.default_rng(20_240)
    size = scatter.shape[0]
    values, vectors = np.linalg.eigh(scatter)
    root = vectors * np.sqrt(np.maximum(values, 0.0))[:, None, :]
    noise = np.einsum("fij,nfj->nfi", root, rng.normal(size=(draws, size, 2)))
    total = np.asarray(noise[..., 0] + 1j * noise[..., 1])
    groups = np.unique(np.array(labels or [""] * size), return_inverse=True)[1]
    for source in sources:
        if source.scope in {Scope.POINT, Scope.SPECIMENS_POINT}:
            xi = _unit(rng, source.distribution, (draws, size))
        elif source.scope is Scope.RANGE:
            xi = _unit(rng, source.distribution, (draws, int(groups.max()) + 1))[:, groups]
        else:
            xi = _unit(rng, source.distribution, (draws, 1))
        total += xi * source.sensitivity
    return total


def _unit(rng: np.random.Generator, shape: Distribution, size: tuple[int, int]) -> FloatArray:
    """Draw of unit variance."""
    match shape:
        case Distribution.RECTANGULAR:
            return rng.uniform(-np.sqrt(3), np.sqrt(3), size)
        case Distribution.TRIANGULAR:
            return rng.triangular(-np.sqrt(6), 0, np.sqrt(6), size)
        case Distribution.ARCSINE:
            return np.asarray(np.sqrt(2) * np.sin(rng.uniform(-np.pi, np.pi, size)))
    return rng.normal(size=size)
