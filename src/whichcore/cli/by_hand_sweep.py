"""``whichcore by-hand sweep``."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click

from whichcore.analysis.types import ImpedanceSweep
from whichcore.cli.options import reporting
from whichcore.cli.session import Session
from whichcore.cli.show import Grid, Lines, page
from whichcore.files import load_specimen, write_sweep
from whichcore.files.screen_sheet import load_screen_sheet
from whichcore.measure.by_hand import standard_uncertainties, sweep_by_hand
from whichcore.wording import quantity, with_uncertainty

FORMAT = "whichcore-by-hand-sweep/1"


@click.command()
@click.option(
    "--sheet",
    required=True,
    metavar="FILE",
    help="Sheet of readings (CSV), typed or kept by whichcore by-hand ask.",
)
@click.option(
    "--out",
    required=True,
    metavar="FILE",
    help="Sweep file (CSV) to write. One that is there is replaced.",
)
@click.option("--specimen", metavar="FILE", help="Specimen file of the core: adds its flux density.")
@reporting
@click.pass_obj
def command(session: Session, /, sheet: str, out: str, specimen: str | None) -> None:
    """Turn a sheet of screen readings into a sweep.

    Each row holds the height of both channels and the shift between them, in divisions, volts, time or
    degrees. How well the eye reads, the shunt, and how far the channels may differ go into the uncertainty.
    Rows that no passive part gives are refused, with what to check. Then: whichcore identify --specimen FILE
    --sweep FILE.
    """
    core = None if specimen is None else load_specimen(specimen)
    sweep = sweep_by_hand(load_screen_sheet(sheet), core)
    write_sweep(Path(out), sweep)
    session.note(f"written: {out}")
    session.deliver(lambda: _report(sweep, out), lambda: _text(sweep, out, specimen or "FILE"))


def _report(sweep: ImpedanceSweep, out: str) -> dict[str, Any]:
    return {"format": FORMAT, "file": out, "points": points_of(sweep)}


def points_of(sweep: ImpedanceSweep) -> list[dict[str, Any]]:
    """Return the points of a sweep with everything their uncertainty holds."""
    u, flux = standard_uncertainties(sweep), sweep.flux_density_t
    return [
        {
            "frequency_hz": float(hertz),
            "impedance_real_ohm": float(z.real),
            "impedance_imag_ohm": float(z.imag),
            "u_real_ohm": float(u[k, 0]),
            "u_imag_ohm": float(u[k, 1]),
            "flux_density_t": None if flux is None else float(flux[k]),
        }
        for k, (hertz, z) in enumerate(zip(sweep.frequency_hz, sweep.impedance_ohm, strict=True))
    ]


def _text(sweep: ImpedanceSweep, out: str, specimen: str) -> str:
    rows = tuple(
        (
            quantity(point["frequency_hz"], "Hz", 6),
            with_uncertainty(point["impedance_real_ohm"], point["u_real_ohm"]),
            with_uncertainty(point["impedance_imag_ohm"], point["u_imag_ohm"]),
            "" if point["flux_density_t"] is None else quantity(point["flux_density_t"], "T"),
        )
        for point in points_of(sweep)
    )
    grid = Grid(("frequency", "R in Ω", "X in Ω", "B"), rows, frozenset({"frequency"}))
    lines = (
        "± is one standard uncertainty.",
        f"Next: whichcore identify --specimen {specimen} --sweep {out}",
    )
    return page([grid, Lines(lines)])
