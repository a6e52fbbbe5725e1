"""Measuring: a bench is calibrated, a core is swept, and both are written down so that nothing is lost."""

from whichcore.measure.calibrate import CalibrationPlan, calibrate
from whichcore.measure.calibration_file import (
    StoredCalibration,
    calibration_folder,
    load_calibration,
    newest_calibration,
    save_calibration,
)
from whichcore.measure.channel_ranges import ChannelRanges, measure_ranges
from whichcore.measure.correction import Correction
from whichcore.measure.fixture_run import Step
from whichcore.measure.setting import fingerprint_of
from whichcore.measure.sweep_run import SweepRequest, run_sweep

__all__ = [
    "CalibrationPlan",
    "ChannelRanges",
    "Correction",
    "Step",
    "StoredCalibration",
    "SweepRequest",
    "calibrate",
    "calibration_folder",
    "fingerprint_of",
    "load_calibration",
    "measure_ranges",
    "newest_calibration",
    "run_sweep",
    "save_calibration",
]
