"""A comparison as one self-contained page."""

from __future__ import annotations

from collections.abc import Sequence
from html import escape

from daq.store import LookRecord
from daq.study.compare.comparison import Comparison, Difference
from daq.study.compare.form import band_rows, band_words, basis, level_words
from daq.study.compare.picture import comparison_picture
from daq.study.compare.verdict import amount_words, span_words, verdict
from daq.study.render import cautions, date_words, page, table

__all__ = ["comparison_page"]


def comparison_page(comparisons: Sequence[Comparison]) -> str:
    """The page."""
    first = comparisons[0].first
    title = f"{first.name} compared with {', '.join(c.second.name for c in comparisons)}"
    parts = [f"<header><h1>{escape(title)}</h1></header>", cautions()]
    for c in comparisons:
        parts.append(f"<section><h2>{escape(c.second.name)} against {escape(c.first.name)}</h2>")
        parts.append(f"<p><strong>{escape(verdict(c).sentence)}</strong></p>")
        head = c.headline
        wide, narrow = (comparison_picture(c, "svg", narrow=n).decode("utf-8") for n in (False, True))
        both = f'<div class="wide">{wide}</div><div class="narrow">{narrow}</div>'
        parts.append(f'<figure class="picture">{both}</figure></section>')
        rows = [
            [d.metric.label, level_words(d, 0), level_words(d, 1), span_words(d), span_words(d, often=True)]
            for d in c.differences
            if d.known
        ]
        headings = [
            "Result",
            c.first.name,
            c.second.name,
            "Second less first, 95 %, one look",
            "95 %, any look",
        ]
        parts.append(table(headings, rows, "Differences", numeric=4))
        if c.lye.words:
            parts.append(f"<p>{escape(c.lye.words)}</p>")
        files = [[b.label, b.first, b.second, b.effect] for b in c.benches]
        headings = ["In the bench file", c.first.name, c.second.name, "What that does"]
        parts.append(table(headings, files, "The bench files differ"))
        looked = [
            [date_words(k.t_utc_ns), str(len(k.runs)), k.kind.replace("_", " "), _look_span(head, k)]
            for k in c.looks
        ]
        headings = ["Looked", "Runs", "Verdict then", "95 %, any look"]
        parts.append(table(headings, looked if len(looked) > 1 else [], "Looks at these builds", numeric=1))
        over = band_rows(head)
        if over:
            headings = [
                "Lye",
                c.first.name,
                c.second.name,
                "Second less first, 95 % at this temperature",
                "95 % at all together",
            ]
            parts.append(table(headings, over, f"{head.metric.label} over temperature", numeric=4))
        if head.known and band_words(head):
            parts.append(f"<p>{escape(band_words(head))}</p>")
        left_out = [[d.metric.label, d.reason] for d in c.differences if not d.known and d.reason]
        parts.append(table(["Result", "Why it is not compared"], left_out, "Not compared"))
    groups = [first, *(c.second for c in comparisons)]
    runs = [
        [g.name, r.run_id or "–", r.name or "–", date_words(r.start_utc_ns), f"{r.hours:.2f} h"]
        for g in groups
        for r in g.runs
    ]
    parts.append(table(["Build", "Run", "Name", "Started", "Compared"], runs, "Runs", numeric=1))
    said = "".join(f"<li>{escape(text)}</li>" for text in basis(comparisons))
    parts.append(f"<section><h2>What this rests on</h2><ul>{said}</ul></section>")
    return page(title, parts)


def _look_span(d: Difference, look: LookRecord) -> str:
    return "–" if look.low is None or look.high is None else amount_words(d.metric, look.low, look.high)
