"""What a person's browser is shown of a study: the page with ways back, and an error in words."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from html import escape
from typing import Any, Final
from urllib.parse import quote

from fastapi import Request
from fastapi.responses import HTMLResponse

from daq.service.access import REPORT_POLICY

__all__ = ["error_page", "run_links", "study_page", "wants_page"]

LINKS: Final = (("Live", "/"), ("Runs", "/runs"), ("Builds", "/builds"), ("Fills", "/fills"))
_BODY: Final = "<body>\n"


def study_page(text: str, links: Sequence[tuple[str, str]] = ()) -> HTMLResponse:
    """A self-contained page with links back to the pages; a file that is saved or made by a command has none.

    Parameters
    ----------
    text : str
        The page.
    links : sequence of (str, str)
        Words and addresses that stand behind the links to the pages.
    """
    if text.count(_BODY) == 1:
        text = text.replace(_BODY, _BODY + _ways([*LINKS, *links]))
    return HTMLResponse(text, headers={"Content-Security-Policy": REPORT_POLICY})


def run_links(run_id: str) -> list[tuple[str, str]]:
    """Where else a study of one run leads."""
    return [("This run", f"/runs/{quote(run_id, safe='')}")]


def wants_page(request: Request) -> bool:
    """Whether a browser shows what it gets to a person; a program and the pages' own scripts ask for JSON."""
    return "text/html" in request.headers.get("accept", "")


def error_page(error: Mapping[str, Any], status: int) -> HTMLResponse:
    """An error as a page: what is wrong, where, what was found, and what to do.

    Parameters
    ----------
    error : mapping
        `place`, `message`, `value` and `remedy`, as the API gives them.
    status : int
        Of HTTP.
    """
    place, message = error.get("place"), str(error.get("message") or "could not be done")
    sentence = f"{place}: {message}" if place else message
    found = error.get("value")
    rows = [("Found", found), ("What helps", error.get("remedy"))]
    facts = "".join(
        f"<div><dt>{label}</dt><dd>{escape(_sentence(value))}</dd></div>"
        for label, value in rows
        if value not in (None, "")
    )
    title = "There is no such thing here" if status == 404 else "This can not be shown"
    return HTMLResponse(
        '<!doctype html>\n<html lang="en">\n<head>\n<meta charset="utf-8">\n'
        '<meta name="viewport" content="width=device-width, initial-scale=1">\n'
        '<meta name="color-scheme" content="light dark">\n'
        f"<title>{title} · lyewatch</title>\n"
        '<link rel="icon" href="/pages/icon.svg" type="image/svg+xml">\n'
        '<link rel="stylesheet" href="/pages/styles/theme.css">\n'
        '<link rel="stylesheet" href="/pages/styles/base.css">\n'
        '<link rel="stylesheet" href="/pages/styles/runs.css">\n'
        f'</head>\n{_BODY}<header class="band"><div class="band-row">{_ways(LINKS, "band-nav")}</div>'
        "</header>\n"
        f"<main>\n<h1>{title}</h1>\n"
        f'<p class="trouble">{escape(_sentence(sentence))}</p>\n<dl class="facts refused">{facts}</dl>\n'
        "</main>\n</body>\n</html>\n",
        status_code=status,
    )


def _sentence(reason: object) -> str:
    text = str(reason).strip()
    return text[:1].upper() + text[1:] if text else ""


def _ways(links: Sequence[tuple[str, str]], style: str = "back") -> str:
    listed = "".join(f'<a href="{escape(to)}">{escape(words)}</a>' for words, to in links)
    if style == "back":
        listed = (
            "<ul>"
            + "".join(f'<li><a href="{escape(to)}">{escape(words)}</a></li>' for words, to in links)
            + "</ul>"
        )
    return f'<nav class="{style}" aria-label="Pages">{listed}</nav>\n'
