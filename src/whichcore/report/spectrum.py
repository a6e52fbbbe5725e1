"""Permeability for a report: where there is none, the reason in its place."""

from __future__ import annotations

import warnings

from whichcore.analysis.permeability import permeability
from whichcore.analysis.specimen import Specimen
from whichcore.analysis.trial import try_data
from whichcore.analysis.types import ImpedanceSweep, PermeabilitySpectrum
from whichcore.errors import WhichcoreError, WhichcoreWarning


def spectrum_of(sweep: ImpedanceSweep | None, specimen: Specimen) -> tuple[PermeabilitySpectrum | None, str]:
    """Return the measured permeability, or None and why it is not known."""
    if sweep is None:
        return None, "there is no sweep"
    with warnings.catch_warnings():
        # said once, when the core was judged
        warnings.simplefilter("ignore", WhichcoreWarning)
        try:
            return permeability(sweep, specimen), ""
        except WhichcoreError as error:
            return None, error.one_line()


def tried_spectrum(sweep: ImpedanceSweep | None, specimen: Specimen) -> PermeabilitySpectrum | None:
    """Return the measured permeability as it is judged: less what failed tests of the data take away."""
    spectrum = spectrum_of(sweep, specimen)[0]
    return None if sweep is None or spectrum is None else try_data(sweep, specimen, spectrum).spectrum
