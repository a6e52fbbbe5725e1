"""Complex nodal analysis of the bench: branches between nodes, one source, one winding on a core.

Unknowns are the node voltages, the current of each winding and the voltage per winding-one that the flux
induces, v_mag. A winding needs its current as an unknown because two windings on one core without leakage
have no admittance matrix.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import ArrayLike

from whichcore.analysis.types import ComplexArray
from whichcore.rig.virtual.oneport import OnePort

GROUND = "0"


@dataclass(frozen=True, slots=True)
class Branch:
    """A one-port between two nodes."""

    start: str
    end: str
    part: OnePort


@dataclass(frozen=True, slots=True)
class Coil:
    """A winding: wire in series with its share of the common flux.

    Attributes
    ----------
    start, end : str
        Nodes; the flux induces ``ratio`` × v_mag from start to end.
    wire : OnePort
        Copper and leakage inductance.
    ratio : float
        Turns over the turns of the first coil.
    """

    start: str
    end: str
    wire: OnePort
    ratio: float = 1.0


@dataclass(frozen=True, slots=True)
class Network:
    """The circuit on the bench.

    Attributes
    ----------
    source_node : str
        Where the source's output is joined.
    source : OnePort
        Output impedance of the source, from its emf to ``source_node``.
    branches : tuple of Branch
    coils : tuple of Coil
        The windings on the core; none for a fixture.
    core : OnePort or None
        Impedance of the core seen by the first coil: v_mag = Z (i_1 + ratio_2 i_2 + …).
    """

    source_node: str
    source: OnePort
    branches: tuple[Branch, ...]
    coils: tuple[Coil, ...] = ()
    core: OnePort | None = None

    @property
    def nodes(self) -> tuple[str, ...]:
        """All nodes but ground, in order of appearance."""
        ends = [self.source_node]
        for branch in self.branches:
            ends += [branch.start, branch.end]
        for coil in self.coils:
            ends += [coil.start, coil.end]
        return tuple(dict.fromkeys(node for node in ends if node != GROUND))

    def solve(self, s: ComplexArray, emf: ArrayLike, core_emf: ArrayLike = 0.0) -> Solution:
        """Return voltages and currents at the complex frequencies s.

        Parameters
        ----------
        s : complex array (F,)
            rad/s, not zero.
        emf, core_emf : complex, scalar or array (F,)
            Of the source; and of what the core itself adds to v_mag (its harmonics).
        """
        size = len(self.nodes)
        matrix, rhs = self._passive(s)
        rhs[:, 0] += np.asarray(emf) / self.source.impedance(s)
        if self.core is not None:
            z = self.core.impedance(s)
            matrix[:, -1, -1] = 1.0
            for k, coil in enumerate(self.coils):
                matrix[:, -1, size + k] = -z * coil.ratio
            rhs[:, -1] += np.asarray(core_emf)
        return self._solved(matrix, rhs)

    def solve_imposed(self, s: ComplexArray) -> Solution:
        """Return voltages and currents with the source dead and one ampere imposed on the core.

        Minus v_mag is then the impedance that the core sees looking into the bench.
        """
        size = len(self.nodes)
        matrix, rhs = self._passive(s)
        for k, coil in enumerate(self.coils):
            matrix[:, -1, size + k] = coil.ratio
        rhs[:, -1] = 1.0
        return self._solved(matrix, rhs)

    def _passive(self, s: ComplexArray) -> tuple[ComplexArray, ComplexArray]:
        """Return all rows but the core's, and a right side of zeros."""
        everything = (*self.branches, Branch(self.source_node, GROUND, self.source))
        asked = self.nodes, everything, self.coils, np.asarray(s, dtype=np.complex128).tobytes()
        try:
            matrix = _rows(*asked)
        except TypeError:  # parts with a value for each frequency have no hash to be found again by
            matrix = _rows.__wrapped__(*asked)
        return matrix.copy(), np.zeros(matrix.shape[:2], dtype=np.complex128)

    def _solved(self, matrix: ComplexArray, rhs: ComplexArray) -> Solution:
        x = np.asarray(np.linalg.solve(matrix, rhs[..., None])[..., 0], dtype=np.complex128)
        size = len(self.nodes)
        voltages: dict[str, ComplexArray] = {node: x[:, k] for k, node in enumerate(self.nodes)}
        zero: ComplexArray = np.zeros(len(x), dtype=np.complex128)
        voltages[GROUND] = zero
        core = np.zeros(len(x), dtype=np.complex128)
        for k, coil in enumerate(self.coils):
            core += coil.ratio * x[:, size + k]
        return Solution(voltages, x[:, -1] if self.coils else zero, core)


@dataclass(frozen=True, slots=True)
class Solution:
    """Phasors at each frequency.

    Attributes
    ----------
    voltages : dict of node to complex array (F,)
        V.
    flux_voltage : complex array (F,)
        v_mag, V, induced by the flux in the first coil.
    core_current : complex array (F,)
        A, ampere-turns over the turns of the first coil.
    """

    voltages: dict[str, ComplexArray]
    flux_voltage: ComplexArray
    core_current: ComplexArray


# between two settings of a bench most of the circuit stays, and so do the frequencies it is asked at
@lru_cache(maxsize=32)
def _rows(
    nodes: tuple[str, ...], branches: tuple[Branch, ...], coils: tuple[Coil, ...], s_bytes: bytes
) -> ComplexArray:
    """Return what branches and windings enter, with nothing in the core's row, complex array (F, n, n)."""
    s = np.frombuffer(s_bytes, dtype=np.complex128)
    index = {node: k for k, node in enumerate(nodes)}
    size = len(index)
    order = size + len(coils) + (1 if coils else 0)
    matrix = np.zeros((s.size, order, order), dtype=np.complex128)
    for branch in branches:
        _stamp(matrix, index, branch, 1 / branch.part.impedance(s))
    for k, coil in enumerate(coils):
        row = size + k
        for node, sign in ((coil.start, 1.0), (coil.end, -1.0)):
            if node != GROUND:
                matrix[:, index[node], row] += sign
                matrix[:, row, index[node]] += sign
        matrix[:, row, row] = -coil.wire.impedance(s)
        matrix[:, row, -1] = -coil.ratio
    matrix.flags.writeable = False
    return matrix


def _stamp(matrix: ComplexArray, index: dict[str, int], branch: Branch, admittance: ComplexArray) -> None:
    ends = [index[node] for node in (branch.start, branch.end) if node != GROUND]
    for k in ends:
        matrix[:, k, k] += admittance
    if len(ends) == 2:
        a, b = ends
        matrix[:, a, b] -= admittance
        matrix[:, b, a] -= admittance
