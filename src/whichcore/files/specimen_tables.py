"""The keys of a specimen file: one pydantic model per shape of core and one for the winding."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Annotated, Any

from pydantic import BaseModel, BeforeValidator, ConfigDict

from whichcore.analysis.specimen import Crack, EffectiveCore, Pair, Ring, Rod, Sleeve, TwoHole
from whichcore.analysis.types import Resistance
from whichcore.errors import InputError
from whichcore.files.reading import parse_resistance
from whichcore.files.toml_file import checked, plain_number, positive_quantity, quantity, whole_number
from whichcore.files.units import Dimension, parse_quantity

HOURS_KEY = "hours_since_heat_or_magnetisation"


def _hours(value: object) -> float:
    """Hours; the key names its unit, so a plain number is as clear as a value with a unit."""
    plain = isinstance(value, (int, float)) and not isinstance(value, bool)
    return parse_quantity(f"{value} h" if plain else value, Dimension.TIME) / 3600.0


def _case(value: object) -> float | bool:
    """Whether there is a case, or the thickness of its wall in m."""
    return value if isinstance(value, bool) else parse_quantity(value, Dimension.LENGTH)


def _crack(value: object) -> Crack:
    """Read what a look for a crack came to; one whose length is known stands under gap."""
    if not isinstance(value, str) or value not in list(Crack):
        raise InputError(
            "a crack is seen or not seen",
            got=f"{value}",
            allowed=", ".join(f'"{crack}"' for crack in Crack),
            next_step="leave the key out when nobody looked",
        )
    return Crack(value)


def _uncertainty(value: object) -> str:
    """Check that this is text; what unit is right depends on the dimension it belongs to."""
    if not isinstance(value, str):
        raise InputError(
            "a bare number has no unit", got=f"{value}", allowed='a string such as "0.03 mm" or "1 %"'
        )
    return value


def _name(value: object) -> str:
    if not isinstance(value, str):
        raise InputError("text in quotes was expected", got=f"{value}", allowed='"25.0 mm"')
    return value


Length = Annotated[float, BeforeValidator(positive_quantity(Dimension.LENGTH))]
MaybeLength = Annotated[float | None, BeforeValidator(quantity(Dimension.LENGTH))]
MaybeArea = Annotated[float | None, BeforeValidator(positive_quantity(Dimension.AREA))]
MaybeC1 = Annotated[float | None, BeforeValidator(positive_quantity(Dimension.INVERSE_LENGTH))]
MaybeC2 = Annotated[float | None, BeforeValidator(positive_quantity(Dimension.INVERSE_VOLUME))]
MaybeMass = Annotated[float | None, BeforeValidator(positive_quantity(Dimension.MASS))]
MaybeOhm = Annotated[float | None, BeforeValidator(positive_quantity(Dimension.RESISTANCE))]
MaybeFarad = Annotated[float | None, BeforeValidator(positive_quantity(Dimension.CAPACITANCE))]
MaybeTemperature = Annotated[float | None, BeforeValidator(quantity(Dimension.TEMPERATURE))]
Henry = Annotated[float, BeforeValidator(positive_quantity(Dimension.INDUCTANCE))]
MaybeHours = Annotated[float | None, BeforeValidator(checked(_hours))]
MaybeSurface = Annotated[Resistance | None, BeforeValidator(checked(parse_resistance))]
MaybeCase = Annotated[float | bool | None, BeforeValidator(checked(_case))]
MaybeCrack = Annotated[Crack | None, BeforeValidator(checked(_crack))]
MaybeUncertainty = Annotated[str | None, BeforeValidator(checked(_uncertainty))]
Name = Annotated[str, BeforeValidator(checked(_name))]
Turns = Annotated[int, BeforeValidator(whole_number(1, 100_000))]
MaybeTurns = Annotated[int | None, BeforeValidator(whole_number(1, 100_000))]
MaybeStack = Annotated[int | None, BeforeValidator(whole_number(1, 1000))]
MaybeJoints = Annotated[int | None, BeforeValidator(whole_number(0, 100))]
MaybeHoles = Annotated[int | None, BeforeValidator(whole_number(1, 2))]
MaybeShare = Annotated[float | None, BeforeValidator(plain_number(0.0, 1.0))]


class CoreTable(BaseModel):
    """What any core may have."""

    model_config = ConfigDict(extra="forbid", arbitrary_types_allowed=True)

    shape: Name
    mass: MaybeMass = None
    surface_resistance: MaybeSurface = None
    winding_leakage: MaybeSurface = None
    temperature: MaybeTemperature = None
    hours_since_heat_or_magnetisation: MaybeHours = None
    gap: MaybeLength = None
    crack: MaybeCrack = None
    case: MaybeCase = None
    dimension_uncertainty: MaybeUncertainty = None


class RingTable(CoreTable):
    """Ring and sleeve."""

    outer_diameter: Length
    inner_diameter: Length
    height: Length
    edge_radius: MaybeLength = None
    edge_chamfer: MaybeLength = None
    coating_thickness: MaybeLength = None
    stacking_factor: MaybeShare = None
    stack: MaybeStack = None


class TwoHoleTable(CoreTable):
    """Two-hole core."""

    width: Length
    thickness: Length
    length: Length
    hole_diameter: Length
    hole_spacing: Length
    wound_holes: MaybeHoles = None


class EffectiveTable(CoreTable):
    """Effective parameters: the core constants, or effective length and area."""

    c1: MaybeC1 = None
    c2: MaybeC2 = None
    effective_length: MaybeLength = None
    effective_area: MaybeArea = None
    joints: MaybeJoints = None


class RodTable(CoreTable):
    """Rod in a coil."""

    diameter: Length
    length: Length
    empty_coil_inductance: Henry
    coil_length: MaybeLength = None
    coil_diameter: MaybeLength = None


class WindingTable(BaseModel):
    """The winding."""

    model_config = ConfigDict(extra="forbid")

    turns: Turns
    secondary_turns: MaybeTurns = None
    wire_diameter: MaybeLength = None
    wire_length: MaybeLength = None
    lead_length: MaybeLength = None
    dc_resistance: MaybeOhm = None
    capacitance: MaybeFarad = None
    ideal: bool | None = None


@dataclass(frozen=True, slots=True)
class Shape:
    """How the table of one shape becomes a core.

    Attributes
    ----------
    table : pydantic model of the keys
    core : type of the core
    lengths : names of the keys that are lengths of the core itself
    others : name of a key to name of the core's field, for what is no length
    """

    table: type[CoreTable]
    core: type[Any]
    lengths: tuple[str, ...] = ()
    others: Mapping[str, str] = field(default_factory=dict)

    def field_of(self, key: str) -> str:
        """Return the core's field that a key fills."""
        return f"{key}_m" if key in self.lengths else self.others.get(key, key)

    def key_of(self, field_name: str) -> str:
        """Return the key that fills a field."""
        keys = [*self.lengths, *self.others]
        return next((key for key in keys if self.field_of(key) == field_name), field_name)

    @property
    def uncertain_keys(self) -> tuple[str, ...]:
        """Keys that may be given an uncertainty of their own as ``u_<key>``."""
        if issubclass(self.table, EffectiveTable):
            return ("c1", "c2", "effective_length", "effective_area")
        return (*self.lengths, *(key for key in self.others if key not in {"stack", "wound_holes"}))


_RING = ("outer_diameter", "inner_diameter", "height", "edge_radius", "edge_chamfer", "coating_thickness")
_RING_OTHERS = {"stacking_factor": "stacking_factor", "stack": "stack"}
_EFFECTIVE = {"c1": "c1_per_m", "c2": "c2_per_m3", "joints": "joints"}

SHAPES = {
    "ring": Shape(RingTable, Ring, _RING, _RING_OTHERS),
    "sleeve": Shape(RingTable, Sleeve, _RING, _RING_OTHERS),
    "two-hole": Shape(
        TwoHoleTable,
        TwoHole,
        ("width", "thickness", "length", "hole_diameter", "hole_spacing"),
        {"wound_holes": "wound_holes"},
    ),
    "pair": Shape(EffectiveTable, Pair, (), _EFFECTIVE),
    "effective": Shape(EffectiveTable, EffectiveCore, (), _EFFECTIVE),
    "rod": Shape(
        RodTable,
        Rod,
        ("diameter", "length", "coil_length", "coil_diameter"),
        {"empty_coil_inductance": "empty_coil_inductance_h"},
    ),
}
