"""Calibration of channels, and runs evaluated again under another calibration."""

from daq.study.calibration.channel_calibration import (
    Calibrated,
    calibrate,
    keep,
    recalibrated,
    recalibrated_bench,
    warnings_of,
)
from daq.study.calibration.points import read_points

__all__ = [
    "Calibrated",
    "calibrate",
    "keep",
    "read_points",
    "recalibrated",
    "recalibrated_bench",
    "warnings_of",
]
