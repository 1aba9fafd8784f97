"""Questions at the terminal: each with its default, each answer checked at once. Where there is no terminal,
the flags answer."""

from __future__ import annotations

import argparse
import math
import sys
from collections.abc import Callable, Mapping, Sequence
from typing import Any, Final, TypeVar

from daq.errors import UsageError

__all__ = ["FACTS", "Asker", "Fact", "choice", "number", "whole", "words"]

T = TypeVar("T")


class Asker:
    """Asks, or takes the default where nobody is there to answer.

    Parameters
    ----------
    interactive : bool
        Whether a person answers.
    """

    def __init__(self, *, interactive: bool) -> None:
        self.interactive = interactive

    def say(self, text: str = "") -> None:
        """Tell the person something."""
        if self.interactive:
            print(text, flush=True)

    def ask(self, question: str, parse: Callable[[str], T], default: T | None = None, shown: str = "") -> T:
        """Ask until the answer can be used.

        Parameters
        ----------
        question : str
            Without a colon at its end.
        parse : callable
            Text to answer; raises argparse.ArgumentTypeError where it can not be used.
        default : optional
            Taken for an empty answer; None where an answer is needed.
        shown : str
            How the default is written; empty for ``str(default)``.

        Raises
        ------
        UsageError
            Where the input ends, and where there is nobody to ask and no default.
        """
        if not self.interactive:
            if default is None:
                raise UsageError("is not said", place=question, remedy="give the flag for it")
            return default
        hint = f" [{shown or default}]" if default is not None else ""
        while True:
            try:
                answer = input(f"{question}{hint}: ").strip()
            except EOFError:
                raise UsageError(
                    "the input ended before every question was answered",
                    place=question,
                    remedy="answer it, or give the flags and --no-input",
                ) from None
            if not answer and default is not None:
                return default
            try:
                return parse(answer)
            except argparse.ArgumentTypeError as exc:
                print(f"  {exc}", flush=True)

    def agrees(self, question: str, *, default: bool) -> bool:
        """Yes or no."""
        return self.ask(question, _yes_no, default, "yes" if default else "no")


def _yes_no(text: str) -> bool:
    if text.lower() in ("y", "yes"):
        return True
    if text.lower() in ("n", "no"):
        return False
    raise argparse.ArgumentTypeError(f"{text!r} is neither yes nor no")


def number(low: float, high: float, unit: str, *, above: bool = False) -> Callable[[str], float]:
    """Reads a number within a range.

    Parameters
    ----------
    low, high : float
        The range, both ends included [unit].
    unit : str
        For the message.
    above : bool
        Whether `low` itself is too low.
    """

    def read(text: str) -> float:
        try:
            value = float(text.replace(",", ".", 1))
        except ValueError:
            value = math.nan
        if not (low < value if above else low <= value) or not value <= high:
            ends = f"above {low:g} and up to {high:g}" if above else f"from {low:g} to {high:g}"
            raise argparse.ArgumentTypeError(
                f"{text!r} is not usable here: give a number {ends} {unit}".rstrip()
            )
        return value

    return read


def whole(low: int, high: int) -> Callable[[str], int]:
    """Reads a whole number."""

    def read(text: str) -> int:
        if not text.isascii() or not text.isdigit() or not low <= int(text) <= high:
            raise argparse.ArgumentTypeError(
                f"{text!r} is not usable here: give a whole number from {low} to {high}"
            )
        return int(text)

    return read


def choice(options: Sequence[str]) -> Callable[[str], str]:
    """Reads one of some words, by any beginning that is only one's."""

    def read(text: str) -> str:
        fits = [o for o in options if o.lower() == text.lower()] or [
            o for o in options if text and o.lower().startswith(text.lower())
        ]
        if len(fits) != 1:
            raise argparse.ArgumentTypeError(f"{text!r} is not usable here: write {', '.join(options)}")
        return fits[0]

    return read


def words(longest: int) -> Callable[[str], str]:
    """Reads a text."""

    def read(text: str) -> str:
        if not 1 <= len(text) <= longest or not text.isprintable():
            raise argparse.ArgumentTypeError(
                f"{text!r} is not usable here: 1 to {longest} printable characters"
            )
        return text

    return read


class Fact:
    """Something about the bench that is asked, or given by a flag.

    `must` says that the default is only an example: without a person to look at it the flag must be given.
    A default may be worked out from the facts before it; None leaves the question out.
    """

    def __init__(
        self,
        key: str,
        question: str,
        parse: Callable[[str], Any],
        default: Callable[[dict[str, Any]], Any] | float | str | None,
        *,
        must: bool = False,
        only: Callable[[dict[str, Any]], bool] = lambda facts: True,
    ) -> None:
        self.key, self.question, self.parse = key, question, parse
        self.default, self.must, self.only = default, must, only

    @property
    def flag(self) -> str:
        """Its flag."""
        return "--" + self.key.replace("_", "-")

    def proposal(self, facts: dict[str, Any]) -> Any:
        """Its default."""
        return self.default(facts) if callable(self.default) else self.default


def _steel_kg(facts: Mapping[str, Any]) -> float:
    from daq.bench.ranges import guessed_steel_kg

    return guessed_steel_kg(facts["cells"], facts["plate_area_cm2"])


def _has(channel: str) -> Callable[[dict[str, Any]], bool]:
    return lambda facts: channel in facts["channels"]


FACTS: Final = (
    Fact("name", "Name of the bench", words(80), lambda f: f["stem"]),
    Fact("stack", "Name of the stack", words(80), "stack"),
    Fact("build", "Its build: what changes from one comparison to the next", words(80), "A: as built"),
    Fact("cells", "Cells: gaps in series between the powered plates", whole(1, 500), 6, must=True),
    Fact("plate_area_cm2", "Wetted area of one plate's face, cm2",
         number(0, 1e5, "cm2", above=True), 150.0, must=True),
    Fact("electrolyte", "Electrolyte, KOH or NaOH", choice(("KOH", "NaOH")), "KOH"),
    Fact("mass_percent", "Hydroxide in the lye, % by mass (200 g in 1 kg of lye are 20 %)",
         number(0, 59.9, "%", above=True), 20.0),
    Fact("litres", "Lye in stack, hoses and reservoir together, litres",
         number(0, 1e4, "L", above=True), 0.8, must=True),
    Fact("steel_kg", "Steel that warms with the lye, kg (guessed from the plates)",
         number(0, 1e5, "kg"), _steel_kg),
    Fact("mode", "Supply: constant_voltage, constant_current or pwm",
         choice(("constant_voltage", "constant_current", "pwm")), "constant_voltage"),
    Fact("volts_max", "The most volts that the supply can give", number(0, 1e4, "V", above=True),
         lambda f: round(2.4 * f["cells"], 1), must=True),
    Fact("amps_max", "The most amps that the supply can give",
         number(0, 1e5, "A", above=True), 30.0, must=True),
    Fact("volts_set", "Volts it is set to", number(0, 1e4, "V", above=True),
         lambda f: round(2.2 * f["cells"], 1), only=lambda f: f["mode"] == "constant_voltage"),
    Fact("amps_set", "Amps it holds", number(0, 1e5, "A", above=True),
         lambda f: f["amps_max"], only=lambda f: f["mode"] == "constant_current"),
    Fact("lead_milliohms", "Leads from the point where volts are sensed to the stack, milliohms",
         number(0, 1e4, "mohm"), 0.0),
    Fact("altitude_m", "Altitude of the site, metres above the sea", number(-500, 9000, "m"), 0.0, must=True),
    Fact("room_temp_c", "Usual room temperature, degC", number(-20, 60, "degC"), 20.0),
    Fact("meter_factor", "True flow of 2:1 gas to the flow meter's reading (thermal meters about 1, a "
         "rotameter scaled in air about 1.55)", number(0, 100, "", above=True), 1.0, only=_has("gas_flow")),
    Fact("warn", "Lye temperature: warn at, degC", number(0, 115, "degC"), 50.0, only=_has("lye_temp")),
    Fact("high", "Lye temperature: alarm at, degC", number(0, 117, "degC"),
         lambda f: max(60.0, f["warn"] + 5.0), only=_has("lye_temp")),
    Fact("trip", "Lye temperature: cut the supply at, degC", number(0, 119, "degC"),
         lambda f: max(65.0, f["high"] + 5.0), only=_has("lye_temp")),
    Fact("period_s", "How often are instruments to be asked, seconds", number(0.05, 3600, "s"), 0.5,
         only=lambda f: f["asked"]),
)  # fmt: skip
"""In the order in which they are asked; `channels`, `stem` and `asked` are known before."""


def missing(given: dict[str, Any]) -> list[str]:
    """The flags that must be given where nobody is asked."""
    return [fact.flag for fact in FACTS if fact.must and given.get(fact.key) is None]


def fill_in(asker: Asker, facts: dict[str, Any], given: dict[str, Any]) -> None:
    """Ask for the facts that no flag gave, into `facts`.

    Parameters
    ----------
    asker : Asker
    facts : dict
        Facts by their key; what is asked or proposed is added.
    given : dict
        What flags gave, by the fact's key; None where one was not given.
    """
    for fact in FACTS:
        value = given.get(fact.key)
        if value is None:
            default = (
                fact.proposal(facts) if fact.only(facts) or fact.key in ("warn", "high", "trip") else None
            )
            if fact.only(facts):
                shown = f"{default:g}" if isinstance(default, float) else str(default)
                value = asker.ask(fact.question, _rising(fact, facts), default, shown)
            else:
                value = default
        facts[fact.key] = value


def _rising(fact: Fact, facts: dict[str, Any]) -> Callable[[str], Any]:
    """Limits must rise: said at once, and not when the file is checked."""
    below = {"high": "warn", "trip": "high"}.get(fact.key)

    def read(text: str) -> Any:
        value = fact.parse(text)
        if below is not None and value <= facts[below]:
            raise argparse.ArgumentTypeError(f"{value:g} is not above {facts[below]:g}, the step before it")
        if fact.key in ("volts_set", "amps_set") and value > (most := facts[f"{fact.key[:-4]}_max"]):
            raise argparse.ArgumentTypeError(f"{value:g} is more than the supply can give, {most:g}")
        return value

    return read


def at_a_terminal() -> bool:
    """Whether a person is there to answer."""
    return sys.stdin is not None and sys.stdin.isatty()
