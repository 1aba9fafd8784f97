"""The reader: owns the ports, calibrates, guards and records."""

from daq.reader.calibrate import Calibrator
from daq.reader.channel import Answer, ChannelAddress, ChannelClient
from daq.reader.guard import Guard, TripCause
from daq.reader.process import Reader
from daq.reader.timebase import SYSTEM_CLOCKS, Clocks, StepDetector

__all__ = [
    "SYSTEM_CLOCKS",
    "Answer",
    "Calibrator",
    "ChannelAddress",
    "ChannelClient",
    "Clocks",
    "Guard",
    "Reader",
    "StepDetector",
    "TripCause",
]
