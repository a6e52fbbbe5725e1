"""``whichcore plan``."""

from __future__ import annotations

from dataclasses import asdict
from pathlib import Path
from typing import Any

import click

from whichcore.analysis.plan import MeasurementPlan, plan_measurement
from whichcore.analysis.plan_accuracy import Expected
from whichcore.analysis.plan_band import Band
from whichcore.analysis.plan_point import PlanPoint
from whichcore.analysis.plan_remark import Remark
from whichcore.bench import load_bench
from whichcore.cli.options import dark_option, reporting
from whichcore.cli.session import Session
from whichcore.cli.show import Block, Grid, Heading, Lines, page
from whichcore.files import load_specimen
from whichcore.measure.bench_accuracy import bench_accuracy
from whichcore.measure.plan_bench import plan_bench
from whichcore.wording import in_percent, quantity

FORMAT = "whichcore-plan/1"


@click.command()
@click.option(
    "--specimen",
    required=True,
    metavar="FILE",
    help="Specimen file (TOML): dimensions of the core and the winding it has.",
)
@click.option(
    "--bench",
    metavar="FILE",
    help="Bench file (TOML), or the word virtual. Without it: WHICHCORE_BENCH, ./bench.toml, your own.",
)
@click.option(
    "--expected-permeability",
    "expected",
    metavar="N",
    type=float,
    help="Initial permeability the core is thought to have, taken within 30 %. Without it the plan serves "
    "50 to 15,000.",
)
@click.option(
    "--calibration",
    "calibrations",
    metavar="FILE",
    multiple=True,
    help="Calibration to take the accuracy from, one for each wiring; may be given again. Without it the "
    "newest of this bench in your data folder, and where there is none what the bench file states.",
)
@click.option(
    "--picture",
    metavar="FILE",
    help="Draw what the bench reaches over frequency and |Z|, with the core laid over it, into this file "
    "(.svg or .png).",
)
@click.option(
    "--figures",
    metavar="DIR",
    help="Draw that, the same for the angle of Z, and the accuracy of permeability and loss tangent, into "
    "this folder.",
)
@dark_option
@reporting
@click.pass_obj
def command(session: Session, /, specimen: str, bench: str | None, **asked: Any) -> None:
    """Plan the measurement of a core: wiring, turns, wire, level and expected accuracy for each band.

    Each choice says why, and what cannot be measured on this bench is said before it is tried. What would be
    known is an estimate. Nothing is connected or switched on.
    """
    wound, settings = load_specimen(specimen), load_bench(bench)
    known = plan_bench(settings)
    accuracy = bench_accuracy(settings, known, asked["calibrations"])
    plan = plan_measurement(wound, known, asked["expected"], accuracy)
    drawn: list[Path] = []
    if asked["picture"] is not None or asked["figures"] is not None:
        from whichcore.cli.plan_pictures import Pictures  # noqa: PLC0415 - the drawing library loads slowly

        pictures = Pictures(wound, known, plan, accuracy, asked["dark"])
        drawn += pictures.one(Path(asked["picture"])) if asked["picture"] is not None else []
        drawn += pictures.all(Path(asked["figures"])) if asked["figures"] is not None else []
    report = _report(plan) | {"pictures": [str(path) for path in drawn]}
    session.deliver(lambda: report, lambda: page([*_blocks(plan, wound.name), *_drawn(drawn)]))


# ------------------------------------------------------------------------------------------------- JSON


def _report(plan: MeasurementPlan) -> dict[str, Any]:
    return {
        "format": FORMAT,
        "initial_permeability": list(plan.initial_permeability),
        "flux_density_t": plan.flux_density_t,
        "turns": list(plan.turns),
        "own_turns_serve": plan.own_turns_serve,
        "bands": [_band(band) for band in plan.bands],
        "remarks": [asdict(remark) for remark in plan.remarks],
    }


def _band(band: Band) -> dict[str, Any]:
    return {
        "from_hz": band.from_hz,
        "to_hz": band.to_hz,
        "turns": band.turns,
        "wire_diameter_m": band.wire_diameter_m,
        "wiring": band.wiring.value,
        "crossover_permeability": band.crossover_permeability,
        "flux_density_t": band.flux_density_t,
        "emf_vpp": list(band.emf_vpp),
        "pad_db": band.pad_db,
        "reachable_flux_t": band.reachable_flux_t,
        "points": [_point(point) for point in band.points],
        "expected": _expected(band.expected),
        "second_winding": _expected(band.second),
        "remarks": [asdict(remark) for remark in band.remarks],
    }


def _expected(item: Expected | None) -> dict[str, Any] | None:
    return None if item is None else asdict(item)


def _point(point: PlanPoint) -> dict[str, Any]:
    values = asdict(point) | {
        "amplification": {w.value: value for w, value in point.amplification.items()},
        "signal_vpk": {w.value: value for w, value in point.signal_vpk.items()},
    }
    z = values.pop("impedance_ohm")
    return values | {"impedance_real_ohm": z.real, "impedance_imag_ohm": z.imag}


# ------------------------------------------------------------------------------------------------- text


def _blocks(plan: MeasurementPlan, name: str) -> list[Block]:
    low, high = plan.initial_permeability
    turns = " and ".join(f"{count}" for count in plan.turns)
    blocks: list[Block] = [
        Heading(f"{name}: plan for an initial permeability of {low:.4g} to {high:.4g}".lstrip(": ")),
        Lines((f"Turns: {turns}.", *_origins(plan))),
        _grid(plan),
    ]
    if plan.remarks:
        blocks.append(Lines(tuple(map(_remark, plan.remarks))))
    for band in plan.bands:
        blocks += [Heading(_span(band)), Lines(tuple(map(_remark, band.remarks)))]
    return blocks


def _origins(plan: MeasurementPlan) -> tuple[str, ...]:
    """Say what the uncertainties rest on, once each."""
    found = [band.expected for band in plan.bands if band.expected is not None]
    origins = dict.fromkeys(f"{item.wiring.value}: {item.origin}" for item in found)
    return tuple(f"Accuracy of {text}." for text in origins)


def _drawn(paths: list[Path]) -> list[Block]:
    return [Lines(tuple(f"drawn: {path}" for path in paths))] if paths else []


def _grid(plan: MeasurementPlan) -> Grid:
    heads = (
        "band",
        "wiring",
        "turns",
        "wire",
        "B",
        "level",
        "pad",
        "|Z|",
        "core voltage",
        "u(μ′)",
        "u(tan δ)",
    )
    rows = tuple(_row(band, band.flux_density_t / plan.flux_density_t) for band in plan.bands)
    return Grid(heads, rows, frozenset({"turns"}))


def _row(band: Band, raised: float) -> tuple[str, ...]:
    """Return a row; ``raised`` is the flux density over that of the points."""
    ends = band.points[0], band.points[-1]
    return (
        _span(band),
        band.wiring.value,
        f"{band.turns}",
        "" if band.wire_diameter_m is None else quantity(band.wire_diameter_m, "m"),
        quantity(band.flux_density_t, "T"),
        _from_to([quantity(level, "Vpp") for level in band.emf_vpp]),
        f"{band.pad_db} dB" if band.pad_db else "none",
        _from_to([quantity(abs(point.impedance_ohm), "Ω") for point in ends]),
        _from_to([quantity(raised * point.core_voltage_vpk, "Vpk") for point in ends]),
        *_uncertainties(band.expected),
    )


def _uncertainties(item: Expected | None) -> tuple[str, str]:
    """Return the least and the largest standard uncertainty of μ′ and of tan δ over the points of a band."""
    if item is None:
        return "", ""
    real = sorted(point.u_real for point in item.points)
    loss = sorted(point.u_loss_tangent for point in item.points)
    return (
        _from_to([in_percent(u) if u < 1 else "> 100 %" for u in (real[0], real[-1])]),
        _from_to([f"{u:.2g}" for u in (loss[0], loss[-1])]),
    )


def _span(band: Band) -> str:
    return f"{quantity(band.from_hz, 'Hz')} to {quantity(band.to_hz, 'Hz')}"


def _from_to(ends: list[str]) -> str:
    return ends[0] if ends[0] == ends[1] else " to ".join(ends)


def _remark(remark: Remark) -> str:
    mark = "cannot" if remark.cannot else remark.reason.value
    return f"{mark}: {remark.text} ({remark.source})"
