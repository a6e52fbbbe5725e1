"""Invented cores of known grade, by laws that share no code with the judge.

A core takes the curve of a grade, scales it (±25 % at 2σ), moves its corner by −p ln s + ε (ε of 10 %), makes
μ′ and μ″ deviate by five cosines of random phase, and is wound. Beyond that a law may scale the slow and the
fast half of the dispersion separately, give the core a low loss of its own, its own section, coat, crack or
joints.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import nnls

from whichcore.analysis.materials import Material, MaterialClass
from whichcore.analysis.specimen import Core, Pair, Ring, Specimen, Winding
from whichcore.analysis.types import ImpedanceSweep

Floats = NDArray[np.float64]
Complexes = NDArray[np.complex128]

FREQUENCY = np.geomspace(1e3, 3e6, 200)
TOLERANCE, NOISE, DIMENSION, CORNER_SPREAD = 0.25, 0.01, 0.01, 0.10
TURNS, CAPACITANCE = 10, 3e-12
#: 0.4 m of 0.4 mm copper at 17.2 nΩ·m, its spread, and the frequency where skin and neighbours set in.
COPPER_OHM, COPPER_SPREAD, COPPER_HZ = 0.0547, 0.05, 2e5
RING = Ring(25e-3, 15e-3, 10e-3)
PAIR_LENGTH, PAIR_AREA = 75e-3, 100e-6
#: Gap of a cracked ring, and of the two joints of a pair together, m; log-uniform.
GAP_M = (2e-6, 20e-6)
#: Low loss of a core over that of its curve, log-uniform: what measured grades show (low_field_loss.py).
LOSS_RATIO, LOSS_ANGLE = (0.7, 2.1), 0.15
COAT_M, COAT_SPREAD_M = 0.2e-3, 0.06e-3
MU0, EPSILON0 = 4e-7 * np.pi, 8.8541878128e-12


@dataclass(frozen=True)
class Law:
    """How cores of a grade differ; ``exponent`` and ``deviation`` are drawn evenly between two ends."""

    exponent: tuple[float, float] = (0.0, 1.5)
    deviation: tuple[float, float] = (0.03, 0.03)
    separate: bool = False
    lossy: bool = False
    section: bool = False
    coated: bool = False
    cracked: bool = False
    joined: bool = False


@dataclass(frozen=True)
class InventedCore:
    """One core: what the judge gets, and what it is not told."""

    truth: int
    specimen: Specimen
    sweep: ImpedanceSweep
    inductance_10k_h: float
    gap_m: float


def smooth(rng: np.random.Generator, x: Floats, rms: float) -> Floats:
    """Random smooth curve over ln f: five cosines of random phase, not the judge's Gaussian process."""
    span = x[-1] - x[0]
    waves = [
        rng.normal() * np.cos(k * np.pi * (x - x[0]) / span + rng.uniform(0, 2 * np.pi)) for k in range(5)
    ]
    return np.asarray(rms * np.sum(waves, axis=0) / np.sqrt(2.5))


def extended(material: Material, frequency: Floats) -> Complexes:
    """Return the grade's curve, carried on below its start with little loss and above its end as 1/f."""
    x, mu = np.log(material.frequency_hz), material.permeability
    at = np.log(frequency)
    real, loss = np.interp(at, x, mu.real), np.interp(at, x, -mu.imag)
    loss = np.where(at < x[0], loss * np.exp(at - x[0]), loss)
    tail = np.exp(-np.maximum(at - x[-1], 0))
    return np.asarray(real * tail - 1j * loss * tail)


def copper(factor: float = 1.0) -> Floats:
    """Series resistance of the winding over frequency, Ω."""
    return np.asarray(factor * COPPER_OHM * np.sqrt(1 + FREQUENCY / COPPER_HZ))


def wound_impedance(mu: Complexes, l0: float, resistance: Floats | None = None) -> Complexes:
    """Terminal impedance of the wound core: copper, core, winding capacitance."""
    w = 2j * np.pi * FREQUENCY
    series = copper() if resistance is None else resistance
    return np.asarray(1 / (1 / (series + w * l0 * mu) + w * CAPACITANCE))


def ring_l0(outer_m: float, inner_m: float, height_m: float) -> float:
    """Air-core inductance of a ring, μ0 N² h ln(d1/d2)/2π (OpenStax University Physics 2, §14.2)."""
    return float(2e-7 * TURNS**2 * height_m * np.log(outer_m / inner_m))


NOMINAL_L0 = ring_l0(RING.outer_diameter_m, RING.inner_diameter_m, RING.height_m)


def separately_scaled(rng: np.random.Generator, material: Material, exponent: float) -> Complexes:
    """Scale and move the slow and the fast half of the dispersion, each by its own draw.

    The curve is written as a sum of relaxations with positive weights; the ratio of the changed to the
    unchanged sum multiplies the curve, so that what the sum does not reach is kept.
    """
    corners = np.geomspace(1e4, 1e8, 33)
    terms = 1 / (1 + 1j * FREQUENCY[:, None] / corners)
    mu = extended(material, FREQUENCY)
    weigh = 1 / np.abs(mu)
    rows = np.concatenate([(terms.real.T * weigh).T, (terms.imag.T * weigh).T])
    weights, _ = nnls(rows, np.concatenate([mu.real * weigh, mu.imag * weigh]))
    slow = np.cumsum(weights) <= weights.sum() / 2
    changed = np.zeros(FREQUENCY.size, dtype=np.complex128)
    for half in (slow, ~slow):
        log_scale = TOLERANCE / 2 * rng.normal()
        corner = np.exp(-exponent * log_scale + CORNER_SPREAD * rng.normal())
        changed += np.exp(log_scale) * (
            weights[half] / (1 + 1j * FREQUENCY[:, None] / (corners[half] * corner))
        ).sum(axis=1)
    return np.asarray(mu * changed / (terms @ weights))


def section_factor(mu: Complexes, sides_m: tuple[float, float], own: tuple[float, float]) -> Complexes:
    """Mean field in a rectangle over that on its surface, as a double sine series (derived here).

    ∇²H + k²H = 0 with H = 1 on the edge: F = 1 + Σ 64 k²/{π⁴ m² n² (k_mn² − k²)} over odd m, n. The
    dielectric follows ε = 1.11·10⁵ (f/0.1 MHz)^−0.15 and σ = 0.1 + 0.2 (f/0.1 MHz)^0.7 S/m, drawn through
    the table of Guillod, Roberts & Sullivan, IEEE APEC 2024; ``own`` multiplies them.
    """
    omega, f5 = 2 * np.pi * FREQUENCY, FREQUENCY / 1e5
    epsilon = own[0] * 1.11e5 * f5**-0.15 * EPSILON0 - 1j * own[1] * (0.1 + 0.2 * f5**0.7) / omega
    k2 = omega**2 * MU0 * mu * epsilon
    odd = np.arange(1, 60, 2)
    m, n = odd[:, None], odd[None, :]
    modes = (np.pi * m / sides_m[0]) ** 2 + (np.pi * n / sides_m[1]) ** 2
    weight = 64 / (np.pi**4 * (m * n) ** 2)
    terms = weight * k2[:, None, None] / (modes - k2[:, None, None])
    return np.asarray(1 + terms.sum(axis=(1, 2)))


def own_low_loss(rng: np.random.Generator, mu: Complexes) -> Complexes:
    """Multiply the loss where it is small; near the peak it stays."""
    ratio = rng.uniform(*np.log(LOSS_RATIO))
    small = 1 / (1 + (mu.imag / mu.real / LOSS_ANGLE) ** 2)
    return np.asarray(mu.real + 1j * mu.imag * np.exp(ratio * small))


def of_the_material(
    mu: Complexes, sides_m: tuple[float, float], own: tuple[float, float]
) -> Complexes | None:
    """Take the section off a measured permeability, μ = measured/F(μ); None where no passive μ does so."""
    inner = mu
    for _ in range(40):
        step = mu / section_factor(inner, sides_m, own)
        inner = np.asarray(inner + 0.5 * (step - inner))
    converged = np.abs(step / inner - 1).max() < 1e-3
    return inner if converged and inner.imag.max() <= 0 else None


def _own_section(rng: np.random.Generator, mu: Complexes, ring: Ring) -> Complexes:
    """Replace the unknown section of the reference, 2 to 6 mm or less, by the core's own.

    A reference whose curve no passive material shows in the section drawn had a smaller one.
    """
    draws = np.exp(0.5 * rng.normal(size=2))
    own = float(draws[0]), float(draws[1])
    a, b = np.exp(rng.uniform(np.log(2e-3), np.log(6e-3), size=2))
    inner = None
    while inner is None:
        inner = of_the_material(mu, (a, b), own) if min(a, b) > 0.2e-3 else mu
        a, b = 0.7 * a, 0.7 * b
    sides = (ring.outer_diameter_m - ring.inner_diameter_m) / 2, ring.height_m
    return np.asarray(inner * section_factor(inner, sides, own))


def _core(rng: np.random.Generator, law: Law) -> tuple[Core, dict[str, float], float, float]:
    """Draw the core: as stated, its uncertainties, its true L0, and its magnetic length."""
    if law.joined:
        c1 = PAIR_LENGTH / PAIR_AREA
        core = Pair(c1, PAIR_LENGTH / PAIR_AREA**2, 2)
        l0 = MU0 * TURNS**2 / (c1 * (1 + 2 * DIMENSION * rng.normal()))
        return core, {"c1_per_m": 2 * DIMENSION * c1}, l0, PAIR_LENGTH
    size = np.exp(rng.uniform(np.log(0.4), np.log(2.5))) if law.section else 1.0
    dimensions = size * np.array([RING.outer_diameter_m, RING.inner_diameter_m, RING.height_m])
    true = dimensions * (1 + DIMENSION * rng.normal(size=3))
    names = "outer_diameter_m", "inner_diameter_m", "height_m"
    uncertainty = dict(zip(names, map(float, DIMENSION * dimensions), strict=True))
    coat, stated = 0.0, 0.0
    if law.coated:
        coat, stated = rng.uniform(0.1e-3, 0.3e-3), COAT_M
        uncertainty["coating_thickness_m"] = COAT_SPREAD_M
    l0 = ring_l0(true[0] - 2 * coat, true[1] + 2 * coat, true[2] - 2 * coat)
    ring = Ring(*map(float, dimensions), coating_thickness_m=stated)
    return ring, uncertainty, l0, float(np.pi * (true[0] - true[1]) / np.log(true[0] / true[1]))


def draw(rng: np.random.Generator, materials: tuple[Material, ...], truth: int, law: Law) -> InventedCore:
    """Invent one core of a grade, and measure it with 1 % noise on each component."""
    x, material = np.log(FREQUENCY), materials[truth]
    exponent, deviation = rng.uniform(*law.exponent), rng.uniform(*law.deviation)
    if law.separate:
        mu = separately_scaled(rng, material, exponent)
    else:
        log_scale = TOLERANCE / 2 * rng.normal()
        corner = -exponent * log_scale + CORNER_SPREAD * rng.normal()
        mu = np.exp(log_scale) * extended(material, FREQUENCY * np.exp(-corner))
    mu = mu.real * (1 + smooth(rng, x, deviation)) + 1j * mu.imag * (1 + smooth(rng, x, deviation))
    if law.lossy:
        mu = own_low_loss(rng, mu)
    core, uncertainty, l0, length = _core(rng, law)
    if law.section and isinstance(core, Ring) and material.material_class is MaterialClass.MNZN:
        mu = _own_section(rng, mu, core)
    gap = float(np.exp(rng.uniform(*np.log(GAP_M)))) if law.cracked or law.joined else 0.0
    mu = 1 / (1 / mu + gap / length)
    z = wound_impedance(mu, l0, copper(float(np.exp(COPPER_SPREAD * rng.normal()))))
    inductance = float(np.interp(np.log(1e4), x, z.imag / (2 * np.pi * FREQUENCY)))
    scatter = (NOISE * np.abs(z))[:, None, None] ** 2 * np.eye(2)
    z = z + NOISE * np.abs(z) * (rng.normal(size=z.size) + 1j * rng.normal(size=z.size))
    winding = Winding(TURNS, wire_diameter_m=0.4e-3, wire_length_m=0.4, capacitance_f=CAPACITANCE)
    specimen = Specimen(core, winding, dimension_uncertainties_m=uncertainty)
    return InventedCore(truth, specimen, ImpedanceSweep(FREQUENCY, z, scatter), inductance, gap)
