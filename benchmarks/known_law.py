"""The posterior of somebody who knows the law the cores were drawn by: the ceiling for any judge.

First every grade is scored on a grid of corner shifts with everything else linear in ln μ; the grades that
come near are then integrated by importance sampling over all that was drawn: scale, corner, dimensions,
copper and the 18 numbers of the ten cosine waves, with the exact model, noise and priors. Proposals are the
Gaussian at the most likely parameters. It shares the curves with the draw, and nothing with the judge.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from scipy.special import k0e, logsumexp

from invented_cores import (
    CAPACITANCE,
    COPPER_SPREAD,
    CORNER_SPREAD,
    DIMENSION,
    FREQUENCY,
    NOISE,
    NOMINAL_L0,
    RING,
    TOLERANCE,
    Complexes,
    Floats,
    InventedCore,
    Law,
    copper,
    extended,
)
from whichcore.analysis.materials import Material

#: Corner shifts of the first look, and its allowance for what is not linear, relative.
SHIFTS, ROUGHNESS = np.arange(-0.9, 0.91, 0.06), 0.02
#: Grades worse than the best by this much at the first look, in ln, are left there; near twins that the look
#: puts in the wrong order were up to 25 apart.
RELEVANT = 80.0
SAMPLES, STEPS, WIDER = 600, 8, 1.15
#: Standard deviation of ln L0: h ln(d1/d2) with each dimension known to 1 %.
GEOMETRY = float(DIMENSION * np.sqrt(1 + 2 / np.log(RING.outer_diameter_m / RING.inner_diameter_m) ** 2))
SCALE, OMEGA_J = TOLERANCE / 2, 2j * np.pi * FREQUENCY
WAVES = 5
#: Parameters, each of unit prior variance but the corner: scale, corner, geometry, copper, cosines of μ′, μ″.
FIRST_WAVE = 4
PARAMETERS = FIRST_WAVE + 2 * (2 * WAVES - 1)


def wave_columns() -> Floats:
    """One constant, then cosine and sine of each further wave; unit coefficients give rms 1, (F, 9)."""
    x = np.log(FREQUENCY)
    u = np.pi * (x - x[0]) / (x[-1] - x[0])
    waves = [np.ones_like(u), *(f(k * u) for k in range(1, WAVES) for f in (np.cos, np.sin))]
    return np.stack(waves, axis=1) / np.sqrt(WAVES)


@dataclass(frozen=True)
class KnownLaw:
    """Posterior over some grades for cores drawn by one law without section, coat, gap or separate terms."""

    materials: tuple[Material, ...]
    law: Law

    def posterior(self, core: InventedCore, rng: np.random.Generator) -> tuple[Floats, float]:
        """Probability of each grade given a sweep, (M,), and the effective samples behind the best one."""
        z = core.sweep.impedance_ohm
        looks = [self._first_look(m, z) for m in self.materials]
        out = np.array([evidence for evidence, _ in looks])
        close = np.flatnonzero(out > out.max() - RELEVANT)
        out[:] = -np.inf
        effective = {}
        for m in close:
            out[m], effective[m] = self._integrated(self.materials[m], z, looks[m][1], rng)
        return np.exp(out - logsumexp(out)), effective[int(out.argmax())]

    def posterior_of_reading(self, permeability_10k: float, noise: float) -> Floats:
        """Probability of each grade given one inductance reading at 10 kHz, (M,).

        The corner does not move the level there, and the deviation is taken as normal.
        """
        levels = np.log([extended(m, np.array([1e4]))[0].real for m in self.materials])
        variance = SCALE**2 + GEOMETRY**2 + self.rms**2 + noise**2
        log = -0.5 * (np.log(permeability_10k) - levels) ** 2 / variance
        return np.asarray(np.exp(log - logsumexp(log)))

    @cached_property
    def rms(self) -> float:
        """Deviation; the law states one."""
        low, high = self.law.deviation
        if low != high:
            raise ValueError("the known law takes one deviation")
        return low

    @cached_property
    def waves(self) -> Floats:
        """Deviation of μ′ or of μ″ for unit coefficients, (F, 9)."""
        return self.rms * wave_columns()

    @cached_property
    def exponents(self) -> Floats:
        """Exponents of the law, evenly spread."""
        low, high = self.law.exponent
        return np.linspace(low, high, 31) if high > low else np.array([low])

    def _first_look(self, material: Material, z: Complexes) -> tuple[float, Floats]:
        """Return evidence on the grid of shifts, all else linear in ln μ, and where to start from."""
        core = 1 / (1 / z - OMEGA_J * CAPACITANCE) - copper()
        mu = extended(material, (FREQUENCY * np.exp(-SHIFTS[:, None])).ravel()).reshape(SHIFTS.size, -1)
        residual = np.log(core / (OMEGA_J * NOMINAL_L0)) - np.log(mu)
        columns = np.concatenate(
            [
                np.full((*mu.shape, 1), np.hypot(SCALE, GEOMETRY), dtype=np.complex128),
                (mu.real / mu)[..., None] * self.waves,
                (1j * mu.imag / mu)[..., None] * self.waves,
            ],
            axis=2,
        )
        rows = np.concatenate([columns.real, columns.imag], axis=1) / ROUGHNESS
        data = np.concatenate([residual.real, residual.imag], axis=1) / ROUGHNESS
        transposed = np.swapaxes(rows, 1, 2)
        matrix = np.eye(rows.shape[2]) + transposed @ rows
        product = (transposed @ data[..., None])[..., 0]
        solved = np.linalg.solve(matrix, product[..., None])[..., 0]
        log = -0.5 * ((data**2).sum(axis=1) - (product * solved).sum(axis=1))
        log = log - 0.5 * np.linalg.slogdet(matrix)[1] - 0.5 * SHIFTS**2 / self._proxy[1, 1]
        best = int(log.argmax())
        start = np.zeros(PARAMETERS)
        start[0], start[1] = solved[best, 0] * SCALE / np.hypot(SCALE, GEOMETRY), SHIFTS[best]
        start[FIRST_WAVE:] = solved[best, 1:]
        return float(logsumexp(log)), start

    @cached_property
    def _proxy(self) -> Floats:
        """Covariance of scale (in its standard deviations) and corner, taken as jointly normal."""
        slope = -SCALE * self.exponents.mean()
        corner = CORNER_SPREAD**2 + SCALE**2 * (self.exponents**2).mean()
        return np.array([[1.0, slope], [slope, corner]])

    def _impedance(self, material: Material, theta: Floats) -> Complexes:
        """Impedance for rows of parameters, (N, F)."""
        shifted = (FREQUENCY * np.exp(-theta[:, 1:2])).ravel()
        mu = extended(material, shifted).reshape(theta.shape[0], -1)
        real, imag = np.split(theta[:, FIRST_WAVE:], 2, axis=1)
        mu = mu.real * (1 + real @ self.waves.T) + 1j * mu.imag * (1 + imag @ self.waves.T)
        level = NOMINAL_L0 * np.exp(SCALE * theta[:, :1] + GEOMETRY * theta[:, 2:3])
        wire = copper() * np.exp(COPPER_SPREAD * theta[:, 3:4])
        return np.asarray(1 / (1 / (wire + OMEGA_J * level * mu) + OMEGA_J * CAPACITANCE))

    def _log_joint(self, material: Material, theta: Floats, z: Complexes) -> Floats:
        """Log of likelihood and prior, but for what all grades share, (N,)."""
        model = self._impedance(material, theta)
        size = NOISE * np.abs(model)
        likelihood = (-0.5 * (np.abs(z - model) / size) ** 2 - 2 * np.log(size)).sum(axis=1)
        corner = theta[:, 1:2] + self.exponents * SCALE * theta[:, :1]
        prior = logsumexp(-0.5 * (corner / CORNER_SPREAD) ** 2, axis=1) - np.log(self.exponents.size)
        prior = prior - 0.5 * (theta[:, [0, 2, 3]] ** 2).sum(axis=1)
        for part in np.split(theta[:, FIRST_WAVE:], 2, axis=1):
            prior = prior + _wave_prior(part / np.sqrt(2))
        return np.asarray(likelihood + prior)

    def _integrated(
        self, material: Material, z: Complexes, start: Floats, rng: np.random.Generator
    ) -> tuple[float, float]:
        """Log evidence by importance sampling, and the effective number of samples."""
        centre, root = self._mode(material, z, start)
        unit = rng.normal(size=(SAMPLES, PARAMETERS))
        theta = centre + np.sqrt(WIDER) * unit @ root.T
        log_proposal = -0.5 * (unit**2).sum(axis=1) - np.log(np.diagonal(root)).sum()
        weight = self._log_joint(material, theta, z) - log_proposal
        effective = np.exp(2 * logsumexp(weight) - logsumexp(2 * weight))
        return float(logsumexp(weight)), float(effective)

    def _mode(self, material: Material, z: Complexes, start: Floats) -> tuple[Floats, Floats]:
        """Most likely parameters under the normal prior, and a root of their covariance."""
        precision = np.eye(PARAMETERS)
        precision[:2, :2] = np.linalg.inv(self._proxy)
        theta, step = start, 1e-4
        for _ in range(STEPS):
            around = np.log(self._impedance(material, np.vstack([theta, theta + step * np.eye(PARAMETERS)])))
            slope = (around[1:] - around[0]) / step
            rest = np.log(z / np.exp(around[0]))
            rows = np.concatenate([slope.real, slope.imag], axis=1).T / NOISE
            data = np.concatenate([rest.real, rest.imag]) / NOISE
            matrix = rows.T @ rows + precision
            theta = theta + np.linalg.solve(matrix, rows.T @ data - precision @ theta)
            theta[1] = np.clip(theta[1], SHIFTS[0], SHIFTS[-1])
        # lower-triangular L with L Lᵀ = matrix⁻¹
        return theta, np.linalg.cholesky(np.linalg.inv(matrix))


def _wave_prior(amplitude: Floats) -> Floats:
    """Log density of the waves' coefficients, (N, 9) to (N,), but for constants.

    A normal amplitude times a cosine of random phase: the constant term has the density
    exp(−x²/4) K0(x²/4), and cosine and sine of a wave together exp(−r²/2)/r (derived here).
    """
    squared = amplitude**2
    radius = squared[:, 1::2] + squared[:, 2::2]
    first = np.log(k0e(squared[:, 0] / 4)) - squared[:, 0] / 2
    return np.asarray(first - 0.5 * (radius + np.log(radius)).sum(axis=1))
