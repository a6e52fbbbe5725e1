"""The reference curves' loss against measured loss of real cores: an outside check of the open collection.

A published data set of core loss (package mag-net, MIT, read with h5py; a benchmark's data, never the
product's) holds sinusoidal loss of ten grades at 25 °C from some 8 mT up, 50 to 500 kHz. A peak flux density
B loses P = π f B² μ″/(μ0 |μ|²) in a volume, so μ0 P/(π f B²), carried on from the lowest fields to none, is
the μ″/|μ|² of the initial permeability, which no gap changes. It is compared with the screened curves from
150 to 450 kHz. Frequencies whose limit is less than a third of the lowest reading are left out: the field
does not reach low enough to tell it.

    pip install --no-deps mag-net h5py
    python benchmarks/low_field_loss.py [--each] [--json FILE]

Gate (exit 1 when missed; 2 without the packages): the median over the grades within a factor 1.5. Grades
beyond it are named.
"""

from __future__ import annotations

import argparse
import json
import sys
from importlib import metadata
from pathlib import Path

import numpy as np

import whichcore
from whichcore.analysis.materials import Material

LOW_HZ, HIGH_HZ = 150e3, 450e3
#: Fields the limit is taken from: up to this many times the lowest at each frequency.
SPAN, LEAST_POINTS = 3.5, 5
#: A lowest field above this says too little of the limit, T.
LOW_FIELD_T = 13e-3
EXPONENTS = np.linspace(1, 2, 11)
FACTOR, TOLD = 1.5, 1 / 3
MU0 = 4e-7 * np.pi
PACKAGE, SUFFIX = "mag-net", "_database.h5"


def data_files() -> dict[str, Path]:
    """Find the data files of the measured grades, by grade in lower case."""
    files = metadata.distribution(PACKAGE).files or []
    found = [Path(str(file.locate())) for file in files if file.name.endswith(SUFFIX)]
    return {path.name.removesuffix(SUFFIX).lower(): path for path in sorted(found)}


def sinusoidal(path: Path) -> np.ndarray:
    """Frequency in Hz, peak flux density in T and loss in W/m³ of the sinusoidal records, (N, 3)."""
    import h5py  # noqa: PLC0415 - an optional package of this benchmark alone

    with h5py.File(path) as file:
        frame = file["dataframe"]
        names = [name.decode() for name in frame["block0_items"][:]]
        values = frame["block0_values"][:]
    sine = values[:, names.index("Duty_1")] < 0
    return np.asarray(values[sine][:, [names.index(n) for n in ("Frequency", "Flux_Density", "Power_Loss")]])


def limit(flux_t: np.ndarray, loss: np.ndarray, frequency_hz: float) -> float:
    """Zero-field limit of μ″/|μ|²: y = y0 + y1 B^m with the m of 1 to 2 that fits best; NaN where untold.

    Rayleigh's hysteresis loss is linear in B; the grades for high frequency rise more steeply.
    """
    low = flux_t <= SPAN * flux_t.min()
    b, y = flux_t[low], MU0 * loss[low] / (np.pi * frequency_hz * flux_t[low] ** 2)
    fits = []
    for exponent in EXPONENTS:
        rows = np.column_stack([np.ones_like(b), (b / b.min()) ** exponent]) / y[:, None]
        terms = np.linalg.lstsq(rows, np.ones_like(y), rcond=None)[0]
        fits.append((float(((rows @ terms - 1) ** 2).sum()), float(terms[0])))
    level = min(fits)[1]
    return level if level > TOLD * y[b.argmin()] else float("nan")


def compare(material: Material, records: np.ndarray) -> list[dict[str, float]]:
    """Measured over reference at each frequency."""
    rows = []
    x = np.log(material.frequency_hz)
    for f in np.unique(records[:, 0]):
        inside = LOW_HZ <= f <= HIGH_HZ and material.frequency_hz[0] <= f <= material.frequency_hz[-1]
        at = records[records[:, 0] == f]
        if not inside or len(at) < LEAST_POINTS or at[:, 1].min() > LOW_FIELD_T:
            continue
        mu = np.interp(np.log(f), x, material.permeability)
        reference = float(-mu.imag / abs(mu) ** 2)
        level = limit(at[:, 1], at[:, 2], float(f))
        if np.isnan(level):
            continue
        rows.append(
            {
                "frequency_hz": float(f),
                "lowest_t": float(at[:, 1].min()),
                "measured": level,
                "reference": reference,
                "ratio": level / reference,
            }
        )
    return rows


def compare_all(files: dict[str, Path], *, each: bool) -> dict[str, list[dict[str, float]]]:
    """Compare every grade that both sides hold, and print it."""
    result = {}
    for material in whichcore.load_library("open").materials:
        path = files.get(material.id.split("-")[-1])
        rows = compare(material, sinusoidal(path)) if path else []
        if not rows:
            continue
        ratio = np.array([row["ratio"] for row in rows])
        result[material.id] = rows
        print(
            f"{material.id:24} {len(rows):3} frequencies, measured/reference {np.median(ratio):.2f}"
            f" ({ratio.min():.2f} to {ratio.max():.2f})"
        )
        for row in rows if each else []:
            print("    " + "  ".join(f"{key} {value:.4g}" for key, value in row.items()))
    return result


def main() -> int:
    """Compare, print, and judge by the gate."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--each", action="store_true", help="print every frequency")
    parser.add_argument("--json", type=Path)
    options = parser.parse_args()
    try:
        files = data_files()
        import h5py  # noqa: F401, PLC0415
    except (metadata.PackageNotFoundError, ImportError):
        print(f"the measured data are not installed: pip install --no-deps {PACKAGE} h5py", file=sys.stderr)
        return 2
    result = compare_all(files, each=options.each)
    if options.json:
        options.json.write_text(json.dumps(result, indent=1))
    medians = {name: float(np.median([row["ratio"] for row in rows])) for name, rows in result.items()}
    middle = float(np.median(list(medians.values()))) if medians else float("nan")
    beyond = [f"{name} {ratio:.2f}" for name, ratio in medians.items() if not _near(ratio)]
    print(f"{len(medians)} grades, median of their ratios {middle:.2f}; beyond {FACTOR}: {', '.join(beyond)}")
    print("gates passed" if _near(middle) else "a gate was missed")
    return 0 if _near(middle) else 1


def _near(ratio: float) -> bool:
    return 1 / FACTOR <= ratio <= FACTOR


if __name__ == "__main__":
    sys.exit(main())
