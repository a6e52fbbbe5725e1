"""How hard to drive: a fixed level, or a limit of the flux density kept by what the last point has shown."""

from __future__ import annotations

import math
from array import array
from dataclasses import dataclass

import numpy as np

from whichcore.analysis.flux_density import core_voltage_vrms, inner_edge_factor, peak_flux_density_t
from whichcore.analysis.specimen import Specimen
from whichcore.analysis.types import Phasors, Wiring
from whichcore.errors import InputError

AIM = 0.85  # of the limit: room for a core that follows less well than predicted
LOWEST_SHARE = 0.6  # of the limit: below it the level is raised
STEP_DIGITS = 3
HIGHEST_INITIAL_T = 5e-3  # the most that is extrapolated to zero field from. Practice.
SPREAD = 5.4  # of the largest level over the smallest: five, with room for what B does beside the level


@dataclass(frozen=True, slots=True)
class DriveRule:
    """One level for the whole sweep, V peak to peak, open circuit."""

    level_vpp: float

    def __post_init__(self) -> None:
        _positive("level_vpp", self.level_vpp, "V")


@dataclass(frozen=True, slots=True)
class FluxRule:
    """As near to a peak flux density as the source can be set, and never above it.

    Attributes
    ----------
    flux_density_t : float
        Largest over the section (the inner edge), T.
    specimen : Specimen
    """

    flux_density_t: float
    specimen: Specimen

    def __post_init__(self) -> None:
        _positive("flux_density_t", self.flux_density_t, "T")

    def safe_level_vpp(self, frequency_hz: float) -> float:
        """Return the level that keeps the limit whatever the core is: all of it falls on the winding."""
        per_volt = float(peak_flux_density_t(1.0, frequency_hz, self.specimen))
        vrms = AIM * self.flux_density_t / (per_volt * inner_edge_factor(self.specimen))
        return vrms * math.sqrt(8)


@dataclass(frozen=True, slots=True)
class ZeroFieldRule:
    """Where a point cannot be had at its flux density: larger ones, extrapolated linearly to zero field.

    Attributes
    ----------
    flux_density_t : float
        The largest, never passed, T. A fifth of it and less goes with it.
    levels : int
        2, or 3 to see a bend as well.
    beyond_relative : float
        A point of a larger uncertainty than this, relative to |Z|, counts as not to be had.
    """

    flux_density_t: float = HIGHEST_INITIAL_T
    levels: int = 2
    beyond_relative: float = 0.02

    def __post_init__(self) -> None:
        _positive("zero field", self.flux_density_t, "T")
        for where, value, low, high in (
            ("flux density", self.flux_density_t, 0.0, HIGHEST_INITIAL_T),
            ("levels", self.levels, 2, 3),
            ("beyond", self.beyond_relative, 0.0, 1.0),
        ):
            if not low <= value <= high:
                raise InputError(
                    "no way to zero field", where=where, got=f"{value:g}", allowed=f"{low:g} to {high:g}"
                )

    @property
    def shares(self) -> tuple[float, ...]:
        """Levels below the largest, as shares of it, falling."""
        return tuple(float(SPREAD ** (-k / (self.levels - 1))) for k in range(1, self.levels))


@dataclass(frozen=True, slots=True)
class LevelSeen:
    """What a level did at one frequency.

    Attributes
    ----------
    frequency_hz : float
    level_vpp : float
    flux_density_t : float
        At the inner edge, peak.
    impedance_ohm : complex
        Of the specimen.
    relative_uncertainty : float
        Standard uncertainty of a component of the impedance over its magnitude.
    """

    frequency_hz: float
    level_vpp: float
    flux_density_t: float
    impedance_ohm: complex
    relative_uncertainty: float = 0.0


class LevelMemory:
    """What the levels did at finished points, to set out from when the sweep comes back to their neighbours.

    Six numbers a point, so that a long sweep needs no memory worth a word.
    """

    def __init__(self) -> None:
        self._rows = array("d")

    def keep(self, seen: LevelSeen) -> None:
        """Remember a point."""
        z = seen.impedance_ohm
        numbers = (seen.frequency_hz, seen.level_vpp, seen.flux_density_t, z.real, z.imag)
        self._rows.extend((*numbers, seen.relative_uncertainty))

    def below(self, frequency_hz: float) -> LevelSeen | None:
        """Return the point at this frequency or next below it; None where there is none."""
        rows = np.array(self._rows).reshape(-1, 6)
        rows = rows[rows[:, 0] <= frequency_hz * (1 + 1e-9)]
        if not rows.size:
            return None
        f, level, flux, real, imag, u = rows[np.argmax(rows[:, 0])].tolist()
        return LevelSeen(f, level, flux, complex(real, imag), u)


def predicted_level_vpp(rule: FluxRule, seen: LevelSeen, frequency_hz: float, series_ohm: float) -> float:
    """Return the level that takes the core to the aim at another frequency.

    With a constant permeability B goes with the current, and the current with the level over
    |R_s + Z(f)|, Z(f) = R + jX f/f_seen. Where the permeability falls, both err to the safe side. What was
    seen in noise may be too low by two of its standard uncertainties, and the aim is lowered by as much.

    Towards lower frequencies the permeability may rise, above a resonance as 1/f² at the most: B per volt is
    taken as so much larger, and the point itself then says by how much less it is.
    """
    z = seen.impedance_ohm
    ratio = frequency_hz / seen.frequency_hz
    there = complex(z.real, z.imag * ratio)
    per_volt = seen.flux_density_t / seen.level_vpp * abs(series_ohm + z) / abs(series_ohm + there)
    per_volt /= min(ratio, 1.0) ** 2
    return AIM * rule.flux_density_t / (1 + 2 * seen.relative_uncertainty) / per_volt


def rounded_down(level_vpp: float) -> float:
    """Return the level with three digits, not above it, so that small steps are not taken."""
    scale = 10.0 ** (STEP_DIGITS - 1 - math.floor(math.log10(level_vpp)))
    return math.floor(level_vpp * scale + 1e-9) / scale


def flux_density_t(
    rule: FluxRule, phasors: Phasors, impedance_ohm: complex, wiring: Wiring, shunt_ohm: float
) -> float:
    """Return the largest peak flux density in the core, T, from the voltages read.

    B = √2 |I Z_core|/(ω N A_e) times the inner-edge factor. The current comes from the shunt; with the
    specimen at ground channel B reads its voltage itself; the second winding reads the core's directly.
    """
    specimen, f = rule.specimen, phasors.frequency_hz
    a_vrms, b_vrms = abs(phasors.phasor_vpk) / math.sqrt(2)
    if wiring is Wiring.TWO_WINDINGS:
        flux = peak_flux_density_t(a_vrms, f, specimen, specimen.winding.secondary_turns)
    else:
        at_ground = wiring is Wiring.SPECIMEN_AT_GROUND
        terminal = b_vrms if at_ground else b_vrms / shunt_ohm * abs(impedance_ohm)
        induced = core_voltage_vrms([impedance_ohm], [f], [terminal], specimen)
        flux = peak_flux_density_t(induced[0], f, specimen)
    return float(flux) * inner_edge_factor(specimen)


def highest_flux_density_t(rule: FluxRule, phasors: Phasors, wiring: Wiring) -> float:
    """Return what the flux density cannot pass, T, even where the impedance is not known yet.

    No passive core of this winding takes more voltage than stands on its terminals, and these not more than
    node A (node B with the specimen at ground, the second winding with two): |V| + 3 σ, all on the core.
    """
    channel = 1 if wiring is Wiring.SPECIMEN_AT_GROUND else 0
    spread = phasors.covariance_v2[2 * channel : 2 * channel + 2, 2 * channel : 2 * channel + 2]
    vpk = abs(complex(phasors.phasor_vpk[channel])) + 3 * math.sqrt(max(float(spread.trace()), 0.0))
    turns = rule.specimen.winding.secondary_turns if wiring is Wiring.TWO_WINDINGS else None
    flux = peak_flux_density_t(vpk / math.sqrt(2), phasors.frequency_hz, rule.specimen, turns)
    return float(flux) * inner_edge_factor(rule.specimen)


def _positive(name: str, value: float, unit: str) -> None:
    if not 0 < value < math.inf:
        raise InputError(
            "a level must be positive and finite", where=name, got=f"{value:g} {unit}", allowed=f"> 0 {unit}"
        )
