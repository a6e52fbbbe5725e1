"""Wound cores and benches, every value drawn from what is stated of it, as circuits, by the thousand.

A card says what a workshop knows of a core; the core itself is another, drawn about the card by the standard
uncertainties and distributions that the card states. So are the copper, the leads, the capacitance of the
winding, the standards, the shunt and the inputs. What stands here is the truth: nodal analysis of
``whichcore.rig.virtual.circuit`` with arrays for elements, one place for each core and frequency. Nothing is
measured or corrected here.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from whichcore.analysis.specimen import EffectiveCore, Pair, Ring, Specimen, Winding
from whichcore.analysis.types import ComplexArray, Distribution, FloatArray, Wiring
from whichcore.analysis.winding import turn_length_m, winding_model
from whichcore.calibration.standards import Toleranced
from whichcore.rig.virtual import cores
from whichcore.rig.virtual.circuit import GROUND, Branch, Coil, Network
from whichcore.rig.virtual.cores import Core, Section
from whichcore.rig.virtual.fixtures import COPPER_OHM_M, WoundCore
from whichcore.rig.virtual.geometry import MU_0, Body, ring
from whichcore.rig.virtual.oneport import Capacitor, Inductor, OnePort, Resistor, parallel, round_wire, series

FREQUENCIES_HZ = (1e3, 1e4, 1e5, 1e6, 3e6)
HIGHEST_OF_MANY_TURNS_HZ = 2e5
STEP_BETWEEN_CORES = 1e-7  # relative; see grid

WITHIN = Toleranced.within
SHUNTS_OHM = (1.0, 10.0, 100.0)
SHUNT_SHARE, SHUNT_HENRY = 2e-3, WITHIN(5e-9, 4e-9)
INPUT_FARAD = WITHIN(70e-12, 15e-12)  # of a channel with its cable, as a data sheet would say
INPUT_OHM, INPUT_OHM_SHARE = 1e6, 0.01

LABELS: Mapping[str, Mapping[str, Toleranced]] = {
    "open": {"farad": WITHIN(1e-12, 0.3e-12)},
    "short": {"ohm": WITHIN(1e-3, 1e-3), "henry": WITHIN(3.5e-9, 0.5e-9)},
    "load": {"ohm": WITHIN(50.0, 0.05), "henry": WITHIN(4e-9, 1e-9), "farad": WITHIN(0.4e-12, 0.2e-12)},
    "capacitor": {
        "farad": WITHIN(1e-9, 5e-12),
        "ohm": WITHIN(20e-3, 10e-3),
        "henry": WITHIN(6e-9, 1e-9),
    },
}


def unit_draws(kind: Distribution, rng: np.random.Generator, count: int | None = None) -> Any:
    """Return draws of unit variance and mean zero."""
    if kind is Distribution.NORMAL:
        return rng.normal(size=count)
    if kind is Distribution.RECTANGULAR:
        return rng.uniform(-np.sqrt(3), np.sqrt(3), count)
    if kind is Distribution.TRIANGULAR:
        return rng.triangular(-np.sqrt(6), 0.0, np.sqrt(6), count)
    return np.sqrt(2) * np.sin(rng.uniform(0, 2 * np.pi, count))


def drawn(label: Toleranced, rng: np.random.Generator, count: int) -> FloatArray:
    """Return what parts of one label truly are, (count,)."""
    return np.asarray(label.value + label.standard_uncertainty * unit_draws(label.distribution, rng, count))


# --------------------------------------------------------------------------------------------------- cores


@dataclass(frozen=True, slots=True)
class Draw:
    """What is drawn; the defaults are what is counted, the rest are cases to be seen apart.

    Attributes
    ----------
    wire : str
        ``stated``: copper, leads and capacitance drawn about the card by what it states of them. ``real``:
        the same card, and the wire of the virtual bench, a lone wire with some picofarads.
        ``unstated``: that wire, and a card that says nothing of it.
    many_turns : bool
        One winding of many turns at all frequencies, up to the self-resonance and beyond.
    unequal : bool
        A second winding of half or twice the turns.
    """

    wire: str = "stated"
    many_turns: bool = False
    unequal: bool = False


@dataclass(frozen=True, slots=True)
class Piece:
    """One core: the truth, and the two cards of its windings (many turns, few turns)."""

    core: Core
    kind: str
    cards: tuple[Specimen, Specimen]


def draw_piece(rng: np.random.Generator, draw: Draw) -> Piece:
    """Draw a card, and about it the core: material, size, crack, section, windings."""
    base = list(cores().values())[rng.integers(len(cores()))]
    material = _material(base, rng)
    on_card, uncertainties, body = _shape(base, rng)
    true = replace(material, body=body)
    small = isinstance(on_card, Ring) and on_card.inner_diameter_m < 2.5e-3
    many, few = (
        (int(rng.integers(3, 9)), int(rng.integers(1, 4)))
        if small
        else (int(rng.integers(12, 41)), int(rng.integers(3, 7)))
    )
    if draw.many_turns:
        few = many
    temperature = None if rng.random() < 0.5 else float(rng.uniform(18, 28))
    cards = tuple(
        Specimen(on_card, _winding(on_card, turns, rng, draw), uncertainties, temperature_c=temperature)
        for turns in (many, few)
    )
    return Piece(true, base.id, (cards[0], cards[1]))


def _material(base: Core, rng: np.random.Generator) -> Core:
    """Scale permeability and corners, crack one core in five, draw the section of a body that conducts."""
    chi, corner = np.exp(rng.uniform(-0.35, 0.35, 2))

    def terms(rows: tuple[Any, ...]) -> tuple[Any, ...]:
        return tuple((row[0] * chi, row[1] * corner, *row[2:]) for row in rows)

    section = base.section
    if section is not None:
        section = Section(section.half_m * rng.uniform(0.5, 1.3), *_rest(section))
    elif base.static_susceptibility > 1500 and not base.tapes and rng.random() < 0.3:
        section = Section(rng.uniform(1e-3, 4e-3), 10 ** rng.uniform(-1.5, 0), 10 ** rng.uniform(3, 5))
    return replace(
        base,
        relaxations=terms(base.relaxations),
        walls=terms(base.walls),
        spins=terms(base.spins),
        tapes=tuple((x * chi, *rest) for x, *rest in base.tapes),
        section=section,
        gap_m=base.gap_m or (float(rng.uniform(1e-6, 20e-6)) if rng.random() < 0.2 else 0.0),
    )


def _rest(section: Section) -> tuple[Any, ...]:
    return section.conductivity_s_per_m, section.permittivity, section.branches, section.cells


def _shape(base: Core, rng: np.random.Generator) -> tuple[Ring | EffectiveCore, dict[str, float], Body]:
    """Return the core of the card, its uncertainties, and the true body drawn about it by them."""
    size = float(np.exp(rng.uniform(-0.3, 0.4)))
    if base.card["shape"] == "pair":
        c1, c2 = base.body.c1_per_m / size, base.body.c2_per_m3 / size**3
        share = float(rng.choice([0.01, 0.02]))
        true_c1, true_c2 = np.array([c1, c2]) * (1 + share * rng.normal(size=2))
        turn = base.body.turn_m * size
        stated = {"c1_per_m": share * c1, "c2_per_m3": share * c2}
        return Pair(c1, c2), stated, Body(float(true_c1), float(true_c2), turn)
    card = {key: float(text.split()[0]) * 1e-3 for key, text in base.card.items() if "mm" in str(text)}
    card.pop("dimension_uncertainty")
    u = float(rng.choice([0.03e-3, 0.05e-3]))
    named = {f"{key}_m": round(size * value, 5) for key, value in card.items()}
    filling = float(base.card.get("stacking_factor", 1.0))
    stated = dict.fromkeys(named, u)
    stated |= {"stacking_factor": 0.02} if filling < 1 else {}
    true = {key: value + u * rng.normal() for key, value in named.items()}
    body = ring(
        true["outer_diameter_m"],
        true["inner_diameter_m"],
        true["height_m"],
        true.get("coating_thickness_m", 0.0),
        filling + (0.02 * rng.normal() if filling < 1 else 0.0),
    )
    return Ring(**named, stacking_factor=filling), stated, body


def _winding(on_card: Ring | EffectiveCore, turns: int, rng: np.random.Generator, draw: Draw) -> Winding:
    """Draw a winding; two in three state a four-wire reading, one in five its capacitance."""
    diameter = float(rng.choice([0.2e-3, 0.3e-3, 0.4e-3, 0.5e-3]))
    leads = float(rng.uniform(0.02, 0.08))
    length = turns * turn_length_m(on_card, diameter) + leads
    four_wire, measured = rng.random() < 2 / 3, rng.random() < 0.2 and draw.wire == "stated"
    farad = float(rng.uniform(2e-12, 8e-12))
    second = max(1, int(turns * rng.choice([0.5, 2.0]))) if draw.unequal else turns
    if draw.wire == "unstated":
        return Winding(turns, second)
    return Winding(
        turns,
        secondary_turns=second,
        wire_diameter_m=diameter,
        wire_length_m=length,
        lead_length_m=leads,
        dc_resistance_ohm=4 * COPPER_OHM_M * length / (np.pi * diameter**2) if four_wire else None,
        capacitance_f=farad if measured else None,
    )


# ----------------------------------------------------------------------------------- everything, as arrays


@dataclass(frozen=True, slots=True)
class Tabulated:
    """A one-port by its impedance at each place."""

    ohm: ComplexArray

    def impedance(self, s: ComplexArray) -> ComplexArray:
        """Return the table; ``s`` must be the places it was made for."""
        if s.shape != self.ohm.shape:
            raise ValueError(f"a table of {self.ohm.shape} at {s.shape} places")
        return self.ohm


def grid(count: int) -> FloatArray:
    """Return the frequency of each place, Hz, (5 × count,), strictly increasing.

    One calibration of all places is one calibration for each core, as error models solve every frequency by
    itself; they want the frequencies to rise, so each core has its own, some 1e-7 beside those of the others.
    """
    shift = 1 + STEP_BETWEEN_CORES * np.arange(count)
    return np.concatenate([f * shift for f in FREQUENCIES_HZ])


@dataclass(frozen=True, slots=True)
class Truth:
    """Cores, bench and parts as they truly are; every array has a value for each place, (P,).

    A place is a core at a frequency: place j × count + k is core k at the j-th frequency. ``second`` is the
    turns of the second winding over those of the first.
    """

    pieces: tuple[Piece, ...]
    frequency_hz: FloatArray
    core_ohm: ComplexArray
    permeability: ComplexArray
    copper_ohm: ComplexArray
    winding_farad: FloatArray
    second: FloatArray
    bench: Mapping[str, FloatArray]
    parts: Mapping[str, Mapping[str, FloatArray]]

    @property
    def s(self) -> ComplexArray:
        """jω."""
        return np.asarray(2j * np.pi * self.frequency_hz)

    def card(self, place: int) -> Specimen:
        """Return the card of the winding used at a place."""
        return self.pieces[place % len(self.pieces)].cards[_winding_at(self.frequency_hz[place])]

    def impedance(self, wiring: Wiring) -> ComplexArray:
        """Return Z at the terminals, Ω; of two windings V_2/I_1 with nothing on the second."""
        inner = self.core_ohm + self.copper_ohm
        bypass = 1 + self.s * self.winding_farad * inner
        seen = self.second * self.core_ohm if wiring is Wiring.TWO_WINDINGS else inner
        return np.asarray(seen / bypass)


def _winding_at(frequency_hz: float) -> int:
    return 0 if frequency_hz < HIGHEST_OF_MANY_TURNS_HZ else 1


def draw_truth(count: int, rng: np.random.Generator, draw: Draw) -> Truth:
    """Draw so many cores, each with a bench and standards of its own."""
    pieces = tuple(draw_piece(rng, draw) for _ in range(count))
    frequency = grid(count)
    rows = [_wound(piece, frequency[k::count], rng, draw) for k, piece in enumerate(pieces)]
    core_ohm, mu, copper, farad, second = (
        np.stack(column, axis=1).ravel() for column in zip(*rows, strict=True)
    )
    points = len(FREQUENCIES_HZ)

    def everywhere(values: FloatArray) -> FloatArray:
        return np.tile(values, points)

    bench = {
        "shunt_share": SHUNT_SHARE * rng.uniform(-1, 1, count),
        "shunt_henry": drawn(SHUNT_HENRY, rng, count),
        "input_a_farad": drawn(INPUT_FARAD, rng, count),
        "input_b_farad": drawn(INPUT_FARAD, rng, count),
        "input_a_ohm": INPUT_OHM * (1 + INPUT_OHM_SHARE * rng.normal(size=count)),
        "lead_ohm": rng.uniform(5e-3, 20e-3, count),
        "lead_henry": rng.uniform(20e-9, 60e-9, count),
        "between_farad": rng.uniform(2e-12, 10e-12, count),
    }
    parts = {
        name: {key: everywhere(drawn(label, rng, count)) for key, label in labels.items()}
        for name, labels in LABELS.items()
    }
    return Truth(
        pieces,
        frequency,
        core_ohm,
        mu,
        copper,
        farad.real,
        second.real,
        {name: everywhere(values) for name, values in bench.items()},
        parts,
    )


def _wound(
    piece: Piece, frequency: FloatArray, rng: np.random.Generator, draw: Draw
) -> tuple[ComplexArray, ...]:
    """Return core, μ, copper with leads, capacitance and turns ratio of one core at its five frequencies."""
    columns: list[list[ComplexArray]] = [[], [], [], [], []]
    for index, card in enumerate(piece.cards):
        mine = frequency[[_winding_at(f) == index for f in frequency]]
        s = np.asarray(2j * np.pi * mine, dtype=np.complex128)
        turns = card.winding.turns
        core = piece.core.impedance_port(turns).impedance(s)
        wire = _stated_wire(card, s, rng) if draw.wire == "stated" else _real_wire(piece.core, card, s, rng)
        second = np.full(s.shape, (card.winding.secondary_turns or turns) / turns)
        found = (core, core / (s * piece.core.body.air_inductance(turns)), *wire, second)
        for column, values in zip(columns, found, strict=True):
            column.append(np.asarray(values, dtype=np.complex128))
    return tuple(np.concatenate(column) for column in columns)


def _real_wire(
    core: Core, card: Specimen, s: ComplexArray, rng: np.random.Generator
) -> tuple[ComplexArray, ComplexArray]:
    """Return copper with leads, Ω, and capacitance, F, as the virtual bench winds, whatever the card says."""
    turns = card.winding.turns
    item = WoundCore(
        core,
        turns,
        wire_diameter_m=card.winding.wire_diameter_m or float(rng.choice([0.3e-3, 0.4e-3, 0.5e-3])),
        lead_length_m=card.winding.lead_length_m or float(rng.uniform(0.02, 0.08)),
    )
    farad = item.capacitance_f(turns) * np.exp(rng.uniform(-0.5, 0.5))
    return item.wire_port(turns).impedance(s), np.full(s.shape, farad, dtype=np.complex128)


def _stated_wire(
    card: Specimen, s: ComplexArray, rng: np.random.Generator
) -> tuple[ComplexArray, ComplexArray]:
    """Return copper with leads, Ω, and capacitance, F, drawn about the card by what it states of them."""
    model = winding_model(card, s.imag / (2 * np.pi))

    def off(errors: Any) -> FloatArray:
        return np.sum([e.change * unit_draws(e.distribution, rng) for e in errors], axis=0)

    own = model.resistance_ohm.value
    ladder = _copper_ladder(card, s)
    ohm = ladder + off(model.resistance_ohm.errors)
    henry = model.inductance_h.value + off(model.inductance_h.errors)
    if np.any(abs(ladder - own) > 5e-3 * own):
        raise ValueError("the ladder of the copper and the card disagree on what the card says")
    return ohm + s * henry, model.capacitance_f.value + off(model.capacitance_f.errors) + 0j


def _copper_ladder(card: Specimen, s: ComplexArray) -> FloatArray:
    """Return the resistance of the copper as the card says it, by the virtual bench's own ladder."""
    winding = card.winding
    warm = 1 + 0.00393 * ((23.0 if card.temperature_c is None else card.temperature_c) - 20.0)
    radius, length = (winding.wire_diameter_m or 0.0) / 2, winding.wire_length_m or 0.0
    resistivity = COPPER_OHM_M * warm
    ohm = winding.dc_resistance_ohm or resistivity * length / (np.pi * radius**2)
    return np.asarray(round_wire(ohm, MU_0 * radius**2 / resistivity, 12).impedance(s).real)


# ------------------------------------------------------------------------------------------------ voltages


@dataclass(frozen=True, slots=True)
class Bench:
    """The bench of one wiring at some places.

    Attributes
    ----------
    truth : Truth
    places : int array (n,)
    wiring : Wiring
    shunt_ohm : float array (n,)
        As printed.
    """

    truth: Truth
    places: Any
    wiring: Wiring
    shunt_ohm: FloatArray

    def standard(self, name: str) -> tuple[ComplexArray, ComplexArray]:
        """Return the voltages at nodes A and B with a standard at the terminals, per volt of emf, (n,)."""
        values = {key: value[self.places] for key, value in self.truth.parts[name].items()}
        return self._voltages([Branch("hi", "lo", _part(name, values))], (), None)

    def specimen(self) -> tuple[ComplexArray, ComplexArray]:
        """Return the voltages with the wound core, per volt of emf, (n,)."""
        truth = self.truth
        wire = Tabulated(truth.copper_ohm[self.places])
        own = Capacitor(truth.winding_farad[self.places])
        coils = (Coil("hi", "lo", wire),)
        branches = [Branch("hi", "lo", own)]
        if self.wiring is Wiring.TWO_WINDINGS:
            second = truth.second[self.places]
            coils = (*coils, Coil("second", GROUND, Tabulated(truth.copper_ohm[self.places]), second))
            between = Capacitor(truth.bench["between_farad"][self.places])
            branches += [Branch("hi", "second", between), Branch("second", "a", self._lead())]
        return self._voltages(branches, coils, Tabulated(truth.core_ohm[self.places]))

    def _of(self, name: str) -> FloatArray:
        return self.truth.bench[name][self.places]

    def _lead(self) -> OnePort:
        return series(Resistor(self._of("lead_ohm")), Inductor(self._of("lead_henry")))

    def _voltages(
        self, item: list[Branch], coils: tuple[Coil, ...], core: OnePort | None
    ) -> tuple[ComplexArray, ComplexArray]:
        ohm = self.shunt_ohm * (1 + self._of("shunt_share"))
        shunt = series(Resistor(ohm), Inductor(self._of("shunt_henry")))
        drive = "drive" if self.wiring is Wiring.TWO_WINDINGS else "a"
        if self.wiring is Wiring.SPECIMEN_AT_GROUND:
            arm = [("a", "b", shunt), ("b", "hi", self._lead()), ("lo", GROUND, self._lead())]
        else:
            arm = [(drive, "hi", self._lead()), ("lo", "b", self._lead()), ("b", GROUND, shunt)]
        inputs = [
            ("a", GROUND, parallel(Resistor(self._of("input_a_ohm")), Capacitor(self._of("input_a_farad")))),
            ("b", GROUND, parallel(Resistor(INPUT_OHM), Capacitor(self._of("input_b_farad")))),
        ]
        branches = tuple(Branch(*row) for row in (*arm, *inputs))
        network = Network(drive, Resistor(50.0), (*branches, *item), coils, core)
        solved = network.solve(self.truth.s[self.places], 1.0)
        return solved.voltages["a"], solved.voltages["b"]


def _part(name: str, values: Mapping[str, FloatArray]) -> OnePort:
    makers: dict[str, Callable[[Any], OnePort]] = {"ohm": Resistor, "henry": Inductor, "farad": Capacitor}
    ports = {key: makers[key](value) for key, value in values.items()}
    if name == "load":
        return parallel(series(ports["ohm"], ports["henry"]), ports["farad"])
    return series(*ports.values())
