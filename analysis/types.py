"""The data that cross folders: frozen, slotted, numpy arrays with frequency as the first axis.

Conventions everywhere: SI units, time factor e^{+jωt}, Z = R + jX, μ = μ′ − jμ″ (a passive core has
μ″ ≥ 0, so the imaginary part of the complex number stored is negative or zero).

How an uncertainty is stored. A complex quantity q(f) deviates from its true value by

    δq(f) = n(f) + Σ_k s_k(f) ξ_k

with independent scatter ``n`` of 2×2 covariance ``scatter[f]`` (real part, imaginary part) and named
sources ``k`` of unit-variance ξ_k. A source of scope POINT has an independent ξ at each frequency, one of
scope RANGE an independent ξ for each range, one of scope SWEEP a single ξ for the whole curve, one of scope
SPECIMENS a single ξ shared by every sweep that carries the same source id, one of scope SPECIMENS_POINT an
independent ξ at each frequency, each of them shared by every sweep that carries the same source id (the
noise of a calibration, frozen when it was taken).
"""

from __future__ import annotations

from dataclasses import dataclass, field
from enum import StrEnum

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]
ComplexArray = NDArray[np.complex128]


class Scope(StrEnum):
    """What shares one draw of an error source."""

    POINT = "point"
    RANGE = "range"
    SWEEP = "sweep"
    SPECIMENS = "specimens"
    SPECIMENS_POINT = "specimens-point"


class Distribution(StrEnum):
    """Shape of a source's distribution, scaled to unit variance."""

    NORMAL = "normal"
    RECTANGULAR = "rectangular"
    TRIANGULAR = "triangular"
    ARCSINE = "arcsine"


@dataclass(frozen=True, slots=True)
class ErrorSource:
    """One named, independent cause of error.

    Attributes
    ----------
    id : str
        Name; two quantities that carry the same id share the cause.
    scope : Scope
        What shares one draw.
    sensitivity : complex array (F,)
        Change of the quantity for one standard uncertainty of the source, in the quantity's unit.
    distribution : Distribution
        Shape of the distribution of the source.
    """

    id: str
    scope: Scope
    sensitivity: ComplexArray
    distribution: Distribution = Distribution.NORMAL


@dataclass(frozen=True, slots=True)
class ImpedanceSweep:
    """Impedance of the wound core over frequency.

    Attributes
    ----------
    frequency_hz : float array (F,)
        Strictly increasing.
    impedance_ohm : complex array (F,)
        Z = R + jX.
    scatter : float array (F, 2, 2)
        Covariance in Ω² of real and imaginary part, independent from point to point.
    sources : tuple of ErrorSource
        Named sources, sensitivities in Ω.
    flux_density_t : float array (F,) or None
        Peak flux density in the core, T.
    range_labels : tuple of str or None
        Range pair of each point.
    time_s : float array (F,) or None
        Time of each point after the start, s.
    temperature_c, drive_vrms : float or None
        Conditions, when known.
    wiring : str or None
        One of the wirings of the contracts, when known.
    scatter_estimated : bool
        True when the scatter was estimated from the curve itself, for want of a statement.
    notes : dict of str to str
        Every other header line, kept as it came.
    """

    frequency_hz: FloatArray
    impedance_ohm: ComplexArray
    scatter: FloatArray
    sources: tuple[ErrorSource, ...] = ()
    flux_density_t: FloatArray | None = None
    range_labels: tuple[str, ...] | None = None
    time_s: FloatArray | None = None
    temperature_c: float | None = None
    drive_vrms: float | None = None
    wiring: str | None = None
    scatter_estimated: bool = False
    notes: dict[str, str] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class PermeabilitySpectrum:
    """Complex relative permeability over frequency.

    Attributes
    ----------
    frequency_hz : float array (F,)
    permeability : complex array (F,)
        μ = μ′ − jμ″.
    scatter : float array (F, 2, 2)
        Covariance of the real and imaginary part of ``permeability``, independent from point to point.
    sources : tuple of ErrorSource
        Named sources, sensitivities in units of μ.
    flux_density_t : float array (F,) or None
        Peak flux density, T.
    temperature_c : float or None
    """

    frequency_hz: FloatArray
    permeability: ComplexArray
    scatter: FloatArray
    sources: tuple[ErrorSource, ...] = ()
    flux_density_t: FloatArray | None = None
    temperature_c: float | None = None


class ReadingKind(StrEnum):
    """What a single reading states."""

    INDUCTANCE = "inductance"
    IMPEDANCE_MAGNITUDE = "impedance magnitude"


@dataclass(frozen=True, slots=True)
class Reading:
    """One number off a meter: series inductance in H or |Z| in Ω, at one frequency."""

    kind: ReadingKind
    value: float
    frequency_hz: float
    standard_uncertainty: float | None = None


@dataclass(frozen=True, slots=True)
class Resistance:
    """A resistance read between two probe tips, Ω; ``over_range`` means "more than"."""

    value_ohm: float
    over_range: bool = False


class Wiring(StrEnum):
    """How source, shunt, specimen and the two channels are joined."""

    SHUNT_AT_GROUND = "shunt-at-ground"
    SPECIMEN_AT_GROUND = "specimen-at-ground"
    TWO_WINDINGS = "two-windings"


@dataclass(frozen=True, slots=True)
class PhasorPair:
    """The two voltages read at each frequency, for a standard or for the specimen.

    Attributes
    ----------
    frequency_hz : float array (F,)
        Strictly increasing.
    voltage_a_v, voltage_b_v : complex array (F,)
        Phasors of channels A and B, V; only their quotient carries the impedance, so peak or rms alike.
    covariance : float array (F, 4, 4)
        Joint covariance in V² of (Re A, Im A, Re B, Im B), independent from point to point.
    range_labels : tuple of str or None
        Range pair of each point.
    """

    frequency_hz: FloatArray
    voltage_a_v: ComplexArray
    voltage_b_v: ComplexArray
    covariance: FloatArray
    range_labels: tuple[str, ...] | None = None
