"""The open-short model: a known shunt and a network of two unknowns."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import ClassVar, Self

import numpy as np

from whichcore.analysis.types import ComplexArray, FloatArray, Scope
from whichcore.calibration import covariance
from whichcore.calibration.checks import require
from whichcore.calibration.error_model import ErrorModel
from whichcore.calibration.perturbation import Perturbation, frozen_noise, merge
from whichcore.calibration.ratio import known_matrix
from whichcore.calibration.setup import (
    Measured,
    Setup,
    calibration_name,
    plane_of,
    refuse_two_windings,
)
from whichcore.calibration.standards import Homogeneous, Open, Short, Term
from whichcore.calibration.usable import usable
from whichcore.errors import CalibrationError


@dataclass(frozen=True, slots=True)
class OpenShort(ErrorModel):
    """Known shunt, and between it and the specimen a series impedance first, then a shunt admittance.

    Seen from the instrument, Zm = Z_s + 1/(Y + 1/Z). With an ideal open and short this is
    Z = (Zm − Z_s)(Z_o − Z_s)/(Z_o − Zm), Z_s and Z_o being the two readings. A short or an open that is not
    ideal is allowed for: the fit is exact, not a subtraction. ``details`` holds ``series_impedance_ohm`` and
    ``shunt_admittance_s``, complex arrays (F,).
    """

    kind: ClassVar[str] = "open-short"
    assumes: ClassVar[str] = (
        "the shunt is known; seen from the instrument, a series impedance and then a shunt admittance "
        "precede the specimen"
    )
    network: ClassVar[str] = "series-then-shunt"

    @classmethod
    def solve(cls, standards: Sequence[Measured], setup: Setup) -> Self:
        """Find Z_s and Y from one open and one short."""
        refuse_two_windings(setup, cls.kind)
        opened, shorted = _open_and_short(standards)
        good = usable((opened, shorted), setup, 2)
        (opened, shorted), parts, frequency_hz = good.standards, good.parts, good.setup.frequency_hz
        known, known_errors = known_matrix(good.setup)
        readings = tuple(_apply(known, item) for item in (opened, shorted))
        series = _series_impedance(readings, parts, frequency_hz)
        shunt = _shunt_admittance(readings[0], parts[0], series)
        network = _Network(series, shunt, readings, parts)
        name = calibration_name(setup, standards)
        return cls(
            frequency_hz=frequency_hz,
            matrix=network.inverse() @ known,
            perturbations=_open_short_errors(network, (opened, shorted), (known, known_errors), name),
            fingerprint=setup.fingerprint,
            calibration_id=name,
            plane=plane_of(standards),
            condition=network.condition(),
            standards=tuple(item.standard.name for item in standards),
            details=good.details | {"series_impedance_ohm": series, "shunt_admittance_s": shunt},
        )


def _open_and_short(standards: Sequence[Measured]) -> tuple[Measured, Measured]:
    opens = [item for item in standards if isinstance(item.standard, Open)]
    shorts = [item for item in standards if isinstance(item.standard, Short)]
    if len(standards) == 2 and len(opens) == 1 and len(shorts) == 1:
        return opens[0], shorts[0]
    raise CalibrationError(
        "open-short takes one open and one short",
        where="standards",
        got=", ".join(item.standard.name for item in standards) or "none",
        next_step="measure these two, or use open-short-load for others",
    )


Reading = tuple[ComplexArray, ComplexArray]


def _apply(matrix: ComplexArray, item: Measured) -> Reading:
    read = np.einsum("fij,jf->if", matrix, np.stack([item.pair.voltage_a_v, item.pair.voltage_b_v]))
    return read[0], read[1]


def _series_impedance(
    readings: Sequence[Reading], parts: Sequence[Homogeneous], frequency_hz: FloatArray
) -> ComplexArray:
    """Return Z_s, complex array (F,).

    With raw readings Z_o = u/v and Z_1 (short), and D the difference of the standards' admittances,
    B = Z_1 − Z_s obeys v B² + m B − m/D = 0, m = u − v Z_1; the root that vanishes with the short's own
    impedance is taken in the form that divides by nothing small. (Derived here; no source.)
    """
    (u, v), (us, vs) = readings
    opened, shorted = parts
    read_short = us / vs
    m = u - v * read_short
    inverse_d = opened.p * shorted.p / (shorted.q * opened.p - opened.q * shorted.p)
    strength = 4 * v * inverse_d / m
    bad = np.flatnonzero(~(abs(strength) < 0.5))
    require(
        not bad.size,
        "open and short are too near each other for this model",
        where=f"{frequency_hz[bad[0]]:g} Hz" if bad.size else "",
        got=f"a short of {abs(inverse_d[bad[0]]):.3g} ohm" if bad.size else "",
        allowed="a short below one eighth of what the open reads",
        next_step="check the contact of the short, or use open-short-load",
    )
    return np.asarray(read_short - 2 * inverse_d / (1 + np.sqrt(1 + strength)))


def _shunt_admittance(reading: Reading, opened: Homogeneous, series: ComplexArray) -> ComplexArray:
    u, v = reading
    return np.asarray(v / (u - v * series) - opened.q / opened.p)


@dataclass(frozen=True, slots=True)
class _Network:
    """The solved series-then-shunt network with the equations q(u − Z_s v) + p(Y u − (1 + Z_s Y) v) = 0."""

    series: ComplexArray
    shunt: ComplexArray
    readings: tuple[Reading, ...]
    parts: tuple[Homogeneous, ...]

    def inverse(self) -> ComplexArray:
        """Return the matrix from (u, v) to (p, q)."""
        one = np.ones_like(self.series)
        return _matrix(one, -self.series, -self.shunt, one + self.series * self.shunt)

    def jacobian(self) -> ComplexArray:
        """Return the equations' derivatives by Z_s and Y, complex array (F, 2, 2)."""
        rows = [
            np.stack([-v * (part.q + part.p * self.shunt), part.p * (u - self.series * v)], axis=-1)
            for (u, v), part in zip(self.readings, self.parts, strict=True)
        ]
        return np.stack(rows, axis=-2)

    def condition(self) -> FloatArray:
        """Return the condition number of the equations, columns and then rows scaled to norm one."""
        scaled = self.jacobian()
        scaled = scaled / np.linalg.norm(scaled, axis=-2, keepdims=True)
        scaled = scaled / np.linalg.norm(scaled, axis=-1, keepdims=True)
        return np.asarray(np.linalg.cond(scaled))

    def slopes(self, index: int) -> tuple[ComplexArray, ComplexArray]:
        """Return the derivatives of one equation by u and v."""
        part = self.parts[index]
        by_u = part.q + part.p * self.shunt
        return by_u, -part.q * self.series - part.p * (1 + self.series * self.shunt)

    def tolerance(self, index: int, term: Term) -> ComplexArray:
        """Return the change of one equation with a term of its standard."""
        u, v = self.readings[index]
        by_p = self.shunt * u - (1 + self.series * self.shunt) * v
        return term.dq * (u - self.series * v) + term.dp * by_p

    def change(self, residuals: ComplexArray) -> ComplexArray:
        """Return the change of :meth:`inverse` for changes of the two equations, complex array (2, F)."""
        moved = -np.linalg.solve(self.jacobian(), residuals.T[:, :, None])[:, :, 0]
        ds, dy = moved.T
        return _matrix(np.zeros_like(ds), -ds, -dy, self.shunt * ds + self.series * dy)


def _matrix(a: ComplexArray, b: ComplexArray, c: ComplexArray, d: ComplexArray) -> ComplexArray:
    return np.stack([np.stack([a, b], axis=-1), np.stack([c, d], axis=-1)], axis=-2)


def _open_short_errors(
    network: _Network,
    standards: tuple[Measured, Measured],
    known: tuple[ComplexArray, list[Perturbation]],
    name: str,
) -> tuple[Perturbation, ...]:
    matrix, known_errors = known
    found: list[Perturbation] = []
    for index, item in enumerate(standards):
        by_u, by_v = network.slopes(index)
        alpha = by_u * matrix[:, 0, 0] + by_v * matrix[:, 1, 0]
        beta = by_u * matrix[:, 0, 1] + by_v * matrix[:, 1, 1]
        noise = covariance.of_form(alpha, beta, item.pair.covariance)
        for label, column in frozen_noise(name, item.standard.name, noise):
            moved = network.change(_at(index, column)) @ matrix
            found.append(Perturbation(label, Scope.SPECIMENS_POINT, moved))
        for term in network.parts[index].terms:
            moved = network.change(_at(index, network.tolerance(index, term))) @ matrix
            found.append(Perturbation(term.id, term.scope, moved, term.distribution))
    for error in known_errors:
        shifts = [_apply(error.matrix, item) for item in standards]
        residuals = np.stack(
            [
                by_u * du + by_v * dv
                for (by_u, by_v), (du, dv) in zip((network.slopes(0), network.slopes(1)), shifts, strict=True)
            ]
        )
        moved = network.change(residuals) @ matrix + network.inverse() @ error.matrix
        found.append(Perturbation(error.id, error.scope, moved, error.distribution))
    return merge(found)


def _at(index: int, values: ComplexArray) -> ComplexArray:
    residuals = np.zeros((2, values.size), dtype=complex)
    residuals[index] = values
    return residuals
