"""What a worker needs, imported: the process that workers are forked from has it, so that one starts at
once.
"""

from __future__ import annotations

import influxdb_client.client.influxdb_client
import influxdb_client.service.write_service
import urllib3

import daq.fleet.worker

__all__ = ["LOADED"]

LOADED = (
    influxdb_client.client.influxdb_client,
    influxdb_client.service.write_service,
    urllib3,
    daq.fleet.worker,
)
