"""One 200-point sweep against 100 and 1,000 curves: the judge against a loop of lmfit fits, in one run.

The loop is what a user would write to answer the same question with the same statistics: for each curve and
each turn count (stated, one less, one more), with and without a gap, lmfit fits level, corner and gap by
generalised least squares. A core deviates from its curve by 3 % of the curve, so the covariance (400 × 400:
noise, geometry, smooth deviation) follows the model and is built and factored at each evaluation. It gives
one best fit each and no probability; the judge integrates. A leaner loop, whose covariance is taken from the
data once for each curve, is timed beside it and not gated: it pulls the level downwards (Peelle's puzzle).

The thousand curves are the open ones and copies of them at other levels and corners: no two are equal.

    python benchmarks/identify_speed.py [--curves N]…

Gate (exit 1 when missed): the judge is at least 100 times faster than the first loop, with each number of
curves. Processor time of this process is compared, so that neighbours on the machine do not count, and linear
algebra runs in one thread: one that waits for work would count as busy. Memory is recorded, not gated.
"""

from __future__ import annotations

import argparse
import os
import platform
import statistics
import sys
import time
import tracemalloc
from collections.abc import Callable
from dataclasses import replace

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import lmfit
import numpy as np
from scipy.linalg import solve_triangular

import whichcore
from invented_cores import FREQUENCY, Law, draw
from whichcore.analysis.materials import Library, Material
from whichcore.analysis.observation import Observation, observe
from whichcore.analysis.permeability import permeability

GATE = 100.0
CURVES = (100, 1000)
#: Curves the loop is timed on; the rest is scaled up, since a full loop takes a minute and more.
SAMPLE = 5
#: Steps in ln of level and corner between the copies of a curve.
LEVEL_STEP, CORNER_STEP = 0.11, 0.07


def extended(library: Library, count: int) -> Library:
    """Return so many curves: the open ones, then copies of them moved in level and corner."""
    own = library.materials
    return Library(tuple(_copy(own[k % len(own)], k // len(own)) for k in range(count)))


def _copy(material: Material, turn: int) -> Material:
    level, corner = np.exp([LEVEL_STEP * turn, -CORNER_STEP * turn])
    return replace(
        material,
        id=f"{material.id}-{turn}",
        initial_permeability=material.initial_permeability * level,
        frequency_hz=material.frequency_hz * corner,
        permeability=material.permeability * level,
    )


def candidate(
    observation: Observation, material: Material, lean: bool
) -> Callable[[lmfit.Parameters], np.ndarray]:
    """Whitened residual of one curve; lean: with the covariance factored once."""
    x, mu = np.log(material.frequency_hz), material.permeability
    at = np.log(FREQUENCY)
    measured = np.exp(-observation.log_reluctivity)
    kernel = np.exp(-0.5 * ((at[:, None] - at) / 1.2) ** 2)

    def factor(curve: np.ndarray) -> np.ndarray:
        rows = np.concatenate([curve.real, curve.imag])
        smooth = np.kron(np.eye(2), kernel) + np.ones((2 * at.size, 2 * at.size))
        noise = np.tile(0.01 * np.abs(measured), 2)
        return np.linalg.cholesky(0.03**2 * smooth * np.outer(rows, rows) + np.diag(noise**2))

    once = factor(measured) if lean else None

    def residual(parameters: lmfit.Parameters) -> np.ndarray:
        p = parameters.valuesdict()
        shifted = at - p["corner"]
        curve = np.interp(shifted, x, mu.real) + 1j * np.interp(shifted, x, mu.imag)
        curve = (p["turns"] / 10) ** 2 / (np.exp(-p["level"]) / curve + p["gap"] * 1e-5)
        left = measured - curve
        root = factor(curve) if once is None else once
        fit = solve_triangular(root, np.concatenate([left.real, left.imag]), lower=True)
        return np.append(fit, [p["level"] / 0.125, p["corner"] / 0.15])

    return residual


def fit_all(observation: Observation, materials: tuple[Material, ...], lean: bool) -> list[float]:
    """Return the best chi-squared of each curve over the branches of turns and gap."""
    best = []
    for material in materials:
        residual = candidate(observation, material, lean)
        fits = []
        for turns in (10, 9, 11):
            for gap in (False, True):
                parameters = lmfit.Parameters()
                parameters.add("level", 0.0, min=-0.5, max=0.5)
                parameters.add("corner", 0.0, min=-0.7, max=0.7)
                parameters.add("gap", 5.0 if gap else 0.0, min=0, max=200, vary=gap)
                parameters.add("turns", turns, vary=False)
                fits.append(lmfit.minimize(residual, parameters).chisqr)
        best.append(min(fits))
    return best


def _covering(library: Library) -> int:
    """Return the first grade whose curve covers the band."""
    spans = [m.frequency_hz[[0, -1]] for m in library.materials]
    return next(i for i, (low, high) in enumerate(spans) if low <= 1e4 and high >= FREQUENCY[-1])


def timed(function: Callable[[], object], repeats: int) -> float:
    """Median processor time of a call, s."""
    spans = []
    for _ in range(repeats):
        start = time.process_time()
        function()
        spans.append(time.process_time() - start)
    return statistics.median(spans)


def compare(library: Library) -> float:
    """Time both on one library, print, and return how many times faster the judge is."""
    curves = len(library.materials)
    case = draw(np.random.default_rng(4), library.materials, _covering(library), Law())

    def judge() -> object:
        return whichcore.identify(case.specimen, sweep=case.sweep, library=library)

    judge()
    ours = timed(judge, 5)
    tracemalloc.start()
    judge()
    memory = tracemalloc.get_traced_memory()[1] / 2**20
    tracemalloc.stop()
    observation = observe(permeability(case.sweep, case.specimen), [])
    sample = library.materials[:: curves // SAMPLE][:SAMPLE]
    loop = timed(lambda: fit_all(observation, sample, lean=False), 1) * curves / SAMPLE
    lean = timed(lambda: fit_all(observation, sample, lean=True), 3) * curves / SAMPLE
    name = f"judge, 200 points x {curves} curves"
    print(f"{name:<32} {ours * 1e3:9.1f} ms, peak {memory:.0f} MiB")
    print(f"loop of lmfit fits               {loop * 1e3:9.1f} ms (timed on {SAMPLE} curves)")
    print(f"leaner loop, not gated           {lean * 1e3:9.1f} ms, ratio {lean / ours:.1f}")
    print(f"ratio                            {loop / ours:9.1f} (gate {GATE:.0f})", flush=True)
    return loop / ours


def main() -> int:
    """Compare at each number of curves, and judge by the gate."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--curves", type=int, action="append", help="default: 100 and 1000")
    counts = parser.parse_args().curves or CURVES
    versions = f"numpy {np.__version__}, lmfit {lmfit.__version__}"
    print(f"{platform.machine()}, Python {platform.python_version()}, {versions}")
    library = whichcore.load_library("open")
    ratios = [compare(extended(library, count)) for count in counts]
    return 0 if min(ratios) >= GATE else 1


if __name__ == "__main__":
    sys.exit(main())
