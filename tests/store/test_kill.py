"""kill -9 at random moments: nothing that was committed is lost, nothing is damaged, the run goes on."""

from __future__ import annotations

import random
import subprocess
import sys
import time
from contextlib import closing
from pathlib import Path

import apsw
import pytest

from daq.store import Store
from tests.store.writer_child import STEP_NS

CHILD = Path(__file__).with_name("writer_child.py")
LOST_AT_MOST_NS = 200_000_000

FLAGS = (
    ["--mark-every", "3"],
    ["--seal-every", "2", "--fan", "3"],
    ["--seal-every", "1", "--fan", "2", "--grace-ns", "0"],
    ["--seal-every", "15", "--fan", "3", "--apart", "--mark-every", "5"],
)


def killed_after(folder: Path, flags: list[str], seconds: float) -> dict[str, dict[str, int]]:
    """Run a writer, kill it `seconds` after its first words; the highest number of each kind it said."""
    child = subprocess.Popen(
        [sys.executable, str(CHILD), str(folder), *flags], stdout=subprocess.PIPE, stderr=subprocess.PIPE
    )
    assert child.stdout is not None
    first = child.stdout.readline()
    time.sleep(seconds)
    child.kill()
    output, complaints = child.communicate(timeout=60)
    assert child.returncode == -9, complaints.decode()
    last: dict[str, dict[str, int]] = {"g": {}, "c": {}, "m": {}}
    for line in (first + output).decode().splitlines(keepends=True):
        if line.endswith("\n"):
            kind, name, number = line.split()
            last[kind][name] = int(number)
    return last


@pytest.mark.timeout(400)  # each of fifty writers opens the store anew, on a machine that may be busy
def test_fifty_kills(tmp_path: Path) -> None:
    """One store, fifty writers in turn, each killed while it makes, commits, seals, merges or opens.

    A commit that was reported is there; what is missing of what was made is no more than 0.2 s of data time.
    """
    rng = random.Random(2)
    marks = 0
    for number in range(50):
        # Most deaths come early, when the store has just been opened and a dead one's leavings are cleaned.
        promised = killed_after(tmp_path, FLAGS[number % len(FLAGS)], rng.random() ** 2 * 0.25)
        with Store(tmp_path) as store:
            found = store.read("r") if store.last_t_ns("r") is not None else {}
            for source, made in promised["g"].items():
                seq = found[source].seq.tolist() if source in found else []
                assert seq == list(range(len(seq))), (number, source)
                assert len(seq) - 1 >= promised["c"].get(source, -1), (number, source)
                assert (made - (len(seq) - 1)) * STEP_NS <= LOST_AT_MOST_NS, (number, source)
                assert found == {} or bool((found[source].values["volts"] == found[source].seq / 8).all())
            # The logbook too: a mark whose number was given is there.
            marks = max(marks, promised["m"].get("mark", 0))
            assert len(store.logbook.list_marks("r")) >= marks
    for name in ("journal.db", "logbook.db"):
        with closing(apsw.Connection(str(tmp_path / name))) as other:
            assert other.execute("PRAGMA integrity_check").fetchall() == [("ok",)]
    with Store(tmp_path, writer=True) as store:
        before = {source: len(made) for source, made in store.read("r").items()}
        store.seal("r", all_rows=True)
        assert {source: len(made) for source, made in store.read("r").items()} == before
        assert min(before.values()) > 200
        with store.journal.db.reading() as con:
            (writing,) = con.execute("SELECT count(*) FROM strays WHERE why = 'sealing'").fetchone()
        assert writing == 0
