"""From a sheet of screen readings to a sweep; what no core can show is refused, with what to check."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from whichcore.analysis.by_hand import pair_of_readings
from whichcore.analysis.flux_density import core_voltage_vrms, inner_edge_factor, peak_flux_density_t
from whichcore.analysis.secondary_input import unloaded
from whichcore.analysis.specimen import Specimen
from whichcore.analysis.types import FloatArray, ImpedanceSweep, Wiring
from whichcore.calibration.fingerprint import Fingerprint
from whichcore.calibration.ratio import Ratio
from whichcore.calibration.setup import Setup
from whichcore.errors import AnalysisError, InputError
from whichcore.files.screen_sheet import ScreenSheet, SheetHead, SheetRow, raise_together
from whichcore.files.warn import warn
from whichcore.measure.correction import file_id
from whichcore.measure.file_calibration import stated_factor
from whichcore.wording import in_percent

SIGMAS = 3.0
SAYS_LITTLE = 0.3  # of |Z|: a point with a larger uncertainty
CHECK = "check which channel leads, that A is at the source, probe ratios, volts per division, the wiring"
CHECK_SECOND = "check which channel leads, the ends of the second winding, probe ratios, volts per division"


def sweep_by_hand(sheet: ScreenSheet, specimen: Specimen | None = None) -> ImpedanceSweep:
    """Return the sweep of a sheet, with reading errors, shunt and channels as its sources.

    With two windings the load of the second one is taken off; that needs the specimen's turns.

    Raises
    ------
    InputError
        Rows that no passive specimen gives, beyond three standard uncertainties; all of them are named. Two
        windings without a specimen that has them.
    """
    if sheet.head.load is not None and (specimen is None or specimen.winding.secondary_turns is None):
        raise InputError(
            "two windings were read, and the turns of the second one are not known",
            where=str(sheet.path),
            got="no specimen file" if specimen is None else "a specimen with one winding",
            next_step="add --specimen with a file that states secondary_turns",
        )
    faults = []
    for row in sheet.rows:
        try:
            check_row(row, impedance_of(sheet.head, (row,)))
        except InputError as error:
            faults.append(error)
    raise_together(faults)
    sweep = impedance_of(sheet.head, sheet.rows)
    if sheet.head.load is not None and specimen is not None:
        sweep = unloaded(sweep, specimen, sheet.head.load)
        sweep = replace(sweep, sources=tuple(replace(item, id=file_id(item.id)) for item in sweep.sources))
    _doubt(sheet, sweep)
    return _described(sheet, sweep, specimen)


def impedance_of(head: SheetHead, rows: Sequence[SheetRow]) -> ImpedanceSweep:
    """Return the impedance of some rows.

    Raises
    ------
    InputError
        A row from which no impedance follows: an open, within what was read.
    """
    pair = pair_of_readings([row.reading for row in rows])
    grid = pair.frequency_hz
    labels = tuple(row.label for row in rows)
    factor = stated_factor(head.gain_half_width, head.delay_half_width_s, grid)
    # each pair of settings has a gain of its own; without settings one error is common to all
    by_range = all(labels)
    setup = Setup(Fingerprint(head.wiring), grid, head.shunt, None if by_range else factor)
    try:
        sweep = Ratio.solve((), setup).correct(
            replace(pair, range_labels=labels if by_range else None), factor=factor if by_range else None
        )
    except AnalysisError as error:
        second = head.wiring is Wiring.TWO_WINDINGS
        raise InputError(
            error.what,
            where=rows[0].where if len(rows) == 1 else error.where,
            got="no current in the first winding" if second else "both channels alike within what was read",
            next_step="a larger shunt shows the current"
            if second
            else "a smaller shunt, or the other wiring, shows this specimen",
        ) from None
    return replace(sweep, sources=tuple(replace(item, id=file_id(item.id)) for item in sweep.sources))


def standard_uncertainties(sweep: ImpedanceSweep) -> FloatArray:
    """Return those of the real and imaginary part, everything included, float array (F, 2), Ω."""
    variance = np.stack([sweep.scatter[:, 0, 0], sweep.scatter[:, 1, 1]], axis=1)
    for source in sweep.sources:
        variance = variance + np.stack([source.sensitivity.real**2, source.sensitivity.imag**2], axis=1)
    return np.asarray(np.sqrt(variance))


def check_row(row: SheetRow, point: ImpedanceSweep) -> None:
    """Refuse a row that no passive part gives; raises InputError with what to check."""
    z, (u_real, _) = complex(point.impedance_ohm[0]), standard_uncertainties(point)[0]
    if z.real >= -SIGMAS * u_real:
        return
    lead = np.degrees(row.reading.lead_rad)
    raise InputError(
        "no passive part gives this: it would have a resistance below zero",
        where=row.where,
        got=f"R = {z.real:.3g} ohm ± {u_real:.2g} ohm, from V_A/V_B = "
        f"{row.reading.a_vpk / row.reading.b_vpk:.3g} with A leading by {lead:.3g}°",
        allowed="a resistance above zero",
        next_step=CHECK_SECOND if point.wiring == Wiring.TWO_WINDINGS else CHECK,
    )


def _doubt(sheet: ScreenSheet, sweep: ImpedanceSweep) -> None:
    u = standard_uncertainties(sweep)
    size = np.abs(sweep.impedance_ohm)
    weak = np.flatnonzero(np.hypot(u[:, 0], u[:, 1]) > SAYS_LITTLE * size)
    if weak.size:
        warn(
            f"{weak.size} of {size.size} rows say little, their uncertainty is over "
            f"{in_percent(SAYS_LITTLE)} of |Z| (first {sheet.rows[int(weak[0])].where}): "
            f"{_MORE[sheet.head.wiring]}"
        )
    if sweep.impedance_ohm[0].imag < -SIGMAS * u[0, 1]:
        turned = ", and turn the ends of the second winding round" * (sheet.head.load is not None)
        warn(
            f"{sheet.rows[0].where}: the specimen is a capacitor at its lowest frequency; a wound core is an "
            f"inductor there: check which channel leads{turned}"
        )


_MORE = {
    Wiring.SHUNT_AT_GROUND: "the wiring with the specimen at ground may tell more",
    Wiring.SPECIMEN_AT_GROUND: "the wiring with the shunt at ground may tell more",
    Wiring.TWO_WINDINGS: "more turns, or a larger shunt, may tell more",
}


def _described(sheet: ScreenSheet, sweep: ImpedanceSweep, specimen: Specimen | None) -> ImpedanceSweep:
    notes = {**sweep.notes, "bench": "read off a screen"}
    notes.pop("calibration", None)
    name = sheet.head.specimen or (specimen.name if specimen is not None else "")
    notes |= {"specimen": name} if name else {}
    temperature = sheet.head.temperature_c
    if temperature is None and specimen is not None:
        temperature = specimen.temperature_c
    flux = None if specimen is None else _flux_density_t(sheet, sweep, specimen)
    return replace(sweep, notes=notes, temperature_c=temperature, flux_density_t=flux)


def _flux_density_t(sheet: ScreenSheet, sweep: ImpedanceSweep, specimen: Specimen) -> FloatArray:
    edge = inner_edge_factor(specimen)
    if sheet.head.wiring is Wiring.TWO_WINDINGS:
        a_vrms = np.array([row.reading.a_vpk for row in sheet.rows]) / np.sqrt(2)
        second = specimen.winding.secondary_turns
        return np.asarray(peak_flux_density_t(a_vrms, sweep.frequency_hz, specimen, second) * edge)
    b_vrms = np.array([row.reading.b_vpk for row in sheet.rows]) / np.sqrt(2)
    shunt = np.abs(sheet.head.shunt.impedance(sweep.frequency_hz))
    at_ground = sheet.head.wiring is Wiring.SPECIMEN_AT_GROUND
    terminal = b_vrms if at_ground else b_vrms / shunt * np.abs(sweep.impedance_ohm)
    induced = core_voltage_vrms(sweep.impedance_ohm, sweep.frequency_hz, terminal, specimen)
    return np.asarray(peak_flux_density_t(induced, sweep.frequency_hz, specimen) * edge)
