"""Results as tables of pandas and data sets of xarray, for those who have these; units stand in ``attrs``.

Both are optional: ``pip install 'whichcore[frames]'``.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import fields
from importlib import import_module
from typing import TYPE_CHECKING, Any

import numpy as np

from whichcore.analysis.materials import Library, Material
from whichcore.analysis.types import ErrorSource, FloatArray, ImpedanceSweep, PermeabilitySpectrum
from whichcore.analysis.uncertainty import point_covariance
from whichcore.analysis.verdict import Candidate, Verdict
from whichcore.errors import InputError

if TYPE_CHECKING:
    import pandas as pd
    import xarray

PARTS = ("real", "imag")
#: Columns that are no single number.
_NO_COLUMN = frozenset({"id", "frequency_hz", "permeability", "section_m", "applications"})
_UNITS = {
    "frequency_hz": "Hz",
    "impedance_ohm": "ohm",
    "permeability": "1",
    "flux_density_t": "T",
    "time_s": "s",
    "resistivity_ohm_m": "ohm m",
    "density_kg_m3": "kg/m3",
    "curie_temperature_c": "degC",
    "temperature_c": "degC",
    "range_label": "",
    "name": "",
    "material_class": "",
    "source": "",
    "licence": "",
}


def _package(name: str) -> Any:
    try:
        return import_module(name)
    except ImportError:
        raise InputError(
            f"{name} is not installed",
            where=f"to_{name}",
            next_step="pip install 'whichcore[frames]'",
        ) from None


# --- curves -------------------------------------------------------------------------------------------------


def curve_to_pandas(curve: ImpedanceSweep | PermeabilitySpectrum) -> pd.DataFrame:
    """Return a curve as a table: complex values, their standard uncertainties, what was noted of each point.

    ``u_real`` and ``u_imag`` hold the scatter and every named source; ``correlation`` is theirs.
    """
    package = _package("pandas")
    name, unit = _value(curve)
    covariance = point_covariance(curve.scatter, curve.sources)
    u = np.sqrt(np.diagonal(covariance, axis1=1, axis2=2))
    product = u[:, 0] * u[:, 1]
    correlation = np.divide(covariance[:, 0, 1], product, out=np.zeros_like(product), where=product > 0)
    ending = name.removeprefix("impedance").removeprefix("permeability")
    columns = {
        name: getattr(curve, name),
        f"u_real{ending}": u[:, 0],
        f"u_imag{ending}": u[:, 1],
        "correlation": correlation,
        **_beside(curve),
    }
    frame = package.DataFrame(columns, index=package.Index(curve.frequency_hz, name="frequency_hz"))
    units = {column: unit if column.startswith("u_") else _UNITS.get(column, "1") for column in columns}
    frame.attrs = {"units": {"frequency_hz": "Hz", **units}, **_conditions(curve)}
    return frame


def curve_to_xarray(curve: ImpedanceSweep | PermeabilitySpectrum) -> xarray.Dataset:
    """Return a curve as a data set: values, covariance of the scatter, sensitivities to each named source."""
    package = _package("xarray")
    name, unit = _value(curve)
    data = {
        name: ("frequency_hz", getattr(curve, name), {"units": unit}),
        "scatter": (
            ("frequency_hz", "part", "other_part"),
            curve.scatter,
            {
                "units": "1" if unit == "1" else f"{unit}2",
                "long_name": "covariance of each point's own scatter",
            },
        ),
        "sensitivity": (
            ("source", "frequency_hz"),
            _sensitivities(curve.sources, curve.frequency_hz),
            {"units": unit, "long_name": "change for one standard uncertainty of the source"},
        ),
    }
    for column, values in _beside(curve).items():
        data[column] = ("frequency_hz", values, {"units": _UNITS[column]})
    coordinates = {
        "frequency_hz": ("frequency_hz", curve.frequency_hz, {"units": "Hz"}),
        "part": list(PARTS),
        "other_part": list(PARTS),
        "source": [one.id for one in curve.sources],
        "scope": ("source", [str(one.scope) for one in curve.sources]),
        "distribution": ("source", [str(one.distribution) for one in curve.sources]),
    }
    found: xarray.Dataset = package.Dataset(data, coordinates, _conditions(curve))
    return found


def _value(curve: ImpedanceSweep | PermeabilitySpectrum) -> tuple[str, str]:
    name = "impedance_ohm" if isinstance(curve, ImpedanceSweep) else "permeability"
    return name, _UNITS[name]


def _sensitivities(sources: Sequence[ErrorSource], frequency_hz: FloatArray) -> Any:
    if not sources:
        return np.empty((0, frequency_hz.size), dtype=complex)
    return np.stack([one.sensitivity for one in sources])


def _beside(curve: ImpedanceSweep | PermeabilitySpectrum) -> dict[str, Any]:
    """Return what was noted of each point, as far as it was."""
    noted = {
        "flux_density_t": curve.flux_density_t,
        "time_s": curve.time_s if isinstance(curve, ImpedanceSweep) else None,
        "range_label": None if curve.range_labels is None else list(curve.range_labels),
    }
    return {name: values for name, values in noted.items() if values is not None}


def _conditions(curve: ImpedanceSweep | PermeabilitySpectrum) -> dict[str, Any]:
    told: dict[str, Any] = {"temperature_c": curve.temperature_c}
    if isinstance(curve, ImpedanceSweep):
        told |= {"drive_vrms": curve.drive_vrms, "wiring": curve.wiring, "notes": dict(curve.notes)}
    return {key: value for key, value in told.items() if value is not None}


# --- verdicts and libraries ---------------------------------------------------------------------------------


def verdict_to_pandas(verdict: Verdict) -> pd.DataFrame:
    """Return the candidates as a table, the most probable first; the answer itself stands in ``attrs``."""
    names = [item.name for item in fields(Candidate) if item.name not in {"material", "fitted"}]
    return _frame("material", names, verdict.candidates, _answer(verdict))


def verdict_to_xarray(verdict: Verdict) -> xarray.Dataset:
    """Return the candidates as a data set, with the curves fitted where there was a sweep."""
    found = _dataset(verdict_to_pandas(verdict))
    spectrum = verdict.spectrum
    if spectrum is not None:
        nothing = np.full(spectrum.frequency_hz.size, complex(np.nan, np.nan))
        fitted = np.stack([nothing if one.fitted is None else one.fitted for one in verdict.candidates])
        found = found.assign_coords(frequency_hz=("frequency_hz", spectrum.frequency_hz, {"units": "Hz"}))
        found["fitted"] = (("material", "frequency_hz"), fitted, {"units": "1"})
        found["permeability"] = ("frequency_hz", spectrum.permeability, {"units": "1"})
    return found


def _answer(verdict: Verdict) -> dict[str, Any]:
    return {
        "kind": verdict.kind.value,
        "materials": list(verdict.materials),
        "probability": verdict.probability,
        "unlisted_probability": verdict.unlisted_probability,
    }


def library_to_pandas(library: Library) -> pd.DataFrame:
    """Return the properties of the materials as a table; their curves stay with them."""
    names = [item.name for item in fields(Material) if item.name not in _NO_COLUMN]
    return _frame("id", names, library.materials, {"problems": [one.where for one in library.problems]})


def library_to_xarray(library: Library) -> xarray.Dataset:
    """Return the properties of the materials as a data set; their curves have frequencies of their own."""
    return _dataset(library_to_pandas(library))


def _frame(key: str, names: Sequence[str], items: Sequence[object], told: Mapping[str, Any]) -> pd.DataFrame:
    package = _package("pandas")
    columns = {name: [_plain(getattr(item, name)) for item in items] for name in names}
    frame = package.DataFrame(columns, index=package.Index([getattr(item, key) for item in items], name=key))
    frame.attrs = {"units": {name: _UNITS.get(name, "1") for name in names}, **told}
    return frame


def _plain(value: object) -> object:
    """Return text for a word of ours, and NaN for a number that is not known."""
    return str(value) if isinstance(value, str) else float("nan") if value is None else value


def _dataset(frame: pd.DataFrame) -> xarray.Dataset:
    package = _package("xarray")
    units = frame.attrs["units"]
    key = frame.index.name
    data = {name: (key, frame[name].to_numpy(), {"units": units[name]}) for name in frame.columns}
    told = {name: value for name, value in frame.attrs.items() if name != "units"}
    found: xarray.Dataset = package.Dataset(data, {key: list(frame.index)}, told)
    return found
