"""Score the watch on benches of the generator: ``python -m tests.plants --first 0 --n 200``."""

from __future__ import annotations

import argparse
from collections.abc import Callable, Iterator

from tests.plants.draw import STRUCTURE, draw, earlier
from tests.plants.peers import PEERS
from tests.plants.score import Mark, by_margin, by_structure, mark, table
from tests.plants.seeds import HELD_BACK, TUNING
from tests.plants.simulate import Course, courses, played
from tests.plants.watched import Heard, listen

_AT_ONCE = 60


def _chosen(args: argparse.Namespace) -> list[int]:
    last = len(TUNING) if not args.held_back else HELD_BACK.stop
    first = HELD_BACK.start + args.first if args.held_back else args.first
    seeds = list(range(first, min(first + args.n, last)))
    for wanted, keep in ((args.only, True), (args.without, False)):
        for choice in wanted or []:
            name, kind = choice.split("=")
            if kind not in STRUCTURE.get(name, {}):
                raise SystemExit(f"{choice}: one of {', '.join(STRUCTURE)} = one of its kinds")
            seeds = [s for s in seeds if (draw(s).structure[name] == kind) == keep]
    return seeds


def _runs(seeds: list[int]) -> Iterator[Course]:
    for k in range(0, len(seeds), _AT_ONCE):
        yield from courses(seeds[k : k + _AT_ONCE])


def main() -> None:
    """Parse, run, print."""
    parser = argparse.ArgumentParser(prog="python -m tests.plants", description=__doc__)
    parser.add_argument("--first", type=int, default=0)
    parser.add_argument("--n", type=int, default=60)
    parser.add_argument("--held-back", action="store_true", help="of the seeds that nothing was chosen on")
    parser.add_argument("--only", nargs="*", metavar="NAME=KIND", help="benches with this structure")
    parser.add_argument("--without", nargs="*", metavar="NAME=KIND", help="benches without this structure")
    parser.add_argument("--peers", action="store_true")
    parser.add_argument("--pairs", action="store_true", help="also as the second run of its bench")
    parser.add_argument("--structure", action="store_true", help="a line for each choice of structure")
    args = parser.parse_args()
    rules: dict[str, Callable[[Course], Heard]] = {"watch": listen, **(PEERS if args.peers else {})}
    marks: dict[str, list[Mark]] = {name: [] for name in rules}
    if args.pairs:
        marks["watch, second run"] = []
    for k, course in enumerate(_runs(_chosen(args))):
        if k and k % _AT_ONCE == 0:
            # What has been reached stands, should the rest never come.
            for name, some in marks.items():
                print(table(f"{name} so far", some, short=not name.startswith("watch")), flush=True)
        for name, rule in rules.items():
            marks[name].append(mark(course, rule(course)))
        if args.pairs:
            taught = listen(played([earlier(course.bench)])[0]).experience
            prior = None if taught is None else taught.widened("one")
            marks["watch, second run"].append(mark(course, listen(course, prior)))
    for name, some in marks.items():
        print(table(name, some, short=not name.startswith("watch")))
    print(by_margin(marks["watch"]))
    if args.structure:
        print(by_structure(marks["watch"]))


if __name__ == "__main__":
    main()
