"""One band of a plan: which wiring, which level, what the winding leaves open, and why.

The permeability is not known yet: everything is worked out at both ends of the span expected, at both ends of
the band, and the worst of the four decides. Each rule says where it comes from; most are practice of the
trade, without a source.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from whichcore.analysis.plan_accuracy import ONE_WINDING, Expected, PlanAccuracy, expected, plain
from whichcore.analysis.plan_point import PlanBench, PlanPoint, plan_point
from whichcore.analysis.plan_remark import Reason, Remark
from whichcore.analysis.specimen import Specimen
from whichcore.analysis.types import ImpedanceAccuracy, Wiring
from whichcore.analysis.winding import bed_m
from whichcore.analysis.wire import enamelled_diameter_m
from whichcore.wording import in_percent

SECOND_WINDING_TO_HZ = 3e5
WIRES_M = (0.5e-3, 0.4e-3, 0.3e-3, 0.25e-3, 0.2e-3, 0.15e-3, 0.1e-3)
FILL = 0.6  # of the way round the hole: one layer with room between the turns; practice
DOUBT = 0.05  # of Z, that capacitance or stray inductance of a winding may leave open; practice
COPPER = 0.02  # of tan δ, from which on a second winding is worth its while; practice
STEPS = 25  # of the converter's peak: its non-linearity of some tenths of a step is then a percent; practice
BENCH_LIMIT_T = 1e-3  # looser limit of initial permeability at 10 kHz; practice
HIGHEST_FLUX_T = 5e-3  # still extrapolated to zero field; practice
LOWEST_SETTINGS = 10  # a source is set to no less than ten times its lowest level; practice
PADS_DB = (0, 20, 40)

Limits = tuple[float, float]


@dataclass(frozen=True, slots=True)
class Band:
    """One band of the plan.

    Attributes
    ----------
    from_hz, to_hz : float
    turns : int
    wire_diameter_m : float or None
        Of copper; None where the hole holds no wire of the list.
    wiring : Wiring
    crossover_permeability : float
        Above it the shunt belongs at ground, below the specimen: |Z| equals the shunt in the middle of the
        band.
    flux_density_t : float
        Largest over the section, peak: as wanted, or as much more as the converter needs.
    emf_vpp : (float, float)
        Open-circuit level for that at the terminals, from the least to the most over the band.
    pad_db : int
        Behind the source.
    reachable_flux_t : float
        What the source reaches everywhere in the band, without pad.
    points : tuple of PlanPoint
        Both ends of the band, each at both ends of the span of permeability.
    remarks : tuple of Remark
    expected, second : Expected or None
        What would be known of the core in this wiring, and with a second winding of as many turns; None
        where nothing is known of the bench.
    """

    from_hz: float
    to_hz: float
    turns: int
    wire_diameter_m: float | None
    wiring: Wiring
    crossover_permeability: float
    flux_density_t: float
    emf_vpp: tuple[float, float]
    pad_db: int
    reachable_flux_t: float
    points: tuple[PlanPoint, ...]
    remarks: tuple[Remark, ...]
    expected: Expected | None = None
    second: Expected | None = None


def wire_for(specimen: Specimen, turns: int) -> float | None:
    """Return the thickest wire of the list that lies round the hole in one loose layer, copper diameter in m.

    None where not even the thinnest does; 0.3 mm where the room is not known.
    """
    bed = bed_m(specimen.core)
    if bed is None:
        return 0.3e-3
    return next((wire for wire in WIRES_M if turns * enamelled_diameter_m(wire) <= FILL * bed), None)


class WoundBand:
    """A wound specimen in one band, at both ends of it and of the span of permeability."""

    def __init__(
        self,
        specimen: Specimen,
        bench: PlanBench,
        limits: Limits,
        span: Limits,
        accuracy: PlanAccuracy | None = None,
    ) -> None:
        self.specimen, self.bench, self.limits = specimen, bench, limits
        self.span, self.accuracy = span, accuracy
        self.points = tuple(plan_point(specimen, bench, f, mu) for f in limits for mu in span)
        found = {wiring: self.expected(wiring, least=False) for wiring in ONE_WINDING}
        self.known = {wiring: item for wiring, item in found.items() if item is not None}
        if len(self.known) == len(ONE_WINDING):
            self.wiring = min(ONE_WINDING, key=lambda wiring: self.known[wiring].rank)
        else:
            self.wiring = min(ONE_WINDING, key=self._cost)

    def expected(
        self, wiring: Wiring, law: ImpedanceAccuracy | None = None, *, least: bool = True
    ) -> Expected | None:
        """Return what would be known in a wiring, by the bench's accuracy or by another; None without one."""
        if self.accuracy is None:
            return None
        law = law or self.accuracy.of(wiring, self.limits)
        if law is None:
            return None
        raised = min(self.flux_for(wiring), HIGHEST_FLUX_T) / self.bench.flux_density_t
        return expected(law, self.accuracy.reading, self.specimen, self.points, raised, least=least)

    def _cost(self, wiring: Wiring) -> float:
        """Return what a step of the converter does to Z at worst, in the best case one in ``STEPS``."""
        most = HIGHEST_FLUX_T / self.bench.flux_density_t
        return max(
            point.amplification[wiring] / min(STEPS, most * self._steps(point, wiring))
            for point in self.points
        )

    def _steps(self, point: PlanPoint, wiring: Wiring | None = None) -> float:
        return point.signal_vpk[wiring or self.wiring] / self.bench.step_v

    def flux_for(self, wiring: Wiring) -> float:
        """Return the flux density that lifts the weaker channel out of the steps at every point."""
        wanted = self.bench.flux_density_t
        return max(wanted, *(wanted * STEPS / self._steps(point, wiring) for point in self.points))

    @property
    def flux_density_t(self) -> float:
        """That of the wiring chosen."""
        return self.flux_for(self.wiring)

    @property
    def worst_doubt(self) -> float:
        """Largest share of Z that the winding leaves open."""
        return max(max(point.capacitance_doubt, point.stray_doubt) for point in self.points)

    @property
    def reachable_t(self) -> float:
        """Flux density that the source reaches at every point."""
        return min(point.highest_flux_t for point in self.points)

    def serves(self) -> bool:
        """Tell whether the winding is quiet enough and gives signal enough."""
        enough = self.flux_density_t <= min(HIGHEST_FLUX_T, max(self.reachable_t, self.bench.flux_density_t))
        return self.worst_doubt <= DOUBT and enough

    def lack(self) -> float:
        """Return by how many times the winding is too uncertain or the signal too weak, the worse."""
        return max(self.worst_doubt / DOUBT, self.flux_density_t / HIGHEST_FLUX_T)

    def band(self) -> Band:
        """Return the band with its reasons."""
        flux = min(self.flux_density_t, HIGHEST_FLUX_T)
        scale = flux / self.bench.flux_density_t
        levels = [scale * point.emf_vpp for point in self.points]
        pad = _pad(min(levels), self.bench.level_vpp[0])
        middle = math.sqrt(self.limits[0] * self.limits[1])
        here, second = self.expected(self.wiring), self.expected(Wiring.TWO_WINDINGS)
        return Band(
            from_hz=self.limits[0],
            to_hz=self.limits[1],
            turns=self.specimen.winding.turns,
            wire_diameter_m=self.specimen.winding.wire_diameter_m
            or wire_for(self.specimen, self.specimen.winding.turns),
            wiring=self.wiring,
            crossover_permeability=self._crossover(middle),
            flux_density_t=flux,
            emf_vpp=(min(levels), max(levels)),
            pad_db=pad,
            reachable_flux_t=self.reachable_t,
            points=self.points,
            remarks=tuple(self._remarks(flux, max(levels), pad)),
            expected=here,
            second=second,
        )

    def _crossover(self, frequency_hz: float) -> float:
        per_unit = abs(self.points[0].impedance_ohm) / (self.limits[0] * self.points[0].initial_permeability)
        return self.bench.shunt_ohm / (per_unit * frequency_hz)

    def _remarks(self, flux: float, level_vpp: float, pad_db: int) -> list[Remark]:
        remarks = [self._wiring_remark()]
        if self.flux_density_t > HIGHEST_FLUX_T:
            remarks.append(self._too_weak())
        elif flux > self.bench.flux_density_t:
            remarks.append(self._raised(flux))
        if level_vpp > self.bench.level_vpp[1]:
            remarks.append(self._source_too_small())
        if pad_db and level_vpp * 10 ** (pad_db / 20) > self.bench.level_vpp[1]:
            remarks.append(Remark(Reason.LEVEL, "take the pad out towards the upper end of the band"))
        return remarks + self._winding_remarks()

    def _wiring_remark(self) -> Remark:
        worst = {w: max(p.amplification[w] for p in self.points) for w in self.points[0].amplification}
        other = next(w for w in worst if w is not self.wiring)
        return Remark(
            Reason.WIRING,
            f"a ratio error comes out up to {worst[self.wiring]:.3g} times with the {plain(self.wiring)}, "
            f"up to {worst[other]:.3g} times with the {plain(other)}",
            "|r|/|r - 1|, analytic",
        )

    def _raised(self, flux: float) -> Remark:
        hidden = f"{_milli(self.bench.flux_density_t)} mT is hidden in the converter's steps"
        if flux <= BENCH_LIMIT_T:
            return Remark(
                Reason.LEVEL, f"{hidden}: {_milli(flux)} mT is taken, within the looser limit of 1 mT"
            )
        return Remark(
            Reason.LEVEL,
            f"{hidden}: measure at two or three levels from 1 to 5 mT, {_milli(flux)} mT or more among "
            "them, and draw the line to zero field",
            "initial permeability is the limit for vanishing field (IEC 60401-3, from memory)",
        )

    def _too_weak(self) -> Remark:
        weakest = min(self.points, key=self._steps)
        steps = self._steps(weakest) * HIGHEST_FLUX_T / self.bench.flux_density_t
        small = abs(weakest.impedance_ohm) < self.bench.shunt_ohm
        remedy = "more turns or a smaller shunt" if small else "fewer turns or a larger shunt"
        return Remark(
            Reason.LEVEL,
            f"at {weakest.frequency_hz:g} Hz a core of {weakest.initial_permeability:g} gives {steps:.2g} "
            f"steps of the converter at {_milli(HIGHEST_FLUX_T)} mT, fewer than {STEPS}: {remedy}, or a more "
            "sensitive range",
            cannot=True,
        )

    def _source_too_small(self) -> Remark:
        return Remark(
            Reason.SOURCE,
            f"the source reaches {_milli(self.reachable_t)} mT everywhere, less than the level wanted: the "
            "sweep stays at what it reaches",
            "arithmetic",
        )

    def _winding_remarks(self) -> list[Remark]:
        remarks = []
        if self.worst_doubt > DOUBT:
            point = max(self.points, key=lambda p: max(p.capacitance_doubt, p.stray_doubt))
            what = "capacitance" if point.capacitance_doubt > point.stray_doubt else "stray inductance"
            remarks.append(
                Remark(
                    Reason.TURNS,
                    f"the {what} of the winding leaves {in_percent(self.worst_doubt)} of Z open at "
                    f"{point.frequency_hz:g} Hz for a core of {point.initial_permeability:g}: state it, or "
                    "solve it from two windings",
                    cannot=True,
                )
            )
        if wire_for(self.specimen, self.specimen.winding.turns) is None:
            remarks.append(
                Remark(Reason.WIRE, f"no wire of {WIRES_M[-1] * 1e3:g} mm or more lies in one loose layer")
            )
        copper = max(point.copper_share for point in self.points)
        if copper > COPPER and self.limits[1] <= SECOND_WINDING_TO_HZ:
            remarks.append(
                Remark(
                    Reason.LOSS,
                    f"the copper adds up to {copper:.2g} to tan δ: for μ″ take two windings, A on the second",
                )
            )
        return remarks


def _pad(level_vpp: float, lowest_vpp: float) -> int:
    fitting = (db for db in PADS_DB if level_vpp * 10 ** (db / 20) >= LOWEST_SETTINGS * lowest_vpp)
    return next(fitting, PADS_DB[-1])


def _milli(tesla: float) -> str:
    return f"{tesla * 1e3:.3g}"
