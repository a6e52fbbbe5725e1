"""What the channels see over time, and the codes they make of it.

Between two changes the bench is in its exact sine steady state plus decaying remains of the changes before.
A remain has the bench's slowest natural frequency s_1 (the core's inductance against the resistances round
it, found on the same network) and a size that keeps the current of the core continuous: exact for one pole,
the first order of the truth for a core of many.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import brentq

from whichcore.analysis.types import Capture, ComplexArray, FloatArray
from whichcore.rig.virtual.electronics import ChannelData, RangeData, electronics
from whichcore.rig.virtual.fixtures import WoundCore
from whichcore.rig.virtual.setup import Operating, Setup, operate


@dataclass(frozen=True, slots=True)
class Drive:
    """What the source puts out.

    Attributes
    ----------
    frequency_hz : float
        True frequency.
    emf_vpk, offset_v : float
        Emf; zero with the output off.
    """

    frequency_hz: float
    emf_vpk: float = 0.0
    offset_v: float = 0.0


@dataclass(frozen=True, slots=True)
class Remain:
    """A decaying current in the core.

    Attributes
    ----------
    start_s, amperes, rate_per_s : float
        When it began, how large, and s_1 < 0.
    volts_per_ampere : float array (2,)
        At the probes.
    """

    start_s: float
    amperes: float
    rate_per_s: float
    volts_per_ampere: FloatArray

    def current(self, time_s: FloatArray) -> FloatArray:
        """Return the current at times after the start, A."""
        return np.asarray(self.amperes * np.exp(self.rate_per_s * (time_s - self.start_s)))


@dataclass(frozen=True, slots=True)
class Stretch:
    """The bench between two changes.

    Attributes
    ----------
    setup : Setup
    drive : Drive
    start_s : float
    start_phase_rad : float
        Of the source at the start.
    operating : Operating
    harmonics : dict of int to complex array (2,)
        Peak phasors at the probes, by order: of the source, and the core's third.
    remains : tuple of Remain
    """

    setup: Setup
    drive: Drive
    start_s: float
    start_phase_rad: float
    operating: Operating
    harmonics: dict[int, ComplexArray]
    remains: tuple[Remain, ...] = ()

    def phase(self, time_s: FloatArray) -> FloatArray:
        """Return the phase of the source, rad."""
        turns = self.drive.frequency_hz * (time_s - self.start_s)
        return np.asarray(2 * np.pi * (turns % 1.0) + self.start_phase_rad)

    def steady_current(self, time_s: FloatArray) -> FloatArray:
        """Return the core's current without remains, A."""
        turning = np.exp(1j * self.phase(time_s)) * self.operating.core_current_a[0]
        return np.asarray(turning.real + self.operating.direct_current_a)

    def current(self, time_s: FloatArray) -> FloatArray:
        """Return the core's current, A."""
        total = self.steady_current(time_s)
        for remain in self.remains:
            total = total + remain.current(time_s)
        return np.asarray(total)

    def voltage(self, time_s: FloatArray, channel: int, settings: ChannelSettings) -> FloatArray:
        """Return what one channel makes of its node before the converter, V, float array like ``time_s``."""
        jw = 2j * np.pi * self.drive.frequency_hz
        lines = {1: self.operating.probe_v[:, 0], **self.harmonics}
        turning = np.exp(1j * self.phase(time_s))
        volts = np.zeros(time_s.shape)
        for order, phasors in lines.items():
            volts += (settings.response(order * jw) * phasors[channel] * turning**order).real
        volts += settings.direct_gain() * self.operating.direct_v[channel]
        for remain in self.remains:
            share = settings.response(complex(remain.rate_per_s)).real * remain.volts_per_ampere[channel]
            volts += share * remain.current(time_s)
        return volts


def first_stretch(setup: Setup, drive: Drive, start_s: float, phase_rad: float) -> Stretch:
    """Return a bench that has always been so."""
    operating = operate(setup, np.array([drive.frequency_hz]), drive.emf_vpk, drive.offset_v)
    return Stretch(setup, drive, start_s, phase_rad, operating, _harmonics(setup, drive, operating))


def next_stretch(last: Stretch, setup: Setup, drive: Drive, start_s: float) -> Stretch:
    """Return the bench after a change; the source's phase runs on, and so does the core's current."""
    phase = float(last.phase(np.array(start_s)))
    new = first_stretch(setup, drive, start_s, phase)
    if not isinstance(setup.item, WoundCore):
        return new
    here = np.array(start_s)
    same_piece = isinstance(last.setup.item, WoundCore) and (
        last.setup.item.core is setup.item.core and last.setup.item.turns == setup.item.turns
    )
    before = float(last.current(here)) if same_piece else 0.0
    missing = before - float(new.steady_current(here))
    mode = slowest_mode(setup) if missing else None
    if mode is None:
        return new
    rate, volts = mode
    return replace(new, remains=(Remain(start_s, missing, rate, volts),))


def slowest_mode(setup: Setup) -> tuple[float, FloatArray] | None:
    """Return the slowest natural frequency of a bench with a core, 1/s, and its shape.

    Returns
    -------
    (rate, volts) or None
        Rate s_1 < 0 and the voltages at the probes for one ampere in the core, float array (2,); None when
        nothing decays more slowly than a nanosecond.
    """
    network = setup.network()
    core = network.core
    if core is None:
        return None

    def loop(s: ComplexArray) -> FloatArray:
        return np.asarray((core.impedance(s) - network.solve_imposed(s).flux_voltage).real)

    grid = -np.geomspace(1e-1, 1e9, 300).astype(np.complex128)
    below = np.flatnonzero(loop(grid) < 0)
    if not below.size or below[0] == 0:
        return None
    left, right = grid[below[0]].real, grid[below[0] - 1].real
    rate = float(brentq(lambda x: float(loop(np.array([x + 0j]))[0]), left, right, xtol=1e-9 * abs(left)))
    solution = network.solve_imposed(np.array([rate + 0j]))
    return rate, np.array([solution.voltages[node][0].real for node in setup.probes])


def _harmonics(setup: Setup, drive: Drive, operating: Operating) -> dict[int, ComplexArray]:
    found: dict[int, ComplexArray] = {}
    if not drive.emf_vpk:
        return found
    sizes = electronics().source.harmonics_db
    s = 2j * np.pi * drive.frequency_hz * np.array(list(sizes))
    emf = drive.emf_vpk * setup.emf_share * 10 ** (np.array(list(sizes.values())) / 20)
    solution = setup.network().solve(s, emf)
    for k, order in enumerate(sizes):
        found[order] = np.array([solution.voltages[node][k] for node in setup.probes])
    found[3] = found.get(3, 0) + operating.third_v[:, 0]
    return found


@dataclass(frozen=True, slots=True)
class ChannelSettings:
    """How one channel is set.

    Attributes
    ----------
    data : ChannelData
    range_data : RangeData
    offset_v : float
        Voltage at the input that is shown at code 0.
    alternating : bool
        Coupled by a capacitor.
    probe_ratio : int
        Of the probe that hangs on the channel, 1 or 10.
    steps_per_range : int or None
        Steps of the converter in a full scale; None for those of the data.
    """

    data: ChannelData
    range_data: RangeData
    offset_v: float = 0.0
    alternating: bool = False
    probe_ratio: int = 1
    steps_per_range: int | None = None

    @property
    def step_v(self) -> float:
        """One step of the converter, at the input."""
        steps = self.steps_per_range or electronics().digitizer.steps_per_range
        return self.range_data.full_scale_vpp / steps

    @property
    def input_ohm(self) -> float:
        """Resistance the node sees."""
        return electronics().digitizer.inputs[self.probe_ratio][0]

    @property
    def input_farad(self) -> float:
        """Capacitance the node sees; a tenfold probe hides most of the range's own."""
        own = self.range_data.farad / self.probe_ratio
        return electronics().digitizer.inputs[self.probe_ratio][1] + own

    def response(self, s: complex) -> complex:
        """Return voltage at the converter over voltage at the node, at a complex frequency in rad/s."""
        corner = 2 * np.pi * electronics().digitizer.ac_corner_hz
        coupling = s / (s + corner) if self.alternating else 1.0
        return complex(self.range_data.response(np.array([s]))[0]) * coupling * self._probe_gain()

    def direct_gain(self) -> float:
        """Return the response to a steady voltage."""
        return 0.0 if self.alternating else self.range_data.gain * self._probe_gain()

    def noise_steps(self) -> float:
        """Return the rms of the noise before the converter, steps."""
        return float(np.hypot(electronics().digitizer.noise_steps, self.range_data.floor_vrms / self.step_v))

    def _probe_gain(self) -> float:
        return 1.0 if self.probe_ratio == 1 else self.data.probe_gain / self.probe_ratio


@dataclass(frozen=True, slots=True)
class Room:
    """What disturbs every record: mains, at its phase in rad."""

    phase_rad: float

    def hum(self, time_s: FloatArray, channel: int) -> FloatArray:
        """Return the mains voltage at an input, V."""
        data = electronics().bench
        angle = 2 * np.pi * data.mains_hz * time_s + self.phase_rad
        size = data.hum_vpk[channel]
        return np.asarray(size * (np.cos(angle) + data.hum_third * np.cos(3 * angle + 0.4)))


def convert(
    volts: FloatArray, settings: ChannelSettings, rng: np.random.Generator, step_v: float | None = None
) -> NDArray[np.int8]:
    """Return the converter's codes: noise, integral non-linearity, rounding, rails.

    Parameters
    ----------
    volts : float array (N,)
        Behind the amplifier of the range.
    settings : ChannelSettings
    rng : numpy Generator
    step_v : float or None
        Step to use in place of the range's own (a range switch that does not follow).
    """
    scaled = (volts - settings.offset_v) / (step_v or settings.step_v) + settings.data.zero_steps
    scaled = scaled + rng.normal(0.0, settings.noise_steps(), volts.shape)
    scaled = scaled + settings.data.nonlinearity(np.clip(scaled, -128, 127))
    return np.clip(np.round(scaled), -128, 127).astype(np.int8)


@dataclass(frozen=True, slots=True)
class Sampling:
    """Points per channel and the interval the digitizer states, s."""

    points: int
    interval_s: float

    def times(self, start_s: float) -> FloatArray:
        """Return the true instants of the samples by a perfect clock, s, float array (points,)."""
        true = self.interval_s * (1 + electronics().digitizer.clock_ppm * 1e-6)
        return np.asarray(start_s + true * np.arange(self.points))


def with_inputs(setup: Setup, channels: tuple[ChannelSettings, ChannelSettings]) -> Setup:
    """Return the setup loaded by the inputs of the channels."""
    first, second = channels
    return replace(
        setup,
        input_farad=(first.input_farad, second.input_farad),
        input_ohm=(first.input_ohm, second.input_ohm),
    )


def channel_settings(channel: int, full_scale_vpp: float) -> ChannelSettings:
    """Return a channel (0 or 1) on its smallest range that holds so much, or on its largest."""
    data = electronics().digitizer.channels[channel]
    fits = [row for row in data.ranges if row.full_scale_vpp >= full_scale_vpp * (1 - 1e-9)]
    return ChannelSettings(data, (fits or data.ranges[-1:])[0])


def capture_in_process(
    setup: Setup,
    drive: Drive,
    channels: tuple[ChannelSettings, ChannelSettings],
    sampling: Sampling,
    rng: np.random.Generator,
) -> Capture:
    """Return one settled record as the digitizer would hand it out, without waiting for it.

    ``drive`` is what the source is told; its clock and gain errors are applied here, and the phase of source
    and mains is drawn from ``rng``.
    """
    data = electronics().source
    true = Drive(
        drive.frequency_hz * (1 + data.clock_ppm * 1e-6),
        drive.emf_vpk * (1 + data.gain_error),
        drive.offset_v * (1 + data.gain_error),
    )
    stretch = first_stretch(with_inputs(setup, channels), true, 0.0, rng.uniform(0, 2 * np.pi))
    room = Room(rng.uniform(0, 2 * np.pi))
    time_s = sampling.times(0.0)
    codes = [
        convert(stretch.voltage(time_s, k, channel) + room.hum(time_s, k), channel, rng)
        for k, channel in enumerate(channels)
    ]
    first, second = channels
    return Capture(
        samples=np.array(codes),
        interval_s=sampling.interval_s,
        volts_per_code=(first.step_v * first.probe_ratio, second.step_v * second.probe_ratio),
        offset_v=(first.offset_v * first.probe_ratio, second.offset_v * second.probe_ratio),
        nonlinearity_codes=(first.data.nonlinearity_rms(), second.data.nonlinearity_rms()),
        range_labels=(f"{first.range_data.full_scale_vpp:g}", f"{second.range_data.full_scale_vpp:g}"),
        frequency_hz=drive.frequency_hz,
    )
