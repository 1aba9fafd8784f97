"""The logbook: everything about runs but their samples. One file, and a book for each kind of fact."""

from daq.store.logbook.alarms import AlarmBook
from daq.store.logbook.calibrations import CalibrationBook
from daq.store.logbook.fills import FillBook
from daq.store.logbook.forecasts import ForecastBook
from daq.store.logbook.logbook import Logbook, free_run_id, start_in_id
from daq.store.logbook.looks import LookBook
from daq.store.logbook.records import (
    ARCHIVE_STATE,
    AlarmTransition,
    BuildRecord,
    CalibrationRecord,
    FillRecord,
    ForecastLog,
    Gap,
    LookRecord,
    Mark,
    RunRecord,
    Transition,
    TripRecord,
)
from daq.store.logbook.trips import TripBook

__all__ = [
    "ARCHIVE_STATE",
    "AlarmBook",
    "AlarmTransition",
    "BuildRecord",
    "CalibrationBook",
    "CalibrationRecord",
    "FillBook",
    "FillRecord",
    "ForecastBook",
    "ForecastLog",
    "Gap",
    "Logbook",
    "LookBook",
    "LookRecord",
    "Mark",
    "RunRecord",
    "Transition",
    "TripBook",
    "TripRecord",
    "free_run_id",
    "start_in_id",
]
