"""How often is the right grade named, and are the probabilities right? Open grades, invented cores.

Each draw takes a screened grade of the open collection, scales it (±25 % at 2σ), moves its corner by an own
law, deviates it smoothly by 3 %, winds it on a ring 25/15/10 mm with 10 turns, and computes the terminal
impedance with 1 % noise per component from the circuit below, which shares no code with the judge. The
ranking is compared with the nearest initial permeability at 10 kHz and with a least-squares curve match.

    python benchmarks/identify.py [--draws 1500] [--law p0|p1|random|all] [--seed 1] [--json FILE]

Gates (exit 1 when missed): named first in at least 75 of 100, within the first three in 92.
"""

from __future__ import annotations

import argparse
import json
import platform
import resource
import sys
import time
from dataclasses import dataclass
from pathlib import Path

import numpy as np

import whichcore
from whichcore.analysis.materials import Library, Material
from whichcore.analysis.specimen import Ring, Specimen, Winding
from whichcore.analysis.types import ImpedanceSweep

FREQUENCY = np.geomspace(1e3, 3e6, 200)
TOLERANCE, NOISE, DEVIATION, DIMENSION = 0.25, 0.01, 0.03, 0.01
FIRST_GATE, THREE_GATE = 0.75, 0.92
CORNER_LAWS = ("p0", "p1", "random")


@dataclass
class Draw:
    """One invented core of a known grade."""

    truth: int
    specimen: Specimen
    sweep: ImpedanceSweep


def smooth(rng: np.random.Generator, x: np.ndarray, rms: float) -> np.ndarray:
    """Random smooth curve over ln f: five cosines of random phase, not the judge's Gaussian process."""
    span = x[-1] - x[0]
    waves = [
        rng.normal() * np.cos(k * np.pi * (x - x[0]) / span + rng.uniform(0, 2 * np.pi)) for k in range(5)
    ]
    return rms * np.sum(waves, axis=0) / np.sqrt(2.5)


def extended(material: Material, frequency: np.ndarray) -> np.ndarray:
    """Return the grade's curve, carried on below its start with little loss and above its end as 1/f."""
    x, mu = np.log(material.frequency_hz), material.permeability
    at = np.log(frequency)
    real, loss = np.interp(at, x, mu.real), np.interp(at, x, -mu.imag)
    loss = np.where(at < x[0], loss * np.exp(at - x[0]), loss)
    tail = np.exp(-np.maximum(at - x[-1], 0))
    return real * tail - 1j * loss * tail


def wound_impedance(mu: np.ndarray, l0: float) -> np.ndarray:
    """Terminal impedance of the wound core: copper, core, winding capacitance."""
    w = 2j * np.pi * FREQUENCY
    return 1 / (1 / (0.03 * np.sqrt(1 + FREQUENCY / 2e5) + w * l0 * mu) + w * 3e-12)


def draw(rng: np.random.Generator, materials: tuple[Material, ...], truth: int, law: str) -> Draw:
    """Invent one core."""
    x = np.log(FREQUENCY)
    log_scale = TOLERANCE / 2 * rng.normal()
    p = {"p0": 0.0, "p1": 1.0, "random": rng.uniform(0, 1.5)}[law]
    corner = -p * log_scale + 0.1 * rng.normal()
    mu = np.exp(log_scale) * extended(materials[truth], FREQUENCY * np.exp(-corner))
    mu = mu.real * (1 + smooth(rng, x, DEVIATION)) + 1j * mu.imag * (1 + smooth(rng, x, DEVIATION))
    od, d, h = (v * (1 + DIMENSION * rng.normal()) for v in (25e-3, 15e-3, 10e-3))
    turns = 10
    l0 = 2e-7 * turns**2 * h * np.log(od / d)
    z = wound_impedance(mu, l0)
    z = z + NOISE * np.abs(z) * (rng.normal(size=z.size) + 1j * rng.normal(size=z.size))
    scatter = (NOISE * np.abs(z))[:, None, None] ** 2 * np.eye(2)
    ring = Ring(25e-3, 15e-3, 10e-3)
    u = {"outer_diameter_m": 0.25e-3, "inner_diameter_m": 0.15e-3, "height_m": 0.1e-3}
    winding = Winding(turns, wire_diameter_m=0.4e-3, wire_length_m=0.4, capacitance_f=3e-12)
    return Draw(
        truth, Specimen(ring, winding, dimension_uncertainties_m=u), ImpedanceSweep(FREQUENCY, z, scatter)
    )


def nearest_initial(draw_: Draw, levels: np.ndarray) -> np.ndarray:
    """Rank by distance of ln μ′ at 10 kHz: what a table look-up does."""
    at = int(np.argmin(np.abs(FREQUENCY - 1e4)))
    l0 = 2e-7 * 100 * 10e-3 * np.log(25 / 15)
    level = draw_.sweep.impedance_ohm.imag[at] / (2 * np.pi * FREQUENCY[at] * l0)
    return np.argsort(np.abs(np.log(level) - levels))


def least_squares(draw_: Draw, curves: np.ndarray) -> np.ndarray:
    """Rank by the residual of ln|Z| and of phase against each curve, one free scale."""
    z = draw_.sweep.impedance_ohm
    level = np.log(np.abs(z)) - np.log(np.abs(curves))
    level = level - level.mean(axis=1, keepdims=True)
    phase = np.angle(z) - np.angle(curves)
    return np.argsort((level**2 + phase**2).sum(axis=1))


def calibration_error(probability: np.ndarray, hit: np.ndarray, bins: int = 10) -> float:
    """Return the expected calibration error over bins of equal count."""
    parts = np.array_split(np.argsort(probability), bins)
    gaps = [abs(probability[i].mean() - hit[i].mean()) * i.size for i in parts if i.size]
    return float(np.sum(gaps) / probability.size)


def perfect_judge_error(probability: np.ndarray, rng: np.random.Generator) -> float:
    """Calibration error a perfectly calibrated judge would score on these probabilities."""
    return float(
        np.mean(
            [calibration_error(probability, rng.random(probability.size) < probability) for _ in range(200)]
        )
    )


def run(library: Library, draws: int, law: str, seed: int) -> dict[str, object]:
    """Judge many draws and return the score."""
    rng = np.random.default_rng(seed)
    materials = library.materials
    pool = [i for i, m in enumerate(materials) if m.frequency_hz[-1] >= 3e6 and m.frequency_hz[0] <= 1e5]
    l0 = 2e-7 * 100 * 10e-3 * np.log(25 / 15)
    curves = np.array([wound_impedance(extended(m, FREQUENCY), l0) for m in materials])
    levels = np.log(np.array([extended(m, np.array([1e4]))[0].real for m in materials]))
    rows = []
    seconds = []
    for k in range(draws):
        case = draw(rng, materials, pool[k % len(pool)], law)
        start = time.perf_counter()
        verdict = whichcore.identify(case.specimen, sweep=case.sweep, library=library)
        seconds.append(time.perf_counter() - start)
        ids = [c.material for c in verdict.candidates]
        rank = ids.index(materials[case.truth].id)
        own = verdict.candidates[rank].probability
        rows.append(
            (
                rank,
                verdict.candidates[0].probability,
                own,
                int(np.flatnonzero(nearest_initial(case, levels) == case.truth)[0]),
                int(np.flatnonzero(least_squares(case, curves) == case.truth)[0]),
                verdict.unlisted_probability,
            )
        )
        if sys.stderr.isatty():
            print(f"\r{k + 1}/{draws}", end="", file=sys.stderr)
    table = np.array(rows, dtype=float)
    hit = table[:, 0] == 0
    inside = np.array([_corner_hz(materials[pool[k % len(pool)]]) < FREQUENCY[-1] for k in range(draws)])
    return {
        "law": law,
        "draws": draws,
        "grades": len(pool),
        "library": len(materials),
        "first": float(hit.mean()),
        "within three": float((table[:, 0] < 3).mean()),
        "first, corner in band": float(hit[inside].mean()),
        "within three, corner in band": float((table[inside, 0] < 3).mean()),
        "first, corner above band": float(hit[~inside].mean()) if (~inside).any() else None,
        "calibration error": calibration_error(table[:, 1], hit),
        "of a perfect judge": perfect_judge_error(table[:, 1], rng),
        "log score": float(np.log(np.maximum(table[:, 2], 1e-12)).mean()),
        "unlisted, mean": float(table[:, 5].mean()),
        "unlisted above 0.5": float((table[:, 5] > 0.5).mean()),
        "nearest μi first": float((table[:, 3] == 0).mean()),
        "nearest μi within three": float((table[:, 3] < 3).mean()),
        "least squares first": float((table[:, 4] == 0).mean()),
        "least squares within three": float((table[:, 4] < 3).mean()),
        "median seconds": float(np.median(seconds)),
        "peak memory MiB": resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024,
    }


def _corner_hz(material: Material) -> float:
    """Frequency of the largest loss."""
    return float(material.frequency_hz[np.argmax(-material.permeability.imag)])


def main() -> int:
    """Run, print, and judge by the gates."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--draws", type=int, default=1500)
    parser.add_argument("--law", choices=[*CORNER_LAWS, "all"], default="random")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--json", type=Path)
    options = parser.parse_args()
    library = whichcore.load_library("open")
    laws = CORNER_LAWS if options.law == "all" else (options.law,)
    results = [run(library, options.draws, law, options.seed) for law in laws]
    print(f"{platform.machine()}, Python {platform.python_version()}, numpy {np.__version__}")
    for result in results:
        for name, value in result.items():
            print(f"{name:30} {value:.4g}" if isinstance(value, float) else f"{name:30} {value}")
    if options.json:
        options.json.write_text(json.dumps(results, indent=1))
    passed = all(r["first"] >= FIRST_GATE and r["within three"] >= THREE_GATE for r in results)
    print("gates passed" if passed else "a gate was missed")
    return 0 if passed else 1


if __name__ == "__main__":
    sys.exit(main())
