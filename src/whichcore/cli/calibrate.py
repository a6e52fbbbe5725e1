"""``whichcore calibrate``."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click
import numpy as np

from whichcore.cli.at_bench import Bar, at_bench, band_options, bench_option, hertz
from whichcore.cli.options import reporting
from whichcore.cli.session import Session
from whichcore.cli.show import Grid, Lines, page
from whichcore.errors import CalibrationError
from whichcore.files import Dimension, parse_quantity
from whichcore.measure import CalibrationPlan, Step, StoredCalibration, calibrate, save_calibration
from whichcore.rig.sweep_plan import log_grid
from whichcore.wording import quantity

FORMAT = "whichcore-calibration-result/1"
SHOWN_OHM = (1.0, 10.0, 100.0, 1000.0)


@click.command()
@bench_option
@band_options(defaults=True)
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
    """Calibrate a bench with open, short and load.

    Both channels are put on one node first, which ties their ranges together; then open, short and load give
    everything that lies between the voltages and the specimen. Each fixture is checked while it is measured;
    a wrong one ends the calibration with exit code 5. Two windings need the tied channels alone. A sweep uses
    frequencies of its calibration only.
    """
    plan = _plan(**asked)
    stored: StoredCalibration | None = None
    with at_bench(bench_file) as (settings, opened, operator, cancel), Bar() as bar:
        for told in calibrate(settings, opened.bench, operator, plan, cancel):
            if isinstance(told, Step):
                bar.show(told.fixture, told.share)
            else:
                stored = told
    if stored is None:  # pragma: no cover - the generator ends with it
        raise CalibrationError("the calibration did not end")
    path, done = save_calibration(stored, None if out is None else Path(out)), stored
    session.deliver(lambda: _report(done, path), lambda: _text(done, path))


def _plan(
    *, from_text: str, to_text: str, points_per_decade: int, temperature: str | None
) -> CalibrationPlan:
    low, high = hertz(from_text, "--from"), hertz(to_text, "--to")
    grid = log_grid(low or 0.0, high or 0.0, points_per_decade)
    warm = None
    if temperature is not None:
        warm = parse_quantity(temperature, Dimension.TEMPERATURE, where="--temperature")
    return CalibrationPlan(grid, temperature_c=warm)


def reached(stored: StoredCalibration, impedance_ohm: float) -> float:
    """Return the largest standard uncertainty of a component over |Z| in the band, of calibration alone."""
    model = stored.model
    z = np.full(model.frequency_hz.shape, complex(0.0, impedance_ohm))
    variance = np.zeros(z.size)
    for source in model.correct(model.embed(z)).sources:
        variance += np.abs(source.sensitivity) ** 2
    return float(np.sqrt(variance.max() / 2) / impedance_ohm)


def _report(stored: StoredCalibration, path: Path) -> dict[str, Any]:
    model = stored.model
    return {
        "format": FORMAT,
        "file": str(path),
        "error_model": model.kind,
        "calibration": model.calibration_id,
        "wiring": str(model.fingerprint.wiring),
        "standards": list(model.standards),
        "from_hz": float(model.frequency_hz[0]),
        "to_hz": float(model.frequency_hz[-1]),
        "points": int(model.frequency_hz.size),
        "ranges_a_vpp": stored.ranges.ranges_a.tolist(),
        "ranges_b_vpp": stored.ranges.ranges_b.tolist(),
        "relative_uncertainty": {f"{ohm:g} ohm": reached(stored, ohm) for ohm in SHOWN_OHM},
        **stored.header,
    }


def _text(stored: StoredCalibration, path: Path) -> str:
    model = stored.model
    used = ", ".join(model.standards) or "none but the shunt"
    rows = tuple((f"{ohm:g} Ω", f"{100 * reached(stored, ohm):.2g} %") for ohm in SHOWN_OHM)
    return page(
        [
            Lines(
                (
                    f"Calibrated: {model.kind}, {model.fingerprint.wiring}, standards: {used}.",
                    f"{model.frequency_hz.size} frequencies from {quantity(model.frequency_hz[0], 'Hz')} to "
                    f"{quantity(model.frequency_hz[-1], 'Hz')}.",
                )
            ),
            Grid(("a reactance of", "is known within, at worst"), rows),
            Lines((f"Kept in {path}.",)),
        ]
    )
