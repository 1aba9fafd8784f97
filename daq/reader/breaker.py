"""Carrying a trip out: the command to the relay's device, repeated until the data show that the supply is
cut."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace
from typing import Any, Final, Protocol

from daq.reader.guard import Guard, TripCause
from daq.reader.latch import TripLatch
from daq.reader.recorder import Recorder
from daq.reader.runs import ActiveRun
from daq.reader.second_cut import SecondCut
from daq.reader.timebase import Clocks
from daq.sources import Command, Source, SourceEvent
from daq.store import TripRecord

__all__ = ["Breaker", "Request", "asked_cause"]

RESEND_NS: Final = 1_000_000_000
CONFIRM_WITHIN_NS: Final = 3_000_000_000
ANSWER_WITHIN_NS: Final = 3_000_000_000
REPORTED_WITHIN_NS: Final = 10_000_000_000
"""The watch says so often at least which of its alarms stand, or else it is not known [ns]."""
WATCH: Final = "watch"
"""Who cuts when an alarm of the watch does, by the bench file's `cuts`."""


class Request(Protocol):
    """Something that a person, or the watch, asks of the reader."""

    @property
    def body(self) -> Mapping[str, Any]: ...
    @property
    def who(self) -> str: ...
    def answer(self, ok: bool, words: str) -> None: ...


def asked_cause(request: Request) -> TripCause:
    """The cause of a cut that was asked for: by the watch, for an alarm, or else by a person."""
    reason = str(request.body.get("reason") or "no reason given")
    alarm = request.body.get("alarm")
    if alarm is None:
        who = request.who or "somebody"
        return TripCause("person", f"{who} asked for it: {reason}", by=who)
    value = request.body.get("value")
    return TripCause(str(alarm), reason, float(value) if isinstance(value, int | float) else None, WATCH)


@dataclass(slots=True)
class _Reset:
    """A reset that was sent to the device and awaits its answer."""

    request: Request
    number: int
    deadline_ns: int


@dataclass(slots=True)
class Breaker:
    """Cuts the supply when the guard says so, and closes it again only for a person with the cause gone.

    The command goes out first. What is written down afterwards (the latch, the logbook) is written by others,
    and nothing here waits for it.

    Attributes
    ----------
    trip : TripRecord or None
        The trip that stands, with the causes that came later.
    unconfirmed : bool
        Whether a cut was ordered a while ago and nothing shows that it has been made.
    """

    guard: Guard
    source: Source
    latch: TripLatch
    recorder: Recorder
    clocks: Clocks
    say: Callable[[str], None]
    second: SecondCut | None = None
    trip: TripRecord | None = None
    unconfirmed: bool = False
    _latch_read: bool = False
    _sent_ns: int = 0
    _since_ns: int = 0
    _reset: _Reset | None = None
    _trip_number: int | None = None
    _obeyed: bool = False
    """Whether the device has answered the trip: an instrument does once it has read that no current flows."""
    _listed: int = 0
    _standing: Mapping[str, str] = field(default_factory=dict)
    _reported_ns: int | None = None

    # -- tripping ------------------------------------------------------------------------------------------

    def cut_words(self, now: int) -> str | None:
        """What is known and what is not of a cut that nothing confirms; None while none is in doubt."""
        if not self.unconfirmed:
            return None
        supply = getattr(self.guard.bench.sources[self.source.name], "supply", None)
        unanswered = [self.source.name] if supply is not None and not self._obeyed else []
        if self.second is not None and self.second.waiting:
            unanswered.append(self.second.source.name)
        return self.guard.cut_words(now, unanswered)

    def tripped(self, cause: TripCause, run: ActiveRun, t_ns: int) -> None:
        """Send the command first, have it written down after: the disk must not delay the relay.

        Parameters
        ----------
        cause : TripCause
            What the guard found.
        run : ActiveRun
            The run it belongs to.
        t_ns : int
            Time of that run [ns].
        """
        self._since_ns = self.clocks.mono_ns()
        self._obeyed = False
        self._send_trip(self._since_ns)
        self._reset = None
        self._listed = 0
        self.say(f"TRIP: {cause.words}")
        self.trip = record = self._record(cause, run, t_ns)
        self._latch_read = True
        self.latch.set(record)
        self.recorder.do(lambda store: store.logbook.trips.add(record))
        self.recorder.mark(run, t_ns, "trip", record.detail, record.by)

    def take_over(self, trip: TripRecord) -> None:
        """A trip of before stands: hold it, and send the command again."""
        if self.trip is not None:
            return
        for known in (trip, *trip.later):
            self.guard.trip(TripCause(known.cause, known.detail, known.value, known.by))
        self.trip = trip
        self._listed = len(self.guard.later)
        self._since_ns = self.clocks.mono_ns()
        self._send_trip(self._since_ns)
        self.say(f"a trip stands: {trip.detail}")

    def look_at_latch(self) -> None:
        """Take over what the latch holds, once it has been read."""
        if self._latch_read or not self.latch.ready.is_set():
            return
        self._latch_read = True
        if self.latch.state.trip is not None:
            self.take_over(self.latch.state.trip)

    def look_at_logbook(self, listed: TripRecord | None) -> None:
        """Make latch and logbook agree; where they do not, the latch is right, since it is written first.

        Parameters
        ----------
        listed : TripRecord or None
            The trip that stands by the logbook.
        """
        latch, state = self.latch, self.latch.state
        if self.trip is not None:
            if listed is None and self.trip.cause != "latch.unreadable":
                trip = self.trip
                self.recorder.do(lambda store: store.logbook.trips.add(trip))
            elif listed is not None and self.trip.cause == "latch.unreadable":
                self.trip = listed
                latch.set(listed, own=False)
            return
        if listed is None:
            return
        if latch.known and state.serial and state.changed_utc_ns >= listed.t_utc_ns:
            # The reset was not written into the logbook any more.
            who, reason = state.cleared_by, state.cleared_reason
            self.recorder.do(lambda store: store.logbook.trips.clear(who, reason))
            return
        self.take_over(listed)
        latch.set(listed, own=False)

    def tick(self, now: int, run: ActiveRun) -> None:
        """Look at what has not arrived, repeat a command that has had no effect, give up on a silent
        reset."""
        cause = self.guard.tick(now)
        if cause is not None:
            self.tripped(cause, run, run.now_ns(now))
        for later in self.guard.later[self._listed :]:
            self._add_later(later, run, run.now_ns(now))
        self._listed = len(self.guard.later)
        if self.guard.cause is not None and self._reset is None:
            confirmed = self.guard.cut_confirmed
            cut = confirmed or (self.second is not None and self.second.verified(now))
            self.unconfirmed = not cut and now - self._since_ns > CONFIRM_WITHIN_NS
            if not confirmed and now - self._sent_ns > RESEND_NS:
                self._send_trip(now)
            doubt = self.second.tick(now) if self.second is not None else None
            if doubt is not None:
                self.recorder.mark(run, run.now_ns(now), "notice", doubt)
        elif self.guard.cause is None:
            self.unconfirmed = False
        if self._reset is not None and now > self._reset.deadline_ns:
            self._refuse("the device did not answer; look at its cable, then ask again")

    def beat(self, now: int) -> bool:
        """Feed the device's heartbeat, only while all that protects is being heard; whether it was fed."""
        fed = self._latch_read and self.guard.fresh(now)
        if fed:
            self.source.send(Command("beat"))
        return fed

    # -- resetting -----------------------------------------------------------------------------------------

    def alarms_reported(self, standing: Mapping[str, str]) -> None:
        """The watch says which of its alarms that cut stand, each in words."""
        self._standing = {str(alarm): str(words) for alarm, words in standing.items()}
        self._reported_ns = self.clocks.mono_ns()

    def reset_asked(self, request: Request, now: int) -> None:
        """A person asks for the supply back."""
        if self.guard.cause is None and not self.guard.relay_open:
            # Without a trip too a relay may stand open: a device that is powered up waits to be asked.
            request.answer(False, "nothing is tripped")
            return
        if not request.who:
            request.answer(False, "a reset needs the name of who takes it on himself")
            return
        reasons = [*self.guard.standing(now), *self._alarms_standing(now)]
        if reasons:
            request.answer(False, "the cause stands: " + "; ".join(reasons))
            return
        if self._reset is not None:
            self._refuse("another reset was asked for")
        # A trip has starved the device of beats, and it refuses to close for a host that is silent.
        self.source.send(Command("beat"))
        self._reset = _Reset(request, self.source.send(Command("reset")), now + ANSWER_WITHIN_NS)

    def replied(self, event: SourceEvent, run: ActiveRun) -> None:
        """The device answered a command."""
        if event.source != self.source.name:
            if self.second is not None:
                self.second.replied(event, self.clocks.mono_ns())
            return
        reset, reply = self._reset, event.reply
        if reply is not None and reply.ok and reply.number == self._trip_number:
            self._obeyed = True
        if reset is None or reply is None or reply.number != reset.number:
            return
        if not reply.ok:
            self._refuse(f"the device refuses: {reply.why or 'it gives no reason'}")
            return
        now = self.clocks.mono_ns()
        reasons = self.guard.reset(now)
        if reasons:
            self._send_trip(now)
            self._refuse("the cause stands: " + "; ".join(reasons))
            return
        self._reset, self.trip = None, None
        if self.second is not None:
            self.second.withdraw()
        who, reason = reset.request.who, str(reset.request.body.get("reason", ""))
        reset.request.answer(True, "reset; the relay may close")
        self.latch.clear(who, reason)
        self.recorder.do(lambda store: store.logbook.trips.clear(who, reason))
        self.recorder.mark(
            run, run.now_ns(now), "reset", f"reset by {who}: {reason or 'no reason given'}", who
        )
        self.say(f"reset by {who}")

    def _alarms_standing(self, now: int) -> list[str]:
        """Why a cut that the watch asked for may not be reset yet: the watch alone knows its alarms."""
        cause = self.guard.cause
        asked = [c for c in (cause, *self.guard.later) if c is not None and c.by == WATCH]
        reasons = [f"the alarm stands: {words}" for words in self._standing.values()]
        age_ns = None if self._reported_ns is None else now - self._reported_ns
        if asked and (age_ns is None or age_ns > REPORTED_WITHIN_NS):
            since = "since this reader began" if age_ns is None else f"for {age_ns / 1e9:.0f} s"
            reasons.append(
                f"{asked[0].words}: the watch has not told {since} whether that is over; "
                "see that the service runs"
            )
        return reasons

    # -- helpers -------------------------------------------------------------------------------------------

    def _record(self, cause: TripCause, run: ActiveRun, t_ns: int) -> TripRecord:
        return TripRecord(self.clocks.utc_ns(), run.id, t_ns, cause.code, cause.words, cause.value, cause.by)

    def _add_later(self, cause: TripCause, run: ActiveRun, t_ns: int) -> None:
        self.say(f"and then: {cause.words}")
        record = self._record(cause, run, t_ns)
        if self.trip is not None:
            self.trip = replace(self.trip, later=(*self.trip.later, record))
            self.latch.set(self.trip)
        self.recorder.do(lambda store: store.logbook.trips.add(record))
        self.recorder.mark(run, t_ns, "cause", f"and then: {record.detail}", record.by)

    def _refuse(self, words: str) -> None:
        assert self._reset is not None
        self._reset.request.answer(False, words)
        self._reset = None

    def _send_trip(self, now: int) -> None:
        self._sent_ns = now
        self._trip_number = self.source.send(Command("trip"))
        if self.second is not None:
            self.second.order(now)
