"""The bench as it stands: what the hands did, how the instruments are set, what happened when."""

from __future__ import annotations

import math
import threading
import time
from collections.abc import Callable
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from whichcore.analysis.types import Wiring
from whichcore.rig.virtual.electronics import electronics
from whichcore.rig.virtual.faults import FaultBoard, FaultKind
from whichcore.rig.virtual.fixtures import Item, WoundCore, fixture
from whichcore.rig.virtual.geometry import MU_0
from whichcore.rig.virtual.record import (
    ChannelSettings,
    Drive,
    Room,
    Sampling,
    Stretch,
    convert,
    first_stretch,
    next_stretch,
    with_inputs,
)
from whichcore.rig.virtual.setup import Setup

UNPLUGGED_HUM = 8.0  # an open cable picks up more
STUCK_SHARE = 1 / 8  # range a stuck switch stays on, as a share of the one it shows
NO_TRIGGER_S = 0.02  # between two looks whether the trigger has come after all
NEUTRAL_FIELD = 5.0  # coercive fields to start a neutralising decay from
STEEPEST = 0.5  # smallest ratio of two amplitudes in a row that still neutralises
LEFT_BEHIND = 0.6  # share of the remanence that a drive cut off in full swing leaves


@dataclass(frozen=True, slots=True)
class Hands:
    """What hands do: fixtures, cables, warmth.

    Attributes
    ----------
    wiring, item, tied, shunt_ohm, pad_db, blocking_farad
        See `Setup`.
    probe_ratios : (int, int)
        1 for a direct cable.
    temperature_c, remanence_t, disturbed_s
        Of the core; the last is the time it was last heated or neutralised.
    """

    wiring: Wiring = Wiring.SHUNT_AT_GROUND
    item: Item = field(default_factory=lambda: fixture("open"))
    tied: bool = False
    shunt_ohm: float = 10.0
    pad_db: float = 0.0
    blocking_farad: float | None = None
    probe_ratios: tuple[int, int] = (1, 1)
    temperature_c: float = 25.0
    remanence_t: float = 0.0
    disturbed_s: float = -3600.0


@dataclass(frozen=True, slots=True)
class SourceFront:
    """Front panel of the source; ``load_ohm`` is what the display takes for granted."""

    frequency_hz: float = 1000.0
    level_vpp: float = 0.1
    offset_v: float = 0.0
    load_ohm: float = 50.0
    on: bool = False

    @property
    def display_share(self) -> float:
        """Displayed voltage over emf."""
        if math.isinf(self.load_ohm):
            return 1.0
        return self.load_ohm / (self.load_ohm + electronics().source.ohm)


@dataclass(frozen=True, slots=True)
class ChannelFront:
    """Front panel of one channel; ``attenuation`` only scales what is shown."""

    range_index: int = 4
    offset_v: float = 0.0
    alternating: bool = False
    attenuation: float = 1.0


@dataclass(frozen=True, slots=True)
class DigitizerFront:
    """Front panel of the digitizer; ``steps_per_range`` is how its converter is laid over a range."""

    points: int = 10_000
    interval_s: float = 1e-6
    steps_per_range: int = field(default_factory=lambda: electronics().digitizer.steps_per_range)
    channels: tuple[ChannelFront, ChannelFront] = (ChannelFront(), ChannelFront())


@dataclass(frozen=True, slots=True)
class Run:
    """One acquisition: as the digitizer was set when it began."""

    start_s: float
    end_s: float
    sampling: Sampling
    channels: tuple[ChannelSettings, ChannelSettings]
    untriggered: bool = False


class Bench:
    """Everything on the table, in real time.

    Parameters
    ----------
    hands : Hands
        What is joined at the start.
    seed : int or None
        Of noise and phases.
    clock : callable
        Seconds, monotonic.
    """

    def __init__(
        self, hands: Hands | None = None, seed: int | None = None, clock: Callable[[], float] = time.monotonic
    ) -> None:
        self.faults = FaultBoard()
        self.closing = threading.Event()
        self._lock = threading.RLock()
        self._zero = clock()
        self._clock = clock
        self._rng = np.random.default_rng(seed)
        self._room = Room(self._rng.uniform(0, 2 * math.pi))
        self.hands = hands or Hands()
        self.source = SourceFront()
        self.digitizer = DigitizerFront()
        self._run: Run | None = None
        self._codes: list[NDArray[np.int8]] | None = None
        self._neutralising_h: float | None = None
        phase = self._rng.uniform(0, 2 * math.pi)
        self._stretches: list[Stretch] = [first_stretch(self._setup(), self._drive(), 0.0, phase)]

    # --- changes ---

    def now(self) -> float:
        """Return the time since the bench was set up, s."""
        return self._clock() - self._zero

    def change(
        self,
        *,
        hands: Hands | None = None,
        source: SourceFront | None = None,
        digitizer: DigitizerFront | None = None,
    ) -> None:
        """Put new settings in force; raises InputError and leaves the old ones where the core gives out."""
        with self._lock:
            old = (self.hands, self.source, self.digitizer)
            self.hands = hands or self.hands
            self.source = source or self.source
            self.digitizer = digitizer or self.digitizer
            if (self.hands, self.source, self.digitizer.channels) == (*old[:2], old[2].channels):
                return  # points and interval are nothing to the circuit
            switched = self.source.on is not old[1].on
            try:
                self._append(self.now() + (electronics().source.settle_s if switched else 0.0))
            except Exception:
                self.hands, self.source, self.digitizer = old
                raise

    def refresh(self) -> None:
        """Take new faults, and the core's age, into account."""
        with self._lock:
            self._append(self.now())

    def _append(self, earliest_s: float) -> None:
        start_s = max(earliest_s, self._stretches[-1].start_s)
        new = next_stretch(self._stretches[-1], self._setup(), self._drive(), start_s)
        self._stretches.append(new)
        self._remember_field(float(new.operating.flux_density_t[0]))

    def _remember_field(self, flux_density_t: float) -> None:
        """Keep track of the core's history: a decay from five coercive fields down neutralises it."""
        item = self.hands.item
        if not isinstance(item, WoundCore):
            self._neutralising_h = None
            return
        own = item.core.behaviour
        peak = flux_density_t / (MU_0 * (1 + item.core.static_susceptibility))
        last = self._neutralising_h
        if peak >= NEUTRAL_FIELD * own.coercive_a_per_m:
            self._neutralising_h = peak
        elif last is not None and last <= own.coercive_a_per_m / 2:
            self.hands = replace(self.hands, remanence_t=0.0, disturbed_s=self.now())
            self._neutralising_h = None
        elif last is not None and peak < STEEPEST * last:
            left = LEFT_BEHIND * own.remanence_t
            self.hands = replace(self.hands, remanence_t=left, disturbed_s=self.now())
            self._neutralising_h = None
        elif last is not None:
            self._neutralising_h = peak

    # --- what follows from the settings ---

    def channel(self, index: int) -> ChannelSettings:
        """Return a channel (0 or 1) with its front panel and cable."""
        front = self.digitizer.channels[index]
        data = electronics().digitizer.channels[index]
        return ChannelSettings(
            data,
            data.ranges[front.range_index],
            front.offset_v / front.attenuation,
            front.alternating,
            self.hands.probe_ratios[index],
            self.digitizer.steps_per_range,
        )

    def _setup(self) -> Setup:
        hands = self.hands
        item = hands.item
        if isinstance(item, WoundCore):
            age = self.now() - hands.disturbed_s
            condition = replace(
                item.condition, temperature_c=hands.temperature_c, bias_t=hands.remanence_t, age_s=age
            )
            item = replace(item, condition=condition)
        setup = Setup(
            hands.wiring,
            item,
            shunt_ohm=hands.shunt_ohm,
            pad_db=hands.pad_db,
            blocking_farad=hands.blocking_farad,
            tied=hands.tied,
        )
        channels = (self.channel(0), self.channel(1))
        return with_inputs(setup, channels[::-1] if self.faults.find(FaultKind.SWAPPED) else channels)

    def _drive(self) -> Drive:
        data = electronics().source
        front = self.source
        off = self.faults.find(FaultKind.FREQUENCY_OFF)
        ppm = data.clock_ppm + (off.value if off else 0.0)
        frequency = front.frequency_hz * (1 + ppm * 1e-6)
        if not front.on or self.faults.find(FaultKind.NO_SIGNAL):
            return Drive(frequency)
        share = front.display_share
        if self.faults.find(FaultKind.DISPLAY_LOAD):
            share = 0.5 if math.isinf(front.load_ohm) else 1.0
        gain = (1 + data.gain_error) / share
        extra = self.faults.find(FaultKind.OFFSET)
        offset = front.offset_v * gain + (extra.value if extra else 0.0)
        return Drive(frequency, front.level_vpp / 2 * gain, offset)

    def state(self) -> dict[str, object]:
        """Return what an onlooker sees, for the answer to a command of the hands."""
        with self._lock:
            item, last = self.hands.item, self._stretches[-1]
            return {
                "wiring": self.hands.wiring.value,
                "item": item.core.id if isinstance(item, WoundCore) else item.name,
                "turns": item.turns if isinstance(item, WoundCore) else None,
                "tied": self.hands.tied,
                "temperature_c": self.hands.temperature_c,
                "remanence_t": self.hands.remanence_t,
                "output": self.source.on,
                "emf_vpp": 2 * last.drive.emf_vpk,
                "flux_density_t": float(last.operating.flux_density_t[0]),
                "bias_t": last.operating.bias_t,
                "faults": [fault.kind.value for fault in self.faults.active],
            }

    # --- acquisition ---

    def start(self) -> bool:
        """Begin an acquisition; False while one runs."""
        with self._lock:
            if self.running():
                return False
            self.refresh()
            front = self.digitizer
            sampling = Sampling(front.points, front.interval_s)
            start = self.now()
            times = start + front.points * front.interval_s * (1 + electronics().digitizer.clock_ppm * 1e-6)
            lost = self.faults.find(FaultKind.TRIGGER_LOST) is not None
            self._run = Run(start, times, sampling, (self.channel(0), self.channel(1)), untriggered=lost)
            self._codes = None
            begun = [k for k, stretch in enumerate(self._stretches) if stretch.start_s <= start]
            self._stretches = self._stretches[begun[-1] :]
            return True

    def running(self) -> bool:
        """Tell whether an acquisition runs."""
        run = self._run
        if run is None:
            return False
        return self.untriggered() or self.now() < run.end_s

    def untriggered(self) -> bool:
        """Tell whether an acquisition waits for its trigger."""
        run = self._run
        return run is not None and run.untriggered and self.faults.find(FaultKind.TRIGGER_LOST) is not None

    def abort(self) -> None:
        """Throw the acquisition away."""
        with self._lock:
            self._run = self._codes = None

    def wait(self) -> None:
        """Sleep until the acquisition has ended, or the bench closes."""
        run = self._run
        if run is None:
            return
        self.closing.wait(max(0.0, run.end_s - self.now()))
        while self.running() and not self.closing.wait(NO_TRIGGER_S):
            pass

    def codes(self, channel: int) -> NDArray[np.int8] | None:
        """Return the record of a channel (0 or 1), int8 array (N,); None where there is none."""
        with self._lock:
            if self._run is None or self.running():
                return None
            if self._codes is None:
                self._codes = [self._record(self._run, k) for k in (0, 1)]
            return self._codes[channel]

    def _record(self, run: Run, channel: int) -> NDArray[np.int8]:
        time_s = run.sampling.times(run.start_s)
        settings = run.channels[channel]
        node = 1 - channel if self.faults.find(FaultKind.SWAPPED) else channel
        unplugged = self.faults.find(FaultKind.UNPLUGGED, channel=channel + 1) is not None
        volts = np.zeros(time_s.shape)
        if not unplugged:
            starts = np.array([stretch.start_s for stretch in self._stretches])
            owner = np.maximum(np.searchsorted(starts, time_s, side="right") - 1, 0)
            for k in np.unique(owner):
                here = owner == k
                volts[here] = self._stretches[k].voltage(time_s[here], node, settings)
        loud = self.faults.find(FaultKind.HUM)
        hum = self._room.hum(time_s, channel) * (UNPLUGGED_HUM if unplugged else 1.0)
        hum = hum * (loud.value if loud else 1.0)
        stuck = self.faults.find(FaultKind.CLIPPED, channel=channel + 1) is not None
        step = settings.step_v * STUCK_SHARE if stuck else None
        return convert(volts + hum, settings, self._rng, step)
