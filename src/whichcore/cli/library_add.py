"""``whichcore library add``."""

from __future__ import annotations

from pathlib import Path

import click

from whichcore.analysis.materials import MaterialClass
from whichcore.cli.options import reporting
from whichcore.cli.own_library import delivered, label_options, store
from whichcore.cli.session import Session
from whichcore.files import Dimension, load_specimen, load_sweep, parse_quantity
from whichcore.known_core import GradeLabel, material_of_core


@click.command()
@click.option("--specimen", metavar="FILE", required=True, help="Specimen file of the known core (TOML).")
@click.option("--sweep", metavar="FILE", required=True, help="Its sweep (CSV, or Touchstone .s1p).")
@label_options
@click.option("--source", metavar="TEXT", help="Where it comes from. [default: says what was measured]")
@reporting
@click.pass_obj
def command(session: Session, /, specimen: str, sweep: str, folder: str | None, **said: str) -> None:
    """Make the sweep of a core whose grade you know a reference of your own.

    The winding is taken off; what remains is the permeability of the core, with its section, so that cores
    of other sizes can be compared with it. Take a whole, closed core: a gap would be part of the curve.
    """
    core, data = load_specimen(specimen), load_sweep(sweep)
    measured = f"own measurement: {Path(sweep).name} on {Path(specimen).name}, {core.winding.turns} turns"
    label = GradeLabel(
        id=said["material_id"],
        name=said["name"],
        material_class=MaterialClass(said["material_class"]),
        tolerance=parse_quantity(said["tolerance"], Dimension.RATIO, where="--tolerance"),
        source=said["source"] or measured,
        licence=said["licence"],
    )
    material, notes = material_of_core(core, data, label)
    delivered(session, material, store(material, folder), notes)
