"""The machine forms of the studies against their JSON Schemas, by the library jsonschema (draft 2020-12)."""

from __future__ import annotations

import json
from typing import Any

import numpy as np
import pytest
from jsonschema import Draft202012Validator

from daq.errors import UsageError
from daq.study.compare.comparison import compare_groups, group_runs
from daq.study.compare.planning import plan
from daq.study.compare.result import as_dict as compare_dict
from daq.study.leak.evaluate import leak_test, run_conditions, stated_conditions
from daq.study.polarisation.curves import polarise, swept_blocks
from daq.study.review import review
from daq.study.review.card import card_dict
from daq.study.schemas import NAMES, schema_of
from tests.study.made_pairs import made_run
from tests.study.made_run import torch, workshop_run
from tests.watch.workshop import bench as any_bench


def check(name: str, body: Any) -> None:
    text = json.dumps(body, allow_nan=False)
    errors = list(Draft202012Validator(schema_of(name)).iter_errors(json.loads(text)))
    assert not errors, [f"{list(e.absolute_path)}: {e.message}" for e in errors[:5]]


@pytest.mark.parametrize("name", NAMES)
def test_each_is_a_schema_with_a_version(name: str) -> None:
    schema = schema_of(name)
    Draft202012Validator.check_schema(schema)
    assert schema["properties"]["schema"]["const"] == f"lyewatch.{name}/1"
    assert "schema" in schema["required"]
    assert not Draft202012Validator(schema).is_valid({"schema": f"lyewatch.{name}/2"})


def test_reviews_and_cards_keep_to_theirs() -> None:
    for made in (review(torch(), workshop_run()), review(torch(), [])):
        check("review", made.as_dict())
        check("card", card_dict(made))
    broken = review(torch(), []).as_dict()
    del broken["totals"]["energy_wh"]["unit"]
    with pytest.raises(AssertionError, match="unit"):
        check("review", broken)


def test_comparisons_and_plans_keep_to_theirs() -> None:
    rng = np.random.default_rng(8)
    runs = [made_run(rng, build=b, gas=g) for b, g in (("A", 1.0), ("B", 1.03), ("B", 1.03), ("A", 1.0))]
    check("compare", compare_dict(compare_groups(group_runs(runs))))
    check("compare", compare_dict(compare_groups(group_runs(runs[:2]))))
    check("plan", plan(runs, 0.03).as_dict())
    check("plan", plan(runs[:1], 0.0001).as_dict())


def test_leaks_and_polarisations_keep_to_theirs() -> None:
    made = any_bench(supply={"volts_set": 13.2, "amps_set": 12.0})
    check("leak", leak_test(made, stated_conditions(made)).as_dict())
    found = run_conditions(torch(), workshop_run())
    assert found is not None
    check("leak", leak_test(torch(), found[0], deficit=found[1], ramp_blocks=workshop_run()).as_dict())
    check("polarisation", polarise([swept_blocks(torch(), workshop_run())]).as_dict())


def test_another_name_is_refused() -> None:
    with pytest.raises(UsageError, match="no study"):
        schema_of("weather")
