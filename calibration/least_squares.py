"""Fit of M to standards, in homogeneous form.

A standard with Z = p/q that was read as (V_A, V_B) gives one linear equation for the four elements of M,

    q (a V_A + b V_B) − p (c V_A + d V_B) = 0,

open (q = 0) and short (p = 0) being no special cases. Three standards fix the vector (a, b, c, d) but for
its length: it is the null vector, of norm one, of a 3×4 matrix; no element is divided by. With more than
three it is the right singular vector of the least singular value, each equation weighted by one over the
standard deviation of its residual. (Homogeneous least squares; derived here, no source.)
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import combinations

import numpy as np
from numpy.typing import NDArray

from whichcore.analysis.types import ComplexArray, FloatArray, PhasorPair
from whichcore.calibration import covariance
from whichcore.calibration.checks import require
from whichcore.calibration.setup import Measured
from whichcore.calibration.standards import Homogeneous

_SEPARATION = 0.01  # least distance of two nominal standards, as an angle; practice
_SIGNIFICANCE = 5.0  # standard deviations two readings must differ by
_ROUNDING = 1e-12  # floor of a residual's standard deviation, beside rows of norm one


@dataclass(frozen=True, slots=True)
class Equation:
    """One standard's equation, scaled so that (V_A, V_B) and (p/z0, q) have norm one; arrays (F,).

    ``dp`` and ``dq`` per term, scaled alike; ``covariance`` (F, 4, 4) is that of the scaled voltages.
    """

    name: str
    a: ComplexArray
    b: ComplexArray
    p: ComplexArray
    q: ComplexArray
    terms: tuple[tuple[ComplexArray, ComplexArray], ...]
    covariance: FloatArray

    @property
    def row(self) -> ComplexArray:
        """Return the row of the system, complex array (F, 4)."""
        return np.stack([self.q * self.a, self.q * self.b, -self.p * self.a, -self.p * self.b], axis=-1)

    def slopes(self, vector: ComplexArray) -> tuple[ComplexArray, ComplexArray]:
        """Return the residual's derivatives by V_A and V_B for M as ``vector``, complex array (F, 4)."""
        a, b, c, d = vector.T
        return self.q * a - self.p * c, self.q * b - self.p * d

    def tolerances(self, vector: ComplexArray) -> list[ComplexArray]:
        """Return the residual's change for one standard uncertainty of each term."""
        a, b, c, d = vector.T
        u, v = a * self.a + b * self.b, c * self.a + d * self.b
        return [dq * u - dp * v for dp, dq in self.terms]

    def noise(self, vector: ComplexArray) -> FloatArray:
        """Return the residual's covariance from the phasors, float array (F, 2, 2)."""
        return covariance.of_form(*self.slopes(vector), self.covariance)

    def deviation(self, vector: ComplexArray) -> FloatArray:
        """Return the root mean square of the residual's modulus, float array (F,)."""
        variance = np.trace(self.noise(vector), axis1=-2, axis2=-1)
        variance = variance + sum(abs(change) ** 2 for change in self.tolerances(vector))
        return np.asarray(np.sqrt(variance + _ROUNDING**2))


def equation(name: str, pair: PhasorPair, standard: Homogeneous, z0: FloatArray) -> Equation:
    """Scale one standard's reading and nominal value."""
    read = 1 / np.hypot(abs(pair.voltage_a_v), abs(pair.voltage_b_v))
    stated = 1 / np.hypot(abs(standard.p) / z0, abs(standard.q))
    return Equation(
        name=name,
        a=pair.voltage_a_v * read,
        b=pair.voltage_b_v * read,
        p=standard.p / z0 * stated,
        q=standard.q * stated,
        terms=tuple((term.dp / z0 * stated, term.dq * stated) for term in standard.terms),
        covariance=pair.covariance * (read**2)[:, None, None],
    )


def equations_of(
    measured: Sequence[Measured], stated: Sequence[Homogeneous], z0: FloatArray
) -> tuple[Equation, ...]:
    """Scale every standard's equation."""
    return tuple(
        equation(item.standard.name, item.pair, part, z0) for item, part in zip(measured, stated, strict=True)
    )


def reference_impedance(standards: Sequence[Homogeneous], needed: int) -> FloatArray:
    """Return the impedance beside which the standards look most different, Ω, float array (F,).

    The |Z| of each standard is tried (50 Ω in place of an ideal open or short, where any value does) and the
    one taken that keeps the best ``needed`` standards furthest apart.
    """
    tried = []
    for standard in standards:
        usable = (standard.p != 0) & (standard.q != 0)
        quotient = np.where(usable, standard.p, 50.0) / np.where(usable, standard.q, 1.0)
        tried.append(abs(quotient))
    spread = [_nearest(_angles(standards, z0), len(standards), needed)[1].max(axis=0) for z0 in tried]
    best = np.argmax(np.stack(spread), axis=0)
    return np.asarray(np.stack(tried)[best, np.arange(best.size)])


Distances = dict[tuple[int, int], FloatArray]


def _angles(standards: Sequence[Homogeneous], z0: FloatArray) -> Distances:
    unit = [(item.p / z0, item.q) for item in standards]
    norms = [np.hypot(abs(p), abs(q)) for p, q in unit]
    return {
        (i, j): abs(unit[i][0] * unit[j][1] - unit[j][0] * unit[i][1]) / (norms[i] * norms[j])
        for i, j in combinations(range(len(standards)), 2)
    }


def _nearest(distances: Distances, count: int, needed: int) -> tuple[list[tuple[int, ...]], FloatArray]:
    """Return every choice of ``needed`` standards and its least distance, float array (choices, F)."""
    choices = list(combinations(range(count), needed))
    least = [np.min([distances[pair] for pair in combinations(c, 2)], axis=0) for c in choices]
    return choices, np.stack(least)


@dataclass(frozen=True, slots=True)
class Alike:
    """Where fewer standards than needed are distinct, in one respect.

    Attributes
    ----------
    what : str
    bad : bool array (F,)
    pairs : mapping of point to (str, float)
        Names of the two nearest at each bad point, and their distance as a share of the least one.
    """

    what: str
    bad: NDArray[np.bool_]
    pairs: Mapping[int, tuple[str, float]]


def alike(equations: Sequence[Equation], needed: int) -> tuple[Alike, Alike]:
    """Find where fewer than ``needed`` standards are distinct, in what they are and in what was read.

    Distance is the sine of the angle between two vectors, |x1 y2 − x2 y1|. Nominal values must lie 0.01
    apart, readings five standard deviations of their own distance.
    """
    stated: Distances = {}
    read: Distances = {}
    for i, j in combinations(range(len(equations)), 2):
        one, two = equations[i], equations[j]
        stated[i, j] = np.asarray(abs(one.p * two.q - two.p * one.q) / _SEPARATION)
        read[i, j] = np.asarray(abs(one.a * two.b - two.a * one.b) / _distance_limit(one, two))
    return (
        _similar(equations, needed, stated, "the standards are too similar to each other"),
        _similar(equations, needed, read, "different standards gave the same reading within the noise"),
    )


def check_distinct(equations: Sequence[Equation], needed: int, frequency_hz: FloatArray) -> None:
    """Refuse standards of which fewer than ``needed`` are distinct at any frequency."""
    for item in alike(equations, needed):
        if not item.bad.any():
            continue
        point = min(item.pairs, key=lambda place: item.pairs[place][1])
        names, share = item.pairs[point]
        require(
            False,
            item.what,
            where=f"{names}, {frequency_hz[point]:g} Hz",
            got=f"{share:.3g} of the least distance, at {item.bad.sum()} of {item.bad.size} frequencies",
            allowed="1 and more",
            next_step="check what was connected and the contacts; take standards further apart in impedance",
        )


def _distance_limit(one: Equation, two: Equation) -> FloatArray:
    variance = covariance.of_form(two.b, -two.a, one.covariance) + covariance.of_form(
        -one.b, one.a, two.covariance
    )
    return np.asarray(_SIGNIFICANCE * np.sqrt(np.trace(variance, axis1=-2, axis2=-1) + _ROUNDING**2))


def _similar(equations: Sequence[Equation], needed: int, distances: Distances, what: str) -> Alike:
    """Find where in every choice of ``needed`` standards some two are nearer than 1."""
    choices, worst = _nearest(distances, len(equations), needed)
    bad = ~(worst.max(axis=0) >= 1)
    pairs = {}
    for point in np.flatnonzero(bad).tolist():
        choice = choices[int(np.argmax(worst[:, point]))]
        i, j = min(combinations(choice, 2), key=lambda pair: distances[pair][point])
        pairs[point] = (f"{equations[i].name} and {equations[j].name}", float(distances[i, j][point]))
    return Alike(what, bad, pairs)


@dataclass(frozen=True, slots=True)
class Fit:
    """Solution of N equations at F frequencies.

    Attributes
    ----------
    vector : complex array (F, 4)
        (a, b, c, d) of norm one, for scaled equations.
    response : complex array (F, 4, N)
        Change of the vector for a change of each equation's residual.
    condition : float array (F,)
        Largest over third singular value of the rows, each of norm one.
    leverage : float array (N, F)
        Share of each equation in its own fitted value; 1 means nothing checks it.
    misfit : float array (N, F)
        |residual| over its standard deviation expected after the fit; zero for three standards.
    """

    vector: ComplexArray
    response: ComplexArray
    condition: FloatArray
    leverage: FloatArray
    misfit: FloatArray


def fit(equations: Sequence[Equation]) -> Fit:
    """Solve for M.

    The weights depend on M through the residuals' deviations, so the fit is repeated; the uncertainty is
    that of the linearised fit, neglecting products of residual and error.
    """
    rows = np.stack([item.row for item in equations], axis=1)
    weights = np.ones(rows.shape[:2])
    u, s, vh = np.linalg.svd(rows)
    condition = s[:, 0] / s[:, 2]
    if len(equations) > 3:
        for _ in range(4):
            vector = np.asarray(vh[:, 3].conj())
            weights = 1 / np.stack([item.deviation(vector) for item in equations], axis=1)
            u, s, vh = np.linalg.svd(rows * weights[:, :, None])
    vector = np.asarray(vh[:, 3].conj())
    u3, s3, vh3 = u[:, :, :3], s[:, :3], vh[:, :3]
    inverse = (np.swapaxes(vh3.conj(), 1, 2) / s3[:, None, :]) @ np.swapaxes(u3.conj(), 1, 2)
    leverage = (abs(u3) ** 2).sum(axis=2)
    return Fit(
        vector=vector,
        response=-inverse * weights[:, None, :],
        condition=condition,
        leverage=leverage.T,
        misfit=_misfit(rows, weights, vector, leverage).T,
    )


def _misfit(
    rows: ComplexArray, weights: FloatArray, vector: ComplexArray, leverage: FloatArray
) -> FloatArray:
    residual = abs(np.einsum("fni,fi->fn", rows, vector)) * weights
    left = 1 - leverage
    checked = left > 1e-9  # an equation nothing checks has no misfit; its residual is rounding
    return np.where(checked, residual / np.sqrt(np.where(checked, left, 1.0)), 0.0)
