"""The PDF: archival, accessible, read back; the folder around it; the same bytes twice."""

from __future__ import annotations

import hashlib
import io
import json
import re
from dataclasses import replace
from pathlib import Path
from typing import Any

import pandas as pd
import pytest
import sample_findings as sample
from pypdf import PdfReader
from pypdf.generic import DictionaryObject
from sample_cases import SCOPE, cases

from outcomes.errors import ReportError
from outcomes.estimates.estimate import TIDY_COLUMNS
from outcomes.figures.draw import draw, is_drawn
from outcomes.findings import Forest
from outcomes.report import typeset as typesetting
from outcomes.report.compose import compose
from outcomes.report.document import Formula, Headline, Report, Request, Section
from outcomes.report.formulas import _ENTRIES
from outcomes.report.texts import FIRST_PAGE_CAUTION
from outcomes.report.typeset import Written, typeset


def _report() -> Report:
    return compose(sample.findings(), cases(), SCOPE, title="Invented audit", organisation="Clinic *A* & #b")


@pytest.fixture(scope="module")
def written(tmp_path_factory: pytest.TempPathFactory) -> Written:
    return typeset(_report(), tmp_path_factory.mktemp("report") / "2026Q3")


@pytest.fixture(scope="module")
def reader(written: Written) -> PdfReader:
    return PdfReader(io.BytesIO(written.pdf.read_bytes()))


def _dense(text: str) -> str:
    """Text without white space and break marks: what a line break or a cell cannot change."""
    return re.sub(r"[\s\u00a0\u200b\u00ad\u200f\u202a-\u202e]", "", text)


@pytest.fixture(scope="module")
def text(reader: PdfReader) -> str:
    return _dense("\n".join(page.extract_text() for page in reader.pages))


def _digests(folder: Path) -> dict[str, str]:
    return {
        p.relative_to(folder).as_posix(): hashlib.sha256(p.read_bytes()).hexdigest()
        for p in sorted(folder.rglob("*"))
        if p.is_file()
    }


def test_the_pdf_claims_archival_and_accessible(reader: PdfReader) -> None:
    xmp = reader.xmp_metadata
    assert xmp is not None
    raw = xmp.stream.get_data().decode("utf-8")
    assert re.search(r"pdfaid:part(>|=\")2", raw)
    assert re.search(r"pdfaid:conformance(>|=\")A", raw)
    assert re.search(r"pdfuaid:part(>|=\")1", raw)
    root = reader.trailer["/Root"]
    assert root["/MarkInfo"]["/Marked"]
    assert str(root["/Lang"]).startswith("en")
    assert reader.metadata is not None
    assert reader.metadata.title == "Clinical audit: Invented audit, 2026Q3"


def test_every_font_is_embedded(reader: PdfReader) -> None:
    names = set()
    for page in reader.pages:
        for font in page["/Resources"].get("/Font", {}).values():
            descendant = font.get_object()["/DescendantFonts"][0].get_object()
            descriptor = descendant["/FontDescriptor"]
            assert "/FontFile2" in descriptor or "/FontFile3" in descriptor
            names.add(str(descriptor["/FontName"]).split("+")[-1])
    assert any(name.startswith("SourceSerif4") for name in names)
    assert any(name.startswith("SourceSans3") for name in names)


def _structure(node: Any, kind: str) -> list[DictionaryObject]:
    node = node.get_object()
    found = []
    if isinstance(node, DictionaryObject):
        if node.get("/S") == kind:
            found.append(node)
        kids = node.get("/K")
        if kids is not None:
            kids = kids.get_object()
            for kid in kids if isinstance(kids, list) else [kids]:
                if not isinstance(kid, int):
                    found += _structure(kid, kind)
    return found


def test_every_figure_says_its_numbers(reader: PdfReader) -> None:
    tree = reader.trailer["/Root"]["/StructTreeRoot"]
    alts = [_dense(str(node["/Alt"])) for node in _structure(tree, "/Figure") if "/Alt" in node]
    for finding in sample.findings():
        for exhibit in finding.exhibits:
            if is_drawn(exhibit):
                assert _dense(draw(exhibit).alt) in alts
    assert len(_structure(tree, "/Table")) >= 9
    assert _structure(tree, "/TH")


def test_the_first_page_holds_what_the_committee_needs(reader: PdfReader) -> None:
    first = _dense(reader.pages[0].extract_text())
    report = _report()
    for words in (
        report.title, report.organisation, "14 October 2026", "2025Q3–2026Q2", *report.summary,
        *(h.text for h in report.headlines), *(r.text for r in report.requests), FIRST_PAGE_CAUTION,
        "Outside 99.8 %", "Cannot say", f"Page 1 of {len(reader.pages)}",
    ):  # fmt: skip
        # A word may be hyphenated at the end of a line.
        assert _dense(words).replace("-", "") in first.replace("-", ""), words


def test_every_page_says_which_of_how_many(reader: PdfReader) -> None:
    for number, page in enumerate(reader.pages, start=1):
        assert _dense(f"Page {number} of {len(reader.pages)}") in _dense(page.extract_text())


def test_hostile_text_is_read_back_as_it_was(text: str) -> None:
    for hostile in (*sample.HOSTILE, sample.LONG_WORD, "Clinic *A* & #b"):
        assert _dense(hostile) in text
    assert "[U+60A3][U+8005]onetwo" in text  # no font has them: coded, not dropped
    assert "\x00" not in text
    assert all(letter in text for letter in sample.RIGHT_TO_LEFT.replace(" ", ""))


def test_the_pdf_prints_the_numbers_of_report_json(written: Written, text: str) -> None:
    data = json.loads(written.json.read_text(encoding="utf-8"))
    rows = 0
    for section in data["sections"]:
        for block in section["blocks"]:
            if "written_as" in block:
                assert _dense(f"{block['label']}, {block['title']}") in text
                continue
            if block.get("shape") == "forest":
                for row in block["rows"]:
                    line = row["label"] + "".join(row["cells"])
                    line += row["text"] + row["interval"] if row["text"] else "cannot say: " + row["reason"]
                    assert _dense(line) in text, row["label"]
                    rows += 1
            if block.get("shape") == "grid":
                for row in block["rows"]:
                    for cell in row["cells"]:
                        if cell not in (*sample.HOSTILE, sample.RIGHT_TO_LEFT, sample.UNCOVERED):
                            assert _dense(cell) in text
    assert rows == 60 + 6 + 3


def test_sixty_zones_run_over_pages_with_the_head_repeated(reader: PdfReader) -> None:
    heads = [_dense("Zones with it Patients % 95 % CI") in _dense(page.extract_text()) for page in reader.pages]
    assert sum(heads) >= 2


def test_the_folder_holds_its_parts_and_says_which(written: Written) -> None:
    data = json.loads(written.json.read_text(encoding="utf-8"))
    assert data["written"] == sorted(_digests(written.folder))
    full = [block["written_as"] for s in data["sections"] for block in s["blocks"] if "written_as" in block]
    assert len(full) == 1
    names = [*(f"tables/{f.key}.csv" for f in sample.findings()), *full]
    assert written.tables == tuple(written.folder / name for name in names)
    frame = pd.read_csv(written.folder / "tables" / "settings_and_risk.csv")
    assert tuple(frame.columns) == TIDY_COLUMNS
    assert frame["estimate"].notna().sum() == 5
    assert frame["note"].str.startswith("cannot say: fewer than 10").sum() == 1
    refused = pd.read_csv(written.folder / "refused.csv")
    assert list(refused.columns) == ["table", "row", "rules"]
    assert len(refused) == 4
    problems = pd.read_csv(written.folder / "problems.csv")
    assert list(problems.columns) == ["table", "row", "column", "rule", "remedy"]
    assert len(problems) == 4


def test_the_same_report_is_the_same_bytes(written: Written, tmp_path: Path) -> None:
    again = typeset(_report(), tmp_path / "elsewhere")
    assert _digests(again.folder) == _digests(written.folder)


def test_a_run_that_fails_leaves_the_earlier_report(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    out = tmp_path / "2026Q3"
    typeset(_report(), out)
    before = _digests(out)
    broken = replace(_report(), sections=(Section("x", "X", (Formula("no_such_formula", "T", "w", ""),)),))
    with pytest.raises(ReportError, match="could not be typeset"):
        typeset(broken, out)
    assert _digests(out) == before
    monkeypatch.setattr(typesetting, "problem_frame", lambda problems: 1 / 0)
    with pytest.raises(ZeroDivisionError):
        typeset(_report(), out)
    assert _digests(out) == before
    assert [p.name for p in tmp_path.iterdir()] == ["2026Q3"]


def test_a_warning_stops_the_report(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    real = typesetting._template

    def unknown_font(name: str) -> bytes:
        return real(name).replace(b'"Source Serif 4"', b'"No Such Family"')

    monkeypatch.setattr(typesetting, "_template", unknown_font)
    with pytest.raises(ReportError, match="no such family"):
        typeset(_report(), tmp_path / "out")
    assert list(tmp_path.iterdir()) == []


def test_inputs_are_kept_out_of_harm(tmp_path: Path) -> None:
    export = tmp_path / "zones.csv"
    export.write_text("x", encoding="utf-8")
    with pytest.raises(ReportError):
        typeset(_report(), tmp_path, inputs=[export])
    assert export.read_text(encoding="utf-8") == "x"


def test_every_formula_can_be_set(tmp_path: Path) -> None:
    section = Section("methods", "Methods", tuple(entry.formula for entry in _ENTRIES))
    written = typeset(replace(_report(), sections=(section,), headlines=(), further=(), requests=()), tmp_path / "out")
    tree = PdfReader(io.BytesIO(written.pdf.read_bytes())).trailer["/Root"]["/StructTreeRoot"]
    alts = [_dense(str(node["/Alt"])) for node in _structure(tree, "/Formula") if "/Alt" in node]
    assert [_dense(entry.formula.words) for entry in _ENTRIES] == alts


def test_the_report_holds_no_path_and_no_identifier(text: str, written: Written) -> None:
    data = written.json.read_text(encoding="utf-8")
    for identifier in ("R17", "A8", "S12"):
        assert f'"{identifier}"' not in data
    assert str(written.folder) not in data
    assert _dense(str(written.folder)) not in text


def test_key_findings_that_do_not_fit_lead_the_next_page_and_the_caution_stays(tmp_path: Path) -> None:
    long = "It was found, over a great many words that fill the line and the next one too, number "
    crowd = tuple(Headline("not shown", f"{long * 2}{i}.", "healing") for i in range(14))
    written = typeset(replace(_report(), headlines=crowd), tmp_path / "out")
    pages = [_dense(page.extract_text()) for page in PdfReader(io.BytesIO(written.pdf.read_bytes())).pages]
    assert _dense(FIRST_PAGE_CAUTION) in pages[0].replace("-", "")
    first = [i for i in range(14) if _dense(f"{long}{i}.") in pages[0]]
    second = [i for i in range(14) if _dense(f"{long}{i}.") in pages[1]]
    assert 2 <= len(first) < 14
    assert first + second == list(range(14))


def test_the_last_rows_of_a_long_table_stay_together(reader: PdfReader) -> None:
    pages = [_dense(page.extract_text()) for page in reader.pages]
    rows = [row for exhibit in sample.complications().exhibits if isinstance(exhibit, Forest) for row in exhibit.rows]
    lines = [_dense(row.label + "".join(row.cells)) for row in rows]
    held = [next(i for i, page in enumerate(pages) if line in page) for line in lines]
    assert len(set(held)) >= 2
    assert len(set(held[-3:])) == 1
    assert len(set(held[:3])) == 1


def test_the_group_heading_comes_back_after_a_page_break(reader: PdfReader) -> None:
    pages = [_dense(page.extract_text()) for page in reader.pages]
    forest = next(e for e in sample.complications().exhibits if isinstance(e, Forest))
    checked = 0
    for page in pages:
        places = [(page.find(_dense(row.label + "".join(row.cells))), row) for row in forest.rows]
        held = [(at, row) for at, row in places if at >= 0]
        if not held or page.find(_dense(forest.headers[1])) < 0:
            continue
        at, first = min(held, key=lambda entry: entry[0])
        head = page.rfind(_dense(forest.headers[1]), 0, at)
        assert _dense(first.group) in page[head:at], first.label
        checked += 1
    assert checked >= 2


def test_a_section_does_not_part_from_its_first_table(reader: PdfReader) -> None:
    pages = [_dense(page.extract_text()) for page in reader.pages]
    for finding in (sample.settings_in_use(), sample.complications(), sample.settings_and_risk()):
        opening = next(i for i, page in enumerate(pages) if _dense(finding.asks) in page)
        assert _dense(finding.exhibits[0].title) in pages[opening], finding.key


def test_words_for_those_who_do_not_see_a_formula_are_not_printed(tmp_path: Path) -> None:
    section = Section("methods", "Methods", tuple(entry.formula for entry in _ENTRIES))
    written = typeset(replace(_report(), sections=(section,), headlines=(), further=(), requests=()), tmp_path / "out")
    pages = PdfReader(io.BytesIO(written.pdf.read_bytes())).pages
    printed = _dense("".join(page.extract_text() for page in pages)).replace("-", "")
    for entry in _ENTRIES:
        assert _dense(entry.formula.words).replace("-", "") not in printed
        assert _dense(entry.formula.reading).replace("-", "") in printed


def test_the_note_of_a_table_stands_above_it(text: str) -> None:
    forest = next(e for e in sample.complications().exhibits if isinstance(e, Forest))
    assert text.index(_dense(forest.note)) < text.index(_dense(forest.rows[0].label + "".join(forest.rows[0].cells)))


def test_the_first_page_is_one_page_whatever_it_must_hold(tmp_path: Path) -> None:
    word = "Donaudampfschifffahrtselektrizitaetenhauptbetriebswerkbauunterbeamtengesellschaft"
    full = replace(
        _report(),
        title=f"{word} {word}",
        organisation=f"{word} of many words and of many more that follow them",
        summary=tuple(
            f"Sentence {i} goes on about {word} and a good deal more, {'at great length, ' * 9}to its end."
            for i in range(5)
        ),
        requests=tuple(Request(f"Decide on {word}, matter {i}.", "healing") for i in range(14)),
        headlines=tuple(
            Headline("outside 99.8 %", f"Finding {i}: {'many words ' * 20}{word}.", "healing") for i in range(7)
        ),
    )
    written = typeset(full, tmp_path / "out")
    pages = [_dense(p.extract_text()).replace("-", "") for p in PdfReader(io.BytesIO(written.pdf.read_bytes())).pages]
    assert _dense(FIRST_PAGE_CAUTION) in pages[0]
    assert "Keyfindings" in pages[0]
    assert "Finding0:" in pages[0]
    assert _dense(full.summary[-1])[-40:] in pages[0]
    for i in range(14):
        assert f"matter{i}." in pages[0] + pages[1]
    assert "moreonthenextpage" in pages[0]
    for i in range(7):
        assert f"Finding{i}:" in pages[0] + pages[1] + pages[2]
    assert "Howtoreadthisreport" in pages[1]
