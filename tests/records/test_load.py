"""Exports in, cases out: every row accounted for, every fault at its row, nothing guessed, no value told."""

from __future__ import annotations

import json
from collections.abc import Sequence
from datetime import date, timedelta
from pathlib import Path

import pandas as pd
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from openpyxl import Workbook

from outcomes.errors import ExportRejected
from outcomes.records.assemble import VISIT_COLUMNS, ZONE_COLUMNS
from outcomes.records.cases import Cases
from outcomes.records.contract import CONTRACT
from outcomes.records.load import Checked, check, load
from outcomes.records.problems import problem_frame

Row = dict[str, object]

BASE: Row = {
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


def zone(number: int, **changes: object) -> Row:
    """A good zone with ids of its own."""
    own = {"record_id": f"R{number}", "patient_id": f"P{number}", "session_id": f"S{number}"}
    return {**BASE, **own, **changes}


def write(folder: Path, name: str, rows: Sequence[Row], columns: Sequence[str] = ()) -> Path:
    names = list(columns) or list(dict.fromkeys(key for row in rows for key in row))
    lines = [",".join(names)]
    lines += [",".join("" if row.get(n) is None else str(row[n]) for n in names) for row in rows]
    path = folder / name
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")
    return path


def faults(checked: Checked) -> list[tuple[str, int | None, str, str]]:
    return [(p.table, p.row, p.column, p.kind) for p in checked.problems]


def counts(checked: Checked) -> dict[str, tuple[int, int, int]]:
    return {c.table: (c.rows_read, c.rows_accepted, c.rows_refused) for c in checked.source.counts}


def cases_of(checked: Checked) -> Cases:
    assert checked.cases is not None
    return checked.cases


class TestFlatExport:
    def test_a_flat_export_alone_is_enough(self, tmp_path: Path) -> None:
        rows = [
            zone(1, last_seen_day=120, scarring="no", healed_after_day=5, healed_by_day=8, spot_um=120),
            zone(2, zone="lower_lid", scarring="yes", scarring_day=100, scarring_severity=2),
        ]
        cases = load(write(tmp_path, "export.csv", rows))
        zones = cases.zones
        assert list(zones.columns) == list(ZONE_COLUMNS)
        assert zones["source_row"].tolist() == [2, 3]
        assert zones["region"].tolist() == ["off_face", "eyelid"]
        assert str(zones["treated_on"].dtype) == "datetime64[ns]"
        assert zones["scarring"].tolist() == [False, True]
        assert zones["scarring_free_day"].tolist()[0] == 120
        assert zones["scarring_day"].tolist()[1] == 100
        assert zones["healed_by_day"].tolist()[0] == 8.0
        assert zones["delayed_healing"].tolist()[:1] == [False]  # healed by day 8, the neck has 21
        assert zones["layered"].tolist() == [False, False]
        assert zones["spot_class"].tolist()[0] == "narrow"
        # 12 mJ on a circle 120 µm wide: 0.012 / (π · 0.006²) J/cm²
        assert zones["fluence_j_cm2"].tolist()[0] == pytest.approx(106.1032953945969, rel=1e-12)
        assert len(cases.visits) == len(cases.layers) == len(cases.sessions) == 0
        assert list(cases.visits.columns) == list(VISIT_COLUMNS)
        assert {c.name for c in CONTRACT["sessions"]} < set(cases.sessions.columns)
        assert cases.last_date == date(2026, 3, 2) + timedelta(days=120)

    def test_places_of_files_may_be_text(self, tmp_path: Path) -> None:
        export = write(tmp_path, "export.csv", [zone(1), zone(2)])
        visits = write(tmp_path, "visits.csv", [{"record_id": "R1", "day": 7, "kind": "in_person", "healed": "yes"}])
        given, as_text = (load(kind(export), visits=kind(visits)) for kind in (Path, str))
        pd.testing.assert_frame_equal(given.zones, as_text.zones)
        pd.testing.assert_frame_equal(given.visits, as_text.visits)
        assert (len(as_text.zones), len(as_text.visits)) == (2, 1)

    def test_session_columns_go_to_sessions_once(self, tmp_path: Path) -> None:
        rows = [
            zone(1, session_id="S1", site_id="X", injected_ml=4, pain_score=3),
            zone(2, session_id="S1", patient_id="P1", site_id="X", injected_ml=4, pain_score=5),
            zone(3, session_id="S3", site_id="Y", injected_ml=None, pain_score=2),
        ]
        cases = load(write(tmp_path, "export.csv", rows))
        sessions = cases.sessions.set_index("session_id")
        assert sessions.index.tolist() == cases.zones["session_id"].unique().tolist() == ["S000001", "S000002"]
        assert sessions["injected_ml"].tolist()[0] == 4.0
        assert sessions["injected_ml"].isna().tolist() == [False, True]
        assert sessions["pain_score"].isna().tolist() == [True, False]  # 3 and 5 cannot both be the session's
        assert any("pain_score: differs" in note and "1 session" in note for note in cases.source.notes)
        assert cases.zones["site_id"].tolist() == ["X", "X", "Y"]
        assert "injected_ml" not in cases.zones.columns

    def test_blank_skin_type_is_not_recorded_and_counted(self, tmp_path: Path) -> None:
        cases = load(write(tmp_path, "export.csv", [zone(1), zone(2, skin_type=None)]))
        assert cases.zones["skin_type"].tolist() == ["II", "not_recorded"]
        assert any("skin type: blank in 1 zone" in note for note in cases.source.notes)

    def test_skin_type_that_differs_within_a_patient_is_said_and_kept(self, tmp_path: Path) -> None:
        rows = [zone(1), zone(2, patient_id="P1", skin_type="IV"), zone(3, patient_id="P1", skin_type=None)]
        cases = load(write(tmp_path, "export.csv", rows))
        assert len(cases) == 3
        assert any("differs between records of 1 patient" in note for note in cases.source.notes)


class TestRepeats:
    def test_identical_rows_keep_the_first(self, tmp_path: Path) -> None:
        rows = [zone(1), zone(2), zone(1), zone(1)]
        checked = check(write(tmp_path, "export.csv", rows))
        assert counts(checked)["zones"] == (4, 2, 2)
        assert cases_of(checked).zones["source_row"].tolist() == [2, 3]
        rules = {(p.row, p.rule) for p in checked.problems}
        assert rules == {(4, "repeats row 2 exactly"), (5, "repeats row 2 exactly")}

    def test_differing_rows_are_all_refused(self, tmp_path: Path) -> None:
        rows = [zone(1), zone(1), zone(1, pulse_energy_mj=13), zone(2)]
        checked = check(write(tmp_path, "export.csv", rows))
        assert faults(checked) == [("zones", row, "record_id", "record_conflict") for row in (2, 3, 4)]
        assert cases_of(checked).zones["record_id"].tolist() == ["R2"]

    def test_the_same_number_written_twice_is_the_same(self, tmp_path: Path) -> None:
        checked = check(write(tmp_path, "export.csv", [zone(1), zone(1, pulse_energy_mj="12.0")]))
        assert [p.kind for p in checked.problems] == ["record_repeated"]

    def test_sessions_and_layers_too(self, tmp_path: Path) -> None:
        layer = {"record_id": "R1", "layer_no": 1, "pulse_energy_mj": 12, "density_pct": 5, "passes": 1}
        checked = check(
            write(tmp_path, "zones.csv", [zone(1), zone(2)]),
            sessions=write(tmp_path, "sessions.csv", [{"session_id": "S1", "weight_kg": kg} for kg in (60, 70)]),
            layers=write(tmp_path, "layers.csv", [layer, layer, {**layer, "layer_no": 2}]),
        )
        assert faults(checked) == [
            ("sessions", 2, "session_id", "record_conflict"),
            ("sessions", 3, "session_id", "record_conflict"),
            ("layers", 3, "record_id", "record_repeated"),
        ]
        cases = cases_of(checked)
        assert len(cases) == 2
        assert any("1 zone of a refused session row kept" in note for note in cases.source.notes)
        assert cases.layers["layer_no"].tolist() == [1, 2]


def test_a_session_of_two_patients_is_refused_whole(tmp_path: Path) -> None:
    rows = [zone(1, session_id="1"), zone(2, session_id="1"), zone(3)]
    checked = check(write(tmp_path, "export.csv", rows))
    assert faults(checked) == [("zones", row, "session_id", "session_of_two_patients") for row in (2, 3)]


class TestVisits:
    def test_linked_by_record_by_session_and_by_zone(self, tmp_path: Path) -> None:
        zones = [
            zone(1, session_id="S1", patient_id="P", zone="chin"),
            zone(2, session_id="S1", patient_id="P", zone="neck"),
            zone(3),
        ]
        visits: list[Row] = [
            {"record_id": "R1", "seen_on": "2026-03-07", "healed": "no"},
            {"session_id": "S1", "seen_on": "2026-03-12", "healed": "yes"},
            {"session_id": "S1", "zone": "neck", "day": 40, "scarring": "yes", "scarring_severity": 2},
            {"record_id": "R3", "session_id": "S3", "day": 3, "seen_on": "2026-03-05"},
        ]
        cases = load(write(tmp_path, "zones.csv", zones), visits=write(tmp_path, "visits.csv", visits))
        frame = cases.visits
        assert list(zip(frame["source_row"], frame["record_id"], frame["day"], strict=True)) == [
            (2, "R1", 5),
            (3, "R1", 10),
            (3, "R2", 10),
            (4, "R2", 40),
            (5, "R3", 3),
        ]
        # No column says how the patient was seen: in person, and said.
        assert set(frame["contact"]) == {"in_person"}
        assert any("taken as in person" in note for note in cases.source.notes)
        by_id = cases.zones.set_index("record_id")
        assert by_id["healed_after_day"].tolist()[:2] == [5.0, 0.0]
        assert by_id["healed_by_day"].tolist()[:2] == [10.0, 10.0]
        assert by_id["scarring"].isna().tolist() == [True, False, True]
        assert by_id["last_seen_day"].tolist() == [10, 40, 3]
        assert cases.source.count("visits").rows_read == 4

    @pytest.mark.parametrize(
        ("visit", "column", "kind"),
        [
            ({"record_id": "R9", "day": 3}, "record_id", "points_to_no_record"),
            ({"session_id": "S9", "day": 3}, "session_id", "points_to_no_record"),
            ({"session_id": "S1", "zone": "chin", "day": 3}, "zone", "points_to_no_record"),
            ({"record_id": "R2", "day": 3}, "record_id", "record_refused"),
            ({"session_id": "S2", "day": 3}, "session_id", "record_refused"),
            ({"record_id": "R1", "session_id": "S3", "day": 3}, "record_id", "record_not_of_session"),
            ({"record_id": "R1", "zone": "chin", "day": 3}, "record_id", "record_not_of_session"),
            ({"day": 3}, "record_id", "visit_of_nothing"),
            ({"record_id": "R1"}, "day", "visit_undated"),
            ({"record_id": "R1", "seen_on": "2026-03-01"}, "seen_on", "visit_before_treatment"),
            ({"record_id": "R1", "seen_on": "2056-03-01"}, "seen_on", "visit_too_late"),
            ({"record_id": "R1", "seen_on": "2026-03-05", "day": 4}, "day", "day_and_date_disagree"),
            ({"record_id": "R1", "day": -2}, "day", "out_of_range"),
            (
                {"record_id": "R1", "day": 3, "scarring": "no", "scarring_severity": 1},
                "scarring",
                "answer_contradicted",
            ),
        ],
    )
    def test_each_way_a_visit_can_fail(self, tmp_path: Path, visit: Row, column: str, kind: str) -> None:
        columns = ("record_id", "session_id", "zone", "seen_on", "day", "scarring", "scarring_severity")
        good: Row = {"record_id": "R1", "day": 7}
        zones = write(tmp_path, "zones.csv", [zone(1), zone(2, passes=None), zone(3)])
        checked = check(zones, visits=write(tmp_path, "visits.csv", [good, visit, {**good, "day": 9}], columns))
        assert faults(checked) == [("zones", 3, "passes", "value_missing"), ("visits", 3, column, kind)]
        assert counts(checked)["visits"] == (3, 2, 1)
        assert cases_of(checked).visits["day"].tolist() == [7, 9]

    def test_without_a_day_or_without_a_record_the_table_is_no_use(self, tmp_path: Path) -> None:
        zones = write(tmp_path, "zones.csv", [zone(1)])
        checked = check(zones, visits=write(tmp_path, "visits.csv", [{"healed": "yes"}]))
        assert checked.cases is None
        assert [(p.table, p.column, p.kind) for p in checked.problems if p.fatal] == [
            ("visits", "day", "column_missing"),
            ("visits", "record_id", "column_missing"),
        ]

    def test_visits_of_refused_and_accepted_zones_of_one_session(self, tmp_path: Path) -> None:
        zones = [zone(1, session_id="S", patient_id="P"), zone(2, session_id="S", patient_id="P", passes=0)]
        visits = write(tmp_path, "visits.csv", [{"session_id": "S", "day": 8, "healed": "yes"}])
        cases = load(write(tmp_path, "zones.csv", zones), visits=visits)
        assert cases.visits["record_id"].tolist() == ["R1"]
        assert cases.source.count("visits").rows_refused == 0


LAYER: Row = {"record_id": "R1", "layer_no": 1, "pulse_energy_mj": 20, "density_pct": 5, "passes": 1}


class TestLayers:
    def test_layer_one_fills_and_replaces(self, tmp_path: Path) -> None:
        zones = [zone(1, pulse_energy_mj=None, density_pct=5, passes=1), zone(2, pulse_energy_mj=9), zone(3)]
        layers = [
            {**LAYER, "spot_um": 120},
            {**LAYER, "layer_no": 2, "pulse_energy_mj": 80, "density_pct": 50, "spot_um": 1000},
            {**LAYER, "record_id": "R2", "pulse_energy_mj": 10},
        ]
        cases = load(write(tmp_path, "zones.csv", zones), layers=write(tmp_path, "layers.csv", layers))
        assert cases.zones["pulse_energy_mj"].tolist() == [20.0, 10.0, 12.0]
        assert cases.zones["spot_um"].tolist()[0] == 120.0
        assert cases.zones["layered"].tolist() == [True, True, False]
        assert [n for n in cases.source.notes if n.startswith("layers: 1 zone had other settings")] != []

    def test_a_zone_whose_layers_were_refused_is_still_layered(self, tmp_path: Path) -> None:
        layers = [{**LAYER, "passes": 0}, {**LAYER, "record_id": "R7"}]
        checked = check(write(tmp_path, "zones.csv", [zone(1), zone(2)]), layers=write(tmp_path, "layers.csv", layers))
        assert faults(checked) == [
            ("layers", 2, "passes", "out_of_range"),
            ("layers", 3, "record_id", "points_to_no_record"),
        ]
        assert cases_of(checked).zones["layered"].tolist() == [True, False]

    def test_an_unreadable_setting_is_not_papered_over(self, tmp_path: Path) -> None:
        checked = check(
            write(tmp_path, "zones.csv", [zone(1, pulse_energy_mj="abc"), zone(2)]),
            layers=write(tmp_path, "layers.csv", [LAYER]),
        )
        assert [(t, row, column) for t, row, column, _ in faults(checked)] == [
            ("zones", 2, "pulse_energy_mj"),
            ("layers", 2, "record_id"),
        ]


class TestFaultsOfAFile:
    def test_rejected_with_all_problems(self, tmp_path: Path) -> None:
        rows = [{k: v for k, v in zone(1, zone="zz-canary").items() if k != "passes"}]
        with pytest.raises(ExportRejected) as rejected:
            load(write(tmp_path, "export.csv", rows))
        problems = rejected.value.problems  # type: ignore[attr-defined]
        assert [(p.column, p.fatal) for p in problems if p.kind == "column_missing"] == [("passes", True)]
        assert any(p.row == 2 and p.column == "zone" for p in problems)
        assert str(rejected.value).startswith("The export cannot be used: in the zones table, passes is not in the")
        assert "zz-canary" not in str(rejected.value)

    def test_no_record_left(self, tmp_path: Path) -> None:
        path = write(tmp_path, "export.csv", [zone(1, passes=0), zone(2, passes=0)])
        checked = check(path)
        assert checked.cases is None
        assert counts(checked)["zones"] == (2, 0, 2)
        with pytest.raises(ExportRejected, match="no record is left"):
            load(path)

    def test_a_column_in_another_unit_is_said_and_never_converted(self, tmp_path: Path) -> None:
        rows = [zone(i, pulse_energy_mj="0.012", spot_um="0.12", density_pct="0.05") for i in range(1, 4)]
        checked = check(write(tmp_path, "export.csv", [*rows, zone(4, spot_um="0.12", density_pct="0.05")]))
        suspects = {(p.column, p.rule) for p in checked.problems if p.kind == "unit_suspect"}
        assert {column for column, _ in suspects} == {"pulse_energy_mj", "spot_um", "density_pct"}
        assert counts(checked)["zones"] == (4, 0, 4)

    def test_strict(self, tmp_path: Path) -> None:
        path = write(tmp_path, "export.csv", [zone(1), zone(2, passes=0)])
        assert len(load(path)) == 1
        with pytest.raises(ExportRejected, match="1 of 2 zones rows") as rejected:
            load(path, strict=True)
        assert rejected.value.refused["row"].tolist() == [3]  # type: ignore[attr-defined]
        assert len(load(write(tmp_path, "good.csv", [zone(1)]), strict=True)) == 1


def test_a_workbook_with_a_sheet_for_each_table(tmp_path: Path) -> None:
    book = Workbook()
    sheet = book.active
    assert sheet is not None
    sheet.title = "zones"
    for line in (list(BASE), list(zone(1).values()), list(zone(2).values())):
        sheet.append(line)
    visits = book.create_sheet("visits")
    for line in (["record_id", "day", "healed"], ["R1", 6, "yes"], ["R7", 6, "yes"]):
        visits.append(line)
    path = tmp_path / "export.xlsx"
    book.save(path)
    checked = check(path)
    assert counts(checked) == {"zones": (2, 2, 0), "visits": (2, 1, 1)}
    assert cases_of(checked).zones["healed_by_day"].tolist()[0] == 6.0
    assert [file.table for file in checked.source.files] == ["zones", "visits"]


def test_every_rule_a_row_breaks_is_listed(tmp_path: Path) -> None:
    rows = [zone(1, zone="nek", passes=0, healed_after_day=9, healed_by_day=4), zone(2)]
    checked = check(write(tmp_path, "export.csv", rows))
    assert len(checked.problems) == 3
    assert list(checked.refused.columns) == ["table", "row", "rules"]
    (rules,) = checked.refused["rules"].tolist()
    assert rules.count("; ") == 2
    assert "passes must lie between" in rules
    assert "healed_by_day must not lie before" in rules
    assert len(problem_frame(checked.problems)) == 3


def test_progress_is_told_in_short_sentences(tmp_path: Path) -> None:
    said: list[str] = []
    load(write(tmp_path, "export.csv", [zone(i) for i in range(1, 1203)]), progress=said.append)
    assert "zones: 1,202 rows read" in said
    assert all(len(line) < 80 for line in said)


# Faults seen in the wild, as small inputs with their right answers (worked by hand) ------------------------


def test_yes_no_variants(tmp_path: Path) -> None:
    texts = ["yes", "No", "Y", "0", "1", "FALSE", None, "n", "unknown", "TRUE", "0.0", "nein"]
    rows = [zone(i, scarring=text, last_seen_day=200) for i, text in enumerate(texts, start=1)]
    checked = check(write(tmp_path, "export.csv", rows))
    answer = cases_of(checked).zones.set_index("record_id")["scarring"]
    assert answer.index[answer.fillna(False)].tolist() == ["R1", "R3", "R5", "R10"]
    assert answer.index[answer.eq(False).fillna(False)].tolist() == ["R2", "R4", "R6", "R8", "R11"]
    assert answer.index[answer.isna()].tolist() == ["R7"]
    assert [(row, column) for _, row, column, _ in faults(checked)] == [(10, "scarring"), (13, "scarring")]
    assert answer.mean() == pytest.approx(4 / 9)


def test_missing_follow_up_breaks_no_date_rule(tmp_path: Path) -> None:
    treated = ["2024-03-05", "2024-03-06", "2024-03-07", "2024-03-08", "2024-03-09", "2024-03-10"]
    seen = ["2024-03-12", "2024-03-01", None, None, "2024-03-30", "2024-03-02"]
    rows = [
        {**zone(i), "treated_on": day, "followup_date": last}
        for i, (day, last) in enumerate(zip(treated, seen, strict=True), start=1)
    ]
    mapping = tmp_path / "mapping.toml"
    mapping.write_text('[zones.columns.last_seen_day]\nfrom = "followup_date"\nunit = "date"\n', encoding="utf-8")
    checked = check(write(tmp_path, "export.csv", rows), mapping=mapping)
    assert sorted((row, column) for _, row, column, _ in faults(checked)) == [
        (3, "followup_date"),
        (7, "followup_date"),
    ]
    kept = cases_of(checked).zones.set_index("record_id")["last_seen_day"]
    assert kept.index.tolist() == ["R1", "R3", "R4", "R5"]
    assert kept.isna().tolist() == [False, True, True, False]
    assert kept.dropna().tolist() == [7, 21]


def test_negative_durations_are_refused_and_the_day_of_treatment_is_not(tmp_path: Path) -> None:
    days = [
        ("2024-03-05", "2024-03-01", "2024-03-20"),
        ("2024-03-05", "2024-03-08", "2024-03-20"),
        ("2024-03-06", None, "2024-03-13"),
        ("2024-03-07", "2024-03-16", "2024-03-30"),
        ("2024-03-08", None, "2024-03-20"),
        ("2024-03-09", "2024-03-24", "2024-03-30"),
        ("2024-03-10", "2024-03-10", "2024-03-30"),
        ("2024-03-11", None, "2024-03-09"),
    ]
    rows = [
        {**zone(i), "treated_on": treated, "resolved_date": resolved, "last_seen_date": seen}
        for i, (treated, resolved, seen) in enumerate(days, start=1)
    ]
    mapping = tmp_path / "mapping.toml"
    mapping.write_text(
        '[zones.columns.healed_by_day]\nfrom = "resolved_date"\nunit = "date"\n'
        '[zones.columns.last_seen_day]\nfrom = "last_seen_date"\nunit = "date"\n',
        encoding="utf-8",
    )
    checked = check(write(tmp_path, "export.csv", rows), mapping=mapping)
    assert sorted((row, column) for _, row, column, _ in faults(checked)) == [
        (2, "resolved_date"),
        (9, "last_seen_date"),
    ]
    zones = cases_of(checked).zones.set_index("record_id")
    assert zones.index.tolist() == ["R2", "R3", "R4", "R5", "R6", "R7"]
    assert zones["healed_by_day"].dropna().to_dict() == {"R2": 3.0, "R4": 9.0, "R6": 15.0, "R7": 1.0}
    assert any("over on the day of treatment in 1 zone" in note for note in cases_of(checked).source.notes)


def test_stacked_exports_lose_only_the_bad_row(tmp_path: Path) -> None:
    energies, events = [12, -5, 14, 11, 15, 13], ["0", "1", "0", "1", "1", "0"]
    rows = [
        {"part": part, "row_in_part": place, **zone(i, pulse_energy_mj=energy, scarring=event)}
        for i, (part, place, energy, event) in enumerate(
            zip("AAABBB", [0, 1, 2] * 2, energies, events, strict=True), start=1
        )
    ]
    checked = check(write(tmp_path, "export.csv", rows))
    zones = cases_of(checked).zones
    assert zones["record_id"].tolist() == ["R1", "R3", "R4", "R5", "R6"]
    assert zones["scarring"].mean() == pytest.approx(0.40)
    assert checked.refused[["table", "row"]].values.tolist() == [["zones", 3]]


# Properties --------------------------------------------------------------------------------------------------

ZONE_FAULTS: list[tuple[str, object]] = [
    ("pulse_energy_mj", "0.0005"),
    ("pulse_energy_mj", None),
    ("passes", "1.5"),
    ("density_pct", "777"),
    ("zone", "canary-zone"),
    ("skin_type", "canary-skin"),
    ("treated_on", "2026-02-31"),
    ("scarring", "canary-answer"),
    ("last_seen_day", "-3"),
    ("practitioner_id", None),
]


@settings(max_examples=12, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    size=st.integers(2, 25),
    planted=st.dictionaries(st.integers(0, 24), st.sampled_from(range(len(ZONE_FAULTS))), max_size=12),
    lost=st.sets(st.integers(0, 49), max_size=10),
)
def test_rows_read_are_rows_accepted_plus_refused_and_good_rows_do_not_change(
    tmp_path_factory: pytest.TempPathFactory, size: int, planted: dict[int, int], lost: set[int]
) -> None:
    folder = tmp_path_factory.mktemp("property")
    planted = {position: fault for position, fault in planted.items() if position < size - 1}
    good = [
        zone(i + 1, last_seen_day=30 + i, scarring=("yes", "no", None)[i % 3], session_id=f"S{i}", weight_kg=60 + i)
        for i in range(size)
    ]
    spoiled = [
        {**row, ZONE_FAULTS[planted[i]][0]: ZONE_FAULTS[planted[i]][1]} if i in planted else row
        for i, row in enumerate(good)
    ]
    visits = [
        {"record_id": f"R{i % size + 1}", "day": 5 + i, "contact": "in_person", "healed": ("yes", "no")[i % 2]}
        for i in range(50)
    ]
    torn = [{**visit, "record_id": "canary-id"} if i in lost else visit for i, visit in enumerate(visits)]
    checked = check(write(folder, "zones.csv", spoiled), visits=write(folder, "visits.csv", torn))

    zones_read, zones_accepted, zones_refused = counts(checked)["zones"]
    assert (zones_read, zones_refused) == (size, len(planted))
    assert zones_accepted == len(cases_of(checked))
    visits_read, visits_accepted, visits_refused = counts(checked)["visits"]
    orphaned = {i for i in range(50) if i % size in planted}
    assert (visits_read, visits_refused) == (50, len(lost | orphaned))
    assert visits_accepted == len(cases_of(checked).visits)
    assert len(checked.refused) == zones_refused + visits_refused

    at = {(row, column) for table, row, column, _ in faults(checked) if table == "zones"}
    assert at == {(i + 2, ZONE_FAULTS[fault][0]) for i, fault in planted.items()}

    alone = [row for i, row in enumerate(good) if i not in planted]
    sound = [visit for i, visit in enumerate(visits) if i not in lost | orphaned]
    columns = list(visits[0])
    clean = load(write(folder, "good.csv", alone), visits=write(folder, "sound.csv", sound, columns))
    pd.testing.assert_frame_equal(
        cases_of(checked).zones.drop(columns="source_row"), clean.zones.drop(columns="source_row")
    )
    pd.testing.assert_frame_equal(
        cases_of(checked).visits.drop(columns="source_row"), clean.visits.drop(columns="source_row")
    )
    told = " ".join(f"{p.rule} {p.remedy} {p.column}" for p in checked.problems)
    told += checked.refused.to_csv() + " ".join(checked.source.notes)
    assert "canary" not in told


def test_no_value_or_id_reaches_a_message(tmp_path: Path) -> None:
    canaries = ["QX71-rec", "QX71-pat", "QX71-ses", "QX71-who", "QX71-zone", "71771.7", "7177-07-17", "71-77"]
    bad = zone(
        1,
        record_id=canaries[0],
        patient_id=canaries[1],
        session_id=canaries[2],
        practitioner_id=canaries[3],
        zone=canaries[4],
        pulse_energy_mj=canaries[5],
        treated_on=canaries[6],
        laser_start=canaries[7],
    )
    twice = {**zone(2), "patient_id": canaries[1], "session_id": canaries[2]}
    rows = [bad, {**bad, "passes": 3}, twice, {**twice}, zone(3, site_id="QX71-site")]
    visits = [
        {"record_id": canaries[0], "day": 4, "contact": "QX71-contact"},
        {"record_id": "QX71-unknown", "day": "71771"},
        {"session_id": "QX71-unknown", "day": 5, "healed": "QX71-maybe"},
    ]
    said: list[str] = []
    arguments = {"visits": write(tmp_path, "visits.csv", visits)}
    path = write(tmp_path, "export.csv", rows)
    checked = check(path, progress=said.append, **arguments)
    assert counts(checked)["zones"] == (5, 2, 3)
    assert counts(checked)["visits"] == (3, 0, 3)
    with pytest.raises(ExportRejected) as rejected:
        load(path, strict=True, **arguments)
    told = [
        problem_frame(checked.problems).to_csv(),
        checked.refused.to_csv(),
        *checked.source.notes,
        *(clause for file in checked.source.files for clause in file.reading),
        *said,
        str(rejected.value),
        repr(rejected.value),
    ]
    for canary in (*canaries, "QX71"):
        assert [text for text in told if canary in text] == []


# The invented clinic ---------------------------------------------------------------------------------------

CLINIC = Path(__file__).parents[2] / "data" / "synthetic"


def test_the_invented_clinic_loads_and_its_spoiled_rows_are_found() -> None:
    truth = json.loads((CLINIC / "truth.json").read_text(encoding="utf-8"))["planted_faults"]
    files = {"treatments.csv": "zones", "sessions.csv": "sessions", "visits.csv": "visits", "layers.csv": "layers"}
    planted = {(files[f["file"]], f["row"], f["column"], f["kind"]) for f in truth}
    checked = check(
        CLINIC / "treatments.csv",
        sessions=CLINIC / "sessions.csv",
        layers=CLINIC / "layers.csv",
        visits=CLINIC / "visits.csv",
        mapping=CLINIC / "mapping.toml",
    )
    found = set(faults(checked))
    assert planted - found == set()
    assert {(table, row) for table, row, _, _ in found} == {(table, row) for table, row, _, _ in planted}
    assert len(checked.refused) == len({(table, row) for table, row, _, _ in planted})
    assert not any(problem.fatal for problem in checked.problems)
    for count in checked.source.counts:
        assert count.rows_read == count.rows_accepted + count.rows_refused
    cases = cases_of(checked)
    assert len(cases) == cases.source.count("zones").rows_accepted
    assert cases.zones["record_id"].is_unique
    assert (cases.zones["healed_by_day"] > cases.zones["healed_after_day"]).dropna().all()


# Nothing in a column, nothing in a table -------------------------------------------------------------------

EMPTY_TABLES = {
    "sessions": "session_id,weight_kg,consent_on\n",
    "layers": "record_id,layer_no,pulse_energy_mj,density_pct,passes\n",
    "visits": "record_id,session_id,day,seen_on,contact,healed\n",
}


@pytest.mark.parametrize("table", list(CONTRACT))
def test_columns_that_are_blank_throughout_are_taken(tmp_path: Path, table: str) -> None:
    needed: dict[str, Row] = {
        "zones": zone(1),
        "sessions": {"session_id": "S1"},
        "layers": {"record_id": "R1", "layer_no": 2, "pulse_energy_mj": 12, "density_pct": 5, "passes": 1},
        "visits": {"record_id": "R1", "day": 4},
    }
    blank = {column.name: None for column in CONTRACT[table]} | needed[table]  # type: ignore[index]
    files = {name: write(tmp_path, f"{name}.csv", [blank if name == table else needed[name]]) for name in needed}
    checked = check(files.pop("zones"), **files)
    assert not checked.problems
    assert counts(checked) == {name: (1, 1, 0) for name in needed}
    assert cases_of(checked).sessions["consent_on"].isna().tolist() == [True]


@pytest.mark.parametrize("table", list(EMPTY_TABLES))
def test_a_table_of_headers_alone_is_empty_and_that_is_said(tmp_path: Path, table: str) -> None:
    path = tmp_path / f"{table}.csv"
    path.write_text(EMPTY_TABLES[table], encoding="utf-8")
    checked = check(write(tmp_path, "zones.csv", [zone(1), zone(2)]), **{table: path})
    assert not checked.problems
    assert counts(checked) == {"zones": (2, 2, 0), table: (0, 0, 0)}
    assert any("headers and no row" in clause for clause in checked.source.files[1].reading)
    alone = load(write(tmp_path, "zones.csv", [zone(1), zone(2)]))
    pd.testing.assert_frame_equal(cases_of(checked).zones, alone.zones)


def test_zones_of_headers_alone_are_refused(tmp_path: Path) -> None:
    checked = check(write(tmp_path, "zones.csv", [], list(BASE)))
    assert [p.kind for p in checked.problems if p.fatal] == ["no_records"]
    assert checked.cases is None
