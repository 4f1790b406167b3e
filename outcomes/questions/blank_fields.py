"""Which fields of the record were left blank, among the records to which they apply."""

from __future__ import annotations

import pandas as pd

from outcomes.findings import Grid
from outcomes.records.cases import Cases
from outcomes.records.contract import CONTRACT
from outcomes.records.scope import Scope
from outcomes.records.vocabulary import OUTCOMES
from outcomes.wording import capital, of_total, percent

_BASIC = {"record_id", "patient_id", "session_id", "treated_on", "practitioner_id", "zone"}
_OF_FOLLOW_UP = {name for o in OUTCOMES for name in (o.name, f"{o.name}_day", f"{o.name}_severity")} | {
    "last_seen_day",
    "healed_after_day",
    "healed_by_day",
    "red_after_day",
    "red_by_day",
    "infection_assessed",
}
_GIVEN_LATER = {"severity_after", "improvement_grade", "graded_by", "satisfaction"}
_BLANK_MAY_MEAN_NEVER = {"isotretinoin_months_since"}
_ONLY_AFTER = {
    # field: the field that must name something for it to apply
    "injected_pct": "blocks",
    "injected_ml": "blocks",
    "with_adrenaline": "blocks",
    "injected_at": "blocks",
    "topical_pct": "topical_agent",
    "topical_g": "topical_agent",
    "topical_min": "topical_agent",
}


def blank_fields(cases: Cases, scope: Scope) -> tuple[list[str], Grid]:
    """Fields that no record fills, in words, and a table of those that some records leave blank."""
    absent: list[str] = []
    rows: list[tuple[str, ...]] = []
    groups: list[str] = []
    left_out = _BASIC | _OF_FOLLOW_UP | _GIVEN_LATER | _BLANK_MAY_MEAN_NEVER
    for table, columns, frame in (
        ("zones", CONTRACT["zones"], cases.zones),
        ("sessions", CONTRACT["sessions"], cases.sessions),
    ):
        for column in columns:
            if column.name in left_out or column.name not in frame.columns:
                continue
            concerned = frame.loc[_applies(frame, column.name)]
            missing = int(_blank(concerned[column.name]).sum())
            if len(concerned) and missing == len(concerned):
                absent.append(column.describes)
            elif missing:
                rows.append((column.describes, of_total(missing, len(concerned)), percent(missing / len(concerned))))
                groups.append(capital(table))
    return absent, Grid(
        title=f"Fields left blank in {scope.label}",
        detail=True,
        headers=("Field", "blank", "share"),
        rows=tuple(rows),
        groups=tuple(groups),
        number_columns=(1, 2),
        note="Counts of the accepted records to which a field applies, no estimate. Not listed: required fields, which "
        "are never blank since such rows are set aside; grades of benefit, which are given at later visits; and "
        "isotretinoin, where a blank may mean never.",
    )


def names_something(values: pd.Series) -> pd.Series:
    """Where a field names something: neither blank nor ``none``."""
    text = values.astype("string")
    return (text.notna() & (text != "none")).fillna(False).astype(bool)


def _applies(frame: pd.DataFrame, field: str) -> pd.Series:
    depends_on = _ONLY_AFTER.get(field)
    if depends_on is None or depends_on not in frame.columns:
        return pd.Series(True, index=frame.index)
    return names_something(frame[depends_on])


def _blank(values: pd.Series) -> pd.Series:
    return values.isna() | (values.astype("string") == "not_recorded").fillna(False)
