"""The virtual bench in this process on a clock of its own: nobody waits, and all else is as it is."""

import threading
from dataclasses import replace

import numpy as np

from whichcore.analysis.types import Capture, Wiring
from whichcore.bench import load_bench
from whichcore.errors import Cancelled
from whichcore.rig.instruments import Bench, DigitizerLimits, SourceLimits
from whichcore.rig.virtual.bench import Bench as Table
from whichcore.rig.virtual.bench import Hands, SourceFront
from whichcore.rig.virtual.cores import cores
from whichcore.rig.virtual.electronics import electronics
from whichcore.rig.virtual.fixtures import WoundCore, fixture


class Clock:
    """Seconds that pass when somebody waits."""

    def __init__(self):
        self.now_s = 0.0

    def __call__(self):
        return self.now_s


class Waits(threading.Event):
    """An event whose waits pass on the clock at once."""

    def __init__(self, clock):
        super().__init__()
        self.clock = clock

    def wait(self, timeout=None):
        if not self.is_set():
            self.clock.now_s += timeout or 0.0
        return self.is_set()


class InstantSource:
    identity, output_ohm, settle_s = "instant source", 50.0, 0.005

    def __init__(self, table, level_vpp=(1e-3, 20.0)):
        self.table = table
        self.limits = SourceLimits((0.001, 30e6), level_vpp, (-5.0, 5.0))
        table.change(source=SourceFront(load_ohm=float("inf")))

    def _front(self, name):
        return getattr(self.table.source, name)

    def _set(self, **what):
        self.table.change(source=replace(self.table.source, **what))

    frequency_hz = property(lambda s: s._front("frequency_hz"), lambda s, v: s._set(frequency_hz=v))
    level_vpp = property(lambda s: s._front("level_vpp"), lambda s, v: s._set(level_vpp=v))
    offset_v = property(lambda s: s._front("offset_v"), lambda s, v: s._set(offset_v=v))

    def output_is_on(self):
        return self.table.source.on

    def output_on(self):
        self._set(on=True)

    def output_off(self):
        self._set(on=False)

    def check_errors(self):
        pass

    def close(self):
        pass


class InstantDigitizer:
    identity = "instant digitizer"

    def __init__(self, table, clock, fastest_s=2e-9, bandwidth_hz=None):
        self.table, self.clock = table, clock
        ranges = tuple(
            tuple(row.full_scale_vpp for row in channel.ranges)
            for channel in electronics().digitizer.channels
        )
        self.limits = DigitizerLimits((16, 1_000_000), (fastest_s, 0.01), ranges, bandwidth_hz)
        self.full = [ranges[0][-1], ranges[1][-1]]
        self.records = 0
        self.hook = lambda _: None

    @property
    def ranges_vpp(self):
        return tuple(self.full)

    def set_range(self, channel, range_vpp):
        index = self.limits.ranges_vpp[channel].index(range_vpp)
        fronts = list(self.table.digitizer.channels)
        fronts[channel] = replace(fronts[channel], range_index=index)
        self._set(channels=tuple(fronts))
        self.full[channel] = range_vpp
        return range_vpp

    def set_interval(self, interval_s):
        every = electronics().digitizer.intervals()
        every = every[every >= 0.999 * self.limits.interval_s[0]]
        real = float(every[np.argmin(np.abs(every - interval_s))])
        self._set(interval_s=real)
        return real

    def set_points(self, points):
        self._set(points=points)

    def _set(self, **what):
        self.table.change(digitizer=replace(self.table.digitizer, **what))

    def acquire(self, frequency_hz, start_time_s, cancel):
        if cancel.is_set():
            raise Cancelled("the record was stopped")
        self.records += 1
        self.hook(self.records)
        assert self.table.start()
        front = self.table.digitizer
        self.clock.now_s += 1.001 * front.points * front.interval_s
        settings = [self.table.channel(k) for k in (0, 1)]
        return Capture(
            samples=np.stack([self.table.codes(k) for k in (0, 1)]),
            interval_s=front.interval_s,
            volts_per_code=tuple(s.step_v for s in settings),
            nonlinearity_codes=tuple(s.data.nonlinearity_rms() for s in settings),
            start_time_s=start_time_s,
            range_labels=tuple(f"{full:g}V" for full in self.full),
            frequency_hz=frequency_hz,
        )

    def check_errors(self):
        pass

    def close(self):
        pass


class Instant:
    """Table, instruments and hands.

    Attributes
    ----------
    table : Bench of the virtual bench
    bench : Bench of instruments
    cancel : Waits
        To be handed to whatever runs on this bench.
    """

    def __init__(self, wiring=Wiring.SHUNT_AT_GROUND, seed=1, *, level_vpp=(1e-3, 20.0), **digitizer):
        self.clock = Clock()
        self.table = Table(Hands(wiring=wiring), seed=seed, clock=self.clock)
        self.digitizer = InstantDigitizer(self.table, self.clock, **digitizer)
        self.source = InstantSource(self.table, level_vpp)
        self.bench = Bench(self.source, self.digitizer, wiring, 10.0)
        self.cancel = Waits(self.clock)
        self.settings = replace(load_bench("virtual"), wiring=wiring)

    def fit(self, name):
        """Fit a fixture, as the operator of a calibration."""
        item, tied = (fixture("open"), True) if name == "tied" else (fixture(name), False)
        self.table.change(hands=replace(self.table.hands, item=item, tied=tied))

    def wind(self, name, turns=10, **behaviour):
        """Fit a core, its behaviour changed where wanted; returns it."""
        core = cores()[name]
        item = WoundCore(replace(core, behaviour=replace(core.behaviour, **behaviour)), turns)
        self.table.change(hands=replace(self.table.hands, item=item, tied=False))
        return item

    def hands(self, **what):
        """Change what hands change: remanence, temperature …"""
        self.table.change(hands=replace(self.table.hands, **what))
