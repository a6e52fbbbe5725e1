"""Standard uncertainties of the dimensions of a core, as stated in its file or by default."""

from __future__ import annotations

import math
from typing import Any

from whichcore.errors import InputError
from whichcore.files.specimen_tables import EffectiveTable, Shape
from whichcore.files.toml_file import Faults
from whichcore.files.units import Dimension, parse_quantity
from whichcore.files.warn import warn

#: Of a dimension taken once with a workshop caliper: 0.02 mm of resolution, some hundredths of error of the
#: jaws and the unevenness of a pressed part together (practice, no source).
CALIPER_UNCERTAINTY_M = 0.05e-3
#: Of a core constant or an inductance off a sheet or a meter (practice, no source).
RELATIVE_UNCERTAINTY = 0.02

_DIMENSIONS = {
    "c1": Dimension.INVERSE_LENGTH,
    "c2": Dimension.INVERSE_VOLUME,
    "effective_area": Dimension.AREA,
    "empty_coil_inductance": Dimension.INDUCTANCE,
    "stacking_factor": Dimension.RATIO,
}


def dimension_uncertainties(
    shape: Shape, stated: dict[str, Any], texts: dict[str, Any], faults: Faults
) -> dict[str, float]:
    """Return the standard uncertainty of each dimension by field name of the core.

    Parameters
    ----------
    shape : Shape
    stated : dict
        Keys of the core that are in the file, SI.
    texts : dict
        Key without ``u_`` to its uncertainty as written.
    faults : Faults
        Takes what is wrong.

    Returns
    -------
    dict of str to float
        m; 1/m and 1/m³ for core constants, H for the empty coil, a plain number for the stacking factor.
    """
    common = stated.get("dimension_uncertainty")
    found: dict[str, float] = {}
    defaulted: list[str] = []
    for key in shape.uncertain_keys:
        try:
            value = _one(key, _size(key, stated), texts.get(key), common)
        except InputError as error:
            place = f"u_{key}" if key in texts else "dimension_uncertainty"
            faults.add(error, "core", place)
            continue
        if value is None and key in stated and key != "stacking_factor":
            value = _default(key, stated[key])
            defaulted.append(key)
        if value is not None:
            found[key] = value
    if defaulted and not len(faults):
        _warn_of_defaults(defaulted, faults)
    if issubclass(shape.table, EffectiveTable):
        return _of_core_constants(stated, found)
    return {shape.field_of(key): value for key, value in found.items()}


def _size(key: str, stated: dict[str, Any]) -> float | None:
    if key == "coating_thickness" and key not in stated:
        case = stated.get("case")
        return None if isinstance(case, bool) else case
    size: float | None = stated.get(key)
    return size


def _one(key: str, size: float | None, own: object, common: str | None) -> float | None:
    """Return the uncertainty stated for a key by itself or for all; None when nothing applies."""
    dimension = _DIMENSIONS.get(key, Dimension.LENGTH)
    if own is None:
        # a common length says nothing of an inductance or a stacking factor
        relative = common is not None and common.strip().endswith("%")
        if common is None or size is None or key == "stacking_factor":
            return None
        if dimension is Dimension.INDUCTANCE and not relative:
            return None
        own = common
    if isinstance(own, str) and own.strip().endswith("%"):
        if size is None:
            raise InputError("a percentage of a dimension that is not stated", got=own, allowed='"0.03 mm"')
        value = parse_quantity(own, Dimension.RATIO) * size
    elif key == "stacking_factor":
        value = float(own) if isinstance(own, (int, float)) and not isinstance(own, bool) else -1.0
    else:
        value = parse_quantity(own, dimension)
    return _sensible(key, value, size, own)


def _sensible(key: str, value: float, size: float | None, own: object) -> float:
    may_be_large = {"edge_radius", "edge_chamfer", "coating_thickness"}
    limit = math.inf if size is None or key in may_be_large else size / 2
    if not 0 <= value < limit:
        raise InputError(
            "a standard uncertainty is not negative and well below its dimension",
            got=f"{own}",
            allowed="0 to less than half the dimension",
            next_step="check the unit",
        )
    return value


def _default(key: str, size: float) -> float:
    if key in _DIMENSIONS or key == "effective_length":
        return RELATIVE_UNCERTAINTY * size
    return CALIPER_UNCERTAINTY_M


def _warn_of_defaults(keys: list[str], faults: Faults) -> None:
    relative = [key for key in keys if key in _DIMENSIONS or key == "effective_length"]
    lengths = [key for key in keys if key not in relative]
    parts = []
    if lengths:
        parts.append(f"{CALIPER_UNCERTAINTY_M * 1e3:g} mm for {', '.join(lengths)}")
    if relative:
        parts.append(f"{RELATIVE_UNCERTAINTY * 100:g} % for {', '.join(relative)}")
    warn(
        f"{faults.place('core')}: no uncertainty is stated, so a standard uncertainty of "
        f"{' and '.join(parts)} is taken; state dimension_uncertainty or u_<key>"
    )


def _of_core_constants(stated: dict[str, Any], found: dict[str, float]) -> dict[str, float]:
    """Return u(C1) and u(C2), carried over from l_e and A_e where those are stated.

    C1 = l_e/A_e and C2 = l_e/A_e² share both causes; only their own uncertainties are kept here, as the
    permeability rests on C1 alone and the flux density on A_e = C1/C2 needs no such care.
    """
    if "c1" in found and "c2" in found:
        return {"c1_per_m": found["c1"], "c2_per_m3": found["c2"]}
    if not {"effective_length", "effective_area"} <= found.keys():
        return {}
    length, area = stated["effective_length"], stated["effective_area"]
    of_length, of_area = found["effective_length"] / length, found["effective_area"] / area
    return {
        "c1_per_m": length / area * math.hypot(of_length, of_area),
        "c2_per_m3": length / area**2 * math.hypot(of_length, 2 * of_area),
    }
