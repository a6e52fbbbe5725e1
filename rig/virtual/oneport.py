"""Two-terminal circuits of R, L and C, and the ladders that cores and wires are made of.

Everything is evaluated at complex frequencies s in rad/s (s = jω for a sine), because the natural decay of
the bench is wanted too. s = 0 is not allowed: direct current is taken at a vanishing s.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from typing import Protocol

import numpy as np

from whichcore.analysis.types import ComplexArray


class OnePort(Protocol):
    """Anything with two terminals and a linear impedance."""

    def impedance(self, s: ComplexArray) -> ComplexArray:
        """Return Z(s), Ω, complex array (F,), for s in rad/s, complex array (F,)."""
        ...


@dataclass(frozen=True, slots=True)
class Resistor:
    """Z = R, Ω."""

    ohm: float

    def impedance(self, s: ComplexArray) -> ComplexArray:
        """Return R."""
        return np.full(s.shape, self.ohm, dtype=np.complex128)


@dataclass(frozen=True, slots=True)
class Inductor:
    """Z = sL, H."""

    henry: float

    def impedance(self, s: ComplexArray) -> ComplexArray:
        """Return sL."""
        return np.asarray(s * self.henry)


@dataclass(frozen=True, slots=True)
class Capacitor:
    """Z = 1/(sC), F."""

    farad: float

    def impedance(self, s: ComplexArray) -> ComplexArray:
        """Return 1/(sC)."""
        return np.asarray(1 / (s * self.farad))


@dataclass(frozen=True, slots=True)
class Series:
    """One-ports in a row."""

    parts: tuple[OnePort, ...]

    def impedance(self, s: ComplexArray) -> ComplexArray:
        """Return ΣZ."""
        total = np.zeros(s.shape, dtype=np.complex128)
        for part in self.parts:
            total += part.impedance(s)
        return total


@dataclass(frozen=True, slots=True)
class Parallel:
    """One-ports side by side."""

    parts: tuple[OnePort, ...]

    def impedance(self, s: ComplexArray) -> ComplexArray:
        """Return 1/Σ(1/Z)."""
        total = np.zeros(s.shape, dtype=np.complex128)
        for part in self.parts:
            total += 1 / part.impedance(s)
        return 1 / total


@dataclass(frozen=True, slots=True)
class Scaled:
    """A one-port with every impedance multiplied by one number.

    A complex number is the describing function of a hysteretic element: right at the fundamental of a steady
    sine, and nowhere else.
    """

    part: OnePort
    factor: complex | ComplexArray

    def impedance(self, s: ComplexArray) -> ComplexArray:
        """Return factor × Z."""
        return np.asarray(self.factor * self.part.impedance(s))


@dataclass(frozen=True, slots=True)
class SectionLadder:
    """Flux diffusing from the surface of a conducting body to its middle, as T cells.

    A line of total series impedance Z and total shunt admittance Y, shorted at the middle, shows
    Z tanh(γ)/γ with γ² = ZY; cells with half of Z/n on either side of Y/n converge to it as 1/n² (analytic).

    Attributes
    ----------
    magnetic : OnePort
        Z, the core without the section effect.
    leak : OnePort
        1/Y, the conductance and permittivity across half the section.
    cells : int
    """

    magnetic: OnePort
    leak: OnePort
    cells: int

    def impedance(self, s: ComplexArray) -> ComplexArray:
        """Return the impedance at the surface, from the middle outwards."""
        arm = self.magnetic.impedance(s) / self.cells
        across = 1 / (self.leak.impedance(s) * self.cells)
        ladder = arm / 2
        for _ in range(self.cells):
            ladder = arm + 1 / (across + 1 / ladder)
        return ladder - arm / 2


def series(*parts: OnePort) -> OnePort:
    """Join one-ports in a row."""
    return parts[0] if len(parts) == 1 else Series(parts)


def parallel(*parts: OnePort) -> OnePort:
    """Join one-ports side by side."""
    return parts[0] if len(parts) == 1 else Parallel(parts)


def relaxation(henry: float, corner_hz: float, softening: float = 1.0) -> OnePort:
    """Return L ‖ R with R = 2π f L: the permeability χ/(1 + jf/f_r) for L = L0 χ (analytic).

    ``softening`` multiplies L and leaves R, as warming does: the corner falls as the permeability rises.
    """
    return parallel(Inductor(henry * softening), Resistor(2 * np.pi * corner_hz * henry))


def wall_resonance(henry: float, centre_hz: float, quality: float, softening: float = 1.0) -> OnePort:
    """Return L ‖ R ‖ C: χ/(1 − (f/f0)² + jf/(f0 Q)) for L = L0 χ (analytic)."""
    omega = 2 * np.pi * centre_hz
    return parallel(
        Inductor(henry * softening), Resistor(omega * henry * quality), Capacitor(1 / (omega**2 * henry))
    )


def spin_resonance(henry: float, centre_hz: float, damping: float, softening: float = 1.0) -> OnePort:
    """Return L ‖ R ‖ (R′ + C′): K ωs(ωs + jωα)/[(ωs + jωα)² − ω²] for L = L0 K.

    With a = α/ωs and b = 1/ωs: R = L/a, R′ = L a/b², C′ = b²/L (analytic).
    """
    omega = 2 * np.pi * centre_hz
    a, b2 = damping / omega, omega**-2
    inner = series(Resistor(henry * a / b2), Capacitor(b2 / henry))
    return parallel(Inductor(henry * softening), Resistor(henry / a), inner)


def tape(henry: float, eddy_time_s: float, depth: int) -> OnePort:
    """Return the Cauer ladder of sL tanh(x)/x with x² = sτ, τ = μ0 χ d²/(4ρ).

    tanh(x)/x = 1/(1 + x²/(3 + x²/(5 + …))) (analytic), so the ladder is L across [3L/τ in series with
    {L/5 across [7L/τ in series with …]}].
    """
    odd = 4 * depth + 1
    ladder: OnePort = Inductor(henry / odd)
    for k in range(odd - 2, 1, -4):
        ladder = parallel(Inductor(henry / (k - 2)), series(Resistor(k * henry / eddy_time_s), ladder))
    return ladder


@lru_cache(maxsize=32)
def round_wire(dc_ohm: float, skin_time_s: float, depth: int) -> OnePort:
    """Return the ladder of a round wire's own impedance, R x J0(x)/(2 J1(x)), x² = −sτ, τ = μ0 a²/ρ.

    x J0(x)/J1(x) = 2 − x²/(4 − x²/(6 − …)) (analytic), so the ladder is R in series with
    {τR/8 across [3R in series with {τR/16 across [5R in series with …]}]}.
    """
    ladder: OnePort = Inductor(skin_time_s * dc_ohm / (8 * depth))
    for k in range(depth - 1, 0, -1):
        inner = series(Resistor((2 * k + 1) * dc_ohm), ladder)
        ladder = parallel(Inductor(skin_time_s * dc_ohm / (8 * k)), inner)
    return series(Resistor(dc_ohm), ladder)
