"""One material as fields: for the JSON object and for the eye."""

from __future__ import annotations

from typing import Any

from whichcore.analysis.materials import Material, MaterialClass
from whichcore.wording import in_percent, quantity

CLASSES = tuple(item.value for item in MaterialClass)


def span(material: Material) -> str:
    """Return the span of the curve, such as ``1 kHz to 30 MHz``."""
    low, high = material.frequency_hz[0], material.frequency_hz[-1]
    return f"{quantity(float(low), 'Hz')} to {quantity(float(high), 'Hz')}"


def report(material: Material) -> dict[str, Any]:
    """Return every property, SI, null where it is not stated."""
    return {
        "id": material.id,
        "name": material.name,
        "class": material.material_class.value,
        "initial_permeability": material.initial_permeability,
        "tolerance": material.tolerance,
        "curve_deviation": material.curve_deviation,
        "swept": material.swept,
        "points": int(material.frequency_hz.size),
        "low_hz": float(material.frequency_hz[0]),
        "high_hz": float(material.frequency_hz[-1]),
        "resistivity_ohm_m": material.resistivity_ohm_m,
        "relative_permittivity": material.relative_permittivity,
        "density_kg_m3": material.density_kg_m3,
        "curie_temperature_c": material.curie_temperature_c,
        "section_m": None if material.section_m is None else list(material.section_m),
        "temperature_c": material.temperature_c,
        "flux_density_t": material.flux_density_t,
        "applications": list(material.applications),
        "source": material.source,
        "licence": material.licence,
    }


def fields(material: Material) -> tuple[str, ...]:
    """Return every property as a line; what is not stated says so."""
    m = material
    stated = {
        "id": m.id,
        "name": m.name,
        "class": m.material_class.value,
        "initial permeability": f"{m.initial_permeability:g}",
        "spread of it": f"{in_percent(m.tolerance, 3)} (two standard deviations)",
        "curve": f"{m.frequency_hz.size} points, {span(m)}{', swept' if m.swept else ''}",
        "core from curve": f"{in_percent(m.curve_deviation, 3)} (one standard deviation)",
        "resistivity": _stated(m.resistivity_ohm_m, "Ω m"),
        "relative permittivity": _plain(m.relative_permittivity),
        "density": "" if m.density_kg_m3 is None else f"{m.density_kg_m3 / 1e3:.3g} g/cm³",
        "Curie temperature": _plain(m.curie_temperature_c, " °C"),
        "section of the core": ""
        if m.section_m is None
        else " × ".join(f"{side * 1e3:.3g} mm" for side in m.section_m),
        "taken at": ", ".join(filter(None, (_plain(m.temperature_c, " °C"), _stated(m.flux_density_t, "T")))),
        "applications": ", ".join(m.applications),
        "source": m.source,
        "licence": m.licence,
    }
    return tuple(f"{name}: {text or 'not stated'}" for name, text in stated.items())


def _stated(value: float | None, unit: str) -> str:
    return "" if value is None else quantity(value, unit)


def _plain(value: float | None, unit: str = "") -> str:
    return "" if value is None else f"{value:g}{unit}"
