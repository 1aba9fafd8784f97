"""What the service does about the watch's alarms: has the supply cut, tells people, writes it all down.

In that order. A cut is asked of the reader, who alone holds the relay, over its channel, and asked again for
as long as nobody answers. What is sent to people, and what is written down, is put into queues and not waited
for. The reader is told which alarms that cut still stand, so that it can refuse a reset meanwhile.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Mapping, Sequence
from concurrent.futures import Future
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any, Final

from daq.alarms import ASIDE, EXTERNAL_ALARMS, Alarm, State, Transition
from daq.reader.channel import Answer
from daq.service.feed import Asks
from daq.service.notify import Note, Notifier
from daq.store import Logbook
from daq.watch import Watch

__all__ = ["AlarmDuty"]

ANSWER_WITHIN_S: Final = 1.5
"""A reader that lives answers within a fifth of a second; after this the supply may not be cut [s]."""
ASK_AGAIN_S: Final = 0.5
TRIP_WITHIN_S: Final = 3.0
"""A reader that has answered tells of its trip at once; where none stands then, it is asked again [s]."""
SAY_EVERY_S: Final = 2.0


@dataclass(slots=True)
class _Cut:
    """A cut that an alarm wants."""

    body: dict[str, Any]
    wanted_s: float
    asked_s: float = -ASK_AGAIN_S
    answer: Future[Answer] | None = None
    answered_s: float | None = None

    def look(self, now_s: float) -> None:
        """See whether it was answered; what failed is to be asked again."""
        if self.answer is None or not self.answer.done() or self.answered_s is not None:
            return
        if self.answer.cancelled() or self.answer.exception() is not None or not self.answer.result().ok:
            self.answer = None
        else:
            self.answered_s = now_s


class AlarmDuty:
    """Follows one watch at a time.

    Parameters
    ----------
    link : Asks
        To the reader.
    write : callable
        Has something written into the logbook, some time.
    bench : str
        The bench's name, for messages.
    notifier : Notifier
    """

    def __init__(
        self,
        link: Asks,
        write: Callable[[Callable[[Logbook], object]], None],
        bench: str,
        notifier: Notifier,
    ) -> None:
        self._link = link
        self._write = write
        self._bench = bench
        self.notifier = notifier
        self._conditions: dict[str, str | None] = {}
        self._cuts: dict[str, _Cut] = {}
        self._standing_sent: dict[str, str] | None = None
        self._standing_sent_s = 0.0

    def follow(self, watch: Watch) -> None:
        """Another watch, or another state of it: what it knows of what it can not see."""
        self._conditions = {name: "" if watch.alarms[name].active else None for name in EXTERNAL_ALARMS}

    # -- transitions ---------------------------------------------------------------------------------------

    def record(self, run_id: str, watch: Watch, *, news: bool = True) -> bool:
        """Act upon the watch's new transitions, and have them written down; whether there were any.

        Parameters
        ----------
        run_id : str
        watch : Watch
            Its transitions are taken from it.
        news : bool
            False where they happened some time ago, as after a restart: then nothing is cut because of them,
            and people are told only of what still asks for them.
        """
        fresh = watch.take_transitions()
        raised = [t for t in fresh if t.state_to == State.UNACKNOWLEDGED]
        if not news:
            last = {t.alarm: t for t in raised}
            raised = [t for t in last.values() if watch.alarms[t.alarm].state is State.UNACKNOWLEDGED]
        try:
            if news:
                self._cut_for(watch, raised)
        finally:
            self._tell_people(watch, raised)
            for t in fresh:
                self._write(_kept(run_id, t))
        return bool(fresh)

    def _tell_people(self, watch: Watch, raised: Sequence[Transition]) -> None:
        for t in raised:
            if not self.notifier.wants(t.priority):
                continue
            spec = watch.alarms[t.alarm].spec
            again = " (still standing)" if t.state_from == State.ACKNOWLEDGED else ""
            lines = [t.cause if t.cause != spec.title else "", f"It means: {spec.what}", f"Do: {spec.action}"]
            if spec.cuts:
                lines.append("The supply is being cut; see that it is.")
            if watch.start_utc_ns is not None:
                at = datetime.fromtimestamp((watch.start_utc_ns + t.t_ns) / 1e9, UTC)
                lines.append(f"Raised at {at:%Y-%m-%d %H:%M:%S} UTC.")
            title = f"{self._bench}: {spec.title} ({t.priority}){again}"
            self.notifier.tell(Note(title, "\n".join(filter(None, lines)), t.priority))

    # -- cutting -------------------------------------------------------------------------------------------

    def _cut_for(self, watch: Watch, raised: Sequence[Transition]) -> None:
        for t in raised:
            alarm = watch.alarms[t.alarm]
            if alarm.spec.cuts == "watch" and t.state_from != State.ACKNOWLEDGED:
                self._want(alarm, t.cause)
        self._ask()

    def _want(self, alarm: Alarm, words: str) -> None:
        name = alarm.spec.name
        if name not in self._cuts:
            body = {"alarm": name, "reason": words, "value": alarm.value}
            self._cuts[name] = _Cut(body, time.monotonic())

    def _ask(self) -> None:
        now_s = time.monotonic()
        for cut in self._cuts.values():
            cut.look(now_s)
            if cut.answer is None and now_s - cut.asked_s >= ASK_AGAIN_S:
                cut.asked_s = now_s
                cut.answer = self._link.ask("trip", cut.body, "watch")
                cut.look(now_s)

    def _look_at_cuts(self, watch: Watch, tripped: bool) -> dict[str, str]:
        """Have cut for what stands; the words of each."""
        standing: dict[str, str] = {}
        now_s = time.monotonic()
        for name, alarm in watch.alarms.items():
            if alarm.spec.cuts != "watch":
                continue
            cut = self._cuts.get(name)
            if alarm.active and alarm.state not in ASIDE:
                standing[name] = watch.condition_words(name)
                if cut is not None and not tripped and _forgotten(cut, now_s):
                    del self._cuts[name]
                self._want(alarm, standing[name])
            elif cut is not None and cut.answered_s is not None and not tripped:
                del self._cuts[name]
        self._ask()
        return standing

    def _unanswered(self) -> str | None:
        now_s = time.monotonic()
        waits = [c for c in self._cuts.values() if c.answered_s is None]
        if any(now_s - cut.wanted_s > ANSWER_WITHIN_S for cut in waits):
            return "a cut was asked for, and the reader does not answer; whether current flows is not known"
        return None

    # -- what the watch can not see ------------------------------------------------------------------------

    def look(
        self,
        watch: Watch,
        now_ns: int,
        reader: Mapping[str, Any] | None,
        troubles: Mapping[str, str | None],
    ) -> None:
        """Tell the watch of trip, recording, messages and parts that failed; tell the reader which alarms
        that cut stand.

        Parameters
        ----------
        watch : Watch
        now_ns : int
            The run's time [ns].
        reader : mapping or None
            The state that the reader told last.
        troubles : mapping
            Further alarms of `EXTERNAL_ALARMS`, each with its words, None where all is well.
        """
        reader = reader or {}
        trip = reader.get("trip")
        standing = self._look_at_cuts(watch, trip is not None)
        not_cut = self._unanswered()
        if not_cut is None and trip is not None and reader.get("trip_unconfirmed"):
            not_cut = str(reader.get("cut_words") or "nothing shows that the supply is cut")
        self._tell(watch, now_ns, "supply.not_cut", not_cut)
        self._tell(watch, now_ns, "supply.tripped", None if trip is None else str(trip["detail"]))
        recording = (reader.get("recording") or {}).get("impaired")
        for alarm, words in {
            "recording.impaired": recording,
            "notify.failed": self.notifier.failing,
            **troubles,
        }.items():
            self._tell(watch, now_ns, alarm, words)
        self._say_to_reader(standing)

    def _tell(self, watch: Watch, now_ns: int, alarm: str, words: str | None) -> None:
        before = self._conditions.get(alarm)
        if (before is None) == (words is None):
            return
        self._conditions[alarm] = words
        active = words is not None
        title = watch.alarms[alarm].spec.title
        watch.set_condition(alarm, active, t_ns=now_ns, cause=f"{title}: {words}" if active else "it is over")

    def _say_to_reader(self, standing: dict[str, str]) -> None:
        wall = time.monotonic()
        if standing == self._standing_sent and wall - self._standing_sent_s < SAY_EVERY_S:
            return
        if self._link.tell({"type": "standing", "standing": standing}):
            self._standing_sent, self._standing_sent_s = standing, wall
        else:
            self._standing_sent = None


def _forgotten(cut: _Cut, now_s: float) -> bool:
    """Whether a reader has answered and still has no trip: it is another one, or has lost it."""
    return cut.answered_s is not None and now_s - cut.answered_s > TRIP_WITHIN_S


def _kept(run_id: str, transition: Transition) -> Callable[[Logbook], object]:
    return lambda logbook: logbook.alarms.add(run_id, transition)
