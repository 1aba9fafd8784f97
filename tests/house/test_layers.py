"""A room stands only above what it imports; and what runs on Windows uses nothing that only POSIX has."""

from __future__ import annotations

import ast
from collections.abc import Iterator
from pathlib import Path

from tests.house.source_files import PACKAGE, ROOT, imports_of, modules, tree_of

ROOMS = (
    "cli",
    "fleet",
    "service",
    "study.schemas",
    "study.polarisation",
    "study.review",
    "study.compare",
    "study.leak",
    "study.fill",
    "study.tables",
    "study.calibration",
    "study.render",
    "study.runs",
    "study",
    "reader",
    "watch",
    "alarms",
    "forecast",
    "stats",
    "measure",
    "sources",
    "broker",
    "store",
    "stillness",
    "bench",
    "physics",
    "quantity",
    "frame",
    "utc",
    "theme",
    "errors",
)
"""From top to bottom."""

DATA = "examples"
"""Files only: imports nothing, may be imported by all."""

WEB = ("fastapi", "starlette", "uvicorn", "httpx", "http", "urllib.request")
STORES = ("sqlite3", "apsw", "pyarrow", "daq.store")
APART = {
    # A reader that knew the watch could be stopped by it; it must go on when everything else is down.
    "reader": (*WEB, "daq.watch", "daq.alarms", "daq.forecast", "daq.measure"),
    **{room: (*WEB, "daq.reader") for room in ROOMS if room.startswith("study")},
    **dict.fromkeys(
        ("watch", "alarms", "forecast", "stats", "measure"), (*WEB, *STORES, "serial", "daq.sources")
    ),
    "store": ("fastapi", "starlette", "uvicorn", "serial"),
    "physics": (*WEB, *STORES, "serial", "pydantic"),
    "quantity": (*WEB, *STORES, "serial", "pydantic"),
}
"""What a room may not know, even where the order would allow it."""

WITH_A_FACE = (
    "store",
    "watch",
    "alarms",
    "forecast",
    "stats",
    "measure",
    *(r for r in ROOMS if r.startswith("study.")),
)
"""Rooms that others import from as a whole, never from one of their modules."""

POSIX_MODULES = {"pty", "tty", "termios", "fcntl", "resource", "grp", "pwd", "posix", "syslog", "readline"}
POSIX_NAMES = {
    "signal": "SIGKILL SIGHUP SIGQUIT SIGUSR1 SIGUSR2 SIGALRM SIGCHLD alarm setitimer pthread_sigmask",
    "os": "fork forkpty openpty ttyname getuid geteuid getgid setsid killpg getpgid mkfifo mknod "
    "chown statvfs sched_setaffinity sched_getaffinity nice getloadavg uname posix_fallocate wait4 WNOHANG",
    "time": "CLOCK_MONOTONIC CLOCK_REALTIME CLOCK_BOOTTIME clock_gettime clock_gettime_ns tzset",
    "socket": "AF_UNIX SO_REUSEPORT",
}
POSIX_FULL_NAMES = {f"{module}.{name}" for module, names in POSIX_NAMES.items() for name in names.split()}
POSIX_ROOM = PACKAGE / "sources" / "virtual_bench"


def room_of(path: Path) -> str:
    """The room a file of the package belongs to; empty for the package's own files."""
    return room_named(".".join(path.relative_to(PACKAGE).with_suffix("").parts))


def room_named(name: str) -> str:
    """The room of a module named below the package: a study's own room, else the first part of the name."""
    parts = name.removesuffix(".__init__").split(".")
    study = ".".join(parts[:2])
    room = study if study in ROOMS else parts[0]
    return "" if room.startswith("__") else room


def imports_of_rooms() -> Iterator[tuple[str, str, str]]:
    """Room, what it imports, and a sentence saying where."""
    for path in modules():
        for module, line in imports_of(path):
            yield room_of(path), module, f"{path.relative_to(ROOT)}:{line} imports {module}"


def posix_uses(path: Path) -> Iterator[str]:
    """Where a file imports or names what only POSIX has."""
    place = path.relative_to(ROOT) if ROOT in path.parents else path.name
    for module, line in imports_of(path):
        if module.split(".")[0] in POSIX_MODULES or module in POSIX_FULL_NAMES:
            yield f"{place}:{line} imports {module}"
    for node in ast.walk(tree_of(path)):
        if isinstance(node, ast.Attribute) and isinstance(node.value, ast.Name):
            name = f"{node.value.id}.{node.attr}"
            if name in POSIX_FULL_NAMES:
                yield f"{place}:{node.lineno} uses {name}"


def test_every_room_is_known() -> None:
    found = {room_of(path) for path in modules()} - {""}
    assert found - {DATA} <= set(ROOMS), "a new room needs its place in the order"


def test_rooms_import_only_what_lies_below() -> None:
    wrong = []
    for room, module, line in imports_of_rooms():
        if module.startswith("daq.") and room:
            other = room_named(module.removeprefix("daq."))
            below = ROOMS[ROOMS.index(room) :] if room in ROOMS else ()
            if other not in {room, DATA, "__version__", *below}:
                wrong.append(line)
    assert wrong == []


def test_rooms_know_nothing_of_what_they_are_kept_apart_from() -> None:
    wrong = [
        line
        for room, module, line in imports_of_rooms()
        if any(module == name or module.startswith(f"{name}.") for name in APART.get(room, ()))
    ]
    assert wrong == []


def test_no_import_goes_round_the_face_of_a_room() -> None:
    files = {".".join(path.relative_to(PACKAGE).with_suffix("").parts) for path in modules()}
    wrong = []
    for room, module, line in imports_of_rooms():
        name = module.removeprefix("daq.")
        other = room_named(name)
        if other in WITH_A_FACE and other != room and name.startswith(f"{other}.") and name in files:
            wrong.append(line)
    assert wrong == []


def test_the_package_itself_imports_no_room() -> None:
    assert [name for name, _ in imports_of(PACKAGE / "__init__.py") if name.startswith("daq.")] == []


def test_only_the_virtual_bench_uses_what_windows_lacks() -> None:
    everywhere = [path for path in modules() if POSIX_ROOM not in path.parents]
    assert [use for path in everywhere for use in posix_uses(path)] == []


def test_the_walk_sees_what_it_is_for(tmp_path: Path) -> None:
    file = tmp_path / "sample.py"
    file.write_text(
        "def f():\n    import pty\n    from daq.store import Store\n    os.fork()\n", encoding="utf-8"
    )
    assert list(imports_of(file)) == [("pty", 2), ("daq.store", 3), ("daq.store.Store", 3)]
    assert list(posix_uses(file)) == ["sample.py:2 imports pty", "sample.py:4 uses os.fork"]
