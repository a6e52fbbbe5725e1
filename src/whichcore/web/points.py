"""Points of a sweep as the page is told of them, those just measured and those of an earlier run."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Any

import numpy as np

from whichcore.analysis.permeability import permeability
from whichcore.analysis.specimen import Specimen
from whichcore.analysis.types import FloatArray, ImpedanceSweep, PermeabilitySpectrum
from whichcore.errors import WhichcoreError
from whichcore.files.csv_table import parse_table
from whichcore.files.sweep_file import sweep_of
from whichcore.files.text import decode, read_bytes


def point_event(
    point: ImpedanceSweep, spectrum: PermeabilitySpectrum, at: int, index: int, count: int
) -> dict[str, Any]:
    """Return the event of one point; ``at`` is its place in the sweep, ``index`` in the plan of ``count``."""
    z, mu = complex(point.impedance_ohm[at]), complex(spectrum.permeability[at])
    flux = None if point.flux_density_t is None else float(point.flux_density_t[at])
    u_mu = np.sqrt(variance(spectrum)[:, at])
    return {
        "type": "point",
        "index": index,
        "count": count,
        "frequency_hz": float(point.frequency_hz[at]),
        "z": [z.real, z.imag],
        "u_z": [float(point.scatter[at, 0, 0]) ** 0.5, float(point.scatter[at, 1, 1]) ** 0.5],
        "mu": [mu.real, -mu.imag],
        "u_mu": u_mu.tolist(),
        "flux_density_t": flux if flux is not None and np.isfinite(flux) else None,
    }


def variance(spectrum: PermeabilitySpectrum) -> FloatArray:
    """Return the variances of μ′ and μ″, (2, F), all sources together."""
    total = np.stack([spectrum.scatter[:, 0, 0], spectrum.scatter[:, 1, 1]])
    for source in spectrum.sources:
        total += np.stack([source.sensitivity.real**2, source.sensitivity.imag**2])
    return total


def earlier_points(journal: Path, specimen: Specimen, grid: Sequence[float]) -> Iterator[dict[str, Any]]:
    """Yield the points that an earlier run wrote down; none where the journal cannot be read.

    What is wrong with a journal is said by the sweep that goes on with it.
    """
    if not journal.is_file():
        return
    try:
        raw = read_bytes(journal)
        whole = raw[: raw.rfind(b"\n") + 1]  # a torn last line is measured again
        sweep = sweep_of(parse_table(decode(whole, journal), journal))
        spectrum = permeability(sweep, specimen)
    except WhichcoreError:
        return
    for at, frequency in enumerate(sweep.frequency_hz):
        index = int(np.argmin(np.abs(np.log(np.asarray(grid) / frequency))))
        yield point_event(sweep, spectrum, at, index, len(grid))
