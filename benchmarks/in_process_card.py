"""A sound card without a card: it plays a wave into the virtual bench's circuit and reads both nodes.

The circuit is solved at every line of the wave by its own nodal analysis, which knows nothing of how records
are read; noise, hum, rounding, delay, gains of the inputs and a bent characteristic come on top. Each take
begins at another delay, as with real cards.
"""

from __future__ import annotations

import threading
from dataclasses import dataclass, field

import numpy as np
from scipy.fft import irfft, rfft, rfftfreq

from whichcore.analysis.types import Capture, FloatArray, Wiring
from whichcore.errors import Cancelled
from whichcore.rig.instruments import Bench, DigitizerLimits, SourceLimits
from whichcore.rig.virtual import Setup, WoundCore, core, fixture
from whichcore.rig.virtual.electronics import electronics
from whichcore.rig.virtual.fixtures import Item

STEPS = 2**23
GAINS = (1.0, 1.013)
DELAYS_S = (0.0, 40e-9)


@dataclass
class InProcessCard:
    """A device that plays and records at once.

    Attributes
    ----------
    setup : Setup
    rate_hz : float
    out_vpk, in_vpk, lowest_vpp : float
        Full scale of the output, open, and of both inputs; the lowest level of the output.
    noise_vrms : float
        Of each input, per sample.
    hum_vpk, hum_hz : float
    cube : (float, float)
        Of each input: v + cube · v³.
    clock : float
        By which the inputs run fast.
    takes : int
        Counted.
    flux_t, last_flux_t : float
        Peak of the mean flux density in a core, summed as if all tones peaked at once: the highest so far,
        and that of the last take.
    """

    setup: Setup
    rate_hz: float = 96_000.0
    out_vpk: float = 1.0
    lowest_vpp: float = 1e-6
    in_vpk: float = 1.0
    noise_vrms: float = 5e-6
    hum_vpk: float = 0.0
    hum_hz: float = 49.97
    cube: tuple[float, float] = (0.0, 0.0)
    clock: float = 0.0
    takes: int = 0
    flux_t: float = 0.0
    last_flux_t: float = 0.0
    rng: np.random.Generator = field(default_factory=lambda: np.random.default_rng(1))

    @property
    def full_scale_out_vpk(self) -> float | None:
        """Open-circuit peak voltage of a drive of 1."""
        return self.out_vpk

    def take(self, drive: FloatArray, lead_in: int, start_time_s: float, cancel: threading.Event) -> Capture:
        """Play a periodic drive and record both inputs, settled."""
        if cancel.is_set():
            raise Cancelled("stopped")
        if np.max(np.abs(drive)) > 1 or lead_in < 0:
            raise AssertionError("beyond the full scale")
        self.takes += 1
        count, lines = drive.size, rfft(drive) * self.out_vpk
        volts = np.zeros((2, count))
        used = np.flatnonzero(np.abs(lines) > 1e-9 * np.abs(lines).max())
        hertz = rfftfreq(count, 1 / self.rate_hz)[used] * (1 + self.clock)
        solution = self.setup.network().solve(2j * np.pi * hertz + 0.0, lines[used])
        if isinstance(self.setup.item, WoundCore):
            turns, area = self.setup.item.turns, self.setup.item.core.body.area_m2
            volts_pk = np.abs(solution.flux_voltage) * 2 / count
            total = float(np.sum(volts_pk / (2 * np.pi * hertz * turns * area)))
            self.last_flux_t = total
            self.flux_t = max(self.flux_t, total)
        for c, node in enumerate(self.setup.probes):
            seen = solution.voltages[node] * GAINS[c] * np.exp(-2j * np.pi * hertz * DELAYS_S[c])
            volts[c] = self._in_time(seen, used, hertz, count)
        if not self.clock:  # a record without a seam can begin anywhere
            volts = np.roll(volts, int(self.rng.integers(count)), axis=1)
        volts += np.array(self.cube)[:, None] * volts**3
        time_s = np.arange(count) / self.rate_hz
        volts += self.hum_vpk * np.cos(2 * np.pi * self.hum_hz * time_s + self.rng.uniform(0, 6.3))
        volts += self.rng.normal(0, self.noise_vrms, volts.shape)
        codes = np.clip(np.round(volts / self.in_vpk * STEPS), -STEPS, STEPS - 1).astype(np.int32)
        return Capture(
            codes,
            1 / self.rate_hz,
            (self.in_vpk / STEPS,) * 2,
            clip_codes=((-STEPS, STEPS - 1),) * 2,
            start_time_s=start_time_s,
        )

    def _in_time(self, seen: np.ndarray, used: np.ndarray, hertz: np.ndarray, count: int) -> FloatArray:
        if not self.clock:
            lines = np.zeros(count // 2 + 1, dtype=np.complex128)
            lines[used] = seen
            return np.asarray(irfft(lines, count))
        turn = 2j * np.pi * np.outer(hertz, np.arange(count) / self.rate_hz)
        return np.asarray((2 / count) * np.sum((seen[:, None] * np.exp(turn)).real, axis=0))


class CardSource:
    """The output as a source: it is set by takes alone."""

    output_ohm, settle_s = 50.0, 0.0
    frequency_hz = level_vpp = offset_v = None

    def __init__(self, card: InProcessCard) -> None:
        self.card = card
        self.identity = "card without a card"

    @property
    def limits(self) -> SourceLimits:
        """Lowest and highest values."""
        return SourceLimits((1.0, 0.45 * self.card.rate_hz), (self.card.lowest_vpp, 2 * self.card.out_vpk))

    def output_is_on(self) -> bool:
        """Nothing sounds between takes."""
        return False

    def output_on(self) -> None:
        """Do nothing."""

    output_off = check_errors = close = output_on


class CardDigitizer:
    """Both inputs."""

    def __init__(self, card: InProcessCard) -> None:
        self.card = card
        self.identity = "its inputs"

    @property
    def limits(self) -> DigitizerLimits:
        """One range each."""
        interval, full = 1 / self.card.rate_hz, (2 * self.card.in_vpk,)
        return DigitizerLimits((64, 10_000_000), (interval, interval), (full, full))

    def close(self) -> None:
        """Do nothing."""


def bench_of(card: InProcessCard) -> Bench:
    """Return a bench with the card in it."""
    return Bench(CardSource(card), CardDigitizer(card), card.setup.wiring, card.setup.shunt_ohm)  # type: ignore[arg-type]


def set_up(item: Item, wiring: Wiring = Wiring.SHUNT_AT_GROUND, *, tied: bool = False) -> Setup:
    """Return the circuit with an item in it; the inputs load it as a scope's would."""
    ohm, farad = electronics().digitizer.inputs[1]
    return Setup(wiring, item, 10.0, (farad, farad), (ohm, ohm), tied=tied)


class CardHands:
    """Hands that fit standards, and tie both channels."""

    def __init__(self, card: InProcessCard) -> None:
        self.card = card
        self.asked: list[str] = []

    def fit(self, name: str) -> None:
        """Put it in place."""
        self.asked.append(name)
        wiring = self.card.setup.wiring
        self.card.setup = set_up(fixture("load" if name == "tied" else name), wiring, tied=name == "tied")

    def wind(self, name: str, turns: int) -> WoundCore:
        """Fit a core."""
        item = WoundCore(core(name), turns)
        self.card.setup = set_up(item, self.card.setup.wiring)
        return item
