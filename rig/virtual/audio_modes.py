"""The bench's circuit in the time domain: its natural modes, and an exact step from sample to sample.

Every one-port is taken apart into R, L and C, and the nodal equations G x + C dx/dt = b u are split into
modes r/(s − p). A mode's response over one sample interval is the integral of its exponential over the
signal; the signal between its samples is what a converter's filter makes of it, a sum of windowed sinc
functions, so that integral is a weighted sum of samples. There is no error of a step size: what is left is
the filter's own ripple, below 1e-5 of V_A/V_B up to 0.42 of the sample rate and 2e-4 at 0.45, and the modes'
agreement with the nodal analysis at complex frequencies, which is checked at every start and told.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray
from scipy import linalg
from scipy.signal import lfilter

from whichcore.analysis.types import ComplexArray, FloatArray
from whichcore.errors import InputError
from whichcore.rig.virtual.circuit import GROUND, Network
from whichcore.rig.virtual.oneport import (
    Capacitor,
    Inductor,
    OnePort,
    Parallel,
    Resistor,
    SectionLadder,
    Series,
    series,
)

EXPANSION_PER_S = 1e5  # where the equations are turned over: in the middle of the audio band
FASTEST_PER_S = 2e8  # quicker modes follow the signal without delay to 1e-5, but for the terms kept
CHECKED_HZ = (20.0, 90e3)
HALF_WIDTH = 32  # samples of the converter's filter on either side
KAISER = 10.5  # about 100 dB outside; memory
NEGLIGIBLE = 1e-11  # of the response: modes below it are left out
REAL = 1e-7  # imaginary over absolute value of a pole that is real
LEAST_SIEMENS = 1e-15  # from every node to ground: none is left without a path


_Ends = tuple[int | None, int | None]
_Entries = list[tuple[int, int, float]]


@dataclass(slots=True)
class _Equations:
    """G and C of the nodal equations, entry by entry."""

    names: dict[str, int] = field(default_factory=dict)
    conductance: _Entries = field(default_factory=list)
    storage: _Entries = field(default_factory=list)

    def unknown(self, name: str = "") -> int:
        """Return the place of a named unknown, or of a new one."""
        name = name or f"#{len(self.names)}"
        return self.names.setdefault(name, len(self.names))

    def node(self, name: str) -> int | None:
        """Return the place of a node; None for ground."""
        return None if name == GROUND else self.unknown(name)

    def across(self, table: _Entries, ends: _Ends, value: float) -> None:
        """Put an admittance between two nodes."""
        a, b = ends
        for k in (a, b):
            if k is not None:
                table.append((k, k, value))
        if a is not None and b is not None:
            table.extend([(a, b, -value), (b, a, -value)])

    def branch(self, ends: _Ends) -> int:
        """Add a branch current as an unknown: v_a − v_b in its own row, itself in those of the nodes."""
        row = self.unknown()
        for end, sign in zip(ends, (1.0, -1.0), strict=True):
            if end is not None:
                self.conductance.extend([(end, row, sign), (row, end, sign)])
        return row

    def place(self, part: OnePort, ends: _Ends, scale: float = 1.0) -> None:
        """Put a one-port, its impedance multiplied by ``scale``, between two nodes."""
        match part:
            case Resistor(ohm=0.0):
                self.branch(ends)
            case Resistor():
                self.across(self.conductance, ends, 1 / (part.ohm * scale))
            case Capacitor():
                self.across(self.storage, ends, part.farad / scale)
            case Inductor():
                row = self.branch(ends)
                self.storage.append((row, row, -part.henry * scale))
            case Series():
                self._row(_gathered(part.parts), ends, scale)
            case Parallel():
                for one in part.parts:
                    self.place(one, ends, scale)
            case SectionLadder():
                self._ladder(part, ends, scale)
            case _:
                raise InputError(
                    "this part has no circuit in the time domain",
                    where="audio circuit",
                    got=type(part).__name__,
                )

    def _row(self, parts: Sequence[OnePort], ends: _Ends, scale: float) -> None:
        inner = [self.unknown() for _ in parts[1:]]
        for part, start, end in zip(parts, (ends[0], *inner), (*inner, ends[1]), strict=True):
            self.place(part, (start, end), scale)

    def _ladder(self, part: SectionLadder, ends: _Ends, scale: float) -> None:
        arm, leak = scale / part.cells, scale * part.cells
        here = ends[0]
        for k in range(part.cells):
            there = self.unknown()
            self.place(part.magnetic, (here, there), arm / 2 if k == 0 else arm)
            self.place(part.leak, (there, ends[1]), leak)
            here = there
        self.place(part.magnetic, (here, ends[1]), arm / 2)


def _gathered(parts: Sequence[OnePort]) -> tuple[OnePort, ...]:
    """Return a row with its inductors, resistors and inner rows drawn together."""
    flat: list[OnePort] = []
    for part in parts:
        flat.extend(_gathered(part.parts) if isinstance(part, Series) else [part])
    henry = sum(part.henry for part in flat if isinstance(part, Inductor))
    ohm = sum(part.ohm for part in flat if isinstance(part, Resistor))
    kept = [part for part in flat if not isinstance(part, Inductor | Resistor)]
    return (*([Inductor(henry)] if henry else []), *([Resistor(ohm)] if ohm else []), *kept)


def _equations(network: Network) -> tuple[_Equations, int]:
    """Return the equations of a network, and the row its source's emf stands in."""
    eq = _Equations()
    nodes = {name: eq.unknown(name) for name in network.nodes}
    emf = eq.unknown("emf")
    for branch in network.branches:
        eq.place(branch.part, (eq.node(branch.start), eq.node(branch.end)))
    eq.place(series(network.source), (emf, nodes[network.source_node]))
    source = eq.branch((emf, None))
    if network.core is not None:
        flux = eq.unknown("flux")
        eq.place(network.core, (flux, None))
        for coil in network.coils:
            end = eq.unknown()  # the wire lies between the start and here, the flux's share from here on
            eq.place(coil.wire, (eq.node(coil.start), end))
            current = eq.branch((end, eq.node(coil.end)))
            eq.conductance.extend([(current, flux, -coil.ratio), (flux, current, -coil.ratio)])
    for place in (*nodes.values(), emf):
        eq.conductance.append((place, place, LEAST_SIEMENS))
    return eq, source


@dataclass(frozen=True, slots=True)
class Modes:
    """A network as a sum over its modes: H(s) = Σ r_k/(s − p_k) + d_0 + d_1 s + d_2 s².

    Attributes
    ----------
    poles : complex array (K,)
        1/s.
    residues : complex array (outputs, K)
    direct : float array (outputs, 3)
    worst : float
        Largest difference to the nodal analysis in the audio band, over the larger output.
    """

    poles: ComplexArray
    residues: ComplexArray
    direct: FloatArray
    worst: float = 0.0

    def response(self, s: ComplexArray) -> ComplexArray:
        """Return H(s), complex array (outputs, F)."""
        terms = self.residues[:, :, None] / (s[None, None, :] - self.poles[None, :, None])
        powers = np.stack([np.ones_like(s), s, s**2])
        return np.asarray(terms.sum(axis=1) + self.direct @ powers, dtype=np.complex128)


def modes_of(network: Network, outputs: Sequence[str]) -> Modes:
    """Split a network into its modes, as seen from the emf at some nodes.

    Raises
    ------
    InputError
        A part without a circuit in the time domain.
    AssertionError
        The modes do not give what the nodal analysis gives.
    """
    eq, source = _equations(network)
    size = len(eq.names)
    conductance, storage = np.zeros((size, size)), np.zeros((size, size))
    for table, matrix in ((eq.conductance, conductance), (eq.storage, storage)):
        for row, column, value in table:
            matrix[row, column] += value
    turned = linalg.lu_factor(conductance + EXPANSION_PER_S * storage)
    drive = np.zeros(size)
    drive[source] = 1.0
    # H(s) = l (1 + (s − s0) A)⁻¹ r
    matrix = linalg.lu_solve(turned, storage)
    modes = _split(matrix, linalg.lu_solve(turned, drive), [eq.names[node] for node in outputs])
    return _checked(modes, network, outputs)


def _split(matrix: FloatArray, drive: FloatArray, places: Sequence[int]) -> Modes:
    """Separate the slow modes, one by one, from the quick ones, which are kept as a series."""
    limit = 1 / FASTEST_PER_S
    triangle, basis, slow = linalg.schur(matrix, output="complex", sort=lambda value: abs(value) > limit)
    seen = np.eye(len(matrix))[list(places)] @ basis
    driven = basis.conj().T @ drive
    cross = linalg.solve_sylvester(triangle[:slow, :slow], -triangle[slow:, slow:], -triangle[:slow, slow:])
    # columns [1, cross; 0, 1] make the matrix block diagonal
    seen_slow, seen_fast = seen[:, :slow], seen[:, :slow] @ cross + seen[:, slow:]
    driven_slow, driven_fast = driven[:slow] - cross @ driven[slow:], driven[slow:]
    values, vectors = linalg.eig(triangle[:slow, :slow])
    weights = (seen_slow @ vectors) * linalg.solve(vectors, driven_slow)
    # w/(1 + (s − s0) λ) = (w/λ)/(s − p), p = s0 − 1/λ
    return _real(
        EXPANSION_PER_S - 1 / values,
        weights / values,
        _series(triangle[slow:, slow:], seen_fast, driven_fast),
    )


def _series(fast: ComplexArray, seen: ComplexArray, driven: ComplexArray) -> FloatArray:
    """Return d_0, d_1, d_2 of l (1 + (s − s0) A)⁻¹ r about s = 0."""
    solved = linalg.inv(np.eye(len(fast)) - EXPANSION_PER_S * fast)
    terms, vector = [], solved @ driven
    for _ in range(3):
        terms.append((seen @ vector).real)
        vector = -solved @ (fast @ vector)
    return np.stack(terms, axis=1)


def _real(poles: ComplexArray, residues: ComplexArray, direct: FloatArray) -> Modes:
    """Leave out what nobody sees, and call a pole real that is so but for rounding."""
    size = np.max(np.abs(residues), axis=0) / np.maximum(np.abs(poles), 1.0)
    poles = np.where(np.abs(poles.imag) < REAL * np.abs(poles), poles.real + 0j, poles)
    kept = size > NEGLIGIBLE
    return Modes(poles[kept], residues[:, kept], direct)


def _checked(modes: Modes, network: Network, outputs: Sequence[str]) -> Modes:
    s: ComplexArray = np.asarray(2j * np.pi * np.geomspace(*CHECKED_HZ, 60), dtype=np.complex128)
    solution = network.solve(s, 1.0)
    wanted = np.array([solution.voltages[node] for node in outputs])
    found = modes.response(s)
    worst = float(np.max(np.abs(found - wanted) / np.max(np.abs(wanted), axis=0)))
    if not worst < 1e-5 or np.any(modes.poles.real >= 0):
        raise AssertionError(f"the modes of the audio circuit are off by {worst:.2g}")
    return Modes(modes.poles, modes.residues, modes.direct, worst)


def kernel(time: FloatArray, order: int = 0) -> FloatArray:
    """Return the converter's filter, or its derivative of an order, at times in samples.

    sinc(t) under a Kaiser window of ±HALF_WIDTH samples; derivatives by differences of steps of 1e-3, which
    are good to 1e-6 and stand before small terms alone.
    """
    t = np.asarray(time, dtype=float)
    if order == 0:
        inside = np.clip(1 - (t / HALF_WIDTH) ** 2, 0.0, None)
        window = np.where(np.abs(t) < HALF_WIDTH, np.i0(KAISER * np.sqrt(inside)) / np.i0(KAISER), 0.0)
        return np.asarray(np.sinc(t) * window)
    step = 1e-3
    return (kernel(t + step, order - 1) - kernel(t - step, order - 1)) / (2 * step)


class ModalFilter:
    """Turns samples of the emf into samples of the outputs, block by block, with carried state.

    Parameters
    ----------
    modes : Modes
    rate_hz : float
    """

    def __init__(self, modes: Modes, rate_hz: float) -> None:
        interval = 1 / rate_hz
        places = np.arange(2 * HALF_WIDTH + 1)  # taps: how many samples back
        up = np.flatnonzero(modes.poles.imag >= 0)  # the twin of a pair is in its real part
        self._step = np.exp(modes.poles[up] * interval)
        double = np.where(modes.poles[up].imag > 0, 2.0, 1.0)
        self._residues = modes.residues[:, up] * double
        weights = np.array([_weights(pole * interval, places) * interval for pole in modes.poles[up]])
        self._weights = np.concatenate([weights.real, weights.imag]).T.reshape(places.size, -1)
        offset = np.asarray(places - HALF_WIDTH, dtype=np.float64)
        powers = np.stack([kernel(offset, order) * rate_hz**order for order in range(3)])
        powers[2, HALF_WIDTH] -= powers[2].sum()  # nor has it a second derivative
        self._direct = modes.direct @ powers
        self._past: FloatArray = np.zeros(2 * HALF_WIDTH)
        self._state: ComplexArray = np.zeros(up.size, dtype=np.complex128)

    @property
    def delay_frames(self) -> int:
        """Of the converter's filter."""
        return HALF_WIDTH

    def __call__(self, emf: FloatArray) -> FloatArray:
        """Return the outputs, float array (outputs, n), for n more samples."""
        whole = np.concatenate([self._past, emf])
        self._past = whole[-2 * HALF_WIDTH :]
        out = np.stack([np.convolve(whole, taps, mode="valid") for taps in self._direct])
        count = self._step.size
        if count == 0:
            return out
        windows = np.lib.stride_tricks.sliding_window_view(whole, 2 * HALF_WIDTH + 1)[:, ::-1]
        halves = np.ascontiguousarray(windows) @ self._weights
        return out + self._run(halves[:, :count] + 1j * halves[:, count:])

    def _run(self, driven: ComplexArray) -> FloatArray:
        out = np.zeros((len(self._residues), len(driven)))
        for k, step in enumerate(self._step):
            states, _ = lfilter([1.0], [1.0, -step], driven[:, k], zi=np.array([step * self._state[k]]))
            self._state[k] = states[-1]
            out += (self._residues[:, k, None] * states).real
        return out


def _weights(pole: complex, places: NDArray[np.int_]) -> ComplexArray:
    """Return ∫ exp(p τ) h(k − M − τ) dτ over one interval, for k samples back (in sample intervals)."""
    span = min(1.0, 40.0 / max(abs(pole.real), 1e-300))
    panels = max(2, int(np.ceil(abs(pole) * span / 3)))
    nodes, weights = np.polynomial.legendre.leggauss(8)
    edges = np.linspace(0.0, span, panels + 1)
    half = (edges[1] - edges[0]) / 2
    tau = (edges[:-1, None] + half + half * nodes).ravel()
    weight = np.tile(half * weights, panels) * np.exp(pole * tau)
    times = np.asarray(places[:, None] - HALF_WIDTH - tau[None, :], dtype=np.float64)
    taps = kernel(times)
    return np.asarray(taps / taps.sum(axis=0) @ weight)  # a steady voltage stays one
