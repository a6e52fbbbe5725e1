"""Two sweeps side by side: their ratio, and whether they differ by more than their uncertainties."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from whichcore.analysis.types import ComplexArray, ErrorSource, FloatArray, ImpedanceSweep, Scope
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
    z1, z2 = first.impedance_ohm[here], second.impedance_ohm[there]
    variance = _relative(first.scatter[here], z1) + _relative(second.scatter[there], z2)
    ours = {source.id: source for source in first.sources}
    theirs = {source.id: source for source in second.sources}
    for name in ours.keys() | theirs.keys():
        a = ours[name].sensitivity[here] / z1 if name in ours else np.zeros_like(z1)
        b = theirs[name].sensitivity[there] / z2 if name in theirs else np.zeros_like(z2)
        parts = [a - b] if _shared(ours.get(name), theirs.get(name)) else [a, b]
        variance += sum(np.stack([p.real**2, p.imag**2], axis=-1) for p in parts)
    if not np.all(variance > 0):
        raise AnalysisError("the sweeps state no uncertainty to compare them by", where="sweeps")
    deviation = np.sqrt(variance)
    return SweepDifference(first.frequency_hz[here], z1 / z2, deviation[:, 0], deviation[:, 1])


def _common(first: FloatArray, second: FloatArray) -> tuple[np.ndarray, np.ndarray]:
    nearest = np.clip(np.searchsorted(second, first), 0, second.size - 1)
    before = np.clip(nearest - 1, 0, None)
    closer = np.abs(second[before] - first) < np.abs(second[nearest] - first)
    there = np.where(closer, before, nearest)
    equal = np.abs(second[there] - first) <= SAME * first
    return np.flatnonzero(equal), there[equal]


def _relative(scatter: FloatArray, impedance: ComplexArray) -> FloatArray:
    """Return the variances of the real and imaginary part of dZ/Z, (F, 2)."""
    angle = np.angle(impedance)
    turn = np.stack(
        [np.stack([np.cos(angle), np.sin(angle)], -1), np.stack([-np.sin(angle), np.cos(angle)], -1)], axis=-2
    )
    turned = turn @ scatter @ np.swapaxes(turn, -1, -2)
    return np.asarray(np.diagonal(turned, axis1=-2, axis2=-1) / np.abs(impedance)[:, np.newaxis] ** 2)


def _shared(one: ErrorSource | None, other: ErrorSource | None) -> bool:
    return one is not None and other is not None and Scope.SPECIMENS is one.scope is other.scope


def _band(frequency: FloatArray) -> str:
    return f"{frequency[0]:g} to {frequency[-1]:g} Hz"
