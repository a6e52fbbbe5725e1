"""The spread of a population from a few members, measured on a bench that scatters too.

K members with n = K − 1 degrees of freedom show the variance S²; each was measured with the variance V. With
a true variance σ², n S² follows (σ² + V) χ²_n. What is believed of σ² beforehand is the scaled inverse χ²
law with ν₀ degrees of freedom, so that a belief weighs as much as ν₀ members; the posterior is integrated
over ln σ on a grid. A further member, compared with the mean of the K, then follows a mixture of normal laws,
which is Student's where V is nothing (A. Gelman et al., *Bayesian Data Analysis*, 3rd ed. (2014), 2.6 and
3.2; from memory).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.optimize import brentq
from scipy.special import erf, logsumexp
from scipy.stats import chi2, t

from whichcore.analysis.types import FloatArray

#: Probability within two and within one standard deviation of a normal law.
TWO_SIGMA, ONE_SIGMA = float(erf(np.sqrt(2))), float(erf(np.sqrt(0.5)))
_DECADES, _NODES = 3.0, 1201


@dataclass(frozen=True, slots=True)
class Sample:
    """What a few members show.

    Attributes
    ----------
    variance : float
        Between the members, the bench's part included.
    freedom : float
        Degrees of freedom; zero where nothing was seen.
    bench : float
        Variance that measuring adds to each.
    """

    variance: float
    freedom: float
    bench: float

    @property
    def own(self) -> float:
        """Standard deviation of the members without the bench's part; zero where that explains all."""
        return float(np.sqrt(max(self.variance - self.bench, 0.0)))

    @property
    def hidden(self) -> bool:
        """Whether the members lie no further apart than the bench would put equal ones."""
        return self.variance <= self.bench

    def interval(self, probability: float = 0.95) -> tuple[float, float]:
        """Confidence interval of the standard deviation shown, bench included, by the χ² law."""
        if self.freedom <= 0:
            return 0.0, np.inf
        low, high = chi2.ppf([(1 + probability) / 2, (1 - probability) / 2], self.freedom)
        shown = np.sqrt(self.variance * self.freedom)
        return float(shown / np.sqrt(low)), float(shown / np.sqrt(high))

    @staticmethod
    def student(freedom: float, probability: float = ONE_SIGMA) -> float:
        """Student's factor of a two-sided probability."""
        return float(t.ppf((1 + probability) / 2, freedom))


@dataclass(frozen=True, slots=True)
class Believed:
    """A standard deviation believed beforehand, and how many members that belief weighs."""

    deviation: float
    weight: float

    @classmethod
    def holding(cls, probability: float, within: float, weight: float) -> Believed:
        """Return the belief under which a member lies within a half width with a probability."""
        return cls(within / Sample.student(weight, probability), weight)

    def _posterior(self, sample: Sample) -> tuple[FloatArray, FloatArray]:
        """Grid of σ and its probabilities."""
        middle = np.log10(max(self.deviation, np.sqrt(sample.variance)))
        bottom = min(np.log10(self.deviation), middle) - _DECADES
        sigma = 10 ** np.linspace(bottom, middle + _DECADES, _NODES)
        total = sigma**2 + sample.bench
        log_weight = -self.weight * (np.log(sigma) + 0.5 * (self.deviation / sigma) ** 2)
        log_weight -= 0.5 * sample.freedom * (np.log(total) + sample.variance / total)
        return sigma, np.asarray(np.exp(log_weight - logsumexp(log_weight)))

    def half_width(self, probability: float, sample: Sample, members: int) -> float:
        """Return the half width about the mean of those seen that holds a further member.

        Parameters
        ----------
        probability : float
        sample : Sample
        members : int
            Seen; their mean is as uncertain as they are few.
        """
        sigma, share = self._posterior(sample)
        mean_error = (sigma**2 + sample.bench) / members if sample.freedom > 0 else 0.0
        reach = np.sqrt(2 * (sigma**2 + mean_error))
        high = float(20 * reach.max())
        return float(brentq(lambda x: share @ erf(x / reach) - probability, 0.0, high, xtol=1e-12))
