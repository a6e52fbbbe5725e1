"""What is believed before the data: scale, corner shift, gap and turn count of a specimen."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.polynomial.hermite_e import hermegauss
from numpy.typing import NDArray

from whichcore.analysis.class_properties import class_properties
from whichcore.analysis.curve_table import GRID_STEP
from whichcore.analysis.materials import Material
from whichcore.analysis.specimen import Crack, EffectiveCore, Rod, Specimen, Winding
from whichcore.analysis.types import FloatArray
from whichcore.analysis.warming import warming

#: Standard deviation of the corner's own spread, in ln f, for a curve that deviates by 3 %. Practice.
CORNER_SPREAD = 0.10
#: A curve that deviates more (a generic one) also misses the corner by more: spread over deviation. Practice.
CORNER_SPREAD_PER_DEVIATION = 1.5
#: Probability that a closed core is cracked. Practice.
CRACK_PROBABILITY = 0.03
#: Share of cracks that a look under a lamp misses: of 5 µm they are finer than a hair. Practice.
CRACK_MISSED = 0.1
#: Median and spread (of the logarithm) of a crack, and of one lapped joint. Practice.
CRACK_GAP_M, CRACK_SPREAD = 5e-6, 1.0
JOINT_GAP_M, JOINT_SPREAD = 3e-6, 0.6
#: Relative standard uncertainty of a gap the user states. Practice.
STATED_GAP_UNCERTAINTY = 0.10
#: Probability of one turn too many, and of one too few. Practice.
TURN_SLIP_PROBABILITY = 0.02

_EXPONENT_NODES = 7
_GAP_STEP = 0.8
#: Pieces lie two standard deviations apart; each reaches to the middle of the next.
_PIECE_SUPPORT = 2.0


@dataclass(frozen=True, slots=True)
class CornerPrior:
    """Joint prior of corner shift and level for M materials, S shifts and J exponents.

    The core's permeability is s times the reference's and its corner moves by −p ln s + ε with p normal. For
    a fixed p the pair is jointly normal, so that θ = −ln s given the shift is normal again.

    Attributes
    ----------
    log_weight : float array (M, S, J)
        Log of the probability of a shift cell and exponent node.
    theta_mean, theta_sd : float array (M, S, J)
        The standard deviation does not depend on the shift; it is broadcast.
    """

    log_weight: FloatArray
    theta_mean: FloatArray
    theta_sd: FloatArray

    def at(self, members: NDArray[np.int_], shifts: slice) -> CornerPrior:
        """Return the prior of some materials on some of the shifts, which then stand for all of them."""
        thinning = np.log(self.log_weight.shape[1] / self.log_weight[:, shifts].shape[1])
        return CornerPrior(
            self.log_weight[members][:, shifts] + thinning,
            self.theta_mean[members][:, shifts],
            self.theta_sd[members][:, shifts],
        )


def corner_prior(
    materials: Sequence[Material], shift_steps: NDArray[np.int_], temperature_c: float | None = None
) -> CornerPrior:
    """Build the joint prior of shift and scale.

    Parameters
    ----------
    materials : sequence of Material (M)
    shift_steps : int array (S,)
        In steps of GRID_STEP.
    temperature_c : float or None
        Of the core. Where it is not that of a reference, the level moves by what is usual in its class, and
        the corner with it as with any other change of level.

    Returns
    -------
    CornerPrior
    """
    nodes, weights = hermegauss(_EXPONENT_NODES)
    properties = [class_properties(m.material_class) for m in materials]
    mean = np.array([p.corner_exponent for p in properties])[:, None, None]
    spread = np.array([p.corner_exponent_sd for p in properties])[:, None, None]
    exponent = mean + spread * nodes
    warm = np.array([warming(m, temperature_c) for m in materials]).reshape(-1, 2)
    sigma = np.hypot([m.tolerance / 2 for m in materials], warm[:, 1])[:, None, None]
    centre = (np.array([level_centre(m) for m in materials]) + warm[:, 0])[:, None, None]
    shift = (GRID_STEP * shift_steps)[:, None]
    own = np.array([own_corner_spread(m) for m in materials])[:, None, None]
    variance = own**2 + (exponent * sigma) ** 2
    log_weight = (
        np.log(weights / weights.sum())
        - 0.5 * (shift + exponent * centre) ** 2 / variance
        - 0.5 * np.log(2 * np.pi * variance)
        + np.log(GRID_STEP)
    )
    precision = 1 / sigma**2 + (exponent / own) ** 2
    log_scale = (centre / sigma**2 - exponent * shift / own**2) / precision
    return CornerPrior(
        log_weight=log_weight,
        theta_mean=-log_scale,
        theta_sd=np.broadcast_to(1 / np.sqrt(precision), log_scale.shape),
    )


def own_corner_spread(material: Material) -> float:
    """Return the standard deviation, in ln f, of a corner beside what its level explains."""
    return max(CORNER_SPREAD, CORNER_SPREAD_PER_DEVIATION * material.curve_deviation)


def spreads(material: Material, temperature_c: float | None = None) -> tuple[float, float, float]:
    """Return the spread of the level, the power of it that moves the corner, and the corner's own spread.

    Parameters
    ----------
    material : Material
    temperature_c : float or None
        Of the core; None: taken to be that of the reference.
    """
    properties = class_properties(material.material_class)
    level = float(np.hypot(material.tolerance / 2, warming(material, temperature_c)[1]))
    corner = float(np.hypot(own_corner_spread(material), properties.corner_exponent_sd * level))
    return level, properties.corner_exponent, corner


def level_centre(material: Material) -> float:
    """Return ln of the stated μi over the curve's own low-frequency level, where the curve goes that low."""
    low = material.frequency_hz <= 1e4
    if not low.any():
        return 0.0
    level = float(material.permeability.real[low][-1])
    if level <= 0:
        return 0.0
    return float(np.log(material.initial_permeability / level))


@dataclass(frozen=True, slots=True)
class GapNode:
    """One piece of the prior of the gap ratio: log-normal around its median; a median of zero is "no gap".

    It ends ``support`` standard deviations from its median: pieces of one law meet there.
    """

    probability: float
    median: float
    log_sd: float
    support: float = 4.0

    @property
    def narrow(self) -> float:
        """Gap ratio towards the narrow end of the piece: at most two standard deviations from its median."""
        return float(self.median * np.exp(-min(self.support, 2.0) * self.log_sd))


@dataclass(frozen=True, slots=True)
class GapLaw:
    """The prior of a gap as one log-normal law, beside a gap that was found.

    Attributes
    ----------
    probability : float
        Of there being a gap.
    median, log_sd : float
        Of the gap ratio where there is one.
    narrow : float
        Narrow end of the piece that the gap found lies in.
    """

    probability: float
    median: float
    log_sd: float
    narrow: float


def gap_law(nodes: Sequence[GapNode], gap_ratio: float) -> GapLaw:
    """Join the pieces of the prior of a gap.

    Parameters
    ----------
    nodes : sequence of GapNode
        As `gap_nodes` gives them.
    gap_ratio : float
        The gap found, above zero.
    """
    pieces = [node for node in nodes if node.median > 0]
    weight = np.array([node.probability for node in pieces])
    place = np.log([node.median for node in pieces])
    probability = float(weight.sum())
    mean = float(weight @ place) / probability
    variance = float(weight @ ((place - mean) ** 2 + np.square([node.log_sd for node in pieces])))
    nearest = min(pieces, key=lambda node: abs(float(np.log(node.median / gap_ratio))))
    return GapLaw(probability, float(np.exp(mean)), (variance / probability) ** 0.5, nearest.narrow)


def gap_nodes(specimen: Specimen, length_m: float) -> tuple[GapNode, ...]:
    """Prior of the gap ratio as a mixture; log-normal pieces, and "no gap".

    Parameters
    ----------
    specimen : Specimen
    length_m : float
        Magnetic path length.

    Returns
    -------
    tuple of GapNode
        Probabilities add up to one.
    """
    if isinstance(specimen.core, Rod):
        return (GapNode(1.0, 0.0, 0.0),)
    if specimen.gap_m:
        ratio = specimen.gap_m / length_m
        return (GapNode(1.0, ratio, STATED_GAP_UNCERTAINTY),)
    joints = specimen.core.joints if isinstance(specimen.core, EffectiveCore) else 0
    if joints:
        return _log_normal_nodes(1.0, joints * JOINT_GAP_M / length_m, JOINT_SPREAD)
    cracked = crack_probability(specimen)
    pieces = _log_normal_nodes(cracked, CRACK_GAP_M / length_m, CRACK_SPREAD)
    return pieces if cracked == 1 else (GapNode(1 - cracked, 0.0, 0.0), *pieces)


def crack_probability(specimen: Specimen) -> float:
    """Probability that a closed core in one piece is cracked, after the look for it if there was one."""
    if specimen.crack is Crack.SEEN:
        return 1.0
    if specimen.crack is None:
        return CRACK_PROBABILITY
    missed = CRACK_PROBABILITY * CRACK_MISSED
    return missed / (missed + 1 - CRACK_PROBABILITY)


def _log_normal_nodes(probability: float, median: float, spread: float) -> tuple[GapNode, ...]:
    """Cut a log-normal law into narrow log-normal pieces whose width fits their distance."""
    z = np.arange(-1.6, 1.6 + _GAP_STEP / 4, _GAP_STEP / max(spread, _GAP_STEP / 2))
    weight = np.exp(-0.5 * z**2)
    weight *= probability / weight.sum()
    log_sd = spread * (z[1] - z[0]) / 2
    return tuple(
        GapNode(float(w), float(median * np.exp(spread * x)), log_sd, _PIECE_SUPPORT)
        for w, x in zip(weight, z, strict=True)
    )


def turn_branches(winding: Winding) -> tuple[tuple[int, float], ...]:
    """Possible turn counts with their probabilities, the stated one first; of an ideal winding one."""
    turns = winding.turns
    if winding.ideal:
        return ((turns, 1.0),)
    slips = tuple((n, TURN_SLIP_PROBABILITY) for n in (turns - 1, turns + 1) if n >= 1)
    return ((turns, 1 - sum(p for _, p in slips)), *slips)
