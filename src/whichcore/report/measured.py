"""The second half of a report: budget, conditions, calibration, specimen, materials, files."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import fields
from datetime import datetime
from importlib.metadata import version

import numpy as np

from whichcore.analysis.budget import Budget, budget_at
from whichcore.analysis.functional import LOSS_TANGENT, MU_REAL, real_curve
from whichcore.analysis.geometry import core_geometry
from whichcore.analysis.specimen import Rod, Specimen
from whichcore.analysis.types import FloatArray, ImpedanceSweep
from whichcore.budget_words import HEADS, interval_sentence, largest, remedies, rows_of, value_of
from whichcore.errors import AnalysisError
from whichcore.measure import StoredCalibration
from whichcore.report.document import Block, Points, Section, Sheet, Words
from whichcore.report.dossier import Dossier
from whichcore.report.pictures import counted
from whichcore.report.spectrum import spectrum_of
from whichcore.wording import in_percent, listed, measured, quantity

NOT_KNOWN = "not stated"
_OWN_HEADERS = frozenset(
    {"specimen", "calibration", "bench", "started", "drift_relative", "u_drift_relative"}
)


def budget_section(dossier: Dossier) -> Section:
    """Say where the uncertainty of μ′ and tan δ comes from, at three frequencies."""
    spectrum, why_not = spectrum_of(dossier.sweep, dossier.specimen)
    heading = "Where the uncertainty comes from"
    if spectrum is None:
        return Section(heading, (Words(f"There is no budget: {why_not}."),))
    blocks: list[Block] = []
    budgets: list[Budget] = []
    for functional in (MU_REAL, LOSS_TANGENT):
        curve = real_curve(functional, spectrum)
        for hertz in _three(spectrum.frequency_hz):
            try:
                budgets.append(budget_at(curve, hertz))
                blocks += _budget(budgets[-1])
            except AnalysisError as error:
                at = quantity(hertz, "Hz", 4)
                blocks.append(Words(f"{functional.symbol} at {at}: {error.one_line()}."))
    legend = "u: standard uncertainty each cause brings; share: of the variance; squares of u add up."
    shrinking = remedies(budgets)
    if shrinking:
        blocks += [Words("What would shrink each of them:"), Points(shrinking)]
    return Section(heading, (Words(legend), *blocks))


def _three(frequency_hz: FloatArray) -> list[float]:
    places = sorted({0, frequency_hz.size // 2, frequency_hz.size - 1})
    return [float(frequency_hz[place]) for place in places]


def _budget(budget: Budget) -> list[Block]:
    symbol, at = budget.functional.symbol, quantity(budget.frequency_hz, "Hz", 4)
    told = f"{symbol} = {value_of(budget)} (standard uncertainty) at {at}. {interval_sentence(budget)}"
    if not budget.lines:
        return [Words(told)]
    rows = tuple(row[:-1] for row in rows_of(budget))
    sheet = Sheet(f"{symbol} at {at}, the largest first", HEADS[:-1], rows, frozenset({"u", "share"}))
    return [Words(told), sheet, Words(largest(budget))]


def conditions_section(dossier: Dossier) -> Section:
    """Say under which conditions it was measured."""
    sweep = dossier.sweep
    rows = list(dossier.given.items())
    if sweep is None:
        told = [("temperature", _temperature(None, dossier.specimen)), ("sweep", "none")]
    else:
        told = list(_conditions(sweep, dossier.specimen))
    return Section("Conditions", (Sheet("As stated", ("what", "value"), tuple(told + rows)),))


def _conditions(sweep: ImpedanceSweep, specimen: Specimen) -> Iterator[tuple[str, str]]:
    f, flux = sweep.frequency_hz, sweep.flux_density_t
    yield "temperature", _temperature(sweep, specimen)
    yield "peak flux density", NOT_KNOWN if flux is None else _span(flux, "T")
    yield "drive", NOT_KNOWN if sweep.drive_vrms is None else f"{quantity(sweep.drive_vrms, 'V')} rms"
    yield "wiring", sweep.wiring or NOT_KNOWN
    yield "band", f"{quantity(f[0], 'Hz')} to {quantity(f[-1], 'Hz')}, {counted(f.size)}"
    yield "scatter", "estimated from the curve itself" if sweep.scatter_estimated else "stated for each point"
    for key in ("bench", "started"):
        yield key, sweep.notes.get(key) or NOT_KNOWN
    yield "drift, first point again at the end", _drift(sweep.notes)
    yield from ((key, text) for key, text in sweep.notes.items() if key not in _OWN_HEADERS)


def _temperature(sweep: ImpedanceSweep | None, specimen: Specimen) -> str:
    if sweep is not None and sweep.temperature_c is not None:
        return f"{sweep.temperature_c:g} °C, by the sweep"
    if specimen.temperature_c is not None:
        return f"{specimen.temperature_c:g} °C, by the specimen file"
    return NOT_KNOWN


def _span(values: FloatArray, unit: str) -> str:
    known = values[np.isfinite(values)]
    if known.size == 0:
        return NOT_KNOWN
    low, high = quantity(float(known.min()), unit), quantity(float(known.max()), unit)
    return low if low == high else f"{low} to {high}"


def _drift(notes: Mapping[str, str]) -> str:
    change, u = notes.get("drift_relative"), notes.get("u_drift_relative")
    return NOT_KNOWN if change is None else f"{change} of |Z|, standard uncertainty {u or NOT_KNOWN}"


def calibration_section(dossier: Dossier) -> Section:
    """Say which calibration was used, how old it was, with which standards, and how it drifted."""
    sweep, stored = dossier.sweep, dossier.calibration
    if stored is not None:
        rows = tuple(_calibration(stored, sweep))
        return Section("Calibration", (Sheet("The calibration", ("what", "value"), rows),))
    if sweep is None:
        return Section("Calibration", (Words("There is no sweep, so there is no calibration."),))
    used = sweep.notes.get("calibration")
    if used is None:
        return Section("Calibration", (Words("The sweep does not say how it was calibrated."),))
    told = (
        f"The sweep was corrected with {used}, by its own word. The calibration itself is not at hand: its "
        "age, standards and drift are not known here."
    )
    return Section("Calibration", (Words(told),))


def _calibration(stored: StoredCalibration, sweep: ImpedanceSweep | None) -> Iterator[tuple[str, str]]:
    model, header = stored.model, stored.header
    f, mark = model.frequency_hz, model.fingerprint
    yield "id", model.calibration_id
    yield "error model", f"{model.kind}: {model.assumes}"
    yield "zero impedance at", str(model.plane)
    yield "taken", str(header.get("started") or NOT_KNOWN)
    yield "age at the sweep", _age(header, sweep)
    yield "standards", ", ".join(model.standards) or "none beside the shunt"
    yield "drift while it was taken", _calibration_drift(header.get("drift"))
    temperature = header.get("temperature_c")
    yield "temperature", NOT_KNOWN if temperature is None else f"{temperature:g} °C"
    yield "band", f"{quantity(f[0], 'Hz')} to {quantity(f[-1], 'Hz')}, {f.size} frequencies"
    yield "wiring", str(mark.wiring)
    yield "ranges A, B", ", ".join(filter(None, (mark.range_a, mark.range_b))) or NOT_KNOWN
    yield (
        "shunt, fixture, cables",
        "; ".join(filter(None, (mark.shunt, mark.fixture, mark.cables))) or NOT_KNOWN,
    )


def _age(header: Mapping[str, object], sweep: ImpedanceSweep | None) -> str:
    try:
        taken = datetime.fromisoformat(str(header.get("started")))
        used = datetime.fromisoformat(str(sweep.notes.get("started") if sweep is not None else None))
        days = (used - taken).total_seconds() / 86400
    except (ValueError, TypeError):
        return "not known: one of the two states no time"
    return f"{24 * days:.1f} hours" if abs(days) < 2 else f"{days:.1f} days"


def _calibration_drift(drift: object) -> str:
    """Say what the header of a calibration keeps of its drift check."""
    if not isinstance(drift, dict):
        return "not checked"
    try:
        worst = f"{in_percent(float(drift['worst_change']))} at {quantity(float(drift['worst_hz']), 'Hz')}"
    except (KeyError, TypeError, ValueError):
        return "checked; the outcome cannot be read"
    return f"{drift.get('part', 'one part')} again at the end: {worst} at worst"


def specimen_section(dossier: Dossier) -> Section:
    """Say what the core and its winding are."""
    specimen = dossier.specimen
    rows = [("shape", type(specimen.core).__name__.lower()), *_dimensions(specimen)]
    if not isinstance(specimen.core, Rod):
        effective = core_geometry(specimen).effective
        rows.append(("effective length", quantity(effective.length_m, "m", 4)))
        rows.append(("effective area", f"{effective.area_m2 * 1e6:.4g} mm²"))
    heads = ("what", "value")
    core = Sheet("Core, ± the standard uncertainty", heads, tuple(rows + _rest(specimen)))
    return Section("Specimen", (core, Sheet("Winding", heads, tuple(_winding(specimen)))))


def _dimensions(specimen: Specimen) -> Iterator[tuple[str, str]]:
    known = specimen.dimension_uncertainties_m
    for item in fields(specimen.core):
        value = getattr(specimen.core, item.name)
        name, unit = _unit(item.name)
        if value is None:
            yield name, NOT_KNOWN
        elif not unit:
            yield name, f"{value:g}"
        elif item.name in known:
            yield name, measured(value, known[item.name], unit)
        else:
            yield name, f"{value:.5g} {unit}" if "/" in unit else quantity(value, unit, 5)


_UNITS = {"_per_m3": "1/m³", "_per_m": "1/m", "_m": "m", "_h": "H", "_f": "F", "_ohm": "Ω"}


def _unit(name: str) -> tuple[str, str]:
    """Return the plain name of a field, and its unit; of a number without one an empty text."""
    for ending, unit in _UNITS.items():
        if name.endswith(ending):
            return name.removesuffix(ending).replace("_", " "), unit
    return name.replace("_", " "), ""


def _rest(specimen: Specimen) -> list[tuple[str, str]]:
    surface = specimen.surface_resistance
    more = "more than " if surface is not None and surface.over_range else ""
    told = {
        "gap": None if specimen.gap_m is None else quantity(specimen.gap_m, "m"),
        "crack": specimen.crack and specimen.crack.value,
        "mass": None if specimen.mass_kg is None else f"{specimen.mass_kg * 1e3:.4g} g",
        "surface resistance": None if surface is None else f"{more}{quantity(surface.value_ohm, 'Ω')}",
        "in a case": "yes" if specimen.encased else "no",
    }
    return [(name, text or NOT_KNOWN) for name, text in told.items()]


def _winding(specimen: Specimen) -> Iterator[tuple[str, str]]:
    for item in fields(specimen.winding):
        value = getattr(specimen.winding, item.name)
        name, unit = _unit(item.name)
        if item.name == "ideal":
            if value:
                yield "winding", "none: the sweep is that of the core alone"
        elif value is None:
            yield name, NOT_KNOWN
        else:
            yield name, quantity(value, unit, 4) if unit else f"{value:g}"


def materials_section(dossier: Dossier) -> Section:
    """Name the references that were weighed, where they are from and under which licence."""
    alike: dict[tuple[str, str], list[str]] = {}
    for one in dossier.materials:
        alike.setdefault((one.source, one.licence), []).append(f"{one.name} ({one.id})")
    if not alike:
        return Section("Reference materials", (Words("No reference reached 0.1 %."),))
    told = "Every reference that reached 0.1 %, or that the verdict names."
    lines = (
        f"{listed(named, 'and')}. Source: {source.rstrip('.')}. Licence: {licence}."
        for (source, licence), named in alike.items()
    )
    return Section("Reference materials", (Words(told), Points(tuple(lines))))


def files_section(dossier: Dossier) -> Section:
    """List the files with their checksums, and the version that judged."""
    rows = tuple((one.role, one.name, one.record[:8] or "not kept", one.sha256) for one in dossier.files)
    heads = ("what", "name", "record", "SHA-256")
    told = f"Judged by whichcore {dossier.program} at {dossier.judged_at}."
    if dossier.record:
        told += f" Measured curves and budgets worked out from the kept files by {version('whichcore')}."
    return Section("Files and checksums", (Sheet("Files", heads, rows), Words(told)))
