"""What ``whichcore resonance`` prints: result, copper, level, comparison, budget, capacitor to take."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from whichcore.analysis.budget import budget_at
from whichcore.analysis.comparison import Comparison, compare, shared_by_specimen
from whichcore.analysis.curve_difference import RAYLEIGH_PER_T
from whichcore.analysis.functional import RealCurve
from whichcore.analysis.resonance import Connection, Resonance
from whichcore.analysis.specimen import Specimen
from whichcore.analysis.types import ImpedanceSweep
from whichcore.budget_words import closing
from whichcore.cli.budget_text import grid
from whichcore.cli.show import Block, Grid, Heading, Lines, page
from whichcore.wording import quantity, with_uncertainty

SMALL_SIGNAL_T = 0.25e-3  # IEC 60401-3, from memory
#: Preferred values, one decade (IEC 60063, E6 series, from memory).
E6 = (1.0, 1.5, 2.2, 3.3, 4.7, 6.8, 10.0)
APART = 2.0


@dataclass(frozen=True, slots=True)
class Found:
    """One resonance with everything said about it.

    Attributes
    ----------
    resonance : Resonance
    curve : RealCurve
        Loss tangent, one point.
    copper_ohm : (float, float)
        Taken off, and its standard uncertainty.
    flux_per_volt : float
        Peak flux density for one volt rms across winding and capacitor, T.
    level : (float, float) or None
        That voltage, V rms, and the flux density, where it was given.
    comparison : Comparison or None
        Resonance and direct sweep.
    """

    resonance: Resonance
    curve: RealCurve
    copper_ohm: tuple[float, float]
    flux_per_volt: float
    level: tuple[float, float] | None
    comparison: Comparison | None


@dataclass(frozen=True, slots=True)
class Wanted:
    """The capacitance for a frequency, and from where the inductance is known."""

    frequency_hz: float
    capacitance_f: float
    known_from: str
    connection: Connection


def against(curve: RealCurve, one: Resonance, direct: RealCurve, point: ImpedanceSweep) -> Comparison:
    """Compare with the direct way: winding, dimensions and calibration are one cause in both."""
    return compare(
        shared_by_specimen(curve, {source.id for source in one.winding.sources}),
        shared_by_specimen(direct, {source.id for source in point.sources}),
        one.frequency_hz,
    )


def zero_field_doubt(flux_density_t: float) -> float:
    """Return by how much the loss tangent may fall towards zero field: 4/3π of Rayleigh's slope."""
    return 4 / (3 * math.pi) * RAYLEIGH_PER_T * flux_density_t


# ------------------------------------------------------------------------------------------------- JSON


def found_report(item: Found) -> dict[str, Any]:
    """Return one resonance as JSON."""
    one, budget = item.resonance, budget_at(item.curve, item.resonance.frequency_hz)
    mu = one.spectrum.permeability[0]
    report: dict[str, Any] = {
        "connection": one.connection.value,
        "frequency_hz": one.frequency_hz,
        "u_frequency_hz": one.u_frequency_hz,
        "terminal_resistance_ohm": one.terminal_ohm,
        "quality": one.quality,
        "inductance_h": one.inductance_h,
        "core_resistance_ohm": _core_ohm(item),
        "copper_ohm": item.copper_ohm[0],
        "u_copper_ohm": item.copper_ohm[1],
        "mu_real": float(mu.real),
        "mu_imag": float(-mu.imag),
        "loss_tangent": budget.value,
        "u_loss_tangent": budget.standard_uncertainty,
        "budget": [
            {
                "ids": list(line.ids),
                "u": line.standard_uncertainty,
                "share": line.share,
                "remedy": line.cause.remedy,
            }
            for line in budget.lines
        ],
        "level": None,
        "direct": None,
    }
    if item.level is not None:
        volts, flux = item.level
        report["level"] = {
            "voltage_vrms": volts,
            "flux_density_t": flux,
            "loss_tangent_to_zero_field": zero_field_doubt(flux),
        }
    if (comparison := item.comparison) is not None:
        u = comparison.difference.standard_uncertainty
        report["direct"] = {
            "loss_tangent": comparison.second,
            "difference": comparison.difference.value,
            "u_difference": u,
            "difference_over_u": comparison.difference.value / u if u > 0 else None,
        }
    return report


def wanted_report(wanted: Wanted) -> dict[str, Any]:
    """Return the capacitor to take as JSON."""
    return {"frequency_hz": wanted.frequency_hz, "capacitance_f": wanted.capacitance_f}


# ------------------------------------------------------------------------------------------------- text


def resonance_page(wound: Specimen, found: Sequence[Found], wanted: Wanted | None) -> str:
    """Return everything as text."""
    blocks: list[Block] = []
    for item in found:
        budget = budget_at(item.curve, item.resonance.frequency_hz)
        blocks += [
            Heading(
                f"{wound.name}: resonance at {quantity(item.resonance.frequency_hz, 'Hz', 5)}".lstrip(": ")
            ),
            Lines(tuple(_result(item))),
        ]
        if budget.lines:
            blocks += [grid(budget), Lines(closing(budget))]
    if len(found) > 1:
        blocks.append(_together(found))
    if wanted is not None:
        blocks.append(Lines(_capacitor(wanted)))
    return page(blocks)


def _core_ohm(item: Found) -> float:
    """Return R of the core alone: what it would be in series with its inductance."""
    one = item.resonance
    z = complex(one.winding.impedance_ohm[0])
    mu = complex(one.spectrum.permeability[0])
    return abs(z.imag) * -mu.imag / mu.real


def _result(item: Found) -> list[str]:
    one, budget = item.resonance, budget_at(item.curve, item.resonance.frequency_hz)
    copper, u_copper = item.copper_ohm
    crossing = "R at X = 0" if one.connection is Connection.SERIES else "1/G at B = 0"
    lines = [
        f"tan δ of the core: {with_uncertainty(budget.value, budget.standard_uncertainty)} "
        "(standard uncertainty).",
        f"{crossing}: {quantity(one.terminal_ohm, 'Ω', 4)}, Q {one.quality:.3g}; "
        f"L {quantity(one.inductance_h, 'H')}; core {quantity(_core_ohm(item), 'Ω')}, "
        f"copper {quantity(copper, 'Ω')} ± {quantity(u_copper, 'Ω', 2)} taken off.",
    ]
    return [*lines, _level_line(item), *_direct_lines(item)]


def _level_line(item: Found) -> str:
    volts = SMALL_SIGNAL_T / item.flux_per_volt
    most = f"{quantity(SMALL_SIGNAL_T, 'T')} is reached at {quantity(volts, 'V')} rms"
    if item.level is None:
        return f"Level in the core not known: state --voltage. {most} across winding and capacitor."
    volts, flux = item.level
    return (
        f"Level: {quantity(flux, 'T')} peak in the core at {quantity(volts, 'V')} rms; {most}. The loss "
        f"tangent is that at this level; towards zero field it may fall by some {zero_field_doubt(flux):.1g} "
        "(practice), which a second reading at half the voltage shows."
    )


def _direct_lines(item: Found) -> list[str]:
    comparison = item.comparison
    if comparison is None:
        return []
    one, direct = item.resonance, comparison
    u_direct = math.sqrt(max(direct.u_difference_apart**2 - float(item.curve.variance[0]), 0.0))
    u = direct.difference.standard_uncertainty
    apart = abs(direct.difference.value) / u if u > 0 else math.inf
    verdict = (
        "they agree" if apart <= APART else "they do not agree: phase of the bench, or the capacitor's loss?"
    )
    return [
        f"Directly at {quantity(one.frequency_hz, 'Hz', 5)}: tan δ "
        f"{with_uncertainty(direct.second, u_direct)}, apart by {apart:.1f} standard uncertainties of the "
        f"difference, with what both share cancelled: {verdict}."
    ]


def _together(found: Sequence[Found]) -> Grid:
    rows = []
    for item in sorted(found, key=lambda other: other.resonance.frequency_hz):
        one, u = item.resonance, math.sqrt(float(item.curve.variance[0]))
        mu = one.spectrum.permeability[0]
        rows.append(
            (
                quantity(one.frequency_hz, "Hz", 5),
                quantity(one.capacitor.capacitance_f, "F"),
                f"{one.quality:.3g}",
                f"{mu.real:.4g}",
                with_uncertainty(one.loss_tangent, u),
            )
        )
    return Grid(("frequency", "C", "Q", "μ′", "tan δ"), tuple(rows), frozenset({"Q", "μ′"}))


def _capacitor(wanted: Wanted) -> tuple[str, ...]:
    farad, place = wanted.capacitance_f, quantity(wanted.frequency_hz, "Hz")
    decade = 10.0 ** math.floor(math.log10(farad))
    below = max(step for step in E6 if step * decade <= farad * (1 + 1e-9)) * decade
    above = min(step for step in E6 if step * decade >= farad * (1 - 1e-9)) * decade
    steps = [
        f"{quantity(value, 'F')} gives {quantity(wanted.frequency_hz * math.sqrt(farad / value), 'Hz')}"
        for value in dict.fromkeys((below, above))
    ]
    return (
        f"For a resonance at {place} in {wanted.connection.value} take {quantity(farad, 'F')} (by "
        f"{wanted.known_from}); {', '.join(steps)}.",
        "Take polypropylene or C0G, not a ceramic of high permittivity: its loss counts as the core's.",
    )
