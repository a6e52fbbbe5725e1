"""A sweep with all tones at once, as a generator of the same events as one tone after the other.

Levels come from a first take that no core could pass its limit with; then takes are averaged until the worst
tone is good enough. Between takes nothing is played.
"""

from __future__ import annotations

import math
import threading
import time
import warnings
from collections.abc import Collection, Generator, Iterator

import numpy as np

from whichcore.analysis.capture_check import clip_flags
from whichcore.analysis.multitone import count_products, tones_at
from whichcore.analysis.multitone_fit import read_tones, tone_reader
from whichcore.analysis.multitone_mean import TonesMean
from whichcore.analysis.types import FlagKind, FloatArray, ImpedanceSweep, Phasors
from whichcore.errors import AnalysisError, InstrumentError, WhichcoreWarning
from whichcore.rig.events import (
    Event,
    Finished,
    LevelChanged,
    NotReachable,
    PointDone,
    Started,
    TakeDone,
    TonesPlayed,
)
from whichcore.rig.instruments import Bench
from whichcore.rig.multitone.level import (
    Played,
    ToneLook,
    first_weights,
    flux_of,
    highest_peak_v,
    peak_v,
    safe_peak_v,
    shape,
    weights,
)
from whichcore.rig.multitone.rule import Tilt, ToneRule, as_input, take_device
from whichcore.rig.sweep import averaging
from whichcore.rig.sweep.level import AIM, LOWEST_SHARE, FluxRule
from whichcore.rig.sweep.output_off import begin, output_off_at_the_end
from whichcore.rig.sweep.plan import SweepPlan
from whichcore.rig.sweep.point import Correct

MOST_LOOKS = 12  # takes spent on levels
ATTEMPTS = 2  # of a take that cannot be read
LOWER = 0.5  # times the level, after a clipped take
OTHER_SHAPE = 0.1  # by which amplitudes change before the wave is made anew
MOST_SHAPES = 3  # waves made: tones near the noise would ask for another each time
MOST_RAISES = 4  # takes for a higher level, likewise
NOMINAL_VPK = 1.0  # of the output where nobody has measured it: ratios hold, levels are nominal
RAISED = 1.15  # smaller steps up are not worth a take
_FATAL = frozenset({FlagKind.CLIPPED, FlagKind.UNSTABLE, FlagKind.FREQUENCY_NOT_FOUND})


def multitone_sweep(
    plan: SweepPlan,
    rule: ToneRule,
    bench: Bench,
    cancel: threading.Event,
    *,
    correct: Correct | None = None,
    done: Collection[float] = (),
) -> Iterator[Event]:
    """Carry out a plan with all its frequencies in each take.

    Parameters
    ----------
    plan : SweepPlan
        Its record is the rule's; a level in volts is that of the wave, peak to peak.
    rule : ToneRule
    bench : Bench
        With a device that plays and records at once.
    cancel : threading.Event
        Looked at between takes, and by the device within them.
    correct : callable or None
        Turns a pair of voltages into impedance; a rule by flux density needs it.
    done : collection of float
        Frequencies written down in an earlier run: played again, as the wave is one, and not told again.

    Yields
    ------
    Event
        After each take what is known by then; all points, as they stay, at the end.

    Raises
    ------
    Cancelled
        ``cancel`` was set.
    InstrumentError
        The device failed, or source and inputs run on two clocks.
    InputError
        The plan does not suit the device.
    """
    yield from begin(plan, bench, corrected=correct is not None)
    run = _Run(plan, rule, bench, cancel, correct)
    with output_off_at_the_end(bench):
        started = run.started(done)
        yield started
        if started.points:
            yield from run.levels()
            yield from run.points(done)
    yield run.finished()


class _Run:
    """The tones, what is played, and the takes so far."""

    def __init__(
        self, plan: SweepPlan, rule: ToneRule, bench: Bench, cancel: threading.Event, correct: Correct | None
    ) -> None:
        self.plan, self.rule, self.bench = plan, rule, bench
        self.device, self._cancel, self._correct = take_device(bench), cancel, correct
        self._begun = time.monotonic()
        try:
            self.tones = tones_at(self.device.rate_hz, rule.samples, plan.frequency_hz)
            self.reader = tone_reader(self.tones, plan.mains_hz)
        except AnalysisError as error:
            raise as_input(error) from error
        self.limited_by = ""
        self._flux_rule = _flux_rule(plan, rule)
        # whether the wave is shaped as it is wanted; the first one only asks how
        self._final = rule.tilt is Tilt.EVEN and not isinstance(plan.level, FluxRule)
        self._shapes = self._raises = 0
        self.measured = self.missed = 0
        self.drift: tuple[float, float] | None = None

    def now(self) -> float:
        """Return the time since the start of the sweep, s."""
        return time.monotonic() - self._begun

    def started(self, done: Collection[float]) -> Started:
        """Return the first event."""
        skipped = sum(_among(f, done) for f in self.plan.frequency_hz)
        return Started(
            fingerprint=self.rule.fingerprint(self.plan, self.bench),
            source=self.bench.source.identity,
            digitizer=self.bench.digitizer.identity,
            points=len(self.plan.frequency_hz) - skipped,
            skipped=skipped,
            temperature_c=self.plan.temperature_c,
        )

    def levels(self) -> Iterator[Event]:
        """Find what to play; the last take with it is the first of the average."""
        wave = shape(self.tones, first_weights(self.plan, self.tones), quick=not self._final)
        lowest_v = self.bench.source.limits.level_vpp[0] / 2
        # a source may not go as low as is safe for any core; what it does then is measured before more
        peak = max(safe_peak_v(self.plan, self.tones, wave, highest_peak_v(self.plan, self.bench)), lowest_v)
        self.played = Played(self.tones, wave, peak)
        yield self._changed(None)
        for _ in range(MOST_LOOKS):
            before = self.played
            self.mean = TonesMean(self.reader)
            if not self.take(self.mean):
                self.played = Played(self.tones, before.wave, LOWER * before.peak_v)
                yield self._changed(before.peak_v)
                continue
            better = self._better(self.look(self.mean))
            if better is None:
                return
            if better.peak_v < lowest_v:
                raise InstrumentError(
                    "the source does not go down to the level that all tones together may have",
                    where="level",
                    got=f"{2 * better.peak_v:.3g} V peak to peak{self._limit_text()}",
                    allowed=f"{2 * lowest_v:.3g} V and more",
                    next_step="put a pad behind the output, or allow a higher flux density",
                )
            self.played = better
            yield self._changed(before.peak_v)
        raise InstrumentError(
            "no level was found for the tones",
            where="level",
            got=f"{2 * self.played.peak_v:.3g} V peak to peak after {MOST_LOOKS} takes",
            next_step="look at the wiring, and run whichcore doctor",
        )

    def take(self, mean: TonesMean) -> bool:
        """Take one record into an average; False where it was clipped.

        One that cannot be read is taken once more: samples lost without a word from the driver look like two
        clocks, which a source on another clock shows in every take.
        """
        drive = self.played.wave.samples * (self.played.peak_v / self._full_scale_v())
        wait_s = self.plan.settle_s + self.plan.settle_periods / self.plan.frequency_hz[0]
        fault: AnalysisError | None = None
        for _ in range(ATTEMPTS):
            start_s = self.now()
            capture = self.device.take(drive, math.ceil(wait_s * self.device.rate_hz), start_s, self._cancel)
            if clip_flags(capture):
                return False
            try:
                read = read_tones(capture, self.reader)
            except AnalysisError as error:
                fault = error
                continue
            if fault is not None:
                warnings.warn(f"a take was thrown away: {fault.one_line()}", WhichcoreWarning, stacklevel=2)
            mean.add(read, start_s)
            return True
        assert fault is not None  # noqa: S101 - every attempt left one
        raise InstrumentError(
            fault.what, where=fault.where, got=fault.got, allowed=fault.allowed, next_step=fault.next_step
        ) from fault

    def look(self, mean: TonesMean) -> ToneLook:
        """Return what an average says."""
        phasors = mean.phasors()
        corrected = tuple(self._corrected(item, t) for t, item in enumerate(phasors))
        rule = self._flux_rule
        flux = None if rule is None else flux_of(rule, self.bench, phasors, corrected)
        return ToneLook(phasors, corrected, flux)

    def points(self, done: Collection[float]) -> Iterator[Event]:
        """Average, then tell all tones, and see whether the first has moved."""
        look = yield from self._averaged(done)
        yield self._told(look)
        first: PointDone | None = None
        for t, frequency_hz in enumerate(self.plan.frequency_hz):
            event = self._point(look, t)
            if isinstance(event, PointDone) and first is None:
                first = event
            if _among(frequency_hz, done):
                continue
            self.measured += isinstance(event, PointDone)
            self.missed += isinstance(event, NotReachable)
            yield event
        if self.plan.revisit_first and first is not None and len(self.plan.frequency_hz) > 1:
            yield from self._again(first)

    def _again(self, first: PointDone) -> Iterator[Event]:
        mean = TonesMean(self.reader)
        if not self.take(mean):
            yield NotReachable(first.index, first.frequency_hz, "at the end: clipped", None, None)
            return
        event = self._point(self.look(mean), first.index, revisit=True)
        if isinstance(event, PointDone):
            self.drift = _drift(first, event)
        yield event

    def finished(self) -> Finished:
        """Return the closing event."""
        drift, u_drift = self.drift or (None, None)
        return Finished(self.measured, self.missed, drift, u_drift, self.now())

    def _averaged(self, done: Collection[float]) -> Generator[Event, None, ToneLook]:
        wanted = 1
        while True:
            look = self.look(self.mean)
            if self.mean.takes >= wanted:  # not after each: one that looks good by chance would end it
                wanted = self._wanted(look)
            if max(wanted, self.mean.takes) > 1:
                yield TakeDone(self.mean.takes, max(wanted, self.mean.takes), self._so_far(look, done))
            if wanted <= self.mean.takes:
                return look
            if not self.take(self.mean):
                raise InstrumentError(
                    "an input was clipped by a take like the ones before",
                    where=f"take {self.mean.takes + 1}",
                    next_step="look for a loose contact, then run the same command again",
                )

    def _wanted(self, look: ToneLook) -> int:
        """Return how many takes the worst tone that can be told needs."""
        reached = [
            (averaging.relative_uncertainty(p, z), t)
            for t, (p, z) in enumerate(zip(look.phasors, look.corrected, strict=True))
            if not self._faults(look, t)
        ]
        if not reached:
            return self.mean.takes
        worst, place = max(reached)
        return averaging.more_takes(
            look.phasors[place], worst, self.plan.target_relative, self.plan.most_takes
        )

    def _so_far(self, look: ToneLook, done: Collection[float]) -> tuple[PointDone | NotReachable, ...]:
        grid = enumerate(self.plan.frequency_hz)
        return tuple(self._point(look, t) for t, f in grid if not _among(f, done))

    def _better(self, look: ToneLook) -> Played | None:
        """Return what to play instead; None where it is good as it is."""
        played, level = self.played, self.plan.level
        wave = played.wave
        wanted = weights(self.rule.tilt, look, played)
        now = np.abs(wave.phasors) / wanted
        other = self._shapes < MOST_SHAPES and now.max() > (1 + OTHER_SHAPE) * now.min()
        if not self._final or other:
            wave, self._final = shape(self.tones, wanted), True
            self._shapes += 1
        peak, self.limited_by = peak_v(self.plan, look, played, wave, self.bench)
        if wave is not played.wave:
            return Played(self.tones, wave, peak)
        over = False
        if isinstance(level, FluxRule) and look.flux_density_t is not None:
            total = float(look.flux_density_t.sum())
            over = total > level.flux_density_t
            if not over and total > LOWEST_SHARE * level.flux_density_t:
                return None
        higher = peak > RAISED * played.peak_v and self._raises < MOST_RAISES
        self._raises += higher
        return Played(self.tones, wave, peak) if over or higher else None

    def _point(self, look: ToneLook, t: int, *, revisit: bool = False) -> PointDone | NotReachable:
        phasors, corrected = look.phasors[t], look.corrected[t]
        frequency_hz = self.plan.frequency_hz[t]
        level_vpp = 2 * float(self.played.emf_vpk[t])
        # what the core is driven to by all tones together is the level that this point belongs to
        flux = None if look.flux_density_t is None else float(look.flux_density_t.sum())
        faults = self._faults(look, t)
        if faults:
            return NotReachable(t, frequency_hz, "; ".join(faults) + self._limit_text(), level_vpp, flux)
        reached = averaging.relative_uncertainty(phasors, corrected)
        return PointDone(
            index=t,
            frequency_hz=frequency_hz,
            phasors=phasors,
            pair=averaging.pair_of(phasors, frequency_hz, self._label()),
            corrected=corrected,
            level_vpp=level_vpp,
            flux_density_t=flux,
            range_label=self._label(),
            time_s=self.now(),
            temperature_c=self.plan.temperature_c,
            relative_uncertainty=reached,
            target_reached=reached <= self.plan.target_relative,
            revisit=revisit,
        )

    def _faults(self, look: ToneLook, t: int) -> list[str]:
        """Return why a tone cannot be told; a small voltage is what an open or a short is there for."""
        fatal = _FATAL if self._correct is None else _FATAL | {FlagKind.TOO_SMALL}
        faults = [flag.detail for flag in look.phasors[t].flags if flag.kind in fatal]
        if self._correct is not None and look.corrected[t] is None and not faults:
            faults.append("it cannot be told from an open circuit")
        return faults

    def _corrected(self, phasors: Phasors, t: int) -> ImpedanceSweep | None:
        if self._correct is None:
            return None
        try:
            return self._correct(averaging.pair_of(phasors, self.plan.frequency_hz[t], self._label()))
        except AnalysisError:
            return None

    def _told(self, look: ToneLook) -> TonesPlayed:
        flux, played = look.flux_density_t, self.played
        products = self.mean.products()
        louder = int(np.argmax(look.heights_v.max(axis=0)))
        return TonesPlayed(
            tones=self.tones.bins.size,
            take_s=self.tones.duration_s,
            takes=self.mean.takes,
            level_vpp=2 * played.peak_v,
            crest=played.wave.crest,
            limited_by=self.limited_by,
            products=count_products(self.tones),
            flux_density_t=None if flux is None else tuple(flux.tolist()),
            share_of_single=float(np.median(self._share_of_single(look))),
            even=float(products.even[louder]),
            u_even=float(products.u_even[louder]),
            odd=float(products.odd[louder]),
            u_odd=float(products.u_odd[louder]),
        )

    def _share_of_single(self, look: ToneLook) -> FloatArray:
        """Return each tone's level over the one it could have alone, within the same limits."""
        emf = self.played.emf_vpk
        alone = np.full(emf.size, highest_peak_v(self.plan, self.bench))
        if isinstance(self.plan.level, FluxRule) and look.flux_density_t is not None:
            most = AIM * self.plan.level.flux_density_t / np.maximum(look.flux_density_t, 1e-300)
            alone = np.minimum(alone, emf * most)
        return np.asarray(emf / alone)

    def _changed(self, before_v: float | None) -> LevelChanged:
        before = None if before_v is None else 2 * before_v
        return LevelChanged(self.plan.frequency_hz[0], before, 2 * self.played.peak_v)

    def _full_scale_v(self) -> float:
        return self.device.full_scale_out_vpk or NOMINAL_VPK

    def _label(self) -> str:
        return "/".join(f"{limits[-1]:g}V" for limits in self.bench.digitizer.limits.ranges_vpp)

    def _limit_text(self) -> str:
        level = self.plan.level
        return f" (B ≤ {level.flux_density_t * 1e3:.3g} mT in total)" if isinstance(level, FluxRule) else ""


def _flux_rule(plan: SweepPlan, rule: ToneRule) -> FluxRule | None:
    """Return what tells the flux density; its limit counts where the plan's level is one."""
    if isinstance(plan.level, FluxRule):
        return plan.level
    return None if rule.specimen is None else FluxRule(1.0, rule.specimen)


def _among(frequency_hz: float, done: Collection[float]) -> bool:
    return any(abs(frequency_hz - other) <= 1e-9 * frequency_hz for other in done)


def _drift(first: PointDone, again: PointDone) -> tuple[float, float]:
    """Return |ΔZ/Z|, without correction the change of the ratio of the voltages, and its u per component."""
    u = math.hypot(first.relative_uncertainty, again.relative_uncertainty)
    if first.corrected is not None and again.corrected is not None:
        z, z_again = (complex(item.impedance_ohm[0]) for item in (first.corrected, again.corrected))
        return abs(z_again - z) / abs(z), u
    (a, b), (c, d) = first.phasors.phasor_vpk, again.phasors.phasor_vpk
    size = math.hypot(abs(a), abs(b)) * math.hypot(abs(c), abs(d))
    return float(abs(a * d - b * c) / size), u
