"""The logbook: everything about runs but their samples."""

from daq.store.logbook.logbook import Logbook

__all__ = ["Logbook"]
