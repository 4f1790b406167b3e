"""Every broken rule is found at its row and column, all at once, and no value is told."""

from __future__ import annotations

import pandas as pd
import pandera.pandas as pa
import pytest

from outcomes.records.contract import CONTRACT, TABLES, Table
from outcomes.records.mapping import Mapped
from outcomes.records.problems import Problem
from outcomes.records.rules import cross_rules, pattern_rule, range_rule, type_rule
from outcomes.records.schema import find_problems, schema
from outcomes.records.typed import Typed, dtype_of, typed
from outcomes.records.vocabulary import OUTCOMES

GOOD: dict[str, str] = {
    "record_id": "R1",
    "patient_id": "P1",
    "session_id": "S1",
    "treated_on": "2026-03-02",
    "practitioner_id": "A",
    "zone": "neck",
    "skin_type": "II",
    "pulse_energy_mj": "12",
    "density_pct": "5",
    "passes": "1",
}


def table(*changes: dict[str, str | None], name: Table = "zones", base: dict[str, str] = GOOD) -> Typed:
    rows = [{**base, "record_id": f"R{i}", **change} for i, change in enumerate(changes, start=1)]
    columns = list(dict.fromkeys(column for row in rows for column in row))
    frame = pd.DataFrame({c: [row.get(c) for row in rows] for c in columns}, dtype="string")
    headers = {column: f"Export {column}" for column in columns}
    return typed(Mapped(name, frame, list(range(2, len(rows) + 2)), headers, (), ()))


def found(one: Typed) -> list[tuple[int | None, str, str]]:
    problems: list[Problem] = [*one.problems, *find_problems(one)]
    return sorted((p.row, p.column.removeprefix("Export "), p.kind) for p in problems)


def test_a_good_row_breaks_nothing() -> None:
    assert found(table({}, {"skin_type": None}, {"passes": "2.0"}, {"treated_on": "1995-01-01"})) == []


@pytest.mark.parametrize(
    ("change", "column", "kind"),
    [
        ({"record_id": None}, "record_id", "value_missing"),
        ({"pulse_energy_mj": None}, "pulse_energy_mj", "value_missing"),
        ({"pulse_energy_mj": "0.012"}, "pulse_energy_mj", "out_of_range"),
        ({"pulse_energy_mj": "12000"}, "pulse_energy_mj", "out_of_range"),
        ({"pulse_energy_mj": "twelve"}, "pulse_energy_mj", "not_a_number"),
        ({"pulse_energy_mj": "nan"}, "pulse_energy_mj", "not_a_number"),
        ({"pulse_energy_mj": "inf"}, "pulse_energy_mj", "not_a_number"),
        ({"density_pct": "0"}, "density_pct", "out_of_range"),
        ({"density_pct": "100.5"}, "density_pct", "out_of_range"),
        ({"passes": "0"}, "passes", "out_of_range"),
        ({"passes": "1.5"}, "passes", "not_whole"),
        ({"passes": "-1"}, "passes", "out_of_range"),
        ({"spot_um": "0.12"}, "spot_um", "out_of_range"),
        ({"zone": "nek"}, "zone", "unknown_code"),
        ({"skin_type": "VII"}, "skin_type", "unknown_code"),
        ({"skin_type": "2"}, "skin_type", "unknown_code"),
        ({"treated_on": "2026-02-30"}, "treated_on", "not_a_date"),
        ({"treated_on": "1026-02-20"}, "treated_on", "not_a_date"),
        ({"treated_on": "1994-12-31"}, "treated_on", "out_of_range"),
        ({"treated_on": "2126-02-20"}, "treated_on", "out_of_range"),
        ({"treated_on": None}, "treated_on", "value_missing"),
        ({"scarring": "maybe"}, "scarring", "not_yes_no"),
        ({"scarring": "true", "scarring_severity": "5"}, "scarring_severity", "out_of_range"),
        ({"last_seen_day": "-4"}, "last_seen_day", "out_of_range"),
        ({"healed_after_day": "-1"}, "healed_after_day", "out_of_range"),
        ({"pain_score": "11"}, "pain_score", "out_of_range"),
        ({"laser_start": "25:00"}, "laser_start", "not_a_time"),
        ({"blocks": "mental;chin"}, "blocks", "unknown_code"),
        ({"blocks": "none;mental"}, "blocks", "blocks_contradict"),
        ({"healed_after_day": "9", "healed_by_day": "7"}, "healed_by_day", "healed_interval_reversed"),
        ({"red_after_day": "9", "red_by_day": "7"}, "red_by_day", "red_interval_reversed"),
        ({"scarring": "false", "scarring_day": "30"}, "scarring", "answer_contradicted"),
        ({"scarring": "false", "scarring_severity": "2"}, "scarring", "answer_contradicted"),
    ],
)
def test_one_fault_is_one_problem_at_its_row_and_column(change: dict[str, str | None], column: str, kind: str) -> None:
    assert found(table({}, change, {})) == [(3, column, kind)]


@pytest.mark.parametrize(
    "change",
    [
        {"healed_after_day": "7", "healed_by_day": "7"},
        {"healed_after_day": "0", "healed_by_day": None},
        {"healed_after_day": None, "healed_by_day": "7"},
        {"scarring": None, "scarring_day": "30"},
        {"scarring": "true", "scarring_day": "30", "scarring_severity": "4"},
        {"blocks": "none"},
        {"blocks": "mental;infraorbital"},
        {"age_years": None, "last_seen_day": None},
        {"consent_on": "2026-03-05"},  # consent after treatment is what an audit looks for, not a fault
    ],
)
def test_what_is_allowed_breaks_nothing(change: dict[str, str | None]) -> None:
    assert found(table({}, change, {"mode": "fractional"})) == []


def test_every_problem_of_every_row_at_once() -> None:
    one = table(
        {"zone": "nek", "passes": "1.5", "pulse_energy_mj": "0.1", "practitioner_id": None},
        {},
        {"healed_after_day": "9", "healed_by_day": "7", "pain_score": "12", "treated_on": "2026-13-01"},
    )
    assert found(one) == [
        (2, "passes", "not_whole"),
        (2, "practitioner_id", "value_missing"),
        (2, "pulse_energy_mj", "out_of_range"),
        (2, "zone", "unknown_code"),
        (4, "healed_by_day", "healed_interval_reversed"),
        (4, "pain_score", "out_of_range"),
        (4, "treated_on", "not_a_date"),
    ]


def test_a_required_column_that_is_absent_is_not_every_rows_fault() -> None:
    base = {name: value for name, value in GOOD.items() if name != "passes"}
    assert found(table({}, {"zone": "nek"}, base=base)) == [(3, "zone", "unknown_code")]


def test_remedies_name_the_unit() -> None:
    (problem,) = find_problems(table({"pulse_energy_mj": "0.012"}))
    assert problem.rule == "must lie between 1 and 1,000 mJ"
    assert "unit" in problem.remedy
    assert "mJ" in problem.remedy
    assert problem.column == "Export pulse_energy_mj"


def test_problems_hold_no_value() -> None:
    canaries = {"pulse_energy_mj": "77123.77", "zone": "zz-canary", "pain_score": "7712", "treated_on": "2177-07-07"}
    one = table({**canaries, "laser_start": "77:12", "record_id": "canary-id"})
    told = " ".join(f"{p.rule} {p.remedy} {p.kind}" for p in (*one.problems, *find_problems(one)))
    assert len((*one.problems, *find_problems(one))) == 5
    for value in (*canaries.values(), "77:12", "canary-id"):
        assert value not in told


@pytest.mark.parametrize("name", TABLES)
def test_schema_has_every_contract_column_with_its_type(name: Table) -> None:
    made = schema(name)
    assert list(made.columns) == [column.name for column in CONTRACT[name]]
    empty = typed(Mapped(name, pd.DataFrame(index=pd.RangeIndex(0)), [], {}, (), ())).frame
    assert {column: str(empty[column].dtype) for column in empty} == {
        column.name: str(empty[column.name].astype(dtype_of(column)).dtype) for column in CONTRACT[name]
    }
    made.validate(empty)


def test_a_frame_that_is_not_typed_is_our_own_mistake() -> None:
    one = table({})
    broken = Typed(
        one.table, one.frame.assign(passes="one"), one.rows, one.headers, one.present, one.faults, one.problems
    )
    with pytest.raises(TypeError, match="not typed by the contract"):
        find_problems(broken)


def test_codes_are_complete_and_in_order_whatever_the_export_holds() -> None:
    frame = table({}, {"skin_type": "VI"}).frame
    assert list(frame["skin_type"].cat.categories) == ["I", "II", "III", "IV", "V", "VI", "not_recorded"]
    assert frame["skin_type"].cat.ordered
    assert "forearms" in frame["zone"].cat.categories


def test_every_outcome_has_its_columns_and_rules() -> None:
    for name, ends in (("zones", ("", "_day", "_severity")), ("visits", ("", "_severity"))):
        columns = set(schema(name).columns)
        blamed = {rule.blames for rule in cross_rules(name)}
        for outcome in OUTCOMES:
            if outcome.derived_from is None:
                assert {f"{outcome.name}{end}" for end in ends} <= columns
                assert outcome.name in blamed


def test_every_rule_has_words_and_a_remedy() -> None:
    for name in TABLES:
        for cross in cross_rules(name):
            assert cross.rule.rule
            assert cross.rule.remedy.endswith(".")
            assert cross.blames in schema(name).columns
        for column in CONTRACT[name]:
            rules = []
            if column.kind in ("number", "integer", "date", "boolean", "code"):
                rules.append(type_rule(column))
            if column.minimum is not None or column.kind == "date":
                rules.append(range_rule(column))
            if column.kind in ("time", "list"):
                rules.append(pattern_rule(column))
            for rule in rules:
                assert rule.rule.startswith("must")
                assert rule.remedy.endswith(".")


def test_pandera_never_drops_rows_here() -> None:
    for name in TABLES:
        assert schema(name).drop_invalid_rows is False
        assert all(
            isinstance(column, pa.Column) and not column.drop_invalid_rows for column in schema(name).columns.values()
        )


def test_failures_with_and_without_values_lie_in_one_table_without_a_warning() -> None:
    one = table({"pulse_energy_mj": "0.5"}, {"practitioner_id": None}, {"pain_score": "12"})
    assert [kind for _, _, kind in found(one)] == ["out_of_range", "value_missing", "out_of_range"]
