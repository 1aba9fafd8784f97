"""What the service does about the watch's alarms: has the supply cut, tells people, writes it all down.

In that order. A cut is a request to the reader, who alone holds the relay; it is posted before anything is
written, and posted again for as long as the logbook refuses. What is sent to people is put into queues and
not waited for. The reader is told which alarms that cut still stand, so that it can refuse a reset meanwhile.
"""

from __future__ import annotations

import time
from collections import deque
from collections.abc import Sequence
from datetime import UTC, datetime
from typing import Any, Final

from daq.service.notify import Note, Notifier
from daq.store import CUTS_STATE, Logbook, TripRecord
from daq.watch import TOLD, Alarm, State, Transition, Watch

__all__ = ["AlarmDuty"]

ANSWER_WITHIN_S: Final = 3.0
"""A reader that lives answers within a fifth of a second; after this the supply may not be cut [s]."""
SAY_EVERY_S: Final = 2.0
_ASIDE: Final = (State.SHELVED, State.SUPPRESSED, State.OUT_OF_SERVICE)


class AlarmDuty:
    """Follows one watch at a time.

    Parameters
    ----------
    logbook : Logbook
    bench : str
        The bench's name, for messages.
    notifier : Notifier
    """

    def __init__(self, logbook: Logbook, bench: str, notifier: Notifier) -> None:
        self._logbook = logbook
        self._bench = bench
        self.notifier = notifier
        self._told: dict[str, bool] = {}
        self._unwritten: deque[tuple[str, Transition]] = deque()
        self._due: dict[str, dict[str, Any]] = {}
        self._asked: dict[str, tuple[int, float]] = {}
        self._open: dict[int, float] = {}
        self._said: dict[str, str] | None = None
        self._said_s = 0.0

    def follow(self, watch: Watch) -> None:
        """Another watch, or another state of it: what it knows of what it can not see."""
        self._told = {name: watch.alarms[name].active for name in TOLD}

    # -- transitions ---------------------------------------------------------------------------------------

    def record(self, run_id: str, watch: Watch, *, news: bool = True) -> bool:
        """Act upon the watch's new transitions, then write them down; whether there were any.

        Without `news`, as after a restart, they have happened some time ago: then nothing is cut because of
        an alarm that has gone again, and people are told only of what still asks for them.
        """
        fresh = watch.take_transitions()
        self._unwritten.extend((run_id, t) for t in fresh)
        raised = [t for t in fresh if t.state_to == State.UNACKNOWLEDGED]
        if not news:
            last = {t.alarm: t for t in raised}
            raised = [t for t in last.values() if watch.alarms[t.alarm].state is State.UNACKNOWLEDGED]
        try:
            if news:
                self._cut_for(watch, raised)
        finally:
            self._tell_people(watch, raised)
        while self._unwritten:
            self._logbook.add_transition(*self._unwritten[0])
            self._unwritten.popleft()
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
        self._post()

    def _want(self, alarm: Alarm, words: str) -> None:
        name = alarm.spec.name
        if name not in self._asked and name not in self._due:
            self._due[name] = {"alarm": name, "reason": words, "value": alarm.value}

    def _post(self) -> None:
        for name, body in list(self._due.items()):
            asked = self._logbook.post_request("trip", body, "watch")
            self._asked[name] = (asked, time.monotonic())
            self._open[asked] = time.monotonic()
            del self._due[name]

    def _look_at_cuts(self, watch: Watch, tripped: bool) -> dict[str, str]:
        """Have cut for what stands; the words of each."""
        standing: dict[str, str] = {}
        for name, alarm in watch.alarms.items():
            if alarm.spec.cuts != "watch":
                continue
            if alarm.active and alarm.state not in _ASIDE:
                standing[name] = watch.condition_words(name)
                self._want(alarm, standing[name])
            elif name in self._asked and not tripped:
                del self._asked[name]
        self._post()
        return standing

    def _unanswered(self) -> str | None:
        for asked, since_s in list(self._open.items()):
            if self._logbook.get_request(asked).done:
                del self._open[asked]
            elif time.monotonic() - since_s > ANSWER_WITHIN_S:
                return "the reader does not answer"
        return None

    # -- what the watch can not see ------------------------------------------------------------------------

    def look(self, watch: Watch, now_ns: int, reader: dict[str, Any] | None, trip: TripRecord | None) -> None:
        """Tell the watch of trip, recording and messages; tell the reader of the alarms that cut."""
        reader = reader or {}
        standing = self._look_at_cuts(watch, trip is not None)
        not_cut = self._unanswered()
        if not_cut is None and trip is not None and reader.get("trip_unconfirmed"):
            not_cut = reader.get("cut_words") or "the reader does not say what is known of it"
        self._tell(watch, now_ns, "supply.not_cut", not_cut)
        self._tell(watch, now_ns, "supply.tripped", None if trip is None else trip.detail)
        self._tell(watch, now_ns, "recording.impaired", reader.get("impaired"))
        self._tell(watch, now_ns, "notify.failed", self.notifier.failing)
        self._say_to_reader(standing)

    def _tell(self, watch: Watch, now_ns: int, alarm: str, words: str | None) -> None:
        active = words is not None
        if self._told.get(alarm, False) == active:
            return
        self._told[alarm] = active
        title = watch.alarms[alarm].spec.title
        watch.set_condition(alarm, active, t_ns=now_ns, cause=f"{title}: {words}" if active else "it is over")

    def _say_to_reader(self, standing: dict[str, str]) -> None:
        wall = time.monotonic()
        if standing == self._said and wall - self._said_s < SAY_EVERY_S:
            return
        self._logbook.put_state(CUTS_STATE, {"utc_ns": time.time_ns(), "standing": standing})
        self._said, self._said_s = standing, wall
