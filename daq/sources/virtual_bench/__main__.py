"""``python -m daq.sources.virtual_bench``: a bench on a port, for demonstrations and tests."""

from __future__ import annotations

import argparse
import json
import os
import signal
import stat
import sys
import threading
from collections.abc import Sequence

from daq.errors import LyewatchError
from daq.sources.virtual_bench.bench import VirtualBench
from daq.sources.virtual_bench.events import EVENTS, parse_event
from daq.sources.virtual_bench.scenario import SCENARIOS, load_scenario
from daq.sources.virtual_bench.serve import BenchServer

__all__ = ["main"]


def _parser() -> argparse.ArgumentParser:
    events = "\n".join(f"  {name:8} {words}" for name, words in EVENTS.items())
    stories = "\n".join(f"  {s.name:8} {s.words}" for s in SCENARIOS.values())
    parser = argparse.ArgumentParser(
        prog="python -m daq.sources.virtual_bench",
        description="A simulated electrolyser bench that speaks the wire format on a real port. The first "
        "line on standard output is JSON with the port's name. Ends on SIGTERM, SIGINT, or when a pipe on "
        "standard input closes; lines on that pipe are events.",
        epilog=f"scenarios:\n{stories}\n\nevents, as WHAT[.FIELD][=VALUE][@SECONDS][+DURATION]:\n{events}",
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    parser.add_argument(
        "--scenario", default="runaway", metavar="NAME|FILE", help="one below, or a TOML file"
    )
    parser.add_argument("--seed", type=int, default=1, help="of all noise (default 1)")
    parser.add_argument(
        "--speed", type=float, default=1.0, help="seconds of the bench for each on the clock (default 1)"
    )
    parser.add_argument(
        "--duration",
        type=float,
        default=float("inf"),
        metavar="S",
        help="end after so much of the bench's time",
    )
    parser.add_argument("--link", metavar="PATH", help="symbolic link that keeps pointing at the head's port")
    parser.add_argument("--meter", action="store_true", help="add a separate meter on a port of its own")
    parser.add_argument("--meter-link", metavar="PATH", help="the same for the meter; means --meter")
    parser.add_argument("--tcp", type=int, metavar="PORT", help="serve over TCP on loopback (0: a free port)")
    parser.add_argument("--meter-tcp", type=int, metavar="PORT", help="the meter's; means --meter")
    parser.add_argument(
        "--fault",
        action="append",
        default=[],
        metavar="EVENT",
        help="let an event happen, as unplug@60+5; repeatable",
    )
    return parser


def main(argv: Sequence[str] | None = None) -> int:
    """Run a bench until told to stop; returns the exit status."""
    options = _parser().parse_args(argv)
    try:
        server = _server(options)
    except LyewatchError as error:
        print(f"virtual bench: {error}", file=sys.stderr)
        return error.exit_code
    for name in ("SIGTERM", "SIGINT", "SIGHUP", "SIGBREAK"):
        if hasattr(signal, name):
            signal.signal(getattr(signal, name), lambda *_: server.stop())
    print(
        json.dumps(
            {
                "port": server.port,
                "ports": server.addresses,
                "scenario": server.bench.scenario.name,
                "seed": options.seed,
                "speed": options.speed,
                "pid": os.getpid(),
            }
        ),
        flush=True,
    )
    if _stdin_is_a_pipe():
        threading.Thread(target=_listen, args=(server,), daemon=True).start()
    server.run()
    return 0


def _server(options: argparse.Namespace) -> BenchServer:
    meter = options.meter or options.meter_link is not None or options.meter_tcp is not None
    bench = VirtualBench(load_scenario(options.scenario), seed=options.seed, meter=meter)
    for text in options.fault:
        bench.schedule(parse_event(text))
    links = {"head": options.link, "meter": options.meter_link}
    tcp = {"head": options.tcp, "meter": options.meter_tcp}
    if options.tcp is not None and options.meter_tcp is None and options.meter_link is None:
        tcp["meter"] = 0
    return BenchServer(
        bench,
        links={name: link for name, link in links.items() if link is not None},
        tcp={name: number for name, number in tcp.items() if number is not None and name in bench.devices},
        speed=options.speed,
        duration_s=options.duration,
    )


def _stdin_is_a_pipe() -> bool:
    """Whether standard input is a parent's pipe. A terminal or /dev/null says nothing of anyone's wishes."""
    try:
        mode = os.fstat(sys.stdin.fileno()).st_mode
    except (AttributeError, OSError, ValueError):
        return False
    return stat.S_ISFIFO(mode) or stat.S_ISSOCK(mode)


def _listen(server: BenchServer) -> None:
    # Past Python's own buffer: a thread that waits within it can stand in the way of the interpreter's end.
    rest = b""
    while data := os.read(sys.stdin.fileno(), 4096):
        *lines, rest = (rest + data).split(b"\n")
        for line in lines:
            if line.strip():
                server.happen(line.decode("utf-8", "replace"))
    server.stop()


if __name__ == "__main__":
    raise SystemExit(main())
