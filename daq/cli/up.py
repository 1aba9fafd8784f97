"""`lyewatch up BENCH`: reader and service together, each started again when it dies."""

from __future__ import annotations

import argparse
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Sequence
from contextlib import suppress
from dataclasses import dataclass, field
from pathlib import Path

from daq.alarms import check_alarms
from daq.bench import Bench, ServiceSpec, load_bench
from daq.cli.common import STOP_LINE, port_number, seconds, stop_event

__all__ = ["Child", "add", "run", "supervise"]

HERE = Path("bench.toml")
STOP_WITHIN_S = 10.0
_BEFORE_CUT_WORDS = 3  # "read", the bench file, "--checked"
LOOK_S = 0.05
AT_ONCE = 3
"""So many deaths in a row are answered at once: what guards must be away no longer than a start takes."""
FIRST_PAUSE_S, LONGEST_PAUSE_S = 0.4, 10.0
WELL_AFTER_S = 60.0
"""One that ran for so long was well [s]."""


def add(subparsers: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """Add the command."""
    parser = subparsers.add_parser("up", help="run the reader and the service, and keep both running")
    parser.add_argument(
        "bench",
        metavar="BENCH",
        type=Path,
        nargs="?",
        help=f"the bench file (TOML); without one {HERE} of this folder, and where there is none the page "
        "says how to begin",
    )
    parser.add_argument(
        "--port", type=port_number, help="listen here instead of the bench file's service.port"
    )
    parser.add_argument(
        "--for", dest="span", type=seconds, metavar="TIME", help="stop by itself after 30s, 5min, 2h"
    )
    parser.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    """Run both until told to stop."""
    if args.bench is None:
        args.bench = HERE
        if not HERE.exists() and not first_run(HERE, args.port):
            return 0
    # A wrong file is said once, here, and not by two children again and again.
    bench = load_bench(args.bench)
    check_alarms(bench)
    kept = children(args.bench, args.port)
    kept[0].on_death = net_of(bench)
    with stop_event() as stop:
        return supervise(kept, stop, span_s=args.span)


def first_run(file: Path, port: int | None) -> bool:
    """Serve the page of the first run until a bench file is kept; False when it was stopped before."""
    from daq.cli.serve import serve_app
    from daq.service.first_run import create_first_run_app

    spec = ServiceSpec()
    where = spec.port if port is None else port
    serve_app(create_first_run_app(file, port=where), spec.host, where, until_stdin_closes=False)
    return file.exists()


def net_of(bench: Bench) -> Callable[[Child, int], None] | None:
    """What is to be done when the reader dies: cut the supplies that nobody else would cut.

    None where there is none, as where a device that is fed a heartbeat holds the relay.
    """
    from daq.sources.software_net import SoftwareNet

    net = SoftwareNet(bench)
    if not net.names:
        return None

    def cut(reader: Child, status: int) -> None:
        words = net.cut_words()
        print(f"lyewatch: the reader is dead: {words}", file=sys.stderr, flush=True)
        kept = reader.arguments[:_BEFORE_CUT_WORDS]
        reader.arguments = [*kept, "--after-cut", f"the reader died (status {status}): {words}"]

    return cut


@dataclass(slots=True)
class Child:
    """A command of lyewatch's own that is to be kept running.

    Attributes
    ----------
    name : str
    arguments : sequence of str
    on_death : callable, optional
        Called with the child and its exit status when it was found dead, before anything else is done.
    """

    name: str
    arguments: Sequence[str]
    on_death: Callable[[Child, int], None] | None = None
    process: subprocess.Popen[bytes] | None = None
    deaths: int = 0
    """In a row, without a healthy while between them."""
    started_s: float = 0.0
    next_s: float = field(default=0.0)

    def start(self) -> None:
        """Start it; by its standard input it is stopped."""
        self.started_s = time.monotonic()
        self.process = subprocess.Popen(
            [sys.executable, "-m", "daq", *self.arguments, "--until-stdin-closes"], stdin=subprocess.PIPE
        )

    def look(self, now_s: float) -> int | None:
        """Its exit status when it was found dead, once.

        It is then due again: at once for the first `AT_ONCE` deaths, then after a growing pause. Deaths are
        counted anew after one that came when it had been well for `WELL_AFTER_S`.
        """
        if self.process is None:
            return None
        status = self.process.poll()
        if status is None:
            return None
        self._let_go()
        self.deaths = 1 if now_s - self.started_s > WELL_AFTER_S else self.deaths + 1
        over = self.deaths - AT_ONCE
        self.next_s = now_s + (0.0 if over <= 0 else min(FIRST_PAUSE_S * 2.0 ** (over - 1), LONGEST_PAUSE_S))
        if self.on_death is not None:
            self.on_death(self, status)
        return status

    def stop(self) -> None:
        """Ask it to end, and end it when it does not."""
        if self.process is None:
            return
        if self.process.stdin is not None:
            with suppress(OSError):  # it has ended by itself just now
                self.process.stdin.write(STOP_LINE)
                self.process.stdin.flush()
            with suppress(OSError):
                self.process.stdin.close()
        try:
            self.process.wait(STOP_WITHIN_S)
        except subprocess.TimeoutExpired:
            self.process.kill()
            self.process.wait()
        self.process = None

    def _let_go(self) -> None:
        assert self.process is not None
        if self.process.stdin is not None:
            with suppress(OSError):
                self.process.stdin.close()
        self.process = None


def children(bench: Path, port: int | None) -> list[Child]:
    """The reader and the service of a bench."""
    listen = [] if port is None else ["--port", str(port)]
    return [
        Child("reader", ["read", str(bench), "--checked"]),
        Child("service", ["serve", str(bench), *listen]),
    ]


def supervise(
    kept: Sequence[Child],
    stop: threading.Event,
    *,
    span_s: float | None = None,
    each_look: Callable[[], None] = lambda: None,
) -> int:
    """Keep children running until told to stop; returns an exit status.

    A child that refuses its arguments (exit 2) is not started again: the same file would fail the same way.

    Parameters
    ----------
    kept : sequence of Child
        Started in this order, stopped in the reverse.
    stop : threading.Event
        Ends it once set.
    span_s : float, optional
        Ends it after so long [s]; None goes on until `stop`.
    each_look : callable
        Called every `LOOK_S`.
    """
    end_s = None if span_s is None else time.monotonic() + span_s
    try:
        for child in kept:
            child.start()
        while not stop.wait(LOOK_S):
            now_s = time.monotonic()
            if end_s is not None and now_s >= end_s:
                break
            for child in kept:
                status = child.look(now_s)
                if status is not None:
                    print(
                        f"lyewatch: the {child.name} ended with status {status}", file=sys.stderr, flush=True
                    )
                    if status == 2:
                        return 2
                if child.process is None and now_s >= child.next_s:
                    child.start()
            each_look()
    finally:
        # The service first, so that no page asks a reader that is going.
        for child in reversed(kept):
            child.stop()
    return 0
