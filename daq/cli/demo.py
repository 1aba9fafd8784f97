"""`lyewatch demo`: the whole job on a virtual bench, over a real port."""

from __future__ import annotations

import argparse
import hashlib
import json
import re
import sys
import textwrap
import threading
import time
import urllib.error
import urllib.request
import webbrowser
from pathlib import Path
from typing import TYPE_CHECKING, Any

from daq.bench import Bench, load_bench
from daq.cli.common import DEFAULT_FOLDER, json_option, port_number, print_json, seconds, stop_event
from daq.cli.up import children, supervise
from daq.errors import LyewatchError, RunNotFound, UsageError
from daq.examples import example_text
from daq.quantity import duration_words

if TYPE_CHECKING:
    from daq.store import Store

LATCH_WAIT_S = 5.0
SPEED = 5.5
"""Simulated seconds in a second: the warning comes half a minute after the start, the cut a minute later, so
that each can be read before the next."""

__all__ = ["add", "check_own", "demo_bench_text", "marked", "run"]


def add(subparsers: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """Add the command."""
    parser = subparsers.add_parser(
        "demo",
        help="watch a virtual stack warm up, raise its alarms and have its supply cut",
        description="A simulated bench speaks through a real port; all that listens to it is real.",
    )
    parser.add_argument(
        "--for", dest="span", type=seconds, metavar="TIME", help="end by itself after 30s, 5min"
    )
    parser.add_argument(
        "--speed",
        type=float,
        default=SPEED,
        metavar="X",
        help=f"simulated seconds in a second ({SPEED:g}: warned of in 30 s, cut in 90 s; 30 is over in 20 s)",
    )
    parser.add_argument("--scenario", default="runaway", help="the virtual bench's story (runaway)")
    parser.add_argument("--seed", type=int, default=1, help="of the simulated noise")
    parser.add_argument(
        "--folder", type=Path, default=Path(f"{DEFAULT_FOLDER}-demo"), help="where the demo is kept"
    )
    parser.add_argument("--port", type=port_number, default=8737, help="the page's port; 0 takes a free one")
    parser.add_argument("--no-browser", action="store_true", help="do not open the page")
    json_option(parser)
    parser.set_defaults(run=run)


def demo_bench_text(port: str, *, scenario: str = "runaway", service_port: int = 8737) -> str:
    """The worked example's text, made to fit the virtual bench of `scenario` on `port`.

    Parameters
    ----------
    port : str
        The virtual bench's port.
    scenario : str
        Name of one of the virtual bench's scenarios.
    service_port : int
        TCP port of the pages.
    """
    from daq.sources.virtual_bench import load_scenario

    bench = load_scenario(scenario)
    stack, supply = bench.stack, bench.supply
    text = example_text("water_torch")
    for pattern, instead in (
        (r"litres = [\d.]+", f"litres = {stack.litres:g}"),
        (r"litres_min = [\d.]+", f"litres_min = {stack.litres_min:g}"),
        (r"steel_kg = [\d.]+", f"steel_kg = {stack.steel_kg:g}"),
        (r"volts_set = [\d.]+", f"volts_set = {supply.volts:g}"),
        (r"amps_max = [\d.]+", f"amps_max = {supply.amps:g}"),
        (r"(?<=\[limits.amps\]\n)high = [\d.]+", f"high = {0.95 * supply.amps:g}"),
        (r'port = "/dev/ttyUSB0"[^\n]*', f"port = {json.dumps(port)}"),
        (r'clock = "fitted"[^\n]*', 'clock = "device"               # simulated time runs at its own speed'),
        (r"port = 8737", f"port = {service_port}"),
        (r'name = "water-torch"', 'name = "water-torch-demo"'),
        (r'description = "[^\n]*', f"description = {json.dumps(bench.words)}\nsimulated = true"),
        (r'folder = "lyewatch-data"[^\n]*', 'folder = "store"'),
    ):
        text, count = re.subn(pattern, instead.replace("\\", r"\\"), text, count=1)
        if count != 1:
            raise LyewatchError("the worked example lacks a line the demo changes", value=pattern)
    return text


_MADE = "# Made by `lyewatch demo`, which writes it anew each time: copy it elsewhere to change it. sha256 "
"""Begins a bench file of a demo's own; then follows the checksum of the lines below."""


def marked(text: str) -> str:
    """A bench file's text with the line by which a demo knows its own, untouched."""
    return f"{_MADE}{hashlib.sha256(text.encode()).hexdigest()}\n{text}"


def check_own(folder: Path) -> None:
    """Refuse a folder in which something lies that no demo made, or that was changed since.

    Raises
    ------
    UsageError
        Naming the file, and what to do.
    """
    bench_file, kept = folder / "bench.toml", folder / "store"
    remedy = "name another folder with --folder, or move this away"
    if not bench_file.exists():
        if kept.exists():
            raise UsageError(
                "was not made by a demo, or its bench.toml is gone", place=str(kept), remedy=remedy
            )
        return
    head, _, text = bench_file.read_text(encoding="utf-8", errors="replace").partition("\n")
    if not head.startswith(_MADE):
        raise UsageError(
            "is a bench file that no demo made, and is not written over", place=str(bench_file), remedy=remedy
        )
    if head != marked(text).partition("\n")[0]:
        raise UsageError(
            "was changed since a demo made it, and is not written over", place=str(bench_file), remedy=remedy
        )


def run(args: argparse.Namespace) -> int:
    """Run the demo until told to stop."""
    from daq.store import FileLock, writer_lock

    args.folder.mkdir(parents=True, exist_ok=True)
    with FileLock(
        args.folder / "demo.lock",
        doing="running a demo in this folder",
        remedy="stop it first, or name another folder with --folder",
        wait_s=0.2,
    ):
        check_own(args.folder)
        if (args.folder / "store").exists():
            writer_lock(args.folder / "store").release()  # nobody reads with a demo's bench file just now
        return _run(args)


def _run(args: argparse.Namespace) -> int:
    from daq.sources.virtual_bench import VirtualBenchProcess, load_scenario

    link = (args.folder / "port").absolute()
    bench_file = args.folder / "bench.toml"
    quiet = args.json
    with (
        stop_event() as stop,
        VirtualBenchProcess(scenario=args.scenario, seed=args.seed, speed=args.speed, link=link) as virtual,
    ):
        service_port = _port(args.port)
        text = demo_bench_text(virtual.port, scenario=args.scenario, service_port=service_port)
        bench_file.write_text(marked(text), encoding="utf-8")
        bench = load_bench(bench_file)
        url = f"http://127.0.0.1:{service_port}/"
        if not quiet:
            print(f"virtual bench on {virtual.port}, {args.speed:g} times real speed")
            print(f"what happens     {load_scenario(args.scenario).words}")
            print(f"bench file       {bench_file}")
            print(f"live page        {url}", flush=True)
        _forget_last_time(bench)
        guide = _Guide(url, open_page=not args.no_browser, quiet=quiet)
        thread = threading.Thread(target=guide.follow, args=(stop,), daemon=True, name="guide")
        thread.start()
        status = supervise(children(bench_file, None), stop, span_s=args.span)
        stop.set()
        thread.join(3.0)
    return status or _say_where(bench, bench_file, url, as_json=args.json)


def _forget_last_time(bench: Bench) -> None:
    """A trip outlives the reader, as it must; but this stack is simulated anew, and cold.

    Only a trip of a demo's own run is cleared.
    """
    from daq.reader.latch import TripLatch, latch_places
    from daq.store import Store

    who, why = "demo", "the virtual bench starts anew"
    latch = TripLatch(latch_places(bench), bench.name)
    latch.start()
    latch.ready.wait(LATCH_WAIT_S)
    with Store(bench.store_folder) as store:
        # The latch may know of a trip of which the store knows nothing: the folder was removed meanwhile.
        if latch.state.trip is not None and latch.state.bench == bench.name:
            latch.clear(who, why)
        listed = store.logbook.trips.current()
        if listed is not None and _own_run(store, listed.run_id, bench.name):
            store.logbook.trips.clear(who, why)
    latch.close(LATCH_WAIT_S)


def _own_run(store: Store, run_id: str, bench: str) -> bool:
    try:
        return store.logbook.get_run(run_id).bench == bench
    except RunNotFound:
        return False


_INDENT = " " * 10


class _Guide:
    """Says what happens on the bench, as the page would, for whoever watches the terminal."""

    def __init__(self, url: str, *, open_page: bool, quiet: bool) -> None:
        self._url = url
        self._open_page = open_page
        self._quiet = quiet

    def follow(self, stop: threading.Event) -> None:
        """Poll the service until `stop`; print each change."""
        started = time.monotonic()
        before, explained = "", ""
        while not stop.wait(0.5):
            state = self._state()
            if state is None:
                continue
            if self._open_page:
                self._open_page = False
                webbrowser.open(self._url)
            words = "; ".join(state[part]["words"] for part in ("supply", "data", "alarms"))
            if state["trip"] is not None:
                words += f"; tripped: {state['trip']['detail']}"
            plain = re.sub(r"[-\d.]+ (A|s)\b", "", words)
            if plain != before and not self._quiet:
                before = plain
                print(f"{time.monotonic() - started:6.1f} s  {words}", flush=True)
            if state["guide"] and state["guide"] != explained and not self._quiet:
                explained = state["guide"]
                print(
                    textwrap.fill(explained, 96, initial_indent=_INDENT, subsequent_indent=_INDENT),
                    flush=True,
                )

    def _state(self) -> Any:
        try:
            with urllib.request.urlopen(f"{self._url}api/state", timeout=2) as answer:  # noqa: S310 - our own URL
                return json.load(answer)
        except (urllib.error.URLError, OSError, ValueError):
            return None


def _port(wanted: int) -> int:
    """`wanted`, or a free one where that is 0 or taken: a demo should not fail for want of a number."""
    import socket

    for port in (wanted, 0):
        with socket.socket() as probe:
            if sys.platform != "win32":
                probe.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
            try:
                probe.bind(("127.0.0.1", port))
            except OSError:
                continue
            return int(probe.getsockname()[1])
    raise LyewatchError("no port of this computer is free", place="demo", remedy="close some programs")


def _say_where(bench: Bench, bench_file: Path, url: str, *, as_json: bool) -> int:
    from daq.store import Store

    with Store(bench.store_folder) as store:
        runs = [r for r in store.logbook.list_runs(limit=10) if r.kind == "run"]
        if not runs:
            print("lyewatch: the demo recorded no run", file=sys.stderr)
            return 1
        record = max(runs, key=lambda r: r.start_utc_ns)
        last_ns = store.last_t_ns(record.id) or 0
        trips = [t.detail for t in store.logbook.trips.of(record.id)]
    if as_json:
        print_json(
            {
                "run": record.id,
                "bench": str(bench_file),
                "store": str(bench.store_folder),
                "url": url,
                "duration_s": last_ns / 1e9,
                "trips": trips,
            }
        )
        return 0
    print(f"\nrun {record.id}: {duration_words(last_ns / 1e9)} of bench time, kept in {bench.store_folder}")
    for words in trips:
        print(f"tripped: {words}")
    print(f"review it:    lyewatch review {record.id} --bench {bench_file}")
    print(f"as a page:    lyewatch review {record.id} --bench {bench_file} --html review.html")
    print(f"look again:   lyewatch serve {bench_file}")
    return 0
