"""Comparison of builds at matched conditions, and the plan for one."""

from daq.study.compare.against import against_run
from daq.study.compare.comparison import Comparison, compare_groups, group_runs
from daq.study.compare.days import days_of, stated_days
from daq.study.compare.form import as_dict, comparison_text
from daq.study.compare.looks import with_looks
from daq.study.compare.page import comparison_page
from daq.study.compare.picture import comparison_picture
from daq.study.compare.planning import Plan, plan, plan_text
from daq.study.compare.planning_page import plan_page, plan_picture
from daq.study.compare.run_blocks import block_seconds, fingerprint, read_run, recorded_seconds

__all__ = [
    "Comparison",
    "Plan",
    "against_run",
    "as_dict",
    "block_seconds",
    "compare_groups",
    "comparison_page",
    "comparison_picture",
    "comparison_text",
    "days_of",
    "fingerprint",
    "group_runs",
    "plan",
    "plan_page",
    "plan_picture",
    "plan_text",
    "read_run",
    "recorded_seconds",
    "stated_days",
    "with_looks",
]
