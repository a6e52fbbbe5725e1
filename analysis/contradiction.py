"""Whether two windings of one core may be joined, and what to look for where they may not."""

from __future__ import annotations

import numpy as np

from whichcore.analysis.overlap_fit import Wound
from whichcore.analysis.two_windings import Overlap
from whichcore.errors import AnalysisError
from whichcore.wording import in_percent, quantity

BELIEVED = 0.5
LEAST_P = 1e-3
"""Probability of a larger χ² below which the overlap contradicts; practice."""


def contradiction(overlap: Overlap, many: Wound, few: Wound) -> AnalysisError | None:
    """Return what speaks against joining the two sweeps, or None.

    Parameters
    ----------
    overlap : Overlap
    many, few : Wound

    Returns
    -------
    AnalysisError or None
        The turns where other turns are more probable than those stated; otherwise temperature, level or the
        piece, whichever the sweeps themselves give reason for.
    """
    best = overlap.turns[0]
    if best.probability > max(overlap.other_probability, BELIEVED) and (best.many, best.few) != (
        many.counts,
        few.counts,
    ):
        return AnalysisError(
            "the overlap contradicts the turns stated",
            where="winding.turns",
            got=f"{_said(many.counts)} and {_said(few.counts)}, "
            f"{_odds(stated_probability(overlap, many, few))}",
            allowed=f"{_said(best.many)} and {_said(best.few)} would agree, {_odds(best.probability)}",
            next_step="count the passes through the hole again and correct the specimen file; if the count "
            "stands, it is another piece",
        )
    if overlap.p_value >= LEAST_P and overlap.other_probability < BELIEVED:
        return None
    return AnalysisError(
        "the overlap contradicts, and no other turn count explains it",
        where="overlap",
        got=f"χ² {overlap.chi_squared:.3g} for {overlap.degrees_of_freedom}, "
        f"μ apart by {in_percent(float(np.median(overlap.difference.real)))}",
        allowed=f"a probability of {LEAST_P:g} or more for a larger χ², got {overlap.p_value:.2g}",
        next_step=_suspect(many, few),
    )


def stated_probability(overlap: Overlap, many: Wound, few: Wound) -> float:
    """Return the probability of the turns as stated in both parts."""
    stated = (many.counts, few.counts)
    return sum(t.probability for t in overlap.turns if (t.many, t.few) == stated)


def _odds(probability: float) -> str:
    if probability < 1e-3:
        return "probability below 0.001"
    return f"probability {min(probability, 0.999):.3f}"


def _said(counts: tuple[int, ...]) -> str:
    return ":".join(f"{n}" for n in counts)


def _suspect(many: Wound, few: Wound) -> str:
    warm = [w.sweep.temperature_c or w.specimen.temperature_c for w in (many, few)]
    if warm[0] is not None and warm[1] is not None and abs(warm[0] - warm[1]) > 2:
        return f"temperature: {warm[0]:g} °C and {warm[1]:g} °C; sweep both at one temperature"
    levels = [w.sweep.flux_density_t for w in (many, few)]
    high = [float(np.median(level)) for level in levels if level is not None]
    if len(high) == len(levels) and max(high) > 2 * min(high) and max(high) > 1e-3:
        told = " and ".join(quantity(level, "T", 2) for level in high)
        return f"level: {told}; sweep both at one flux density"
    return "piece: were both sweeps taken of this piece? then repeat the one that is older, at one level"
