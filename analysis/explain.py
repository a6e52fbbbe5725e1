"""Which part of the curve decided between the first two candidates.

The points are taken by rising frequency. What a point adds to the log odds is the log density of its μ′ and
μ″ under the first candidate, given all points below it, less that under the second: the innovations of a
Cholesky factor of the whole covariance (deviation of core from curve, common sources, level and corner
included), so that the parts add up exactly to the log odds of the curve (chain rule of probability).
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.linalg import solve_triangular
from scipy.special import logsumexp

from whichcore.analysis.foresight import Knowledge
from whichcore.analysis.kin import NEAR_KIN_SHARE, UNLISTED_PRIOR
from whichcore.analysis.linear_candidate import LinearCandidate, unexplained
from whichcore.analysis.near_kin import Weighed, of_near_kin, of_reference, whole_or_cracked
from whichcore.analysis.observation import Observation
from whichcore.analysis.open_running import family_running
from whichcore.analysis.posterior import fitted_log_reluctivity
from whichcore.analysis.square_root import lower_factor, root_of
from whichcore.analysis.types import ComplexArray, FloatArray
from whichcore.analysis.verdict import DecidedBy
from whichcore.wording import hertz

#: Share of the log odds that the deciding band holds.
DECIDING_SHARE = 0.8
#: Log odds below which the curve decides nothing: a factor e.
_DECIDES = 1.0
#: Share of a part, or of the first point, from which on it decided alone. Practice.
_ALONE = 0.65
#: Least share of the judged odds that the points have to show; else no band of them is named. Practice.
_BACKED = 0.5
#: Misfits that differ by less are no reason, nor corners that do, in ln f. Practice.
_CLEAR, _CLEAR_CORNER = 0.01, 0.1
#: Standard deviations from which on a level is a reason by itself. Practice.
_STRAINED = 2.0
#: Probability of a gap from which on the specimen is one that always has it.
_CERTAIN = 0.999
_PARTS = ("μ′", "μ″")
_CRACKED = "a cracked or gapped core"


def decided_by(knowledge: Knowledge, turns: int, *, none_of_these: bool) -> DecidedBy | None:
    """Find the part of the curve that speaks for the first candidate, or against it.

    Parameters
    ----------
    knowledge : Knowledge
    turns : int
        Turn count the data were reduced with.
    none_of_these : bool
        The verdict is none of these: then that is set against the most probable material.

    Returns
    -------
    DecidedBy or None
        None without a spectrum, or where fewer than one or two curves speak on it.
    """
    rivals = _rivals(knowledge, 1 if none_of_these else 2)
    if not rivals:
        return None
    judged = [_Judged.of(knowledge, index, turns) for index in rivals]
    if none_of_these:
        judged.insert(0, _Judged.none_of_these(knowledge, rivals[0], turns))
    size = knowledge.observation.frequency_hz.size
    seen = np.logical_and.reduce([item.speaks(size) for item in judged])
    seen[knowledge.observation.spectrum_points :] = False
    if not seen.any():
        return None
    points = np.flatnonzero(seen)
    gain = np.subtract(*(item.contributions(knowledge.observation, points) for item in judged))
    return _described(knowledge, rivals, points, gain)


def _rivals(knowledge: Knowledge, count: int) -> list[int]:
    """Return the most probable materials whose curves speak, as many as asked for or none."""
    used, known = knowledge.evidence.points_used, knowledge.evidence.explanations
    order = np.argsort(-knowledge.probability[:-1], kind="stable")
    found = [int(i) for i in order if used[i] > 0 and int(i) in known][:count]
    return found if len(found) == count and knowledge.observation.spectrum_points else []


@dataclass(frozen=True, slots=True)
class _Judged:
    """One candidate, linearised under each amplitude of its deviation: (log share, rows).

    ``of_family`` is the share of the whole open family beside them.
    """

    linear: list[tuple[float, LinearCandidate]]
    of_family: float = 0.0

    @classmethod
    def of(cls, knowledge: Knowledge, index: int, turns: int) -> _Judged:
        return cls(_either(of_reference, knowledge, index, turns))

    @classmethod
    def none_of_these(cls, knowledge: Knowledge, index: int, turns: int) -> _Judged:
        """Return what is in no library: the open family, and near kin of one material."""
        kin = _either(of_near_kin, knowledge, index, turns)
        share = NEAR_KIN_SHARE / len(knowledge.library.materials) if kin else 0.0
        return cls([(float(of_kin + np.log(share)), linear) for of_kin, linear in kin], 1 - share)

    def speaks(self, points: int) -> NDArray[np.bool_]:
        """Points it says something of, (P,)."""
        spoken = [linear.speaks for _, linear in self.linear]
        return np.asarray(np.logical_and.reduce([np.ones(points, dtype=bool), *spoken]))

    def contributions(self, observation: Observation, points: NDArray[np.int_]) -> FloatArray:
        """Log density of μ′ and μ″ of each point given the points before it, (P, 2); their sum is the whole.

        Within a point each part is taken once before and once after the other, and the mean is given.
        """
        found = [(share, _innovations(observation, linear, points)) for share, linear in self.linear]
        shares = [share for share, _ in found]
        family = None
        if self.of_family > 0:
            family = family_running(observation, points, _to_parts(observation, points))
            shares.append(float(np.log(self.of_family)))
        whole = float(logsumexp(shares))
        orders = []
        for first in (0, 1):
            each = [share + np.cumsum(densities[first].ravel()) for share, densities in found]
            if family is not None:
                each.append(family[first] + np.log(self.of_family))
            # what the shares lack of one is no point's doing
            added = np.diff(logsumexp(each, axis=0), prepend=whole).reshape(-1, 2)
            orders.append(added if first == 0 else added[:, ::-1])
        return np.asarray(np.mean(orders, axis=0))


def _either(
    cores: Callable[..., list[Weighed]], knowledge: Knowledge, index: int, turns: int
) -> list[Weighed]:
    """Return cores of a material, whole and behind a gap where its best explanation is a gap."""
    material, observation = knowledge.library.materials[index], knowledge.observation
    best, gaps = knowledge.evidence.explanations[index], knowledge.evidence.gaps
    return [
        (prior + share, linear)
        for prior, explained in whole_or_cracked(material, best, observation, turns, gaps)
        for share, linear in cores(material, explained, observation, turns)
    ]


def _innovations(
    observation: Observation, linear: LinearCandidate, points: NDArray[np.int_]
) -> tuple[FloatArray, FloatArray]:
    """Return the log densities (P, 2) of μ′ and then μ″ of each point, and of μ″ and then μ′."""
    to_parts = _to_parts(observation, points)
    size = observation.frequency_hz.size
    both = np.stack([points, points + size], axis=1)
    columns = to_parts @ linear.columns[both]
    residual = np.einsum("pij,pj->pi", to_parts, linear.residual(observation)[both]).ravel()
    factor = lower_factor(root_of(to_parts, columns.reshape(-1, columns.shape[2])))
    z = solve_triangular(factor, residual, lower=True).reshape(-1, 2)
    at = np.arange(points.size) * 2
    l00, l10, l11 = factor[at, at], factor[at + 1, at], factor[at + 1, at + 1]
    plain = _log_normal(z**2, np.stack([l00, l11], axis=1) ** 2)
    # the same 2×2 block of each point, its second part first
    variance = l10**2 + l11**2
    second = (l10 * z[:, 0] + l11 * z[:, 1]) ** 2 / variance
    square = np.stack([second, (z**2).sum(axis=1) - second], axis=1)
    return plain, _log_normal(square, np.stack([variance, (l00 * l11) ** 2 / variance], axis=1))


def _log_normal(square: FloatArray, variance: FloatArray) -> FloatArray:
    return np.asarray(-0.5 * (square + np.log(2 * np.pi * variance)))


def _to_parts(observation: Observation, points: NDArray[np.int_]) -> FloatArray:
    """Matrices (P, 2, 2) from whitened rows to relative changes of μ′ and μ″, to first order.

    dμ = −μ dλ gives dμ′ = −(μ′ dRe λ + μ″ dIm λ) and dμ″ = μ′ dIm λ − μ″ dRe λ; over |μ| the first matrix has
    determinant −1 and cancels between two candidates.
    """
    angle = observation.log_reluctivity.imag[points]
    cosine, sine = np.cos(angle), np.sin(angle)
    turn = np.array([[-cosine, -sine], [-sine, cosine]]).transpose(2, 0, 1)
    return np.asarray(turn @ np.linalg.inv(observation.whitener[points]))


# ------------------------------------------------------------------------------------------------ in words


def _described(
    knowledge: Knowledge, rivals: Sequence[int], points: NDArray[np.int_], gain: FloatArray
) -> DecidedBy:
    frequency = knowledge.observation.frequency_hz[points]
    names = [knowledge.library.materials[i].id for i in rivals]
    judged = _judged_odds(knowledge, rivals)
    turned = 1 if judged >= 0 else -1
    towards = turned * gain
    shown = _shown(float(gain.sum()), judged) and (turned > 0 or len(rivals) > 1)
    by_level = shown and len(rivals) > 1 and float(towards[0].sum()) >= _ALONE * float(towards.sum())
    band = deciding_band(frequency, towards.sum(axis=1)) if shown and not by_level else None
    part, misfit, reason, edges = "", (0.0, 0.0), "", None
    if by_level:
        reason = _level(knowledge, rivals[::turned])
    elif band is not None:
        inside = slice(band[0], band[1] + 1)
        part = _part(towards[inside].sum(axis=0))
        misfit, at_hz = _misfits(knowledge, rivals, points[inside], part)
        reason = _reason(knowledge, rivals[::turned], (misfit[::turned], at_hz), band[0] == 0)
        edges = (float(frequency[band[0]]), float(frequency[band[1]]))
    return DecidedBy(
        first=names[0],
        second=names[1] if len(names) > 1 else None,
        frequency_hz=frequency,
        log_odds=gain,
        judged=judged,
        band_hz=edges,
        part=part,
        misfit=misfit,
        sentence=_sentence(names, judged, edges, part, reason)
        if shown
        else _without_band(knowledge, rivals, judged),
    )


def _judged_odds(knowledge: Knowledge, rivals: Sequence[int]) -> float:
    """Log odds of the curve as the judge has them: first over second, or none of these over first."""
    evidence = knowledge.evidence
    first = float(evidence.log_evidence[rivals[0]])
    if len(rivals) > 1:
        return first - float(evidence.log_evidence[rivals[1]])
    return float(evidence.unlisted) - first


def _shown(found: float, judged: float) -> bool:
    """Tell whether the points show what the judge found; around strained parameters they may not."""
    return (
        abs(judged) >= _DECIDES and found * judged > 0 and abs(found) >= max(_DECIDES, _BACKED * abs(judged))
    )


def deciding_band(frequency_hz: FloatArray, gain: FloatArray) -> tuple[int, int]:
    """Return the first and last point of the narrowest band, in ln f, that holds the deciding share.

    Parameters
    ----------
    frequency_hz, gain : float array (P,)
        The gains have a positive sum.
    """
    running = np.concatenate([[0.0], np.cumsum(gain)])
    held = running[None, 1:] - running[:-1, None]
    x = np.log(frequency_hz)
    width = np.where(x[None, :] >= x[:, None], x[None, :] - x[:, None], np.inf)
    width[held < DECIDING_SHARE * running[-1] * (1 - 1e-9)] = np.inf
    first, last = np.unravel_index(int(width.argmin()), width.shape)
    return int(first), int(last)


def _part(by_part: FloatArray) -> str:
    share = by_part[0] / by_part.sum()
    if share >= _ALONE:
        return _PARTS[0]
    return _PARTS[1] if share <= 1 - _ALONE else " and ".join(_PARTS)


def _misfits(
    knowledge: Knowledge, rivals: Sequence[int], points: NDArray[np.int_], part: str
) -> tuple[tuple[float, float], float]:
    """Best explanations over measured, less one, where they part most within a band, and that frequency.

    Of |μ| where both parts decided. Three neighbouring points are taken together, for their scatter.
    """

    def size(rows: ComplexArray) -> FloatArray:
        mu = np.exp(-rows)
        return {"μ′": mu.real, "μ″": -mu.imag}.get(part, np.abs(mu))

    observation = knowledge.observation
    fitted = fitted_log_reluctivity(knowledge.library, knowledge.evidence, rivals, observation)[:, points]
    together = np.ones(min(3, points.size))
    curves = [
        np.convolve(size(row), together, "valid") for row in (*fitted, observation.log_reluctivity[points])
    ]
    with np.errstate(divide="ignore", invalid="ignore"):
        apart = np.abs(np.log(curves[-2] / (curves[0] if len(rivals) > 1 else curves[-1])))
        misfits = [curve / curves[-1] - 1 for curve in curves[:-1]]
    telling = np.isfinite(apart) & (curves[-1] > 0)
    if not telling.any():
        return (float("nan"), float("nan")), float("nan")
    at = int(np.where(telling, apart, -1.0).argmax())
    frequency = float(observation.frequency_hz[points[at + (points.size > 2)]]) if points.size > 1 else np.nan
    return (float(misfits[0][at]), float(misfits[-1][at])), frequency


def _reason(
    knowledge: Knowledge,
    rivals: Sequence[int],
    misfit_at: tuple[tuple[float, ...], float],
    from_the_start: bool,
) -> str:
    """Say what is wrong with the worse of the two there (of a single one, with that one)."""
    misfit, at_hz = misfit_at
    worse = knowledge.library.materials[rivals[-1]].id
    better = knowledge.library.materials[rivals[0]].id
    explained = [knowledge.evidence.explanations[i] for i in rivals]
    strain = [_strain(knowledge, i) for i in rivals]
    corners = [abs(float(np.log(e.corner_shift))) for e in explained]
    if len(rivals) > 1 and from_the_start and _CRACKED in (more := _needs_more(knowledge, *rivals)):
        return f"{worse} would need {' and '.join(more)}"
    if len(rivals) > 1 and from_the_start and strain[1] > max(strain[0] + 1, _STRAINED):
        slipped = explained[1].turns != knowledge.evidence.stated_turns
        turns = f" and {explained[1].turns} turns" if slipped else ""
        return (
            f"{worse} would need × {explained[1].scale:.2f} of its permeability{turns}, {better} × "
            f"{explained[0].scale:.2f}"
        )
    alone = len(rivals) == 1
    if np.isfinite(misfit[1]) and abs(misfit[1]) > (0.0 if alone else abs(misfit[0])) + _CLEAR:
        other = "" if alone else f", {better} {_off(misfit[0])}"
        place = f"at {hertz(at_hz)}" if np.isfinite(at_hz) else "there"
        return f"{worse} lies {_off(misfit[1])} {place}{other}"
    if alone:
        return f"at its best {worse} lies on the curve there, but its cores would seldom take this shape"
    if corners[1] > corners[0] + _CLEAR_CORNER:
        return (
            f"there {worse} fits only with its corner at × {explained[1].corner_shift:.2f}, {better} at × "
            f"{explained[0].corner_shift:.2f}"
        )
    return f"there the shape is that of {better} rather than of {worse}"


def _level(knowledge: Knowledge, rivals: Sequence[int]) -> str:
    """Say what level each of the two would need, and how far its cores usually are from it; or a crack."""
    if _CRACKED in (more := _needs_more(knowledge, *rivals)):
        return f"{knowledge.library.materials[rivals[1]].id} would need {' and '.join(more)}"
    names, scales, usual = [], [], []
    for index in reversed(rivals):
        material = knowledge.library.materials[index]
        names.append(material.id)
        scales.append(f"× {knowledge.evidence.explanations[index].scale:.2f}")
        usual.append(f"± {100 * material.tolerance:.0f} %")
    return (
        f"{names[0]} would need {scales[0]} of its permeability, {names[1]} {scales[1]} "
        f"(usual: {' and '.join(dict.fromkeys(usual))})"
    )


def _needs(knowledge: Knowledge, index: int) -> list[str]:
    """Say what that is rare a material needs to explain the curve."""
    explained, needs = knowledge.evidence.explanations[index], []
    if _strain(knowledge, index) > _STRAINED:
        needs.append(f"× {explained.scale:.2f} of its permeability")
    # a core of two halves has its joints in any case
    if explained.gap_ratio > 0 and knowledge.evidence.gapped.min() < _CERTAIN:
        needs.append(_CRACKED)
    if explained.turns != knowledge.evidence.stated_turns:
        needs.append(f"{explained.turns} turns")
    if explained.other_section:
        needs.append("another section")
    return needs


def _needs_more(knowledge: Knowledge, better: int, worse: int) -> list[str]:
    """Say what that is rare the worse of two materials needs and the better does not."""
    return [need for need in _needs(knowledge, worse) if need not in _needs(knowledge, better)]


def _strain(knowledge: Knowledge, index: int) -> float:
    """Level that a material needs, off what is expected of it, in standard deviations of its tolerance."""
    material, explanation = knowledge.library.materials[index], knowledge.evidence.explanations[index]
    expected = unexplained(material, explanation.turns, knowledge.observation.temperature_c)
    return abs(explanation.theta - expected.theta) / (material.tolerance / 2)


def _off(misfit: float) -> str:
    size = abs(100 * misfit)
    if not np.isfinite(misfit) or size < 0.5:
        return "right on the curve"
    return (
        f"{size:.0f} % too {'low' if misfit < 0 else 'high'}"
        if size >= 9.5
        else (f"{size:.1f} % too {'low' if misfit < 0 else 'high'}")
    )


def _sentence(
    names: Sequence[str], total: float, edges: tuple[float, float] | None, part: str, reason: str
) -> str:
    if edges is not None and len(names) == 1:
        return f"{part} {_where(*edges)} decided against every reference; of the nearest of them: {reason}."
    what = "the level of μ′ decided, not its course" if edges is None else f"{part} {_where(*edges)} decided"
    told = f"{what}: {reason}; the curve makes it {_odds(abs(total))}."
    if total >= 0:
        return f"{told[0].upper() if edges is None else told[0]}{told[1:]}"
    return f"The curve alone is for {names[1]}, and other evidence outweighs it: {told}"


def _without_band(knowledge: Knowledge, rivals: Sequence[int], judged: float) -> str:
    """Say what the curve says as a whole, and by what else it is outweighed."""
    names = [knowledge.library.materials[i].id for i in rivals]
    if len(names) == 1:
        return _against_all(knowledge, rivals[0], judged)
    if abs(judged) < _DECIDES:
        return f"The curve alone does not tell {names[0]} from {names[1]}."
    better, worse = rivals if judged >= 0 else rivals[::-1]
    ids = [knowledge.library.materials[i].id for i in (better, worse)]
    more = _needs_more(knowledge, better, worse)
    why = f": {ids[1]} would need {' and '.join(more)}" if more else ""
    return (
        f"The curve as a whole, no part of it alone, is for {ids[0]} rather than {ids[1]} "
        f"({_odds(abs(judged))}){why}."
    )


def _against_all(knowledge: Knowledge, nearest: int, judged: float) -> str:
    """Say it of none of these: of a single reference, and there are many beforehand."""
    name, count = knowledge.library.materials[nearest].id, len(knowledge.library.materials)
    if judged >= _DECIDES:
        needs = _needs(knowledge, nearest)
        why = f": it would need {' and '.join(needs)}" if needs else ""
        return (
            f"The curve as a whole, no part of it alone, is against {name}, the nearest reference "
            f"({_odds(judged)}){why}."
        )
    beside = ""
    if (1 - UNLISTED_PRIOR) / count < UNLISTED_PRIOR:
        beside = f": before any measurement that is likelier than any single one of {count} references"
    if judged > -_DECIDES:
        return f"The curve alone does not tell {name}, the nearest reference, from none of these{beside}."
    return (
        f"The curve alone is for {name}, the nearest reference ({_odds(-judged)}); what is known beside it "
        f"is for none of these{beside}."
    )


def _where(low_hz: float, high_hz: float) -> str:
    low, high = hertz(low_hz), hertz(high_hz)
    return f"at {low}" if low == high else f"between {low} and {high}"


def _odds(log_odds: float) -> str:
    if log_odds > np.log(1e4):
        return "more than 10 000 to 1"
    odds = float(np.exp(log_odds))
    return f"{odds:.2g} to 1" if odds < 10 else f"{odds:.0f} to 1"
