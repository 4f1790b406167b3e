"""Workbooks: what a spreadsheet shows is what is read, and what it hides is said."""

from __future__ import annotations

import re
import zipfile
from collections.abc import Callable
from datetime import date, datetime, time
from pathlib import Path

import openpyxl
import pytest
from openpyxl.utils.datetime import CALENDAR_MAC_1904
from openpyxl.worksheet.worksheet import Worksheet

from outcomes.records.problems import Problem
from outcomes.records.readers import RawTable, TableReading, read_table, tables_in


def workbook(tmp_path: Path, fill: Callable[[Worksheet], None], *, epoch: datetime | None = None) -> Path:
    book = openpyxl.Workbook()
    if epoch is not None:
        book.epoch = epoch
    assert book.active is not None
    fill(book.active)
    book.save(tmp_path / "export.xlsx")
    return tmp_path / "export.xlsx"


def rows(*lines: list[object]) -> Callable[[Worksheet], None]:
    def fill(sheet: Worksheet) -> None:
        for line in lines:
            sheet.append(line)

    return fill


def read(path: Path, **rules: object) -> RawTable:
    return read_table(path, "zones", TableReading(**rules))  # type: ignore[arg-type]


def only(raw: RawTable) -> Problem:
    assert len(raw.problems) == 1, raw.problems
    return raw.problems[0]


def test_day_numbers_count_from_the_workbooks_own_epoch(tmp_path: Path) -> None:
    path = workbook(
        tmp_path,
        rows(
            ["case_id", "treat_date", "followup_date"],
            ["K1", date(2024, 3, 5), date(2024, 3, 19)],
            ["K2", 43894, 43908],
            ["K3", "2024-03-05", "2024-03-19"],
        ),
        epoch=CALENDAR_MAC_1904,
    )
    raw = read(path, date_columns=("Treat date", "followup_date"))
    assert raw.frame["treat_date"].tolist() == ["2024-03-05"] * 3
    assert raw.frame["followup_date"].tolist() == ["2024-03-19"] * 3
    assert raw.typed_dates == {"treat_date": {0, 1}, "followup_date": {0, 1}}
    assert "dates count from 1904" in raw.reading
    assert "day numbers read as dates in 2 column(s)" in raw.reading


def test_day_numbers_of_an_ordinary_workbook(tmp_path: Path) -> None:
    path = workbook(tmp_path, rows(["case", "treated"], ["K1", 45356], ["K2", 45356.75], ["K3", 12]))
    raw = read(path, date_columns=("treated",))
    assert raw.frame["treated"].tolist() == ["2024-03-05", "2024-03-05 18:00:00", "1900-01-12"]
    assert read(path).frame["treated"].tolist() == ["45356", "45356.75", "12"]


def test_formulas_without_a_stored_result_are_named(tmp_path: Path) -> None:
    path = workbook(
        tmp_path,
        rows(
            ["case_id", "pulse_energy_mj", "pulses", "total_energy_mj"],
            ["K1", 10, 120, "=B2*C2"], ["K2", 12, 100, "=B3*C3"], ["K3", 9, 150, "=B4*C4"], ["K4", 11, 90, "=B5*C5"],
        ),
    )  # fmt: skip
    problem = only(read(path))
    assert (problem.kind, problem.fatal) == ("formula_without_result", True)
    assert "D2:D5" in problem.rule
    dropped = read(path, dropped=("total_energy_mj",))
    assert not dropped.problems
    assert dropped.frame["pulses"].tolist() == ["120", "100", "150", "90"]


def stored(path: Path, cell: str, value: str, *, text: bool = False) -> None:
    """Give a formula cell a stored result, as a spreadsheet that has calculated it writes it."""
    with zipfile.ZipFile(path) as archive:
        parts = {name: archive.read(name) for name in archive.namelist()}
    sheet = parts["xl/worksheets/sheet1.xml"].decode()
    kind = ' t="str"' if text else ""
    sheet, times = re.subn(
        rf'<c r="{cell}"[^>]*><f>(.*?)</f><v ?/></c>', rf'<c r="{cell}"{kind}><f>\1</f><v>{value}</v></c>', sheet
    )
    assert times == 1
    parts["xl/worksheets/sheet1.xml"] = sheet.encode()
    with zipfile.ZipFile(path, "w") as archive:
        for name, content in parts.items():
            archive.writestr(name, content)


def test_formulas_with_a_stored_result_give_it_even_if_it_is_an_empty_text(tmp_path: Path) -> None:
    path = workbook(tmp_path, rows(["case", "total", "word"], ["K1", "=1+1", '=""'], ["K2", 3, "x"]))
    stored(path, "B2", "2")
    stored(path, "C2", "", text=True)
    raw = read(path)
    assert not raw.problems
    assert raw.frame["total"].tolist() == ["2", "3"]
    assert raw.frame["word"].isna().tolist() == [True, False]
    assert "2 formula cell(s); their stored results were taken" in raw.reading


def test_zeros_in_a_workbook_that_was_never_calculated_are_no_results(tmp_path: Path) -> None:
    path = workbook(tmp_path, rows(["case", "total"], ["K1", "=1+1"], ["K2", "=1+2"]))
    stored(path, "B2", "0")
    stored(path, "B3", "0")
    assert "B2:B3" in only(read(path)).rule


def test_error_cells_are_faults_of_their_rows(tmp_path: Path) -> None:
    raw = read(workbook(tmp_path, rows(["case", "energy"], ["K1", "#N/A"], ["K2", 10], ["K3", "#DIV/0!"])))
    assert [(p.kind, p.row, p.column, p.fatal) for p in raw.problems] == [
        ("error_cell", 2, "energy", False), ("error_cell", 4, "energy", False),
    ]  # fmt: skip
    assert raw.frame["energy"].isna().tolist() == [True, False, True]


def test_cells_covered_by_a_merged_block_are_not_known(tmp_path: Path) -> None:
    def fill(sheet: Worksheet) -> None:
        rows(["case", "patient"], ["K1", "P1"], ["K2", None], ["K3", "P2"])(sheet)
        sheet.merge_cells("B2:B3")

    raw = read(workbook(tmp_path, fill))
    assert [(p.kind, p.row, p.column) for p in raw.problems] == [("merged_cell", 3, "patient")]
    assert "1 merged block(s) in the sheet" in raw.reading


def test_hidden_rows_and_columns_are_read_and_said(tmp_path: Path) -> None:
    def fill(sheet: Worksheet) -> None:
        rows(["case", "energy", "side"], ["K1", 10, "L"], ["K2", 12, "R"], ["K3", 14, "L"])(sheet)
        sheet.row_dimensions[3].hidden = True
        sheet.column_dimensions["C"].hidden = True

    raw = read(workbook(tmp_path, fill))
    assert raw.frame["case"].tolist() == ["K1", "K2", "K3"]
    assert "1 hidden row(s) were read like the others (row 3)" in raw.reading
    assert "1 hidden column(s) were read like the others" in raw.reading


def test_rows_keep_their_numbers_over_blank_rows(tmp_path: Path) -> None:
    raw = read(workbook(tmp_path, rows(["case", "energy"], ["K1", 10], [None, None], [" ", None], ["K2", 12])))
    assert raw.rows == [2, 5]
    assert "2 blank row(s) passed over" in raw.reading


def test_cells_are_as_the_spreadsheet_shows_them(tmp_path: Path) -> None:
    def fill(sheet: Worksheet) -> None:
        rows(["whole", "part", "flag", "share", "id", "at", "small", "text"])(sheet)
        rows([12.0, 0.1, True, 0.075, 123, time(9, 30), 1e-05, "00123"])(sheet)
        sheet["D2"].number_format = "0.0%"
        sheet["E2"].number_format = "00000"

    raw = read(workbook(tmp_path, fill))
    assert raw.frame.iloc[0].tolist() == ["12", "0.1", "true", "7.5%", "00123", "09:30:00", "0.00001", "00123"]


def test_long_numbers_have_lost_digits_in_a_spreadsheet(tmp_path: Path) -> None:
    raw = read(workbook(tmp_path, rows(["id", "x"], [90071992547409931, 1], [123456789012345, 2])))
    assert [(p.kind, p.row, p.column) for p in raw.problems] == [("digits_lost", 2, "id")]


def test_the_sheet_is_chosen_by_name(tmp_path: Path) -> None:
    book = openpyxl.Workbook()
    for name, header in (("Read me", "about"), ("Zones", "case"), ("VISITS", "day"), ("Sitzungen", "session")):
        sheet = book.create_sheet(name)
        sheet.append([header])
        sheet.append([1])
    del book["Sheet"]
    path = tmp_path / "export.xlsx"
    book.save(path)
    assert tables_in(path) == ("zones", "visits")
    assert tables_in(path, {"sessions": "sitzungen"}) == ("zones", "sessions", "visits")
    assert list(read_table(path, "visits").frame.columns) == ["day"]
    assert list(read(path, sheet="Read me").frame.columns) == ["about"]
    problem = only(read_table(path, "layers"))
    assert (problem.kind, problem.fatal) == ("sheet_absent", True)
    assert only(read(path, sheet="Zoness")).kind == "sheet_absent"


def test_a_single_visible_sheet_needs_no_name_and_hidden_ones_are_said(tmp_path: Path) -> None:
    book = openpyxl.Workbook()
    assert book.active is not None
    book.active.append(["case"])
    book.active.append(["K1"])
    book.create_sheet("old").sheet_state = "hidden"
    book.save(tmp_path / "export.xlsx")
    raw = read(tmp_path / "export.xlsx")
    assert raw.frame["case"].tolist() == ["K1"]
    assert "sheet the only one that is not hidden; 1 other sheet(s) in the workbook, 1 of them hidden" in raw.reading


def test_headers_may_stand_lower_when_declared(tmp_path: Path) -> None:
    raw = read(workbook(tmp_path, rows(["A title"], [None], ["case", "energy"], ["K1", 10])), header_row=3)
    assert list(raw.frame.columns) == ["case", "energy"]
    assert raw.rows == [4]


def test_repeated_headers_stop(tmp_path: Path) -> None:
    raw = read(workbook(tmp_path, rows(["case", "energy", "energy"], ["K1", 10, 11])))
    assert only(raw).kind == "header_repeated"


def test_a_damaged_workbook_is_said_to_be_one(tmp_path: Path) -> None:
    path = workbook(tmp_path, rows(["case"], ["K1"]))
    content = path.read_bytes()
    path.write_bytes(content[: len(content) // 2])
    assert only(read(path)).kind == "workbook_unreadable"


@pytest.mark.parametrize("name", ["export.csv", "export"])
def test_the_first_bytes_decide_what_a_file_is(tmp_path: Path, name: str) -> None:
    path = workbook(tmp_path, rows(["case"], ["K1"]))
    assert read(path.rename(tmp_path / name)).kind == "xlsx"
