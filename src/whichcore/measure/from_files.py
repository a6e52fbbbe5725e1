"""A sweep, or a calibration, from waveform files that were saved by hand."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np

from whichcore.analysis.secondary_input import unloaded
from whichcore.analysis.specimen import Specimen
from whichcore.analysis.types import FloatArray, ImpedanceSweep, PhasorPair, Wiring
from whichcore.bench.captures import CORE, TIED, Captures
from whichcore.calibration.error_model import ErrorModel
from whichcore.calibration.setup import Setup
from whichcore.calibration.shunt import RangeFactor
from whichcore.errors import AnalysisError, CalibrationError, InputError
from whichcore.files.warn import warn
from whichcore.measure.calibration_file import StoredCalibration
from whichcore.measure.correction import file_id
from whichcore.measure.file_calibration import (
    EVEN,
    LABELS,
    calibrated,
    channels_known,
    even_channels,
    fingerprint_of_files,
    place_of,
    stated_factor,
)
from whichcore.measure.file_points import FileFault, FilePoint, FilePoints, pair_at, read_points
from whichcore.measure.setting import with_winding
from whichcore.measure.standards_order import solve
from whichcore.rig.sweep.level import FluxRule, flux_density_t

_OPEN_STEP = (
    "a larger shunt or the other wiring shows it; check the contacts; save several files and all are used"
)


@dataclass(frozen=True, slots=True)
class FromFiles:
    """What a list of waveform files gave.

    Attributes
    ----------
    sweep : ImpedanceSweep or None
        None where the list holds no core.
    points : tuple of FilePoint
        Of the core, one for each point of the sweep.
    calibration : StoredCalibration or None
        Solved from the list, or the one given; None where the known shunt alone was used.
    faults : tuple of FileFault
        Files and frequencies left out.
    """

    sweep: ImpedanceSweep | None
    points: tuple[FilePoint, ...]
    calibration: StoredCalibration | None
    faults: tuple[FileFault, ...]


def from_files(
    captures: Captures, *, specimen: Specimen | None = None, calibration: StoredCalibration | None = None
) -> FromFiles:
    """Read all files of a list, solve its standards if it has any, and correct its core.

    Parameters
    ----------
    captures : Captures
    specimen : Specimen or None
        Of the core: for its flux density, temperature and name.
    calibration : StoredCalibration or None
        An earlier one, measured the same way.

    Raises
    ------
    InputError, AnalysisError
        No file of a set can be used, or something the list must state is missing.
    CalibrationError
        The standards give no model, are not what they should be, or belong to another set-up.
    """
    if captures.wiring is Wiring.TWO_WINDINGS:
        _check_second(captures, specimen)
    read = {name: read_points(captures, wanted) for name, wanted in captures.sets.items()}
    _check_choice(captures, read, calibration)
    for points in read.values():
        for fault in points.faults:
            warn(f"left out: {fault.told()}")
    for text in dict.fromkeys(note for points in read.values() for note in points.notes):
        warn(text)
    faults = tuple(fault for points in read.values() for fault in points.faults)
    if calibration is not None:
        calibration.check(fingerprint_of_files(captures), captures.temperature_c)
        _check_even(calibration, TIED in read)
    stored = calibration or calibrated(captures, read)
    if CORE not in read:
        return FromFiles(None, (), stored, faults)
    sweep, core = _corrected(captures, read, stored, specimen)
    return FromFiles(sweep, core.points, stored, (*faults, *core.faults[len(read[CORE].faults) :]))


def _check_second(captures: Captures, specimen: Specimen | None) -> None:
    """Refuse two windings without a specimen that has them, and standards that they cannot have."""
    if specimen is None or specimen.winding.secondary_turns is None:
        raise InputError(
            "two windings need a specimen that states both",
            where=f"{captures.path}, wiring",
            got="no specimen" if specimen is None else "a specimen with one winding",
            next_step="give --specimen FILE with secondary_turns, or correct the wiring",
        )
    if standards := [name for name in captures.sets if name in captures.standards]:
        raise InputError(
            "two windings take no standards: no part at the terminals stands for a transfer impedance",
            where=f"{captures.path}, captures",
            got=", ".join(standards),
            next_step=f"take them out; [captures.{TIED}] makes the channels even",
        )


def _check_choice(
    captures: Captures, read: Mapping[str, FilePoints], calibration: StoredCalibration | None
) -> None:
    standards = [name for name in read if name in captures.standards]
    if calibration is not None and standards:
        raise InputError(
            "the list holds standards of its own beside the calibration given",
            where=str(captures.path),
            got=", ".join(standards),
            next_step="leave --calibration out, or take these captures out of the list",
        )
    if CORE not in read and not standards:
        raise InputError(
            "the list holds neither a core nor standards",
            where=f"{captures.path}, captures",
            got=", ".join(read) or "nothing",
            next_step="add [captures.core] with its files",
        )


def _check_even(calibration: StoredCalibration, even: bool) -> None:
    """Refuse a core whose channels are made even where those of the standards were not, and the reverse."""
    if bool(calibration.header.get(EVEN)) == even:
        return
    raise CalibrationError(
        "both channels were on one node for the standards or for the core, not for both",
        where=TIED,
        got="the list has such files" if even else "the list has no such files",
        next_step=f"take [captures.{TIED}] out of the list" if even else f"add [captures.{TIED}] to the list",
    )


def _corrected(
    captures: Captures,
    read: Mapping[str, FilePoints],
    stored: StoredCalibration | None,
    specimen: Specimen | None,
) -> tuple[ImpedanceSweep, FilePoints]:
    model, grid = _model(captures, read, stored, read[CORE], specimen)
    core, grid, pair = _told_from_open(
        model, read[CORE], grid, even_channels(captures, read, read[CORE].pair(frequency_hz=grid))
    )
    factor = (
        _other_settings(captures, core, stored, grid) if stored is not None and TIED not in read else None
    )
    labels = core.labels
    if stored is None and len(set(labels)) > 1 and all(labels) and TIED not in read:
        # each pair of settings has a gain of its own: not one error for the whole sweep
        channels = captures.channels
        factor = stated_factor(channels.gain_half_width, channels.delay_half_width_s, grid)
    sweep = model.correct(replace(pair, range_labels=labels if all(labels) else None), factor=factor)
    if factor is not None and not all(labels):
        sweep = replace(sweep, range_labels=tuple(label or "not stated" for label in labels))
    if specimen is not None and captures.channels.load is not None and captures.wiring is Wiring.TWO_WINDINGS:
        sweep = unloaded(sweep, specimen, captures.channels.load)
    sweep = replace(sweep, sources=tuple(replace(s, id=file_id(s.id)) for s in sweep.sources))
    _check_passive(sweep, core)
    return _described(captures, sweep, core, specimen), core


def _told_from_open(
    model: ErrorModel, core: FilePoints, grid: FloatArray, pair: PhasorPair
) -> tuple[FilePoints, FloatArray, PhasorPair]:
    """Leave out the points that cannot be told from an open; raises the fault where none is left."""
    kept, faults = [], []
    for k, point in enumerate(core.points):
        try:
            model.correct(pair_at(pair, [k]))
            kept.append(k)
        except AnalysisError as error:
            fault = AnalysisError(error.what, where=f"{grid[k]:.6g} Hz", next_step=_OPEN_STEP)
            faults.append(FileFault(core.name, ", ".join(point.files), fault))
            warn(f"left out: {faults[-1].told()}")
    if not kept:
        raise faults[0].error
    points = tuple(core.points[k] for k in kept)
    return replace(core, points=points, faults=(*core.faults, *faults)), grid[kept], pair_at(pair, kept)


def _model(
    captures: Captures,
    read: Mapping[str, FilePoints],
    stored: StoredCalibration | None,
    core: FilePoints,
    specimen: Specimen | None,
) -> tuple[ErrorModel, FloatArray]:
    """Return the model at the frequencies of the core, and these as the calibration names them."""
    if stored is None:
        grid = core.frequency_hz
        varying = len(set(core.labels)) > 1 and all(core.labels)
        channels = channels_known(captures, read, grid)
        setup = Setup(fingerprint_of_files(captures), grid, captures.shunt, None if varying else channels)
        return solve((), setup), grid
    if specimen is not None:
        plane = stored.model.plane
        stored.check(with_winding(fingerprint_of_files(captures), plane, specimen), specimen.temperature_c)
    own = stored.model.frequency_hz
    places = [place_of(own, float(f)) for f in core.frequency_hz]
    grid = np.array(
        [f if k is None else own[k] for f, k in zip(core.frequency_hz.tolist(), places, strict=True)]
    )
    return stored.at(grid.tolist()).model, grid


def _other_settings(
    captures: Captures, core: FilePoints, stored: StoredCalibration, grid: FloatArray
) -> RangeFactor | None:
    """Return what other settings of the channels than the calibration's leave open; None where all agree."""
    known: Mapping[str, str] = stored.header.get(LABELS, {})
    then = [known.get(f"{f:.9g}", "") for f in grid]
    other = np.array([bool(a and b and a != b) for a, b in zip(core.labels, then, strict=True)])
    if not all(core.labels) or not all(then):
        warn(
            "the files do not state the settings of the channels at every frequency: that they were those of "
            "the standards is taken on trust"
        )
    if not other.any():
        return None
    channels = captures.channels
    first = int(np.argmax(other))
    if channels.gain_half_width is None or channels.delay_half_width_s is None:
        raise CalibrationError(
            "the core was saved with other settings of the channels than the standards",
            where=f"{grid[first]:.6g} Hz, {int(other.sum())} of {other.size} points",
            got=core.labels[first],
            allowed=then[first],
            next_step="leave volts per division as they were for the standards, or state gain_tolerance and "
            "delay_tolerance, which go into the uncertainty there",
        )
    factor = stated_factor(channels.gain_half_width, channels.delay_half_width_s, grid)
    return RangeFactor(
        factor.ratio, np.where(other, factor.u_gain, 0.0), np.where(other, factor.u_phase_rad, 0.0)
    )


def _check_passive(sweep: ImpedanceSweep, core: FilePoints) -> None:
    """Refuse a core that gives power out at most of its points; name single ones."""
    real = sweep.impedance_ohm.real
    variance = sweep.scatter[:, 0, 0] + sum(
        (s.sensitivity.real**2 for s in sweep.sources), np.zeros(real.size)
    )
    out = np.flatnonzero(real < -3 * np.sqrt(variance))
    if not out.size:
        return
    k = int(out[np.argmin(real[out])])
    got = f"R = {real[k]:.3g} ohm ± {np.sqrt(variance[k]):.2g} ohm ({', '.join(core.points[k].files)})"
    if 2 * out.size > real.size:
        raise InputError(
            "the specimen gives power out, which no core does",
            where=f"{sweep.frequency_hz[k]:.6g} Hz, {out.size} of {real.size} points",
            got=got,
            allowed="a resistance above zero",
            next_step="A and B swapped, a probe ratio wrong, a channel inverted, or the other wiring",
        )
    warn(
        f"{out.size} of {real.size} points have a resistance below zero by more than three of its standard "
        f"uncertainties, worst at {sweep.frequency_hz[k]:.6g} Hz: {got}; check these files"
    )


def _described(
    captures: Captures, sweep: ImpedanceSweep, core: FilePoints, specimen: Specimen | None
) -> ImpedanceSweep:
    notes = {**sweep.notes, "bench": captures.name, "frequencies": _how_known(core)}
    temperature = captures.temperature_c
    flux = None
    if specimen is not None:
        notes |= {"specimen": specimen.name} if specimen.name else {}
        temperature = specimen.temperature_c if temperature is None else temperature
        rule, shunt = FluxRule(1.0, specimen), float(captures.shunt.impedance(np.zeros(1))[0].real)
        flux = np.array(
            [
                flux_density_t(rule, point.phasors, complex(z), captures.wiring, shunt)
                for point, z in zip(core.points, sweep.impedance_ohm, strict=True)
            ]
        )
    return replace(sweep, notes=notes, temperature_c=temperature, flux_density_t=flux)


def _how_known(core: FilePoints) -> str:
    found = sum(point.found for point in core.points)
    if found == 0:
        return "as stated"
    return "found in the records" if found == len(core.points) else f"{found} found in the records"
