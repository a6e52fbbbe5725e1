"""What winding and body of the core do to the curve: both resonances, and flux beside the core."""

from __future__ import annotations

import numpy as np

from whichcore.analysis.causality import Causality
from whichcore.analysis.geometry import core_geometry
from whichcore.analysis.permeability import EMPTY_WINDING
from whichcore.analysis.section import mnzn_dielectric, wave_number_per_m
from whichcore.analysis.section_fit import log_factor
from whichcore.analysis.specimen import EffectiveCore, Ring, Rod, Specimen
from whichcore.analysis.trial.data import TriedData
from whichcore.analysis.trial.finding import Fault, Finding, Strength, Unit
from whichcore.analysis.trial.widening import smooth_sources, source
from whichcore.analysis.winding import turn_length_m
from whichcore.wording import hertz, in_percent, plain, quantity

#: Share of the winding's current through its own capacitance from which a lumped one no longer serves. With
#: κ = θ²/3, tan θ/θ of a line is 1 + κ + 1.2 κ² and 1/(1 − κ) is 1 + κ + κ²: they differ by 5 % there.
RESONANT_SHARE = 0.5
#: |k|·side from which the section shapes the curve: half way to the resonance of a slab at π.
RINGING = 1.5
#: Part of the effect of a ringing section that stays open beside what every comparison allows. Practice.
RINGING_DOUBT = 0.5
#: Part of μ′ that flux beside the core may be, from which it is counted: reached near μ 60, below which the
#: same winding without a core is the right reference. Practice.
LEAKAGE_SHARE = 0.02
#: Surface resistance from which a core is no manganese-zinc ferrite, Ω. Practice.
INSULATING_OHM = 1e6
#: Distance of a wire's centre from the core where the wire is not stated, and what the spaces between turns
#: add to the area beside the core. Practice.
_UNKNOWN_WIRE_M, _SPACING = 0.4e-3, 2.0
_TABLE_BAND_HZ = (1e3, 1e6)


def self_resonance(data: TriedData) -> Finding:
    """See how near the winding comes to resonance with its own capacitance.

    κ = ω²L0|μ|C_w is the share of the capacitance in the admittance of the winding; at 1 it resonates. A
    permeability that turns capacitive (μ′ below −μ″) says that more capacitance is there than was taken off.
    """
    square = data.omega**2 * data.air_h * np.abs(data.mu)
    share = square * data.winding.capacitance_f.value
    top = float(share.max())
    at = int(share.argmax())
    missing = _missing_capacitance_f(data)
    strength = Strength(top, RESONANT_SHARE, Unit.RATIO)
    f = data.frequency_hz
    if missing > 0:
        return Finding(
            Fault.SELF_RESONANCE,
            False,
            f"the core turns capacitive: some {quantity(missing, 'F', 2)} more than was taken off the "
            "winding, which resonates within the band; sweep the upper part with fewer turns",
            strength,
            (float(f[0]), float(f[-1])),
            (
                source(
                    Fault.SELF_RESONANCE, -square * np.abs(data.mu) * np.exp(2j * np.angle(data.mu)) * missing
                ),
            ),
        )
    taken = in_percent(top)
    if top <= RESONANT_SHARE:
        told = f"the winding resonates far above the sweep: its capacitance takes {taken} at most"
        return Finding(Fault.SELF_RESONANCE, True, told, strength)
    near = share > RESONANT_SHARE / 2
    size = np.abs(data.mu) * np.minimum(0.2 * share**2, 1.0) * near
    return Finding(
        Fault.SELF_RESONANCE,
        False,
        f"the winding capacitance takes {taken} of the current at {hertz(float(f[at]))}, so that "
        "the winding is near or beyond its self-resonance there: the permeability hangs on a guess of that "
        "capacitance; sweep the upper part with fewer turns",
        strength,
        (float(f[near][0]), float(f[near][-1])),
        smooth_sources(Fault.SELF_RESONANCE, f, np.stack([size, size], axis=1)),
    )


def _missing_capacitance_f(data: TriedData) -> float:
    """Return the capacitance that makes μ′ fall below −μ″ beyond its uncertainty, F, else 0."""
    mu = data.mu
    if mu.real[0] <= 0:
        return 0.0
    below = (mu.real < -np.abs(mu.imag)) & (mu.real + 3 * data.u[:, 0] < 0)
    if not below.any():
        return 0.0
    susceptance = (1 / (1j * data.omega * data.air_h * mu)).imag
    return float((susceptance / data.omega)[below].max())


def section_resonance(data: TriedData, fit: Causality | None) -> Finding:
    """See whether the section of the core shapes the curve, were it manganese-zinc ferrite.

    |k|·side, by the measured permeability and the dielectric table of one such ferrite, is told from 1.5 on;
    the doubt about the section in the comparison with such grades is enough there. The test fails where the
    sweep goes beyond the first dimensional resonance, k² = (π/a)² + (π/b)², and a resonance shows: from there
    on the curve is one of the size as much as of the material.
    """
    if isinstance(data.specimen.core, Rod) or (sides := core_geometry(data.specimen).section_m) is None:
        return Finding(Fault.SECTION, None, "the section of the core is not known")
    if _insulating(data.specimen):
        return Finding(Fault.SECTION, True, "the surface does not conduct: the section does not show")
    f = data.frequency_hz
    epsilon, sigma = mnzn_dielectric(np.clip(f, *_TABLE_BAND_HZ))
    k = np.abs(wave_number_per_m(f, data.mu, sigma, epsilon))
    beyond = k / float(np.hypot(np.pi / sides[0], np.pi / sides[1]))
    strength = Strength(float(beyond.max()), 1.0, Unit.RATIO)
    shaped = k * min(sides) > RINGING
    if not shaped.any():
        return Finding(Fault.SECTION, True, "the section is small against the wave in it", strength)
    told = f"were it manganese-zinc, its section would shape the curve above {hertz(float(f[shaped][0]))}"
    if strength.value <= 1 or fit is None or fit.resonance_hz is None:
        return Finding(Fault.SECTION, True, f"{told}; it does not ring", strength)
    effect = np.minimum(np.abs(log_factor(f, data.mu, sides)), 1.0)
    size = RINGING_DOUBT * effect * np.minimum(beyond**4, 1.0) * np.abs(data.mu)
    return Finding(
        Fault.SECTION,
        False,
        f"{told} and ring near {hertz(float(f[beyond > 1][0]))}, and a resonance near "
        f"{hertz(fit.resonance_hz)} shows: the curve is one of this size of core as much as of its material "
        "there; probe the surface, or sweep a smaller core of the grade",
        strength,
        (float(f[beyond > 1][0]), float(f[-1])),
        smooth_sources(Fault.SECTION, f, np.stack([size, size], axis=1)),
    )


def _insulating(specimen: Specimen) -> bool:
    """Tell whether a probe on the bare core read too much for manganese-zinc ferrite."""
    probed = specimen.surface_resistance
    coated = isinstance(specimen.core, Ring) and specimen.core.coating_thickness_m > 0
    return probed is not None and not specimen.encased and not coated and probed.value_ohm >= INSULATING_OHM


def leakage_flux(data: TriedData) -> Finding:
    """See whether the flux in the air between turns and core counts beside that in the core.

    A turn of length p whose centre lies a distance t from the core encloses the area p·t beside it, (p t/A_e)
    in units of μ; the spaces between the turns about double that (derived here; the factor is practice).
    """
    if data.sweep.notes.get("plane") == EMPTY_WINDING or data.specimen.winding.ideal:
        return Finding(Fault.LEAKAGE, True, "the flux beside the core was taken off with the empty winding")
    beside = _beside(data.specimen)
    level = float(data.mu[0].real)
    if level <= 0:
        return Finding(Fault.LEAKAGE, None, "there is no level to hold the flux beside the core against")
    strength = Strength(beside / level, LEAKAGE_SHARE, Unit.RATIO)
    if strength.value <= LEAKAGE_SHARE:
        return Finding(Fault.LEAKAGE, True, "the flux beside the core does not count", strength)
    f = data.frequency_hz
    return Finding(
        Fault.LEAKAGE,
        False,
        f"with a permeability of {plain(level)} {_share_text(strength.value)}: calibrate the short with the "
        "same winding on a former without a core",
        strength,
        (float(f[0]), float(f[-1])),
        (source(Fault.LEAKAGE, np.full(f.size, beside + 0j)),),
    )


def _share_text(share: float) -> str:
    """Say how much flux runs beside the core, over that in it."""
    if share > 1:
        return "more flux may run beside the core than through it"
    return f"some {in_percent(share)} of the flux may run beside the core"


def _beside(specimen: Specimen) -> float:
    """Return the inductance of the flux between turns and core over that of the core were its μ 1."""
    core, wire = specimen.core, specimen.winding.wire_diameter_m or _UNKNOWN_WIRE_M
    coat = core.coating_thickness_m if isinstance(core, Ring) else 0.0
    area = core_geometry(specimen).effective.area_m2
    around = turn_length_m(core) if not isinstance(core, EffectiveCore) else 4 * float(np.sqrt(area))
    return _SPACING * around * (wire / 2 + coat) / area
