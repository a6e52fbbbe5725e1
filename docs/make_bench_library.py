"""Make the workshop's own references for the cores it sweeps on the virtual bench in the demonstration.

Each is the curve of a known piece of the same grade, swept before: the circuit of the virtual core with
another permeability, another corner, and without a crack. No dispersion formula is used. Run
``python docs/make_bench_library.py`` to write the files again; the same bytes come out.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from whichcore.rig.virtual import core
from whichcore.rig.virtual.cores import Core

TARGET = Path(__file__).resolve().parent.parent / "src" / "whichcore" / "demo_bins" / "bench_library"
FREQUENCY_HZ = np.geomspace(2e3, 5e6, 61)


@dataclass(frozen=True)
class Piece:
    """The known piece: its grade as the workshop calls it, and how it differs from the one on the bench."""

    core: str
    id: str
    name: str
    material_class: str
    scale: float
    corner: float


PIECES = (
    Piece("bin-h", "shop-power-h", "Shop power H, the big charger", "MnZn", 1.06, 0.96),
    Piece("bin-i", "shop-power-i", "Shop power I, the fast charger", "MnZn", 0.95, 1.04),
    Piece("bin-l", "shop-dust-l", "Shop dust L, output chokes", "alloy-powder", 1.03, 1.0),
)


def other_piece(item: Core, scale: float, corner: float) -> Core:
    """Return a sound core of the grade with its own permeability and corner."""
    return replace(
        item,
        relaxations=tuple((scale * chi, corner * hz) for chi, hz in item.relaxations),
        walls=tuple((scale * chi, corner * hz, q) for chi, hz, q in item.walls),
        spins=tuple((scale * k, corner * hz, alpha) for k, hz, alpha in item.spins),
        gap_m=0.0,
    )


def files(piece: Piece) -> dict[str, str]:
    """Return the two files of a piece by name."""
    item = other_piece(core(piece.core), piece.scale, piece.corner)
    air = item.body.air_inductance(1)
    impedance = item.impedance_port(1).impedance(2j * np.pi * FREQUENCY_HZ)
    mu = impedance / (2j * np.pi * FREQUENCY_HZ * air)
    rows = [f"{f:.6g},{m.real:.6g},{-m.imag:.6g}" for f, m in zip(FREQUENCY_HZ, mu, strict=True)]
    card = item.card
    outer, inner, height = (
        float(str(card[key]).split()[0]) for key in ("outer_diameter", "inner_diameter", "height")
    )
    head = (
        f'id = "{piece.id}"\nname = "{piece.name}"\nclass = "{piece.material_class}"\n'
        f"initial_permeability = {round(mu.real[0], -1 if mu.real[0] > 300 else 0):g}\n"
        f'tolerance = "20 %"\ncurve = "{piece.id}.csv"\n'
        'source = "Invented for the demonstration: computed from a circuit by docs/make_bench_library.py."\n'
        'licence = "MIT"\ntemperature = "25.0 degC"\n'
        f'section = "{(outer - inner) / 2:.3g} mm x {height:.3g} mm"\n'
    )
    curve = "frequency_hz,mu_real,mu_imag\n" + "".join(f"{row}\n" for row in rows)
    return {f"{piece.id}.toml": head, f"{piece.id}.csv": curve}


def main() -> None:
    """Write every piece."""
    for piece in PIECES:
        for name, text in files(piece).items():
            (TARGET / name).write_text(text, encoding="utf-8")


if __name__ == "__main__":
    main()
