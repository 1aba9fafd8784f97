"""Documents as text for a terminal."""

from __future__ import annotations

import re
from collections.abc import Sequence
from itertools import zip_longest
from textwrap import wrap

from daq.study.render.document import (
    CAUTIONS,
    Cautions,
    Cell,
    Document,
    Facts,
    Heading,
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

__all__ = ["as_text"]

COLUMN = 30
"""Where the values of facts begin."""
STEP = 2
WIDTH = 110


def as_text(document: Document) -> str:
    """The document as lines: headings in capitals, what belongs to one set in, an empty line after it.

    Of a table with two columns the headings are left out: it reads as facts. Pictures are left out, and
    sections of nothing else.
    """
    return "\n".join(line for part in document.parts for line in _part(part, 0)).rstrip()


def _part(part: Part, indent: int) -> list[str]:
    pad = " " * indent
    match part:
        case Title(text, facts, sentences):
            return [text, *([] if facts is None else _part(facts, STEP)), *sentences, ""]
        case Cautions():
            return [*(line for text in CAUTIONS for line in wrap(text, WIDTH)), ""]
        case Heading(text):
            return [pad + _heading(text)]
        case Paragraph(text):
            return [pad + _plain(text)] if text else []
        case Facts(facts):
            width = max([COLUMN - indent, *(len(label) + 2 for label, _ in facts)])
            return [f"{pad}{label:<{width}}{value}" for label, value in facts]
        case KeyFigures(label, figures):
            return [pad + _heading(label), *_part(Facts([(f.label, f.value) for f in figures]), STEP), ""]
        case Items(items, ordered):
            return [f"{pad}{i}. {text}" if ordered else pad + text for i, text in enumerate(items, 1)]
        case Section(heading, parts, note):
            inside = [line for p in parts for line in _part(p, indent + STEP)]
            if parts and not inside:
                return []
            lines = [pad + (heading if indent else _heading(heading)) + note, *inside]
            return lines if indent else [*lines, ""]
        case Table():
            return _table(part, indent)
        case Picture():
            return []


def _heading(text: str) -> str:
    """In capitals, unless it holds a name or a number with its unit: mA and MA are not the same."""
    return text if re.search(r"[0-9:±=]", text) else text.upper()


def _plain(text: Text) -> str:
    if isinstance(text, str):
        return text
    return "".join(p.text if isinstance(p, Strong) else "" if isinstance(p, Key) else p for p in text)


def _table(shown: Table, indent: int) -> list[str]:
    if not shown.rows:
        return []
    rows = [[_cell(c) for c in row] for row in shown.rows]
    if len(shown.headings) == 2:
        inside: Sequence[str] = _part(Facts([(a, b) for a, b in rows]), indent + STEP)
    else:
        grid = [list(shown.headings), *rows]
        widths = [max(map(len, column)) for column in zip_longest(*grid, fillvalue="")]
        pad = " " * (indent + STEP)
        inside = [
            (pad + "  ".join(f"{c:<{w}}" for c, w in zip(row, widths, strict=True))).rstrip() for row in grid
        ]
    lines = [" " * indent + (shown.caption if indent else _heading(shown.caption)), *inside]
    return lines if indent else [*lines, ""]


def _cell(cell: str | Cell) -> str:
    if isinstance(cell, str):
        return cell
    return f"{cell.text} ({cell.note})" if cell.note else cell.text
