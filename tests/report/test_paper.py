"""What is printed and what stands in the full tables: nothing is in neither, no count and no refusal is lost."""

from __future__ import annotations

import csv
import json
import re
from dataclasses import replace
from typing import Any

import openpyxl
import pytest
import sample_findings as sample
from pypdf import PdfReader
from sample_cases import SCOPE, cases

from outcomes.estimates.estimate import Estimate, NotEstimable
from outcomes.findings import Finding, Forest, Funnel, Row
from outcomes.report.compose import compose
from outcomes.report.data import report_data
from outcomes.report.document import Report
from outcomes.report.paper import figure_widths, full_tables, on_paper, table_cells
from outcomes.report.told_once import joined, told_once
from outcomes.report.typeset import Written, typeset


def _detailed() -> Report:
    """The sample with every table of settings counted among those that support."""
    findings = [
        replace(f, exhibits=tuple(replace(e, detail=True) if isinstance(e, Forest) else e for e in f.exhibits))
        if f.key == "settings_and_risk"
        else f
        for f in sample.findings()
    ]
    return compose(findings, cases(), SCOPE)


@pytest.fixture(scope="module")
def written(tmp_path_factory: pytest.TempPathFactory) -> Written:
    return typeset(_detailed(), tmp_path_factory.mktemp("paper") / "2026Q3", html=True, workbook=True)


@pytest.fixture(scope="module")
def data(written: Written) -> dict[str, Any]:
    return json.loads(written.json.read_text(encoding="utf-8"))


def _shown(data: dict[str, Any]) -> list[dict[str, Any]]:
    return [b for s in data["sections"] for b in s["blocks"] if b["kind"] == "shown"]


def test_tables_and_figures_are_numbered_in_order_printed_or_not(data: dict[str, Any]) -> None:
    for kind in ("Table", "Figure"):
        numbers = [int(b["label"].split()[1]) for b in _shown(data) if b["label"].startswith(kind)]
        assert numbers == list(range(1, len(numbers) + 1))
        assert numbers


def test_a_table_that_is_not_printed_is_a_file_a_sheet_and_on_the_page_and_is_named_on_paper(
    written: Written, data: dict[str, Any]
) -> None:
    full = [b for b in _shown(data) if not b["printed"]]
    assert {b["shape"] for b in full} == {"forest", "grid"}
    book = openpyxl.load_workbook(written.workbook)
    page = written.html.read_text(encoding="utf-8")
    text = re.sub(r"\s", "", "".join(p.extract_text() for p in PdfReader(written.pdf).pages)).replace("\u00ad", "")
    for block in full:
        heads, rows = table_cells(block)
        lines = list(csv.reader((written.folder / block["written_as"]).read_text(encoding="utf-8-sig").splitlines()))
        assert [tuple(line) for line in lines] == [heads, *rows]
        assert [tuple(c or "" for c in line) for line in book[block["label"]].values] == [heads, *rows]
        assert f"{block['label']} " in page
        assert re.sub(r"\s", "", f"{block['label']}, {block['title']}") in text
    for block in _shown(data):
        if block["printed"] and block["label"].startswith("Table"):
            assert re.sub(r"\s", "", f"{block['label']}{block['title']}") in text, block["title"]


def test_rows_of_a_full_table_keep_refusals_and_verdicts() -> None:
    block = next(b for b in full_tables(report_data(_detailed())) if b["shape"] == "forest")
    heads, rows = table_cells(block)
    assert heads[0] == "Group"
    assert heads[-1] == "Verdict"
    silent = [row for row in rows if row[-3] == "cannot say"]
    assert len(silent) == sum(bool(row["reason"]) for row in block["rows"]) > 0
    assert all(row[-2] for row in silent)


def test_the_line_on_paper_counts_what_cannot_be_said() -> None:
    paper = on_paper(report_data(_detailed()))
    lines = [b for s in paper["sections"] for b in s["blocks"] if b["kind"] == "elsewhere"]
    said = " ".join(t["said"] for line in lines for t in line["tables"])
    assert re.search(r"\(6 rows, 1 of which cannot say\)", said)
    assert any("not printed" in sentence for sentence in paper["how_to_read"])


def test_a_practitioner_is_given_every_table_on_paper() -> None:
    own = replace(_detailed(), kind="benchmark")
    assert full_tables(report_data(own)) == ()


def _silent(label: str, reason: str, *cells: str, verdict: str = "") -> Row:
    return Row(label, NotEstimable(label, reason, n=0), cells, verdict)


def test_rows_that_cannot_say_alike_are_set_as_one_and_keep_their_counts() -> None:
    rows = (
        _silent("A", "too few", "– / 12", "7"),
        Row("said", Estimate("said", 1.2, 0.9, 1.6, "m", 40, unit="odds ratio"), ("4 / 40", "30")),
        _silent("B", "too few", "– / 15", "9"),
        _silent("C", "held back", "– / 1", "1"),
        _silent("D", "too few", "–", "–"),
        _silent("E", "too few", "–", "–", verdict="too few to judge"),
        _silent("F", "too few", "1", "2", "3"),
    )
    forest = Forest("T", ("", "events / zones", "known", "more"), rows, "ratio", 1.0)
    data = report_data(compose([Finding("q", "Q", "?", ("Said.",), exhibits=(forest,))], cases(), SCOPE))
    table = next(b for b in on_paper(data)["sections"][0]["blocks"] if b["kind"] == "shown")
    assert [row["label"] for row in table["rows"]] == [
        "said", "C", "E", "F", "A (– / 12, known 7); B (– / 15, known 9); D",
    ]  # fmt: skip
    assert [len(b["rows"]) for b in _shown(data) if b["title"] == "T"] == [len(rows)]


def test_two_figures_in_a_row_are_drawn_to_stand_side_by_side() -> None:
    funnel = next(e for f in sample.findings() for e in f.exhibits if isinstance(e, Funnel))
    finding = Finding("q", "Q", "?", ("Said.",), exhibits=(funnel, funnel, funnel))
    report = compose([finding], cases(), SCOPE)
    assert [width for _, width in figure_widths(report)] == [84.0, 84.0, 116.0]
    blocks = on_paper(report_data(report))["sections"][0]["blocks"]
    pair = next(b for b in blocks if b["kind"] == "pair")
    assert [f["label"] for f in pair["figures"]] == ["Figure 1", "Figure 2"]
    assert pair["figures"][1]["reading"] == "Read as Figure 1."


def test_entries_that_say_the_same_are_joined_and_every_number_stays() -> None:
    entries = [
        "Redness: 1,310 zones never seen; 3 scars.",
        "Scarring: 866 zones never seen; 4 scars.",
        "Other.",
        "A: b.",
    ]
    assert joined(entries) == [
        "Redness and scarring, in this order: 1,310 and 866 zones never seen; 3 and 4 scars.", "Other.", "A: b.",
    ]  # fmt: skip
    assert joined(["A: x.", "B: x.", "C: y."]) == ["A and B: x.", "C: y."]
    assert joined(["Same.", "Same."]) == ["Same.", "Same."]
    assert joined(["A: 1 zone.", "B: 2 zones."]) == ["A: 1 zone.", "B: 2 zones."]


def test_a_list_said_before_is_named_by_its_section() -> None:
    long = ["x" * 200]

    def section(number: int, head: str, entries: list[str]) -> dict[str, Any]:
        return {"number": number, "blocks": [{"kind": "ledger", "columns": [[head, entries]]}]}

    told = told_once([section(1, "Left out", long), section(2, "Left out", long), section(3, "Cannot show", long)])
    assert [s["blocks"][0]["columns"][0][1] for s in told] == [long, ["As in Section 1."], long]
