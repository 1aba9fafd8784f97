"""What is done with a run afterwards: review, report, export, import."""

from daq.study.report import html_report
from daq.study.review import SCHEMA, Review, review
from daq.study.summary import summary_text

__all__ = ["SCHEMA", "Review", "html_report", "review", "summary_text"]
