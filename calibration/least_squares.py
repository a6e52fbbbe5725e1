"""The equations of the standards for M, in homogeneous form, and whether they are distinct.

A standard with Z = p/q that was read as (V_A, V_B) gives one linear equation for the four elements of M,

    q (a V_A + b V_B) − p (c V_A + d V_B) = 0,

open (q = 0) and short (p = 0) being no special cases. Three standards fix the vector (a, b, c, d) but for
its length: it is the null vector, of norm one, of a 3×4 matrix; no element is divided by. More are fitted in
:mod:`whichcore.calibration.standards_fit`.
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
_SECOND_ORDER = 0.01  # of what tolerances do, that may lie across it: products of two of them; practice


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

    def residual_covariance(self, vector: ComplexArray) -> FloatArray:
        """Return the covariance of real and imaginary part of the residual, float array (F, 2, 2).

        Noise, tolerances, and a little across the latter, so that what is neglected in second order is no
        contradiction. It sets weights and judges misfits; the uncertainty of M does not hang on it.
        """
        parts = [np.stack([s.real, s.imag], axis=-1) for s in self.tolerances(vector)]
        stated = sum((part[:, :, None] * part[:, None, :] for part in parts), np.zeros((len(vector), 2, 2)))
        floor = _SECOND_ORDER**2 * np.trace(stated, axis1=1, axis2=2) + _ROUNDING**2
        return np.asarray(self.noise(vector) + stated + floor[:, None, None] * np.eye(2))


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
