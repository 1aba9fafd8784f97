"""What a bench file says that bears on a comparison of builds, as a short list of facts."""

from __future__ import annotations

from daq.bench import Bench, ChannelSpec
from daq.measure import unit_words

__all__ = ["METERS", "bench_facts"]

METERS = ("gas_flow", "volts", "amps", "watts", "lye_temp", "room_temp", "gas_temp", "pressure")
"""Channels whose meters a comparison rests on."""


def bench_facts(bench: Bench) -> dict[str, str | float | None]:
    """By key of the bench file; ``channels.NAME`` says in words what reads that channel."""
    stack, supply, gas, site = bench.stack, bench.supply, bench.gas, bench.site
    facts: dict[str, str | float | None] = {
        "stack.cells": stack.cells,
        "stack.plate_area_cm2": stack.plate_area_cm2,
        "stack.electrolyte": stack.electrolyte,
        "stack.mass_fraction": stack.mass_fraction,
        "stack.litres": stack.litres,
        "stack.steel_kg": stack.steel_kg,
        "supply.mode": supply.mode,
        "supply.volts_set": supply.volts_set,
        "supply.amps_set": supply.amps_set,
        "supply.lead_milliohms": supply.lead_milliohms,
        "gas.meter": gas.meter,
        "gas.scale_gas": gas.scale_gas,
        "gas.meter_factor": gas.meter_factor,
        "gas.wet_over": gas.wet_over,
        "site.altitude_m": site.altitude_m,
        "site.pressure_kpa": site.pressure_kpa,
    }
    for name in METERS:
        spec = bench.channels.get(name)
        if spec is not None:
            calibration = bench.calibrations.get(name)
            facts[f"channels.{name}"] = _meter_words(spec, None if calibration is None else calibration.id)
    return facts


def _meter_words(spec: ChannelSpec, calibration: int | None) -> str:
    a, unit = spec.accuracy, unit_words(spec.unit)
    terms = [
        f"{value:g} {word}".strip()
        for value, word in (
            (a.percent_of_reading, "% of reading"),
            (a.percent_of_range, "% of range"),
            (a.absolute, unit),
            (a.counts, "counts"),
        )
        if value
    ]
    words = [f"{spec.source}.{spec.field}", f"± {' + '.join(terms)}" if terms else "accuracy not stated"]
    if (spec.scale, spec.offset) != (1.0, 0.0):
        words.append(f"× {spec.scale:g} {spec.offset:+g}")
    if spec.sensor is not None:
        words.append("with a sensor's curve")
    if calibration is not None:
        words.append(f"calibration {calibration}")
    return ", ".join(words)
