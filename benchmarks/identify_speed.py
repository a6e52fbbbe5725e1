"""One 200-point sweep against 100 curves: the judge against a loop of lmfit fits, in one run.

The loop is what a user would write to answer the same question: for each curve and each turn count (stated, one
less, one more), with and without a gap, fit level, corner and gap by lmfit to the whitened logarithm of the
permeability (dense covariance with the same noise, sources and deviation), and rank by chi-squared. It gives one
best fit each and no probability; the judge integrates.

    python benchmarks/identify_speed.py

Gate (exit 1 when missed): the judge is at least 100 times faster. Times and memory are recorded, not gated.
"""

from __future__ import annotations

import platform
import statistics
import sys
import time
import tracemalloc
from collections.abc import Callable

import lmfit
import numpy as np
from identify import FREQUENCY, draw, wound_impedance

import whichcore
from whichcore.analysis.materials import Library, Material
from whichcore.analysis.observation import Observation, observe
from whichcore.analysis.permeability import permeability
from whichcore.analysis.posterior import curve_columns

GATE = 100.0
CURVES = 100
#: Curves the loop is timed on; the rest is scaled up, since a full loop takes a minute.
SAMPLE = 5


def hundred(library: Library) -> Library:
    """Return exactly 100 curves: the open ones, the first few again under other names."""
    from dataclasses import replace

    extra = [replace(m, id=f"{m.id}-again") for m in library.materials[: CURVES - len(library.materials)]]
    return Library((*library.materials, *extra)[:CURVES])


def residual_function(observation: Observation, material: Material) -> Callable[[lmfit.Parameters], np.ndarray]:
    """Whitened residual of one curve with dense covariance."""
    columns = curve_columns(observation, material.curve_deviation)
    root = np.linalg.inv(np.linalg.cholesky(np.eye(columns.shape[0]) + columns @ columns.T))
    x, mu = np.log(material.frequency_hz), material.permeability
    at = np.log(FREQUENCY)

    def residual(parameters: lmfit.Parameters) -> np.ndarray:
        p = parameters.valuesdict()
        shifted = at - p["corner"]
        curve = np.interp(shifted, x, mu.real) + 1j * np.interp(shifted, x, mu.imag)
        nu = np.exp(-p["level"]) / curve + p["gap"] * 1e-5
        model = np.log(nu) + 2 * np.log(10 / p["turns"])
        fit = root @ observation.whiten(observation.log_reluctivity - model)
        return np.append(fit, [p["level"] / 0.125, p["corner"] / 0.15])

    return residual


def fit_all(observation: Observation, materials: tuple[Material, ...]) -> list[float]:
    """Return the best chi-squared of each curve over the branches of turns and gap."""
    best = []
    for material in materials:
        residual = residual_function(observation, material)
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
    truth = next(i for i, m in enumerate(library.materials) if m.frequency_hz[0] <= 1e4 < 3e6 <= m.frequency_hz[-1])
    case = draw(np.random.default_rng(4), library.materials, truth, "random")
    assert wound_impedance(np.ones(FREQUENCY.size), 1e-7).size == case.sweep.frequency_hz.size == 200

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
    loop = timed(lambda: fit_all(observation, sample), 3) * CURVES / SAMPLE
    print(f"{platform.machine()}, Python {platform.python_version()}, numpy {np.__version__}, lmfit {lmfit.__version__}")
    print(f"judge, 200 points x {CURVES} curves     {ours * 1e3:9.1f} ms, peak {memory:.0f} MiB")
    print(f"loop of lmfit fits               {loop * 1e3:9.1f} ms (timed on {SAMPLE} curves)")
    print(f"ratio                            {loop / ours:9.1f} (gate {GATE:.0f})")
    return 0 if loop / ours >= GATE else 1


if __name__ == "__main__":
    sys.exit(main())
