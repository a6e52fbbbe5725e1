"""Plan a measurement before anything is connected: wiring, turns, wire, level and pad, band by band.

Numbers in, numbers and reasons out; :mod:`whichcore.analysis.plan_band` judges one winding in one band.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

from whichcore.analysis.plan_accuracy import PlanAccuracy
from whichcore.analysis.plan_alternatives import PAYS, judged
from whichcore.analysis.plan_band import WIRES_M, Band, Limits, WoundBand, wire_for
from whichcore.analysis.plan_point import PlanBench
from whichcore.analysis.plan_remark import ESTIMATE, Reason, Remark
from whichcore.analysis.specimen import Rod, Specimen, Winding
from whichcore.errors import AnalysisError, InputError
from whichcore.wording import in_percent

BANDS_HZ = ((1e3, 1e4), (1e4, 1e5), (1e5, 3e5), (3e5, 1e6), (1e6, 3e6))
UNKNOWN_SPAN = (50.0, 15_000.0)
EXPECTED_SPREAD = 0.3  # A_L of an ungapped core is within ± 20 to 30 %; practice
TURNS = (40, 28, 20, 14, 10, 7, 5, 4, 3)
FEW, MANY = 5, 20  # of two windings: at most so many above 100 kHz, at least so many below; practice
FEW_ABOVE_HZ = 1e5
COERCIVE_A_PER_M = (10.0, 30.0)  # of manganese-zinc ferrites, from memory
NEUTRALISING = 5  # times the coercive field, from memory


@dataclass(frozen=True, slots=True)
class MeasurementPlan:
    """The plan of one specimen on one bench.

    Attributes
    ----------
    initial_permeability : (float, float)
        Span it was made for.
    flux_density_t : float
        Wanted, largest over the section, peak; the points are worked out at it.
    turns : tuple of int
        The windings to make, most turns first.
    own_turns_serve : bool
        The winding of the specimen is the one planned.
    bands : tuple of Band
    remarks : tuple of Remark
        That concern all bands.
    """

    initial_permeability: tuple[float, float]
    flux_density_t: float
    turns: tuple[int, ...]
    own_turns_serve: bool
    bands: tuple[Band, ...]
    remarks: tuple[Remark, ...]


def plan_measurement(
    specimen: Specimen,
    bench: PlanBench,
    expected_permeability: float | None = None,
    accuracy: PlanAccuracy | None = None,
) -> MeasurementPlan:
    """Plan the measurement of one specimen.

    Parameters
    ----------
    specimen : Specimen
        Its own winding is kept where it serves all bands.
    bench : PlanBench
    expected_permeability : float or None
        Initial; it is taken as within ± 30 %. None plans for 50 to 15,000.
    accuracy : PlanAccuracy or None
        Of the bench. With it the wiring is the one that leaves least open in μ; None weighs by how much a
        ratio error is multiplied, and says nothing of what would be known.

    Raises
    ------
    InputError
        The permeability expected is not above 1.
    AnalysisError
        The core is a rod, or no frequency lies within the source's.
    """
    if isinstance(specimen.core, Rod):
        raise AnalysisError(
            "a rod shows its shape rather than its material: there is no sweep to plan",
            where="core.shape",
            got="rod",
            allowed="a closed core",
            next_step="compare with a known rod in the same coil",
        )
    span = _span(expected_permeability)
    bands = _bands(bench)
    windings = _choose_turns(specimen, bench, span, bands)
    planned = [
        WoundBand(rewound(specimen, windings[limits]), bench, limits, span, accuracy) for limits in bands
    ]
    turns = tuple(sorted(set(windings.values()), reverse=True))
    own = turns == (specimen.winding.turns,)
    return MeasurementPlan(
        initial_permeability=span,
        flux_density_t=bench.flux_density_t,
        turns=turns,
        own_turns_serve=own,
        bands=tuple(judged(item) for item in planned),
        remarks=(
            *_turns_remarks(specimen, turns, own),
            *_gain_remarks(specimen, planned, accuracy),
            *_whole_remarks(planned),
        ),
    )


def _span(expected: float | None) -> tuple[float, float]:
    if expected is None:
        return UNKNOWN_SPAN
    if not 1 < expected < math.inf:
        raise InputError(
            "an initial permeability is above 1",
            where="expected permeability",
            got=f"{expected:g}",
            allowed="> 1",
        )
    return max(expected * (1 - EXPECTED_SPREAD), 1.01), expected * (1 + EXPECTED_SPREAD)


def _bands(bench: PlanBench) -> list[Limits]:
    low, high = bench.frequency_hz
    cut = [(max(start, low), min(end, high)) for start, end in BANDS_HZ]
    bands = [(start, end) for start, end in cut if start < end]
    if not bands:
        raise AnalysisError(
            "no frequency of the plan lies within the source's",
            where="source",
            got=f"{low:g} to {high:g} Hz",
            allowed=f"some of {BANDS_HZ[0][0]:g} to {BANDS_HZ[-1][1]:g} Hz",
        )
    return bands


# ------------------------------------------------------------------------------------------ the winding


def rewound(specimen: Specimen, turns: int) -> Specimen:
    """Return the specimen with so many turns; its own winding, as far as it is known, where it is that."""
    own = specimen.winding
    if turns == own.turns:
        return specimen
    wire = wire_for(specimen, turns) or WIRES_M[-1]
    return replace(specimen, winding=Winding(turns, wire_diameter_m=wire, lead_length_m=own.lead_length_m))


def with_second(specimen: Specimen) -> Specimen:
    """Return the specimen with a second winding of as many turns."""
    return replace(specimen, winding=replace(specimen.winding, secondary_turns=specimen.winding.turns))


def _choose_turns(
    specimen: Specimen, bench: PlanBench, span: Limits, bands: Sequence[Limits]
) -> dict[Limits, int]:
    """Return the turns of each band: the winding there is, one that serves everywhere, or two."""

    def serves(turns: int, some: Sequence[Limits]) -> bool:
        fits = turns == specimen.winding.turns or wire_for(specimen, turns) is not None
        core = rewound(specimen, turns)
        return fits and all(WoundBand(core, bench, limits, span).serves() for limits in some)

    for turns in (specimen.winding.turns, *TURNS):
        if serves(turns, bands):
            return dict.fromkeys(bands, turns)
    low = [limits for limits in bands if limits[1] <= FEW_ABOVE_HZ]
    high = [limits for limits in bands if limits[1] > FEW_ABOVE_HZ]
    held = [n for n in TURNS if wire_for(specimen, n) is not None] or [TURNS[-1]]

    def lack(turns: int, some: Sequence[Limits]) -> float:
        """Return by how many times winding or signal miss what is asked, at worst."""
        core = rewound(specimen, turns)
        return max((WoundBand(core, bench, limits, span).lack() for limits in some), default=0.0)

    most = [n for n in held if n >= MANY] or held
    least = [n for n in held if n <= FEW] or held[-1:]
    many = next((n for n in most if serves(n, low)), None) or min(held, key=lambda n: lack(n, low))
    few = next((n for n in least if serves(n, high)), None) or min(least, key=lambda n: lack(n, high))
    return dict.fromkeys(low, many) | dict.fromkeys(high, few)


def _turns_remarks(specimen: Specimen, turns: tuple[int, ...], own: bool) -> list[Remark]:
    remarks = []
    if len(turns) > 1:
        remarks.append(
            Remark(
                Reason.TURNS,
                f"one winding does not serve all bands: wind {turns[0]} turns to 100 kHz and {turns[1]} "
                "above, and measure half a decade with both, which checks turns and winding capacitance",
            )
        )
    elif not own:
        remarks.append(
            Remark(
                Reason.TURNS,
                f"the {specimen.winding.turns} turns on the core do not serve all bands, {turns[0]} do",
            )
        )
    return remarks


def _gain_remarks(
    specimen: Specimen, planned: Sequence[WoundBand], accuracy: PlanAccuracy | None
) -> list[Remark]:
    """Say what two windings gain over the one on the core, band by band, in numbers."""
    own, gains = specimen.winding.turns, []
    for band in planned:
        here = band.known.get(band.wiring)
        if here is None or band.specimen.winding.turns == own:
            continue
        alone = WoundBand(specimen, band.bench, band.limits, band.span, accuracy)
        there = alone.known.get(alone.wiring)
        if there is not None and there.worst >= PAYS * here.worst:
            low, high = band.limits
            gains.append(
                f"{low / 1e3:g} to {high / 1e3:g} kHz {in_percent(here.worst)} instead of "
                f"{in_percent(there.worst)}"
            )
    if not gains:
        return []
    text = f"beside the {own} turns on the core μ would be known better: {'; '.join(gains)}"
    return [Remark(Reason.TURNS, text, ESTIMATE)]


def _whole_remarks(planned: Sequence[WoundBand]) -> list[Remark]:
    remarks = []
    reached = (planned[0].limits[0], planned[-1].limits[1])
    if reached != (BANDS_HZ[0][0], BANDS_HZ[-1][1]):
        remarks.append(
            Remark(
                Reason.FREQUENCY,
                f"the source gives {reached[0]:g} to {reached[1]:g} Hz of the band: nothing is said beyond",
                "limits of the source",
                cannot=True,
            )
        )
    field = min(point.field_a_per_m for point in planned[0].points)
    low, high = (NEUTRALISING * h for h in COERCIVE_A_PER_M)
    if field < high:
        softest = f", only the softest, from {low:g} A/m" if field >= low else ""
        remarks.append(
            Remark(
                Reason.NEUTRAL,
                f"a core cannot be neutralised here{softest}: the source makes {field:.2g} A/m peak, and "
                f"five times the coercive field of manganese-zinc is {low:g} to {high:g} A/m",
                "from memory",
                cannot=True,
            )
        )
    return remarks
