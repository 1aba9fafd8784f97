"""The difference over temperature in words, as rows of a table and as JSON."""

from __future__ import annotations

from typing import Any

import numpy as np

from daq.quantity import shown
from daq.study.compare import Difference
from daq.study.compare_band import Curve
from daq.study.compare_verdict import amount_words
from daq.watch.columns import FloatArray
from daq.watch.numbers import unit_words

__all__ = ["band_dict", "band_rows", "band_words"]

ROWS = 5


def band_words(d: Difference) -> str:
    """Whether the difference changes with temperature, and where it is clear of nothing."""
    band = d.band
    if band is None:
        return ""
    if not band.known:
        return f"{d.metric.label} over temperature is not told: {band.reason}."
    change = f"{amount_words(d.metric, *band.slope[1:], fine=True)} for each 10 K at {band.middle:.0f} °C"
    if band.slopes_differ:
        said = f"The builds' slopes differ: the difference in {d.metric.label} changes by {change}."
    else:
        said = f"No change with temperature of the difference in {d.metric.label} was found: {change}."
    clear = [
        f"{'above' if sign > 0 else 'below'} from {a:.0f} to {b:.0f} °C"
        for a, b, sign in band.stretches(band.all_low, band.all_high)
    ]
    here = f"{band.temps[0]:.0f} to {band.temps[-1]:.0f} °C"
    where = f"clear of nothing, {' and '.join(clear)}" if clear else "nowhere clear of nothing"
    return f"{said} Over {here}, all temperatures taken together, it is {where}."


def band_rows(d: Difference) -> list[list[str]]:
    """At some of the band's temperatures: both builds ± U, the pointwise and the simultaneous interval."""
    band = d.band
    if band is None or not band.known:
        return []
    out = []
    for k in np.unique(np.linspace(0, band.temps.size - 1, ROWS).round().astype(int)).tolist():
        levels = [
            shown(float(c.value[k]), float(c.high[k] - c.value[k]), unit_words(d.metric.unit)).text
            for c in (band.first, band.second)
        ]
        spans = [
            amount_words(d.metric, float(low[k]), float(high[k]))
            for low, high in ((band.difference.low, band.difference.high), (band.all_low, band.all_high))
        ]
        out.append([f"{band.temps[k]:.1f} °C", *levels, *spans])
    return out


def band_dict(d: Difference) -> dict[str, Any] | None:
    """For JSON: arrays over the temperatures; differences of a "ratio" are shares [1]."""
    band = d.band
    if band is None:
        return None
    unit = "1" if d.metric.scale == "ratio" else d.metric.unit
    if not band.known:
        return {"reason": band.reason}
    value, low, high = band.slope
    return {
        "reason": None,
        "lye_temp": {"unit": "degC", "value": band.temps.tolist()},
        "levels": [_level(band.first, d.metric.unit), _level(band.second, d.metric.unit)],
        "difference": {
            "unit": unit,
            "value": band.difference.value.tolist(),
            "low95": band.difference.low.tolist(),
            "high95": band.difference.high.tolist(),
            "low95_all": band.all_low.tolist(),
            "high95_all": band.all_high.tolist(),
        },
        "change_per_10_k": {
            "at": {"value": band.middle, "unit": "degC"},
            "value": value,
            "low95": low,
            "high95": high,
            "unit": unit,
        },
        "slopes_differ": band.slopes_differ,
    }


# -- parts -------------------------------------------------------------------------------------------------


def _level(curve: Curve, unit: str) -> dict[str, Any]:
    u95: FloatArray = curve.high - curve.value
    return {"unit": unit, "value": curve.value.tolist(), "u95": u95.tolist()}
