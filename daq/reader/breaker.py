"""Carrying a trip out: the command to the relay's device, repeated until the data show that the supply is
cut."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field

from daq.errors import StoreError
from daq.reader.guard import Guard, TripCause
from daq.reader.runs import ActiveRun
from daq.reader.second_cut import SecondCut
from daq.reader.timebase import Clocks
from daq.sources import Command, Source, SourceEvent
from daq.store import CUTS_STATE, Logbook, Request, TripRecord

__all__ = ["Breaker", "asked_cause"]

RESEND_NS = 1_000_000_000
CONFIRM_WITHIN_NS = 3_000_000_000
ANSWER_WITHIN_NS = 3_000_000_000
TOLD_WITHIN_S = 10.0
"""The watch says so often at least which of its alarms stand, or else it is not known [s]."""
WATCH = "watch"
"""Who cuts when an alarm of the watch does, by the bench file's `cuts`."""


def asked_cause(request: Request) -> TripCause:
    """The cause of a cut that was asked for: by the watch, for an alarm, or else by a person."""
    reason = str(request.body.get("reason") or "no reason given")
    alarm = request.body.get("alarm")
    if alarm is None:
        who = request.who or "somebody"
        return TripCause("person", f"{who} asked for it: {reason}", by=who)
    value = request.body.get("value")
    return TripCause(str(alarm), reason, None if value is None else float(value), WATCH)


@dataclass(slots=True)
class _Reset:
    """A reset that was sent to the device and awaits its answer."""

    request: Request
    number: int
    deadline_ns: int


@dataclass(slots=True)
class Breaker:
    """Cuts the supply when the guard says so, and closes it again only for a person with the cause gone.

    A trip stands in the logbook, so that it outlives this process: a reader that starts with one standing
    takes it over and sends the command again."""

    guard: Guard
    source: Source
    logbook: Logbook
    clocks: Clocks
    say: Callable[[str], None]
    second: SecondCut | None = None
    unconfirmed: bool = False
    _sent_ns: int = 0
    _since_ns: int = 0
    _reset: _Reset | None = None
    _unwritten: list[Callable[[], object]] = field(default_factory=list)
    _listed: int = 0
    _retry_ns: int = 0

    def __post_init__(self) -> None:
        standing = self.logbook.current_trip()
        if standing is not None:
            for known in (standing, *standing.later):
                self.guard.trip(TripCause(known.cause, known.detail, known.value, known.by))
            self._listed = len(self.guard.later)
            self._since_ns = self.clocks.mono_ns()
            if self.second is not None:
                self.second.order(self._since_ns)

    def cut_words(self, now: int) -> str | None:
        """What is known and what is not of a cut that nothing confirms; None while none is in doubt."""
        if not self.unconfirmed:
            return None
        waiting = self.second is not None and self.second.waiting
        return self.guard.cut_words(now, [self.second.source.name] if self.second and waiting else [])

    def tripped(self, cause: TripCause, run: ActiveRun, t_ns: int) -> None:
        """Send the command first, write it down after: the disk must not delay the relay."""
        self._since_ns = self.clocks.mono_ns()
        self._send_trip(self._since_ns)
        self._reset = None
        self.say(f"TRIP: {cause.words}")
        self._listed = 0
        self._note(cause, run, t_ns)
        self._write_down()

    def tick(self, now: int, run: ActiveRun) -> None:
        """Look at what has not arrived, repeat a command that has had no effect, give up on a silent
        reset."""
        cause = self.guard.tick(now)
        if cause is not None:
            self.tripped(cause, run, run.now_ns(now))
        for later in self.guard.later[self._listed :]:
            self.say(f"and then: {later.words}")
            self._note(later, run, run.now_ns(now))
        self._listed = len(self.guard.later)
        if self.guard.cause is not None and self._reset is None:
            confirmed = self.guard.cut_confirmed
            cut = confirmed or (self.second is not None and self.second.verified(now))
            self.unconfirmed = not cut and now - self._since_ns > CONFIRM_WITHIN_NS
            if not confirmed and now - self._sent_ns > RESEND_NS:
                self._send_trip(now)
            doubt = self.second.tick(now) if self.second is not None else None
            if doubt is not None:
                t_ns = run.now_ns(now)
                self._unwritten.append(lambda: self.logbook.add_mark(run.id, t_ns, "notice", doubt, "reader"))
        elif self.guard.cause is None:
            self.unconfirmed = False
        self._write_down()
        if self._reset is not None and now > self._reset.deadline_ns:
            self._refuse("the device did not answer; look at its cable, then ask again")

    def beat(self, now: int) -> None:
        """Feed the device's heartbeat, only while all that protects is being heard."""
        if self.guard.fresh(now):
            self.source.send(Command("beat"))

    def reset_asked(self, request: Request, now: int, run: ActiveRun) -> None:
        """A person asks for the supply back."""
        if self.guard.cause is None:
            # The logbook may have refused to be told of an earlier reset.
            told = self.logbook.clear_trip(request.who, str(request.body.get("reason", "")))
            # Without a trip too a relay may stand open: a device that is powered up waits to be asked.
            if told or not self.guard.relay_open:
                self.logbook.answer_request(request.id, told, "reset" if told else "nothing is tripped")
                return
        if not request.who:
            self.logbook.answer_request(
                request.id, False, "a reset needs the name of who takes it on himself"
            )
            return
        reasons = [*self.guard.standing(now), *self._alarms_standing()]
        if reasons:
            self.logbook.answer_request(request.id, False, "the cause stands: " + "; ".join(reasons))
            return
        if self._reset is not None:
            self._refuse("another reset was asked for")
        self.logbook.take_request(request.id)
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
        self._reset = None
        if self.second is not None:
            self.second.withdraw()
        reason = str(reset.request.body.get("reason", ""))
        self.logbook.clear_trip(reset.request.who, reason)
        self.logbook.add_mark(
            run.id,
            run.now_ns(now),
            "reset",
            f"reset by {reset.request.who}: {reason or 'no reason given'}",
            reset.request.who,
        )
        self.logbook.answer_request(reset.request.id, True, "reset; the relay may close")
        self.say(f"reset by {reset.request.who}")

    def _alarms_standing(self) -> list[str]:
        """Why a cut that the watch asked for may not be reset yet: the watch alone knows its alarms."""
        cause = self.guard.cause
        asked = [c for c in (cause, *self.guard.later) if c is not None and c.by == WATCH]
        told = self.logbook.get_state(CUTS_STATE) or {}
        reasons = [f"the alarm stands: {words}" for words in dict(told.get("standing", {})).values()]
        age_s = (self.clocks.utc_ns() - int(told.get("utc_ns", 0))) / 1e9
        if asked and age_s > TOLD_WITHIN_S:
            reasons.append(
                f"{asked[0].words}: the watch has not told for {age_s:.0f} s whether that is over; "
                "see that the service runs"
            )
        return reasons

    def _note(self, cause: TripCause, run: ActiveRun, t_ns: int) -> None:
        """Have a cause written down."""
        record = TripRecord(
            self.clocks.utc_ns(), run.id, t_ns, cause.code, cause.words, cause.value, cause.by
        )

        def write() -> None:
            kind, text = "trip", record.detail
            if not self.logbook.set_trip(record):
                kind, text = "cause", f"and then: {text}"
            self._unwritten.insert(1, lambda: self.logbook.add_mark(run.id, t_ns, kind, text, record.by))

        self._unwritten.append(write)

    def _write_down(self) -> None:
        """Record trip and later causes; a logbook that refuses is tried again, and stops nothing."""
        now = self.clocks.mono_ns()
        while self._unwritten and now >= self._retry_ns:
            try:
                self._unwritten[0]()
            except StoreError as exc:
                self._retry_ns = now + RESEND_NS
                self.say(f"the trip could not be written down yet: {exc}")
                return
            self._unwritten.pop(0)

    def _refuse(self, words: str) -> None:
        assert self._reset is not None
        self.logbook.answer_request(self._reset.request.id, False, words)
        self._reset = None

    def _send_trip(self, now: int) -> None:
        self._sent_ns = now
        self.source.send(Command("trip"))
        if self.second is not None:
            self.second.order(now)
