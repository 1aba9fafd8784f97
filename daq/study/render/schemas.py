"""JSON Schemas (draft 2020-12) of what the studies give as JSON; the number after the slash is the version.

Within a version keys are only ever added: a reader must let pass what it does not know. A key that is taken
away, or comes to mean another thing, makes the next version.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from daq.errors import UsageError
from daq.measure import NUMBERS

__all__ = ["NAMES", "schema_of"]

Schema = dict[str, Any]


def _maybe(kind: str) -> Schema:
    return {"type": [kind, "null"]}


TEXT: Schema = {"type": "string"}
REAL: Schema = {"type": "number"}
COUNT: Schema = {"type": "integer", "minimum": 0}
SPAN: Schema = {"type": "number", "minimum": 0}
SHARE: Schema = {"type": "number", "minimum": 0, "maximum": 1}
YES: Schema = {"type": "boolean"}
NUMBER: Schema = {"$ref": "#/$defs/number"}
RUN: Schema = {"$ref": "#/$defs/run"}
ANY: Schema = {}


def _object(required: Mapping[str, Schema], optional: Mapping[str, Schema] | None = None) -> Schema:
    return {
        "type": "object",
        "properties": {**required, **(optional or {})},
        "required": list(required),
    }


def _list(items: Schema) -> Schema:
    return {"type": "array", "items": items}


def _by_name(values: Schema) -> Schema:
    return {"type": "object", "additionalProperties": values}


def _or_null(schema: Schema) -> Schema:
    return {"anyOf": [schema, {"type": "null"}]}


_DEFS: Schema = {
    "number": {
        **_object({"value": _maybe("number"), "unit": TEXT}, {"u95": _maybe("number")}),
        "description": "In its unit; u95 is its expanded uncertainty (k = 2, about 95 %); null: not known.",
    },
    "run": _object(
        {
            "id": _maybe("string"),
            "name": TEXT,
            "build": TEXT,
            "kind": TEXT,
            "bench": TEXT,
            "start_utc_ns": _maybe("integer"),
            "note": TEXT,
        }
    ),
}
_TOTALS = ("energy_wh", "charge_ah", "gas_as_read_l", "gas_dry_ref_l", "water_split_ml", "water_vapour_ml")
_TOTAL = {
    **_object(
        {"value": _maybe("number"), "unit": TEXT},
        {
            "u95": _maybe("number"),
            "recorded_s": SPAN,
            "whole_s": SPAN,
            "whole": NUMBER,
            "by": {"enum": ["gas", "charge"]},
        },
    ),
    "description": "Of what was recorded: recorded_s of whole_s. whole: a straight line across what is not.",
}
_NUMBERS = _object({n.key: NUMBER for n in NUMBERS})
_SPENT = _object({"gas": NUMBER, "vapour": NUMBER, "heat": NUMBER})
_SERIES = _list(REAL)
_OVER_TEMPERATURE = _object(
    {"reason": _maybe("string")},
    {
        "lye_temp": _object({"unit": TEXT, "value": _SERIES}),
        "levels": _list(_object({"unit": TEXT, "value": _SERIES, "u95": _SERIES})),
        "difference": _object(
            {
                "unit": TEXT,
                "value": _SERIES,
                "low95": _SERIES,
                "high95": _SERIES,
                "low95_all": _SERIES,
                "high95_all": _SERIES,
            }
        ),
        "change_per_10_k": _object(
            {"at": NUMBER, "value": REAL, "low95": REAL, "high95": REAL, "unit": TEXT}
        ),
        "slopes_differ": YES,
    },
)
_LOSS = _object(
    {"source": TEXT, "from_s": _or_null(REAL), "to_s": _or_null(REAL), "samples": COUNT, "why": TEXT}
)
_DIFFERENCE = _object(
    {
        "metric": TEXT,
        "label": TEXT,
        "scale": {"enum": ["ratio", "difference"]},
        "unit": TEXT,
        "better": {"enum": ["higher", "lower", None]},
        "value": _maybe("number"),
        "low95": _maybe("number"),
        "high95": _maybe("number"),
        "reason": _maybe("string"),
    },
    {
        "levels": _list(NUMBER),
        "half_width_alone": _object({"noise": REAL, "between_runs": _maybe("number"), "calibration": REAL}),
        "between_dof": COUNT,
        "low95_any_look": _maybe("number"),
        "high95_any_look": _maybe("number"),
        "days": _or_null(
            _object(
                {
                    "sd": SPAN,
                    "sd_low90": SPAN,
                    "sd_high90": SPAN,
                    "from": {"enum": ["repeats", "stated"]},
                    "stated_share": SHARE,
                    "stated_by": {"enum": ["nobody", "bench file", "asked"]},
                    "method": TEXT,
                }
            )
        ),
        "day_sd": _maybe("number"),
        "matched": _by_name(NUMBER),
        "not_adjusted": _list(TEXT),
        "blocks": _list(COUNT),
        "hours": _list(SPAN),
        "noise_correlation": _maybe("number"),
        "over_temperature": _or_null(_OVER_TEMPERATURE),
    },
)
_GROUP_RUN = _object({"id": TEXT, "name": TEXT, "build": TEXT, "start_utc_ns": _maybe("integer")})

_HINDSIGHT = {
    **_object(
        {
            "stretches": _list(
                _object(
                    {
                        "from_s": REAL,
                        "to_s": REAL,
                        "outcome": TEXT,
                        "limit_c": _maybe("number"),
                        "crossed_at_s": _maybe("number"),
                        "settled_c": _maybe("number"),
                        "said": _list(
                            _object(
                                {
                                    "at_s": REAL,
                                    "true_s": REAL,
                                    "said_s": _maybe("number"),
                                    "error": _maybe("number"),
                                }
                            )
                        ),
                        "settling": _list(
                            _object(
                                {
                                    "at_s": REAL,
                                    "share": SHARE,
                                    "said_c": _maybe("number"),
                                    "error_c": _maybe("number"),
                                }
                            )
                        ),
                    }
                )
            ),
            "warnings": _list(
                _object({"raised_s": REAL, "outcome": TEXT, "lead_s": _maybe("number"), "words": TEXT})
            ),
            "missed": _list(REAL),
        }
    ),
    "description": "What came in each stretch of unchanged conditions, whether a warning came in time, and "
    "how far off it was what had been said at chosen moments before.",
}

_REVIEW = _object(
    {
        "run": RUN,
        "duration_s": SPAN,
        "from_s": REAL,
        "to_s": REAL,
        "reference": TEXT,
        "window_s": SPAN,
        "samples": _by_name(COUNT),
        "lye": ANY,
        "totals": _object(dict.fromkeys(_TOTALS, _TOTAL)),
        "powered_s": SPAN,
        "numbers": _or_null(_NUMBERS),
        "fills": _or_null(ANY),
        "weighing": _or_null(ANY),
        "headline": _or_null(
            _object(
                {
                    "phase": TEXT,
                    "from_s": SPAN,
                    "to_s": SPAN,
                    "duration_s": SPAN,
                    "numbers": _NUMBERS,
                    "spent": _SPENT,
                    "budget": _list(_object({"from": TEXT, "share": SHARE})),
                }
            )
        ),
        "map": _object(
            {
                "temp_edges": _list(REAL),
                "amps_edges": _list(REAL),
                "fields": _list(
                    _object(
                        {
                            "temp_from": REAL,
                            "temp_to": REAL,
                            "amps_from": REAL,
                            "amps_to": REAL,
                            "seconds": SPAN,
                            "lye_temp": NUMBER,
                            "amps": NUMBER,
                            "numbers": _by_name(NUMBER),
                        }
                    )
                ),
            }
        ),
        "heat_balance": _object(
            {
                "capacity": NUMBER,
                "resistance": NUMBER,
                "room": NUMBER,
                "time_constant": NUMBER,
                "capacity_stated": NUMBER,
                "room_measured": YES,
                "spans": COUNT,
                "scatter": NUMBER,
                "reason": _maybe("string"),
            }
        ),
        "phases": _list(
            _object(
                {
                    "phase": {
                        "enum": ["warm-up", "steady", "disturbed", "cool-down", "supply off", "no data"]
                    },
                    "from_s": SPAN,
                    "to_s": SPAN,
                    "duration_s": SPAN,
                    "numbers": _or_null(_NUMBERS),
                }
            )
        ),
        "channels": _by_name(
            _object(
                {"unit": TEXT, "min": REAL, "min_at_s": REAL, "max": REAL, "max_at_s": REAL, "mean": REAL},
                {key: _maybe("number") for key in ("min_u95", "max_u95", "mean_u95")},
            )
        ),
        "limits": _list(
            _object(
                {
                    "channel": TEXT,
                    "level": TEXT,
                    "limit": REAL,
                    "unit": TEXT,
                    "seconds_beyond": SPAN,
                    "samples_beyond": COUNT,
                    "first_at_s": _maybe("number"),
                }
            )
        ),
        "alarms": _list(
            _object({"t_s": REAL, "alarm": TEXT, "state_from": TEXT, "state_to": TEXT}, {"unit": TEXT})
        ),
        "alarms_recomputed": YES,
        "alarm_summary": _list(ANY),
        "alarm_load": _object({"raised": COUNT, "per_10_min": _maybe("number")}),
        "warnings": _list(_object({"raised_s": REAL, "reason": TEXT})),
        "forecasts": _list(_object({"at_s": REAL})),
        "forecasts_checked": {
            **_object(
                {
                    "made": COUNT,
                    "checked": COUNT,
                    "held": COUNT,
                    "band": SHARE,
                    "list": _list(_object({"at_s": REAL, "limit_c": REAL, "verdict": TEXT})),
                }
            ),
            "description": "Of every forecast of the time to the limit: whether what came lay in its band.",
        },
        "hindsight": _HINDSIGHT,
        "trips": _list(_object({"t_s": REAL, "cause": TEXT, "detail": TEXT})),
        "marks": _list(_object({"t_s": REAL, "kind": TEXT, "text": TEXT, "who": TEXT})),
        "gaps": _object(
            {
                "count": COUNT,
                "seconds": SPAN,
                "list": _list(ANY),
                "missing_frames": _by_name(COUNT),
                "not_kept": _list(_LOSS),
            }
        ),
        "bad_values": _by_name(_object({"uncertain": COUNT, "bad": COUNT, "missing": COUNT})),
        "links": _by_name(ANY),
        "clock_steps": _list(_object({"t_s": REAL, "text": TEXT})),
        "against": _or_null(
            _object(
                {
                    "run": TEXT,
                    "name": TEXT,
                    "build": TEXT,
                    "sentence": TEXT,
                    "differences": _list(_DIFFERENCE),
                    "bench_changes": _list(_object({"key": TEXT, "was": ANY, "now": ANY})),
                }
            )
        ),
        "findings": _list(_object({"code": TEXT, "text": TEXT, "causes": _list(TEXT)})),
        "assumptions": _list(TEXT),
        "notes": _list(TEXT),
    }
)

_CARD = _object(
    {
        "run": RUN,
        "reference": TEXT,
        "phase": _maybe("string"),
        "duration_s": _maybe("number"),
        "numbers": _or_null(_NUMBERS),
        "spent": _or_null(_SPENT),
        "limits": _list(TEXT),
    }
)

_COMPARE = _object(
    {
        "reference": TEXT,
        "matters": SHARE,
        "groups": _list(_object({"name": TEXT, "hours": SPAN, "runs": _list(_GROUP_RUN)})),
        "comparisons": _list(
            _object(
                {
                    "first": TEXT,
                    "second": TEXT,
                    "verdict": _object(
                        {
                            "kind": {
                                "enum": [
                                    "better",
                                    "worse",
                                    "different",
                                    "alike",
                                    "day",
                                    "unknown",
                                    "not_compared",
                                ]
                            },
                            "sentence": TEXT,
                            "metric": TEXT,
                            "more_hours": _maybe("number"),
                            "runs_each": _maybe("integer"),
                        },
                        {"more_runs_each": _maybe("integer"), "answer": TEXT},
                    ),
                    "repeated": YES,
                    "differences": _list(_DIFFERENCE),
                },
                {
                    "bench_differences": _list(
                        _object(
                            {
                                "key": TEXT,
                                "label": TEXT,
                                "first": TEXT,
                                "second": TEXT,
                                "effect": TEXT,
                                "bears_on_gas_per_watt": YES,
                            }
                        )
                    ),
                    "looks": _object(
                        {
                            "count": COUNT,
                            "left_out": _list(TEXT),
                            "taken": _list(
                                _object(
                                    {
                                        "t_utc_ns": REAL,
                                        "runs": _list(TEXT),
                                        "kind": TEXT,
                                        "low95": _maybe("number"),
                                        "high95": _maybe("number"),
                                    }
                                )
                            ),
                        }
                    ),
                },
            )
        ),
        "rests_on": _list(TEXT),
    }
)

_PLAN = _object(
    {
        "metric": TEXT,
        "detect": SHARE,
        "power": SHARE,
        "noise_of_an_hour": SPAN,
        "day_sd": SPAN,
        "day_sd_high": _maybe("number"),
        "day_sd_assumed": YES,
        "repeats": COUNT,
        "runs_looked_at": COUNT,
        "choices": _list(
            _object(
                {"hours": SPAN, "runs_each": COUNT, "power": SHARE, "total_hours": SPAN},
                {"expected_runs_each": SPAN},
            )
        ),
        "best": _or_null(
            _object(
                {"hours": SPAN, "runs_each": COUNT, "order": _list({"enum": ["A", "B"]})},
                {"expected_runs_each": SPAN},
            )
        ),
    },
    {
        "day_sd_stated": SHARE,
        "day_sd_stated_by": {"enum": ["nobody", "bench file", "asked"]},
        "meters_of_a_run": SPAN,
        "meters_mostly_from": _maybe("string"),
    },
)

_LEAK = _object(
    {
        "bench": TEXT,
        "build": TEXT,
        "reference": TEXT,
        "conditions": _object({"from": TEXT, "volts": NUMBER, "amps": _or_null(NUMBER), "lye_temp": NUMBER}),
        "predicted": _or_null(
            _object(
                {
                    "leak": NUMBER,
                    "lost_gas": NUMBER,
                    "lost_share": _or_null(NUMBER),
                    "heat": NUMBER,
                    "conductivity": NUMBER,
                    "driving_volts": NUMBER,
                    "past_each_plate": _list(NUMBER),
                    "by_gap": _list(NUMBER),
                    "limits": _list(TEXT),
                }
            )
        ),
        "changes": _list(
            _object(
                {
                    "change": TEXT,
                    "words": TEXT,
                    "leak": NUMBER,
                    "saves": NUMBER,
                    "gas_gained": _or_null(NUMBER),
                    "limits": _list(TEXT),
                }
            )
        ),
        "ramps": _list(_object({"from_s": REAL, "to_s": REAL, "points": COUNT, "conductance": NUMBER})),
        "estimates": _list(_object({"kind": TEXT, "words": TEXT, "leak": NUMBER, "limits": _list(TEXT)})),
        "agreement": _list(_object({"a": TEXT, "b": TEXT, "normalised_error": SPAN, "agree": YES})),
        "missing": _list(TEXT),
    }
)

_POLARISATION = _object(
    {
        "lye_temp": NUMBER,
        "current_density": NUMBER,
        "builds": _list(
            _object(
                {
                    "name": TEXT,
                    "runs": _list(_object({"id": _maybe("string"), "name": TEXT})),
                    "parts": _or_null(_by_name(NUMBER)),
                    "reason": _maybe("string"),
                    "scatter_volts": _maybe("number"),
                    "mixing": _maybe("number"),
                    "leaks": _list(_or_null(NUMBER)),
                    "steps": _list(
                        _object(
                            {
                                "from_s": REAL,
                                "to_s": REAL,
                                "density": NUMBER,
                                "cell_volts": NUMBER,
                                "lye_temp": NUMBER,
                                "used": YES,
                                "reason": _maybe("string"),
                            }
                        )
                    ),
                    "notes": _list(TEXT),
                }
            )
        ),
        "comparisons": _list(
            _object(
                {
                    "first": TEXT,
                    "second": TEXT,
                    "sentence": TEXT,
                    "differences": _list(
                        _object({"part": TEXT, "value": REAL, "low95": REAL, "high95": REAL, "unit": TEXT})
                    ),
                }
            )
        ),
        "rests_on": _list(TEXT),
    }
)

_SCHEMAS = {
    "review": (_REVIEW, 1),
    "card": (_CARD, 1),
    "compare": (_COMPARE, 1),
    "plan": (_PLAN, 1),
    "leak": (_LEAK, 1),
    "polarisation": (_POLARISATION, 1),
}
NAMES = tuple(_SCHEMAS)
"""Studies whose machine form has a schema."""


def schema_of(name: str) -> Schema:
    """The schema of one study's machine form.

    Raises
    ------
    UsageError
        For another name than those of `NAMES`.
    """
    if name not in _SCHEMAS:
        raise UsageError(
            "is no study with a machine form",
            place="schema",
            value=name,
            remedy=f"ask for {', '.join(NAMES)}",
        )
    body, version = _SCHEMAS[name]
    tag = f"lyewatch.{name}/{version}"
    return {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        "$id": f"urn:lyewatch:{name}:{version}",
        "title": tag,
        **body,
        "properties": {"schema": {"const": tag}, **body["properties"]},
        "required": ["schema", *body["required"]],
        "$defs": _DEFS,
    }
