"""The reader: owns the ports, calibrates, guards and records."""

from daq.reader.calibrate import Calibrator
from daq.reader.guard import Guard, TripCause
from daq.reader.process import Reader
from daq.reader.timebase import SYSTEM_CLOCKS, Clocks, StepDetector

__all__ = ["SYSTEM_CLOCKS", "Calibrator", "Clocks", "Guard", "Reader", "StepDetector", "TripCause"]
