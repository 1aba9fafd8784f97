"""What several commands share: arguments, signals, tables, JSON."""

from __future__ import annotations

import argparse
import math
import re
import signal
import sys
import threading
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from datetime import UTC, datetime
from pathlib import Path
from types import FrameType
from typing import TYPE_CHECKING, Any

import orjson

from daq.bench import load_bench
from daq.errors import RunNotFound, UsageError
from daq.store import RunRecord, Store

if TYPE_CHECKING:
    from rich.progress import Progress

    from daq.study.render import Document

__all__ = [
    "STOP_LINE",
    "StopEvent",
    "bench_argument",
    "find_run",
    "form_options",
    "json_option",
    "open_store",
    "picture_file",
    "port_number",
    "print_json",
    "print_table",
    "progress",
    "seconds",
    "share",
    "show_result",
    "stop_event",
    "store_options",
    "utc_day",
    "write_file",
]

DEFAULT_FOLDER = "lyewatch-data"
LAST_PORT = 65_535
STOP_LINE = b"stop\n"
"""What a parent writes to the standard input of a command that is to end."""


def bench_argument(parser: argparse.ArgumentParser) -> None:
    """Add the positional argument BENCH."""
    parser.add_argument("bench", metavar="BENCH", type=Path, help="the bench file (TOML)")


def json_option(parser: argparse.ArgumentParser) -> None:
    """Add --json."""
    parser.add_argument("--json", action="store_true", help="print the result as JSON")


def store_options(parser: argparse.ArgumentParser) -> None:
    """Add --bench and --store, either of which says where the runs are."""
    group = parser.add_mutually_exclusive_group()
    group.add_argument("--bench", metavar="FILE", type=Path, help="the bench file whose store is meant")
    group.add_argument(
        "--store", metavar="DIR", type=Path, help=f"the store's folder (default: {DEFAULT_FOLDER})"
    )


def open_store(args: argparse.Namespace) -> Store:
    """The store that the arguments name, for reading.

    Raises
    ------
    UsageError
        When there is no store there.
    """
    folder = load_bench(args.bench).store_folder if args.bench else (args.store or Path(DEFAULT_FOLDER))
    if not any((folder / name).is_file() for name in ("logbook.db", "journal.db")):
        raise UsageError(
            "holds no runs", place=str(folder), remedy="name the store with --store DIR or --bench FILE"
        )
    return Store(folder)


def find_run(store: Store, wanted: str) -> RunRecord:
    """The run whose id, unique beginning of an id, or name is `wanted`; "latest" is the newest.

    Raises
    ------
    RunNotFound
        Saying which runs there are.
    """
    records = [r for r in store.logbook.list_runs(limit=100_000) if r.kind != "standby"]
    # An import of before version 6 of the logbook that died on the way left a run without samples.
    whole = [r for r in records if r.kind != "import" or r.ended_ns is not None]
    if wanted == "latest" and whole:
        return max(whole, key=lambda r: r.start_utc_ns)
    for matches in (
        [r for r in records if r.id == wanted],
        [r for r in records if r.id.startswith(wanted)],
        [r for r in records if r.name == wanted],
    ):
        if len(matches) == 1:
            return matches[0]
        if matches:
            ids = ", ".join(r.id for r in matches[:6])
            raise RunNotFound("names several runs", place=wanted, remedy=f"write one of their ids: {ids}")
    newest = ", ".join(r.id for r in sorted(records, key=lambda r: -r.start_utc_ns)[:4]) or "none"
    raise RunNotFound("no such run", place=wanted, remedy=f"`lyewatch runs` lists them; the newest: {newest}")


def print_json(value: Any) -> None:
    """Print `value` as JSON; NaN and infinity become null, which JSON has."""
    options = orjson.OPT_INDENT_2 | orjson.OPT_NON_STR_KEYS | orjson.OPT_SERIALIZE_NUMPY
    sys.stdout.write(orjson.dumps(value, option=options).decode() + "\n")


def print_table(headings: Sequence[str], rows: Sequence[Sequence[str]]) -> None:
    """Print rows under headings, without cutting anything when the output is not a terminal."""
    # Imported here: a reader that is started again prints no table, and must guard soon.
    from rich.console import Console
    from rich.table import Table

    console = Console() if sys.stdout.isatty() else Console(width=240)
    table = Table(box=None, pad_edge=False, header_style="bold")
    for heading in headings:
        table.add_column(heading, overflow="fold")
    for row in rows:
        table.add_row(*row)
    console.print(table)


def progress() -> Progress:
    """A progress bar on stderr that leaves a finished command's output clean."""
    from rich.console import Console
    from rich.progress import BarColumn, Progress, TaskProgressColumn, TextColumn, TimeRemainingColumn

    return Progress(
        TextColumn("{task.description}"),
        BarColumn(),
        TaskProgressColumn(),
        TimeRemainingColumn(),
        console=Console(stderr=True),
        transient=True,
    )


_SPAN = re.compile(r"^(?P<number>\d+(?:\.\d+)?)\s*(?P<unit>ms|s|min|m|h)?$")


def seconds(text: str) -> float:
    """An argument such as ``30s``, ``5min`` or ``2h``, in seconds."""
    match = _SPAN.match(text.strip().lower())
    if match is None:
        raise argparse.ArgumentTypeError(f"{text!r} is no span of time: write 30s, 5min or 2h")
    return (
        float(match["number"])
        * {"ms": 1e-3, "s": 1.0, None: 1.0, "m": 60.0, "min": 60.0, "h": 3600.0}[match["unit"]]
    )


def port_number(text: str) -> int:
    """An argument such as ``8737``: a TCP port to listen on; 0 takes a free one."""
    if not (text.isascii() and text.isdigit() and int(text) <= LAST_PORT):
        raise argparse.ArgumentTypeError(
            f"{text!r} is no port: write a number from 0 to {LAST_PORT}, as 8737; 0 takes a free one"
        )
    return int(text)


def picture_file(text: str) -> Path:
    """An argument such as ``card.png``: where a PNG picture goes."""
    path = Path(text)
    if path.suffix.lower() not in ("", ".png"):
        raise argparse.ArgumentTypeError(
            f"{text!r} ends in {path.suffix}, and the picture is a PNG: write {path.with_suffix('.png')}"
        )
    return path


def share(text: str) -> float:
    """An argument such as ``3%`` or ``0.03``, as a share [1]; above 0 and up to 1."""
    number = text.strip().removesuffix("%").strip()
    try:
        value = float(number) / (100.0 if text.strip().endswith("%") else 1.0)
    except ValueError:
        value = math.nan
    if not 0.0 < value <= 1.0:
        raise argparse.ArgumentTypeError(f"{text!r} is no share above 0 and up to 1: write 3% or 0.03")
    return value


def write_file(path: Path, data: bytes) -> None:
    """Write a result where the user wants it.

    Raises
    ------
    UsageError
        When it can not be written there.
    """
    try:
        path.write_bytes(data)
    except OSError as exc:
        raise UsageError(
            f"can not be written: {exc.strerror or exc}", place=str(path), remedy="choose another place"
        ) from None


def form_options(parser: argparse.ArgumentParser, picture: str = "the picture") -> None:
    """Options of a command that writes its result as a page and as a picture too."""
    parser.add_argument("--html", metavar="FILE", type=Path, help="also write a self-contained page")
    parser.add_argument("--png", metavar="FILE", type=picture_file, help=f"also write {picture}")


def show_result(
    args: argparse.Namespace,
    shown: Document,
    machine_form: Callable[[], Any],
    pictures: Sequence[Callable[[], bytes]],
) -> None:
    """Write what of a result was asked for, and print it.

    Parameters
    ----------
    args : argparse.Namespace
        With the options of `form_options` and `json_option`.
    shown : Document
    machine_form : callable
        What JSON has of it.
    pictures : sequence of callable
        As PNG; the second is written to ``c-2.png`` where ``c.png`` was asked for.
    """
    from daq.study.render import as_html, as_text

    written = []
    if args.html:
        write_file(args.html, as_html(shown).encode("utf-8"))
        written.append(f"page written: {args.html}")
    for number, picture in enumerate(pictures if args.png else (), start=1):
        file = args.png if number == 1 else args.png.with_stem(f"{args.png.stem}-{number}")
        write_file(file, picture())
        written.append(f"picture written: {file}")
    if args.json:
        print_json(machine_form())
    else:
        print("\n\n".join([as_text(shown), *written]))


def utc_day(text: str) -> int:
    """An argument such as ``2025-03-04``: when that day began, UTC [ns]."""
    try:
        day = datetime.strptime(text, "%Y-%m-%d").replace(tzinfo=UTC)
    except ValueError:
        raise argparse.ArgumentTypeError(f"{text!r} is no date: write it as 2025-03-04") from None
    return int(day.timestamp()) * 1_000_000_000


class StopEvent(threading.Event):
    """Set when the command is to end.

    Attributes
    ----------
    parent_died : bool
        Standard input ended without the word that asks for a stop: whoever started this command was killed,
        and did not mean it to end what it was doing.
    """

    def __init__(self) -> None:
        super().__init__()
        self.parent_died = False


@contextmanager
def stop_event(*, stdin_too: bool = False) -> Iterator[StopEvent]:
    """An event set by SIGINT, SIGTERM (and the console's break on Windows), and by standard input when
    asked.

    `lyewatch up` stops its children by the line `STOP_LINE` on their standard input, which works on every
    system. That input ends without it when `up` itself was killed; the event's `parent_died` says so.
    """
    event = StopEvent()

    def on_signal(_number: int, _frame: FrameType | None) -> None:
        event.set()

    names = [signal.SIGINT, signal.SIGTERM]
    if hasattr(signal, "SIGBREAK"):
        names.append(signal.SIGBREAK)
    before = {number: signal.signal(number, on_signal) for number in names}
    if stdin_too:
        threading.Thread(target=_follow_stdin, args=(event,), daemon=True, name="stdin").start()
    try:
        yield event
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)


def _follow_stdin(event: StopEvent) -> None:
    # Read the descriptor, not sys.stdin: a buffered reader blocked at exit makes the interpreter abort.
    import os

    received = b""
    try:
        while STOP_LINE not in received:
            more = os.read(0, 4096)
            if not more:
                break
            received = (received + more)[-4096:]
    except OSError:
        pass
    event.parent_died = STOP_LINE not in received and not event.is_set()
    event.set()
