"""The reference curves' loss against measured loss of real cores: an outside check of the open collection.

A published data set of core loss (package mag-net, MIT, read with h5py; a benchmark's data, never the
product's) holds sinusoidal loss of ten grades at 25 °C from some 8 mT up, 50 to 500 kHz. A peak flux density
B loses P = π f B² μ″/(μ0 |μ|²) in a volume, so μ0 P/(π f B²), carried on from the lowest fields to none, is
the μ″/|μ|² of the initial permeability, which no gap changes. It is compared with the screened curves from
150 to 450 kHz, as they stand and as a core of the measured section would show them: the data name the shape
of each core, the curves are taken to be of the section that the judge supposes (`SECTION_M`), and the
dielectric is the published table. Frequencies whose limit is less than a third of the lowest reading are left
out: the field does not reach low enough to tell it.

    pip install --no-deps mag-net h5py
    python benchmarks/low_field_loss.py [--each] [--json FILE]

Gate (exit 1 when missed; 2 without the packages): the median over the power grades, sections worked out, is
within a factor 1.5. A power grade is one of which the open collection says that it is for power; the others
are printed beside them and do not count. Grades beyond the factor are named.
"""

from __future__ import annotations

import argparse
import json
import re
import sys
from importlib import metadata
from pathlib import Path

import numpy as np

import whichcore
from whichcore.analysis.materials import Library, Material
from whichcore.analysis.ringing_candidates import SECTION_M
from whichcore.analysis.section_prior import inner_permeability, log_section_factor

LOW_HZ, HIGH_HZ = 150e3, 450e3
#: Fields the limit is taken from: up to this many times the lowest at each frequency.
SPAN, LEAST_POINTS = 3.5, 5
#: A lowest field above this says too little of the limit, T.
LOW_FIELD_T = 13e-3
EXPONENTS = np.linspace(1, 2, 11)
FACTOR, TOLD = 1.5, 1 / 3
RING_SIZES = 3  # two diameters and the height
POWER = "power"
MU0 = 4e-7 * np.pi
PACKAGE, SUFFIX = "mag-net", "_database.h5"
#: Outer legs and back of the one core that is no ring, an E of 32 mm. Memory: IEC 61860.
E_SECTION_M = (3.2e-3, 20.3e-3)
_AS_THE_TABLE = np.ones((1, 1)), np.ones((1, 1))


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


def section(path: Path) -> tuple[float, float] | None:
    """Return the sides of the section of the measured core, m, from its shape: "R20.0X10.0X7.0".

    None where the data give the maker's number of a part in place of a shape.
    """
    import h5py  # noqa: PLC0415 - an optional package of this benchmark alone

    with h5py.File(path) as file:
        text = file["dataframe"].attrs["metadata"].decode("latin1")
    shape = re.search(r"core_shape\np\d+\nV(\S+)", text)[1]
    sizes = [1e-3 * float(size) for size in re.findall(r"[\d.]+", shape)]
    if shape.startswith("E"):
        return E_SECTION_M
    return ((sizes[0] - sizes[1]) / 2, sizes[2]) if len(sizes) == RING_SIZES else None


def shown(material: Material, sides_m: tuple[float, float]) -> np.ndarray:
    """Return the curve as a core of a section shows it."""
    f, mu = material.frequency_hz, material.permeability
    inner = inner_permeability(f, mu[None], SECTION_M, _AS_THE_TABLE)[0]
    return np.asarray(inner * np.exp(log_section_factor(f, inner, sides_m, _AS_THE_TABLE)))[0]


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


def loss_of(material: Material, curve: np.ndarray, frequency_hz: float) -> float:
    """Return μ″/|μ|² of a curve."""
    mu = np.interp(np.log(frequency_hz), np.log(material.frequency_hz), curve)
    return float(-mu.imag / abs(mu) ** 2)


def compare(material: Material, records: np.ndarray, sides_m: tuple[float, float]) -> list[dict[str, float]]:
    """Measured over reference at each frequency."""
    rows = []
    seen = shown(material, sides_m)
    for f in np.unique(records[:, 0]):
        inside = LOW_HZ <= f <= HIGH_HZ and material.frequency_hz[0] <= f <= material.frequency_hz[-1]
        at = records[records[:, 0] == f]
        if not inside or len(at) < LEAST_POINTS or at[:, 1].min() > LOW_FIELD_T:
            continue
        level = limit(at[:, 1], at[:, 2], float(f))
        if np.isnan(level):
            continue
        rows.append(
            {
                "frequency_hz": float(f),
                "lowest_t": float(at[:, 1].min()),
                "measured": level,
                "as it stands": level / loss_of(material, material.permeability, f),
                "ratio": level / loss_of(material, seen, f),
            }
        )
    return rows


def compare_all(files: dict[str, Path], library: Library, *, each: bool) -> dict[str, list[dict[str, float]]]:
    """Compare every grade that both sides hold, and print it."""
    result = {}
    for material in library.materials:
        path = files.get(material.id.split("-")[-1])
        sides_m = section(path) if path else None
        if path and sides_m is None:
            print(f"{material.id:24} left out: the data name no shape of its core")
        rows = compare(material, sinusoidal(path), sides_m) if path and sides_m else []
        if not rows:
            continue
        ratio, plain = (np.array([row[key] for row in rows]) for key in ("ratio", "as it stands"))
        result[material.id] = rows
        print(
            f"{material.id:24} {len(rows):3} frequencies, measured/reference {np.median(ratio):.2f}"
            f" ({ratio.min():.2f} to {ratio.max():.2f}), as it stands {np.median(plain):.2f}"
            f"{'' if POWER in material.applications else ', no power grade'}"
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
    library = whichcore.load_library("open")
    result = compare_all(files, library, each=options.each)
    if options.json:
        options.json.write_text(json.dumps(result, indent=1))
    medians = {name: float(np.median([row["ratio"] for row in rows])) for name, rows in result.items()}
    power = [ratio for name, ratio in medians.items() if POWER in library[name].applications]
    middle, overall = (float(np.median(some or [np.nan])) for some in (power, list(medians.values())))
    beyond = [f"{name} {ratio:.2f}" for name, ratio in medians.items() if not _near(ratio)]
    print(
        f"{len(medians)} grades, median of their ratios {overall:.2f}; beyond {FACTOR}: {', '.join(beyond)}"
    )
    print(f"{len(power)} power grades, median {middle:.2f}")
    print("gates passed" if _near(middle) else "a gate was missed")
    return 0 if _near(middle) else 1


def _near(ratio: float) -> bool:
    return 1 / FACTOR <= ratio <= FACTOR


if __name__ == "__main__":
    sys.exit(main())
