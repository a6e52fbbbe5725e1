"""What can be put between the terminals: standards, and a core with its winding."""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np

from whichcore.analysis.types import ComplexArray, FloatArray
from whichcore.errors import InputError
from whichcore.rig.virtual import geometry
from whichcore.rig.virtual.cores import Condition, Core, air_body
from whichcore.rig.virtual.electronics import electronics
from whichcore.rig.virtual.oneport import Capacitor, Inductor, OnePort, Resistor, parallel, round_wire, series

COPPER_OHM_M = 1.7241e-8  # at 20 °C; memory
COPPER_PER_K = 0.00393  # memory
LEAD_H_PER_M = 0.75e-6  # two wires some millimetres apart; practice
WIRE_DEPTH = 12
MOST_TURNS = 1000


@dataclass(frozen=True, slots=True)
class Fixture:
    """A part without a core."""

    name: str
    part: OnePort

    def terminal_port(self) -> OnePort:
        """Return the part."""
        return self.part


@dataclass(frozen=True, slots=True)
class WoundCore:
    """A core with one or two windings of the workshop's wire.

    Attributes
    ----------
    core : Core
    turns : int
    secondary_turns : int or None
    wire_diameter_m, lead_length_m : float
        Copper; both leads together.
    condition : Condition
    """

    core: Core
    turns: int
    secondary_turns: int | None = None
    wire_diameter_m: float = 0.4e-3
    lead_length_m: float = 0.04
    condition: Condition = field(default_factory=Condition)

    def __post_init__(self) -> None:
        for name, value in (("turns", self.turns), ("secondary turns", self.secondary_turns or 1)):
            if value != int(value) or not 1 <= value <= MOST_TURNS:
                raise InputError(
                    "turns are counted", where=name, got=f"{value}", allowed=f"1, 2, … {MOST_TURNS}"
                )

    @property
    def wire_length_m(self) -> float:
        """Of the first winding, leads included."""
        return self._length(self.turns)

    @property
    def dc_resistance_ohm(self) -> float:
        """Of the first winding at the core's temperature."""
        return self._resistance(self.turns)

    @property
    def lead_inductance_h(self) -> float:
        """Of the leads and the loop they make."""
        return LEAD_H_PER_M * self.lead_length_m

    def capacitance_f(self, turns: int) -> float:
        """Return the capacitance across a winding: 1 pF and 0.15 pF a turn (practice)."""
        return 1.0e-12 + 0.15e-12 * turns

    def wire_port(self, turns: int) -> OnePort:
        """Return copper with its skin effect and the leads, by the temperature of the core."""
        resistivity = COPPER_OHM_M * self._warm()
        skin_time = geometry.MU_0 * (self.wire_diameter_m / 2) ** 2 / resistivity
        wire = round_wire(self._resistance(turns), skin_time, WIRE_DEPTH)
        return series(wire, Inductor(self.lead_inductance_h))

    def core_port(self, level: ComplexArray | None = None) -> OnePort:
        """Return the core as the first winding sees it, without wire."""
        return self.core.impedance_port(self.turns, self.condition, level)

    def terminal_port(self) -> OnePort:
        """Return the whole at small signal, as one instrument's terminals see the first winding."""
        wound = series(self.wire_port(self.turns), self.core_port())
        return parallel(wound, Capacitor(self.capacitance_f(self.turns)))

    def emptied(self) -> WoundCore:
        """Return the same winding on a former that is not magnetic."""
        return replace(self, core=air_body(self.core))

    def specimen_toml(self) -> str:
        """Return what the workshop can know of it, as the text of a specimen file."""
        card = dict(self.core.card, temperature=f"{self.condition.temperature_c:.1f} degC")
        winding: dict[str, Any] = {
            "turns": self.turns,
            "wire_diameter": f"{self.wire_diameter_m * 1e3:.2f} mm",
            "wire_length": f"{self.wire_length_m * 1e3:.0f} mm",
            "lead_length": f"{self.lead_length_m * 1e3:.0f} mm",
            "dc_resistance": f"{self.dc_resistance_ohm * 1e3:.4g} mohm",
        }
        if self.secondary_turns is not None:
            winding["secondary_turns"] = self.secondary_turns
        return f"[core]\n{_lines(card)}\n[winding]\n{_lines(winding)}"

    def _length(self, turns: int) -> float:
        return turns * (self.core.body.turn_m + 4 * self.wire_diameter_m) + self.lead_length_m

    def _warm(self) -> float:
        return 1 + COPPER_PER_K * (self.condition.temperature_c - 20.0)

    def _resistance(self, turns: int) -> float:
        area = math.pi * (self.wire_diameter_m / 2) ** 2
        return COPPER_OHM_M * self._warm() * self._length(turns) / area


Item = Fixture | WoundCore


def _lines(table: dict[str, Any]) -> str:
    return "".join(f'{k} = "{v}"\n' if isinstance(v, str) else f"{k} = {v}\n" for k, v in table.items())


def fixture(name: str) -> Fixture:
    """Return one of the standards of electronics.toml.

    Resistance and inductance are in series; capacitance and leakage lie across both, but in a capacitor,
    which has them in series with both.

    Raises
    ------
    InputError
        Unknown name.
    """
    parts = electronics().fixtures
    if name not in parts:
        raise InputError("no such fixture", where="fit", got=name, allowed=", ".join((*parts, "core")))
    values = parts[name]
    across: list[OnePort] = []
    if "across_farad" in values:
        across.append(Capacitor(values["across_farad"]))
    if "across_ohm" in values:
        across.append(Resistor(values["across_ohm"]))
    if "ohm" not in values:
        return Fixture(name, parallel(*across))
    inline = series(Resistor(values["ohm"]), Inductor(values["henry"]))
    if values.get("capacitor"):
        return Fixture(name, series(inline, parallel(*across)))
    return Fixture(name, parallel(inline, *across) if across else inline)


def impedance_of(item: Item, frequency_hz: FloatArray) -> ComplexArray:
    """Return the true impedance at the terminals, small signal.

    Parameters
    ----------
    item : Fixture or WoundCore
    frequency_hz : float array (F,)

    Returns
    -------
    complex array (F,)
        Ω.
    """
    return item.terminal_port().impedance(np.asarray(2j * np.pi * frequency_hz, dtype=np.complex128))
