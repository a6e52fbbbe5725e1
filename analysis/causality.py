"""Tell whether a complex permeability is one that a passive, causal material can have.

Real and imaginary part of a causal response are bound to each other (Kramers–Kronig)::

    μ′(ω) − μ∞ = (2/π) P∫ x μ″(x)/(x² − ω²) dx

so a curve can be tested by fitting it with a sum of responses each of which obeys that relation by itself.
This is the linear test of B. A. Boukamp, J. Electrochem. Soc. 142, 1885 (1995), applied to μ: relaxation
terms at fixed, log-spaced frequencies, and beside them

- lines: loss confined to a narrow band (a triangle over frequency) together with the μ′ that the relation
  above gives it in closed form, because a relaxation-only sum cannot follow an underdamped resonance (a
  domain wall, spin or section resonance is diagnosed, not refused);
- a column −j/ω, the trace of a winding resistance that was not removed (R/(jωL0));
- columns of 1 and jω, for what lies above the band and for a delay between the two channels.

Lines take the place of complex pole pairs, which were tried. The loss of a pole pair grows as ω far below
its resonance, so a power ferrite, whose loss sets in more steeply, needs pairs of quality 20 and more; and
such narrow pairs can hide between two data points, where they shift μ′ unseen and let a false curve pass.

How over- and underfitting are kept apart. The criterion of M. Schönleber, D. Klotz and E. Ivers-Tiffée,
Electrochim. Acta 131, 20 (2014), stops adding terms before positive and negative ones begin to cancel. Here
the strengths of all relaxations and lines and the constant are held non-negative (non-negative least
squares), so terms cannot cancel and that criterion is met for any number of them. Nothing true is lost: by
the relation above any passive causal response is a constant and a sum of lines of positive strength. What
is left to choose is the width of a line: at first one line stands on every second data point; lines on
every point are taken only where that halves a residual that is not yet good, so that the scatter of a
well-fitted curve is not followed.

Time factor e^{+jωt}, μ = μ′ − jμ″.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.optimize import nnls
from scipy.special import ndtri

from whichcore.analysis.types import ComplexArray, FloatArray
from whichcore.errors import AnalysisError, InputError

GOOD_RESIDUAL = 0.006
DOUBTFUL_RESIDUAL = 0.015
COPPER_SHARE = 0.2

_LEAST_POINTS = 8
_RELAXATIONS_PER_DECADE = 5
_RELAXATIONS_BEYOND = 30.0
_LINES_BEYOND = 10.0
_LINES_PER_DECADE_BEYOND = 8
_COINCIDENCE = 1e-12


@dataclass(frozen=True, slots=True)
class CausalModel:
    """A passive, causal permeability: relaxations, lines and residues of the set-up.

    μ = constant + jω·delay_s − j·copper_per_s/ω + Σ r/(1 + jf/f_r) + Σ h (H(f) − jΛ(f))

    with Λ the triangle over three neighbouring nodes and H its Kramers–Kronig partner.

    Attributes
    ----------
    constant, delay_s, copper_per_s : float
        Real constant, what lies above the band included; coefficient of jω, s; coefficient of −j/ω, 1/s
        (R/L0 of the copper residue).
    relaxation_hz, relaxation_strength : float array (K,)
    node_hz : float array (M + 2,)
        Feet and tops of the lines; line m stands on nodes m, m + 1, m + 2.
    line_height : float array (M,)
        μ″ at the top of each line.
    """

    constant: float
    delay_s: float
    copper_per_s: float
    relaxation_hz: FloatArray
    relaxation_strength: FloatArray
    node_hz: FloatArray
    line_height: FloatArray

    def permeability(self, frequency_hz: FloatArray) -> ComplexArray:
        """Return μ at any frequencies (F,); outside the fitted band it is an extrapolation."""
        omega = 2 * np.pi * frequency_hz
        residues = self.constant + 1j * omega * self.delay_s - 1j * self.copper(frequency_hz)
        relaxations = _summed(_relaxations(frequency_hz, self.relaxation_hz), self.relaxation_strength)
        return np.asarray(residues + relaxations + self.lines(frequency_hz), dtype=np.complex128)

    def lines(self, frequency_hz: FloatArray) -> ComplexArray:
        """Return the part of μ the lines carry, (F,)."""
        return _summed(_lines(frequency_hz, self.node_hz), self.line_height)

    def copper(self, frequency_hz: FloatArray) -> FloatArray:
        """Return the part of μ″ that is copper (or conduction) residue, (F,)."""
        return np.asarray(self.copper_per_s / (2 * np.pi * frequency_hz), dtype=np.float64)


@dataclass(frozen=True, slots=True)
class Causality:
    """Outcome of the test.

    Attributes
    ----------
    frequency_hz : float array (F,)
    residual : complex array (F,)
        (data − model)/|data|.
    residual_rms : float
        Root mean square of |residual|: 0.003 to 0.006 for a well-read curve, above 0.015 doubtful, some
        0.1 and more when real and imaginary part belong to different materials.
    normalised_rms : float or None
        Root mean square of the residual components over their standard uncertainty, when one was given;
        about 1 or less for data that are causal within it.
    degrees_of_freedom : int
        Components of the data less terms in use.
    model : CausalModel
    copper_residue : bool
        A −j/ω term makes over a fifth of μ″ at the lowest frequency and stands out of the residual.
    underdamped : bool
        Relaxations alone cannot follow the curve while lines can: a wall, spin or section resonance.
    resonance_hz : float or None
        Where the lines carry most of μ″, when ``underdamped``.
    """

    frequency_hz: FloatArray
    residual: ComplexArray
    residual_rms: float
    normalised_rms: float | None
    degrees_of_freedom: int
    model: CausalModel
    copper_residue: bool
    underdamped: bool
    resonance_hz: float | None


@dataclass(frozen=True, slots=True)
class Passivity:
    """Outcome of the test μ″ ≥ 0.

    Attributes
    ----------
    passive : bool
    violations : bool array (F,)
        Points whose μ″ is negative beyond its uncertainty.
    """

    passive: bool
    violations: np.ndarray[tuple[int, ...], np.dtype[np.bool_]]


def check_causality(
    frequency_hz: FloatArray,
    permeability: ComplexArray,
    standard_uncertainty: FloatArray | None = None,
    common: FloatArray | None = None,
) -> Causality:
    """Fit the causal model and say how far the data are from it.

    Parameters
    ----------
    frequency_hz : float array (F,)
        Strictly increasing, positive, at least 8 points.
    permeability : complex array (F,)
        μ′ − jμ″, relative.
    standard_uncertainty : float array (F,) or None
        Of the real and of the imaginary part alike; weights the fit. Without it every point has the weight
        1/|μ|.
    common : float array (2F, K) or None
        Change of the real parts, then of the imaginary parts, for one standard uncertainty of each of K
        causes that points share. The fit may use up each of them at the price of its own χ²; needs
        ``standard_uncertainty``. What they explain is no part of the residual, nor of the model.

    Returns
    -------
    Causality

    Raises
    ------
    InputError
        Shapes differ, a value is not finite or zero, or the frequencies do not increase.
    AnalysisError
        There are too few points to tell anything, or the fit does not end.
    """
    scale = _checked_scale(frequency_hz, permeability, standard_uncertainty)
    data = _Data(frequency_hz, permeability, scale, common)
    wide = _Fit.of(_Terms.for_band(frequency_hz, 2), data)
    fit = wide
    if wide.rms > GOOD_RESIDUAL:
        fine = _Fit.of(_Terms.for_band(frequency_hz, 1), data)
        fit = fine if fine.rms < wide.rms / 2 else wide
    relaxing = _Fit.of(_Terms.for_band(frequency_hz, None), data)
    underdamped = relaxing.rms > max(3 * fit.rms, DOUBTFUL_RESIDUAL)
    return Causality(
        frequency_hz=frequency_hz,
        residual=fit.residual,
        residual_rms=fit.rms,
        normalised_rms=_normalised(fit.residual * np.abs(permeability), standard_uncertainty),
        degrees_of_freedom=2 * frequency_hz.size - fit.terms,
        model=fit.model,
        copper_residue=_copper_stands_out(fit, frequency_hz, permeability),
        underdamped=underdamped,
        resonance_hz=_loudest(fit.model, frequency_hz) if underdamped else None,
    )


def check_passivity(
    permeability: ComplexArray, standard_uncertainty: FloatArray | float = 0.0, false_alarms: float = 0.05
) -> Passivity:
    """Test μ″ ≥ 0 at every point within its uncertainty.

    A point violates it when μ″ < −k u, with k chosen so that a lossless core of F points raises a false
    alarm in 5 of 100 sweeps (Bonferroni: one-sided normal quantile at 0.05/F).

    Parameters
    ----------
    permeability : complex array (F,)
    standard_uncertainty : float array (F,) or float
        Of μ″.
    false_alarms : float
        Share of sweeps of a lossless core that may raise one, where 5 of 100 are too many or too few.

    Returns
    -------
    Passivity
    """
    coverage = float(-ndtri(false_alarms / permeability.size))
    violations = np.asarray(-permeability.imag < -coverage * np.asarray(standard_uncertainty))
    return Passivity(passive=not violations.any(), violations=violations)


@dataclass(frozen=True, slots=True)
class _Terms:
    """Fixed frequencies of the terms for one band."""

    relaxation_hz: FloatArray
    node_hz: FloatArray

    @classmethod
    def for_band(cls, frequency_hz: FloatArray, points_per_line: int | None) -> _Terms:
        """Relaxations begin at the band's edge: slower ones would be mistaken for the −j/ω column."""
        low, high = float(frequency_hz[0]), float(frequency_hz[-1])
        relaxation_hz = _log_grid(low, high * _RELAXATIONS_BEYOND, _RELAXATIONS_PER_DECADE)
        if points_per_line is None:
            return cls(relaxation_hz, np.empty(0))
        inside = frequency_hz[:-1:points_per_line]
        foot = inside[0] ** 2 / inside[1]
        beyond = _log_grid(high, high * _LINES_BEYOND, _LINES_PER_DECADE_BEYOND)
        return cls(relaxation_hz, np.concatenate([[foot], inside, beyond]))

    def columns(self, frequency_hz: FloatArray) -> ComplexArray:
        """Return one column per term, (F, terms): relaxations, lines, 1, ±jf, −j/f."""
        f = frequency_hz[:, None]
        rest = [np.ones_like(f), 1j * f, -1j * f, -1j / f]
        relaxations = _relaxations(frequency_hz, self.relaxation_hz)
        return np.hstack([relaxations, _lines(frequency_hz, self.node_hz), *rest])

    def model(self, strengths: FloatArray) -> CausalModel:
        """Name the strengths of the columns."""
        relaxation, line, rest = np.split(strengths, [self.relaxation_hz.size, strengths.size - 4])
        return CausalModel(
            constant=float(rest[0]),
            delay_s=float(rest[1] - rest[2]) / (2 * np.pi),
            copper_per_s=float(rest[3]) * 2 * np.pi,
            relaxation_hz=self.relaxation_hz,
            relaxation_strength=relaxation,
            node_hz=self.node_hz,
            line_height=line,
        )


@dataclass(frozen=True, slots=True)
class _Data:
    """What is fitted; ``common`` as :func:`check_causality` has it."""

    frequency_hz: FloatArray
    permeability: ComplexArray
    scale: FloatArray
    common: FloatArray | None


@dataclass(frozen=True, slots=True)
class _Fit:
    """A fitted model, its residual relative to |data|, and the number of terms in use."""

    model: CausalModel
    residual: ComplexArray
    terms: int

    @classmethod
    def of(cls, terms: _Terms, data: _Data) -> _Fit:
        columns = terms.columns(data.frequency_hz)
        strengths, shared = _non_negative_fit(columns, data)
        left = data.permeability - _summed(columns, strengths) - shared
        return cls(
            terms.model(strengths),
            np.asarray(left / np.abs(data.permeability), dtype=np.complex128),
            int((strengths > 0).sum()),
        )

    @property
    def rms(self) -> float:
        return _rms(self.residual)


def _log_grid(low: float, high: float, per_decade: int) -> FloatArray:
    count = int(per_decade * np.log10(high / low)) + 2
    return np.asarray(np.geomspace(low, high, count), dtype=np.float64)


def _relaxations(frequency_hz: FloatArray, relaxation_hz: FloatArray) -> ComplexArray:
    return np.asarray(1 / (1 + 1j * frequency_hz[:, None] / relaxation_hz), dtype=np.complex128)


def _lines(frequency_hz: FloatArray, node_hz: FloatArray) -> ComplexArray:
    """Return H − jΛ of every triangle over three neighbouring nodes, (F, nodes − 2).

    On a segment where μ″ = a + b x the relation gives, with f the frequency of the field,
    ∫ x (a + b x)/(x² − f²) dx = a/2 ln|x² − f²| + b (x + f/2 ln|(x − f)/(x + f)|); principal value, and
    where a node falls on f the divergent logarithms of its two sides cancel.
    """
    if node_hz.size < 3:
        return np.empty((frequency_hz.size, 0), dtype=np.complex128)
    f, x = frequency_hz[:, None], node_hz
    below = np.log(np.maximum(np.abs(x - f), _COINCIDENCE * f))
    above = np.log(x + f)
    even = np.diff((below + above) / 2, axis=1)
    odd = np.diff(x + f * (below - above) / 2, axis=1)
    width = np.diff(x)
    rising = (odd[:, :-1] - x[:-2] * even[:, :-1]) / width[:-1]
    falling = (x[2:] * even[:, 1:] - odd[:, 1:]) / width[1:]
    shape = np.minimum((f - x[:-2]) / width[:-1], (x[2:] - f) / width[1:])
    return np.asarray(2 / np.pi * (rising + falling) - 1j * np.maximum(shape, 0), dtype=np.complex128)


def _non_negative_fit(columns: ComplexArray, data: _Data) -> tuple[FloatArray, ComplexArray]:
    """Return the strengths of the terms, and what the common causes change in μ, (F,)."""
    weighted = columns / data.scale[:, None]
    matrix = np.vstack([weighted.real, weighted.imag])
    points, terms = columns.shape
    target = np.concatenate([data.permeability.real / data.scale, data.permeability.imag / data.scale])
    common = np.zeros((2 * points, 0)) if data.common is None else data.common
    causes = common.shape[1]
    # each cause goes both ways, and a row of its own prices one standard uncertainty of it at 1 in χ²
    both = np.hstack([common, -common]) / np.tile(data.scale, 2)[:, None]
    price = np.hstack([np.zeros((causes, terms)), np.eye(causes), -np.eye(causes)])
    matrix = np.vstack([np.hstack([matrix, both]), price])
    norms = np.linalg.norm(matrix, axis=0)
    try:
        found, _ = nnls(matrix / norms, np.append(target, np.zeros(causes)), maxiter=30 * matrix.shape[1])
    except RuntimeError as error:
        raise AnalysisError(
            "the causal model could not be fitted",
            where="Kramers–Kronig test",
            next_step="look for wild points in the curve",
        ) from error
    strengths, up, down = np.split(found / norms, [terms, terms + causes])
    shared = common @ (up - down)
    return strengths, np.asarray(shared[:points] + 1j * shared[points:])


def _summed(columns: ComplexArray, strengths: FloatArray) -> ComplexArray:
    """Return columns @ strengths; most strengths are zero, and such small products do not gain by threads."""
    used = strengths > 0
    return np.asarray(np.einsum("fk,k->f", columns[:, used], strengths[used]), dtype=np.complex128)


def _rms(values: ComplexArray) -> float:
    return float(np.sqrt(np.mean(np.abs(values) ** 2)))


def _normalised(residual: ComplexArray, standard_uncertainty: FloatArray | None) -> float | None:
    return None if standard_uncertainty is None else _rms(residual / standard_uncertainty) / np.sqrt(2)


def _loudest(model: CausalModel, frequency_hz: FloatArray) -> float:
    return float(frequency_hz[model.lines(frequency_hz).imag.argmin()])


def _copper_stands_out(fit: _Fit, frequency_hz: FloatArray, permeability: ComplexArray) -> bool:
    copper = fit.model.copper(frequency_hz[:1])[0]
    loss, size = -permeability[0].imag, abs(permeability[0])
    return bool(copper > COPPER_SHARE * loss and copper > 3 * fit.rms * size)


def _checked_scale(
    frequency_hz: FloatArray, permeability: ComplexArray, standard_uncertainty: FloatArray | None
) -> FloatArray:
    where = "Kramers–Kronig test"
    scale = np.abs(permeability) if standard_uncertainty is None else standard_uncertainty
    if not frequency_hz.shape == permeability.shape == scale.shape or frequency_hz.ndim != 1:
        raise InputError(
            "the arrays differ in shape",
            where=where,
            got=f"{frequency_hz.shape}, {permeability.shape}, {scale.shape}",
            allowed="one value for each frequency",
        )
    if frequency_hz.size < _LEAST_POINTS:
        raise AnalysisError(
            "too few points", where=where, got=f"{frequency_hz.size}", allowed=f"{_LEAST_POINTS} or more"
        )
    if not np.isfinite(permeability).all() or not (permeability != 0).all():
        raise InputError("a permeability is zero or not finite", where=where, allowed="finite, not zero")
    if not (np.isfinite(scale) & (scale > 0)).all():
        raise InputError("an uncertainty is not positive and finite", where=where, allowed="> 0")
    if not (frequency_hz[0] > 0 and (np.diff(frequency_hz) > 0).all() and np.isfinite(frequency_hz[-1])):
        raise InputError("the frequencies must be positive and increase", where=where)
    return np.asarray(scale, dtype=np.float64)
