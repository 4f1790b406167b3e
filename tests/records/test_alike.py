"""Ids that only look the same are kept apart, and that is said of the column."""

from __future__ import annotations

from pathlib import Path

import pytest

from outcomes.records.alike import ids_alike
from outcomes.records.load import check
from outcomes.report.checked import checked_text

HEAD = "record_id,patient_id,session_id,treated_on,practitioner_id,zone,skin_type,pulse_energy_mj,density_pct,passes"


def checked(folder: Path, patients: list[str], practitioner: str = "A"):
    lines = [f"R{i},{p},S{i},2026-03-02,{practitioner},neck,II,12,5,1" for i, p in enumerate(patients, start=1)]
    path = folder / "export.csv"
    path.write_text("\n".join([HEAD, *lines]) + "\n", encoding="utf-8")
    return check(path)


@pytest.mark.parametrize(
    ("ids", "alike"),
    [
        (["P 1", "P\u00a01", "P2"], 2),
        (["P1", "p1", "P2"], 2),
        (["A1", "\u04101", "\u03911"], 3),
        (["123", "\uff11\uff12\uff13", "124"], 2),
        (["P\u200b1", "P1"], 2),
        (["M\u00fcller", "Mu\u0308ller"], 2),
        (["P-1", "P 1", "P_1"], 3),
        (["00123", "0123", "123"], 0),
        (["P1", "P11", "P10", "PI"], 0),
    ],
)
def test_ids_that_look_the_same_are_counted_and_kept_apart(tmp_path: Path, ids: list[str], alike: int) -> None:
    assert ids_alike(ids) == alike
    found = checked(tmp_path, ids)
    assert found.cases is not None
    assert found.cases.zones["patient_id"].nunique() == len(ids)
    assert found.rows_refused == 0
    said = [p for p in found.problems if p.kind == "ids_look_alike"]
    assert [(p.column, p.row, p.fatal) for p in said] == ([("patient_id", None, False)] if alike else [])
    assert any("kept apart" in note for note in found.source.notes) is bool(alike)
    if alike:
        assert f"holds {alike} ids that differ" in said[0].rule
        assert not any(text in checked_text(found) for text in ids)


def test_columns_that_are_absent_are_said_in_one_line(tmp_path: Path) -> None:
    path = tmp_path / "export.csv"
    path.write_text("record_id,patient_id,zone,energy_mj\nR1,P1,neck,12\nR2,P2,elbow,12\n", encoding="utf-8")
    text = checked_text(check(path))
    assert "zones: 2 rows read, none used; 1 of them with a fault of its own." in text
    (line,) = [line for line in text.splitlines() if "columns that every row needs are not in the export" in line]
    assert line.startswith("zones: 6 columns")
    for name in ("session_id", "treated_on", "practitioner_id", "skin_type", "density_pct", "passes"):
        assert name in line
    (other,) = [line for line in text.splitlines() if "a column that every row needs is not" in line]
    assert "pulse_energy_mj" in other
    assert 'Did you mean "energy_mj"?' in other
