"""What a plan says of the accuracy of a band, and of the shunts, windings and standards that would better it.

Alternatives are compared with the bench as its file states both, never with its calibration: an alternative
has none.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import replace

from whichcore.analysis.plan_accuracy import ONE_WINDING, Expected, PlanAccuracy, plain, speaks
from whichcore.analysis.plan_band import Band, WoundBand
from whichcore.analysis.plan_remark import ESTIMATE, Reason, Remark
from whichcore.analysis.remedies import remedy_of
from whichcore.analysis.types import Reach
from whichcore.wording import hertz, in_percent

PAYS = 1.5  # times smaller an uncertainty must be for another shunt or winding to be named; practice
HELPS = 1.3  # the same for one more standard; practice


def judged(wound: WoundBand) -> Band:
    """Return the band with what is said of its accuracy; nothing more where nothing is known of the bench."""
    band, accuracy = wound.band(), wound.accuracy
    if band.expected is None or accuracy is None:
        return band
    other = next((item for wiring, item in wound.known.items() if wiring is not wound.wiring), None)
    remarks = [
        *accuracy_remarks(band.expected, other),
        loss_remark(band.expected, band.second, lambda: _with_capacitor(wound, accuracy)),
    ]
    shunt = _best_shunt(wound, accuracy)
    more = remarks if shunt is None else [*remarks, shunt]
    return replace(band, remarks=(*band.remarks, *more))


def _with_capacitor(wound: WoundBand, accuracy: PlanAccuracy) -> tuple[Expected, Expected] | None:
    """Return the band as the bench file states it, and with a good capacitor as one more standard."""
    laws = [speaks(items, wound.wiring, wound.limits) for items in (accuracy.stated, accuracy.capacitor)]
    both = [None if law is None else wound.expected(wound.wiring, law) for law in laws]
    return None if both[0] is None or both[1] is None else (both[0], both[1])


def _best_shunt(wound: WoundBand, accuracy: PlanAccuracy) -> Remark | None:
    """Compare the shunts, each with its own voltages, level and better wiring."""
    best = {}
    own = wound.bench.shunt_ohm
    for ohm, items in {own: accuracy.stated, **accuracy.shunts}.items():
        bench, other = replace(wound.bench, shunt_ohm=ohm), replace(accuracy, maps=(), stated=items)
        band = WoundBand(wound.specimen, bench, wound.limits, wound.span, other)
        laws = [speaks(items, wiring, wound.limits) for wiring in ONE_WINDING]
        found = [band.expected(law.wiring, law, least=False) for law in laws if law is not None]
        ranked = [item for item in found if item is not None]
        if ranked:
            best[ohm] = min(ranked, key=lambda item: item.rank)
    stated = best.pop(own, None)
    return None if stated is None else shunt_remark(stated, best, own)


def accuracy_remarks(here: Expected, other: Expected | None) -> list[Remark]:
    """Return what would be known, beside the other wiring, and which points are out of reach and why."""
    remarks = []
    if other is not None:
        remarks.append(
            Remark(
                Reason.WIRING,
                f"μ would be known to {_open(here.worst)} at worst with the {plain(here.wiring)}, to "
                f"{_open(other.worst)} with the {plain(other.wiring)}",
                ESTIMATE,
            )
        )
    widest = max(here.points, key=lambda point: point.u_real)
    remarks.append(
        Remark(
            Reason.ACCURACY,
            f"the largest part of the uncertainty of μ′ is {remedy_of(widest.cause_real).name}: "
            f"{remedy_of(widest.cause_real).remedy}",
            f"{ESTIMATE}; {here.origin}",
        )
    )
    lost = [point for point in here.points if point.reach is not Reach.REACHED]
    return remarks + [
        Remark(
            Reason.ACCURACY,
            f"a core of {point.initial_permeability:.4g} is out of reach at {hertz(point.frequency_hz)}: "
            f"{point.reach.value}",
            ESTIMATE,
            cannot=True,
        )
        for point in lost
    ]


def loss_remark(
    here: Expected, second: Expected | None, capacitor: Callable[[], tuple[Expected, Expected] | None]
) -> Remark:
    """Return the least tan δ that is seen in a band, what hides it, and what would help.

    Parameters
    ----------
    here : Expected
    second : Expected or None
        The same core with a second winding.
    capacitor : callable
        Returns the band as stated and with a good capacitor as one more standard, where that can be said.
    """
    point = here.blindest
    cause = remedy_of(point.cause_loss)
    at = hertz(point.frequency_hz)
    text = f"tan δ below {point.lowest_loss_tangent:.2g} cannot be seen at {at} here: {cause.name}"
    helps = []
    if second is not None and second.rank[0] == 0 and _gain(here, second) >= PAYS:
        there = second.blindest
        helps.append(
            f"a second winding of as many turns, A on it, shows tan δ from {there.lowest_loss_tangent:.2g}"
        )
    if point.cause_loss.startswith("standard ") and (both := capacitor()) is not None:
        gain = both[0].blindest.lowest_loss_tangent / both[1].blindest.lowest_loss_tangent
        if gain >= HELPS:
            helps.append(f"a good capacitor as one more standard makes it {gain:.2g} times less")
    if not helps:
        helps.append(cause.remedy)
    return Remark(Reason.LOSS, f"{text}; {'; '.join(helps)}", ESTIMATE, cannot=True)


def _gain(here: Expected, other: Expected) -> float:
    return here.blindest.lowest_loss_tangent / other.blindest.lowest_loss_tangent


def shunt_remark(stated: Expected, others: Mapping[float, Expected], shunt_ohm: float) -> Remark | None:
    """Return the shunt that would serve a band better, where one does by half as much again."""
    if not others:
        return None
    best = min(others, key=lambda ohm: others[ohm].rank)
    there = others[best]
    fewer = there.rank[0] < stated.rank[0]
    if there.rank[0] > stated.rank[0] or not (fewer or stated.worst >= PAYS * there.worst):
        return None
    return Remark(
        Reason.SHUNT,
        f"a shunt of {best:g} Ω with the {plain(there.wiring)} would serve this band better: μ to "
        f"{_open(there.worst)} instead of {_open(stated.worst)} with {shunt_ohm:g} Ω",
        f"{ESTIMATE}, both as the bench file states them",
    )


def _open(ratio: float) -> str:
    return in_percent(ratio) if ratio < 1 else "no better than its own size"
