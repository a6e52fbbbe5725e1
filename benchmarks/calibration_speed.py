"""Time a calibration with its full covariance, and what follows to Z and μ, against GTC doing the same.

Usage: python benchmarks/calibration_speed.py [--points F] [--theirs N] [--runs R]

Both sides carry the same twenty independent causes: noise of three readings (two columns each), the stray of
the open, two values of the short, nine sources of a load whose curve was measured elsewhere, gain and phase
of a range factor; and the scatter of the specimen besides. GTC works one point at a time: it is timed on
N points spread over the band and scaled to all of them, as its time grows in proportion. Values and
covariances of both must agree at these points in the same run. Prints medians and ratios; exits 1 when a
gate or the agreement fails. Only ratios are gates.
"""

from __future__ import annotations

import argparse
import os
import platform
import sys
import time
from collections.abc import Callable
from dataclasses import dataclass
from statistics import median
from typing import Any

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import GTC
import numpy as np

from whichcore.analysis.permeability import air_inductance_h, permeability, winding_seen
from whichcore.analysis.specimen import Ring, Specimen, Winding
from whichcore.analysis.types import (
    ComplexArray,
    ErrorSource,
    FloatArray,
    ImpedanceSweep,
    PermeabilitySpectrum,
    PhasorPair,
    Scope,
    Wiring,
)
from whichcore.analysis.uncertainty import point_covariance
from whichcore.analysis.winding import WindingModel
from whichcore.calibration.error_model import ErrorModel
from whichcore.calibration.fingerprint import Fingerprint
from whichcore.calibration.open_short_load import OpenShortLoad
from whichcore.calibration.setup import Measured, Setup
from whichcore.calibration.shunt import RangeFactor
from whichcore.calibration.standards import Known, Open, Short, Toleranced

GATE = 100.0
OURS = 10  # runs for one of theirs
AGREE = 1e-6  # of the covariance's trace: rounding of a null vector, and of differences of near equal ratios
NOISE_V, SHUNT_OHM, KNOWN_SOURCES = 2e-5, 10.0, 9
OPEN = Open(Toleranced(1e-12, 2e-13))
SHORT = Short(Toleranced(1e-3, 3e-4), Toleranced(3.5e-9, 3e-10))
SPECIMEN = Specimen(
    Ring(outer_diameter_m=25e-3, inner_diameter_m=15e-3, height_m=10e-3),
    Winding(
        turns=10,
        wire_diameter_m=0.4e-3,
        wire_length_m=0.45,
        lead_length_m=0.04,
        dc_resistance_ohm=62e-3,
        capacitance_f=2.5e-12,
    ),
    name="ring",
)


Result = tuple[Any, Any]  # an uncertain number of GTC, and its covariance


@dataclass(frozen=True)
class Case:
    """What was measured."""

    frequency_hz: FloatArray
    standards: tuple[Measured, ...]
    pair: PhasorPair
    factor: RangeFactor
    known: ImpedanceSweep


def make_case(points: int) -> Case:
    """Return noisy readings of open, short, load and a lossy coil, shunt at ground behind leads."""
    rng = np.random.default_rng(12)
    f = np.geomspace(1e3, 3e6, points)
    jw = 2j * np.pi * f
    load = 50.0 + jw * 4e-9
    tilt = (f / 3e6)[None, :] ** np.linspace(0, 1, KNOWN_SOURCES)[:, None]
    sources = tuple(
        ErrorSource(f"bridge {k}", Scope.SPECIMENS, load * 3e-4 * row * np.exp(0.7j * k))
        for k, row in enumerate(tilt)
    )
    known = ImpedanceSweep(f, load, np.zeros((points, 2, 2)), sources)
    parts = (OPEN, SHORT, Known(known, name="load"))
    coil = 0.062 + jw * 80e-6 / (1 + 1j * f / 1e6)

    def read(p: ComplexArray, q: ComplexArray) -> PhasorPair:
        b = SHUNT_OHM * q
        a = p + (0.02 + jw * 80e-9) * q + 1.01 * b
        scale = 0.3 / np.hypot(abs(a), abs(b))
        drawn = NOISE_V * rng.normal(size=(4, points))
        covariance = NOISE_V**2 * np.eye(4) * np.ones((points, 1, 1))
        return PhasorPair(
            f, a * scale + drawn[0] + 1j * drawn[1], b * scale + drawn[2] + 1j * drawn[3], covariance
        )

    stated = [part.homogeneous(f) for part in parts]
    return Case(
        f,
        tuple(Measured(part, read(h.p, h.q)) for part, h in zip(parts, stated, strict=True)),
        read(coil, np.ones_like(coil)),
        RangeFactor(np.exp(jw * 2e-10) * 1.003, np.full(points, 4e-4), f * 1e-10),
        known,
    )


def ours_calibrated(case: Case) -> ErrorModel:
    """Solve for the error model with every source."""
    return OpenShortLoad.solve(case.standards, Setup(Fingerprint(Wiring.SHUNT_AT_GROUND), case.frequency_hz))


def ours_through(
    model: ErrorModel, case: Case, winding: WindingModel
) -> tuple[ImpedanceSweep, PermeabilitySpectrum]:
    """Take all sources through to Z and μ; copper and strays of the winding are at hand on both sides."""
    sweep = model.correct(case.pair, factor=case.factor)
    return sweep, permeability(sweep, SPECIMEN, winding)


def covariances(sweep: ImpedanceSweep, spectrum: PermeabilitySpectrum) -> tuple[FloatArray, FloatArray]:
    """Return the 2×2 covariances of Z and of μ, without what the winding and the dimensions add to it."""
    carried = [s for s in spectrum.sources if s.id in {item.id for item in sweep.sources}]
    return (
        point_covariance(sweep.scatter, sweep.sources),
        point_covariance(spectrum.scatter, carried),
    )


def ratio_of(pair: PhasorPair, at: int) -> Any:
    """Return V_A/V_B as an uncertain number of two columns."""
    a, b = complex(pair.voltage_a_v[at]), complex(pair.voltage_b_v[at])
    slope = np.array([1 / b, 1j / b, -a / b**2, -1j * a / b**2])
    form = np.array([slope.real, slope.imag])
    lower = np.linalg.cholesky(form @ pair.covariance[at] @ form.T)
    first, second = GTC.ureal(0, 1), GTC.ureal(0, 1)
    return a / b + complex(*lower[:, 0]) * first + complex(*lower[:, 1]) * second


def theirs_calibrated(case: Case, at: int) -> tuple[Any, Any, Any]:
    """Return α, β, γ of Z = (α r + β)/(γ r + 1), uncertain numbers, from three parts by elimination."""
    jw = 2j * np.pi * float(case.frequency_hz[at])
    c, r, h = (
        GTC.ureal(v.value, v.standard_uncertainty)
        for v in (OPEN.capacitance_f, SHORT.resistance_ohm, SHORT.inductance_h)
        if isinstance(v, Toleranced)
    )
    load = GTC.constant(complex(case.known.impedance_ohm[at]))
    for source in case.known.sources:
        load = load + complex(source.sensitivity[at]) * GTC.ureal(0, 1)
    z = (1 / (jw * c), r + jw * h, load)
    m = [ratio_of(item.pair, at) for item in case.standards]
    one, two = m[0] - m[1], m[0] - m[2]
    cross_one, cross_two = z[0] * m[0] - z[1] * m[1], z[0] * m[0] - z[2] * m[2]
    below = two * cross_one - one * cross_two
    alpha = ((z[0] - z[2]) * cross_one - (z[0] - z[1]) * cross_two) / below
    gamma = (one * (z[0] - z[2]) - two * (z[0] - z[1])) / below
    return alpha, z[1] * (gamma * m[1] + 1) - alpha * m[1], gamma


def theirs_through(
    terms: tuple[Any, Any, Any], case: Case, at: int, winding: FloatArray
) -> tuple[Result, Result]:
    """Take all sources through to Z and μ: uncertain numbers with their covariances."""
    alpha, beta, gamma = terms
    jw = 2j * np.pi * float(case.frequency_hz[at])
    tie = (
        1
        + GTC.ureal(0, float(case.factor.u_gain[at]))
        + 1j * GTC.ureal(0, float(case.factor.u_phase_rad[at]))
    )
    r = ratio_of(case.pair, at) / complex(case.factor.ratio[at]) * tie
    z = (alpha * r + beta) / (gamma * r + 1)
    resistance, inductance, capacitance, air = winding
    core = 1 / (1 / z - jw * capacitance) - resistance - jw * inductance
    mu = core / (jw * air)
    return (z, GTC.variance(z)), (mu, GTC.variance(mu))


@dataclass(frozen=True)
class Race:
    """Processor seconds of both sides for all points, run by run."""

    ours_s: list[float]
    theirs_s: list[float]

    @property
    def ratio(self) -> float:
        """The median of their time over ours."""
        return median(b / a for a, b in zip(self.ours_s, self.theirs_s, strict=True))


def race(
    ours: Callable[[], Any], theirs: Callable[[], Any], scale: float, runs: int
) -> tuple[Race, Any, Any]:
    """Time both in turns, in seconds of the processor: each runs in one thread. Ours is the mean of ten."""
    taken = Race([], [])
    one = two = None
    for _ in range(runs):
        start = time.process_time()
        for _ in range(OURS):
            one = ours()
        middle = time.process_time()
        two = theirs()
        taken.ours_s.append((middle - start) / OURS)
        taken.theirs_s.append((time.process_time() - middle) * scale)
    return taken, one, two


def winding_at(model: WindingModel, points: int) -> FloatArray:
    """Return R, L, C of the winding and L0 at each point, float array (F, 4), for GTC."""
    values = (
        model.resistance_ohm.value,
        model.inductance_h.value,
        model.capacitance_f.value,
        air_inductance_h(SPECIMEN),
    )
    return np.stack([np.broadcast_to(value, (points,)) for value in values], axis=-1)


def disagreement(value: complex, covariance: FloatArray, theirs: Result) -> float:
    """Return the larger of the relative differences of value and covariance."""
    number, v = theirs
    expected = np.array([[v.rr, v.ri], [v.ir, v.ii]])
    return float(
        max(
            abs(complex(GTC.value(number)) / value - 1),
            np.max(abs(covariance - expected)) / np.trace(expected),
        )
    )


def report(name: str, taken: Race) -> bool:
    """Print both times and their ratio, and return whether the gate holds."""
    held = taken.ratio >= GATE
    told = "pass" if held else "MISSED"
    ours, theirs = 1e3 * median(taken.ours_s), median(taken.theirs_s)
    print(f"{name:12} {ours:9.1f} ms {theirs:11.2f} s {taken.ratio:8.0f}   {told}")
    return held


def main() -> int:
    """Run the benchmark."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").split("\n", maxsplit=1)[0])
    parser.add_argument("--points", type=int, default=1000)
    parser.add_argument("--theirs", type=int, default=20)
    parser.add_argument("--runs", type=int, default=5)
    asked = parser.parse_args()
    case = make_case(asked.points)
    places = np.unique(np.linspace(0, asked.points - 1, asked.theirs).round().astype(int)).tolist()
    scale = asked.points / len(places)
    calibrating, model, terms = race(
        lambda: ours_calibrated(case),
        lambda: [theirs_calibrated(case, at) for at in places],
        scale,
        asked.runs,
    )
    seen = winding_seen(model.correct(case.pair), SPECIMEN)
    winding = winding_at(seen, asked.points)
    through, (sweep, spectrum, of_z, of_mu), found = race(
        lambda: (*(both := ours_through(model, case, seen)), *covariances(*both)),
        lambda: [theirs_through(term, case, at, winding[at]) for term, at in zip(terms, places, strict=True)],
        scale,
        asked.runs,
    )
    worst = max(
        max(
            disagreement(complex(sweep.impedance_ohm[at]), of_z[at], z),
            disagreement(complex(spectrum.permeability[at]), of_mu[at], mu),
        )
        for at, (z, mu) in zip(places, found, strict=True)
    )
    print(
        f"{platform.machine()}, {os.cpu_count()} cores, numpy {np.__version__}; {len(sweep.sources)} sources"
    )
    print(f"{asked.points} points; GTC is timed on {len(places)} of them and scaled")
    print(f"{'':12} {'whichcore':>12} {'GTC':>13} {'ratio':>8}   gate {GATE:g}")
    held = [report("calibration", calibrating), report("to Z and μ", through)]
    agreed = worst <= AGREE
    print(f"values and covariances agree within {worst:.1e} {'(pass)' if agreed else '(FAILED)'}")
    return 0 if all(held) and agreed else 1


if __name__ == "__main__":
    sys.exit(main())
