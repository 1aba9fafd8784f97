"""The virtual bench: a simulated electrolyser whose devices speak the wire format on real ports.

A public part of lyewatch, for the demo, for tests of your own, and for trying a bench file without lye::

    python -m daq.sources.virtual_bench --link ./bench-port --speed 30

`VirtualStack` is the physics, `VirtualDevice` and `VirtualMeter` the firmware, `VirtualBench` both with a
list of events to come, `serve` puts it on ports, and `VirtualBenchProcess` runs all of it as a child process.

It is a simulation. What it says of a stack is no evidence about yours.
"""

from __future__ import annotations

from daq.sources.virtual_bench.bench import VirtualBench
from daq.sources.virtual_bench.device import FRAME_S, HEARTBEAT_S, RELAY_S, VirtualDevice, VirtualMeter
from daq.sources.virtual_bench.electrics import Means, chopped
from daq.sources.virtual_bench.events import EVENTS, Event, parse_event
from daq.sources.virtual_bench.model import MAX_STEP_S, VirtualStack
from daq.sources.virtual_bench.parameters import (
    BenchParameters,
    SensorParameters,
    SiteParameters,
    StackParameters,
    SupplyParameters,
    ThermalParameters,
)
from daq.sources.virtual_bench.process import VirtualBenchProcess
from daq.sources.virtual_bench.scenario import SCENARIOS, Scenario, load_scenario
from daq.sources.virtual_bench.serve import BenchServer, has_pty, serve

__all__ = [
    "EVENTS",
    "FRAME_S",
    "HEARTBEAT_S",
    "MAX_STEP_S",
    "RELAY_S",
    "SCENARIOS",
    "BenchParameters",
    "BenchServer",
    "Event",
    "Means",
    "Scenario",
    "SensorParameters",
    "SiteParameters",
    "StackParameters",
    "SupplyParameters",
    "ThermalParameters",
    "VirtualBench",
    "VirtualBenchProcess",
    "VirtualDevice",
    "VirtualMeter",
    "VirtualStack",
    "chopped",
    "has_pty",
    "load_scenario",
    "parse_event",
    "serve",
]
