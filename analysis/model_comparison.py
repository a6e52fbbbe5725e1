"""Several laws fitted to one spectrum, and which of them the data prefer.

The laws are weighed by their evidence: the likelihood of the data under the law and the smooth deviation it
needs, times the share of the prior volume that the data leave to its parameters (Laplace's approximation;
D. J. C. MacKay, Neural Comput. 4, 415 (1992); from memory). The prior is flat in the logarithms between the
bounds, the same for all laws; all laws are equally likely before.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from whichcore.analysis.dispersion_models import Derived, Law
from whichcore.analysis.model_fit import ModelFit, fit_law
from whichcore.analysis.model_search import Nuisance
from whichcore.analysis.types import PermeabilitySpectrum
from whichcore.errors import AnalysisError

PREFERRED = 0.95


@dataclass(frozen=True, slots=True)
class ModelComparison:
    """Laws in the order of their evidence.

    Attributes
    ----------
    fits : tuple of ModelFit
        The best first.
    probability : tuple of float
        Of each law, among those fitted: it says nothing of any unless the best one ``describes`` the data.
    refused : mapping of law to reason
        Laws that these data cannot carry.
    """

    fits: tuple[ModelFit, ...]
    probability: tuple[float, ...]
    refused: dict[str, str]

    @property
    def describes(self) -> bool:
        """Whether the best law describes the data; else none is probable, however they rank."""
        return self.fits[0].describes_data

    @property
    def alike(self) -> tuple[ModelFit, ...]:
        """The laws that cannot be told apart: the fewest, best first, that hold 95 % together.

        The best alone where none describes the data.
        """
        if not self.describes:
            return self.fits[:1]
        total = np.cumsum(self.probability)
        return self.fits[: 1 + int(np.searchsorted(total, PREFERRED))]

    @property
    def preferred(self) -> ModelFit | None:
        """The law that holds 95 % alone; None where there is none, or none describes the data."""
        return self.fits[0] if self.describes and len(self.alike) == 1 and len(self.fits) > 1 else None


def compare_laws(
    spectrum: PermeabilitySpectrum,
    laws: Sequence[Law],
    nuisance: Nuisance,
    further: Callable[[Law], tuple[Derived, ...]] = lambda _: (),
    on_step: Callable[[str, float], None] = lambda _text, _share: None,
) -> ModelComparison:
    """Fit every law and weigh them.

    Parameters
    ----------
    spectrum : PermeabilitySpectrum
    laws : sequence of Law
    nuisance : Nuisance
    further : callable (Law) -> tuple of Derived
        Quantities wanted beside those of a law.
    on_step : callable (text, share done)

    Returns
    -------
    ModelComparison

    Raises
    ------
    InputError
        A value is not finite, or a scatter not positive.
    AnalysisError
        No law can be fitted; the reason of the first.
    """
    fits: list[ModelFit] = []
    refused: dict[str, str] = {}
    first: AnalysisError | None = None
    for number, law in enumerate(laws):
        on_step(law.title, number / len(laws))
        try:
            fits.append(fit_law(spectrum, law, nuisance, further(law)))
        except AnalysisError as error:
            refused[law.name] = error.one_line()
            first = first or error
    if not fits and first is not None:
        raise first
    fits.sort(key=lambda fit: -fit.log_evidence)
    weights = np.exp([fit.log_evidence - fits[0].log_evidence for fit in fits])
    return ModelComparison(tuple(fits), tuple((weights / weights.sum()).tolist()), refused)
