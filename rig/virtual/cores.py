"""The cores in the workshop's bins as circuits, read from cores.toml or a file of the same kind.

A core is a row of R, L and C sections in series with the empty coil, wrapped in the ladder of its body where
it conducts, with a crack or joint as an inductance across it. A fixed linear circuit has no level, history,
warmth or age; those enter as stated in `Condition` and `Behaviour`.
"""

from __future__ import annotations

import math
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from functools import cache
from importlib import resources
from pathlib import Path
from typing import Any

import numpy as np

from whichcore.analysis.types import ComplexArray, FloatArray
from whichcore.errors import InputError
from whichcore.rig.virtual import geometry
from whichcore.rig.virtual.core_table import check_core
from whichcore.rig.virtual.oneport import (
    Capacitor,
    Inductor,
    OnePort,
    Resistor,
    Scaled,
    SectionLadder,
    parallel,
    relaxation,
    series,
    spin_resonance,
    tape,
    wall_resonance,
)

EPSILON_0 = 8.8541878128e-12  # F/m, CODATA 2018; memory
REFERENCE_C = 25.0
AGE_REFERENCE_S = 600.0
YOUNGEST_S = 1.0
TAPE_DEPTH = 30
LARGEST_FILE = 4_000_000  # bytes; a core takes one or two thousand
RAYLEIGH_ENDS = 1 / 8  # of the saturation
FULL = 0.99  # share of the saturation beyond which the model has nothing to say


@dataclass(frozen=True, slots=True)
class Behaviour:
    """How a core departs from a fixed linear circuit.

    Attributes
    ----------
    rayleigh_per_t : float
        Growth of χ with the peak flux density, νĤ/μi = rayleigh_per_t × B̂.
    saturation_t, remanence_t, coercive_a_per_m : float
    temperature_per_k : float
        Relative change of χ at 25 °C.
    ageing_per_decade : float
        Relative fall of χ for each decade of time since the core was disturbed, zero at 10 min.
    """

    rayleigh_per_t: float = 0.0
    saturation_t: float = 0.4
    remanence_t: float = 0.1
    coercive_a_per_m: float = 15.0
    temperature_per_k: float = 0.0
    ageing_per_decade: float = 0.0


@dataclass(frozen=True, slots=True)
class Condition:
    """State of a core.

    Attributes
    ----------
    temperature_c : float
    bias_t : float
        Static flux density, remanent or driven by direct current.
    age_s : float
        Time since it was last heated or neutralised; counted from one second.
    """

    temperature_c: float = REFERENCE_C
    bias_t: float = 0.0
    age_s: float = AGE_REFERENCE_S


@dataclass(frozen=True, slots=True)
class Section:
    """What lies across the flux in half the section of a conducting body.

    Attributes
    ----------
    half_m : float
        From the surface to the middle.
    conductivity_s_per_m, permittivity : float
    branches : tuple of (S/m, Hz)
        Conductances each in series with a capacitance, by the corner of the pair.
    cells : int
    """

    half_m: float
    conductivity_s_per_m: float
    permittivity: float
    branches: tuple[tuple[float, float], ...] = ()
    cells: int = 60


@dataclass(frozen=True, slots=True)
class Core:
    """One core of a bin.

    Attributes
    ----------
    id, title : str
    body : Body
    card : dict of str to str or float
        What a caliper says, in the keys of a specimen's ``[core]`` table.
    relaxations : tuple of (χ, Hz)
    walls : tuple of (χ, Hz, Q)
    spins : tuple of (K, Hz, α)
    tapes : tuple of (χ, thickness m, resistivity Ω·m)
    section : Section or None
    gap_m : float
        Crack or joints, all together.
    behaviour : Behaviour
    fit_residual, fit_low_hz, fit_high_hz : float or None
        Rms of |Δμ|/|μ| and span of the fit, for a core whose elements were fitted to a published curve.
    """

    id: str
    title: str
    body: geometry.Body
    card: dict[str, Any]
    relaxations: tuple[tuple[float, float], ...] = ()
    walls: tuple[tuple[float, float, float], ...] = ()
    spins: tuple[tuple[float, float, float], ...] = ()
    tapes: tuple[tuple[float, float, float], ...] = ()
    section: Section | None = None
    gap_m: float = 0.0
    behaviour: Behaviour = field(default_factory=Behaviour)
    fit_residual: float | None = None
    fit_low_hz: float | None = None
    fit_high_hz: float | None = None

    @property
    def static_susceptibility(self) -> float:
        """Σχ at 25 °C, neutralised, without gap."""
        return math.fsum(term[0] for term in (*self.relaxations, *self.walls, *self.spins, *self.tapes))

    def softening(self, condition: Condition) -> float:
        """Return the factor on χ that warmth, bias and age make, dimensionless.

        Raises
        ------
        InputError
            A bias at or beyond saturation, or a temperature at which nothing would be left.
        """
        own = self.behaviour
        warm = 1 + own.temperature_per_k * (condition.temperature_c - REFERENCE_C)
        share = condition.bias_t / own.saturation_t
        age = math.log10(max(condition.age_s, YOUNGEST_S) / AGE_REFERENCE_S)
        factor = warm * (1 - share**2) * (1 - own.ageing_per_decade * age)
        if abs(share) >= FULL or factor <= 0:
            raise InputError(
                "the virtual core is out of its model",
                where=self.id,
                got=f"{condition.bias_t:.3g} T static, {condition.temperature_c:g} degC",
                allowed=f"less than {FULL * own.saturation_t:.3g} T, positive permeability",
                next_step="lower the offset or the temperature",
            )
        return factor

    def impedance_port(
        self, turns: float, condition: Condition | None = None, level: ComplexArray | None = None
    ) -> OnePort:
        """Return the core seen by ``turns`` without wire: jωL0 μ as a circuit.

        Parameters
        ----------
        turns : float
        condition : Condition
        level : complex array (F,) or None
            Describing function on χ, see `level_factor`; None for vanishing level.
        """
        air = self.body.air_inductance(turns)
        soft = self.softening(condition or Condition())
        sections = [relaxation(air * chi, hz, soft) for chi, hz in self.relaxations]
        sections += [wall_resonance(air * chi, hz, q, soft) for chi, hz, q in self.walls]
        sections += [spin_resonance(air * chi, hz, alpha, soft) for chi, hz, alpha in self.spins]
        sections += [self._tape(air, soft, *term) for term in self.tapes]
        magnetic = series(*sections) if sections else None
        if magnetic is not None and level is not None:
            magnetic = Scaled(magnetic, level)
        whole = Inductor(air) if magnetic is None else series(Inductor(air), magnetic)
        if self.section is not None:
            whole = SectionLadder(whole, self._leak(self.section, air), self.section.cells)
        if self.gap_m:
            whole = parallel(whole, Inductor(air * self.body.length_m / self.gap_m))
        return whole

    def level_factor(self, flux_density_t: FloatArray) -> ComplexArray:
        """Return the describing function on χ of a Rayleigh loop of peak B, complex array (F,).

        With B = μ0[(μi + νĤ)H ± (ν/2)(Ĥ² − H²)] the fundamental is μi + νĤ(1 − 4j/3π) (Rayleigh's law;
        memory, the integral analytic).
        """
        return np.asarray(1 + self.growth(flux_density_t) * (1 - 4j / (3 * math.pi)))

    def growth(self, flux_density_t: FloatArray) -> FloatArray:
        """Return νĤ/μi at a peak B, float array (F,): even with B at first, and no more beyond B_s/8.

        Rayleigh's law ends where the loop grows steep; that end is invented, and below B_s/80 not felt.
        """
        bent = (flux_density_t / (RAYLEIGH_ENDS * self.behaviour.saturation_t)) ** 4
        return np.asarray(self.behaviour.rayleigh_per_t * flux_density_t / (1 + bent) ** 0.25)

    def _tape(self, air: float, soft: float, chi: float, thickness_m: float, resistivity: float) -> OnePort:
        eddy_time = geometry.MU_0 * chi * soft * thickness_m**2 / (4 * resistivity)
        return tape(air * chi * soft, eddy_time, TAPE_DEPTH)

    @staticmethod
    def _leak(section: Section, air: float) -> OnePort:
        per = section.half_m**2 * geometry.MU_0 / air
        across: list[OnePort] = [
            Resistor(1 / (section.conductivity_s_per_m * per)),
            Capacitor(section.permittivity * EPSILON_0 * per),
        ]
        for conductance, corner_hz in section.branches:
            siemens = conductance * per
            across.append(series(Resistor(1 / siemens), Capacitor(siemens / (2 * math.pi * corner_hz))))
        return parallel(*across)


def air_body(core: Core) -> Core:
    """Return the former of the same size that holds nothing magnetic."""
    return replace(core, relaxations=(), walls=(), spins=(), tapes=(), section=None, gap_m=0.0)


@cache
def cores() -> dict[str, Core]:
    """Return every core of cores.toml by id."""
    text = resources.files(__package__).joinpath("cores.toml").read_text(encoding="utf-8")
    return _parse(text, "cores.toml")


def read_cores(path: Path) -> dict[str, Core]:
    """Return the cores of a file in the form of cores.toml, by id.

    Raises
    ------
    InputError
        The file cannot be read, is no such file, holds no core or one whose id a core of the workshop has;
        or a core in it is wrong.
    """
    try:
        if path.stat().st_size > LARGEST_FILE:
            raise _unfit(path, f"{path.stat().st_size} bytes", f"up to {LARGEST_FILE} bytes")
        text = path.read_text(encoding="utf-8-sig")
    except (OSError, ValueError) as error:  # ValueError: no UTF-8, or a name no file can have
        raise _unfit(path, getattr(error, "strerror", None) or f"{error}", "a text file in UTF-8") from None
    found = _parse(text, str(path))
    if not found:
        raise _unfit(path, "no core", "a table [id] for each core")
    taken = sorted(set(found) & set(cores()))
    if taken:
        raise _unfit(path, ", ".join(taken), "ids that no core of the workshop has")
    return found


def core(name: str, shelf: Mapping[str, Core] | None = None) -> Core:
    """Return one core, of the workshop's or of a shelf; raises InputError for an unknown name."""
    there = cores() if shelf is None else shelf
    try:
        return there[name]
    except KeyError:
        raise InputError(
            "no such core on the virtual bench", where="core", got=name[:80], allowed=", ".join(there)
        ) from None


def _unfit(path: Path, got: str, allowed: str) -> InputError:
    return InputError("the file of cores cannot be used", where=str(path), got=got, allowed=allowed)


def _parse(text: str, where: str) -> dict[str, Core]:
    try:
        tables = tomllib.loads(text)
    except (tomllib.TOMLDecodeError, RecursionError) as error:
        raise _unfit(Path(where), f"{error}", "TOML") from None
    return {key: _core(key, check_core(table, f"{where}, {key}")) for key, table in tables.items()}


def _core(key: str, table: dict[str, Any]) -> Core:
    fit = table.get("fit", {})
    return Core(
        id=key,
        title=table["title"],
        body=_body(table["body"]),
        card=table["card"],
        relaxations=_terms(table, "relaxations"),
        walls=_terms(table, "walls"),
        spins=_terms(table, "spins"),
        tapes=tuple((chi, um * 1e-6, rho * 1e-6) for chi, um, rho in table.get("tapes_um_uohm_m", [])),
        section=_section(table["section"]) if "section" in table else None,
        gap_m=table.get("gap_um", 0.0) * 1e-6,
        behaviour=Behaviour(**table.get("behaviour", {})),
        fit_residual=fit.get("residual"),
        fit_low_hz=fit.get("low_hz"),
        fit_high_hz=fit.get("high_hz"),
    )


def _terms(table: dict[str, Any], key: str) -> tuple[Any, ...]:
    return tuple(tuple(term) for term in table.get(key, []))


def _section(table: dict[str, Any]) -> Section:
    return Section(
        half_m=table["half_mm"] * 1e-3,
        conductivity_s_per_m=table["conductivity_s_per_m"],
        permittivity=table["permittivity"],
        branches=_terms(table, "branches"),
    )


def _body(table: dict[str, Any]) -> geometry.Body:
    if "c1_per_mm" in table:
        return geometry.Body(table["c1_per_mm"] * 1e3, table["c2_per_mm3"] * 1e9, table["turn_mm"] * 1e-3)
    return geometry.ring(
        table["outer_mm"] * 1e-3,
        table["inner_mm"] * 1e-3,
        table["height_mm"] * 1e-3,
        table.get("coat_mm", 0.0) * 1e-3,
        table.get("filling", 1.0),
    )
