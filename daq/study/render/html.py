"""Documents as self-contained pages: no script, no requests, made to print on A4 or Letter."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from html import escape
from importlib.resources import files

from daq.study.render.document import (
    CAUTIONS,
    Cautions,
    Cell,
    Document,
    Facts,
    Heading,
    Inline,
    Items,
    Key,
    KeyFigures,
    Paragraph,
    Part,
    Picture,
    Section,
    Strong,
    Table,
    Text,
    Title,
)
from daq.study.render.pictures import following
from daq.theme import style_sheet

__all__ = ["as_html"]

MOST_ROWS = 60


def as_html(document: Document) -> str:
    """The document as a page."""
    style = style_sheet() + files("daq.study").joinpath("report.css").read_text(encoding="utf-8")
    parts = [written for part in document.parts if (written := _part(part))]
    return (
        '<!doctype html>\n<html lang="en">\n<head>\n<meta charset="utf-8">\n'
        '<meta name="viewport" content="width=device-width, initial-scale=1">\n'
        f"<title>{escape(document.title)}</title>\n<style>\n{style}</style>\n</head>\n<body>\n<main>\n"
        + following("\n".join(parts))
        + "\n</main>\n</body>\n</html>\n"
    )


# -- parts -------------------------------------------------------------------------------------------------


def _part(part: Part, level: int = 2) -> str:
    match part:
        case Title(text, facts, sentences):
            listed = "" if facts is None else _part(facts)
            return f"<header><h1>{escape(text)}</h1>{listed}{_paragraphs(sentences)}</header>"
        case Cautions():
            return f'<aside class="cautions" aria-label="Cautions">{_paragraphs(CAUTIONS)}</aside>'
        case Heading(text):
            return f"<h{level}>{escape(text)}</h{level}>"
        case Paragraph(text):
            return f"<p>{_inline(text)}</p>" if text else ""
        case Facts(facts):
            listed = "".join(f"<div><dt>{escape(k)}</dt><dd>{escape(v)}</dd></div>" for k, v in facts)
            return f'<dl class="facts">{listed}</dl>'
        case Items(items, ordered):
            kind = "ol" if ordered else "ul"
            listed = "".join(f"<li>{escape(text)}</li>" for text in items)
            return f"<{kind}>{listed}</{kind}>" if listed else ""
        case Picture(svg, caption, style, narrow):
            beneath = f"<figcaption>{_inline(caption)}</figcaption>" if caption else ""
            drawn = _drawn(svg)
            if narrow is not None:
                drawn = f'<div class="wide">{drawn}</div><div class="narrow">{_drawn(narrow)}</div>'
            elif style == "picture" or 'class="trends"' in drawn:
                drawn = _scrolled(drawn, "Picture, wider than a small screen")
            return f"<figure{_class(style)}>{drawn}{beneath}</figure>"
        case Section(heading, parts, note, style):
            inside = f"<h{level}>{escape(heading + note)}</h{level}>" + "".join(
                _part(p, level + 1) for p in parts
            )
            return f"<section{_class(style)}>{inside}</section>" if level == 2 else inside
        case KeyFigures():
            return _key_figures(part)
        case Table():
            return _table(part)


def _class(style: str) -> str:
    return f' class="{style}"' if style else ""


def _paragraphs(texts: Sequence[str]) -> str:
    return "".join(f"<p>{escape(text)}</p>" for text in texts)


def _inline(text: Text) -> str:
    def one(part: Inline) -> str:
        match part:
            case Strong(words):
                return f"<strong>{escape(words)}</strong>"
            case Key(style):
                return f'<span class="key {style}"></span>'
            case _:
                return escape(part)

    return escape(text) if isinstance(text, str) else "".join(one(part) for part in text)


def _key_figures(shown: KeyFigures) -> str:
    cards = "".join(
        f'<div class="card {f.style}"><span class="label">{escape(f.label)}</span>'
        f'<span class="value">{escape(f.value)}</span></div>'
        for f in shown.figures
    )
    return f'<section class="cards" aria-label="{escape(shown.label)}">{cards}</section>'


def _table(shown: Table) -> str:
    """Column and row headings carry their scope; what stands to the right is marked by a class."""
    if not shown.rows:
        return ""
    n = len(shown.headings)
    aligned = ["n" if i >= n - shown.numeric else "" for i in range(n)]
    head = "".join(
        f'<th scope="col"{_class(a)}>{escape(h)}</th>' for h, a in zip(shown.headings, aligned, strict=True)
    )
    lines = []
    for row in shown.rows[:MOST_ROWS]:
        cells = "".join(_cell(c, a) for c, a in zip(row[1:], aligned[1:], strict=True))
        lines.append(f'<tr><th scope="row">{_inline_cell(row[0])}</th>{cells}</tr>')
    body = f"<thead><tr>{head}</tr></thead><tbody>{''.join(lines)}</tbody></table>"
    if shown.style:
        captioned = f"<table{_class(shown.style)}><caption>{escape(shown.caption)}</caption>{body}"
        return _scrolled(captioned, shown.caption)
    left_out = len(shown.rows) - MOST_ROWS
    more = f"<p>… and {left_out} more; the JSON form has all.</p>" if left_out > 0 else ""
    listed = _scrolled(f"<table>{body}", shown.caption)
    return f"<section><h2>{escape(shown.caption)}</h2>{listed}{more}</section>"


def _drawn(svg: str | Callable[[], bytes]) -> str:
    return svg if isinstance(svg, str) else svg().decode("utf-8")


def _scrolled(wide: str, name: str) -> str:
    """What may be wider than a phone: it scrolls within its own box, by keys too, and the page never does."""
    return f'<div class="scroll" tabindex="0" role="group" aria-label="{escape(name)}">{wide}</div>'


def _cell(cell: str | Cell, align: str) -> str:
    style = cell.style if isinstance(cell, Cell) else ""
    return f"<td{_class(style or align)}>{_inline_cell(cell)}</td>"


def _inline_cell(cell: str | Cell) -> str:
    if isinstance(cell, str):
        return escape(cell)
    return escape(cell.text) + (f"<small>{escape(cell.note)}</small>" if cell.note else "")
