"""The review of a run: totals, phases, heat balance, forecast verification, report and card."""

from daq.study.review.card import CardResult, card_dict, result_card
from daq.study.review.list_result import run_result
from daq.study.review.recorded import Recorded, review_run
from daq.study.review.report import html_report
from daq.study.review.run_review import SCHEMA, Review, ReviewResult, review
from daq.study.review.summary import summary_text

__all__ = [
    "SCHEMA",
    "CardResult",
    "Recorded",
    "Review",
    "ReviewResult",
    "card_dict",
    "html_report",
    "result_card",
    "review",
    "review_run",
    "run_result",
    "summary_text",
]
