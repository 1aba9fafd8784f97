"""A few sequences of the model-based test; `make torture` runs many, new ones each time."""

from __future__ import annotations

import pytest

from tests.torture.model import run_model, tally


@pytest.mark.timeout(300)
def test_random_sequences_of_acts_and_faults() -> None:
    before = tally.steps, tally.bitten
    run_model(8, 25, same_each_time=True)
    assert tally.steps - before[0] > 50
    assert tally.bitten > before[1]
