"""The bench file: its models, its units, and how it is read."""

from daq.bench.accuracy import Accuracy, parse_accuracy
from daq.bench.load import load_bench, parse_bench
from daq.bench.models import (
    Bench,
    BenchAbout,
    ChannelSpec,
    GasSpec,
    LimitSpec,
    RecordingSpec,
    ServiceSpec,
    SiteSpec,
    SourceSpec,
    StackSpec,
    StoreSpec,
    SupplySpec,
)
from daq.bench.units import KNOWN_CHANNELS, convert

__all__ = [
    "KNOWN_CHANNELS",
    "Accuracy",
    "Bench",
    "BenchAbout",
    "ChannelSpec",
    "GasSpec",
    "LimitSpec",
    "RecordingSpec",
    "ServiceSpec",
    "SiteSpec",
    "SourceSpec",
    "StackSpec",
    "StoreSpec",
    "SupplySpec",
    "convert",
    "load_bench",
    "parse_accuracy",
    "parse_bench",
]
