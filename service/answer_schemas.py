"""What the JSON answers look like: JSON Schemas (draft 2020-12, as OpenAPI 3.1 takes them)."""

from collections.abc import Iterable
from typing import Any

from platecover.coverage.columns import HISTORY_COLUMNS, RESULT_COLUMNS, Column
from platecover.service.settings import Settings

Schema = dict[str, Any]

_TYPES = {"text": "string", "float": "number", "int": "integer", "bool": "boolean"}
_NUMBER_OR_NULL = {"type": ["number", "null"]}
_RECORD: Schema = {"type": "object"}
_COUNT: Schema = {"type": "integer", "minimum": 0}


def answer_schemas(settings: Settings) -> dict[str, Schema]:
    """Schemas of all JSON answers, with the columns that the public may see."""
    public = [column for column in RESULT_COLUMNS if settings.is_public(column.name)]
    span = {"anyOf": [_closed({"from": {"type": "number"}, "to": {"type": "number"}}),
                      {"type": "null"}]}  # fmt: skip
    epoch_bin = {
        "from": {"type": "integer"}, "to": {"type": "integer", "description": "exclusive"},
        "exposures": _COUNT, "plates": _COUNT, "covered_deg2": _NUMBER_OR_NULL,
        "series": {"type": "object", "additionalProperties": _COUNT},
    }  # fmt: skip
    return {
        "Error": _closed({"error": _closed({
            "status": {"type": "integer"},
            "parameter": {"type": ["string", "null"]},
            "value": {"type": ["string", "null"]},
            "message": {"type": "string"},
        })}),
        "Exposure": _row(public),
        "Exposures": _closed({
            "query": _RECORD,
            "edition": {"type": "integer"},
            "edition_date": {"type": "string", "format": "date-time"},
            "citation": {"type": "string"},
            "count": _COUNT,
            "truncated": {"type": "boolean"},
            "exposures": {"type": "array", "items": {"$ref": "#/components/schemas/Exposure"}},
        }),
        "Epochs": _closed({
            "bins": {"type": "array", "items": _closed(epoch_bin)},
            "undated": _COUNT,
            "first": _NUMBER_OR_NULL, "last": _NUMBER_OR_NULL, "longest_gap": span,
            "baseline_years": _NUMBER_OR_NULL, "region_deg2": _NUMBER_OR_NULL,
            "order": {"type": ["integer", "null"]},
        }),
        "Map": _closed({
            "quantity": {"type": "string"},
            "order": {"type": "integer"},
            "ordering": {"const": "NESTED"},
            "values": {"type": "array", "items": _NUMBER_OR_NULL,
                       "description": "one a cell; null where nothing is"},
        }),
        "Moc": {"description": "cells by order, as MOC 2.0, appendix F, suggests",
                "type": ["object", "array"]},
        "Plate": _closed({
            "plate": _RECORD,
            "exposures": {"type": "array", "items": _RECORD},
            "logged": {"type": "array", "items": _RECORD},
            "remarks": {"type": "array", "items": _RECORD},
            "history": {"type": "array", "items": _RECORD},
        }),
        "Plan": _closed({
            "budget": {"type": "string"}, "edition": {"type": "integer"}, "candidates": _COUNT,
            "left_out": {"type": "object", "additionalProperties": _COUNT},
            "gain": {"type": "number"}, "bound": {"type": "number"},
            "at_least_of_best": {"type": "number"}, "theorem": {"type": "string"},
            "others": {"type": "object", "additionalProperties": {"type": "number"}},
            "series": {"type": "object", "additionalProperties": _COUNT},
            "areas": {"type": "array", "items": _RECORD},
            "plates": {"type": "array", "items": _RECORD},
            "conservation": {"type": "array", "items": _RECORD},
        }),
        "PullList": _closed({
            "title": {"type": "string"}, "edition": {"type": "integer"},
            "carry_kg": {"type": "number"}, "weight_kg": {"type": "number"}, "carries": _COUNT,
            "plates": {"type": "array", "items": _RECORD},
            "conservation": {"type": "array", "items": _RECORD},
            "away": {"type": "object", "additionalProperties": {"type": "string"}},
            "cautions": {"type": "array", "items": {"type": "string"}},
        }),
        "History": _closed({
            "query": _RECORD,
            "edition": {"type": "integer"},
            "edition_date": {"type": "string", "format": "date-time"},
            "citation": {"type": "string"},
            "count": _COUNT,
            "truncated": {"type": "boolean"},
            "history": {"type": "array", "items": _closed({
                column.name: {"type": ["string", "null"], "description": column.description}
                for column in HISTORY_COLUMNS
            })},
        }),
        "Progress": _closed({
            "by": {"type": "string"},
            "edition": {"type": "integer"},
            "first_day": _DAY, "last_day": _DAY,
            "total": _PROGRESS,
            "groups": {"type": "array", "items": _PROGRESS},
            "days": {"type": "array", "items": _closed({
                "date": {"type": "string", "format": "date"},
                "scanned": {"type": "integer", "description": "at the end of the day, all groups"},
                "change": {"type": "object", "additionalProperties": {"type": "integer"}},
            })},
        }),
        "Description": _RECORD,
    }  # fmt: skip


def _row(columns: Iterable[Column]) -> Schema:
    return _closed({
        column.name: {
            "type": [_TYPES[column.kind], "null"],
            "description": f"{column.description} ({column.unit})" if column.unit
            else column.description,
        }
        for column in columns
    })  # fmt: skip


def _closed(properties: dict[str, Schema]) -> Schema:
    """An object that has all of these and nothing else."""
    return {
        "type": "object", "properties": properties, "required": list(properties),
        "additionalProperties": False,
    }  # fmt: skip


_DAY: Schema = {"type": ["string", "null"], "format": "date"}
_PROGRESS: Schema = _closed({
    "name": {"type": "string"},
    "plates": _COUNT, "scanned_at_start": {"type": "integer"}, "scanned": _COUNT,
    "share": {"type": "number"}, "to_scan": _COUNT, "out_of_reach": _COUNT, "rescans": _COUNT,
    "forecast": _closed({
        "early": _DAY, "middle": _DAY, "late": _DAY, "days": _COUNT, "working_days": _COUNT,
        "per_week": {"type": "number"}, "why_not": {"type": ["string", "null"]},
    }),
})  # fmt: skip
