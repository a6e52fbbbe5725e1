"""Coverage of the stated 95 % intervals: they must hold the truth 93 to 97 times in 100, counted by core.

Run ``python benchmarks/coverage.py [--cores N] [--seed N]``. Each of 2,000 virtual cores is a circuit of its
own on a bench of its own, calibrated afresh with standards of its own; every error is drawn from the
distribution stated for it (``drawn_cores``). The chain that judges real measurements then corrects, takes the
winding off and states μ with its 95 % intervals. Counted are resistance R and reactance X of Z, L = X/ω, μ′
and μ″, each at five frequencies over all cores. The gate: every cell between 93 and 97 in 100.

Beside each share stands what tells an honest statement from a wide one: the rms of (error / standard
uncertainty), which is 1 where uncertainties are neither too small nor too large.
"""

from __future__ import annotations

import argparse
import sys
import time
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from drawn_cores import (
    FREQUENCIES_HZ,
    INPUT_FARAD,
    LABELS,
    SHUNT_HENRY,
    SHUNT_SHARE,
    SHUNTS_OHM,
    WITHIN,
    Bench,
    Draw,
    Truth,
    draw_truth,
)
from whichcore.analysis.coverage import expanded
from whichcore.analysis.permeability import permeability
from whichcore.analysis.secondary_input import SecondaryLoad, unloaded
from whichcore.analysis.types import (
    ComplexArray,
    FloatArray,
    ImpedanceSweep,
    PermeabilitySpectrum,
    PhasorPair,
    Wiring,
)
from whichcore.analysis.uncertainty import Part, point_covariance
from whichcore.calibration.error_model import ErrorModel
from whichcore.calibration.fingerprint import Fingerprint
from whichcore.calibration.open_short import OpenShort
from whichcore.calibration.open_short_load import OpenShortLoad
from whichcore.calibration.ratio import Ratio
from whichcore.calibration.setup import Measured, Setup
from whichcore.calibration.shunt import RangeFactor, Shunt
from whichcore.calibration.standards import Capacitor, Load, Open, Short, Standard
from whichcore.errors import WhichcoreError

CORES, COUNTED = 2000, Draw()
LOW, HIGH, PROBABILITY = 0.93, 0.97, 0.95
HIGHEST_OF_TWO_WINDINGS_HZ = 2e5
QUANTITIES = ("R", "X", "L", "mu'", "mu''")
FLOOR_OF_NOISE = 3e-6  # of the source's emf
MODELS = ("open-short", "open-short-load", "four standards")

STANDARDS: Mapping[str, Standard] = {
    "open": Open(LABELS["open"]["farad"]),
    "short": Short(LABELS["short"]["ohm"], LABELS["short"]["henry"]),
    "load": Load(LABELS["load"]["ohm"], LABELS["load"]["henry"], LABELS["load"]["farad"]),
    "capacitor": Capacitor(
        LABELS["capacitor"]["farad"], 0.0, LABELS["capacitor"]["ohm"], LABELS["capacitor"]["henry"]
    ),
}
TAKEN = {"open-short": 2, "open-short-load": 3, "four standards": 4}
SECONDARY = SecondaryLoad(INPUT_FARAD.value, INPUT_FARAD.standard_uncertainty)


@dataclass(frozen=True, slots=True)
class Plan:
    """How each place is measured: wiring and model by number, shunt, and how well phasors are read; (P,)."""

    wiring: Any
    model: Any
    shunt_ohm: FloatArray
    noise: FloatArray
    along: FloatArray
    tie: FloatArray


def draw_plan(truth: Truth, rng: np.random.Generator) -> Plan:
    """Choose for each place one of the sensible wirings with one of three shunts; how noisy is by core."""
    size = abs(truth.impedance(Wiring.SHUNT_AT_GROUND))
    options = [
        (wiring, shunt, _sensible(wiring, shunt, size, truth.frequency_hz))
        for wiring in range(3)
        for shunt in SHUNTS_OHM
    ]
    weight = np.stack([allowed * rng.uniform(size=size.size) for _, _, allowed in options])
    chosen = np.argmax(weight, axis=0)
    cores, points = len(truth.pieces), len(FREQUENCIES_HZ)

    def by_core(low: float, high: float) -> FloatArray:
        return np.tile(10 ** rng.uniform(np.log10(low), np.log10(high), cores), points)

    return Plan(
        wiring=np.array([option[0] for option in options])[chosen],
        model=np.tile(rng.integers(0, len(MODELS), cores), points),
        shunt_ohm=np.array([option[1] for option in options])[chosen],
        noise=by_core(3e-5, 1e-3),
        along=by_core(1e-4, 2e-3),
        tie=by_core(1e-4, 1e-3),
    )


def _sensible(wiring: int, shunt_ohm: float, size_ohm: FloatArray, frequency_hz: FloatArray) -> Any:
    if wiring == 0:
        return (size_ohm > shunt_ohm / 2) | ((shunt_ohm == SHUNTS_OHM[0]) & (size_ohm > shunt_ohm / 10))
    if wiring == 1:
        return size_ohm < 3 * shunt_ohm
    return (frequency_hz < HIGHEST_OF_TWO_WINDINGS_HZ) & (size_ohm > shunt_ohm / 10)


# --------------------------------------------------------------------------------------------- measurement


class Luck:
    """Draws that belong to a place and a name, whatever else is measured with it, or again.

    A group of places is measured together; where one is refused, the others are measured once more without
    it, and must meet the same errors: else a second try would pick the luckier ones.
    """

    def __init__(self, seed: int, count: int) -> None:
        self._seed, self._count = seed, count
        self._drawn: dict[str, FloatArray] = {}

    def normal(self, name: str, places: Any) -> FloatArray:
        """Return six unit normals for each place, (6, n)."""
        if name not in self._drawn:
            rng = np.random.default_rng([self._seed, *name.encode()])
            self._drawn[name] = rng.normal(size=(6, self._count))
        return self._drawn[name][:, places]


@dataclass(frozen=True, slots=True)
class Reader:
    """Both channels at some places: gains, and phasors with the covariance they state."""

    truth: Truth
    plan: Plan
    places: Any
    luck: Luck

    def gains(self, name: str) -> tuple[ComplexArray, ComplexArray]:
        """Return the gains of one pair of ranges at each place: some in 100, some ns."""
        size_a, size_b, delay_a, delay_b = self.luck.normal(f"gains {name}", self.places)[:4]
        s = self.truth.s[self.places]
        return (
            np.asarray((1 + 0.01 * size_a) * np.exp(-s * (4e-9 + 0.5e-9 * delay_a))),
            np.asarray((1 + 0.01 * size_b) * np.exp(-s * (4e-9 + 0.5e-9 * delay_b))),
        )

    def read(
        self, name: str, voltages: tuple[ComplexArray, ComplexArray], gains: tuple[ComplexArray, ComplexArray]
    ) -> PhasorPair:
        """Return what the channels read, by the covariance stated: white noise, converter in phase."""
        covariance = np.zeros((self.places.size, 4, 4))
        luck = self.luck.normal(f"noise of {name}", self.places).reshape(2, 3, -1)
        read = []
        for channel, (voltage, gain) in enumerate(zip(voltages, gains, strict=True)):
            white = np.maximum(self.plan.noise[self.places] * abs(voltage), FLOOR_OF_NOISE)
            along = self.plan.along[self.places] * voltage * gain
            parts = np.stack([along.real, along.imag], axis=-1)
            block = parts[:, :, None] * parts[:, None, :] + (white**2)[:, None, None] * np.eye(2)
            covariance[:, 2 * channel : 2 * channel + 2, 2 * channel : 2 * channel + 2] = block
            one, two, three = luck[channel]
            read.append(voltage * gain + white * (one + 1j * two) + along * three)
        return PhasorPair(self.truth.frequency_hz[self.places], read[0], read[1], covariance)

    def tie(self, name: str, ratio: ComplexArray) -> RangeFactor:
        """Return a quotient of gains as measured on one node."""
        u = self.plan.tie[self.places]
        gain, phase = self.luck.normal(f"tie of {name}", self.places)[:2]
        return RangeFactor(ratio * (1 + u * (gain + 1j * phase)), u, u)


Group = tuple[Any, str, ImpedanceSweep | None]


def measure(truth: Truth, plan: Plan, luck: Luck) -> Iterator[Group]:
    """Yield places, wiring with model, and corrected impedance (None: refused) until all places are done."""
    for number, wiring in enumerate(Wiring):
        for kind, model in enumerate(MODELS):
            for shunt in SHUNTS_OHM:
                mine = (plan.wiring == number) & (plan.model == kind) & (plan.shunt_ohm == shunt)
                used = "ratio" if wiring is Wiring.TWO_WINDINGS else model
                if mine.any():
                    reader = Reader(truth, plan, np.flatnonzero(mine), luck)
                    yield from _groups(reader, wiring, used)


def _groups(reader: Reader, wiring: Wiring, model: str) -> Iterator[Group]:
    """Measure some places together; where that is refused, each half by itself."""
    places = reader.places
    try:
        sweep = _corrected(Bench(reader.truth, places, wiring, reader.plan.shunt_ohm[places]), model, reader)
    except WhichcoreError:
        if places.size == 1:
            yield places, f"{wiring}, {model}", None
            return
        for half in (places[: places.size // 2], places[places.size // 2 :]):
            yield from _groups(replace(reader, places=half), wiring, model)
    else:
        yield places, f"{wiring}, {model}", sweep


def _corrected(bench: Bench, model: str, reader: Reader) -> ImpedanceSweep:
    base, other = reader.gains("calibration"), reader.gains("specimen")
    solved = _calibrated(bench, model, reader, base)
    against = (1.0, 1.0) if model == "ratio" else base
    factor = reader.tie("ranges", np.asarray(other[0] / other[1] * against[1] / against[0]))
    return solved.correct(reader.read("specimen", bench.specimen(), other), factor=factor)


def _calibrated(
    bench: Bench, model: str, reader: Reader, gains: tuple[ComplexArray, ComplexArray]
) -> ErrorModel:
    frequency, shunt_ohm = reader.truth.frequency_hz[reader.places], float(bench.shunt_ohm[0])
    shunt = Shunt(WITHIN(shunt_ohm, SHUNT_SHARE * shunt_ohm), SHUNT_HENRY, INPUT_FARAD)
    setup = Setup(Fingerprint(bench.wiring), frequency, shunt, calibration_id="fresh")
    if model == "ratio":
        return Ratio.solve((), setup)
    names = list(STANDARDS)[: TAKEN[model]]
    standards = [Measured(STANDARDS[name], reader.read(name, bench.standard(name), gains)) for name in names]
    if model == "open-short":
        return OpenShort.solve(
            standards, replace(setup, channels=reader.tie("channels", gains[0] / gains[1]))
        )
    return OpenShortLoad.solve(standards, setup)


# ------------------------------------------------------------------------------------------------ judgement


@dataclass(frozen=True, slots=True)
class Verdicts:
    """What came out at each place, (P,) or (5, P) in the order of ``QUANTITIES``.

    Attributes
    ----------
    error, half_width, standard : float array (5, P)
        Measured less true; half width of the 95 % interval; standard uncertainty.
    size : float array (5, P)
        |Z|, |Z|/ω or |μ|, to compare uncertainties with.
    how, kind : str array (P,)
        Wiring with model; id of the circuit the core was drawn from.
    """

    error: FloatArray
    half_width: FloatArray
    standard: FloatArray
    size: FloatArray
    how: Any
    kind: Any

    @property
    def inside(self) -> FloatArray:
        """1 where the interval holds the truth, 0 where not, NaN where nothing was measured, (5, P)."""
        held = (abs(self.error) <= self.half_width).astype(float)
        return np.where(np.isnan(self.error), np.nan, held)


def judge(truth: Truth, plan: Plan, luck: Luck) -> Verdicts:
    """Measure every place and hold it against the truth."""
    points = truth.frequency_hz.size
    tables = np.full((4, len(QUANTITIES), points), np.nan)
    how = np.empty(points, dtype=object)
    for places, name, sweep in measure(truth, plan, luck):
        how[places] = name
        if sweep is None:
            continue
        expected = truth.impedance(Wiring(name.split(",")[0]))[places]
        for index, place in enumerate(places):
            one = sweep.at(slice(index, index + 1))
            card = truth.card(place)
            if one.wiring == Wiring.TWO_WINDINGS:
                one = unloaded(one, card, SECONDARY)
            tables[:, :, place] = _held(
                one, permeability(one, card), expected[index], truth.permeability[place]
            )
    kind = np.tile([piece.kind for piece in truth.pieces], len(FREQUENCIES_HZ))
    return Verdicts(*tables, how=how, kind=kind)


def _held(sweep: ImpedanceSweep, spectrum: PermeabilitySpectrum, z: complex, mu: complex) -> FloatArray:
    """Return error, half width, standard uncertainty and size of R, X, L, μ′, μ″, (4, 5)."""
    omega = float(2 * np.pi * sweep.frequency_hz[0])
    of_z = _parts(sweep, complex(sweep.impedance_ohm[0]) - z, abs(z))
    of_mu = _parts(spectrum, complex(spectrum.permeability[0]) - mu, abs(mu))
    return np.stack([of_z[0], of_z[1], of_z[1] / omega, of_mu[0], of_mu[1] * [-1, 1, 1, 1]], axis=1)


def _parts(quantity: ImpedanceSweep | PermeabilitySpectrum, off: complex, size: float) -> FloatArray:
    standard = np.sqrt(np.diagonal(point_covariance(quantity.scatter, quantity.sources)[0]))
    return np.array(
        [
            [error, float(expanded(quantity, part, PROBABILITY)[0]), u, size]
            for error, part, u in zip((off.real, off.imag), Part, standard, strict=True)
        ]
    )


def run(count: int, seed: int, draw: Draw = COUNTED) -> Verdicts:
    """Draw so many cores and judge them."""
    rng = np.random.default_rng(seed)
    truth = draw_truth(count, rng, draw)
    return judge(truth, draw_plan(truth, rng), Luck(seed, truth.frequency_hz.size))


# -------------------------------------------------------------------------------------------------- report


def shares(verdicts: Verdicts) -> FloatArray:
    """Return the share of cores inside, (5 quantities, 5 frequencies)."""
    return np.asarray(np.nanmean(verdicts.inside.reshape(len(QUANTITIES), len(FREQUENCIES_HZ), -1), axis=2))


def _table(title: str, cell: Callable[[int, int], str]) -> None:
    print(f"\n{title}\n{'':8}" + "".join(f"{f:>12g}" for f in FREQUENCIES_HZ))
    for row, name in enumerate(QUANTITIES):
        print(f"{name:8}" + "".join(f"{cell(row, column):>12}" for column in range(len(FREQUENCIES_HZ))))


def report(verdicts: Verdicts) -> bool:
    """Print the tables; return whether every cell holds the gate."""
    cut = (len(QUANTITIES), len(FREQUENCIES_HZ), -1)
    normed = (verdicts.error / verdicts.standard).reshape(cut)
    relative = (verdicts.standard / verdicts.size).reshape(cut)
    widths = (verdicts.half_width / verdicts.standard).reshape(cut)
    found = shares(verdicts)
    cores = normed.shape[2]
    error = 100 * np.sqrt(PROBABILITY * (1 - PROBABILITY) / cores)
    _table(
        f"truth inside the 95 % interval, in 100 of {cores} cores (± {error:.1f})",
        lambda q, f: f"{100 * found[q, f]:.1f}",
    )
    _table(
        "rms of error / standard uncertainty", lambda q, f: f"{np.sqrt(np.nanmean(normed[q, f] ** 2)):.3f}"
    )
    _table("median standard uncertainty, % of size", lambda q, f: f"{100 * np.nanmedian(relative[q, f]):.2f}")
    _table("mean half width / standard uncertainty", lambda q, f: f"{np.nanmean(widths[q, f]):.2f}")
    for label, groups in (("wiring and model", verdicts.how), ("core drawn from", verdicts.kind)):
        print(f"\nby {label}: values, then in 100 inside for " + ", ".join(QUANTITIES))
        for name in sorted(set(groups)):
            inside = verdicts.inside[:, groups == name]
            count = int(np.sum(~np.isnan(inside[0])))
            print(f"{name:40}{count:6}" + "".join(f"{100 * x:7.1f}" for x in np.nanmean(inside, axis=1)))
    print(f"\nrefused by the chain: {int(np.sum(np.isnan(verdicts.error[0])))} of {verdicts.how.size} values")
    return bool(np.all((found >= LOW) & (found <= HIGH)))


def main() -> int:
    """Run, print, and tell by the exit code whether the gate held."""
    parser = argparse.ArgumentParser(description=__doc__.split("\n", maxsplit=1)[0])
    parser.add_argument("--cores", type=int, default=CORES)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--wire", choices=("stated", "real", "unstated"), default="stated")
    parser.add_argument("--many-turns", action="store_true", help="many turns at all frequencies")
    parser.add_argument("--unequal", action="store_true", help="second windings of half or twice the turns")
    options = parser.parse_args()
    if options.cores < 1:
        parser.error("--cores is 1 or more")
    begun = time.perf_counter()
    verdicts = run(options.cores, options.seed, Draw(options.wire, options.many_turns, options.unequal))
    held = report(verdicts)
    print(
        f"\n{time.perf_counter() - begun:.0f} s; gate 93 to 97 in every cell: {'held' if held else 'MISSED'}"
    )
    return 0 if held else 1


if __name__ == "__main__":
    sys.exit(main())
