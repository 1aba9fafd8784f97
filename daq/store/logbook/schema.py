"""The logbook's tables, step by step."""

from __future__ import annotations

from daq.store._database import Migration

__all__ = ["LOGBOOK"]

LOGBOOK = (
    Migration(
        "0001 runs, marks, alarms, links, requests, trips, state",
        (
            """CREATE TABLE runs (
                id TEXT PRIMARY KEY, bench TEXT NOT NULL, kind TEXT NOT NULL, name TEXT NOT NULL,
                build TEXT NOT NULL,
                start_utc_ns INTEGER NOT NULL, mono0_ns INTEGER NOT NULL, clock_offset_ns INTEGER NOT NULL,
                bench_toml TEXT NOT NULL, bench_json TEXT NOT NULL, ended_ns INTEGER, note TEXT NOT NULL,
                rows INTEGER NOT NULL DEFAULT 0, touched_utc_ns INTEGER)""",
            "CREATE INDEX runs_by_start ON runs (start_utc_ns)",
            """CREATE TABLE marks (
                id INTEGER PRIMARY KEY AUTOINCREMENT, run_id TEXT NOT NULL, t_ns INTEGER NOT NULL,
                kind TEXT NOT NULL, text TEXT NOT NULL, who TEXT NOT NULL)""",
            "CREATE INDEX marks_by_run ON marks (run_id, t_ns)",
            """CREATE TABLE transitions (
                id INTEGER PRIMARY KEY AUTOINCREMENT, run_id TEXT NOT NULL, t_ns INTEGER NOT NULL,
                alarm TEXT NOT NULL, state_from TEXT NOT NULL, state_to TEXT NOT NULL, cause TEXT NOT NULL,
                value REAL, who TEXT NOT NULL, note TEXT NOT NULL, priority TEXT NOT NULL)""",
            "CREATE INDEX transitions_by_run ON transitions (run_id, id)",
            "CREATE TABLE alarm_states (alarm TEXT PRIMARY KEY, body TEXT NOT NULL)",
            """CREATE TABLE links (
                run_id TEXT NOT NULL, source TEXT NOT NULL, body TEXT NOT NULL,
                PRIMARY KEY (run_id, source))""",
            """CREATE TABLE requests (
                id INTEGER PRIMARY KEY AUTOINCREMENT, kind TEXT NOT NULL, body TEXT NOT NULL,
                who TEXT NOT NULL, t_utc_ns INTEGER NOT NULL, state TEXT NOT NULL DEFAULT 'pending',
                ok INTEGER NOT NULL DEFAULT 0, message TEXT NOT NULL DEFAULT '')""",
            "CREATE INDEX requests_by_state ON requests (state)",
            """CREATE TABLE trips (
                id INTEGER PRIMARY KEY AUTOINCREMENT, t_utc_ns INTEGER NOT NULL, run_id TEXT NOT NULL,
                t_ns INTEGER NOT NULL, cause TEXT NOT NULL, detail TEXT NOT NULL, value REAL,
                by TEXT NOT NULL, cleared_utc_ns INTEGER, cleared_by TEXT NOT NULL DEFAULT '',
                cleared_reason TEXT NOT NULL DEFAULT '')""",
            "CREATE TABLE state (key TEXT PRIMARY KEY, body TEXT NOT NULL, t_utc_ns INTEGER NOT NULL)",
        ),
    ),
    Migration(
        "0002 fills",
        (
            """CREATE TABLE fills (
                id INTEGER PRIMARY KEY AUTOINCREMENT, bench TEXT NOT NULL, build TEXT NOT NULL,
                run_id TEXT, t_ns INTEGER, t_utc_ns INTEGER NOT NULL, who TEXT NOT NULL, note TEXT NOT NULL,
                body TEXT NOT NULL)""",
            "CREATE INDEX fills_by_time ON fills (t_utc_ns)",
        ),
    ),
    Migration(
        "0003 calibrations, and which of them a run was recorded with",
        (
            """CREATE TABLE calibrations (
                id INTEGER PRIMARY KEY AUTOINCREMENT, bench TEXT NOT NULL, channel TEXT NOT NULL,
                t_utc_ns INTEGER NOT NULL, who TEXT NOT NULL, reference TEXT NOT NULL, due_utc_ns INTEGER,
                body TEXT NOT NULL, withdrawn_utc_ns INTEGER, withdrawn_by TEXT NOT NULL DEFAULT '',
                withdrawn_reason TEXT NOT NULL DEFAULT '')""",
            "CREATE INDEX calibrations_by_channel ON calibrations (bench, channel, id)",
            """CREATE TABLE run_calibrations (
                run_id TEXT NOT NULL, channel TEXT NOT NULL, calibration_id INTEGER NOT NULL,
                PRIMARY KEY (run_id, channel))""",
        ),
    ),
    Migration(
        "0004 causes that came after a trip's first one",
        ("ALTER TABLE trips ADD COLUMN after_id INTEGER",),
    ),
    Migration(
        "0005 forecasts and warnings as they were made",
        (
            """CREATE TABLE foretold (
                run_id TEXT PRIMARY KEY, from_ns INTEGER NOT NULL, until_ns INTEGER NOT NULL,
                warnings TEXT NOT NULL)""",
            """CREATE TABLE forecasts (
                run_id TEXT NOT NULL, t_ns INTEGER NOT NULL, body TEXT NOT NULL,
                PRIMARY KEY (run_id, t_ns))""",
        ),
    ),
    Migration(
        "0006 gaps, nobody's alarm states",
        (
            """CREATE TABLE gaps (
                run_id TEXT NOT NULL, source TEXT NOT NULL, start_ns INTEGER NOT NULL,
                end_ns INTEGER NOT NULL, samples INTEGER NOT NULL, why TEXT NOT NULL,
                PRIMARY KEY (run_id, source, start_ns)) WITHOUT ROWID""",
            "DROP TABLE alarm_states",
        ),
    ),
    Migration(
        "0007 looks",
        (
            """CREATE TABLE looks (
                id INTEGER PRIMARY KEY AUTOINCREMENT, bench TEXT NOT NULL, first TEXT NOT NULL,
                second TEXT NOT NULL, metric TEXT NOT NULL, runs TEXT NOT NULL, t_utc_ns INTEGER NOT NULL,
                kind TEXT NOT NULL, low REAL, high REAL, UNIQUE (bench, first, second, metric, runs))""",
        ),
    ),
    Migration(
        "0008 marks that carry data",
        ("ALTER TABLE marks ADD COLUMN data TEXT NOT NULL DEFAULT ''",),
    ),
    Migration(
        "0009 runs put away, what runs came to, builds described",
        (
            "ALTER TABLE runs ADD COLUMN away_utc_ns INTEGER",
            """CREATE TABLE results (
                run_id TEXT PRIMARY KEY, basis TEXT NOT NULL, body TEXT NOT NULL)""",
            """CREATE TABLE builds (
                bench TEXT NOT NULL, build TEXT NOT NULL, description TEXT NOT NULL, who TEXT NOT NULL,
                t_utc_ns INTEGER NOT NULL, PRIMARY KEY (bench, build))""",
        ),
    ),
)
