"""The bench file that `lyewatch new` writes, with a comment beside whatever is to be looked at."""

from __future__ import annotations

import json
from collections.abc import Iterable
from typing import Any, Final

from daq.bench import KNOWN_CHANNELS, convert
from daq.cli.new_draft import Draft, DraftChannel, DraftSource

__all__ = ["bench_text"]

# By channel, in its own unit: limits of error as data sheets of common parts give them (judgement, to be
# replaced by the user's own data sheets), and what no sensor in order reads.
_ACCURACY: Final[dict[str, tuple[float, float]]] = {  # % of reading, absolute
    "volts": (0.5, 0.02), "amps": (1.0, 0.05), "watts": (1.5, 0.5), "lye_temp": (0.0, 0.5),
    "room_temp": (0.0, 0.5), "gas_temp": (0.0, 0.5), "gas_flow": (2.0, 0.02), "room_pressure": (0.0, 0.5),
    "gas_pressure": (0.0, 0.5), "gas_humidity": (0.0, 3.0), "duty": (0.0, 0.01),
    "mass": (0.0, 0.1), "mass_moving": (0.0, 0.1),
}  # fmt: skip
_VALID: Final[dict[str, tuple[float, float]]] = {
    "volts": (-1.0, 60.0), "amps": (-1.0, 100.0), "watts": (-5.0, 1500.0), "lye_temp": (-10.0, 120.0),
    "room_temp": (-20.0, 60.0), "gas_temp": (-20.0, 100.0), "gas_flow": (-0.1, 20.0),
    "room_pressure": (30.0, 120.0), "gas_pressure": (30.0, 300.0), "gas_humidity": (-1.0, 105.0),
    "duty": (-0.01, 1.01),
}  # fmt: skip

_HEAD: Final = """\
# The bench {name}, written by `lyewatch new`.
#
# Look through it before the first run. "guess" marks what was neither measured nor asked: above all the
# accuracy lines, from which the uncertainty of every result starts. Then: lyewatch check BENCH, and
# lyewatch up BENCH.
#
# Software is never the only protection: wire a thermal cut-out in series with the supply.
"""


def bench_text(draft: Draft) -> str:
    """The file's text."""
    parts = [_HEAD.format(name=_plain(draft.facts["name"])), _facts(draft)]
    parts += [_source(source, draft) for source in draft.sources]
    parts += [_channel(channel, draft) for channel in draft.channels]
    spare = [f"{source}.{name}" for source, name in draft.left_out]
    if spare:
        parts.append(
            f"# Heard, and not recorded: {', '.join(spare)}. Give one a [channels.NAME] to record it.\n"
        )
    parts.append(_limits(draft))
    return "\n".join(parts)


def _facts(draft: Draft) -> str:
    f = draft.facts
    lines = [
        "[bench]",
        _line("name", f["name"]),
        "",
        "[stack]",
        _line("name", f["stack"]),
        _line("build", f["build"], "change it with every change to the stack: comparisons go by it"),
        _line("cells", f["cells"], "gaps in series between the powered plates"),
        _line("plate_area_cm2", f["plate_area_cm2"], "wetted area of one plate's face"),
        _line("electrolyte", f["electrolyte"]),
        _line(
            "mass_fraction", round(f["mass_percent"] / 100.0, 6), "hydroxide in lye, by mass: not in water"
        ),
        _line("litres", f["litres"], "stack, hoses and reservoir together"),
        _line("steel_kg", f["steel_kg"], "plates and end plates, which warm with the lye"),
        "",
        "[supply]",
        _line("mode", f["mode"], "constant_voltage, constant_current or pwm"),
    ]
    lines += [_line(key, f[key]) for key in ("volts_set", "amps_set") if f.get(key) is not None]
    lines += [
        _line("volts_max", f["volts_max"], "the most that the supply can give"),
        _line("amps_max", f["amps_max"]),
        _line("trip_source", f["trip_source"], "this source cuts the supply at a trip"),
    ]
    if f.get("second_cut"):
        lines.append(_line("second_cut", f["second_cut"], "and this one as well"))
    lines += [
        _line(
            "lead_milliohms",
            f["lead_milliohms"],
            "from where volts are sensed to the stack; 0 at its terminals",
        ),
        "",
        "[site]",
        _line(
            "altitude_m",
            f["altitude_m"],
            "for the air's pressure; or pressure_kpa, or a channel room_pressure",
        ),
        _line("room_temp_c", f["room_temp_c"], "used where no channel room_temp measures it"),
    ]
    if draft.has("gas_flow"):
        lines += [
            "",
            "[gas]",
            _line(
                "meter_factor", f["meter_factor"], "true flow to reading: an air rotameter needs about 1.55"
            ),
            _line("meter_factor_u", round(0.02 * f["meter_factor"], 4), "guess: its standard uncertainty"),
            _line("wet_over", "water", "the last liquid before the meter: water, lye or dry"),
        ]
    return "\n".join(lines) + "\n"


def _source(source: DraftSource, draft: Draft) -> str:
    found = source.found
    lines = [f"[sources.{source.name}]".ljust(30) + f" # {_plain(found.about)}" if found.about else ""]
    lines = [lines[0] or f"[sources.{source.name}]", _line("kind", found.kind)]
    network = "://" in found.port
    if found.kind != "mqtt":
        lines.append(_line("port", found.port))
    if not network:
        lines.append(_line("baud", found.baud))
        if found.kind in ("scpi", "modbus") or found.framing != "8N1":
            lines.append(_line("framing", found.framing))
    for heard in [] if found.kind == "scpi" else found.heard[:1]:
        lines.append(f"# heard: {_plain(heard)}")
    lines += [_line(key, value) for key, value in found.keys.items() if key != "units"]
    if found.kind in ("line", "text", "mqtt") and found.rate_hz > 0.0:
        least = {"line": 1.0, "text": 3.0, "mqtt": 5.0}[found.kind]
        lines.append(_line("rate_hz", found.rate_hz, "as it was heard"))
        lines.append(_line("silent_after_s", max(least, round(5.0 / found.rate_hz, 1))))
    if found.kind in ("scpi", "modbus"):
        lines.append(_line("period_s", draft.facts["period_s"], "how often each is asked"))
    if found.kind != "line":
        lines.append('# align = "last"              # where it averages since its last reading')
    for query, name in source.queries:
        lines += ["", f"[[sources.{source.name}.queries]]", _line("ask", query), _line("field", name)]
    for register in source.registers:
        lines += ["", f"[[sources.{source.name}.registers]]", *(_line(k, v) for k, v in register.items())]
    if source.cuts:
        lines += [
            "",
            f"[sources.{source.name}.supply]".ljust(30) + " # sent at a trip, and only then",
            _line("off", "OUTP OFF"),
            _line("current", "MEAS:CURR?", "asked after it: the cut is verified by what still flows"),
        ]
    return "\n".join(lines) + "\n"


def _channel(channel: DraftChannel, draft: Draft) -> str:
    heard = "" if channel.value is None else f"heard: {channel.value:.6g}"
    lines = [
        f"[channels.{channel.name}]",
        _line("source", channel.source),
        _line("field", channel.field, heard),
        _line("unit", channel.unit),
    ]
    known = KNOWN_CHANNELS.get(channel.name)
    turned = None if known is None else convert(channel.unit, known.unit)
    if turned is not None and channel.name in _ACCURACY:
        percent, absolute = _ACCURACY[channel.name]
        own = f"{absolute / turned[0]:.4g}"
        words = f"{percent:g} % of reading + {own}" if percent else own
        lines.append(_line("accuracy", words, "guess: put the data sheet's line here"))
    elif channel.name != "relay":
        lines.append('# accuracy = "1 % of reading"  # from the data sheet')
    if channel.decimals and channel.name != "relay":
        lines.append(_line("resolution", round(10.0**-channel.decimals, 9)))
    if turned is not None and channel.name in _VALID:
        low, high = _VALID[channel.name]
        volts, amps = draft.facts["volts_max"], draft.facts["amps_max"]
        most = {"volts": 1.5 * volts, "amps": 1.5 * amps, "watts": 1.5 * volts * amps}
        high = max(high, most.get(channel.name, high))
        lines.append(
            _line(
                "valid",
                [round((end - turned[1]) / turned[0], 4) for end in (low, high)],
                "a reading outside is a broken sensor's",
            )
        )
    return "\n".join(lines) + "\n"


def _limits(draft: Draft) -> str:
    f = draft.facts
    if not draft.has("lye_temp"):
        return (
            "# NOTHING MEASURES THE LYE'S TEMPERATURE: no over-temperature alarm and no trip is possible,\n"
            "# and lyewatch does not start so. Give it a sensor, a channel lye_temp, and limits:\n"
            f"#\n# [limits.lye_temp]\n# warn = {f['warn']}\n# high = {f['high']}\n# trip = {f['trip']}\n"
        )
    lines = [
        "[limits.lye_temp]".ljust(30)
        + " # rigid PVC and acrylic soften above 60 degC: set yours by its parts",
        _line("warn", f["warn"]),
        _line("high", f["high"]),
        _line("trip", f["trip"], "here the reader cuts the supply"),
        _line("deadband", 1.0),
    ]
    return "\n".join(lines) + "\n"


def _line(key: str, value: Any, comment: str = "") -> str:
    text = f"{key} = {_toml(value)}"
    return f"{text.ljust(30)} # {_plain(comment)}" if comment else text


def _toml(value: Any) -> str:
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, str):
        if "\\" in value and "'" not in value and value.isprintable():
            return f"'{value}'"
        # JSON's string is TOML's but for DEL, which TOML wants escaped.
        return json.dumps(value, ensure_ascii=False).replace("\x7f", "\\u007f")
    if isinstance(value, list | tuple):
        return f"[{', '.join(_toml(v) for v in value)}]"
    return repr(value)


def _plain(text: str | Iterable[str]) -> str:
    """Text for a comment: one line, nothing that a terminal or TOML would take for more."""
    return "".join(char if char.isprintable() else "?" for char in str(text))[:160]
