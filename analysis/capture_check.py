"""What must hold of a capture before a tone is fitted to it, and which lines the model may contain."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from whichcore.analysis.quantisation import Converter
from whichcore.analysis.types import Capture, FlagKind, FloatArray, PhasorFlag
from whichcore.errors import AnalysisError

CHANNELS = ("A", "B")
FEWEST_SAMPLES = 16
FEWEST_SEGMENTS = 16
MAINS_ORDERS = (1, 2, 3)
SHORTEST_MAINS_SHARE = 0.05  # of a mains period: shorter, and hum is the offset
LAST_FATAL_ORDER = 5  # a harmonic up to this order that folds onto the tone is worth a flag


@dataclass(frozen=True, slots=True)
class TonePlan:
    """The tone in units of the record: rad/sample, samples, periods, segments to look at one by one."""

    frequency_hz: float
    interval_s: float
    omega: float
    samples: int
    segments: int

    @property
    def periods(self) -> float:
        """Periods of the tone in the record."""
        return self.omega * self.samples / (2 * math.pi)

    @property
    def aliased(self) -> bool:
        """True above half the sample rate."""
        return self.omega >= math.pi


@dataclass(frozen=True, slots=True)
class LinePlan:
    """Lines the model may contain.

    Attributes
    ----------
    orders : int array (L,)
        Multiple of the tone; 0 for lines of fixed frequency (the first is dc, the others mains).
    fixed : float array (L,)
        Frequency in rad/sample of the lines of order 0.
    flags : tuple of PhasorFlag
        Lines that can not be told from the tone.
    """

    orders: NDArray[np.int64]
    fixed: FloatArray
    flags: tuple[PhasorFlag, ...]

    def at(self, omega: float) -> FloatArray:
        """Return the frequencies (L,) of all lines, rad/sample, with the tone at ``omega``."""
        return np.where(self.orders > 0, self.orders * omega, self.fixed)


def check_capture(capture: Capture) -> None:
    """Refuse what no phasor can be had from.

    Raises
    ------
    AnalysisError
        See :func:`whichcore.analysis.phasor.fit_phasors`.
    """
    _check_samples(capture)
    _check_scales(capture)


def plan_tone(
    samples: int, interval_s: float, frequency_hz: float | None, *, allow_aliased: bool
) -> TonePlan:
    """Place a tone in a record of so many samples, or refuse it.

    Raises
    ------
    AnalysisError
        See :func:`whichcore.analysis.phasor.fit_phasors`.
    """
    if frequency_hz is None or not 0 < frequency_hz < math.inf:
        raise AnalysisError(
            "the frequency of the tone must be given",
            where="frequency_hz",
            got=f"{frequency_hz}",
            allowed="positive and finite",
        )
    omega = 2 * math.pi * frequency_hz * interval_s
    if omega >= math.pi and not allow_aliased:
        raise AnalysisError(
            "the tone lies above half the sample rate",
            where="frequency_hz",
            got=f"{frequency_hz:g} Hz",
            allowed=f"below {0.5 / interval_s:g} Hz",
            next_step="sample faster, or say that the record is an equivalent-time one",
        )
    bins = folded(omega) * samples / (2 * math.pi)
    if not 1 <= bins <= samples / 2 - 1:
        raise AnalysisError(
            "the record holds less than one period of the tone, or of its distance from half the sample rate",
            where="capture",
            got=f"{bins:.3g} periods in {samples} samples",
            allowed=f"1 to {samples / 2 - 1:g}",
            next_step="record longer, or change the sample rate",
        )
    return TonePlan(frequency_hz, interval_s, omega, samples, _segments(omega, samples))


def _check_samples(capture: Capture) -> None:
    samples = capture.samples
    if samples.dtype.kind not in "iuf":
        raise AnalysisError(
            "samples must be whole numbers or floats", where="samples", got=f"dtype {samples.dtype}"
        )
    if samples.ndim != 2 or samples.shape[0] != 2 or samples.shape[1] < FEWEST_SAMPLES:
        raise AnalysisError(
            "samples must hold two channels of one length",
            where="samples",
            got=f"shape {samples.shape}",
            allowed=f"(2, N) with N of {FEWEST_SAMPLES} or more",
        )


def _check_scales(capture: Capture) -> None:
    steps = capture.step_codes or (0.0, 0.0)
    rules = {
        "interval_s": (0 < capture.interval_s < math.inf, capture.interval_s, "positive and finite"),
        "volts_per_code": (
            all(0 < v < math.inf for v in capture.volts_per_code),
            capture.volts_per_code,
            "positive and finite",
        ),
        "offset_v": (all(map(math.isfinite, capture.offset_v)), capture.offset_v, "finite"),
        "step_codes": (all(0 <= v < math.inf for v in steps), steps, "0 or more, finite"),
        "nonlinearity_codes": (
            all(0 <= v < math.inf for v in capture.nonlinearity_codes),
            capture.nonlinearity_codes,
            "0 or more, finite",
        ),
        "clip_codes": (
            all(low < high for low, high in capture.clip_codes or ()),
            capture.clip_codes,
            "lowest below highest",
        ),
    }
    for where, (holds, got, allowed) in rules.items():
        if not holds:
            raise AnalysisError("the scaling is not usable", where=where, got=f"{got}", allowed=allowed)


def _segments(omega: float, samples: int) -> int:
    """Segments of some 2 to 100 periods; 1 where the record is too short to look at parts of it.

    100 periods at 1000 ppm are a tenth of a turn, far from the half turn where the sign is lost.
    """
    periods = omega * samples / (2 * math.pi)
    if periods < 2 * FEWEST_SEGMENTS:
        return 1
    wanted = math.ceil(max(periods / 100, min(periods / 8, 128), FEWEST_SEGMENTS))
    possible = min(wanted, samples // 16)
    return possible if possible >= FEWEST_SEGMENTS else 1


def folded(omega: float) -> float:
    """Return the frequency in 0 … π that a line at ``omega`` rad/sample appears at."""
    rest = math.fmod(omega, 2 * math.pi)
    return min(rest, 2 * math.pi - rest)


def plan_lines(plan: TonePlan, harmonics: int, mains_hz: float | None) -> LinePlan:
    """List dc, the tone and those harmonics and mains lines that stand a bin or more from all others."""
    bin_width = 2 * math.pi / plan.samples
    orders, fixed, flags = [0, 1], [0.0, 0.0], []
    taken = [folded(plan.omega)]
    for order, omega in _candidates(plan, harmonics, mains_hz):
        place = folded(omega)
        if abs(place - taken[0]) < bin_width:
            flags += _collision(order, omega, plan)
        elif (
            min(abs(place - other) for other in taken) >= bin_width
            and place <= math.pi - bin_width
            and place >= (bin_width if order else SHORTEST_MAINS_SHARE * bin_width)
            and len(orders) < plan.samples // 8
        ):
            orders.append(order)
            fixed.append(0.0 if order else omega)
            taken.append(place)
    return LinePlan(np.array(orders), np.array(fixed), tuple(flags))


def _candidates(plan: TonePlan, harmonics: int, mains_hz: float | None) -> list[tuple[int, float]]:
    found = [(order, order * plan.omega) for order in range(2, harmonics + 1)]
    if mains_hz is not None:
        mains = [2 * math.pi * order * mains_hz * plan.interval_s for order in MAINS_ORDERS]
        shortest = 2 * math.pi / plan.samples  # overtones only where they are resolved
        found += [
            (0, omega) for k, omega in enumerate(mains) if omega < math.pi and (k == 0 or omega >= shortest)
        ]
    return found


def _collision(order: int, omega: float, plan: TonePlan) -> list[PhasorFlag]:
    if order == 0:
        mains = omega / (2 * math.pi * plan.interval_s)
        return [PhasorFlag(FlagKind.HUM, None, f"the tone can not be told from the mains at {mains:g} Hz")]
    if order <= LAST_FATAL_ORDER:
        return [PhasorFlag(FlagKind.ALIASED, None, f"harmonic {order} folds onto the tone")]
    return []


def clip_flags(capture: Capture) -> list[PhasorFlag]:
    """Count the samples at and beyond the clip codes."""
    limits = capture.clip_codes
    if limits is None:
        if capture.samples.dtype.kind == "f":
            return []
        rails = np.iinfo(capture.samples.dtype)
        limits = ((rails.min, rails.max), (rails.min, rails.max))
    flags = []
    for channel, (low, high) in enumerate(limits):
        codes = capture.samples[channel]
        if codes.min() <= low or codes.max() >= high:
            count = int(np.count_nonzero((codes <= low) | (codes >= high)))
            flags.append(
                PhasorFlag(FlagKind.CLIPPED, channel, f"{count} of {codes.size} samples at the rail")
            )
    return flags


def converters(capture: Capture) -> tuple[Converter, Converter]:
    """Return step and non-linearity of both channels, codes."""
    steps = capture.step_codes
    if steps is None:
        steps = (0.0, 0.0) if capture.samples.dtype.kind == "f" else (1.0, 1.0)
    bent = capture.nonlinearity_codes
    return Converter(steps[0], bent[0]), Converter(steps[1], bent[1])
