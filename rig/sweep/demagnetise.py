"""Demagnetising: a drive at a low frequency that starts at several coercive fields and fades away.

It works only from a field that turns the whole core round, H = N I/l_e of five times its coercive field.
Where source, turns and path do not reach that, nothing is done, and the reason is told.
"""

from __future__ import annotations

import math
import threading
from collections.abc import Generator
from dataclasses import replace

from whichcore.analysis.coercive import NEUTRALISING
from whichcore.analysis.geometry import core_geometry
from whichcore.analysis.specimen import Rod, Specimen
from whichcore.analysis.types import Phasors, Wiring
from whichcore.errors import InputError
from whichcore.rig.events import Demagnetised, Event
from whichcore.rig.sweep.level import DriveRule, rounded_down
from whichcore.rig.sweep.plan import DemagnetiseRule, RecordRule, SweepPlan
from whichcore.rig.sweep.point import OutOfReachError, Station
from whichcore.rig.sweep.settling import stopped

FREQUENCY_HZ = 130.0  # low for any core, and beside the mains and its overtones. Practice.
RECORD = RecordRule(samples=4000, least_periods=12)
MARGIN = 1.05
FADED = 0.02  # coercive fields at the end
RATIO = 0.85  # of one step of the decay to the one before; half would still do. Practice.
PERIODS = 5  # of each step
PROBE_SHARE = 0.01  # of the highest level: what a first look at the current takes
MOST_RISES = 4
HOPELESS = 0.8  # of the field wanted, at the highest level by a small one: not tried


def demagnetise(
    plan: SweepPlan, rule: DemagnetiseRule, station: Station, cancel: threading.Event
) -> Generator[Event, None, None]:
    """Neutralise the core at the terminals, then let it rest.

    Parameters
    ----------
    plan : SweepPlan
        Its highest level is not passed, though its flux density is.
    rule : DemagnetiseRule
    station : Station
        Of the sweep, before its first point: its clock counts.
    cancel : threading.Event
        Lets the decay run out at once: a drive cut off in full swing would leave the core magnetised.

    Raises
    ------
    InputError
        The field does not reach five coercive fields, or the source does not go down far enough after it.
    Cancelled
        ``cancel`` was set.
    """
    _require_closed(rule.specimen)
    bench = station.bench
    probing = replace(
        plan,
        frequency_hz=(FREQUENCY_HZ,),
        level=DriveRule(plan.highest_level_vpp),
        record=RECORD,
        zero_field=None,
        demagnetise=None,
    )
    by_current = Station(probing, bench, cancel, None, 0.0)
    by_current.prepare()
    lowest, highest = bench.source.limits.level_vpp
    level, peak = yield from _raised(by_current, rule, (lowest, min(highest, plan.highest_level_vpp)))
    began = station.now()
    _fade(by_current, rule, level, peak / level, cancel)
    faded = station.now()
    if cancel.wait(rule.rest_s):
        raise stopped()
    yield Demagnetised(peak, rule.coercive_a_per_m, rule.origin, faded - began, rule.rest_s, station.now())


def _raised(
    station: Station, rule: DemagnetiseRule, span_vpp: tuple[float, float]
) -> Generator[Event, None, tuple[float, float]]:
    """Find the level that reaches the field, stay at it, and return level and peak field."""
    lowest, highest = span_vpp
    wanted = NEUTRALISING * rule.coercive_a_per_m
    level = max(lowest, PROBE_SHARE * highest)
    peak = yield from _field(station, level, rule.specimen)
    for _ in range(MOST_RISES):
        if peak >= wanted:
            break
        most = peak * highest / level
        if most < HOPELESS * wanted or level >= highest:
            # nothing is driven hard in vain
            raise _cannot(most, highest, rule)
        level = min(level * MARGIN * wanted / peak, highest)
        peak = yield from _field(station, level, rule.specimen)
    if peak < wanted:
        raise _cannot(peak, level, rule)
    least = lowest * peak / level
    if least > rule.coercive_a_per_m / 4:
        raise InputError(
            "the drive cannot fade away: the source does not go low enough",
            where="demagnetise",
            got=f"{least:.3g} A/m at its lowest level",
            allowed=f"{rule.coercive_a_per_m / 4:.3g} A/m, a quarter of the coercive field, or less",
            next_step="put a pad behind the source, or leave demagnetising out",
        )
    return level, peak


def _field(station: Station, level_vpp: float, specimen: Specimen) -> Generator[Event, None, float]:
    """Return the peak field at a level, A/m."""
    station.rule = DriveRule(level_vpp)
    try:
        look, _ = yield from station.look(FREQUENCY_HZ, None)
    except OutOfReachError as reason:
        raise InputError(
            "the drive of demagnetising cannot be read",
            where=f"demagnetise, {level_vpp:g} V peak to peak",
            got=str(reason),
            next_step="see what whichcore doctor says of the bench, or leave demagnetising out",
        ) from None
    current = _current_apk(look.phasors, station.bench.wiring, station.bench.shunt_ohm)
    return current * specimen.winding.turns / core_geometry(specimen).effective.length_m


def _current_apk(phasors: Phasors, wiring: Wiring, shunt_ohm: float) -> float:
    """Return the peak current through the winding: what the shunt drops."""
    a, b = (complex(value) for value in phasors.phasor_vpk)
    return abs(a - b if wiring is Wiring.SPECIMEN_AT_GROUND else b) / shunt_ohm


def _fade(
    station: Station, rule: DemagnetiseRule, level: float, field_per_volt: float, cancel: threading.Event
) -> None:
    source = station.bench.source
    last = max(source.limits.level_vpp[0], FADED * rule.coercive_a_per_m / field_per_volt)
    steps = max(1, math.ceil(math.log(last / level) / math.log(RATIO)))
    for k in range(1, steps + 1):
        source.level_vpp = max(rounded_down(level * RATIO**k), source.limits.level_vpp[0])
        if cancel.wait(PERIODS / FREQUENCY_HZ + source.settle_s):
            threading.Event().wait(1 / FREQUENCY_HZ)  # a period at least of each step, and no more
    if cancel.is_set():
        raise stopped()


def _cannot(peak: float, level: float, rule: DemagnetiseRule) -> InputError:
    coercive = rule.coercive_a_per_m
    wanted = NEUTRALISING * coercive
    turns = "" if peak <= 0 else f" (some {math.ceil(rule.specimen.winding.turns * wanted / peak)} of them)"
    return InputError(
        "the core cannot be demagnetised here: the field is too small",
        where="demagnetise",
        got=f"{peak:.3g} A/m peak at {level:.3g} V peak to peak",
        allowed=f"{wanted:.3g} A/m and more: {NEUTRALISING:g} times {coercive:g} A/m, {rule.origin}",
        next_step=f"wind more turns{turns}, take pads out, use a stronger source, or leave demagnetising out",
    )


def _require_closed(specimen: Specimen) -> None:
    """Refuse a core whose field does not follow from current and path.

    Raises
    ------
    InputError
        A rod.
    """
    if isinstance(specimen.core, Rod):
        raise InputError(
            "a rod cannot be demagnetised by its own winding: the field in it is not known",
            where="demagnetise",
            got="shape = rod",
            next_step="leave demagnetising out",
        )
