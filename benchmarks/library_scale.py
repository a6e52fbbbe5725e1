"""Many stored sweeps, one after the other, against a library: memory must stay flat and time linear.

Sweeps of invented cores are written to files first. Then they are read and judged one by one, as
`identify_files` does it, each verdict reduced to one line.

    python benchmarks/library_scale.py [--sweeps 10000] [--curves 100] [--points 60]

Gates (exit 1 when missed):

- processor time per sweep over the second half of all sweeps, against that over the first tenth: 1.1;
- largest resident size of the process at the end, against after the first tenth: 1.05;
- memory held (tracemalloc, which slows everything, so over TRACED of the sweeps at most) beyond that after
  the first tenth of these, caches emptied: 1 KiB for each sweep in between; a verdict kept is some 20 KiB;
- processor time with all curves against that with half of them, per curve: 1.1. More curves may cost less
  each, not more.
"""

from __future__ import annotations

import argparse
import functools
import gc
import platform
import resource
import statistics
import sys
import tempfile
import time
import tracemalloc
from collections.abc import Iterator
from pathlib import Path

import numpy as np

import whichcore
from identify_speed import extended
from whichcore.analysis.materials import Library, Material
from whichcore.analysis.permeability import impedance_of
from whichcore.analysis.types import ImpedanceSweep
from whichcore.files import load_specimen, write_sweep
from whichcore.workflow import Request, identify_files

TIME_GATE, MEMORY_GATE, KEPT_KIB = 1.1, 1.05, 1.0
TRACED, FEW = 100, 12
#: What functools.cache makes of a function: it keeps so many of the last results.
CACHE = type(functools.cache(abs))
NOISE = 0.01
CARD = """[core]
shape = "ring"
outer_diameter = "25.0 mm"
inner_diameter = "15.0 mm"
height = "10.0 mm"
dimension_uncertainty = "0.05 mm"
[winding]
turns = 10
wire_diameter = "0.4 mm"
wire_length = "0.4 m"
"""


def store(folder: Path, library: Library, sweeps: int, points: int) -> list[Path]:
    """Write sweeps of cores of the library's grades, each with level and noise of its own."""
    (folder / "ring.toml").write_text(CARD, encoding="utf-8")
    specimen, rng = load_specimen(folder / "ring.toml"), np.random.default_rng(1)
    usable = [m for m in library.materials if m.frequency_hz[0] <= 1e5 and m.frequency_hz[-1] >= 1e6]
    paths = []
    for k in range(sweeps):
        material = usable[k % len(usable)]
        frequency, mu = _curve(material, points)
        z = impedance_of(mu * np.exp(0.1 * rng.normal()), frequency, specimen)
        scatter = (NOISE * np.abs(z))[:, None, None] ** 2 * np.eye(2)
        noise = NOISE * np.abs(z) * (rng.normal(size=z.size) + 1j * rng.normal(size=z.size))
        paths.append(folder / f"core-{k:05d}.csv")
        write_sweep(paths[-1], ImpedanceSweep(frequency, z + noise, scatter))
    return paths


def _curve(material: Material, points: int) -> tuple[np.ndarray, np.ndarray]:
    """Return 10 kHz to 3 MHz, or as far as the curve goes, and the curve there."""
    low, high = max(1e4, material.frequency_hz[0]), min(3e6, material.frequency_hz[-1])
    frequency = np.round(np.geomspace(low, high, points), 3)
    x, own = np.log(frequency), np.log(material.frequency_hz)
    rows = np.log(material.permeability)
    return frequency, np.exp(np.interp(x, own, rows.real) + 1j * np.interp(x, own, rows.imag))


def judged(paths: list[Path], library: Library) -> Iterator[tuple[float, str]]:
    """Yield the processor time of each sweep, and its verdict in a line."""
    for path in paths:
        start = time.process_time()
        case = identify_files(Request(path.with_name("ring.toml"), path), library)
        line = f"{path.name}: {case.verdict.kind.value} {case.verdict.probability:.2f}"
        yield time.process_time() - start, line


def held_kib() -> float:
    """Return what Python holds beside what is kept of the last bands, which is as large as these."""
    for kept in gc.get_objects():
        if isinstance(kept, CACHE) and kept.__module__.startswith("whichcore."):
            kept.cache_clear()
    gc.collect()
    return tracemalloc.get_traced_memory()[0] / 1024


def traced(paths: list[Path], library: Library) -> tuple[float, float]:
    """Return what is held after a tenth of some sweeps, and what each further one adds, KiB."""
    tracemalloc.start()
    held = [held_kib() for turn, _ in enumerate(judged(paths, library), 1) if turn in _marks(len(paths))]
    tracemalloc.stop()
    first, last = _marks(len(paths))
    return held[0], (held[-1] - held[0]) / (last - first)


def _marks(count: int) -> tuple[int, int]:
    return max(count // 10, 2), count


def timed(paths: list[Path], library: Library) -> tuple[float, float, float]:
    """Return the median time over the first tenth and the second half, and by how much the process grew."""
    tenth, _ = _marks(len(paths))
    spans, early = [], 1.0
    for turn, (span, _) in enumerate(judged(paths, library), start=1):
        spans.append(span)
        if turn == tenth:
            early = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    late = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    return statistics.median(spans[:tenth]), statistics.median(spans[len(spans) // 2 :]), late / early


def per_curve(paths: list[Path], library: Library) -> float:
    """Return the median processor time of a sweep for each curve, caches warm."""
    spans = [span for span, _ in judged(paths, library)]
    return statistics.median(spans[1:]) / len(library.materials)


def main() -> int:
    """Store, judge, print, and judge by the gates."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--sweeps", type=int, default=10_000)
    parser.add_argument("--curves", type=int, default=100)
    parser.add_argument("--points", type=int, default=60)
    asked = parser.parse_args()
    library = extended(whichcore.load_library("open"), asked.curves)
    half = Library(library.materials[: asked.curves // 2])
    print(f"{platform.machine()}, Python {platform.python_version()}, numpy {np.__version__}")
    with tempfile.TemporaryDirectory() as folder:
        paths = store(Path(folder), library, asked.sweeps, asked.points)
        whole, part = (per_curve(paths[:FEW], some) for some in (library, half))
        first, second, grown = timed(paths, library)
        early, kept = traced(paths[:TRACED], library)
    times, curves = second / first, whole / part
    print(f"{asked.sweeps} sweeps of {asked.points} points x {asked.curves} curves")
    print(
        f"time per sweep     {first * 1e3:8.1f}, {second * 1e3:.1f} ms: ratio {times:.3f} (gate {TIME_GATE})"
    )
    print(f"largest resident   ratio {grown:.3f} (gate {MEMORY_GATE})")
    print(f"held               {early:8.0f} KiB, and {kept:.3f} KiB for each further sweep (gate {KEPT_KIB})")
    print(
        f"time per curve     {part * 1e6:8.1f}, {whole * 1e6:.1f} us: ratio {curves:.3f} (gate {TIME_GATE})"
    )
    flat = kept <= KEPT_KIB and grown <= MEMORY_GATE
    return 0 if flat and times <= TIME_GATE and curves <= TIME_GATE else 1


if __name__ == "__main__":
    sys.exit(main())
