"""``whichcore library merge``."""

from __future__ import annotations

from dataclasses import replace

import click

from whichcore.analysis.materials import Material
from whichcore.analysis.merged_material import Merged, merged
from whichcore.cli.options import library_option, reporting
from whichcore.cli.own_library import delivered, store
from whichcore.cli.session import Session
from whichcore.libraries import library_for
from whichcore.wording import in_percent, quantity


@click.command()
@click.argument("first", metavar="ID")
@click.argument("second", metavar="ID")
@click.option("--id", "material_id", metavar="ID", required=True, help="Id of the joint reference.")
@click.option("--name", metavar="TEXT", help="Name for people. [default: that of the first]")
@click.option("--to", "folder", metavar="DIR", help="Library folder to write into, instead of your own.")
@library_option
@reporting
@click.pass_obj
def command(
    session: Session,
    /,
    libraries: tuple[str, ...],
    **said: str,
) -> None:
    """Join two references of one grade, given by their IDs, into a new one; both stay.

    The joint curve is the mean of both where both speak, and goes on with the one that does. Its tolerance
    and deviation hold the spread of each and their difference. References of two classes, without a common
    band, or further apart than their spreads allow are refused.
    """
    library = library_for(libraries)
    pair = library[said["first"]], library[said["second"]]
    joint = merged(*pair)
    material = replace(
        joint.material,
        id=said["material_id"],
        name=said["name"] or pair[0].name,
        source=_source(*pair),
        licence=_licence(*pair),
    )
    delivered(session, material, store(material, said["folder"]), _notes(joint, *pair))


def _source(first: Material, second: Material) -> str:
    return f"joined from {first.id} ({first.source}) and {second.id} ({second.source})"


def _licence(first: Material, second: Material) -> str:
    if first.licence == second.licence:
        return first.licence
    return f"{first.id}: {first.licence}; {second.id}: {second.licence}"


def _notes(joint: Merged, first: Material, second: Material) -> list[str]:
    low, high = (quantity(end, "Hz") for end in joint.common_hz)
    apart = (
        f"their curves lie {in_percent(joint.curve_difference)} apart in the dispersion between {low} and "
        f"{high}"
    )
    if joint.curve_difference == 0:
        apart = f"between {low} and {high}, where both speak, there is no dispersion to compare"
    return [
        f"the level of {second.id} is {in_percent(joint.level_ratio, 3)} of that of {first.id}; {apart}",
        f"tolerance {in_percent(joint.material.tolerance, 3)} (two standard deviations), deviation "
        f"{in_percent(joint.material.curve_deviation)}: the spread of each and their difference",
        *_alone(joint, first, second),
        *joint.notes,
    ]


def _alone(joint: Merged, *pair: Material) -> list[str]:
    """Say where the curve is that of one reference alone."""
    notes = []
    for side, end, beyond in (("below", 0, -1), ("above", -1, 1)):
        edge = joint.common_hz[end]
        notes += [
            f"{side} {quantity(edge, 'Hz')} the curve is that of {material.id} alone"
            for material in pair
            if beyond * (float(material.frequency_hz[end]) - edge) > 0
        ]
    return notes
