"""What is known of a bench's accuracy with nothing switched on: kept calibrations, and bench.toml."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from whichcore.analysis.plan import BANDS_HZ
from whichcore.analysis.plan_accuracy import PlanAccuracy
from whichcore.analysis.plan_point import PlanBench
from whichcore.analysis.reading_noise import ReadingNoise
from whichcore.analysis.secondary_input import SecondaryLoad
from whichcore.analysis.types import FloatArray, ImpedanceAccuracy, RangeUncertainty, Wiring
from whichcore.bench import BenchSettings
from whichcore.calibration.accuracy_map import StatedBench, accuracy_map, model_accuracy, nominal_accuracy
from whichcore.calibration.shunt import Shunt
from whichcore.calibration.standards import (
    Capacitor,
    Known,
    Short,
    Standard,
    Toleranced,
    nominal,
)
from whichcore.errors import CalibrationError, InputError, WhichcoreError
from whichcore.files.warn import warn
from whichcore.measure import StoredCalibration, calibration_folder, load_calibration
from whichcore.measure.setting import bench_name
from whichcore.rig.tables.command_table import DigitizerTable

USUAL_SHUNTS_OHM = (1.0, 10.0, 100.0, 1000.0)
BAND_HZ, PER_DECADE = (1e3, 3e6), 10
SAME_SHUNT = 1.1  # ratio within which another shunt is no other shunt
# of mica or NP0 on short leads; practice, no source
GOOD_CAPACITOR = Capacitor(
    Toleranced.within(1e-9, 1e-11),
    0.0,
    Toleranced.within(20e-3, 10e-3),
    Toleranced.within(6e-9, 3e-9),
    name="good capacitor",
)


@dataclass(frozen=True, slots=True)
class Kept:
    """A calibration that may speak for the bench, and where it lies."""

    path: Path
    stored: StoredCalibration

    @property
    def wiring(self) -> Wiring:
        """Its wiring."""
        return self.stored.model.fingerprint.wiring


def reading_noise(settings: BenchSettings, bench: PlanBench) -> ReadingNoise:
    """Return what the command table says of the digitizer; a plan has refused a plug-in already."""
    card = settings.sound or settings.recorder
    if card is not None:
        first, second = card.in_vpk
        return ReadingNoise(
            ((2 * first,), (2 * second,)), bench.level_vpp, bench.output_ohm, bench.steps, 0.0
        )
    table = settings.digitizer.table
    if not isinstance(table, DigitizerTable):  # pragma: no cover - see plan_bench
        raise InputError("the digitizer is a plug-in", where=str(settings.path))
    ratios = settings.channels.probe_ratios if settings.channels is not None else (1.0, 1.0)
    a, b = (
        tuple(ratio * full for full in row)
        for ratio, row in zip(ratios, table.limits.ranges_vpp, strict=True)
    )
    form = table.waveform
    return ReadingNoise(
        ranges_vpp=(a, b),
        level_vpp=bench.level_vpp,
        output_ohm=bench.output_ohm,
        steps=bench.steps,
        nonlinearity_steps=0.0 if form is None else form.bend_steps,
    )


def bench_accuracy(settings: BenchSettings, bench: PlanBench, files: Sequence[str]) -> PlanAccuracy:
    """Return the accuracy of a bench for a plan.

    Parameters
    ----------
    settings : BenchSettings
    bench : PlanBench
    files : sequence of str
        Calibrations to use, one for each wiring; none means those kept in the user's data folder.

    Raises
    ------
    CalibrationError
        A calibration named is damaged, or of another bench.
    InputError
        Two of one wiring.
    """
    reading = reading_noise(settings, bench)
    stated = StatedBench(settings.shunt, _standards(settings), second_load(settings))
    taken = named(settings, files) if files else kept(settings)
    calibrated = [_taken(settings, item) for item in taken]
    whole = _nominal(stated, reading, _grid(bench), told=True)
    ends = _band_ends(bench)
    plain, with_one = _with_and_without(stated, taken)
    return PlanAccuracy(
        reading=reading,
        maps=tuple(accuracy_map(item, reading) for item in (*calibrated, *whole)),
        stated=_nominal(plain, reading, ends),
        shunts=_other_shunts(plain, reading, ends),
        capacitor=() if with_one is None else _nominal(with_one, reading, ends),
    )


def _with_and_without(stated: StatedBench, taken: Sequence[Kept]) -> tuple[StatedBench, StatedBench | None]:
    """Return the bench as its calibrations use it, and with one capacitor more where they use none."""
    own = [part for part in stated.standards if isinstance(part, Capacitor)]
    used = {name for item in taken for name in item.stored.model.standards}
    if own and (not taken or used & {part.name for part in own}):
        return stated, None
    without = [part for part in stated.standards if part not in own]
    one = own[0] if own else GOOD_CAPACITOR
    return replace(stated, standards=without), replace(stated, standards=[*without, one])


def _band_ends(bench: PlanBench) -> FloatArray:
    """Return the ends of the plan's bands: alternatives are compared there alone."""
    low, high = bench.frequency_hz
    ends = np.unique(np.clip(np.array(BANDS_HZ).ravel(), low, high))
    return np.asarray(ends)


def _grid(bench: PlanBench) -> FloatArray:
    low, high = max(BAND_HZ[0], bench.frequency_hz[0]), min(BAND_HZ[1], bench.frequency_hz[1])
    if not low < high:
        return np.array(BAND_HZ)  # the plan itself says that the source does not reach the band
    count = max(2, int(np.ceil(PER_DECADE * np.log10(high / low))) + 1)
    return np.geomspace(low, high, count)


def _standards(settings: BenchSettings) -> tuple[Standard, ...]:
    """Return the standards at the terminals; one known by a curve only holds on that curve's own grid."""
    return tuple(
        part
        for part in settings.standards.values()
        if not isinstance(part, Known) and not (isinstance(part, Short) and part.plane != "terminals")
    )


def second_load(settings: BenchSettings) -> SecondaryLoad | None:
    """Return what channel A loads a second winding with, where the bench file says it."""
    resistance, capacitance = settings.inputs[0].resistance_ohm, settings.inputs[0].capacitance_f
    if resistance is None or capacitance is None:
        return None
    return SecondaryLoad(
        capacitance_f=capacitance.value,
        u_capacitance_f=capacitance.standard_uncertainty,
        resistance_ohm=resistance.value,
        u_resistance=resistance.standard_uncertainty / resistance.value,
    )


def _nominal(
    stated: StatedBench, reading: ReadingNoise, grid: FloatArray, *, told: bool = False
) -> tuple[ImpedanceAccuracy, ...]:
    """Return every wiring as stated; one whose standards make no calibration is left out, and told.

    Two windings are left out where the file does not say what channel A loads the second one with.
    """
    found = []
    for wiring in Wiring:
        if wiring is Wiring.TWO_WINDINGS and stated.load is None:
            continue
        try:
            found.append(nominal_accuracy(stated, wiring, reading, grid))
        except WhichcoreError as error:
            if told:
                warn(f"nothing can be said of {wiring.value} from the bench file: {error.one_line()}")
    return tuple(found)


def _other_shunts(
    stated: StatedBench, reading: ReadingNoise, grid: FloatArray
) -> dict[float, tuple[ImpedanceAccuracy, ...]]:
    own = nominal(stated.shunt.resistance_ohm)
    return {
        ohm: _nominal(replace(stated, shunt=_scaled(stated.shunt, ohm / own)), reading, grid)
        for ohm in USUAL_SHUNTS_OHM
        if not 1 / SAME_SHUNT < ohm / own < SAME_SHUNT
    }


def _scaled(shunt: Shunt, factor: float) -> Shunt:
    """Return a shunt of another resistance, as closely known and with the same strays."""
    value = shunt.resistance_ohm
    if isinstance(value, Toleranced):
        value = replace(
            value, value=factor * value.value, standard_uncertainty=factor * value.standard_uncertainty
        )
    else:
        value = factor * value
    return replace(shunt, resistance_ohm=value)


# ------------------------------------------------------------------------------------- kept calibrations


def _taken(settings: BenchSettings, item: Kept) -> ImpedanceAccuracy:
    g = item.stored.ranges
    when = str(item.stored.header.get("started", "an unknown day"))[:10]
    return model_accuracy(
        item.stored.model,
        nominal(settings.shunt.resistance_ohm),
        RangeUncertainty(g.ranges_a, g.ranges_b, g.u_gain, g.u_phase_rad),
        load=second_load(settings),
        origin=f"calibration of {when}, {item.path.name}",
    )


def named(settings: BenchSettings, files: Sequence[str]) -> list[Kept]:
    """Return the calibrations named, one for each wiring; raises where one does not belong to the bench."""
    found = [Kept(Path(name), load_calibration(Path(name))) for name in files]
    for item in found:
        if text := _foreign(settings, item.stored):
            raise CalibrationError(
                "this calibration does not speak for the bench",
                where=str(item.path),
                got=text,
                next_step="name the bench file it was taken with, or calibrate anew",
            )
    wirings = [item.wiring for item in found]
    twice = sorted({wiring.value for wiring in wirings if wirings.count(wiring) > 1})
    if twice:
        raise InputError(
            "two calibrations of one wiring",
            where="--calibration",
            got=", ".join(twice),
            allowed="one for each wiring",
        )
    return found


def kept(settings: BenchSettings) -> list[Kept]:
    """Return the newest kept calibration of each wiring of this bench; what cannot be used is told."""
    folder, name = calibration_folder(), bench_name(settings)
    found = []
    for wiring in Wiring:
        usable = []
        for path in sorted(folder.glob(f"{name}-{wiring.value}-*.npz")) if folder.is_dir() else []:
            try:
                item = Kept(path, load_calibration(path))
            except WhichcoreError as error:
                warn(f"a kept calibration is left out: {error.one_line()}")
                continue
            if not _foreign(settings, item.stored):
                usable.append(item)
        if usable:
            found.append(max(usable, key=lambda item: str(item.stored.header.get("started", ""))))
    return found


def _foreign(settings: BenchSettings, stored: StoredCalibration) -> str:
    """Return what of a calibration differs from the bench file; nothing where it belongs to it."""
    mark, ohm = stored.model.fingerprint, nominal(settings.shunt.resistance_ohm)
    shunt = f"{settings.shunt.name}, {ohm:g} ohm"
    if mark.shunt not in {"", shunt}:
        return f"shunt {mark.shunt}, on the bench {shunt}"
    ratios = settings.channels.probe_ratios if settings.channels is not None else (1.0, 1.0)
    if (mark.probe_ratio_a, mark.probe_ratio_b) != ratios:
        return f"probe ratios {mark.probe_ratio_a:g} and {mark.probe_ratio_b:g}"
    if stored.model.plane != "terminals":
        return f"its zero is the {stored.model.plane} of one core"
    return ""
