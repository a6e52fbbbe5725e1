"""A scope's waveform saved as CSV: time base and channels found by what the file says of itself."""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from whichcore.analysis.recovered_step import recovered_step
from whichcore.analysis.types import FloatArray
from whichcore.errors import InputError
from whichcore.files.waveform import Waveform
from whichcore.files.waveform_cells import (
    HALF_WRITTEN,
    Cells,
    Entry,
    is_index_unit,
    meaning_of,
    read_cells,
    time_power,
    volt_power,
)

FEWEST_SAMPLES = 16
UNEVEN = 0.05  # of an interval: a sample further off its place is no rounding
SAME_INTERVAL = 1e-3  # relative: interval stated and interval of the time column
SMALLEST_CODES = 8  # whole numbers up to this may be volts
_PREFIXES = {"p": -12, "n": -9, "u": -6, "m": -3, "": 0, "k": 3, "M": 6, "G": 9}
_RATE_UNIT = re.compile(r"([kMG]?)(Hz|Sa/s|S/s|sps|1/s|)", re.ASCII)


def read_waveform_csv(path: Path, volts_per_code: tuple[float, ...] | None = None) -> Waveform:
    """Read a CSV export.

    Parameters
    ----------
    path : Path
    volts_per_code : tuple of float, optional
        Said by the user, for files that hold codes and no scale.

    Raises
    ------
    InputError
        See ``docs/reference/files.md``: no time base, uneven samples, codes without a scale, a cut file.
    """
    cells = read_cells(path)
    base, channels = _time_base(cells)
    _check_length(cells)
    if not channels:
        raise InputError(
            "the file has a time column and no channel",
            where=str(path),
            next_step="switch the channels on before saving",
        )
    volts, scales, notes = _volts(cells, channels, volts_per_code)
    steps = tuple(
        1.0 if scale != 1.0 and _whole(row) else recovered_step(row)
        for scale, row in zip(scales, volts, strict=True)
    )
    names = tuple(_name(cells, k) for k in channels)
    if cells.cut:
        notes = (*notes, "the last line has no line end and is left out")
    return Waveform(
        path=path,
        names=names,
        samples=volts,
        interval_s=base.interval_s,
        volts_per_code=scales,
        step_codes=steps,
        clip_codes=((-np.inf, np.inf),) * len(names),
        ranges=_ranges(cells, len(names)),
        notes=(*base.notes, *notes),
    )


@dataclass(frozen=True, slots=True)
class _Base:
    """The time base: interval, and what had to be taken for granted."""

    interval_s: float
    notes: tuple[str, ...] = ()


def _time_base(cells: Cells) -> tuple[_Base, list[int]]:
    """Return the time base and the columns that are channels."""
    count = cells.numbers.shape[0]
    if count < FEWEST_SAMPLES:
        raise InputError(
            "the record is too short",
            where=str(cells.path),
            got=f"{count} samples",
            allowed=f"{FEWEST_SAMPLES} or more",
        )
    columns = list(range(cells.numbers.shape[1]))
    stated = _stated_interval(cells)
    times = [k for k in columns if _is_time(cells, k)]
    counts = [k for k in columns if _counts(cells, k) and k not in times]
    notes: tuple[str, ...] = ()
    unnamed = not any(cells.names) and not times and not counts and len(columns) > 1
    if unnamed and _rises(cells.numbers[:, 0]):
        whole = bool(np.all(np.diff(cells.numbers[:, 0]) == 1))
        (counts if whole else times).append(0)
        meant = "the number of the sample" if whole else "the time in s"
        notes = (f"column 1 has no name; it rises evenly and is taken as {meant}",)
    if times:
        base = _from_column(cells, times[0], stated)
        channels = [k for k in columns if k not in {*times, *counts}]
        return _Base(base, notes), channels
    if stated is None:
        raise InputError(
            "the file has no time column and states no sample interval",
            where=str(cells.path),
            got=", ".join(filter(None, cells.names)) or f"{len(columns)} columns without names",
            allowed="a column of time, or a line such as: sample interval, 2e-7",
            next_step="save with the time column or with the header on, or add such a line on top",
        )
    return _Base(stated, notes), [k for k in columns if k not in counts]


def _is_time(cells: Cells, column: int) -> bool:
    if is_index_unit(cells.units[column]) or volt_power(cells.units[column]) is not None:
        return False
    named = meaning_of(cells.names[column]) == "time" or time_power(cells.units[column]) is not None
    return named and not _counts(cells, column)


def _counts(cells: Cells, column: int) -> bool:
    """Tell whether a column numbers the samples."""
    named = is_index_unit(cells.units[column]) or meaning_of(cells.names[column]) == "index"
    ones = bool(np.all(np.diff(cells.numbers[:, column]) == 1))
    unit = time_power(cells.units[column])
    return ones and (named or (unit is None and meaning_of(cells.names[column]) == "time"))


def _rises(values: FloatArray) -> bool:
    gaps = np.diff(values)
    return bool(np.all(gaps >= 0) and values[-1] > values[0] and gaps.max() < 2 * np.mean(gaps) + 1e-300)


def _from_column(cells: Cells, column: int, stated: float | None) -> float:
    """Return the interval of a time column, once it is seen to be even within its printed digits."""
    power = time_power(cells.units[column])
    if power is None:
        entry = cells.said("time unit")
        power = time_power(entry.values[0]) if entry else 0
    if power is None:
        raise InputError(
            "the unit of the time column is not known", where=str(cells.path), allowed="s, ms, us"
        )
    scale = 10.0**power
    time = cells.numbers[:, column] * scale
    number = np.arange(time.size)
    interval = float(np.polyfit(number - number.mean(), time - time.mean(), 1)[0])
    off = np.abs(time - time.mean() - interval * (number - number.mean()))
    allowed = UNEVEN * abs(interval) + 1.01 * cells.printed_to[column] * scale
    if interval <= 0 or off.max() > allowed:
        gaps = np.diff(time)
        worst = int(np.argmax(np.abs(gaps - np.median(gaps))))
        raise InputError(
            "the samples are not evenly spaced in time",
            where=f"{cells.path}, line {cells.first_line + worst + 1}",
            got=f"a step of {gaps[worst]:.4g} s where {np.median(gaps):.4g} s is usual",
            allowed=f"equal steps within {allowed:.2g} s",
            next_step="save the waveform as sampled, without gaps, cursors or peak detection",
        )
    slack = SAME_INTERVAL * interval + 2 * cells.printed_to[column] * scale / time.size
    if stated is None:
        return interval
    if abs(stated - interval) > slack:
        raise InputError(
            "the interval stated and that of the time column differ",
            where=str(cells.path),
            got=f"{stated:g} s and {interval:g} s",
            next_step="save it again; the file may be thinned out: choose all points of the memory",
        )
    return stated


def _stated_interval(cells: Cells) -> float | None:
    entry = cells.said("interval")
    if entry is not None:
        return _positive(cells, entry, lambda unit: time_power(unit or "s"))
    entry = cells.said("rate")
    return None if entry is None else 1 / _positive(cells, entry, _rate_power)


def _rate_power(unit: str) -> int | None:
    match = _RATE_UNIT.fullmatch(unit)
    return None if match is None else _PREFIXES[match[1]]


def _positive(cells: Cells, entry: Entry, power_of: Callable[[str], int | None]) -> float:
    """Return a positive value with its unit, in the same cell, the next one or the word's brackets."""
    match = re.fullmatch(r"\s*([+-]?[\d.]+(?:[eE][+-]?\d+)?)\s*(\S*)\s*", entry.values[0])
    beside = entry.values[1] if len(entry.values) > 1 else ""
    inside = re.search(r"[(\[]([^)\]]+)[)\]]", entry.word)
    try:
        number = float(match[1]) if match else -1.0
    except ValueError:
        number = -1.0
    unit = (match[2] if match else "") or (inside[1] if inside else beside)
    power = power_of(unit)
    if power is None and not (match and match[2]):
        power = 0  # what stands beside it is no unit
    if number <= 0 or not np.isfinite(number) or power is None:
        raise InputError(
            f"the {plain_name(entry)} cannot be read",
            where=f"{cells.path}, line {entry.line}",
            got=" ".join(entry.values)[:60],
            allowed="a positive number, with a unit or in SI",
        )
    return float(number * 10.0**power)


def plain_name(entry: Entry) -> str:
    """Return the word of an entry as a sentence has it."""
    return entry.word.strip().lower()


def _check_length(cells: Cells) -> None:
    """Compare the number of samples with what the file states."""
    entry = cells.said("length")
    if entry is None:
        return
    stated = round(_positive(cells, entry, lambda _: 0))
    there = cells.numbers.shape[0] + cells.cut
    if there < stated:
        raise InputError(
            "the file was not written to its end",
            where=str(cells.path),
            got=f"{there} of {stated} samples",
            allowed=f"the {stated} samples that line {entry.line} states",
            next_step=HALF_WRITTEN,
        )


def _volts(
    cells: Cells, channels: list[int], said: tuple[float, ...] | None
) -> tuple[FloatArray, tuple[float, ...], tuple[str, ...]]:
    """Return channels as rows with volts per unit of each, and what was taken for granted."""
    rows = np.ascontiguousarray(cells.numbers[:, channels].T)
    common = cells.said("volt unit")
    units = [cells.units[k] or _nth(common, place) for place, k in enumerate(channels)]
    entry = cells.said("volts per code")
    if said is not None and len(said) not in {1, len(channels)}:
        raise InputError(
            "there are not as many scales as channels",
            where=str(cells.path),
            got=f"{len(said)}",
            allowed=f"1 or {len(channels)}",
        )
    scales, notes = [], []
    for place, row in enumerate(rows):
        if row.max() == row.min():
            _refuse_flat(cells, channels[place])
        if said is not None:
            scales.append(said[min(place, len(said) - 1)])
        elif entry is not None and (not units[place] or _whole(row)):
            scales.append(_positive(cells, Entry(entry.word, (_nth(entry, place),), entry.line), volt_power))
        else:
            scales.append(_volts_by_unit(cells, channels[place], units[place], row))
            notes += [] if units[place] else ["no unit of the channels is stated; they are taken as volts"]
    return rows, tuple(scales), tuple(dict.fromkeys(notes))


def _volts_by_unit(cells: Cells, column: int, unit: str, row: FloatArray) -> float:
    name = _name(cells, column)
    if unit:
        power = volt_power(unit)
        if power is None:
            raise InputError(
                "a channel is not in volts",
                where=f"{cells.path}, {name}",
                got=unit,
                allowed="V, mV",
                next_step="set the channel to a voltage probe on the instrument and save again",
            )
        return float(10.0**power)
    if _whole(row) and np.abs(row).max() > SMALLEST_CODES:
        raise InputError(
            "a channel holds whole numbers and the file states neither unit nor scale",
            where=f"{cells.path}, {name}",
            got=f"{row.min():g} to {row.max():g}",
            allowed="volts, or codes with a line such as: volts per code, 0.004",
            next_step="save in volts, or state volts_per_code under channels",
        )
    return 1.0


def _refuse_flat(cells: Cells, column: int) -> None:
    raise InputError(
        "a channel is empty: every sample has one value",
        where=f"{cells.path}, {_name(cells, column)}",
        got=f"{cells.numbers[0, column]:g}",
        next_step="switch the channel on, check its cable, choose a more sensitive range",
    )


def _name(cells: Cells, column: int) -> str:
    """Return the name of a column without its unit."""
    return re.sub(r"\s*[(\[][^)\]]*[)\]]\s*$", "", cells.names[column]) or f"column {column + 1}"


def _whole(row: FloatArray) -> bool:
    return bool(np.all(row == np.round(row)))


def _nth(entry: Entry | None, place: int) -> str:
    """Return the value of a channel from a line that states one for each, or one for all."""
    if entry is None:
        return ""
    return entry.values[place] if place < len(entry.values) else entry.values[0]


def _ranges(cells: Cells, count: int) -> tuple[str, ...]:
    entry = cells.said("range")
    if entry is None or not (count == 1 or len(entry.values) >= count):
        return ("",) * count
    return tuple("".join(_nth(entry, place).split()) for place in range(count))
