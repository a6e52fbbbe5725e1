"""How high each of many tones is played: one wave, its peak, and what a take with it says of the next one."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.fft import irfft

from whichcore.analysis.multitone import ToneSet
from whichcore.analysis.multitone_phases import Wave, low_peak_wave
from whichcore.analysis.types import FlagKind, FloatArray, ImpedanceSweep, Phasors
from whichcore.errors import InputError
from whichcore.rig.instruments import Bench
from whichcore.rig.multitone.rule import Tilt
from whichcore.rig.sweep.level import AIM, DriveRule, FluxRule, flux_density_t, highest_flux_density_t
from whichcore.rig.sweep.plan import SweepPlan

HEADROOM = 0.98  # of the full scale of the output
FULLEST = 0.85  # of an input: phases behind the circuit are not those of the drive
STEEPEST = 100.0  # between tones: a wider one is left to the noise


@dataclass(frozen=True, slots=True)
class Played:
    """What is played.

    Attributes
    ----------
    tones : ToneSet
    wave : Wave
    peak_v : float
        Peak of the open-circuit voltage.
    """

    tones: ToneSet
    wave: Wave
    peak_v: float

    @property
    def emf_vpk(self) -> FloatArray:
        """Open-circuit peak voltage of each tone, (T,)."""
        return self.peak_v * np.abs(self.wave.phasors)


@dataclass(frozen=True, slots=True)
class ToneLook:
    """What one take says.

    Attributes
    ----------
    phasors : tuple of Phasors
    corrected : tuple of ImpedanceSweep or None
    flux_density_t : float array (T,) or None
        Peak at the inner edge; where the impedance is lost, the most it could be. None without a core.
    """

    phasors: tuple[Phasors, ...]
    corrected: tuple[ImpedanceSweep | None, ...]
    flux_density_t: FloatArray | None

    @property
    def heights_v(self) -> FloatArray:
        """Peak voltages at both inputs, (T, 2)."""
        return np.asarray(np.abs(np.array([item.phasor_vpk for item in self.phasors])), dtype=float)

    @property
    def lower_v(self) -> FloatArray:
        """The lower of both, of those that stand out of the noise, (T,)."""
        lost = np.array([[item.has(FlagKind.TOO_SMALL, c) for c in range(2)] for item in self.phasors])
        seen = np.where(lost, np.inf, self.heights_v).min(axis=1)
        return np.asarray(np.where(np.isfinite(seen), seen, self.heights_v.max(axis=1)), dtype=float)


def highest_peak_v(plan: SweepPlan, bench: Bench) -> float:
    """Return the open-circuit peak voltage never passed."""
    limits = [HEADROOM * bench.source.limits.level_vpp[1], plan.highest_level_vpp]
    if isinstance(plan.level, DriveRule):
        limits.append(plan.level.level_vpp)
    return min(limits) / 2


def first_weights(plan: SweepPlan, tones: ToneSet) -> FloatArray:
    """Return relative amplitudes for the first take: with a limit of B, equal ones of the most B could be."""
    if isinstance(plan.level, FluxRule):
        rule = plan.level
        return np.array([rule.safe_level_vpp(float(f)) for f in tones.frequency_hz])
    return np.ones(tones.bins.size)


def safe_peak_v(plan: SweepPlan, tones: ToneSet, wave: Wave, highest_v: float) -> float:
    """Return the peak for the first take: that which no core could pass the limit of B with."""
    if not isinstance(plan.level, FluxRule):
        return highest_v
    safe = np.array([plan.level.safe_level_vpp(float(f)) / 2 for f in tones.frequency_hz])
    return min(highest_v, float(1 / np.sum(np.abs(wave.phasors) / safe)))


def weights(tilt: Tilt, look: ToneLook, played: Played) -> FloatArray:
    """Return relative amplitudes that make equal what the tilt says.

    Raises
    ------
    InputError
        Equal flux density without a core.
    """
    emf = played.emf_vpk
    if tilt is Tilt.EVEN:
        return np.ones(emf.size)
    if tilt is Tilt.FLUX:
        if look.flux_density_t is None:
            raise InputError(
                "flux density is that of a core swept at a flux density",
                where="tilt",
                got=str(tilt),
                allowed=f"{Tilt.EVEN}, {Tilt.MATCHED}",
            )
        per_volt = look.flux_density_t / emf
    else:
        per_volt = look.lower_v / emf
    return np.asarray(1 / np.maximum(per_volt, per_volt.max() / STEEPEST))


def peak_v(plan: SweepPlan, look: ToneLook, played: Played, wave: Wave, bench: Bench) -> tuple[float, str]:
    """Return the peak of a wave that keeps every limit, and in words which one sets it.

    What a take has shown per volt of each tone is taken to hold; B is summed as if all tones peaked at once.
    """
    size = np.abs(wave.phasors)
    highest = highest_peak_v(plan, bench)
    found = [(highest, "the level" if isinstance(plan.level, DriveRule) else "the output's full scale")]
    if isinstance(plan.level, FluxRule) and look.flux_density_t is not None:
        total = float(np.sum(size * look.flux_density_t / played.emf_vpk))
        found.append((AIM * plan.level.flux_density_t / total, "the flux density"))
    gains = look.heights_v / played.emf_vpk[:, None]
    for c in range(2):
        room = FULLEST * bench.digitizer.limits.ranges_vpp[c][-1] / 2
        found.append((room / input_peak(played.tones, wave, gains[:, c]), f"input {'AB'[c]}"))
    return min(found)


def input_peak(tones: ToneSet, wave: Wave, gain: FloatArray) -> float:
    """Return the peak of a wave whose tones are each multiplied by a gain, never 0."""
    lines = np.zeros(tones.samples // 2 + 1, dtype=np.complex128)
    lines[tones.bins] = wave.phasors * gain * (tones.samples / 2)
    return max(float(np.max(np.abs(irfft(lines, tones.samples)))), 1e-12)


def shape(tones: ToneSet, sizes: FloatArray, *, quick: bool = False) -> Wave:
    """Return the wave of relative amplitudes."""
    return low_peak_wave(tones, sizes, rounds=0) if quick else low_peak_wave(tones, sizes)


def flux_of(
    rule: FluxRule, bench: Bench, phasors: Sequence[Phasors], corrected: Sequence[ImpedanceSweep | None]
) -> FloatArray:
    """Return the peak flux density of each tone at the inner edge, T."""
    return np.array(
        [
            highest_flux_density_t(rule, read, bench.wiring)
            if z is None
            else flux_density_t(rule, read, complex(z.impedance_ohm[0]), bench.wiring, bench.shunt_ohm)
            for read, z in zip(phasors, corrected, strict=True)
        ]
    )
