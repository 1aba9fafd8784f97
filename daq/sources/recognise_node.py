"""Nodes on Wi-Fi, recognised by what they publish: SenML packs, or lines of the line format.

Only listens: nothing is published, and the broker's own session for a reader is left alone.
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from typing import Final

from pydantic import ValidationError

from daq.bench import BrokerAddress, MqttSpec
from daq.broker.look import TopicMessage, look
from daq.errors import FrameError, PortError
from daq.sources.counters import LinkCounters
from daq.sources.messages import MessageDecoder
from daq.sources.reading import Message, Reading
from daq.sources.recognise import Recognised, rate_of
from daq.sources.senml import decode_pack, field_of
from daq.sources.transcript import shown

__all__ = ["hear_nodes"]

_ADDRESS: Final = re.compile(
    r"(?P<scheme>mqtts?)://(?P<host>\[[0-9A-Fa-f:.]+\]|[^/:@\s]+)(?::(?P<port>\d{1,5}))?(?:/(?P<topic>.*))?"
)
_UNITS: Final = {"Cel": "degC", "K": "K", "V": "V", "A": "A", "W": "W", "Pa": "Pa", "%RH": "%", "/": "1"}
"""Units of RFC 8428, section 12.1, as a bench file writes them; others are left open."""
_GOOD_SHARE: Final = 0.5


def hear_nodes(address: str, seconds: float) -> list[Recognised]:
    """The nodes that publish on a broker within so long [s], one for each topic.

    `address` is ``mqtt://HOST[:PORT][/TOPIC]``, ``mqtts`` with TLS; TOPIC may have wildcards, and is every
    topic where it is left out. Who one is to the broker comes from the environment, see `BrokerAddress`.

    Raises
    ------
    PortError, UsageError
        When it is no such address, or the broker is not there or does not let one in.
    """
    found = _ADDRESS.fullmatch(address)
    try:
        if found is None:
            raise ValueError
        keys = {"host": found["host"].strip("[]"), "tls": found["scheme"] == "mqtts"}
        keys |= {"port": int(found["port"])} if found["port"] else {}
        spec = BrokerAddress.model_validate(keys)
    except (ValueError, ValidationError) as exc:
        raise PortError(
            "is no broker's address",
            place=address,
            remedy="write mqtt://HOST, mqtt://HOST:1883/TOPIC, or mqtts:// for TLS; user and password are in "
            "LYEWATCH_MQTT_USER and LYEWATCH_MQTT_PASSWORD",
        ) from exc
    by_topic: dict[str, list[TopicMessage]] = {}
    for message in look(spec, topic=found["topic"] or "#", seconds=seconds):
        by_topic.setdefault(message.topic, []).append(message)
    nodes = (_node(spec, keys, topic, messages, seconds) for topic, messages in sorted(by_topic.items()))
    return [node for node in nodes if node is not None]


def _node(
    spec: BrokerAddress,
    keys: Mapping[str, object],
    topic: str,
    messages: Sequence[TopicMessage],
    seconds: float,
) -> Recognised | None:
    """What publishes on a topic; None where most is in neither format, or the topic can be no node's."""
    for form in ("senml", "line"):
        taken = _read(spec, topic, form, messages)
        if taken is None or len(taken[0]) < _GOOD_SHARE * len(messages):
            continue
        times, frames = taken
        values: dict[str, float] = {}
        for frame in frames:
            values |= frame.fields
        if not values:
            continue
        words = "SenML" if form == "senml" else "the line format"
        return Recognised(
            f"{'mqtts' if spec.tls else 'mqtt'}://{spec.host}:{spec.number}/{topic}",
            "mqtt",
            0,
            about=f"it publishes {words} on {topic}",
            keys={**{k: v for k, v in keys.items() if k != "tls" or v}, "topic": topic, "format": form},
            values=values,
            units=_units(messages) if form == "senml" else {},
            rate_hz=rate_of(times, seconds),
            heard=[shown(messages[0].payload)],
        )
    return None


def _read(
    spec: BrokerAddress, topic: str, form: str, messages: Sequence[TopicMessage]
) -> tuple[list[float], list[Reading]] | None:
    try:
        node = MqttSpec.model_validate({"kind": "mqtt", "host": spec.host, "topic": topic, "format": form})
    except ValidationError:
        return None
    decoder = MessageDecoder(LinkCounters(), node)
    times: list[float] = []
    frames: list[Reading] = []
    for message in messages:
        decoded: list[Message] = decoder.feed(message.payload)
        good = [h for h in decoded if isinstance(h, Reading)]
        if good:
            times.append(message.t_s)
            frames += good
    return times, frames


def _units(messages: Sequence[TopicMessage]) -> dict[str, str]:
    units: dict[str, str] = {}
    for message in messages:
        try:
            records = decode_pack(message.payload)
            units |= {field_of(r.name, {}): _UNITS[r.unit] for r in records if r.unit in _UNITS}
        except FrameError:
            continue
    return units
