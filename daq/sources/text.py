"""Any meter that streams text: a line is a reading, described by a regular expression or by its columns.

Nothing proves a line of such a meter: a flipped bit makes another number. So the whole line must match, the
line that was under way at opening is thrown away, and frames are counted as unchecked.
"""

from __future__ import annotations

import math
import random
import re
import time
from collections.abc import Callable, Mapping
from typing import Final

from daq.bench import TextSpec
from daq.bench.text_spec import PREFIX, compile_pattern
from daq.errors import FrameError
from daq.frame import NO_SEQ
from daq.sources.counters import LinkCounters
from daq.sources.outbox import Command
from daq.sources.reading import MAX_COUNT, Message, Reading
from daq.sources.serial_port import PortSource
from daq.sources.splitter import Splitter
from daq.sources.transcript import Transcript, shown

__all__ = ["TextDecoder", "TextSource"]

_SIZE: Final = r"(?:[0-9]{1,15}(?:\.[0-9]{0,15})?|\.[0-9]{1,15})(?:[eE][+-]?[0-9]{1,2})?"
_NUMBER: Final = re.compile(rf"(?P<sign>[+-]?)[ ]{{0,8}}(?P<size>{_SIZE})")
# The SI Brochure's prefixes that meters print; both characters that are used for micro.
_PREFIXES: Final = {
    "": 1.0, "p": 1e-12, "n": 1e-9, "u": 1e-6, "µ": 1e-6, "μ": 1e-6, "m": 1e-3, "k": 1e3, "K": 1e3, "M": 1e6,
}  # fmt: skip


class TextDecoder:
    """Decodes lines as a `TextSpec` describes them.

    Parameters
    ----------
    counters : LinkCounters
        Where lines that do not match, and values over range, are counted.
    spec : TextSpec
        The lines' description.
    transcript : Transcript, optional
        Told of every line, with what was taken from it.
    """

    clear = b""

    def __init__(self, counters: LinkCounters, spec: TextSpec, transcript: Transcript | None = None) -> None:
        self._transcript = transcript or Transcript()
        self._counters = counters
        self._spec = spec
        self._patterns = [compile_pattern(pattern) for pattern in spec.patterns]
        self._overrange = frozenset(_bare(word) for word in spec.overrange)
        self._splitter = Splitter(spec.line_bytes)
        self._overlong = 0

    def restart(self) -> None:
        """See `Decoder`."""
        self._splitter.restart()

    def feed(self, chunk: bytes) -> list[Message]:
        """See `Decoder`."""
        readings: list[Message] = []
        lines = self._splitter.feed(chunk)
        if self._splitter.take_head() is not None:
            self._counters.partial += 1
        for line in lines:
            try:
                frame = self._decode(line)
            except FrameError as exc:
                self._counters.malformed += 1
                self._counters.last_error = str(exc)
                self._transcript.refused(shown(line), exc.message)
            else:
                if frame is not None:
                    readings.append(frame)
        if self._splitter.overlong != self._overlong:
            self._counters.overlong += self._splitter.overlong - self._overlong
            self._overlong = self._splitter.overlong
            self._counters.last_error = (
                "a line was too long; check the baud rate, and that lines end in LF or CR"
            )
        return readings

    def encode(self, command: Command) -> bytes:
        """A meter that only streams takes no commands."""
        raise FrameError(
            "a text meter takes no commands", value=command.action, remedy="let another source do it"
        )

    def _decode(self, line: bytes) -> Reading | None:
        text = _text(line)
        if not text:
            return None
        words = self._words(text)
        seq, ms = _count("seq", words.pop("seq", None)), _count("ms", words.pop("ms", None))
        fields = self._fields(words)
        over = sum(math.isnan(value) for value in fields.values())
        self._counters.overrange += over
        self._transcript.took(shown(text), fields, problem="over range, or no number" if over else "")
        return Reading(fields, NO_SEQ if seq is None else seq, ms, False)

    def _words(self, text: str) -> dict[str, str]:
        if self._spec.columns:
            cells = text.split(self._spec.separator or None)
            if len(cells) != len(self._spec.columns):
                raise _wrong(f"{len(self._spec.columns)} columns are described, {len(cells)} came", text)
            return {name: cell for name, cell in zip(self._spec.columns, cells, strict=True) if name}
        for pattern in self._patterns:
            found = pattern.fullmatch(text)
            if found is not None:
                groups: dict[str, str | None] = found.groupdict()
                return {name: word for name, word in groups.items() if word is not None}
        raise _wrong("the line does not match the pattern", text)

    def _fields(self, words: Mapping[str, str]) -> dict[str, float]:
        fields = {}
        for name, word in words.items():
            if name.endswith(PREFIX):
                continue
            prefix = words.get(name + PREFIX, "").strip()
            factor = _PREFIXES.get(prefix)
            if factor is None:
                raise _wrong(f"{prefix!r} before the unit of {name} is no SI prefix known here", word)
            fields[name] = self._number(name, word) * factor
        if not fields:
            raise _wrong("the line carries no values", "")
        return fields

    def _number(self, name: str, word: str) -> float:
        text = word.strip()
        if self._spec.decimal == ",":
            text = text.replace(",", ".", 1) if "." not in text else ""
        found = _NUMBER.fullmatch(text)
        if found is not None:
            return float(found["sign"] + found["size"])
        if _bare(word) in self._overrange:
            return math.nan
        raise _wrong(f"{name} is neither a number nor a word of overrange", word)


class TextSource(PortSource):
    """A meter that streams text on a serial port or a socket.

    Parameters
    ----------
    name : str
        The source's name in the bench file.
    spec : TextSpec
        Its port and its lines.
    rng, now
        See `Source`.
    """

    def __init__(
        self,
        name: str,
        spec: TextSpec,
        *,
        rng: random.Random | None = None,
        now: Callable[[], int] = time.monotonic_ns,
    ) -> None:
        transcript = Transcript()
        super().__init__(
            name,
            lambda counters: TextDecoder(counters, spec, transcript),
            port=spec.port,
            baud=spec.baud,
            framing=spec.framing,
            clock=spec.clock,
            silent_after_s=spec.silent_after_s,
            rng=rng,
            now=now,
        )
        self.transcript = transcript

    def _unread(self, count: int) -> str:
        return (
            f"{count} bytes arrived and no line that matches; check the baud rate, and with `lyewatch check` "
            "the pattern or columns"
        )


def _text(line: bytes) -> str:
    try:
        text = line.decode("utf-8")
    except UnicodeDecodeError:
        text = line.decode("latin-1")  # a meter's degree sign or micro is one byte more often than two
    return text.strip()


def _bare(word: str) -> str:
    """An over-range word without case, sign and blanks: meters print ``-OL``, ``O.L`` and the like."""
    return re.sub(r"[\s.]", "", word).lstrip("+-").upper() or word.strip()


def _count(name: str, word: str | None) -> int | None:
    if word is None:
        return None
    text = word.strip()
    if not (text.isascii() and text.isdigit() and len(text) <= 10 and int(text) <= MAX_COUNT):
        raise _wrong(f"{name} is a whole number from 0 to {MAX_COUNT}", word)
    return int(text)


def _wrong(message: str, value: str) -> FrameError:
    return FrameError(message, place="line", value=value, remedy="`lyewatch check` shows which lines match")
