"""From files to a verdict and its pictures: what the command line and the page both do."""

from __future__ import annotations

import tomllib
from collections.abc import Sequence
from dataclasses import dataclass, replace
from importlib.resources import files
from importlib.resources.abc import Traversable
from pathlib import Path

from whichcore.analysis.advise import cleared_first
from whichcore.analysis.class_evidence import ClassEvidence
from whichcore.analysis.conditions import second_sweep
from whichcore.analysis.identify import identify
from whichcore.analysis.materials import Library
from whichcore.analysis.own_parts import Part, size_of_part
from whichcore.analysis.sold_as import sold_as
from whichcore.analysis.specimen import Specimen
from whichcore.analysis.types import ImpedanceSweep, Reading, Resistance
from whichcore.analysis.verdict import Verdict
from whichcore.belonging import belonging_doubts
from whichcore.errors import InputError
from whichcore.files import load_core_sweep, load_specimen, parse_reading, parse_resistance
from whichcore.files.parts_file import load_parts, user_parts_file
from whichcore.files.warn import warn


@dataclass(frozen=True, slots=True)
class Request:
    """What is to be identified, as the user names it.

    Attributes
    ----------
    specimen : Path
    sweep : Path or None
    readings : tuple of str
        Such as ``152 uH @ 10 kHz``; a resistance without a frequency, ``> 20 Mohm``, is that between two
        probe tips on the bare core.
    surface_resistance : str or None
        Replaces that of the specimen file.
    second_sweep : Path or None
        The same winding at another temperature or level.
    sold_as : str or None
        What the part was sold for or marked as.
    parts : Path or None
        Parts list to compare the dimensions with; None: that of the user, where there is one.
    """

    specimen: Path
    sweep: Path | None = None
    readings: tuple[str, ...] = ()
    surface_resistance: str | None = None
    second_sweep: Path | None = None
    sold_as: str | None = None
    parts: Path | None = None


@dataclass(frozen=True, slots=True)
class Identification:
    """A verdict with everything it was made from.

    Attributes
    ----------
    specimen : Specimen
    sweep : ImpedanceSweep or None
    library : Library
    verdict : Verdict
    doubts : tuple of str
        What speaks against the files being of one core; the first warnings of the verdict.
    """

    specimen: Specimen
    sweep: ImpedanceSweep | None
    library: Library
    verdict: Verdict
    doubts: tuple[str, ...] = ()

    @property
    def names(self) -> dict[str, str]:
        """Names of the materials by id."""
        return {material.id: material.name for material in self.library.materials}


def identify_files(request: Request, library: Library) -> Identification:
    """Read the files of one core and identify it.

    Raises
    ------
    InputError
        A file or a reading is wrong.
    AnalysisError
        The data are not those of an inductor, or there are none.
    LibraryError
        The library holds no material.
    """
    specimen = load_specimen(request.specimen)
    parsed = [parse_reading(text) for text in request.readings]
    readings = [reading for reading in parsed if isinstance(reading, Reading)]
    if request.sweep is None and parsed and not readings:
        raise InputError(
            "a resistance of the surface alone tells no material",
            where="reading",
            got=", ".join(request.readings),
            allowed="a sweep, or a reading with its frequency, beside it",
            next_step="measure the inductance at 10 kHz and give it as a reading too",
        )
    specimen = probed_specimen(specimen, request.readings, request.surface_resistance)
    sweep = load_core_sweep(request.sweep) if request.sweep is not None else None
    second = _second_sweep(request, sweep)
    evidence = _evidence(request, specimen, (sweep, second), library)
    verdict = identify(specimen, sweep=sweep, readings=readings, library=library, evidence=evidence)
    doubts: tuple[str, ...] = ()
    for data, title in ((sweep, "the sweep"), (second, "the second sweep")):
        if data is not None:
            doubts += belonging_doubts(data, specimen, request.specimen, title)
    verdict = replace(verdict, warnings=(*doubts, *verdict.warnings))
    verdict = cleared_first(verdict, ["check-files"] if doubts else [])
    return Identification(specimen, sweep, library, verdict, doubts)


def _second_sweep(request: Request, first: ImpedanceSweep | None) -> ImpedanceSweep | None:
    if request.second_sweep is None:
        return None
    if first is None:
        raise InputError(
            "a second sweep needs a first one",
            where="second sweep",
            got=str(request.second_sweep),
            next_step="give the sweep at room temperature and small level as the sweep",
        )
    return load_core_sweep(request.second_sweep)


def probed_specimen(specimen: Specimen, readings: Sequence[str], surface_resistance: str | None) -> Specimen:
    """Return a specimen with the surface resistance that was given beside its file, if there is one.

    Parameters
    ----------
    specimen : Specimen
    readings : sequence of str
        As in :class:`Request`: those without a frequency are of the surface.
    surface_resistance : str or None

    Raises
    ------
    InputError
        One of them is wrong, or they contradict each other.
    """
    parsed = [parse_reading(text) for text in readings]
    probed = [reading for reading in parsed if isinstance(reading, Resistance)]
    if surface_resistance is not None:
        probed.append(parse_resistance(surface_resistance, where="surface resistance"))
    return _with_surface_resistance(specimen, probed) if probed else specimen


def _evidence(
    request: Request,
    specimen: Specimen,
    sweeps: tuple[ImpedanceSweep | None, ImpedanceSweep | None],
    library: Library,
) -> list[ClassEvidence]:
    """Read what else is known of the core: a second sweep, its label, its size among the shop's parts."""
    found: list[ClassEvidence] = []
    first, second = sweeps
    if first is not None and second is not None:
        found.append(second_sweep(specimen, first, second))
    if request.sold_as is not None:
        found.append(sold_as(request.sold_as, library))
    size = size_of_part(specimen, _parts(request.parts), library)
    if size is not None and (size.fitting or request.parts is not None):
        found.append(size)
    return found


def _parts(stated: Path | None) -> tuple[Part, ...]:
    own = user_parts_file()
    if stated is None and not own.exists():
        return ()
    return load_parts(own if stated is None else stated)


def _with_surface_resistance(specimen: Specimen, probed: list[Resistance]) -> Specimen:
    resistance = probed[-1]
    if len(set(probed)) > 1:
        raise InputError(
            "the surface of one core has one resistance",
            where="surface resistance",
            got=f"{len(probed)} of them",
            allowed="one, as a reading without a frequency or as the surface resistance",
        )
    if specimen.encased:
        warn("the core sits in a case: the resistance of its surface says nothing and is not used")
    elif specimen.surface_resistance not in {None, resistance}:
        warn("the surface resistance given takes the place of that in the specimen file")
    return replace(specimen, surface_resistance=resistance)


def write_pictures(case: Identification, stem: Path, title: str, *, dark: bool = False) -> list[Path]:
    """Draw impedance, permeability, what decided, what no gap changes, and bars, each as SVG and PNG.

    Parameters
    ----------
    case : Identification
        Without a sweep only the bars are drawn; of what decided nothing where it is a single point.
    stem : Path
        Start of the file names; its folder exists.
    title : str
    dark : bool

    Returns
    -------
    list of Path
        The files written, each whole; files of these names are replaced.

    Raises
    ------
    InputError
        A file cannot be written.
    """
    from whichcore import figures  # noqa: PLC0415 - matplotlib is loaded only when a picture is wanted

    drawn = {}
    if case.sweep is not None:
        drawn["impedance"] = figures.impedance_figure(case.sweep, title, dark=dark)
    spectrum = case.verdict.spectrum
    if spectrum is not None:
        drawn["permeability"] = figures.permeability_figure(
            spectrum, case.verdict, case.names, title, dark=dark
        )
    decided = case.verdict.decided_by
    if spectrum is not None and decided is not None:
        if decided.frequency_hz.size > 1:
            drawn["decision"] = figures.decision_figure(case.verdict, case.names, title, dark=dark)
        drawn["gap-invariant"] = figures.gap_invariant_figure(case.verdict, case.names, title, dark=dark)
    drawn["candidates"] = figures.candidates_figure(case.verdict, case.names, title, dark=dark)
    written = []
    for name, figure in drawn.items():
        written += figures.save(figure, stem.with_name(f"{stem.name}-{name}"))
    return written


# --- the demonstration --------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class DemoBin:
    """One bin of the demonstration."""

    id: str
    title: str
    story: str
    request: Request


def demo_folder() -> Path:
    """Return the folder of the demonstration's files.

    Raises
    ------
    InputError
        The program runs out of an archive, where files have no path.
    """
    folder: Traversable = files("whichcore.demo_bins")
    if isinstance(folder, Path):
        return folder
    raise InputError(
        "the demonstration needs its files unpacked",
        where="whichcore.demo_bins",
        next_step="install whichcore with pip",
    )


def demo_library() -> Path:
    """Return the folder of the invented workshop's own library."""
    return demo_folder() / "library"


def demo_bins() -> tuple[DemoBin, ...]:
    """Return the bins of the demonstration in their order."""
    folder = demo_folder()
    index = tomllib.loads((folder / "bins.toml").read_text(encoding="utf-8"))
    return tuple(_demo_bin(folder, entry) for entry in index["bin"])


def _demo_bin(folder: Path, entry: dict[str, object]) -> DemoBin:
    readings = entry.get("readings", ())
    request = Request(
        specimen=folder / str(entry["specimen"]),
        sweep=folder / str(entry["sweep"]) if "sweep" in entry else None,
        readings=tuple(str(text) for text in readings) if isinstance(readings, list) else (),
    )
    return DemoBin(str(entry["id"]), str(entry["title"]), str(entry["story"]), request)
