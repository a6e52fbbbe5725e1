"""How often the stated error holds: one known core measured over TCP, each time with a new bench.

    python benchmarks/coverage_over_tcp.py [--runs 30] [--seed 1] [--json FILE]

Each run starts the virtual bench with a seed of its own, calibrates it anew and sweeps the same core at
three frequencies in short records. What the workshop reads off its labels and its caliper is drawn anew too:
the bench file states every value of shunt, standards and inputs off the truth by a draw from its tolerance,
and the card the dimensions, the copper and the capacitance of the winding by their standard uncertainties.
Otherwise the same fixed error would count in every run.

Counted: how often |error| ≤ 1.96 u, for R, X, μ′ and μ″ at each frequency. The three frequencies of a run
share labels, card and ranges, so the runs alone are independent: of n runs the number inside is binomial with
n and 0.95 or more. Twelve counts are looked at, so a count is refused only where so few would occur in less
than one of 1,200 cases: all of a true statement's twelve then pass in 99 of 100 benchmarks (Bonferroni). With
30 runs that is 24.

The statement may also be too cautious. The converter's non-linearity enters as a bound on its size, not as a
distribution, and it is the same converter in every run: more than 95 of 100 lie inside. By how much the
statement is too wide is told by the rms of error over u, and gated: below 0.1 in any row it would be idle.
"""

from __future__ import annotations

import argparse
import json
import platform
import sys
import tempfile
from collections.abc import Sequence
from copy import deepcopy
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from scipy.stats import binom

from in_process_bench import true_permeability
from whichcore.analysis.flux_density import inner_edge_factor
from whichcore.analysis.permeability import permeability
from whichcore.analysis.specimen import Specimen
from whichcore.analysis.types import ComplexArray, FloatArray, ImpedanceSweep, Wiring
from whichcore.analysis.uncertainty import point_covariance
from whichcore.files import Dimension, parse_quantity
from whichcore.rig.sweep.plan import RecordRule
from whichcore.rig.virtual import VirtualBench, WoundCore
from whichcore.rig.virtual.cores import read_cores
from whichcore.rig.virtual.oneport import Capacitor, parallel, series
from wired_bench import Job, Labels, WiredBench, progress, shipped_labels, toml_text

FREQUENCIES_HZ = (1e4, 1e5, 1e6)
QUANTITIES = ("R", "X", "mu'", "mu''")
WIRING = Wiring.SHUNT_AT_GROUND
TURNS, FLUX_T = 10, 1e-3
RECORD, MOST_TAKES, TIES = RecordRule(samples=6000), 4, 4
WITHIN_U, INSIDE, FALSE_ALARM = 1.96, 0.95, 0.01
LEAST_RMS = 0.1
SIZES_MM = {"outer": 22.31, "inner": 13.52, "height": 9.08}
CALIPER_MM = 0.03
COPPER_SHARE, CAPACITANCE_SHARE = 0.01, 0.2  # what the winding model takes of a reading, of a stated value
KNOWN: dict[str, Any] = {
    "title": "ring of known circuit",
    "body": {f"{key}_mm": size for key, size in SIZES_MM.items()},
    "card": {"shape": "ring"},
    "relaxations": [[1438.0, 5e6], [320.0, 12e6]],
    "walls": [[620.0, 2.1e6, 1.3]],
    "behaviour": {"rayleigh_per_t": 2.5},
}
# truth of what the labels state (rig/virtual/electronics.toml); the inputs are those of the middle ranges
TRUTH = {
    ("shunt", "resistance"): 10.007,
    ("shunt", "inductance"): 5.2e-9,
    ("standards", "open", "capacitance"): 0.9e-12,
    ("standards", "short", "inductance"): 3.6e-9,
    ("standards", "short", "resistance"): 1.2e-3,
    ("standards", "load", "resistance"): 49.985,
    ("standards", "load", "inductance"): 4.1e-9,
    ("standards", "load", "capacitance"): 0.35e-12,
    ("digitizer", "input_capacitance"): 70.8e-12,
}
UNITS = {
    "resistance": ("ohm", Dimension.RESISTANCE),
    "inductance": ("H", Dimension.INDUCTANCE),
    "capacitance": ("F", Dimension.CAPACITANCE),
}


def drawn_labels(rng: np.random.Generator) -> Labels:
    """Return labels that state each value off its truth by a draw from their own tolerance, evenly spread."""
    labels = deepcopy(shipped_labels())
    for place, truth in TRUTH.items():
        table = labels
        for name in place[:-1]:
            table = table[name]
        key = place[-1]
        own = f"{key}_tolerance"
        width = str(table[own] if own in table else table["tolerance"])
        unit, dimension = UNITS[key.removeprefix("input_")]
        if width.endswith("%"):
            half = parse_quantity(width, Dimension.RATIO) * truth
        else:
            half = parse_quantity(width, dimension)
        table[key] = f"{truth + half * rng.uniform(-1, 1):.9g} {unit}"
    return labels


def drawn_card(item: WoundCore, rng: np.random.Generator) -> str:
    """Return a specimen file that states size, copper and capacitance off their truth by what is allowed."""
    read = {f"{k}": f"{size + CALIPER_MM * rng.normal():.4f} mm" for k, size in SIZES_MM.items()}
    ohm = item.dc_resistance_ohm * (1 + COPPER_SHARE * rng.normal())
    farad = item.capacitance_f(item.turns) / (1 + CAPACITANCE_SHARE * np.clip(rng.normal(), -3, 3))
    core = {
        "shape": "ring",
        "outer_diameter": read["outer"],
        "inner_diameter": read["inner"],
        "height": read["height"],
        "dimension_uncertainty": f"{CALIPER_MM} mm",
        "temperature": "25 degC",
    }
    winding = {
        "turns": item.turns,
        "wire_diameter": f"{item.wire_diameter_m * 1e3:g} mm",
        "wire_length": f"{item.wire_length_m * 1e3:.1f} mm",
        "lead_length": f"{item.lead_length_m * 1e3:.1f} mm",
        "dc_resistance": f"{ohm * 1e3:.6g} mohm",
        "capacitance": f"{farad * 1e12:.6g} pF",
    }
    return toml_text({"core": core, "winding": winding})


def true_impedance(item: WoundCore, frequency_hz: FloatArray, flux_density_t: FloatArray) -> ComplexArray:
    """Return Z at the terminals at the flux density of each point, Ω, (F,)."""
    s = np.asarray(2j * np.pi * frequency_hz)
    level = item.core.level_factor(flux_density_t)
    inner = series(item.wire_port(item.turns), item.core_port(level))
    return np.asarray(parallel(inner, Capacitor(item.capacitance_f(item.turns))).impedance(s))


@dataclass(frozen=True, slots=True)
class Run:
    """Error over standard uncertainty, and uncertainty over size, (frequencies, quantities) each."""

    off: FloatArray
    share: FloatArray


def one_run(seed: int) -> Run:
    """Start a bench, calibrate it, measure the core, and compare."""
    rng = np.random.default_rng(seed)
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        shelf = folder / "shelf.toml"
        shelf.write_text(toml_text({"known": KNOWN}), encoding="utf-8")
        item = WoundCore(read_cores(shelf)["known"], TURNS)
        with VirtualBench(WIRING, seed=seed, cores=shelf) as virtual:
            bench = WiredBench(folder, virtual, drawn_labels(rng), MOST_TAKES, RECORD)
            bench.calibrate(WIRING, FREQUENCIES_HZ, ties=TIES)
            job = Job(item, WIRING, FREQUENCIES_HZ, FLUX_T, drawn_card(item, rng))
            specimen, sweep = bench.measure([job])
    return compared(item, specimen, sweep)


def compared(item: WoundCore, specimen: Specimen, sweep: ImpedanceSweep) -> Run:
    """Return the errors of a sweep."""
    if sweep.frequency_hz.size != len(FREQUENCIES_HZ) or sweep.flux_density_t is None:
        raise AssertionError(f"points are missing: {sweep.frequency_hz}")
    flux = sweep.flux_density_t / inner_edge_factor(specimen)
    f = sweep.frequency_hz
    mu = np.array([true_permeability(item, float(hz), flux[k : k + 1])[0] for k, hz in enumerate(f)])
    spectrum = permeability(sweep, specimen)
    rows = []
    for got, true, scatter, sources in (
        (sweep.impedance_ohm, true_impedance(item, f, flux), sweep.scatter, sweep.sources),
        (spectrum.permeability, mu, spectrum.scatter, spectrum.sources),
    ):
        u = np.sqrt(np.diagonal(point_covariance(scatter, sources), axis1=1, axis2=2))
        error = got - true
        rows.append((np.stack([error.real, error.imag], axis=1) / u, u / abs(true)[:, None]))
    off, share = (np.concatenate([row[k] for row in rows], axis=1) for k in (0, 1))
    return Run(off, share)


def least_inside(runs: int, counts: int) -> int:
    """Return the smallest number inside that is not refused; the argument is in the head of this file."""
    return int(binom.ppf(FALSE_ALARM / counts, runs, INSIDE))


def table(runs: Sequence[Run]) -> list[dict[str, Any]]:
    """Return a row for each frequency and quantity."""
    off, share = np.array([run.off for run in runs]), np.array([run.share for run in runs])
    return [
        {
            "frequency_hz": f,
            "quantity": name,
            "inside": int(np.sum(np.abs(off[:, i, k]) <= WITHIN_U)),
            "rms": float(np.sqrt(np.mean(off[:, i, k] ** 2))),
            "mean": float(np.mean(off[:, i, k])),
            "u_share": float(np.median(share[:, i, k])),
        }
        for i, f in enumerate(FREQUENCIES_HZ)
        for k, name in enumerate(QUANTITIES)
    ]


def holds(rows: Sequence[dict[str, Any]], runs: int) -> bool:
    """Tell whether every count passes, and the statement is not idle."""
    enough = all(row["inside"] >= least_inside(runs, len(rows)) for row in rows)
    return enough and all(row["rms"] >= LEAST_RMS for row in rows)


def measured(runs: int, seed: int) -> list[Run]:
    """Return so many runs."""
    found = []
    for number in range(runs):
        progress(f"run {number + 1} of {runs}")
        found.append(one_run(seed + number))
    return found


def main() -> int:
    """Print the table and judge the gates."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--runs", type=int, default=30)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--json", type=Path)
    asked = parser.parse_args()
    rows = table(measured(asked.runs, asked.seed))
    print(
        f"{platform.machine()}, Python {platform.python_version()}, {asked.runs} runs from seed {asked.seed}"
    )
    print(f"{'Hz':>8} {'':5} {'inside':>7} {'rms e/u':>8} {'mean e/u':>9} {'u/size':>8}")
    for row in rows:
        print(
            f"{row['frequency_hz']:8g} {row['quantity']:5} {row['inside']:7d} {row['rms']:8.2f} "
            f"{row['mean']:9.2f} {row['u_share']:8.2%}"
        )
    inside, of = sum(row["inside"] for row in rows), asked.runs * len(rows)
    print(f"inside 1.96 u: {inside} of {of}, {inside / of:.1%}")
    print(f"least in each row {least_inside(asked.runs, len(rows))} of {asked.runs}")
    if asked.json is not None:
        asked.json.write_text(json.dumps(rows, indent=2), encoding="utf-8")
    return 0 if holds(rows, asked.runs) else 1


if __name__ == "__main__":
    sys.exit(main())
