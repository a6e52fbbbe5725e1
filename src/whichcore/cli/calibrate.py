"""``whichcore calibrate``."""

from __future__ import annotations

import math
from dataclasses import replace
from pathlib import Path
from typing import Any

import click
import numpy as np
from click.core import ParameterSource

from whichcore.analysis.types import Wiring
from whichcore.bench import OpenBench
from whichcore.calibration.open_short_load import OpenShortLoad
from whichcore.calibration.quality import Quality, quality
from whichcore.cli.at_bench import Bar, at_bench, band_options, bench_option, core_option, fit_core, hertz
from whichcore.cli.many_tones import calibration_tones, tone_options
from whichcore.cli.options import reporting
from whichcore.cli.session import Session
from whichcore.cli.show import Grid, Lines, page
from whichcore.errors import CalibrationError, InputError, UsageError
from whichcore.files import Dimension, load_specimen, parse_quantity
from whichcore.measure import CalibrationPlan, StoredCalibration, calibrate, save_calibration
from whichcore.rig.sweep.plan import log_grid
from whichcore.wording import in_percent, quantity

FORMAT = "whichcore-calibration-result/1"
SHOWN_OHM = (1.0, 10.0, 100.0, 1000.0)


@click.command()
@bench_option
@band_options(defaults=True)
@click.option(
    "--standards",
    metavar="NAMES",
    help="Names of bench.toml, with commas between them, to use instead of all: open,short,load; the word "
    "none takes the known shunt alone.",
)
@click.option(
    "--specimen",
    metavar="FILE",
    help="Specimen file of the wound core whose empty winding, on a former of plastic or wood, is called "
    "zero; for a standard of bench.toml with the plane empty winding.",
)
@tone_options
@core_option
@click.option("--temperature", metavar="TEXT", help='Of the room, such as "23 degC"; kept in the file.')
@click.option(
    "--out",
    metavar="FILE",
    help="Where the calibration is kept (.npz); without it in your data folder, one for each set-up of a "
    "bench. An older one there is replaced.",
)
@reporting
@click.pass_obj
def command(session: Session, /, bench_file: str | None, out: str | None, **asked: Any) -> None:
    """Calibrate a bench with open, short, load, and whatever else is known.

    Both channels are put on one node first, which ties their ranges together; then the standards of
    bench.toml give everything that lies between the voltages and the specimen. Four and more check each
    other. A part that is not what it should be is asked for again, up to three times, and then ends the
    calibration with exit code 5; nothing is kept of it. One part is measured again at the end, which shows
    drift. Two windings need the tied channels alone.

    With --multitone the frequencies are those of tones that share a take; sweep --multitone uses the same.
    """
    plan = _plan(asked)
    stored: StoredCalibration | None = None
    with at_bench(bench_file) as (settings, opened, operator, cancel), Bar() as bar:
        _wind(opened, plan, asked["core"])
        if (tones := calibration_tones(settings, opened, asked)) is not None:
            plan = replace(plan, frequency_hz=tones[0], tones=tones[1])
        else:
            plan = _within(plan, opened.bench.source.limits.frequency_hz, asked)
        for told in calibrate(settings, opened.bench, operator, plan, cancel):
            if isinstance(told, StoredCalibration):
                stored = told
                continue
            if told.said:
                session.note(told.said)
            bar.show(told.fixture, told.share)
    if stored is None:  # pragma: no cover - the generator ends with it
        raise CalibrationError("the calibration did not end")
    path, done = save_calibration(stored, None if out is None else Path(out)), stored
    session.deliver(lambda: _report(done, path), lambda: _text(done, path))


def _plan(asked: dict[str, Any]) -> CalibrationPlan:
    low, high = hertz(asked["from_text"], "--from"), hertz(asked["to_text"], "--to")
    warm, names = asked["temperature"], asked["standards"]
    return CalibrationPlan(
        log_grid(low or 0.0, high or 0.0, asked["points_per_decade"]),
        temperature_c=None
        if warm is None
        else parse_quantity(warm, Dimension.TEMPERATURE, where="--temperature"),
        standards=() if names is None else _names(names),
        specimen=None if asked["specimen"] is None else load_specimen(asked["specimen"]),
    )


def _within(plan: CalibrationPlan, span: tuple[float, float], asked: dict[str, Any]) -> CalibrationPlan:
    """Bring the end of the band that nobody asked for within the source; another end is refused."""
    low, high = plan.frequency_hz[0], plan.frequency_hz[-1]
    usual = click.get_current_context().get_parameter_source("to_text") is ParameterSource.DEFAULT
    if usual and low < span[1] < high:
        return replace(plan, frequency_hz=log_grid(low, _round_down(span[1]), asked["points_per_decade"]))
    if not span[0] <= low <= high <= span[1]:
        raise InputError(
            "the source does not reach this band",
            where="--from, --to",
            got=f"{low:g} Hz to {high:g} Hz",
            allowed=f"{span[0]:g} Hz to {span[1]:g} Hz",
        )
    return plan


def _round_down(hertz: float) -> float:
    """Return a frequency with two digits, not above it."""
    step = 10.0 ** (math.floor(math.log10(hertz)) - 1)
    return math.floor(hertz / step * (1 + 1e-12)) * step


def _names(text: str) -> tuple[str, ...]:
    names = tuple(name.strip() for name in text.split(","))
    if not all(names):
        raise UsageError(
            "names with commas between them were expected",
            where="--standards",
            got=repr(text),
            allowed="such as open,short,load",
        )
    return names


def _wind(opened: OpenBench, plan: CalibrationPlan, core: str | None) -> None:
    """Let the virtual bench wind the core whose winding it will be asked for empty."""
    if core is None:
        return
    if plan.specimen is None:
        raise UsageError(
            "a core is wound for a specimen", where="--core", got=core, next_step="add --specimen FILE"
        )
    fit_core(opened, plan.specimen, core)


def reached(stored: StoredCalibration, impedance_ohm: float) -> float:
    """Return the largest standard uncertainty of a component over |Z| in the band, of calibration alone."""
    model = stored.model
    z = np.full(model.frequency_hz.shape, complex(0.0, impedance_ohm))
    variance = np.zeros(z.size)
    for source in model.correct(model.embed(z)).sources:
        variance += np.abs(source.sensitivity) ** 2
    return float(np.sqrt(variance.max() / 2) / impedance_ohm)


def _report(stored: StoredCalibration, path: Path) -> dict[str, Any]:
    model, found = stored.model, quality(stored.model)
    return {
        "format": FORMAT,
        "file": str(path),
        "error_model": model.kind,
        "calibration": model.calibration_id,
        "wiring": str(model.fingerprint.wiring),
        "plane": model.plane,
        "standards": list(model.standards),
        "quality": {
            "standards": [
                {
                    "name": row.name,
                    "leverage_max": row.leverage_max,
                    "misfit_max": row.misfit_max,
                    "at_hz": row.at_hz,
                }
                for row in found.rows
            ],
            "condition_max": found.condition_max,
            "condition_at_hz": found.at_hz,
            "remarks": list(found.remarks),
        },
        "from_hz": float(model.frequency_hz[0]),
        "to_hz": float(model.frequency_hz[-1]),
        "points": int(model.frequency_hz.size),
        "ranges_a_vpp": stored.ranges.ranges_a.tolist(),
        "ranges_b_vpp": stored.ranges.ranges_b.tolist(),
        "relative_uncertainty": {f"{ohm:g} ohm": reached(stored, ohm) for ohm in SHOWN_OHM},
        **stored.header,
    }


def _text(stored: StoredCalibration, path: Path) -> str:
    model, found = stored.model, quality(stored.model)
    used = ", ".join(model.standards) or "none but the shunt"
    rows = tuple((f"{ohm:g} Ω", in_percent(reached(stored, ohm))) for ohm in SHOWN_OHM)
    first = [
        f"Calibrated: {model.kind}, {model.fingerprint.wiring}, standards: {used}.",
        f"{model.frequency_hz.size} frequencies from {quantity(model.frequency_hz[0], 'Hz')} to "
        f"{quantity(model.frequency_hz[-1], 'Hz')}.",
    ]
    if model.kind != OpenShortLoad.kind:
        first.append(f"It holds as far as {model.assumes}; more standards would test that.")
    if model.plane != "terminals":
        first.append(f"Zero is the {model.fingerprint.fixture}: use it for that winding alone.")
    last = [f"Kept in {path}.", _next(stored, path)]
    return page(
        [
            Lines(tuple(first)),
            *_checked(stored, found),
            Grid(("a reactance of", "is known within, at worst"), rows),
            Lines((*_drift(stored), *(f"{text[:1].upper()}{text[1:]}." for text in found.remarks))),
            Lines(tuple(last)),
        ]
    )


def _checked(stored: StoredCalibration, found: Quality) -> list[Grid]:
    """Return what checks each standard, where anything does."""
    if all(row.leverage_max > 1 - 1e-6 for row in found.rows):
        return []
    attempts = stored.header.get("attempts", {})
    rows = tuple(
        (
            row.name,
            f"{row.misfit_max:.2g}",
            quantity(row.at_hz, "Hz"),
            f"{100 * min(row.leverage_max, 1):.0f} %",
            str(attempts.get(row.name, 1)),
        )
        for row in found.rows
    )
    heads = ("standard", "off by, in its uncertainty", "at", "stands alone", "times measured")
    return [Grid(heads, rows)]


def _drift(stored: StoredCalibration) -> list[str]:
    drift = stored.header.get("drift")
    if not drift:
        return []
    start = (
        f"The {drift['part']}, measured again at the end, differs by {in_percent(drift['worst_change'])} at "
        f"{quantity(drift['worst_hz'], 'Hz')}"
    )
    if drift["significant"]:
        return [
            f"{start}, {max(drift['in_own_uncertainty']):.2g} times its uncertainty: the bench drifts. The "
            "change is now among the errors; for less let the instruments warm up and calibrate again."
        ]
    return [f"{start}: no drift beyond its uncertainty."]


def _next(stored: StoredCalibration, path: Path) -> str:
    if stored.model.plane != "terminals":
        return f"Next: whichcore sweep --calibration {path} --specimen FILE --out FILE"
    if stored.model.fingerprint.wiring is Wiring.TWO_WINDINGS:
        return "Next: whichcore sweep, first of a core you know: no part stands for what two windings read."
    return "Next: whichcore verify --part NAME with a known part, then whichcore sweep."
