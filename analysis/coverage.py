"""Coverage intervals: normal, Student, or the numerically convolved distribution of the sum.

The rule: where one source that is not normal holds more than half of the variance, the interval comes from
the convolution of the distributions (JCGM 101:2008, which propagates distributions instead of moments);
otherwise from the normal distribution, or Student's with the Welch–Satterthwaite degrees of freedom
(JCGM 100:2008, G.4).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy import optimize, signal, stats

from whichcore.analysis.types import Distribution, FloatArray
from whichcore.analysis.uncertainty import Part, Quantity
from whichcore.errors import AnalysisError

_HALF_WIDTH = {  # of the unit-variance distribution
    Distribution.RECTANGULAR: np.sqrt(3.0),
    Distribution.TRIANGULAR: np.sqrt(6.0),
    Distribution.ARCSINE: np.sqrt(2.0),
}
_CELLS = 4096  # across the sum of the bounded sources; an interval is resolved to half a cell


@dataclass(frozen=True, slots=True)
class Contribution:
    """One independent contribution to a real quantity.

    Attributes
    ----------
    standard_uncertainty : float
        In the unit of the quantity, ≥ 0. A signed sensitivity may be given; only its size counts.
    distribution : Distribution
    degrees_of_freedom : float
        Of the estimate of ``standard_uncertainty``; infinite when it is known.
    """

    standard_uncertainty: float
    distribution: Distribution = Distribution.NORMAL
    degrees_of_freedom: float = float("inf")


def combined_standard_uncertainty(contributions: Sequence[Contribution]) -> float:
    """Return the root of the sum of squares, in the unit of the contributions."""
    return float(np.sqrt(sum(item.standard_uncertainty**2 for item in contributions)))


def effective_degrees_of_freedom(contributions: Sequence[Contribution]) -> float:
    """Return u⁴/Σ(u_i⁴/ν_i), infinite when every contribution is known (JCGM 100:2008, equation (G.2b))."""
    spread = sum(item.standard_uncertainty**4 / item.degrees_of_freedom for item in contributions)
    return combined_standard_uncertainty(contributions) ** 4 / spread if spread > 0 else float("inf")


def _cell_masses(item: Contribution, step: float) -> FloatArray:
    """Return the probability of each cell of width ``step``, cells centred on multiples of ``step``."""
    half_width = float(abs(item.standard_uncertainty) * _HALF_WIDTH[item.distribution])
    reach = int(np.ceil(half_width / step + 0.5))
    edges = (np.arange(-reach, reach + 2) - 0.5) * step
    share = np.minimum(np.maximum(edges / half_width, -1.0), 1.0)  # the distribution ends there
    if item.distribution is Distribution.RECTANGULAR:
        cumulative = (1 + share) / 2
    elif item.distribution is Distribution.TRIANGULAR:
        cumulative = 0.5 + share - np.sign(share) * share**2 / 2
    else:
        cumulative = 0.5 + np.arcsin(share) / np.pi
    return np.diff(cumulative)


@dataclass(frozen=True, slots=True)
class Sum:
    """Distribution of the sum of independent contributions, symmetric about zero.

    Attributes
    ----------
    offsets, masses : float array (n,)
        The bounded contributions together, on a grid.
    scale : float
        Standard uncertainty of the normal (or Student) rest.
    degrees_of_freedom : float
        Of that rest.
    """

    offsets: FloatArray
    masses: FloatArray
    scale: float
    degrees_of_freedom: float

    def cumulative(self, value: float) -> float:
        """Return the probability of lying below ``value``."""
        if self.scale == 0:
            edges = self.offsets + (self.offsets[1] - self.offsets[0]) / 2
            return float(np.interp(value, edges, np.cumsum(self.masses), left=0.0))
        below = stats.t.cdf((value - self.offsets) / self.scale, self.degrees_of_freedom)
        return float(self.masses @ below)

    def coverage(self, half_width: float) -> float:
        """Return the probability of lying within ± ``half_width``."""
        return 2 * self.cumulative(half_width) - 1

    def half_width(self, probability: float) -> float:
        """Return the half width of the symmetric interval of that probability."""
        reach = float(self.offsets[-1]) + self.scale * float(
            stats.t.isf((1 - probability) / 4, self.degrees_of_freedom)
        )
        root = optimize.brentq(lambda share: self.coverage(share * reach) - probability, 0.0, 1.0)
        return float(root) * reach


def convolve(contributions: Sequence[Contribution]) -> Sum:
    """Return the distribution of a sum of independent contributions.

    Parameters
    ----------
    contributions : sequence of Contribution
        Normal ones are joined to one normal, or Student, part; rectangular, triangular and arcsine ones are
        convolved on a grid of some 4096 cells, exact cell by cell.

    Raises
    ------
    AnalysisError
        Nothing contributes.
    """
    live = [item for item in contributions if item.standard_uncertainty != 0]
    if not live:
        raise AnalysisError("a distribution needs a contribution", where="coverage", got="none above zero")
    smooth = [item for item in live if item.distribution is Distribution.NORMAL]
    bounded = [item for item in live if item.distribution is not Distribution.NORMAL]
    scale, freedom = combined_standard_uncertainty(smooth), effective_degrees_of_freedom(smooth)
    if not bounded:
        return Sum(np.zeros(1), np.ones(1), scale, freedom)
    width = sum(2 * abs(item.standard_uncertainty) * _HALF_WIDTH[item.distribution] for item in bounded)
    step = width / _CELLS
    masses = np.ones(1)
    for item in bounded:
        masses = signal.fftconvolve(masses, _cell_masses(item, step))
    offsets = (np.arange(masses.size) - (masses.size - 1) / 2) * step
    return Sum(offsets, masses, scale, freedom)


def needs_convolution(contributions: Sequence[Contribution]) -> bool:
    """Return whether one contribution that is not normal holds more than half of the variance."""
    total = combined_standard_uncertainty(contributions) ** 2
    return any(
        item.distribution is not Distribution.NORMAL and item.standard_uncertainty**2 > total / 2
        for item in contributions
    )


def expanded_uncertainty(contributions: Sequence[Contribution], probability: float = 0.95) -> float:
    """Return the half width of the symmetric coverage interval, in the unit of the contributions.

    Parameters
    ----------
    contributions : sequence of Contribution
    probability : float
        0 to 1, exclusive.

    Returns
    -------
    float
        0 when nothing contributes. Otherwise by the rule at the head of this module.

    Raises
    ------
    AnalysisError
        The probability is not between 0 and 1.
    """
    if not 0 < probability < 1:
        raise AnalysisError(
            "a coverage probability is a share",
            where="probability",
            got=f"{probability:g}",
            allowed="above 0, below 1",
        )
    if needs_convolution(contributions):
        return convolve(contributions).half_width(probability)
    quantile = stats.t.isf((1 - probability) / 2, effective_degrees_of_freedom(contributions))
    return float(quantile) * combined_standard_uncertainty(contributions)


def contributions(quantity: Quantity, part: Part, index: int) -> tuple[Contribution, ...]:
    """Return what contributes to one part of a quantity at one frequency: the scatter, then each source.

    Parameters
    ----------
    quantity : ImpedanceSweep or PermeabilitySpectrum
    part : Part
    index : int
        Of the frequency, 0 … F − 1.

    Returns
    -------
    tuple of Contribution
        In the unit of the quantity; the scatter is normal, a source has the distribution it states.
    """
    axis = 0 if part is Part.REAL else 1
    rows = [Contribution(float(np.sqrt(quantity.scatter[index, axis, axis])))]
    for source in quantity.sources:
        value = complex(source.sensitivity[index])
        rows.append(Contribution(value.real if axis == 0 else value.imag, source.distribution))
    return tuple(rows)


def expanded(quantity: Quantity, part: Part, probability: float = 0.95) -> FloatArray:
    """Return the half width of the coverage interval of one part at every frequency, (F,).

    The interval of each point by itself, by :func:`expanded_uncertainty` on :func:`contributions`.

    Raises
    ------
    AnalysisError
        The probability is not between 0 and 1.
    """
    points = range(len(quantity.frequency_hz))
    return np.array([expanded_uncertainty(contributions(quantity, part, k), probability) for k in points])
