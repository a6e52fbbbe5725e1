"""Unlisted grades that lie near a listed one, told from its own cores by the detail of their curves.

Cores of one grade deviate from its curve smoothly. Another grade of nearly the same curve, level and corner
granted, differs from it in finer detail too: where its dispersion sets in and how sharply it turns. So near
kin deviate as cores do, and by a little more at a short correlation length. They are compared with the
reference around its best explanation, where everything is linear.

That needs a reference whose own detail can be trusted: one that was swept. A curve read off a figure carries
the detail of the reading. Beside kin of finer detail stand wide kin (`family_kin`), which lie about the curve
as far as its farthest cores: half of near kin. Where a reference was not swept, wide kin and far kin are near
kin. A loose reference stands for many grades and has no kin.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace

import numpy as np
from scipy.special import logsumexp

from whichcore.analysis.candidate_cube import Explanation
from whichcore.analysis.curve_deviation import Amplitude, amplitudes, curve_columns, is_loose
from whichcore.analysis.curve_table import CurveTable
from whichcore.analysis.linear_candidate import LinearCandidate, around, reference_curve, whole_core
from whichcore.analysis.materials import Material
from whichcore.analysis.observation import Observation, behind_gap, deviation_columns
from whichcore.analysis.priors import GapNode, gap_law
from whichcore.analysis.types import FloatArray

#: What near kin deviate by beside what cores of a grade do: relative, correlation length in ln f, share of
#: near kin; the rest are wide kin. Practice; what they do to verdicts is counted by benchmarks/identify.py
#: (docs/decisions/0015, 0020).
FINER: tuple[tuple[float, float, float], ...] = ((0.01, 0.25, 0.25), (0.03, 0.7, 0.25))
WIDE_SHARE = 1 - sum(share for _, _, share in FINER)
#: Share of wide kin among near kin of a reference that shows no detail; the rest are far kin. Practice.
PLAIN_WIDE_SHARE = 0.2
#: Spread of their level about the reference (2σ of its logarithm): one curve, one use. Practice.
NEAR_TOLERANCE = 0.5
#: References whose near kin are looked at: so many of the best, and none so far behind, in ln, that its near
#: kin would have to be more likely than any were found to be.
MOST_NEAR, TOO_FAR = 4, 12.0

#: Sums of probabilities end this near to one.
_ROUNDING = 1e-9

Weighed = tuple[float, LinearCandidate]


def shows_detail(material: Material) -> bool:
    """Tell whether the curve of a reference is that of a known core, detail and all."""
    return material.swept and not is_loose(material)


def of_reference(
    material: Material,
    explanation: Explanation,
    observation: Observation,
    turns: int,
    curve: CurveTable | None = None,
) -> list[Weighed]:
    """Return cores of a reference around its best explanation: log share and rows of each amplitude.

    Parameters
    ----------
    material : Material
    explanation : Explanation
    observation : Observation
    turns : int
        Turn count the data were reduced with.
    curve : CurveTable, optional
        The `reference_curve`, where it is at hand.
    """
    curve = reference_curve(material, observation) if curve is None else curve
    return [
        (
            float(np.log(amplitude.share)),
            around(
                material, explanation, observation,
                curve_columns(observation, material, amplitude, explanation), turns, curve,
            ),
        )
        for amplitude in amplitudes(material)
    ]  # fmt: skip


def of_near_kin(
    material: Material,
    explanation: Explanation,
    observation: Observation,
    turns: int,
    curve: CurveTable | None = None,
) -> list[Weighed]:
    """Return near kin of a reference around its best explanation, as `of_reference` returns its cores.

    Empty of a loose reference; where one shows no detail of its own (`shows_detail`) they are
    wide kin, their share among far ones included.
    """
    if is_loose(material):
        return []
    curve = reference_curve(material, observation) if curve is None else curve
    columns = curve_columns(observation, material, amplitudes(material)[-1], explanation)
    wide = around(material, explanation, observation, columns, turns, curve)
    if not shows_detail(material):
        return [(float(np.log(PLAIN_WIDE_SHARE)), wide)]
    kin = replace(material, tolerance=max(material.tolerance, NEAR_TOLERANCE))
    usual = curve_columns(observation, material, _as_stated(material), explanation)
    finer = [
        (
            float(np.log(share)),
            around(
                kin, explanation, observation,
                np.concatenate([usual, _finer(observation, explanation, size, length)], axis=1), turns, curve,
            ),
        )
        for size, length, share in FINER
    ]  # fmt: skip
    return [(float(np.log(WIDE_SHARE)), wide), *finer]


def whole_or_cracked(
    material: Material,
    explanation: Explanation,
    observation: Observation,
    turns: int,
    gaps: Sequence[GapNode],
) -> list[tuple[float, Explanation]]:
    """Return what a core that is best explained behind a gap may be: log of the prior, and its explanation.

    Behind a gap within its law; or whole, where that may be. A curve that only a rare crack brings to the
    data is held against the whole core point by point, and so its odds are those of both.

    Parameters
    ----------
    material, explanation, observation, turns
        As `of_reference` takes them.
    gaps : sequence of GapNode
        Prior of the gap ratio.
    """
    if explanation.gap_ratio <= 0:
        return [(0.0, explanation)]
    law = gap_law(gaps, explanation.gap_ratio)
    found = [(float(np.log(law.probability)), replace(explanation, law=law))]
    if law.probability < 1 - _ROUNDING:
        shared = curve_columns(observation, material, _as_stated(material))
        whole = whole_core(material, observation, shared, turns, reference_curve(material, observation))
        found.append((float(np.log1p(-law.probability)), whole))
    return found


def near_kin_evidence(
    materials: Sequence[Material],
    log_evidence: FloatArray,
    explanations: Mapping[int, Explanation],
    observation: Observation,
    turns: int,
    others: FloatArray,
) -> FloatArray:
    """Log evidence of the near kin of each material, (M,).

    Parameters
    ----------
    materials : sequence of Material (M)
    log_evidence : float array (M,)
        Of each material.
    explanations : mapping of int to Explanation
    observation : Observation
    turns : int
        Turn count the data were reduced with.
    others : float array (M,)
        Log evidence of the near kin of a reference that shows no detail.

    Returns
    -------
    float array (M,)
        −∞ where the reference is too far behind to be looked at.
    """
    out = np.where([shows_detail(material) for material in materials], -np.inf, others)
    best = sorted(explanations, key=lambda i: -log_evidence[i])[:MOST_NEAR]
    for i in [i for i in best if log_evidence[i] > log_evidence[best[0]] - TOO_FAR]:
        if shows_detail(materials[i]):
            curve = reference_curve(materials[i], observation)
            kin = of_near_kin(materials[i], explanations[i], observation, turns, curve)
            own = of_reference(materials[i], explanations[i], observation, turns, curve)
            out[i] = log_evidence[i] + _log_density(kin, observation) - _log_density(own, observation)
    return out


def _as_stated(material: Material) -> Amplitude:
    """Return the amplitude that is nearest to the stated deviation of a core from its curve."""
    stated = material.curve_deviation
    return min(amplitudes(material), key=lambda amplitude: abs(amplitude.deviation - stated))


def _finer(observation: Observation, explanation: Explanation, relative: float, length: float) -> FloatArray:
    """Whitened columns of a deviation of the same size at all frequencies, (2P, K)."""
    core, share = behind_gap(observation, explanation.covering_gap)
    return observation.whiten_columns(share * deviation_columns(core, relative, length, relative))


def _log_density(weighed: Sequence[Weighed], observation: Observation) -> float:
    return float(logsumexp([log_share + linear.log_density(observation) for log_share, linear in weighed]))
