"""The record contract for others to read: a data dictionary in Markdown, a Frictionless Table Schema in JSON.

Both are generated from the contract, so that they cannot say anything else. The JSON follows the open
specifications Tabular Data Package and Table Schema (specs.frictionlessdata.io, version 1).
"""

from __future__ import annotations

import json
from typing import Any

from outcomes.records.contract import CONTRACT, TABLES, Column, Kind, Table
from outcomes.records.rules import EARLIEST_DATE, LATEST_DATE, TIME_PATTERN, cross_rules
from outcomes.records.schema import FILLED_WHEN_MISSING

_TITLES: dict[Table, str] = {
    "zones": "one row for each zone treated in one session; the only table that is needed",
    "sessions": "one row for each session: anaesthesia, consent, pain",
    "layers": "one row for each setting, where one zone was treated with more than one",
    "visits": "one row for each follow-up contact, of one record or of all zones of a session",
}

PRIMARY_KEYS: dict[Table, tuple[str, ...]] = {
    "zones": ("record_id",),
    "sessions": ("session_id",),
    "layers": ("record_id", "layer_no"),
}

_TYPES: dict[Kind, str] = {
    "id": "string",
    "text": "string",
    "code": "string",
    "list": "string",
    "time": "string",
    "date": "date",
    "number": "number",
    "integer": "integer",
    "boolean": "boolean",
}

_WORDS: dict[Kind, str] = {
    "id": "text, kept as it stands",
    "text": "text",
    "code": "code",
    "list": "codes joined by semicolons",
    "time": "time of day, HH:MM",
    "date": "date, YYYY-MM-DD",
    "number": "number",
    "integer": "whole number",
    "boolean": "true or false",
}


def table_schema(table: Table) -> dict[str, Any]:
    """One table of the contract as a Table Schema descriptor.

    Parameters
    ----------
    table : str
        ``zones``, ``sessions``, ``layers`` or ``visits``.

    Returns
    -------
    dict
        ``fields``, ``missingValues`` and, where rows have one, ``primaryKey``. Each field has its name, type,
        description and constraints; ``unit`` is a property of our own, as the specification allows.

    Examples
    --------
    >>> table_schema("layers")["primaryKey"]
    ['record_id', 'layer_no']
    """
    described: dict[str, Any] = {
        "fields": [_field(table, column) for column in CONTRACT[table]],
        "missingValues": [""],
    }
    if table in PRIMARY_KEYS:
        described["primaryKey"] = list(PRIMARY_KEYS[table])
    if table == "layers":
        described["foreignKeys"] = [
            {"fields": ["record_id"], "reference": {"resource": "zones", "fields": ["record_id"]}}
        ]
    return described


def table_schema_text() -> str:
    """The whole contract as one Tabular Data Package descriptor, JSON text with a final newline."""
    package = {
        "profile": "tabular-data-package",
        "name": "outcomes-record-contract",
        "title": "Record contract of outcomes: fractional CO2 laser resurfacing",
        "resources": [
            {
                "name": table,
                "title": _TITLES[table],
                "profile": "tabular-data-resource",
                "path": f"{table}.csv",
                "encoding": "utf-8",
                "schema": table_schema(table),
            }
            for table in TABLES
        ],
    }
    return json.dumps(package, indent=2, ensure_ascii=False) + "\n"


def data_dictionary() -> str:
    """The whole contract as a Markdown data dictionary: every column, and every rule between columns."""
    parts = [
        "# Data dictionary",
        "",
        "Up to four tables; only `zones` is needed. They come as separate CSV or Parquet files or as sheets of one",
        "workbook. A column that is not required may be absent; its absence is reported and never guessed. Headers,",
        "codes and units of an export are translated by a mapping file.",
    ]
    for table in TABLES:
        parts += ["", f"## {table}", "", f"{_TITLES[table][0].upper()}{_TITLES[table][1:]}.", ""]
        if table in PRIMARY_KEYS:
            key = " and ".join(f"`{name}`" for name in PRIMARY_KEYS[table])
            parts += [f"Told apart by {key}.", ""]
        parts += ["| column | what it is | kind | unit | allowed | required |", "|---|---|---|---|---|---|"]
        parts += [_line(column) for column in CONTRACT[table]]
        rules = [f"- `{cross.blames}` {_broken(cross.rule.rule)}" for cross in cross_rules(table)]
        if rules:
            parts += ["", "A row is also set aside when:", "", *dict.fromkeys(rules)]
    return "\n".join(parts) + "\n"


def _field(table: Table, column: Column) -> dict[str, Any]:
    field: dict[str, Any] = {"name": column.name, "type": _TYPES[column.kind], "description": column.describes}
    if column.unit:
        field["unit"] = column.unit
    if column.kind == "boolean":
        field |= {"trueValues": ["true"], "falseValues": ["false"]}
    constraints: dict[str, Any] = {}
    if column.required and column.name not in FILLED_WHEN_MISSING:
        constraints["required"] = True
    if PRIMARY_KEYS.get(table) == (column.name,):
        constraints["unique"] = True
    low, high = _limits(column)
    if low is not None:
        constraints["minimum"] = low
    if high is not None:
        constraints["maximum"] = high
    if column.kind == "code":
        constraints["enum"] = list(column.codes)
    elif column.kind == "time":
        constraints["pattern"] = TIME_PATTERN
    elif column.kind == "list":
        codes = "|".join(column.codes)
        constraints["pattern"] = f"({codes})(;({codes}))*"
    if constraints:
        field["constraints"] = constraints
    return field


def _limits(column: Column) -> tuple[float | int | str | None, float | int | str | None]:
    if column.kind == "date":
        return EARLIEST_DATE.isoformat(), LATEST_DATE.isoformat()
    low, high = column.minimum, column.maximum
    return _plain(low), _plain(high)


def _plain(limit: float | None) -> float | int | None:
    """A whole limit as a whole number: an integer field does not take 1.0."""
    return int(limit) if limit is not None and float(limit).is_integer() else limit


def _line(column: Column) -> str:
    allowed = ", ".join(f"`{code}`" for code in column.codes)
    low, high = _limits(column)
    if low is not None and high is not None:
        allowed = f"{low} to {high}"
    required = "yes" if column.required else ""
    if column.name in FILLED_WHEN_MISSING:
        required = "column; a blank is read as not recorded"
    return f"| `{column.name}` | {column.describes} | {_WORDS[column.kind]} | {column.unit} | {allowed} | {required} |"


def _broken(rule: str) -> str:
    """A rule as the condition that breaks it, in a list of such conditions."""
    return rule.replace("must not lie before", "lies before")
