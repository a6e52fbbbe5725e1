"""From the impedance at a few small flux densities to that at vanishing field.

Rayleigh's law: at small fields the permeability grows evenly with the field, μ = μi + νH (memory). The
impedance of a winding is then Z(B) = Z0 + kB, and a line through two or three flux densities reaches Z0. How
far that is from a line is not known from the data; Rayleigh's law itself, even in H and thus not quite in B,
says how much to expect: with νH/μi = x, B grows as x + x², and x as B − B² … So a term κB² with
κ = (k/Z0)²Z0 is counted as an error, one standard uncertainty, or what three flux densities show, where that
is clearly more. Derived here.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from whichcore.analysis.types import ComplexArray, ErrorSource, FloatArray, ImpedanceSweep, Scope
from whichcore.errors import AnalysisError

EXTRAPOLATION = "zero-field extrapolation"
LEAST_RATIO = 4.5  # of the flux densities; a sweep aims at more than 5
CLEAR = 2.0  # standard uncertainties from which a bend is believed


def to_zero_field(readings: Sequence[ImpedanceSweep], flux_density_t: Sequence[float]) -> ImpedanceSweep:
    """Extrapolate one frequency to zero field, linearly in B.

    Parameters
    ----------
    readings : sequence of ImpedanceSweep
        One point each, of one frequency, with the same sources.
    flux_density_t : sequence of float
        Peak flux density of each, T.

    Returns
    -------
    ImpedanceSweep
        One point at a flux density of 0. A source common to the readings is carried through the line; one
        common to a range pair only within each pair; `EXTRAPOLATION` is what a bend would do.

    Raises
    ------
    AnalysisError
        Fewer than two flux densities, or too near to each other.
    """
    flux = np.asarray(flux_density_t, dtype=float)
    if (
        flux.size < 2
        or len(readings) != flux.size
        or not flux.min() > 0
        or flux.max() < LEAST_RATIO * flux.min()
    ):
        told = ", ".join(f"{1e3 * b:.3g} mT" for b in flux)
        raise AnalysisError(
            "these flux densities do not lead to zero field",
            where=f"{readings[0].frequency_hz[0]:g} Hz" if readings else "readings",
            got=told or "none",
            allowed=f"two or more, the highest {LEAST_RATIO:g} times the lowest",
        )
    z = np.array([complex(reading.impedance_ohm[0]) for reading in readings])
    scatter = np.array([reading.scatter[0] for reading in readings])
    line = _line_weights(flux, scatter)
    at_zero, slope = complex(line[0] @ z), complex(line[1] @ z)
    bend = _bend(flux, z, scatter, (at_zero, slope)) * float(line[0] @ flux**2)
    extrapolation = ErrorSource(EXTRAPOLATION, Scope.SWEEP, np.array([bend]))
    labels = [reading.range_labels[0] for reading in readings if reading.range_labels]
    return replace(
        readings[-1],
        impedance_ohm=np.array([at_zero]),
        scatter=np.einsum("i,ijk->jk", line[0] ** 2, scatter)[None],
        sources=(*_carried(readings, line[0]), extrapolation),
        flux_density_t=np.array([0.0]),
        range_labels=(" & ".join(dict.fromkeys(labels)),) if labels else None,
    )


def _line_weights(flux: FloatArray, scatter: FloatArray) -> FloatArray:
    """Return the weights (2, K) of the readings in the value at zero and in the slope, by least squares."""
    weight = 1 / np.maximum(np.trace(scatter, axis1=1, axis2=2), 1e-300)
    weight /= weight.max()
    design = np.stack([np.ones_like(flux), flux / flux.max()], axis=1)
    solved = np.linalg.solve(design.T @ (weight[:, None] * design), design.T * weight)
    solved[1] /= flux.max()
    return np.asarray(solved)


def _bend(flux: FloatArray, z: ComplexArray, scatter: FloatArray, line: tuple[complex, complex]) -> complex:
    """Return the term in B² to be allowed for, Ω/T²."""
    at_zero, slope = line
    expected = slope**2 / at_zero if at_zero else 0j
    if flux.size < 3:
        return expected
    design = np.stack([flux**k / flux.max() ** k for k in range(3)], axis=1)
    row = np.linalg.pinv(design)[2] / flux.max() ** 2
    seen = complex(row @ z)
    u = float(np.sqrt(row**2 @ np.trace(scatter, axis1=1, axis2=2)))
    return seen if abs(seen) > max(abs(expected), CLEAR * u) else expected


def _carried(readings: Sequence[ImpedanceSweep], weights: FloatArray) -> tuple[ErrorSource, ...]:
    """Return the sources of the readings at zero field."""
    made = []
    for source in readings[0].sources:
        parts: dict[str, complex] = {}
        for reading, weight in zip(readings, weights.tolist(), strict=True):
            of_range = source.scope is Scope.RANGE and reading.range_labels is not None
            key = reading.range_labels[0] if of_range and reading.range_labels else ""
            (own,) = (item for item in reading.sources if item.id == source.id)
            parts[key] = parts.get(key, 0j) + weight * complex(own.sensitivity[0])
        sizes = np.array(list(parts.values()))
        largest = complex(sizes[np.argmax(np.abs(sizes))])
        # independent on each pair: their squares add; the direction is that of the largest
        whole = largest * float(np.linalg.norm(sizes)) / abs(largest) if largest else 0j
        made.append(replace(source, sensitivity=np.array([whole])))
    return tuple(made)
