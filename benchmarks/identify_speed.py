"""One 200-point sweep against 100 curves: the judge against a loop of lmfit fits, in one run.

The loop is what a user would write to answer the same question with the same statistics: for each curve and
each turn count (stated, one less, one more), with and without a gap, lmfit fits level, corner and gap by
generalised least squares. A core deviates from its curve by 3 % of the curve, so the covariance (400 × 400:
noise, geometry, smooth deviation) follows the model and is built and factored at each evaluation. It gives
one best fit each and no probability; the judge integrates. A leaner loop, whose covariance is taken from the
data once for each curve, is timed beside it and not gated: it pulls the level downwards (Peelle's puzzle).

    python benchmarks/identify_speed.py

Gate (exit 1 when missed): the judge is at least 100 times faster than the first loop. Times and memory are
recorded, not gated.
"""

from __future__ import annotations

import platform
import statistics
import sys
import time
import tracemalloc
from collections.abc import Callable
from dataclasses import replace

import lmfit
import numpy as np
from scipy.linalg import solve_triangular

import whichcore
from identify import FREQUENCY, draw
from whichcore.analysis.materials import Library, Material
from whichcore.analysis.observation import Observation, observe
from whichcore.analysis.permeability import permeability

GATE = 100.0
CURVES = 100
#: Curves the loop is timed on; the rest is scaled up, since a full loop takes a minute.
SAMPLE = 5


def hundred(library: Library) -> Library:
    """Return exactly 100 curves: the open ones, the first few again under other names."""
    extra = [replace(m, id=f"{m.id}-again") for m in library.materials[: CURVES - len(library.materials)]]
    return Library((*library.materials, *extra)[:CURVES])


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
    """Median time of a call, s."""
    spans = []
    for _ in range(repeats):
        start = time.perf_counter()
        function()
        spans.append(time.perf_counter() - start)
    return statistics.median(spans)


def main() -> int:
    """Time both, print, and judge by the gate."""
    library = hundred(whichcore.load_library("open"))
    truth = _covering(library)
    case = draw(np.random.default_rng(4), library.materials, truth, "random")

    def judge() -> object:
        return whichcore.identify(case.specimen, sweep=case.sweep, library=library)

    judge()
    ours = timed(judge, 5)
    tracemalloc.start()
    judge()
    memory = tracemalloc.get_traced_memory()[1] / 2**20
    tracemalloc.stop()
    observation = observe(permeability(case.sweep, case.specimen), [])
    stride = len(library.materials) // SAMPLE
    sample = library.materials[::stride][:SAMPLE]
    loop = timed(lambda: fit_all(observation, sample, lean=False), 1) * CURVES / SAMPLE
    lean = timed(lambda: fit_all(observation, sample, lean=True), 3) * CURVES / SAMPLE
    versions = f"numpy {np.__version__}, lmfit {lmfit.__version__}"
    print(f"{platform.machine()}, Python {platform.python_version()}, {versions}")
    print(f"judge, 200 points x {CURVES} curves     {ours * 1e3:9.1f} ms, peak {memory:.0f} MiB")
    print(f"loop of lmfit fits               {loop * 1e3:9.1f} ms (timed on {SAMPLE} curves)")
    print(f"leaner loop, not gated           {lean * 1e3:9.1f} ms, ratio {lean / ours:.1f}")
    print(f"ratio                            {loop / ours:9.1f} (gate {GATE:.0f})")
    return 0 if loop / ours >= GATE else 1


if __name__ == "__main__":
    sys.exit(main())
