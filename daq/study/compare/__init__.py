"""Comparison of builds at matched conditions, and the plan for one."""

from daq.study.compare.against import AgainstRun, against_run
from daq.study.compare.comparison import Comparison, compare_groups, group_runs
from daq.study.compare.days import days_of, stated_days
from daq.study.compare.document import comparison_document
from daq.study.compare.looks import with_looks
from daq.study.compare.picture import comparison_picture
from daq.study.compare.planning import Plan, plan
from daq.study.compare.planning_document import plan_document, plan_picture
from daq.study.compare.result import ComparisonResult, as_dict
from daq.study.compare.run_blocks import block_seconds, fingerprint, read_run, recorded_seconds

__all__ = [
    "AgainstRun",
    "Comparison",
    "ComparisonResult",
    "Plan",
    "against_run",
    "as_dict",
    "block_seconds",
    "compare_groups",
    "comparison_document",
    "comparison_picture",
    "days_of",
    "fingerprint",
    "group_runs",
    "plan",
    "plan_document",
    "plan_picture",
    "read_run",
    "recorded_seconds",
    "stated_days",
    "with_looks",
]
