"""What a sealing process runs: `python -m daq.store.archive.seal_now FOLDER RUN UP_TO CLOSE`."""

from __future__ import annotations

import sys
from pathlib import Path

import orjson

from daq.errors import LyewatchError
from daq.store.store import Store

__all__ = ["main"]


def main(arguments: list[str]) -> int:
    """Seal as the arguments say; 0 when done, 1 with the error as JSON on standard output when not."""
    folder, run_id, up_to_id, close = arguments
    try:
        with Store(Path(folder)) as store:
            store.seal_here(run_id, up_to_id=int(up_to_id), close=close == "1")
    except LyewatchError as exc:
        sys.stdout.write(orjson.dumps(exc.as_dict()).decode())
        return 1
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
