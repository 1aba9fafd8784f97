"""The one glossary: pages explain their numbers and states from it, and the documentation is made from it."""

from __future__ import annotations

import tomllib
from dataclasses import asdict, dataclass
from functools import cache
from importlib.resources import files
from typing import Any

from fastapi import APIRouter, Response

from daq.measure import NUMBERS
from daq.service.answers import Answer, answer

__all__ = ["Entry", "entries", "glossary_dict", "glossary_section", "router"]


@dataclass(frozen=True, slots=True)
class Entry:
    """A word of the pages: what it is, how it is reckoned, what is good; `key` is a number's or a state's."""

    key: str
    title: str
    what: str
    how: str
    good: str


@cache
def entries() -> tuple[Entry, ...]:
    """All entries, numbers first, in the order in which they are shown."""
    document = tomllib.loads(files("daq.service").joinpath("glossary.toml").read_text(encoding="utf-8"))
    numbers = tuple(Entry(n.key, n.label, n.help, **document["numbers"][n.key]) for n in NUMBERS)
    return numbers + tuple(Entry(key, **words) for key, words in document["words"].items())


def glossary_dict() -> dict[str, Any]:
    """For JSON."""
    return {"entries": [asdict(entry) for entry in entries()]}


def glossary_section() -> str:
    """The section of the documentation, in Markdown."""
    return "\n".join(
        f"* **{e.title}** (`{e.key}`): {e.what} *How:* {e.how} *Good:* {e.good}" for e in entries()
    )


class GlossaryEntry(Answer):
    """A word of the pages: what it is, how it is reckoned, what is good."""

    key: str
    title: str
    what: str
    how: str
    good: str


class Glossary(Answer):
    """Every word that the pages explain."""

    entries: list[GlossaryEntry]


router = APIRouter(tags=["pages"])


@router.get("/glossary", response_model=Glossary)
async def glossary() -> Response:
    """What the pages explain of each number and state, by its key."""
    return answer(glossary_dict())
