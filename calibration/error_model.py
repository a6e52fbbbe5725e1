"""What every error model is: one 2×2 matrix per frequency, and how its own errors move it.

Two voltages are read, V_A and V_B. Everything between them and the wanted impedance is linear, so at each
frequency

    p = a·V_A + b·V_B,   q = c·V_A + d·V_B,   Z = p/q

with a matrix M = [[a, b], [c, d]] fixed but for a common factor. The models differ only in how they find M
and what they assume for it; correction, the way back, uncertainty and storage are shared and stand here.

To first order δZ = (δp − Z δq)/q. Noise of the specimen's phasors enters through V, every error of the
calibration through M: each named cause is one matrix δM per standard uncertainty. The noise of the standards
is frozen when the calibration is taken: it differs from frequency to frequency, but every specimen measured
with this calibration carries the same draw (scope ``specimens-point``).
"""

from __future__ import annotations

from abc import ABC, abstractmethod
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import ClassVar, Self

import numpy as np
from numpy.typing import NDArray

from whichcore.analysis.types import ComplexArray, ErrorSource, FloatArray, ImpedanceSweep, PhasorPair
from whichcore.calibration import archive, covariance
from whichcore.calibration.checks import check_pair, positions
from whichcore.calibration.fingerprint import Fingerprint
from whichcore.calibration.interpolation import interpolated
from whichcore.calibration.perturbation import Perturbation
from whichcore.calibration.setup import Measured, Setup
from whichcore.calibration.shunt import RangeFactor
from whichcore.calibration.standards import Plane
from whichcore.errors import AnalysisError


@dataclass(frozen=True, slots=True)
class ErrorModel(ABC):
    """A solved calibration.

    Attributes
    ----------
    frequency_hz : float array (F,)
    matrix : complex array (F, 2, 2)
        M = [[a, b], [c, d]]; a and b in Ω where c and d are numbers. Only its ratios mean anything.
    perturbations : tuple of Perturbation
    fingerprint : Fingerprint
    calibration_id : str
    plane : "terminals" or "empty winding"
        What is called zero impedance.
    condition : float array (F,)
        Condition number of the equations solved, scaled to norm one; 1 where nothing was solved.
    standards : tuple of str
        Names of the standards used.
    details : mapping of str to array
        What the model found besides; see each model.
    """

    frequency_hz: FloatArray
    matrix: ComplexArray
    perturbations: tuple[Perturbation, ...]
    fingerprint: Fingerprint
    calibration_id: str
    plane: Plane
    condition: FloatArray
    standards: tuple[str, ...] = ()
    details: Mapping[str, NDArray[np.generic]] = field(default_factory=dict)

    kind: ClassVar[str]
    assumes: ClassVar[str]

    @classmethod
    @abstractmethod
    def solve(cls, standards: Sequence[Measured], setup: Setup) -> Self:
        """Find M from what was measured; raises CalibrationError where it cannot be found."""

    def homogeneous(self, pair: PhasorPair) -> tuple[ComplexArray, ComplexArray]:
        """Return (p, q), complex arrays (F,), of whatever was measured; an open is no special case."""
        matrix = self.matrix[positions(pair.frequency_hz, self.frequency_hz)]
        return _apply(matrix, pair.voltage_a_v, pair.voltage_b_v)

    def correct(self, pair: PhasorPair, *, factor: RangeFactor | None = None) -> ImpedanceSweep:
        """Return the impedance of the specimen with scatter and named sources.

        Parameters
        ----------
        pair : PhasorPair
            At frequencies of the calibration's grid, all of them or some.
        factor : RangeFactor or None
            Ties readings on other ranges to the calibrated pair: V_A/V_B read there over V_A/V_B the
            calibrated pair would have read on the same voltages.

        Returns
        -------
        ImpedanceSweep

        Raises
        ------
        CalibrationError
            At frequencies without calibration.
        AnalysisError
            Where the specimen cannot be told from an open: its impedance has no bound there.
        """
        where = positions(pair.frequency_hz, self.frequency_hz)
        check_pair(pair, "specimen")
        tied = pair if factor is None else factor.apply(pair)
        matrix = self.matrix[where]
        a, b = tied.voltage_a_v, tied.voltage_b_v
        p, q = _apply(matrix, a, b)
        _refuse_open(tied, matrix, q)
        z = p / q
        alpha, beta = _slopes(matrix, z, q)
        sources = self._sources(where, (a, b), z, q)
        if factor is not None:
            sources += factor.sources(alpha * a)
        return ImpedanceSweep(
            frequency_hz=np.asarray(pair.frequency_hz, dtype=float),
            impedance_ohm=z,
            scatter=covariance.of_form(alpha, beta, tied.covariance),
            sources=tuple(sources),
            range_labels=pair.range_labels,
            wiring=str(self.fingerprint.wiring),
            notes={"calibration": self.calibration_id, "error_model": self.kind, "plane": self.plane},
        )

    def on(self, frequency_hz: FloatArray) -> Self:
        """Return the model on another grid, read between the calibrated frequencies where it has to be.

        At calibrated frequencies nothing changes. Between them M is a cubic through four neighbours; the
        errors of the calibration follow, and the interpolation adds its own, named
        ``calibration <id>: interpolation of …``. ``details["interpolated"]``, bool array (F,), says where.

        Parameters
        ----------
        frequency_hz : float array (F,)
            Ask for all that will be used together: frozen noise is stated for the grid as a whole.

        Raises
        ------
        CalibrationError
            Outside the band, or where neighbours are too far apart for how M bends.
        """
        return interpolated(self, frequency_hz)

    def embed(self, impedance_ohm: ComplexArray) -> PhasorPair:
        """Return the noise-free voltages, together of norm 1, that an impedance (F,) would give."""
        return self.embed_homogeneous(impedance_ohm, np.ones_like(impedance_ohm))

    def embed_homogeneous(self, p: ComplexArray, q: ComplexArray) -> PhasorPair:
        """Return the voltages of p/q, an open (q = 0) included: the adjugate of M times (p, q)."""
        m = self.matrix
        a = m[:, 1, 1] * p - m[:, 0, 1] * q
        b = m[:, 0, 0] * q - m[:, 1, 0] * p
        norm = np.hypot(abs(a), abs(b))
        return PhasorPair(self.frequency_hz, a / norm, b / norm, np.zeros((norm.size, 4, 4)))

    def amplification(self, impedance_ohm: ComplexArray) -> FloatArray:
        """Return by what factor a relative error of V_A/V_B is multiplied in Z.

        |δZ/Z| / |δr/r| = |(a − Z c) V_A / p|, float array (F,). With the shunt at ground it is |r|/|r − 1|.
        """
        pair = self.embed(impedance_ohm)
        p, q = _apply(self.matrix, pair.voltage_a_v, pair.voltage_b_v)
        alpha, _ = _slopes(self.matrix, impedance_ohm, q)
        return np.asarray(abs(alpha * pair.voltage_a_v * q / p))

    def to_dict(self) -> dict[str, NDArray[np.generic]]:
        """Return the model as a flat mapping of name to array (numbers and text, no objects)."""
        return archive.pack(self)

    @classmethod
    def from_dict(cls, data: Mapping[str, NDArray[np.generic]]) -> Self:
        """Rebuild from :meth:`to_dict`; raises CalibrationError for another model or damaged data."""
        fields = archive.unpack(data, cls.kind)
        return cls(
            frequency_hz=fields.frequency_hz,
            matrix=fields.matrix,
            perturbations=fields.perturbations,
            fingerprint=fields.fingerprint,
            calibration_id=fields.calibration_id,
            plane=fields.plane,
            condition=fields.condition,
            standards=fields.standards,
            details=fields.details,
        )

    def _sources(
        self,
        where: NDArray[np.intp],
        voltages: tuple[ComplexArray, ComplexArray],
        z: ComplexArray,
        q: ComplexArray,
    ) -> list[ErrorSource]:
        """Return (δp − Z δq)/q of every perturbation."""
        if not self.perturbations:
            return []
        read = np.stack(voltages, axis=-1) / q[:, None]
        slope = np.stack([read, -z[:, None] * read], axis=1)
        changes = np.stack([item.matrix for item in self.perturbations])
        found = np.einsum("kfij,fij->kf", changes[:, where], slope)
        return [
            ErrorSource(item.id, item.scope, sensitivity, item.distribution)
            for item, sensitivity in zip(self.perturbations, found, strict=True)
        ]


def _apply(matrix: ComplexArray, a: ComplexArray, b: ComplexArray) -> tuple[ComplexArray, ComplexArray]:
    return (
        matrix[:, 0, 0] * a + matrix[:, 0, 1] * b,
        matrix[:, 1, 0] * a + matrix[:, 1, 1] * b,
    )


def _slopes(matrix: ComplexArray, z: ComplexArray, q: ComplexArray) -> tuple[ComplexArray, ComplexArray]:
    """Return ∂Z/∂V_A and ∂Z/∂V_B."""
    return (matrix[:, 0, 0] - z * matrix[:, 1, 0]) / q, (matrix[:, 0, 1] - z * matrix[:, 1, 1]) / q


def _refuse_open(pair: PhasorPair, matrix: ComplexArray, q: ComplexArray) -> None:
    """Refuse points whose q lies within three of its own standard deviations of zero."""
    spread = covariance.of_form(matrix[:, 1, 0], matrix[:, 1, 1], pair.covariance)
    limit = 3 * np.sqrt(np.trace(spread, axis1=-2, axis2=-1))
    lost = np.flatnonzero(~(abs(q) > limit))
    if lost.size:
        raise AnalysisError(
            "the specimen cannot be told from an open circuit",
            where=f"{pair.frequency_hz[lost[0]]:g} Hz",
            got=f"{lost.size} of {q.size} points",
            allowed="an admittance of more than three standard deviations",
            next_step="check the contacts, average longer, or leave these frequencies out",
        )
