"""The winding around the core: resistance, stray inductance, capacitance, each with its named errors.

What is stated or follows from stated wire data is taken off the measured impedance. What nobody stated is not
guessed into the result: an unknown wire has resistance zero with the size of what it could have as the
standard uncertainty, and so have unstated leads; a note says it. The capacitance alone is estimated, since no
winding is without it and it bends every curve above some hundred kilohertz.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from scipy import constants

from whichcore.analysis.room import room_notes
from whichcore.analysis.specimen import Core, EffectiveCore, Ring, Rod, Specimen, TwoHole, Winding
from whichcore.analysis.stray import (
    layer_capacitance_ratio,
    lead_inductance_h,
    loop_inductance_h,
    turn_to_turn_capacitance_f,
)
from whichcore.analysis.types import Distribution, FloatArray
from whichcore.analysis.wire import (
    COPPER_TEMPERATURE_COEFFICIENT_PER_K,
    enamelled_diameter_m,
    in_enamel_table,
    internal_impedance_ratio,
    layer_resistance_ratio,
    resistance_per_metre_ohm,
    skin_depth_m,
)
from whichcore.errors import AnalysisError
from whichcore.wording import plain, quantity

RESISTANCE = "winding:resistance"
PROXIMITY = "winding:proximity"
STRAY_INDUCTANCE = "winding:stray-inductance"
LOOP_INDUCTANCE = "winding:loop-inductance"
CAPACITANCE = "winding:capacitance"

ROOM_TEMPERATURE_C = 23.0
# Relative standard uncertainties of practice, no source
FOUR_WIRE_READING = 0.01
WIRE_DIAMETER = 0.02  # drawing tolerance and stretch in winding; twice that in resistance
STATED_WIRE_LENGTH = 0.02
TURN_LENGTH = 0.10  # a turn follows the core loosely
UNKNOWN_TEMPERATURE_K = 5.0
STATED_CAPACITANCE = 0.2
# What an unstated wire or lead is allowed to be, practice, no source
UNKNOWN_WIRE_DIAMETER_M = 0.4e-3
UNKNOWN_LEAD_LENGTH_M = 0.05
# 1 to 10 pF for 10 to 30 turns, practice, no source: the geometric middle, and half the span between
# a factor of two below and above
TYPICAL_CAPACITANCE_F = 3.2e-12
TYPICAL_CAPACITANCE_UNCERTAINTY_F = 2.4e-12


@dataclass(frozen=True, slots=True)
class ElementError:
    """Change of an element, in its unit, (F,), for one standard uncertainty of a cause."""

    id: str
    change: FloatArray
    distribution: Distribution = Distribution.NORMAL


@dataclass(frozen=True, slots=True)
class Element:
    """One element of the winding over frequency.

    Attributes
    ----------
    value : float array (F,)
        In Ω, H or F.
    errors : tuple of ElementError
        Independent causes.
    notes : tuple of str
        What was assumed.
    """

    value: FloatArray
    errors: tuple[ElementError, ...] = ()
    notes: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class WindingModel:
    """Everything that lies between the terminals and the core.

    Attributes
    ----------
    resistance_ohm, inductance_h : Element
        In series with the core.
    capacitance_f : Element
        Across core and series elements.
    conductance_s : float array (F,)
        Across them too; zero, kept in the formula for windings with lossy insulation.
    """

    resistance_ohm: Element
    inductance_h: Element
    capacitance_f: Element
    conductance_s: FloatArray
    room: tuple[str, ...] = ()

    @property
    def notes(self) -> tuple[str, ...]:
        """All that was assumed, after what cannot be as stated."""
        return self.room + self.resistance_ohm.notes + self.inductance_h.notes + self.capacitance_f.notes


def turn_length_m(core: Core, wire_diameter_m: float = 0.0) -> float:
    """Return the length of one close turn of wire, m.

    The perimeter of what the turn encloses, with the wire's centre half a diameter outside (4 diameters more
    by its corners); a core given by its constants counts as square with A = C1/C2.
    """
    if isinstance(core, Ring):
        wall = (core.outer_diameter_m - core.inner_diameter_m) / 2
        return 2 * (core.height_m * core.stack + wall) + 4 * wire_diameter_m
    if isinstance(core, TwoHole):
        between = core.hole_spacing_m - core.hole_diameter_m
        outer = (core.width_m - core.hole_spacing_m - core.hole_diameter_m) / 2
        leg = between if core.wound_holes == 2 else outer
        return 2 * (core.length_m + leg) + 4 * wire_diameter_m
    if isinstance(core, Rod):
        diameter = core.coil_diameter_m or core.diameter_m
        return float(np.pi * diameter) + 4 * wire_diameter_m
    return 4 * float(np.sqrt(core.c1_per_m / core.c2_per_m3)) + 4 * wire_diameter_m


def bed_m(core: Core) -> float | None:
    """Return the length on which the turns lie side by side, m, or None when it is not known."""
    if isinstance(core, Ring):
        return float(np.pi * core.inner_diameter_m)
    if isinstance(core, TwoHole):
        return float(np.pi * core.hole_diameter_m)
    if isinstance(core, EffectiveCore):
        return None
    return core.coil_length_m or core.length_m


def _fill_and_layers(winding: Winding, core: Core, diameter_m: float) -> tuple[float, int]:
    """Return the copper share of a layer and the number of layers; tight and single when unknown."""
    bed = bed_m(core)
    if bed is None:
        return 0.9, 1
    crowding = winding.turns * diameter_m / (0.9 * bed)
    layers = max(1, int(np.ceil(crowding)))
    return 0.9 * crowding / layers, layers


def _wire_length(winding: Winding, core: Core) -> tuple[float, float]:
    """Return the length of the wire and its relative standard uncertainty.

    Leads that are not stated add nothing to the length, and a usual length of leads to the uncertainty.
    """
    if winding.wire_length_m is not None:
        return winding.wire_length_m, STATED_WIRE_LENGTH
    turns = winding.turns * turn_length_m(core, winding.wire_diameter_m or 0.0)
    length = turns + (winding.lead_length_m or 0.0)
    leads = UNKNOWN_LEAD_LENGTH_M if winding.lead_length_m is None else 0.0
    return length, float(np.hypot(TURN_LENGTH * turns, leads)) / length


def _usual_length(winding: Winding, core: Core) -> float:
    """Return the length of an unknown wire, m: as stated, or turns of hook-up wire with its leads."""
    if winding.wire_length_m is not None:
        return winding.wire_length_m
    turns = winding.turns * turn_length_m(core, UNKNOWN_WIRE_DIAMETER_M)
    return turns + (UNKNOWN_LEAD_LENGTH_M if winding.lead_length_m is None else winding.lead_length_m)


def _skin_depth(frequency: FloatArray, temperature_c: float | None) -> FloatArray:
    return skin_depth_m(frequency, ROOM_TEMPERATURE_C if temperature_c is None else temperature_c)


@dataclass(frozen=True, slots=True)
class _KnownWire:
    """What is known of the copper: dc resistance, its relative standard uncertainty, diameter."""

    dc_ohm: float
    share: float
    diameter_m: float
    note: str


def _known_wire(winding: Winding, core: Core, temperature_c: float | None) -> _KnownWire | None:
    """Return dc resistance and diameter, or None when nothing is stated about the wire.

    A four-wire reading is taken as read at the temperature of the sweep; when that is not stated the two may
    differ, so copper's temperature coefficient goes into the uncertainty of both kinds. The diameter, where
    not stated, follows from reading and length.
    """
    warmth = (
        0.0 if temperature_c is not None else COPPER_TEMPERATURE_COEFFICIENT_PER_K * UNKNOWN_TEMPERATURE_K
    )
    temperature = ROOM_TEMPERATURE_C if temperature_c is None else temperature_c
    length, length_share = _wire_length(winding, core)
    diameter = winding.wire_diameter_m
    if winding.dc_resistance_ohm is not None:
        if diameter is None:
            per_square = resistance_per_metre_ohm(1.0, temperature)  # of 1 m of 1 m diameter
            diameter = float(np.sqrt(per_square * length / winding.dc_resistance_ohm))
        share = float(np.hypot(FOUR_WIRE_READING, warmth))
        return _KnownWire(winding.dc_resistance_ohm, share, diameter, "")
    if diameter is None:
        return None
    dc = resistance_per_metre_ohm(diameter, temperature) * length
    share = float(np.sqrt(length_share**2 + (2 * WIRE_DIAMETER) ** 2 + warmth**2))
    note = f"winding resistance {quantity(dc, 'Ω')} computed from {plain(length)} m of wire"
    return _KnownWire(dc, share, diameter, note)


def _unknown_resistance(winding: Winding, core: Core, frequency: FloatArray) -> Element:
    """Return resistance zero with the resistance of plain hook-up wire as its standard uncertainty."""
    length = _usual_length(winding, core)
    size = resistance_per_metre_ohm(UNKNOWN_WIRE_DIAMETER_M, ROOM_TEMPERATURE_C) * length
    ratio = internal_impedance_ratio(UNKNOWN_WIRE_DIAMETER_M / 2 / _skin_depth(frequency, None)).real
    note = (
        "nothing is stated about the wire: no resistance was taken off, its standard uncertainty is "
        f"{quantity(size, 'Ω')} at dc; state dc_resistance (four-wire) or wire_diameter"
    )
    return Element(np.zeros_like(frequency), (ElementError(RESISTANCE, size * ratio),), (note,))


def winding_resistance(
    winding: Winding, core: Core, frequency_hz: ArrayLike, temperature_c: float | None = None
) -> Element:
    """Return the series resistance of the winding, Ω.

    Parameters
    ----------
    winding, core : Winding, Core
        ``dc_resistance_ohm`` comes first, then wire diameter with the stated length, or with turns times the
        length of a close turn plus leads.
    frequency_hz : float array (F,)
        > 0.
    temperature_c : float or None
        Of the sweep; None: 23 °C ± 5 K.

    Returns
    -------
    Element
        R_dc Re[z J0(z)/2J1(z)]: skin effect of a lone wire. The field of the other turns is **not** in the
        value; its size, the difference between a layer of this fill (Dowell) and the lone wire and at least
        the skin effect itself, is the standard uncertainty ``winding:proximity``, which grows with a/δ. With
        nothing stated of the wire: zero, with the resistance of 0.4 mm wire as standard uncertainty.
    """
    frequency = np.asarray(frequency_hz, dtype=float)
    wire = _known_wire(winding, core, temperature_c)
    if wire is None:
        return _unknown_resistance(winding, core, frequency)
    ratio = wire.diameter_m / 2 / _skin_depth(frequency, temperature_c)
    lone = internal_impedance_ratio(ratio).real
    layer = layer_resistance_ratio(ratio, *_fill_and_layers(winding, core, wire.diameter_m))
    errors = (
        ElementError(RESISTANCE, wire.share * wire.dc_ohm * lone),
        ElementError(PROXIMITY, wire.dc_ohm * np.maximum(np.abs(layer - lone), lone - 1)),
    )
    return Element(wire.dc_ohm * lone, errors, (wire.note,) if wire.note else ())


def _advance_inductance(winding: Winding, core: Core) -> float:
    """Return the one-turn loop a ring winding makes by going once round the core, H.

    A loop of the mean radius, as thick as the section's equal-area circle; none below three turns, which do
    not go round.
    """
    if not isinstance(core, Ring) or winding.turns < 3:
        return 0.0
    radius = (core.outer_diameter_m + core.inner_diameter_m) / 4
    section = (core.outer_diameter_m - core.inner_diameter_m) / 2 * core.height_m * core.stack
    thickness = float(np.sqrt(section / np.pi))
    # a loop thicker than a quarter of its radius leaves the formula; then what the formula gives there
    return loop_inductance_h(radius, min(thickness, radius / 2))


def _internal_inductance(
    wire: _KnownWire | None, length_m: float, frequency: FloatArray, temperature_c: float | None
) -> tuple[FloatArray, FloatArray]:
    """Return the inductance of the field inside the copper and its standard uncertainty, H, (F,) each.

    Half of it is uncertain, since the neighbours push the current about. An unknown wire of this length:
    nothing, with the low-frequency value μ0/8π per metre as standard uncertainty.
    """
    if wire is None:
        return np.zeros_like(frequency), np.full_like(frequency, constants.mu_0 / (8 * np.pi) * length_m)
    ratio = internal_impedance_ratio(wire.diameter_m / 2 / _skin_depth(frequency, temperature_c))
    inside = np.asarray(wire.dc_ohm * ratio.imag / (2 * np.pi * frequency))
    return inside, inside / 2


def stray_inductance(
    winding: Winding, core: Core, frequency_hz: ArrayLike, temperature_c: float | None = None
) -> Element:
    """Return the inductance in series with the core: leads, the loop round the core, the copper's inside, H.

    Parameters
    ----------
    winding, core : Winding, Core
    frequency_hz : float array (F,)
        > 0.
    temperature_c : float or None

    Returns
    -------
    Element
        Leads of stated length lie between a twisted pair and an open circle: the middle, rectangular. Leads
        not stated: nothing is taken off, standard uncertainty that of 50 mm of wire as an open circle over
        √3. Half of the loop of the advancing winding and of the copper's inside is uncertainty too.
    """
    frequency = np.asarray(frequency_hz, dtype=float)
    wire = _known_wire(winding, core, temperature_c)
    length = _usual_length(winding, core)
    inside, inside_spread = _internal_inductance(wire, length, frequency, temperature_c)
    around = _advance_inductance(winding, core)
    radius = (UNKNOWN_WIRE_DIAMETER_M if wire is None else wire.diameter_m) / 2
    leads, spread, notes = _lead_estimate(winding.lead_length_m, radius)
    errors = (
        ElementError(STRAY_INDUCTANCE, np.full_like(frequency, spread), Distribution.RECTANGULAR),
        ElementError(LOOP_INDUCTANCE, around / 2 + inside_spread),
    )
    return Element(leads + around + inside, errors, notes)


def _lead_estimate(length_m: float | None, wire_radius_m: float) -> tuple[float, float, tuple[str, ...]]:
    """Return inductance of the leads, its standard uncertainty, H, and what was assumed."""
    if length_m is not None:
        least, largest = lead_inductance_h(length_m, wire_radius_m)
        return (least + largest) / 2, (largest - least) / float(np.sqrt(12)), ()
    _, largest = lead_inductance_h(UNKNOWN_LEAD_LENGTH_M, UNKNOWN_WIRE_DIAMETER_M / 2)
    spread = largest / float(np.sqrt(3))
    note = (
        "the length of the leads is not stated: no lead inductance was taken off, its standard uncertainty "
        f"is {plain(spread * 1e9, 2)} nH; state lead_length"
    )
    return 0.0, spread, (note,)


def winding_capacitance(winding: Winding, core: Core, frequency_hz: ArrayLike) -> Element:
    """Return the capacitance across the winding, F.

    Parameters
    ----------
    winding, core : Winding, Core
    frequency_hz : float array (F,)

    Returns
    -------
    Element
        Stated: as stated, standard uncertainty 20 %. A single tight layer of known wire: between
        C_tt/(N − 1) (insulating core) and the layer on a conducting core, rectangular. One turn: none, with
        0.5 pF. Otherwise 3.2 pF with 2.4 pF, which stands for the 1 to 10 pF of 10 to 30 turns met in
        practice (no source); above 30 turns both grow with the turns.
    """
    ones = np.ones_like(np.asarray(frequency_hz, dtype=float))
    if winding.capacitance_f is not None:
        value = winding.capacitance_f
        return Element(value * ones, (ElementError(CAPACITANCE, STATED_CAPACITANCE * value * ones),))
    value, spread, shape = _estimated_capacitance(winding, core)
    told, doubt = (f"{plain(size * 1e12, 2)} pF" for size in (value, spread))
    note = f"winding capacitance estimated: {told}, standard uncertainty {doubt}"
    return Element(value * ones, (ElementError(CAPACITANCE, spread * ones, shape),), (note,))


def _estimated_capacitance(winding: Winding, core: Core) -> tuple[float, float, Distribution]:
    """Return capacitance, standard uncertainty and its distribution for a winding without a statement."""
    if winding.turns == 1:
        return 0.0, 0.5e-12, Distribution.NORMAL
    bed, copper = bed_m(core), winding.wire_diameter_m
    if bed is not None and copper is not None and in_enamel_table(copper):
        overall = enamelled_diameter_m(copper)
        if 0.8 * bed < winding.turns * overall <= bed:
            pair = turn_to_turn_capacitance_f(turn_length_m(core, overall), copper, overall)
            least, largest = pair / (winding.turns - 1), pair * layer_capacitance_ratio(winding.turns)
            return (least + largest) / 2, (largest - least) / float(np.sqrt(12)), Distribution.RECTANGULAR
    growth = max(1.0, winding.turns / 30)
    return TYPICAL_CAPACITANCE_F * growth, TYPICAL_CAPACITANCE_UNCERTAINTY_F * growth, Distribution.NORMAL


def winding_model(
    specimen: Specimen, frequency_hz: ArrayLike, temperature_c: float | None = None
) -> WindingModel:
    """Return resistance, stray inductance and capacitance of a specimen's winding, (F,) each.

    Parameters
    ----------
    specimen : Specimen
    frequency_hz : float array (F,)
        > 0.
    temperature_c : float or None
        Of the sweep; None: that of the specimen, if stated.

    Returns
    -------
    WindingModel
        Of an ideal winding: zeros without error.

    Raises
    ------
    AnalysisError
        A frequency is not positive.
    """
    frequency = np.asarray(frequency_hz, dtype=float)
    if not np.all(frequency > 0):
        raise AnalysisError(
            "a frequency must be positive", where="frequency_hz", got=f"{frequency.min():g} Hz"
        )
    winding, core = specimen.winding, specimen.core
    nothing = np.zeros_like(frequency)
    if winding.ideal:
        return WindingModel(Element(nothing), Element(nothing), Element(nothing), nothing)
    temperature = specimen.temperature_c if temperature_c is None else temperature_c
    return WindingModel(
        winding_resistance(winding, core, frequency, temperature),
        stray_inductance(winding, core, frequency, temperature),
        winding_capacitance(winding, core, frequency),
        nothing,
        room_notes(winding, core),
    )
