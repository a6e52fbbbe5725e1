"""A sound card as the source and the digitizer of a stepped sweep, or as the digitizer of another source.

The card plays only while a record is taken: a lead-in that is thrown away, the record, a fade-out. Between
records the output is silent, whatever the source is set to.
"""

from __future__ import annotations

import math
import threading
from dataclasses import replace

import numpy as np

from whichcore.analysis.quantisation import coprime_periods
from whichcore.analysis.types import Capture
from whichcore.errors import InputError, InstrumentError
from whichcore.rig.instruments import DigitizerLimits, SourceLimits, Span
from whichcore.rig.soundcard.card import HIGHEST_SHARE, CardSettings, SoundCard, Window
from whichcore.rig.soundcard.signals import sine

LOWEST_HZ = 1.0
LOWEST_SHARE = 1e-5  # of the full scale: -100 dB
SHORTEST, LONGEST = 64, 8_000_000
LEAST_PERIODS = 40  # in a record, as the sweep's usual rule has it
COPRIME_CHOICE = 64


def card_limits(settings: CardSettings) -> SourceLimits:
    """Return what the output of a card can do."""
    full = 2 * settings.out_vpk
    highest_hz = HIGHEST_SHARE * settings.stream.rate_hz
    return SourceLimits((LOWEST_HZ, highest_hz), (LOWEST_SHARE * full, full))


def heard(limits: SourceLimits | None, settings: CardSettings) -> SourceLimits | None:
    """Return what a card hears of another source: no frequency beyond its own band."""
    if limits is None:
        return None
    low, high = limits.frequency_hz
    highest_hz = HIGHEST_SHARE * settings.stream.rate_hz
    return replace(limits, frequency_hz=(max(low, LOWEST_HZ), min(high, highest_hz)))


class SoundSource:
    """The output of a card.

    Parameters
    ----------
    card : SoundCard
    limits : SourceLimits or None
        Narrower ones than the card's.
    """

    def __init__(self, card: SoundCard, limits: SourceLimits | None = None) -> None:
        self.card = card
        self._limits = card_limits(card.settings) if limits is None else limits
        self._frequency_hz: float | None = None
        self._level_vpp: float | None = None
        self._on = False

    @property
    def limits(self) -> SourceLimits:
        """Lowest and highest values."""
        return self._limits

    @property
    def identity(self) -> str:
        """Host interface, device and rate."""
        self.card.open()
        return f"{self.card.settings.stream.output}, {self.card.rate_hz:g} Hz"

    @property
    def output_ohm(self) -> float:
        """Source resistance, as stated."""
        return self.card.settings.output_ohm

    @property
    def settle_s(self) -> float:
        """Nothing settles between records: each has its own lead-in."""
        return 0.0

    @property
    def frequency_hz(self) -> float | None:
        """Frequency of the next record."""
        return self._frequency_hz

    @frequency_hz.setter
    def frequency_hz(self, value: float) -> None:
        self._frequency_hz = _within("frequency_hz", value, self._limits.frequency_hz, "Hz")

    @property
    def level_vpp(self) -> float | None:
        """Open-circuit level of the next record."""
        return self._level_vpp

    @level_vpp.setter
    def level_vpp(self, value: float) -> None:
        self._level_vpp = _within("level_vpp", value, self._limits.level_vpp, "V")

    @property
    def offset_v(self) -> float | None:
        """None but zero: a capacitor lies in the output."""
        return 0.0

    @offset_v.setter
    def offset_v(self, value: float) -> None:
        _within("offset_v", value, (0.0, 0.0), "V")

    @property
    def drive(self) -> tuple[float, float]:
        """Frequency in Hz and peak in shares of the full scale of what is played; a peak of 0 when off."""
        if not self._on:
            return self._frequency_hz or 0.0, 0.0
        if self._frequency_hz is None or self._level_vpp is None:
            raise InstrumentError(
                "the output is on without a tone", where="sound", next_step="set frequency and level first"
            )
        return self._frequency_hz, self._level_vpp / 2 / self.card.settings.out_vpk

    def output_is_on(self) -> bool | None:
        """Tell whether the next record is played; nothing sounds between records."""
        return self._on

    def output_on(self) -> None:
        """Play from the next record on."""
        self._on = True

    def output_off(self) -> None:
        """Play silence from now on."""
        self._on = False

    def check_errors(self) -> None:
        """Do nothing: a card keeps no errors."""

    def close(self) -> None:
        """End the audio process."""
        self._on = False
        self.card.close()


class SoundDigitizer:
    """Both inputs of a card.

    Parameters
    ----------
    card : SoundCard
    source : SoundSource or None
        What it plays meanwhile; None where another instrument is the source, whose tone never stops. The two
        need no common trigger: both voltages are read at the same instants, and their frequency is found.
    lead_in_s : float or None
        Before each record; None for that of the card's settings.
    """

    def __init__(self, card: SoundCard, source: SoundSource | None, lead_in_s: float | None = None) -> None:
        self.card, self.source = card, source
        self._lead_in_s = card.settings.lead_in_s if lead_in_s is None else lead_in_s
        self._points = 20_000

    @property
    def limits(self) -> DigitizerLimits:
        """One range for each channel and one rate."""
        interval = 1 / self.card.rate_hz
        a, b = self.ranges_vpp
        return DigitizerLimits((SHORTEST, LONGEST), (interval, interval), ((a,), (b,)))

    @property
    def identity(self) -> str:
        """Host interface, device and channels."""
        self.card.open()
        stream = self.card.settings.stream
        return f"{stream.input}, channels {stream.input_channels[0]} and {stream.input_channels[1]}"

    @property
    def ranges_vpp(self) -> tuple[float, float]:
        """Full scale of both channels, nominal where it is not known."""
        a, b = self.card.settings.in_vpk
        return 2 * a, 2 * b

    def set_range(self, channel: int, range_vpp: float) -> float:
        """Return the one range there is; raises InputError for another."""
        own = self.ranges_vpp[channel]
        if not math.isclose(range_vpp, own, rel_tol=1e-6):
            raise InputError(
                "a sound card has one range", where=f"channel {'AB'[channel]}", got=f"{range_vpp:g} V",
                allowed=f"{own:g} V",
            )  # fmt: skip
        return own

    def set_interval(self, interval_s: float) -> float:
        """Return the one interval there is."""
        del interval_s
        return 1 / self.card.rate_hz

    def set_points(self, points: int) -> None:
        """Set the length of the record; a low tone makes it longer, so that it holds 40 periods."""
        self._points = round(_within("points", points, (SHORTEST, LONGEST), "samples"))

    def acquire(self, frequency_hz: float, start_time_s: float, cancel: threading.Event) -> Capture:
        """Play the source's tone, if it is the card's, and record both inputs once it has settled."""
        count = self._length(frequency_hz)
        lead_in = max(round(self._lead_in_s * self.card.rate_hz), self.card.fade_frames)
        if self.source is None:
            return self.card.listen(Window(lead_in, count, start_time_s, frequency_hz), cancel)
        tone_hz, peak = self.source.drive
        after = self.card.overhang(peak, cancel)
        signal = peak * sine(tone_hz / self.card.rate_hz, lead_in + count + after)
        return self.card.record(signal, Window(lead_in, count, start_time_s, frequency_hz), cancel)

    def check_errors(self) -> None:
        """Do nothing: a card keeps no errors, and one that is lost says so at the next record."""

    def close(self) -> None:
        """End the audio process."""
        self.card.close()

    def _length(self, frequency_hz: float) -> int:
        """Return the length set, or that of 40 periods coprime to it where the tone is too low for it."""
        wanted = math.ceil(LEAST_PERIODS * self.card.rate_hz / frequency_hz)
        if wanted <= self._points:
            return self._points
        longest = min(wanted + COPRIME_CHOICE, LONGEST)
        return coprime_periods(
            self.card.rate_hz, frequency_hz, longest, shortest_samples=longest - COPRIME_CHOICE
        ).samples


def _within(name: str, value: float, span: Span, unit: str) -> float:
    if not span[0] * (1 - 1e-12) <= value <= span[1] * (1 + 1e-12):
        raise InputError(
            "the sound card cannot do this",
            where=name,
            got=f"{value:g} {unit}",
            allowed=f"{span[0]:g} to {span[1]:g} {unit}",
        )
    return float(np.clip(value, *span))
