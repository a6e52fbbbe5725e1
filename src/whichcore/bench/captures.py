"""The list of waveform files that were saved by hand: what was at the terminals, and how it was wired."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Annotated, Any, TypeVar

from pydantic import BeforeValidator, ValidationError

from whichcore.analysis.secondary_input import SecondaryLoad
from whichcore.analysis.types import Wiring
from whichcore.bench.parts import ChannelInput, half_width, read_shunt, read_standards
from whichcore.bench.tables import MaybeText, Table, ratio_pair, word
from whichcore.calibration.shunt import Shunt
from whichcore.calibration.standards import Standard
from whichcore.errors import InputError
from whichcore.files.csv_table import check_columns, parse_table
from whichcore.files.text import did_you_mean, read_text
from whichcore.files.toml_file import Faults, TomlFile, checked, plain_number, positive_quantity, quantity
from whichcore.files.units import Dimension, parse_quantity

FORMAT = "whichcore-captures 1"
CORE, TIED = "core", "tied"
FIND = "find"
NONLINEARITY_STEPS = 0.3  # rms, of eight bits; practice, no source
ENDINGS = (".csv", ".txt", ".tsv", ".wav")
_TABLES = ("channels", "shunt", "standards", "captures")
T = TypeVar("T", bound=Table)


@dataclass(frozen=True, slots=True)
class Channels:
    """Which channels of the files are A and B, and how their numbers become volts.

    Attributes
    ----------
    a, b : int or str
        Number from 1, or name; of two files each is the first channel of its own.
    scale : (float, float)
        Volts at the probe tip over volts in the file: probe ratio fitted over that set on the instrument.
    probe_ratios : (float, float)
    full_scale_vpk, volts_per_code : tuple of float or None
        For recordings, and for codes without a scale.
    gain_half_width, delay_half_width_s : float or None
        Within which V_A/V_B is right, evenly; None where it is not stated.
    nonlinearity_steps : float
        Rms of the converters' integral non-linearity, where the values stand on steps.
    load : SecondaryLoad or None
        What channel A loads a second winding with, where it is stated.
    """

    a: int | str
    b: int | str
    scale: tuple[float, float]
    probe_ratios: tuple[float, float]
    full_scale_vpk: tuple[float, ...] | None
    volts_per_code: tuple[float, ...] | None
    gain_half_width: float | None
    delay_half_width_s: float | None
    nonlinearity_steps: float = NONLINEARITY_STEPS
    load: SecondaryLoad | None = None


@dataclass(frozen=True, slots=True)
class CaptureSet:
    """The files saved with one thing at the terminals.

    Attributes
    ----------
    name : str
        ``core``, ``tied``, or the name of a standard.
    files : tuple of tuple of Path
        One file with both channels, or that of A and that of B.
    frequency_hz : tuple of (float or None)
        Of each; None where it is to be found in the record.
    tones_hz : tuple of float or None
        All tones of each record; empty: to be found. None: one tone in each.
    """

    name: str
    files: tuple[tuple[Path, ...], ...]
    frequency_hz: tuple[float | None, ...]
    tones_hz: tuple[float, ...] | None = None


@dataclass(frozen=True, slots=True)
class Captures:
    """A list of waveform files."""

    path: Path
    name: str
    wiring: Wiring
    channels: Channels
    shunt: Shunt
    standards: Mapping[str, Standard]
    sets: Mapping[str, CaptureSet]
    mains_hz: float | None
    temperature_c: float | None


def _hertz_or_none(value: object) -> float | None:
    return None if value == "none" else parse_quantity(value, Dimension.FREQUENCY)


def _channel(value: object) -> int | str:
    if isinstance(value, bool) or not isinstance(value, int | str) or value in {"", 0}:
        raise InputError("a channel is its number from 1 or its name", got=f"{value!r}", allowed='1, "CH2"')
    return value


def _volts_of_each(value: object) -> tuple[float, ...] | None:
    items = value if isinstance(value, list) else [value]
    volts = tuple(parse_quantity(item, Dimension.VOLTAGE) for item in items)
    if not volts or min(volts) <= 0:
        raise InputError("one positive voltage, or one for each channel", got=f"{value}")
    return volts


def _texts(value: object) -> list[Any]:
    good = (
        isinstance(value, list)
        and value
        and all(isinstance(item, str) or (isinstance(item, list) and len(item) == 2) for item in value)
    )
    if not good:
        raise InputError(
            "a list of file names was expected",
            got=f"{value!r}"[:80],
            allowed='["a.csv", …], or [["a-of-A.csv", "a-of-B.csv"], …]',
        )
    return value  # type: ignore[return-value]


def _hertz_list(value: object) -> tuple[float, ...] | None:
    if value == FIND:
        return ()
    if not isinstance(value, list) or not value:
        raise InputError(
            "a list of frequencies was expected", got=f"{value!r}"[:80], allowed='["1 kHz", "3 kHz"]'
        )
    return tuple(parse_quantity(item, Dimension.FREQUENCY) for item in value)


MaybeShare = Annotated[float | None, BeforeValidator(quantity(Dimension.RATIO))]
MaybeSecond = Annotated[float | None, BeforeValidator(quantity(Dimension.TIME))]
MaybeDegree = Annotated[float | None, BeforeValidator(quantity(Dimension.TEMPERATURE))]
VoltsOfEach = Annotated[tuple[float, ...] | None, BeforeValidator(checked(_volts_of_each))]
HertzList = Annotated[tuple[float, ...] | None, BeforeValidator(checked(_hertz_list))]
Channel = Annotated[int | str, BeforeValidator(checked(_channel))]
Ratios = Annotated[tuple[float, float] | None, BeforeValidator(checked(ratio_pair))]


class TopTable(Table):
    """What stands outside the tables."""

    format: Annotated[str, word(FORMAT)] = FORMAT
    name: MaybeText = None
    wiring: Annotated[str, word(*(wiring.value for wiring in Wiring))]
    mains_frequency: Annotated[float | None, BeforeValidator(checked(_hertz_or_none))] = 50.0
    temperature: MaybeDegree = None


class ChannelsTable(Table):
    """[channels]."""

    a: Channel = 1
    b: Channel = 2
    probe_ratios: Ratios = (1.0, 1.0)
    probe_ratios_set: Ratios = None
    full_scale: VoltsOfEach = None
    volts_per_code: VoltsOfEach = None
    gain_tolerance: MaybeShare = None
    delay_tolerance: MaybeSecond = None
    nonlinearity: Annotated[float, BeforeValidator(plain_number(-1e-300, 100.0))] = NONLINEARITY_STEPS
    input_resistance: Annotated[float | None, BeforeValidator(positive_quantity(Dimension.RESISTANCE))] = None
    input_resistance_tolerance: MaybeText = None
    input_capacitance: Annotated[float | None, BeforeValidator(quantity(Dimension.CAPACITANCE))] = None
    input_capacitance_tolerance: MaybeText = None


class SetTable(Table):
    """[captures.NAME]."""

    folder: MaybeText = None
    files: Annotated[list[Any] | None, BeforeValidator(checked(_texts))] = None
    table: MaybeText = None
    frequencies: HertzList = None
    tones: HertzList = None


def load_captures(path: str | Path) -> Captures:
    """Read a list of waveform files; the files themselves are not opened.

    Raises
    ------
    InputError
        All faults of the list in one error, the first by line in front.
    """
    place = Path(path)
    file = TomlFile(place)
    faults = Faults(file)
    top = _table(TopTable, {k: v for k, v in file.data.items() if k not in _TABLES}, faults, more=_TABLES)
    channels = _table(ChannelsTable, file.data.get("channels", {}), faults, "channels")
    load = None if channels is None else _load(channels, faults)
    if top is not None and Wiring(top.wiring) is Wiring.TWO_WINDINGS and channels and load is None:
        error = InputError(
            "two windings need what channel A loads the second one with",
            got="nothing",
            next_step='add input_resistance = "1 Mohm" and input_capacitance = "70 pF", with tolerances',
        )
        faults.add(error, "channels", "input_resistance")
    shunt = read_shunt(file, faults, ChannelInput())
    standards = read_standards(file, faults)
    sets = _sets(file, standards, faults)
    faults.raise_if_any()
    if top is None or channels is None or shunt is None:
        raise AssertionError("a fault was lost")  # pragma: no cover - each of them has put one on the list
    return Captures(
        path=place,
        name=top.name or place.stem,
        wiring=Wiring(top.wiring),
        channels=replace(_channels(channels), load=load),
        shunt=shunt,
        standards=standards,
        sets=sets,
        mains_hz=top.mains_frequency,
        temperature_c=top.temperature,
    )


def _table(model: type[T], data: Any, faults: Faults, *place: str, more: tuple[str, ...] = ()) -> T | None:
    try:
        return model.model_validate(data)
    except ValidationError as error:
        faults.add_invalid(error, [*model.model_fields, *more], *place)
        return None


def _channels(table: ChannelsTable) -> Channels:
    fitted = table.probe_ratios or (1.0, 1.0)
    known = table.probe_ratios_set or fitted
    return Channels(
        a=table.a,
        b=table.b,
        scale=(fitted[0] / known[0], fitted[1] / known[1]),
        probe_ratios=fitted,
        full_scale_vpk=table.full_scale,
        volts_per_code=table.volts_per_code,
        gain_half_width=table.gain_tolerance,
        delay_half_width_s=table.delay_tolerance,
        nonlinearity_steps=table.nonlinearity,
    )


def _load(table: ChannelsTable, faults: Faults) -> SecondaryLoad | None:
    """Return the load of a second winding where both values of it are stated: within ± a, evenly, a/√3."""
    if table.input_resistance is None or table.input_capacitance is None:
        return None
    found = []
    for key, dimension in (("resistance", Dimension.RESISTANCE), ("capacitance", Dimension.CAPACITANCE)):
        value, name = getattr(table, f"input_{key}"), f"input_{key}_tolerance"
        text = getattr(table, name)
        try:
            found.append(0.0 if text is None else half_width(text, value, dimension) / math.sqrt(3))
        except InputError as error:
            faults.add(error, "channels", name)
            return None
    return SecondaryLoad(
        table.input_capacitance, found[1], table.input_resistance, found[0] / table.input_resistance
    )


def _sets(file: TomlFile, standards: Mapping[str, Standard], faults: Faults) -> dict[str, CaptureSet]:
    found: dict[str, CaptureSet] = {}
    known = [CORE, TIED, *standards]
    for name, data in file.table("captures", faults).items():
        if name not in known:
            step = did_you_mean(name, known, f"describe the part under [standards.{name}]")
            what = "there is nothing of this name at the terminals"
            faults.add(InputError(what, got=name, allowed=", ".join(known), next_step=step), "captures", name)
            continue
        table = _table(SetTable, data, faults, "captures", name)
        if table is None:
            continue
        try:
            found[name] = _set(name, table, file.path.parent)
        except InputError as error:
            faults.add(
                InputError(
                    f"{error.where}: {error.what}" if error.where else error.what,
                    got=error.got,
                    allowed=error.allowed,
                    next_step=error.next_step,
                ),
                "captures",
                name,
            )
    return found


def _set(name: str, table: SetTable, home: Path) -> CaptureSet:
    given = [key for key in ("folder", "files", "table") if getattr(table, key) is not None]
    if len(given) != 1:
        raise InputError(
            "the files are named in one way", got=", ".join(given) or "none", allowed="folder, files or table"
        )
    if table.frequencies == () or (table.frequencies and table.tones is not None):
        raise InputError(
            "frequencies are one for each file, tones all of one record; leave both out to have it found",
            got=f"frequencies = {table.frequencies or FIND}",
            allowed=f'a list under one of them; or tones = "{FIND}"',
        )
    if table.table is not None:
        files, hertz = _from_table(home / table.table)
    elif table.folder is not None:
        files, hertz = _from_folder(home / table.folder), None
    else:
        files, hertz = _from_list(table.files or [], home), None
    stated = hertz if table.frequencies is None else table.frequencies
    if stated is not None and len(stated) != len(files):
        raise InputError(
            "there are not as many frequencies as files",
            got=f"{len(stated)} frequencies, {len(files)} files",
            next_step="write them in the same order; or in a table with columns file and frequency_hz",
        )
    return CaptureSet(name, files, stated or (None,) * len(files), table.tones)


def _from_folder(folder: Path) -> tuple[tuple[Path, ...], ...]:
    if not folder.is_dir():
        raise InputError("there is no such folder", got=str(folder))
    names = sorted(p for p in folder.iterdir() if p.suffix.lower() in ENDINGS and not p.name.startswith("."))
    if not names:
        raise InputError("the folder holds no waveform", got=str(folder), allowed=", ".join(ENDINGS))
    return tuple((path,) for path in names)


def _from_list(items: list[Any], home: Path) -> tuple[tuple[Path, ...], ...]:
    return tuple(
        (home / item,) if isinstance(item, str) else (home / str(item[0]), home / str(item[1]))
        for item in items
    )


def _from_table(path: Path) -> tuple[tuple[tuple[Path, ...], ...], tuple[float, ...]]:
    table = parse_table(read_text(path), path)
    check_columns(table, ("file", "frequency_hz"), ("file", "file_b", "frequency_hz"))
    second = table.cells("file_b") if "file_b" in table.columns else [""] * len(table.rows)
    files = tuple(
        tuple(path.parent / name for name in (one, two) if name)
        for one, two in zip(table.cells("file"), second, strict=True)
    )
    for names, line in zip(files, table.lines, strict=True):
        if not names:
            raise InputError("the row names no file", where=table.where(line, "file"))
    hertz = table.numbers("frequency_hz")
    if low := [line for f, line in zip(hertz, table.lines, strict=True) if f <= 0]:
        raise InputError("a frequency must be positive", where=table.where(low[0], "frequency_hz"))
    return files, tuple(hertz.tolist())
