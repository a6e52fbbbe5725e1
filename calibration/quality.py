"""How good a calibration is, in numbers and plain words: what checks each standard, where it is weak."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.stats import norm

from whichcore.analysis.types import FloatArray
from whichcore.calibration.error_model import ErrorModel
from whichcore.wording import hertz

UNCHECKED = 0.99  # leverage from which on nothing checks a standard; practice
CHANCE = 0.01  # of a remark on the misfits of a sound set
WEAK = 100.0  # condition number at which a thousandth of a reading is a tenth of the result; practice
PEAK = 10.0  # times the median of the band: one frequency is worse than the rest; practice
GROWN, TIMES = 2.0, 3.0  # misfit of the upper quarter of the band, and how often that of the lower; practice


@dataclass(frozen=True, slots=True)
class StandardQuality:
    """One standard.

    Attributes
    ----------
    name : str
    leverage_max : float
        Largest share it has in its own fitted value; at 1 nothing checks it.
    misfit_max : float
        Largest residual over its expected standard deviation; 0 where nothing checks it.
    at_hz : float
        Where the misfit is largest.
    """

    name: str
    leverage_max: float
    misfit_max: float
    at_hz: float


@dataclass(frozen=True, slots=True)
class Quality:
    """What a calibration says of itself.

    Attributes
    ----------
    rows : tuple of StandardQuality
        In the order of the model's standards; none for a model without standards.
    condition_max, at_hz : float
        Worst condition number and its frequency.
    remarks : tuple of str
        Sentences without a full stop, most serious first; empty where there is nothing to say.
    """

    rows: tuple[StandardQuality, ...]
    condition_max: float
    at_hz: float
    remarks: tuple[str, ...]


def quality(model: ErrorModel) -> Quality:
    """Return leverage, misfit and condition of a calibration, with remarks in plain words."""
    f = model.frequency_hz
    leverage, misfit = _shares(model)
    rows = tuple(
        StandardQuality(name, float(share.max()), float(off.max()), float(f[np.argmax(off)]))
        for name, share, off in zip(model.standards, leverage, misfit, strict=True)
    )
    worst = int(np.argmax(model.condition))
    remarks = [
        *_left_out(model),
        *_contradictions(model.standards, misfit, f),
        *_weak_points(model),
        *_unchecked(model, leverage),
    ]
    return Quality(rows, float(model.condition[worst]), float(f[worst]), tuple(remarks))


def _shares(model: ErrorModel) -> tuple[FloatArray, FloatArray]:
    """Return leverage and misfit, (N, F); a model that solves as many unknowns as standards checks none."""
    shape = (len(model.standards), model.frequency_hz.size)
    if "leverage" in model.details and "misfit" in model.details:
        return (
            np.asarray(model.details["leverage"], dtype=float).reshape(shape),
            np.asarray(model.details["misfit"], dtype=float).reshape(shape),
        )
    return np.ones(shape), np.zeros(shape)


def _left_out(model: ErrorModel) -> list[str]:
    if "left_out_hz" not in model.details:
        return []
    places = np.asarray(model.details["left_out_hz"], dtype=float)
    reasons = [str(text) for text in model.details["left_out_why"]]
    return [
        f"{hertz(place, 4)} is left out of the calibration: {why}"
        for place, why in zip(places, reasons, strict=True)
    ]


def _contradictions(names: tuple[str, ...], misfit: FloatArray, f: FloatArray) -> list[str]:
    """Name what misfits more than chance allows, and what misfits more and more with frequency."""
    if misfit.size == 0 or not misfit.any():
        return []
    remarks = []
    quarter = max(1, f.size // 4)
    low, high = (np.sqrt(np.mean(part**2, axis=1)) for part in (misfit[:, :quarter], misfit[:, -quarter:]))
    growing = (high > GROWN) & (high > TIMES * low)
    # the one at fault pulls the others with it: those that misfit about as much stay under suspicion together
    suspects = [n for n, grows, h in zip(names, growing, high, strict=True) if grows and h > 0.9 * high.max()]
    if suspects:
        remarks.append(
            f"{' or '.join(suspects)}: the misfit grows with frequency, to {high.max():.2g} standard "
            f"deviations at {hertz(f[-1], 4)}: an inductance or capacitance that its statement does not hold"
        )
    # the widest case: all noise in one direction of the complex plane
    limit = float(norm.isf(CHANCE / (2 * misfit.size)))
    for name, off in zip(names, misfit, strict=True):
        if off.max() > limit and name not in suspects:
            worst = hertz(f[np.argmax(off)], 4)
            remarks.append(
                f"{name} misfits by {off.max():.2g} standard deviations at {worst}, more than chance allows "
                f"({limit:.2g}): clean the contacts, measure it again"
            )
    return remarks


def _weak_points(model: ErrorModel) -> list[str]:
    """Name the frequencies at which the standards determine the bench badly."""
    condition, f = model.condition, model.frequency_hz
    weak = condition > min(WEAK, max(PEAK * float(np.median(condition)), 20.0))
    if not weak.any():
        return []
    worst = int(np.argmax(condition))
    return [
        f"at {_span(f, weak)} the standards hardly tell the bench's unknowns apart (condition up to "
        f"{condition[worst]:.3g} at {hertz(f[worst], 4)}, {np.median(condition):.2g} in the middle of the "
        f"band): errors are multiplied there, and the stated uncertainty says so; add a standard of another "
        f"impedance"
    ]


def _unchecked(model: ErrorModel, leverage: FloatArray) -> list[str]:
    """Say which standards nothing else checks, what a fault of theirs would do, and what would show it."""
    alone = leverage > UNCHECKED
    if alone.size and alone.all():
        listed = ", ".join(model.standards[:-1]) + f" or {model.standards[-1]}"
        return [
            f"nothing checks {listed}: there are as many unknowns as standards; a bad contact is believed, "
            "an inductive load turns every result with frequency, unseen; a good capacitor as one more "
            "standard would check the load"
        ]
    return [
        f"nothing checks the {name} at {_span(model.frequency_hz, mask)}: its contact is believed; one more "
        "part of about its impedance would show a fault"
        for name, mask in zip(model.standards, alone, strict=True)
        if mask.any()
    ]


def _span(f: FloatArray, mask: NDArray[np.bool_]) -> str:
    places = f[mask]
    if places.size == 1:
        return hertz(places[0], 4)
    return f"{places.size} of {f.size} frequencies, {hertz(places[0], 4)} to {hertz(places[-1], 4)}"
