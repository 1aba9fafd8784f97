"""The store: a journal that every sample lands in first, an archive it moves on to, and the logbook of runs.

Neither needs a server. See `Store`, which is all that the other rooms use.
"""

from daq.store.envelope import Envelope, envelope_of
from daq.store.home import ChannelSpan, Piece, PieceAbout, PieceGone, SampleStore
from daq.store.homes import Homes
from daq.store.journal import Head, Journal, TailRow
from daq.store.logbook import Logbook
from daq.store.records import (
    ARCHIVE_STATE,
    CUTS_STATE,
    AlarmTransition,
    CalibrationRecord,
    FillRecord,
    Foretold,
    LookRecord,
    Mark,
    Request,
    RunRecord,
    Transition,
    TripRecord,
)
from daq.store.segments import Segments
from daq.store.store import Store

__all__ = [
    "ARCHIVE_STATE",
    "CUTS_STATE",
    "AlarmTransition",
    "CalibrationRecord",
    "ChannelSpan",
    "Envelope",
    "FillRecord",
    "Foretold",
    "Head",
    "Homes",
    "Journal",
    "Logbook",
    "LookRecord",
    "Mark",
    "Piece",
    "PieceAbout",
    "PieceGone",
    "Request",
    "RunRecord",
    "SampleStore",
    "Segments",
    "Store",
    "TailRow",
    "Transition",
    "TripRecord",
    "envelope_of",
]
