"""The gatherer's heartbeat, by the very command that a container runs; it needs no broker and no server."""

from __future__ import annotations

import os
import signal
from collections.abc import Callable
from contextlib import ExitStack
from pathlib import Path

from tests.fleet.test_gather import command, pid_of
from tests.waiting import wait_until


def test_the_heartbeat_goes_on_over_a_kill_and_stands_still_where_workers_die_at_once(
    tmp_path: Path, free_ports: Callable[[], int]
) -> None:
    nobody = free_ports()
    fleet = tmp_path / "fleet.toml"
    fleet.write_text(
        f'[broker]\nhost = "127.0.0.1"\nport = {nobody}\n[influxdb]\nurl = "http://127.0.0.1:{nobody}"\n',
        encoding="utf-8",
    )
    alive, never, nowhere = tmp_path / "alive", tmp_path / "never", tmp_path / "no such folder" / "alive"
    log = {path: tmp_path / f"log {k}.txt" for k, path in enumerate((alive, never, nowhere))}

    def times_logged(path: Path, words: str) -> int:
        return log[path].read_text(errors="replace").count(words)

    def beats(wanted: int) -> None:
        for _ in range(wanted):
            before = alive.stat().st_mtime_ns
            wait_until(lambda: alive.stat().st_mtime_ns > before, "another beat", timeout_s=60)  # noqa: B023

    with ExitStack() as stack:
        for path in (alive, never, nowhere):
            # A password without a user is no login: workers say so, and end.
            login = {"LYEWATCH_MQTT_PASSWORD": "p"} if path == never else {}
            words = ("gather", str(fleet), "--workers", "1", "--heartbeat", str(path))
            stack.enter_context(command(*words, log=log[path], **login))
        wait_until(alive.exists, "the first beat", timeout_s=90)
        beats(2)
        first = pid_of(log[alive], 1)
        assert first is not None
        os.kill(first, signal.SIGKILL)
        wait_until(lambda: pid_of(log[alive], 1) != first, "its successor", timeout_s=60)
        beats(2)
        wait_until(
            lambda: times_logged(never, "there is a password and no user") > 2, "workers to end", timeout_s=90
        )
        assert times_logged(never, "started again") > 1
        assert not never.exists()
        wait_until(
            lambda: times_logged(nowhere, "can not be written") == 1, "a word of trouble", timeout_s=90
        )
        beats(2)
        assert times_logged(nowhere, "can not be written") == 1, "said once, not each second"
        assert times_logged(nowhere, "started again") == 0
