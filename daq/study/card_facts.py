"""What stands on a result card: the honest numbers of a run, their conditions, and what limits the claim."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from daq.quantity import shown
from daq.study.review import Review
from daq.study.summary import date_words, duration_words, number_words
from daq.watch.numbers import NUMBERS, unit_words

__all__ = ["SCHEMA", "CardFacts", "card_dict", "card_facts"]

SCHEMA = "lyewatch.card/1"
MOST_LIMITS = 4
FACTS = (
    "mmw_as_read",
    "faradaic_efficiency",
    "energy_efficiency_hhv",
    "watt_hours_per_litre",
    "flow_dry_ref_lpm",
    "leak_amps",
    "power_w",
    "cell_volts",
    "amps",
    "lye_temp",
)
_SHORT = {
    "mmw_as_read": "As read, wet",
    "faradaic_efficiency": "Faradaic efficiency",
    "energy_efficiency_hhv": "Energy efficiency, HHV",
    "flow_dry_ref_lpm": "Dry gas",
    "watt_hours_per_litre": "Energy for dry gas",
    "lye_temp": "Lye",
}
_LABELS = {n.key: n.label for n in NUMBERS}


@dataclass(frozen=True, slots=True)
class CardFacts:
    """The words of a card.

    Attributes
    ----------
    build, stack, when, held : str
        What was measured, when, and over which time.
    headline, unit, basis : str
        Dry MMW with U; empty where gas or power was not measured.
    facts : tuple of (str, str)
        Label and number with U and unit.
    ruler : dict
        For the drawing: `value`, `u95`, `as_read`, `volts` (the ceiling at these volts), `no_heat`, `limit`,
        each in mL/min/W or None.
    spent : dict of str to (float, str)
        Share of the power [1] and in words, of gas, vapour and heat; empty where it is not known.
    limits : tuple of str
        What limits the claim.
    foot : str
    """

    build: str
    stack: str
    when: str
    held: str
    headline: str
    unit: str
    basis: str
    facts: tuple[tuple[str, str], ...]
    ruler: Mapping[str, float | None]
    spent: Mapping[str, tuple[float, str]]
    limits: tuple[str, ...]
    foot: str


def card_facts(made: Review) -> CardFacts:
    """The words of a run's card."""
    body = made.as_dict()
    run, head = body["run"], body["headline"]
    stack = made.bench.stack
    numbers = head["numbers"] if head else {}
    mmw = numbers.get("mmw_dry_ref") or {"value": None, "u95": None}
    held = (
        "never powered"
        if head is None
        else f"mean over {duration_words(head['duration_s'])} {head['phase']}, "
        f"of a run of {duration_words(body['duration_s'])}"
    )
    facts = [
        (_SHORT.get(k, _LABELS[k]), number_words(numbers[k]))
        for k in FACTS
        if numbers and numbers[k]["value"] is not None
    ]
    electrolyte = f"{stack.electrolyte} {100.0 * stack.mass_fraction:g} % by mass"
    return CardFacts(
        build=run["build"] or stack.build,
        stack=f"{stack.name}: {stack.cells} cells, {stack.plate_area_cm2:g} cm² a plate, {electrolyte}",
        when=date_words(run["start_utc_ns"]),
        held=held,
        headline=shown(mmw["value"], mmw["u95"], "").text if mmw["value"] is not None else "",
        unit=unit_words("mL/min/W"),
        basis=f"dry gas at {body['reference']}; ± U, k = 2",
        facts=tuple(facts),
        ruler=_ruler(numbers),
        spent=_spent(head),
        limits=_limits(body),
        foot=f"bench {run['bench']} · run {run['id'] or 'not stored'} · lyewatch · no fuel saving is claimed",
    )


def card_dict(made: Review) -> dict[str, Any]:
    """For JSON; `schema` names its version."""
    body, facts = made.as_dict(), card_facts(made)
    head = body["headline"]
    return {
        "schema": SCHEMA,
        "run": body["run"],
        "reference": body["reference"],
        "phase": None if head is None else head["phase"],
        "duration_s": None if head is None else head["duration_s"],
        "numbers": None if head is None else head["numbers"],
        "spent": None if head is None else head["spent"],
        "limits": list(facts.limits),
    }


# -- parts -------------------------------------------------------------------------------------------------


def _ruler(numbers: Mapping[str, Any]) -> dict[str, float | None]:
    def of(key: str, what: str = "value") -> float | None:
        return numbers[key][what] if numbers else None

    return {
        "value": of("mmw_dry_ref"),
        "u95": of("mmw_dry_ref", "u95"),
        "as_read": of("mmw_as_read"),
        "volts": of("mmw_ceiling_faraday"),
        "no_heat": of("mmw_ceiling_thermoneutral"),
        "limit": of("mmw_ceiling_reversible"),
    }


def _spent(head: Mapping[str, Any] | None) -> dict[str, tuple[float, str]]:
    if head is None or any(head["spent"][k]["value"] is None for k in ("gas", "vapour", "heat")):
        return {}
    return {
        k: (
            float(s["value"]),
            shown(100.0 * s["value"], None if s["u95"] is None else 100.0 * s["u95"], "W").text,
        )
        for k, s in head["spent"].items()
    }


def _limits(body: Mapping[str, Any]) -> tuple[str, ...]:
    """The worst first: what can not be, what the number was not measured over, what most of U comes from."""
    head = body["headline"]
    out = [f"Finding: {f['text']}" for f in body["findings"]]
    if head is None:
        return (*out, "The stack was never powered and undisturbed.")
    out.append("One run: another day may differ by more than U.")
    if head["phase"] != "steady":
        out.append("The temperature never held steady: the numbers hold for the warm-up's mean only.")
    if head["budget"]:
        most = head["budget"][0]
        out.append(
            f"{100.0 * most['share']:.0f} % of the variance behind U comes from {_words(most['from'])}."
        )
    out += [text[:1].upper() + text[1:] + "." for text in body["assumptions"]]
    gaps = body["gaps"]
    if gaps["count"]:
        out.append(f"{gaps['count']} gaps in the data, {duration_words(gaps['seconds'])} in all.")
    return tuple(out[:MOST_LIMITS])


def _words(label: str) -> str:
    """``gas_flow: accuracy`` as people say it."""
    channel, _, kind = label.partition(": ")
    return f"{channel.replace('_', ' ')} ({kind})" if kind else label
