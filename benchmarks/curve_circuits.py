"""Circuits of positive parts near a curve of μ, with the loss fitted as closely as the permeability.

Where loss is small a fit of |Δμ|/|μ| lets μ″ go where it will: 1 % of |μ| is all the loss there is at a tan δ
of 0.01. A circuit for the judge to name has to have the grade's loss too, so both parts are weighted by their
own size here. The fit is held between the points of a curve as well: resonances as narrow as the points lie
apart would go through every one of them and ring in between.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from scipy.optimize import least_squares, nnls

from whichcore.analysis.types import ComplexArray, FloatArray

Term = tuple[float, ...]  # (χ, Hz) of a relaxation, (χ, Hz, Q) of a wall resonance
MOST_TERMS, STEPS = 20, 60
DENSE = 160  # points the fit is held to, at least
LEAST_LOSS = 0.002  # of |μ|: below it a curve read off a sheet says nothing of the loss
RELAXATIONS, WALLS = 40, 70
QUALITIES = (0.5, 0.7, 1.0, 1.5, 2.5, 4.0, 6.0, 10.0)
FREEDOM = 2.0  # a refined element stays within e^±this of where it started


@dataclass(frozen=True, slots=True)
class Fitted:
    """A circuit and what is left between it and the curve.

    Attributes
    ----------
    terms : list of tuple
    residual : float
        Rms of |Δμ|/|μ|.
    loss_residual : float
        Rms of Δμ″ over μ″, where μ″ is not below 0.2 % of |μ|; over those there.
    """

    terms: list[Term]
    residual: float
    loss_residual: float


def law(f: FloatArray, places: Term) -> ComplexArray:
    """Return 1/(1 + jf/f_r), or 1/(1 − (f/f0)² + jf/(f0 Q))."""
    if len(places) == 1:
        return np.asarray(1 / (1 + 1j * f / places[0]))
    centre, quality = places
    return np.asarray(1 / (1 - (f / centre) ** 2 + 1j * f / (centre * quality)))


def model(f: FloatArray, terms: list[Term]) -> ComplexArray:
    """Return μ of a circuit, (F,)."""
    return np.asarray(1 + sum(chi * law(f, tuple(places)) for chi, *places in terms), dtype=np.complex128)


def fit(f: FloatArray, mu: ComplexArray) -> Fitted:
    """Fit a circuit to a curve.

    Parameters
    ----------
    f : float array (F,)
    mu : complex array (F,)
        μ′ − jμ″.
    """
    f, mu = _dense(f, mu)
    size = np.abs(mu)
    floor = np.maximum(-mu.imag, LEAST_LOSS * size)

    def off(got: ComplexArray) -> FloatArray:
        return np.concatenate([(got - mu).real / size, (got - mu).imag / floor])

    terms = _refined(f, _start(f, mu, size, floor), off)
    got = model(f, terms)
    return Fitted(
        terms,
        float(np.sqrt(np.mean(np.abs((got - mu) / mu) ** 2))),
        float(np.sqrt(np.mean(((got - mu).imag / floor) ** 2))),
    )


def _dense(f: FloatArray, mu: ComplexArray) -> tuple[FloatArray, ComplexArray]:
    """Return a curve with points between its own, straight over ln f."""
    between = np.geomspace(f[0], f[-1], DENSE)[1:-1]
    every = np.unique(np.concatenate([f, between]))
    real, loss = (np.interp(np.log(every), np.log(f), part) for part in (mu.real, -mu.imag))
    return every, np.asarray(real - 1j * loss)


def _start(f: FloatArray, mu: ComplexArray, size: FloatArray, floor: FloatArray) -> list[Term]:
    """Return the largest terms of a non-negative fit on a coarse grid of corners."""
    grid: list[Term] = [(float(c),) for c in np.geomspace(f[0] / 3, 20 * f[-1], RELAXATIONS)]
    grid += [(float(c), q) for c in np.geomspace(f[-1] / 100, 6 * f[-1], WALLS) for q in QUALITIES]
    columns = np.array([law(f, places) for places in grid]).T
    stacked = np.vstack([columns.real / size[:, None], columns.imag / floor[:, None]])
    target = np.concatenate([(mu - 1).real / size, mu.imag / floor])
    chi, _ = nnls(stacked, target)
    largest = np.argsort(-chi * np.linalg.norm(stacked, axis=0))[:MOST_TERMS]
    return [(float(chi[k]), *grid[k]) for k in largest if chi[k] > 0]


def _refined(f: FloatArray, terms: list[Term], off: Callable[[ComplexArray], FloatArray]) -> list[Term]:
    """Return the terms after a least-squares fit of the logarithms of their elements."""
    ends = np.cumsum([len(term) for term in terms])[:-1]

    def unpack(x: FloatArray) -> list[Term]:
        return [tuple(map(float, part)) for part in np.split(np.exp(x), ends)]

    first = np.log(np.concatenate([np.array(term) for term in terms]))
    found = least_squares(
        lambda x: off(model(f, unpack(x))),
        first,
        bounds=(first - FREEDOM, first + FREEDOM),
        max_nfev=STEPS,
    )
    return unpack(found.x)
