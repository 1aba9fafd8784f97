"""A document of results, said once and written as text for a terminal or as a page.

A study says what it found as parts, in order: headings, paragraphs, facts, tables, pictures, lists. What is
said is plain text; the writers (`daq.study.render.text`, `daq.study.render.html`) lay it out, escape it and
give it the meaning that assistive technology reads. The third form, JSON, is not written from a document: it
comes from the typed results themselves (`daq.study.render.models`).
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

__all__ = [
    "CAUTIONS",
    "Cautions",
    "Cell",
    "Document",
    "Facts",
    "Heading",
    "Inline",
    "Items",
    "Key",
    "KeyFigure",
    "KeyFigures",
    "Paragraph",
    "Part",
    "Picture",
    "Section",
    "Strong",
    "Table",
    "Text",
    "Title",
]

CAUTIONS = (
    (
        "The gas is hydrogen and oxygen already mixed and can detonate; lye burns skin and blinds; supplies "
        "start fires. These numbers are no permission to run a stack unattended, and software is never its "
        "only protection."
    ),
    "Nothing here claims that fuel is saved. Local codes, and licensed people for mains and gas, come first.",
)


@dataclass(frozen=True, slots=True)
class Strong:
    """Words that weigh more than those about them."""

    text: str


@dataclass(frozen=True, slots=True)
class Key:
    """A swatch in the colour of what a picture shows, by its class of the style sheet."""

    style: str


Inline = str | Strong | Key
Text = str | Sequence[Inline]
"""What a sentence is made of: words, some of them strong, and keys of a picture."""


@dataclass(frozen=True, slots=True)
class Heading:
    """A heading of what follows, where that is no section of its own."""

    text: str


@dataclass(frozen=True, slots=True)
class Paragraph:
    """One or several sentences."""

    text: Text


@dataclass(frozen=True, slots=True)
class Facts:
    """What is so, each with its label: a quantity with its uncertainty and unit, a date, a name."""

    facts: Sequence[tuple[str, str]]


@dataclass(frozen=True, slots=True)
class KeyFigure:
    """A fact that is shown large; `style` is a class of the style sheet, "abnormal" or empty."""

    label: str
    value: str
    style: str = ""


@dataclass(frozen=True, slots=True)
class KeyFigures:
    """The facts to look at first."""

    label: str
    figures: Sequence[KeyFigure]


@dataclass(frozen=True, slots=True)
class Cell:
    """A table's cell with a smaller note beneath, on a ground of its own (`style`)."""

    text: str = ""
    note: str = ""
    style: str = ""


@dataclass(frozen=True, slots=True)
class Table:
    """Rows under headings; without a row it is left out.

    Attributes
    ----------
    headings : sequence of str
        As many as each row has cells.
    rows : sequence of sequence of (str or Cell)
        The first cell heads its row.
    caption : str
        What the table is of.
    numeric : int
        So many columns, from the last on, are numbers and stand to the right.
    style : str
        A class of the style sheet. A table with one belongs to the section about it and makes no section of
        its own.
    """

    headings: Sequence[str]
    rows: Sequence[Sequence[str | Cell]]
    caption: str
    numeric: int = 0
    style: str = ""


@dataclass(frozen=True, slots=True)
class Items:
    """A list, numbered where the order matters."""

    items: Sequence[str]
    ordered: bool = False


@dataclass(frozen=True, slots=True)
class Picture:
    """A drawing as an SVG element, which describes itself to those who can not see it, and its caption.

    What takes long to draw is given as the function that draws it: a terminal shows no pictures.
    """

    svg: str | Callable[[], bytes]
    caption: Text = ""
    style: str = ""
    narrow: Callable[[], bytes] | None = None
    """The same for a phone, where its words would be too small in the other."""


@dataclass(frozen=True, slots=True)
class Cautions:
    """What must stand beside every result."""


@dataclass(frozen=True, slots=True)
class Section:
    """Parts under a heading; a section in a section is of the next lower order.

    `note` goes with the heading and is never shouted; `style` is a class of the style sheet.
    """

    heading: str
    parts: Sequence[Part] = ()
    note: str = ""
    style: str = ""


@dataclass(frozen=True, slots=True)
class Title:
    """The head of a document: what it is, facts about it, and what is to be said of it first."""

    text: str
    facts: Facts | None = None
    sentences: Sequence[str] = ()


Part = Title | Cautions | KeyFigures | Section | Heading | Paragraph | Facts | Table | Items | Picture


@dataclass(frozen=True, slots=True)
class Document:
    """A whole document: its title, for a page's tab, and its parts in order."""

    title: str
    parts: Sequence[Part]
