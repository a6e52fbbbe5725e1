"""Tell whether one core comes out the same on every way there is from its terminals to its permeability.

Run ``python benchmarks/every_path.py [--all] [--core NAME] [--path NAME]… [--list]``. Each path calibrates
its bench from nothing and measures the same virtual core wound with the same turns; the table shows μi and μ″
of each with their standard uncertainties. One path of each kind is followed, with ``--all`` every one. Gates:

- every value lies within two stated standard uncertainties of the truth, but for one in twenty;
- so do the differences between any two paths, of what each is off by (the flux densities are not the same),
  at the frequencies that both reach, where dimensions and winding of the core cancel: all paths share them;
- the uncertainty is of use: at most 10 % of |μ| at the highest frequency that all paths reach, 70 kHz.

A path is a function of a piece of work and a folder that returns specimen and sweep: add one to ``PATHS``.
"""

from __future__ import annotations

import argparse
import platform
import sys
import tempfile
import threading
import time
import warnings
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import partial
from itertools import combinations
from pathlib import Path

import numpy as np

from in_process_bench import true_permeability
from screen_path import by_hand, through_files
from sound_path import STEPPED_HZ, TOGETHER_HZ, through_sound_card
from whichcore.analysis.flux_density import inner_edge_factor
from whichcore.analysis.permeability import permeability
from whichcore.analysis.specimen import Specimen
from whichcore.analysis.types import ImpedanceSweep
from whichcore.analysis.uncertainty import point_covariance
from whichcore.bench import load_bench, open_bench
from whichcore.calibration.standards import Toleranced
from whichcore.errors import WhichcoreError, WhichcoreWarning
from whichcore.files import load_specimen, load_sweep
from whichcore.measure import CalibrationPlan, StoredCalibration, SweepRequest, calibrate, run_sweep
from whichcore.rig.sweep.level import DriveRule, FluxRule
from whichcore.rig.virtual import WoundCore, core

INITIAL_HZ, COMMON_HZ, HIGHEST_HZ = 10e3, 70e3, 1e6  # the middle one is what a sound card reaches too
FREQUENCIES_HZ = (INITIAL_HZ, COMMON_HZ, HIGHEST_HZ)
USUAL_CORE, TURNS, FLUX_T = "bin-h", 10, 0.5e-3
STANDARDS = ("open", "short", "load")
MOST_TAKES, TIES = 4, 4
ONE_LEVEL_OHM = 100.0  # shunt beside a board that gives one level: few ranges are tied, and they are wide
WITHIN_U, MISSED_SHARE, USE_GATE = 2.0, 0.05, 0.10
OF_CORE = ("dimension:", "winding:")  # sources that all paths share
LESS_ALIKE = 1e-3  # of a frequency: a board makes the nearest it can


@dataclass(frozen=True, slots=True)
class Work:
    """What every path is to measure.

    Attributes
    ----------
    item : WoundCore
        Of the virtual bench.
    frequency_hz : tuple of float
    flux_density_t : float
        Kept to where a path can choose it.
    """

    item: WoundCore
    frequency_hz: tuple[float, ...] = FREQUENCIES_HZ
    flux_density_t: float = FLUX_T


Measured = tuple[Specimen, ImpedanceSweep]
Measure = Callable[[Work, Path], Measured]


@dataclass(frozen=True, slots=True)
class Outcome:
    """What one path found.

    Attributes
    ----------
    path : str
    frequency_hz : tuple of float
        As asked for.
    found, u_real, u_imag, truth : arrays
        μ with its standard uncertainties, and that of the circuit at the flux density of each point.
    of_core : mapping of str to array
        Change of μ for one standard uncertainty of what belongs to the core, whichever path measures it.
    seconds : float
    refused : str
    """

    path: str
    frequency_hz: tuple[float, ...] = FREQUENCIES_HZ
    found: np.ndarray = field(default_factory=lambda: np.empty(0, complex))
    u_real: np.ndarray = field(default_factory=lambda: np.empty(0))
    u_imag: np.ndarray = field(default_factory=lambda: np.empty(0))
    truth: np.ndarray = field(default_factory=lambda: np.empty(0, complex))
    of_core: Mapping[str, np.ndarray] = field(default_factory=dict)
    seconds: float = 0.0
    refused: str = ""

    def errors(self) -> np.ndarray:
        """Return what it is off by, (2, F): real parts, imaginary ones."""
        off = self.found - self.truth
        return np.array([off.real, off.imag])

    def u(self) -> np.ndarray:
        """Return the standard uncertainties alike."""
        return np.array([self.u_real, self.u_imag])

    def place(self, hertz: float) -> int | None:
        """Return where a frequency stands, as near as a board or a bin of a record makes it."""
        near = [k for k, f in enumerate(self.frequency_hz) if abs(f / hertz - 1) <= LESS_ALIKE]
        return near[0] if near else None


def through_bench(word: str, work: Work, folder: Path, shunt_ohm: float | None = None) -> Measured:
    """Calibrate a virtual bench by its fixtures, and sweep the core, as the commands do."""
    settings = load_bench(word)
    if shunt_ohm is not None:
        shunt = replace(settings.shunt, resistance_ohm=Toleranced.within(shunt_ohm, 1e-3 * shunt_ohm))
        settings = replace(settings, shunt=shunt)
    cancel = threading.Event()
    (folder / "card.toml").write_text(work.item.specimen_toml(), encoding="utf-8")
    specimen = load_specimen(folder / "card.toml")
    with open_bench(settings) as opened:
        virtual = opened.virtual
        if virtual is None or opened.operator is None:
            raise AssertionError("no virtual bench")
        if shunt_ohm is not None:
            virtual.do(shunt_ohm=shunt_ohm)
        plan = CalibrationPlan(
            work.frequency_hz, most_takes=MOST_TAKES, tie_frequencies=TIES, standards=STANDARDS
        )
        told = list(calibrate(settings, opened.bench, opened.operator, plan, cancel))
        stored = told[-1]
        if not isinstance(stored, StoredCalibration):
            raise AssertionError("no calibration")
        virtual.fit("core", core=work.item.core.id, turns=work.item.turns)
        grid = tuple(float(f) for f in stored.grid(None, None, None))
        low, high = opened.bench.source.limits.level_vpp
        level = FluxRule(work.flux_density_t, specimen) if low < high else DriveRule(low)
        request = SweepRequest(specimen, folder / "sweep.csv", grid, level, most_takes=MOST_TAKES)
        for _ in run_sweep(settings, opened.bench, stored, request, cancel):
            pass
    return specimen, load_sweep(folder / "sweep.csv")


def bench_path(word: str, shunt_ohm: float | None = None) -> tuple[str, Measure]:
    """Return a path through a virtual bench by its name."""
    return word, partial(_bench, word, shunt_ohm)


def _bench(word: str, shunt_ohm: float | None, work: Work, folder: Path) -> Measured:
    return through_bench(word, work, folder, shunt_ohm)


def _sound(together: bool, work: Work, folder: Path) -> Measured:
    return through_sound_card(work.item, work.flux_density_t, folder, together=together)


def _by_screen(
    way: Callable[[WoundCore, Sequence[float], float, Path], Measured], work: Work, folder: Path
) -> Measured:
    return way(work.item, work.frequency_hz, work.flux_density_t, folder)


#: Paths that do not reach the usual frequencies, with theirs; their circuit has no level dependence.
SOUND: dict[str, tuple[float, ...]] = {
    "sound card, tone by tone": STEPPED_HZ,
    "sound card, all tones at once": TOGETHER_HZ,
}

#: Every path by its name. Others are added here: a function of the work and a folder for its files.
PATHS: list[tuple[str, Measure]] = [
    bench_path("virtual"),
    bench_path("virtual:ten-field-preamble"),
    bench_path("virtual:separate-scaling+hislip"),
    bench_path("virtual:prefixed-reply+serial"),
    bench_path("virtual:volts-block+one-line-source"),
    bench_path("virtual:inline-header+keyed-source+hislip"),
    bench_path("virtual:ten-field-preamble+serial-answering"),
    bench_path("virtual:volts-block+serial-mute+hislip", ONE_LEVEL_OHM),
    *((name, partial(_sound, grid == TOGETHER_HZ)) for name, grid in SOUND.items()),
    ("waveform files", partial(_by_screen, through_files)),
    ("by hand, off a screen", partial(_by_screen, by_hand)),
]

#: One path of each kind: families of instruments, lines and sources are judged one by one with all of them.
FEW = (
    "virtual:separate-scaling+hislip",
    "virtual:ten-field-preamble+serial-answering",
    *SOUND,
    "waveform files",
    "by hand, off a screen",
)


def follow(name: str, measure: Measure, work: Work) -> Outcome:
    """Measure on one path and compare with the circuit."""
    began = time.monotonic()
    with tempfile.TemporaryDirectory() as folder, warnings.catch_warnings():
        warnings.simplefilter("ignore", WhichcoreWarning)
        try:
            specimen, sweep = measure(work, Path(folder))
        except WhichcoreError as error:
            return Outcome(name, seconds=time.monotonic() - began, refused=error.one_line())
    spectrum = permeability(sweep, specimen)
    places = [int(np.argmin(np.abs(spectrum.frequency_hz - f))) for f in work.frequency_hz]
    if any(
        abs(spectrum.frequency_hz[k] / f - 1) > LESS_ALIKE
        for k, f in zip(places, work.frequency_hz, strict=True)
    ):
        return Outcome(name, seconds=time.monotonic() - began, refused="points are missing")
    linear = name in SOUND or sweep.flux_density_t is None
    edge = np.zeros(len(spectrum.frequency_hz)) if linear else np.asarray(sweep.flux_density_t)
    truth = [
        complex(true_permeability(work.item, float(spectrum.frequency_hz[k]), flux)[0])
        for k in places
        for flux in [np.array([float(edge[k]) / inner_edge_factor(specimen)])]
    ]
    covariance = point_covariance(spectrum.scatter, spectrum.sources)[places]
    return Outcome(
        name,
        work.frequency_hz,
        spectrum.permeability[places],
        np.sqrt(covariance[:, 0, 0]),
        np.sqrt(covariance[:, 1, 1]),
        np.array(truth),
        {s.id: s.sensitivity[places] for s in spectrum.sources if s.id.startswith(OF_CORE)},
        time.monotonic() - began,
    )


def outside(outcomes: Sequence[Outcome]) -> tuple[int, int]:
    """Return how many values are off the truth by more than two standard uncertainties, of how many."""
    ratios = np.concatenate([(np.abs(one.errors()) / one.u()).ravel() for one in outcomes])
    return int(np.sum(ratios > WITHIN_U)), ratios.size


@dataclass(frozen=True, slots=True)
class Apart:
    """How far what two paths are off by differs, in standard uncertainties of the difference.

    Of the real part, then of the imaginary one, at a frequency that both reach.
    """

    one: str
    other: str
    frequency_hz: float
    in_u: tuple[float, float]

    def told(self) -> str:
        """Return the larger one in a line."""
        return f"{max(self.in_u):.2f} u, {self.one} and {self.other}, at {_written(self.frequency_hz)}"


def differences(outcomes: Sequence[Outcome]) -> list[Apart]:
    """Return what lies between any two paths at the frequencies that both reach."""
    found = []
    for a, b in combinations(outcomes, 2):
        for k, hertz in enumerate(a.frequency_hz):
            if (n := b.place(hertz)) is None:
                continue
            off = np.abs(a.errors()[:, k] - b.errors()[:, n]) / _u_apart(a, b, k, n)
            found.append(Apart(a.path, b.path, hertz, (float(off[0]), float(off[1]))))
    return found


def _u_apart(a: Outcome, b: Outcome, k: int, n: int) -> np.ndarray:
    """Return the standard uncertainty of the difference; what belongs to the core is one cause in both."""
    variance = a.u()[:, k] ** 2 + b.u()[:, n] ** 2
    for name in a.of_core.keys() & b.of_core.keys():
        one, other = a.of_core[name][k], b.of_core[name][n]
        variance -= 2 * np.array([one.real * other.real, one.imag * other.imag])
    return np.asarray(np.sqrt(variance))


def apart(outcomes: Sequence[Outcome]) -> tuple[int, int]:
    """Return how many differences between two paths are more than two of their own, of how many."""
    ratios = [ratio for pair in differences(outcomes) for ratio in pair.in_u]
    return sum(ratio > WITHIN_U for ratio in ratios), len(ratios)


def table(outcomes: Sequence[Outcome]) -> str:
    """Return one line for each path."""
    columns = (
        f"μi at {_written(INITIAL_HZ)}",
        f"μ″ at {_written(COMMON_HZ)}",
        f"μ″ at {_written(HIGHEST_HZ)}",
    )
    lines = [f"{'path':<46}" + "".join(f"{name:>16}{'in u':>7}" for name in columns) + f"{'s':>6}"]
    for one in outcomes:
        if one.refused:
            lines.append(f"{one.path:<46}refused: {one.refused}")
            continue
        cells = [_initial(one), _loss(one, COMMON_HZ), _loss(one, HIGHEST_HZ)]
        lines.append(f"{one.path:<46}" + "".join(cells) + f"{one.seconds:>6.0f}")
    return "\n".join(lines)


def _written(hertz: float) -> str:
    return f"{hertz / 1e6:g} MHz" if hertz >= 1e6 else f"{hertz / 1e3:g} kHz"


def _initial(one: Outcome) -> str:
    k = one.place(INITIAL_HZ)
    if k is None:
        return f"{'not reached':>16}{'':>7}"
    value = f"{one.found[k].real:.0f} ± {one.u_real[k]:.0f}"
    return f"{value:>16}{one.errors()[0, k] / one.u_real[k]:>7.2f}"


def _loss(one: Outcome, hertz: float) -> str:
    """Return μ″, its uncertainty and by how many of it it is off, above zero where too large."""
    k = one.place(hertz)
    if k is None:
        return f"{'not reached':>16}{'':>7}"
    value = f"{-one.found[k].imag:.1f} ± {one.u_imag[k]:.1f}"
    return f"{value:>16}{-one.errors()[1, k] / one.u_imag[k]:>7.2f}"


def main() -> int:
    """Follow the paths, print the table and judge."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--core", default=USUAL_CORE)
    parser.add_argument("--all", action="store_true", help="every path, not one of each kind")
    parser.add_argument("--path", action="append", help="only this one; can be given again")
    parser.add_argument("--list", action="store_true", help="name the paths and end")
    asked = parser.parse_args()
    if asked.list:
        print("\n".join(name for name, _ in PATHS))
        return 0
    work = Work(WoundCore(core(asked.core), TURNS))
    wanted = asked.path or ([name for name, _ in PATHS] if asked.all else FEW)
    if unknown := set(wanted) - {name for name, _ in PATHS}:
        parser.error(f"no such path: {', '.join(sorted(unknown))}; --list names them")
    chosen = [(name, measure) for name, measure in PATHS if name in wanted]
    outcomes = []
    for name, measure in chosen:
        sys.stderr.write(f"{name}\n")
        outcomes.append(follow(name, measure, replace(work, frequency_hz=SOUND.get(name, work.frequency_hz))))
    print(f"{platform.machine()}, {platform.system()}, Python {platform.python_version()}; core {asked.core}")
    print(table(outcomes))
    return judged(outcomes)


def judged(outcomes: Sequence[Outcome]) -> int:
    """Print the gates; 0 where all are met."""
    good = [one for one in outcomes if not one.refused]
    if not good:
        return 1
    off, values = outside(good)
    far, pairs = apart(good)
    use = max(_share(one, COMMON_HZ) for one in good)
    print(f"off the truth by more than {WITHIN_U:g} u: {off} of {values}")
    print(f"paths apart by more than {WITHIN_U:g} u of the difference: {far} of {pairs}")
    for worst in sorted(differences(good), key=lambda pair: -max(pair.in_u))[:1]:
        print(f"worst difference: {worst.told()}")
    print(f"largest uncertainty at {_written(COMMON_HZ)}: {use:.2%} of |μ|")
    met = off <= MISSED_SHARE * values and far <= MISSED_SHARE * pairs and use <= USE_GATE
    return 0 if met and len(good) == len(outcomes) else 1


def _share(one: Outcome, hertz: float) -> float:
    """Return u over |μ|; infinite where the path does not reach the frequency."""
    k = one.place(hertz)
    return float("inf") if k is None else float(np.hypot(one.u_real[k], one.u_imag[k]) / abs(one.found[k]))


if __name__ == "__main__":
    sys.exit(main())
