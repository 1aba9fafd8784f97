"""``[broker]`` and ``kind = "mqtt"``: what is published over an MQTT broker, and what is read there."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Annotated, ClassVar, Final, Literal

from pydantic import Field, PrivateAttr, field_validator, model_validator

from daq.bench._table import FieldName, Positive, Table
from daq.bench.source_base import Clock, SourceSpec

__all__ = ["BENCH_ID_PATTERN", "PREFIX_PATTERN", "BrokerAddress", "BrokerSpec", "MqttSpec"]

BENCH_ID_PATTERN: Final = r"^[a-z0-9][a-z0-9-]{0,39}$"
"""A bench's identity on the broker: one topic level, and the name of its account there."""
PREFIX_PATTERN: Final = r"^[A-Za-z0-9_-]{1,40}(?:/[A-Za-z0-9_-]{1,40}){0,3}$"
_TOPIC_BYTES: Final = 500


class BrokerAddress(Table):
    """How a broker is reached. Who one is to it comes from the environment alone."""

    host: Annotated[str, Field(min_length=1, max_length=253)]
    port: Annotated[int, Field(ge=1, le=65535, strict=True)] | None = None
    """8883 with TLS and 1883 without, unless given."""
    tls: bool = False
    ca_file: Path | None = None
    """Certificates to trust in place of the system's (PEM), for a broker with one of its own."""
    version: Literal["3.1.1", "5"] = "5"
    login: Annotated[str, Field(pattern=r"^[A-Z][A-Z0-9_]{0,39}$")] = "LYEWATCH_MQTT"
    """User and password are in the environment variables LOGIN_USER and LOGIN_PASSWORD."""
    keepalive_s: Annotated[int, Field(ge=2, le=600, strict=True)] = 15
    """A link that is dead without saying so is noticed within twice this [s]."""

    @property
    def number(self) -> int:
        """The port that is connected to."""
        return self.port or (8883 if self.tls else 1883)

    @field_validator("host")
    @classmethod
    def _bare_host(cls, value: str) -> str:
        if not value.isprintable() or any(c in value for c in "/@ "):
            raise ValueError("is no host: write its name or address alone; user and password do not go here")
        return value

    @model_validator(mode="after")
    def _certificates_fit(self) -> BrokerAddress:
        if self.ca_file is not None and not self.tls:
            raise ValueError("ca_file is of no use without TLS: write tls = true, or leave it out")
        if self.ca_file is not None and not self.ca_file.is_absolute():
            raise ValueError("ca_file is not a whole path: write it from the root of the file system")
        return self


class BrokerSpec(BrokerAddress):
    """``[broker]``: where samples, assessments and alarms are published."""

    bench_id: Annotated[str, Field(pattern=BENCH_ID_PATTERN)] | None = None
    """The bench's identity in topics; made from its name unless given."""
    prefix: Annotated[str, Field(pattern=PREFIX_PATTERN)] = "lyewatch"
    """The levels above, which all benches of a broker share."""
    outbox_mb: Annotated[float, Field(ge=1, le=100_000, strict=True)] = 256.0
    """How much is kept on disk for a broker that is away [MB]; then the oldest is given up and counted."""
    batch_s: Annotated[float, Field(ge=0.1, le=60, strict=True)] = 1.0
    """How long samples are gathered for one message [s]."""


class MqttSpec(BrokerAddress, SourceSpec):
    """A node that publishes what it measured to a topic of a broker."""

    sparse: ClassVar[bool] = True

    kind: Literal["mqtt"] = "mqtt"
    topic: Annotated[str, Field(min_length=1)]
    """One node's topic, without wildcards: frames are numbered by whoever sends them."""
    format: Literal["senml", "line"] = "senml"
    """SenML as JSON (RFC 8428), or lines of the line format."""
    crc: Literal["required", "optional"] = "optional"
    """Whether lines of the line format must carry their checksum; the network has checksums of its own."""
    names: dict[str, FieldName] = Field(default_factory=dict)
    """Fields by SenML name, where the last part of the name is not what the field is to be called."""
    client_id: Annotated[str, Field(pattern=r"^[A-Za-z0-9_-]{1,64}$")] | None = None
    """The name of the session that the broker keeps; no two clients of a broker may share one."""
    session_s: Annotated[int, Field(ge=0, le=31_536_000, strict=True)] = 3600
    """How long the broker keeps messages for a reader that is away [s] (MQTT 5; with 3.1.1 it decides)."""
    payload_bytes: Annotated[int, Field(ge=64, le=1_048_576, strict=True)] = 65536
    """Longest message [bytes]."""
    clock: Clock = "fitted"
    rate_hz: Positive = 1.0
    silent_after_s: Positive = 5.0

    _written: Mapping[str, str] = PrivateAttr(default_factory=dict)

    @property
    def written_units(self) -> Mapping[str, str]:
        """By field, the unit that its channel says the raw number is in; none where the channel turns it into
        another by a scale, an offset or a sensor."""
        return self._written

    def with_units(self, written: Mapping[str, str]) -> MqttSpec:
        """The same source, of which a bench file's channels say these units."""
        copy = self.model_copy()
        copy._written = dict(written)
        return copy

    @property
    def place(self) -> str:
        return f"{self.topic} at {self.host}:{self.number}"

    @field_validator("topic")
    @classmethod
    def _one_topic(cls, value: str) -> str:
        if "+" in value or "#" in value or value.startswith("$"):
            raise ValueError(
                "is no topic of one node: name it without + and #, and give each node a source of its own"
            )
        if not value.isprintable() or len(value.encode()) > _TOPIC_BYTES:
            raise ValueError(f"is no topic: use printable characters, {_TOPIC_BYTES} bytes at the most")
        return value

    @model_validator(mode="after")
    def _names_are_of_senml(self) -> MqttSpec:
        if self.names and self.format != "senml":
            raise ValueError('names are of SenML: leave them out, or write format = "senml"')
        fields = list(self.names.values())
        twice = next((field for field in fields if fields.count(field) > 1), None)
        if twice is not None:
            raise ValueError(f"the field {twice!r} is named twice: give each number a name of its own")
        return self
