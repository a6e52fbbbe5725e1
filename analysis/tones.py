"""Sums over a long record of samples, block by block, and the small least-squares problem they feed.

A record is x[n], n = 0 … N − 1, time counted from its middle, n′ = n − (N − 1)/2. The model is a sum of lines

    x[n] ≈ Σ_l Re{P_l e^{jω_l n′}},   ω_0 = 0 (dc), ω_1 the tone,

linear in P for given ω. Because n′ is symmetric, cosines and sines are orthogonal, so the normal equations
fall into two real systems whose entries are Dirichlet sums in closed form. The right-hand sides are matrix
products of converted blocks with one block of exponentials, e^{jω(s+m)} = e^{jωs} e^{jωm}: no design matrix
of N rows exists. Known-frequency least squares: S. M. Kay, Fundamentals of Statistical Signal Processing
(1993), ch. 3 and 4, and IEEE Std 1057 (three- and four-parameter fits), both from memory; the split and the
sums are derived here.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from whichcore.analysis.types import ComplexArray, FloatArray
from whichcore.errors import AnalysisError

CHUNK_SAMPLES = 1 << 15  # converted at once, per channel: small enough to stay in the cache
LONGEST_BLOCK = 1024
SMALL_PRODUCT = (
    1 << 18
)  # multiply-adds; below, linear algebra libraries start no threads, which cost more here
WORST_CONDITION = 1e11


@dataclass(frozen=True, slots=True)
class Blocks:
    """Cut of a record: ``segments`` × ``per_segment`` blocks of ``length`` samples, then a tail.

    A segment is the stretch whose own phasor is looked at; a block is what one matrix product takes.
    """

    samples: int
    segments: int
    per_segment: int
    length: int

    @property
    def segment_length(self) -> int:
        """Samples in a segment."""
        return self.per_segment * self.length

    @property
    def body(self) -> int:
        """Samples before the tail."""
        return self.segments * self.segment_length

    @property
    def middle(self) -> float:
        """Index of the middle of the record."""
        return (self.samples - 1) / 2


def cut(samples: int, segments: int) -> Blocks:
    """Cut ``samples`` into ``segments`` equal segments of whole blocks; what is left is the tail."""
    per_segment = -(-samples // (segments * LONGEST_BLOCK))
    return Blocks(samples, segments, per_segment, samples // (segments * per_segment))


def _chunks(samples: NDArray[Any], start: int, stop: int, size: int) -> Iterator[tuple[int, FloatArray]]:
    for first in range(start, stop, size):
        yield first, samples[:, first : min(first + size, stop)].astype(np.float64)


@dataclass(frozen=True, slots=True)
class BlockSums:
    """Projections of each block; the last one is the tail when there is one.

    Attributes
    ----------
    start : float array (K,)
        First sample of the block, counted from the middle of the record.
    sums : complex array (2, K, L)
        Σ x e^{−jω_l n′} over the block.
    tone_moment : complex array (2, K)
        Σ n′ x e^{−jω_1 n′} over the block.
    products : float array (2, 2)
        Σ x_c x_c′ over the record.
    """

    start: FloatArray
    sums: ComplexArray
    tone_moment: ComplexArray
    products: FloatArray

    def power(self, samples: int) -> FloatArray:
        """Return the sum of squares of each channel about its mean, never 0; the first line is dc."""
        total = self.sums[:, :, 0].sum(axis=1).real
        power: FloatArray = np.maximum(np.diag(self.products) - total**2 / samples, 1e-30)
        return power

    def only(self, kept: NDArray[np.bool_]) -> BlockSums:
        """Return the projections on some of the lines, the first two among them."""
        return replace(self, sums=self.sums[:, :, kept])


@dataclass(frozen=True, slots=True)
class Basis:
    """Lines that records of one length are projected on: all that does not hang on the samples.

    Attributes
    ----------
    blocks : Blocks
    omega : float array (L,)
        rad/sample; the tone is ``omega[1]``.
    stretches : tuple of (int, int, float array (length, 2 (L + 1)))
        First sample, end, and e^{jω_l m}, m e^{jω_1 m} of one block, of the body and of the tail.
    meeting : Meeting
    inverse : NormalInverse
        Of all lines.
    """

    blocks: Blocks
    omega: FloatArray
    stretches: tuple[tuple[int, int, FloatArray], ...]
    meeting: Meeting
    inverse: NormalInverse


def basis(blocks: Blocks, omega: FloatArray) -> Basis:
    """Prepare the projection on the lines ``omega`` (L,); raises as :func:`inverted`."""
    body, tail = blocks.body, blocks.samples - blocks.body
    stretches = [(0, body, _columns(omega, blocks.length))]
    if tail:
        stretches.append((body, blocks.samples, _columns(omega, tail)))
    meeting = meeting_of(omega, blocks.samples)
    return Basis(blocks, omega, tuple(stretches), meeting, inverted(meeting.normal, blocks.samples))


def _columns(omega: FloatArray, length: int) -> FloatArray:
    inside = np.arange(length)[:, None]
    wave = _waves(omega, length)
    return np.concatenate([wave, inside * wave[:, 1:2]], axis=1).view(np.float64)


def project(samples: NDArray[Any], basis: Basis) -> BlockSums:
    """Project both channels on the lines of a basis, block by block.

    Parameters
    ----------
    samples : int or float array (2, N)
    basis : Basis
    """
    with np.errstate(over="ignore", invalid="ignore"):  # the products tell of what is not finite
        parts = [_project_equal(samples, *stretch) for stretch in basis.stretches]
        start = np.concatenate([first for first, _, _ in parts]) - basis.blocks.middle
        raw = np.concatenate([sums for _, sums, _ in parts], axis=1)
        turn = np.exp(-1j * np.outer(start, basis.omega))
        sums = raw[:, :, :-1] * turn
        moment = start * sums[:, :, 1] + raw[:, :, -1] * turn[:, 1]
    return BlockSums(start, sums, moment, np.asarray(sum(products for _, _, products in parts)))


def _project_equal(
    samples: NDArray[Any], begin: int, end: int, columns: FloatArray
) -> tuple[FloatArray, ComplexArray, FloatArray]:
    """Return block starts (K,), sums of x times the conjugate columns (2, K, L + 1), and products (2, 2)."""
    length, width = columns.shape
    starts = np.arange(begin, end, length)
    sums = np.empty((2, starts.size, width // 2), dtype=np.complex128)
    products = np.zeros((2, 2))
    together = max(1, SMALL_PRODUCT // (2 * length * width))
    for first, chunk in _chunks(samples, begin, end, length * together):
        products += chunk @ chunk.T
        on_columns = chunk.reshape(-1, length) @ columns
        where = (first - begin) // length
        count = chunk.shape[1] // length
        sums[:, where : where + count] = on_columns.view(np.complex128).conj().reshape(2, count, -1)
    return starts.astype(np.float64), sums, products


def _waves(omega: FloatArray, length: int) -> ComplexArray:
    """Return e^{jωm} for m = 0 … length − 1, (length, L): e^{jω(ra + b)} as a product, r² ≈ length."""
    fine = math.isqrt(length - 1) + 1
    near = np.exp(1j * np.arange(fine)[:, None] * omega)
    far = np.exp(1j * np.arange(0, length, fine)[:, None] * omega)
    return np.asarray((far[:, None] * near).reshape(-1, omega.size)[:length])


def dirichlet(theta: FloatArray, samples: int) -> FloatArray:
    """Return D(θ) = Σ cos(θ n′) = sin(Nθ/2)/sin(θ/2) over n′ symmetric about 0."""
    turns = np.rint(theta / (2 * np.pi))
    half = theta / 2 - np.pi * turns
    whole = half == 0
    below = np.where(whole, 1.0, np.sin(half))
    value: FloatArray = np.where(whole, samples, np.sin(samples * half) / below)
    return value if samples % 2 else _sign(turns) * value


def _sign(turns: FloatArray) -> FloatArray:
    """Return the sign that whole turns per sample give to half-odd n′, those of an even number of samples."""
    return 1 - 2 * (turns % 2)


def dirichlet_slope(theta: FloatArray, samples: int) -> FloatArray:
    """Return D′(θ) = −Σ n′ sin(θ n′); θ must be a multiple of 2π or at least half a bin away from it."""
    turns = np.rint(theta / (2 * np.pi))
    x = (theta - 2 * np.pi * turns) / 2
    safe = np.where(x == 0, 1.0, x)
    top = samples * np.cos(samples * safe) * np.sin(safe) - np.sin(samples * safe) * np.cos(safe)
    slope: FloatArray = np.where(x == 0, 0.0, top / (2 * np.sin(safe) ** 2))
    return slope if samples % 2 else _sign(turns) * slope


def dirichlet_curvature(theta: float, samples: int) -> float:
    """Return D″(θ) = −Σ n′² cos(θ n′); θ = 0 or at least half a bin away from a multiple of 2π."""
    n, x = samples, theta / 2
    if x == 0:
        return -n * (n * n - 1) / 12
    s, c, big_s, big_c = np.sin(x), np.cos(x), np.sin(n * x), np.cos(n * x)
    return float(((1 - n * n) * big_s * s * s - 2 * c * (n * big_c * s - big_s * c)) / (4 * s**3))


@dataclass(frozen=True, slots=True)
class NormalInverse:
    """Inverse normal matrices (L, L) of the cosines and of the sines; dc has no sine, its row is zero."""

    cosine: FloatArray
    sine: FloatArray

    def solve(self, sums: ComplexArray) -> ComplexArray:
        """Return P (…, L) from Σ x e^{−jωn′} (…, L)."""
        return sums.real @ self.cosine + 1j * (sums.imag @ self.sine)


def normal_matrices(omega: FloatArray, samples: int) -> FloatArray:
    """Return the normal matrices (2, L, L) of the cosines and of the sines of the lines ``omega`` (L,).

    The sine of dc, which is none, stands as a line of its own that meets no other.
    """
    minus, plus = dirichlet(np.array([omega[:, None] - omega, omega[:, None] + omega]), samples)
    matrices = np.array([minus + plus, minus - plus]) / 2
    matrices[1, 0, 0] = samples / 2
    return matrices


def normal_inverse(omega: FloatArray, samples: int) -> NormalInverse:
    """Invert the normal equations of the lines ``omega`` (L,); raises as :func:`inverted`."""
    return inverted(normal_matrices(omega, samples), samples)


def inverted(matrices: FloatArray, samples: int) -> NormalInverse:
    """Invert :func:`normal_matrices`, of all lines or of some.

    Raises
    ------
    AnalysisError
        When two lines can not be told apart on this record.
    """
    try:
        inverse = np.linalg.inv(matrices)
    except np.linalg.LinAlgError:
        inverse = np.full(matrices.shape, np.inf)
    size = np.abs(np.array([matrices, inverse])).sum(axis=2).max(axis=2)
    if not (size[0] * size[1]).max() < WORST_CONDITION:
        raise AnalysisError(
            "the record does not tell the tone from its offset or from other lines",
            where="capture",
            got=f"{samples} samples",
            next_step="record more periods, or shift the frequency off half the sample rate",
        )
    inverse[1, 0, 0] = 0.0
    return NormalInverse(inverse[0], inverse[1])


@dataclass(frozen=True, slots=True)
class Meeting:
    """How lines meet in a record of so many samples.

    Attributes
    ----------
    samples : int
    omega : float array (L,)
    normal : float array (2, L, L)
        See :func:`normal_matrices`.
    slope : float array (2, L)
        Σ n′ sin(ω_1 n′) cos(ω_l n′) and Σ n′ cos(ω_1 n′) sin(ω_l n′).
    curvature : float array (2,)
        Σ n′² sin²(ω_1 n′) and Σ n′² cos²(ω_1 n′).
    """

    samples: int
    omega: FloatArray
    normal: FloatArray
    slope: FloatArray
    curvature: FloatArray

    def only(self, lines: NDArray[np.intp]) -> Meeting:
        """Return what concerns some of the lines, the first two among them."""
        normal = self.normal[:, lines[:, None], lines]
        return replace(self, omega=self.omega[lines], normal=normal, slope=self.slope[:, lines])


def meeting_of(omega: FloatArray, samples: int) -> Meeting:
    """Work out how the lines ``omega`` (L,) meet, in closed form."""
    plus, minus = dirichlet_slope(np.array([omega[1] + omega, omega[1] - omega]), samples)
    flat, twice = dirichlet_curvature(0.0, samples), dirichlet_curvature(2 * omega[1], samples)
    return Meeting(
        samples,
        omega,
        normal_matrices(omega, samples),
        np.array([plus + minus, plus - minus]) / -2,
        np.array([twice - flat, -twice - flat]) / 2,
    )


@dataclass(frozen=True, slots=True)
class Solution:
    """Least squares at one frequency.

    Attributes
    ----------
    omega : float array (L,)
    phasors : complex array (2, L)
    inverse : NormalInverse
    residual : float array (2, 2)
        Sums of products of the residuals.
    """

    omega: FloatArray
    phasors: ComplexArray
    inverse: NormalInverse
    residual: FloatArray


@dataclass(frozen=True, slots=True)
class LineFit(Solution):
    """Least squares at one frequency and its first-order dependence on that frequency.

    Attributes
    ----------
    shift : complex array (2, L)
        Error of the phasors per rad/sample that ω_1 is too low.
    slope_residual, slope_power : float array (2, 2)
        d_cᵀM x_c′ and d_cᵀM d_c′, with d = ∂x/∂ω_1 and M the projector off the model.
    """

    shift: ComplexArray
    slope_residual: FloatArray
    slope_power: FloatArray

    def moved(self, step: float) -> LineFit:
        """Return the fit with the tone moved by so many rad/sample, to first order.

        The other lines keep their frequencies. What is left of the record is x − δd, off the model: its sums
        of products are those of x, less δ times those of d and x, and more by δ² times those of d.
        """
        omega, phasors = self.omega.copy(), self.phasors - step * self.shift
        omega[1] += step
        seen = self.slope_residual + self.slope_residual.T
        residual = self.residual - step * seen + step**2 * self.slope_power
        return replace(self, omega=omega, phasors=phasors, residual=residual)


@dataclass(frozen=True, slots=True)
class Totals:
    """Sums over the whole record.

    Attributes
    ----------
    meeting : Meeting
        Of the lines.
    sums : complex array (2, L)
        Σ x e^{−jω_l n′}.
    tone_moment : complex array (2,)
        Σ n′ x e^{−jω_1 n′}.
    products : float array (2, 2)
        Σ x_c x_c′.
    """

    meeting: Meeting
    sums: ComplexArray
    tone_moment: ComplexArray
    products: FloatArray

    def only(self, kept: NDArray[np.bool_]) -> Totals:
        """Return the totals of some of the lines, the first two among them."""
        lines = np.flatnonzero(kept)
        return replace(self, meeting=self.meeting.only(lines), sums=self.sums[:, lines])


def add_up(sums: BlockSums, basis: Basis) -> Totals:
    """Add the blocks up to the whole record."""
    return Totals(basis.meeting, sums.sums.sum(axis=1), sums.tone_moment.sum(axis=1), sums.products)


def solve_lines(totals: Totals, inverse: NormalInverse | None = None) -> Solution:
    """Fit the lines of ``totals`` to both channels; the first is dc, the second the tone.

    ``inverse`` is that of the normal matrices, where it is known.
    """
    sums, meeting = totals.sums, totals.meeting
    inverse = inverse or inverted(meeting.normal, meeting.samples)
    phasors = inverse.solve(sums)
    residual = totals.products - (phasors.real @ sums.real.T + phasors.imag @ sums.imag.T)
    return Solution(meeting.omega, phasors, inverse, (residual + residual.T) / 2)


def fit_lines(totals: Totals) -> LineFit:
    """Fit the lines as :func:`solve_lines`, and say how the fit hangs on the frequency of the tone."""
    solved = solve_lines(totals)
    inverse, phasors = solved.inverse, solved.phasors
    into_cosine, into_sine = totals.meeting.slope
    tone, moment = phasors[:, 1], totals.tone_moment
    on_cosine, on_sine = inverse.cosine @ into_cosine, inverse.sine @ into_sine
    shift = 1j * np.outer(tone.imag, on_sine) - np.outer(tone.real, on_cosine)
    # Re{j P_c (Σ n′ x_c′ e^{−jω_1 n′})*}, off the model
    across = moment.imag + phasors.real @ into_cosine, moment.real + phasors.imag @ into_sine
    seen = np.outer(tone.real, across[0]) - np.outer(tone.imag, across[1])
    of_sine, of_cosine = totals.meeting.curvature - (into_cosine @ on_cosine, into_sine @ on_sine)
    power = of_sine * np.outer(tone.real, tone.real) + of_cosine * np.outer(tone.imag, tone.imag)
    return LineFit(solved.omega, phasors, inverse, solved.residual, shift, seen, power)


def segment_residuals(sums: BlockSums, blocks: Blocks, fit: LineFit, omega: float) -> ComplexArray:
    """Return what is left of the tone in each segment after the fit, as peak phasors (2, segments).

    ``omega``, rad/sample, is where the tone stood when ``sums`` were taken, near that of the fit.
    """
    body = blocks.segments * blocks.per_segment
    measured = sums.sums[:, :body, 1].reshape(2, blocks.segments, -1).sum(axis=2)
    length = blocks.segment_length
    centre = sums.start[: body : blocks.per_segment] + (length - 1) / 2
    beside = np.concatenate([fit.omega, -fit.omega]) - omega
    both = np.concatenate([fit.phasors, fit.phasors.conj()], axis=1)
    modelled = (both * dirichlet(beside, length)) @ np.exp(1j * beside[:, np.newaxis] * centre)
    left: ComplexArray = 2 * (measured - modelled / 2) / length
    return left


def segment_phasors(sums: BlockSums, basis: Basis) -> ComplexArray:
    """Return the tone's phasor (2, segments) in each segment, each fitted with its own offset."""
    blocks, omega = basis.blocks, basis.omega[:2]
    body = blocks.segments * blocks.per_segment
    grouped = sums.sums[:, :body, :2].reshape(2, blocks.segments, blocks.per_segment, 2).sum(axis=2)
    centre = sums.start[: body : blocks.per_segment] + (blocks.segment_length - 1) / 2
    solved = normal_inverse(omega, blocks.segment_length).solve(
        grouped * np.exp(1j * np.outer(centre, omega))
    )
    turned: ComplexArray = solved[:, :, 1] * np.exp(-1j * omega[1] * centre)
    return turned
