"""What pages of the study have in common: the shell, the cautions, tables."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from html import escape
from importlib.resources import files

__all__ = ["CAUTIONS", "cautions", "page", "table"]

CAUTIONS = (
    (
        "The gas is hydrogen and oxygen already mixed and can detonate; lye burns skin and blinds; supplies "
        "start fires. These numbers are no permission to run a stack unattended, and software is never its "
        "only protection."
    ),
    "Nothing here claims that fuel is saved. Local codes, and licensed people for mains and gas, come first.",
)
MOST_ROWS = 60


def page(title: str, parts: Iterable[str]) -> str:
    """A self-contained page, no script and no requests, made to print on A4 or Letter."""
    style = files("daq.study").joinpath("report.css").read_text(encoding="utf-8")
    return (
        '<!doctype html>\n<html lang="en">\n<head>\n<meta charset="utf-8">\n'
        '<meta name="viewport" content="width=device-width, initial-scale=1">\n'
        f"<title>{escape(title)}</title>\n<style>\n{style}</style>\n</head>\n<body>\n<main>\n"
        + "\n".join(p for p in parts if p)
        + "\n</main>\n</body>\n</html>\n"
    )


def cautions() -> str:
    """What must stand beside every result."""
    return (
        '<aside class="cautions" aria-label="Cautions">'
        + "".join(f"<p>{escape(c)}</p>" for c in CAUTIONS)
        + "</aside>"
    )


def table(headings: Sequence[str], rows: Sequence[Sequence[str]], caption: str, numeric: int = 0) -> str:
    """Rows under headings; the first column heads its row, the last `numeric` stand to the right."""
    if not rows:
        return ""
    n = len(headings)
    aligned = [' class="n"' if i >= n - numeric else "" for i in range(n)]
    head = "".join(f'<th scope="col"{a}>{escape(h)}</th>' for h, a in zip(headings, aligned, strict=True))
    lines = []
    for row in rows[:MOST_ROWS]:
        cells = "".join(f"<td{a}>{escape(c)}</td>" for c, a in zip(row[1:], aligned[1:], strict=True))
        lines.append(f'<tr><th scope="row">{escape(row[0])}</th>{cells}</tr>')
    more = (
        f"<p>… and {len(rows) - MOST_ROWS} more; the JSON form of the review has all.</p>"
        if len(rows) > MOST_ROWS
        else ""
    )
    return (
        f"<section><h2>{escape(caption)}</h2><table><thead><tr>{head}</tr></thead>"
        f"<tbody>{''.join(lines)}</tbody></table>{more}</section>"
    )
