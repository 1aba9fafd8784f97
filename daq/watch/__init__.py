"""The watch: measurements, alarms and forecast put together, the same live and in replay."""

from daq.watch.forecast_alarms import make_forecaster
from daq.watch.replay import Again, Replay, replay, replay_alarms, suited_to, watch_again
from daq.watch.watch import Watch

__all__ = [
    "Again",
    "Replay",
    "Watch",
    "make_forecaster",
    "replay",
    "replay_alarms",
    "suited_to",
    "watch_again",
]
