"""Measurements still possible on a specimen: where their points would lie, and how well they are known."""

from __future__ import annotations

import csv
from collections.abc import Iterator
from dataclasses import dataclass, replace
from functools import cache
from importlib import resources

import numpy as np

from whichcore.analysis.observation import CURVE_ROUGHNESS, Observation, RowKind
from whichcore.analysis.specimen import Specimen
from whichcore.analysis.types import FloatArray

#: Points a planned sweep is thought to have in each decade; the scatter is that of as many as it would have.
POINTS_PER_DECADE = 8
#: Points a decade of a fresh sweep.
_FRESH_DENSITY = 20.0
#: Band an ordinary bench sweeps, and the furthest it reaches either way, Hz. Practice.
USUAL_BAND_HZ, REACH_HZ = (1e3, 3e6), (100.0, 10e6)
#: A band is widened by this factor, and not at all for less than the second. Practice.
_WIDER, _LEAST_WIDER = 4.0, 1.4
#: Most turns a core is wound with for a comparison. Practice.
_MOST_TURNS = 60


@dataclass(frozen=True, slots=True)
class Cost:
    """A row of next_steps.csv.

    Attributes
    ----------
    minutes : float
    scatter : float or None
        Relative standard uncertainty of each point; of averaging, the factor on that of the sweep at hand.
    trust : float
        Probability that the measurement concerns the same material.
    sentence : str
        With places for what the plan fills in.
    """

    minutes: float
    scatter: float | None
    trust: float
    sentence: str


@cache
def costs() -> dict[str, Cost]:
    """Return the table of actions, by name."""
    text = (resources.files("whichcore.analysis") / "next_steps.csv").read_text("utf-8")
    return {
        row["action"]: Cost(
            float(row["minutes"]),
            float(row["scatter"]) if row["scatter"] else None,
            float(row["trust"]),
            row["sentence"],
        )
        for row in csv.DictReader(text.splitlines())
    }


@dataclass(frozen=True, slots=True)
class Plan:
    """One sweep or reading still possible.

    Attributes
    ----------
    action : str
    frequency_hz : float array (Q,)
    scatter : float array (Q, 2)
        Standard uncertainty of both parts of λ.
    kind : RowKind
    turns : int or None
        Turn count of another winding; None for the one at hand.
    afresh : bool
        Another core: nothing carries over from this one but its material.
    """

    action: str
    frequency_hz: FloatArray
    scatter: FloatArray
    kind: RowKind = RowKind.SPECTRUM
    turns: int | None = None
    afresh: bool = False


def has_shape(observation: Observation) -> bool:
    """Tell whether the data are a sweep that carries more than a level: over a decade or more."""
    points = observation.spectrum_points
    return points > 1 and bool(observation.frequency_hz[points - 1] > 10 * observation.frequency_hz[0])


def plans(specimen: Specimen, observation: Observation) -> Iterator[Plan]:
    """Yield the sweeps and readings still possible, in no order."""
    points = observation.spectrum_points
    turns = specimen.winding.turns
    if not has_shape(observation):
        yield _sweep("sweep", USUAL_BAND_HZ, observation)
        if observation.reading_points:
            yield from _better_reading(observation)
        return
    low, high = float(observation.frequency_hz[0]), float(observation.frequency_hz[points - 1])
    further = min(_WIDER * high, REACH_HZ[1])
    lower = max(low / _WIDER, REACH_HZ[0])
    if further >= _LEAST_WIDER * high:
        yield _sweep("wider-up", (high, further), observation)
    if low >= _LEAST_WIDER * lower:
        yield _sweep("wider-down", (lower, low), observation)
    yield _sweep("average", (low, high), observation)
    yield replace(_sweep("another-core", (low, high), observation), afresh=True)
    if specimen.winding.ideal:
        return
    if turns > 1:
        yield replace(
            _sweep("fewer-turns", (high / 10, max(further, high)), observation), turns=max(1, turns // 2)
        )
    if 2 * turns <= _MOST_TURNS:
        yield replace(_sweep("more-turns", (low, 10 * low), observation), turns=2 * turns)


def _sweep(action: str, band_hz: tuple[float, float], observation: Observation) -> Plan:
    low, high = band_hz
    count = max(2, round(POINTS_PER_DECADE * np.log10(high / low)) + 1)
    # the ends of the band at hand are measured already
    frequency = np.geomspace(low, high, count)
    if action == "wider-up":
        frequency = frequency[1:]
    elif action == "wider-down":
        frequency = frequency[:-1]
    return Plan(action, frequency, _scatter(action, frequency, observation))


def _scatter(action: str, frequency_hz: FloatArray, observation: Observation) -> FloatArray:
    """Return the scatter of both parts of λ, (Q, 2), as of all points that fall to a planned one."""
    stated, points = costs()[action].scatter, observation.spectrum_points
    if points < 2:
        size = costs()["sweep"].scatter or CURVE_ROUGHNESS
        own, density = np.full((frequency_hz.size, 2), size), _FRESH_DENSITY
    else:
        known = np.log(1 / np.diagonal(observation.whitener[:points], axis1=1, axis2=2))
        x = observation.log_frequency[:points]
        at = np.log(frequency_hz)
        own = np.exp(np.stack([np.interp(at, x, known[:, part]) for part in (0, 1)], axis=1))
        density = max(
            points / np.log10(observation.frequency_hz[points - 1] / observation.frequency_hz[0]), 1
        )
        if action == "average" and stated:
            own = _added_by(own, stated)
    return np.asarray(np.maximum(own, CURVE_ROUGHNESS) * np.sqrt(POINTS_PER_DECADE / density))


def _added_by(own: FloatArray, factor: float) -> FloatArray:
    """Return the scatter of data that add to those at hand what a scatter lessened by a factor would.

    The roughness of the reference, which ``own`` holds too, does not fall with averaging: precision rises
    from 1/(n² + r²) to 1/(n²·factor² + r²), and the data added carry the difference.
    """
    rough = CURVE_ROUGHNESS**2
    noise = np.maximum(own**2 - rough, 0)
    added = 1 / (factor**2 * noise + rough) - 1 / (noise + rough)
    return np.asarray(1 / np.sqrt(np.maximum(added, 1e-12)))


def _better_reading(observation: Observation) -> Iterator[Plan]:
    """Yield the reading at the lowest frequency once more, where it would gain."""
    rows = np.flatnonzero(observation.kind != RowKind.SPECTRUM)
    row = rows[np.argmin(observation.frequency_hz[rows])]
    size = float(np.hypot(costs()["better-reading"].scatter or 0.0, CURVE_ROUGHNESS))
    if 1 / observation.whitener[row, 0, 0] > 1.5 * size:
        yield Plan(
            "better-reading",
            observation.frequency_hz[[row]],
            np.array([[size, np.inf]]),
            RowKind(int(observation.kind[row])),
        )


def whitener_of(plan: Plan) -> FloatArray:
    """Return the inverse Cholesky factors of the planned points, (Q, 2, 2); a reading has no second part."""
    out = np.zeros((plan.frequency_hz.size, 2, 2))
    out[:, 0, 0], out[:, 1, 1] = 1 / plan.scatter[:, 0], 1 / plan.scatter[:, 1]
    return out


def common_of(plan: Plan, observation: Observation, log_reluctivity: FloatArray, turns: int) -> FloatArray:
    """Return the effect of the sources known so far on the planned points, (Q, 2, K).

    Beyond the band at hand a source keeps its effect on λ at the nearest end, but for two: the winding
    capacitance, whose effect goes as ω²L0|μ|, and the copper, as 1/ωL0|μ| (first order). Both L0 and, for the
    copper, the length of the wire go with the turns.

    Parameters
    ----------
    plan : Plan
    observation : Observation
    log_reluctivity : float array (P + Q,)
        Re λ expected at the points at hand and at the planned ones.
    turns : int
        Of the winding at hand.
    """
    x, at = observation.log_frequency, np.log(plan.frequency_hz)
    nearest = np.abs(np.clip(at, x.min(), x.max())[:, None] - x).argmin(axis=1)
    out = observation.common[nearest].copy()
    ratio = (plan.turns or turns) / turns
    size = log_reluctivity[: x.size][nearest] - log_reluctivity[x.size :]
    away = at - x[nearest]
    growth = {
        "winding:capacitance": ratio**2 * np.exp(2 * away + size),
        "winding:resistance": ratio**-1 * np.exp(-away - size),
    }
    for k, source in enumerate(observation.source_ids):
        if source in growth:
            out[:, :, k] *= np.minimum(growth[source], 1e3)[:, None]
    return np.asarray(out)
