"""``whichcore library import``."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import click

from whichcore.analysis.materials import Material, MaterialClass
from whichcore.cli.options import reporting
from whichcore.cli.own_library import delivered, label_options, store
from whichcore.cli.session import Session
from whichcore.errors import InputError
from whichcore.files import Dimension, ImportedCurve, ImportHints, import_table, parse_quantity

_KINDS = "frequency, mu_real, mu_imag, tan_delta, tan_delta_over_mu, skip"
#: Option, field of the material, dimension.
_PROPERTIES = (
    ("resistivity", "resistivity_ohm_m", Dimension.RESISTIVITY),
    ("density", "density_kg_m3", Dimension.DENSITY),
    ("curie_temperature", "curie_temperature_c", Dimension.TEMPERATURE),
    ("temperature", "temperature_c", Dimension.TEMPERATURE),
    ("flux_density", "flux_density_t", Dimension.FLUX_DENSITY),
)


@click.command()
@click.argument("table", metavar="TABLE")
@label_options
@click.option("--source", metavar="TEXT", required=True, help="Where it comes from: maker, sheet, year.")
@click.option("--frequency-unit", metavar="UNIT", help="Hz, kHz, MHz or GHz, if the table does not say.")
@click.option("--columns", metavar="LIST", help=f"What the columns hold, with commas between: {_KINDS}.")
@click.option("--decimal-comma", is_flag=True, help="Commas in the table are decimal signs.")
@click.option("--loss", metavar="TABLE", help="A second table with the loss, on frequencies of its own.")
@click.option("--loss-frequency-unit", metavar="UNIT", help="Unit of the frequencies of that second table.")
@click.option("--loss-columns", metavar="LIST", help="As --columns, for the second table.")
@click.option(
    "--initial-permeability",
    type=float,
    metavar="NUMBER",
    help="Of the data sheet. [default: μ′ at the lowest frequency of the table]",
)
@click.option("--resistivity", metavar="TEXT", help='Such as "5 ohm m".')
@click.option("--relative-permittivity", type=float, metavar="NUMBER", help="Of the material in bulk.")
@click.option("--density", metavar="TEXT", help='Such as "4.8 g/cm3".')
@click.option("--curie-temperature", metavar="TEXT", help='Such as "215 degC".')
@click.option("--temperature", metavar="TEXT", help='Of the core when the curve was taken, "25 degC".')
@click.option("--flux-density", metavar="TEXT", help='At which the curve was taken, "0.25 mT".')
@click.option("--section", metavar="TEXT", help='Sides of the section of the core measured, "4 mm x 6 mm".')
@click.option("--application", "applications", metavar="WORD", multiple=True, help="May be given again.")
@reporting
@click.pass_obj
def command(session: Session, /, table: str, folder: str | None, **said: Any) -> None:
    """Bring in the table TABLE, typed or traced from a data sheet, as a reference of your own.

    The table has a column of frequency, one of μ′, and one of μ″, of tan δ or of tan δ/μ. Everything done
    to the numbers is told; what the table does not say is asked for, never guessed.
    """
    curve = import_table(table, **_hints(said))
    material = _material(curve, said)
    delivered(session, material, store(material, folder), curve.notes)


def _hints(said: Mapping[str, Any]) -> ImportHints:
    hints = ImportHints()
    if said["frequency_unit"]:
        hints["frequency_unit"] = said["frequency_unit"]
    if said["columns"]:
        hints["columns"] = _words(said["columns"])
    if said["decimal_comma"]:
        hints["decimal_comma"] = True
    if said["loss"]:
        hints["loss_table"] = said["loss"]
    if said["loss_frequency_unit"]:
        hints["loss_frequency_unit"] = said["loss_frequency_unit"]
    if said["loss_columns"]:
        hints["loss_columns"] = _words(said["loss_columns"])
    return hints


def _words(text: str) -> list[str]:
    return [word.strip() for word in text.split(",")]


def _material(curve: ImportedCurve, said: Mapping[str, Any]) -> Material:
    initial = said["initial_permeability"]
    properties: dict[str, Any] = {
        field: parse_quantity(said[option], dimension, where=f"--{option.replace('_', '-')}")
        for option, field, dimension in _PROPERTIES
        if said[option] is not None
    }
    return Material(
        id=said["material_id"],
        name=said["name"],
        material_class=MaterialClass(said["material_class"]),
        initial_permeability=float(curve.permeability[0].real) if initial is None else initial,
        tolerance=parse_quantity(said["tolerance"], Dimension.RATIO, where="--tolerance"),
        frequency_hz=curve.frequency_hz,
        permeability=curve.permeability,
        source=said["source"],
        licence=said["licence"],
        relative_permittivity=said["relative_permittivity"],
        section_m=None if said["section"] is None else _section(said["section"]),
        applications=said["applications"],
        **properties,
    )


def _section(text: str) -> tuple[float, float]:
    sides = [parse_quantity(side, Dimension.LENGTH, where="--section") for side in text.split(" x ")]
    if len(sides) != 2:
        raise InputError(
            "a section has two sides", where="--section", got=text, allowed='such as "4 mm x 6 mm"'
        )
    return sides[0], sides[1]
