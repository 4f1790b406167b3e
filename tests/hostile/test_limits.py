"""Files made to fill the memory, run code or never end: refused in two sentences, soon and without harm."""

from __future__ import annotations

import ast
import io
import os
import re
import threading
import zipfile
from pathlib import Path

import openpyxl
import pyarrow as pa
import pyarrow.parquet as pq
import pytest

import outcomes
from outcomes.records import schema
from outcomes.records.load import check
from outcomes.records.mapping import apply
from outcomes.records.readers import grid, limits, read_table, tables_in
from outcomes.records.readers.limits import TooLarge, check_archive, check_file_size

MEGABYTE = 1_000_000
SHEET = (
    '<worksheet xmlns="http://schemas.openxmlformats.org/spreadsheetml/2006/main"><sheetData>{}</sheetData></worksheet>'
)


def kinds(path: Path) -> list[str]:
    return [problem.kind for problem in read_table(path, "zones").problems if problem.fatal]


def workbook(path: Path, sheet: str, **parts: str) -> Path:
    """A workbook whose only sheet, and other parts, are the given XML."""
    plain = io.BytesIO()
    openpyxl.Workbook().save(plain)
    with zipfile.ZipFile(plain) as old, zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as new:
        for name in old.namelist():
            content = old.read(name).decode()
            if name == "xl/worksheets/sheet1.xml":
                content = sheet
            new.writestr(name, parts.get(name.rpartition("/")[2].partition(".")[0], content))
    return path


def cells(row: int, *at: tuple[str, str]) -> str:
    inner = "".join(f'<c r="{c}{row}" t="inlineStr"><is><t>{t}</t></is></c>' for c, t in at)
    return f'<row r="{row}">{inner}</row>'


HEAD = cells(1, ("A", "record_id"), ("B", "zone"))


def test_a_workbook_that_is_as_it_should_be_is_read(tmp_path: Path) -> None:
    path = workbook(tmp_path / "x.xlsx", SHEET.format(HEAD + cells(2, ("A", "R1"), ("B", "neck"))))
    assert kinds(path) == []
    assert read_table(path, "zones").frame["zone"].tolist() == ["neck"]


def test_a_workbook_that_unpacks_to_a_mountain_is_refused_unopened(tmp_path: Path) -> None:
    path = tmp_path / "bomb.xlsx"
    with (
        zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED, compresslevel=9) as archive,
        archive.open("xl/worksheets/sheet1.xml", "w", force_zip64=True) as part,
    ):
        for _ in range(60):
            part.write(b" " * MEGABYTE)
    assert path.stat().st_size < MEGABYTE
    raw = read_table(path, "zones")
    assert [problem.kind for problem in raw.problems] == ["too_large"]
    assert re.search(r"unpacks to [\d,]+ times its size", raw.problems[0].rule)
    assert "CSV" in raw.problems[0].remedy
    assert tables_in(path) == ("zones",)


def test_a_workbook_larger_than_the_limit_is_refused(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    path = workbook(tmp_path / "x.xlsx", SHEET.format(HEAD + cells(2, ("A", "R1"))))
    with zipfile.ZipFile(path) as archive:
        size = sum(part.file_size for part in archive.infolist())
        check_archive(archive)
        monkeypatch.setattr(limits, "LARGEST_UNPACKED_BYTES", size - 1)
        with pytest.raises(TooLarge):
            check_archive(archive)
    assert kinds(path) == ["too_large"]


def test_a_document_type_is_refused_before_it_expands(tmp_path: Path) -> None:
    lol = "".join(f'<!ENTITY l{i} "{f"&l{i - 1};" * 10}">' for i in range(1, 10))
    doctype = f'<?xml version="1.0"?><!-- {"x" * 5000} --><!DOCTYPE z [<!ENTITY l0 "ha">{lol}]>'
    sheet = SHEET.format(HEAD + cells(2, ("A", "&l9;"), ("B", "neck")))
    assert kinds(workbook(tmp_path / "a.xlsx", doctype + sheet)) == ["workbook_unreadable"]
    good = SHEET.format(HEAD + cells(2, ("A", "R1")))
    for part in ("workbook", "styles", "theme1"):
        assert kinds(workbook(tmp_path / "b.xlsx", good, **{part: doctype + "<z>&l9;</z>"})) == ["workbook_unreadable"]


@pytest.mark.parametrize(
    ("inner", "kind"),
    [
        ('<row r="999999999999"><c r="A999999999999"/></row>', "workbook_unreadable"),
        (cells(1_048_577, ("A", "x")), "workbook_unreadable"),
        (cells(900_000, ("XFD", "x")), "too_large"),
        (cells(2, ("A", "x")) + cells(2, ("A", "y")), "workbook_unreadable"),
        (cells(5, ("A", "x")) + cells(3, ("A", "y")), "workbook_unreadable"),
        (cells(2, ("A", "x"), ("A", "y")), "workbook_unreadable"),
        (cells(2, ("B", "x"), ("A", "y")), "workbook_unreadable"),
        ('<row r="2"><c r="A3"><v>1</v></c></row>', "workbook_unreadable"),
        ('<row r="2"><c r="ZZZZ2"><v>1</v></c></row>', "workbook_unreadable"),
    ],
)
def test_cells_far_away_twice_or_out_of_order_are_never_read_past(tmp_path: Path, inner: str, kind: str) -> None:
    """The library under us leaves out rows and cells that come twice or too late, and says nothing."""
    assert kinds(workbook(tmp_path / "x.xlsx", SHEET.format(HEAD + inner))) == [kind]


@pytest.mark.parametrize(("blocks", "kind"), [(1, "merged_cell"), (2, "workbook_unreadable")])
def test_merged_blocks_beyond_the_cells_and_over_one_another_are_bounded(
    tmp_path: Path, blocks: int, kind: str
) -> None:
    block = '<mergeCell ref="A1:XFD1048576"/>' * blocks
    sheet = SHEET.format(HEAD + cells(2, ("A", "R1"))).replace(
        "</sheetData>", f"</sheetData><mergeCells>{block}</mergeCells>"
    )
    raw = read_table(workbook(tmp_path / "x.xlsx", sheet), "zones")
    assert {problem.kind for problem in raw.problems} == {kind}
    assert len(raw.problems) == (2 if blocks == 1 else 1)


def test_a_csv_file_of_many_headers_and_short_rows_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "wide.csv"
    path.write_text(",".join(f"c{i}" for i in range(20_000)) + "\n" + "a,b\n" * 10, encoding="utf-8")
    assert kinds(path) == ["too_large"]
    path.write_text(",".join(f"c{i}" for i in range(16_000)) + "\n" + "a,b\n" * 10_000, encoding="utf-8")
    assert path.stat().st_size < MEGABYTE
    assert kinds(path) == ["too_large"]


def test_a_cell_that_never_ends_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "long.csv"
    path.write_text('record_id,zone\nR1,"' + "x" * 5 * MEGABYTE, encoding="utf-8")
    assert kinds(path) == ["quote_not_closed"]


def test_a_parquet_file_that_unpacks_to_a_mountain_is_refused(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = tmp_path / "bomb.parquet"
    text = pa.array(["x" * 30_000], pa.string()).dictionary_encode()
    column = pa.DictionaryArray.from_arrays(pa.array([0] * 20_000, pa.int32()), text.dictionary)
    pq.write_table(pa.table({"record_id": column.cast(pa.string())}), path)
    assert path.stat().st_size < 10 * MEGABYTE
    monkeypatch.setattr(limits, "LARGEST_UNPACKED_BYTES", 200 * MEGABYTE)
    assert kinds(path) == ["too_large"]
    pq.write_table(pa.table({f"c{i}": pa.nulls(200_000) for i in range(600)}), path)
    assert kinds(path) == ["too_large"]


def test_a_file_that_does_not_fit_into_memory_says_what_it_needs(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "huge.csv"
    with path.open("wb") as file:
        file.truncate(3_000_000_000)  # holds no byte on the disk
    assert kinds(path) == ["too_large"]
    with pytest.raises(TooLarge, match="needs about 19 GB of memory and the machine has 8 GB"):
        check_file_size(500 * MEGABYTE, memory=8 * 2**30)
    assert tables_in(path) == ("zones",)


@pytest.mark.skipif(os.name != "posix", reason="pipes and devices")
def test_a_pipe_or_a_device_is_refused_and_not_half_read(tmp_path: Path) -> None:
    pipe = tmp_path / "pipe.csv"
    os.mkfifo(pipe)
    found: list[list[str]] = []
    reader = threading.Thread(target=lambda: found.append(kinds(pipe)), daemon=True)
    reader.start()
    reader.join(timeout=20)
    assert found == [["file_unreadable"]]
    assert tables_in(pipe) == ("zones",)
    assert kinds(Path("/dev/zero")) == ["file_unreadable"]


# What the package never does ---------------------------------------------------------------------------------

SOURCES = sorted(Path(outcomes.__file__).parent.rglob("*.py"))
FORBIDDEN_MODULES = {
    "aiohttp", "asyncio", "cloudpickle", "dill", "ftplib", "http", "httpx", "imaplib", "joblib", "marshal", "pickle",
    "requests", "runpy", "shelve", "smtplib", "socket", "ssl", "subprocess", "telnetlib", "urllib", "urllib3",
    "webbrowser", "xmlrpc", "yaml",
}  # fmt: skip
FORBIDDEN_CALLS = {"eval", "exec", "compile", "__import__", "system", "popen", "read_pickle", "to_pickle", "query"}
HARMLESS = {("re", "compile"), ("typst", "compile")}


def offences(source: str) -> list[str]:
    """Modules and calls of a source text that reach the network, run text as code or unpickle."""
    found: list[str] = []
    for node in ast.walk(ast.parse(source)):
        if isinstance(node, (ast.Import, ast.ImportFrom)):
            names = [node.module or ""] if isinstance(node, ast.ImportFrom) else [alias.name for alias in node.names]
            found += [name for name in names if name.partition(".")[0] in FORBIDDEN_MODULES]
        elif isinstance(node, ast.Call):
            called = node.func
            owner = called.value.id if isinstance(called, ast.Attribute) and isinstance(called.value, ast.Name) else ""
            name = called.attr if isinstance(called, ast.Attribute) else getattr(called, "id", "")
            if (name in FORBIDDEN_CALLS and (owner, name) not in HARMLESS) or (owner, name) == ("np", "load"):
                found.append(f"{owner}.{name}")
    return found


@pytest.mark.parametrize("path", SOURCES, ids=lambda path: path.stem)
def test_no_network_no_code_from_data_no_pickle(path: Path) -> None:
    assert offences(path.read_text(encoding="utf-8")) == []


@pytest.mark.parametrize(
    "source",
    [
        "import pickle",
        "from urllib.request import urlopen",
        "import os\nos.system('x')",
        "eval('1')",
        "frame.query('a > 1')",
        "pd.read_pickle(path)",
        "np.load(path)",
        "compile('1', '', 'eval')",
    ],
)
def test_the_search_finds_what_it_is_for(source: str) -> None:
    assert offences(source)
    assert len(SOURCES) > 80


# More faults than can be listed ------------------------------------------------------------------------------


def spoilt(folder: Path, column: str, cell: str, rows: int = 30) -> Path:
    head = (
        "record_id,patient_id,session_id,treated_on,practitioner_id,zone,skin_type,pulse_energy_mj,density_pct,passes"
    )
    line = dict(
        zip(head.split(","), ["R{i}", "P{i}", "S{i}", "2026-03-25", "A", "neck", "II", "12", "5", "1"], strict=True)
    )
    line[column] = cell
    lines = [",".join(line.values()).format(i=i) for i in range(rows)]
    path = folder / "export.csv"
    path.write_text("\n".join([head, *lines]) + "\n", encoding="utf-8")
    return path


@pytest.mark.parametrize(("column", "cell"), [("pulse_energy_mj", "kanari"), ("passes", "77")])
def test_faults_beyond_what_can_be_listed_become_one_of_their_column(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, column: str, cell: str
) -> None:
    for module in (apply, schema):
        monkeypatch.setattr(module, "MOST_PROBLEMS", 20)
    path = spoilt(tmp_path, column, cell, rows=20)
    assert [p.kind for p in check(path).problems if p.row is not None] != []
    checked = check(spoilt(tmp_path, column, cell))
    (found,) = [p for p in checked.problems if p.kind == "too_many_problems"]
    assert (found.column, found.fatal, found.row) == (column, True, None)
    assert "has 30 faulty cells" in found.rule
    assert "the first, in row 2, must" in found.rule
    assert cell not in found.rule
    assert len(checked.problems) <= 2
    assert checked.cases is None
    (count,) = checked.source.counts
    assert count.rows_read == 30 == count.rows_accepted + count.rows_refused


def test_unreadable_cells_beyond_what_can_be_listed_stop_the_file(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(grid, "MOST_PROBLEMS", 20)
    path = spoilt(tmp_path, "practitioner_id", "A\x00", rows=21)
    checked = check(path)
    assert next(p.kind for p in checked.problems if p.fatal) == "too_many_problems"
    assert len(checked.problems) == 21
    assert check(spoilt(tmp_path, "practitioner_id", "A\x00", rows=20)).cases is None  # refused row by row
