"""A sound card that plays and records at once, with its scale, its delay and its second attempts."""

from __future__ import annotations

import threading
from collections.abc import Callable
from dataclasses import dataclass
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from whichcore.analysis.types import Capture, FloatArray
from whichcore.errors import InputError, InstrumentError
from whichcore.rig.soundcard.process import Played, StreamSettings, Worker
from whichcore.rig.soundcard.signals import PING_SHARE, delay_frames, faded, ping, repeated

ATTEMPTS = 4  # of a take with drop-outs
FADE_S = 0.02
LONGEST_DELAY_S = 0.5
SPARE_FRAMES = 64  # behind the delay: what filters before and after a sample see of it
HIGHEST_SHARE = 0.4  # of the sample rate: the sweep's 2.5 samples in a period, below the filters' fall
CLIPPED = 0.9995  # of the full scale
NOMINAL_VPK = 1.0
_STEPS = (2.0**-15, 2.0**-23)


@dataclass(frozen=True, slots=True)
class CardSettings:
    """A card as the bench file states it.

    Attributes
    ----------
    stream : StreamSettings
    full_scale_out_vpk : float or None
        Open-circuit peak at digital full scale.
    full_scale_in_vpk : (float, float) or None
        Peak at the inputs of A and B that fills them.
    output_ohm : float
        Source resistance, nominal.
    lead_in_s : float
        Played and thrown away before each record, on top of the delay.
    """

    stream: StreamSettings
    full_scale_out_vpk: float | None = None
    full_scale_in_vpk: tuple[float, float] | None = None
    output_ohm: float = 50.0
    lead_in_s: float = 0.1

    @property
    def scale_known(self) -> bool:
        """Whether volts are volts."""
        return self.full_scale_out_vpk is not None and self.full_scale_in_vpk is not None

    @property
    def out_vpk(self) -> float:
        """Open-circuit peak at full scale, nominal where it is not known."""
        return self.full_scale_out_vpk or NOMINAL_VPK

    @property
    def in_vpk(self) -> tuple[float, float]:
        """Peak that fills the inputs, nominal where it is not known."""
        return self.full_scale_in_vpk or (NOMINAL_VPK, NOMINAL_VPK)


@dataclass(frozen=True, slots=True)
class Window:
    """What is kept of a take.

    Attributes
    ----------
    lead_in, count : int
        Samples played before it, and its length.
    start_time_s : float
        Handed on in the capture.
    frequency_hz : float or None
        Likewise.
    """

    lead_in: int
    count: int
    start_time_s: float = 0.0
    frequency_hz: float | None = None


class AudioProcess(Protocol):
    """What plays and records for a card."""

    @property
    def alive(self) -> bool:
        """False once it has ended."""

    def play(self, output: NDArray[np.float32], cancel: threading.Event) -> Played:
        """Play frames and record as many."""

    def close(self) -> None:
        """End it."""


class SoundCard:
    """Plays and records; a :class:`~whichcore.rig.instruments.TakeDevice`.

    The audio process is started with the first take, and again after it was lost.

    Parameters
    ----------
    settings : CardSettings
    start : callable
        Makes the audio process.
    """

    def __init__(
        self, settings: CardSettings, start: Callable[[StreamSettings], AudioProcess] = Worker
    ) -> None:
        self.settings = settings
        self._start = start
        self._worker: AudioProcess | None = None
        self._delay: int | None = None
        self.retaken = 0  # takes thrown away for drop-outs

    @property
    def rate_hz(self) -> float:
        """Samples per second."""
        return self.settings.stream.rate_hz

    @property
    def full_scale_out_vpk(self) -> float | None:
        """Open-circuit peak voltage of a drive of 1."""
        return self.settings.full_scale_out_vpk

    @property
    def delay_s(self) -> float | None:
        """From output to input as the last ping has shown it; None before, and where none was heard."""
        return None if self._delay is None else self._delay / self.rate_hz

    def open(self) -> None:
        """Start the audio process if it does not run; raises InstrumentError."""
        if self._worker is None or not self._worker.alive:
            self.close()
            self._worker = self._start(self.settings.stream)

    def close(self) -> None:
        """End the audio process; doing it twice does no harm."""
        worker, self._worker = self._worker, None
        self._delay = None
        if worker is not None:
            worker.close()

    def take(self, drive: FloatArray, lead_in: int, start_time_s: float, cancel: threading.Event) -> Capture:
        """Play a periodic drive and record one period of both inputs; see TakeDevice."""
        period = _checked(drive)
        if lead_in < 0:
            raise InputError(
                "a lead-in is counted", where="lead_in", got=f"{lead_in}", allowed="0 samples or more"
            )
        before = max(lead_in, self.fade_frames)
        after = self.overhang(float(np.max(np.abs(period))), cancel)
        window = Window(before, period.size, start_time_s)
        return self.record(repeated(period, before, after), window, cancel)

    def overhang(self, peak: float, cancel: threading.Event) -> int:
        """Return by how many samples a signal of this peak must go on behind what is to be recorded.

        The delay of the card, which the first call measures by a ping, what its filters see of later
        samples, and the fade-out.
        """
        self.open()
        if self._delay is None and peak > 0:
            self._delay = self.measure_delay(peak, cancel)
        return self._wait_frames + SPARE_FRAMES + self.fade_frames

    def record(self, signal: FloatArray, window: Window, cancel: threading.Event) -> Capture:
        """Play a signal once and record a part of it.

        Parameters
        ----------
        signal : float array (lead_in + N + overhang,)
            In shares of the full scale; it is faded in within the lead-in and out in the overhang.
        window : Window
        cancel : threading.Event

        Raises
        ------
        InstrumentError
            The card failed, drop-outs spoilt every attempt, or every sample is exactly zero.
        Cancelled
        """
        rise = min(window.lead_in, self.fade_frames)
        played = self.play(faded(signal, rise, self.fade_frames), cancel)
        first = window.lead_in + self._wait_frames
        codes = played.record[:, first : first + window.count]
        _refuse_zeros(codes)
        return self._capture(codes, window)

    def listen(self, window: Window, cancel: threading.Event) -> Capture:
        """Record what another source plays; the card's own output is silent. Raises as :meth:`record`."""
        played = self.play(np.zeros(window.lead_in + window.count), cancel)
        codes = played.record[:, window.lead_in :]
        _refuse_zeros(codes)
        return self._capture(codes, window)

    def play(self, signal: FloatArray, cancel: threading.Event) -> Played:
        """Play a signal on every output channel in use and record as long; again where there were drop-outs.

        Raises
        ------
        InstrumentError, Cancelled
        """
        self.open()
        worker = self._worker
        if worker is None:  # pragma: no cover - it was opened
            raise AssertionError("no audio process")
        columns = len(self.settings.stream.output_channels)
        frames = np.repeat(np.asarray(signal, dtype=np.float32)[:, None], columns, axis=1)
        flags: set[str] = set()
        for _ in range(ATTEMPTS):
            played = worker.play(frames, cancel)
            if not played.flags:
                return played
            self.retaken += 1
            flags.update(played.flags)
        raise InstrumentError(
            "drop-outs spoilt every attempt",
            where=self.settings.stream.input,
            got=f"{', '.join(sorted(flags))} in {ATTEMPTS} takes",
            next_step="close other programs, use longer buffers at the audio server, or a lower sample rate",
        )

    def measure_delay(self, peak: float, cancel: threading.Event) -> int | None:
        """Ping at a share of ``peak``; return the samples until an input hears it, None where none does."""
        longest = round(LONGEST_DELAY_S * self.rate_hz)
        sound = PING_SHARE * min(peak, 1.0) * ping()
        played = self.play(np.concatenate([sound, np.zeros(longest)]), cancel)
        found = (delay_frames(channel, sound) for channel in played.record)
        return next((frames for frames in found if frames is not None), None)

    @property
    def fade_frames(self) -> int:
        """Length of a fade."""
        return round(FADE_S * self.rate_hz)

    @property
    def _wait_frames(self) -> int:
        """Delay to wait for: as measured, the longest there is where it could not be heard."""
        if self._delay is None:
            return round(LONGEST_DELAY_S * self.rate_hz)
        return self._delay + SPARE_FRAMES

    def _capture(self, codes: NDArray[np.float32], window: Window) -> Capture:
        scale = self.settings.in_vpk
        steps = (_step(codes[0]), _step(codes[1]))
        return Capture(
            samples=codes.astype(float),
            interval_s=1 / self.rate_hz,
            volts_per_code=scale,
            step_codes=None if 0.0 in steps else steps,
            clip_codes=((-CLIPPED, CLIPPED), (-CLIPPED, CLIPPED)),
            start_time_s=window.start_time_s,
            range_labels=(f"{2 * scale[0]:g}V", f"{2 * scale[1]:g}V"),
            frequency_hz=window.frequency_hz,
        )


def _checked(drive: FloatArray) -> FloatArray:
    period = np.asarray(drive, dtype=float)
    peak = float(np.max(np.abs(period), initial=0.0))
    if period.ndim != 1 or period.size == 0 or not peak <= 1:
        raise InputError(
            "this drive cannot be played",
            where="drive",
            got=f"shape {period.shape}, peak {peak:g}",
            allowed="one row of samples, finite, from -1 to 1",
        )
    return period


def _refuse_zeros(codes: NDArray[np.float32]) -> None:
    if codes.size and not codes.any():
        raise InstrumentError(
            "every sample of both inputs is exactly zero",
            where="sound",
            got="0",
            allowed="some noise at least",
            next_step="allow the terminal to use the microphone in the privacy settings of the system, and "
            "turn the recording level up",
        )


def _step(codes: NDArray[np.float32]) -> float:
    """Return the converter's step if the samples show one (16 or 24 bit), else 0."""
    for step in _STEPS:
        scaled = codes / np.float32(step)
        if np.array_equal(scaled, np.round(scaled)):
            return step
    return 0.0
