"""Fit circuits to curves of the open collection and print them for rig/virtual/cores.toml, with residuals.

Every element is positive, so each circuit is passive whatever the curve says. No material of the shipped
library was built from these curves. Needs ``pip install "whichcore[curves]"``; run
``python docs/fit_virtual_cores.py`` and compare with the file, ``--check`` prints the residuals alone.
"""

from __future__ import annotations

import sys
from dataclasses import dataclass
from typing import Any

import numpy as np
import PyOpenMagnetics
from numpy.typing import NDArray
from scipy.optimize import least_squares, nnls

Real = NDArray[np.float64]
Complex = NDArray[np.complex128]
WIDEST_HZ = 5.0e6  # the bench ends at 3 MHz
MOST_TERMS = 12


@dataclass(frozen=True)
class Choice:
    """Which curve a bin's circuit is fitted to, and from where: below, the curve failed the screening."""

    curve: str
    low_hz: float


CHOICES = {
    "bin-h": Choice("P41", 22.6e3),
    "bin-i": Choice("N72", 39.8e3),
    "bin-j": Choice("3C98", 100e3),
    "bin-k": Choice("A102", 10e3),
    "bin-m": Choice("K10", 63.0e3),
}


def curve(choice: Choice) -> tuple[Real, Complex]:
    """Return frequency (F,) and μ′ − jμ″ (F,) of a curve on the grid of its μ′."""
    data = PyOpenMagnetics.find_core_material_by_name(choice.curve)["permeability"]["complex"]
    real, imag = (np.array([[p["frequency"], p["value"]] for p in data[k]]) for k in ("real", "imaginary"))
    real, imag = real[np.argsort(real[:, 0])], imag[np.argsort(imag[:, 0])]
    f = real[:, 0]
    keep = (f >= max(imag[0, 0], choice.low_hz)) & (f <= min(imag[-1, 0], WIDEST_HZ))
    f = f[keep]
    mu2 = np.exp(np.interp(np.log(f), np.log(imag[:, 0]), np.log(np.maximum(imag[:, 1], 1e-9))))
    return f, real[keep, 1] - 1j * mu2


def relaxation(f: Real, corner: float) -> Complex:
    """Return 1/(1 + jf/f_r)."""
    return 1 / (1 + 1j * f / corner)


def wall(f: Real, centre: float, quality: float) -> Complex:
    """Return 1/(1 − (f/f0)² + jf/(f0 Q))."""
    return 1 / (1 - (f / centre) ** 2 + 1j * f / (centre * quality))


def start(f: Real, mu: Complex) -> list[tuple[float, ...]]:
    """Return the largest terms of a non-negative fit on a coarse grid of corners."""
    corners = np.geomspace(f[0] / 3, 20 * f[-1], 25)
    grid: list[tuple[float, ...]] = [(c,) for c in corners]
    grid += [(c, q) for c in np.geomspace(f[-1] / 30, 4 * f[-1], 25) for q in (0.7, 1.0, 1.5, 2.5)]
    columns = np.array([relaxation(f, *g) if len(g) == 1 else wall(f, *g) for g in grid]).T
    weighted = columns / np.abs(mu)[:, None]
    target = (mu - 1) / np.abs(mu)
    stacked = np.vstack([weighted.real, weighted.imag])
    chi, _ = nnls(stacked, np.concatenate([target.real, target.imag]))
    weight = chi * np.linalg.norm(stacked, axis=0)
    largest = np.argsort(-weight)[:MOST_TERMS]
    return [(float(chi[k]), *map(float, grid[k])) for k in largest if chi[k] > 0]


def model(f: Real, terms: list[tuple[float, ...]]) -> Complex:
    """Return μ of the terms."""
    mu = np.ones_like(f, dtype=complex)
    for chi, *rest in terms:
        mu += chi * (relaxation(f, *rest) if len(rest) == 1 else wall(f, *rest))
    return mu


def refine(f: Real, mu: Complex, terms: list[tuple[float, ...]]) -> list[tuple[float, ...]]:
    """Return the terms after a least-squares fit of the logarithms of their elements."""
    sizes = [len(term) for term in terms]

    def unpack(x: Real) -> list[tuple[float, ...]]:
        parts = np.split(np.exp(x), np.cumsum(sizes)[:-1])
        return [tuple(map(float, part)) for part in parts]

    def misfit(x: Real) -> Real:
        r = (model(f, unpack(x)) - mu) / np.abs(mu)
        return np.concatenate([r.real, r.imag])

    first = np.log(np.concatenate([np.array(term) for term in terms]))
    return unpack(least_squares(misfit, first, bounds=(first - 3, first + 3)).x)


def rounded(terms: list[tuple[float, ...]]) -> list[tuple[float, ...]]:
    """Return the terms as the file states them, five digits."""
    return [tuple(float(f"{value:.5g}") for value in term) for term in terms]


def residual(f: Real, mu: Complex, terms: list[tuple[float, ...]]) -> float:
    """Return the rms of |Δμ|/|μ|."""
    return float(np.sqrt(np.mean(np.abs((model(f, terms) - mu) / mu) ** 2)))


def fitted(choice: Choice) -> tuple[list[tuple[float, ...]], dict[str, Any]]:
    """Return the rounded terms of a choice, with its residual and span."""
    f, mu = curve(choice)
    terms = rounded(refine(f, mu, start(f, mu)))
    return terms, {"residual": round(residual(f, mu, terms), 4), "low_hz": f[0], "high_hz": f[-1]}


def main(arguments: list[str]) -> None:
    """Print the tables."""
    for name, choice in CHOICES.items():
        terms, fit = fitted(choice)
        sys.stdout.write(
            f"[{name}]  # residual {fit['residual']:.4f}, {fit['low_hz']:.3g} to {fit['high_hz']:.3g} Hz\n"
        )
        if "--check" in arguments:
            continue
        for key, length in (("relaxations", 2), ("walls", 3)):
            rows = sorted([list(term) for term in terms if len(term) == length], reverse=True)
            sys.stdout.write(f"{key} = {rows}\n")
        sys.stdout.write(f"fit = {{ residual = {fit['residual']}, low_hz = {fit['low_hz']:.5g}, "
                         f"high_hz = {fit['high_hz']:.5g} }}\n")  # fmt: skip


if __name__ == "__main__":
    main(sys.argv[1:])
