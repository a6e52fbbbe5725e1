"""Work out what each error model is worth on the virtual bench, and write the tables into the reference.

The circuit of the virtual bench gives the voltages of standards and coils, in process, without noise and with
the ranges of both channels tied; shunt and standards are what their labels say. So the error is that of the
model and of the labels alone. Run ``python docs/make_error_model_table.py`` to write the tables again.
"""

from __future__ import annotations

import re
from pathlib import Path

import numpy as np

from whichcore.analysis.types import ComplexArray, FloatArray, PhasorPair, Wiring
from whichcore.analysis.uncertainty import point_covariance
from whichcore.bench import load_bench
from whichcore.calibration.error_model import ErrorModel
from whichcore.calibration.fingerprint import Fingerprint
from whichcore.calibration.open_short import OpenShort
from whichcore.calibration.open_short_load import OpenShortLoad
from whichcore.calibration.ratio import Ratio
from whichcore.calibration.setup import Measured, Setup
from whichcore.rig.virtual import Setup as Circuit
from whichcore.rig.virtual import fixture, node_voltages
from whichcore.rig.virtual.fixtures import Fixture
from whichcore.rig.virtual.oneport import Inductor, Resistor, series

TARGET = Path(__file__).resolve().parent / "reference" / "error-models.md"
BEGIN, END = "<!-- tables: docs/make_error_model_table.py -->", "<!-- end of tables -->"
FREQUENCY_HZ = np.array([1e4, 1e5, 1e6, 3e6])
SHOWN = ("10 kHz", "100 kHz", "1 MHz", "3 MHz")
SIZES_OHM = (1.0, 10.0, 100.0, 1000.0)
QUALITY = 10.0  # of the coil: X/R
MODELS: dict[str, tuple[type[ErrorModel], tuple[str, ...]]] = {
    "`ratio`": (Ratio, ()),
    "`open-short`": (OpenShort, ("open", "short")),
    "`open-short-load`": (OpenShortLoad, ("open", "short", "load")),
    "the same and a capacitor": (OpenShortLoad, ("open", "short", "load", "capacitor")),
}


def read(wiring: Wiring, part: Fixture, frequency_hz: FloatArray) -> PhasorPair:
    """Return the voltages at the nodes of both channels, without noise."""
    a, b = node_voltages(Circuit(wiring, part), frequency_hz, 1.0)
    return PhasorPair(frequency_hz, a, b, np.zeros((frequency_hz.size, 4, 4)))


def solved(wiring: Wiring, name: str) -> ErrorModel:
    """Return a model calibrated with the labels of the virtual bench."""
    settings = load_bench("virtual")
    kind, parts = MODELS[name]
    shunt = None if kind is OpenShortLoad else settings.shunt
    readings = [
        Measured(settings.standards[part], read(wiring, fixture(part), FREQUENCY_HZ)) for part in parts
    ]
    return kind.solve(readings, Setup(Fingerprint(wiring), FREQUENCY_HZ, shunt=shunt))


def coil(size_ohm: float, frequency_hz: float) -> tuple[Fixture, complex]:
    """Return a coil of a given |Z| at one frequency, and its impedance there."""
    ohm = size_ohm / np.hypot(1.0, QUALITY)
    z = complex(ohm, QUALITY * ohm)
    part = series(Resistor(z.real), Inductor(z.imag / (2 * np.pi * frequency_hz)))
    return Fixture(f"coil of {size_ohm:g} ohm", part), z


def errors(wiring: Wiring, name: str, size_ohm: float) -> tuple[FloatArray, FloatArray]:
    """Return |error|/|Z| and the stated uncertainty of both components over |Z|, (F,) each."""
    model = solved(wiring, name)
    found: ComplexArray = np.empty(FREQUENCY_HZ.size, dtype=complex)
    stated = np.empty(FREQUENCY_HZ.size)
    truth = found.copy()
    for at, frequency_hz in enumerate(FREQUENCY_HZ):
        part, truth[at] = coil(size_ohm, frequency_hz)
        here = FREQUENCY_HZ[at : at + 1]
        sweep = model.correct(read(wiring, part, here))
        found[at] = sweep.impedance_ohm[0]
        stated[at] = np.sqrt(np.trace(point_covariance(sweep.scatter, sweep.sources)[0]))
    return np.abs(found / truth - 1), stated / size_ohm


def percent(share: float) -> str:
    """Return a share in per cent with two digits, never with an exponent."""
    value = float(f"{100 * share:.2g}")
    digits = max(0, 1 - int(np.floor(np.log10(value)))) if value > 0 else 0
    return f"{value:.{digits}f}"


def table(wiring: Wiring) -> str:
    """Return the table of a wiring."""
    lines = [
        f"`{wiring}`:",
        "",
        "| \\|Z\\| | model | " + " | ".join(SHOWN) + " |",
        "|---|---" * 1 + "|---" * len(SHOWN) + "|",
    ]
    for size_ohm in SIZES_OHM:
        for name in MODELS:
            off, stated = errors(wiring, name, size_ohm)
            cells = [f"{percent(e)} ({percent(u)})" for e, u in zip(off, stated, strict=True)]
            lines.append(f"| {size_ohm:g} Ω | {name} | " + " | ".join(cells) + " |")
    return "\n".join(lines)


def text() -> str:
    """Return what stands between the marks."""
    tables = "\n\n".join(table(wiring) for wiring in (Wiring.SHUNT_AT_GROUND, Wiring.SPECIMEN_AT_GROUND))
    return f"{BEGIN}\n\n{tables}\n\n{END}"


def kept() -> str:
    """Return what the page holds between the marks."""
    found = re.search(f"{re.escape(BEGIN)}.*{re.escape(END)}", TARGET.read_text(encoding="utf-8"), re.DOTALL)
    return found.group() if found else ""


if __name__ == "__main__":
    page = TARGET.read_text(encoding="utf-8")
    TARGET.write_text(page.replace(kept(), text()), encoding="utf-8")
