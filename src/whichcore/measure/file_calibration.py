"""What lies between waveform files and an impedance: standards solved, both channels made even."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from datetime import UTC, datetime

import numpy as np

from whichcore.analysis.types import FloatArray, PhasorPair
from whichcore.bench.captures import TIED, Captures
from whichcore.calibration.fingerprint import Fingerprint
from whichcore.calibration.setup import Measured, Setup
from whichcore.calibration.shunt import RangeFactor
from whichcore.calibration.standards import Open, Short
from whichcore.errors import CalibrationError, InputError
from whichcore.files.warn import warn
from whichcore.measure.calibration_file import StoredCalibration
from whichcore.measure.channel_ranges import LARGEST_MISMATCH, ChannelRanges
from whichcore.measure.file_points import SAME, FilePoints, pair_at
from whichcore.measure.fixture_check import FixtureCheck
from whichcore.measure.standards_order import solve
from whichcore.wording import in_percent

LABELS = "range_labels"
EVEN = "even_channels"
_NO_RANGES = ChannelRanges(
    np.zeros(0), np.zeros(0), np.zeros((0, 4)), np.zeros((0, 4)), np.zeros((0, 0)), np.zeros((0, 0))
)


def fingerprint_of_files(captures: Captures) -> Fingerprint:
    """Return what a calibration from files belongs to."""
    channels = captures.channels
    return Fingerprint(
        wiring=captures.wiring,
        probe_ratio_a=channels.probe_ratios[0],
        probe_ratio_b=channels.probe_ratios[1],
        shunt=f"{captures.shunt.name}, {captures.shunt.impedance(np.zeros(1))[0].real:g} ohm",
        cables=f"channels {channels.a} and {channels.b}",
        instruments=f"files, {captures.name}",
    )


def calibrated(captures: Captures, read: Mapping[str, FilePoints]) -> StoredCalibration | None:
    """Solve the standards of the list; None where it has none."""
    names = [name for name in captures.standards if name in read]
    if not names:
        return None
    grid, places = _common_grid(read, names)
    setup = Setup(fingerprint_of_files(captures), grid, captures.shunt)
    pairs = {name: even_channels(captures, read, read[name].pair(places[name], grid)) for name in names}
    three = len(names) >= 3
    if not three:
        both = {type(captures.standards[name]) for name in names}
        if both != {Open, Short}:
            raise CalibrationError(
                "these standards give no model",
                where=str(captures.path),
                got=", ".join(names),
                allowed="an open and a short; or three and more",
                next_step="save files of another standard, or take all out: the known shunt alone is used",
            )
        setup = replace(setup, channels=channels_known(captures, read, grid))
    _check_fixtures(captures, setup, pairs)
    model = solve([Measured(captures.standards[name], pairs[name]) for name in names], setup)
    header = {
        "bench": captures.name,
        "started": datetime.now(UTC).isoformat(timespec="seconds"),
        "temperature_c": captures.temperature_c,
        LABELS: {} if TIED in read else _labels(read, names, places, grid),
        EVEN: TIED in read,
    }
    return StoredCalibration(model, _NO_RANGES, header)


def _common_grid(read: Mapping[str, FilePoints], names: list[str]) -> tuple[FloatArray, dict[str, list[int]]]:
    """Return the frequencies that all standards have, and where each has them."""
    first = read[names[0]]
    kept, places = [], {name: list[int]() for name in names}
    for hertz in _stated_first(read, names, first.frequency_hz):
        found = {name: place_of(read[name].frequency_hz, hertz) for name in names}
        if all(place is not None for place in found.values()):
            kept.append(hertz)
            for name, place in found.items():
                places[name].append(int(place or 0))
    lost = {name: len(read[name].points) - len(kept) for name in names}
    if not kept:
        raise CalibrationError(
            "the standards were not saved at the same frequencies",
            where=", ".join(names),
            got="; ".join(f"{name}: {_listed(read[name].frequency_hz)}" for name in names)[:200],
            next_step="set the source to the same frequencies for each of them",
        )
    if any(lost.values()):
        told = ", ".join(f"{count} of {name}" for name, count in lost.items() if count)
        warn(f"frequencies that not all standards have are left out of the calibration: {told}")
    return np.array(kept), places


def _stated_first(read: Mapping[str, FilePoints], names: list[str], own: FloatArray) -> list[float]:
    """Return the frequencies of the first standard, under the number stated where any file states one."""
    stated = np.array([p.frequency_hz for name in names for p in read[name].points if not p.found])
    found = []
    for hertz in own:
        place = place_of(stated, float(hertz)) if stated.size else None
        found.append(float(hertz) if place is None else float(stated[place]))
    return found


def place_of(grid: FloatArray, hertz: float) -> int | None:
    """Return where a frequency stands in a grid, within what two clocks differ; None where it does not."""
    if grid.size == 0:
        return None
    nearest = int(np.argmin(np.abs(grid / hertz - 1)))
    return nearest if abs(grid[nearest] / hertz - 1) <= SAME else None


def _listed(hertz: FloatArray) -> str:
    return ", ".join(f"{f:.5g}" for f in hertz[:6]) + (", …" if hertz.size > 6 else "") + " Hz"


def _labels(
    read: Mapping[str, FilePoints], names: list[str], places: Mapping[str, list[int]], grid: FloatArray
) -> dict[str, str]:
    """Return the settings of the channels at each frequency; empty where the standards differ in them."""
    found = {}
    for k, hertz in enumerate(grid):
        labels = {read[name].labels[places[name][k]] for name in names}
        if len(labels) > 1 and "" not in labels:
            raise CalibrationError(
                "the standards were saved with different settings of the channels",
                where=f"{hertz:.6g} Hz",
                got=", ".join(f"{name}: {read[name].labels[places[name][k]]}" for name in names),
                next_step="leave volts per division as they are from one standard to the next",
            )
        found[f"{hertz:.9g}"] = labels.pop() if len(labels) == 1 else ""
    return found


def _check_fixtures(captures: Captures, setup: Setup, pairs: Mapping[str, PhasorPair]) -> None:
    """Look at the first, middle and last point of each standard; errors name the list of files."""
    parts = tuple(captures.standards[name] for name in pairs)
    for name, pair in pairs.items():
        watch = FixtureCheck(captures.standards[name], setup, parts)
        for k in sorted({0, pair.frequency_hz.size // 2, pair.frequency_hz.size - 1}):
            try:
                watch.check(pair_at(pair, [k]))
            except CalibrationError as error:
                raise CalibrationError(
                    error.what,
                    where=error.where,
                    got=error.got,
                    allowed=error.allowed,
                    next_step=error.next_step.replace("bench.toml", captures.path.name)
                    + "; check probe ratios and the files listed for it",
                ) from None


def even_channels(captures: Captures, read: Mapping[str, FilePoints], pair: PhasorPair) -> PhasorPair:
    """Divide by what both channels read on one node, where files of that are there."""
    if TIED not in read:
        return pair
    tied = read[TIED]
    places = [
        _tied_place(tied, float(f), label)
        for f, label in zip(
            pair.frequency_hz, pair.range_labels or ("",) * pair.frequency_hz.size, strict=True
        )
    ]
    missing = [
        f"{f:.5g} Hz {label}".strip()
        for f, label, place in zip(
            pair.frequency_hz, pair.range_labels or ("",) * len(places), places, strict=True
        )
        if place is None
    ]
    if missing:
        raise InputError(
            "both channels were not saved on one node at every frequency and setting",
            where=f"{captures.path}, captures, {TIED}",
            got=f"without {', '.join(missing[:6])}",
            next_step="save these too, or leave the others out",
        )
    return _divided(tied.pair([k for k in places if k is not None], pair.frequency_hz), pair)


def _tied_place(tied: FilePoints, hertz: float, label: str) -> int | None:
    """Return the point of both channels on one node at this frequency and these settings, where known."""
    alike = [k for k, point in enumerate(tied.points) if not label or not point.label or point.label == label]
    place = place_of(tied.frequency_hz[alike], hertz)
    return None if place is None else alike[place]


def _divided(tied: PhasorPair, pair: PhasorPair) -> PhasorPair:
    ratio = tied.voltage_a_v / tied.voltage_b_v
    worst = int(np.argmax(np.abs(np.abs(ratio) - 1)))
    if abs(abs(ratio[worst]) - 1) > LARGEST_MISMATCH:
        raise InputError(
            "the two channels do not read one node",
            where=f"{TIED}, {tied.frequency_hz[worst]:.5g} Hz",
            got=f"V_A/V_B = {abs(ratio[worst]):.3g}",
            allowed=f"1 within {in_percent(LARGEST_MISMATCH)}",
            next_step="put both channels on the node of channel A; check probe ratios",
        )
    zero = np.zeros(ratio.size)
    even = RangeFactor(ratio, zero, zero).apply(pair)
    share = np.array(
        [
            (np.trace(c[:2, :2]) / abs(a) ** 2 + np.trace(c[2:, 2:]) / abs(b) ** 2) / 2
            for c, a, b in zip(tied.covariance, tied.voltage_a_v, tied.voltage_b_v, strict=True)
        ]
    )
    more = np.zeros_like(even.covariance)
    for k in range(2):
        more[:, k, k] = share * np.abs(even.voltage_a_v) ** 2
    return replace(even, covariance=even.covariance + more)


def channels_known(
    captures: Captures, read: Mapping[str, FilePoints], grid: FloatArray
) -> RangeFactor | None:
    """Return what is stated of the two channels; None where it was measured on one node.

    Raises
    ------
    InputError
        Neither measured nor stated.
    """
    if TIED in read:
        return None
    channels = captures.channels
    if channels.gain_half_width is None or channels.delay_half_width_s is None:
        raise InputError(
            "how well the two channels agree is neither measured nor stated",
            where=f"{captures.path}, channels",
            got="no gain_tolerance and delay_tolerance, no [captures.tied]",
            allowed='gain_tolerance = "3 %" and delay_tolerance = "3 ns", or files with both channels on one '
            "node",
            next_step="save files with both channels on the node of A, or take the figures from the manual",
        )
    return stated_factor(channels.gain_half_width, channels.delay_half_width_s, grid)


def stated_factor(
    gain_half_width: float | None, delay_half_width_s: float | None, grid: FloatArray
) -> RangeFactor:
    """Return a factor of one with what its tolerances leave open: even within ± a, a/√3 (JCGM 100, 4.3.7)."""
    gain = (gain_half_width or 0.0) / np.sqrt(3)
    delay_s = (delay_half_width_s or 0.0) / np.sqrt(3)
    return RangeFactor(
        np.ones(grid.size, dtype=complex), np.full(grid.size, gain), 2 * np.pi * grid * delay_s
    )
