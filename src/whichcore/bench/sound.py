"""A sound card in the bench file: ``driver = "sound"`` for both instruments, or for the digitizer alone."""

from __future__ import annotations

from typing import Annotated, Any

from pydantic import BeforeValidator

from whichcore.bench.tables import (
    DigitizerTable,
    MaybeVolt,
    Ohm,
    SourceTable,
    Table,
    pair_of,
)
from whichcore.errors import InputError
from whichcore.files.toml_file import Faults, checked, positive_quantity
from whichcore.files.units import Dimension, parse_quantity
from whichcore.rig.soundcard.card import CardSettings
from whichcore.rig.soundcard.process import StreamSettings

SOUND = "sound"
MOST_CHANNELS = 64
SLOWEST_HZ, FASTEST_HZ = 8_000.0, 1_000_000.0


def _output_channels(value: object) -> tuple[int, ...]:
    given = value if isinstance(value, list) else [value]
    if not 1 <= len(given) <= 2 or len(set(map(str, given))) < len(given) or not all(map(_is_channel, given)):
        raise InputError(
            "one or two output channels were expected", got=f"{value!r}", allowed="such as [1] or [1, 2]"
        )
    return tuple(given)


def _is_channel(value: object) -> bool:
    return type(value) is int and 1 <= value <= MOST_CHANNELS


def _full_scales(value: object) -> tuple[float, float] | None:
    pair = pair_of(value) if isinstance(value, list) else (value, value)
    if pair is None:
        raise InputError(
            "one peak voltage, or one for each channel, was expected",
            got=f"{value!r}",
            allowed='such as "1.9 V", or a list of two',
        )
    volts = [parse_quantity(item, Dimension.VOLTAGE) for item in pair]
    if not min(volts) > 0:
        raise InputError("a full scale is above 0 V", got=f"{value}")
    return volts[0], volts[1]


def _rate(value: object) -> float:
    hertz = parse_quantity(value, Dimension.FREQUENCY)
    if not SLOWEST_HZ <= hertz <= FASTEST_HZ:
        raise InputError(
            "no sound card has this rate", got=f"{value}", allowed='such as "96 kHz"; 8 kHz to 1 MHz'
        )
    return hertz


Rate = Annotated[float, BeforeValidator(checked(_rate))]
VoltsOfEach = Annotated[tuple[float, float] | None, BeforeValidator(checked(_full_scales))]
LeadIn = Annotated[float, BeforeValidator(positive_quantity(Dimension.TIME))]


class SoundSourceTable(SourceTable):
    """[source] of a sound card."""

    sample_rate: Rate = 48_000.0
    channels: Annotated[tuple[int, ...], BeforeValidator(checked(_output_channels))] = (1,)
    full_scale: MaybeVolt = None
    output_resistance: Ohm = 50.0


class SoundDigitizerTable(DigitizerTable):
    """[digitizer] of a sound card."""

    full_scale: VoltsOfEach = None
    lead_in: LeadIn = 0.1


class SoundRecorderTable(SoundDigitizerTable):
    """[digitizer] of a sound card beside another source."""

    sample_rate: Rate = 48_000.0


def source_model(data: Any) -> type[SourceTable]:
    """Return the model of a [source] by its driver."""
    return SoundSourceTable if _is_sound(data) else SourceTable


def digitizer_model(data: Any, source_data: Any) -> type[DigitizerTable]:
    """Return the model of a [digitizer] by its driver and that of the source."""
    if not _is_sound(data):
        return DigitizerTable
    return SoundDigitizerTable if _is_sound(source_data) else SoundRecorderTable


def _is_sound(data: Any) -> bool:
    return isinstance(data, dict) and data.get("driver") == SOUND


def read_card(
    source: SourceTable | None, digitizer: DigitizerTable | None, faults: Faults
) -> CardSettings | None:
    """Return the card of a bench file; None where there is none. Faults are noted."""
    if source is None or digitizer is None:
        return None
    if isinstance(source, SoundSourceTable) and not isinstance(digitizer, SoundDigitizerTable):
        error = InputError(
            "a sound card sounds only while its own inputs are read: another digitizer would find silence",
            got=digitizer.driver,
            allowed=SOUND,
            next_step=f'write driver = "{SOUND}" and the address of the card in both tables, or take another '
            "source; the card's inputs go with any",
        )
        faults.add(error, "digitizer", "driver")
    if not (isinstance(source, SoundSourceTable) and isinstance(digitizer, SoundDigitizerTable)):
        return None
    _refuse_others(source, ("table",), "source", faults)
    _refuse_others(digitizer, ("table", "coupling", "probe_ratios"), "digitizer", faults)
    a, b = _input_channels(digitizer, faults)
    return CardSettings(
        stream=StreamSettings(
            input=digitizer.address,
            output=source.address,
            rate_hz=source.sample_rate,
            input_channels=(a, b),
            output_channels=source.channels,
        ),
        full_scale_out_vpk=source.full_scale,
        full_scale_in_vpk=digitizer.full_scale,
        output_ohm=source.output_resistance,
        lead_in_s=digitizer.lead_in,
    )


def read_recorder(digitizer: DigitizerTable | None, faults: Faults) -> CardSettings | None:
    """Return the card that is the digitizer of another source; None where there is none. Faults are noted."""
    if not isinstance(digitizer, SoundRecorderTable):
        return None
    _refuse_others(digitizer, ("table", "coupling", "probe_ratios"), "digitizer", faults)
    if digitizer.full_scale is None:
        error = InputError(
            "beside another source a sound card needs its full scale: levels are set in volts",
            got="nothing",
            next_step='add full_scale, such as "1.9 V"; docs/how-to/use-a-sound-card.md has the way',
        )
        faults.add(error, "digitizer", "full_scale")
    a, b = _input_channels(digitizer, faults)
    stream = StreamSettings(digitizer.address, digitizer.address, digitizer.sample_rate, (a, b))
    return CardSettings(stream, full_scale_in_vpk=digitizer.full_scale, lead_in_s=digitizer.lead_in)


def _refuse_others(table: Table, keys: tuple[str, ...], kind: str, faults: Faults) -> None:
    for key in keys:
        if key in table.model_fields_set:
            error = InputError(
                "a sound card has none", got=f"{getattr(table, key)}", next_step="leave this line out"
            )
            faults.add(error, kind, key)


def _input_channels(digitizer: SoundDigitizerTable, faults: Faults) -> tuple[int, int]:
    names = digitizer.channels or ("1", "2")
    for name in names:
        if not (name.isdecimal() and _is_channel(int(name))):
            error = InputError("the inputs of a sound card are counted", got=name, allowed="such as [1, 2]")
            faults.add(error, "digitizer", "channels")
            return 1, 2
    return int(names[0]), int(names[1])
