"""CSV files as record systems write them: every cell as text, every fault at its spreadsheet row."""

from __future__ import annotations

from pathlib import Path

import pytest

from outcomes.records.problems import Problem
from outcomes.records.readers import RawTable, TableReading, read_table


def read(tmp_path: Path, content: bytes | str, **rules: object) -> RawTable:
    path = tmp_path / "export.csv"
    path.write_bytes(content if isinstance(content, bytes) else content.encode("utf-8"))
    return read_table(path, "zones", TableReading(**rules))  # type: ignore[arg-type]


def kinds(raw: RawTable) -> list[tuple[str, int | None, bool]]:
    return [(problem.kind, problem.row, problem.fatal) for problem in raw.problems]


def only(raw: RawTable) -> Problem:
    assert len(raw.problems) == 1, raw.problems
    return raw.problems[0]


def test_byte_order_mark_and_one_stray_byte_in_an_otherwise_sound_file(tmp_path: Path) -> None:
    raw = read(
        tmp_path, b"\xef\xbb\xbfpatient_id,zone,note\nP01,cheek,energy 900 \xb5J\nP02,brow,M\xc3\xbcller\nP03,chin,ok\n"
    )
    assert list(raw.frame.columns) == ["patient_id", "zone", "note"]
    assert raw.frame["note"].tolist()[1] == "Müller"
    assert (only(raw).row, only(raw).column, only(raw).kind, only(raw).fatal) == (2, "note", "undecodable", False)
    assert "encoding UTF-8, by its byte-order mark" in raw.reading


def test_a_stray_byte_without_a_mark_does_not_change_the_encoding_of_the_file(tmp_path: Path) -> None:
    raw = read(tmp_path, "id,word\n1,Müller\n2,".encode() + b"\xff\n3,na\xc3\xafve\n")
    assert raw.frame["word"].tolist()[0] == "Müller"
    assert raw.frame["word"].tolist()[2] == "naïve"
    assert (only(raw).row, only(raw).column) == (3, "word")


@pytest.mark.parametrize(
    ("encoding", "said"),
    [
        ("utf-8", "encoding UTF-8, detected"),
        ("utf-8-sig", "encoding UTF-8, by its byte-order mark"),
        ("utf-16", "encoding UTF-16, by its byte-order mark"),
        ("utf-16-le", "encoding UTF-16 without byte-order mark, detected"),
        ("utf-16-be", "encoding UTF-16 without byte-order mark, detected"),
        ("cp1252", "encoding Windows-1252, detected"),
    ],
)
def test_encodings_are_detected_and_said(tmp_path: Path, encoding: str, said: str) -> None:
    raw = read(tmp_path, "case,zone\nK1,Décolleté\nK2,Wange µm\n".encode(encoding))
    assert raw.frame["zone"].tolist() == ["Décolleté", "Wange µm"]
    assert list(raw.frame.columns) == ["case", "zone"]
    assert said in raw.reading
    assert not raw.problems


def test_a_file_between_two_encodings_has_to_declare_one(tmp_path: Path) -> None:
    mixed = "case,zone\nK1,Müller\n".encode() + "".join(f"K{i},Größe\n" for i in range(2, 9)).encode("cp1252")
    assert kinds(read(tmp_path, mixed)) == [("encoding", None, True)]
    declared = read(tmp_path, mixed, encoding="utf-8")
    assert {kind for kind, _, _ in kinds(declared)} == {"undecodable"}
    assert [row for _, row, _ in kinds(declared)] == list(range(3, 10))


def test_a_declared_encoding_that_the_byte_order_mark_contradicts_is_refused(tmp_path: Path) -> None:
    raw = read(tmp_path, "case\nK1\n".encode("utf-8-sig"), encoding="cp1252")
    assert kinds(raw) == [("encoding", None, True)]
    assert not read(tmp_path, "case\nK1\n".encode("utf-16"), encoding="utf-16").problems


@pytest.mark.parametrize(("delimiter", "word"), [(",", "comma"), (";", "semicolon"), ("\t", "tab"), ("|", "bar")])
def test_delimiters_are_detected_and_said(tmp_path: Path, delimiter: str, word: str) -> None:
    lines = [["case", "energy", "note"], ["K1", "10", "a"], ["K2", "12", ""]]
    raw = read(tmp_path, "\n".join(delimiter.join(line) for line in lines) + "\n")
    assert list(raw.frame.columns) == ["case", "energy", "note"]
    assert f"delimiter {word}, detected" in raw.reading


def test_decimal_commas_do_not_pass_for_delimiters(tmp_path: Path) -> None:
    raw = read(tmp_path, "case;energy;density\nK1;10,5;5,5\nK2;12,5;6\n")
    assert raw.frame["energy"].tolist() == ["10,5", "12,5"]


def test_a_delimiter_that_cannot_be_told_is_asked_for(tmp_path: Path) -> None:
    content = "a,b;c\n1,2;3\n"
    assert kinds(read(tmp_path, content)) == [("delimiter", None, True)]
    assert list(read(tmp_path, content, delimiter=";").frame.columns) == ["a,b", "c"]


def test_a_line_that_names_the_delimiter_is_no_row(tmp_path: Path) -> None:
    raw = read(tmp_path, "sep=;\r\ncase;energy\r\nK1;10\r\n")
    assert list(raw.frame.columns) == ["case", "energy"]
    assert raw.rows == [2]


def test_identifiers_keep_leading_zeros_and_all_digits(tmp_path: Path) -> None:
    raw = read(
        tmp_path,
        "patient_id,device_serial,energy_mj\n00123,90071992547409931,10\n0123,90071992547409932,11\n"
        "123,90071992547409933,12\n00123,90071992547409931,13\n,90071992547409934,14\n0123,,15\n",
    )
    assert raw.frame["patient_id"].nunique() == 3
    assert raw.frame["patient_id"].isna().tolist() == [False] * 4 + [True, False]
    assert raw.frame["device_serial"].nunique() == 4
    assert raw.frame["device_serial"].tolist()[0] == "90071992547409931"
    assert str(raw.frame["energy_mj"].dtype) == "string"


def test_only_an_empty_cell_is_missing(tmp_path: Path) -> None:
    raw = read(tmp_path, "a,b\nNA,None\nnull,nan\n,  \n-,x\n")
    assert raw.frame["a"].isna().tolist() == [False, False, False]
    assert raw.frame["b"].tolist() == ["None", "nan", "x"]
    assert raw.rows == [2, 3, 5]
    assert "1 blank row(s) passed over" in raw.reading


def test_rows_are_numbered_as_a_spreadsheet_does(tmp_path: Path) -> None:
    raw = read(tmp_path, 'case,note\nK1,"two\nlines"\n\nK2,"three\r\nmore\r\nlines"\n,\nK3,x\n')
    assert raw.rows == [2, 4, 6]
    assert raw.frame["note"].tolist() == ["two\nlines", "three\r\nmore\r\nlines", "x"]


def test_old_line_endings(tmp_path: Path) -> None:
    raw = read(tmp_path, b"case,energy\rK1,10\rK2,12\r")
    assert raw.rows == [2, 3]


def test_rows_with_too_many_or_too_few_cells_are_named_and_kept(tmp_path: Path) -> None:
    body = "".join(f"K{i},1,2\n" for i in range(1, 8))
    raw = read(tmp_path, f"case,a,b\n{body}K8,1\nK9,1,2,3\nK10,1,2,,\n")
    assert kinds(raw) == [("too_few_cells", 9, False), ("too_many_cells", 10, False)]
    assert len(raw.frame) == 10
    assert raw.frame["a"].tolist()[-1] == "1"


def test_headers_that_stand_below_a_title_have_to_be_declared(tmp_path: Path) -> None:
    content = "Export of the clinic\n\ncase,energy\nK1,10\nK2,12\nK3,14\n"
    assert kinds(read(tmp_path, content)) == [("header_row", None, True)]
    raw = read(tmp_path, content, header_row=3)
    assert list(raw.frame.columns) == ["case", "energy"]
    assert raw.rows == [4, 5, 6]


def test_a_file_without_headers_is_refused_and_no_cell_is_repeated(tmp_path: Path) -> None:
    raw = read(tmp_path, "K1,2024-03-05,10\nK2,2024-03-06,12\n")
    assert only(raw).kind == "header_absent"
    assert "2024" not in only(raw).rule + only(raw).remedy + only(raw).column


def test_a_nul_byte_is_a_fault_of_its_row(tmp_path: Path) -> None:
    raw = read(tmp_path, b"case,note\nK1,a\nK2,b\x00c\nK3,d\n")
    assert kinds(raw) == [("nul_byte", 3, False)]


@pytest.mark.parametrize("sign", ["\x07", "\x1b[31m", "\x7f", "\x96", "\ufffd"])
def test_a_control_character_or_a_lost_one_is_a_fault_of_its_row(tmp_path: Path, sign: str) -> None:
    raw = read(tmp_path, f"case,energy\nK1,12\nK{sign}2,13\n")
    assert kinds(raw) == [("lost_character", 3, False)]
    assert raw.problems[0].column == "case"
    assert kinds(read(tmp_path, f"case,ener{sign}gy\nK1,12\n")) == [("header_unreadable", None, True)]


@pytest.mark.parametrize(
    "content",
    [b"<!DOCTYPE html><html><body>x</body></html>", b"<?xml version='1.0'?><a/>", b'[{"case": "K1"}]', b'{"case": 1}', b"%PDF-1.7",
     b"\x1f\x8b\x08\x00abc", b"{\\rtf1 x}", b"\x89PNG\r\n"],
)  # fmt: skip
def test_a_page_or_a_picture_is_no_table(tmp_path: Path, content: bytes) -> None:
    assert kinds(read(tmp_path, content)) == [("not_a_table", None, True)]


def test_a_cell_longer_than_a_spreadsheet_holds_is_a_fault_of_its_row(tmp_path: Path) -> None:
    raw = read(tmp_path, f"case,note\nK1,{'x' * 32_767}\nK2,{'y' * 32_768}\n")
    assert kinds(raw) == [("cell_too_long", 3, False)]
    assert raw.frame["note"].isna().tolist() == [False, True]


@pytest.mark.parametrize("content", [b"", b"\xef\xbb\xbf", b"\n\n  \n"])
def test_an_empty_file(tmp_path: Path, content: bytes) -> None:
    assert kinds(read(tmp_path, content)) == [("empty_file", None, True)]


def test_headers_without_a_record(tmp_path: Path) -> None:
    assert kinds(read(tmp_path, "case,energy\n")) == [("no_records", None, True)]


def test_a_repeated_header_stops_and_says_how_the_columns_differ(tmp_path: Path) -> None:
    raw = read(
        tmp_path,
        "case_id,energy_mj,passes,energy_mj,complication\nK1,12,2,18,0\nK2,14,1,14,1\nK3,10,2,,0\nK4,11,3,16,0\n",
    )
    problem = only(raw)
    assert (problem.kind, problem.fatal, problem.column) == ("header_repeated", True, "energy_mj")
    assert "disagree in rows 2 and 5" in problem.rule
    assert "only one of them is filled in row 4" in problem.rule
    assert raw.frame.empty


def test_a_repeated_header_that_the_mapping_drops_does_not_stop(tmp_path: Path) -> None:
    raw = read(tmp_path, "case,note,note\nK1,a,b\n", dropped=("Note",))
    assert not raw.problems
    assert list(raw.frame.columns) == ["case"]


def test_headers_that_differ_only_in_what_nobody_sees_are_the_same_header(tmp_path: Path) -> None:
    raw = read(tmp_path, "case,energy,energy \u200b\nK1,1,2\n")
    assert only(raw).kind == "header_repeated"


def test_a_repeated_header_row_is_no_record(tmp_path: Path) -> None:
    raw = read(tmp_path, "case,energy\nK1,10\ncase,energy\nK2,12\n")
    assert kinds(raw) == [("header_again", 3, False)]


def test_a_quotation_mark_that_is_never_closed_stops(tmp_path: Path) -> None:
    raw = read(tmp_path, 'case,energy,note\nK1,10,"open\nK2,12,x\nK3,14,y\n')
    assert only(raw).kind == "quote_not_closed"
    assert "row 2" in only(raw).rule


def test_a_quotation_mark_that_is_closed_rows_later_stops(tmp_path: Path) -> None:
    header = "case,a,b,c,d,note\n"
    raw = read(tmp_path, header + 'K1,1,1,1,1,"open\nK2,1,1,1,1,x\nK3,1,1,1,1,y"\nK4,1,1,1,1,z\n')
    assert kinds(raw) == [("quote_not_closed", None, True)]
    assert not read(tmp_path, header + 'K1,1,1,1,1,"one, two, three,\nfour, five, six, seven"\n').problems


def test_a_quotation_mark_that_swallows_part_of_the_next_row_says_how_many_lines(tmp_path: Path) -> None:
    raw = read(tmp_path, 'case,energy,note\nK1,10,"open\nK2,12,"x"\nK3,14,y\n')
    assert kinds(raw) == [("quotes", 2, False)]
    assert "over 2 lines of the file" in raw.problems[0].rule


def test_a_cell_beyond_all_bounds_stops(tmp_path: Path) -> None:
    raw = read(tmp_path, f'case,note\nK1,"{"x" * 140_000}\n"\nK2,y\n')
    assert kinds(raw) == [("quote_not_closed", None, True)]
    assert "131,072" in raw.problems[0].rule


def test_quotation_marks_that_do_not_pair_up_are_a_fault_of_their_row(tmp_path: Path) -> None:
    raw = read(tmp_path, 'case,note\nK1,"said "so" again"\nK2,5" scar\nK3,x\n')
    assert kinds(raw) == [("quotes", 2, False)]
    assert raw.rows == [2, 3, 4]
    assert raw.frame["note"].tolist()[1] == '5" scar'


def test_a_column_without_header_is_called_by_its_letter(tmp_path: Path) -> None:
    raw = read(tmp_path, "case,,energy,\nK1,x,10,\nK2,y,12,\n")
    assert list(raw.frame.columns) == ["case", "(no header, column B)", "energy"]
    assert not raw.problems


def test_dropped_columns_never_reach_the_frame(tmp_path: Path) -> None:
    raw = read(tmp_path, "case,Full  Name,energy\nK1,Ada,10\n", dropped=("full name",))
    assert list(raw.frame.columns) == ["case", "energy"]


def test_a_file_that_is_not_there_and_one_that_is_a_folder(tmp_path: Path) -> None:
    assert read_table(tmp_path / "absent.csv", "zones").problems[0].kind == "file_absent"
    assert read_table(tmp_path, "zones").problems[0].kind == "file_unreadable"


def test_an_old_or_locked_workbook_is_named_as_such(tmp_path: Path) -> None:
    assert kinds(read(tmp_path, b"\xd0\xcf\x11\xe0" + bytes(600))) == [("old_workbook", None, True)]
