"""Many benches at once: workers that gather what benches publish, and one page that shows them all.

Benches publish to a broker; workers share the messages among them, write the samples to a server, and say
what is newest; the overview listens to the workers and shows the worst bench first. No bench depends on any
of it.
"""

from __future__ import annotations

from daq.fleet.overview import Overview
from daq.fleet.settings import Fleet, load_fleet

__all__ = ["Fleet", "Overview", "load_fleet"]
