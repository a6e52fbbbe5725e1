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

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from enum import StrEnum
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

if TYPE_CHECKING:
    import pandas as pd
    import xarray

FloatArray = NDArray[np.float64]
ComplexArray = NDArray[np.complex128]
#: Some of several points: a mask, places, or a slice.
Points = NDArray[np.bool_] | NDArray[np.intp] | slice


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

    def at(self, points: Points) -> ErrorSource:
        """Return it at some of the points."""
        return replace(self, sensitivity=self.sensitivity[points])


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

    def at(self, points: Points) -> ImpedanceSweep:
        """Return the sweep at some of its points, everything stated of each kept."""
        flux, labels, time = self.flux_density_t, self.range_labels, self.time_s
        return replace(
            self,
            frequency_hz=self.frequency_hz[points],
            impedance_ohm=self.impedance_ohm[points],
            scatter=self.scatter[points],
            sources=tuple(source.at(points) for source in self.sources),
            flux_density_t=None if flux is None else flux[points],
            range_labels=None if labels is None else tuple(np.array(labels)[points].tolist()),
            time_s=None if time is None else time[points],
        )

    def _repr_html_(self) -> str:
        """Return a small table, as notebooks show it."""
        from whichcore.analysis.display import sweep_html  # noqa: PLC0415 - it imports this module

        return sweep_html(self)

    def to_pandas(self) -> pd.DataFrame:
        """Return it as a table of pandas; see :mod:`whichcore.analysis.frames`.

        Raises
        ------
        InputError
            pandas is not installed.
        """
        from whichcore.analysis.frames import curve_to_pandas  # noqa: PLC0415 - it imports this module

        return curve_to_pandas(self)

    def to_xarray(self) -> xarray.Dataset:
        """Return it as a data set of xarray; see :mod:`whichcore.analysis.frames`.

        Raises
        ------
        InputError
            xarray is not installed.
        """
        from whichcore.analysis.frames import curve_to_xarray  # noqa: PLC0415 - it imports this module

        return curve_to_xarray(self)


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
    range_labels : tuple of str or None
        Range pair of each point.
    temperature_c : float or None
    """

    frequency_hz: FloatArray
    permeability: ComplexArray
    scatter: FloatArray
    sources: tuple[ErrorSource, ...] = ()
    flux_density_t: FloatArray | None = None
    range_labels: tuple[str, ...] | None = None
    temperature_c: float | None = None

    def _repr_html_(self) -> str:
        """Return a small table, as notebooks show it."""
        from whichcore.analysis.display import spectrum_html  # noqa: PLC0415 - it imports this module

        return spectrum_html(self)

    def to_pandas(self) -> pd.DataFrame:
        """Return it as a table of pandas; see :mod:`whichcore.analysis.frames`.

        Raises
        ------
        InputError
            pandas is not installed.
        """
        from whichcore.analysis.frames import curve_to_pandas  # noqa: PLC0415 - it imports this module

        return curve_to_pandas(self)

    def to_xarray(self) -> xarray.Dataset:
        """Return it as a data set of xarray; see :mod:`whichcore.analysis.frames`.

        Raises
        ------
        InputError
            xarray is not installed.
        """
        from whichcore.analysis.frames import curve_to_xarray  # noqa: PLC0415 - it imports this module

        return curve_to_xarray(self)


class ReadingKind(StrEnum):
    """What a single reading states."""

    INDUCTANCE = "inductance"
    IMPEDANCE_MAGNITUDE = "impedance magnitude"


@dataclass(frozen=True, slots=True)
class Reading:
    """One number off a meter: series inductance in H or |Z| in Ω, at one frequency.

    Temperature of the core and peak flux density are stated where they matter: of a reading that repeats
    another one warmer or harder driven.
    """

    kind: ReadingKind
    value: float
    frequency_hz: float
    standard_uncertainty: float | None = None
    temperature_c: float | None = None
    flux_density_t: float | None = None


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


class AccuracyPart(StrEnum):
    """Which part of a bench an uncertainty comes from."""

    NOISE = "noise"
    RANGES = "ranges"
    SHUNT = "shunt"
    STANDARDS = "standards"
    CALIBRATION = "calibration"
    SECOND_WINDING = "second winding"


class Reach(StrEnum):
    """Whether a bench reaches an impedance at a frequency, else why not."""

    REACHED = "reached"
    TOO_SMALL = "a channel sees too small a voltage"
    CLIPPED = "the voltage is beyond the widest range"
    SHORT = "cannot be told from a short"
    OPEN = "cannot be told from an open"


@dataclass(frozen=True, slots=True)
class AccuracySource:
    """One cause of error of a bench, for any impedance: δZ = c0 + c1 Z + c2 Z².

    Attributes
    ----------
    id : str
    part : AccuracyPart
    scope : Scope
    coefficients : complex array (F, 3)
        (c0, c1, c2) per standard uncertainty of the cause, in Ω, 1 and S.
    distribution : Distribution
    """

    id: str
    part: AccuracyPart
    scope: Scope
    coefficients: ComplexArray
    distribution: Distribution = Distribution.NORMAL


@dataclass(frozen=True, slots=True)
class RangeUncertainty:
    """How well the ranges of both channels are tied.

    Attributes
    ----------
    ranges_a_vpp, ranges_b_vpp : float array (M,), (N,)
        Full scales in rising order.
    u_gain, u_phase_rad : float array (M, N)
        Standard uncertainty of V_A/V_B on each pair, relative and as an angle.
    """

    ranges_a_vpp: FloatArray
    ranges_b_vpp: FloatArray
    u_gain: FloatArray
    u_phase_rad: FloatArray


@dataclass(frozen=True, slots=True)
class ImpedanceAccuracy:
    """What one wiring of a bench leaves open in any impedance at its frequencies, but for the noise.

    Attributes
    ----------
    wiring : Wiring
    shunt_ohm : float
        Nominal.
    frequency_hz : float array (F,)
        Strictly increasing.
    matrix : complex array (F, 2, 2)
        Error model: (p, q) from (V_A, V_B), Z = p/q.
    sources : tuple of AccuracySource
        All but noise and ranges, which depend on the level.
    ranges : RangeUncertainty
    calibrated : bool
        From a calibration that was taken; False: from what is stated about the bench.
    origin : str
        The same in words, with what it rests on.
    """

    wiring: Wiring
    shunt_ohm: float
    frequency_hz: FloatArray
    matrix: ComplexArray
    sources: tuple[AccuracySource, ...]
    ranges: RangeUncertainty
    calibrated: bool
    origin: str


@dataclass(frozen=True, slots=True)
class AccuracyMap:
    """What one wiring of a bench reaches, over frequency and |Z|, at one level of the source.

    Every number is finite. Where ``reach`` is not REACHED it is what the formulas give and no promise.

    Attributes
    ----------
    accuracy : ImpedanceAccuracy
        What it was drawn from.
    impedance_ohm : float array (K,)
        |Z| of the specimen (|Zm| with two windings), rising.
    phase_rad : float
        Angle of Z; π/2 is a core without loss.
    level_vpp : float
        Level of the source, peak to peak, open circuit.
    u_magnitude, u_phase_rad : float array (F, K)
        Standard uncertainty of |Z|, relative, and of the angle of Z.
    parts : mapping of AccuracyPart to (float array (F, K), float array (F, K))
        What each part of the bench adds to both.
    reach : uint8 array (F, K)
        Place in ``tuple(Reach)``.
    """

    accuracy: ImpedanceAccuracy
    impedance_ohm: FloatArray
    phase_rad: float
    level_vpp: float
    u_magnitude: FloatArray
    u_phase_rad: FloatArray
    parts: Mapping[AccuracyPart, tuple[FloatArray, FloatArray]]
    reach: NDArray[np.uint8]

    @property
    def wiring(self) -> Wiring:
        """How source, shunt, specimen and channels are joined."""
        return self.accuracy.wiring

    @property
    def frequency_hz(self) -> FloatArray:
        """Frequencies, (F,)."""
        return self.accuracy.frequency_hz

    @property
    def reached(self) -> NDArray[np.bool_]:
        """Where the bench reaches, (F, K)."""
        return np.asarray(self.reach == tuple(Reach).index(Reach.REACHED))


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


@dataclass(frozen=True, slots=True)
class Capture:
    """Raw samples of two channels, taken at the same instants.

    volts = samples × volts_per_code + offset_v. A float record already in volts has a ``volts_per_code`` of
    1.

    Attributes
    ----------
    samples : int or float array (2, N)
        Codes as the converter gave them (int8, uint8, int16, …) or floats.
    interval_s : float
        Time between two samples by the digitizer's clock.
    volts_per_code, offset_v : (float, float)
        Scaling of each channel.
    step_codes : (float, float) or None
        Step of the converter in codes (16 for 12 bit left-aligned in 16); None means 1 for integers and
        no steps for floats.
    clip_codes : pair of (float, float) or None
        Lowest and highest code of each channel, at and beyond which a sample counts as clipped; None means
        the rails of the integer type, and no limit for floats.
    nonlinearity_codes : (float, float)
        Rms of the converter's integral non-linearity, codes; the floor that averaging can not pass.
    start_time_s : float
        Time of the first sample after the start of the sweep.
    range_labels : (str, str) or None
        Range of each channel.
    frequency_hz : float or None
        Nominal frequency of the tone, by the source's clock.
    """

    samples: NDArray[Any]
    interval_s: float
    volts_per_code: tuple[float, float] = (1.0, 1.0)
    offset_v: tuple[float, float] = (0.0, 0.0)
    step_codes: tuple[float, float] | None = None
    clip_codes: tuple[tuple[float, float], tuple[float, float]] | None = None
    nonlinearity_codes: tuple[float, float] = (0.0, 0.0)
    start_time_s: float = 0.0
    range_labels: tuple[str, str] | None = None
    frequency_hz: float | None = None


class FlagKind(StrEnum):
    """What can be wrong with a capture."""

    CLIPPED = "clipped"
    TOO_SMALL = "too small"
    QUANTISATION_LIMITED = "quantisation-limited"
    ALIASED = "aliased"
    UNSTABLE = "unstable"
    FREQUENCY_NOT_FOUND = "frequency not found"
    FEW_PERIODS = "too few periods"
    HUM = "hum"


@dataclass(frozen=True, slots=True)
class PhasorFlag:
    """One doubt about a capture; ``channel`` is 0 (A), 1 (B) or None where it concerns both."""

    kind: FlagKind
    channel: int | None
    detail: str


@dataclass(frozen=True, slots=True)
class Phasors:
    """Both phasors of one tone, v(t) = Re{V e^{jω(t − t_ref)}}, with their joint covariance.

    Attributes
    ----------
    frequency_hz, frequency_uncertainty_hz : float
        By the digitizer's clock; the uncertainty is 0 when the frequency was taken as given.
    reference_time_s : float
        The instant t_ref the phases refer to: the middle of the record.
    phasor_vpk : complex array (2,)
        Peak phasors of channel A and B.
    covariance_v2 : float array (4, 4)
        Of (Re A, Im A, Re B, Im B), everything included.
    systematic_v2 : float array (4, 4)
        The share of ``covariance_v2`` that more averages do not lessen: quantisation and non-linearity.
    noise_vrms : float array (2,)
        Residual of each channel per sample.
    noise_correlation : float
        Between the residuals of the two channels.
    dc_v : float array (2,)
    harmonics_vpk : mapping of int to complex array (2,)
        The harmonics that stood out of the noise, by order.
    hum_vpk : float array (2,)
        Strongest mains component of each channel, 0 where none stood out.
    flags : tuple of PhasorFlag
    takes : int
        Number of captures averaged.
    samples : int
        Samples per channel and take.
    range_labels : (str, str) or None
    """

    frequency_hz: float
    frequency_uncertainty_hz: float
    reference_time_s: float
    phasor_vpk: ComplexArray
    covariance_v2: FloatArray
    systematic_v2: FloatArray
    noise_vrms: FloatArray
    noise_correlation: float
    dc_v: FloatArray
    harmonics_vpk: Mapping[int, ComplexArray]
    hum_vpk: FloatArray
    flags: tuple[PhasorFlag, ...]
    takes: int
    samples: int
    range_labels: tuple[str, str] | None = None

    def has(self, kind: FlagKind, channel: int | None = None) -> bool:
        """Tell whether the flag is raised, on any channel or on the one named."""
        return any(f.kind is kind and (channel is None or f.channel in {None, channel}) for f in self.flags)

    @property
    def usable(self) -> bool:
        """False where a flag says that the stated covariance can not be trusted."""
        fatal = {FlagKind.CLIPPED, FlagKind.TOO_SMALL, FlagKind.UNSTABLE, FlagKind.FREQUENCY_NOT_FOUND}
        return not any(flag.kind in fatal for flag in self.flags)
