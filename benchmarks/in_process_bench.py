"""A bench without lines and waiting: virtual voltages, read and judged by the functions that judge real ones.

The circuits of ``whichcore.rig.virtual`` make the records; phasors, error models and permeability come from
the analysis and the calibration, which know nothing of the circuits. What the workshop knows of its shunt and
standards is what their labels say (docs/reference/virtual-bench.md), never the truth.
"""

from __future__ import annotations

import tempfile
from dataclasses import dataclass, replace
from itertools import pairwise
from pathlib import Path

import numpy as np

from whichcore.analysis.permeability import permeability
from whichcore.analysis.phasor import fit_phasors
from whichcore.analysis.quantisation import coprime_periods
from whichcore.analysis.secondary_input import SecondaryLoad, unloaded
from whichcore.analysis.specimen import Specimen
from whichcore.analysis.takes import average_phasors, ratio_with_covariance
from whichcore.analysis.types import (
    ComplexArray,
    FloatArray,
    PermeabilitySpectrum,
    PhasorPair,
    Phasors,
    Wiring,
)
from whichcore.analysis.uncertainty import point_covariance
from whichcore.calibration.error_model import ErrorModel
from whichcore.calibration.fingerprint import Fingerprint
from whichcore.calibration.open_short_load import OpenShortLoad
from whichcore.calibration.ratio import Ratio
from whichcore.calibration.setup import Measured
from whichcore.calibration.setup import Setup as Calibrating
from whichcore.calibration.shunt import RangeFactor, Shunt
from whichcore.calibration.standards import Capacitor, Load, Open, Short, Standard, Toleranced
from whichcore.files import load_specimen
from whichcore.rig.virtual import (
    Drive,
    Sampling,
    Setup,
    WoundCore,
    capture_in_process,
    channel_settings,
    fixture,
    node_voltages,
    operate,
)
from whichcore.rig.virtual.electronics import electronics
from whichcore.rig.virtual.fixtures import Fixture

SAMPLES = 20_000
PERIODS = 40
FULL = 0.8  # share of a range that a tone may fill
LARGEST_EMF_VPK = 5.0
STANDARD_EMF_VPK = 2.0
SMALLEST_PEAK_V = 8e-3  # 25 steps of the most sensitive range: below, the converter hides the rest
INITIAL_T, HIGHEST_T = 0.25e-3, 5e-3  # IEC 60401-3, from memory; the most that is extrapolated from, practice
INPUT_FARAD, INPUT_FARAD_WITHIN = 70e-12, 15e-12  # of a channel with its cable, as a data sheet would say

SECONDARY = SecondaryLoad(INPUT_FARAD, INPUT_FARAD_WITHIN / np.sqrt(3))

within = Toleranced.within
LABELS: dict[str, Standard] = {
    "open": Open(within(1e-12, 0.3e-12)),
    "short": Short(within(1e-3, 1e-3), within(3.5e-9, 0.5e-9)),
    "load": Load(within(50.0, 0.05), within(4e-9, 1e-9), within(0.4e-12, 0.2e-12)),
    "capacitor": Capacitor(within(1e-9, 5e-12), 0.0, within(20e-3, 10e-3), within(6e-9, 1e-9)),
}

Ranges = tuple[float, float]


@dataclass(frozen=True, slots=True)
class Reading:
    """One core at one frequency: what was measured, and what is true at the level it was measured at.

    Attributes
    ----------
    wiring : Wiring
    spectrum : PermeabilitySpectrum
        One point.
    truth : complex
        μ at the same flux density.
    flux_density_t : float
        True peak, mean over the section.
    """

    wiring: Wiring
    spectrum: PermeabilitySpectrum
    truth: complex
    flux_density_t: float

    @property
    def error(self) -> FloatArray:
        """Measured less true, of μ′ and μ″, (2,)."""
        off = complex(self.spectrum.permeability[0]) - self.truth
        return np.array([off.real, -off.imag])

    @property
    def uncertainty(self) -> FloatArray:
        """Stated standard uncertainty of μ′ and μ″, (2,)."""
        return np.sqrt(np.diagonal(point_covariance(self.spectrum.scatter, self.spectrum.sources)[0]))


class InProcessBench:
    """The virtual bench in this process, with one calibration for each wiring and frequency.

    Parameters
    ----------
    seed : int
    shunt_ohm : float
        1, 10 or 100.
    takes : int
        Records averaged for each reading.
    converter_stated : bool
        Whether the digitizer's data sheet states its non-linearity.
    """

    def __init__(
        self, seed: int = 1, shunt_ohm: float = 10.0, takes: int = 6, *, converter_stated: bool = True
    ) -> None:
        self._rng = np.random.default_rng(seed)
        self._shunt_ohm, self._takes, self._stated = shunt_ohm, takes, converter_stated
        self._models: dict[tuple[Wiring, float], ErrorModel] = {}
        self._ties: dict[tuple[float, Ranges], RangeFactor] = {}

    def measure(self, item: WoundCore, wiring: Wiring, frequency_hz: float) -> Reading:
        """Measure a core; the level is the lowest that the converter can read."""
        setup = Setup(wiring, item, self._shunt_ohm)
        emf = _emf_for(setup, frequency_hz)
        ranges = _ranges_for(setup, frequency_hz, emf)
        model, factor = self.model(wiring, frequency_hz), self._tied(frequency_hz, ranges)
        pair = _pair(self._phasors(setup, frequency_hz, emf, ranges), frequency_hz)
        sweep = model.correct(pair, factor=factor)
        flux = operate(setup, np.array([frequency_hz]), emf * _source_gain()).flux_density_t
        specimen = card(item)
        if wiring is Wiring.TWO_WINDINGS:
            sweep = unloaded(sweep, specimen, SECONDARY)
        spectrum = permeability(sweep, specimen)
        return Reading(
            wiring, spectrum, complex(true_permeability(item, frequency_hz, flux)[0]), float(flux[0])
        )

    def model(self, wiring: Wiring, frequency_hz: float) -> ErrorModel:
        """Return the calibration of a wiring at one frequency, taken when first asked for.

        Each standard is read on ranges that suit it and tied to channels of equal gain, like the specimen.
        """
        key = (wiring, frequency_hz)
        if key not in self._models:
            self._models[key] = self._calibrate(wiring, frequency_hz)
        return self._models[key]

    def _calibrate(self, wiring: Wiring, frequency_hz: float) -> ErrorModel:
        mark, grid = Fingerprint(wiring, shunt=f"{self._shunt_ohm:g} ohm"), np.array([frequency_hz])
        if wiring is Wiring.TWO_WINDINGS:
            return Ratio.solve((), Calibrating(mark, grid, shunt_label(self._shunt_ohm)))
        read = [
            Measured(standard, self._standard(fixture(part), wiring, frequency_hz))
            for part, standard in LABELS.items()
        ]
        return OpenShortLoad.solve(
            read, Calibrating(mark, grid, calibration_id=f"{wiring} {frequency_hz:g} Hz")
        )

    def _standard(self, part: Fixture, wiring: Wiring, frequency_hz: float) -> PhasorPair:
        setup = Setup(wiring, part, self._shunt_ohm)
        ranges = _ranges_for(setup, frequency_hz, STANDARD_EMF_VPK)
        emf = _emf_filling(setup, frequency_hz, ranges)
        pair = _pair(self._phasors(setup, frequency_hz, emf, ranges), frequency_hz)
        return _evened(pair, self._tied(frequency_hz, ranges))

    def _tied(self, frequency_hz: float, ranges: Ranges) -> RangeFactor:
        """Return V_A/V_B with both channels on one node, measured once.

        On far apart ranges the wider channel would see a few steps only, so neighbouring ranges are tied one
        after the other and the factors multiplied.
        """
        key = (frequency_hz, ranges)
        if key not in self._ties:
            self._ties[key] = self._climb(frequency_hz, ranges)
        return self._ties[key]

    def _climb(self, frequency_hz: float, ranges: Ranges) -> RangeFactor:
        factor, gain_variance, phase_variance = 1 + 0j, 0.0, 0.0
        for pair, power in _ladder(ranges):
            ratio, gain, phase = self._tie(frequency_hz, pair)
            factor *= ratio**power
            gain_variance, phase_variance = gain_variance + gain**2, phase_variance + phase**2
        return RangeFactor(
            np.array([factor]), np.sqrt(np.array([gain_variance])), np.sqrt(np.array([phase_variance]))
        )

    def _tie(self, frequency_hz: float, ranges: Ranges) -> tuple[complex, float, float]:
        """Return V_A/V_B on one node and its standard uncertainties, relative and in rad."""
        setup = Setup(Wiring.TWO_WINDINGS, fixture("load"), self._shunt_ohm, tied=True)
        emf = _emf_filling(setup, frequency_hz, ranges)
        ratio, covariance = ratio_with_covariance(self._phasors(setup, frequency_hz, emf, ranges))
        along = np.array([ratio.real, ratio.imag]) / abs(ratio)
        across = np.array([-along[1], along[0]])
        gain, phase = (float(np.sqrt(axis @ covariance @ axis)) / abs(ratio) for axis in (along, across))
        return ratio, gain, phase

    def _phasors(self, setup: Setup, frequency_hz: float, emf_vpk: float, ranges: Ranges) -> Phasors:
        channels = channel_settings(0, ranges[0]), channel_settings(1, ranges[1])
        sampling = _sampling(frequency_hz)
        takes = []
        for _ in range(self._takes):
            record = capture_in_process(setup, Drive(frequency_hz, emf_vpk), channels, sampling, self._rng)
            if not self._stated:
                record = replace(record, nonlinearity_codes=(0.0, 0.0))
            takes.append(fit_phasors(record, frequency_hz))
        louder = int(np.argmax(np.abs(takes[0].phasor_vpk)))
        return average_phasors(takes, reference=louder)


def shunt_label(printed_ohm: float) -> Shunt:
    """Return what the workshop knows of a shunt: ± 0.2 %, some nanohenries, the input across node B."""
    return Shunt(
        within(printed_ohm, 2e-3 * printed_ohm),
        within(5e-9, 4e-9),
        within(INPUT_FARAD, INPUT_FARAD_WITHIN),
        name=f"shunt {printed_ohm:g} ohm",
    )


def card(item: WoundCore) -> Specimen:
    """Return what a caliper and a meter say of a core."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "card.toml"
        path.write_text(item.specimen_toml(), encoding="utf-8")
        return load_specimen(path)


def true_permeability(item: WoundCore, frequency_hz: float, flux_density_t: FloatArray) -> ComplexArray:
    """Return μ of the circuit at a flux density, complex array like ``flux_density_t``."""
    s = np.full(flux_density_t.shape, 2j * np.pi * frequency_hz)
    port = item.core.impedance_port(item.turns, item.condition, item.core.level_factor(flux_density_t))
    return np.asarray(port.impedance(s) / (s * item.core.body.air_inductance(item.turns)))


def _pair(phasors: Phasors, frequency_hz: float) -> PhasorPair:
    return PhasorPair(
        np.array([frequency_hz]),
        phasors.phasor_vpk[:1],
        phasors.phasor_vpk[1:],
        phasors.covariance_v2[np.newaxis],
    )


def _evened(pair: PhasorPair, factor: RangeFactor) -> PhasorPair:
    """Return a pair as channels of equal gain would read it; the doubt of the factor goes into channel A."""
    even = factor.apply(pair)
    along = even.voltage_a_v[0] * factor.u_gain[0]
    across = 1j * even.voltage_a_v[0] * factor.u_phase_rad[0]
    more = sum(np.outer([c.real, c.imag], [c.real, c.imag]) for c in (along, across))
    covariance = even.covariance.copy()
    covariance[0, :2, :2] += more
    return replace(even, covariance=covariance)


def _source_gain() -> float:
    return 1 + electronics().source.gain_error


def _sampling(frequency_hz: float) -> Sampling:
    steps = electronics().digitizer.intervals()
    interval = float(steps[np.searchsorted(steps, 0.99 * PERIODS / (SAMPLES * frequency_hz))])
    record = coprime_periods(1 / interval, frequency_hz, SAMPLES, shortest_samples=SAMPLES - 64)
    return Sampling(record.samples, interval)


def _peaks(setup: Setup, frequency_hz: float, emf_vpk: float) -> FloatArray:
    return np.array([abs(v[0]) for v in node_voltages(setup, np.array([frequency_hz]), emf_vpk)])


def _ranges_for(setup: Setup, frequency_hz: float, emf_vpk: float) -> Ranges:
    peaks = _peaks(setup, frequency_hz, emf_vpk)
    a, b = (channel_settings(k, 2 * peaks[k] / FULL).range_data.full_scale_vpp for k in range(2))
    return a, b


def _ladder(ranges: Ranges) -> list[tuple[Ranges, int]]:
    """Return pairs of neighbouring ranges and powers whose product ties A on its range to B on its own.

    From A on r0: (A r0 / B r1) (A r2 / B r1)⁻¹ (A r2 / B r3) …; where that ends on A, both on the last.
    """
    row = [item.full_scale_vpp for item in electronics().digitizer.channels[0].ranges]
    start, end = row.index(ranges[0]), row.index(ranges[1])
    step = 1 if end >= start else -1
    places = [row[k] for k in range(start, end + step, step)]
    if len(places) % 2:
        places.append(places[-1])
    return [
        ((one, other), 1) if k % 2 == 0 else ((other, one), -1)
        for k, (one, other) in enumerate(pairwise(places))
    ]


def _emf_filling(setup: Setup, frequency_hz: float, ranges: Ranges) -> float:
    """Return the emf that fills one of the two ranges and overdrives none."""
    per_volt = _peaks(setup, frequency_hz, 1.0)
    return float(min(LARGEST_EMF_VPK, np.min(FULL * np.array(ranges) / 2 / per_volt)))


def _emf_for(setup: Setup, frequency_hz: float) -> float:
    """Return the emf for 0.25 mT, or as much more as lifts the lower channel out of the steps, to 5 mT."""
    small = 1e-4
    flux = float(operate(setup, np.array([frequency_hz]), small).flux_density_t[0]) / small
    lower = float(np.min(_peaks(setup, frequency_hz, small))) / small
    wanted = max(INITIAL_T / flux, SMALLEST_PEAK_V / lower)
    return min(wanted, HIGHEST_T / flux, LARGEST_EMF_VPK)
