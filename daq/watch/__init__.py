"""The watch: measurements, alarms and forecast put together, the same live and in replay."""

from daq.watch.forecast_alarms import make_forecaster
from daq.watch.replay import Replay, ReplayedEvents, replay, replay_alarms, replay_events, suited_to
from daq.watch.watch import Watch

__all__ = [
    "Replay",
    "ReplayedEvents",
    "Watch",
    "make_forecaster",
    "replay",
    "replay_alarms",
    "replay_events",
    "suited_to",
]
