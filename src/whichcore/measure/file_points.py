"""From waveform files to the two voltages of each frequency; a file at fault is named and the rest kept."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from whichcore.analysis.phasor import fit_phasors
from whichcore.analysis.record_tones import find_tone, find_tones, fit_tones
from whichcore.analysis.types import Capture, FlagKind, FloatArray, PhasorPair, Phasors
from whichcore.bench.captures import CORE, TIED, Captures, CaptureSet
from whichcore.errors import AnalysisError, InputError, WhichcoreError
from whichcore.files.waveform import Waveform
from whichcore.files.waveform_csv import read_waveform_csv
from whichcore.files.waveform_wav import read_waveform_wav
from whichcore.rig.sweep.averaging import averaged

SAME = 3e-4  # of a frequency: two clocks of good instruments, and what a short record says of them
FEWEST_PER_PERIOD = 2.5
START_APART = 0.5  # of an interval, by which two files of one record may begin apart
FLAT_TOP = 1.5  # times the share of samples a sine spends on its highest step: beyond, it was clipped
LEAST_STEPS = 10.0  # peak value in steps from which on a flat top can be told
_FATAL = {FlagKind.CLIPPED, FlagKind.UNSTABLE, FlagKind.FREQUENCY_NOT_FOUND}


@dataclass(frozen=True, slots=True)
class FilePoint:
    """One frequency.

    Attributes
    ----------
    frequency_hz : float
        As stated, or as found by the instrument's clock.
    found : bool
    phasors : Phasors
    files : tuple of str
        Names, for the report.
    label : str
        Vertical settings of both channels, empty where the files do not state them.
    """

    frequency_hz: float
    found: bool
    phasors: Phasors
    files: tuple[str, ...]
    label: str = ""


@dataclass(frozen=True, slots=True)
class FileFault:
    """A file, or a frequency of it, that gave nothing; ``error`` says why."""

    name: str
    file: str
    error: WhichcoreError

    def told(self) -> str:
        """Return it in one line."""
        line = self.error.one_line()
        return line if self.file in line else f"{self.file}: {line}"


@dataclass(frozen=True, slots=True)
class FilePoints:
    """What the files of one thing at the terminals gave, in rising order of frequency."""

    name: str
    points: tuple[FilePoint, ...]
    faults: tuple[FileFault, ...]
    notes: tuple[str, ...]

    @property
    def frequency_hz(self) -> FloatArray:
        """Frequencies, float array (F,)."""
        return np.array([point.frequency_hz for point in self.points])

    @property
    def labels(self) -> tuple[str, ...]:
        """Vertical settings of each point."""
        return tuple(point.label for point in self.points)

    def pair(self, places: Sequence[int] | None = None, frequency_hz: FloatArray | None = None) -> PhasorPair:
        """Return the voltages of some points, under frequencies that are the same within the clocks."""
        chosen = [self.points[k] for k in (range(len(self.points)) if places is None else places)]
        volts = np.array([point.phasors.phasor_vpk for point in chosen])
        return PhasorPair(
            frequency_hz=self.frequency_hz if frequency_hz is None else frequency_hz,
            voltage_a_v=volts[:, 0],
            voltage_b_v=volts[:, 1],
            covariance=np.array([point.phasors.covariance_v2 for point in chosen]),
            range_labels=tuple(point.label for point in chosen),
        )


def pair_at(pair: PhasorPair, places: Sequence[int]) -> PhasorPair:
    """Return some points of a pair."""
    k = list(places)
    labels = pair.range_labels
    return PhasorPair(
        pair.frequency_hz[k],
        pair.voltage_a_v[k],
        pair.voltage_b_v[k],
        pair.covariance[k],
        None if labels is None else tuple(labels[place] for place in k),
    )


def read_points(captures: Captures, wanted: CaptureSet) -> FilePoints:
    """Read all files of one set.

    Raises
    ------
    InputError, AnalysisError
        Not one of them gave a point; the first fault is raised.
    """
    found: list[FilePoint] = []
    faults: list[FileFault] = []
    notes: list[str] = []
    for files, stated in zip(wanted.files, wanted.frequency_hz, strict=True):
        name = " + ".join(path.name for path in files)
        try:
            capture, said = _capture(captures, files)
            notes += [f"{name}: {text}" for text in said]
            found += _points_of(captures, wanted, capture, stated, name)
        except (InputError, AnalysisError) as error:
            faults.append(FileFault(wanted.name, name, error))
    good: list[FilePoint] = []
    for point in found:
        doubt = _fault_of(point, wanted.name == CORE)
        if doubt is None:
            good.append(point)
        else:
            faults.append(FileFault(wanted.name, ", ".join(point.files), doubt))
    if not good:
        raise faults[0].error
    return FilePoints(wanted.name, _joined(good, wanted.name == TIED), tuple(faults), tuple(notes))


def _capture(captures: Captures, files: tuple[Path, ...]) -> tuple[Capture, tuple[str, ...]]:
    """Return channel A and B of one record, in volts at the nodes."""
    waves = [_read(captures, path) for path in files]
    one, two = waves[0], waves[-1]
    if len(waves) == 1:
        places = (one.place(captures.channels.a), one.place(captures.channels.b))
    else:
        _check_twins(one, two)
        places = (_only(one, captures.channels.a), _only(two, captures.channels.b))
    picked = ((one, places[0]), (two, places[1]))
    if len(waves) == 1 and places[0] == places[1]:
        raise InputError(
            "A and B are one and the same channel",
            where=str(captures.path),
            got=f"{one.names[places[0]]}",
            next_step="name two channels under channels, a and b",
        )
    scale = captures.channels.scale
    labels = tuple(wave.ranges[k] for wave, k in picked)
    samples = np.stack([wave.samples[k] for wave, k in picked])
    steps = (one.step_codes[places[0]], two.step_codes[places[1]])
    bent = captures.channels.nonlinearity_steps
    capture = Capture(
        samples=samples,
        interval_s=one.interval_s,
        volts_per_code=(
            one.volts_per_code[places[0]] * scale[0],
            two.volts_per_code[places[1]] * scale[1],
        ),
        step_codes=steps,
        nonlinearity_codes=(bent * steps[0], bent * steps[1]),
        clip_codes=(one.clip_codes[places[0]], two.clip_codes[places[1]]),
        range_labels=(labels[0], labels[1]) if all(labels) else None,
    )
    return capture, tuple(dict.fromkeys(text for wave in waves for text in wave.notes))


def _read(captures: Captures, path: Path) -> Waveform:
    if path.suffix.lower() == ".wav":
        return read_waveform_wav(path, captures.channels.full_scale_vpk)
    return read_waveform_csv(path, captures.channels.volts_per_code)


def _only(wave: Waveform, channel: int | str) -> int:
    """Return the channel of a file of its own: the only one, or the one named."""
    return 0 if len(wave.names) == 1 else wave.place(channel)


def _check_twins(one: Waveform, two: Waveform) -> None:
    counts = one.samples.shape[1], two.samples.shape[1]
    if counts[0] != counts[1]:
        raise InputError(
            "the two channels are of different length",
            where=f"{one.path.name}, {two.path.name}",
            got=f"{counts[0]} and {counts[1]} samples",
            next_step="save both from one and the same record; one file may not be written to its end",
        )
    if abs(one.interval_s / two.interval_s - 1) * counts[0] > START_APART:
        raise InputError(
            "the two channels have different sample intervals",
            where=f"{one.path.name}, {two.path.name}",
            got=f"{one.interval_s:g} s and {two.interval_s:g} s",
            next_step="save both from one and the same record",
        )


def _points_of(
    captures: Captures, wanted: CaptureSet, capture: Capture, stated: float | None, name: str
) -> list[FilePoint]:
    label = "" if capture.range_labels is None else "/".join(capture.range_labels)
    mains = captures.mains_hz
    if wanted.tones_hz is not None:
        found = not wanted.tones_hz
        tones = find_tones(capture, mains) if found else np.array(sorted(wanted.tones_hz))
        fitted = fit_tones(capture, tones, stated=not found, mains_hz=mains)
        return [
            FilePoint(float(hertz), found, phasors, (name,), label)
            for hertz, phasors in zip(tones, fitted, strict=True)
        ]
    hertz = find_tone(capture, mains) if stated is None else stated
    _check_rate(capture, hertz)
    phasors = fit_phasors(capture, hertz, mains_hz=mains)
    phasors = _with_flat_tops(capture, phasors)
    at = phasors.frequency_hz if stated is None else stated
    return [FilePoint(at, stated is None, phasors, (name,), label)]


def _check_rate(capture: Capture, hertz: float) -> None:
    per_period = 1 / (hertz * capture.interval_s)
    if per_period < FEWEST_PER_PERIOD:
        raise AnalysisError(
            "too few samples are in a period",
            where=f"{hertz:g} Hz",
            got=f"{per_period:.3g}",
            allowed=f"{FEWEST_PER_PERIOD:g} or more; 10 are good",
            next_step="choose a faster time base and save again",
        )


def _with_flat_tops(capture: Capture, phasors: Phasors) -> Phasors:
    """Flag tops that stay on one value for longer than those of a sine: a file of volts has no rails.

    Of a sine of a steps peak the highest step takes arccos(1 − 1/a)/π of all samples at most (analytic).
    """
    limits = [(-np.inf, np.inf), (-np.inf, np.inf)]
    for c, row in enumerate(capture.samples):
        step = (capture.step_codes or (0.0, 0.0))[c]
        if step <= 0 or np.isfinite(capture.clip_codes[c]).any() if capture.clip_codes else step <= 0:
            continue
        steps = abs(phasors.phasor_vpk[c]) / (step * capture.volts_per_code[c])
        if steps < LEAST_STEPS:
            continue
        usual = FLAT_TOP * np.arccos(1 - 1 / steps) / np.pi
        low, high = float(row.min()), float(row.max())
        flat = [float(np.mean(np.abs(row - end) < step / 2)) > usual for end in (low, high)]
        limits[c] = (low if flat[0] else -np.inf, high if flat[1] else np.inf)
    if not np.isfinite(limits).any():
        return phasors
    return fit_phasors(replace(capture, clip_codes=(limits[0], limits[1])), phasors.frequency_hz)


def _fault_of(point: FilePoint, small_counts: bool) -> AnalysisError | None:
    """Return why the covariance of a point can not be trusted; a small voltage is what an open is for."""
    fatal = _FATAL | {FlagKind.TOO_SMALL} if small_counts else _FATAL
    details = [
        f"channel {'AB'[flag.channel]}: {flag.detail}" if flag.channel is not None else flag.detail
        for flag in point.phasors.flags
        if flag.kind in fatal
    ]
    if not details:
        return None
    kinds = {flag.kind for flag in point.phasors.flags}
    step = "choose a more sensitive range for the channel, or drive more"
    if FlagKind.CLIPPED in kinds:
        step = "choose a less sensitive range for the channel and save again"
    elif FlagKind.FREQUENCY_NOT_FOUND in kinds:
        step = "check the frequency stated for this file; leave it out to have it found"
    return AnalysisError(
        "the point is left out", where=f"{point.frequency_hz:.6g} Hz", got="; ".join(details), next_step=step
    )


def _joined(points: list[FilePoint], settings: bool) -> tuple[FilePoint, ...]:
    """Put points in order; several of one frequency and one setting are averaged.

    ``settings`` says that one frequency may stand with several settings, as where they are tied.
    """
    rest = sorted(points, key=lambda point: point.frequency_hz)
    found: list[FilePoint] = []
    while rest:
        first = rest[0]
        same = [
            p for p in rest if p.frequency_hz <= first.frequency_hz * (1 + SAME) and p.label == first.label
        ]
        rest = [p for p in rest if p not in same]
        if not settings and found and found[-1].frequency_hz * (1 + SAME) >= first.frequency_hz:
            raise InputError(
                "one frequency was saved with different settings of the channels",
                where=f"{first.frequency_hz:.6g} Hz",
                got=f"{found[-1].label} ({', '.join(found[-1].files)}) and {first.label} "
                f"({', '.join(first.files)})",
                next_step="keep one of them",
            )
        found.append(_mean(same))
    return tuple(found)


def _mean(points: list[FilePoint]) -> FilePoint:
    if len(points) == 1:
        return points[0]
    stated = [point for point in points if not point.found]
    files = tuple(name for point in points for name in point.files)
    first = stated[0] if stated else points[0]
    return replace(first, phasors=averaged([point.phasors for point in points]), files=files)
