"""The run that the reader is writing to: begun in memory, continued after a crash, and the standby between
runs.

A run begins without the store: the guard must not wait for a disk. Its record is written afterwards, by the
recorder."""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import UTC, datetime

from daq.bench import Bench, read_calibrations
from daq.errors import StoreError
from daq.reader.timebase import Clocks
from daq.store import CalibrationRecord, RunRecord, Store, free_run_id

__all__ = [
    "RESUME_WITHIN_S",
    "STANDBY_KEPT_NS",
    "ActiveRun",
    "begin",
    "readable",
    "resume",
    "usable",
]

RESUME_WITHIN_S = 3600.0
"""A run whose reader died longer ago than this is ended, not continued [s]: what happened since is
unknown."""

STANDBY_KEPT_NS = 600_000_000_000
"""How much of the data between runs is kept for the live page [ns]."""


@dataclass(slots=True)
class ActiveRun:
    """Where samples go now, and what time it is there.

    Attributes
    ----------
    record : RunRecord
        The run, or the standby between runs.
    bench : Bench
        With the calibrations that the run is recorded with.
    zero_ns : int or None
        The sources' clock at the run's zero [ns]. None until the first frame, where a device's own clock
        paces the run: a virtual bench at many times real speed is nowhere near the host's clock.
    calibrations : tuple of CalibrationRecord
        The calibrations of `bench`, as the logbook keeps them.
    start_ns : int
        The run's time of that first frame [ns]: 0, or where a continued run goes on.
    last_ns : int
        The latest time that was given out [ns].
    """

    record: RunRecord
    bench: Bench
    zero_ns: int | None
    calibrations: tuple[CalibrationRecord, ...] = ()
    start_ns: int = 0
    last_ns: int = 0
    device_paced: bool = False

    @property
    def id(self) -> str:
        """The run's id."""
        return self.record.id

    @property
    def recording(self) -> bool:
        """Whether this is a run and not the standby between runs."""
        return self.record.kind == "run"

    def t_ns(self, frame_ns: int) -> int:
        """Nanoseconds of the run at a frame's `mono_ns`; never negative."""
        if self.zero_ns is None:
            self.zero_ns = frame_ns - self.start_ns
        t_ns = max(0, frame_ns - self.zero_ns)
        self.last_ns = max(self.last_ns, t_ns)
        return t_ns

    def now_ns(self, mono_ns: int) -> int:
        """Nanoseconds of the run at the host's monotonic clock `mono_ns`, for what comes from no frame."""
        if self.device_paced or self.zero_ns is None:
            return max(self.last_ns, self.start_ns)
        return max(self.last_ns, mono_ns - self.zero_ns)


def begin(
    bench: Bench,
    clocks: Clocks,
    newest: Mapping[str, CalibrationRecord],
    *,
    taken: frozenset[str] = frozenset(),
    zero_ns: int | None = None,
    kind: str = "run",
    name: str = "",
    build: str = "",
) -> ActiveRun:
    """Start a run, or the standby, in memory.

    Parameters
    ----------
    bench : Bench
    clocks : Clocks
    newest : mapping of str to CalibrationRecord
        The newest calibration of each channel, as far as is known.
    taken : frozenset of str
        Ids that other runs have.
    zero_ns : int, optional
        When it began, on the host's monotonic clock [ns]; now unless given.
    kind : "run" or "standby"
    name, build : str
        In place of the bench file's.
    """
    calibrated = bench.calibrated(read_calibrations(newest))
    now, utc = clocks.mono_ns(), clocks.utc_ns()
    mono0 = now if zero_ns is None else zero_ns
    utc -= now - mono0
    record = RunRecord(
        id=free_run_id(utc, taken),
        bench=bench.name,
        kind=kind,
        name=name or (_default_name(build or bench.stack.build, utc) if kind == "run" else ""),
        build=build or bench.stack.build,
        start_utc_ns=utc,
        mono0_ns=mono0,
        clock_offset_ns=utc - mono0,
        bench_toml=bench.text,
        bench_json=json.dumps(bench.model_dump(mode="json")),
    )
    paced = device_paced(bench)
    used = tuple(record for channel, record in newest.items() if channel in calibrated.calibrations)
    return ActiveRun(record, calibrated, None if paced else mono0, used, device_paced=paced)


def _default_name(build: str, start_utc_ns: int) -> str:
    """Of a run that nobody named: no two have the same, and a list of them can be read."""
    began = datetime.fromtimestamp(start_utc_ns // 1_000_000_000, UTC)
    return f"{build}, {began:%Y-%m-%d %H:%M:%S}"


def resume(
    store: Store, bench: Bench, clocks: Clocks
) -> tuple[ActiveRun | None, list[Callable[[Store], object]]]:
    """The run that was open when the reader died, continued; None where there is none, or it is too long ago.

    On the same boot of the host the monotonic clock has gone on, and so does the run's. After a reboot the
    wall clock bridges the gap. A device clock may run at another speed than the host's (a virtual bench), so
    the run goes on from its last sample plus the time that has passed.

    Parameters
    ----------
    store : Store
    bench : Bench
        As the bench file is now; the run keeps the calibrations that it began with.
    clocks : Clocks

    Returns
    -------
    ActiveRun or None
    list of callable
        What is to be written about it: reading alone must not wait for a slow disk.
    """
    record = store.logbook.open_run(bench.name)
    if record is None:
        return None, []
    last_ns = store.last_t_ns(record.id)
    # The logbook is touched only every so often: the journal's own time is nearer to the last sample.
    seen_utc_ns = max(record.start_utc_ns, record.touched_utc_ns or 0, store.written_utc_ns)
    gap_ns = max(0, clocks.utc_ns() - seen_utc_ns)
    if gap_ns > RESUME_WITHIN_S * 1e9:
        words = f"ended here: the reader died and was away for {gap_ns / 3.6e12:.1f} h"
        return None, [
            lambda store: store.logbook.stop_run(record.id, ended_ns=last_ns or 0),
            lambda store: store.logbook.add_mark(record.id, last_ns or 0, "ended", words, "reader"),
        ]
    paced = device_paced(bench)
    mono_now = clocks.mono_ns()
    by_mono, by_wall = mono_now - record.mono0_ns, clocks.utc_ns() - record.start_utc_ns
    same_boot = by_mono >= 0 and abs(by_mono - by_wall) < 60e9
    if last_ns is not None and (paced or not same_boot):
        now_ns = last_ns + gap_ns
    else:
        now_ns = by_mono if same_boot else by_wall
    # A clock set back must not write new samples among the old ones.
    now_ns = max(now_ns, (last_ns or 0) + 1)
    # The run goes on as it began, even where a newer calibration has come meanwhile.
    kept = store.logbook.calibrations.of_run(record.id)
    pinned = bench.calibrated(read_calibrations(kept))
    zero_ns = None if paced else mono_now - now_ns
    run = ActiveRun(record, pinned, zero_ns, tuple(kept.values()), now_ns, now_ns, paced)
    away = "an unknown time" if last_ns is None else f"{(now_ns - last_ns) / 1e9:.2f} s"
    words = f"reader restarted, nothing recorded for {away}"
    return run, [lambda store: store.logbook.add_mark(record.id, now_ns, "restart", words, "reader")]


def readable(
    records: Mapping[str, CalibrationRecord], say: Callable[[str], None]
) -> dict[str, CalibrationRecord]:
    """Those of them that can be read; of the others it is said what is wrong."""
    good = {}
    for channel, record in records.items():
        try:
            read_calibrations({channel: record})
        except StoreError as exc:
            say(f"not used: {exc}")
        else:
            good[channel] = record
    return good


def usable(bench: Bench, newest: Mapping[str, CalibrationRecord]) -> bool:
    """Whether any of these calibrations is for a channel of the bench as it is described now."""
    return bool(bench.calibrated(read_calibrations(newest)).calibrations)


def device_paced(bench: Bench) -> bool:
    """Whether a device's own clock paces the bench's runs."""
    return any(source.clock == "device" for source in bench.sources.values())
