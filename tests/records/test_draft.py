"""A drafted mapping explains itself, loads as it stands, and shows no cell but codes."""

from __future__ import annotations

from pathlib import Path

import openpyxl
import pytest

from outcomes.records.contract import COLUMN
from outcomes.records.convert.units import UNITS
from outcomes.records.draft import draft_mapping
from outcomes.records.guesses import guess_columns, split_unit
from outcomes.records.load import check
from outcomes.records.mapping import apply_mapping, parse_mapping
from outcomes.records.readers import read_table
from outcomes.records.synonyms import CODES, HEADERS

HEADER = (
    "Case no;Patient;Name;Session no;Treatment date;Operator;Area;Phototype;Energy (J);Density;Passes;Laser;Remarks"
)
ROWS = [
    "K9001;00017;Ada Nym;S5001;05/03/2024;OP;Left cheek;2;0.02;3;1;L1;talked of holidays",
    "K9002;00017;Ada Nym;S5001;05/03/2024;OP;Brow;2;0.02;3;1;L1;",
    "K9003;00018;Bea Nym;S5002;25/03/2024;OP;Elbow crease;3;0.03;4;2;L1;rang 07700 900123",
]


def export(tmp_path: Path, header: str = HEADER, rows: list[str] | None = None) -> Path:
    path = tmp_path / "export.csv"
    path.write_text("\n".join([header, *(ROWS if rows is None else rows)]) + "\n", encoding="utf-8")
    return path


def test_a_draft_loads_as_it_stands_and_reads_the_export(tmp_path: Path) -> None:
    path = export(tmp_path)
    mapping = parse_mapping(draft_mapping(path), sha256="x")
    found = {name: spec.headers for name, spec in mapping.columns_of("zones").items()}
    assert found == {
        "record_id": ("Case no",), "patient_id": ("Patient",), "session_id": ("Session no",),
        "treated_on": ("Treatment date",), "practitioner_id": ("Operator",), "zone": ("Area",),
        "skin_type": ("Phototype",), "pulse_energy_mj": ("Energy (J)",), "density_pct": ("Density",),
        "passes": ("Passes",), "device_id": ("Laser",),
    }  # fmt: skip
    assert mapping.dropped == ("Name", "Remarks")
    one = apply_mapping(read_table(path, "zones", mapping.reading("zones")), mapping)
    assert [(p.kind, p.row) for p in one.problems] == [("unknown_code", 4)]
    assert one.frame["zone"].tolist()[:2] == ["cheek", "forehead"]
    assert one.frame["pulse_energy_mj"].tolist() == ["20", "20", "30"]
    assert one.frame["treated_on"].tolist() == ["2024-03-05", "2024-03-05", "2024-03-25"]


def test_a_draft_shows_codes_and_no_other_cell(tmp_path: Path) -> None:
    text = draft_mapping(export(tmp_path))
    assert '"Left cheek" = "cheek"     # a guess' in text
    assert '# "Elbow crease" = "?"' in text
    cells = {cell for row in ROWS for cell in row.split(";") if len(cell) > 2} - {"Left cheek", "Brow", "Elbow crease"}
    assert not [cell for cell in cells if cell in text]


def test_a_column_that_holds_addresses_is_dropped_and_not_guessed(tmp_path: Path) -> None:
    text = draft_mapping(export(tmp_path, "Case no;Patient", ["K1;ada@example.org", "K2;bea@example.org"]))
    mapping = parse_mapping(text)
    assert mapping.dropped == ("Patient",)
    assert "patient_id" not in mapping.columns_of("zones")
    assert "example.org" not in text


def test_a_code_left_at_its_question_mark_is_no_mapping(tmp_path: Path) -> None:
    text = draft_mapping(export(tmp_path)).replace('# "Elbow', '"Elbow')
    with pytest.raises(Exception, match=r"'\?' is not a code of zone"):
        parse_mapping(text)


def test_a_draft_says_why_dates_have_to_be_declared(tmp_path: Path) -> None:
    text = draft_mapping(export(tmp_path, rows=ROWS[:2]))
    assert '# date_format = "dd/mm/yyyy"     # or "mm/dd/yyyy"' in text
    assert '\ndate_format = "dd/mm/yyyy"     # as days above 12 show\n' in draft_mapping(export(tmp_path))


def test_needed_columns_that_no_header_resembles_are_marked(tmp_path: Path) -> None:
    text = draft_mapping(export(tmp_path, "Case no;Area;Skin tipe;Lamp", ["K1;Brow;II;x"]))
    assert '# practitioner_id = ""     # NEEDED' in text
    assert '"Lamp"' in text
    assert "a guess; Fitzpatrick skin type" in text


def test_cells_that_are_no_codes_are_not_shown_where_a_coded_column_was_guessed(tmp_path: Path) -> None:
    notes = ["K1;12.5", "K2;2024-03-05", "K3;spoke for a long while about the weather", "K4;07700 900123", "K5;4711815"]
    text = draft_mapping(export(tmp_path, "Case no;Area", notes))
    assert "does not look like a short list of codes" in text
    assert not [row for row in notes if row.split(";")[1] in text]
    rare = [f"K{n};Brow" for n in range(60)] + ["K60;Mrs Nym said so", "K61;Elbow", "K62;Elbow"]
    text = draft_mapping(export(tmp_path, "Case no;Area", rare))
    assert "Nym" not in text
    assert '# "Elbow" = "?"' in text
    assert "and 1 more that are rare" in text


def test_a_yes_no_column_shows_short_words_only(tmp_path: Path) -> None:
    rows = ["K1;ja", "K2;ja", "K3;told me twice", "K4;yes"]
    text = draft_mapping(export(tmp_path, "Case no;Melasma", rows))
    assert '# "ja" = "?"' in text
    assert "told me twice" not in text


def test_a_workbook_is_drafted_sheet_by_sheet(tmp_path: Path) -> None:
    book = openpyxl.Workbook()
    assert book.active is not None
    book.active.title = "Zones"
    book.active.append(["Record", "Device"])
    book.active.append(["R1", "L1"])
    visits = book.create_sheet("Visits")
    visits.append(["Record", "Visit date", "Erythema"])
    visits.append(["R1", "2024-03-05", "yes"])
    path = tmp_path / "export.xlsx"
    book.save(path)
    mapping = parse_mapping(draft_mapping(path))
    assert mapping.columns_of("visits")["redness"].headers == ("Erythema",)
    assert mapping.columns_of("visits")["seen_on"].headers == ("Visit date",)
    assert mapping.columns_of("zones")["device_id"].headers == ("Device",)


def test_a_file_that_cannot_be_read_is_explained_in_the_draft(tmp_path: Path) -> None:
    text = draft_mapping(export(tmp_path, "a;a", ["1;2"]))
    assert "This table cannot be read yet" in text
    assert "a stands over 2 columns" in text
    parse_mapping(text)


def test_an_energy_per_area_is_not_taken_for_an_energy() -> None:
    assert split_unit("Energy (J/cm2)") == ("Energy", "J/cm2")
    assert "pulse_energy_mj" not in guess_columns("zones", ["Energy (J/cm2)"])
    assert guess_columns("zones", ["Energy [mJ]"])["pulse_energy_mj"].unit is None


def test_a_last_word_that_is_a_unit_only_for_other_columns_is_a_word() -> None:
    assert guess_columns("zones", ["Tan last 4 weeks"])["tan_4w"].header == "Tan last 4 weeks"
    assert guess_columns("zones", ["Days to heal weeks"])["healed_by_day"].unit == "weeks"


def test_synonyms_and_units_belong_to_columns_that_exist() -> None:
    names = {name for columns in COLUMN.values() for name in columns}
    assert set(HEADERS) <= names
    for name, codes in CODES.items():
        column = next(columns[name] for columns in COLUMN.values() if name in columns)
        assert set(codes) <= set(column.codes)
    units = {column.unit for columns in COLUMN.values() for column in columns.values() if column.unit}
    assert units == set(UNITS)


# Where the table stands --------------------------------------------------------------------------------------


def book_of(folder: Path, sheets: dict[str, list[list[object]]]) -> Path:
    book = openpyxl.Workbook()
    book.remove(book.worksheets[0])
    for name, lines in sheets.items():
        sheet = book.create_sheet(name)
        for line in lines:
            sheet.append(line)
    book.save(folder / "export.xlsx")
    return folder / "export.xlsx"


TREATED = [["Case no", "Patient no", "Date", "Area", "Passes"], ["K1", "P1", "2026-03-25", "Neck", 1]]


def test_a_table_below_a_title_on_a_sheet_of_another_name_is_found(tmp_path: Path) -> None:
    sheets = {
        "Prices": [["Item", "Price"], ["x", 1]],
        "Laser list": [["Printed in March"], [], *TREATED],
        "visits": [["Case no", "Day"], ["K1", 5]],
    }
    path = book_of(tmp_path, sheets)
    text = draft_mapping(path)
    rules = parse_mapping(text)
    assert rules.settings_of("zones").sheet == "Laser list"
    assert rules.settings_of("zones").header_row == 3
    assert rules.columns_of("zones")["record_id"].headers == ("Case no",)
    assert rules.settings_of("visits").sheet is None  # its own sheet stays its own
    assert rules.columns_of("visits")["day"].headers == ("Day",)
    (tmp_path / "mapping.toml").write_text(text, encoding="utf-8")
    checked = check(path, mapping=tmp_path / "mapping.toml")
    assert checked.source.count("zones").rows_read == 1
    assert {p.kind for p in checked.problems if p.table == "zones"} == {"column_missing"}


def test_headers_below_a_title_of_a_csv_file_are_found(tmp_path: Path) -> None:
    path = tmp_path / "export.csv"
    lines = [["Printed in March", "", "", "", ""], *TREATED]
    path.write_text("\n".join(",".join(map(str, line)) for line in lines) + "\n", encoding="utf-8")
    assert parse_mapping(draft_mapping(path)).settings_of("zones").header_row == 2


def test_where_no_place_looks_right_the_name_of_the_sheet_is_asked_for(tmp_path: Path) -> None:
    path = book_of(tmp_path, {"a": [["x", "y"], [1, 2]], "b": [["x", "y"], [1, 2]]})
    text = draft_mapping(path)
    assert '# sheet = ""     # NEEDED' in text
    assert parse_mapping(text).settings_of("zones").sheet is None


def test_numbers_of_visits_are_not_listed_as_if_they_were_codes(tmp_path: Path) -> None:
    cells = [f"K{i};kanari{i % 15};kanari{i % 15}" for i in range(60)]
    text = draft_mapping(export(tmp_path, "Case no;Unplanned visit;Smoking", cells))
    assert "kanari" not in text
    assert text.count("does not look like a short list of codes") == 2
