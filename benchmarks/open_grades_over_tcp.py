"""Grades of the open collection as wound cores on the virtual bench, measured over TCP and named.

    python benchmarks/open_grades_over_tcp.py [--grades 20] [--points 40] [--seed 1] [--json FILE]

A circuit of positive parts is fitted to each curve; how far its μ, and its loss alone, are from the curve is
printed. Where that is more than 3 % of |μ| or 10 % of the loss, rms, the circuit is no core of that grade: it
is set aside and counted. Of the others the permeability is scaled by 25 % (2σ), and the corners move with the
scale by a random exponent (0 to 1.5) and by 10 % on their own. Every second body of manganese-zinc conducts,
and shows a random share of what its section does: the section of the reference is not known, and had a share
of its own. Grades whose curve ends within the band are left out. Below the start of a curve a circuit goes on
as circuits do; the judge leaves those points out.

The cores go to the bench in a file in a temporary folder. From there on the program's own path: one
calibration for each wiring; winding, wiring and flux density as the planner says for a permeability known
within 30 %; sweeps with their journals; and the verdict against the whole open collection.

Gates (exit 1 when missed): as in ``identify.py``, named first in 75 and within the first three in 92 of 100,
each less three standard deviations of so few draws.
"""

from __future__ import annotations

import argparse
import json
import math
import platform
import sys
import tempfile
import time
import warnings
from collections.abc import Sequence
from dataclasses import asdict, dataclass
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np

from curve_circuits import fit
from whichcore import identify
from whichcore.analysis.materials import Library, Material, MaterialClass
from whichcore.analysis.plan import TURNS
from whichcore.analysis.plan_band import WoundBand, wire_for
from whichcore.analysis.plan_point import PlanBench
from whichcore.analysis.specimen import Specimen
from whichcore.analysis.types import ComplexArray, FloatArray, ImpedanceSweep, Wiring
from whichcore.errors import WhichcoreWarning
from whichcore.files import load_specimen
from whichcore.libraries import load_library
from whichcore.measure.plan_bench import plan_bench
from whichcore.rig.sweep.plan import log_grid
from whichcore.rig.virtual import VirtualBench, WoundCore
from whichcore.rig.virtual.cores import Core, read_cores
from wired_bench import Job, WiredBench, progress, toml_text

BAND_HZ = (1e3, 3e6)
EDGES_HZ = (1e3, 1e4, 1e5, 3e6)  # each part has its own wiring and flux density
LATEST_START_HZ, FIT_TO_HZ, FEWEST_POINTS = 3e5, 4e6, 8
NEAR, NEAR_IN_LOSS = 0.03, 0.10  # rms; a circuit farther off is no core of that grade
TOLERANCE, CORNER_SCATTER, MOST_EXPONENT = 0.25, 0.10, 1.5
RINGS_MM = ((16.0, 9.6, 6.3), (22.0, 13.7, 8.0), (25.0, 15.0, 10.0), (36.0, 23.0, 15.0))
SIZE_SCATTER, CALIPER_MM = 0.05, 0.03
EXPECTED_AT_HZ, EXPECTED_WITHIN = 1e4, 0.3  # as a meter would tell before
CONDUCTING = {  # invented, near what is published of such ferrites; as in the workshop's large ring
    "conductivity_s_per_m": 0.14,
    "permittivity": 6.4e4,
    "branches": [[0.13, 70e3], [0.45, 500e3]],
}
BEHAVIOUR = {"saturation_t": 0.4, "remanence_t": 0.1, "temperature_per_k": 0.004}
RAYLEIGH_PER_T = {MaterialClass.MNZN: 2.5}
OTHER_RAYLEIGH_PER_T = 5.0
ONE_WINDING = (Wiring.SHUNT_AT_GROUND, Wiring.SPECIMEN_AT_GROUND)
FIRST_GATE, THREE_GATE = 0.75, 0.92
SURE = 0.8


Queue = tuple[int, list[Material]]


@dataclass(frozen=True, slots=True)
class Piece:
    """An invented core of a known grade.

    Attributes
    ----------
    truth : Material
    id : str
        On the bench's shelf.
    table : dict
        Its circuit, as a file of cores states it.
    residual, loss_residual : float
        Rms of |Δμ|/|μ| and of Δμ″/μ″ between circuit and curve, before the scatter.
    conducts : bool
    """

    truth: Material
    id: str
    table: dict[str, Any]
    residual: float
    loss_residual: float
    conducts: bool


@dataclass(frozen=True, slots=True)
class Outcome:
    """What became of one core."""

    grade: str
    material_class: str
    residual: float
    loss_residual: float
    conducts: bool
    turns: int
    points: int
    lost: int
    first: str
    probability: float
    of_truth: float
    rank: int
    kind: str
    seconds: float

    def line(self) -> str:
        """Return a row of the table."""
        mark = " " if self.rank == 1 else "*"
        body = "yes" if self.conducts else "no"
        return (
            f"{self.grade:26} {self.material_class:5} {self.residual:6.1%} {self.loss_residual:6.1%} "
            f"{body:>5} {self.turns:5d} {self.points:4d} {self.lost:4d}  {self.first:26}{mark}"
            f"{self.probability:6.3f} {self.of_truth:6.3f} {self.rank:4d}  {self.kind:9} {self.seconds:5.1f}"
        )


HEAD = (
    f"{'grade':26} {'class':5} {'fit':>6} {'loss':>6} {'body':>5} {'turns':>5} {'pts':>4} {'lost':>4}  "
    f"{'first named':26} {'p':>6} {'p true':>6} {'rank':>4}  {'verdict':9} {'s':>5}"
)


def quotas(materials: Sequence[Material], count: int, rng: np.random.Generator) -> list[Queue]:
    """Return for each class how many grades are wanted, by the root of its size, and all in random order.

    Counted are grades whose curve holds a decade of the band and its upper end.
    """
    fit_for_it = [m for m in materials if _serves(m)]
    kinds = sorted({m.material_class for m in fit_for_it})
    rows = {kind: [m for m in fit_for_it if m.material_class is kind] for kind in kinds}
    weights = np.array([math.sqrt(len(rows[kind])) for kind in kinds])
    ends = np.round(np.cumsum(count * weights / weights.sum())).astype(int)
    wanted = np.diff(ends, prepend=0)
    return [
        (int(number), [rows[kind][k] for k in rng.permutation(len(rows[kind]))])
        for kind, number in zip(kinds, wanted, strict=True)
    ]


def collect(materials: Sequence[Material], count: int, rng: np.random.Generator) -> tuple[list[Piece], int]:
    """Invent so many cores; beside them stands how many grades no circuit came near enough to."""
    pieces: list[Piece] = []
    aside = 0
    for wanted, row in quotas(materials, count, rng):
        end = len(pieces) + wanted
        for material in row:
            if len(pieces) == end:
                break
            piece = invent(material, len(pieces), rng)
            near = piece.residual <= NEAR and piece.loss_residual <= NEAR_IN_LOSS
            pieces += [piece] if near else []
            aside += not near
            progress(f"circuits: {len(pieces)} of {count}, {aside} set aside")
    return pieces, aside


def _serves(material: Material) -> bool:
    """Tell whether a curve says enough of the band, and all of its upper end.

    Above the end of a curve its circuit may ring as no material does, and other grades be judged by that.
    """
    low, high = float(material.frequency_hz[0]), float(material.frequency_hz[-1])
    points = int(np.sum(material.frequency_hz <= FIT_TO_HZ))
    return low <= LATEST_START_HZ and high >= FIT_TO_HZ and points >= FEWEST_POINTS


def invent(material: Material, number: int, rng: np.random.Generator) -> Piece:
    """Fit a circuit to a grade and invent a core of it."""
    use = material.frequency_hz <= FIT_TO_HZ
    f, mu = material.frequency_hz[use], material.permeability[use]
    fitted = fit(f, mu)
    scale = TOLERANCE / 2 * rng.normal()
    shift = math.exp(-rng.uniform(0, MOST_EXPONENT) * scale + CORNER_SCATTER * rng.normal())
    scaled = [[term[0] * math.exp(scale), term[1] * shift, *term[2:]] for term in fitted.terms]
    sizes = dict(zip(("outer", "inner", "height"), RINGS_MM[number % len(RINGS_MM)], strict=True))
    true = {
        key: round(size * rng.uniform(1 - SIZE_SCATTER, 1 + SIZE_SCATTER), 4) for key, size in sizes.items()
    }
    read = {key: f"{size + CALIPER_MM * rng.normal():.3f} mm" for key, size in true.items()}
    rayleigh = RAYLEIGH_PER_T.get(material.material_class, OTHER_RAYLEIGH_PER_T)
    table: dict[str, Any] = {
        "title": f"invented ring {number}",
        "relaxations": [term for term in scaled if len(term) == 2],
        "walls": [term for term in scaled if len(term) == 3],
        "body": {f"{key}_mm": size for key, size in true.items()},
        "card": {
            "shape": "ring",
            "outer_diameter": read["outer"],
            "inner_diameter": read["inner"],
            "height": read["height"],
            "dimension_uncertainty": f"{CALIPER_MM} mm",
        },
        "behaviour": {**BEHAVIOUR, "rayleigh_per_t": rayleigh},
        "fit": {"residual": fitted.residual, "low_hz": float(f[0]), "high_hz": float(f[-1])},
    }
    conducts = material.material_class is MaterialClass.MNZN and number % 2 == 0
    if conducts:
        half = half_of_slab(true["height"], (true["outer"] - true["inner"]) / 2)
        table["section"] = {"half_mm": half * math.sqrt(rng.uniform(0, 1)), **CONDUCTING}
    return Piece(material, f"shelf-{number}", table, fitted.residual, fitted.loss_residual, conducts)


def half_of_slab(one: float, other: float) -> float:
    """Return half the thickness of the slab that feels its section, to first order, as a rectangle does.

    F = 1 + k² × the mean of φ over the section with ∇²φ = −1, which is that of Saint-Venant's torsion: a slab
    of half thickness a has a²/3, a rectangle of sides 2a ≤ 2b that times 1 − 0.630 a/b + 0.052 (a/b)⁵ (from
    memory).
    """
    short, long = min(one, other), max(one, other)
    share = 1 - 0.630 * short / long + 0.052 * (short / long) ** 5
    return short / 2 * math.sqrt(share)


def permeability_at(core: Core, frequency_hz: FloatArray) -> ComplexArray:
    """Return μ of a circuit at vanishing level, (F,)."""
    s = np.asarray(2j * np.pi * frequency_hz)
    return np.asarray(core.impedance_port(1).impedance(s) / (s * core.body.air_inductance(1)))


def wound(core: Core, bench: PlanBench, expected: float, folder: Path) -> tuple[WoundCore, list[WoundBand]]:
    """Return the one winding that lacks least over the whole band, and what is planned for each part."""
    span = (expected * (1 - EXPECTED_WITHIN), expected * (1 + EXPECTED_WITHIN))
    best: tuple[float, WoundCore, list[WoundBand]] | None = None
    for turns in TURNS:
        bare = _card(WoundCore(core, turns), folder)
        item = WoundCore(core, turns, wire_diameter_m=wire_for(bare, turns) or 0.2e-3)
        specimen = _card(item, folder)
        parts = [WoundBand(specimen, bench, ends, span) for ends in pairwise(EDGES_HZ)]
        lack = max(part.lack() for part in parts)
        if best is None or lack < best[0]:
            best = (lack, item, parts)
    if best is None:  # pragma: no cover - there are turns to choose from
        raise AssertionError("no winding")
    return best[1], best[2]


def _card(item: WoundCore, folder: Path) -> Specimen:
    path = folder / "card.toml"
    path.write_text(item.specimen_toml(), encoding="utf-8")
    return load_specimen(path)


def jobs(item: WoundCore, parts: Sequence[WoundBand], grid: Sequence[float]) -> list[Job]:
    """Return a sweep for each part of the band that holds frequencies."""
    found = []
    for part in parts:
        low, high = part.limits
        inside = tuple(f for f in grid if low <= f < high or f == high == grid[-1])
        if inside:
            found.append(Job(item, part.wiring, inside, part.band().flux_density_t))
    return found


def judged(piece: Piece, specimen: Specimen, sweep: ImpedanceSweep, library: Library) -> dict[str, Any]:
    """Identify a core, and say where the truth came."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", WhichcoreWarning)
        verdict = identify(specimen, sweep=sweep, library=library)
    names = [candidate.material for candidate in verdict.candidates]
    rank = names.index(piece.truth.id)
    return {
        "first": names[0].removeprefix("open-"),
        "probability": verdict.candidates[0].probability,
        "of_truth": verdict.candidates[rank].probability,
        "rank": rank + 1,
        "kind": str(verdict.kind),
    }


def run(grades: int, points: int, seed: int, most_takes: int = 8) -> tuple[list[Outcome], int]:
    """Invent the cores, measure them over TCP, and name them; and count the grades set aside."""
    rng = np.random.default_rng(seed)
    library = load_library("open")
    pieces, aside = collect(library.materials, grades, rng)
    per_decade = (points - 1) / math.log10(BAND_HZ[1] / BAND_HZ[0])
    grid = log_grid(*BAND_HZ, max(1, math.floor(per_decade)))
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        shelf = folder / "shelf.toml"
        shelf.write_text(toml_text({piece.id: piece.table for piece in pieces}), encoding="utf-8")
        cores = read_cores(shelf)
        with VirtualBench(seed=seed, cores=shelf) as virtual:
            bench = WiredBench(folder, virtual, most_takes=most_takes)
            for wiring in ONE_WINDING:
                progress(f"calibrating: {wiring}, {len(grid)} frequencies")
                bench.calibrate(wiring, grid)
            found = [_measured(piece, cores[piece.id], bench, grid, library) for piece in pieces]
    return found, aside


def _measured(
    piece: Piece, core: Core, bench: WiredBench, grid: Sequence[float], library: Library
) -> Outcome:
    began = time.monotonic()
    limits = plan_bench(bench.settings(Wiring.SHUNT_AT_GROUND))
    expected = float(permeability_at(core, np.array([EXPECTED_AT_HZ]))[0].real)
    item, parts = wound(core, limits, expected, bench.folder)
    specimen, sweep = bench.measure(jobs(item, parts, grid))
    swept = time.monotonic() - began
    found = Outcome(
        grade=piece.truth.id.removeprefix("open-"),
        material_class=str(piece.truth.material_class),
        residual=piece.residual,
        loss_residual=piece.loss_residual,
        conducts=piece.conducts,
        turns=item.turns,
        points=sweep.frequency_hz.size,
        lost=len(bench.lost),
        seconds=swept,
        **judged(piece, specimen, sweep, library),
    )
    progress(found.line())
    return found


def summary(found: Sequence[Outcome]) -> dict[str, float]:
    """Return counts and means over all cores."""
    ranks = np.array([one.rank for one in found])
    return {
        "cores": len(found),
        "first": int(np.sum(ranks == 1)),
        "within_three": int(np.sum(ranks <= 3)),
        "mean_probability_of_first": float(np.mean([one.probability for one in found])),
        "mean_probability_of_truth": float(np.mean([one.of_truth for one in found])),
        "wrong_above_0.8": sum(one.rank > 1 and one.probability > SURE for one in found),
        "mean_fit_residual": float(np.mean([one.residual for one in found])),
        "mean_fit_residual_of_loss": float(np.mean([one.loss_residual for one in found])),
        "mean_seconds": float(np.mean([one.seconds for one in found])),
    }


def least(gate: float, count: int) -> int:
    """Return how many of so many must be right: the gate less three standard deviations."""
    return max(math.floor(gate * count - 3 * math.sqrt(count * gate * (1 - gate))), 0)


def main() -> int:
    """Print the table and judge the gates."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--grades", type=int, default=20)
    parser.add_argument("--points", type=int, default=40)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--json", type=Path)
    asked = parser.parse_args()
    found, aside = run(asked.grades, asked.points, asked.seed)
    told = summary(found)
    print(
        f"{platform.machine()}, Python {platform.python_version()}, seed {asked.seed}, {asked.points} points"
    )
    print(HEAD)
    for one in found:
        print(one.line())
    print(f"{'grades set aside':28} {aside}")
    for key, value in told.items():
        print(f"{key.replace('_', ' '):28} {value:.3g}")
    if asked.json is not None:
        report = {"summary": told, "cores": [asdict(one) for one in found]}
        asked.json.write_text(json.dumps(report, indent=2), encoding="utf-8")
    count = len(found)
    reached = told["first"] >= least(FIRST_GATE, count) and told["within_three"] >= least(THREE_GATE, count)
    return 0 if reached else 1


if __name__ == "__main__":
    sys.exit(main())
