"""What lies on the bench: the core, its winding and what else is known of it. Data only, SI units."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, fields
from enum import StrEnum

from whichcore.analysis.types import Resistance
from whichcore.errors import InputError


def _require_size(core: object, *names: str) -> None:
    for name in names:
        value = getattr(core, name)
        if value > LARGEST_CORE_M:
            raise InputError(
                "no core of this bench is so large",
                where=name,
                got=f"{value:g} m",
                allowed=f"up to {LARGEST_CORE_M:g} m",
                next_step="check the unit: a length in mm is written with mm",
            )


def _require_positive(shape: object, *names: str) -> None:
    for name in names:
        value = getattr(shape, name)
        if not value > 0 or value == float("inf"):
            raise InputError(
                "a dimension must be positive and finite", where=name, got=f"{value:g}", allowed="> 0"
            )


def _require_whole(name: str, value: float, least: int) -> None:
    if value != int(value) or value < least:
        raise InputError(
            "a count must be a whole number", where=name, got=f"{value:g}", allowed=f"{least}, {least + 1}, …"
        )


#: Largest dimension of a core, m; beyond it a unit has slipped. Practice.
LARGEST_CORE_M = 2.0


@dataclass(frozen=True, slots=True)
class Ring:
    """Toroid of rectangular section; outside dimensions as measured, coating included.

    Attributes
    ----------
    outer_diameter_m, inner_diameter_m, height_m : float
    edge_radius_m, edge_chamfer_m : float
        Rounding radius, or leg of a 45° chamfer, of the four edges of the section.
    coating_thickness_m : float
        Of the coat or case wall on each face, inside the stated dimensions.
    stacking_factor : float
        Magnetic share of the section (ribbon wound cores), 0 to 1.
    stack : int
        Number of equal rings laid on each other.
    """

    outer_diameter_m: float
    inner_diameter_m: float
    height_m: float
    edge_radius_m: float = 0.0
    edge_chamfer_m: float = 0.0
    coating_thickness_m: float = 0.0
    stacking_factor: float = 1.0
    stack: int = 1

    def __post_init__(self) -> None:
        _require_positive(self, "outer_diameter_m", "inner_diameter_m", "height_m")
        _require_size(self, "outer_diameter_m", "height_m")
        _require_whole("stack", self.stack, 1)
        if self.inner_diameter_m >= self.outer_diameter_m:
            raise InputError(
                "the inner diameter must be smaller than the outer diameter",
                where="inner_diameter_m",
                got=f"{self.inner_diameter_m * 1e3:g} mm",
                allowed=f"less than {self.outer_diameter_m * 1e3:g} mm",
                next_step="measure both diameters again; they may be swapped",
            )
        if not 0 < self.stacking_factor <= 1:
            raise InputError(
                "the stacking factor is a share",
                where="stacking_factor",
                got=f"{self.stacking_factor:g}",
                allowed="above 0, up to 1",
            )
        for name in ("edge_radius_m", "edge_chamfer_m", "coating_thickness_m"):
            self._check_fits(name)
        if self.edge_radius_m > 0 and self.edge_chamfer_m > 0:
            raise InputError(
                "an edge is either rounded or chamfered",
                where="edge_chamfer_m",
                got=f"{self.edge_chamfer_m * 1e3:g} mm beside a radius of {self.edge_radius_m * 1e3:g} mm",
                allowed="one of the two",
                next_step="remove one of them",
            )

    def _check_fits(self, name: str) -> None:
        """Refuse an edge that is more than the section left under the coating has, or a coating of all."""
        wall = (self.outer_diameter_m - self.inner_diameter_m) / 2
        limit = min(wall, self.height_m) / 2
        coat = 0.0 if name == "coating_thickness_m" else self.coating_thickness_m
        limit -= min(coat, limit)
        value = getattr(self, name)
        # an edge of nothing fits under any coating; the coating is looked at itself
        if not 0 <= value < limit and not (value == 0 and coat):
            under = " under its coating" if coat else ""
            raise InputError(
                f"it does not fit the section of the ring{under}",
                where=name,
                got=f"{value * 1e3:g} mm",
                allowed=f"0 to less than {limit * 1e3:.3g} mm",
                next_step="check its unit and the dimensions of the ring",
            )


@dataclass(frozen=True, slots=True)
class Sleeve(Ring):
    """A bead or sleeve: a ring that is long along its axis; the same fields."""


@dataclass(frozen=True, slots=True)
class TwoHole:
    """Two-hole core, wound through one hole or through both.

    Attributes
    ----------
    width_m, thickness_m, length_m : float
        Outer measures: along the line through the holes, across it, along the holes.
    hole_diameter_m, hole_spacing_m : float
        Diameter of a hole; distance of the two hole axes.
    wound_holes : int
        1 when the wire goes round one outer leg, 2 when it goes through both holes (round the middle).
    """

    width_m: float
    thickness_m: float
    length_m: float
    hole_diameter_m: float
    hole_spacing_m: float
    wound_holes: int = 2

    def __post_init__(self) -> None:
        _require_positive(self, "width_m", "thickness_m", "length_m", "hole_diameter_m", "hole_spacing_m")
        if self.wound_holes not in {1, 2}:
            raise InputError(
                "a two-hole core is wound through one hole or both",
                where="wound_holes",
                got=f"{self.wound_holes}",
                allowed="1, 2",
            )
        if self.hole_diameter_m >= min(self.thickness_m, self.hole_spacing_m):
            raise InputError(
                "the holes must fit the core",
                where="hole_diameter_m",
                got=f"{self.hole_diameter_m * 1e3:g} mm",
                allowed=f"less than {min(self.thickness_m, self.hole_spacing_m) * 1e3:g} mm",
            )
        if self.hole_spacing_m + self.hole_diameter_m >= self.width_m:
            raise InputError(
                "the holes must lie inside the width",
                where="hole_spacing_m",
                got=f"{self.hole_spacing_m * 1e3:g} mm",
                allowed=f"less than {(self.width_m - self.hole_diameter_m) * 1e3:g} mm",
            )


@dataclass(frozen=True, slots=True)
class EffectiveCore:
    """Any closed core given by its core constants (IEC 60205); a pair of parts has joints.

    Attributes
    ----------
    c1_per_m, c2_per_m3 : float
        Core constants Σ l/A and Σ l/A².
    joints : int
        Number of joints the flux crosses in a row (0 for one piece, 2 for a pair).
    """

    c1_per_m: float
    c2_per_m3: float
    joints: int = 0

    def __post_init__(self) -> None:
        _require_positive(self, "c1_per_m", "c2_per_m3")
        _require_whole("joints", self.joints, 0)


@dataclass(frozen=True, slots=True)
class Pair(EffectiveCore):
    """A pair of U, E or pot halves, given by its core constants; two joints unless told otherwise."""

    joints: int = 2


@dataclass(frozen=True, slots=True)
class Rod:
    """Open rod in a coil; it hides its material, so only a comparison with the empty coil is possible.

    Attributes
    ----------
    diameter_m, length_m : float
    empty_coil_inductance_h : float
        Inductance of the same coil without the rod.
    coil_length_m : float or None
        Length of the coil; None means as long as the rod.
    coil_diameter_m : float or None
        Mean diameter of a turn; None means that of the rod.
    """

    diameter_m: float
    length_m: float
    empty_coil_inductance_h: float
    coil_length_m: float | None = None
    coil_diameter_m: float | None = None

    def __post_init__(self) -> None:
        _require_positive(self, "diameter_m", "length_m", "empty_coil_inductance_h")
        for name in ("coil_length_m", "coil_diameter_m"):
            if getattr(self, name) is not None:
                _require_positive(self, name)


Core = Ring | TwoHole | EffectiveCore | Rod  # Sleeve is a Ring, Pair an EffectiveCore


@dataclass(frozen=True, slots=True)
class Winding:
    """The wire on the core.

    Attributes
    ----------
    turns : int
        N, at least 1 (each pass through the hole counts one).
    secondary_turns : int or None
    wire_diameter_m, wire_length_m, lead_length_m : float or None
        Copper diameter; whole length; length of the two leads together, outside the core.
    dc_resistance_ohm : float or None
        Four-wire reading.
    capacitance_f : float or None
        Winding capacitance where it is known; otherwise it is estimated.
    ideal : bool
        The sweep is already that of the core alone, as this many turns without copper, leads and
        capacitance would show it; nothing else may then be stated of the winding.
    """

    turns: int
    secondary_turns: int | None = None
    wire_diameter_m: float | None = None
    wire_length_m: float | None = None
    lead_length_m: float | None = None
    dc_resistance_ohm: float | None = None
    capacitance_f: float | None = None
    ideal: bool = False

    def __post_init__(self) -> None:
        _require_whole("turns", self.turns, 1)
        if self.secondary_turns is not None:
            _require_whole("secondary_turns", self.secondary_turns, 1)
        stated = [item.name for item in fields(self)[2:-1] if getattr(self, item.name) is not None]
        if self.ideal and (stated or self.secondary_turns is not None):
            raise InputError(
                "an ideal winding has turns and nothing else",
                where=(stated or ["secondary_turns"])[0],
                got="stated",
                allowed="turns alone",
                next_step="remove it, or remove ideal",
            )
        for name in stated:
            _require_positive(self, name)


class Crack(StrEnum):
    """What a look for a crack, under a lamp or by a second core of the bin, came to."""

    SEEN = "seen"
    NOT_SEEN = "not seen"


@dataclass(frozen=True, slots=True)
class Specimen:
    """A wound core and what is known of it.

    Attributes
    ----------
    core : Core
    winding : Winding
    dimension_uncertainties_m : mapping of str to float
        Standard uncertainty of each dimension of ``core`` by field name, m (1/m and 1/m³ for C1 and C2).
    gap_m : float or None
        Known air gap, all joints together; None when nothing was said.
    crack : Crack or None
        Whether a crack through the magnetic path was seen; None when nobody looked. Only of a closed core in
        one piece, and not beside a known gap.
    mass_kg, temperature_c, hours_since_heat_or_magnetisation : float or None
    surface_resistance, winding_leakage : Resistance or None
        Between two probe tips on the surface; from the copper of the winding to the core.
    encased : bool
        True when the core sits in a case, so that its surface and mass are not those of the material.
    name : str
    """

    core: Core
    winding: Winding
    dimension_uncertainties_m: Mapping[str, float] = field(default_factory=dict)
    gap_m: float | None = None
    crack: Crack | None = None
    mass_kg: float | None = None
    surface_resistance: Resistance | None = None
    winding_leakage: Resistance | None = None
    temperature_c: float | None = None
    hours_since_heat_or_magnetisation: float | None = None
    encased: bool = False
    name: str = ""

    def __post_init__(self) -> None:
        if self.crack is not None:
            require_one_piece(self.core, self.gap_m, self.crack)

    @property
    def in_one_piece(self) -> bool:
        """True of a closed core without joints or stated gap, whose path nothing but a crack can open."""
        return _in_one_piece(self.core, self.gap_m)


def _in_one_piece(core: Core, gap_m: float | None) -> bool:
    joints = core.joints if isinstance(core, EffectiveCore) else 0
    return not (isinstance(core, Rod) or joints or gap_m)


def require_one_piece(core: Core, gap_m: float | None, crack: Crack) -> None:
    """Raise InputError where a look for a crack means nothing."""
    if not _in_one_piece(core, gap_m):
        raise InputError(
            "a crack counts only in a closed core in one piece without a stated gap",
            where="crack",
            got=crack.value,
            allowed="no rod, no joints, no gap",
            next_step="remove it; a gap whose length is known stands under gap",
        )
