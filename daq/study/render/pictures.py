"""Pictures by matplotlib, as SVG or PNG alike. It is imported only when one is drawn.

Colours stand at 4.5:1 on white for text and 3:1 for lines (WCAG 2.2, 1.4.3 and 1.4.11), and a shape or a dash
says what a colour says.
"""

from __future__ import annotations

import io
from typing import TYPE_CHECKING, Any, Literal

if TYPE_CHECKING:
    from matplotlib.figure import Figure

__all__ = [
    "FIRST",
    "FIRST_PALE",
    "INK",
    "PALE",
    "QUIET",
    "SECOND",
    "SECOND_PALE",
    "figure",
    "rendered",
]

INK, QUIET, PALE = "#1c2126", "#4a535c", "#d9dde1"
FIRST, SECOND = "#1f3a52", "#5d6b26"
"""The first and the second build, as in the review's trends."""
FIRST_PALE, SECOND_PALE = "#b9c7d3", "#c9d08f"
"""Of what is shaded for them."""

_STYLE: Any = {
    "font.family": "DejaVu Sans",  # matplotlib's own: the same on every system
    "font.size": 11.0,
    "text.color": INK,
    "axes.edgecolor": QUIET,
    "axes.labelcolor": INK,
    "axes.titlesize": 12.0,
    "axes.titleweight": "bold",
    "axes.titlelocation": "left",
    "axes.spines.top": False,
    "axes.spines.right": False,
    "axes.grid": True,
    "axes.axisbelow": True,
    "axes.unicode_minus": True,
    "grid.color": PALE,
    "xtick.color": QUIET,
    "ytick.color": QUIET,
    "legend.frameon": False,
    "svg.fonttype": "none",
    "svg.hashsalt": "lyewatch",  # the same picture is the same file
}


def figure(width_px: int, height_px: int) -> Figure:
    """An empty white figure of that many pixels."""
    import matplotlib as mpl
    from matplotlib.figure import Figure

    with mpl.rc_context(_STYLE):
        return Figure(figsize=(width_px / 100.0, height_px / 100.0), dpi=100, facecolor="white")


def styled() -> Any:
    """A context in which everything drawn has the style."""
    import matplotlib as mpl

    return mpl.rc_context(_STYLE)


def rendered(drawn: Figure, form: Literal["svg", "png"], *, title: str, description: str) -> bytes:
    """The figure as a file; title and description go with it for those who can not see."""
    out = io.BytesIO()
    with styled():
        if form == "svg":
            drawn.savefig(out, format="svg", metadata={"Date": None, "Creator": None, "Title": title})
            return _described(out.getvalue().decode("utf-8"), title, description).encode("utf-8")
        drawn.savefig(
            out, format="png", metadata={"Software": None, "Title": title, "Description": description}
        )
    return out.getvalue()


def _described(svg: str, title: str, description: str) -> str:
    """From the `svg` element on, with a role, a title and a description in place of matplotlib's metadata."""
    from html import escape

    start = svg.index("<svg")
    end = svg.index(">", start)
    head, rest = svg[start:end], svg[end + 1 :]
    if "<metadata>" in rest:
        before, _, after = rest.partition("<metadata>")
        rest = before + after.partition("</metadata>")[2]
    label = f"<title>{escape(title)}</title><desc>{escape(description)}</desc>"
    return f'{head} role="img" aria-label="{escape(title, quote=True)}">{label}{rest}'
