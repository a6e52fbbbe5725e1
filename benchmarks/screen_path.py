"""The paths of ``every_path.py`` without a line to the computer: waveform files, and a screen read by eye.

Records come from the circuits and the converter of the virtual bench; ``whichcore from-files`` and
``whichcore by-hand sweep`` make the sweeps. What list and sheet state is what labels say, never the truth.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from click.testing import CliRunner

from whichcore.analysis.specimen import Specimen
from whichcore.analysis.types import FloatArray, ImpedanceSweep, Wiring
from whichcore.cli.root import root
from whichcore.errors import WhichcoreError
from whichcore.files import load_specimen, load_sweep
from whichcore.rig.virtual import (
    Drive,
    Sampling,
    Setup,
    WoundCore,
    capture_in_process,
    channel_settings,
    fixture,
    node_voltages,
    operate,
)
from whichcore.rig.virtual.electronics import electronics
from whichcore.rig.virtual.fixtures import Fixture

SHUNT_OHM = 10.0
SAMPLES, PERIODS, TAKES = 4000, 20, 6
FULL = 0.8  # share of a range that the largest tone may fill
LARGEST_EMF_VPK = 2.0
DIVISIONS = 8
EYE = 0.1  # of a division, half-width of what the eye reads (practice, no source)
PARTS = ("open", "short", "load")
LIST = """
name = "virtual screen"
wiring = "shunt-at-ground"
[shunt]
resistance = "10 ohm"
tolerance = "0.2 %"
[standards.open]
capacitance = "1 pF"
tolerance = "0.3 pF"
[standards.short]
resistance = "1 mohm"
resistance_tolerance = "1 mohm"
inductance = "3.5 nH"
tolerance = "0.5 nH"
[standards.load]
resistance = "50 ohm"
tolerance = "0.1 %"
inductance = "4 nH"
inductance_tolerance = "1 nH"
capacitance = "0.4 pF"
capacitance_tolerance = "0.2 pF"
[captures.core]
folder = "core"
[captures.open]
folder = "open"
[captures.short]
folder = "short"
[captures.load]
folder = "load"
"""
SHEET = """# wiring: shunt-at-ground
# shunt: 10 ohm
# shunt_tolerance: 0.2 %
# shunt_inductance: 5 nH
# shunt_inductance_tolerance: 4 nH
# shunt_capacitance: 70 pF
# shunt_capacitance_tolerance: 15 pF
# gain_tolerance: 3 %
# delay_tolerance: 5 ns
# positive_shift: A leads
frequency,a,b,shift,a_scale,b_scale,time_scale
"""

Part = WoundCore | Fixture
Ranges = tuple[float, float]


@dataclass(frozen=True, slots=True)
class Tone:
    """What the source is set to at one frequency."""

    frequency_hz: float
    emf_vpk: float


@dataclass(frozen=True, slots=True)
class Record:
    """Time, s, and both channels, V, as the converter gives them."""

    time_s: FloatArray
    volts: tuple[FloatArray, FloatArray]


def through_files(
    item: WoundCore, frequency_hz: Sequence[float], flux_density_t: float, folder: Path
) -> tuple[Specimen, ImpedanceSweep]:
    """Save core, open, short and load, some files for each frequency, and have them read."""
    rng = np.random.default_rng(21)
    for tone in tones(item, frequency_hz, flux_density_t):
        save_files(item, tone, folder, rng)
    (folder / "captures.toml").write_text(LIST, encoding="utf-8")
    return _swept(item, folder, "from-files", "--captures", folder / "captures.toml")


def by_hand(
    item: WoundCore, frequency_hz: Sequence[float], flux_density_t: float, folder: Path
) -> tuple[Specimen, ImpedanceSweep]:
    """Read the core off the screen, one row for each frequency, and have the sheet worked out."""
    rng = np.random.default_rng(22)
    rows = [read_by_eye(item, tone, rng) for tone in tones(item, frequency_hz, flux_density_t)]
    (folder / "sheet.csv").write_text(SHEET + "".join(rows), encoding="utf-8")
    return _swept(item, folder, "by-hand", "sweep", "--sheet", folder / "sheet.csv")


def _swept(item: WoundCore, folder: Path, *words: object) -> tuple[Specimen, ImpedanceSweep]:
    card, out = folder / "card.toml", folder / "sweep.csv"
    card.write_text(item.specimen_toml(), encoding="utf-8")
    run(*words, "--specimen", card, "--out", out)
    return load_specimen(card), load_sweep(out)


def run(*words: object) -> str:
    """Run a command in this process and return its result; a refusal is raised as it is told."""
    done = CliRunner().invoke(root, [str(word) for word in words])
    if done.exit_code != 0:
        raise WhichcoreError(" ".join(done.stderr.split()), where=f"exit code {done.exit_code}")
    return done.stdout


def tones(item: WoundCore, frequency_hz: Sequence[float], flux_density_t: float) -> list[Tone]:
    """Return the emf that brings the core to a flux density, or the largest there is."""
    small = 1e-4
    setup = Setup(Wiring.SHUNT_AT_GROUND, item, SHUNT_OHM)
    flux = operate(setup, np.array(frequency_hz), small).flux_density_t / small
    return [
        Tone(hertz, float(min(flux_density_t / per_volt, LARGEST_EMF_VPK)))
        for hertz, per_volt in zip(frequency_hz, flux, strict=True)
    ]


def save_files(item: WoundCore, tone: Tone, folder: Path, rng: np.random.Generator) -> None:
    """Save core and standards at one frequency, volts per division as the core needs them for all four.

    A short lifts B and an open lifts A: for these the source is turned down until they fit.
    """
    ranges = ranges_for(item, tone)
    for name, part in [("core", item), *((name, fixture(name)) for name in PARTS)]:
        (folder / name).mkdir(exist_ok=True)
        fitting = turned_down(part, tone, ranges)
        for take in range(TAKES):
            path = folder / name / f"{tone.frequency_hz:09.0f}-{take}.csv"
            write_file(path, captured(part, fitting, ranges, rng), ranges)


def ranges_for(part: Part, tone: Tone) -> Ranges:
    """Return the most sensitive range of each channel that holds a part."""
    a, b = (
        channel_settings(k, 2 * peak / FULL).range_data.full_scale_vpp
        for k, peak in enumerate(_peaks_v(part, tone))
    )
    return a, b


def turned_down(part: Part, tone: Tone, ranges: Ranges) -> Tone:
    """Return a tone no stronger than a part bears on given ranges."""
    share = float(np.min(FULL * np.array(ranges) / 2 / _peaks_v(part, tone)))
    return Tone(tone.frequency_hz, tone.emf_vpk * min(1.0, share))


def _peaks_v(part: Part, tone: Tone) -> FloatArray:
    return np.abs(node_voltages(_at(part), np.array([tone.frequency_hz]), tone.emf_vpk)).ravel()


def _at(part: Part) -> Setup:
    return Setup(Wiring.SHUNT_AT_GROUND, part, SHUNT_OHM)


def captured(part: Part, tone: Tone, ranges: Ranges, rng: np.random.Generator) -> Record:
    """Return one record of the bench's digitizer, some twenty periods long."""
    channels = channel_settings(0, ranges[0]), channel_settings(1, ranges[1])
    steps = electronics().digitizer.intervals()
    interval = float(steps[np.searchsorted(steps, 0.99 * PERIODS / (SAMPLES * tone.frequency_hz))])
    drive, sampling = Drive(tone.frequency_hz, tone.emf_vpk), Sampling(SAMPLES, interval)
    taken = capture_in_process(_at(part), drive, channels, sampling, rng)
    a, b = (
        row * per + off
        for row, per, off in zip(taken.samples, taken.volts_per_code, taken.offset_v, strict=True)
    )
    return Record(np.arange(SAMPLES) * interval, (a, b))


def write_file(path: Path, record: Record, ranges: Ranges) -> None:
    """Write a record as a scope saves it: lines of word and value, names, units, one row per sample."""
    scales = ",".join(f"{full / DIVISIONS:g}" for full in ranges)
    head = (
        f"Record length,{record.time_s.size}\nSample interval,{record.time_s[1]:.6e}\n"
        f"Vertical scale,{scales}\n\nTime,CH1,CH2,\ns,V,V,\n"
    )
    rows = zip(record.time_s, *record.volts, strict=True)
    body = "".join(f"{t:.6e},{a:.5e},{b:.5e},\n" for t, a, b in rows)
    path.write_text(head + body, encoding="utf-8", newline="")


def read_by_eye(item: WoundCore, tone: Tone, rng: np.random.Generator) -> str:
    """Return a row of the sheet: heights and shift, each read within a tenth of a division, evenly."""
    hertz, record = tone.frequency_hz, captured(item, tone, ranges_for(item, tone), rng)
    interval = float(record.time_s[1])
    whole = round(int(record.time_s.size * interval * hertz) / hertz / interval)
    wave = np.exp(-2j * np.pi * hertz * record.time_s[:whole])
    a, b = (2 * np.mean(row[:whole] * wave) for row in record.volts)
    scales = [_scale(2 * abs(v) / (0.98 * DIVISIONS)) for v in (a, b)]
    per_time = _scale(0.25 / hertz / 4)
    heights = [
        f"{2 * abs(v) / scale + rng.uniform(-EYE, EYE):.2f} div pp"
        for v, scale in zip((a, b), scales, strict=True)
    ]
    shift = np.angle(a / b) / (2 * np.pi * hertz) / per_time + rng.uniform(-EYE, EYE)
    cells = [f"{hertz:g} Hz", *heights, f"{shift:.2f} div", *(f"{scale * 1e3:g} mV" for scale in scales)]
    return ",".join([*cells, f"{per_time * 1e9:g} ns"]) + "\n"


def _scale(least: float) -> float:
    """Return the next of a 1-2-5 row."""
    row = np.outer(10.0 ** np.arange(-9, 3), (1, 2, 5)).ravel()
    return float(row[np.searchsorted(row, least)])
