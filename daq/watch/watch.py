"""The watch: from samples to assessments and alarms, in log time.

It knows no wall clock and no store. Fed live, tick by tick and in chunks of any size, or with a whole
recorded run at once, it goes through the same code and comes to the same result.
"""

from __future__ import annotations

import logging
from collections.abc import Callable, Iterable, Mapping
from functools import partial
from typing import Any, Final, TypeVar

import numpy as np

from daq.alarms import (
    BRIEF_STEPS,
    FORECAST_ALARMS,
    Alarm,
    AlarmContext,
    AlarmDesk,
    ChannelRule,
    Edge,
    ExternalRule,
    FailedRule,
    FrozenRule,
    LimitDetector,
    LostRule,
    Rule,
    StaleRule,
    State,
    ThoughOpenRule,
    TickRule,
    Ticks,
    alarm_rules,
    forecast_rules,
)
from daq.bench import Bench
from daq.forecast import Assessment, Forecaster
from daq.frame import Block
from daq.measure import (
    UNITS,
    Assessor,
    Bins,
    Columns,
    Finding,
    IntArray,
    LyeEntry,
    LyeTrack,
    Numbers,
    Setting,
    judge,
    overdue,
    reference_words,
    unit_words,
)
from daq.watch.forecast_alarms import ForecastAlarms

__all__ = ["Watch"]

log = logging.getLogger(__name__)

T = TypeVar("T")

STATE_VERSION = 1
FORECAST: Final = "the forecast"
LYE: Final = "the lye's strength"
KEPT_POINTS: Final = 3600
"""Values of the lye's strength that a watch keeps: more than it ever takes in at once."""
GRACE_NS = 5_000_000_000
"""A source may take so long to speak at first: devices restart when their port is opened [ns]."""
FAILED_FOR_NS: Final = 60_000_000_000
"""A part that raised counts as failed until it has worked for so long again [ns]."""


class Watch(AlarmDesk):
    """Keeps watch over one run.

    Parameters
    ----------
    bench : Bench
    run : str, optional
        The run's id, for the assessments.
    start_utc_ns : int, optional
        When the run's time 0 was, UTC [ns].
    forecaster : Forecaster, optional
    step_s, window_s : float, optional
        A tick every so often [s]; means over so long, a multiple of it (default: the bench file's).
    isolate : bool
        Whether a part that raises (a rule, the numbers, the findings, the forecaster) is passed over, named
        in `failures`, and the others go on. For a watch that people rely on now; a replay had better stop.

    Notes
    -----
    `tick(now)` goes through all samples up to `now`; what is fed later with an earlier time is taken at the
    next tick, its alarms still at its own time.
    """

    def __init__(
        self,
        bench: Bench,
        *,
        run: str | None = None,
        start_utc_ns: int | None = None,
        forecaster: Forecaster | None = None,
        step_s: float = 1.0,
        window_s: float | None = None,
        isolate: bool = False,
    ) -> None:
        self.bench = bench
        self._isolate = isolate
        self._failed: dict[str, tuple[int, str]] = {}
        self._at_ns = 0
        self.fed = True
        """Whether samples come from whoever reads the sources; see `lose_feed`."""
        rules = alarm_rules(bench)
        forecast_alarms = forecast_rules(bench) if forecaster is not None else []
        rules += forecast_alarms
        super().__init__(rules, start_utc_ns)
        self.run = run
        self.forecaster = forecaster
        self.step_ns = round(step_s * 1e9)
        self.window_s = bench.service.window_s if window_s is None else window_s
        self.steps = max(1, round(self.window_s / step_s))
        self.lye = LyeTrack(bench, self.step_ns, keep=KEPT_POINTS)
        self.assessor = Assessor(bench, self.lye)
        self._setting = Setting.of(bench)
        self.bins = Bins(bench, step_ns=self.step_ns, causal=True)
        self.context = AlarmContext(bench, self.step_ns)
        self._forecast_alarms = (
            None if forecaster is None else ForecastAlarms(bench, forecaster, forecast_alarms)
        )
        if self._forecast_alarms is not None:
            self.time_left[FORECAST_ALARMS[0]] = self._time_left_s
        self._pending: dict[str, list[Block]] = {}
        self._quiet: list[Block] = []
        self._ticked: int | None = None
        self._relay_open = False

    # -- the data ------------------------------------------------------------------------------------------

    def feed(self, blocks: Iterable[Block], *, quiet: bool = False) -> None:
        """Take samples: each source's in order of time, sources in any order.

        With `quiet` they only fill the windows again, as after a restart: the saved state has already seen
        them.
        """
        for block in blocks:
            if len(block) == 0:
                continue
            if quiet:
                self._quiet.append(block)
            else:
                self._pending.setdefault(block.source, []).append(block)

    def tick(self, now_ns: int, *, quiet: bool = False) -> Assessment:
        """Go through everything up to `now_ns` and assess the window that ends there (at the last whole
        step).
        """
        step = now_ns // self.step_ns
        if quiet:
            self._make_room(step)
            self.bins.add(Columns.from_blocks(self._quiet))
            self._quiet.clear()
            self.bins.extend(step)
            ends = np.array([step], dtype=np.int64)
            numbers = self.assessor.assess(self.bins, ends, self.steps)
            if self._forecast_alarms is not None and not self._forecast_alarms.failed:
                self._forecast_alarms.feed(self.bins, ends, numbers, self.lye.at(numbers.end_ns), quiet=True)
            self.bins.trim(step - self._kept_steps)
        else:
            numbers = self.advance(now_ns)
        return self.assessment(numbers, len(numbers) - 1)

    def advance(self, now_ns: int, *, bare: bool = False) -> Numbers:
        """Go through everything up to `now_ns`; the numbers at each tick passed, the last one at least.

        With `bare` only those that alarms and forecasts go by, see `Assessor.bare`.
        """
        last = now_ns // self.step_ns
        self._at_ns = last * self.step_ns
        if self._ticked is None:
            self.begin((last - 1) * self.step_ns)
        assert self._ticked is not None
        first = min(self._ticked + 1, last)
        ends = np.arange(first, last + 1, dtype=np.int64)
        fresh = self._ticked < last
        columns = Columns.from_blocks(self._take(last * self.step_ns))
        self._make_room(first)
        self._guarded("the means", lambda: self.bins.add(columns), None)
        self._guarded("the means", lambda: self.bins.extend(last), None)
        if fresh:
            self._guarded(LYE, lambda: self.lye.advance(self.bins, last), None)
        assess = self.assessor.bare if bare else self.assessor.assess
        numbers = self._guarded("the numbers", lambda: assess(self.bins, ends, self.steps), None)
        known = numbers is not None
        if numbers is None:
            numbers = self._no_numbers(ends)
        if fresh:
            self._step_forecast(ends, numbers)
        self._raise(columns, numbers, last * self.step_ns, fresh and known)
        self._ticked = max(last, self._ticked)
        self._guarded("the means", lambda: self.bins.trim(last - self._kept_steps), None)
        return numbers

    def assess_again(self) -> Assessment | None:
        """The assessment of the last tick, for whoever went on with `advance` until then; None before it."""
        if self._ticked is None:
            return None
        ends = np.array([self._ticked], dtype=np.int64)
        numbers = self._guarded(
            "the numbers", lambda: self.assessor.assess(self.bins, ends, self.steps), None
        )
        return self.assessment(self._no_numbers(ends) if numbers is None else numbers, 0)

    def _step_forecast(self, ends: IntArray, numbers: Numbers) -> None:
        forecast_alarms = self._forecast_alarms
        if forecast_alarms is None or forecast_alarms.failed:
            return
        quiet = not self.fed  # what is missing then is no fault of a sensor
        try:
            forecast_alarms.feed(self.bins, ends, numbers, self.lye.at(numbers.end_ns), quiet=quiet)
        except Exception as exc:  # noqa: BLE001 - told, and raised where parts are not isolated
            forecast_alarms.failed = True
            self._failed_with(FORECAST, exc)

    def _no_numbers(self, ends: IntArray) -> Numbers:
        unknown = np.full(ends.size, np.nan)
        return Numbers(
            ends * self.step_ns,
            self.steps * self.step_ns,
            dict.fromkeys(UNITS, unknown),
            dict.fromkeys(UNITS, unknown),
            reference_words(self.bench),
            {},
            {},
        )

    # -- parts that fail -----------------------------------------------------------------------------------

    def _guarded(self, part: str, do: Callable[[], T], otherwise: T) -> T:
        """What `do` gives; `otherwise` where it raises and this watch isolates its parts."""
        try:
            return do()
        except Exception as exc:  # noqa: BLE001 - told, and raised where parts are not isolated
            self._failed_with(part, exc)
            return otherwise

    def _failed_with(self, part: str, exc: Exception) -> None:
        if not self._isolate:
            raise exc
        if part not in self._failed:
            log.error("the watch goes on without %s", part, exc_info=exc)
        self._failed[part] = (self._at_ns, f"{type(exc).__name__}: {exc}")

    @property
    def failures(self) -> dict[str, str]:
        """What is not watched now because it raised, within the last minute: each part with its error."""
        dead = self._forecast_alarms is not None and self._forecast_alarms.failed
        for part, (t_ns, _) in list(self._failed.items()):
            if self._at_ns - t_ns >= FAILED_FOR_NS and not (part == FORECAST and dead):
                del self._failed[part]
        return {part: words for part, (_, words) in self._failed.items()}

    def renew_forecaster(self, forecaster: Forecaster) -> None:
        """Put another in the place of a forecaster that raised. It learns from what comes from now on."""
        if self._forecast_alarms is None:
            return
        self.forecaster = self._forecast_alarms.forecaster = forecaster
        self._forecast_alarms.failed = False
        self._forecast_alarms.renewed()
        self._forecast_alarms.take_over({n for n in FORECAST_ALARMS if self.alarms[n].active})

    def _time_left_s(self) -> float | None:
        forecast_alarms = self._forecast_alarms
        if forecast_alarms is None or forecast_alarms.failed:
            return None
        return self._guarded(FORECAST, forecast_alarms.time_left_s, None)

    def lose_feed(self) -> None:
        """Whoever reads the sources is not heard: that no samples come says nothing of the sources now."""
        self.fed = False

    def resume_feed(self, t_ns: int) -> None:
        """It is heard again, from `t_ns` [ns] on; sources must not be silent from here."""
        if self.fed:
            return
        self.fed = True
        for rule in self.rules:
            if isinstance(rule, LostRule | StaleRule):
                rule.detector.last_ns = max(rule.detector.last_ns, t_ns)

    @property
    def _kept_steps(self) -> int:
        return self.steps + BRIEF_STEPS

    def _make_room(self, step: int) -> None:
        if self.bins.end == self.bins.first:
            self.bins.first = step - self._kept_steps

    def begin(self, t_ns: int) -> None:
        """Start watching at a time [ns]: sources must not be silent from here. The first tick does it too."""
        step = self._ticked = t_ns // self.step_ns
        start_ns = step * self.step_ns
        self.context.changed_ns = start_ns
        self.lye.begin(step)
        for rule in self.rules:
            if isinstance(rule, LostRule | StaleRule):
                rule.detector.last_ns = start_ns + GRACE_NS
        if not self.context.powered:
            for alarm in self.alarms.values():
                if alarm.spec.suppressed_while_off:
                    alarm.suppress(start_ns, True, "supply off")

    def _take(self, now_ns: int) -> list[Block]:
        taken: list[Block] = []
        for source, blocks in self._pending.items():
            kept: list[Block] = []
            for block in blocks:
                if int(block.t_ns[-1]) <= now_ns:
                    taken.append(block)
                    continue
                n = int(np.searchsorted(block.t_ns, now_ns, side="right"))
                if n:
                    taken.append(block.rows(slice(0, n)))
                kept.append(block.rows(slice(n, None)) if n else block)
            self._pending[source] = kept
        return taken

    def _raise(self, columns: Columns, numbers: Numbers, now_ns: int, fresh: bool) -> None:
        none: list[Edge] = []
        switched = self._guarded("the supply's switching", lambda: self.context.switched(columns), none)
        relay_t, relay = columns.good("relay")
        if relay_t.size:
            self._relay_open = bool(relay[-1] < 0.5)
        on_for = partial(self.context.on_for, switched=switched)
        sampled = {
            r.spec.name: self._guarded(f"alarm {r.spec.name}", partial(r.edges, columns, on_for), none)
            for r in self.rules
            if isinstance(r, ChannelRule)
        }
        ticks = None
        if fresh:
            ticks_of = partial(
                self.context.ticks,
                numbers.end_ns,
                columns,
                switched,
                self.bins,
                numbers,
                self.lye.at(numbers.end_ns),
            )
            ticks = self._guarded("the alarms' context", ticks_of, None)
        for rule in self.rules:
            try:
                self._judge(rule, columns, sampled, ticks, switched, now_ns)
            except Exception as exc:  # noqa: BLE001 - as in `_guarded`, fifty times a second
                self._failed_with(f"alarm {rule.spec.name}", exc)
        self._guarded("the supply's switching", lambda: self.context.passed(switched), None)
        self._collect()

    def _judge(
        self,
        rule: Rule,
        columns: Columns,
        sampled: Mapping[str, list[Edge]],
        ticks: Ticks | None,
        switched: list[Edge],
        now_ns: int,
    ) -> None:
        """Take one rule's edges to its alarm."""
        alarm = self.alarms[rule.spec.name]
        edges: list[tuple[Edge, str]]
        match rule:
            case ChannelRule():
                edges = [(e, _cause(rule, e)) for e in sampled[rule.spec.name]]
            case FailedRule() | ThoughOpenRule():
                edges = [(e, _cause(rule, e)) for e in rule.edges(columns)]
            case FrozenRule():
                edges = [(e, _cause(rule, e)) for e in rule.edges(columns, switched, self.context.powered)]
            case LostRule() | StaleRule():
                edges_found = rule.edges(columns, now_ns) if self.fed else []
                edges = [(e, _cause(rule, e)) for e in edges_found]
            case TickRule():
                edges = [] if ticks is None else [(e, _cause(rule, e)) for e in rule.edges(ticks)]
            case ExternalRule():
                edges, rule.pending = rule.pending, []
        if not edges and not (alarm.spec.suppressed_while_off and switched):
            if alarm.state is not State.NORMAL:
                alarm.advance(now_ns)
            return
        self._apply(alarm, edges, switched if alarm.spec.suppressed_while_off else [])
        alarm.advance(now_ns)

    @staticmethod
    def _apply(alarm: Alarm, edges: list[tuple[Edge, str]], switched: list[Edge]) -> None:
        """The condition's changes and those of the supply, in order of time; the supply's first."""
        both: list[tuple[int, int, Edge, str]] = [(e.t_ns, 1, e, cause) for e, cause in edges]
        both += [(e.t_ns, 0, e, "supply on" if e.active else "supply off") for e in switched]
        for t_ns, kind, edge, cause in sorted(both, key=lambda x: x[:2]):
            if kind == 0:
                alarm.suppress(t_ns, not edge.active, cause)
            else:
                alarm.edge(edge, cause)

    def each_forecast(self, callback: Callable[[int], None]) -> None:
        """Have `callback` called at every whole minute of the run [ns], just after its forecast."""
        if self._forecast_alarms is not None:
            self._forecast_alarms.each_minute = callback

    def settled(self, t_ns: int) -> bool:
        """Whether the supply was not switched within the window that ends at `t_ns` [ns]."""
        return t_ns - self.context.changed_ns >= self.steps * self.step_ns

    def assessment(self, numbers: Numbers, i: int) -> Assessment:
        """What is said of one of the windows that `advance` gave."""
        values = numbers.at(i)
        t_ns = int(numbers.end_ns[i])
        none: tuple[Finding, ...] = ()
        found = self._guarded("the findings", lambda: self._findings(numbers, i, t_ns, values), none)
        return Assessment(
            t_ns=t_ns,
            window_s=self.window_s,
            reference=numbers.reference,
            numbers=values,
            findings=found,
            assumptions=tuple(numbers.assumptions(i)),
            forecast=self._forecast(),
            lye=self._guarded(LYE, self.lye.now, None),
            run=self.run,
            start_utc_ns=self.start_utc_ns,
        )

    def _findings(
        self, numbers: Numbers, i: int, t_ns: int, values: dict[str, dict[str, Any]]
    ) -> tuple[Finding, ...]:
        found = judge(
            self._setting,
            values,
            refusals=numbers.refusals(i),
            relay_open=self._relay_open,
            settled=self.settled(t_ns),
        )
        return (*found, *overdue(self.bench, self._utc_ns(t_ns)))

    def _forecast(self) -> dict[str, Any] | None:
        if self.forecaster is None or (self._forecast_alarms is not None and self._forecast_alarms.failed):
            return None
        return self._guarded(FORECAST, self.forecaster.forecast, None)

    def _utc_ns(self, t_ns: int) -> int | None:
        return None if self.start_utc_ns is None else self.start_utc_ns + t_ns

    def lye_entry(self, entry: LyeEntry, t_ns: int, name: str = "") -> None:
        """Somebody poured in, drew off or measured lye.

        Parameters
        ----------
        entry : LyeEntry
        t_ns : int
            When it was so [ns of the run].
        name : str
            As of `LyeTrack.tell`.
        """
        self.lye.tell(t_ns, entry, name)

    # -- restarts ------------------------------------------------------------------------------------------

    def save(self) -> dict[str, Any]:
        """Everything but the samples of the last window, as JSON says it."""
        return {
            "version": STATE_VERSION,
            "ticked": self._ticked,
            "relay_open": self._relay_open,
            "course": self.context.save(),
            "lye": self.lye.save(),
            "alarms": {
                n: a.save()
                for n, a in self.alarms.items()
                # One that the bench file has out of service is told also when a person has put it back.
                if a.state is not State.NORMAL or a.active or not a.spec.in_service
            },
            "detectors": {
                r.spec.name: _detector_state(r) for r in self.rules if not isinstance(r, ExternalRule)
            },
        }

    def load(self, state: Mapping[str, Any]) -> None:
        """Take up a saved state; one of another version, and alarms that are no more, are left aside."""
        if state.get("version") != STATE_VERSION or state["ticked"] is None:
            return
        self.begin(int(state["ticked"]) * self.step_ns)
        self.bins = Bins(self.bench, step_ns=self.step_ns, causal=True)
        self._relay_open = bool(state["relay_open"])
        self.context.load(state["course"])
        if "lye" in state:
            self.lye.load(state["lye"])
        self.load_alarms(state["alarms"], off_since_ns=self._off_since_ns)
        for rule in self.rules:
            saved = state["detectors"].get(rule.spec.name)
            if saved is not None and not isinstance(rule, ExternalRule):
                rule.detector.load(saved)
                if isinstance(rule, StaleRule):
                    rule.frame_ns = saved.get("frame_ns")
                if isinstance(rule, ThoughOpenRule) and saved.get("relay") is not None:
                    rule.relay = int(saved["relay"][0]), float(saved["relay"][1])
        if self._forecast_alarms is not None:
            self._forecast_alarms.take_over({n for n in FORECAST_ALARMS if self.alarms[n].active})

    def take_over(self, state: Mapping[str, Any], *, now_ns: int, later_ns: int) -> None:
        """Begin with the alarms of the run before.

        An alarm's life does not end because somebody starts another recording. What stands is told again, so
        that the new run's log is whole; what was used up and learned belongs to the run before.

        Parameters
        ----------
        state : mapping of str to object
            Of the watch of the run before, as `save` gives it.
        now_ns : int
            Where to begin [ns of this run].
        later_ns : int
            What makes a time of the run before one of this run [ns].
        """
        if state.get("version") != STATE_VERSION or state["ticked"] is None:
            self.begin(now_ns)
            return
        context = state["course"]
        self.context.powered = bool(context["powered"])
        self.context.switch.load(context["switch"])
        self.begin(now_ns)
        self.context.changed_ns = int(context["changed_ns"]) + later_ns
        self.load_alarms(state["alarms"], off_since_ns=self._off_since_ns, later_ns=later_ns)
        for rule in self.rules:
            saved = state["detectors"].get(rule.spec.name)
            if saved is None or isinstance(rule, ExternalRule):
                continue
            rule.detector.active = bool(saved["active"])
            since_ns = saved.get("since_ns")
            if isinstance(rule.detector, LimitDetector) and since_ns is not None:
                rule.detector.since_ns = int(since_ns) + later_ns
        if self._forecast_alarms is not None:
            self._forecast_alarms.take_over({n for n in FORECAST_ALARMS if self.alarms[n].active})
        for alarm in self.alarms.values():
            alarm.tell_again(now_ns, "stood when this run began")
        self._collect()

    @property
    def _off_since_ns(self) -> int | None:
        return None if self.context.powered else self.context.changed_ns


def _detector_state(
    rule: ChannelRule | FailedRule | FrozenRule | LostRule | StaleRule | ThoughOpenRule | TickRule,
) -> dict[str, Any]:
    state = rule.detector.save()
    if isinstance(rule, ThoughOpenRule):
        state["relay"] = rule.relay
    if isinstance(rule, StaleRule):
        state["frame_ns"] = rule.frame_ns
    return state


def _cause(rule: Rule, edge: Edge) -> str:
    spec = rule.spec
    if not edge.active:
        return "back to normal"
    if edge.value is None or isinstance(rule, FailedRule):
        return spec.title
    if isinstance(rule, FrozenRule | LostRule | StaleRule):
        return f"{spec.title} for {edge.value:g} s"
    unit = unit_words(spec.unit)
    limit = "" if spec.limit is None else f", limit {spec.limit:.4g} {unit}".rstrip()
    return f"{spec.title}: {edge.value:.4g} {unit}".rstrip() + limit
