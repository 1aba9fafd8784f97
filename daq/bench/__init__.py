"""The bench file: its models, its units, and how it is read."""

from daq.bench.accuracy import Accuracy, parse_accuracy
from daq.bench.alarm_models import MAX_TIME_SHELVED_S, AlarmRule, AlarmsSpec, LimitSpec, NotifySpec
from daq.bench.broker_spec import BENCH_ID_PATTERN, PREFIX_PATTERN, BrokerAddress, BrokerSpec, MqttSpec
from daq.bench.calibration import Calibration, read_calibrations
from daq.bench.geometry import GeometrySpec, ManifoldSpec, OpeningSpec, PortSpec, SlotSpec
from daq.bench.load import load_bench, parse_bench
from daq.bench.modbus_spec import ModbusRegister, ModbusSpec, ModbusSupply
from daq.bench.models import (
    Bench,
    BenchAbout,
    ChannelSpec,
    FillSpec,
    GasSpec,
    InfluxSpec,
    RecordingSpec,
    ServiceSpec,
    SiteSpec,
    StackSpec,
    StoreSpec,
    SupplySpec,
)
from daq.bench.scpi_spec import ScpiQuery, ScpiSpec, ScpiSupply
from daq.bench.source_base import SourceSpec
from daq.bench.sources import SOURCE_KINDS, LineSpec, RecordedSpec
from daq.bench.text_spec import TextSpec
from daq.bench.units import KNOWN_CHANNELS, convert, unit_named

__all__ = [
    "BENCH_ID_PATTERN",
    "KNOWN_CHANNELS",
    "MAX_TIME_SHELVED_S",
    "PREFIX_PATTERN",
    "SOURCE_KINDS",
    "Accuracy",
    "AlarmRule",
    "AlarmsSpec",
    "Bench",
    "BenchAbout",
    "BrokerAddress",
    "BrokerSpec",
    "Calibration",
    "ChannelSpec",
    "FillSpec",
    "GasSpec",
    "GeometrySpec",
    "InfluxSpec",
    "LimitSpec",
    "LineSpec",
    "ManifoldSpec",
    "ModbusRegister",
    "ModbusSpec",
    "ModbusSupply",
    "MqttSpec",
    "NotifySpec",
    "OpeningSpec",
    "PortSpec",
    "RecordedSpec",
    "RecordingSpec",
    "ScpiQuery",
    "ScpiSpec",
    "ScpiSupply",
    "ServiceSpec",
    "SiteSpec",
    "SlotSpec",
    "SourceSpec",
    "StackSpec",
    "StoreSpec",
    "SupplySpec",
    "TextSpec",
    "convert",
    "load_bench",
    "parse_accuracy",
    "parse_bench",
    "read_calibrations",
    "unit_named",
]
