"""Is this container's process well? Exit 0 when it is, 1 with a reason when not.

python docker/health.py reader BENCH    the reader answers on its channel; no disk is needed for it
python docker/health.py service PORT    the service answers on its port, and its live side lives
python docker/health.py gather FILE     the gatherer's heartbeat is fresh
"""

from __future__ import annotations

import json
import os
import sys
import threading
import time
import urllib.error
import urllib.request
from pathlib import Path

from daq.bench import load_bench
from daq.reader.channel import ChannelAddress, ChannelClient

STALE_S = 10.0
"""A gatherer writes its heartbeat once a second."""
ANSWER_WITHIN_S = float(os.environ.get("LYEWATCH_HEALTH_WITHIN_S", "6"))
"""A reader says how it is at once to whoever connects."""


def reader(bench_file: str) -> str | None:
    """What is wrong with the reader, or None. That nothing is kept is no reason to end one that guards."""
    heard, why = threading.Event(), ["it does not answer"]

    def take(message: dict[str, object]) -> None:
        if message["type"] == "state":
            heard.set()

    client = ChannelClient(ChannelAddress.of(load_bench(bench_file)), take, why.append)
    client.start()
    try:
        return None if heard.wait(ANSWER_WITHIN_S) else f"the reader is not heard: {why[-1]}"
    finally:
        client.close()


def service(port: str) -> str | None:
    """What is wrong with the service, or None. That it answers and follows suffices: a bench may be ill."""
    request = urllib.request.Request(f"http://127.0.0.1:{int(port)}/api/health")
    token = os.environ.get("LYEWATCH_TOKEN")
    if token:
        request.add_header("Authorization", f"Bearer {token}")
    try:
        with urllib.request.urlopen(request, timeout=4) as answer:  # noqa: S310 - a fixed http address
            return None if answer.status == 200 else f"the service answered {answer.status}"
    except urllib.error.HTTPError as exc:
        if exc.code != 503:
            return f"the service answered {exc.code}"
        said = json.load(exc)
        return f"the service has failed: {said['why']}" if said.get("status") == "failed" else None
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
