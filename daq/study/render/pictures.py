"""Pictures by matplotlib, as SVG or PNG alike. It is imported only when one is drawn.

Colours are the pages' own (`daq.theme`): text stands at 4.5:1 on its ground and lines at 3:1 (WCAG 2.2, 1.4.3
and 1.4.11), and a shape or a dash says what a colour says. In a page they follow its scheme, light or dark.
"""

from __future__ import annotations

import io
import re
from typing import TYPE_CHECKING, Any, Final, Literal

from daq.theme import colours

if TYPE_CHECKING:
    from matplotlib.figure import Figure

__all__ = [
    "FIRST",
    "FIRST_PALE",
    "FOURTH",
    "INK",
    "PALE",
    "QUIET",
    "SECOND",
    "SECOND_PALE",
    "SHADES",
    "SHEET",
    "THIRD",
    "figure",
    "following",
    "rendered",
]

_LIGHT = colours()
INK, QUIET, PALE, SHEET = (_LIGHT[name] for name in ("ink", "ink-2", "rule", "sheet"))
FIRST, SECOND, THIRD, FOURTH = (_LIGHT[name] for name in ("trace", "second", "third", "fourth"))
"""The first build, as in the review's trends, and those after it."""
FIRST_PALE, SECOND_PALE = _LIGHT["first-pale"], _LIGHT["second-pale"]
"""Of what is shaded for them."""
SHADES = tuple(_LIGHT[f"shade-{k}"] for k in range(5))
"""From hardly to heavily shaded; ink can be read on each."""
_NAMES: Final = (
    "ink", "ink-2", "ink-3", "rule", "sheet", "edge", "trace", "second", "third", "fourth", "first-pale",
    "second-pale", "shade-0", "shade-1", "shade-2", "shade-3", "shade-4", "medium", "high", "critical",
)  # fmt: skip

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
    "axes.facecolor": SHEET,
    "axes.prop_cycle": f"cycler('color', {[FIRST, SECOND, THIRD, FOURTH]!r})",
    "grid.color": PALE,
    "xtick.color": QUIET,
    "ytick.color": QUIET,
    "legend.frameon": False,
    "svg.fonttype": "none",
    "svg.hashsalt": "lyewatch",  # the same picture is the same file
}


def figure(width_px: int, height_px: int) -> Figure:
    """An empty figure of that many pixels, on the ground of a sheet."""
    import matplotlib as mpl
    from matplotlib.figure import Figure

    with mpl.rc_context(_STYLE):
        return Figure(figsize=(width_px / 100.0, height_px / 100.0), dpi=100, facecolor=SHEET)


def styled() -> Any:
    """A context in which everything drawn has the style."""
    import matplotlib as mpl

    return mpl.rc_context(_STYLE)


def rendered(drawn: Figure, form: Literal["svg", "png"], *, title: str, description: str) -> bytes:
    """The figure as a file.

    Parameters
    ----------
    drawn : Figure
    form : {"svg", "png"}
    title, description : str
        Go with it for those who can not see.
    """
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


_STYLED = re.compile(r'style="[^"]*"')
_COLOUR = re.compile("#[0-9a-f]{6}")


def following(markup: str) -> str:
    """Markup whose drawn colours are those of the page around it, so that they follow it into the dark.

    Parameters
    ----------
    markup : str
        HTML with SVG elements within it. Only `style` attributes are looked at; a colour that is none of the
        palette stays as it is.
    """
    names = {_LIGHT[name]: name for name in reversed(_NAMES)}

    def named(found: re.Match[str]) -> str:
        name = names.get(found[0])
        return found[0] if name is None else f"var(--{name})"

    return _STYLED.sub(lambda style: _COLOUR.sub(named, style[0]), markup)
