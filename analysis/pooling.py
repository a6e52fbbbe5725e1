"""Dense sweeps averaged into groups before they are compared with reference curves."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from whichcore.analysis.types import ComplexArray, ErrorSource, PermeabilitySpectrum
from whichcore.analysis.uncertainty import PER_POINT, independent_covariance

#: Groups a decade holds at most. Practice: what a reference curve misses between its own points, a core
#: repeats from one dense point to the next, so that more points than these say nothing new of the material.
GROUPS_PER_DECADE = 40


def pooled(spectrum: PermeabilitySpectrum, per_decade: int = GROUPS_PER_DECADE) -> PermeabilitySpectrum:
    """Average neighbouring points so that no decade holds more than about a given number.

    Parameters
    ----------
    spectrum : PermeabilitySpectrum
        Frequencies rising.
    per_decade : int
        Groups a decade holds at most.

    Returns
    -------
    PermeabilitySpectrum
        The same one where no two points share a group. Else the mean of each group at its mean ln f: the
        independent covariance of n points is that of their mean, Σ/n², per-point sources included in it; the
        sensitivity to a common source is the mean one. Points of different ranges are never averaged.
    """
    x = np.log10(spectrum.frequency_hz)
    cell = np.floor((x - x[0]) * per_decade * (1 - 1e-9))
    new = np.diff(cell) > 0
    if spectrum.range_labels is not None:
        labels = np.array(spectrum.range_labels)
        new |= labels[1:] != labels[:-1]
    starts = np.flatnonzero(np.r_[True, new])
    if starts.size == x.size:
        return spectrum
    size = np.diff(np.r_[starts, x.size])
    covariance = independent_covariance(spectrum.scatter, spectrum.sources)
    flux, ranges = spectrum.flux_density_t, spectrum.range_labels

    def mean(values: ComplexArray) -> ComplexArray:
        return np.asarray(np.add.reduceat(values, starts) / size)

    return replace(
        spectrum,
        frequency_hz=10 ** mean(x.astype(np.complex128)).real,
        permeability=mean(spectrum.permeability),
        scatter=np.add.reduceat(covariance, starts) / (size**2)[:, None, None],
        sources=tuple(
            ErrorSource(s.id, s.scope, mean(s.sensitivity), s.distribution)
            for s in spectrum.sources
            if s.scope not in PER_POINT
        ),
        flux_density_t=None if flux is None else mean(flux.astype(np.complex128)).real,
        range_labels=None if ranges is None else tuple(ranges[i] for i in starts),
    )
