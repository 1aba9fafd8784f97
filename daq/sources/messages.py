"""Messages of a node to frames: SenML packs, or lines of the line format. Counts what is refused."""

from __future__ import annotations

from collections import deque
from typing import Final

from daq.bench import MqttSpec
from daq.errors import ChecksumError, FrameError
from daq.frame import NO_SEQ
from daq.sources.counters import LinkCounters
from daq.sources.reading import Message, Reading
from daq.sources.senml import decode_pack, pack_frames
from daq.sources.transcript import Transcript, shown
from daq.sources.wire import WireCommand, decode_line

__all__ = ["MessageDecoder"]

_REMEMBERED: Final = 256


class MessageDecoder:
    """Decodes whole messages as an `MqttSpec` describes them. Raises nothing: it counts.

    Parameters
    ----------
    counters : LinkCounters
    spec : MqttSpec
    transcript : Transcript, optional
        Told of every message, with what was taken from it.
    """

    def __init__(self, counters: LinkCounters, spec: MqttSpec, transcript: Transcript | None = None) -> None:
        self._counters = counters
        self._spec = spec
        self._transcript = transcript or Transcript()
        self._recent: deque[int] = deque(maxlen=_REMEMBERED)

    def feed(self, payload: bytes) -> list[Message]:
        """What one message says."""
        if len(payload) > self._spec.payload_bytes:
            self._counters.overlong += 1
            self._refused(payload, f"a message is longer than {self._spec.payload_bytes} bytes")
            return []
        if self._spec.format == "senml":
            return list(self._pack(payload))
        messages: list[Message] = []
        for line in payload.replace(b"\r", b"\n").split(b"\n"):
            if line.strip():
                self._line(line, messages)
        return messages

    def _pack(self, payload: bytes) -> list[Reading]:
        try:
            frames = pack_frames(decode_pack(payload), self._spec.names, self._spec.written_units)
        except FrameError as exc:
            self._counters.malformed += 1
            self._refused(payload, str(exc))
            return []
        if self._again(payload, frames):
            self._counters.duplicates += len(frames)
            return []
        for frame in frames:
            self._transcript.took(shown(payload), dict(frame.fields))
        if not frames:
            self._refused(payload, "the pack holds no number")
        return frames

    def _again(self, payload: bytes, frames: list[Reading]) -> bool:
        """Whether a pack that counts nothing, but says when it was measured, has come before."""
        if not frames or any(f.seq != NO_SEQ or f.ms is None for f in frames):
            return False
        print_of = hash(payload)
        known = print_of in self._recent
        self._recent.append(print_of)
        return known

    def _line(self, line: bytes, messages: list[Message]) -> None:
        try:
            message = decode_line(line, crc=self._spec.crc)
        except ChecksumError as exc:
            self._counters.bad_crc += 1
            self._refused(line, str(exc))
        except FrameError as exc:
            self._counters.malformed += 1
            self._refused(line, str(exc))
        else:
            if isinstance(message, WireCommand):
                self._counters.malformed += 1
                self._refused(line, "a command was heard: a node says what it measured")
                return
            if isinstance(message, Reading):
                self._transcript.took(shown(line), dict(message.fields))
            messages.append(message)

    def _refused(self, payload: bytes, words: str) -> None:
        self._counters.last_error = words
        self._transcript.refused(shown(payload), words)
