"""The virtual sound card and its faults: what lies between samples and the circuit."""

from __future__ import annotations

import tomllib
from dataclasses import dataclass, field
from enum import StrEnum
from functools import cache
from importlib import resources

import numpy as np
from scipy.signal import lfilter

from whichcore.analysis.types import FloatArray
from whichcore.errors import InputError

LARGEST_DELAY = 100_000  # frames
DRIFTING_FROM = 2000.0  # frames of delay that two clocks begin with
LEVELLED_RMS = 0.1  # what an automatic gain levels to, share of the full scale
LEVEL_TIME_S = 0.02


class AudioFault(StrEnum):
    """What can be wrong with a card, its host, or its cables."""

    RESAMPLED = "resampled"  # the host runs the card at half the rate and fills in
    AUTOMATIC_GAIN = "automatic gain"
    NO_PERMISSION = "no permission"  # exact zeros
    SWAPPED = "swapped"
    DEAD = "dead"  # value: channel 1 or 2
    CROSSTALK = "crosstalk"  # value: share of the other channel
    HOT = "hot"  # value: recording level, times too high
    LATE = "late"  # value: frames
    NOISY = "noisy"  # value: rms, share of the full scale
    CLOCK = "clock"  # value: ppm by which the inputs run fast
    STALL = "stall"  # value: seconds for which the client sleeps once: a drop-out in real time


_RANGES = {
    AudioFault.DEAD: (1.0, 2.0),
    AudioFault.CROSSTALK: (0.0, 1.0),
    AudioFault.HOT: (1.0, 1000.0),
    AudioFault.LATE: (0.0, float(LARGEST_DELAY)),
    AudioFault.NOISY: (0.0, 1.0),
    AudioFault.CLOCK: (-1000.0, 1000.0),
    AudioFault.STALL: (0.0, 60.0),
}


def parse_audio_fault(kind: str, value: float = 0.0) -> tuple[AudioFault, float]:
    """Return a fault by its name; raises InputError for one there is not, or a value out of reach."""
    try:
        fault = AudioFault(kind)
    except ValueError:
        raise InputError("no such fault", where="fault", got=kind, allowed=", ".join(AudioFault)) from None
    low, high = _RANGES.get(fault, (0.0, 0.0))
    if not low <= value <= high:
        raise InputError("it is out of reach", where=kind, got=f"{value:g}", allowed=f"{low:g} to {high:g}")
    return fault, value


@dataclass(frozen=True, slots=True)
class InputData:
    """One input; see audio.toml."""

    vpk: float
    ohm: float
    farad: float
    corner_hz: float


@dataclass(frozen=True, slots=True)
class CardData:
    """The card; see audio.toml."""

    output_ohm: float
    output_vpk: float
    output_corner_hz: float
    noise: float
    bits: int
    inputs: tuple[InputData, InputData]

    @property
    def step(self) -> float:
        """Of the converters, share of the full scale."""
        return 2.0 ** (1 - self.bits)


@cache
def card_data() -> CardData:
    """Return the data of audio.toml."""
    text = resources.files(__package__).joinpath("audio.toml").read_text(encoding="utf-8")
    table = tomllib.loads(text)
    first, second = (InputData(**row) for row in table.pop("input"))
    return CardData(**table, inputs=(first, second))


@dataclass(slots=True)
class _HighPass:
    """A capacitor in the path: s/(s + ω), by the bilinear rule, whose error is (ω/f_s)² here."""

    corner_hz: float
    rate_hz: float
    state: FloatArray = field(default_factory=lambda: np.zeros(1))

    def __call__(self, values: FloatArray) -> FloatArray:
        k = np.pi * self.corner_hz / self.rate_hz
        out, self.state = lfilter(
            [1 / (1 + k), -1 / (1 + k)], [1.0, -(1 - k) / (1 + k)], values, zi=self.state
        )
        return np.asarray(out)


@dataclass(slots=True)
class _Late:
    """A delay that may run away: two clocks."""

    frames: float = 0.0
    ppm: float = 0.0
    past: FloatArray = field(default_factory=lambda: np.zeros((2, LARGEST_DELAY + 8)))

    def __call__(self, values: FloatArray) -> FloatArray:
        count = values.shape[1]
        whole = np.concatenate([self.past, values], axis=1)
        self.past = whole[:, -self.past.shape[1] :]
        drift = self.ppm * 1e-6 * np.arange(count)
        behind = np.clip(self.frames - drift, 0.0, LARGEST_DELAY)
        place = self.past.shape[1] + np.arange(count) - np.maximum(behind, 2.0)
        self.frames = float(np.clip(self.frames - self.ppm * 1e-6 * count, 0.0, LARGEST_DELAY))
        if self.ppm and not 0 < self.frames < LARGEST_DELAY:
            self.frames = DRIFTING_FROM
        return _between(whole, place)


def _between(whole: FloatArray, place: FloatArray) -> FloatArray:
    """Return values between samples, by the cubic through four of them."""
    base = np.floor(place).astype(int)
    t = place - base
    a, b, c, d = (whole[:, base + k] for k in (-1, 0, 1, 2))
    return np.asarray(
        -t * (t - 1) * (t - 2) / 6 * a
        + (t + 1) * (t - 1) * (t - 2) / 2 * b
        - (t + 1) * t * (t - 2) / 2 * c
        + (t + 1) * t * (t - 1) / 6 * d
    )


class VirtualCard:
    """Output stage, input stages, and what goes wrong in them.

    Parameters
    ----------
    rate_hz : float
    seed : int or None
        Of the noise.
    """

    def __init__(self, rate_hz: float, seed: int | None = None) -> None:
        data = card_data()
        self.faults: dict[AudioFault, float] = {}
        self._rng = np.random.default_rng(seed)
        self._rate_hz = rate_hz
        self._output = _HighPass(data.output_corner_hz, rate_hz)
        self._inputs = [_HighPass(one.corner_hz, rate_hz) for one in data.inputs]
        self._late = _Late()
        self._gain = [1.0, 1.0]
        self._odd: FloatArray = np.zeros(2)

    def set(self, fault: AudioFault, value: float) -> None:
        """Switch a fault on."""
        self.faults[fault] = value
        if fault is AudioFault.LATE:
            self._late.frames = value
        if fault is AudioFault.CLOCK:
            self._late.ppm, self._late.frames = value, DRIFTING_FROM

    def clear(self) -> None:
        """Switch every fault off."""
        self.faults.clear()
        self._late.frames = self._late.ppm = 0.0

    def emf(self, played: FloatArray) -> FloatArray:
        """Return the open-circuit voltage of the output for samples, float array (n,)."""
        held = np.clip(played, -1.0, 1.0)
        if AudioFault.RESAMPLED in self.faults:
            held = self._halved(held)
        return self._output(card_data().output_vpk * held)

    def read(self, volts: FloatArray) -> FloatArray:
        """Return the samples of both inputs, float array (2, n), for the voltages at their sockets."""
        data, faults = card_data(), self.faults
        count = volts.shape[1]
        if AudioFault.NO_PERMISSION in faults:
            return np.zeros((2, count))
        shares = np.stack(
            [stage(row) / one.vpk for stage, row, one in zip(self._inputs, volts, data.inputs, strict=True)]
        )
        if AudioFault.SWAPPED in faults:
            shares = shares[::-1]
        if AudioFault.DEAD in faults:
            shares[int(faults[AudioFault.DEAD]) - 1] = 0.0
        shares = shares + faults.get(AudioFault.CROSSTALK, 0.0) * shares[::-1]
        shares *= faults.get(AudioFault.HOT, 1.0)
        if AudioFault.LATE in faults or AudioFault.CLOCK in faults:
            shares = self._late(shares)
        shares += self._rng.normal(0.0, max(data.noise, faults.get(AudioFault.NOISY, 0.0)), shares.shape)
        if AudioFault.AUTOMATIC_GAIN in faults:
            shares = self._levelled(shares)
        return np.asarray(np.clip(np.round(shares / data.step) * data.step, -1.0, 1.0 - data.step))

    def _halved(self, held: FloatArray) -> FloatArray:
        """Keep every other sample and draw straight lines between them, a block late by one sample."""
        whole = np.concatenate([self._odd, held])
        self._odd = whole[-2:]
        out = whole[1:-1].copy()
        out[0::2] = (whole[0:-2:2] + whole[2::2]) / 2
        return out

    def _levelled(self, shares: FloatArray) -> FloatArray:
        """Turn each input up or down until its level is the one wanted, half of the way in decibels."""
        for k, row in enumerate(shares):
            rms = float(np.sqrt(np.mean(row**2)))
            wanted = float(np.clip(np.sqrt(LEVELLED_RMS / max(rms, 1e-6)), 0.1, 30.0))
            keep = np.exp(-row.size / self._rate_hz / LEVEL_TIME_S)
            before, self._gain[k] = self._gain[k], wanted + (self._gain[k] - wanted) * keep
            shares[k] = row * np.linspace(before, self._gain[k], row.size)
        return shares
