"""Finding and reading ``bench.toml``."""

from __future__ import annotations

import os
from collections.abc import Mapping
from dataclasses import dataclass, replace
from importlib.metadata import EntryPoint, entry_points
from importlib.resources import as_file, files
from pathlib import Path
from typing import Any, TypeVar

import platformdirs
from pydantic import ValidationError

from whichcore.analysis.types import Wiring
from whichcore.bench.parts import ChannelInput, read_inputs, read_shunt, read_standards
from whichcore.bench.sound import SOUND, digitizer_model, read_card, read_recorder, source_model
from whichcore.bench.tables import (
    DigitizerTable,
    LimitsTable,
    SourceLimitsTable,
    SourceTable,
    Table,
    TopTable,
)
from whichcore.bench.virtual_fronts import VIRTUAL, fronts_of, is_virtual, virtual_digitizer
from whichcore.calibration.shunt import Shunt
from whichcore.calibration.standards import Standard
from whichcore.errors import InputError
from whichcore.files.text import did_you_mean, nearest
from whichcore.files.toml_file import Faults, TomlFile
from whichcore.rig.drivers.scpi_digitizer import ChannelSettings
from whichcore.rig.instruments import SourceLimits
from whichcore.rig.soundcard.card import CardSettings
from whichcore.rig.soundcard.instruments import card_limits, heard
from whichcore.rig.tables import command_table
from whichcore.rig.tables.serial_table import SerialTable
from whichcore.rig.virtual.process import Fronts

FILE_NAME = "bench.toml"
VARIABLE = "WHICHCORE_BENCH"
GROUP = "whichcore.instruments"
SCPI = "scpi"
_TABLES = ("source", "digitizer", "shunt", "standards", "limits")
T = TypeVar("T", bound=Table)


@dataclass(frozen=True, slots=True)
class Driver:
    """What speaks to an instrument.

    Attributes
    ----------
    name : str
        As it stands in the file.
    address : str
    table : SourceTable, SerialTable or DigitizerTable of the rig, or None
        A command table; else ``plugin`` is there.
    plugin : EntryPoint or None
        Loads to a callable that takes a :class:`BenchSettings` and returns the instrument.
    """

    name: str
    address: str
    table: command_table.AnyTable | None = None
    plugin: EntryPoint | None = None


@dataclass(frozen=True, slots=True)
class BenchSettings:
    """A bench file.

    Attributes
    ----------
    path : Path
    virtual : bool
        The bench inside the program: it needs no instruments.
    wiring : Wiring
    source, digitizer : Driver
    source_limits : SourceLimits or None
        Narrowed to those of the file; None where a plug-in knows its own.
    channels : ChannelSettings or None
        None where a plug-in knows its own.
    inputs : (ChannelInput, ChannelInput)
        What channels A and B load their nodes with; both values of A are there with two windings.
    shunt : Shunt
    standards : mapping of str to Standard
    level_vpp : float or None
        Never driven harder, V peak to peak, open circuit.
    flux_density_t : float or None
        Flux density kept in a core.
    mains_hz : float or None
    settle_s : float
    source_offset_v : float
    sound : CardSettings or None
        The sound card that is both source and digitizer.
    recorder : CardSettings or None
        The sound card that is the digitizer of another source.
    fronts : Fronts or None
        Languages and lines of the virtual bench.
    """

    path: Path
    virtual: bool
    wiring: Wiring
    source: Driver
    digitizer: Driver
    source_limits: SourceLimits | None
    channels: ChannelSettings | None
    inputs: tuple[ChannelInput, ChannelInput]
    shunt: Shunt
    standards: Mapping[str, Standard]
    level_vpp: float | None
    flux_density_t: float | None
    mains_hz: float | None
    settle_s: float
    source_offset_v: float
    sound: CardSettings | None = None
    recorder: CardSettings | None = None
    fronts: Fronts | None = None


def find_bench(option: str | None = None) -> Path | None:
    """Return the bench file to use: the option, ``WHICHCORE_BENCH``, ``./bench.toml``, the user's own.

    Parameters
    ----------
    option : str or None
        What ``--bench`` says.

    Returns
    -------
    Path or None
        None for the virtual bench.

    Raises
    ------
    InputError
        There is none, or the one named is not there.
    """
    for name, where in ((option, "--bench"), (os.environ.get(VARIABLE, "").strip(), VARIABLE)):
        if name and is_virtual(name):
            return None
        if name:
            path = Path(name).expanduser()
            if not path.is_file():
                raise InputError(
                    "there is no such bench file",
                    where=where,
                    got=name,
                    allowed="a file, or the word virtual",
                    next_step="check the name and the folder",
                )
            return path
    own = platformdirs.user_config_path("whichcore", appauthor=False) / FILE_NAME
    for path in (Path(FILE_NAME), own):
        if path.is_file():
            return path
    raise InputError(
        "no bench is described",
        where=FILE_NAME,
        allowed=f"--bench FILE, {VARIABLE}, ./{FILE_NAME}, {own}",
        next_step=f"write one (docs/reference/bench-file.md), or try --bench {VIRTUAL}",
    )


def load_bench(option: str | Path | None = None) -> BenchSettings:
    """Find and read the bench file.

    Parameters
    ----------
    option : str, Path or None
        What ``--bench`` says; the word ``virtual`` needs no file.

    Raises
    ------
    InputError
        None found; or all faults of the file in one error, the first by line in front.
    """
    name = None if option is None else str(option)
    path = find_bench(name)
    if path is not None:
        return _read(path, virtual=False)
    fronts = fronts_of(name or os.environ[VARIABLE].strip())
    with as_file(files("whichcore.bench") / "virtual.toml") as shipped:
        return _speaking(_read(shipped, virtual=True), fronts)


def _speaking(settings: BenchSettings, fronts: Fronts) -> BenchSettings:
    """Put the tables of other languages in the place of the usual ones."""
    settings = replace(settings, fronts=fronts)
    if fronts.source is not None:
        table = command_table.load_table(fronts.source)
        source = Driver(fronts.source, settings.source.address, table=table)
        settings = replace(settings, source=source, source_limits=None)
        if isinstance(table, SerialTable):
            settings = replace(settings, level_vpp=_highest(settings.level_vpp, table.limits))
    if fronts.digitizer is not None:
        read = virtual_digitizer(fronts.digitizer)
        digitizer = Driver(fronts.digitizer, settings.digitizer.address, table=read)
        channels = ChannelSettings((read.channels[0], read.channels[1]))
        settings = replace(settings, digitizer=digitizer, channels=channels)
    return settings


def _read(path: Path, *, virtual: bool) -> BenchSettings:
    file = TomlFile(path)
    faults = Faults(file)
    top = _top(file, faults)
    source_data, span_data = _split(file.table("source", faults), "limits")
    source = _checked(source_model(source_data), source_data, faults, "source", more=("limits",))
    span = _checked(SourceLimitsTable, span_data, faults, "source", "limits")
    digitizer_data = file.table("digitizer", faults)
    digitizer = _checked(digitizer_model(digitizer_data, source_data), digitizer_data, faults, "digitizer")
    limits = _checked(LimitsTable, file.data.get("limits", {}), faults, "limits")
    inputs = read_inputs(digitizer, faults)
    shunt, standards = read_shunt(file, faults, inputs[1]), read_standards(file, faults)
    if top and digitizer and Wiring(top.wiring) is Wiring.TWO_WINDINGS:
        _require_load(digitizer, faults)
    drivers = [
        None if table is None else _driver(file, kind, table, faults)
        for kind, table in (("source", source), ("digitizer", digitizer))
    ]
    sound, recorder = read_card(source, digitizer, faults), read_recorder(digitizer, faults)
    source_limits = _narrowed(_own_limits(drivers[0], sound), span, faults)
    if recorder is not None:
        source_limits = heard(source_limits or _own_limits(drivers[0], sound), recorder)
    channels = _channels(drivers[1], digitizer, faults)
    faults.raise_if_any()
    if not (top and source and digitizer and limits and shunt and drivers[0] and drivers[1]):
        raise AssertionError("a fault was lost")  # pragma: no cover - each of them has put one on the list
    return BenchSettings(
        path=path,
        virtual=virtual,
        wiring=Wiring(top.wiring),
        source=drivers[0],
        digitizer=drivers[1],
        source_limits=source_limits,
        channels=channels,
        inputs=inputs,
        shunt=shunt,
        standards=standards,
        level_vpp=_highest(limits.level_vpp, source_limits if _is_low(drivers[0], sound) else None),
        flux_density_t=limits.flux_density,
        mains_hz=top.mains_frequency,
        settle_s=top.settle,
        source_offset_v=top.source_offset or 0.0,
        sound=sound,
        recorder=recorder,
    )


def _own_limits(driver: Driver | None, sound: CardSettings | None) -> SourceLimits | None:
    """Return what the source can do; None where a plug-in knows it."""
    if sound is not None:
        return card_limits(sound)
    table = None if driver is None else driver.table
    return table.limits if isinstance(table, command_table.SourceTable | SerialTable) else None


def _is_low(driver: Driver | None, sound: CardSettings | None) -> bool:
    """Tell whether a source may reach a few volts only: what is asked of it heeds its limit."""
    return sound is not None or (driver is not None and isinstance(driver.table, SerialTable))


def _highest(level_vpp: float | None, limits: SourceLimits | None) -> float | None:
    """Return the lower of both limits of the level."""
    levels = [level for level in (level_vpp, None if limits is None else limits.level_vpp[1]) if level]
    return min(levels, default=None)


def _top(file: TomlFile, faults: Faults) -> TopTable | None:
    data = {key: value for key, value in file.data.items() if key not in _TABLES}
    known = [*TopTable.model_fields, *_TABLES]
    for key in data:
        if key not in TopTable.model_fields and (meant := nearest(key, _TABLES)):
            # a misspelt table is one fault: a missing one in its place is not complained of again
            file.data.setdefault(meant, {})
    try:
        return TopTable.model_validate(data)
    except ValidationError as error:
        faults.add_invalid(error, known)
        return None


def _require_load(digitizer: DigitizerTable, faults: Faults) -> None:
    """Two windings: what channel A loads the second one with is part of every result."""
    for key, example in (("input_resistance", "1 Mohm"), ("input_capacitance", "70 pF")):
        if getattr(digitizer, key) is None:
            error = InputError(
                "two windings need what channel A loads the second one with",
                got="nothing",
                next_step=f'add {key} of input and cable, such as "{example}", with its tolerance',
            )
            faults.add(error, "digitizer", key)


def _checked(model: type[T], data: Any, faults: Faults, *place: str, more: tuple[str, ...] = ()) -> T | None:
    """Validate a table; ``more`` are names of tables in it that are looked at by themselves."""
    if not data and len(faults):
        return None
    try:
        return model.model_validate(data)
    except ValidationError as error:
        faults.add_invalid(error, [*model.model_fields, *more], *place)
        return None


def _split(table: dict[str, Any], name: str) -> tuple[dict[str, Any], Any]:
    """Return a table without one of its own tables, and that."""
    return {key: value for key, value in table.items() if key != name}, table.get(name, {})


def _driver(file: TomlFile, kind: str, said: SourceTable | DigitizerTable, faults: Faults) -> Driver | None:
    plugins = entry_points(group=GROUP)
    name = said.table or said.driver
    key = "table" if said.table else "driver"
    if said.driver == SOUND or said.driver in plugins.names:
        return Driver(
            said.driver, said.address, plugin=None if said.driver == SOUND else plugins[said.driver]
        )
    if said.driver != SCPI and said.table:
        step = f'write driver = "{SCPI}", or leave table out'
        faults.add(
            InputError("a table goes with one driver only", got=said.driver, next_step=step), kind, key
        )
        return None
    shipped = command_table.shipped_tables()
    if not name.endswith(".toml") and name not in shipped:
        options = [*shipped, SOUND, *plugins.names]
        step = did_you_mean(name, options, f'for an own table write driver = "{SCPI}" and table = "own.toml"')
        allowed = f"{', '.join(options)}, or a file ending in .toml"
        faults.add(
            InputError("there is no such driver", got=name, allowed=allowed, next_step=step), kind, key
        )
        return None
    try:
        table = command_table.load_table(file.path.parent / name if name.endswith(".toml") else name)
    except InputError as error:
        what = f"the command table is faulty: {error.where}: {error.what}"
        faults.add(
            InputError(what, got=error.got, allowed=error.allowed, next_step=error.next_step), kind, key
        )
        return None
    if (kind == "digitizer") is not isinstance(table, command_table.DigitizerTable):
        step = f"name the table of a {kind}"
        faults.add(InputError(f"this is not the table of a {kind}", got=name, next_step=step), kind, key)
        return None
    return Driver(name, said.address, table=table)


def _narrowed(
    there: SourceLimits | None, own: SourceLimitsTable | None, faults: Faults
) -> SourceLimits | None:
    """Return the limits of the source, narrowed to those of the file; wider ones are a fault."""
    if own is None or there is None:
        return None
    spans = {}
    for quantity, unit, low_key, high_key in (
        ("frequency_hz", "Hz", "lowest_frequency", "highest_frequency"),
        ("level_vpp", "V", "lowest_level_vpp", "highest_level_vpp"),
    ):
        low, high = getattr(there, quantity)
        ends = []
        for key, default in ((low_key, low), (high_key, high)):
            value = getattr(own, key)
            if value is not None and not low <= value <= high:
                allowed = f"{low:g} to {high:g} {unit}"
                step = "limits of the file are narrower than those of the instrument, or left out"
                error = InputError(
                    "beyond the instrument", got=f"{value:g} {unit}", allowed=allowed, next_step=step
                )
                faults.add(error, "source", "limits", key)
            ends.append(default if value is None else value)
        if ends[0] > ends[1]:
            allowed = f"up to {ends[1]:g} {unit}"
            error = InputError("the lowest is above the highest", got=f"{ends[0]:g} {unit}", allowed=allowed)
            faults.add(error, "source", "limits", low_key)
        spans[quantity] = (ends[0], ends[1])
    return SourceLimits(spans["frequency_hz"], spans["level_vpp"], there.offset_v)


def _channels(driver: Driver | None, said: DigitizerTable | None, faults: Faults) -> ChannelSettings | None:
    if said is None or driver is None or not isinstance(driver.table, command_table.DigitizerTable):
        return None
    there = driver.table.channels
    names = said.channels or (there[0], there[1])
    for name in names:
        if name not in there:
            error = InputError("the digitizer has no such channel", got=name, allowed=", ".join(there))
            faults.add(error, "digitizer", "channels")
    return ChannelSettings(names, said.coupling, said.probe_ratios)
