"""Standards of impedance, in homogeneous form: Z = p/q, so that an open is as good a standard as a short.

Each standard states its nominal (p, q) and, as named terms, the change of (p, q) for one standard uncertainty
of each of its own values. A part keeps its name from calibration to calibration: the same name means the
same part with the same, unknown, deviation.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal, Protocol, get_args

import numpy as np
from numpy.typing import ArrayLike

from whichcore.analysis.types import (
    ComplexArray,
    Distribution,
    ErrorSource,
    FloatArray,
    ImpedanceSweep,
    Scope,
)
from whichcore.calibration.covariance import columns
from whichcore.errors import CalibrationError, InputError

Plane = Literal["terminals", "empty winding"]


@dataclass(frozen=True, slots=True)
class Toleranced:
    """A value with its standard uncertainty (absolute) and the shape of its distribution.

    An uncertainty of zero says that the value is exact: it enters no budget. That is right for what is zero
    by definition, and for parts so good that nothing of them shows; it is never assumed for the user.
    """

    value: float
    standard_uncertainty: float = 0.0
    distribution: Distribution = Distribution.NORMAL

    def __post_init__(self) -> None:
        if not np.isfinite(self.value) or not 0 <= self.standard_uncertainty < np.inf:
            raise InputError(
                "a value must be finite and its uncertainty finite and not negative",
                where="standard",
                got=f"{self.value:g} ± {self.standard_uncertainty:g}",
            )

    @classmethod
    def within(cls, value: float, half_width: float) -> Toleranced:
        """Return a value known only to lie within ± ``half_width``, as a maker's tolerance says.

        Standard uncertainty of a rectangular distribution, a/√3 (JCGM 100:2008, 4.3.7; from memory).

        Raises
        ------
        InputError
            A negative or infinite half-width; one of zero is an exact value.
        """
        if not 0 <= half_width < np.inf:
            raise InputError(
                "a tolerance must be finite and not negative",
                where="standard",
                got=f"{value:g} ± {half_width:g}",
                allowed="0, which says exact, or more",
            )
        return cls(value, half_width / np.sqrt(3.0), Distribution.RECTANGULAR)


@dataclass(frozen=True, slots=True)
class Term:
    """Change of (p, q), complex arrays (F,), for one standard uncertainty of one named cause."""

    id: str
    scope: Scope
    dp: ComplexArray
    dq: ComplexArray
    distribution: Distribution = Distribution.NORMAL


@dataclass(frozen=True, slots=True)
class Homogeneous:
    """A standard at given frequencies: Z = p/q with p in Ω and q a number, complex arrays (F,)."""

    p: ComplexArray
    q: ComplexArray
    terms: tuple[Term, ...] = ()


class Standard(Protocol):
    """What every standard offers."""

    @property
    def name(self) -> str:
        """Name of the part."""

    def homogeneous(self, frequency_hz: FloatArray) -> Homogeneous:
        """Return (p, q) and the terms at the frequencies given, float array (F,), Hz."""


Derivatives = Mapping[str, tuple["float | Toleranced", ArrayLike, ArrayLike]]


def nominal(value: float | Toleranced) -> float:
    """Return the plain number."""
    return value.value if isinstance(value, Toleranced) else float(value)


def scale_terms(owner: str, frequency_hz: FloatArray, derivatives: Derivatives) -> tuple[Term, ...]:
    """Turn derivatives of (p, q) by each value into terms; a value without uncertainty gives none."""
    shape = frequency_hz.shape
    terms = []
    for label, (value, dp, dq) in derivatives.items():
        if not isinstance(value, Toleranced) or value.standard_uncertainty == 0:
            continue
        u = value.standard_uncertainty
        terms.append(
            Term(
                id=f"{owner}: {label}",
                scope=Scope.SPECIMENS,
                dp=np.broadcast_to(np.asarray(dp, dtype=np.complex128) * u, shape).copy(),
                dq=np.broadcast_to(np.asarray(dq, dtype=np.complex128) * u, shape).copy(),
                distribution=value.distribution,
            )
        )
    return tuple(terms)


def check_value(owner: str, label: str, value: float | Toleranced, *, positive: bool = False) -> None:
    """Refuse a negative or non-finite value, or zero where that makes no sense."""
    number = nominal(value)
    if np.isfinite(number) and (number > 0 or (number == 0 and not positive)):
        return
    raise InputError(
        f"the {label} of a standard must be finite and {'above zero' if positive else 'not negative'}",
        where=owner,
        got=f"{number:g}",
        allowed="> 0" if positive else ">= 0",
    )


def jomega(frequency_hz: FloatArray) -> ComplexArray:
    """Return jω, complex array (F,), 1/s."""
    return np.asarray(2j * np.pi * frequency_hz, dtype=np.complex128)


def _full(values: ArrayLike, frequency_hz: FloatArray) -> ComplexArray:
    return np.broadcast_to(np.asarray(values, dtype=np.complex128), frequency_hz.shape).copy()


@dataclass(frozen=True, slots=True)
class Open:
    """Open terminals with their stray capacitance, F: p = 1, q = jωC."""

    capacitance_f: float | Toleranced = 0.0
    name: str = "open"

    def __post_init__(self) -> None:
        check_value(self.name, "capacitance", self.capacitance_f)

    def homogeneous(self, frequency_hz: FloatArray) -> Homogeneous:
        """Return p = 1 and q = jωC."""
        jw = jomega(frequency_hz)
        terms = scale_terms(
            f"standard {self.name}", frequency_hz, {"capacitance": (self.capacitance_f, 0.0, jw)}
        )
        return Homogeneous(_full(1.0, frequency_hz), jw * nominal(self.capacitance_f), terms)


@dataclass(frozen=True, slots=True)
class Short:
    """A short with its own resistance, Ω, and inductance, H: p = R + jωL, q = 1.

    Attributes
    ----------
    plane : "terminals" or "empty winding"
        ``terminals``: a link across the terminals; its own R and L are given here, and leads and the loop of
        the winding are subtracted later. ``empty winding``: the winding itself on a non-magnetic former is
        called zero, so the corrected impedance is jωL0 (μ − 1); R and L are then zero by definition.
    """

    resistance_ohm: float | Toleranced = 0.0
    inductance_h: float | Toleranced = 0.0
    plane: Plane = "terminals"
    name: str = "short"

    def __post_init__(self) -> None:
        check_value(self.name, "resistance", self.resistance_ohm)
        check_value(self.name, "inductance", self.inductance_h)
        if self.plane not in get_args(Plane):
            raise InputError(
                "a short states its plane",
                where=self.name,
                got=self.plane,
                allowed="terminals, empty winding",
            )
        own = [
            value for value in (self.resistance_ohm, self.inductance_h) if value not in (0, Toleranced(0.0))
        ]
        if self.plane == "empty winding" and own:
            raise InputError(
                "the empty winding is zero by definition; it takes no resistance or inductance of its own",
                where=self.name,
                got=f"{nominal(self.resistance_ohm):g} ohm, {nominal(self.inductance_h):g} H",
                allowed="0 ohm, 0 H",
                next_step='leave them out, or state the plane "terminals"',
            )

    def homogeneous(self, frequency_hz: FloatArray) -> Homogeneous:
        """Return p = R + jωL and q = 1."""
        jw = jomega(frequency_hz)
        p = nominal(self.resistance_ohm) + jw * nominal(self.inductance_h)
        derivatives: Derivatives = {
            "resistance": (self.resistance_ohm, 1.0, 0.0),
            "inductance": (self.inductance_h, jw, 0.0),
        }
        terms = scale_terms(f"standard {self.name}", frequency_hz, derivatives)
        return Homogeneous(p, _full(1.0, frequency_hz), terms)


@dataclass(frozen=True, slots=True)
class Load:
    """A resistor with its own series inductance and parallel capacitance.

    p = R + jωL, q = 1 + jωC p. 5 nH in 50 Ω turn the phase by 1.9 mrad at 3 MHz: a load fixes the magnitude,
    a good capacitor the phase.
    """

    resistance_ohm: float | Toleranced
    inductance_h: float | Toleranced = 0.0
    capacitance_f: float | Toleranced = 0.0
    name: str = "load"

    def __post_init__(self) -> None:
        check_value(self.name, "resistance", self.resistance_ohm, positive=True)
        check_value(self.name, "inductance", self.inductance_h)
        check_value(self.name, "capacitance", self.capacitance_f)

    def homogeneous(self, frequency_hz: FloatArray) -> Homogeneous:
        """Return p = R + jωL and q = 1 + jωC p."""
        jw = jomega(frequency_hz)
        p = nominal(self.resistance_ohm) + jw * nominal(self.inductance_h)
        jwc = jw * nominal(self.capacitance_f)
        derivatives: Derivatives = {
            "resistance": (self.resistance_ohm, 1.0, jwc),
            "inductance": (self.inductance_h, jw, jwc * jw),
            "capacitance": (self.capacitance_f, 0.0, jw * p),
        }
        return Homogeneous(p, 1 + jwc * p, scale_terms(f"standard {self.name}", frequency_hz, derivatives))


@dataclass(frozen=True, slots=True)
class Capacitor:
    """A good capacitor; loss as a constant tan δ, as a series resistance, or both, and its own inductance.

    Z = 1/(jωC) + tan δ/(ωC) + R_s + jωL, so p = 1 + j tan δ + jωC (R_s + jωL) and q = jωC.
    """

    capacitance_f: float | Toleranced
    loss_tangent: float | Toleranced = 0.0
    series_resistance_ohm: float | Toleranced = 0.0
    inductance_h: float | Toleranced = 0.0
    name: str = "capacitor"

    def __post_init__(self) -> None:
        check_value(self.name, "capacitance", self.capacitance_f, positive=True)
        check_value(self.name, "loss tangent", self.loss_tangent)
        check_value(self.name, "series resistance", self.series_resistance_ohm)
        check_value(self.name, "inductance", self.inductance_h)

    def homogeneous(self, frequency_hz: FloatArray) -> Homogeneous:
        """Return p = 1 + j tan δ + jωC (R_s + jωL) and q = jωC."""
        jw = jomega(frequency_hz)
        q = jw * nominal(self.capacitance_f)
        series = nominal(self.series_resistance_ohm) + jw * nominal(self.inductance_h)
        derivatives: Derivatives = {
            "capacitance": (self.capacitance_f, jw * series, jw),
            "loss tangent": (self.loss_tangent, 1j, 0.0),
            "series resistance": (self.series_resistance_ohm, q, 0.0),
            "inductance": (self.inductance_h, q * jw, 0.0),
        }
        p = 1 + 1j * nominal(self.loss_tangent) + q * series
        return Homogeneous(p, q, scale_terms(f"standard {self.name}", frequency_hz, derivatives))


@dataclass(frozen=True, slots=True)
class Known:
    """Any part whose impedance curve is known, with what is known of its errors.

    The curve's own scatter is frozen into the calibration: one draw for each frequency, shared by all
    specimens. A source the curve shares across specimens keeps its id, so that what it has in common with
    other results stays in common; the others are owned by this part. A curve measured again is another part
    and takes another name.
    """

    sweep: ImpedanceSweep
    name: str = "known"

    def homogeneous(self, frequency_hz: FloatArray) -> Homogeneous:
        """Return p = Z and q = 1; raises CalibrationError at frequencies that the curve does not hold."""
        own = self.sweep.frequency_hz
        where = np.minimum(np.searchsorted(own, frequency_hz), own.size - 1)
        if not np.array_equal(own[where], frequency_hz):
            raise CalibrationError(
                "the known curve was not taken at the frequencies of the calibration",
                where=self.name,
                got=f"{own.size} points of its own",
                allowed="the same frequencies; nothing is interpolated",
                next_step="measure the known part on the grid of the calibration",
            )
        zero = _full(0.0, frequency_hz)
        scatter = [
            Term(f"standard {self.name}: scatter {part}", Scope.SPECIMENS_POINT, column[where], zero)
            for part, column in enumerate(columns(self.sweep.scatter), 1)
            if np.any(column)
        ]
        terms = [
            Term(t.id, t.scope, t.dp[where], t.dq[where], t.distribution)
            for source in self.sweep.sources
            for t in self._frozen(source)
        ]
        return Homogeneous(
            np.asarray(self.sweep.impedance_ohm[where], dtype=np.complex128),
            _full(1.0, frequency_hz),
            (*scatter, *terms),
        )

    def _frozen(self, source: ErrorSource) -> list[Term]:
        dp, zero = source.sensitivity, np.zeros_like(source.sensitivity)
        if source.scope in {Scope.SPECIMENS, Scope.SPECIMENS_POINT}:
            return [Term(source.id, source.scope, dp, zero, source.distribution)]
        owned = f"standard {self.name}: {source.id}"
        if source.scope is Scope.POINT:
            return [Term(owned, Scope.SPECIMENS_POINT, dp, zero, source.distribution)]
        if source.scope is Scope.SWEEP or self.sweep.range_labels is None:
            return [Term(owned, Scope.SPECIMENS, dp, zero, source.distribution)]
        labels = np.array(self.sweep.range_labels)
        return [
            Term(
                f"{owned} ({label})",
                Scope.SPECIMENS,
                np.where(labels == label, dp, 0),
                zero,
                source.distribution,
            )
            for label in sorted(set(self.sweep.range_labels))
        ]
