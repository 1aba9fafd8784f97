"""How studies are shown: text, HTML parts, charts and the JSON Schemas."""

from daq.study.render.charts import Line, Mark, Panel, Span, draw
from daq.study.render.html import cautions, page, table
from daq.study.render.pictures import (
    FIRST,
    FIRST_PALE,
    INK,
    PALE,
    QUIET,
    SECOND,
    SECOND_PALE,
    figure,
    rendered,
    styled,
)
from daq.study.render.schemas import schema_of
from daq.study.render.text import clock_words, date_words, duration_words, number_words

__all__ = [
    "FIRST",
    "FIRST_PALE",
    "INK",
    "PALE",
    "QUIET",
    "SECOND",
    "SECOND_PALE",
    "Line",
    "Mark",
    "Panel",
    "Span",
    "cautions",
    "clock_words",
    "date_words",
    "draw",
    "duration_words",
    "figure",
    "number_words",
    "page",
    "rendered",
    "schema_of",
    "styled",
    "table",
]
