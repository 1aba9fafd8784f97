"""The store: a journal that every sample lands in first, an archive it moves on to, and the logbook of runs.

Neither needs a server. See `Store`, which is all that the other rooms use.
"""

from daq.store._database import SQLITE_VERSION, log_is_safe
from daq.store._lock import FileLock, writer_lock
from daq.store._rows import storable
from daq.store.archive import Archive
from daq.store.envelope import Envelope, envelope_of
from daq.store.journal import Head, Journal, TailBlock
from daq.store.logbook import (
    ARCHIVE_STATE,
    AlarmTransition,
    BuildRecord,
    CalibrationRecord,
    FillRecord,
    ForecastLog,
    Gap,
    Logbook,
    LookRecord,
    Mark,
    RunRecord,
    Transition,
    TripRecord,
    free_run_id,
)
from daq.store.outgoing import Outgoing
from daq.store.parquet import ParquetBackend
from daq.store.protocol import (
    BackendAway,
    ChannelSpan,
    DeadLetters,
    LostSpan,
    SampleStore,
    Segment,
    SegmentAbout,
    SegmentGone,
)
from daq.store.store import Store
from daq.store.write_rate import device_bytes_per_hour

__all__ = [
    "ARCHIVE_STATE",
    "SQLITE_VERSION",
    "AlarmTransition",
    "Archive",
    "BackendAway",
    "BuildRecord",
    "CalibrationRecord",
    "ChannelSpan",
    "DeadLetters",
    "Envelope",
    "FileLock",
    "FillRecord",
    "ForecastLog",
    "Gap",
    "Head",
    "Journal",
    "Logbook",
    "LookRecord",
    "LostSpan",
    "Mark",
    "Outgoing",
    "ParquetBackend",
    "RunRecord",
    "SampleStore",
    "Segment",
    "SegmentAbout",
    "SegmentGone",
    "Store",
    "TailBlock",
    "Transition",
    "TripRecord",
    "device_bytes_per_hour",
    "envelope_of",
    "free_run_id",
    "log_is_safe",
    "storable",
    "writer_lock",
]
