"""A candidate linearised around one explanation: λ = base + columns·ξ, every ξ standard normal.

Level, corner, gap, smooth deviation, doubt about the section and the common sources of the data are columns.
From it follow the likelihood of the data point by point, and what further data would show given those at
hand.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from whichcore.analysis.candidate_cube import Explanation
from whichcore.analysis.class_properties import class_properties
from whichcore.analysis.curve_table import GRID_STEP, SHIFTS, CurveTable, tabulate
from whichcore.analysis.level_integral import InnerFactor
from whichcore.analysis.materials import Material
from whichcore.analysis.observation import Observation, RowKind, reading_rows
from whichcore.analysis.priors import CRACK_SPREAD, level_centre, spreads
from whichcore.analysis.section_fit import corrected_permeability
from whichcore.analysis.section_prior import section_prior_of
from whichcore.analysis.types import ComplexArray, FloatArray
from whichcore.analysis.warming import warming

#: Frequency up to which a reading is predicted from the stated μi where the curve starts higher.
_INITIAL_HZ = 1e4
#: Step of the differences by the logarithm of level and gap.
_STEP = 1e-3
#: Steps to the best explanation of a whole core: after four it moves by less than 1e-3. Computed.
_STEPS = 4


@dataclass(frozen=True, slots=True)
class LinearCandidate:
    """Whitened rows of one candidate on P points, real parts first.

    Attributes
    ----------
    base : complex array (P,)
        Prior mean of λ; where the curve is silent it means nothing.
    columns : float array (2P, q)
        Whitened effect of each parameter; zero where the curve is silent.
    speaks : bool array (P,)
    """

    base: ComplexArray
    columns: FloatArray
    speaks: NDArray[np.bool_]

    def residual(self, observation: Observation) -> FloatArray:
        """Whitened measured minus prior mean, (2P,); zero where the curve is silent."""
        return observation.whiten(np.where(self.speaks, observation.log_reluctivity - self.base, 0))

    def log_density(self, observation: Observation) -> float:
        """Log density of the whitened data where the curve speaks, up to a constant of their number."""
        residual, inner = self.residual(observation), InnerFactor(self.columns)
        explained = inner.apply(self.columns.T @ residual)
        return float(-0.5 * (residual @ residual - explained @ explained + inner.log_det))


def reference_curve(material: Material, observation: Observation) -> CurveTable:
    """Tabulate one curve for the band and the section of an observation."""
    frequency = observation.frequency_hz
    curve = (material.frequency_hz, corrected_permeability(material, observation.section_m))
    return tabulate([curve], float(frequency.min()), float(frequency.max()))


def unexplained(material: Material, turns: int, temperature_c: float | None = None) -> Explanation:
    """Return the centre of the prior of a candidate: what is expected of a core not yet measured."""
    centre = level_centre(material) + warming(material, temperature_c)[0]
    exponent = class_properties(material.material_class).corner_exponent
    return Explanation(-centre, -exponent * centre / GRID_STEP, 0.0, turns)


def around(
    material: Material,
    explanation: Explanation,
    observation: Observation,
    shared: FloatArray,
    turns: int,
    curve: CurveTable | None = None,
) -> LinearCandidate:
    """Linearise a candidate.

    Parameters
    ----------
    material : Material
    explanation : Explanation
        Where to linearise.
    observation : Observation
    shared : float array (2P, K)
        Whitened columns of the common sources and of the deviation of a core from its curve.
    turns : int
        Turn count the data were reduced with.
    curve : CurveTable, optional
        The `reference_curve`, where it is at hand.

    Returns
    -------
    LinearCandidate
        Its first two parameters are the level and the corner beside it, the third is the gap where there is
        one: ln s of variance (tolerance/2)² moves the corner by −p ln s, and p's own spread adds to that of
        the corner (derived here, to first order in ln s).
    """
    table = reference_curve(material, observation) if curve is None else curve
    section = section_prior_of(material, observation, other_section=explanation.other_section).mean

    def rows(theta: float = 0.0, steps: float = 0.0, gap: float = 0.0) -> ComplexArray:
        x = observation.log_frequency - GRID_STEP * (explanation.shift_steps + steps)
        values = table.shifted(x, np.zeros(1, dtype=int))[0, 0] + section
        nu = np.exp(explanation.theta + theta + np.where(initial, -np.log(level), values))
        nu = nu + explanation.gap_ratio * np.exp(gap)
        return reading_rows(np.log(nu) + 2 * np.log(turns / explanation.turns), observation)

    level = material.initial_permeability
    initial = (
        (observation.kind != RowKind.SPECTRUM)
        & (observation.frequency_hz <= _INITIAL_HZ)
        & (observation.frequency_hz < material.frequency_hz[0])
    )
    base = rows()
    by_level = (rows(theta=_STEP) - rows(theta=-_STEP)) / (2 * _STEP)
    # at the end of a curve there is a neighbour on one side only, or none
    sides = np.stack([(rows(steps=s) - base) / (s * GRID_STEP) for s in (-1.0, 1.0)])
    by_corner = np.where(np.isnan(sides[0]), sides[1], np.where(np.isnan(sides[1]), sides[0], sides.mean(0)))
    gapped = explanation.gap_ratio > 0
    by_gap = (rows(gap=_STEP) - rows(gap=-_STEP)) / (2 * _STEP) if gapped else np.zeros_like(base)
    slopes = np.nan_to_num(np.stack([by_level, by_corner, by_gap]))
    return _with_prior(material, explanation, observation, shared, (base, slopes))


def whole_core(
    material: Material, observation: Observation, shared: FloatArray, turns: int, curve: CurveTable
) -> Explanation:
    """Find the best explanation without a gap, by Gauss and Newton's steps from the prior.

    Its corner is moved no further than that of any candidate.

    Parameters
    ----------
    material, observation, shared, turns, curve
        As `around` takes them.
    """
    prior = unexplained(material, turns, observation.temperature_c)
    sigma, exponent, own = spreads(material, observation.temperature_c)
    found = prior
    for _ in range(_STEPS):
        linear = around(material, found, observation, shared, turns, curve)
        whole = np.eye(linear.columns.shape[1]) + linear.columns.T @ linear.columns
        level, corner = np.linalg.solve(whole, linear.columns.T @ linear.residual(observation))[:2]
        steps = prior.shift_steps + (exponent * sigma * level + own * corner) / GRID_STEP
        found = replace(
            prior,
            theta=prior.theta + float(sigma * level),
            shift_steps=float(np.clip(steps, SHIFTS[0], SHIFTS[-1])),
        )
    return found


def _with_prior(
    material: Material,
    explanation: Explanation,
    observation: Observation,
    shared: FloatArray,
    rows: tuple[ComplexArray, ComplexArray],
) -> LinearCandidate:
    """Move the base to the prior mean, and scale the slopes (3, P) to unit variance."""
    base, (by_level, by_corner, by_gap) = rows[0], rows[1]
    sigma, exponent, own = spreads(material, observation.temperature_c)
    prior = unexplained(material, explanation.turns, observation.temperature_c)
    move = GRID_STEP * (prior.shift_steps - explanation.shift_steps)
    mean = base + (prior.theta - explanation.theta) * by_level + move * by_corner
    law = explanation.law
    if law is not None:
        mean = mean + np.log(law.median / explanation.gap_ratio) * by_gap
    spread = CRACK_SPREAD if law is None else law.log_sd
    columns = [sigma * (by_level + exponent * by_corner), own * by_corner, spread * by_gap]
    speaks = ~np.isnan(base.real)
    own_columns = observation.whiten(np.stack(columns[: 3 if explanation.gap_ratio > 0 else 2])).T
    whole = np.concatenate([own_columns, shared], axis=1) * np.tile(speaks, 2)[:, None]
    return LinearCandidate(np.where(speaks, mean, 0), whole, speaks)
