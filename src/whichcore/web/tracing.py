"""From clicks on a picture of a printed graph to a reference material."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from whichcore.analysis.graph_reading import Graph, GraphAxis, Mark, Traced, trace
from whichcore.analysis.material_sense import check_material
from whichcore.analysis.materials import Material, MaterialClass
from whichcore.analysis.types import FloatArray
from whichcore.errors import InputError
from whichcore.files import Dimension, parse_quantity, shipped_library, user_library_folder, write_material
from whichcore.known_core import CORE_TO_CORE
from whichcore.wording import hertz, in_percent

MOST_POINTS = 2000


@dataclass(frozen=True, slots=True, eq=False)
class Pair:
    """μ′ and μ″ on the points of both within their common span.

    Attributes
    ----------
    frequency_hz, real, imag, u_real, u_imag : float array (F,)
    left_out : int
        Points outside the common span.
    """

    frequency_hz: FloatArray
    real: FloatArray
    imag: FloatArray
    u_real: FloatArray
    u_imag: FloatArray
    left_out: int

    @property
    def reading_deviation(self) -> float:
        """Relative standard uncertainty of |μ| by reading, root mean square over the points."""
        square = (self.u_real**2 + self.u_imag**2) / (self.real**2 + self.imag**2)
        return float(np.sqrt(square.mean()))


def trace_curves(
    horizontal: Any, vertical: Any, click_px: float, curves: Mapping[str, Any]
) -> dict[str, Any]:
    """Return every curve that has two points as frequencies, values and uncertainties.

    Parameters
    ----------
    horizontal, vertical : mapping
        ``{"log": true, "marks": [{"x": 10, "y": 400, "value": "10 kHz"}, …]}``; values of the vertical axis
        are plain numbers.
    click_px : float
    curves : mapping
        ``mu_real`` and ``mu_imag`` to points ``[x, y]``.
    """
    graph = _graph(horizontal, vertical, click_px)
    told: dict[str, Any] = {}
    for name, points in curves.items():
        if len(points) > MOST_POINTS:
            raise InputError("too many points", where=name, got=f"{len(points)}", allowed=f"{MOST_POINTS}")
        if len(points) >= 2:
            told[name] = _told(trace(graph, _points(points)))
    if {"mu_real", "mu_imag"} <= set(told):
        pair = join(*(trace(graph, _points(curves[name])) for name in ("mu_real", "mu_imag")))
        told["joined"] = {"points": int(pair.frequency_hz.size), "left_out": pair.left_out}
        told["reading_deviation"] = pair.reading_deviation
    return told


def save_traced(
    horizontal: Any, vertical: Any, click_px: float, curves: Mapping[str, Any], label: Mapping[str, str]
) -> dict[str, Any]:
    """Write a traced material into the user's library; nothing is overwritten.

    The deviation of a core from the curve: that from core to core and that of the reading, as squares.
    """
    graph = _graph(horizontal, vertical, click_px)
    missing = [name for name in ("mu_real", "mu_imag") if len(curves.get(name, ())) < 2]
    if missing:
        raise InputError(
            "a material needs both curves",
            where=missing[0].replace("mu_real", "μ′").replace("mu_imag", "μ″"),
            got="fewer than two points",
            next_step="click along this curve, too",
        )
    pair = join(*(trace(graph, _points(curves[name])) for name in ("mu_real", "mu_imag")))
    material = _material(pair, label)
    if any(shipped.id == material.id for shipped in shipped_library().materials):
        raise InputError(
            "a shipped material has this id", where="id", got=material.id, next_step="choose another id"
        )
    check_material(material)
    write_material(user_library_folder(), material)
    return {
        "id": material.id,
        "points": int(pair.frequency_hz.size),
        "left_out": pair.left_out,
        "reading_deviation": pair.reading_deviation,
        "curve_deviation": material.curve_deviation,
    }


def join(real: Traced, imag: Traced) -> Pair:
    """Bring both curves onto the points of both, straight in ln f.

    Raises
    ------
    InputError
        They have no span in common, or the loss is negative somewhere.
    """
    low = max(real.frequency_hz[0], imag.frequency_hz[0])
    high = min(real.frequency_hz[-1], imag.frequency_hz[-1])
    every = np.union1d(real.frequency_hz, imag.frequency_hz)
    inside = every[(every >= low) & (every <= high)]
    if inside.size < 2:
        raise InputError(
            "the two curves have no span of frequency in common",
            where="graph",
            got=f"μ′ from {hertz(real.frequency_hz[0])} to {hertz(real.frequency_hz[-1])}, "
            f"μ″ from {hertz(imag.frequency_hz[0])} to {hertz(imag.frequency_hz[-1])}",
            next_step="trace both over the same frequencies",
        )
    at = np.log(inside)
    values = [
        np.interp(at, np.log(curve.frequency_hz), part)
        for curve in (real, imag)
        for part in (curve.value, curve.u_value)
    ]
    return Pair(inside, values[0], values[2], values[1], values[3], int(every.size - inside.size))


def _material(pair: Pair, label: Mapping[str, str]) -> Material:
    source = str(label.get("source", "")).strip()
    if not source:
        raise InputError(
            "a reference needs its source", where="source", got="nothing", allowed="sheet, page, year"
        )
    share = pair.reading_deviation
    return Material(
        id=str(label.get("id", "")).strip(),
        name=str(label.get("name", "")).strip(),
        material_class=_class(str(label.get("class", ""))),
        initial_permeability=float(pair.real[0]),
        tolerance=parse_quantity(str(label.get("tolerance", "25 %")), Dimension.RATIO, where="tolerance"),
        frequency_hz=pair.frequency_hz,
        permeability=pair.real - 1j * pair.imag,
        source=f"{source}; read off a printed graph with a standard uncertainty of {in_percent(share)}",
        licence=str(label.get("licence", "")).strip() or "own data",
        curve_deviation=float(np.hypot(CORE_TO_CORE, share)),
    )


def _class(name: str) -> MaterialClass:
    try:
        return MaterialClass(name)
    except ValueError:
        raise InputError(
            "there is no such class",
            where="class",
            got=name,
            allowed=", ".join(c.value for c in MaterialClass),
        ) from None


def _graph(horizontal: Any, vertical: Any, click_px: float) -> Graph:
    return Graph(
        _axis(horizontal, "frequency axis", _hertz),
        _axis(vertical, "value axis", _plain),
        float(click_px),
    )


def _axis(given: Any, where: str, read: Any) -> GraphAxis:
    marks = [mark for mark in given["marks"] if mark]
    if len(marks) != 2:
        raise InputError("an axis needs two marks", where=where, got=f"{len(marks)}")
    first, second = (Mark(float(m["x"]), float(m["y"]), read(str(m["value"]).strip())) for m in marks)
    return GraphAxis(first, second, bool(given["log"]))


def _hertz(text: str) -> float:
    return parse_quantity(text, Dimension.FREQUENCY, where="frequency axis")


def _plain(text: str) -> float:
    try:
        return float(text)
    except ValueError:
        raise InputError(
            "a plain number was expected", where="value axis", got=text or "nothing", allowed="such as 1000"
        ) from None


def _points(points: Sequence[Sequence[float]]) -> list[tuple[float, float]]:
    return [(float(x), float(y)) for x, y in points]


def _told(curve: Traced) -> dict[str, Any]:
    return {
        "frequency_hz": curve.frequency_hz.tolist(),
        "value": curve.value.tolist(),
        "u_value": curve.u_value.tolist(),
    }
