"""The guard: the reader's own protection, which needs neither store nor service.

It knows only samples and the host's monotonic clock. It trips on a hard limit, on a value beyond its sensor's
range on the side of a limit, on a protective channel that has given no good value for too long while the
stack is powered, on a source that is lost or repeats itself while powered, on current through a relay that
says open, and when the device says that it has cut the supply itself or stands tripped by a command that
nobody here knows of. A trip latches: it ends by `reset`, which a person asks for and which is refused while
the cause stands. The first cause is kept as the one that tripped; those that come after it are listed.

No delay applies to a hard limit. One glitch of a sensor may therefore cut the supply; the other way round, a
delay would let a real excursion through, and an electrolyser that stands idle hurts nobody.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field

from daq.bench import KNOWN_CHANNELS, Bench
from daq.frame import Frame, Sample
from daq.stillness import Stillness, stillness_rule

__all__ = ["DEVICE_CAUSES", "THOUGH_OPEN", "Guard", "TripCause"]

DEVICE_CAUSES = {
    1: "the host's command",
    2: "the device's own temperature limit",
    3: "no heartbeat from the host",
    4: "the device's own sensor fault",
}
"""What the wire format's `trip` field means, by code; 0 is none."""

THOUGH_OPEN = "supply.current_though_open"
"""The cause's code, and the alarm's name."""

_RELAY_CLOSED = 0.5
_AFTER_RESET_NS = 2_000_000_000
"""Frames that were under way when the device was reset may still say that it is tripped."""
_STOOD_NS = 1_000_000_000
"""A device that says for so long that it was told to trip stands tripped, whoever told it."""
_HEARD_NS = 2_000_000_000
"""What was heard so long ago is said with its age in words."""

COMMANDED = 1
"""The device stands tripped by a command."""
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
    """The latest good one, or one beyond the sensor's range."""
    good_ns: int | None = None


@dataclass(slots=True)
class _Reading:
    """The latest value of a channel, and when it came."""

    value: float = math.nan
    at_ns: int | None = None

    def take(self, value: float, now_ns: int) -> None:
        self.value, self.at_ns = value, now_ns

    def age_ns(self, now_ns: int) -> int | None:
        return None if self.at_ns is None else now_ns - self.at_ns


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
    _still: dict[str, Stillness] = field(default_factory=dict)
    """The sources that guard, each as it stands still or moves."""
    _relay: _Reading = field(default_factory=_Reading)
    _amps: _Reading = field(default_factory=_Reading)
    _flow_since_ns: int | None = None
    """Since when current has been read at every reading though the relay says open."""
    _flows: bool = False
    _device_code: int | None = None
    _commanded_since_ns: int | None = None
    _reset_ns: int | None = None
    _now_ns: int = 0
    _though_open_s: float | None = None
    """The bench's `though_open_after_s`: asked for with each sample."""

    def __post_init__(self) -> None:
        self._now_ns = self.started_ns
        self._though_open_s = self.bench.though_open_after_s
        channels = self.bench.channels
        for name, limit in self.bench.limits.items():
            if limit.trip is None and limit.low_trip is None:
                continue
            spec = channels[name]
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
        rules = {n: stillness_rule(self.bench, n) for n in self._watched}
        self._still = {n: Stillness(rule) for n, rule in rules.items() if rule is not None}

    @property
    def powered(self) -> bool:
        """Whether the stack must be taken to be powered.

        Current that flows says so, whatever the relay does. What is not known counts as powered: only an open
        relay without current, or a current seen to be near zero, says that it is off.
        """
        if self._flowing and self._fresh_amps:
            return True
        if not math.isnan(self._relay.value):
            return self._relay.value > _RELAY_CLOSED
        return self._flowing or math.isnan(self._amps.value)

    @property
    def relay_open(self) -> bool:
        """Whether the device says that its relay is open."""
        return self._relay.value <= _RELAY_CLOSED

    @property
    def current_though_open(self) -> bool:
        """Whether current has been read for longer than a relay needs, though the relay says open."""
        return self._flows

    @property
    def cut_confirmed(self) -> bool:
        """Whether the data show that the supply is cut: no current, and relay open where there is one."""
        return not self.powered

    def cut_words(self, now_ns: int, unanswered: Sequence[str] = ()) -> str | None:
        """What is known and what is not of a cut that the data do not confirm; None where they do.

        Parameters
        ----------
        now_ns : int
            The host's monotonic clock.
        unanswered : sequence of str
            Supplies that were told to cut their output and have not answered that no current flows.
        """
        if self.cut_confirmed and not unanswered:
            return None
        words = [] if self.cut_confirmed else self._supply_words(now_ns)
        return "; ".join([*words, *(f"the supply {name} has not answered" for name in unanswered)])

    def _supply_words(self, now_ns: int) -> list[str]:
        amps, flows = self._amps_words(now_ns)
        if "relay" not in self.bench.channels:
            return [amps]
        relay, age = self._relay, self._relay.age_ns(now_ns)
        if age is None:
            return ["the relay has never been heard", amps]
        if age > _HEARD_NS:
            last = "" if math.isnan(relay.value) else f" (it said {_relay_word(relay.value)} then)"
            return [f"the relay has not been heard for {age / 1e9:.0f} s{last}", amps]
        if math.isnan(relay.value):
            return ["the relay does not say how it stands", amps]
        word = _relay_word(relay.value)
        if flows and word == "open":
            return [f"the relay says open, yet {amps}"]
        return [f"the relay says {word}", amps]

    def _amps_words(self, now_ns: int) -> tuple[str, bool]:
        """What is known of the current, and whether it flows."""
        if "amps" not in self.bench.channels:
            return "the current is not measured", False
        age = self._amps.age_ns(now_ns)
        if age is None:
            return "the current has never been heard", False
        if math.isnan(self._amps.value):
            return "the current has no good value", False
        if not self._fresh_amps:
            last = f"it was {self._amps.value:.1f} A then"
            return f"the current has not been heard for {age / 1e9:.0f} s ({last})", False
        if self._flowing:
            return f"{self._amps.value:.1f} A flow", True
        return "no current flows", False

    @property
    def _flowing(self) -> bool:
        return self.bench.supply.flows(self._amps.value)

    @property
    def _fresh_amps(self) -> bool:
        age = self._amps.age_ns(self._now_ns)
        return age is not None and age <= int(self.bench.channels["amps"].stale_after_s * 1e9)

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
        device_trip = frame.fields.get("trip", 0.0)
        first = self._device_code is None
        code = self._device_code = int(device_trip) if math.isfinite(device_trip) else 0
        if code != COMMANDED or self.cause is not None:
            self._commanded_since_ns = None
        elif self._stood_tripped(frame.received_ns or frame.mono_ns, first=first):
            words = (
                "the device stands tripped by a command of before, of which nothing is known here any more"
            )
            return self._tripped(TripCause("device.tripped", words))
        starved = code == HEARTBEAT_LOST and self.cause is not None
        if code > COMMANDED and not starved:
            words = DEVICE_CAUSES.get(code, f"a cause of its own, code {code}")
            return self._tripped(TripCause("device", f"the device cut the supply: {words}"))
        return None

    def _stood_tripped(self, now_ns: int, *, first: bool) -> bool:
        """Whether the device's word that it was told to trip stands for a trip that nobody here knows.

        A fresh power-up says nothing of the kind, and a reset clears it: so at the first frame it is certain.
        Later it must last, because the device may be a frame behind.
        """
        if first:
            return True
        if self._reset_ns is not None and self._now_ns - self._reset_ns < _AFTER_RESET_NS:
            return False
        if self._commanded_since_ns is None:
            self._commanded_since_ns = now_ns
        return now_ns - self._commanded_since_ns >= _STOOD_NS

    def sample(self, sample: Sample, now_ns: int) -> TripCause | None:
        """Look at one sample as it arrives; returns the cause when this trips."""
        self._now_ns = max(self._now_ns, now_ns)
        watched = self._watched.get(sample.source)
        if watched is not None:
            watched.seen_ns = now_ns
        self._note_supply(sample, now_ns)
        found = self._beyond_limits(sample, now_ns)
        for cause in (self._flow_though_open(sample, now_ns), self._frozen(sample, now_ns)):
            found = (None if cause is None else self._tripped(cause)) or found
        return found

    def _note_supply(self, sample: Sample, now_ns: int) -> None:
        values = sample.values
        if "relay" in values:
            self._relay.take(values["relay"], now_ns)
        if "amps" in values:
            amps, worth = values["amps"], sample.beyond.get("amps", math.nan)
            # More than its meter can read flows all the same; below its range is a broken lead.
            self._amps.take(worth if math.isnan(amps) and worth > 0.0 else amps, now_ns)

    def _beyond_limits(self, sample: Sample, now_ns: int) -> TripCause | None:
        found: TripCause | None = None
        for name, value in sample.values.items():
            guarded = self._protective.get(name)
            if guarded is None:
                continue
            more = ""
            if math.isnan(value):
                value = sample.beyond.get(name, math.nan)
                if math.isnan(value) or guarded.low_trip < value < guarded.trip:
                    continue  # bad, and nothing that says hot: it becomes stale
                more = ", beyond what its sensor can read"
            else:
                guarded.good_ns = now_ns
            guarded.value = value
            if guarded.low_trip < value < guarded.trip:
                continue
            verb, limit = (
                ("reached", guarded.trip) if value >= guarded.trip else ("fell to", guarded.low_trip)
            )
            cause = self._tripped(
                TripCause(
                    f"{name}.trip",
                    f"the {guarded.words} {verb} {value:.2f} {guarded.unit}{more}; "
                    f"its limit is {limit:g} {guarded.unit}",
                    value,
                )
            )
            found = found or cause
        return found

    def _flow_though_open(self, sample: Sample, now_ns: int) -> TripCause | None:
        """Whether current has now flowed for too long through a relay that says open."""
        allowed_s = self._though_open_s
        if allowed_s is None or not ("amps" in sample.values or "relay" in sample.values):
            return None
        age = self._relay.age_ns(now_ns)
        fresh = age is not None and age <= int(self.bench.channels["relay"].stale_after_s * 1e9)
        if not (fresh and self.relay_open and self._flowing and self._fresh_amps):
            self._flow_since_ns, self._flows = None, False
            return None
        if "amps" in sample.values and self._flow_since_ns is None:
            self._flow_since_ns = now_ns
        if self._flow_since_ns is None or now_ns - self._flow_since_ns < int(allowed_s * 1e9):
            return None
        self._flows = True
        return TripCause(THOUGH_OPEN, self._flow_words(), self._amps.value)

    def _flow_words(self) -> str:
        return (
            f"{self._amps.value:.1f} A flow though the relay says open: its contacts are welded or bridged, "
            "or the current's zero is wrong"
        )

    def _frozen(self, sample: Sample, now_ns: int) -> TripCause | None:
        still = self._still.get(sample.source)
        if still is None:
            return None
        still.power(now_ns, self.powered)
        values = sample.values
        if not still.step(now_ns, [values.get(c, math.nan) for c in still.rule.channels]):
            return None
        return TripCause(f"{sample.source}.frozen", _frozen_words(still, now_ns))

    def tick(self, now_ns: int) -> TripCause | None:
        """Look at what has not arrived; returns the cause when this trips."""
        self._now_ns = max(self._now_ns, now_ns)
        if self._flows and not self._fresh_amps:
            self._flow_since_ns, self._flows = None, False
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
        if self._flows:
            reasons.append(self._flow_words())
        reasons += [_frozen_words(still, now_ns) for still in self._still.values() if still.active]
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
            self._reset_ns, self._commanded_since_ns = max(now_ns, self._now_ns), None
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


def _relay_word(value: float) -> str:
    return "closed" if value > _RELAY_CLOSED else "open"


def _frozen_words(still: Stillness, now_ns: int) -> str:
    for_s = (now_ns - (still.since_ns or now_ns)) / 1e9
    rule = still.rule
    return (
        f"{rule.source} repeats itself: {', '.join(rule.channels)} have not changed at all for {for_s:.1f} s"
    )
