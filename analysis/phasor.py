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
    plan_tone,
)
from whichcore.analysis.quantisation import Converter, noise_before_steps, phasor_term
from whichcore.analysis.takes import raised_covariance
from whichcore.analysis.types import Capture, ComplexArray, FlagKind, FloatArray, PhasorFlag, Phasors
from whichcore.errors import AnalysisError
from whichcore.wording import in_percent

LARGEST_CLOCK_OFFSET = 1e-3
VISIBLE = 24.0  # χ² of two degrees of freedom: a chance of 6·10⁻⁶ per line and channel
GAUSS_NEWTON_STEPS = 12
CONVERGED = 1e-5  # rad at the ends of the record; the error left is of the order of its square
NEAR = 1e-2  # rad there: a search sets out from where it looked first
CARRIED_SHARE = 0.3  # of the uncertainty of the tone: a step is carried over where it leaves no more behind
NOISE_KEPT = 1.2  # the noise after a carried step may be so much less, in variance
STEADY = 0.999  # of the power of the segments: a tone that turns no further from one to the next is found
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
    check_capture(capture)
    nominal = capture.frequency_hz if frequency_hz is None else frequency_hz
    plan = plan_tone(capture.samples.shape[1], capture.interval_s, nominal, allow_aliased=allow_aliased)
    return _fitted(capture, prepare_fit(plan, harmonics=harmonics, mains_hz=mains_hz), refine=refine)


@dataclass(frozen=True, slots=True)
class Preparation:
    """What a fit needs to know and the samples do not tell, worked out before there are any.

    Attributes
    ----------
    plan : TonePlan
    lines : LinePlan
    begin : Basis
        Where the search for the frequency sets out.
    """

    plan: TonePlan
    lines: LinePlan
    begin: tones.Basis

    def suits(self, capture: Capture) -> bool:
        """Say whether a capture has the length and the sample interval prepared for."""
        return self.plan.samples == capture.samples.shape[1] and self.plan.interval_s == capture.interval_s


def prepare_fit(
    plan: TonePlan, *, expected_hz: float | None = None, harmonics: int = 9, mains_hz: float | None = 50.0
) -> Preparation:
    """Do beforehand what a fit can do without its samples, while they are still to come.

    Parameters
    ----------
    plan : TonePlan
        Of :func:`whichcore.analysis.capture_check.plan_tone`.
    expected_hz : float or None
        Where the tone is likely to be found within the reach of the nominal frequency; None: there.
    harmonics, mains_hz
        As in :func:`fit_phasors`.

    Raises
    ------
    AnalysisError
        Two of the lines cannot be told apart in such a record.
    """
    lines = plan_lines(plan, harmonics, mains_hz)
    share = 1.0 if expected_hz is None else expected_hz / plan.frequency_hz
    blocks = tones.cut(plan.samples, plan.segments)
    return Preparation(plan, lines, tones.basis(blocks, lines.at(share * plan.omega)))


def fit_prepared(capture: Capture, preparation: Preparation) -> Phasors:
    """Estimate what :func:`fit_phasors` does, from what was prepared.

    Raises
    ------
    AnalysisError
        As there, and where it was prepared for another length or sample interval.
    """
    check_capture(capture)
    if not preparation.suits(capture):
        raise AnalysisError(
            "the record is not the one prepared for",
            where="capture",
            got=f"{capture.samples.shape[1]} samples, {capture.interval_s:g} s apart",
            allowed=f"{preparation.plan.samples} samples, {preparation.plan.interval_s:g} s apart",
        )
    return _fitted(capture, preparation, refine=True)


def _fitted(capture: Capture, preparation: Preparation, *, refine: bool) -> Phasors:
    plan, begin = preparation.plan, preparation.begin
    looked = _Projected.of(capture.samples, begin)
    squares, power = looked.sums.products.diagonal(), looked.sums.power(plan.samples)
    record = _Record(capture.samples, begin.blocks, plan, preparation.lines, squares, power)
    if not refine:
        return _report(capture, record, _fit(record, looked, free=False), in_reach=True)
    in_reach = True
    if plan.segments >= FEWEST_SEGMENTS:
        omega, in_reach = _coarse(record, looked)
        if in_reach and abs(omega - begin.omega[1]) * plan.samples / 2 > NEAR:
            looked = _Projected.at(record, omega)
    result = _search(record, looked) if in_reach else None
    if result is None:
        in_reach, result = False, _fit(record, _Projected.at(record, plan.omega), free=False)
    return _report(capture, record, result, in_reach=in_reach)


@dataclass(frozen=True, slots=True)
class _Record:
    """Samples, what the model may hold, and sums of squares (2,), plain and about the mean (never 0)."""

    samples: NDArray[Any]
    blocks: tones.Blocks
    plan: TonePlan
    lines: LinePlan
    squares: FloatArray
    power: FloatArray


@dataclass(frozen=True, slots=True)
class _Projected:
    """A record projected on a basis."""

    basis: tones.Basis
    sums: tones.BlockSums

    @classmethod
    def of(cls, samples: NDArray[Any], basis: tones.Basis) -> _Projected:
        sums = tones.project(samples, basis)
        if not np.isfinite(sums.products).all():
            raise AnalysisError(
                "a sample is not finite",
                where="samples",
                next_step="take the record again and look for drop-outs",
            )
        return cls(basis, sums)

    @classmethod
    def at(cls, record: _Record, omega: float) -> _Projected:
        """Project on all lines there may be, with the tone at so many rad/sample."""
        return cls.of(record.samples, tones.basis(record.blocks, record.lines.at(omega)))


def _coarse(record: _Record, looked: _Projected) -> tuple[float, bool]:
    """Return the frequency at which the segments turn, and whether it is their strongest line."""
    begin = float(looked.basis.omega[1])
    turning = tones.segment_phasors(looked.sums, looked.basis)
    count, length = record.blocks.segments, record.blocks.segment_length
    weight = 1 / record.power
    if weight @ np.abs(turning.sum(axis=1)) ** 2 > STEADY * count * (weight @ np.abs(turning) ** 2).sum():
        return begin, True
    power = np.abs(np.fft.fft(turning, 1 << (8 * count - 1).bit_length())) ** 2
    weighed = weight @ power
    turns = np.fft.fftfreq(weighed.size)
    reach = LARGEST_CLOCK_OFFSET * record.plan.omega * length / (2 * np.pi) + 1 / count
    off = np.abs(turns + (begin - record.plan.omega) * length / (2 * np.pi))
    best = int(np.argmax(np.where(off <= reach, weighed, -1.0)))
    offset = 2 * np.pi * float(turns[best])
    index = np.arange(count) - (count - 1) / 2
    scaled, spread = turning / np.sqrt(record.power)[:, None], index @ index / count
    for _ in range(4):  # the grid of the transform leaves up to 0.2 rad at the ends
        still = scaled * np.exp(-1j * offset * index)
        joint = still.sum(axis=1).conj() @ still
        offset += float(index @ joint.imag) / max(float(joint.real.sum() * spread), 1e-300)
    return begin + offset / length, bool(weighed.max() <= 4 * weighed[best])


@dataclass(frozen=True, slots=True)
class _Result:
    """A fit at one frequency, in codes and rad/sample.

    ``noise`` (2×2) is per sample. ``step`` is the last one in frequency, too small to change the phasors.
    ``sums`` are those of the record with the tone at ``projected``, which a carried step leaves behind.
    """

    fit: tones.LineFit
    projected: float
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

    def hum(self) -> FloatArray:
        """Return the peak value of the strongest mains line of each channel."""
        strongest: FloatArray = np.abs(self.phasors[:, self.orders == 0][:, 1:]).max(axis=1, initial=0.0)
        return strongest


def _search(record: _Record, looked: _Projected) -> _Result | None:
    """Step to the common frequency; None when it is not within reach of the nominal one."""
    nominal = record.plan.omega
    for _ in range(GAUSS_NEWTON_STEPS):
        result = _fit(record, looked, free=True)
        omega = result.omega
        if abs(omega - nominal) > LARGEST_CLOCK_OFFSET * nominal + 5 * np.sqrt(result.variance):
            return None
        if abs(result.step) * record.plan.samples / 2 < CONVERGED:
            return result
        carried = _carried(record, result)
        if carried is not None:
            return carried
        looked = _Projected.at(record, omega)
    return None


def _fit(record: _Record, looked: _Projected, *, free: bool) -> _Result:
    """Fit all lines at one frequency, keep the visible ones, and take one step in frequency if ``free``."""
    totals = tones.add_up(looked.sums, looked.basis)
    whole = tones.solve_lines(totals, looked.basis.inverse)
    seen = _significance(whole, _noise(record, whole)) > VISIBLE
    kept: NDArray[np.bool_] = seen[0] | seen[1]
    found = bool(kept[1])
    kept[:2] = True
    totals = totals.only(kept)
    fit = tones.fit_lines(totals)
    noise = _noise(record, fit)
    step, variance = _frequency_step(fit, noise, record.power) if free and found else (0.0, 0.0)
    orders = record.lines.orders[kept]
    sums, projected = looked.sums.only(kept), float(looked.basis.omega[1])
    return _Result(fit, projected, sums, orders, noise, step, variance, found)


def _carried(record: _Record, result: _Result) -> _Result | None:
    """Carry a fit to the frequency it points at, without another pass over the samples.

    None where that would not do. With θ the angle of the step at the ends of the record, hθ of each harmonic
    is left behind, as it stays where it was fitted, and θ² of everything, as all is carried to first order;
    both are bounds. And the channels must have been weighed by their noise, not by what the step takes away.
    """
    fit = result.fit.moved(result.step)
    noise = _noise(record, fit)
    angle = abs(result.step) * record.plan.samples / 2
    size = np.abs(result.phasors)
    harmonics = np.where(result.orders > 1, result.orders, 0) * size
    left = angle * harmonics.max(axis=1) + angle**2 * size.sum(axis=1)
    own = noise.diagonal()
    u = np.sqrt(own * 2 / record.plan.samples)
    if (left > CARRIED_SHARE * u).any() or (result.noise.diagonal() > NOISE_KEPT * own).any():
        return None
    _, variance = _frequency_step(fit, noise, record.power)
    return replace(result, fit=fit, noise=noise, step=0.0, variance=variance)


def _noise(record: _Record, fit: tones.Solution) -> FloatArray:
    """Return the covariance (2, 2) of the residuals per sample, codes²."""
    (a, cross), (_, b) = fit.residual.tolist()
    squares_a, squares_b = record.squares.tolist()
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
    turn = np.ascontiguousarray(result.fit.shift[:, 1]).view(np.float64)
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
    left = tones.segment_residuals(result.sums, record.blocks, result.fit, result.projected)
    random, raised = _random_covariance(record, result, left)
    steps = converters(capture)
    systematic = np.zeros((4, 4))
    for c in range(2):
        systematic[2 * c : 2 * c + 2, 2 * c : 2 * c + 2] = _of_converter(
            result, steps, c, record.plan.samples
        )
    rms, hum = np.sqrt(np.diag(result.noise)), result.hum()
    vpk = np.ascontiguousarray(result.phasors.T) * volts
    flags = [*clip_flags(capture), *record.lines.flags, *_tone_flags(record, result, in_reach=in_reach)]
    if raised:
        flags += _stability_flags(record, result, left, steps)
    for c in range(2):
        flags += _channel_flags(result, c, steps[c], random + systematic, float(hum[c]))
    return Phasors(
        frequency_hz=result.omega / (2 * np.pi * capture.interval_s),
        frequency_uncertainty_hz=float(np.sqrt(result.variance)) / (2 * np.pi * capture.interval_s),
        reference_time_s=capture.start_time_s + record.blocks.middle * capture.interval_s,
        phasor_vpk=vpk[1],
        covariance_v2=(random + systematic) * scale,
        systematic_v2=systematic * scale,
        noise_vrms=rms * volts,
        noise_correlation=float(result.noise[0, 1] / (rms[0] * rms[1])),
        dc_v=vpk[0].real + np.array(capture.offset_v),
        harmonics_vpk={k: vpk[i] for i, k in enumerate(result.orders.tolist()) if k > 1},
        hum_vpk=hum * volts,
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
            detail = f"the tone drifts or is modulated by {in_percent(rms / max(tone, 1e-300))} rms"
            flags.append(PhasorFlag(FlagKind.UNSTABLE, c, detail))
    return flags


def _channel_flags(
    result: _Result, channel: int, steps: Converter, covariance: FloatArray, hum: float
) -> list[PhasorFlag]:
    """Flag what is too small, lost in the steps or drowned in hum; all in codes."""
    flags = []
    name, amplitude = CHANNELS[channel], float(abs(result.phasors[channel, 1]))
    if steps.step > 0:
        noise = noise_before_steps(steps.step, math.sqrt(result.noise[channel, channel]))
        if noise < 0.5:
            detail = f"noise of channel {name} is {noise:.2g} steps; averages will not help below the steps"
            flags.append(PhasorFlag(FlagKind.QUANTISATION_LIMITED, channel, detail))
        if noise < 0.5 and amplitude < FEWEST_STEPS * steps.step:
            detail = f"channel {name} is {amplitude / steps.step:.2g} steps peak"
            flags.append(PhasorFlag(FlagKind.TOO_SMALL, channel, detail))
    part = slice(2 * channel, 2 * channel + 2)
    uncertainty = math.sqrt(covariance[part, part].trace() / 2)
    if amplitude < SMALL * uncertainty:
        detail = f"channel {name} is {amplitude / uncertainty:.2g} of its own standard uncertainties"
        flags.append(PhasorFlag(FlagKind.TOO_SMALL, channel, detail))
    if hum > amplitude:
        detail = f"hum on channel {name} is {hum:.3g} codes peak, the tone {amplitude:.3g}"
        flags.append(PhasorFlag(FlagKind.HUM, channel, detail))
    return flags
