"""What a sweep needs of the hardware, as protocols: a source, a two-channel digitizer, and hands.

Any class with these properties and methods will do; command tables give two of them, and an entry point in
the group ``whichcore.instruments`` may give others. Levels are peak-to-peak volts at the open terminals of
the source (its electromotive force); what its display says is the driver's business.
"""

from __future__ import annotations

import threading
from dataclasses import dataclass
from typing import Protocol

from whichcore.analysis.types import Capture, FloatArray, Wiring

Span = tuple[float, float]


@dataclass(frozen=True, slots=True)
class SourceLimits:
    """Lowest and highest values a source takes, both included.

    Attributes
    ----------
    frequency_hz, level_vpp, offset_v : (float, float)
    """

    frequency_hz: Span
    level_vpp: Span
    offset_v: Span = (0.0, 0.0)


@dataclass(frozen=True, slots=True)
class DigitizerLimits:
    """What a digitizer takes.

    Attributes
    ----------
    points : (int, int)
        Shortest and longest record, samples per channel.
    interval_s : (float, float)
        Shortest and longest time between samples.
    ranges_vpp : pair of tuple of float
        Full scale of every range of channel A and of B, ascending, at the tip of the probe.
    bandwidth_hz : float or None
        Up to which its inputs follow; above half the sample rate it is read by equivalent-time sampling. None
        where it is not stated: then half the sample rate is the limit.
    """

    points: tuple[int, int]
    interval_s: Span
    ranges_vpp: tuple[tuple[float, ...], tuple[float, ...]]
    bandwidth_hz: float | None = None


class Source(Protocol):
    """A sine generator with one output.

    Setting a value outside ``limits`` raises InputError; anything the hardware does wrong raises
    InstrumentError.
    """

    @property
    def limits(self) -> SourceLimits:
        """Lowest and highest values."""

    @property
    def identity(self) -> str:
        """What the instrument says it is."""

    @property
    def output_ohm(self) -> float:
        """Source resistance."""

    @property
    def settle_s(self) -> float:
        """Time to wait after any change."""

    @property
    def frequency_hz(self) -> float | None:
        """Frequency last set, Hz."""

    @frequency_hz.setter
    def frequency_hz(self, value: float) -> None: ...

    @property
    def level_vpp(self) -> float | None:
        """Open-circuit level last set, V peak to peak."""

    @level_vpp.setter
    def level_vpp(self, value: float) -> None: ...

    @property
    def offset_v(self) -> float | None:
        """Open-circuit offset last set, V."""

    @offset_v.setter
    def offset_v(self, value: float) -> None: ...

    def output_is_on(self) -> bool | None:
        """Ask the instrument; None where it cannot say."""

    def output_on(self) -> None:
        """Switch the output on."""

    def output_off(self) -> None:
        """Switch the output off; tried on a new connection where the old one is broken."""

    def check_errors(self) -> None:
        """Raise InstrumentError when the instrument holds an error, and empty its queue."""

    def close(self) -> None:
        """Close the connection; doing it twice does no harm."""


class Digitizer(Protocol):
    """Two channels that sample at the same instants; channel 0 is A, channel 1 is B."""

    @property
    def limits(self) -> DigitizerLimits:
        """What it takes."""

    @property
    def identity(self) -> str:
        """What the instrument says it is."""

    @property
    def ranges_vpp(self) -> tuple[float, float]:
        """Full scale of both channels as the instrument reports it."""

    def set_range(self, channel: int, range_vpp: float) -> float:
        """Choose a range by its full scale; returns the one the instrument took."""

    def set_interval(self, interval_s: float) -> float:
        """Ask for a time between samples; returns the real one."""

    def set_points(self, points: int) -> None:
        """Set the length of the record."""

    def acquire(self, frequency_hz: float, start_time_s: float, cancel: threading.Event) -> Capture:
        """Take one record of both channels.

        Parameters
        ----------
        frequency_hz : float
            Nominal frequency, handed on in the capture.
        start_time_s : float
            Time since the start of the sweep, handed on in the capture.
        cancel : threading.Event
            Raises Cancelled when set while the record fills.
        """

    def check_errors(self) -> None:
        """Raise InstrumentError when the instrument holds an error, and empty its queue."""

    def close(self) -> None:
        """Close the connection; doing it twice does no harm."""


class TakeDevice(Protocol):
    """A source and a two-channel digitizer on one clock, played and read together: a sound card."""

    @property
    def rate_hz(self) -> float:
        """Samples per second, of output and inputs alike."""

    @property
    def full_scale_out_vpk(self) -> float | None:
        """Open-circuit peak voltage of a drive of 1; None where nobody has measured it."""

    def take(self, drive: FloatArray, lead_in: int, start_time_s: float, cancel: threading.Event) -> Capture:
        """Play a periodic drive and record both inputs; the output is silent before and after.

        Parameters
        ----------
        drive : float array (N,)
            One period, in shares of the full scale, −1 to 1; it is repeated as long as the take lasts.
        lead_in : int
            Samples played and thrown away before the record begins, on top of the delay of the card.
        start_time_s : float
            Time since the start of the sweep, handed on in the capture.
        cancel : threading.Event
            Fades the output out and raises Cancelled when set.

        Returns
        -------
        Capture
            N samples of A and B, which hold whole periods of everything in ``drive``. Where the full scale of
            the inputs is not known, volts are nominal and only ratios are right.

        Raises
        ------
        InputError
            A drive that is empty, not finite or beyond ±1.
        InstrumentError
            The card failed, or drop-outs spoilt every attempt.
        """


class Operator(Protocol):
    """Hands: a person at the terminal or the page, or the virtual bench's own switch."""

    def fit(self, name: str) -> None:
        """Return when the named fixture (open, short, load …) or core is in place; raises Cancelled."""


@dataclass(frozen=True, slots=True)
class Bench:
    """The hardware at hand and how it is wired.

    Attributes
    ----------
    source : Source
    digitizer : Digitizer
    wiring : Wiring
    shunt_ohm : float
        Nominal value; it sets levels, never results.
    scale_known : bool
        False where volts are nominal: ratios are right, levels and flux densities are not.
    """

    source: Source
    digitizer: Digitizer
    wiring: Wiring
    shunt_ohm: float
    scale_known: bool = True
