"""From the raw samples of two channels to both complex phasors with their joint covariance.

Both channels are fitted together: offset, the tone, its visible harmonics and the mains, at one common
frequency. Source and digitizer have clocks of their own, so the frequency is found in the record: the phasors
of short segments turn at the difference of the clocks, and Gauss–Newton steps on the whole record make it
exact.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from whichcore.analysis import tones
from whichcore.analysis.capture_check import (
    CHANNELS,
    FEWEST_SEGMENTS,
    LinePlan,
    TonePlan,
    check_capture,
    clip_flags,
    converters,
    plan_lines,
)
from whichcore.analysis.quantisation import Converter, noise_before_steps, phasor_term
from whichcore.analysis.takes import raised_covariance
from whichcore.analysis.types import Capture, ComplexArray, FlagKind, FloatArray, PhasorFlag, Phasors
from whichcore.errors import AnalysisError

LARGEST_CLOCK_OFFSET = 1e-3
VISIBLE = 24.0  # χ² of two degrees of freedom: a chance of 6·10⁻⁶ per line and channel
GAUSS_NEWTON_STEPS = 12
CONVERGED = 1e-5  # rad at the ends of the record; the error left is of the order of its square
CARRIED_SHARE = 0.3  # of the standard uncertainty of that angle: it is carried over to first order
ROUNDING = 4 * float(np.finfo(np.float64).eps)  # share of the sum of squares lost in arithmetic
FEWEST_PERIODS = 3
SMALL = 10.0  # a phasor below ten of its own standard uncertainties
FEWEST_STEPS = 2.0  # peak value in steps, where no noise spreads it over more of them
UNSTABLE_SHARE = 1e-3  # of the tone: scatter of the segments below this widens the covariance without a flag


def fit_phasors(
    capture: Capture,
    frequency_hz: float | None = None,
    *,
    harmonics: int = 9,
    mains_hz: float | None = 50.0,
    refine: bool = True,
    allow_aliased: bool = False,
) -> Phasors:
    """Estimate both phasors of the tone and their joint 4×4 covariance.

    Parameters
    ----------
    capture : Capture
    frequency_hz : float or None
        Nominal frequency; None takes that of the capture.
    harmonics : int
        Highest order looked for, 1 for none; those that stand out of the noise stay in the model.
    mains_hz : float or None
        Mains frequency, whose first three orders are looked for likewise; None for none.
    refine : bool
        Find the common frequency within 1000 ppm of the nominal one; False takes it as exact.
    allow_aliased : bool
        Accept a tone above half the sample rate (equivalent-time sampling); it is flagged.

    Returns
    -------
    Phasors
        Peak phasors at the middle of the record. With white noise of at least half a step the covariance is
        the Cramér–Rao bound (Kay 1993, ch. 3, from memory). Below, the converter's own term is added. Where
        the segments of the record scatter more than that, their scatter counts.

    Raises
    ------
    AnalysisError
        Wrong shapes or scales, samples that are not finite, no frequency, a tone above half the sample rate
        or of less than one period in the record, too few samples.
    """
    plan = check_capture(capture, frequency_hz, allow_aliased=allow_aliased)
    lines = plan_lines(plan, harmonics, mains_hz)
    record = _Record(capture.samples, tones.cut(plan.samples, plan.segments), _moments(capture), plan, lines)
    omega, in_reach = plan.omega, True
    if refine and plan.segments >= FEWEST_SEGMENTS:
        omega, in_reach = _coarse(record)
    result = _search(record, omega) if refine and in_reach else _fit_at(record, plan.omega, free=False)
    if result is None:
        in_reach, result = False, _fit_at(record, plan.omega, free=False)
    return _report(capture, record, result, in_reach=in_reach)


def _moments(capture: Capture) -> tones.Moments:
    moments = tones.moments(capture.samples)
    if not np.isfinite(moments.products).all():
        raise AnalysisError(
            "a sample is not finite",
            where="samples",
            next_step="take the record again and look for drop-outs",
        )
    return moments


@dataclass(frozen=True, slots=True)
class _Record:
    samples: NDArray[Any]
    blocks: tones.Blocks
    moments: tones.Moments
    plan: TonePlan
    lines: LinePlan

    @property
    def power(self) -> FloatArray:
        """Sum of squares about the mean, never 0."""
        return np.maximum(self.moments.power(self.plan.samples), 1e-30)


def _coarse(record: _Record) -> tuple[float, bool]:
    """Return the frequency at which the segments turn, and whether it is their strongest line."""
    nominal = np.array([0.0, record.plan.omega])
    sums = tones.project(record.samples, record.blocks, nominal)
    turning = tones.segment_phasors(sums, record.blocks, nominal)
    count, length = record.blocks.segments, record.blocks.segment_length
    power = np.abs(np.fft.fft(turning, 1 << (8 * count - 1).bit_length())) ** 2
    weighed = (1 / record.power) @ power
    turns = np.fft.fftfreq(weighed.size)
    reach = LARGEST_CLOCK_OFFSET * record.plan.omega * length / (2 * np.pi) + 1 / count
    best = int(np.argmax(np.where(np.abs(turns) <= reach, weighed, -1.0)))
    offset = 2 * np.pi * float(turns[best])
    index = np.arange(count) - (count - 1) / 2
    scaled, spread = turning / np.sqrt(record.power)[:, None], index @ index / count
    for _ in range(4):  # the grid of the transform leaves up to 0.2 rad at the ends
        still = scaled * np.exp(-1j * offset * index)
        joint = still.sum(axis=1).conj() @ still
        offset += float(index @ joint.imag) / max(float(joint.real.sum() * spread), 1e-300)
    return record.plan.omega + offset / length, bool(weighed.max() <= 4 * weighed[best])


@dataclass(frozen=True, slots=True)
class _Result:
    """A fit at one frequency, in codes and rad/sample.

    ``noise`` (2×2) is per sample. ``step`` is the last one in frequency, too small to change the phasors.
    ``sums`` are those of the record at the lines of ``projected``, which a small last step leaves behind.
    """

    fit: tones.LineFit
    totals: tones.Totals
    projected: tones.LineFit
    sums: tones.BlockSums
    orders: NDArray[np.int64]
    noise: FloatArray
    step: float
    variance: float
    found: bool

    @property
    def phasors(self) -> ComplexArray:
        return self.fit.phasors

    @property
    def omega(self) -> float:
        return float(self.fit.omega[1]) + self.step

    @property
    def hum(self) -> FloatArray:
        """Peak value of the strongest mains line of each channel."""
        strongest: FloatArray = np.abs(self.phasors[:, self.orders == 0][:, 1:]).max(axis=1, initial=0.0)
        return strongest


def _search(record: _Record, omega: float) -> _Result | None:
    """Step to the common frequency; None when it is not within reach of the nominal one."""
    nominal = record.plan.omega
    for _ in range(GAUSS_NEWTON_STEPS):
        result = _fit_at(record, omega, free=True)
        omega = result.omega
        if abs(omega - nominal) > LARGEST_CLOCK_OFFSET * nominal + 5 * np.sqrt(result.variance):
            return None
        ends = record.plan.samples / 2
        if abs(result.step) * ends < CONVERGED:
            return result
        if abs(result.step) < CARRIED_SHARE * np.sqrt(result.variance):
            return _carried(record, result)
    return None


def _fit_at(record: _Record, omega: float, *, free: bool) -> _Result:
    """Fit all lines at one frequency, keep the visible ones, and take one step in frequency if ``free``."""
    at = np.where(record.lines.orders > 0, record.lines.orders * omega, record.lines.fixed)
    sums = tones.project(record.samples, record.blocks, at)
    totals = tones.add_up(sums, at, record.moments.products, record.plan.samples)
    whole = tones.solve_lines(totals)
    seen = _significance(whole, _noise(record, whole)) > VISIBLE
    kept: NDArray[np.bool_] = seen[0] | seen[1]
    found = bool(kept[1])
    kept[:2] = True
    totals = totals.only(kept)
    fit = tones.fit_lines(totals)
    noise = _noise(record, fit)
    step, variance = _frequency_step(fit, noise, record.power) if free and found else (0.0, 0.0)
    orders = record.lines.orders[kept]
    return _Result(fit, totals, fit, sums.only(kept), orders, noise, step, variance, found)


def _carried(record: _Record, result: _Result) -> _Result:
    """Carry a fit to the frequency it points at, without another pass over the samples.

    The other lines stay where they were fitted.
    """
    totals = result.totals.moved(result.step)
    fit = tones.fit_lines(totals)
    noise = _noise(record, fit)
    _, variance = _frequency_step(fit, noise, record.power)
    return replace(result, fit=fit, totals=totals, noise=noise, step=0.0, variance=variance)


def _noise(record: _Record, fit: tones.Solution) -> FloatArray:
    """Return the covariance (2, 2) of the residuals per sample, codes²."""
    (a, cross), (_, b) = fit.residual.tolist()
    (squares_a, _), (_, squares_b) = record.moments.products.tolist()
    a, b = max(a, ROUNDING * squares_a, 1e-30), max(b, ROUNDING * squares_b, 1e-30)
    limit = math.sqrt(a * b)
    cross = min(max(cross, -limit), limit)
    freedom = record.plan.samples - (2 * fit.omega.size - 1) - 0.5  # half of the common frequency each
    return np.array([[a, cross], [cross, b]]) / freedom


def _significance(fit: tones.Solution, noise: FloatArray) -> FloatArray:
    """Return χ² (2, L) of each line against nothing; dc counts its cosine only."""
    cosine, sine = np.diag(fit.inverse.cosine), np.diag(fit.inverse.sine).copy()
    sine[0] = 1.0
    variance = np.diag(noise)[:, None]
    chi_squared: FloatArray = (fit.phasors.real**2 / cosine + fit.phasors.imag**2 / sine) / variance
    return chi_squared


def _frequency_step(fit: tones.LineFit, noise: FloatArray, power: FloatArray) -> tuple[float, float]:
    """Return the Gauss–Newton step in rad/sample and the variance of the frequency.

    The channels are weighted by their own noise; the variance allows for the correlation between them.
    """
    weight = (power > 1e-30) / noise.diagonal()
    curvature = float(weight @ fit.slope_power.diagonal())
    if curvature <= 0:
        return 0.0, 0.0
    step = float(weight @ fit.slope_residual.diagonal()) / curvature
    return step, float(weight @ (noise * fit.slope_power) @ weight) / curvature**2


def _random_covariance(record: _Record, result: _Result, left: ComplexArray) -> tuple[FloatArray, bool]:
    """Return the 4×4 covariance, codes², without the converter's term, and whether the segments raised it.

    ``left`` (2, segments) is what is left of the tone in each.
    """
    turn = result.fit.tone_shift.view(np.float64)
    white = result.variance * np.outer(turn, turn)
    white[::2, ::2] += result.noise * result.fit.inverse.cosine[1, 1]
    white[1::2, 1::2] += result.noise * result.fit.inverse.sine[1, 1]
    count = record.blocks.segments
    if count < FEWEST_SEGMENTS:
        return white, False
    parts = np.stack([left.real, left.imag], axis=1).reshape(4, count)
    return raised_covariance(white, parts @ parts.T / (count - 2) / count, count - 2)


def _report(capture: Capture, record: _Record, result: _Result, *, in_reach: bool) -> Phasors:
    """Add the converter's term, scale to volts, and say what is doubtful."""
    volts = np.array(capture.volts_per_code)
    scale = np.outer(np.repeat(volts, 2), np.repeat(volts, 2))
    left = tones.segment_residuals(result.sums, record.blocks, result.projected)
    random, raised = _random_covariance(record, result, left)
    steps = converters(capture)
    systematic = np.zeros((4, 4))
    for c in range(2):
        systematic[2 * c : 2 * c + 2, 2 * c : 2 * c + 2] = _of_converter(
            result, steps, c, record.plan.samples
        )
    rms = np.sqrt(np.diag(result.noise))
    orders = {int(k): result.phasors[:, i] * volts for i, k in enumerate(result.orders) if k > 1}
    flags = [*clip_flags(capture), *record.lines.flags, *_tone_flags(record, result, in_reach=in_reach)]
    if raised:
        flags += _stability_flags(record, result, left, steps)
    for c in range(2):
        flags += _channel_flags(result, c, steps[c], random + systematic)
    return Phasors(
        frequency_hz=result.omega / (2 * np.pi * capture.interval_s),
        frequency_uncertainty_hz=float(np.sqrt(result.variance)) / (2 * np.pi * capture.interval_s),
        reference_time_s=capture.start_time_s + record.blocks.middle * capture.interval_s,
        phasor_vpk=result.phasors[:, 1] * volts,
        covariance_v2=(random + systematic) * scale,
        systematic_v2=systematic * scale,
        noise_vrms=rms * volts,
        noise_correlation=float(result.noise[0, 1] / (rms[0] * rms[1])),
        dc_v=result.phasors[:, 0].real * volts + np.array(capture.offset_v),
        harmonics_vpk=orders,
        hum_vpk=result.hum * volts,
        flags=tuple(flags),
        takes=1,
        samples=record.plan.samples,
        range_labels=capture.range_labels,
    )


def _of_converter(
    result: _Result, steps: tuple[Converter, Converter], channel: int, samples: int
) -> FloatArray:
    """Return what steps and non-linearity add to one channel over so many samples, codes²."""
    rms = math.sqrt(result.noise[channel, channel])
    tone = complex(result.phasors[channel, 1])
    return phasor_term(steps[channel], tone, rms, result.omega / (2 * np.pi), samples)


def _tone_flags(record: _Record, result: _Result, *, in_reach: bool) -> list[PhasorFlag]:
    flags = []
    if not result.found:
        flags.append(PhasorFlag(FlagKind.FREQUENCY_NOT_FOUND, None, "no tone stands out of the noise"))
    elif not in_reach:
        detail = (
            f"no stable tone within {LARGEST_CLOCK_OFFSET * 1e6:g} ppm of {record.plan.frequency_hz:g} Hz"
        )
        flags.append(PhasorFlag(FlagKind.FREQUENCY_NOT_FOUND, None, detail))
    if record.plan.aliased:
        flags.append(PhasorFlag(FlagKind.ALIASED, None, "the tone lies above half the sample rate"))
    if record.plan.periods < FEWEST_PERIODS:
        flags.append(
            PhasorFlag(FlagKind.FEW_PERIODS, None, f"{record.plan.periods:.3g} periods in the record")
        )
    return flags


def _stability_flags(
    record: _Record, result: _Result, left: ComplexArray, steps: tuple[Converter, Converter]
) -> list[PhasorFlag]:
    """Flag a tone that drifts or is modulated: its segments scatter more than the noise, and not at random.

    Scatter at random, from noise that is not white, widens the covariance and is no fault; nor is what the
    steps of the converter do to a segment. The test of randomness is von Neumann's ratio of successive
    differences, 2 for white noise.
    """
    flags = []
    for c, own in enumerate(left):
        tone = abs(result.phasors[c, 1])
        of_steps = _of_converter(result, steps, c, record.blocks.segment_length)
        power = float(np.sum(np.abs(own) ** 2))
        rms = np.sqrt(power / own.size)
        ratio = float(np.sum(np.abs(np.diff(own)) ** 2)) / max(power, 1e-300)
        beyond = rms > UNSTABLE_SHARE * tone and rms > 3 * np.sqrt(np.trace(of_steps))
        if beyond and abs(ratio - 2) > 5 * np.sqrt(2 / own.size):
            detail = f"the tone drifts or is modulated by {100 * rms / max(tone, 1e-300):.2g} % rms"
            flags.append(PhasorFlag(FlagKind.UNSTABLE, c, detail))
    return flags


def _channel_flags(
    result: _Result, channel: int, steps: Converter, covariance: FloatArray
) -> list[PhasorFlag]:
    """Flag what is too small, lost in the steps or drowned in hum; all in codes."""
    flags = []
    name, amplitude = CHANNELS[channel], float(abs(result.phasors[channel, 1]))
    if steps.step > 0:
        noise = noise_before_steps(steps.step, float(np.sqrt(result.noise[channel, channel])))
        if noise < 0.5:
            detail = f"noise of channel {name} is {noise:.2g} steps; averages will not help below the steps"
            flags.append(PhasorFlag(FlagKind.QUANTISATION_LIMITED, channel, detail))
        if noise < 0.5 and amplitude < FEWEST_STEPS * steps.step:
            detail = f"channel {name} is {amplitude / steps.step:.2g} steps peak"
            flags.append(PhasorFlag(FlagKind.TOO_SMALL, channel, detail))
    part = slice(2 * channel, 2 * channel + 2)
    uncertainty = float(np.sqrt(np.trace(covariance[part, part]) / 2))
    if amplitude < SMALL * uncertainty:
        detail = f"channel {name} is {amplitude / uncertainty:.2g} of its own standard uncertainties"
        flags.append(PhasorFlag(FlagKind.TOO_SMALL, channel, detail))
    hum = float(result.hum[channel])
    if hum > amplitude:
        detail = f"hum on channel {name} is {hum:.3g} codes peak, the tone {amplitude:.3g}"
        flags.append(PhasorFlag(FlagKind.HUM, channel, detail))
    return flags
