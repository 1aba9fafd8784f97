"""The rationale of the alarms that every bench has: what each means, what to do, how long there is.

Kept apart from the rules so that it can be read, and argued with, as one list. Priorities follow consequence
and time to act (ANSI/ISA-18.2-2016, rationalisation); times are judgement for benches of a litre or so.
"""

from __future__ import annotations

from dataclasses import dataclass

from daq.alarms.states import AlarmSpec, Cutter, Priority

__all__ = ["LEVEL_WORDS", "Rationale", "channel_words", "rationale"]


@dataclass(frozen=True, slots=True)
class Rationale:
    """An alarm's words: title, priority, meaning, action, time there is [s], suppressed while off or not."""

    title: str
    priority: Priority
    what: str
    action: str
    time_s: float | None = None
    suppressed_while_off: bool = False
    unit: str = ""


_TITLES = {
    "volts": "Voltage",
    "amps": "Current",
    "watts": "Power",
    "lye_temp": "Lye temperature",
    "room_temp": "Room temperature",
    "gas_temp": "Gas temperature",
    "gas_flow": "Gas flow",
    "room_pressure": "Room pressure",
    "gas_pressure": "Gas pressure",
    "gas_humidity": "Gas humidity",
}


def channel_words(channel: str) -> str:
    """A channel in words for a title: ``Lye temperature``."""
    return _TITLES.get(channel) or channel.replace("_", " ").capitalize()


LEVEL_WORDS = {
    "warn": "near its limit",
    "high": "high",
    "trip": "beyond its trip limit",
    "low": "low",
    "low_trip": "below its trip limit",
}
"""What follows the channel's name in the title of a limit's alarm."""

_CUT = "See that the supply is off; cut it by hand if it is not. Find the cause before you reset."
_LOOK = "Look at the bench and bring it back, or turn the supply off."

_LYE_TEMP = {
    "warn": (
        "The stack warms towards its limit.",
        "Look at the trend; turn the current down or cool it before it reaches the limit.",
    ),
    "high": (
        "Housing, gaskets and hoses come near what they stand; steam grows fast from here on.",
        "Turn the current down or the supply off now; see to cooling and lye level.",
    ),
    "trip": ("The lye is hotter than the bench may be. The reader cuts the supply here.", _CUT),
    "low": ("The lye is colder than it should be.", _LOOK),
    "low_trip": ("The lye is too cold to run. The reader cuts the supply here.", _CUT),
}
_ANY = {
    "warn": ("{} nears what the bench file allows.", _LOOK),
    "high": ("{} is above what the bench file allows.", _LOOK),
    "trip": ("{} is beyond its hard limit. The reader cuts the supply here.", _CUT),
    "low": ("{} is below what the bench file allows.", _LOOK),
    "low_trip": ("{} is below its hard limit. The reader cuts the supply here.", _CUT),
}
_PRIORITY = {
    "warn": Priority.MEDIUM,
    "high": Priority.HIGH,
    "trip": Priority.CRITICAL,
    "low": Priority.MEDIUM,
    "low_trip": Priority.CRITICAL,
}


def of_limit(channel: str, level: str) -> Rationale:
    """The words of a bench file's limit."""
    title = channel_words(channel)
    what, action = (_LYE_TEMP if channel == "lye_temp" else _ANY)[level]
    return Rationale(f"{title} {LEVEL_WORDS[level]}", _PRIORITY[level], what.format(title), action)


def of_stale(channel: str, protective: bool) -> Rationale:
    """The words of a channel without fresh values."""
    what = "No good value has come for longer than the bench file allows."
    if not protective:
        action = "Look at the sensor, its plug and the device's messages."
        return Rationale(f"{channel_words(channel)}: no fresh value", Priority.LOW, what, action, unit="s")
    what += " Nothing guards by this channel meanwhile; while powered, the reader cuts the supply."
    action = (
        "Cut the supply by hand if it is on; then look at the sensor, its plug and the device's messages."
    )
    return Rationale(f"{channel_words(channel)}: no fresh value", Priority.HIGH, what, action, 0.0, unit="s")


def of_failed(channel: str, protective: bool, low: float, high: float, unit: str) -> Rationale:
    """The words of a channel whose values are bad.

    Parameters
    ----------
    channel : str
        Its name in the bench file.
    protective : bool
        Whether the supply is cut by it.
    low, high : float
        What the sensor can read [unit].
    unit : str
        The channel's.
    """
    what = (
        f"Values lie outside what the sensor can read, {low:g} to {high:g} {unit}: an open or shorted lead."
    )
    if protective:
        action, priority, time_s = "Turn the supply off and mend the sensor.", Priority.HIGH, 0.0
        return Rationale(f"{channel_words(channel)}: sensor failed", priority, what, action, time_s)
    action = "Mend the sensor; its numbers are left out meanwhile."
    return Rationale(f"{channel_words(channel)}: sensor failed", Priority.LOW, what, action)


def of_stuck(channel: str, protective: bool) -> Rationale:
    """The words of a channel that does not change."""
    what = "The value has not changed at all while powered: the sensor or its converter hangs."
    action = "Compare with another instrument; turn the supply off if in doubt."
    priority = Priority.HIGH if protective else Priority.LOW
    return Rationale(
        f"{channel_words(channel)}: does not change", priority, what, action, None, True, unit="s"
    )


def of_clipped(channel: str, top: float, unit: str) -> Rationale:
    """The words of a channel that stands at the end of its meter's range.

    Parameters
    ----------
    channel : str
        Its name in the bench file.
    top : float
        Upper end of the meter's range [unit].
    unit : str
        The channel's.
    """
    what = (
        f"The reading stands at the end of its meter's range, {top:g} {unit}; what flows may be more, and "
        "power, efficiency and forecast are then worked out from too little."
    )
    title = f"{channel_words(channel)}: at the end of its meter's range"
    if channel == "gas_flow":
        return Rationale(title, Priority.LOW, what, "Use a meter of a wider range, or turn the supply down.")
    action = "Turn the supply down until it reads less; fit a meter, shunt or range for what flows."
    return Rationale(title, Priority.HIGH, what, action, 300.0)


def of_lost(source: str, guards: bool) -> Rationale:
    """The words of a source that has fallen silent."""
    title = f"Source {source} is silent"
    if not guards:
        what = "Its device sends nothing; its channels are not recorded."
        return Rationale(title, Priority.MEDIUM, what, "Look at cable, plug and device.", unit="s")
    what = (
        "Its device sends nothing. Whether the supply is on can not be seen, and it may not be possible to "
        "cut it from here."
    )
    action = "Cut the supply by hand, then look at cable, plug and device."
    return Rationale(title, Priority.CRITICAL, what, action, 0.0, unit="s")


def of_frozen(source: str, guards: bool, after_s: float) -> Rationale:
    """The words of a source that repeats itself.

    Parameters
    ----------
    source : str
        Its name in the bench file.
    guards : bool
        Whether the supply is cut by it or through it.
    after_s : float
        For how long all of it must have stood still [s].
    """
    title = f"Source {source} repeats itself"
    what = (
        f"All its readings have stood still for {after_s:g} s or more while the stack is powered, which "
        "their own noise does not let them: its converter or its program hangs, and what it says is old."
    )
    if not guards:
        action = "Do not go by its numbers; restart the device, and look at its cable and supply."
        return Rationale(title, Priority.MEDIUM, what, action, None, True, unit="s")
    what += " Nothing guards by it meanwhile; the reader cuts the supply."
    action = "See that the supply is off, cut it by hand if it is not; then restart the device."
    return Rationale(title, Priority.CRITICAL, what, action, 0.0, True, unit="s")


_FIXED = {
    "amps.over": Rationale(
        "Current above the supply's rating",
        Priority.HIGH,
        "More current flows than the bench file says the supply can give: a short, a wrong setting or a "
        "wrong reading.",
        "Turn the supply off; look for a bridge between plates or leads.",
        60.0,
        unit="A",
    ),
    "volts.over": Rationale(
        "Voltage above the supply's rating",
        Priority.MEDIUM,
        "More volts than the bench file says the supply can give: a wrong setting, an open stack or a wrong "
        "reading.",
        "Turn the supply down; look at the leads to the stack.",
        unit="V",
    ),
    "volts.under": Rationale(
        "Voltage below its setting",
        Priority.LOW,
        "The supply does not hold its voltage: it limits the current, its mains sag, or a lead has "
        "resistance.",
        "Look at the supply's display; with the supply off, feel for a warm lead or clamp.",
        suppressed_while_off=True,
        unit="V",
    ),
    "cell_volts.high": Rationale(
        "Volts per cell too high",
        Priority.MEDIUM,
        "A cell takes more volts than plates in lye should: weak or low lye, gaps full of gas, a bad "
        "contact, or `cells` is wrong.",
        "Turn the supply down; look at lye level and strength, clamps, and the bench file's `cells`.",
        suppressed_while_off=True,
        unit="V",
    ),
    "cell_volts.low": Rationale(
        "Volts per cell too low",
        Priority.MEDIUM,
        "Current flows at fewer volts than water needs to be split: plates touch, or `cells` is wrong.",
        "Turn the supply off; look for plates that touch, and at the bench file's `cells`.",
        suppressed_while_off=True,
        unit="V",
    ),
    "gas_flow.none": Rationale(
        "No gas while powered",
        Priority.HIGH,
        "Current flows and the gas does not reach the meter: it escapes into the room, the line is "
        "blocked, or the meter fails.",
        "Turn the supply off and keep flames away; look for a hose that is off, a blocked line or "
        "arrestor, then at the meter.",
        60.0,
        True,
        unit="1",
    ),
    "gas_flow.while_off": Rationale(
        "Gas flows while off",
        Priority.HIGH,
        "The meter reads gas although no current is measured: the current reading fails and the stack is "
        "on, or the meter's zero is off.",
        "See by the supply's own display whether it is on; cut it by hand. Then look at the current sensor "
        "and the meter's zero.",
        unit="L/min",
    ),
    "efficiency.fallen": Rationale(
        "Efficiency has fallen",
        Priority.LOW,
        "The stack makes less gas from its current than it did in this run: leak between cells, or gas lost "
        "before the meter.",
        "Look at lye level, foam, gaskets and hoses.",
        suppressed_while_off=True,
        unit="1",
    ),
    "water.low": Rationale(
        "Lye low, by the charge used",
        Priority.HIGH,
        "So much water has been split and carried off since the run began that the lye nears its lowest "
        "level.",
        "Turn the supply off, look at the level, top up with distilled water.",
        unit="L",
    ),
    "lye.strong": Rationale(
        "Lye has grown strong",
        Priority.LOW,
        "Water has been split and carried off, and the hydroxide stayed: beyond what is uncertain of "
        "it the lye is "
        "three points stronger than it was filled. It carries less vapour and burns skin and eyes "
        "worse; a run with it "
        "is no longer the same as one with fresh lye.",
        "With the supply off, top up with distilled water, as much as the page says. Wear goggles "
        "and gloves; pour water "
        "into lye slowly, as it warms.",
        unit="%",
    ),
    "lye_temp.rate": Rationale(
        "Lye warms too fast",
        Priority.HIGH,
        "The lye warms faster than this supply can warm this much of it: little lye is left in the stack, "
        "heat comes from elsewhere, or the sensor fails.",
        "Turn the supply off; look at the lye level and at the sensor.",
        120.0,
        unit="degC/min",
    ),
    "lye_temp.forecast": Rationale(
        "Lye will not settle below its limit",
        Priority.HIGH,
        "At these settings the temperature does not settle below the limit, as far as can be foreseen.",
        "Turn the voltage down or cool the stack while there is time.",
    ),
    "forecast.blind": Rationale(
        "Forecast goes on without its sensor",
        Priority.HIGH,
        "The lye's temperature stands still or is missing while the supply is on. What is foreseen rests on "
        "the heat balance, or on the current, alone.",
        "Turn the supply off; look at the sensor and its cable.",
        120.0,
    ),
    "lye_temp.rough": Rationale(
        "Lye temperature is hard to read",
        Priority.LOW,
        "Its readings are noisy, leap, are often missing or come late: warnings come later, and forecasts "
        "are wider.",
        "Look at the sensor's cable, supply and screen; put it into the lye rather than beside it.",
    ),
    "lye_temp.doubtful": Rationale(
        "Lye temperature and current do not agree",
        Priority.MEDIUM,
        "At this voltage the current tells of another temperature than the sensor: the sensor drifts, or a "
        "leak grows, or the lye has changed. Where the heat balance sides with the current, the forecast "
        "goes on without the sensor; limits still go by the sensor alone.",
        "Compare with a second thermometer before you trust the temperature; look for a leak and at the "
        "level.",
    ),
    "amps.clipped": Rationale(
        "Current is at its meter's range",
        Priority.MEDIUM,
        "The reading stands at one value like a meter at the end of its range: true current, power and heat "
        "may be more.",
        "Use a meter or a shunt with a wider range; until then the forecast takes the current to go on "
        "growing as it did.",
    ),
    "supply.tripped": Rationale(
        "Supply was cut",
        Priority.HIGH,
        "A hard limit, a lost sensor, a person or the device itself cut the supply.",
        "Find the first cause. Reset only when it is gone and you have looked at the bench.",
    ),
    "supply.not_cut": Rationale(
        "Supply may not be cut",
        Priority.CRITICAL,
        "A cut was asked for, and nothing shows that it happened: the reader does not answer, current still "
        "flows, or the relay does not report.",
        "Cut the supply by its own switch now. Then look at reader, cable and relay.",
        0.0,
    ),
    "supply.current_though_open": Rationale(
        "Current flows though the relay says open",
        Priority.CRITICAL,
        "The relay can not cut the supply: its contacts are welded, it is bridged, or what it reports is not "
        "so. The reader cuts by every means it has. A current sensor whose zero is off looks the same.",
        "Cut the supply by its own switch now, and pull its plug. See by its own display whether current "
        "flows: if none does, mend the current's zero; if it did, replace the relay before you go on.",
        0.0,
        unit="A",
    ),
    "reader.lost": Rationale(
        "Reader not reachable",
        Priority.CRITICAL,
        "This service hears nothing from the reader: what flows and how warm the lye is are not known here, "
        "no alarm is judged, and this page can not cut the supply. Whether the reader still guards and "
        "records can not be told.",
        "Cut the supply by its own switch if you can not see that all is well. Then see that `lyewatch read` "
        "or `lyewatch up` runs, and what it says.",
        0.0,
    ),
    "watch.failed": Rationale(
        "Part of the watch failed",
        Priority.HIGH,
        "A fault of this program: an alarm or a number is not worked out, or the watch was begun anew. The "
        "other alarms go on, and the reader guards on its own.",
        "Stay at the bench and look at temperature and current yourself, or turn the supply off. Report what "
        "the service printed.",
        120.0,
    ),
    "forecast.failed": Rationale(
        "Forecast failed",
        Priority.HIGH,
        "A fault of this program: where the lye's temperature goes is not foreseen. Limits are judged as "
        "before. It was begun anew, and needs some minutes to learn.",
        "Watch the temperature's trend yourself, or turn the supply off. Report what the service printed.",
        120.0,
    ),
    "publish.failed": Rationale(
        "Publishing failed",
        Priority.LOW,
        "A fault of this program: what other computers are told of this bench may stand still. It was begun "
        "anew; alarms, this page and the recording go on.",
        "Look at this page rather than at others'. Report what the service printed.",
    ),
    "notify.failed": Rationale(
        "Messages do not get through",
        Priority.MEDIUM,
        "Somebody who is to be told of alarms can not be reached; only this page tells of them.",
        "Stay at the bench, or turn the supply off; look at the network, and try `lyewatch notify BENCH "
        "--test`.",
    ),
    "recording.impaired": Rationale(
        "Recording is impaired",
        Priority.CRITICAL,
        "Nothing is being kept, or samples are lost: the disk is full or fails, the store can not be opened, "
        "or the reader falls behind. What happens now can not be looked at afterwards.",
        "Free disk space; look at the reader's messages. The guard goes on without the recording; turn the "
        "supply off where the record is what you run for.",
        600.0,
    ),
}


def rationale(name: str, words: Rationale | None = None, *, limit: float | None = None, latched: bool = False,
              cuts: Cutter | None = None, time_s: float | None = None, unit: str | None = None,
              suppressed_while_off: bool | None = None) -> AlarmSpec:  # fmt: skip
    """An alarm with its words and settings.

    Parameters
    ----------
    name : str
        ``SUBJECT.WHAT``, as in the bench file's ``[alarms.rules]``.
    words : Rationale, optional
        Its words; None takes those kept here for that name.
    limit : float, optional
        Where the condition begins, in the alarm's unit; None where no one value says so.
    latched : bool
        Whether it stands until a person resets it.
    cuts : Cutter, optional
        Who cuts the supply because of it; None for nobody.
    time_s, unit, suppressed_while_off : optional
        In place of what the words say; None leaves that.
    """
    w = _FIXED[name] if words is None else words
    return AlarmSpec(
        name=name,
        title=w.title,
        priority=w.priority,
        what=w.what,
        action=w.action,
        time_s=w.time_s if time_s is None else time_s,
        unit=w.unit if unit is None else unit,
        limit=limit,
        latched=latched,
        suppressed_while_off=w.suppressed_while_off if suppressed_while_off is None else suppressed_while_off,
        cuts=cuts,
    )
