"""The store: a journal that every sample lands in first, an archive it moves on to, and the logbook of runs.

Neither needs a server. See `Store`, which is all that the other rooms use.
"""

from daq.store._database import SQLITE_VERSION, log_is_safe
from daq.store._lock import FileLock, writer_lock
from daq.store._logbook_runs import free_run_id
from daq.store._rows import storable
from daq.store.envelope import Envelope, envelope_of
from daq.store.home import ChannelSpan, LostSpan, Piece, PieceAbout, PieceGone, SampleStore
from daq.store.homes import Homes
from daq.store.journal import Head, Journal, TailBlock
from daq.store.logbook import Logbook
from daq.store.records import (
    ARCHIVE_STATE,
    AlarmTransition,
    CalibrationRecord,
    FillRecord,
    Foretold,
    Gap,
    LookRecord,
    Mark,
    RunRecord,
    Transition,
    TripRecord,
)
from daq.store.segments import Segments
from daq.store.store import Store
from daq.store.write_rate import device_bytes_per_hour

__all__ = [
    "ARCHIVE_STATE",
    "SQLITE_VERSION",
    "AlarmTransition",
    "CalibrationRecord",
    "ChannelSpan",
    "Envelope",
    "FileLock",
    "FillRecord",
    "Foretold",
    "Gap",
    "Head",
    "Homes",
    "Journal",
    "Logbook",
    "LookRecord",
    "LostSpan",
    "Mark",
    "Piece",
    "PieceAbout",
    "PieceGone",
    "RunRecord",
    "SampleStore",
    "Segments",
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
