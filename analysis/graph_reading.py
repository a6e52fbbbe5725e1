"""Values read off a picture of a printed graph.

Two points on each axis, clicked and given their values, fix the axes: they need not be level, square to each
other or cross, so a photographed page serves. In plane coordinates p (pixels), with u = X2 − X1 along the
horizontal axis and v = Y2 − Y1 along the vertical one, a point is X1 + a·u + s·v and likewise Y1 + t·u + b·v;
a and b run from 0 to 1 between the marks, and the value is linear in them, or its logarithm is
(affine map; analytic). Perspective and paper that is not flat are not modelled.

Each click has a standard uncertainty. That of the points is independent from point to point; that of the four
marks is common to all points and is kept as eight sensitivities.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from whichcore.analysis.types import FloatArray
from whichcore.errors import InputError

LEAST_AXIS_PX = 20.0  # between two marks of one axis; less reads worse than a guess; practice, no source
LEAST_ANGLE_RAD = math.radians(30)  # between the axes; practice, no source
SAME_FREQUENCY = 1e-6  # relative


@dataclass(frozen=True, slots=True)
class Mark:
    """A point clicked on an axis.

    Attributes
    ----------
    x_px, y_px : float
        Pixels of the picture, y downwards.
    value : float
        Printed there.
    """

    x_px: float
    y_px: float
    value: float


@dataclass(frozen=True, slots=True)
class GraphAxis:
    """One axis of a graph: two marks, and whether it is logarithmic."""

    first: Mark
    second: Mark
    logarithmic: bool


@dataclass(frozen=True, slots=True)
class Graph:
    """The axes of a graph, and how well a click hits.

    Attributes
    ----------
    horizontal, vertical : GraphAxis
    click_px : float
        Standard uncertainty of a click in each direction, pixels.
    """

    horizontal: GraphAxis
    vertical: GraphAxis
    click_px: float = 1.0


@dataclass(frozen=True, slots=True, eq=False)
class Traced:
    """A curve read off a graph, sorted by frequency.

    Attributes
    ----------
    frequency_hz, value : float array (F,)
    u_point : float array (F,)
        Standard uncertainty of the value by the click on the point, its error in frequency turned into one
        in value by the slope of the curve.
    axis_sensitivity : float array (F, 8)
        Change of the value by one standard uncertainty of each coordinate of the four marks.
    """

    frequency_hz: FloatArray
    value: FloatArray
    u_point: FloatArray
    axis_sensitivity: FloatArray

    @property
    def u_value(self) -> FloatArray:
        """Standard uncertainty of each value, both parts."""
        return np.asarray(np.hypot(self.u_point, np.linalg.norm(self.axis_sensitivity, axis=1)))


def trace(graph: Graph, points_px: Sequence[tuple[float, float]]) -> Traced:
    """Read the points clicked along a curve.

    Parameters
    ----------
    graph : Graph
        The horizontal axis is a frequency in Hz.
    points_px : sequence of (float, float)
        At least two.

    Raises
    ------
    InputError
        The axes cannot be read by their marks, or two points have one frequency.
    """
    check_axes(graph)
    if len(points_px) < 2:
        raise InputError("a curve has at least two points", where="graph", got=f"{len(points_px)}")
    points = np.array(points_px, dtype=float)
    if not np.isfinite(points).all():
        raise InputError("a point is not a place in the picture", where="graph", got="not finite")
    across, along = _coordinates(graph, points)
    frequency, by_frequency = _scaled(graph.horizontal, across)
    order = np.argsort(frequency, kind="stable")
    frequency = frequency[order]
    _check_frequencies(frequency)
    value, by_value = _scaled(graph.vertical, along)
    value = value[order]
    change_f = (by_frequency[:, None] * across[:, 1:])[order]
    change_v = (by_value[:, None] * along[:, 1:])[order]
    change = graph.click_px * (change_v - _slope(graph, frequency, value)[:, None] * change_f)
    return Traced(frequency, value, np.asarray(np.linalg.norm(change[:, :2], axis=1)), change[:, 2:])


def check_axes(graph: Graph) -> None:
    """Refuse axes whose marks say nothing.

    Raises
    ------
    InputError
        Marks too close, of one value, not positive on a logarithmic axis, or axes that are nearly parallel.
    """
    for name, axis in (("frequency axis", graph.horizontal), ("value axis", graph.vertical)):
        _check_axis(name, axis)
    u, v = _direction(graph.horizontal), _direction(graph.vertical)
    sine = abs(u[0] * v[1] - u[1] * v[0]) / float(np.hypot(*u) * np.hypot(*v))
    if sine < math.sin(LEAST_ANGLE_RAD):
        raise InputError(
            "the two axes are nearly parallel",
            where="graph",
            got=f"{math.degrees(math.asin(sine)):.0f}°",
            allowed=f"{math.degrees(LEAST_ANGLE_RAD):.0f}° and more between them",
            next_step="click two points on each axis again",
        )
    if not (math.isfinite(graph.click_px) and graph.click_px > 0):
        raise InputError(
            "the uncertainty of a click must be positive", where="graph", got=f"{graph.click_px}"
        )


def _check_axis(name: str, axis: GraphAxis) -> None:
    marks = (axis.first, axis.second)
    if not all(math.isfinite(n) for mark in marks for n in (mark.x_px, mark.y_px, mark.value)):
        raise InputError("a mark is not finite", where=name)
    apart = float(np.hypot(*_direction(axis)))
    if apart < LEAST_AXIS_PX:
        raise InputError(
            "the two marks are too close to each other",
            where=name,
            got=f"{apart:.0f} pixels",
            allowed=f"{LEAST_AXIS_PX:.0f} pixels and more",
            next_step="choose marks far apart",
        )
    if axis.first.value == axis.second.value:
        raise InputError("both marks have one value", where=name, got=f"{axis.first.value:g}")
    low = min(axis.first.value, axis.second.value)
    if axis.logarithmic and low <= 0:
        raise InputError(
            "a logarithmic axis has positive values only",
            where=name,
            got=f"{low:g}",
            next_step="call it linear, or correct the value",
        )


def _direction(axis: GraphAxis) -> FloatArray:
    return np.array([axis.second.x_px - axis.first.x_px, axis.second.y_px - axis.first.y_px])


def _coordinates(graph: Graph, points: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return a and b of each point, (P, 11) each: itself, then its changes.

    The changes are by the two coordinates of the point, then by those of X1, X2, Y1 and Y2.
    """
    h, v = graph.horizontal, graph.vertical
    inverse = np.linalg.inv(np.column_stack([_direction(h), _direction(v)]))
    a, s = inverse @ (points - [h.first.x_px, h.first.y_px]).T
    t, b = inverse @ (points - [v.first.x_px, v.first.y_px]).T
    one = np.ones_like(a)
    return (
        _with_changes(a, inverse[0], (one, a - 1, -a, s, -s)),
        _with_changes(b, inverse[1], (one, t, -t, b - 1, -b)),
    )


def _with_changes(at: FloatArray, row: FloatArray, factors: Sequence[FloatArray]) -> FloatArray:
    # d(M⁻¹)= −M⁻¹ dM M⁻¹: every change is along one row of the inverse, times a factor
    return np.column_stack([at, *(factor * part for factor in factors for part in row)])


def _scaled(axis: GraphAxis, coordinate: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return the values at a coordinate (P, 11), and how much they change with it."""
    first, second, at = axis.first.value, axis.second.value, coordinate[:, 0]
    if not axis.logarithmic:
        return first + at * (second - first), np.full_like(at, second - first)
    ratio = math.log(second / first)
    value = first * np.exp(ratio * at)
    return value, ratio * value


def _check_frequencies(frequency: FloatArray) -> None:
    if frequency[0] <= 0:
        raise InputError(
            "a point lies at no positive frequency",
            where="graph",
            got=f"{frequency[0]:g} Hz",
            next_step="remove it, or check the marks of the frequency axis",
        )
    same = np.flatnonzero(np.diff(frequency) <= SAME_FREQUENCY * frequency[:-1])
    if same.size:
        raise InputError(
            "two points of one curve have the same frequency",
            where="graph",
            got=f"{frequency[same[0]]:.6g} Hz",
            next_step="remove one of them",
        )


def _slope(graph: Graph, frequency: FloatArray, value: FloatArray) -> FloatArray:
    """Return dv/df by differences over ln f, of ln v where the picture is logarithmic."""
    at = np.log(frequency)
    if graph.vertical.logarithmic:
        return np.asarray(value * np.gradient(np.log(value), at) / frequency)
    return np.asarray(np.gradient(value, at) / frequency)
