"""Documents as pages and as text: what is said is escaped, headed and read out as HTML asks for.

What a table, a list and a figure of HTML hold is as the HTML Living Standard has it (4.9 tables, 4.4.12 `dl`,
4.4.13 `figure`), and that headings of a table carry their scope as WCAG 2.2 asks for (technique H63).
"""

from __future__ import annotations

from html.parser import HTMLParser

import pytest

from daq.study.render import (
    CAUTIONS,
    Cautions,
    Cell,
    Document,
    Facts,
    Heading,
    Items,
    Key,
    KeyFigure,
    KeyFigures,
    Paragraph,
    Part,
    Picture,
    Section,
    Strong,
    Table,
    Title,
    as_html,
    as_text,
)

NASTY = """<script>"7" & '8'</script>"""
ROWS = [["Energy", "398.6 ± 6.3 Wh"], ["Gas, dry", "118 ± 4 L"]]


class _Read(HTMLParser):
    """The tags with their attributes, and the text in each."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.open: list[str] = []
        self.tags: list[tuple[str, dict[str, str | None]]] = []
        self.texts: list[tuple[str, str]] = []
        self.feed(text)
        assert not self.open, f"never closed: {self.open}"

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, dict(attrs)))
        if tag not in ("meta", "rect"):
            self.open.append(tag)

    def handle_endtag(self, tag: str) -> None:
        if tag != "rect":
            assert self.open.pop() == tag

    def handle_data(self, data: str) -> None:
        if self.open and data.strip():
            self.texts.append((self.open[-1], data))

    def of(self, tag: str) -> list[str]:
        return [text for where, text in self.texts if where == tag]


def html(*parts: Part) -> _Read:
    return _Read(as_html(Document("A run", parts)))


def text(*parts: Part) -> str:
    return as_text(Document("A run", parts))


@pytest.mark.parametrize(
    "part",
    [
        Title(NASTY, Facts([(NASTY, NASTY)]), [NASTY]),
        Heading(NASTY),
        Section(NASTY, [Section(NASTY)], note=NASTY),
        Paragraph([NASTY, Strong(NASTY)]),
        KeyFigures(NASTY, [KeyFigure(NASTY, NASTY)]),
        Table([NASTY, NASTY], [[NASTY, Cell(NASTY, NASTY)]], NASTY, style="map"),
        Table([NASTY, NASTY], [[NASTY, NASTY]], NASTY),
        Items([NASTY]),
        Picture("<svg></svg>", [NASTY]),
    ],
)
def test_what_is_said_is_never_taken_for_markup(part: Part) -> None:
    read = html(part)
    assert "script" not in {tag for tag, _ in read.tags}
    assert any(NASTY in words for _, words in read.texts)


def test_headings_of_rows_and_columns_carry_their_scope() -> None:
    read = html(Table(["Total", "Value"], ROWS, "Totals", numeric=1))
    assert [a for tag, a in read.tags if tag == "th"] == [
        {"scope": "col"},
        {"scope": "col", "class": "n"},
        {"scope": "row"},
        {"scope": "row"},
    ]
    assert read.of("h2") == ["Totals"]
    assert read.of("td") == [row[1] for row in ROWS]


def test_a_table_of_a_style_has_its_caption_and_cells_their_grounds_and_notes() -> None:
    read = html(Table(["A", "20 °C"], [["5 A", Cell("4.5", "12 min", "shade2")]], "MMW", style="map"))
    assert read.of("caption") == ["MMW"]
    assert ("td", {"class": "shade2"}) in read.tags
    assert read.of("small") == ["12 min"]
    assert not read.of("h2")


def test_a_long_table_says_how_much_it_leaves_out() -> None:
    read = html(Table(["N", "M"], [[str(i), ""] for i in range(75)], "Many"))
    assert len([1 for tag, _ in read.tags if tag == "tr"]) == 61
    assert read.of("p")[0].startswith("… and 15 more")


def test_what_is_empty_is_left_out() -> None:
    read = html(Table(["A", "B"], [], "None"), Items([]), Paragraph(""))
    assert [tag for tag, _ in read.tags].count("main") == 1
    assert read.texts == [(tag, words) for tag, words in read.texts if tag in ("title", "style")]
    assert text(Table(["A", "B"], [], "None"), Items([]), Paragraph("")) == ""


def test_sections_in_sections_are_of_the_next_lower_order() -> None:
    read = html(Section("Findings", [Section("Too much gas", [Items(["a", "b"], ordered=True)])], style="f"))
    assert (read.of("h2"), read.of("h3"), read.of("li")) == (["Findings"], ["Too much gas"], ["a", "b"])
    assert [tag for tag, _ in read.tags if tag in ("section", "ol")] == ["section", "ol"]


def test_a_picture_is_a_figure_with_keys_in_its_caption() -> None:
    read = html(Picture("<svg></svg>", [Key("off"), "no current"], "spent"))
    assert [a for tag, a in read.tags if tag in ("figure", "span")] == [
        {"class": "spent"},
        {"class": "key off"},
    ]
    assert read.of("figcaption") == ["no current"]


def test_the_cautions_are_an_aside_with_a_name() -> None:
    read = html(Cautions())
    assert ("aside", {"class": "cautions", "aria-label": "Cautions"}) in read.tags
    assert read.of("p") == list(CAUTIONS)
    assert " ".join(text(Cautions()).split()) == " ".join(CAUTIONS)


def test_text_sets_in_what_belongs_to_a_heading() -> None:
    words = text(
        Title("Run 7", sentences=["Bench torch"]),
        Table(["Total", "Value"], ROWS, "Totals"),
        Section("Phases", [Section("steady, 0:00", [Facts([("Power", "115 W")])])]),
        Section("Weighed", [Items(["one", "two"], ordered=True)], note=" over 1 h"),
    )
    assert words.split("\n") == [
        "Run 7",
        "Bench torch",
        "",
        "TOTALS",
        "  Energy                      398.6 ± 6.3 Wh",
        "  Gas, dry                    118 ± 4 L",
        "",
        "PHASES",
        "  steady, 0:00",
        "    Power                     115 W",
        "",
        "WEIGHED over 1 h",
        "  1. one",
        "  2. two",
    ]


def test_a_wide_table_stands_in_columns_under_its_headings() -> None:
    rows: list[list[str | Cell]] = [["Energy", Cell("1 Wh", "gas"), "2 Wh"], ["Charge", "10 Ah", "-"]]
    lines = text(Table(["", "A", "B"], rows, "Both")).split("\n")
    assert lines[0] == "BOTH"
    assert {line.index(word) for line, word in zip(lines[1:], ("B", "2 Wh", "-"), strict=True)} == {22}
    assert "1 Wh (gas)" in lines[2]
