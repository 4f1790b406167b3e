"""The data dictionary and the Table Schema say what the contract says, whole."""

from __future__ import annotations

import json
import re

import pytest

from outcomes.records.contract import CONTRACT, TABLES, Table
from outcomes.records.dictionary import data_dictionary, table_schema, table_schema_text
from outcomes.records.rules import cross_rules

# Types and constraints that the specification knows (Table Schema, specs.frictionlessdata.io, version 1); the
# package was also read and used by the reference implementation (frictionless 5) without complaint.
TYPES = {"string", "number", "integer", "boolean", "date"}
CONSTRAINTS = {
    "string": {"required", "unique", "enum", "pattern"},
    "number": {"required", "minimum", "maximum"},
    "integer": {"required", "minimum", "maximum"},
    "boolean": {"required"},
    "date": {"required", "minimum", "maximum"},
}


@pytest.mark.parametrize("table", TABLES)
def test_every_column_is_a_field_with_its_limits(table: Table) -> None:
    fields = {field["name"]: field for field in table_schema(table)["fields"]}
    assert list(fields) == [column.name for column in CONTRACT[table]]
    for column in CONTRACT[table]:
        field = fields[column.name]
        constraints = field.get("constraints", {})
        assert field["type"] in TYPES
        assert set(constraints) <= CONSTRAINTS[field["type"]]
        assert field["description"] == column.describes != ""
        assert field.get("unit", "") == column.unit
        if column.kind in ("number", "integer"):
            assert constraints.get("minimum") == column.minimum
            assert constraints.get("maximum") == column.maximum
        if column.kind == "code":
            assert constraints["enum"] == list(column.codes)
        if column.name != "skin_type":
            assert constraints.get("required", False) == column.required
    assert "required" not in fields.get("skin_type", {}).get("constraints", {})


@pytest.mark.parametrize(
    ("table", "column", "fits", "fails"),
    [
        ("sessions", "laser_start", ["00:00", "09:30", "23:59"], ["24:00", "9:30", "09:60", "09:30:00"]),
        ("sessions", "blocks", ["none", "mental", "mental;infraorbital"], ["", "mental;", "chin", "mental,none"]),
    ],
)
def test_patterns_hold_what_they_should(table: Table, column: str, fits: list[str], fails: list[str]) -> None:
    fields = {field["name"]: field for field in table_schema(table)["fields"]}
    pattern = fields[column]["constraints"]["pattern"]
    assert [text for text in fits if not re.fullmatch(pattern, text)] == []
    assert [text for text in fails if re.fullmatch(pattern, text)] == []


def test_package_holds_all_tables_and_keys() -> None:
    package = json.loads(table_schema_text())
    assert package["profile"] == "tabular-data-package"
    assert [resource["name"] for resource in package["resources"]] == list(TABLES)
    keys = {resource["name"]: resource["schema"].get("primaryKey") for resource in package["resources"]}
    assert keys == {
        "zones": ["record_id"],
        "sessions": ["session_id"],
        "layers": ["record_id", "layer_no"],
        "visits": None,
    }
    assert package["resources"][2]["schema"]["foreignKeys"][0]["reference"]["resource"] == "zones"
    assert table_schema_text() == table_schema_text()


def test_dictionary_lists_every_column_and_every_rule() -> None:
    text = data_dictionary()
    parts = dict(zip(TABLES, re.split(r"^## .+$", text, flags=re.MULTILINE)[1:], strict=True))
    for table in TABLES:
        listed = re.findall(r"^\| `(\w+)` \|", parts[table], flags=re.MULTILINE)
        assert listed == [column.name for column in CONTRACT[table]]
        for cross in cross_rules(table):
            assert f"- `{cross.blames}` " in parts[table]
        for line in parts[table].splitlines():
            if line.startswith("| `"):
                assert line.count("|") == 7
    assert "| `pulse_energy_mj` | energy of one pulse (one microbeam) | number | mJ | 1 to 1000 | yes |" in text
