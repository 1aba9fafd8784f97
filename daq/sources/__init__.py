"""Where frames come from: serial lines, recordings, the virtual bench.

`make_source` turns a bench file's source into one that can be started; whoever listens is a `Sink`.
"""

from __future__ import annotations

from daq.bench import LineSpec, ModbusSpec, MqttSpec, RecordedSpec, ScpiSpec, SourceSpec, TextSpec
from daq.errors import BenchFileError
from daq.sources.backoff import Backoff
from daq.sources.base import Source, SourceEnded
from daq.sources.clock import DeviceClock, MsUnwrapper
from daq.sources.counters import LinkCounters
from daq.sources.decoder import Decoder, WireDecoder
from daq.sources.events import Sink, SourceEvent
from daq.sources.line import LineSource
from daq.sources.outbox import Command
from daq.sources.ports import HeardLine, Listened, PortInfo, list_ports, listen
from daq.sources.reading import Reply
from daq.sources.recording import RecordedFrame, RecordingSource, read_csv_frames
from daq.sources.scpi import ScpiSource
from daq.sources.serial_port import SerialPort
from daq.sources.stream import StreamSource
from daq.sources.text import TextDecoder, TextSource

__all__ = [
    "Backoff",
    "Command",
    "Decoder",
    "DeviceClock",
    "HeardLine",
    "LineSource",
    "LinkCounters",
    "Listened",
    "MsUnwrapper",
    "PortInfo",
    "RecordedFrame",
    "RecordingSource",
    "Reply",
    "ScpiSource",
    "SerialPort",
    "Sink",
    "Source",
    "SourceEnded",
    "SourceEvent",
    "StreamSource",
    "TextDecoder",
    "TextSource",
    "WireDecoder",
    "list_ports",
    "listen",
    "make_source",
    "read_csv_frames",
]


def make_source(name: str, spec: SourceSpec, *, trial: bool = False) -> Source:
    """The source that a bench file's ``[sources.NAME]`` describes, not yet started.

    `trial` is for a look beside a reader that may be running: nothing that was kept for it is taken away.

    Parameters
    ----------
    name : str
        Its name in the bench file.
    spec : SourceSpec
    trial : bool
        Whether it is for a look beside a reader that may be running: what is kept for that one then stays.
    """
    source = _new_source(name, spec, trial=trial)
    source.delay_ns = round(spec.delay_ms * 1e6)
    return source


def _new_source(name: str, spec: SourceSpec, *, trial: bool) -> Source:
    if isinstance(spec, LineSpec):
        return LineSource(
            name,
            spec.port,
            baud=spec.baud,
            crc=spec.crc,
            clock=spec.clock,
            silent_after_s=spec.silent_after_s,
        )
    if isinstance(spec, RecordedSpec):
        return RecordingSource.from_csv(name, spec.port, clock=spec.clock, silent_after_s=spec.silent_after_s)
    if isinstance(spec, TextSpec):
        return TextSource(name, spec)
    if isinstance(spec, ScpiSpec):
        return ScpiSource(name, spec)
    if isinstance(spec, ModbusSpec):
        from daq.sources.modbus import ModbusSource  # only benches that have one pay for its library

        return ModbusSource(name, spec)
    if isinstance(spec, MqttSpec):
        from daq.sources.mqtt import MqttSource

        return MqttSource(name, spec, trial=trial)
    raise BenchFileError(
        "no source is of this kind",
        place=f"sources.{name}.kind",
        value=spec.kind,
        remedy="see `SOURCE_KINDS`",
    )
