"""The bench wired up: which network it is, and the voltages at its two nodes."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

from whichcore.analysis.types import ComplexArray, FloatArray, Wiring
from whichcore.errors import InputError
from whichcore.rig.virtual.circuit import GROUND, Branch, Coil, Network, Solution
from whichcore.rig.virtual.electronics import electronics
from whichcore.rig.virtual.fixtures import Item, WoundCore
from whichcore.rig.virtual.oneport import Capacitor, Inductor, OnePort, Resistor, parallel, series

DIRECT_S = 1e-3 + 0j  # rad/s, near enough to direct current for anything on this bench
LEVEL_TOLERANCE = 1e-12
LEVEL_ROUNDS = 60


@dataclass(frozen=True, slots=True)
class Setup:
    """What the hands have put together.

    Attributes
    ----------
    wiring : Wiring
    item : Fixture or WoundCore
    shunt_ohm : float
        Value printed on the shunt in use.
    input_farad : (float, float)
        Capacitance at the input of each channel, cable and range included.
    input_ohm : (float, float)
    pad_db : float
        Matched pad at the output of the source.
    blocking_farad : float or None
        Capacitor in series with the source, against direct current.
    tied : bool
        Both channels on the node of channel A.
    """

    wiring: Wiring
    item: Item
    shunt_ohm: float = 10.0
    input_farad: tuple[float, float] = (70e-12, 70e-12)
    input_ohm: tuple[float, float] = (1e6, 1e6)
    pad_db: float = 0.0
    blocking_farad: float | None = None
    tied: bool = False

    @property
    def probes(self) -> tuple[str, str]:
        """Nodes of channel A and B."""
        first = "drive" if self.tied and self.wiring is Wiring.TWO_WINDINGS else "a"
        return first, first if self.tied else "b"

    @property
    def emf_share(self) -> float:
        """Emf behind the pad over emf of the source."""
        db = self.pad_db + (electronics().source.pad_db_error if self.pad_db else 0.0)
        return float(10 ** (-db / 20))

    def network(self, core: OnePort | None = None) -> Network:
        """Return the circuit; ``core`` stands in for the core's own small-signal impedance."""
        source: OnePort = Resistor(electronics().source.ohm)
        if self.blocking_farad is not None:
            source = series(source, Capacitor(self.blocking_farad))
        drive, branches, coils = self._specimen_arm()
        inputs = [
            Branch(node, GROUND, parallel(Resistor(ohm), Capacitor(farad)))
            for node, ohm, farad in zip(self.probes, self.input_ohm, self.input_farad, strict=True)
        ]
        if isinstance(self.item, WoundCore) and core is None:
            core = self.item.core_port()
        return Network(drive, source, (*branches, *inputs), coils, core)

    def _specimen_arm(self) -> tuple[str, list[Branch], tuple[Coil, ...]]:
        """Return the driven node, and everything from it to ground."""
        data = electronics().bench
        lead = series(Resistor(data.lead_ohm), Inductor(data.lead_henry))
        ohm, henry = electronics().shunt(self.shunt_ohm)
        shunt = series(Resistor(ohm), Inductor(henry))
        branches, coils = self._item("hi", "lo")
        if self.wiring is Wiring.SPECIMEN_AT_GROUND:
            arm = [Branch("a", "b", shunt), Branch("b", "hi", lead), Branch("lo", GROUND, lead)]
            return "a", [*arm, *branches], coils
        drive = "drive" if self.wiring is Wiring.TWO_WINDINGS else "a"
        joined = [Branch(drive, "hi", lead), Branch("lo", "b", lead), Branch("b", GROUND, shunt), *branches]
        if self.wiring is Wiring.TWO_WINDINGS and isinstance(self.item, WoundCore):
            extra, second = self._secondary(self.item, lead)
            return drive, [*joined, *extra], (*coils, second)
        return drive, joined, coils

    def _item(self, hi: str, lo: str) -> tuple[list[Branch], tuple[Coil, ...]]:
        if not isinstance(self.item, WoundCore):
            return [Branch(hi, lo, self.item.part)], ()
        turns = self.item.turns
        across = Branch(hi, lo, Capacitor(self.item.capacitance_f(turns)))
        return [across], (Coil(hi, lo, self.item.wire_port(turns)),)

    @staticmethod
    def _secondary(item: WoundCore, lead: OnePort) -> tuple[list[Branch], Coil]:
        turns = item.secondary_turns
        if turns is None:
            raise InputError(
                "two windings were wired, and the core has one",
                where=item.core.id,
                allowed="a core with secondary_turns",
                next_step="wind a second winding, or choose another wiring",
            )
        branches = [
            Branch("second", "a", lead),
            Branch("second", GROUND, Capacitor(item.capacitance_f(turns))),
            Branch("hi", "second", Capacitor(electronics().bench.interwinding_farad)),
        ]
        return branches, Coil("second", GROUND, item.wire_port(turns), turns / item.turns)


@dataclass(frozen=True, slots=True)
class Operating:
    """Steady state of the bench under a sine at each frequency.

    Attributes
    ----------
    probe_v : complex array (2, F)
        Peak phasors at the nodes of channel A and B.
    third_v : complex array (2, F)
        Third harmonic the core adds, peak phasors at 3f.
    direct_v : float array (2,)
    flux_density_t : float array (F,)
        Peak, in the effective section.
    core_current_a : complex array (F,)
        Peak ampere-turns over the turns of the first winding.
    direct_current_a : float
    bias_t : float
        Static flux density: remanence and direct current.
    """

    probe_v: ComplexArray
    third_v: ComplexArray
    direct_v: FloatArray
    flux_density_t: FloatArray
    core_current_a: ComplexArray
    direct_current_a: float
    bias_t: float


def operate(
    setup: Setup, frequency_hz: FloatArray, emf_vpk: complex | ComplexArray, offset_v: float = 0.0
) -> Operating:
    """Return the steady state, with the core at the level and bias that the drive makes.

    Parameters
    ----------
    setup : Setup
    frequency_hz : float array (F,)
    emf_vpk : complex, scalar or array (F,)
        Peak emf of the source before the pad.
    offset_v : float
        Direct emf of the source before the pad.

    Raises
    ------
    InputError
        The core would be driven out of its model.
    """
    s = np.asarray(2j * np.pi * frequency_hz, dtype=np.complex128)
    emf = np.asarray(emf_vpk * setup.emf_share)
    direct = setup.network().solve(np.array([DIRECT_S]), offset_v * setup.emf_share)
    direct_v = _at_probes(setup, direct)[:, 0].real
    item = setup.item
    if not isinstance(item, WoundCore):
        probe_v = _at_probes(setup, setup.network().solve(s, emf))
        nothing = np.zeros_like(s)
        return Operating(probe_v, np.zeros_like(probe_v), direct_v, nothing.real, nothing, 0.0, 0.0)
    current = float(direct.core_current[0].real)
    bias = item.condition.bias_t + _static_density(item, current)
    biased = replace(item, condition=replace(item.condition, bias_t=bias))
    setup = replace(setup, item=biased)
    solution, density = _at_level(setup, biased, s, emf)
    return Operating(
        probe_v=_at_probes(setup, solution),
        third_v=_third(setup, biased, s, (solution, density)),
        direct_v=direct_v,
        flux_density_t=density,
        core_current_a=solution.core_current,
        direct_current_a=current,
        bias_t=bias,
    )


def node_voltages(
    setup: Setup, frequency_hz: FloatArray, emf_vpk: complex | ComplexArray
) -> tuple[ComplexArray, ComplexArray]:
    """Return the peak phasors at the nodes of channel A and B, complex arrays (F,); see `operate`."""
    first, second = operate(setup, frequency_hz, emf_vpk).probe_v
    return first, second


def _at_probes(setup: Setup, solution: Solution) -> ComplexArray:
    return np.array([solution.voltages[node] for node in setup.probes])


def _static_density(item: WoundCore, current_a: float) -> float:
    """Return B = L I/(N A) at direct current, T."""
    s = np.array([DIRECT_S])
    inductance = float((item.core_port().impedance(s) / s)[0].real)
    return inductance * current_a / (item.turns * item.core.body.area_m2)


def _at_level(
    setup: Setup, item: WoundCore, s: ComplexArray, emf: ComplexArray
) -> tuple[Solution, FloatArray]:
    """Iterate until the level that the core's impedance assumes is the one it is driven to."""
    per_volt = 1 / (np.abs(s) * item.turns * item.core.body.area_m2)
    density = np.zeros(s.shape)
    for _ in range(LEVEL_ROUNDS):
        level = item.core.level_factor(density)
        solution = setup.network(item.core_port(level)).solve(s, emf)
        new = np.abs(solution.flux_voltage) * per_volt
        settled = np.all(np.abs(new - density) <= LEVEL_TOLERANCE * np.maximum(new, 1e-15))
        density = new
        if settled or item.core.behaviour.rayleigh_per_t == 0:
            break
    beyond = np.max(density) + abs(item.condition.bias_t)
    if beyond >= item.core.behaviour.saturation_t:
        raise InputError(
            "the virtual core is driven into saturation, where its model ends",
            where=item.core.id,
            got=f"{beyond:.3g} T peak",
            allowed=f"less than {item.core.behaviour.saturation_t:g} T",
            next_step="lower the drive",
        )
    return solution, density


def _third(
    setup: Setup, item: WoundCore, s: ComplexArray, state: tuple[Solution, FloatArray]
) -> ComplexArray:
    """Return the third harmonic of a Rayleigh loop at the probes.

    With H = Ĥ cos θ the loop adds (ν/2)Ĥ² sin θ |sin θ|, whose third harmonic is −(4/15π) νĤ² sin 3θ
    (analytic); νĤ/μi = rayleigh_per_t × B̂.
    """
    fundamental, density = state
    size = 4 / (15 * math.pi) * item.core.growth(density) * density
    turned = np.exp(3j * np.angle(fundamental.core_current))
    emf = 3 * s * item.turns * item.core.body.area_m2 * 1j * size * turned
    return _at_probes(setup, setup.network().solve(3 * s, 0.0, emf))
