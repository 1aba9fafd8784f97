"""The archive: samples sealed out of the journal into one or several backends."""

from daq.store.archive.archive import SPOOL_ROWS, Archive
from daq.store.archive.places import KINDS, ArchivePlaces, make_archive, places_in, settle
from daq.store.archive.run_segments import RunSegments, difference
from daq.store.archive.seal_process import SealProcess
from daq.store.archive.sealing import Sealer

__all__ = [
    "KINDS",
    "SPOOL_ROWS",
    "Archive",
    "ArchivePlaces",
    "RunSegments",
    "SealProcess",
    "Sealer",
    "difference",
    "make_archive",
    "places_in",
    "settle",
]
