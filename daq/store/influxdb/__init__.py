"""Samples on a database server: InfluxDB, or another that speaks its write API and InfluxQL.

Arrow is imported where it is called: a reader does without.
"""

from daq.store.influxdb.backend import InfluxBackend
from daq.store.influxdb.live_points import LIVE_LANE, live_field, live_lines
from daq.store.influxdb.server import (
    TOKEN_VARIABLE,
    InfluxPlace,
    InfluxServer,
    Refused,
    ServerAway,
    quoted,
    text_literal,
)

__all__ = [
    "LIVE_LANE",
    "TOKEN_VARIABLE",
    "InfluxBackend",
    "InfluxPlace",
    "InfluxServer",
    "Refused",
    "ServerAway",
    "live_field",
    "live_lines",
    "quoted",
    "text_literal",
]
