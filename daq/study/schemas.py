"""JSON Schemas (draft 2020-12) of what the studies give as JSON; the number after the slash is the version.

All but that of a comparison are made from the types of their results.

Within a version keys are only ever added: a reader must let pass what it does not know. A key that is taken
away, or comes to mean another thing, makes the next version.
"""

from __future__ import annotations

from collections.abc import Mapping
from importlib import import_module
from typing import Any

from daq.errors import UsageError
from daq.study.render import schema_from, schema_of_type
from daq.study.review import CardResult, ReviewResult

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
}
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

_REVIEW = schema_of_type(ReviewResult)
# What changed against a reference run is told by the comparison, which writes it.
_REVIEW["properties"]["against"] = _or_null(
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

_SCHEMAS = {
    "review": (_REVIEW, 1),
    "card": (schema_of_type(CardResult), 1),
    "compare": (_COMPARE, 1),
}
_RESULTS = {
    "plan": ("daq.study.compare", "Plan", "lyewatch.plan/1"),
    "leak": ("daq.study.leak", "LeakTest", "lyewatch.leak/1"),
    "polarisation": ("daq.study.polarisation", "Polarisation", "lyewatch.polarisation/1"),
}
"""Where each result's type is, and its version; imported where it is asked for, which takes a while."""
NAMES = (*_SCHEMAS, *_RESULTS)
"""Studies whose machine form has a schema."""


def schema_of(name: str) -> Schema:
    """The schema of one study's machine form.

    Raises
    ------
    UsageError
        For another name than those of `NAMES`.
    """
    if name in _RESULTS:
        room, kind, tag = _RESULTS[name]
        return schema_from(getattr(import_module(room), kind), tag)
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
        "$defs": {**_DEFS, **body.get("$defs", {})},
    }
