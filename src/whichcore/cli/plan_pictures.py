"""Pictures of a plan: what the bench reaches, and what would be known of the core."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np

from whichcore.analysis.accuracy import SpecimenAccuracy, at_frequencies, specimen_accuracy
from whichcore.analysis.plan import MeasurementPlan, rewound, with_second
from whichcore.analysis.plan_accuracy import PlanAccuracy
from whichcore.analysis.plan_band import Band
from whichcore.analysis.plan_point import PlanBench, ferrite_permeability, plan_point
from whichcore.analysis.specimen import Specimen
from whichcore.analysis.types import AccuracyMap, ComplexArray, FloatArray, ImpedanceAccuracy, Wiring
from whichcore.errors import InputError
from whichcore.figures.accuracy import Path as ImpedancePath
from whichcore.figures.accuracy import accuracy_figure, specimen_accuracy_figure
from whichcore.figures.save import FORMATS, save
from whichcore.files import make_folder

PATH_STEPS = 40
PAGE_IN = 9.0
KNOWN = 3.0  # ratio of a span of permeability below which its middle is what was expected


class Pictures:
    """What the pictures of one plan are drawn from."""

    def __init__(
        self, specimen: Specimen, bench: PlanBench, plan: MeasurementPlan, accuracy: PlanAccuracy, dark: bool
    ) -> None:
        self._specimen, self._bench, self._plan = specimen, bench, plan
        self._accuracy, self._dark = accuracy, dark
        low, high = plan.initial_permeability
        self._initial = (low + high) / 2 if high < KNOWN * low else float(np.sqrt(low * high))

    def one(self, path: Path) -> list[Path]:
        """Write the map of |Z| to one file; raises InputError for another ending than .svg and .png."""
        kind = path.suffix[1:].lower()
        if kind not in FORMATS:
            raise InputError(
                "unknown picture format", where="--picture", got=path.name, allowed=", ".join(FORMATS)
            )
        figure = accuracy_figure(
            self.maps(), self._title(), paths=self._paths(), dark=self._dark, width_in=PAGE_IN
        )
        return save(figure, path.with_suffix(""), (kind,))

    def all(self, folder: Path, formats: Sequence[str] = FORMATS) -> list[Path]:
        """Write the maps of size and angle of Z, and the accuracy of the core, into a folder."""
        make_folder(folder)
        maps, paths, title = self.maps(), self._paths(), self._title()
        size = accuracy_figure(maps, title, paths=paths, dark=self._dark)
        angle = accuracy_figure(maps, title, shown="angle", paths=paths, dark=self._dark)
        core = specimen_accuracy_figure(self.core(), self._core_title(), dark=self._dark)
        named = {"accuracy-size": size, "accuracy-angle": angle, "accuracy-core": core}
        return [path for stem, figure in named.items() for path in save(figure, folder / stem, formats)]

    def maps(self) -> list[AccuracyMap]:
        """Return the first map of each wiring: a calibration where there is one."""
        first: dict[Wiring, AccuracyMap] = {}
        for item in self._accuracy.maps:
            first.setdefault(item.wiring, item)
        return [first[wiring] for wiring in Wiring if wiring in first]

    def core(self) -> list[SpecimenAccuracy]:
        """Return the accuracy of the core in each wiring, with the windings planned."""
        found = [self._over_bands(item.accuracy) for item in self.maps()]
        return [item for item in found if item is not None]

    def _over_bands(self, law: ImpedanceAccuracy) -> SpecimenAccuracy | None:
        pieces: list[SpecimenAccuracy] = []
        for band in self._plan.bands:
            f = law.frequency_hz[
                (law.frequency_hz >= band.from_hz) & (law.frequency_hz < band.to_hz * 1.0001)
            ]
            if pieces:
                f = f[f > pieces[-1].frequency_hz[-1]]
            there = at_frequencies(law, f) if f.size else None
            if there is None:
                continue
            specimen = with_second(rewound(self._specimen, band.turns))
            mu = self._permeability(f)
            level = self._level(specimen, band, f)
            pieces.append(specimen_accuracy(there, self._accuracy.reading, specimen, mu, level))
        return _joined(pieces) if pieces else None

    def _permeability(self, frequency_hz: FloatArray) -> ComplexArray:
        return np.array([ferrite_permeability(self._initial, f) for f in frequency_hz])

    def _level(self, specimen: Specimen, band: Band, frequency_hz: FloatArray) -> FloatArray:
        raised = band.flux_density_t / self._plan.flux_density_t
        emf = [plan_point(specimen, self._bench, f, self._initial).emf_vpp for f in frequency_hz]
        return np.clip(raised * np.array(emf), *self._accuracy.reading.level_vpp)

    def _paths(self) -> list[ImpedancePath]:
        paths = []
        for turns in self._plan.turns:
            bands = [band for band in self._plan.bands if band.turns == turns]
            f = np.geomspace(bands[0].from_hz, bands[-1].to_hz, PATH_STEPS)
            specimen = rewound(self._specimen, turns)
            z = [abs(plan_point(specimen, self._bench, x, self._initial).impedance_ohm) for x in f]
            name = f"{turns} turns, initial permeability {self._initial:.4g}"
            paths.append(ImpedancePath(name, f, np.array(z)))
        return paths

    def _title(self) -> str:
        return f"What this bench reaches, shunt {self._bench.shunt_ohm:g} Ω"

    def _core_title(self) -> str:
        turns = " and ".join(f"{count}" for count in self._plan.turns)
        return f"{self._specimen.name or 'core'}, {turns} turns, initial permeability {self._initial:.4g}"


def _joined(pieces: Sequence[SpecimenAccuracy]) -> SpecimenAccuracy:
    """Return the bands as one curve; the budget is that of no single band and is left out."""

    def row(name: str) -> Any:
        return np.concatenate([getattr(piece, name) for piece in pieces])

    names = [name for name in SpecimenAccuracy.__slots__ if name not in {"wiring", "budget", "faint_budget"}]
    return SpecimenAccuracy(
        wiring=pieces[0].wiring, budget=(), faint_budget=(), **{name: row(name) for name in names}
    )
