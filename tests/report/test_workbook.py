"""The workbook: every tidy row, typed; text inert; the same bytes twice; refused by nothing that reads XLSX."""

from __future__ import annotations

import io
from pathlib import Path

import openpyxl
import pandas as pd
import pytest
import sample_findings as sample
from sample_cases import SCOPE, cases

from outcomes.estimates.estimate import Estimate, NotEstimable, tidy
from outcomes.findings import Finding
from outcomes.report.compose import compose
from outcomes.report.data import report_data
from outcomes.report.document import Report, rounded
from outcomes.report.paper import full_tables
from outcomes.report.typeset import typeset
from outcomes.report.workbook import workbook_bytes


def _report() -> Report:
    awkward = Finding(
        "awkward",
        "Awkward",
        "Are cells inert?",
        ("None is computed.",),
        estimates=(
            Estimate("=1+1", 0.5, 0.25, 0.75, "+method", 9, unit="proportion"),
            NotEstimable("-cmd|'/c calc'!A0", "@SUM(1)", n=0),
        ),
    )
    return compose((*sample.findings(), awkward), cases(), SCOPE, title="Invented audit", organisation="=Clinic")


@pytest.fixture(scope="module")
def book() -> openpyxl.Workbook:
    return openpyxl.load_workbook(io.BytesIO(workbook_bytes(_report())))


def test_every_estimate_is_a_typed_row(book):
    report = _report()
    assert len(book.sheetnames) == 1 + len(report.estimates) + 2
    for name, (_, answers) in zip(book.sheetnames[1:], report.estimates, strict=False):
        read = pd.DataFrame(book[name].values)
        expected = tidy(answers)
        assert list(read.iloc[0]) == list(expected.columns)
        assert len(read) - 1 == len(answers)
        for row, answer in zip(read.iloc[1:].itertuples(index=False), answers, strict=True):
            value = row[list(expected.columns).index("estimate")]
            if isinstance(answer, Estimate):
                assert value == rounded(answer.value)
            else:
                assert value is None or value != value


def test_the_contents_list_every_sheet_with_its_rows(book):
    listed = {row[0]: row[2] for row in book["Contents"].iter_rows(min_row=5, values_only=True) if row[2] is not None}
    assert set(listed) == set(book.sheetnames[1:])
    assert all(book[name].max_row - 1 == rows for name, rows in listed.items())


def test_no_cell_is_computed(book):
    live = [c for sheet in book for row in sheet.iter_rows() for c in row if c.data_type == "f"]
    assert live == []
    texts = [c for sheet in book for row in sheet.iter_rows() for c in row if isinstance(c.value, str)]
    starting = [c for c in texts if c.value.startswith(("=", "+", "-", "@"))]
    assert {c.value for c in starting} >= {"=1+1", "+method", "-cmd|'/c calc'!A0", "=Clinic"}
    assert all(c.quotePrefix for c in starting)


def test_the_same_report_gives_the_same_bytes():
    assert workbook_bytes(_report()) == workbook_bytes(_report())


def test_the_workbook_is_written_with_the_report(tmp_path: Path):
    written = typeset(_report(), tmp_path / "2026Q3", workbook=True)
    assert written.workbook is not None
    assert written.workbook.read_bytes() == workbook_bytes(_report(), full_tables(report_data(_report())))
    again = typeset(_report(), tmp_path / "2026Q3")  # the earlier workbook belongs to the report and goes with it
    assert again.workbook is None
    assert not written.workbook.exists()
