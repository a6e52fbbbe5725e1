"""Faults that show in the loss: negative, copper left in or taken off twice, not belonging to μ′."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy.special import chdtri, ndtri

from whichcore.analysis.causality import (
    COPPER_SHARE,
    DOUBTFUL_RESIDUAL,
    GOOD_RESIDUAL,
    Causality,
    check_causality,
    check_passivity,
)
from whichcore.analysis.pooling import pooled
from whichcore.analysis.trial.data import Line, TriedData, fit_line, relative_rows, smooth_part
from whichcore.analysis.trial.finding import Fault, Finding, Strength, Unit
from whichcore.analysis.trial.widening import smooth_sources, source
from whichcore.analysis.types import ErrorSource, FloatArray
from whichcore.analysis.uncertainty import common_columns, independent_covariance
from whichcore.analysis.winding import PROXIMITY, RESISTANCE
from whichcore.errors import AnalysisError
from whichcore.wording import hertz, in_percent, plain, quantity

#: Share of sweeps of a lossless core that may be called active.
FALSE_ALARMS = 0.01
#: Copper counts as found from this many standard uncertainties on: 3 of 1000 by chance.
COPPER_LIMIT = 3.0
#: Probability of a larger χ² below which real and imaginary part do not belong together.
CAUSAL_P = 1e-3
#: Part of |μ| that the causal model itself misses of a good curve, per component.
MODEL_MISS = GOOD_RESIDUAL / np.sqrt(2)
#: Points per decade the causality is judged on: more follow the same smooth curve.
POINTS_PER_DECADE = 20
_COPPER = (RESISTANCE, PROXIMITY)
#: Change of |μ| up to which Legg's law holds, and points its fit needs.
_FLAT, _LEAST_POINTS = 0.03, 6
#: Ratio of the frequencies the low end spans at most: one and a half decades.
_LOW_END = 30.0
#: Part of the loss that may go as √f instead, one standard deviation: spread relaxations, eddy currents that
#: begin to shield. Practice.
_BENT = 1.0


def negative_loss(data: TriedData) -> Finding:
    """See whether the core gives power out, beyond the uncertainty.

    A phase that is off by an angle adds the same angle everywhere; a delay or the fixture's open one that
    grows with frequency, a resistance one that falls with it. Where the loss is negative says which of the
    two may be; both that and the constant are counted, each as large as the deepest violation.
    """
    stated = data.states_uncertainty
    if not stated.any():
        return Finding(Fault.NEGATIVE_LOSS, None, "the sweep states no uncertainty to hold the loss against")
    u = np.where(stated, data.u[:, 1], np.inf)
    outcome = check_passivity(data.mu, u, FALSE_ALARMS)
    depth = -data.loss / np.maximum(u, 1e-300)
    worst = int(np.argmax(depth))
    limit = float(-ndtri(FALSE_ALARMS / depth.size))
    strength = Strength(float(depth[worst]), limit, Unit.STANDARD_UNCERTAINTIES)
    if outcome.passive:
        return Finding(
            Fault.NEGATIVE_LOSS, True, "the loss is nowhere negative beyond its uncertainty", strength
        )
    at = np.flatnonzero(outcome.violations)
    f = data.frequency_hz
    angle = float((-data.loss[at] / np.abs(data.mu[at])).max())
    ratio = f / f[worst]
    grows = np.sqrt(f[0] * f[-1]) < f[worst]
    size = np.abs(data.mu) * angle
    count = f"{at.size} frequenc{'y' if at.size == 1 else 'ies'}"
    copper = _like_copper(data, at)
    return Finding(
        Fault.NEGATIVE_LOSS,
        False,
        f"the loss is negative beyond its uncertainty at {count}"
        + (
            ", from the low end on and as 1/frequency: too much is taken off for the resistance of the "
            "winding; measure that with four wires, and calibrate again if it was right"
            if copper
            else ": the fixture correction, the winding resistance or the phase of the bench is wrong "
            "there; calibrate again"
        ),
        strength,
        (float(f[at[0]]), float(f[at[-1]])),
        (
            source(Fault.NEGATIVE_LOSS, 1j * size, "phase"),
            source(Fault.NEGATIVE_LOSS, 1j * size * (ratio if grows else 1 / ratio), "slope"),
        ),
        copper=copper,
    )


def _like_copper(data: TriedData, at: NDArray[np.intp]) -> bool:
    """Tell whether a loss that is negative at these points, from the low end on, is so as 1/f.

    A resistance in series does that, and a phase that is off adds the same angle everywhere: of both the one
    that meets μ″/μ′ up to the last of them more closely, in its uncertainty.
    """
    f = data.frequency_hz
    if f[at[0]] ** 2 > f[0] * f[-1]:
        return False
    near = np.arange(at[-1] + 1)
    size = np.maximum(np.abs(data.mu.real[near]), 1e-300)
    angle, u = data.loss[near] / size, np.maximum(data.u[near, 1] / size, 1e-300)
    left = []
    for course in (1 / f[near], np.ones(near.size)):
        row = course / u
        fitted = row * float(row @ (angle / u)) / float(row @ row)
        left.append(float(((angle / u - fitted) ** 2).sum()))
    return left[0] <= left[1]


def copper_residue(data: TriedData) -> Finding:
    """See whether the loss at the low end falls as 1/f, as a resistance in series with the core makes it.

    Below its dispersion a core follows R/(ωL) = c + e f, with hysteresis and after-effect in c and eddy
    currents in e (V. E. Legg, Bell Syst. Tech. J. 15, 39 (1936); from memory), so a term in 1/f is copper.
    Its size is held against what the uncertainty of the winding resistance allows.
    """
    inside = _flat_end(data)
    if inside.sum() < _LEAST_POINTS:
        return Finding(Fault.COPPER, None, "the sweep has no flat low end in which copper could be told")
    line, share = _legg(data, inside)
    allowed = np.hypot.reduce([s.sensitivity.imag[0] for s in data.sources_named(*_COPPER)] or [0.0])
    level = _level(data, inside)
    allowed = float(allowed) / level
    u = float(np.hypot(line.scaled_uncertainty(0), allowed))
    residue = float(line.value[0])
    strength = Strength(abs(residue) / max(u, 1e-300), COPPER_LIMIT, Unit.STANDARD_UNCERTAINTIES)
    f = data.frequency_hz
    band = (float(f[0]), float(f[inside][-1]))
    if strength.value <= COPPER_LIMIT or share <= COPPER_SHARE:
        told = "the loss at the low end shows no more copper than the winding resistance leaves open"
        return Finding(Fault.COPPER, True, told, strength, band)
    ohm = abs(residue) * level * data.omega[0] * data.air_h
    much = f"{quantity(ohm, 'Ω', 2)} {'more' if residue > 0 else 'less'} than was taken off"
    return Finding(
        Fault.COPPER,
        False,
        f"the loss at the low end goes as 1/frequency: {much} for the winding, {plain(strength.value, 2)} "
        "standard uncertainties; measure the winding resistance with four wires, contacts and leads included",
        strength,
        band,
        (source(Fault.COPPER, -1j * residue * level * f[0] / f),),
    )


def _flat_end(data: TriedData) -> FloatArray:
    """Return the points of the low end before μ′ has changed by 3 %, a mask (F,)."""
    f = data.frequency_hz
    size = smooth_part(np.log(f), np.abs(data.mu.real), 0.3)
    left = np.abs(size / size[0] - 1) > _FLAT
    end = int(np.argmax(left)) if left.any() else f.size
    return np.asarray((f <= _LOW_END * f[0]) & (np.arange(f.size) < end))


def _level(data: TriedData, inside: FloatArray) -> float:
    """Return |μ′| of the flat low end: one number, for that of a point scatters with its whole impedance."""
    return float(np.median(np.abs(data.mu.real[inside])))


def _legg(data: TriedData, inside: FloatArray) -> tuple[Line, float]:
    """Fit μ″/μ′ = c/f + a + e f; return the fit and the share of c/f in the loss at the lowest frequency.

    Over |μ| a large copper would be no 1/f any more. What scales μ″ and μ′ alike, as the dimensions do,
    leaves their ratio as it is; it would else be taken for the size of a large copper.
    """
    ratio = data.frequency_hz[inside] / data.frequency_hz[0]
    design = np.stack([1 / ratio, np.ones_like(ratio), ratio], axis=1)
    variance, columns = relative_rows(data, _COPPER)
    level = _level(data, inside)
    scale = np.abs(data.mu)[inside] / level
    angle = data.loss[inside] / level
    bent = _BENT * max(float(np.median(angle)), 0.0) * np.sqrt(ratio / ratio[-1])
    real, imag = np.moveaxis(columns[inside] * scale[:, np.newaxis, np.newaxis], 1, 0)
    shared = imag + np.outer(angle, np.median(real, axis=0))
    line = fit_line(design, angle, variance[inside, 1] * scale**2, np.column_stack([shared, bent]))
    whole = float(np.abs(line.value).max())
    return line, abs(float(line.value[0])) / max(whole, 1e-300)


def causal_fit(data: TriedData) -> Causality | None:
    """Fit the causal model to the spectrum, its common errors admitted; None for too few points."""
    few = pooled(data.spectrum, POINTS_PER_DECADE)
    own = independent_covariance(few.scatter, few.sources)
    u = np.sqrt(np.maximum(own[:, 0, 0], own[:, 1, 1]) + (MODEL_MISS * np.abs(few.permeability)) ** 2)
    common = common_columns(few.sources, few.range_labels, points=u.size).matrix
    try:
        return check_causality(few.frequency_hz, few.permeability, u, common)
    except AnalysisError:
        return None


def causality(data: TriedData, fit: Causality | None) -> Finding:
    """See whether μ′ and μ″ belong to each other.

    Errors that all points share may be used up at their price, copper residue, a delay, what lies above the
    band and resonances are part of the model; what is left must be scatter.
    """
    if fit is None or fit.normalised_rms is None:
        return Finding(Fault.CAUSALITY, None, "too few points to see whether μ′ and μ″ belong to each other")
    count = 2 * fit.frequency_hz.size
    chi = fit.normalised_rms**2 * count
    limit = float(chdtri(max(fit.degrees_of_freedom, 1), CAUSAL_P))
    strength = Strength(float(np.sqrt(chi / limit)), 1.0, Unit.RATIO)
    band = (float(fit.frequency_hz[0]), float(fit.frequency_hz[-1]))
    if chi <= limit or _beyond_scatter(data, fit) <= DOUBTFUL_RESIDUAL:
        return Finding(Fault.CAUSALITY, True, _resonance(fit), strength, band)
    miss = np.abs(fit.residual)
    worst = float(fit.frequency_hz[int(miss.argmax())])
    return Finding(
        Fault.CAUSALITY,
        False,
        "μ′ and μ″ do not belong to each other (Kramers–Kronig): apart by "
        f"{in_percent(fit.residual_rms)}, most near {hertz(worst)}; look for a wrong "
        "fixture correction, two sweeps in one file, or wild points, and sweep again",
        strength,
        band,
        _misses(data, fit),
    )


def _beyond_scatter(data: TriedData, fit: Causality) -> float:
    """Return the rms of the residual less what the stated scatter makes of it, relative."""
    few = pooled(data.spectrum, POINTS_PER_DECADE)
    own = independent_covariance(few.scatter, few.sources)
    expected = float(np.mean(np.trace(own, axis1=1, axis2=2) / np.abs(few.permeability) ** 2))
    return float(np.sqrt(max(fit.residual_rms**2 - expected, 0.0)))


def _misses(data: TriedData, fit: Causality) -> tuple[ErrorSource, ...]:
    """Return the residual as a smooth error of both parts: which of the two is wrong is not known."""
    x = np.log(fit.frequency_hz)
    # the model takes up about half of an inconsistency between the parts, so that twice the residual is meant
    size = 2 * np.sqrt(smooth_part(x, np.abs(fit.residual) ** 2, 0.5))
    here = np.interp(np.log(data.frequency_hz), x, size) * np.abs(data.mu)
    return smooth_sources(Fault.CAUSALITY, data.frequency_hz, np.stack([here, here], axis=1))


def _resonance(fit: Causality) -> str:
    told = "μ′ and μ″ belong to each other"
    if fit.resonance_hz is None:
        return told
    return f"{told}; a resonance near {hertz(fit.resonance_hz)} is part of the curve"
