"""Is this container's process well? Exit 0 when it is, 1 with a reason when not.

python docker/health.py reader BENCH    the reader's heartbeat in the store is fresh
python docker/health.py service PORT    the service answers on its port
python docker/health.py gather FILE     the gatherer's heartbeat is fresh
"""

from __future__ import annotations

import os
import sys
import time
import urllib.request
from pathlib import Path

from daq.bench import load_bench
from daq.store import Store

STALE_S = 10.0
"""A reader writes its heartbeat once a second."""


def reader(bench_file: str) -> str | None:
    """What is wrong with the reader, or None."""
    with Store(load_bench(bench_file).store_folder) as store:
        state = store.logbook.get_state("reader")
    if not isinstance(state, dict) or state.get("pid") is None:
        return "the reader has written no heartbeat"
    age_s = (time.time_ns() - int(state["utc_ns"])) / 1e9
    return None if age_s < STALE_S else f"the reader's heartbeat is {age_s:.0f} s old"


def service(port: str) -> str | None:
    """What is wrong with the service, or None. That it answers suffices: a bench may be ill."""
    request = urllib.request.Request(f"http://127.0.0.1:{int(port)}/api/health")
    token = os.environ.get("LYEWATCH_TOKEN")
    if token:
        request.add_header("Authorization", f"Bearer {token}")
    try:
        with urllib.request.urlopen(request, timeout=4) as answer:  # noqa: S310 - a fixed http address
            return None if answer.status == 200 else f"the service answered {answer.status}"
    except OSError as exc:
        return f"the service does not answer: {exc}"


def gather(file: str) -> str | None:
    """What is wrong with the gatherer, or None."""
    try:
        age_s = time.time() - Path(file).stat().st_mtime
    except OSError as exc:
        return f"the gatherer has written no heartbeat: {exc}"
    return None if age_s < STALE_S else f"the gatherer's heartbeat is {age_s:.0f} s old"


def main(argv: list[str]) -> int:
    """Check what the command line names."""
    checks = {"reader": reader, "service": service, "gather": gather}
    if len(argv) != 2 or argv[0] not in checks:
        print(__doc__, file=sys.stderr)
        return 2
    wrong = checks[argv[0]](argv[1])
    if wrong is not None:
        print(wrong, file=sys.stderr)
    return 0 if wrong is None else 1


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
