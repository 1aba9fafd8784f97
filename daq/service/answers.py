"""What the API answers of what is going on now, and how a documented answer is given.

Answers are put together as dictionaries, and go out without being checked against their model: a page asks
several times a second. The tests check every answer that they get.
"""

from __future__ import annotations

from typing import Any, Final, Literal

from fastapi import Response
from pydantic import BaseModel, ConfigDict, Field, TypeAdapter

__all__ = [
    "PAGE",
    "REFUSALS",
    "Alarm",
    "Alarms",
    "Answer",
    "Assessment",
    "BenchAnswer",
    "Channel",
    "Done",
    "Failure",
    "Finding",
    "Health",
    "LyeNoted",
    "Operated",
    "Quantity",
    "Recent",
    "State",
    "answer",
    "document",
]

_JSON: Final = TypeAdapter(dict[str, Any])


class Answer(BaseModel):
    """What an address answers; it holds no more than is said."""

    model_config = ConfigDict(extra="forbid")


class Refusal(Answer):
    """Where, what, the value found, and what would be right."""

    place: str | None
    message: str
    value: Any
    remedy: str | None


class Failure(Answer):
    """Why something was not done: where, what, the value found, and what would be right."""

    error: Refusal


REFUSALS: Final[dict[int | str, dict[str, Any]]] = {
    "4XX": {"model": Failure, "description": "Why not."},
    "5XX": {"model": Failure, "description": "What failed here: the store, the server."},
}
"""What every address may answer instead."""
PAGE: Final[dict[str, Any]] = {
    "description": "A self-contained page.",
    "content": {"text/html": {"schema": {"type": "string"}}},
}


def answer(content: dict[str, Any]) -> Response:
    """An answer as it stands, in JSON; the route's `response_model` says what it holds."""
    return Response(_JSON.dump_json(content), media_type="application/json")


def document(name: str) -> dict[str, Any]:
    """A study's machine form, for a route's `responses`: its schema is at ``/api/schemas/NAME``."""
    return {
        "description": f"The machine form of the study; its JSON Schema is at /api/schemas/{name}.",
        "content": {"application/json": {"schema": {"$ref": f"/api/schemas/{name}"}}},
    }


class Done(Answer):
    """It was done; the words are those of the reader, where it was asked."""

    ok: Literal[True]
    message: str | None = None


class LyeNoted(Answer):
    """What was poured into the lye, drawn off it or measured of it was noted at this second of the run."""

    ok: Literal[True]
    t_s: float
    message: str


class Quantity(Answer):
    """A number with its expanded uncertainty (k = 2) and its unit; null where it is not known."""

    value: float | None
    u95: float | None
    unit: str


class Finding(Answer):
    """Something that the numbers show."""

    code: str
    text: str
    causes: list[str]


class Alarm(Answer):
    """An alarm: its state by ISA-18.2, its condition, what to do and how long there is."""

    alarm: str
    title: str
    state: str
    active: bool
    priority: str
    since_utc: str | None
    since_s: float
    value: float | None
    limit: float | None
    unit: str
    what: str
    do: str
    t_s: float | None = Field(description="how long there is to act [s]")
    shelved_until_s: float | None
    shelved_until_utc: str | None
    shelve_s: float = Field(description="for how long it may be shelved; 0 for not at all [s]")
    cuts: str | None = Field(description="what it cuts the supply for")
    by: str
    why: str


class Alarms(Answer):
    """Alarms that are not normal, and all that there are."""

    standing: list[Alarm]
    all: list[Alarm]


class Operated(Answer):
    """An alarm was acknowledged, shelved, ...: the alarms that are not normal now."""

    ok: Literal[True]
    standing: list[Alarm]


class Channel(Answer):
    """A channel of the bench file."""

    name: str
    unit: str
    source: str | None
    limits: dict[str, Any] | None


class NumberKind(Answer):
    """A number that is computed from the channels."""

    key: str
    label: str
    unit: str
    help: str


class BenchAnswer(Answer):
    """The bench, its channels with limits, the numbers that are computed, and the cautions."""

    name: str
    description: str
    simulated: bool = Field(description="whether no real stack stands behind it")
    stack: dict[str, Any]
    supply: dict[str, Any]
    site: dict[str, Any]
    channels: list[Channel]
    numbers: list[NumberKind]
    reference: str = Field(description="the condition at which dry gas is counted")
    window_s: float
    cautions: list[str]
    reset_cautions: list[str]


class Assessment(Answer):
    """What the watch says of the last window."""

    run: str | None
    t: float = Field(description="seconds of the run")
    utc: str | None
    window_s: float
    reference: str
    numbers: dict[str, Quantity]
    findings: list[Finding]
    assumptions: list[str]
    forecast: dict[str, Any] | None
    lye: dict[str, Any] | None


class Recent(Answer):
    """The last seconds of the run by channel, and what was said of them."""

    run: str | None
    start_utc: str | None
    t: dict[str, list[float]] = Field(description="seconds of the run by channel")
    v: dict[str, list[float | None]] = Field(description="values by channel; null where bad or missing")
    assessments: list[Assessment]
    event: int = Field(description="the number of the stream's last event")


class Link(BaseModel):
    """A source's link: how it is, and its counters."""

    source: str
    state: str


class ReaderHealth(Answer):
    """How the reader is; null where it is not heard."""

    alive: bool
    heartbeat_age_s: float | None
    pid: int | None
    held_samples: int | None
    dropped_samples: int | None
    inbox_dropped: int | None


class Health(Answer):
    """Whether every part works; `troubles` says which does not, and why."""

    status: Literal["ok", "impaired", "failed"]
    why: str | None
    troubles: dict[str, str]
    reader: ReaderHealth
    journal_rows: int | None
    logbook_waiting: int
    logbook_dropped: int
    channel_dropped: int
    watch_lag_s: float
    pages: int
    publishing: dict[str, Any] | None
    links: list[Link]


class InWords(Answer):
    """A state, and the words for it."""

    state: str
    words: str


class DataAge(InWords):
    """Whether the data are fresh."""

    age_s: float | None


class AlarmsInWords(InWords):
    """Whether the alarms are clear."""

    count: int
    worst: str | None
    aside: int


class Recording(InWords):
    """Whether what happens is kept."""

    held: int | None
    dropped: int | None
    written_bytes_per_hour: float | None
    committed_utc: str | None


class ArchiveServer(InWords):
    """How the archive's server is, where it is not well."""

    away_since_utc: str | None
    waiting_rows: int
    refused_rows: int


class BlindPart(Answer):
    """A part that does not see now, and why."""

    part: str
    words: str


class LaterTrip(Answer):
    """A cause that came while the supply was tripped already."""

    cause: str
    detail: str
    utc: str | None
    by: str


class StandingTrip(LaterTrip):
    """The trip that stands."""

    value: float | None
    logged: bool
    later: list[LaterTrip]


class CurrentRun(Answer):
    """The run that is being recorded."""

    id: str
    name: str
    build: str
    kind: str
    start_utc: str | None
    elapsed_s: float


class State(Answer):
    """The status band: supply, data, alarms, trip, links."""

    utc: str
    run: CurrentRun | None
    supply: InWords
    data: DataAge
    alarms: AlarmsInWords
    blind: list[BlindPart] = Field(description="parts that do not see now")
    trip: StandingTrip | None
    guide: str | None = Field(description="what one is seeing, on a simulated bench")
    standing: list[Alarm]
    links: list[Link]
    recording: Recording
    archive: ArchiveServer | None
    impaired: str | None
    fill: dict[str, Any] | None = Field(description="the timed fill that is running")
