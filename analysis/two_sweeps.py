"""Two sweeps side by side: their ratio, and whether they differ by more than their uncertainties."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from whichcore.analysis.types import ComplexArray, ErrorSource, FloatArray, ImpedanceSweep
from whichcore.analysis.uncertainty import difference, point_covariance, propagate
from whichcore.errors import AnalysisError

SAME = 1e-6  # of a frequency
COVERAGE = 1.96  # of a normal distribution, 95 in 100


@dataclass(frozen=True, slots=True)
class SweepDifference:
    """Ratio of two impedances where both were measured.

    Attributes
    ----------
    frequency_hz : float array (F,)
    ratio : complex array (F,)
        First over second.
    u_relative, u_angle_rad : float array (F,)
        Standard uncertainties of |ratio| over its value and of its angle; causes that both sweeps share
        (one calibration) cancel.
    """

    frequency_hz: FloatArray
    ratio: ComplexArray
    u_relative: FloatArray
    u_angle_rad: FloatArray

    @property
    def share(self) -> FloatArray:
        """Difference over what 95 in 100 equal pairs stay within, the worse of size and angle, (F,)."""
        log = np.log(self.ratio)
        parts = [np.abs(log.real) / self.u_relative, np.abs(log.imag) / self.u_angle_rad]
        return np.asarray(np.maximum(*parts) / COVERAGE)


def sweep_difference(first: ImpedanceSweep, second: ImpedanceSweep) -> SweepDifference:
    """Compare two sweeps at their common frequencies; nothing is interpolated.

    With Z = |Z| exp(jφ) small errors enter ln Z = ln|Z| + jφ as dZ/Z, so that ln of the ratio has the
    covariance of both dZ/Z added, and the difference of the sensitivities where they share a source.

    Raises
    ------
    AnalysisError
        They have no frequency in common, or state no uncertainty there.
    """
    here, there = _common(first.frequency_hz, second.frequency_hz)
    if here.size == 0:
        raise AnalysisError(
            "the two sweeps have no frequency in common",
            where="sweeps",
            got=f"{_band(first.frequency_hz)} and {_band(second.frequency_hz)}",
            next_step="measure both at the frequencies of one calibration",
        )
    own, other = _relative(first, here), _relative(second, there)
    covariance = point_covariance(*difference(own, other))
    variance = np.diagonal(covariance, axis1=1, axis2=2)
    if not np.all(variance > 0):
        raise AnalysisError("the sweeps state no uncertainty to compare them by", where="sweeps")
    u_relative, u_angle_rad = np.sqrt(variance).T
    ratio = first.impedance_ohm[here] / second.impedance_ohm[there]
    return SweepDifference(first.frequency_hz[here], ratio, u_relative, u_angle_rad)


def _relative(sweep: ImpedanceSweep, at: np.ndarray) -> tuple[FloatArray, tuple[ErrorSource, ...]]:
    """Return scatter and sources of ln Z at some points."""
    sources = [source.at(at) for source in sweep.sources]
    return propagate(sweep.scatter[at], sources, 1 / sweep.impedance_ohm[at])


def _common(first: FloatArray, second: FloatArray) -> tuple[np.ndarray, np.ndarray]:
    nearest = np.clip(np.searchsorted(second, first), 0, second.size - 1)
    before = np.clip(nearest - 1, 0, None)
    closer = np.abs(second[before] - first) < np.abs(second[nearest] - first)
    there = np.where(closer, before, nearest)
    equal = np.abs(second[there] - first) <= SAME * first
    return np.flatnonzero(equal), there[equal]


def _band(frequency: FloatArray) -> str:
    return f"{frequency[0]:g} to {frequency[-1]:g} Hz"
