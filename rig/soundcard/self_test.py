"""Is the card what a measurement needs? Hosts resample, level and mute in silence; this finds them out.

Tones are played one at a time and read back, first with both inputs on the driven node, then with the second
one on a node that should be quiet. Nothing here needs the scale of the card in volts.
"""

from __future__ import annotations

import threading
from collections.abc import Callable, Iterator
from dataclasses import dataclass

import numpy as np

from whichcore.analysis.phasor import fit_phasors
from whichcore.analysis.types import Capture, ComplexArray, FlagKind, FloatArray, Wiring
from whichcore.errors import Cancelled, InstrumentError
from whichcore.rig.doctor import Finding, Status
from whichcore.rig.instruments import Bench, Operator
from whichcore.rig.soundcard.card import SoundCard, Window
from whichcore.rig.soundcard.instruments import SoundSource
from whichcore.rig.soundcard.signals import sine
from whichcore.wording import in_percent

SHARES = (0.02, 0.1, 0.2, 0.3, 0.4, 0.45)  # of the sample rate
COUNT = 8192
LEAD_IN_S = 0.1
LEVEL = 0.25  # of the full scale, where nothing else is said
STEPS = (0.01, 0.1, 0.5, 0.01)  # of the full scale, for the automatic gain
PATIENT_S = 0.5  # record in which two clocks would part

LOST, DOUBTFUL = 0.5, 0.89  # 6 dB and 1 dB below the lowest tone; practice
IMAGE = 1e-3  # of the tone: 60 dB; practice
LEVEL_WRONG = 0.02  # of a step of the level; practice
CLOCK_PPM = 0.5
QUIET = 1e-4  # rms of the silence, of the full scale: 80 dB; practice
DEAD = 0.02  # of the other input, where both should hear the same
MISMATCH = 0.2  # between the inputs; practice
CROSSTALK = 1e-3  # 60 dB; practice
LEADS_OHM = 0.05  # of a short with its leads; practice
NEAR = 0.2  # of the voltages the wiring gives; practice
HIGHEST_HARMONIC = 12
SKIRT = 4  # bins on either side of a line that its window fills


def examine_card(bench: Bench, operator: Operator, cancel: threading.Event) -> Iterator[Finding]:
    """Check a bench with a sound card, from the audio host to the wiring.

    Parameters
    ----------
    bench : Bench
        Its source is a :class:`~whichcore.rig.soundcard.instruments.SoundSource`.
    operator : Operator
        Asked for both channels on one node, then for a short and an open.
    cancel : threading.Event

    Yields
    ------
    Finding
        Where one makes the next ones meaningless, these are left out. Nothing sounds at the end.
    """
    source = bench.source
    if not isinstance(source, SoundSource):  # pragma: no cover - the command looks first
        raise AssertionError("no sound card")
    test = _Test(source.card, source.limits.level_vpp[1] / 2 / source.card.settings.out_vpk, cancel)
    try:
        yield Finding("card answers", Status.GOOD, source.identity)
        operator.fit("tied")
        together = list(test.together())
        yield from together
        if any(finding.status is Status.BAD for finding in together):
            return
        yield from _wired(test, bench, operator)
    except InstrumentError as error:
        yield Finding("sound card", Status.BAD, error.one_line(), "no fault", error.next_step)


@dataclass(slots=True)
class _Test:
    """The card under test.

    Attributes
    ----------
    card : SoundCard
    highest : float
        Peak never passed, share of the full scale.
    cancel : threading.Event
    """

    card: SoundCard
    highest: float
    cancel: threading.Event

    def tone(self, share: float, peak: float, count: int = COUNT) -> Capture:
        """Return a record of a sine of so many cycles per sample, on a bin of the record."""
        return self._record(round(share * count) / count, peak, count)

    def phasors(self, share: float, peak: float) -> ComplexArray:
        """Return what both inputs hear of a tone, over its peak, in shares of their full scales."""
        codes = self.tone(share, peak).samples
        return np.asarray(2 * np.fft.rfft(codes)[:, round(share * COUNT)] / COUNT / peak)

    def together(self) -> Iterator[Finding]:
        """Check everything that both inputs on one node show."""
        checks: tuple[Callable[[], Finding], ...] = (
            self.silence, self.heard, self.clipped, self.delay, self.clock, self.levelled, self.resampled,
            self.images,
        )  # fmt: skip
        for check in checks:
            if self.cancel.is_set():
                raise Cancelled("the checks were stopped")
            finding = check()
            yield finding
            if finding.status is Status.BAD and check in {self.silence, self.heard, self.clipped}:
                return

    def silence(self) -> Finding:
        """Look for exact zeros: a system hands them out that does not let the microphone be heard."""
        codes = self.card.play(np.zeros(COUNT), self.cancel).record[:, COUNT // 2 :]
        rms = np.std(codes, axis=1)
        found = f"A {_db(rms[0])}, B {_db(rms[1])} of the full scale"
        wanted = f"below {_db(QUIET)}, above nothing"
        if not codes.any():
            step = "allow the terminal to use the microphone in the privacy settings of the system"
            return Finding("silence", Status.BAD, "every sample is exactly zero", wanted, step)
        if max(rms) > QUIET:
            step = "lower the recording level, use line inputs, keep cables off power supplies"
            return Finding("silence", Status.DOUBTFUL, found, wanted, step)
        return Finding("silence", Status.GOOD, found, wanted)

    def heard(self) -> Finding:
        """See that both inputs hear the tone, alike."""
        a, b = np.abs(self.phasors(SHARES[0], self.usual))
        found, wanted = f"A {a:.3g}, B {b:.3g} of the output", "alike, and some tenths"
        noise = 10 * QUIET
        if max(a, b) * self.usual < noise:
            step = "check the cable from the output, its channel in bench.toml, and the levels of the mixer"
            return Finding("both inputs hear", Status.BAD, found, wanted, step)
        if min(a, b) < DEAD * max(a, b):
            name = "A" if a < b else "B"
            step = (
                f"input {name} is dead: check its cable and channel; the input must be stereo, no headset's"
            )
            return Finding("both inputs hear", Status.BAD, found, wanted, step)
        if abs(a / b - 1) > MISMATCH:
            step = "set both recording levels alike; a calibration takes the rest"
            return Finding("both inputs hear", Status.DOUBTFUL, found, wanted, step)
        return Finding("both inputs hear", Status.GOOD, found, wanted)

    def clipped(self) -> Finding:
        """Try the largest level that a sweep may use: it must not overdrive the inputs."""
        capture = self.tone(SHARES[1], self.highest)
        peaks = np.max(np.abs(capture.samples), axis=1)
        found = f"A {in_percent(peaks[0])}, B {in_percent(peaks[1])} of the full scale at the largest level"
        if fit_phasors(capture, SHARES[1] * self.card.rate_hz, refine=False).has(FlagKind.CLIPPED):
            step = "lower the recording level, or limits.highest_level_vpp in [source]"
            return Finding("clipping", Status.BAD, found, "below 100%", step)
        return Finding("clipping", Status.GOOD, found, "below 100%")

    def delay(self) -> Finding:
        """Ping twice: both come back after the same time."""
        first, second = (self.card.measure_delay(self.usual, self.cancel) for _ in range(2))
        if first is None or second is None:
            step = "raise the recording level, or lower the noise"
            return Finding("delay", Status.DOUBTFUL, "no ping came back", "the same twice", step)
        found = f"{1e3 * first / self.card.rate_hz:.1f} ms, then {1e3 * second / self.card.rate_hz:.1f} ms"
        if abs(first - second) > 1:
            step = "the host moves samples about: use another host interface or longer buffers"
            return Finding("delay", Status.BAD, found, "the same twice", step)
        return Finding("delay", Status.GOOD, found, "the same twice")

    def clock(self) -> Finding:
        """Compare the clocks of output and inputs: they are to be one."""
        count = round(PATIENT_S * self.card.rate_hz)
        capture = self.tone(SHARES[1], self.usual, count)
        played = round(SHARES[1] * count) / count * self.card.rate_hz
        phasors = fit_phasors(capture, played)
        off_ppm = (phasors.frequency_hz / played - 1) * 1e6
        found, wanted = f"{off_ppm:+z.2f} ppm apart", f"within {CLOCK_PPM:g} ppm"
        if abs(off_ppm) > CLOCK_PPM + 3e6 * phasors.frequency_uncertainty_hz / played:
            step = "take output and inputs of one and the same device; no host mixer between"
            return Finding("one clock", Status.BAD, found, wanted, step)
        return Finding("one clock", Status.GOOD, found, wanted)

    def levelled(self) -> Finding:
        """Step the level: each step comes back as that step."""
        gains = np.array([np.abs(self.phasors(SHARES[1], min(peak, self.highest))) for peak in STEPS])
        off = float(np.max(np.abs(gains / gains[1] - 1)))
        found = f"{in_percent(off)} off over {_db(STEPS[0])} to {_db(STEPS[2])}"
        wanted = f"within {in_percent(LEVEL_WRONG)}"
        if off > LEVEL_WRONG:
            step = "switch off automatic gain, noise suppression and every effect of the recording mixer"
            return Finding("levels", Status.BAD, found, wanted, step)
        return Finding("levels", Status.GOOD, found, wanted)

    def resampled(self) -> Finding:
        """Play tones up to nearly half the sample rate: they come back at their level."""
        gains = np.array([np.min(np.abs(self.phasors(share, self.usual))) for share in SHARES])
        sizes = gains / gains[0]
        worst = int(np.argmin(sizes))
        hertz = SHARES[worst] * self.card.rate_hz
        found = f"{_db(sizes[worst])} at {hertz:g} Hz"
        wanted = f"above {_db(DOUBTFUL)} up to {SHARES[-1] * self.card.rate_hz:g} Hz"
        if sizes[worst] < LOST:
            step = (
                "the host resamples, or the card is of a lower rate: use its own rate, an exclusive mode, a "
                "hw: device or JACK, or set limits.highest_frequency in [source]"
            )
            return Finding("tones up to the end", Status.BAD, found, wanted, step)
        if sizes[worst] < DOUBTFUL:
            step = (
                "the calibration takes it; set limits.highest_frequency in [source] if points are noisy there"
            )
            return Finding("tones up to the end", Status.DOUBTFUL, found, wanted, step)
        return Finding("tones up to the end", Status.GOOD, found, wanted)

    def images(self) -> Finding:
        """Look beside the tones: a mirrored one is left by a resampler."""
        worst, at, seen = 0.0, 0.0, 0.0
        for share in SHARES[1:]:
            other, place = _largest_other(self.tone(share, self.usual).samples, round(share * COUNT))
            if other > worst:
                worst, at, seen = other, share, place / COUNT
        rate = self.card.rate_hz
        found = f"{_db(worst)} at {seen * rate:.0f} Hz beside {at * rate:.0f} Hz"
        wanted = f"below {_db(IMAGE)}"
        if worst > IMAGE:
            step = "the host resamples: set its rate and the card's to sample_rate, or use an exclusive mode"
            return Finding("images", Status.BAD, found, wanted, step)
        return Finding("images", Status.GOOD, found, wanted)

    @property
    def usual(self) -> float:
        """Peak of most tones."""
        return min(LEVEL, self.highest)

    def _record(self, cycles_per_sample: float, peak: float, count: int) -> Capture:
        lead_in = round(LEAD_IN_S * self.card.rate_hz)
        after = self.card.overhang(peak, self.cancel)
        signal = peak * sine(cycles_per_sample, lead_in + count + after)
        return self.card.record(signal, Window(lead_in, count), self.cancel)


def _largest_other(codes: FloatArray, place: int) -> tuple[float, float]:
    """Return the largest line over the tone that is no harmonic, and its bin; of the worse channel."""
    window = np.blackman(codes.shape[1])
    spectrum = np.abs(np.fft.rfft(codes * window))
    count = codes.shape[1]
    expected = np.zeros(spectrum.shape[1], dtype=bool)
    bins = np.arange(spectrum.shape[1])
    for order in range(HIGHEST_HARMONIC + 1):
        folded = order * place % count
        expected |= np.abs(bins - min(folded, count - folded)) <= SKIRT
    others = np.where(expected, 0.0, spectrum) / spectrum[:, [place]]
    channel, found = np.unravel_index(int(np.argmax(others)), others.shape)
    return float(others[channel, found]), float(found)


def _wired(test: _Test, bench: Bench, operator: Operator) -> Iterator[Finding]:
    """Check what short and open show beside both inputs on one node."""
    if bench.wiring is Wiring.TWO_WINDINGS:
        yield Finding("wiring", Status.SKIPPED, "two windings have no short or open to be read")
        return
    tied = np.abs(test.phasors(SHARES[0], test.usual))
    yield _scale(bench, tied)
    at_ground = bench.wiring is Wiring.SHUNT_AT_GROUND
    quiet_fixture = "open" if at_ground else "short"
    operator.fit("short")
    yield _shorted(bench, np.abs(test.phasors(SHARES[0], test.usual)), tied)
    if at_ground:
        operator.fit("open")
    loud, quiet = np.abs(test.phasors(SHARES[0], test.usual)) / tied
    allowed = CROSSTALK + (0.0 if at_ground else LEADS_OHM / bench.shunt_ohm)
    yield _apart(quiet_fixture, float(quiet / max(loud, 1e-12)), allowed)


def _scale(bench: Bench, tied: FloatArray) -> Finding:
    """Compare the volts of output and inputs, which lie on one node."""
    source = bench.source
    if not isinstance(source, SoundSource):  # pragma: no cover
        raise AssertionError("no sound card")
    settings = source.card.settings
    shares = f"full scale of the output reads A {tied[0]:.3g}, B {tied[1]:.3g} of theirs"
    if not settings.scale_known:
        step = "state full_scale in [source] and [digitizer], measured as the how-to says, to have B in tesla"
        return Finding("scale", Status.DOUBTFUL, shares, "stated", step)
    seen = tied * np.array(settings.in_vpk) / settings.out_vpk
    found = f"A {seen[0]:.3g}, B {seen[1]:.3g} of the output's open voltage"
    if np.any(np.abs(seen - 1) > NEAR):
        step = "measure full_scale of [source] and [digitizer] anew: a mixer has been moved"
        return Finding("scale", Status.BAD, found, "1, less what the inputs load it", step)
    return Finding("scale", Status.GOOD, found, "1, less what the inputs load it")


def _shorted(bench: Bench, short: FloatArray, tied: FloatArray) -> Finding:
    """Compare a short with Rs/(Rs + Ro): the shunt alone is left behind the output's resistance."""
    share = bench.shunt_ohm / (bench.shunt_ohm + bench.source.output_ohm)
    seen = float(short[0] / tied[0])
    found, wanted = f"A falls to {seen:.3g} of itself", f"{share:.3g} by shunt and output_resistance"
    if abs(seen / share - 1) > 2 * NEAR:
        step = "check that the short is in, the shunt, and output_resistance in [source]"
        return Finding("shunt, short", Status.DOUBTFUL, found, wanted, step)
    return Finding("shunt, short", Status.GOOD, found, wanted)


def _apart(fixture: str, beside: float, allowed: float) -> Finding:
    """Judge what B hears with a fixture that leaves it quiet: crosstalk, or the channels are swapped."""
    check = f"channels apart, {fixture}"
    found, wanted = f"B {_db(beside)} beside A", f"below {_db(allowed)}"
    if beside > 1:
        step = "channels A and B are swapped: change the cables, or channels in bench.toml"
        return Finding(check, Status.BAD, found, wanted, step)
    if beside > allowed:
        step = "crosstalk, or a wrong fixture: keep the cables apart, try other inputs, then calibrate"
        return Finding(check, Status.DOUBTFUL, found, wanted, step)
    return Finding(check, Status.GOOD, found, wanted)


def _db(share: float) -> str:
    return f"{20 * np.log10(max(float(share), 1e-12)):.0f} dB"
