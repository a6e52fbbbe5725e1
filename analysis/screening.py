"""Judge transcribed permeability curves before they may serve as references.

A collection of curves read off other people's figures holds curves under the wrong name, in the wrong unit,
with broken ends or with the winding still in them. Each curve is taken through checks that look at the
curve alone, then the curves are compared with each other, and at last each source family is judged as a
whole. Nothing is repaired: a curve passes as it stands, loses an end (which is noted), or is refused with
the reason. Pure: arrays in, arrays out.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from enum import StrEnum

import numpy as np
from numpy.typing import NDArray
from scipy.interpolate import PchipInterpolator
from scipy.signal import find_peaks

from whichcore.analysis.causality import COPPER_SHARE, DOUBTFUL_RESIDUAL, Causality, check_causality
from whichcore.analysis.materials import MaterialClass
from whichcore.analysis.types import ComplexArray, FloatArray
from whichcore.wording import hertz, in_percent

LEAST_POINTS = 12
LEAST_POINTS_PER_DECADE = 4.0
LEAST_SPAN_DECADES = 1.0
MOST_POINTS = 150
LABEL_TOLERANCE = 0.25
LEAST_DISPERSION = 0.1
SNOEK_FACTOR = 3.0
SNOEK_HZ = {
    MaterialClass.MNZN: 5e9,
    MaterialClass.NIZN: 5.6e9,
    MaterialClass.MGZN: 5.6e9,
    MaterialClass.CARBONYL_POWDER: 15e9,
}
COPPER_OF_MODULUS = 0.003
WINDING_SPAN = 1.6
COPY_RESIDUAL = 0.005
FAMILY_SHARE = 1 / 3

_TAIL_LEVELS = (0.01, 0.03, 0.1, 0.3)
_NOISE_DECADES = (0.0, 1.0, 2.0)
_AMBIGUITY = 0.1

Mask = NDArray[np.bool_]


class Reason(StrEnum):
    """Why a curve is refused."""

    TOO_FEW_POINTS = "too few points"
    AMBIGUOUS = "two values at one frequency"
    NO_OVERLAP = "real and imaginary part do not overlap"
    BROKEN = "negative or broken ends leave too little"
    LABEL = "contradicts the declared initial permeability"
    UNIT = "frequencies stored in kHz as Hz"
    NO_DISPERSION = "ends before any dispersion"
    WINDING = "winding resistance left in"
    NOT_CAUSAL = "real and imaginary part do not belong together"
    COPY = "scaled copy of another curve"
    FAMILY = "source family cannot be trusted"


@dataclass(frozen=True, slots=True)
class RawCurve:
    """A curve as a collection holds it.

    Attributes
    ----------
    id, family : str
        Name of the curve, and of the source it shares with others.
    material_class : MaterialClass
    declared_permeability : float or None
        Initial permeability the collection states beside the curve.
    real_hz, real : float array (M,)
        Frequencies and values of μ′.
    imag_hz, imag : float array (N,)
        Frequencies and values of μ″, loss positive.
    """

    id: str
    family: str
    material_class: MaterialClass
    declared_permeability: float | None
    real_hz: FloatArray
    real: FloatArray
    imag_hz: FloatArray
    imag: FloatArray


@dataclass(frozen=True, slots=True)
class CleanCurve:
    """A curve that passed.

    Attributes
    ----------
    id, family : str
    frequency_hz : float array (F,)
        Strictly increasing, at most ``MOST_POINTS``.
    permeability : complex array (F,)
        μ′ − jμ″.
    corner_hz : float or None
        Frequency of the loss peak; None when the curve ends before it.
    residual_rms : float
        Of the causality test.
    notes : tuple of str
        What was cut or could not be seen.
    """

    id: str
    family: str
    frequency_hz: FloatArray
    permeability: ComplexArray
    corner_hz: float | None
    residual_rms: float
    notes: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Refusal:
    """A curve that did not pass, and why."""

    id: str
    family: str
    reason: Reason
    detail: str


@dataclass(frozen=True, slots=True)
class Screening:
    """Outcome for a whole collection."""

    accepted: tuple[CleanCurve, ...]
    refused: tuple[Refusal, ...]


def screen(curves: Iterable[RawCurve]) -> Screening:
    """Screen a collection: each curve, copies among those that pass, then each family.

    Parameters
    ----------
    curves : iterable of RawCurve

    Returns
    -------
    Screening
        Every curve is in exactly one of its two tuples, in the order given.
    """
    raws = list(curves)
    outcome: dict[str, CleanCurve | Refusal] = {raw.id: screen_curve(raw) for raw in raws}
    passed = [item for item in outcome.values() if isinstance(item, CleanCurve)]
    mismatch = {raw.id: _label_mismatch(raw) for raw in raws}
    outcome |= {copy.id: copy for copy in _copies(passed, mismatch)}
    outcome |= {refusal.id: refusal for refusal in _untrusted_families(list(outcome.values()))}
    return Screening(
        accepted=tuple(item for item in outcome.values() if isinstance(item, CleanCurve)),
        refused=tuple(item for item in outcome.values() if isinstance(item, Refusal)),
    )


def screen_curve(raw: RawCurve) -> CleanCurve | Refusal:
    """Take one curve through every check that needs no other curve.

    Parameters
    ----------
    raw : RawCurve

    Returns
    -------
    CleanCurve or Refusal
    """
    try:
        return _clean(raw)
    except _RefusedError as refused:
        return Refusal(raw.id, raw.family, refused.reason, refused.detail)


class _RefusedError(Exception):
    """Leaves the checks of one curve; never leaves this module."""

    def __init__(self, reason: Reason, detail: str) -> None:
        super().__init__(detail)
        self.reason = reason
        self.detail = detail


def _clean(raw: RawCurve) -> CleanCurve:
    real_hz, real = _single_valued(raw.real_hz, raw.real, "μ′")
    imag_hz, imag = _single_valued(raw.imag_hz, raw.imag, "μ″")
    _check_label(raw, real_hz, real)
    frequency_hz, permeability = _merged(real_hz, real, imag_hz, imag)
    notes: list[str] = []
    keep = _lossy_span(frequency_hz, permeability, notes)
    frequency_hz, permeability = frequency_hz[keep], permeability[keep]
    corner_hz = _corner(frequency_hz, permeability)
    _check_unit(raw, real, corner_hz)
    frequency_hz, permeability, test = _without_winding(frequency_hz, permeability, corner_hz, notes)
    frequency_hz, permeability, test = _causal_span(frequency_hz, permeability, test, corner_hz, notes)
    corner_hz = _corner(frequency_hz, permeability)
    if corner_hz is None:
        _check_dispersion(permeability)
        notes.append("corner not seen")
    return CleanCurve(
        raw.id, raw.family, frequency_hz, permeability, corner_hz, test.residual_rms, tuple(notes)
    )


def _single_valued(frequency_hz: FloatArray, values: FloatArray, name: str) -> tuple[FloatArray, FloatArray]:
    """Sort by frequency and average values given twice, if they agree within 10 %."""
    usable = np.isfinite(frequency_hz) & np.isfinite(values) & (frequency_hz > 0)
    if not usable.all():
        raise _RefusedError(Reason.BROKEN, f"{name} holds values that are no numbers, or frequencies of zero")
    unique, inverse, counts = np.unique(frequency_hz, return_inverse=True, return_counts=True)
    mean = np.bincount(inverse, weights=values) / counts
    spread = np.abs(values - mean[inverse])
    if (spread > _AMBIGUITY * np.abs(mean[inverse])).any():
        worst = unique[inverse][int(spread.argmax())]
        raise _RefusedError(Reason.AMBIGUOUS, f"{name} has two values at {hertz(worst, 4)}")
    return unique, mean


def _check_label(raw: RawCurve, real_hz: FloatArray, real: FloatArray) -> None:
    """Compare μ′ at the low end with the declared μi.

    The tolerance is that of μi itself, ±25 % (common practice of the makers): two figures of one grade, the
    table and the curve, taken on different cores, differ by less than two cores of a delivery may.
    """
    if raw.declared_permeability is None or real.size == 0:
        return
    ratio = _low_end(real_hz, real) / raw.declared_permeability
    if not 1 / (1 + LABEL_TOLERANCE) <= ratio <= 1 + LABEL_TOLERANCE:
        raise _RefusedError(
            Reason.LABEL,
            f"μ′ begins at {ratio * raw.declared_permeability:.4g}, declared are "
            f"{raw.declared_permeability:.4g}",
        )


def _label_mismatch(raw: RawCurve) -> float:
    if raw.declared_permeability is None or raw.real.size == 0:
        return 0.0
    order = np.argsort(raw.real_hz)
    low = _low_end(raw.real_hz[order], raw.real[order])
    return abs(low / raw.declared_permeability - 1)


def _low_end(real_hz: FloatArray, real: FloatArray) -> float:
    return float(np.median(real[real_hz <= 2 * real_hz[0]]))


def _merged(
    real_hz: FloatArray, real: FloatArray, imag_hz: FloatArray, imag: FloatArray
) -> tuple[FloatArray, ComplexArray]:
    """Bring both parts onto one grid over their common span.

    The grid is that of the parts together, thinned to ``MOST_POINTS`` points at equal ratios. Between points
    μ′, and μ″ where it is positive its logarithm, follow a monotone cubic in log f (F. N. Fritsch and
    R. E. Carlson, SIAM J. Numer. Anal. 17, 238 (1980); from memory), which adds no extremum. A Debye loss
    peak is 1.1 decades wide at half height, so four points a decade are the least that show its shape.
    """
    if min(real_hz.size, imag_hz.size) < LEAST_POINTS:
        raise _RefusedError(
            Reason.TOO_FEW_POINTS,
            f"{real_hz.size} points of μ′ and {imag_hz.size} of μ″, needed {LEAST_POINTS}",
        )
    low, high = max(real_hz[0], imag_hz[0]), min(real_hz[-1], imag_hz[-1])
    decades = np.log10(high / low)
    if decades < LEAST_SPAN_DECADES:
        raise _RefusedError(
            Reason.NO_OVERLAP, f"μ′ and μ″ share {max(decades, 0):.2g} decades, needed {LEAST_SPAN_DECADES:g}"
        )
    for name, grid in (("μ′", real_hz), ("μ″", imag_hz)):
        inside = int(((grid >= low) & (grid <= high)).sum())
        if inside < max(LEAST_POINTS, LEAST_POINTS_PER_DECADE * decades):
            raise _RefusedError(Reason.TOO_FEW_POINTS, f"{inside} points of {name} on {decades:.2g} decades")
    grid = _thinned(np.union1d(real_hz, imag_hz), float(low), float(high))
    real_there = PchipInterpolator(np.log(real_hz), real)(np.log(grid))
    return grid, np.asarray(real_there - 1j * _loss_on(grid, imag_hz, imag), dtype=np.complex128)


def _loss_on(grid: FloatArray, imag_hz: FloatArray, imag: FloatArray) -> FloatArray:
    """Interpolate μ″: its logarithm where both neighbours are positive, itself elsewhere."""
    plain = np.asarray(np.interp(np.log(grid), np.log(imag_hz), imag), dtype=np.float64)
    positive = imag > 0
    if positive.sum() < 2:
        return plain
    logarithm = PchipInterpolator(np.log(imag_hz[positive]), np.log(imag[positive]))(np.log(grid))
    right = np.clip(np.searchsorted(imag_hz, grid), 1, imag_hz.size - 1)
    both = positive[right] & positive[right - 1]
    return np.asarray(np.where(both, np.exp(logarithm), plain), dtype=np.float64)


def _thinned(grid: FloatArray, low: float, high: float) -> FloatArray:
    inside = grid[(grid >= low) & (grid <= high)]
    if inside.size > MOST_POINTS:
        return np.asarray(np.geomspace(low, high, MOST_POINTS), dtype=np.float64)
    bins = np.floor(np.log(inside / low) / np.log(high / low) * 2 * MOST_POINTS)
    _, apart = np.unique(bins, return_index=True)  # of points that all but coincide the first is enough
    return np.asarray(inside[apart], dtype=np.float64)


def _lossy_span(frequency_hz: FloatArray, permeability: ComplexArray, notes: list[str]) -> slice:
    """Cut the ends where μ″ is not positive."""
    loss = -permeability.imag
    peak = int(loss.argmax())
    bad = np.flatnonzero(loss <= 0)
    start = int(bad[bad < peak].max()) + 1 if (bad < peak).any() else 0
    stop = int(bad[bad > peak].min()) if (bad > peak).any() else loss.size
    _require_span(frequency_hz[start:stop], Reason.BROKEN, "μ″ is positive")
    if start > 0:
        notes.append(f"cut below {hertz(frequency_hz[start])}, where μ″ is not positive")
    if stop < loss.size:
        notes.append(f"cut above {hertz(frequency_hz[stop - 1])}, where μ″ is not positive")
    return slice(start, stop)


def _require_span(frequency_hz: FloatArray, reason: Reason, what: str) -> None:
    decades = np.log10(frequency_hz[-1] / frequency_hz[0]) if frequency_hz.size else 0.0
    if decades < LEAST_SPAN_DECADES or frequency_hz.size < LEAST_POINTS:
        raise _RefusedError(reason, f"{what} on {decades:.2g} decades and {frequency_hz.size} points only")


def _corner(frequency_hz: FloatArray, permeability: ComplexArray) -> float | None:
    """Return the frequency of the loss peak: the highest maximum of μ″ above which nothing is higher.

    It must stand 3 % above its surroundings, several times what a curve is read to; and μ″ rising again to
    the upper end means that the maximum was a ripple and the peak lies beyond.
    """
    loss = -permeability.imag
    peaks, _ = find_peaks(np.log(np.maximum(loss, np.finfo(float).tiny)), prominence=np.log(1.03))
    if not peaks.size:
        return None
    peak = peaks[loss[peaks].argmax()]
    return float(frequency_hz[peak]) if loss[peak] >= loss[peak:].max() else None


def _check_unit(raw: RawCurve, real: FloatArray, corner_hz: float | None) -> None:
    """Refuse a curve whose Snoek product leaves its class and returns when kHz are read for Hz.

    J. L. Snoek, Physica 14, 207 (1948), from memory: (μi − 1) f_r = (2/3)(γ/2π) μ0Ms, 5.6 GHz for the
    0.30 T of NiZn; MnZn is taken at 5 GHz (its 6 to 9 GHz are lowered by walls and eddy currents; practice).
    Curves limited by eddy currents, walls or the section break the law rightly, so the product alone is no
    reason; a factor of a thousand is.
    """
    typical = SNOEK_HZ.get(raw.material_class)
    if typical is None or corner_hz is None:
        return
    product = (real[0] - 1) * corner_hz
    if not near_snoek(product, typical) and near_snoek(1000 * product, typical):
        raise _RefusedError(
            Reason.UNIT,
            f"loss peak at {hertz(corner_hz)} makes a Snoek product of {hertz(product, 2)}; "
            f"{raw.material_class} has some {hertz(typical, 2)}",
        )


def near_snoek(product_hz: float, typical_hz: float) -> bool:
    """See whether a product of level and corner is that of its class, within SNOEK_FACTOR to either side."""
    return typical_hz / SNOEK_FACTOR <= product_hz <= typical_hz * SNOEK_FACTOR


def _without_winding(
    frequency_hz: FloatArray, permeability: ComplexArray, corner_hz: float | None, notes: list[str]
) -> tuple[FloatArray, ComplexArray, Causality]:
    """Cut the low end where a −j/ω residue is over a fifth of μ″ and over 0.3 % of |μ|.

    0.3 % of |μ| is what a well-read curve is uncertain by in the causality test; a residue below it says
    nothing. So does a rise of the first few points: 1/f is believed over a factor of 1.6 or more. The cut
    must leave the flank of the loss peak: a factor of three below it.
    """
    test = check_causality(frequency_hz, permeability)
    if not test.copper_residue:
        return frequency_hz, permeability, test
    copper = test.model.copper(frequency_hz)
    heavy = (copper > COPPER_SHARE * -permeability.imag) & (copper > COPPER_OF_MODULUS * np.abs(permeability))
    start = int(np.flatnonzero(heavy).max()) + 1 if heavy.any() else 0
    if start == 0:
        return frequency_hz, permeability, test
    if frequency_hz[start - 1] < WINDING_SPAN * frequency_hz[0]:
        return frequency_hz, permeability, test
    kept = frequency_hz[start:]
    _require_span(kept, Reason.WINDING, "μ″ is free of the winding")
    if corner_hz is not None and kept[0] > corner_hz / 3:
        raise _RefusedError(Reason.WINDING, f"μ″ falls as 1/f up to {hertz(kept[0])}, near its loss peak")
    notes.append(f"cut below {hertz(kept[0])}, where winding resistance is left in")
    return kept, permeability[start:], check_causality(kept, permeability[start:])


def _causal_span(
    frequency_hz: FloatArray,
    permeability: ComplexArray,
    test: Causality,
    corner_hz: float | None,
    notes: list[str],
) -> tuple[FloatArray, ComplexArray, Causality]:
    """Return the widest span that passes the causality test; only ends are cut, never the loss peak."""
    if test.residual_rms <= DOUBTFUL_RESIDUAL:
        return frequency_hz, permeability, test
    for keep in _spans(frequency_hz, permeability, corner_hz):
        rest = np.sqrt(np.mean(np.abs(test.residual[keep]) ** 2))
        if rest > test.residual_rms * 0.8:  # the misfit is not in the ends
            continue
        retest = check_causality(frequency_hz[keep], permeability[keep])
        if retest.residual_rms <= DOUBTFUL_RESIDUAL:
            low, high = frequency_hz[keep][[0, -1]]
            notes.append(f"kept from {hertz(low)} to {hertz(high)}; outside it the curve is not causal")
            return frequency_hz[keep], permeability[keep], retest
    raise _RefusedError(
        Reason.NOT_CAUSAL,
        f"Kramers–Kronig residual {test.residual_rms:.3g}, allowed {DOUBTFUL_RESIDUAL:g}",
    )


def _spans(frequency_hz: FloatArray, permeability: ComplexArray, corner_hz: float | None) -> list[slice]:
    """List the spans left when tail and low end are cut, the widest first."""
    size = np.abs(permeability)
    corner = corner_hz if corner_hz is not None else frequency_hz[-1]
    stops = {size.size}
    tails = [size < level * size.max() for level in _TAIL_LEVELS] + [permeability.real <= 0]
    for tail in tails:
        above = np.flatnonzero(tail & (frequency_hz > corner))
        stops |= {int(above[0])} if above.size else set()
    starts = {int(np.searchsorted(frequency_hz, frequency_hz[0] * 10**d)) for d in _NOISE_DECADES}
    spans = [
        slice(start, stop)
        for start in starts
        for stop in stops
        if (start, stop) != (0, size.size)
        and stop - start >= LEAST_POINTS
        and frequency_hz[start] <= corner / 10
        and frequency_hz[stop - 1] >= frequency_hz[start] * 10**LEAST_SPAN_DECADES
    ]
    return sorted(spans, key=lambda span: span.start - span.stop)


def _check_dispersion(permeability: ComplexArray) -> None:
    """Refuse a curve without its corner unless a tenth of a dispersion is seen, in μ″ or in μ′."""
    loss_tangent = -permeability.imag / np.abs(permeability.real)
    change = np.ptp(permeability.real) / np.abs(permeability.real[0])
    if loss_tangent[-1] < LEAST_DISPERSION and change < LEAST_DISPERSION:
        raise _RefusedError(
            Reason.NO_DISPERSION,
            f"loss tangent {loss_tangent[-1]:.2g} at the upper end and μ′ changes by {in_percent(change)}",
        )


def _copies(curves: Sequence[CleanCurve], mismatch: dict[str, float]) -> list[Refusal]:
    """Find curves that are another one times a real factor, and refuse all but the original.

    Two readings of different grades differ by several percent in shape; a multiplied curve agrees to the
    interpolation error. The one that fits its own label best counts as the original, of equals the one with
    more points.
    """
    ranked = sorted(curves, key=lambda curve: (round(mismatch[curve.id], 3), -curve.frequency_hz.size))
    grid = np.geomspace(1e2, 1e9, 351)
    shapes = np.array([_log_shape(curve, grid) for curve in ranked]).reshape(len(ranked), grid.size)
    originals: list[int] = []
    copies = []
    for index, curve in enumerate(ranked):
        twin = next((o for o in originals if _same_shape(shapes[index], shapes[o])), None)
        if twin is None:
            originals.append(index)
            continue
        factor = np.exp(np.nanmean((shapes[index] - shapes[twin]).real))
        detail = f"{factor:.3g} times the curve of {ranked[twin].id}"
        copies.append(Refusal(curve.id, curve.family, Reason.COPY, detail))
    return copies


def _log_shape(curve: CleanCurve, grid: FloatArray) -> ComplexArray:
    x, xp = np.log(grid), np.log(curve.frequency_hz)
    size = np.interp(x, xp, np.log(np.abs(curve.permeability)), left=np.nan, right=np.nan)
    angle = np.interp(x, xp, np.angle(curve.permeability), left=np.nan, right=np.nan)
    return np.asarray(size + 1j * angle, dtype=np.complex128)


def _same_shape(one: ComplexArray, other: ComplexArray) -> bool:
    difference = (one - other)[np.isfinite(one) & np.isfinite(other)]
    if difference.size < 50:  # one decade of the comparison grid
        return False
    spread = difference - difference.real.mean()
    return bool(np.sqrt(np.mean(np.abs(spread) ** 2)) < COPY_RESIDUAL)


def _untrusted_families(outcome: Sequence[CleanCurve | Refusal]) -> list[Refusal]:
    """Refuse what passed of a family of which more than a third failed."""
    total = Counter(item.family for item in outcome)
    failed = Counter(item.family for item in outcome if isinstance(item, Refusal))
    return [
        Refusal(
            item.id,
            item.family,
            Reason.FAMILY,
            f"{failed[item.family]} of the {total[item.family]} curves of its source fail",
        )
        for item in outcome
        if isinstance(item, CleanCurve) and failed[item.family] > FAMILY_SHARE * total[item.family]
    ]
