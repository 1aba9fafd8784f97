"""A process that commits and seals until it is killed, and says on standard output what it has done.

`g SOURCE N` when sample N of a source has been made, `c SOURCE N` when it has been committed. Data time runs
by itself: 10 ms a sample, a commit every 80 ms of it, a full one every fifth, as a reader does by the clock.
"""

from __future__ import annotations

import argparse
import os
import time
from pathlib import Path

from daq.frame import Sample
from daq.store import Store
from daq.store.archive import sealing

STEP_NS = 10_000_000
COMMIT_EVERY = 8


def main() -> None:
    """Run until killed."""
    parser = argparse.ArgumentParser()
    parser.add_argument("folder", type=Path)
    parser.add_argument("--run", default="r")
    parser.add_argument("--seal-every", type=int, default=0, help="commits between seals, 0 for none")
    parser.add_argument("--apart", action="store_true", help="seal in a process of its own")
    parser.add_argument("--grace-ns", type=int, default=60_000_000_000)
    parser.add_argument("--fan", type=int, default=12)
    parser.add_argument("--mark-every", type=int, default=0, help="commits between marks in the logbook")
    args = parser.parse_args()
    sealing._GRACE_NS = args.grace_ns
    sealing._FAN = args.fan
    store = Store(args.folder, writer=True)
    blocks = store.read(args.run) if store.last_t_ns(args.run) is not None else {}
    following = {name: int(blocks[name].seq[-1]) + 1 if name in blocks else 0 for name in ("stack", "meter")}
    t_ns = (store.last_t_ns(args.run) or 0) + STEP_NS
    pending: list[tuple[str, Sample]] = []
    commits = 0
    while True:
        for source in following:
            n = following[source]
            pending.append(
                (args.run, Sample(source, t_ns, {"volts": n / 8, f"{source}_only": float(n)}, seq=n))
            )
            following[source] += 1
            os.write(1, f"g {source} {n}\n".encode())
        t_ns += STEP_NS
        if len(pending) < COMMIT_EVERY * len(following):
            continue
        commits += 1
        store.commit(pending, full=commits % 5 == 0)
        pending.clear()
        os.write(1, "".join(f"c {s} {n - 1}\n" for s, n in following.items()).encode())
        if args.seal_every and commits % args.seal_every == 0:
            if args.apart:
                store.seal_apart(args.run, all_rows=True)
            else:
                store.seal_here(args.run, up_to_id=None, close=False)
        if args.mark_every and commits % args.mark_every == 0:
            number = store.logbook.add_mark(args.run, t_ns, "note", f"commit {commits}", "child")
            os.write(1, f"m mark {number}\n".encode())
        time.sleep(0.0005)


if __name__ == "__main__":
    main()
