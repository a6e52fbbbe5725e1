"""The keys of a bench file, one pydantic model for each table."""

from __future__ import annotations

from typing import Annotated, Any, Literal

from pydantic import BaseModel, BeforeValidator, ConfigDict

from whichcore.errors import InputError
from whichcore.files.toml_file import checked, plain_number, positive_quantity, quantity
from whichcore.files.units import Dimension, parse_quantity

LEAST_INPUT_OHM = 1.0  # a terminated input is 50 ohm; a load below an ohm is none


def _text(value: object) -> str:
    if not isinstance(value, str) or not value.strip():
        raise InputError("text in quotes was expected", got=f"{value!r}")
    return value


def word(*options: str) -> BeforeValidator:
    """Return a validator for one of a few words."""

    def parse(value: object) -> str:
        if value not in options:
            raise InputError("no such choice", got=f"{value!r}", allowed=", ".join(options))
        return str(value)

    return BeforeValidator(checked(parse))


def pair_of(value: object) -> tuple[Any, Any] | None:
    """Return the two items of a list of two, else None."""
    return (value[0], value[1]) if isinstance(value, list) and len(value) == 2 else None


def _channels(value: object) -> tuple[str, str]:
    pair = pair_of(value)
    if pair is None or not all(type(item) in {int, str} for item in pair) or str(pair[0]) == str(pair[1]):
        raise InputError(
            "the channels used as A and B are two different ones", got=f"{value!r}", allowed="such as [1, 2]"
        )
    return str(pair[0]), str(pair[1])


def ratio_pair(value: object) -> tuple[float, float]:
    """Return the ratios of both probes; raises InputError."""
    pair = pair_of(value)
    if pair is None or not all(type(item) in {int, float} and 0.1 <= item <= 1000 for item in pair):
        raise InputError(
            "two probe ratios as plain numbers were expected",
            got=f"{value!r}",
            allowed="such as [1, 10]; 0.1 to 1000",
        )
    return float(pair[0]), float(pair[1])


def _both(dimension: Dimension, lowest: float) -> BeforeValidator:
    """Read one value for both channels, or a list of two."""

    def parse(value: object) -> tuple[float, float]:
        pair = pair_of(value) if isinstance(value, list) else (value, value)
        if pair is None:
            raise InputError(
                "one value, or one for each channel, was expected", got=f"{value!r}", allowed="a list of two"
            )
        a, b = (parse_quantity(item, dimension) for item in pair)
        if not lowest <= min(a, b):
            raise InputError(
                f"this {dimension.value} is too small", got=f"{value}", allowed=f"at least {lowest:g}"
            )
        return a, b

    return BeforeValidator(checked(parse))


def _hertz_or_none(value: object) -> float | None:
    return None if value == "none" else parse_quantity(value, Dimension.FREQUENCY)


Text = Annotated[str, BeforeValidator(checked(_text))]
MaybeText = Annotated[str | None, BeforeValidator(checked(_text))]
MaybeHertz = Annotated[float | None, BeforeValidator(positive_quantity(Dimension.FREQUENCY))]
MaybeVolt = Annotated[float | None, BeforeValidator(positive_quantity(Dimension.VOLTAGE))]
AnyVolt = Annotated[float | None, BeforeValidator(quantity(Dimension.VOLTAGE))]
MaybeTesla = Annotated[float | None, BeforeValidator(positive_quantity(Dimension.FLUX_DENSITY))]
Ohm = Annotated[float, BeforeValidator(positive_quantity(Dimension.RESISTANCE))]
MaybeOhm = Annotated[float, BeforeValidator(quantity(Dimension.RESISTANCE))]
MaybeHenry = Annotated[float, BeforeValidator(quantity(Dimension.INDUCTANCE))]
Farad = Annotated[float, BeforeValidator(positive_quantity(Dimension.CAPACITANCE))]
MaybeFarad = Annotated[float, BeforeValidator(quantity(Dimension.CAPACITANCE))]
Second = Annotated[float, BeforeValidator(quantity(Dimension.TIME))]
OhmOfEach = Annotated[tuple[float, float] | None, _both(Dimension.RESISTANCE, LEAST_INPUT_OHM)]
FaradOfEach = Annotated[tuple[float, float] | None, _both(Dimension.CAPACITANCE, 0.0)]
LossTangent = Annotated[float, BeforeValidator(plain_number(-1e-300, 1.0))]


class Table(BaseModel):
    """A table without other keys than its own."""

    model_config = ConfigDict(extra="forbid")


class SourceLimitsTable(Table):
    """Narrower limits than the instrument's; levels are peak to peak with the output open."""

    lowest_frequency: MaybeHertz = None
    highest_frequency: MaybeHertz = None
    lowest_level_vpp: MaybeVolt = None
    highest_level_vpp: MaybeVolt = None


class SourceTable(Table):
    """[source]."""

    driver: Text
    address: Text
    table: MaybeText = None


class DigitizerTable(Table):
    """[digitizer]."""

    driver: Text
    address: Text
    table: MaybeText = None
    channels: Annotated[tuple[str, str] | None, BeforeValidator(checked(_channels))] = None
    coupling: Annotated[str, word("DC", "AC")] = "DC"
    probe_ratios: Annotated[tuple[float, float], BeforeValidator(checked(ratio_pair))] = (1.0, 1.0)
    input_resistance: OhmOfEach = None
    input_resistance_tolerance: MaybeText = None
    input_capacitance: FaradOfEach = None
    input_capacitance_tolerance: MaybeText = None


class ShuntTable(Table):
    """[shunt]."""

    resistance: Ohm
    tolerance: MaybeText = None
    inductance: MaybeHenry = 0.0
    inductance_tolerance: MaybeText = None
    capacitance: MaybeFarad | None = None
    capacitance_tolerance: MaybeText = None
    name: Text = "shunt"


class OpenTable(Table):
    """A standard of kind open."""

    kind: Text
    capacitance: MaybeFarad = 0.0
    tolerance: MaybeText = None


class ShortTable(Table):
    """A standard of kind short."""

    kind: Text
    inductance: MaybeHenry = 0.0
    tolerance: MaybeText = None
    resistance: MaybeOhm = 0.0
    resistance_tolerance: MaybeText = None
    plane: Annotated[Literal["terminals", "empty winding"], word("terminals", "empty winding")] = "terminals"


class LoadTable(Table):
    """A standard of kind load."""

    kind: Text
    resistance: Ohm
    tolerance: MaybeText = None
    inductance: MaybeHenry = 0.0
    inductance_tolerance: MaybeText = None
    capacitance: MaybeFarad = 0.0
    capacitance_tolerance: MaybeText = None


class CapacitorTable(Table):
    """A standard of kind capacitor."""

    kind: Text
    capacitance: Farad
    tolerance: MaybeText = None
    loss_tangent: LossTangent = 0.0
    series_resistance: MaybeOhm = 0.0
    series_resistance_tolerance: MaybeText = None
    inductance: MaybeHenry = 0.0
    inductance_tolerance: MaybeText = None


class KnownTable(Table):
    """A standard of kind known: any part with its own sweep file."""

    kind: Text
    sweep: Text


class LimitsTable(Table):
    """[limits]: what no sweep on this bench goes beyond."""

    level_vpp: MaybeVolt = None
    flux_density: MaybeTesla = None


class TopTable(Table):
    """What stands outside the tables."""

    format: Annotated[str, word("whichcore-bench 1")] = "whichcore-bench 1"
    wiring: Annotated[str, word("shunt-at-ground", "specimen-at-ground", "two-windings")]
    mains_frequency: Annotated[float | None, BeforeValidator(checked(_hertz_or_none))] = 50.0
    settle: Second = 0.0
    source_offset: AnyVolt = 0.0


STANDARDS: dict[str, type[Table]] = {
    "open": OpenTable,
    "short": ShortTable,
    "load": LoadTable,
    "capacitor": CapacitorTable,
    "known": KnownTable,
}
