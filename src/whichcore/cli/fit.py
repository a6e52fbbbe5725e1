"""``whichcore fit``."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import replace
from pathlib import Path
from typing import Any

import click

from whichcore.analysis.dispersion_models import LAWS, Derived, Law, skin_size_m
from whichcore.analysis.materials import MaterialClass
from whichcore.analysis.model_comparison import ModelComparison, compare_laws
from whichcore.analysis.model_search import Nuisance
from whichcore.analysis.permeability import air_inductance_h, permeability
from whichcore.analysis.trial import try_data
from whichcore.analysis.types import PermeabilitySpectrum, Wiring
from whichcore.belonging import belonging_doubts
from whichcore.cli.at_bench import Bar
from whichcore.cli.fit_report import Written, fit_report
from whichcore.cli.fit_text import fit_page
from whichcore.cli.material_report import CLASSES
from whichcore.cli.options import dark_option, reporting
from whichcore.cli.own_library import store
from whichcore.cli.session import Session
from whichcore.errors import UsageError
from whichcore.files import Dimension, load_core_sweep, load_specimen, make_folder, parse_quantity
from whichcore.fitted_core import material_of_fit
from whichcore.known_core import GradeLabel
from whichcore.provenance import measured_text

ALL = "all"
_SIZED = ("ribbon", "sphere")


@click.command()
@click.option("--specimen", required=True, metavar="FILE", help="Specimen file (TOML) of a closed core.")
@click.option("--sweep", required=True, metavar="FILE", help="Its sweep (CSV, or Touchstone .s1p).")
@click.option(
    "--model",
    type=click.Choice((*LAWS, ALL)),
    default=ALL,
    show_default=True,
    help="Law of dispersion; all fits each of them and weighs them.",
)
@click.option(
    "--free",
    type=click.Choice(("level", "copper")),
    multiple=True,
    help="Leave open beside the law: the level, so that the dimensions do not matter and the shape of the "
    "curve alone counts; or a copper resistance that was taken off too much or too little. May be given "
    "twice.",
)
@click.option(
    "--resistivity",
    metavar="TEXT",
    help='Resistivity of the metal, "1.15 uohm m": thickness of the ribbon, or radius of the particles, '
    "follows from it.",
)
@click.option(
    "--figures",
    metavar="DIR",
    help="Write a picture of data, laws and residuals into this folder (SVG and PNG). Pictures of the same "
    "names are replaced.",
)
@dark_option
@click.option(
    "--export",
    "folder",
    metavar="DIR",
    help="Write the law as a derived material into this library folder. Needs --id, --name and --class.",
)
@click.option("--id", "material_id", metavar="ID", help="Id of the derived material.")
@click.option("--name", metavar="TEXT", help="Its name for people.")
@click.option("--class", "material_class", type=click.Choice(CLASSES), help="Its class.")
@click.option(
    "--tolerance",
    metavar="TEXT",
    default="25 %",
    show_default=True,
    help="Spread of the permeability from core to core of this grade, two standard deviations.",
)
@click.option("--licence", metavar="TEXT", default="own data", show_default=True, help="Its licence.")
@reporting
@click.pass_obj
def command(session: Session, /, specimen: str, sweep: str, model: str, **asked: Any) -> None:
    """Fit laws of dispersion to a core: parameters with their uncertainties, and which law fits best.

    A parameter that the data do not pin down gets no error bar but the reason, and on which side its
    interval is open. Where a law misses the data beyond their uncertainty, the smooth deviation it needs is
    stated, and the uncertainties are wider by it. The data are tested as identify tests them; each test that
    they fail is a warning, and so is a sweep that says it is of another core.
    """
    label = _label(asked)
    further = _sizes(asked["resistivity"], model)
    core, data = load_specimen(specimen), load_core_sweep(sweep)
    for text in belonging_doubts(data, core, Path(specimen), "the sweep"):
        session.warn(text)
    spectrum = permeability(data, core)
    for finding in try_data(data, core, spectrum).findings:
        if finding.told:
            session.warn(finding.sentence)
    l0 = air_inductance_h(core, data.wiring == Wiring.TWO_WINDINGS) if "copper" in asked["free"] else None
    laws = list(LAWS.values()) if model == ALL else [LAWS[model]]
    with Bar() as bar:
        found = compare_laws(spectrum, laws, Nuisance("level" in asked["free"], l0), further, bar.show)
    title = Path(specimen).stem
    if asked["figures"] is not None:
        _draw(session, spectrum, found, Path(asked["figures"]) / title, asked["dark"])
    written: Written | None = None
    if label is not None:
        origin = measured_text(Path(specimen), Path(sweep), data, core.winding.turns)
        label = replace(label, source=f"own measurement: {origin}")
        material, notes = material_of_fit(core, spectrum, found.fits[0], label)
        written = Written(material, store(material, asked["folder"]), notes)
    session.deliver(lambda: fit_report(title, found, written), lambda: fit_page(title, found, written))


def _label(asked: Mapping[str, Any]) -> GradeLabel | None:
    """Return what the derived material is called; None where none is wanted."""
    needed = {"--id": "material_id", "--name": "name", "--class": "material_class"}
    missing = [option for option, key in needed.items() if asked[key] is None]
    if asked["folder"] is None:
        if len(missing) < len(needed):
            raise UsageError(
                "a derived material needs a library folder to be written into",
                where="whichcore fit",
                got=" and ".join(sorted(needed.keys() - set(missing))),
                allowed="with --export DIR",
            )
        return None
    if missing:
        raise UsageError(
            "a derived material needs a name",
            where="--export",
            got=f"no {' and no '.join(missing)}",
            allowed="--id, --name and --class",
        )
    return GradeLabel(
        id=asked["material_id"],
        name=asked["name"],
        material_class=MaterialClass(asked["material_class"]),
        tolerance=parse_quantity(asked["tolerance"], Dimension.RATIO, where="--tolerance"),
        source="",
        licence=asked["licence"],
    )


def _sizes(stated: str | None, model: str) -> Callable[[Law], tuple[Derived, ...]]:
    """Return what follows from the resistivity for each law."""
    if stated is None:
        return lambda _: ()
    if model not in {*_SIZED, ALL}:
        raise UsageError(
            "this law has no size that would follow from a resistivity",
            where="--resistivity",
            got=f"--model {model}",
            allowed=f"{', '.join(_SIZED)}, {ALL}",
        )
    resistivity = parse_quantity(stated, Dimension.RESISTIVITY, where="--resistivity")
    skin_size_m(LAWS[_SIZED[0]], resistivity)  # refused before the work begins
    return lambda law: (skin_size_m(law, resistivity),) if law.name in _SIZED else ()


def _draw(
    session: Session, spectrum: PermeabilitySpectrum, found: ModelComparison, stem: Path, dark: bool
) -> None:
    from whichcore import figures  # noqa: PLC0415 - matplotlib is loaded only when a picture is wanted

    make_folder(stem.parent)
    figure = figures.fit_figure(spectrum, found.fits, stem.name, dark=dark)
    for path in figures.save(figure, stem.with_name(f"{stem.name}-fit")):
        session.note(f"written: {path}")
