"""What a run came to, in a few numbers for a list of many runs."""

from __future__ import annotations

from pathlib import Path
from typing import Any, Final

from daq.store import Store
from daq.study.render import as_json
from daq.study.review.recorded import review_run

__all__ = ["run_result"]

RESULTS: Final = (
    "mmw_dry_ref",
    "mmw_as_read",
    "flow_dry_ref_lpm",
    "faradaic_efficiency",
    "energy_efficiency_hhv",
    "watt_hours_per_litre",
)


def run_result(folder: Path, run_id: str) -> dict[str, Any]:
    """A run's headline and its findings, as JSON can say them.

    Parameters
    ----------
    folder : Path
        The store's.
    run_id : str

    Returns
    -------
    dict
        `phase` and `duration_s` over which `numbers` hold (None and empty where the stack was never powered
        and undisturbed), `reference` for dry gas, `findings` in words.

    Raises
    ------
    RunNotFound
    """
    with Store(folder) as store:
        result = review_run(store, store.logbook.get_run(run_id), forecasts=False).review.result
    head = result.headline
    return {
        "phase": None if head is None else head.phase,
        "duration_s": None if head is None else head.duration_s,
        "reference": result.reference,
        "numbers": {} if head is None else {key: as_json(head.numbers[key]) for key in RESULTS},
        "findings": [finding.text for finding in result.findings],
    }
