"""From phasors to their ratio, and from several takes to one.

Ratios are never averaged: a quotient of noisy numbers is biased. Every take is turned so that one channel's
phase is zero, the phasors are averaged, and then divided.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from enum import StrEnum

import numpy as np
from scipy import special

from whichcore.analysis.types import FloatArray, PhasorFlag, Phasors
from whichcore.errors import AnalysisError

FEWEST_FOR_SCATTER = 8
SAME_FREQUENCY = 1e-3  # relative spread of the takes of one point


class Spread(StrEnum):
    """Where the covariance of an average comes from."""

    STATED = "stated"
    SCATTER = "scatter"
    BOTH = "both"


def ratio_with_covariance(phasors: Phasors) -> tuple[complex, FloatArray]:
    """Return V_A/V_B and the 2×2 covariance of its real and imaginary part.

    First order: δr = δV_A/V_B − r δV_B/V_B, on the joint covariance of both phasors.

    Raises
    ------
    AnalysisError
        When channel B is zero.
    """
    a, b = (complex(v) for v in phasors.phasor_vpk)
    if b == 0:
        raise AnalysisError(
            "no ratio exists, channel B is zero",
            where="phasors",
            next_step="choose a more sensitive range for B",
        )
    ratio = a / b
    jacobian = np.hstack([_as_matrix(1 / b), _as_matrix(-ratio / b)])
    return ratio, jacobian @ phasors.covariance_v2 @ jacobian.T


def _as_matrix(factor: complex) -> FloatArray:
    """Return multiplication by a complex number as a real 2×2 matrix."""
    return np.array([[factor.real, -factor.imag], [factor.imag, factor.real]])


def average_phasors(takes: Sequence[Phasors], *, reference: int = 1, spread: Spread = Spread.BOTH) -> Phasors:
    """Average takes of one point after turning each by the phase of one channel.

    Parameters
    ----------
    takes : sequence of Phasors
        Of one frequency and one pair of ranges.
    reference : int
        Channel whose phase becomes zero: 0 (A) or 1 (B, the default).
    spread : Spread
        ``stated`` propagates the covariances of the takes, ``scatter`` (8 takes or more) takes them from the
        takes' differences, ``both`` starts from the stated ones and raises them in those directions in which
        the takes scatter more. What is taken from n takes is enlarged by :func:`few_readings` of n − 1.

    Returns
    -------
    Phasors
        The share that averages do not lessen (``systematic_v2``) is kept as large as in one take.

    Raises
    ------
    AnalysisError
        No takes, takes of different points, too few takes for their scatter, a reference channel of zero.
    """
    _check_takes(takes, reference, spread)
    turned = [_turned(take, reference) for take in takes]
    if len(takes) == 1:
        return turned[0]
    vectors = np.array([take.phasor_vpk.view(np.float64) for take in turned])
    stated = np.mean([take.covariance_v2 - take.systematic_v2 for take in turned], axis=0) / len(takes)
    systematic = np.mean([take.systematic_v2 for take in turned], axis=0)
    random = stated
    if len(takes) >= FEWEST_FOR_SCATTER and spread is not Spread.STATED:
        scatter, freedom = np.cov(vectors.T) / len(takes), len(takes) - 1
        random = few_readings(freedom) * scatter
        if spread is Spread.BOTH:
            random = raised_covariance(stated, scatter, freedom)[0]
    orders = set.intersection(*(set(take.harmonics_vpk) for take in takes))
    return Phasors(
        frequency_hz=float(np.mean([take.frequency_hz for take in takes])),
        frequency_uncertainty_hz=float(
            np.sqrt(np.sum([take.frequency_uncertainty_hz**2 for take in takes])) / len(takes)
        ),
        reference_time_s=float(np.mean([take.reference_time_s for take in takes])),
        phasor_vpk=vectors.mean(axis=0).view(np.complex128),
        covariance_v2=random + systematic,
        systematic_v2=systematic,
        noise_vrms=np.sqrt(np.mean([take.noise_vrms**2 for take in takes], axis=0)),
        noise_correlation=float(np.mean([take.noise_correlation for take in takes])),
        dc_v=np.mean([take.dc_v for take in takes], axis=0),
        harmonics_vpk={
            k: np.mean([take.harmonics_vpk[k] for take in turned], axis=0) for k in sorted(orders)
        },
        hum_vpk=np.max([take.hum_vpk for take in takes], axis=0),
        flags=_joined_flags(takes),
        takes=sum(take.takes for take in takes),
        samples=takes[0].samples,
        range_labels=takes[0].range_labels,
    )


def _check_takes(takes: Sequence[Phasors], reference: int, spread: Spread) -> None:
    if not takes:
        raise AnalysisError("there is nothing to average", where="takes", allowed="one take or more")
    if reference not in {0, 1}:
        raise AnalysisError("no such channel", where="reference", got=f"{reference}", allowed="0, 1")
    if spread is Spread.SCATTER and len(takes) < FEWEST_FOR_SCATTER:
        raise AnalysisError(
            "too few takes to see their scatter",
            where="takes",
            got=f"{len(takes)}",
            allowed=f"{FEWEST_FOR_SCATTER} or more",
        )
    frequencies = [take.frequency_hz for take in takes]
    if max(frequencies) - min(frequencies) > SAME_FREQUENCY * min(frequencies):
        raise AnalysisError(
            "the takes are of different frequencies",
            where="takes",
            got=f"{min(frequencies):g} to {max(frequencies):g} Hz",
        )
    if len({take.range_labels for take in takes}) > 1:
        raise AnalysisError(
            "the takes are of different ranges",
            where="takes",
            got=", ".join(sorted({str(take.range_labels) for take in takes})),
            next_step="average each range pair by itself",
        )
    if any(take.phasor_vpk[reference] == 0 for take in takes):
        raise AnalysisError("the reference channel is zero in a take", where="takes")


def _turned(take: Phasors, reference: int) -> Phasors:
    """Return a take turned by the reference's phase.

    The turn is itself measured: with δφ = Im(δV_ref/V_ref), δV′ = e^{−jφ} δV − jV′ δφ.
    """
    unit = take.phasor_vpk[reference] / abs(take.phasor_vpk[reference])
    turned = take.phasor_vpk * unit.conj()
    jacobian = np.zeros((4, 4))
    jacobian[:2, :2] = jacobian[2:, 2:] = _as_matrix(complex(unit.conj()))
    angle = jacobian[2 * reference + 1] / abs(turned[reference])
    sideways = (-1j * turned).view(np.float64)
    jacobian = jacobian + np.outer(sideways, angle)
    turned[reference] = turned[reference].real
    return replace(
        take,
        phasor_vpk=turned,
        covariance_v2=jacobian @ take.covariance_v2 @ jacobian.T,
        systematic_v2=jacobian @ take.systematic_v2 @ jacobian.T,
        harmonics_vpk={k: take.harmonics_vpk[k] * unit.conj() ** k for k in sorted(take.harmonics_vpk)},
        flags=_joined_flags([take]),
    )


def _joined_flags(takes: Sequence[Phasors]) -> tuple[PhasorFlag, ...]:
    seen: dict[tuple[str, int | None], PhasorFlag] = {}
    for take in takes:
        for flag in take.flags:
            seen.setdefault((flag.kind, flag.channel), flag)
    return tuple(seen.values())


def few_readings(freedom: int) -> float:
    """Return by what a variance estimated with ν degrees of freedom is enlarged: (t_0.975(ν)/z_0.975)².

    Then ± 1.96 u is the 95 % interval of Student's distribution (JCGM 100:2008, G.3.2; from memory), and what
    works with covariances alone, weights included, can take the estimate for a known one. Of eight takes it
    is 1.46; without it such an interval holds the truth 91 times in 100 (analytic, P(|t_7| < 1.96)). JCGM
    101:2008, 6.4.9.4, enlarges by ν/(ν − 2), 1.4 there (from memory): the variance of that distribution,
    which does not exist for ν = 2.
    """
    return float((special.stdtrit(freedom, 0.975) / special.ndtri(0.975)) ** 2)


def raised_covariance(stated: FloatArray, observed: FloatArray, freedom: int) -> tuple[FloatArray, bool]:
    """Raise a covariance in the directions in which the observed one exceeds it, if that is beyond chance.

    Both are turned to where the stated one is the unit matrix. A sample covariance of d true unit directions
    with ν degrees of freedom has eigenvalues up to about (1 + √(d/ν))² (Marchenko and Pastur, from memory), a
    margin of 3/√ν goes inside the bracket; their mean is 1 ± √(2/(dν)), five of which are allowed. When
    either limit is passed, every direction takes the larger of the stated variance and the observed one,
    enlarged by :func:`few_readings`.

    Parameters
    ----------
    stated, observed : float array (D, D)
        ``stated`` may be singular; nothing is raised in its null directions.
    freedom : int
        Degrees of freedom ν of ``observed``.

    Returns
    -------
    covariance : float array (D, D)
    raised : bool
    """
    scale = np.sqrt(np.where(np.diag(stated) > 0, np.diag(stated), 1.0))
    values, vectors = np.linalg.eigh(stated / np.outer(scale, scale))
    real = values > 1e-9 * values.max()
    out_of = vectors[:, real] * np.sqrt(values[real])
    into = vectors[:, real] / np.sqrt(values[real])
    seen, turn = np.linalg.eigh(into.T @ (observed / np.outer(scale, scale)) @ into)
    largest = (1 + np.sqrt(seen.size / freedom) + 3 / np.sqrt(freedom)) ** 2
    if seen.max() <= largest and seen.mean() <= 1 + 5 * np.sqrt(2 / (seen.size * freedom)):
        return stated, False
    more = out_of @ turn
    excess = np.maximum(few_readings(freedom) * seen - 1, 0)
    return stated + np.outer(scale, scale) * ((more * excess) @ more.T), True
