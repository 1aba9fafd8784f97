"""The guard: the reader's own protection, which needs neither store nor service.

It knows only samples and the host's monotonic clock. It trips on a hard limit, on a protective channel that
has given no good value for too long while the stack is powered, on a lost source while powered, and when the
device says that it has cut the supply itself. A trip latches: it ends by `reset`, which a person asks for
and which is refused while the cause stands. The first cause is kept as the one that tripped; those that come
after it are listed.

No delay applies to a hard limit. One glitch of a sensor may therefore cut the supply; the other way round, a
delay would let a real excursion through, and an electrolyser that stands idle hurts nobody.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field

from daq.bench import KNOWN_CHANNELS, Bench
from daq.frame import Frame, Sample

__all__ = ["DEVICE_CAUSES", "Guard", "TripCause"]

DEVICE_CAUSES = {
    1: "the host's command",
    2: "the device's own temperature limit",
    3: "no heartbeat from the host",
    4: "the device's own sensor fault",
}
"""What the wire format's `trip` field means, by code; 0 is none."""

_RELAY_CLOSED = 0.5


HEARTBEAT_LOST = 3
"""A tripped guard starves the device's heartbeat: what the device then says of it is no cause of its own."""


@dataclass(frozen=True, slots=True)
class TripCause:
    """Why the supply was cut: a code, the words for a person, the value that did it, and who cut."""

    code: str
    words: str
    value: float | None = None
    by: str = "guard"


@dataclass(slots=True)
class _Protective:
    """A channel with a hard limit."""

    channel: str
    source: str
    words: str
    unit: str
    trip: float
    low_trip: float
    deadband: float
    stale_ns: int
    value: float = math.nan
    good_ns: int | None = None


@dataclass(slots=True)
class _Watched:
    """A source that must not fall silent while the stack is powered."""

    name: str
    silent_ns: int
    seen_ns: int | None = None


@dataclass(slots=True)
class Guard:
    """Cuts in by rule; `cause` is None while nothing is tripped.

    Parameters
    ----------
    bench : Bench
        Its limits, supply and sources.
    started_ns : int
        The host's monotonic clock now. A source that has never spoken counts as lost only after its own
        allowance and `grace_s` have passed, because devices restart when their port is opened.
    grace_s : float
        [s]
    """

    bench: Bench
    started_ns: int
    grace_s: float = 5.0
    cause: TripCause | None = None
    later: list[TripCause] = field(default_factory=list)
    """Causes that came after `cause`, each once."""
    _protective: dict[str, _Protective] = field(default_factory=dict)
    _watched: dict[str, _Watched] = field(default_factory=dict)
    _relay: float = math.nan
    _amps: float = math.nan
    _device_code: int = 0

    def __post_init__(self) -> None:
        for name, limit in self.bench.limits.items():
            if limit.trip is None and limit.low_trip is None:
                continue
            spec = self.bench.channels[name]
            self._protective[name] = _Protective(
                channel=name,
                source=spec.source,
                words=KNOWN_CHANNELS[name].words if name in KNOWN_CHANNELS else name,
                unit=spec.unit.replace("deg", "°"),
                trip=math.inf if limit.trip is None else limit.trip,
                low_trip=-math.inf if limit.low_trip is None else limit.low_trip,
                deadband=limit.deadband,
                stale_ns=int(spec.stale_after_s * 1e9),
            )
        names = {p.source for p in self._protective.values()} | {self.bench.supply.trip_source}
        self._watched = {
            n: _Watched(n, int(self.bench.sources[n].silent_after_s * 1e9)) for n in sorted(names)
        }

    @property
    def powered(self) -> bool:
        """Whether the stack must be taken to be powered.

        What is not known counts as powered: only an open relay, or a current seen to be near zero, says that
        it is off.
        """
        if not math.isnan(self._relay):
            return self._relay > _RELAY_CLOSED
        if not math.isnan(self._amps):
            return abs(self._amps) > self.bench.supply.powered_above_amps
        return True

    @property
    def relay_open(self) -> bool:
        """Whether the device says that its relay is open."""
        return self._relay <= _RELAY_CLOSED

    @property
    def cut_confirmed(self) -> bool:
        """Whether the data show that the supply is cut: relay open, or else no current."""
        if not math.isnan(self._amps) and abs(self._amps) > self.bench.supply.powered_above_amps:
            return False
        return not self.powered

    def trip(self, cause: TripCause) -> bool:
        """Latch `cause`; False when a trip already stands: then it is listed among the `later` ones."""
        if self.cause is not None:
            if cause.code not in {c.code for c in (self.cause, *self.later)}:
                self.later.append(cause)
            return False
        self.cause = cause
        return True

    def frame(self, frame: Frame) -> TripCause | None:
        """Note what the relay's device says of itself; returns the cause when this trips."""
        if frame.source != self.bench.supply.trip_source:
            return None
        code = frame.fields.get("trip", 0.0)
        self._device_code = 0 if math.isnan(code) else int(code)
        starved = self._device_code == HEARTBEAT_LOST and self.cause is not None
        if self._device_code > 1 and not starved:
            words = DEVICE_CAUSES.get(self._device_code, f"a cause of its own, code {self._device_code}")
            return self._tripped(TripCause("device", f"the device cut the supply: {words}"))
        return None

    def sample(self, sample: Sample, now_ns: int) -> TripCause | None:
        """Look at one sample as it arrives; returns the cause when this trips."""
        watched = self._watched.get(sample.source)
        if watched is not None:
            watched.seen_ns = now_ns
        if "relay" in sample.values:
            self._relay = sample.values["relay"]
        if "amps" in sample.values:
            self._amps = sample.values["amps"]
        found: TripCause | None = None
        for name, value in sample.values.items():
            guarded = self._protective.get(name)
            if guarded is None or math.isnan(value):
                continue
            guarded.value, guarded.good_ns = value, now_ns
            if guarded.low_trip < value < guarded.trip:
                continue
            verb, limit = (
                ("reached", guarded.trip) if value >= guarded.trip else ("fell to", guarded.low_trip)
            )
            cause = self._tripped(
                TripCause(
                    f"{name}.trip",
                    f"the {guarded.words} {verb} {value:.2f} {guarded.unit}; "
                    f"its limit is {limit:g} {guarded.unit}",
                    value,
                )
            )
            found = found or cause
        return found

    def tick(self, now_ns: int) -> TripCause | None:
        """Look at what has not arrived; returns the cause when this trips."""
        if not self.powered:
            return None
        found: TripCause | None = None
        for cause in self._missing(now_ns):
            found = self._tripped(cause) or found
        return found

    def fresh(self, now_ns: int) -> bool:
        """Whether all that protects is being heard: the condition for feeding the device's heartbeat."""
        return self.cause is None and not self._missing(now_ns, grace=False)

    def standing(self, now_ns: int) -> list[str]:
        """Why a reset must be refused now, in words; empty when the cause is gone."""
        reasons = [cause.words for cause in self._missing(now_ns, grace=False)]
        for p in self._protective.values():
            if math.isnan(p.value):
                continue
            if p.value >= p.trip - p.deadband:
                reasons.append(
                    f"the {p.words} is {p.value:.2f} {p.unit} and must first fall below "
                    f"{p.trip - p.deadband:g} {p.unit}"
                )
            if p.value <= p.low_trip + p.deadband:
                reasons.append(
                    f"the {p.words} is {p.value:.2f} {p.unit} and must first rise above "
                    f"{p.low_trip + p.deadband:g} {p.unit}"
                )
        return reasons

    def reset(self, now_ns: int) -> list[str]:
        """Clear the latch unless the cause stands; returns the reasons for refusing, empty when cleared."""
        reasons = self.standing(now_ns)
        if not reasons:
            self.cause = None
            self.later.clear()
        return reasons

    def _tripped(self, cause: TripCause) -> TripCause | None:
        return cause if self.trip(cause) else None

    def _missing(self, now_ns: int, *, grace: bool = True) -> list[TripCause]:
        allowed = int(self.grace_s * 1e9) if grace else 0
        causes = []
        for source in self._watched.values():
            since = self.started_ns + allowed if source.seen_ns is None else source.seen_ns
            unheard = source.seen_ns is None and not grace
            if unheard or now_ns - since > source.silent_ns:
                causes.append(
                    TripCause(
                        f"{source.name}.lost",
                        f"nothing heard from {source.name} for {(now_ns - since) / 1e9:.1f} s",
                    )
                )
        for p in self._protective.values():
            since = self.started_ns + allowed if p.good_ns is None else p.good_ns
            unheard = p.good_ns is None and not grace
            if unheard or now_ns - since > p.stale_ns:
                causes.append(
                    TripCause(
                        f"{p.channel}.stale",
                        f"no good value of the {p.words} for {(now_ns - since) / 1e9:.1f} s",
                    )
                )
        return causes
