"""Time the phasor fit against the explicit design matrix and against a general curve fit.

Usage: python benchmarks/phasor.py [--samples N] [--runs R]

Prints medians and ratios; exits 1 when a gate fails. Only ratios and memory are gates. The fit here takes the
raw codes and also finds the frequency; numpy's least squares is given the frequency and converted samples.
For the full model the time of building its design matrix is not counted against it, for three columns it is.
"""

from __future__ import annotations

import argparse
import os
import platform
import sys
import time
import tracemalloc
from collections.abc import Callable
from pathlib import Path
from statistics import median

import numpy as np
import scipy
from scipy.optimize import curve_fit

from whichcore.analysis.capture_check import plan_lines, plan_tone
from whichcore.analysis.phasor import fit_phasors
from whichcore.analysis.types import Capture, ComplexArray, FloatArray

GATE_LSTSQ = 5.0
GATE_CURVE_FIT = 50.0
GATE_MEMORY_MIB = 64.0
NOMINAL_HZ, INTERVAL_S, CLOCK_OFFSET = 1e6, 1e-9, 312e-6
TRUTH: ComplexArray = np.array([100 * np.exp(0.3j), 50 * np.exp(1j)])


def make_capture(samples: int) -> Capture:
    """Return an 8-bit record of two noisy tones, 0.7 steps rms."""
    rng = np.random.default_rng(20)
    turn = 2 * np.pi * NOMINAL_HZ * (1 + CLOCK_OFFSET) * INTERVAL_S * (np.arange(samples) - (samples - 1) / 2)
    volts = np.real(TRUTH[:, None] * np.exp(1j * turn)) + rng.normal(0, 0.7, (2, samples))
    return Capture(np.round(volts).astype(np.int8), INTERVAL_S, frequency_hz=NOMINAL_HZ)


def design(capture: Capture, harmonics: int, mains_hz: float | None, omega: float) -> FloatArray:
    """Return the design matrix (N, columns) of the very lines the fit looks for."""
    plan = plan_tone(capture.samples.shape[1], capture.interval_s, capture.frequency_hz, allow_aliased=False)
    lines = plan_lines(plan, harmonics, mains_hz)
    time_index = np.arange(plan.samples) - (plan.samples - 1) / 2
    columns = [np.ones(plan.samples)]
    for order, fixed in zip(lines.orders[1:], lines.fixed[1:], strict=True):
        angle = (order * omega if order else fixed) * time_index
        columns += [np.cos(angle), -np.sin(angle)]
    return np.stack(columns, axis=1)


def general_fit(capture: Capture) -> FloatArray:
    """Return offset, Re, Im of both channels and the frequency by scipy's curve_fit."""
    index = np.arange(capture.samples.shape[1]) - (capture.samples.shape[1] - 1) / 2

    def model(_x: FloatArray, *p: float) -> FloatArray:
        cosine, sine = np.cos(p[6] * index), np.sin(p[6] * index)
        return np.concatenate([p[c] + p[c + 1] * cosine - p[c + 2] * sine for c in (0, 3)])

    omega = 2 * np.pi * NOMINAL_HZ * (1 + CLOCK_OFFSET) * INTERVAL_S
    scale = 1 / index.size  # starts a third of a radian off at the ends of the record
    start = [0.0, *TRUTH[:1].view(float), 0.0, *TRUTH[1:].view(float), omega + 0.6 * scale]
    data = capture.samples.astype(float).ravel()
    found, _ = curve_fit(model, index, data, p0=start, x_scale=[1, 1, 1, 1, 1, 1, scale], method="trf")
    return np.asarray(found)


def timed(call: Callable[[], object], runs: int) -> float:
    """Return the median time of ``runs`` calls, s."""
    spent = []
    for _ in range(runs):
        start = time.perf_counter()
        call()
        spent.append(time.perf_counter() - start)
    return median(spent)


def peak_mib(call: Callable[[], object]) -> float:
    """Return the peak of memory taken by a call, MiB."""
    tracemalloc.start()
    call()
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    return peak / 2**20


def machine() -> str:
    """Name processor and libraries."""
    info = Path("/proc/cpuinfo")
    lines = info.read_text(encoding="utf-8").splitlines() if info.exists() else []
    name = next(
        (line.split(":")[1].strip() for line in lines if line.startswith("model name")), platform.processor()
    )
    versions = f"Python {platform.python_version()}, numpy {np.__version__}, scipy {scipy.__version__}"
    return f"{name or platform.machine()}, {os.cpu_count()} cores, {platform.system()}, {versions}"


def report(name: str, value: float, gate: float, *, at_least: bool) -> bool:
    """Print one gate and return whether it holds."""
    holds = value >= gate if at_least else value < gate
    print(f"{name:<52} {value:8.1f}  gate {'≥' if at_least else '<'} {gate:g}  {'ok' if holds else 'FAILED'}")
    return holds


def compare(capture: Capture, runs: int) -> list[bool]:
    """Time everything and return the verdict of each gate."""
    data = capture.samples.astype(float).T
    omega = 2 * np.pi * NOMINAL_HZ * (1 + CLOCK_OFFSET) * INTERVAL_S

    def solve(matrix: FloatArray) -> object:
        return np.linalg.lstsq(matrix, data, rcond=None)

    full_s = timed(lambda: fit_phasors(capture), runs)
    matrix = design(capture, 9, 50.0, omega)
    full_lstsq_s = timed(lambda: solve(matrix), runs)
    plain_s = timed(lambda: fit_phasors(capture, harmonics=1, mains_hz=None), runs)
    small = design(capture, 1, None, omega)
    solve_s = timed(lambda: solve(small), runs)
    both_s = timed(lambda: solve(design(capture, 1, None, omega)), runs)
    general_s = timed(lambda: general_fit(capture), runs)
    print(
        f"full model: fit {1e3 * full_s:.1f} ms, lstsq, {matrix.shape[1]} columns {1e3 * full_lstsq_s:.1f} ms"
    )
    print(f"tone and offset: fit {1e3 * plain_s:.1f} ms, lstsq {1e3 * solve_s:.1f} ms, with its matrix")
    print(f"  {1e3 * both_s:.1f} ms, curve_fit of 7 parameters {1e3 * general_s:.0f} ms")
    print(f"{'lstsq / fit, tone and offset, matrix not counted':<52} {solve_s / plain_s:8.1f}  no gate")
    return [
        report(
            "lstsq / fit, full model, matrix not counted", full_lstsq_s / full_s, GATE_LSTSQ, at_least=True
        ),
        report("lstsq / fit, tone and offset, matrix counted", both_s / plain_s, GATE_LSTSQ, at_least=True),
        report("curve_fit / fit, tone and offset", general_s / plain_s, GATE_CURVE_FIT, at_least=True),
        report("peak memory, MiB", peak_mib(lambda: fit_phasors(capture)), GATE_MEMORY_MIB, at_least=False),
    ]


def main() -> int:
    """Run the comparison."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--samples", type=int, default=1_000_000)
    parser.add_argument("--runs", type=int, default=5)
    options = parser.parse_args()
    capture = make_capture(options.samples)
    print(f"{machine()}; {options.samples} samples on two channels, median of {options.runs}")
    found, general = fit_phasors(capture), general_fit(capture)
    print(f"fit       {np.round(found.phasor_vpk, 5)}")
    print(f"curve_fit {np.round(general[[1, 4]] + 1j * general[[2, 5]], 5)}")
    return 0 if all(compare(capture, options.runs)) else 1


if __name__ == "__main__":
    sys.exit(main())
