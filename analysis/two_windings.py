"""Two windings of one core: what their overlap says of winding capacitance and turns.

Many turns show the core at low frequencies, few at high ones; where both were swept they must show one
permeability. With y = ln μ of each,

    d = y_many − y_few = Σ_k D_k ξ_k + n + 2 ln(wrong turns),

every error source ξ_k of unit variance, what both share (dimensions, a frozen calibration) only by its
difference. The sources of both windings (capacitance, stray inductance, resistance) are solved for by
least squares with their priors of :mod:`whichcore.analysis.winding`, all others are noise:

    ξ = Dᵀ V⁻¹ d,   V = Σ D Dᵀ + N

(generalised least squares with prior information; derived here). A wrong count shifts the real part of d by a
constant, the capacitance bends it with ω²: so the two are told apart. In ln μ the size of the core drops out
altogether, which also means that both counts wrong in one ratio cannot be seen.

Sweeps need not share their frequencies. The many turns' curve is brought to the frequencies of the few by a
cubic in ln f through the four nearest points, which is linear in the data, so that covariances go through it
exactly; choosing points within 1 % of each other instead would leave two grids of twelve points a decade
with hardly a pair. Twice what the cubic differs from the quadratic is its own uncertainty, nothing where
frequencies agree.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, fields, is_dataclass, replace
from itertools import product

import numpy as np
from scipy import stats

from whichcore.analysis.curve_difference import log_curve
from whichcore.analysis.overlap_fit import FEW, MANY, Fit, Wound, left_covariance, solve_fit, stated_fit
from whichcore.analysis.permeability import winding_seen
from whichcore.analysis.priors import TURN_SLIP_PROBABILITY
from whichcore.analysis.specimen import Rod, Specimen
from whichcore.analysis.types import ComplexArray, FloatArray, Wiring
from whichcore.analysis.winding import CAPACITANCE
from whichcore.errors import AnalysisError

LEAST_POINTS = 3
"""Of the overlap: a constant and a bend need three."""
LARGEST_EFFECT = 0.3
"""Relative effect of one u(C_w) on μ above which a point is too near the self-resonance of its winding for
first order; practice."""
SECOND_SLIP = 0.2
"""How much rarer two miscounted turns are than one; practice."""
OTHER_CAUSE, OTHER_LEVEL, OTHER_LOSS = 0.01, 0.15, 0.05
"""Prior probability that another cause than turns is behind an offset (another piece, level, temperature),
and the relative offset of level and of the loss angle it then makes; practice."""
_WORTH_REFINING = 60.0
"""Difference in log evidence, by first order at the prior, up to which turn counts are solved to the end."""


@dataclass(frozen=True, slots=True)
class Turns:
    """Turn counts that would explain the overlap; two each for a sweep with two windings.

    Attributes
    ----------
    many, few : tuple of int
    probability : float
        With what is known of miscounting: most counts are right.
    by_overlap : float
        With every count alike beforehand: what the overlap alone says.
    """

    many: tuple[int, ...]
    few: tuple[int, ...]
    probability: float
    by_overlap: float


@dataclass(frozen=True, slots=True)
class Residue:
    """What the overlap says of one source of a winding.

    Attributes
    ----------
    id : str
    shift : float
        Its most likely error, in its own standard uncertainties.
    left : float
        Standard uncertainty that is left of it, as a share of what it was.
    """

    id: str
    shift: float
    left: float


@dataclass(frozen=True, slots=True)
class FoundWinding:
    """One winding after the overlap was solved.

    Attributes
    ----------
    name : str
        "many" or "few".
    capacitance_f, u_capacitance_f : float
    expected_f, u_expected_f : float
        Before.
    residues : tuple of Residue
    turns_probability : float
        That its turns are as stated.
    turns_by_overlap : float
        The same by the overlap alone, were every count alike beforehand.
    """

    name: str
    capacitance_f: float
    u_capacitance_f: float
    expected_f: float
    u_expected_f: float
    residues: tuple[Residue, ...]
    turns_probability: float
    turns_by_overlap: float


@dataclass(frozen=True, slots=True)
class Overlap:
    """What two windings of one core say together.

    Attributes
    ----------
    frequency_hz : float array (n,)
        Of the overlap.
    difference : complex array (n,)
        ln μ_many − ln μ_few after solving: relative difference of level, and of loss angle (negative) in rad.
    u_difference : float array (n, 2)
        Its standard uncertainties.
    windings : (FoundWinding, FoundWinding)
        Many, few.
    turns : tuple of Turns
        Most probable first; with ``other_probability`` they sum to one.
    other_probability : float
        That something else is wrong: the piece, level or temperature.
    chi_squared : float
    degrees_of_freedom : int
    p_value : float
        Probability of a larger χ².
    left_out_hz : float array
        Frequencies of the many turns too near their self-resonance to be used.
    notes : tuple of str
    fit : Fit
        With the turns stated.
    """

    frequency_hz: FloatArray
    difference: ComplexArray
    u_difference: FloatArray
    windings: tuple[FoundWinding, FoundWinding]
    turns: tuple[Turns, ...]
    other_probability: float
    chi_squared: float
    degrees_of_freedom: int
    p_value: float
    left_out_hz: FloatArray
    notes: tuple[str, ...]
    fit: Fit

    @property
    def stated_probability(self) -> float:
        """That the turns are as stated."""
        return min(found.turns_probability for found in self.windings)

    @property
    def seen_probability(self) -> float:
        """The same by the overlap alone."""
        return min(found.turns_by_overlap for found in self.windings)


def solve_overlap(many: Wound, few: Wound) -> Overlap:
    """Solve the overlap of two sweeps of one core for the windings' errors and judge the turns.

    Parameters
    ----------
    many, few : Wound
        With many turns (one winding, or two), and with few turns (one winding).

    Returns
    -------
    Overlap
        Turns off by one or two in each winding are weighed against those stated, with the winding's elements
        as estimated for the turns stated. Nothing is refused for contradicting; see
        :mod:`whichcore.analysis.contradiction`.

    Raises
    ------
    AnalysisError
        Different cores, the same turns, too little overlap, a curve that is none.
    """
    _require_partners(many, few)
    near = _near_resonance(many)
    left_out = many.sweep.frequency_hz[near]
    kept = _without(many, near)
    grid = _overlap_grid(kept.sweep.frequency_hz, few.sweep.frequency_hz, left_out)
    stated = stated_fit(kept, few, grid)
    turns, other = _weigh(kept, few, grid, stated)
    size = stated.difference.value.size
    solved = stated.difference.value
    covariance = left_covariance(stated)
    points = size // 2
    return Overlap(
        frequency_hz=few.sweep.frequency_hz[grid],
        difference=solved[:points] + 1j * solved[points:],
        u_difference=np.sqrt(np.diag(covariance)).reshape(2, points).T,
        windings=(_found(kept, stated, MANY, turns), _found(few, stated, FEW, turns)),
        turns=turns,
        other_probability=other,
        chi_squared=stated.chi_squared,
        degrees_of_freedom=size,
        p_value=float(stats.chi2.sf(stated.chi_squared, size)),
        left_out_hz=left_out,
        notes=_notes(many, few, left_out),
        fit=stated,
    )


# ------------------------------------------------------------------------------------------- what fits


def _require_partners(many: Wound, few: Wound) -> None:
    """Refuse two sweeps that are not two windings of one core."""
    for wound, name in ((many, MANY), (few, FEW)):
        if isinstance(wound.specimen.core, Rod):
            raise AnalysisError(
                "a rod shows its shape: two windings of it cannot be joined", where=name, got="rod"
            )
        if wound.specimen.winding.ideal:
            raise AnalysisError(
                "this winding is ideal already: the sweep was joined before", where=f"{name}: winding.ideal"
            )
    if few.two_windings:
        raise AnalysisError(
            "a second winding serves at low frequencies: it is the part with many turns",
            where=FEW,
            got=Wiring.TWO_WINDINGS.value,
            allowed="one winding",
            next_step="exchange the two parts",
        )
    _require_one_core(many.specimen, few.specimen)
    first, second = many.specimen.winding.turns, few.specimen.winding.turns
    if first < second or (first == second and not many.two_windings):
        raise AnalysisError(
            "the same turns show nothing new" if first == second else "the parts are exchanged",
            where="winding.turns",
            got=f"{first} and {second}",
            allowed="more turns in the part with many",
            next_step="wind again with other turns" if first == second else "exchange the two parts",
        )


def _require_one_core(one: Specimen, other: Specimen) -> None:
    """Refuse cores that are not stated alike: only then their errors are the same."""
    pairs: dict[str, tuple[object, object]] = {
        "core": (one.core, other.core),
        "gap": (one.gap_m, other.gap_m),
        "crack": (one.crack, other.crack),
        "dimension uncertainties": (
            dict(one.dimension_uncertainties_m),
            dict(other.dimension_uncertainties_m),
        ),
    }
    for what, (first, second) in pairs.items():
        if first != second:
            raise AnalysisError(
                f"the two specimens do not state one {what}",
                where=what,
                got=_first_difference(first, second),
                allowed="the same in both",
                next_step="if it is one piece, state the same dimensions in both files",
            )


def _first_difference(one: object, other: object) -> str:
    if type(one) is type(other) and is_dataclass(one):
        for field in fields(one):
            first, second = getattr(one, field.name), getattr(other, field.name)
            if first != second:
                return f"{field.name} {first} and {second}"
    return f"{one} and {other}"


def _near_resonance(wound: Wound) -> np.ndarray:
    curve = log_curve(wound.sweep, wound.specimen, winding_seen(wound.sweep, wound.specimen), MANY)
    effects = [abs(s.sensitivity) for s in curve.sources if s.id == f"{MANY}/{CAPACITANCE}"]
    first = np.flatnonzero(np.sum(effects, axis=0) > LARGEST_EFFECT) if effects else np.zeros(0, dtype=int)
    # beyond a resonance the effect may be small again, and the curve says nothing of the core all the same
    return np.arange(wound.sweep.frequency_hz.size) >= (first[0] if first.size else np.inf)


def _without(wound: Wound, drop: np.ndarray) -> Wound:
    """Leave points out."""
    keep = ~drop
    if not np.any(keep):
        raise AnalysisError(
            "the whole sweep lies at the self-resonance of its winding",
            where=MANY,
            next_step="sweep the many turns at lower frequencies",
        )
    return replace(wound, sweep=wound.sweep.at(keep))


def usable(many: Wound) -> Wound:
    """Return the many turns without the points too near their self-resonance."""
    return _without(many, _near_resonance(many))


def _overlap_grid(many_hz: FloatArray, few_hz: FloatArray, left_out: FloatArray) -> np.ndarray:
    """Return the indices of the few turns' frequencies that both cover."""
    inside = (few_hz >= many_hz[0] * (1 - 1e-9)) & (few_hz <= many_hz[-1] * (1 + 1e-9))
    grid = np.flatnonzero(inside)
    if grid.size < LEAST_POINTS or many_hz.size < LEAST_POINTS:
        raise AnalysisError(
            "the sweeps do not overlap enough",
            where="frequency_hz",
            got=f"{grid.size} points of the few turns between {many_hz[0]:g} Hz and {many_hz[-1]:g} Hz"
            + (", above it the many turns are at their self-resonance" if left_out.size else ""),
            allowed=f"{LEAST_POINTS} or more in common, better half a decade",
            next_step="sweep the few turns further down, or the many further up",
        )
    return grid


# ------------------------------------------------------------------------------------------- turns


def _counts(stated: tuple[int, ...]) -> Iterator[tuple[tuple[int, ...], float]]:
    """Yield turn counts within two of those stated, with their prior weights."""
    weights = {0: 1.0, 1: TURN_SLIP_PROBABILITY, 2: SECOND_SLIP * TURN_SLIP_PROBABILITY}
    for moves in product(range(-2, 3), repeat=len(stated)):
        counts = tuple(n + move for n, move in zip(stated, moves, strict=True))
        if min(counts) >= 1:
            yield counts, float(np.prod([weights[abs(move)] for move in moves]))


def _square(counts: tuple[int, ...]) -> float:
    """Return ln N², or ln N1 N2."""
    return 2.0 * float(np.mean(np.log(counts)))


def _other_columns(points: int) -> FloatArray:
    """Return an offset of level and one of loss, common to the overlap."""
    columns = np.zeros((2 * points, 2))
    columns[:points, 0], columns[points:, 1] = OTHER_LEVEL, OTHER_LOSS
    return columns


def _weigh(many: Wound, few: Wound, grid: np.ndarray, stated: Fit) -> tuple[tuple[Turns, ...], float]:
    """Return the turn counts with their probabilities, and that of another cause."""
    # d holds −ln N_many² + ln N_few²: were the true counts others, d as computed would be off by this
    rows = []
    for (ours, weight), (theirs, factor) in product(_counts(many.counts), _counts(few.counts)):
        offset = _square(ours) - _square(many.counts) - (_square(theirs) - _square(few.counts))
        rows.append((ours, theirs, weight * factor, round(offset, 12)))
    start = solve_fit(many, few, grid, 0.0, rounds=1)
    first = {offset: _linear_evidence(start, offset) for *_, offset in rows}
    best = max(first.values())
    found = {
        offset: _evidence(many, few, grid, offset) if evidence > best - _WORTH_REFINING else evidence
        for offset, evidence in first.items()
        if offset != 0
    }
    found[0.0] = stated.log_evidence
    other = solve_fit(many, few, grid, 0.0, extra=_other_columns(grid.size))
    logs = np.array([found[offset] for *_, offset in rows])
    weights = np.array([weight for *_, weight, _ in rows])
    shares = _shares(np.append(np.log(weights) + logs, np.log(OTHER_CAUSE) + other.log_evidence))
    alike = _shares(logs)
    turns = [
        Turns(row[0], row[1], float(share), float(seen))
        for row, share, seen in zip(rows, shares[:-1], alike, strict=True)
    ]
    return tuple(sorted(turns, key=lambda t: -t.probability)), float(shares[-1])


def _shares(logs: FloatArray) -> FloatArray:
    shares = np.exp(logs - logs.max())
    return np.asarray(shares / shares.sum())


def _evidence(many: Wound, few: Wound, grid: np.ndarray, offset: float) -> float:
    """Return the log evidence of turns; none where no winding of theirs can be solved for."""
    try:
        return solve_fit(many, few, grid, offset).log_evidence
    except (np.linalg.LinAlgError, AnalysisError):
        return -np.inf


def _linear_evidence(start: Fit, offset: float) -> float:
    """Return the log evidence of turns by first order, from the windings as expected."""
    d = start.difference
    value = d.value.copy()
    value[: value.size // 2] -= offset
    covariance = d.rest + d.solved @ d.solved.T
    return -0.5 * float(value @ np.linalg.solve(covariance, value) + np.linalg.slogdet(covariance)[1])


# ------------------------------------------------------------------------------------------- in words


def _found(part: Wound, fit: Fit, name: str, turns: tuple[Turns, ...]) -> FoundWinding:
    model = winding_seen(part.sweep, part.specimen)
    ids = list(fit.difference.solved_ids)
    left = np.sqrt(np.maximum(1 - np.sum(fit.gain * fit.difference.solved.T, axis=1), 0.0))
    residues = tuple(
        Residue(identity.removeprefix(f"{name}/"), float(fit.errors[k]), float(left[k]))
        for k, identity in enumerate(ids)
        if identity.startswith(f"{name}/")
    )
    counts = part.counts
    # seen from a second winding the capacitance is that across the first times N1/N2
    ratio = counts[0] / counts[1] if len(counts) == 2 else 1.0
    expected = float(model.capacitance_f.value[0]) / ratio
    spread = sum(float(error.change[0]) for error in model.capacitance_f.errors) / ratio
    own = next((r for r in residues if r.id == CAPACITANCE), Residue(CAPACITANCE, 0.0, 1.0))
    same = [t for t in turns if (t.many if name == MANY else t.few) == counts]
    return FoundWinding(
        name,
        expected - own.shift * spread,
        own.left * spread,
        expected,
        spread,
        residues,
        sum(t.probability for t in same),
        sum(t.by_overlap for t in same),
    )


def _notes(many: Wound, few: Wound, left_out: FloatArray) -> tuple[str, ...]:
    notes = []
    if left_out.size:
        notes.append(
            f"{left_out.size} points of the many turns from {left_out[0]:g} Hz on lie too near their "
            "self-resonance and are left out"
        )
    if many.sweep.flux_density_t is None or few.sweep.flux_density_t is None:
        notes.append("a sweep does not state its flux density: both are taken to have been at the same level")
    warm = [w.sweep.temperature_c or w.specimen.temperature_c for w in (many, few)]
    if warm[0] is not None and warm[1] is not None and abs(warm[0] - warm[1]) > 2:
        notes.append(f"the sweeps were taken at {warm[0]:g} °C and {warm[1]:g} °C")
    return tuple(notes)
